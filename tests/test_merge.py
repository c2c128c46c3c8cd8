"""Where one source stops knowing and the next steps in, hour by hour and marked."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from helpers import service_formats
from helpers.diagnostics import codes, degraded_lines, note_lines, only
from helpers.http_service import ScriptedReply, problem_reply
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import parse_sites, site_entry

from stormplan.errors import ExitCode
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.weather.forecast import QualityFlag
from stormplan.weather.http_client import ClientPolicy
from stormplan.weather.providers.merge import AIR_GROUP, PRECIP_GROUP, fill_gaps

DAY = timedelta(hours=24)


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


def test_a_forecast_that_knows_everything_stays_the_same_object():
    first = ours()
    assert fill_gaps(first, [theirs()], NOON, NOON + 2 * DAY) is first
    assert fill_gaps(ours(air_temp_c=30), [], NOON, NOON + 2 * DAY).source == "nws"


def test_each_group_is_handed_over_whole_from_where_it_ends():
    joined = fill_gaps(ours(air_temp_c=30, precip_mm=40), [theirs()], NOON, NOON + 2 * DAY)
    temp, snow = joined.values["air_temp_c"][:, 0], joined.values["snowfall_swe_mm"][:, 0]
    assert temp[:30] == pytest.approx([-1.0] * 30)
    assert temp[30:] == pytest.approx([-7.0] * 18)
    assert snow[:40] == pytest.approx([0.0] * 40)
    assert snow[40:] == pytest.approx([0.5] * 8)
    for name in ("dew_point_c", "wind_10m_ms", "cloud_frac"):  # with the air, though known
        assert (joined.flags[name][30:] & QualityFlag.FROM_OTHER_SOURCE).all()
    assert not (joined.flags["air_temp_c"][:30] & QualityFlag.FROM_OTHER_SOURCE).any()
    assert (joined.flags["pop"][40:] & QualityFlag.FROM_OTHER_SOURCE).all()
    assert joined.notes[:2] == (
        "air: from metno in 18 h, first 2026-01-14 00:00Z, where nws says nothing",
        "water: from metno in 8 h, first 2026-01-14 10:00Z, where nws says nothing",
    )
    assert joined.credit == "Ours; Theirs"
    assert joined.cell_id == "TST/1,1 + metno B/1"


def test_hours_after_the_first_ends_are_filled_up_to_the_horizon():
    joined = fill_gaps(ours(), [theirs()], NOON, NOON + timedelta(hours=55))
    assert joined.n_hours == 55
    assert joined.values["air_temp_c"][47:49, 0] == pytest.approx([-1.0, -7.0])


def test_hours_before_now_are_nobodys_business():
    first = ours()
    first.values["air_temp_c"][:5] = np.nan
    assert fill_gaps(first, [theirs()], NOON + timedelta(hours=5), NOON + DAY) is first


def test_what_nobody_knows_stays_unknown_and_the_next_one_is_asked():
    half = theirs()
    for name in AIR_GROUP:
        if name in half.values:
            half.values[name][34:] = np.nan
    third = replace(theirs(), source="openmeteo", cell_id="C/1", stale=True)
    joined = fill_gaps(ours(air_temp_c=30), [half, third], NOON, NOON + 3 * DAY)
    marks = joined.flags["air_temp_c"]
    assert (marks[30:60] & QualityFlag.FROM_OTHER_SOURCE).all()
    assert joined.values["air_temp_c"][30:60, 0] == pytest.approx([-7.0] * 30)
    assert np.isnan(joined.values["air_temp_c"][60:]).all()
    assert joined.stale  # leans on one that is
    assert joined.cell_id == "TST/1,1 + metno B/1 + openmeteo C/1"


def test_an_amount_and_its_phases_never_come_from_two_sources():
    joined = fill_gaps(ours(snowfall_cm=20), [theirs()], NOON, NOON + 2 * DAY)
    handed = {
        name: (joined.flags[name] & QualityFlag.FROM_OTHER_SOURCE)
        .astype(bool)[:48]
        .nonzero()[0]
        .tolist()
        for name in PRECIP_GROUP
    }
    assert all(hours == list(range(20, 48)) for hours in handed.values())


def test_members_of_the_first_are_kept_and_the_others_control_run_steps_in():
    first = ours(air_temp_c=30)
    many = replace(
        first, values={name: array.repeat(3, axis=1) for name, array in first.values.items()}
    )
    joined = fill_gaps(many, [theirs()], NOON, NOON + 2 * DAY)
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
    assert any("snow not forecast" in line for line in degraded_lines(alone))
    assert degraded_lines(both) == ()
    assert any("water: from metno in " in line for line in note_lines(both))
    full = plan_full(replay, tmp_path)
    ours, theirs = (p.sites[0].surfaces[0].treatments[0].event for p in (both, full))
    assert ours.snowfall_cm == pytest.approx(theirs.snowfall_cm, rel=2e-3)
    assert both.sites[0].other_sources[0].differences == ()


def plan_full(replay, tmp_path):
    replay.script("/gridpoints/XYZ/1,2", ScriptedReply(service_formats.nws_reply()))
    return plan(replay, tmp_path / "full.sqlite", ["nws"])
