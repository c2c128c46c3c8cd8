"""For each rule of practice a situation in which another value of it changes the plan.

``EFFECTS`` has one row for every rule: the changed value, and what differs from a usual snowy night
that the rule needs to be felt. The rule is set at the finest level that it may be set at, so that a
row also shows that the level is read. A new rule needs a row; see ``test_policy.py``.
"""

from __future__ import annotations

import pickle
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry
from stormplan import units
from stormplan.company.practice_rules import RULES
from stormplan.company.sites import Sites
from stormplan.operations.travel import DriveTables
from stormplan.physics import night_error
from stormplan.physics.forcing import clear_sky
from stormplan.physics.night_error import NightErrors
from stormplan.planning import plan_diff
from stormplan.planning.plan import Plan
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.drive_history import learned_minutes
from stormplan.record.entries import (
    Application,
    BatchMade,
    Entry,
    LoadDrawn,
    LoadReturned,
    Measurement,
)
from stormplan.record.sprayer_positions import sprayer_positions
from stormplan.record.stock_ledger import stock_book
from stormplan.record.surface_history import ObservedCondition, SurfaceHistory, surface_histories
from stormplan.treatment.earlier_work import read_earlier_work
from stormplan.weather.forecast import CellForecast, stack
from stormplan.weather.providers import Location, fetch_forecasts
from stormplan.weather.providers.gather_rules import GatherRules

C = units.f_to_c
HORIZON = "36 h"  # of every row: the storms are over by then, and a longer look takes longer


def snow(inches_an_hour: float = 0.2, start: int = 12, end: int = 18, pop: float = 0.9, **more):
    """Snow at ten to one under cloud, falling on freezing pavement."""
    amount = between_hours(start, end, 2.54 * inches_an_hour)
    return {
        "air_temp_c": {0: -1.0, start: -3.0},
        "dew_point_c": {0: -6.0, start: -4.0},
        "snowfall_swe_mm": amount,
        "snowfall_cm": amount,
        "pop": pop,
    } | more


def clear_night(air_c: float = -2.0, dew_c: float = -2.0):
    """A clear calm night in which frost forms."""
    return {
        "air_temp_c": air_c,
        "dew_point_c": dew_c,
        "cloud_frac": 0.0,
        "wind_10m_ms": 1.0,
    }


def steady(air_f: float, inches_an_hour: float = 0.2, **more):
    """Snow in steady air."""
    return snow(inches_an_hour, air_temp_c=C(air_f), dew_point_c=C(air_f) - 1.0, **more)


LOT = {"class": "asphalt_lot", "area": "20000 ft2"}
WALK = {"class": "concrete_walk", "area": "2000 ft2"}
FREEZING_RAIN = {
    "air_temp_c": -3.0,
    "dew_point_c": -4.0,
    "freezing_rain_mm": between_hours(12, 18, 0.5),
    "pop": 0.9,
}
RAIN_THEN_SNOW = snow() | {
    "air_temp_c": {0: 2.0, 12: -3.0},
    "dew_point_c": {0: -4.0, 12: -5.0},
    "wind_10m_ms": 4.0,
    "rain_mm": between_hours(10, 12, 0.1),
}
FROST_AT_DAWN = {
    "air_temp_c": {0: 4.0, 6: 1.0, 12: -1.0, 20: 5.0},
    "dew_point_c": {0: 0.0, 20: 1.0},
    "cloud_frac": {0: 0.0, 20: 0.9},
}
MAGNESIUM = {
    "name": "magnesium 30 %",
    "mgcl2": "30 %",
    "inhibited": True,
    "odor": False,
    "tracks_indoors": False,
}
LATE = NOON.replace(hour=23)


def yard_with(strength: str, **more: str) -> dict[str, Any]:
    """The yard with a brine tank of a strength as read, and salt with a price."""
    north = BASE_SECTIONS["yards"]["north"]
    salt = north["salt"] | {"price": "80 /ton"}
    reading = {"strength": strength, "taken_at": "2026-01-12"}
    tank = {
        "product": "brine",
        "capacity": "6000 gal",
        "on_hand": "2000 gal",
        "reading": reading,
    }
    return {"yards": {"north": north | {"salt": salt, "tanks": {"t1": tank}} | more}}


