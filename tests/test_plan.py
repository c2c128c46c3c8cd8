"""The whole chain on invented weather: the record, its schema, and what must always hold."""

import itertools
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta

import jsonschema
import numpy as np
import pytest
from helpers.published_tables import NOON, cell, spell
from helpers.sites import SURFACES, company, site
from hypothesis import given, settings
from hypothesis import strategies as st

from stormplan import units
from stormplan.errors import Exit
from stormplan.planning.planner import Answer, make_plan
from stormplan.service import pipeline
from stormplan.treatment.records import Action

SNOW = {
    "air_temp_c": {0: -1.0, 12: -3.0},
    "dew_point_c": {0: -6.0, 10: -4.0},
    "snow_we_mm": spell(12, 18, 0.5),
    "snow_depth_cm": spell(12, 18, 0.6),
    "pop": {0: 0.1, 11: 0.8, 19: 0.1},
}


def planned(sites=None, weather=SNOW, now=NOON, **more):
    sites = sites or {"a": site(43.1, -89.4)}
    answer = Answer(cell(**weather))
    return make_plan(company(sites, **more), dict.fromkeys(sites, answer), now)


def test_a_snowy_night_is_planned_from_end_to_end():
    plan = planned()
    assert plan.verdict == "go"
    assert plan.exit_code is Exit.COMPLETE
    lot, walk, deck = plan.sites[0].surfaces
    assert [s.treatments[0].action for s in (lot, walk, deck)] == [Action.PRETREAT] * 3
    assert lot.treatments[0].additive_share == pytest.approx(0.05)
    assert walk.treatments[0].additive_share == pytest.approx(0.20)
    assert plan.first_start < lot.treatments[0].event.start
    assert plan.matters == ("a",)


def test_volumes_of_surfaces_sum_to_the_yard():
    plan = planned({"a": site(43.1, -89.4), "b": site(43.2, -89.5)})
    (yard,) = plan.yards
    sprayed = [t for s in plan.sites for _, t in s.treatments]
    assert yard.sprayed_l == pytest.approx(sum(t.volume_l for t in sprayed))
    assert sum(b.additive_l for b in yard.blends) == pytest.approx(
        sum(t.additive_l for t in sprayed)
    )
    later = sum(step.volume_l for t in sprayed for step in t.later)
    assert yard.later_l == pytest.approx(later)
    assert yard.brine_needed_l == pytest.approx(1.1 * (sum(t.brine_l for t in sprayed) + later))
    assert yard.brine_to_make_l == pytest.approx(yard.brine_needed_l)


def test_salt_for_the_batch_follows_the_purity():
    # mass balance at 60 °F: 2.289 lb NaCl per finished gallon of 23.3 % brine (Lange's Handbook
    # SG 1.179), divided by 0.96 for 96 % salt
    (yard,) = planned().yards
    gallons = yard.brine_to_make_l / units.L_PER_GAL
    assert yard.salt_kg / units.KG_PER_LB == pytest.approx(2.289 * gallons / 0.96, rel=2e-3)


def test_the_record_obeys_its_published_schema_and_says_unknown_as_null():
    weather = SNOW | {"frz_rain_mm": np.full(72, np.nan)}
    plan = planned(weather=weather)
    document = json.loads(pipeline.document(plan))
    schema = json.loads(pipeline.schema())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)
    column = document["sites"][0]["surfaces"][0]["column"]
    assert set(document["columns"][column]["frz_rain_mm"]) == {None}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document | {"verdict": "maybe"}, schema)


def test_a_site_without_forecast_does_not_stop_the_others():
    sites = {"a": site(43.1, -89.4), "b": site(51.5, 0.1)}
    plan = make_plan(
        company(sites), {"a": Answer(cell(**SNOW)), "b": Answer(None, "outside coverage")}, NOON
    )
    assert plan.exit_code is Exit.DEGRADED
    assert plan.verdict == "go"
    assert plan.degraded == ("Site 51.5: no forecast (outside coverage)",)
    assert make_plan(company(sites), {}, NOON).exit_code is Exit.NOTHING_PLANNED


def test_an_old_forecast_is_said():
    plan = planned(now=NOON + timedelta(hours=13))
    assert plan.exit_code is Exit.DEGRADED
    assert "forecast is 13 h old" in plan.degraded[0]


def test_a_layer_that_ends_in_the_storm_is_said():
    depth = np.zeros(72)
    depth[12:18] = 0.6
    depth[15:] = np.nan
    plan = planned(weather=SNOW | {"snow_depth_cm": depth})
    assert plan.exit_code is Exit.DEGRADED
    assert "snow not forecast for all of the storm" in plan.degraded[0]


def test_a_warm_week_asks_for_nothing():
    plan = planned(weather={"air_temp_c": 15.0, "dew_point_c": 10.0, "rain_mm": spell(3, 9, 2.0)})
    assert plan.verdict == "nothing"
    assert plan.first_start is None
    assert plan.yards[0].salt_kg == 0.0
    assert all(t.action is Action.NOTHING for s in plan.sites for _, t in s.treatments)


def test_surfaces_that_share_everything_share_a_column():
    surfaces = SURFACES | {"lot2": SURFACES["lot"], "shady": SURFACES["lot"] | {"sky_view": 0.5}}
    plan = planned({"a": site(43.1, -89.4, surfaces), "b": site(43.2, -89.5)})
    by_key = {s.key: s.column for s in plan.sites[0].surfaces}
    assert by_key["lot"] == by_key["lot2"] != by_key["shady"]
    assert plan.sites[1].surfaces[0].column == by_key["lot"]
    assert len(plan.columns) == 4


