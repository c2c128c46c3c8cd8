"""The whole chain on invented weather: the record, its schema, and what must always hold."""

import itertools
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta

import jsonschema
import numpy as np
import pytest
from helpers.diagnostics import degraded_lines
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import BASE_SECTIONS, SURFACES, parse_sites, site_entry
from hypothesis import given, settings
from hypothesis import strategies as st

from stormplan import units
from stormplan.errors import ExitCode
from stormplan.planning import plan_io
from stormplan.planning.plan_records import rounded_rows
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.treatment.records import Action
from stormplan.weather.forecast import PRECIP_TYPES
from stormplan.words import briefing, notices

SNOW = {
    "air_temp_c": {0: -1.0, 12: -3.0},
    "dew_point_c": {0: -6.0, 10: -4.0},
    "snowfall_swe_mm": between_hours(12, 18, 0.5),
    "snowfall_cm": between_hours(12, 18, 0.6),
    "pop": {0: 0.1, 11: 0.8, 19: 0.1},
}


@given(
    st.lists(st.floats(-1e3, 1e3) | st.integers(-(10**6), 10**6).map(lambda n: (n + 0.5) / 1000)),
    st.sampled_from([1, 2, 5]),
)
def test_hours_are_rounded_as_python_rounds_decimals(values, digits):
    # Python's round is correct in decimals (Gay 1990), also halfway between two of them; that it
    # rounds -0.04 to "-0.0" nobody wants to read
    (row,) = rounded_rows(np.array([[*values, np.nan]]), [digits])
    wanted = [repr(round(one, digits)) for one in values]
    assert [repr(one) for one in row] == ["0.0" if it == "-0.0" else it for it in wanted] + ["None"]


def planned(sites=None, weather=SNOW, now=NOON, **more):
    sites = sites or {"a": site_entry(43.1, -89.4)}
    answer = SiteForecasts(forecast_cell(**weather))
    return make_plan(parse_sites(sites, **more), dict.fromkeys(sites, answer), now)


def test_a_snowy_night_is_planned_from_end_to_end():
    plan = planned()
    assert plan.verdict == "go"
    assert plan.exit_code is ExitCode.COMPLETE
    lot, walk, deck = plan.sites[0].surfaces
    assert [s.treatments[0].action for s in (lot, walk, deck)] == [Action.PRETREAT] * 3
    assert lot.treatments[0].additive_frac == pytest.approx(0.05)
    assert walk.treatments[0].additive_frac == pytest.approx(0.20)
    assert plan.first_start < lot.treatments[0].event.start
    assert plan.priority_sites == ("a",)


def test_volumes_of_surfaces_sum_to_the_yard():
    plan = planned({"a": site_entry(43.1, -89.4), "b": site_entry(43.2, -89.5)})
    (yard,) = plan.yards
    sprayed = [t for s in plan.sites for _, t in s.treatments]
    assert yard.pretreat_l == pytest.approx(sum(t.volume_l for t in sprayed))
    assert sum(b.additive_l for b in yard.blends) == pytest.approx(
        sum(t.additive_l for t in sprayed)
    )
    later = [visit for t in sprayed for visit in t.follow_up]
    assert yard.follow_up_l == pytest.approx(sum(visit.volume_l for visit in later))
    assert yard.prewet_l == pytest.approx(sum(visit.prewet_l for visit in later))
    # the pre-treats by as much more as the forecasts in all would spray; what follows as it is
    more = 1.0 + yard.ensemble_extra_l / yard.pretreat_l
    brine_l = more * sum(t.brine_l for t in sprayed) + sum(visit.brine_l for visit in later)
    assert yard.brine_needed_l == pytest.approx(1.1 * brine_l)
    assert yard.brine_to_make_l == pytest.approx(yard.brine_needed_l)
    additive_l = more * sum(t.additive_l for t in sprayed)
    additive_l += sum(visit.additive_l for visit in later)
    (calcium,) = yard.additives
    assert calcium.needed_l == pytest.approx(1.1 * additive_l)
    # the reserve is part of all that is mixed, what wets the salt included
    assert yard.reserve_l == pytest.approx(0.1 * (brine_l + additive_l))


def test_salt_for_the_batch_follows_the_purity():
    # mass balance at 60 °F: 2.289 lb NaCl per finished gallon of 23.3 % brine (Lange's Handbook
    # SG 1.179), divided by 0.96 for 96 % salt
    (yard,) = planned().yards
    gallons = yard.brine_to_make_l / units.L_PER_GAL
    assert yard.salt_kg / units.KG_PER_LB == pytest.approx(2.289 * gallons / 0.96, rel=2e-3)


def test_the_record_obeys_its_published_schema_and_says_unknown_as_null():
    weather = SNOW | {"freezing_rain_mm": np.full(72, np.nan)}
    plan = planned(weather=weather)
    document = json.loads(plan_io.plan_json(plan))
    schema = json.loads(plan_io.plan_schema())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)
    column = document["sites"][0]["surfaces"][0]["hourly_id"]
    assert set(document["hourly"][column]["freezing_rain_mm"]) == {None}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document | {"verdict": "maybe"}, schema)