#: The yard 10 mi from the site.
FAR_YARD = {"yards": {"north": BASE_SECTIONS["yards"]["north"] | {"longitude": -89.6}}}
PLOW = {"plow": {"name": "Plow", "coverage_rate": "2 acre/h"}}
FAR_PLOW = {"yards": {"north": FAR_YARD["yards"]["north"] | {"plows": PLOW}}}
AMOUNTS = ("snowfall_swe_mm", "snowfall_cm", "rain_mm", "freezing_rain_mm", "sleet_mm", "precip_mm")
LOST = np.full(72, np.nan)


def lost_between(start: int, end: int):
    """Air at -3 °C with colder nights, unknown between two hours."""
    air_c = -3.0 - 3.0 * np.sin(np.arange(72) * np.pi / 12.0)
    air_c[start:end] = np.nan
    return air_c


@dataclass(frozen=True)
class Gathered:
    """How the first source's forecast comes: a copy 10 h older, its time of issue, its place."""

    older: Mapping[str, Any] | None = None
    issued_ahead_h: float = 0.0
    north_deg: float = 0.0


@dataclass(frozen=True)
class Copies:
    """A source that has some copies of one forecast."""

    cells: tuple[CellForecast, ...]

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        return self.cells[0]

    def older_copies(self, location: Location, now: datetime) -> tuple[CellForecast, ...]:
        return self.cells[1:]


def gather(effect: RuleEffect, weather: Mapping[str, Any], sites: Sites) -> SiteForecasts:
    """Return the forecasts of the site as they are gathered by the company's rules."""
    how = effect.gathered
    cell = forecast_cell(**weather)
    if effect.table_sun_frac is not None:
        return SiteForecasts(table_with_sun(cell, effect.table_sun_frac))
    others = () if effect.other is None else (forecast_cell(name="OTH/1,1", **effect.other),)
    if how is None:
        return SiteForecasts(cell, other_forecasts=others)
    lost = {"precip_mm": LOST[:, None]} if "precip_mm" in weather else {}
    newest = replace(
        cell,
        values={**cell.values, **lost},
        issued_at=cell.issued_at + timedelta(hours=how.issued_ahead_h),
        latitude_deg=cell.latitude_deg + how.north_deg,
    )
    older = () if how.older is None else (forecast_cell(**how.older),)
    older = tuple(replace(one, issued_at=one.issued_at - timedelta(hours=10)) for one in older)
    sources = [Copies((newest, *older)), *(Copies((one,)) for one in others)]
    (found,) = fetch_forecasts(
        sources,
        [Location("a", 43.1, -89.4)],
        effect.now,
        timedelta(hours=sites.practice().number("horizon")),
        GatherRules.from_practice(sites.practice()),
    )
    return SiteForecasts(
        found.forecast,
        "; ".join(found.failure_reasons) or None,
        found.other_forecasts,
        found.other_failures,
    )


def table_with_sun(cell: CellForecast, sun_frac: float) -> CellForecast:
    """Return a forecast as the end of a table of 25 days, with part of a clear sky's sun."""
    days_h = 24 * 25
    before = {name: np.repeat(array[:1], days_h, axis=0) for name, array in cell.values.items()}
    values = {name: np.concatenate([before[name], array]) for name, array in cell.values.items()}
    whole = replace(cell, source="table", start=cell.start - timedelta(hours=days_h), values=values,
                    flags={})  # fmt: skip
    sky = clear_sky(stack([whole], whole.start, whole.n_hours)).ghi_wm2
    return replace(whole, values=values | {"sw_down_wm2": sun_frac * sky})


@dataclass(frozen=True)
class RuleEffect:
    """A changed value of a rule, and a situation in which it is felt.

    ``policy`` is set for the company in both plans; ``other`` is the weather of a second source,
    ``later`` that of a plan made an hour after the first, with which it is compared.
    """

    changed: str
    weather: Mapping[str, Any] = field(default_factory=snow)
    surface: Mapping[str, Any] = field(default_factory=lambda: LOT)
    policy: Mapping[str, str] = field(default_factory=dict)
    sections: Mapping[str, Any] = field(default_factory=dict)
    surfaces: Mapping[str, Any] = field(default_factory=dict)
    sites: Mapping[str, Any] = field(default_factory=dict)
    now: datetime = NOON
    other: Mapping[str, Any] | None = None
    later: Mapping[str, Any] | None = None
    seen_icy_h_ago: float | None = None  # the record has ice seen so long before now
    treated_days_ago: float | None = None  # the last treatment in the record
    sprayed_gal_kft2: float | None = None  # plain brine, an hour before now
    entries: tuple[Entry, ...] = ()  # of the record, about yards
    read_error_k: float | None = None  # of a reading of the night before, from the model
    table_sun_frac: float | None = None  # the forecast is a table with so much of a clear sky's sun
    gathered: Gathered | None = None  # None: planned from the forecast as it is
    open_reason: str | None = None  # why the rule is not yet felt; the test then expects that