@settings(deadline=None, max_examples=4)
@given(st.permutations(["a", "b", "c", "d"]))
def test_the_order_of_sites_changes_nothing(order):
    places = {"a": (43.1, -89.4), "b": (43.2, -89.5), "c": (43.3, -89.6), "d": (43.4, -89.7)}
    cold, mild = Answer(cell(**SNOW)), Answer(cell(name="TST/2,2", air_temp_c=8.0))
    answers = {"a": cold, "b": mild, "c": cold, "d": mild}
    plan = make_plan(company({key: site(*places[key]) for key in order}), answers, NOON)
    straight = make_plan(company({key: site(*places[key]) for key in places}), answers, NOON)
    assert pipeline.document(plan) == pipeline.document(straight)


def test_blocks_can_be_planned_by_any_executor(monkeypatch):
    monkeypatch.setattr("stormplan.planning.site_batch.BLOCK_SITES", 2)
    sites = {f"s{n}": site(43 + n / 10, -89.4) for n in range(5)}
    answers = dict.fromkeys(sites, Answer(cell(**SNOW)))
    with ThreadPoolExecutor(2) as pool:
        mapped = make_plan(company(sites), answers, NOON, pool.map)
    assert pipeline.document(mapped) == pipeline.document(make_plan(company(sites), answers, NOON))


def test_the_handbook_ceiling_is_never_passed():
    # MPCA 2015: at most 0.8 gal/1000 ft2 of brine before snow
    for air_c, rate in itertools.product((-6.0, -3.0, -1.0), (0.3, 1.0, 2.0)):
        weather = SNOW | {
            "air_temp_c": air_c,
            "snow_we_mm": spell(12, 18, rate),
            "snow_depth_cm": spell(12, 18, rate),
        }
        for _, item in planned(weather=weather).sites[0].treatments:
            assert item.rate_l_m2 <= 0.8 * units.L_M2_PER_GAL_KFT2 + 1e-12


def test_a_site_is_planned_the_same_beside_one_whose_forecast_begins_earlier():
    first = cell(**SNOW)
    day = {name: np.concatenate([array[:24], array]) for name, array in first.values.items()}
    earlier = replace(first, cell="TST/2,2", start=NOON - timedelta(hours=24), values=day)
    sites = company({"a": site(43.1, -89.4), "b": site(43.2, -89.5)})
    alone = make_plan(sites, {"a": Answer(first)}, NOON)
    both = make_plan(sites, {"a": Answer(first), "b": Answer(earlier)}, NOON)
    assert both.sites[0] == alone.sites[0]
    assert both.sites[1].surfaces[0].treatments[0].action is not Action.NOTHING


def test_an_hour_in_the_past_that_is_not_known_does_not_blind_the_plan():
    first = cell(hours=96, start=NOON - timedelta(hours=24), **{
        name: value for name, value in SNOW.items() if name in ("air_temp_c", "dew_point_c")
    }, snow_we_mm=spell(36, 42, 0.5), snow_depth_cm=spell(36, 42, 0.6), pop=0.8)  # fmt: skip
    values = {name: array.copy() for name, array in first.values.items()}
    for name in ("precip_mm", "rain_mm", "snow_we_mm", "frz_rain_mm", "sleet_mm"):
        values[name][:3] = np.nan  # amounts begin later than temperature
    gap = replace(first, values=values)
    plan = make_plan(company({"a": site(43.1, -89.4)}), {"a": Answer(gap)}, NOON)
    assert plan.sites[0].surfaces[0].coldest_surface_c is not None
    assert plan.sites[0].surfaces[0].treatments[0].action is Action.PRETREAT


def test_sites_with_different_numbers_of_members_are_planned_side_by_side():
    places = {key: site(43.1, -89.4 - n) for n, key in enumerate("abc")}
    answers = {}
    for key, count in zip(places, (1, 3, 5), strict=True):
        one = cell(name=f"TST/{count},1", **SNOW)
        values = {name: array.repeat(count, axis=1) for name, array in one.values.items()}
        answers[key] = Answer(replace(one, values=values))
    plan = make_plan(company(places), answers, NOON)
    actions = [[s.treatments[0].action for s in found.surfaces] for found in plan.sites]
    assert actions[0] == actions[1] == actions[2]
    assert Action.PRETREAT in actions[0]


def test_an_old_forecast_is_less_sure_of_the_same_night():
    fresh = cell(air_temp_c=-1.0)
    old = replace(fresh, issued_at=NOON - timedelta(hours=24))

    def width(answer):
        plan = make_plan(company({"a": site(43.1, -89.4)}), {"a": Answer(answer)}, NOON)
        series = next(iter(plan.columns.values()))
        return series.surface_high_c[12] - series.surface_low_c[12]

    assert width(old) > width(fresh) + 1.0


def test_half_a_forecast_is_said_where_it_leaves_a_night_in_the_dark():
    def degraded(hours):
        dew = np.full(72, -20.0)
        dew[hours:] = np.nan
        answer = Answer(cell(dew_point_c=dew))
        return make_plan(company({"a": site(43.1, -89.4)}), {"a": answer}, NOON)

    half = degraded(28)
    assert any("the pavement is known for the next 28 h only" in line for line in half.degraded)
    assert half.exit_code is Exit.DEGRADED
    assert degraded(40).degraded == ()
