"""What must hold of courses of action whatever the storm: 120 invented ones, planned together.

Each is a site of its own, so that one plan decides them all; a property compares two such plans.
"""

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry

from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.entries import Application, PlowPass
from stormplan.record.surface_history import surface_histories
from stormplan.treatment.pretreatment import RATE_STEP_L_M2
from stormplan.treatment.records import Action

STORMS = 120
LOT = {"class": "asphalt_lot", "area": "20000 ft2"}
WALK = {"class": "concrete_walk", "area": "2000 ft2"}
SURFACES = {"lot": LOT, "walk": WALK}


@cache
def storm(number):
    """The hourly layers of one invented storm: frost, snow, rain, ice and mixtures of them."""
    rng = np.random.default_rng(number)
    hours = np.arange(72)
    air_c = rng.uniform(-9, 3) + rng.uniform(0, 3) * np.cos((hours - 3) * np.pi / 12)
    air_c = air_c - rng.uniform(-0.05, 0.12) * hours
    dry_k = rng.uniform(0.5, 6)
    falls = np.zeros(72)
    if rng.random() < 0.8:
        onset, length = rng.integers(3, 40), rng.integers(1, 16)
        falls[onset : onset + length] = rng.uniform(0.05, 2.0)
    is_snow = air_c < rng.uniform(-0.5, 1.0)
    is_ice = ~is_snow & (air_c < 0.5)
    snow = np.where(is_snow, falls, 0.0)
    return {
        "air_temp_c": air_c,
        "dew_point_c": air_c - dry_k,
        "cloud_frac": np.where(falls > 0, 1.0, rng.uniform(0, 1)),
        "wind_10m_ms": np.full(72, rng.uniform(0.5, 9)),
        "snowfall_swe_mm": snow,
        "snowfall_cm": snow * rng.uniform(0.7, 1.6),
        "freezing_rain_mm": np.where(is_ice, falls, 0.0),
        "rain_mm": np.where(~is_snow & ~is_ice, falls, 0.0),
        "pop": np.where(falls > 0, rng.uniform(0.2, 1.0), 0.05),
    }


def company(keys, surfaces=SURFACES, **more):
    """A site for each key, with a yard and a truck of its own: no site waits for another."""
    return parse_sites(
        {key: site_entry(43.1, -89.4, surfaces, yard=key, **more) for key in keys},
        yards=dict.fromkeys(keys, BASE_SECTIONS["yards"]["north"]),
        policy={"rounds_wait": "0 min"},
    )


def planned(change=lambda layers: layers, surfaces=SURFACES, now=NOON, which=range(STORMS),
            histories=None, **more):  # fmt: skip
    """Every storm's surfaces by (storm, surface), as a change makes of its weather."""
    cells = {
        f"s{number}": SiteForecasts(
            forecast_cell(name=f"TST/{number},1", **change(dict(storm(number))))
        )
        for number in which
    }
    plan = make_plan(company(cells, surfaces, **more), cells, now, histories=histories or {})
    return {(site.key, surface.key): surface for site in plan.sites for surface in site.surfaces}


@pytest.fixture(scope="module")
def usual():
    return planned()


def visits(surface):
    return [visit for treatment in surface.treatments for visit in treatment.visits]


def instructions(surface):
    """What is done at which hour: of a pre-treat the best, whatever the rounds make of it."""
    return [
        (t.best_start if visit.action is Action.PRETREAT else visit.at, visit.action, visit.plow)
        for t in surface.treatments
        for visit in t.visits
    ]


def chloride_kg(surface):
    return sum(visit.chloride_kg for visit in visits(surface))


def works(surface):
    return any(visit.action.is_work for visit in visits(surface))


def test_the_storms_ask_for_every_kind_of_work(usual):
    done = {visit.action for surface in usual.values() for visit in visits(surface)}
    assert done >= {
        *(Action.PRETREAT, Action.POST_TREAT, Action.SALT, Action.SAND, Action.PLOW),
        Action.INSPECT,
    }
    assert 60 < sum(map(works, usual.values())) < 2 * STORMS


def test_a_surface_gets_one_instruction_an_hour(usual):
    for key, surface in usual.items():
        hours = [visit.at for visit in visits(surface)]
        assert len(hours) == len(set(hours)), key


def test_a_likely_event_always_has_an_instruction(usual):
    for key, surface in usual.items():
        for treatment in surface.treatments:
            if treatment.action is Action.WAIT:
                assert treatment.recheck_at > NOON, key  # wait says until when
            elif treatment.event is not None:
                assert treatment.visits, key


def test_twice_the_area_takes_twice_of_everything(usual):
    double = {
        key: one | {"area": f"{2 * int(one['area'][:-4])} ft2"} for key, one in SURFACES.items()
    }
    for key, surface in planned(surfaces=double, which=range(60)).items():
        assert instructions(surface) == instructions(usual[key])
        for twice, once in zip(visits(surface), visits(usual[key]), strict=True):
            for name in ("volume_l", "solid_kg", "prewet_l", "chloride_kg"):
                assert getattr(twice, name) == pytest.approx(2 * getattr(once, name))