TWO_STORMS = snow(0.2, 8, 11)
TWO_STORMS = TWO_STORMS | {
    name: {0: 0.0, 8: 0.5, 11: 0.0, 17: 0.5, 20: 0.0} for name in ("snowfall_swe_mm", "snowfall_cm")
}
FAR_STORMS = snow(0.2, 8, 11) | {
    name: {0: 0.0, 8: 0.2, 9: 0.0, 30: 1.0, 34: 0.0} for name in ("snowfall_swe_mm", "snowfall_cm")
}
FAR_STORMS |= {  # and a day between that dries the lot
    "air_temp_c": {0: -1.0, 8: -3.0, 18: 5.0, 29: -2.0, 30: -3.0},
    "cloud_frac": {0: 1.0, 12: 0.0, 28: 1.0},
    "wind_10m_ms": 5.0,
}
UNKNOWN_AFTER_40 = np.where(np.arange(72) < 40, -20.0, np.nan)
MONEY = {"miss_cost": "100 /miss", "pass_cost": "5 /pass"}

GAL = units.L_PER_GAL


def yard_entry(kind: type[Any], hours_ago: float, **more: Any) -> Entry:
    """Return an entry about the yard."""
    at = NOON - timedelta(hours=hours_ago)
    return kind(id=f"{kind.__name__}{hours_ago}", at=at, yard="north", **more)


def month_of_brine(measured_gal: float) -> tuple[Entry, ...]:
    """Return 12,000 gal through a tank that the book has empty now, and what is in it."""
    return (
        yard_entry(BatchMade, 9, tank="t1", volume_l=6000 * GAL, strength_frac=0.233),
        yard_entry(LoadDrawn, 8, sprayer="truck",
                   parts=({"store": "t1", "volume_l": 6000 * GAL},)),
        yard_entry(Measurement, 1, store="t1", volume_l=measured_gal * GAL,
                   temp_c=units.f_to_c(60.0)),
    )  # fmt: skip


def one_round(returned_gal: float, loaded_gal: float = 600.0) -> tuple[Entry, ...]:
    """Return a round whose services say 520 gal: on 20,000 ft2 in five goes."""
    rate = dict.fromkeys((6.0, 5.9, 5.8, 5.7, 5.6), 5.2 * units.L_M2_PER_GAL_KFT2)
    return (
        yard_entry(LoadDrawn, 7, sprayer="truck",
                   parts=({"store": "t1", "volume_l": loaded_gal * GAL},)),
        *(Application(id=f"a{ago}", at=NOON - timedelta(hours=ago), site="a", surface="here",
                      rate_l_m2=one, sprayer="truck") for ago, one in rate.items()),
        yard_entry(LoadReturned, 5, sprayer="truck", store="t1", volume_l=returned_gal * GAL),
    )  # fmt: skip


def slow_drives(minutes: float) -> tuple[Entry, ...]:
    """Return four mornings on which the drive out to 20,000 ft2 took so long.

    The sprayer covers 3 acres an hour: 20,000 of 43,560 ft2 an acre take 9.18 min.
    """
    took_h = (minutes + 60.0 * 20_000 / (3 * 43_560)) / 60.0
    return tuple(
        entry
        for ago in (200.0, 150.0, 100.0, 50.0)
        for entry in (
            yard_entry(LoadDrawn, ago, sprayer="truck",
                       parts=({"store": "t1", "volume_l": 10 * GAL},)),
            Application(id=f"d{ago}", at=NOON - timedelta(hours=ago - took_h), site="a",
                        surface="here", rate_l_m2=0.02, sprayer="truck"),
        )
    )  # fmt: skip


def sprayed_an_hour_ago(surface: str) -> Entry:
    """Return the truck's service of an hour ago."""
    return Application(
        id="p1", at=NOON - timedelta(hours=1), site="a", surface=surface, rate_l_m2=0.02,
        sprayer="truck",
    )  # fmt: skip