def test_a_site_without_forecast_does_not_stop_the_others():
    sites = {"a": site_entry(43.1, -89.4), "b": site_entry(51.5, 0.1)}
    plan = make_plan(
        parse_sites(sites),
        {"a": SiteForecasts(forecast_cell(**SNOW)), "b": SiteForecasts(None, "outside coverage")},
        NOON,
    )
    assert plan.exit_code is ExitCode.DEGRADED
    assert plan.verdict == "go"
    assert degraded_lines(plan) == ("Site 51.5: no forecast (outside coverage)",)
    assert make_plan(parse_sites(sites), {}, NOON).exit_code is ExitCode.NOTHING_PLANNED


def test_an_old_forecast_is_said():
    plan = planned(now=NOON + timedelta(hours=13))
    assert plan.exit_code is ExitCode.DEGRADED
    assert "forecast is 13 h old" in degraded_lines(plan)[0]


def test_a_layer_that_ends_in_the_storm_is_said():
    depth = np.zeros(72)
    depth[12:18] = 0.6
    depth[15:] = np.nan
    plan = planned(weather=SNOW | {"snowfall_cm": depth})
    assert plan.exit_code is ExitCode.DEGRADED
    assert "snow not forecast beyond Tue 3 AM, before the storm is over" in degraded_lines(plan)[0]


def test_a_warm_week_asks_for_nothing():
    plan = planned(
        weather={"air_temp_c": 15.0, "dew_point_c": 10.0, "rain_mm": between_hours(3, 9, 2.0)}
    )
    assert plan.verdict == "nothing"
    assert plan.first_start is None
    assert plan.yards[0].salt_kg == 0.0
    assert all(t.action is Action.NOTHING for s in plan.sites for _, t in s.treatments)


@pytest.mark.parametrize(
    "unknown_water",
    [
        pytest.param({0: np.nan}, id="every hour"),
        pytest.param(np.r_[np.zeros(8), np.full(12, np.nan), np.zeros(52)], id="tonight"),
        pytest.param(np.r_[np.zeros(20), np.full(52, np.nan)], id="from tomorrow on"),
    ],
)
def test_a_cold_night_whose_precipitation_is_unknown_is_never_called_nothing(unknown_water):
    # What falls on pavement at 17 F to 26 F decides whether it freezes there: common practice.
    dry_cold = {"air_temp_c": -5.0, "dew_point_c": -16.0}
    assert planned(weather=dry_cold).verdict == "nothing"
    layers = ("precip_mm", *PRECIP_TYPES, "snowfall_cm")
    blind = dry_cold | dict.fromkeys(layers, unknown_water)
    # A chance of 0 % says that it stays dry.
    assert planned(weather=blind).verdict == "nothing"
    plan = planned(weather=blind | {"pop": {0: np.nan}})
    assert plan.verdict == "unknown"
    assert plan.exit_code is ExitCode.DEGRADED
    view = briefing.build_view(plan)
    assert view.verdict == "NOT KNOWN"
    assert "look at the pavement" in view.headline
    assert "Not everything is known of Site 43.1:" in notices.render_html(plan)


def test_no_forecast_at_all_is_unknown_too():
    plan = make_plan(parse_sites({"a": site_entry(43.1, -89.4)}), {}, NOON)
    assert plan.verdict == "unknown"


def test_surfaces_that_share_everything_share_a_column():
    surfaces = SURFACES | {"lot2": SURFACES["lot"], "shady": SURFACES["lot"] | {"sky_view": 0.5}}
    plan = planned({"a": site_entry(43.1, -89.4, surfaces), "b": site_entry(43.2, -89.5)})
    by_key = {s.key: s.hourly_id for s in plan.sites[0].surfaces}
    assert by_key["lot"] == by_key["lot2"] != by_key["shady"]
    assert plan.sites[1].surfaces[0].hourly_id == by_key["lot"]
    assert len(plan.hourly) == 4


@settings(deadline=None, max_examples=4)
@given(st.permutations(["a", "b", "c", "d"]))
def test_the_order_of_sites_changes_nothing(order):
    places = {"a": (43.1, -89.4), "b": (43.2, -89.5), "c": (43.3, -89.6), "d": (43.4, -89.7)}
    cold, mild = (
        SiteForecasts(forecast_cell(**SNOW)),
        SiteForecasts(forecast_cell(name="TST/2,2", air_temp_c=8.0)),
    )
    answers = {"a": cold, "b": mild, "c": cold, "d": mild}
    plan = make_plan(parse_sites({key: site_entry(*places[key]) for key in order}), answers, NOON)
    straight = make_plan(
        parse_sites({key: site_entry(*places[key]) for key in places}), answers, NOON
    )
    assert plan_io.plan_json(plan) == plan_io.plan_json(straight)


