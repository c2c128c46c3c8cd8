"""The refreeze that is told before a treatment, against the one told after it, and against salt."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from helpers.one_surface import LOT
from helpers.published_tables import NOON
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry
from test_course_catalogue import DATES, cell_of, observed_of, plan_of, read

from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.entries import Application
from stormplan.record.surface_history import SurfaceHistory
from stormplan.treatment.records import Action

STORMS = Path(__file__).parent / "storms" / "course"
HOUR = timedelta(hours=1)
#: The plan's own: quiet hours inside one event, and what a chance may move without being news.
EVENT_GAP, HYSTERESIS = 4 * HOUR, 0.05
#: Salt by weight of the brine that freezes there [°C]: handbook table of NaCl brine (Salt
#: Institute; CRC Handbook), from memory. 23.3 % is the eutectic.
FREEZES_AT_C = ((0.0, 0.0), (-3.05, 0.05), (-6.56, 0.10), (-10.88, 0.15), (-16.46, 0.20),
                (-21.1, 0.233))  # fmt: skip


def surface_of(plan):
    return plan.sites[0].surfaces[0]


def visits_of(plan):
    treatments = surface_of(plan).treatments
    return sorted((v for item in treatments for v in item.visits), key=lambda visit: visit.at)


def is_put_down(visit):
    return visit.rate_l_m2 > 0.0 or (visit.action is Action.SALT and visit.solid_kg > 0.0)


def logged(storm, visits):
    """The record of visits that were made as planned."""
    base = observed_of(storm).get(("a", "here"), SurfaceHistory())
    entries = tuple(
        Application(
            id=str(number), at=visit.at, site="a", surface="here", additive=visit.additive,
            additive_frac=visit.additive_frac, rate_l_m2=liquid_l_m2(visit),
            salt_kg_m2=visit.solid_rate_kg_m2 if visit.action is Action.SALT else 0.0,
        )
        for number, visit in enumerate(visits)
        if is_put_down(visit)
    )  # fmt: skip
    passes = tuple(visit.at for visit in visits if visit.plow)
    return SurfaceHistory(base.observed, base.passes + passes, base.applications + entries)


def liquid_l_m2(visit):
    if visit.solid_kg == 0.0:
        return visit.rate_l_m2
    return visit.prewet_l * visit.solid_rate_kg_m2 / visit.solid_kg


def plan_after(storm, visits, now, history=None):
    surface = {
        key: str(value) if key in DATES else value
        for key, value in storm.get("surface", LOT).items()
    }
    company = {key: storm[key] for key in ("products", "policy") if key in storm}
    return make_plan(
        parse_sites({"a": site_entry(43.1, -89.4, {"here": surface})}, **company),
        {"a": SiteForecasts(cell_of(storm))},
        now,
        histories={("a", "here"): history or logged(storm, visits)},
    )


def told(plan, start, end):
    """The highest chance of refreeze told for some hours."""
    near = (
        one.probability
        for one in surface_of(plan).refreeze_periods
        if one.start < end + EVENT_GAP and start < one.end + EVENT_GAP
    )
    return max(near, default=0.0)


@pytest.mark.parametrize(
    "name",
    [
        "blowing-snow-25f",
        "closed-lot-saturday",
        "deck-over-a-room",
        "fluffy-snow-by-depth",
        "frost-tonight-snow-tomorrow-night",
        "light-snow-18f",
        "light-snow-22f",
        "light-snow-27f",
        "moderate-snow-22f",
        "sleet-30f",
        "walk-light-snow-shoveled",
        "wind-only-with-the-snow",
    ],
)
def test_no_chance_told_before_a_treatment_is_lower_than_the_one_told_after_it(name):
    storm = read(STORMS / f"{name}.yaml")
    before = plan_of(storm)
    first_event = next(t.event for t in surface_of(before).treatments if t.event is not None)
    down = [visit for visit in visits_of(before) if is_put_down(visit)]
    for last in (down[0], down[-1]):
        now = last.at + HOUR
        after = plan_after(storm, [v for v in visits_of(before) if v.at < now], now)
        # what fell meanwhile is certain: the chance that it comes is no part of a chance any more
        comes = first_event.probability if now > first_event.start else 1.0
        for one in surface_of(after).refreeze_periods:
            told_before = told(before, one.start, one.end) / comes
            assert told_before >= one.probability - HYSTERESIS, (last.action, one)


def water_held_mm(salt_kg_m2, temp_c):
    """Water that salt keeps liquid, by the handbook's table."""
    temps, fracs = zip(*reversed(FREEZES_AT_C), strict=True)
    frac = float(np.interp(temp_c, temps, fracs))
    return salt_kg_m2 * (1.0 - frac) / frac