#: The yard with calcium that is ordered by the tote.
ORDERING = {
    "yards": {
        "north": BASE_SECTIONS["yards"]["north"]
        | {
            "supply": {
                "products": {
                    "calcium": {
                        "lead_time": "2 d",
                        "lot": "275 gal",
                        "emergency_price": "3.10 /gal",
                    }
                }
            }
        }
    }
}
#: A load of calcium every eight days for five weeks.
WEEKLY_LOADS = tuple(
    yard_entry(LoadDrawn, 24.0 * days, sprayer="truck",
               parts=({"store": "calcium", "volume_l": 90.0 * GAL},))
    for days in (3.5, 11.5, 19.5, 27.5, 35.5)
)  # fmt: skip

AT_THE_TRUCK = "felt where a load is judged: tests/test_acceptance.py"

AMONG_OFFERS = "felt where offers are compared: tests/test_offers.py"

EFFECTS: dict[str, RuleEffect] = {
    # book against measured
    "stock_difference_share": RuleEffect("0.5 %", entries=month_of_brine(240.0)),
    "stock_difference_fixed": RuleEffect("100 gal", entries=month_of_brine(240.0)),
    "pile_difference_share": RuleEffect(  # the file has 40 tons
        "1 %", entries=(yard_entry(Measurement, 1, store="salt", salt_kg=39.2 * units.KG_PER_TON),)
    ),
    "load_difference_share": RuleEffect("2 %", entries=one_round(60.0)),
    "load_difference_min": RuleEffect("50 gal", entries=one_round(40.0)),
    # brine
    "brine_target": RuleEffect("23 %"),
    "brine_accept_min": RuleEffect("23 %", sections=yard_with("22.8 %")),
    "brine_accept_max": RuleEffect("23.4 %", sections=yard_with("23.6 %")),
    "brine_reject_below": RuleEffect("22.4 %", sections=yard_with("22.2 %")),
    "brine_reject_above": RuleEffect("25 %", sections=yard_with("24.5 %")),
    # deliveries
    "delivery_strength_tolerance": RuleEffect("3 %", open_reason=AT_THE_TRUCK),
    "delivery_pay_min": RuleEffect("70 %", open_reason=AT_THE_TRUCK),
    "delivery_weight_tolerance": RuleEffect("5 %", open_reason=AT_THE_TRUCK),
    "delivery_sediment_max": RuleEffect("5 %", open_reason=AT_THE_TRUCK),
    "delivery_sieve_min": RuleEffect("90 %", open_reason=AT_THE_TRUCK),
    "salt_moisture_schedule": RuleEffect("missouri", open_reason=AT_THE_TRUCK),
    "salt_gradation": RuleEffect("massachusetts", open_reason=AT_THE_TRUCK),
    # ordering
    "order_review": RuleEffect("2 d", sections=ORDERING, entries=WEEKLY_LOADS),
    "order_carrying_share": RuleEffect("100 %", sections=ORDERING, entries=WEEKLY_LOADS),
    "order_history_days": RuleEffect("20 d", sections=ORDERING, entries=WEEKLY_LOADS),
    "order_history_min": RuleEffect("60 d", sections=ORDERING, entries=WEEKLY_LOADS),
    # offers
    "salt_nacl_min": RuleEffect("90 %", open_reason=AMONG_OFFERS),
    "salt_insolubles_max": RuleEffect("3 %", open_reason=AMONG_OFFERS),
    "inhibited_corrosion_max": RuleEffect("60 %", open_reason=AMONG_OFFERS),
    # places
    "max_site_distance": RuleEffect("5 mi", sections=FAR_YARD),
    # rates
    "pretreat_rate_min": RuleEffect("0.7 gal/1000 ft2"),
    "pretreat_rate_usual": RuleEffect(
        "0.7 gal/1000 ft2", snow(pop=0.2), policy=MONEY, sections=yard_with("23.3 %")
    ),
    "pretreat_rate_light_snow_max": RuleEffect("0.5 gal/1000 ft2", steady(22.0, 0.4)),
    "pretreat_rate_max": RuleEffect("1 gal/1000 ft2", steady(22.0, 0.8)),
    "frost_rate_min": RuleEffect("0.5 gal/1000 ft2", FROST_AT_DAWN),
    "frost_rate_max": RuleEffect("0.3 gal/1000 ft2", FROST_AT_DAWN),
    "post_treat_rate_max": RuleEffect("0.3 gal/1000 ft2", snow(0.6)),
    "first_use_rate_factor": RuleEffect("100 %", treated_days_ago=72.0),
    "dry_spell": RuleEffect("100 d", treated_days_ago=53.0),
    # timing
    "lead_min": RuleEffect("4 h", snow(start=2, end=8), policy={"lead_best": "4 h"}),
    "lead_best": RuleEffect("6 h"),
    "lead_max": RuleEffect("4 h"),
    "lead_max_frost": RuleEffect("4 h", FROST_AT_DAWN),
    "max_rain_before_onset": RuleEffect("0.05 mm", RAIN_THEN_SNOW),
    # film
    "best_start_tolerance": RuleEffect("0 h", sites={"open_hours": "18:00-23:59"}),
    "max_damp": RuleEffect("1 mm", snow(rain_mm=between_hours(9, 10, 0.2), air_temp_c=0.3)),
    "max_rain_probability": RuleEffect(
        "100 %",
        snow(rain_mm=between_hours(12, 13, 0.4), air_temp_c={0: 0.5, 13: -3.0}),
        policy={"max_rain_before_onset": "0.3 mm"},
    ),
    "bond_liquid_fraction": RuleEffect("30 %"),
    "bond_texture": RuleEffect("1 mm"),
    "vehicles_while_open": RuleEffect(
        "100 /h", steady(29.0, 0.1), sites={"open_hours": "00:00-23:59"}
    ),
    "plow_residual_vehicle": RuleEffect("0 mm", snow(0.6)),
    "plow_residual_pedestrian": RuleEffect("3 mm", snow(0.6), WALK),
    "final_pass_snow": RuleEffect("1 in", snow(0.15)),
    "post_storm_interval": RuleEffect(
        "2 h", snow(0.6, air_temp_c={0: -1.0, 12: -2.0, 22: -12.0}, dew_point_c=-13.0)
    ),
    "sand_rate": RuleEffect("9 lb/1000 ft2", FREEZING_RAIN, LOT | {"no_chlorides": True}),
    "prewet_rate": RuleEffect("30 gal/ton", FREEZING_RAIN),
    "day_ahead_lead": RuleEffect("48 h", snow(start=34, end=40, pop=0.4)),
    "frost_close_call_below": RuleEffect("100 %", FROST_AT_DAWN),
    "hold_target": RuleEffect("end", snow(0.6, 12, 24)),
    "hold_confidence": RuleEffect("99 %", steady(27.5)),
    "hold_confidence_treated": RuleEffect("30 %", steady(27.5), sprayed_gal_kft2=0.2),
    "max_ice_fraction": RuleEffect("0 %"),
    "plow_probability": RuleEffect(
        "75 %", open_reason="felt with an ensemble of forecasts: tests/test_plowed_columns.py"
    ),
    "plow_trigger_vehicle": RuleEffect("4 in", snow(0.5, 12, 18)),
    "plow_trigger_pedestrian": RuleEffect("3 in", snow(0.3, 12, 18), WALK),
    "post_treat": RuleEffect("solid", snow(0.6)),
    "snow_salt_max": RuleEffect("first lot chart", steady(18.0, inches_an_hour=0.4)),
    "more_chloride_worth": RuleEffect("12 h", steady(18.0, inches_an_hour=0.4)),
    # temperature
    "liquid_warn_below": RuleEffect("32 F"),
    "liquid_stop_below": RuleEffect("30 F", policy={"liquid_warn_below": "31 F"}),
    "solid_stop_below": RuleEffect("25 F", steady(17.0)),
    "warm_pavement_above": RuleEffect("32 F", snow(air_temp_c=0.0, dew_point_c=-0.6)),
    "frost_possible_below": RuleEffect("50 F", {"air_temp_c": 6.0, "dew_point_c": LOST}),
    "residue_slippery_above": RuleEffect("45 F"),
    # blend
    "additive_default": RuleEffect("8 %"),
    "additive_cold": RuleEffect("15 %", steady(12.0), policy={"liquid_stop_below": "5 F"}),
    "additive_cold_below": RuleEffect("32 F"),
    "additive_sensitive": RuleEffect("15 %", surface=WALK),
    "additive_max": RuleEffect("10 %", surface=WALK),
    "poor_concrete_magnesium": RuleEffect(
        "allow",
        surface=WALK | {"poor_concrete": True},
        sections={
            "products": {"magnesium": MAGNESIUM},
            "yards": {
                "north": BASE_SECTIONS["yards"]["north"] | {"stock": {"magnesium": "500 gal"}}
            },
        },
    ),
    # weather
    "max_wind": RuleEffect("30 mph", snow(wind_10m_ms=8.5)),
    "go_probability": RuleEffect("60 %", snow(pop=0.4)),
    "go_probability_beyond_day": RuleEffect("30 %", snow(start=34, end=40, pop=0.4)),
    "probability_hysteresis": RuleEffect("0 %", snow(pop=0.4), later=snow(pop=0.28)),
    "temperature_hysteresis": RuleEffect("0 F", steady(17.4), later=steady(16.8)),
    "monitor_probability": RuleEffect("5 %", snow(pop=0.1)),
    "light_snow_below": RuleEffect("0.9 in/h", snow(0.7)),
    "heavy_snow_above": RuleEffect("3 in/h", snow(1.5)),
    "heavy_snow_pretreat": RuleEffect("refuse", snow(1.5)),
    "new_concrete": RuleEffect("allow", surface=WALK | {"new_concrete_until": "2026-06-01"}),
    "event_gap": RuleEffect("8 h", TWO_STORMS),
    "hazardous_frost": RuleEffect("0.05 mm", clear_night(), policy={"hazardous_ice": "1 mm"}),
    "hazardous_ice": RuleEffect(
        "1 mm",
        {
            "air_temp_c": {0: 2.0, 8: -4.0},
            "dew_point_c": {0: 1.0, 8: -8.0},
            "rain_mm": between_hours(2, 5, 0.3),
            "pop": 1.0,
        },
    ),
    "pile_thaw_above": RuleEffect(
        "32 F",
        {"air_temp_c": {0: 0.6, 6: -5.0}, "dew_point_c": -12.0},
        LOT | {"snow_pile": True},
    ),
    "pile_thaw_hours": RuleEffect(
        "10 h",
        {"air_temp_c": {0: 3.0, 6: -5.0}, "dew_point_c": -12.0},
        LOT | {"snow_pile": True},
    ),
    "wind_chill_below": RuleEffect("20 F", snow(wind_10m_ms=5.0)),
    "hose_freeze_below": RuleEffect("32 F"),
    "cycle_time": RuleEffect("1 h", FREEZING_RAIN),
    # planning
    "horizon": RuleEffect("48 h"),
    "notice_probability": RuleEffect("60 %"),
    "notice_likely_from": RuleEffect("90 %"),
    "pavement_horizon": RuleEffect(
        "48 h", {"air_temp_c": 12.0, "dew_point_c": UNKNOWN_AFTER_40}, policy={"horizon": "72 h"}
    ),
    "demand_percentile": RuleEffect("99 %", steady(25.0, 0.3)),
    "reserve": RuleEffect("50 %"),
    "miss_cost": RuleEffect(
        "100 /miss", snow(pop=0.4), policy={"pass_cost": "5 /pass"}, sections=yard_with("23.3 %")
    ),
    "pass_cost": RuleEffect(
        "50 /pass", snow(pop=0.4), policy={"miss_cost": "100 /miss"}, sections=yard_with("23.3 %")
    ),
    "containment_ratio": RuleEffect("150 %", sections=yard_with("23.3 %", containment="7000 gal")),
    "when_sources_differ": RuleEffect("cautious", {"air_temp_c": 8.0}, other=snow()),
    "stale_warn_after": RuleEffect(
        "4 h", now=NOON + timedelta(hours=6), open_reason="nothing mentions a forecast's age yet"
    ),
    "stale_after": RuleEffect("24 h", now=NOON + timedelta(hours=13)),
    "route_onset_spread": RuleEffect(
        "24 h", FAR_STORMS | {"pop": 0.9}, policy={"event_gap": "1 h"}
    ),
    "brine_ready_before": RuleEffect("4 h"),
    # rounds
    "finish_before_onset": RuleEffect("4 h"),
    "slack_short_below": RuleEffect("4 h"),
    "next_priority_value": RuleEffect(
        "100 %", open_reason="felt where priorities compete for a sprayer: tests/test_rounds.py"
    ),
    "next_hazard_value": RuleEffect(
        "10 %", open_reason="felt where hazards compete for a sprayer: tests/test_rounds.py"
    ),
    "rounds_wait": RuleEffect("0 min"),
    "drive_circuity": RuleEffect("200 %", sections=FAR_YARD),
    "drive_speed": RuleEffect("50 mph", sections=FAR_YARD),
    "drive_fixed_time": RuleEffect("10 min", sections=FAR_YARD),
    "sprayer_position_age": RuleEffect(
        "0.5 h",
        snow(start=5, end=9),
        sections=FAR_YARD,
        surfaces={"other": LOT},
        entries=(sprayed_an_hour_ago("other"),),
    ),
    "drives_learned_from": RuleEffect("5 times", sections=FAR_YARD, entries=slow_drives(50.0)),
    "drive_pause_above": RuleEffect("40 min", sections=FAR_YARD, entries=slow_drives(50.0)),
    "router_wait": RuleEffect(
        "5 min", open_reason="felt where a router hangs: tests/test_drive_times.py"
    ),
    "drive_speed_on_snow": RuleEffect("40 %", snow(0.6), sections=FAR_PLOW),
    # what stands in
    "record_max_age": RuleEffect(
        "12 h", {"air_temp_c": -3.0, "dew_point_c": -9.0}, seen_icy_h_ago=8.0
    ),
    "older_copy_max_age": RuleEffect(
        "6 h", snow() | dict.fromkeys(AMOUNTS, LOST), gathered=Gathered(older=snow())
    ),
    "gap_straight_line": RuleEffect(
        "0 h", snow(air_temp_c=lost_between(20, 22)), gathered=Gathered()
    ),
    "gap_daily_cycle": RuleEffect(
        "0 h", snow(air_temp_c=lost_between(30, 36)), gathered=Gathered()
    ),
    "unknown_dry_below": RuleEffect(
        "50 %",
        snow(pop=0.3, words_intensity=0.0) | dict.fromkeys(AMOUNTS, LOST),
        gathered=Gathered(),
    ),
    "unknown_snowfall_water": RuleEffect(
        "3 mm", snow() | dict.fromkeys(AMOUNTS, LOST), gathered=Gathered()
    ),
    "issue_time_tolerance": RuleEffect("5 min", gathered=Gathered(issued_ahead_h=0.5)),
    "max_cell_distance": RuleEffect("10 mi", gathered=Gathered(north_deg=0.3)),  # 21 mi
    "gather_budget": RuleEffect(
        "30 min", open_reason="felt where a service hangs: tests/test_gathering.py"
    ),
    # what is believed of readings and tables
    "reading_neighbor_max": RuleEffect(
        "20 F", open_reason="felt in what readings are told of: tests/test_bias_correction.py"
    ),
    "nozzle_deviation_max": RuleEffect(
        "30 %", open_reason="felt in a calibration: tests/test_calibration.py"
    ),
    "field_efficiency": RuleEffect(
        "90 %", open_reason="felt in a calibration: tests/test_calibration.py"
    ),
    "reading_max_error": RuleEffect("20 F", read_error_k=-9.0),
    "sun_envelope_min": RuleEffect("60 %", table_sun_frac=0.7),
    "sun_envelope_max": RuleEffect("150 %", table_sun_frac=1.35),
    # comparing sources
    "source_onset_difference": RuleEffect("8 h", other=snow(start=17, end=23)),
    "source_temperature_difference": RuleEffect("20 F", other=steady(18.0)),
    "source_temperature_below": RuleEffect("60 F", {"air_temp_c": 8.0}, other={"air_temp_c": 12.0}),
    "source_snow_difference": RuleEffect("6 in", other=snow(0.5)),
    "source_ice_probability_difference": RuleEffect(
        "100 %", FREEZING_RAIN, other=FREEZING_RAIN | {"pop": 0.4}
    ),
    # the record
    "record_retention": RuleEffect(
        "4000 d", open_reason="felt where the record is pruned: tests/test_record_import.py"
    ),
    "calibration_lasts": RuleEffect(
        "500 d", open_reason="felt in what a record lacks: tests/test_packet.py"
    ),
    # announcing
    "announce_start_change": RuleEffect("6 h", later=snow(start=15, end=21)),
    "announce_temperature_change": RuleEffect("20 F", later=steady(18.0)),
    "announce_volume_change": RuleEffect("1 %", steady(24.0), later=steady(24.8)),
    "announce_ice_probability_change": RuleEffect(
        "100 %", FREEZING_RAIN, later=FREEZING_RAIN | {"pop": 0.5}
    ),
}