def test_other_sites_and_their_order_change_nothing(usual):
    few = planned(which=[41, 7, 23])
    for key, surface in few.items():
        assert surface == usual[key]


def test_the_notation_of_the_time_zone_changes_nothing(usual):
    for key, surface in planned(timezone="America/Menominee", which=range(30)).items():
        assert instructions(surface) == instructions(usual[key])  # the same clock as Chicago


def test_another_source_of_the_same_hours_changes_nothing(usual):
    cells = {
        f"s{number}": SiteForecasts(
            replace(forecast_cell(name=f"other {number}", **storm(number)), source="metno")
        )
        for number in range(30)
    }
    for site in make_plan(company(cells), cells, NOON).sites:
        for surface in site.surfaces:
            assert instructions(surface) == instructions(usual[site.key, surface.key])


def test_a_likelier_storm_never_has_less_done(usual):
    likelier = planned(lambda layers: layers | {"pop": np.minimum(layers["pop"] * 1.5, 1.0)})
    less = [key for key, surface in likelier.items() if works(usual[key]) and not works(surface)]
    assert not less


def test_colder_never_lowers_a_pretreat_before_snow_that_holds_in_both(usual):
    # where none holds as much goes down as lasts longer; a warmer frost night has more dew
    colder = planned(
        lambda layers: layers | {name: layers[name] - 0.7 for name in ("air_temp_c", "dew_point_c")}
    )
    compared = 0
    for key, surface in colder.items():
        for cold, warm in zip(surface.treatments, usual[key].treatments, strict=False):
            both = cold.action is warm.action is Action.PRETREAT
            if (
                not both
                or "snow" not in cold.event.hazard
                or cold.event.hazard != warm.event.hazard
            ):
                continue
            if cold.holds_until is None and warm.holds_until is None:
                compared += 1
                # within the two rate steps that the coupled run may add to either
                assert cold.rate_l_m2 >= warm.rate_l_m2 - 2.01 * RATE_STEP_L_M2, key
    assert compared > 10


def test_planned_again_as_the_storm_comes_passes_stay_and_instructions_agree(usual):
    """The same weather, three hours later each time: passes ahead stay, nothing contradicts."""
    snowy = [n for n in range(STORMS) if storm(n)["snowfall_cm"].sum() > 6.0][:25]
    assert len(snowy) > 10
    for later_h in (3, 6, 9):
        now = NOON + timedelta(hours=later_h)
        for key, surface in planned(which=snowy, now=now).items():
            if not works(usual[key]):
                continue  # none ahead to stay: a chance may cross the line as its lead shortens
            ahead = {v.at for v in visits(surface) if v.plow and v.at >= now}
            before = {v.at for v in visits(usual[key]) if v.plow and v.at >= now}
            assert ahead == before, (key, later_h)


def logged(plans, now):
    """What the crews of these plans had done by a moment, as they log it."""
    entries = []
    for (site, surface), planned_surface in plans.items():
        for number, visit in enumerate(visits(planned_surface)):
            where = {"site": site, "surface": surface}
            if visit.plow and visit.at < now:
                entries.append(PlowPass(id=f"{site}{surface}{number}p", at=visit.at, **where))
            if visit.chloride_kg and visit.at < now:
                blend = {"additive": visit.additive, "additive_frac": visit.additive_frac}
                entries.append(
                    Application(
                        id=f"{site}{surface}{number}a",
                        at=visit.at + timedelta(minutes=10),
                        rate_l_m2=visit.volume_l / planned_surface.area_m2,
                        salt_kg_m2=visit.salt_kg / planned_surface.area_m2,
                        **where,
                        **(blend if visit.additive else {}),
                    )
                )
    return surface_histories(entries, now)


def test_what_crews_did_as_planned_is_not_asked_again_and_passes_stay():
    """The same weather, planned again before and during the storm, with the record of the first."""
    snowy = [n for n in range(STORMS) if storm(n)["snowfall_cm"].sum() > 6.0][:25]
    first = planned(which=snowy)
    compared = 0
    for later_h in (6, 12, 18, 24):
        now = NOON + timedelta(hours=later_h)
        again = planned(which=snowy, now=now, histories=logged(first, now))
        for key, surface in again.items():
            done = [visit for visit in visits(first[key]) if visit.at < now]
            if not done:
                continue
            compared += 1
            passes = {v.at for v in visits(first[key]) if v.plow and v.at >= now}
            assert {v.at for v in visits(surface) if v.plow} == passes, (key, later_h)
            for treatment in first[key].treatments:
                if any(v.action is Action.PRETREAT and v.at < now for v in treatment.visits):
                    asked = [v for v in visits(surface) if v.action is Action.PRETREAT]
                    assert all(v.at >= treatment.event.end for v in asked), (key, later_h)
    assert compared > 30
