"""The records of a plan, from decisions: its sites and surfaces, their hours, the forecasts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np

from stormplan.arrays import Array
from stormplan.company.sites import Sites, Surface
from stormplan.events import crew_weather
from stormplan.events.crew_weather import CrewWeatherWindow
from stormplan.events.detection import Outlook
from stormplan.events.hazards import Hazard
from stormplan.events.hourly_conditions import Hour
from stormplan.numerics import floor_hour
from stormplan.physics import night_error as night_errors_of
from stormplan.physics.bias_correction import is_night
from stormplan.physics.night_error import NightError, NightErrors
from stormplan.planning.plan import (
    ForecastSeries,
    HourlySeries,
    NightBiasRecord,
    RecordState,
    RefreezePeriod,
    SitePlan,
    SourceRecord,
    SurfacePlan,
)
from stormplan.planning.site_batch import SurfaceDecision
from stormplan.planning.source_choice import SourceDecision
from stormplan.record.surface_history import SurfaceHistories, SurfaceHistory
from stormplan.treatment import products
from stormplan.treatment.records import Treatment
from stormplan.weather.forecast import PRECIP_TYPES, VARIABLES, CellForecast, QualityFlag

#: Digits of an hour's amount: sums over a storm are good to 0.001 mm.
FORECAST_DIGITS = 5


#: Digits of what an hour of a plan says, by field of ``Hour``.
HOUR_DIGITS: Mapping[str, int] = {
    **dict.fromkeys(
        ("air_c", "surface_c", "surface_p10_c", "surface_p90_c", "dew_point_c", "wind_ms"), 1
    ),
    **dict.fromkeys(("prob_below_freezing", "prob_frost", "cloud_frac", "night_offset_k"), 2),
    **dict.fromkeys((*PRECIP_TYPES, "snowfall_cm"), FORECAST_DIGITS),
    "air_mean_c": 1,
}
#: As near as this to the middle between two values, decimals decide how it is rounded [-].
NEAR_HALF = 1e-4


def _round_known(value: float, digits: int) -> float | None:
    return None if math.isnan(value) else round(value, digits)


def rounded_rows(rows: Array, digits: Sequence[int]) -> list[tuple[float | None, ...]]:
    """Return rows of numbers, each as ``round`` has it to the row's digits.

    Parameters
    ----------
    rows : array (row, hour)
        Of any unit, up to a million [-].
    digits : sequence of int
        Decimals of each row [-].

    Returns
    -------
    list of tuple of float or None
        None where a value is not known; zero is without a sign.
    """
    scale = 10.0 ** np.array(digits)[:, None]
    scaled = rows * scale
    found = np.rint(scaled) / scale
    with np.errstate(invalid="ignore"):
        near_half = np.abs(scaled - np.floor(scaled) - 0.5) < NEAR_HALF
    for row, at in np.argwhere(near_half).tolist():
        found[row, at] = round(float(rows[row, at]), digits[row])
    unsigned = (found + 0.0).tolist()  # minus zero and zero are zero
    return [tuple([None if v != v else v for v in row]) for row in unsigned]


def forecast_id(cell: CellForecast) -> str:
    """Return the key of a forecast's hours in a plan; equal for equal forecasts."""
    return f"{cell.source} {cell.cell_id} {cell.issued_at:%Y-%m-%dT%H:%MZ}"


def forecast_series(cell: CellForecast, now: datetime) -> ForecastSeries:
    """Return the hours of a forecast from the plan's first to the last that is known."""
    begin = floor_hour(now)
    first = max(round((begin - cell.start) / timedelta(hours=1)), 0)
    control = {name: cell.values[name][first:, 0] for name in VARIABLES if name in cell.values}
    known = np.any([np.isfinite(values) for values in control.values()], axis=0)
    stop = int(np.flatnonzero(known)[-1]) + 1 if known.any() else 0
    given = [name for name, values in control.items() if np.isfinite(values).any()]
    rows = rounded_rows(
        np.array([control[name][:stop] for name in given]).reshape(len(given), stop),
        [FORECAST_DIGITS] * len(given),
    )
    return ForecastSeries(
        start=cell.start + timedelta(hours=first),
        member_count=cell.n_members,
        values=dict(zip(given, rows, strict=True)),
        flags={
            name: tuple(_flag_names(flag) for flag in flags[first : first + stop].tolist())
            for name, flags in cell.flags.items()
            if name in control and flags[first : first + stop].any()
        },
    )


@lru_cache(maxsize=1024)
def _flag_names(flag: int) -> tuple[str, ...]:
    return tuple(one.name.lower() for one in QualityFlag if flag & one and one.name)


def hourly_series(outlook: Outlook) -> HourlySeries:
    """Return the hours of an outlook, each quantity rounded to what it is good for."""
    fields = dict(zip(Hour._fields, zip(*outlook.hours, strict=True), strict=True))
    rows = rounded_rows(
        np.array([fields[name] for name in HOUR_DIGITS]), list(HOUR_DIGITS.values())
    )
    rounded = dict(zip(HOUR_DIGITS, rows, strict=True))
    if all(offset is None for offset in rounded["night_offset_k"]):
        rounded["night_offset_k"] = ()
    return HourlySeries(
        start=outlook.hours[0].start,
        hazard=tuple(hazard and str(hazard) for hazard in fields["hazard"]),
        **rounded,
    )