def histories_of(effect: RuleEffect) -> dict[tuple[str, str], SurfaceHistory]:
    """Return what the record says of the surface."""
    if effect.treated_days_ago is not None:
        treated_at = effect.now - timedelta(days=effect.treated_days_ago)
        return {("a", "here"): SurfaceHistory(last_treated_at=treated_at)}
    if effect.sprayed_gal_kft2 is not None:
        rate_l_m2 = effect.sprayed_gal_kft2 * units.L_M2_PER_GAL_KFT2
        sprayed_at = effect.now - timedelta(hours=1)
        done = Application(id="1", at=sprayed_at, site="a", surface="here", rate_l_m2=rate_l_m2)
        return surface_histories([done], effect.now)
    if effect.seen_icy_h_ago is None:
        return {}
    seen = ObservedCondition(
        effect.now - timedelta(hours=effect.seen_icy_h_ago), ice_mm=0.3, is_bonded=True
    )
    return {("a", "here"): SurfaceHistory((seen,))}


def night_errors_of(effect: RuleEffect, sites: Sites) -> NightErrors:
    """Return what a reading of the night before says of the surface."""
    if effect.read_error_k is None:
        return {}
    now_h = effect.now.timestamp() / 3600.0
    usual_hour = np.eye(1, night_error.FEATURE_COUNT)
    read = night_error.ReadErrors(np.array([now_h - 8.0]), usual_hour,
                                  np.array([effect.read_error_k]))  # fmt: skip
    limit_k = sites.practice().number("reading_max_error")
    return {("a", "here"): night_error.learn(read, now_h, limit_k)}