@pytest.mark.parametrize("residual_mm", [0.0, 2.0, 4.0])
def test_what_salt_cannot_hold_by_the_handbook_is_told_to_refreeze(residual_mm):
    # what the plow leaves melts by day; by night the salt of all visits keeps so much of it liquid
    storm = read(STORMS / "light-snow-22f.yaml")
    storm["policy"] = {"plow_residual_vehicle": f"{residual_mm} mm"}
    storm["weather"] |= {
        "air_temp_c": {0: -4.5, 8: -6.1, 20: 2.0, 26: -6.0},
        "cloud_frac": {0: 1.0, 18: 0.3, 26: 1.0},
    }
    plan = plan_of(storm)
    # a liter of 23.3 % brine of 1.177 kg/L holds 274 g of salt
    salt_kg_m2 = sum(
        0.233 * 1.177 * liquid_l_m2(visit) + visit.solid_rate_kg_m2
        for visit in visits_of(plan)
        if is_put_down(visit)
    )
    thawed = [one for one in surface_of(plan).refreeze_periods if one.end > NOON + 26 * HOUR]
    left = max((one.probability_as_planned for one in thawed), default=0.0)
    if water_held_mm(salt_kg_m2, -4.0) >= residual_mm:
        assert left < 0.15
    else:
        assert left > 0.3
        assert surface_of(plan).min_pavement_temp_c < -4.0
        assert any(
            one.start - HOUR <= visit.at < one.end for one in thawed for visit in visits_of(plan)
        )


def test_where_melt_thins_what_was_put_down_somebody_looks_and_nothing_more_goes_down():
    plan = plan_of(read(STORMS / "wind-only-with-the-snow.yaml"))
    (storm, *_), visits = surface_of(plan).treatments, visits_of(plan)
    (after,) = surface_of(plan).refreeze_periods
    assert after.probability_as_planned > 0.5
    assert [v.action for v in visits if v.at > storm.event.end] == [Action.INSPECT]


def test_brine_that_lies_there_does_not_make_snow_certain():
    # 85 % chance of snow on a salted lot: what it leaves cannot be likelier than that
    storm = read(STORMS / "light-snow-18f.yaml")
    before = plan_of(storm)
    first = next(visit for visit in visits_of(before) if is_put_down(visit))
    early = Application(id="1", at=NOON + HOUR, site="a", surface="here", rate_l_m2=0.04)
    assert first.at > early.at + HOUR
    after = plan_after(storm, [], NOON + 2 * HOUR, SurfaceHistory(applications=(early,)))
    periods = surface_of(after).refreeze_periods
    assert periods
    assert all(one.probability <= 0.85 + 1e-9 for one in periods)


def test_sites_with_rules_of_their_own_refreeze_as_each_does_alone():
    # their stages run together, and are judged by other thresholds
    storms = {
        name: read(STORMS / f"{name}.yaml")
        for name in ("wind-only-with-the-snow", "light-snow-22f")
    }
    rules = {
        "usual": {},
        "watchful": {"monitor_probability": "2 %"},
        "thick_ice": {"hazardous_ice": "0.5 mm"},
    }
    chosen = {f"{rule}-{name}": (rule, name) for name in storms for rule in rules}
    surface = {"lot": storms["wind-only-with-the-snow"].get("surface", LOT)}
    entries = {
        key: site_entry(43.1, -89.4, surface, yard=key) | {"policy": rules[rule]}
        for key, (rule, _) in chosen.items()
    }
    yards = dict.fromkeys(entries, BASE_SECTIONS["yards"]["north"])
    forecasts = {
        key: SiteForecasts(replace(cell_of(storms[name]), cell_id=key))
        for key, (_, name) in chosen.items()
    }

    def told_of(keys):
        sites = parse_sites(
            {key: entries[key] for key in keys}, yards={key: yards[key] for key in keys}
        )
        plan = make_plan(sites, forecasts, NOON)
        return {
            site.key: [
                (
                    one.start,
                    one.end,
                    round(one.probability, 9),
                    round(one.probability_as_planned, 9),
                )
                for one in site.surfaces[0].refreeze_periods
            ]
            for site in plan.sites
        }

    together = told_of(entries)
    assert together == {key: told_of([key])[key] for key in entries}
    assert together["usual-light-snow-22f"] != together["watchful-light-snow-22f"]
