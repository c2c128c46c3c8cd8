"""The catalogue of storms: what practice does in each, written down first, against the plan.

Every file in ``storms/course`` holds its weather, the answer of practice with its source, and what
of that a course of action must show.
"""

from collections import Counter
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry
from ruamel.yaml import YAML

from stormplan import units
from stormplan.api import forecast_from_dataframe
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.surface_history import ObservedCondition, SurfaceHistory
from stormplan.treatment.records import Action
from stormplan.words import diagnostic_text

STORMS = sorted((Path(__file__).parent / "storms" / "course").glob("*.yaml"))
HOUR = timedelta(hours=1)
LOT = {"class": "asphalt_lot", "area": "20000 ft2"}
#: Keys of a storm's surface that YAML reads as dates and the sites file wants as it was written.
DATES = ("new_concrete_until",)


def read(path):
    return YAML(typ="safe").load(path.read_text(encoding="utf-8"))


def weather_of(storm, override=None):
    layers = storm["weather"] | (override or {})
    return {name: value for name, value in layers.items() if name != "weight"}


def cell_of(storm):
    """One cell; of several members where the storm has them, each as often as its weight."""
    if storm.get("through") == "table":  # as an hourly table of one's own is read
        cell = forecast_cell(**weather_of(storm))
        columns = {name: array[:, 0] for name, array in vars(cell)["values"].items()}
        del columns["precip_mm"]
        index = pd.date_range(NOON, periods=72, freq="h")
        return forecast_from_dataframe(pd.DataFrame(columns, index=index), 43.1, -89.4)
    if "members" not in storm:
        return forecast_cell(**weather_of(storm))
    cells = [
        forecast_cell(**weather_of(storm, member))
        for member in storm["members"]
        for _ in range(member.get("weight", 1))
    ]
    layers = [vars(cell)["values"] for cell in cells]
    joined = {name: np.concatenate([one[name] for one in layers], axis=1) for name in layers[0]}
    return replace(cells[0], values=joined)


def observed_of(storm):
    if "treated_days_ago" in storm:
        treated_at = NOON - storm["treated_days_ago"] * 24 * HOUR
        return {("a", "here"): SurfaceHistory(last_treated_at=treated_at)}
    lying = storm.get("lying")
    if lying is None:
        return {}
    ten_to_one_cm = lying["snow_mm"]
    seen = ObservedCondition(
        NOON + storm.get("now_h", 0) * HOUR,
        water_mm=lying["water_mm"],
        snow_mm=lying["snow_mm"],
        snow_depth_cm=ten_to_one_cm,
        is_bonded=lying["bonded"],
    )
    return {("a", "here"): SurfaceHistory((seen,))}


def plan_of(storm):
    surface = {
        key: str(value) if key in DATES else value
        for key, value in storm.get("surface", LOT).items()
    }
    company = {}
    if "products" in storm:
        company["products"] = storm["products"]
    if "stock" in storm:
        company["yards"] = {"north": BASE_SECTIONS["yards"]["north"] | {"stock": storm["stock"]}}
    if "policy" in storm:
        company["policy"] = storm["policy"]
    return make_plan(
        parse_sites({"a": site_entry(43.1, -89.4, {"here": surface})}, **company),
        {"a": SiteForecasts(cell_of(storm))},
        NOON + storm.get("now_h", 0) * HOUR,
        histories=observed_of(storm),
    )


def acts(visit):
    """What one visit does: its action, and the plow that goes before it."""
    return {str(visit.action), *(["plow"] if visit.plow else [])}


def hour_of(moment):
    return (moment - NOON) / HOUR


def inside(value, limits):
    return limits[0] - 1e-6 <= value <= limits[1] + 1e-6