def plan_by(effect: RuleEffect, rule: str | None = None) -> Plan:
    """Plan the situation of a row, with the rule changed if it is named."""
    policy: dict[str, dict[str, str]] = {
        "company": {"horizon": HORIZON} | dict(effect.policy), "site": {}, "surface": {},
    }  # fmt: skip
    if rule is not None:
        policy[RULES[rule].scope] |= {rule: effect.changed}
    surfaces = {"here": dict(effect.surface) | {"policy": policy["surface"]}, **effect.surfaces}
    sites = parse_sites(
        {"a": site_entry(43.1, -89.4, surfaces, policy=policy["site"], **effect.sites)},
        **(dict(effect.sections) | {"policy": policy["company"]}),
    )
    plan = make_plan(
        sites,
        {"a": gather(effect, effect.weather, sites)},
        effect.now,
        night_errors=night_errors_of(effect, sites),
        histories=histories_of(effect),
        stock=stock_book(sites, effect.entries, effect.now),
        drives=DriveTables(learned=learned_minutes(effect.entries, sites)),
        positions=sprayer_positions(effect.entries, sites, effect.now),
    )
    if effect.later is None:
        return plan
    next_plan = make_plan(
        sites,
        {"a": gather(effect, effect.later, sites)},
        effect.now,
        earlier_work=read_earlier_work(plan.model_dump(mode="json")),
    )
    old, new = (
        plan_diff.summarize_plan(one.model_dump(mode="json"), effect.now)
        for one in (plan, next_plan)
    )
    changes = plan_diff.compare_plans(
        old,
        new,
        sites.practice(),
        lambda site, surface: sites.practice(
            sites.sites[site], sites.sites[site].surfaces[surface]
        ),
    )
    return next_plan.model_copy(update={"changes": changes})


_BASES: dict[bytes, dict[str, Any]] = {}


def _base(rule: str) -> dict[str, Any]:
    """Return the outcome by the usual rules; rows of one situation share it."""
    situation = pickle.dumps(replace(EFFECTS[rule], changed="", open_reason=None))
    if situation not in _BASES:
        _BASES[situation] = outcome(plan_by(EFFECTS[rule]))
    return _BASES[situation]


def outcome(plan: Plan) -> dict[str, Any]:
    """Return what the plan says and does; a reason's limit and who set it are only repeated."""
    found = plan.model_dump(mode="json")
    for site in found["sites"]:
        for surface in site["surfaces"]:
            surface["hourly_id"] = ""
            for item in surface["treatments"]:
                for reason in item["reasons"]:
                    reason["limit"] = reason["set_by"] = None
    found["hourly"] = list(found["hourly"].values())
    return found


def differs(rule: str) -> bool:
    """Return whether another value of a rule changes the plan of its row."""
    return outcome(plan_by(EFFECTS[rule], rule)) != _base(rule)
