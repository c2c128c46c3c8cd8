"""Where one source stops knowing and the next steps in, hour by hour and marked."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from helpers import service_formats
from helpers.diagnostics import codes, degraded_lines, only
from helpers.http_service import ScriptedReply, problem_reply
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import parse_sites, site_entry

from stormplan.errors import ExitCode
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.weather.forecast import PRECIP_TYPES, QualityFlag, Substitution
from stormplan.weather.http_client import ClientPolicy
from stormplan.weather.providers.gather_rules import DEFAULT_RULES
from stormplan.weather.providers.merge import merge_forecasts

DAY = timedelta(hours=24)


def merged(newest, others=(), until=None, older=(), now=NOON):
    end = until or NOON + 2 * DAY
    return merge_forecasts(newest, older, list(others), now, end, DEFAULT_RULES.merge)


def ours(**unknown):
    """Two days from noon at -1 °C and dry; unknown from an hour on as said."""
    made = forecast_cell(hours=48, air_temp_c=-1.0, snowfall_swe_mm=0.0, pop=0.1)
    values = {name: array.copy() for name, array in made.values.items()}
    for name, hour in unknown.items():
        values[name][hour:] = np.nan
    return replace(made, values=values, credit="Ours")


def theirs(**more):
    made = forecast_cell(
        hours=60, name="B/1", air_temp_c=-7.0, snowfall_swe_mm=0.5, snowfall_cm=0.6, pop=0.9
    )
    return replace(made, source="metno", credit="Theirs", **more)


def flagged(cell, name, flag):
    return ((cell.flags[name] & flag) > 0).nonzero()[0].tolist()


def test_a_forecast_that_knows_everything_stays_the_same_object():
    first = ours()
    assert merged(first, [theirs()]) is first


def test_each_layer_is_handed_over_from_where_it_ends():
    joined = merged(ours(air_temp_c=30, precip_mm=40), [theirs()])
    temp, snow = joined.values["air_temp_c"][:, 0], joined.values["snowfall_swe_mm"][:, 0]
    assert temp[:30] == pytest.approx([-1.0] * 30)
    assert temp[30:] == pytest.approx([-7.0] * 18)
    assert snow[:40] == pytest.approx([0.0] * 40)
    assert snow[40:] == pytest.approx([0.5] * 8)
    other = QualityFlag.FROM_OTHER_SOURCE
    assert flagged(joined, "dew_point_c", other) == list(range(30, 48))  # with the air
    assert flagged(joined, "wind_10m_ms", other) == []  # known, so it stays
    assert flagged(joined, "pop", other) == []
    assert joined.substitutions == (
        Substitution("temperature: from metno", 18, datetime(2026, 1, 14, 0, tzinfo=UTC)),
        Substitution("precipitation: from metno", 8, datetime(2026, 1, 14, 10, tzinfo=UTC)),
    )
    assert joined.credit == "Ours; Theirs"
    assert joined.cell_id == "TST/1,1 + metno B/1"


def test_an_older_copy_comes_before_another_source():
    older = replace(ours(), issued_at=NOON - DAY / 4)
    joined = merged(ours(precip_mm=40), [theirs()], older=[older])
    assert joined.values["snowfall_swe_mm"][40:, 0] == pytest.approx([0.0] * 8)
    assert flagged(joined, "precip_mm", QualityFlag.FROM_OLDER_COPY) == list(range(40, 48))
    assert joined.cell_id == "TST/1,1"


def test_hours_after_the_first_ends_are_filled_up_to_the_horizon():
    joined = merged(ours(), [theirs()], NOON + timedelta(hours=55))
    assert joined.n_hours == 55
    assert joined.values["air_temp_c"][47:49, 0] == pytest.approx([-1.0, -7.0])


def test_hours_before_now_are_nobodys_business():
    first = ours()
    first.values["air_temp_c"][:5] = np.nan
    assert merged(first, [theirs()], NOON + DAY, now=NOON + timedelta(hours=5)) is first


def test_what_nobody_knows_stays_unknown_and_the_next_one_is_asked():
    half = theirs()
    for array in half.values.values():
        array[34:] = np.nan
    third = replace(theirs(), source="openmeteo", cell_id="C/1", stale=True)
    joined = merged(ours(air_temp_c=30), [half, third], NOON + 3 * DAY)
    other = QualityFlag.FROM_OTHER_SOURCE
    assert flagged(joined, "air_temp_c", other) == list(range(30, 60))
    assert joined.values["air_temp_c"][30:60, 0] == pytest.approx([-7.0] * 30)
    assert np.isnan(joined.values["precip_mm"][60:]).all()
    assert joined.stale  # leans on one that is
    assert joined.cell_id == "TST/1,1 + metno B/1 + openmeteo C/1"


def test_an_amount_and_its_types_never_come_from_two_sources():
    joined = merged(ours(rain_mm=20), [theirs()])
    for name in ("precip_mm", *PRECIP_TYPES):
        assert flagged(joined, name, QualityFlag.FROM_OTHER_SOURCE) == list(range(20, 48))


def test_a_short_gap_is_a_straight_line_and_a_longer_one_the_same_hour_of_other_days():
    cell = ours()
    air = cell.values["air_temp_c"]
    air[:, 0] = np.arange(48.0) % 24
    air[30:32] = np.nan
    air[14:20] = np.nan
    joined = merged(cell)
    assert joined.values["air_temp_c"][30:32, 0] == pytest.approx([6.0, 7.0])
    assert flagged(joined, "air_temp_c", QualityFlag.INTERPOLATED) == [30, 31]
    assert joined.values["air_temp_c"][14:20, 0] == pytest.approx(np.arange(14.0, 20.0))
    assert flagged(joined, "air_temp_c", QualityFlag.FROM_DAILY_CYCLE) == list(range(14, 20))


def test_members_of_the_first_are_kept_and_the_others_control_run_steps_in():
    first = ours(air_temp_c=30)
    many = replace(
        first, values={name: array.repeat(3, axis=1) for name, array in first.values.items()}
    )
    joined = merged(many, [theirs()])
    assert joined.n_members == 3
    assert joined.values["air_temp_c"][30] == pytest.approx([-7.0] * 3)


# --- over real HTTP

QUICK = ClientPolicy(
    min_interval_s=0.0, min_throttle_wait_s=0.0, timeout_s=(0.5, 0.5), sleep=lambda seconds: None
)
LOT = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}


def plan(replay, archive, sources):
    here = {"base_url": replay.base_url}
    sites = parse_sites(
        {"a": site_entry(service_formats.LATITUDE, service_formats.LONGITUDE, LOT)},
        weather={"sources": sources, "nws": here, "metno": here},
    )
    with Archive(archive) as kept:
        return pipeline.plan_and_store(sites, kept, service_formats.NOW, client_policy=QUICK)


def serve(replay, nws):
    replay.serve_place("43.1", "-89.4", "XYZ/1,2", nws)
    replay.serve("/complete?lat=43.1&lon=-89.4", service_formats.metno_reply())


def test_the_second_source_plans_the_morning_when_the_first_is_down(replay, tmp_path):
    serve(replay, service_formats.nws_reply())
    replay.script("/gridpoints/XYZ/1,2", problem_reply(503, "ForecastGridExpired"))
    made = plan(replay, tmp_path / "archive.sqlite", ["nws", "metno"])
    assert made.verdict == "go"
    assert made.exit_code is ExitCode.DEGRADED
    assert made.sites[0].source.source == "metno"
    assert "503 ForecastGridExpired" in only(made, "fallback_source").text("reason")


def test_a_first_source_that_has_gone_old_yields_to_a_fresh_second(replay, tmp_path):
    old = service_formats.nws_reply()
    old["properties"]["updateTime"] = (service_formats.NOW - timedelta(hours=13)).isoformat()
    serve(replay, old)
    alone = plan(replay, tmp_path / "alone.sqlite", ["nws"])
    assert alone.sites[0].source.source == "nws"
    assert alone.sites[0].source.stale
    both = plan(replay, tmp_path / "both.sqlite", ["nws", "metno"])
    assert both.sites[0].source.source == "metno"
    assert only(both, "fallback_source").text("reason") == "nws: its last forecast is 13 h old"
    assert both.sites[0].other_sources[0].summary.source == "nws"


def test_a_place_the_first_source_does_not_serve_is_no_fault(replay, tmp_path):
    replay.serve("/complete?lat=43.1&lon=-89.4", service_formats.metno_reply())
    made = plan(replay, tmp_path / "archive.sqlite", ["nws", "metno"])
    assert made.sites[0].source.source == "metno"
    assert "fallback_source" not in codes(made)


def test_the_second_source_steps_in_where_a_layer_of_the_first_ends(replay, tmp_path):
    short = service_formats.nws_reply()
    layer = short["properties"]["snowfallAmount"]
    layer["values"] = layer["values"][:40]  # ends in the middle of the storm
    serve(replay, short)
    alone = plan(replay, tmp_path / "alone.sqlite", ["nws"])
    both = plan(replay, tmp_path / "both.sqlite", ["nws", "metno"])
    modeled = "snow depth: from its water and the air temperature"
    for made in (alone, both):  # a depth of its own water is nearer than another source's
        assert any(modeled in line for line in degraded_lines(made))
    full = plan_full(replay, tmp_path)
    ours, theirs = (p.sites[0].surfaces[0].treatments[0].event for p in (both, full))
    assert ours.snowfall_cm == pytest.approx(theirs.snowfall_cm, rel=2e-3)
    assert both.sites[0].other_sources[0].differences == ()


def plan_full(replay, tmp_path):
    replay.script("/gridpoints/XYZ/1,2", ScriptedReply(service_formats.nws_reply()))
    return plan(replay, tmp_path / "full.sqlite", ["nws"])