def failures(storm, plan):
    """Everything in which the plan departs from what practice does."""
    surface = plan.sites[0].surfaces[0]
    visits = sorted(
        (visit for treatment in surface.treatments for visit in treatment.visits),
        key=lambda visit: visit.at,
    )
    when = [(hour_of(visit.at), act) for visit in visits for act in sorted(acts(visit))]
    counts = Counter(act for _, act in when)
    work = [visit for visit in visits if visit.action.is_work]
    pretreats = [visit for visit in visits if visit.action is Action.PRETREAT]
    liquids = [visit for visit in visits if visit.action.is_liquid]
    named = storm["expect"].get("hazard", "").replace("_", " ")
    salts = [
        visit
        for treatment in surface.treatments
        for visit in treatment.visits
        if visit.action is Action.SALT and (not named or treatment.event.hazard == named)
    ]
    hazards = {str(t.event.hazard).replace(" ", "_") for t in surface.treatments if t.event}
    first = surface.treatments[0]
    rules = {
        reason.rule
        for treatment in surface.treatments
        for reason in (*treatment.reasons, *(r for v in treatment.visits for r in v.reasons))
    }
    checks = {
        "does": lambda wanted: set(wanted) <= set(counts),
        "never": lambda refused: not set(refused) & set(counts),
        "first": lambda act: bool(work) and act in acts(work[0]),
        "window": lambda windows: all(
            (hours := [hour for hour, done in when if done == act]) == []
            or inside(min(hours), span)
            for act, span in windows.items()
        ),
        "between": lambda spans: (
            not any(
                done == span["action"] and inside(hour, span["never"])
                for span in spans
                for hour, done in when
            )
        ),
        "rate_gal_kft2": lambda span: all(
            inside(visit.rate_l_m2 / units.L_M2_PER_GAL_KFT2, span) for visit in pretreats
        ),
        "additive_frac": lambda span: all(inside(visit.additive_frac, span) for visit in liquids),
        "product": lambda key: all(visit.additive == key for visit in liquids),
        "solid_lb_kft2": lambda span: all(
            inside(visit.solid_rate_kg_m2 / units.KG_M2_PER_LB_KFT2, span) for visit in salts
        ),
        "hazard": lambda hazard: hazard in hazards,
        "rules": lambda wanted: set(wanted) <= rules,
        "rules_any": lambda wanted: bool(set(wanted) & rules),
        "trend": lambda trend: first.event.trend == trend,
        "coldest_f": lambda span: inside(units.c_to_f(first.event.min_pavement_temp_c), span),
        "probability": lambda span: inside(first.event.probability, span),
        "published_lb_lane_mile": lambda span: (
            inside(first.solid.low_kg_m2 / units.KG_M2_PER_LB_LANE_MILE, span)
            and inside(first.solid.high_kg_m2 / units.KG_M2_PER_LB_LANE_MILE, span)
        ),
        "unknown": lambda layer: layer in first.event.unknown,
        "says": lambda word: any(word in line for line in diagnostic_text.degraded_lines(plan)),
        "verdict_not": lambda verdict: plan.verdict != verdict,
        "max_visits": lambda most: all(counts[act] <= count for act, count in most.items()),
        "min_visits": lambda least: all(counts[act] >= count for act, count in least.items()),
    }
    return (
        [
            f"{what}: {wanted}"
            for what, wanted in storm["expect"].items()
            if not checks[what](wanted)
        ],
        [(round(hour, 1), act) for hour, act in when],
        hazards,
    )


@pytest.mark.parametrize("path", STORMS, ids=lambda path: path.stem)
def test_the_course_is_what_practice_does(path):
    storm = read(path)
    assert storm["title"]
    assert storm["source"]
    assert storm["practice"]
    plan = plan_of(storm)
    departs, when, hazards = failures(storm, plan)
    assert not departs, (departs, when, hazards)
    treatments = plan.sites[0].surfaces[0].treatments
    hours = [visit.at for treatment in treatments for visit in treatment.visits]
    assert len(hours) == len(set(hours)), "one surface, one hour, one instruction"


def test_two_storms_do_not_share_a_window():
    # NHDES 2018: a lead of up to 24 h must not reach back through the first storm
    storm = read(Path(__file__).parent / "storms" / "course" / "two-storms-20-h-apart.yaml")
    treatments = plan_of(storm).sites[0].surfaces[0].treatments
    first, second = (t for t in treatments if t.action is Action.PRETREAT)
    assert second.earliest_start >= first.event.end


def test_there_are_enough_storms():
    assert len(STORMS) >= 60