def _surface_plan(
    key: str,
    surface: Surface,
    decision: SurfaceDecision,
    night_error: NightError | None,
    place: tuple[float, float],
    history: SurfaceHistory | None,
) -> SurfacePlan:
    return SurfacePlan(
        key=key,
        name=surface.label,
        surface_class=surface.class_key,
        area_m2=surface.area_m2,
        hourly_id=decision.hourly_id,
        min_pavement_temp_c=_round_known(decision.outlook.min_pavement_temp_c, 2),
        treatments=decision.treatments,
        refreeze_periods=tuple(_refreeze_periods(decision.treatments)),
        forecast_gaps=decision.outlook.unknown,
        night_bias=None
        if night_error is None
        else _night_bias_record(night_error, decision.outlook, place),
        record=None if history is None else _record_state(history, decision.counted),
    )


def _night_bias_record(
    known: NightError, outlook: Outlook, place: tuple[float, float]
) -> NightBiasRecord:
    """Return what readings do to the next day's night hours, and what error they leave."""
    ahead = outlook.hours[:24]
    night = is_night([hour.start for hour in ahead], *place)
    moved = [h.night_offset_k for h, dark in zip(ahead, night, strict=True)
             if dark and not math.isnan(h.night_offset_k)]  # fmt: skip
    time_h = np.array([hour.start.timestamp() / 3600.0 for hour in ahead])[night]
    usual = night_errors_of.night_features(*np.full((3, time_h.size), np.nan))
    left_k = night_errors_of.error_sd_k(known, time_h, usual)
    return NightBiasRecord(
        offset_k=round(float(np.mean(moved)), 3) if moved else 0.0,
        reading_count=known.reading_count,
        error_k=round(float(left_k.mean()), 3) if left_k.size else None,
    )


def _record_state(history: SurfaceHistory, counted: SurfaceHistory) -> RecordState:
    seen = counted.observed[-1] if counted.observed else None
    unused = set(history.moments) - set(counted.moments)
    return RecordState(
        inspected_at=None if seen is None else seen.at,
        condition="" if seen is None else seen.condition,
        plowed_at=counted.passes[-1] if counted.passes else None,
        treated_at=counted.applications[-1].at if counted.applications else None,
        unused_at=max(unused, default=None),
    )


def _history_with_entries(
    histories: SurfaceHistories, site: str, surface: str
) -> SurfaceHistory | None:
    """Return what the record says of a surface; None where all of it is too old to count."""
    history = histories.get((site, surface))
    return history if history is not None and history.moments else None


def _refreeze_periods(treatments: Sequence[Treatment]) -> Iterable[RefreezePeriod]:
    """Yield the refreeze periods of a surface."""
    for event in (item.event for item in treatments):
        if event is None:
            continue
        if event.hazard is Hazard.REFREEZE:
            yield RefreezePeriod(
                start=event.start,
                end=event.end,
                probability=event.probability,
                probability_as_planned=event.probability_as_planned,
                water_source="water off a snow pile" if event.from_pile else "standing water",
            )
        elif event.ice_until is not None:
            yield RefreezePeriod(
                start=event.end,
                end=event.ice_until,
                probability=event.ice_probability or 0.0,
                probability_as_planned=event.probability_as_planned,
                water_source="what the storm leaves",
            )


def site_plan(
    key: str,
    sites: Sites,
    source_decision: SourceDecision,
    night_errors: NightErrors,
    histories: SurfaceHistories,
) -> SitePlan:
    """Return the record of one site by the source it is planned from; its client by the key."""
    site = sites.sites[key]
    surfaces = tuple(
        _surface_plan(
            surface_key,
            surface,
            source_decision.decisions[key, surface_key],
            night_errors.get((key, surface_key)),
            (site.latitude_deg, site.longitude_deg),
            _history_with_entries(histories, key, surface_key),
        )
        for surface_key, surface in site.surfaces.items()
        if (key, surface_key) in source_decision.decisions
    )
    chloride_kg = sum(item.chloride_kg for one in surfaces for item in one.treatments)
    return SitePlan(
        key=key,
        name=site.name,
        client=site.client,
        yard=site.yard,
        priority=site.priority,
        timezone=str(sites.zone(site)),
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        source=None if source_decision.cell is None else _source_record(source_decision.cell),
        crew_weather=_crew_weather(key, sites, source_decision.decisions),
        chloride_kg=chloride_kg,
        chloride_dilution_l=products.chloride_dilution_l(chloride_kg),
        surfaces=surfaces,
        other_sources=source_decision.other_sources,
        source_choice=source_decision.source_choice,
    )


def _crew_weather(
    key: str, sites: Sites, decisions: Mapping[tuple[str, str], SurfaceDecision]
) -> tuple[CrewWeatherWindow, ...]:
    """Return the crew-weather periods of a site, from any of its surfaces."""
    site = sites.sites[key]
    for surface_key in site.surfaces:
        if (key, surface_key) in decisions:
            return crew_weather.find_windows(
                decisions[key, surface_key].outlook.hours, sites.practice(site)
            )
    return ()


def _source_record(cell: CellForecast) -> SourceRecord:
    return SourceRecord(
        source=cell.source,
        cell=cell.cell_id,
        issued_at=cell.issued_at,
        fetched_at=cell.fetched_at,
        known_until=cell.known_until("air_temp_c"),
        stale=cell.stale,
        credit=cell.credit,
        forecast_id=forecast_id(cell),
    )
