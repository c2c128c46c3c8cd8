"""Named storms: small hourly tables, the decision expected of each, and where that stands.

A mistake in the field becomes a file in ``storms/``. Every one is planned from end to end.
"""

from datetime import timedelta
from pathlib import Path

import pytest
from helpers.diagnostics import degraded_lines
from helpers.one_surface import LOT, effects_by_rule, plan_surface
from helpers.sites import BASE_SECTIONS
from ruamel.yaml import YAML

from stormplan import units
from stormplan.events.hazards import SNOW_HAZARDS
from stormplan.treatment.records import Action

STORMS = sorted((Path(__file__).parent / "storms").glob("*.yaml"))


def read(path):
    return YAML(typ="safe").load(path.read_text(encoding="utf-8"))


def plan_of(storm):
    more = {}
    if "products" in storm:
        more["products"] = storm["products"]
        more["yards"] = {"north": BASE_SECTIONS["yards"]["north"] | {"stock": storm["stock"]}}
    surface = {key: str(value) if key == "last_treated" or key.startswith("new_concrete") else value
               for key, value in storm.get("surface", LOT).items()}  # fmt: skip
    return plan_surface(surface, more, **storm["weather"])


@pytest.mark.parametrize("path", STORMS, ids=lambda path: path.stem)
def test_storm(path):
    storm = read(path)
    assert storm["says"]
    assert storm["source"]
    expect = dict(storm["expect"])
    plan = plan_of(storm)
    decided = plan.sites[0].surfaces[0].treatments
    first = decided[0]
    effects = {rule for one in decided for rule in effects_by_rule(one)}
    checks = {
        "action": lambda wanted: first.action == wanted,
        "never": lambda wanted: all(one.action != wanted for one in decided),
        "hazard": lambda wanted: first.event.hazard == wanted,
        "trend": lambda wanted: first.event.trend == wanted,
        "share": lambda wanted: abs(first.additive_frac - wanted) < 1e-9,
        "rate": lambda wanted: inside(first.rate_l_m2 / units.L_M2_PER_GAL_KFT2, wanted),
        "lead_h": lambda wanted: inside(
            (first.event.start - first.best_start) / timedelta(hours=1), wanted
        ),
        "coldest_f": lambda wanted: inside(units.c_to_f(first.event.min_pavement_temp_c), wanted),
        "probability": lambda wanted: inside(first.event.probability, wanted),
        "solid_lb_lm": lambda wanted: (
            inside(first.solid.low_kg_m2 / units.KG_M2_PER_LB_LANE_MILE, wanted)
            and inside(first.solid.high_kg_m2 / units.KG_M2_PER_LB_LANE_MILE, wanted)
        ),
        "rules": lambda wanted: set(wanted) <= effects,
        "rules_any": lambda wanted: set(wanted) & effects,
        "snows": lambda wanted: len(snows(decided)) == wanted,
        "unknown": lambda wanted: wanted in first.event.unknown,
        "degraded": lambda wanted: any(wanted in line for line in degraded_lines(plan)),
    }
    for what, wanted in expect.items():
        assert checks[what](wanted), (what, wanted, first)


def snows(decided):
    return [one for one in decided if one.event and one.event.hazard in SNOW_HAZARDS]


def inside(value, limits):
    return limits[0] - 1e-9 <= value <= limits[1] + 1e-9


def test_two_storms_do_not_share_a_window():
    storm = read(Path(__file__).parent / "storms" / "two-storms-20-h-apart.yaml")
    first, second = snows(plan_of(storm).sites[0].surfaces[0].treatments)
    assert first.action is second.action is Action.PRETREAT
    assert second.earliest_start >= first.event.end


def test_there_are_enough_storms():
    assert len(STORMS) >= 14