def test_blocks_can_be_planned_by_any_executor(monkeypatch):
    monkeypatch.setattr("stormplan.planning.site_batch.MAX_BLOCK_SITES", 2)
    sites = {f"s{n}": site_entry(43 + n / 10, -89.4) for n in range(5)}
    answers = dict.fromkeys(sites, SiteForecasts(forecast_cell(**SNOW)))
    with ThreadPoolExecutor(2) as pool:
        mapped = make_plan(parse_sites(sites), answers, NOON, pool.map)
    assert plan_io.plan_json(mapped) == plan_io.plan_json(
        make_plan(parse_sites(sites), answers, NOON)
    )


def test_the_handbook_ceiling_is_never_passed():
    # MPCA 2015: at most 0.8 gal/1000 ft2 of brine before snow
    for air_c, rate in itertools.product((-6.0, -3.0, -1.0), (0.3, 1.0, 2.0)):
        weather = SNOW | {
            "air_temp_c": air_c,
            "snowfall_swe_mm": between_hours(12, 18, rate),
            "snowfall_cm": between_hours(12, 18, rate),
        }
        for _, item in planned(weather=weather).sites[0].treatments:
            assert item.rate_l_m2 <= 0.8 * units.L_M2_PER_GAL_KFT2 + 1e-12


def test_a_site_is_planned_the_same_beside_one_whose_forecast_begins_earlier():
    first = forecast_cell(**SNOW)
    day = {name: np.concatenate([array[:24], array]) for name, array in first.values.items()}
    earlier = replace(first, cell_id="TST/2,2", start=NOON - timedelta(hours=24), values=day)
    # each from a yard of its own: a shared sprayer would have another round
    yards = dict.fromkeys(("north", "south"), BASE_SECTIONS["yards"]["north"])
    places = {"a": site_entry(43.1, -89.4), "b": site_entry(43.2, -89.5, yard="south")}
    sites = parse_sites(places, yards=yards)
    alone = make_plan(sites, {"a": SiteForecasts(first)}, NOON)
    both = make_plan(sites, {"a": SiteForecasts(first), "b": SiteForecasts(earlier)}, NOON)
    assert both.sites[0] == alone.sites[0]
    assert both.sites[1].surfaces[0].treatments[0].action is not Action.NOTHING


def test_an_hour_in_the_past_that_is_not_known_does_not_blind_the_plan():
    first = forecast_cell(hours=96, start=NOON - timedelta(hours=24), **{
        name: value for name, value in SNOW.items() if name in ("air_temp_c", "dew_point_c")
    }, snowfall_swe_mm=between_hours(36, 42, 0.5), snowfall_cm=between_hours(36, 42, 0.6),
    pop=0.8)  # fmt: skip
    values = {name: array.copy() for name, array in first.values.items()}
    for name in ("precip_mm", "rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm"):
        values[name][:3] = np.nan  # amounts begin later than temperature
    gap = replace(first, values=values)
    plan = make_plan(parse_sites({"a": site_entry(43.1, -89.4)}), {"a": SiteForecasts(gap)}, NOON)
    assert plan.sites[0].surfaces[0].min_pavement_temp_c is not None
    assert plan.sites[0].surfaces[0].treatments[0].action is Action.PRETREAT


def test_sites_with_different_numbers_of_members_are_planned_side_by_side():
    places = {key: site_entry(43.1, -89.4 - n / 1000) for n, key in enumerate("abc")}
    answers = {}
    for key, count in zip(places, (1, 3, 5), strict=True):
        one = forecast_cell(name=f"TST/{count},1", **SNOW)
        values = {name: array.repeat(count, axis=1) for name, array in one.values.items()}
        answers[key] = SiteForecasts(replace(one, values=values))
    plan = make_plan(parse_sites(places), answers, NOON)
    actions = [[s.treatments[0].action for s in found.surfaces] for found in plan.sites]
    assert actions[0] == actions[1] == actions[2]
    assert Action.PRETREAT in actions[0]


def test_an_old_forecast_is_less_sure_of_the_same_night():
    fresh = forecast_cell(air_temp_c=-1.0)
    old = replace(fresh, issued_at=NOON - timedelta(hours=24))

    def width(answer):
        plan = make_plan(
            parse_sites({"a": site_entry(43.1, -89.4)}), {"a": SiteForecasts(answer)}, NOON
        )
        series = next(iter(plan.hourly.values()))
        return series.surface_p90_c[12] - series.surface_p10_c[12]

    assert width(old) > width(fresh) + 1.0


def test_half_a_forecast_is_said_where_it_leaves_a_night_in_the_dark():
    def degraded(hours):
        dew = np.full(72, -20.0)
        dew[hours:] = np.nan
        answer = SiteForecasts(forecast_cell(dew_point_c=dew))
        return make_plan(parse_sites({"a": site_entry(43.1, -89.4)}), {"a": answer}, NOON)

    half = degraded(28)
    assert any(
        "the pavement is known for the next 28 h only" in line for line in degraded_lines(half)
    )
    assert half.exit_code is ExitCode.DEGRADED
    longer = degraded(40)
    assert not any("pavement is known for the next" in line for line in degraded_lines(longer))
    assert longer.verdict == "unknown"  # the third night is as cold as the first two
