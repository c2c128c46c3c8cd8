"""Sources together: every place gets its forecast or the reasons why not, over real HTTP."""

import json
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from helpers.grids import NOW, gridpoint_reply, layer
from helpers.http_service import RECORDED, ScriptedReply, problem_reply
from test_http_client import BRISK, CONTACT

from stormplan.company.sites import SOURCE_KEYS, WeatherSettings
from stormplan.errors import ForecastError, InputError
from stormplan.store.archive import Archive
from stormplan.weather.forecast import REQUIRED_VARIABLES, QualityFlag, stack
from stormplan.weather.http_client import Fetcher
from stormplan.weather.providers import Location, fetch_forecasts, nws, open_sources
from stormplan.weather.providers.recorded import RecordedSource

HOUR = timedelta(hours=1)
LOT = Location("lot", 45.05, -92.95)
GRID = "/gridpoints/XYZ/1,2"
NO_STORE = {"Cache_Control": "no-cache"}


@pytest.fixture
def archive(tmp_path):
    with Archive(tmp_path / "archive.sqlite") as opened:
        yield opened


def at(replay, *names, **services):
    """The weather part of a sites file, with every service on this machine."""
    here = {"base_url": replay.base_url}
    named = names or ("nws",)
    on_net = {
        name: here | services.get(name, {}) for name in named if hasattr(WeatherSettings(), name)
    }
    return WeatherSettings.model_validate({"sources": named, **on_net})


@pytest.fixture
def run(archive, replay):
    """One run of the program: fresh sources over the archive that lasts."""

    def plan(places, now=NOW, *, offline=False):
        fetcher = Fetcher(archive, CONTACT, BRISK, offline=offline)
        try:
            return fetch_forecasts(open_sources(at(replay), fetcher), places, now)
        finally:
            fetcher.close()

    return plan


def issued(hours_after=0, **layers):
    """An invented body, issued some hours after 09:00."""
    payload = gridpoint_reply(**layers)
    moment = datetime(2026, 1, 12, 9, tzinfo=UTC) + hours_after * HOUR
    payload["properties"]["updateTime"] = moment.isoformat()
    return payload


# --- the two steps


def test_a_place_gets_the_grid_its_point_names(run, replay):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued())
    (gathered,) = run([LOT])
    assert gathered.location is LOT
    assert gathered.failure_reasons == ()
    assert gathered.forecast.cell_id == "XYZ/1,2"
    assert gathered.forecast.fetched_at == NOW
    assert not gathered.forecast.stale
    assert [request.path for request in replay.requests] == ["/points/45.05,-92.95", GRID]


@pytest.mark.parametrize(
    ("degrees", "written"),
    [(45.0, "45"), (-93.26504, "-93.265"), (40.71279, "40.7128"), (-0.00001, "0"),
     (-100.10, "-100.1"), (0.5, "0.5")],
)  # fmt: skip
def test_coordinates_are_written_as_the_service_wants_them(degrees, written):
    assert nws.format_coordinate(degrees) == written


@pytest.mark.parametrize(
    ("named", "said"),
    [
        ("https://elsewhere.invalid/gridpoints/XYZ/1,2",
         "is said to be at https://elsewhere.invalid/gridpoints/XYZ/1,2, which is not on the host"),
        (None, "names no grid ('forecastGridData')"),
        (7, "names no grid ('forecastGridData')"),
    ],
)  # fmt: skip
def test_a_grid_on_another_host_is_refused(run, replay, named, said):
    replay.script(
        "/points/45.05,-92.95", ScriptedReply({"properties": {"forecastGridData": named}})
    )
    (gathered,) = run([LOT])
    assert gathered.forecast is None
    assert said in gathered.failure_reasons[0]
    assert len(replay.requests) == 1


def test_two_hundred_sites_in_forty_cells_make_forty_grid_requests(run, replay):
    places = []
    for site in range(200):
        latitude = 45.0 + site / 1000
        replay.serve_place(f"{latitude:.3f}".rstrip("0").rstrip("."), "-93", f"XYZ/{site % 40},1",
                           issued(), **NO_STORE)  # fmt: skip
        places.append(Location(f"site {site}", latitude, -93.0))
    first = run(places)
    assert all(gathered.forecast is not None for gathered in first)
    grids = {path: n for path, n in replay.counts().items() if path.startswith("/gridpoints")}
    assert len(grids) == 40
    assert set(grids.values()) == {1}
    points = {path: n for path, n in replay.counts().items() if path.startswith("/points")}
    assert len(points) == 200
    assert set(points.values()) == {1}
    assert len({id(gathered.forecast) for gathered in first}) == 40
    assert first[3].forecast is first[43].forecast
    assert [gathered.location for gathered in first] == places

    replay.requests.clear()
    second = run(places, NOW + HOUR)
    assert all(gathered.forecast is not None for gathered in second)
    assert len(replay.requests) == 40
    assert all(path.startswith("/gridpoints") for path in replay.counts())


def test_a_point_is_looked_up_again_after_a_week(run, replay):
    def ask(days):
        payload = issued(24 * days)
        for content in payload["properties"].values():
            if isinstance(content, dict) and "values" in content:
                for entry in content["values"]:
                    start, length = entry["validTime"].split("/")
                    moved = datetime.fromisoformat(start) + timedelta(days=days)
                    entry["validTime"] = f"{moved.isoformat()}/{length}"
        replay.serve_place("45.05", "-92.95", "XYZ/1,2", payload, **NO_STORE)
        replay.requests.clear()
        assert run([LOT], NOW + timedelta(days=days))[0].forecast is not None
        return [request.path for request in replay.requests]

    assert ask(0) == ["/points/45.05,-92.95", GRID]
    assert ask(6) == [GRID]
    assert ask(7) == ["/points/45.05,-92.95", GRID]
    assert ask(13) == [GRID]


def test_a_place_outside_the_area_is_said_and_the_rest_is_planned(run, replay):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued())
    london = Location("london", 51.5074, -0.1278)
    there, here = run([london, LOT])
    assert there.forecast is None
    assert there.failure_reasons == (
        "nws: 51.5074, -0.1278 is outside the area the service covers; check the coordinates "
        "(latitude first, west is negative)",
    )
    assert here.forecast is not None
    assert replay.counts()["/points/51.5074,-0.1278"] == 1


# --- failures with and without a copy


def test_an_expired_grid_without_a_copy_leaves_that_place_without_forecast(run, replay):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued())
    replay.serve_place("46", "-92.95", "XYZ/9,9", {})
    replay.script("/gridpoints/XYZ/9,9", problem_reply(503, "ForecastGridExpired"))
    north, same_cell = Location("north", 46.0, -92.95), Location("same", 46.0, -92.95)
    first, second, third = run([north, LOT, same_cell])
    assert first.forecast is None
    assert re.search(r"XYZ/9,9: 503 ForecastGridExpired$", first.failure_reasons[0])
    assert third.failure_reasons == first.failure_reasons
    assert second.forecast is not None
    assert replay.counts()["/gridpoints/XYZ/9,9"] == 1  # the failure is shared too


def test_an_expired_grid_with_a_copy_is_planned_from_the_copy(run, replay):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued(), **NO_STORE)
    run([LOT])
    replay.script(GRID, problem_reply(503, "ForecastGridExpired"))
    (gathered,) = run([LOT], NOW + 3 * HOUR)
    cell = gathered.forecast
    assert cell.stale
    assert cell.fetched_at == NOW
    assert (
        "503 ForecastGridExpired; the copy of 2026-01-12 10:00Z stands in, 3 h old"
        in (cell.notes[0])
    )
    assert all((mark & QualityFlag.STALE).all() for mark in cell.flags.values())
    # and when the service is well again, so is the plan
    replay.serve(GRID, issued(4))
    (gathered,) = run([LOT], NOW + 4 * HOUR)
    assert not gathered.forecast.stale


def test_a_copy_that_no_longer_covers_the_day_is_no_forecast(run, replay):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued(), **NO_STORE)
    run([LOT])
    replay.script(GRID, problem_reply(500, "UnexpectedProblem"))
    (gathered,) = run([LOT], NOW + timedelta(days=3))
    assert gathered.forecast is None
    assert "500 UnexpectedProblem (5 times); the copy of" in gathered.failure_reasons[0]
    assert "72 h old; but nws XYZ/1,2: air temperature at 2 m" in gathered.failure_reasons[0]


def test_a_reply_that_cannot_be_planned_from_does_not_replace_the_copy(run, replay, archive):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued(), **NO_STORE)
    run([LOT])
    replay.serve(GRID, issued(1, temperature={"values": []}), **NO_STORE)
    (gathered,) = run([LOT], NOW + HOUR)
    assert gathered.forecast.stale
    assert (
        "air temperature at 2 m, at the start of the hour is not known"
        in (gathered.forecast.notes[0])
    )
    kept = archive.last_good_reply(replay.base_url + GRID, NOW + HOUR)
    assert json.loads(kept.body)["properties"]["temperature"]["values"]


def test_an_older_forecast_than_the_one_at_hand_is_not_taken(run, replay):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued(), **NO_STORE)
    run([LOT])
    replay.serve(GRID, issued(-20), **NO_STORE)
    (gathered,) = run([LOT], NOW + HOUR)
    assert gathered.forecast.issued_at == datetime(2026, 1, 12, 9, tzinfo=UTC)
    assert (
        "older forecast, issued 2026-01-11 13:00Z, than the one at hand"
        in (gathered.forecast.notes[0])
    )


def test_an_old_forecast_is_flagged_however_new_its_headers(run, replay):
    headers = {"Last_Modified": "Mon, 12 Oct 2026 09:58:00 GMT", "Cache_Control": "max-age=60"}
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued(-20), **headers)
    (gathered,) = run([LOT])
    assert gathered.forecast.stale
    assert gathered.forecast.notes[0] == "stale: issued 2026-01-11 13:00Z, 21 h ago"


def test_a_grid_that_is_gone_is_looked_up_anew(run, replay):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued(), **NO_STORE)
    run([LOT])
    replay.serve_place("45.05", "-92.95", "XYZ/7,7", issued(1))
    replay.script(GRID, problem_reply(404, "InvalidPoint"))
    replay.requests.clear()
    (gathered,) = run([LOT], NOW + HOUR)
    assert gathered.forecast is not None
    assert not gathered.forecast.stale
    assert [r.path for r in replay.requests] == [
        GRID,
        "/points/45.05,-92.95",
        "/gridpoints/XYZ/7,7",
    ]
    replay.requests.clear()
    run([LOT], NOW + HOUR)
    assert GRID not in replay.counts()  # the new grid is remembered


def test_a_grid_that_is_gone_for_good_leaves_its_copy(run, replay):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued(), **NO_STORE)
    run([LOT])
    replay.script(GRID, problem_reply(404, "InvalidPoint"))
    one, two = run([LOT, Location("other", 45.05, -92.95)], NOW + HOUR)
    assert one.forecast.stale
    assert "404 InvalidPoint; the copy of 2026-01-12 10:00Z stands in" in one.forecast.notes[0]
    assert two.forecast is one.forecast


def test_a_grid_that_never_was_is_said(run, replay):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued())
    replay.script(GRID, problem_reply(404, "InvalidPoint"))
    (gathered,) = run([LOT])
    assert gathered.forecast is None
    assert gathered.failure_reasons[0].endswith("/gridpoints/XYZ/1,2: 404 InvalidPoint")


def test_an_old_point_serves_while_the_lookup_fails(run, replay, archive):
    archive.add_grid_lookup(
        f"{replay.base_url}/points/45.05,-92.95", replay.base_url + GRID, NOW - timedelta(days=9)
    )
    replay.script("/points/45.05,-92.95", problem_reply(500, "UnexpectedProblem"))
    replay.serve(GRID, issued())
    (gathered,) = run([LOT])
    assert gathered.forecast.cell_id == "XYZ/1,2"


def test_a_lookup_that_fails_is_said(run, replay):
    replay.script(
        "/points/45.05,-92.95", ScriptedReply("<HTML>", 403, {"Content-Type": "text/html"})
    )
    (gathered,) = run([LOT])
    assert gathered.forecast is None
    assert (
        "/points/45.05,-92.95: 403 with a page that is not the service's"
        in gathered.failure_reasons[0]
    )


def test_a_past_morning_is_planned_from_what_was_known_then(run, replay, archive):
    replay.serve_place("45.05", "-92.95", "XYZ/1,2", issued(), **NO_STORE)
    run([LOT])
    warmer = issued(6, temperature=layer("wmoUnit:degC", (6, "P3D", 3.0)))
    replay.serve(GRID, warmer, **NO_STORE)
    (later,) = run([LOT], NOW + 6 * HOUR)
    replay.requests.clear()
    (then,) = run([LOT], NOW + HOUR, offline=True)
    assert replay.requests == []
    assert later.forecast.values["air_temp_c"][0, 0] == 3.0
    assert then.forecast.values["air_temp_c"][0, 0] == -2.0
    assert not then.forecast.stale
    (before,) = run([LOT], NOW - HOUR, offline=True)
    host = replay.base_url.removeprefix("http://")
    assert before.failure_reasons == (
        f"{host}: nothing in the archive from before the moment planned for",
    )


# --- several sources


def test_the_next_source_is_asked_when_the_first_has_none(archive, replay, tmp_path):
    (tmp_path / "storm.json").write_text(json.dumps(gridpoint_reply()))
    replay.script("/points/45.05,-92.95", problem_reply(500, "UnexpectedProblem"))
    fetcher = Fetcher(archive, CONTACT, BRISK)
    sources = [*open_sources(at(replay), fetcher), RecordedSource(tmp_path)]
    (gathered,) = fetch_forecasts(sources, [LOT], NOW)
    assert gathered.forecast.source == "recorded"
    assert "500 UnexpectedProblem" in gathered.failure_reasons[0]
    fetcher.close()


def test_every_source_a_sites_file_may_name_can_be_opened(archive, replay, tmp_path):
    (tmp_path / "storm.json").write_text(json.dumps(gridpoint_reply()))
    weather = {"sources": SOURCE_KEYS, "recorded": ".", "tables": {"lot": "lot.csv"}}
    for name in ("openmeteo", "openmeteo_ensemble"):
        weather[name] = {"non_commercial": True}
    fetcher = Fetcher(archive, CONTACT, BRISK)
    assert len(open_sources(WeatherSettings.model_validate(weather), fetcher, tmp_path)) == len(
        SOURCE_KEYS
    )
    fetcher.close()


@pytest.mark.parametrize(("latitude", "longitude"), [(91, 0), (0, 181), (float("nan"), 0)])
def test_a_place_that_is_none_is_refused(latitude, longitude):
    with pytest.raises(InputError, match=r"lot: .* is not a place; latitude is -90 to 90"):
        Location("lot", latitude, longitude)


# --- recorded files


def test_recorded_files_serve_the_nearest_cell(tmp_path):
    (tmp_path / "storm.json").write_text(json.dumps(gridpoint_reply()))
    (tmp_path / "point.json").write_text('{"properties": {"forecastGridData": "x"}}')
    (tmp_path / "notes.txt").write_text("not read")
    source = RecordedSource(tmp_path, credit="An invented storm")
    near = [Location("a", 45.05, -92.95), Location("b", 45.2, -92.95), Location("c", 45.9, -92.95)]
    one, two, three = fetch_forecasts([source], near, NOW)
    assert one.forecast is two.forecast
    assert (one.forecast.source, one.forecast.credit) == ("recorded", "An invented storm")
    assert one.forecast.fetched_at == one.forecast.issued_at
    # 0.85 degrees of latitude at 111.2 km
    assert three.failure_reasons == (
        "recorded: the nearest recorded cell, XYZ/1,2, is 95 km away from 45.9, -92.95; up to "
        "25 km is used",
    )


def test_one_damaged_file_costs_only_the_sites_that_need_it(tmp_path):
    (tmp_path / "storm.json").write_text(json.dumps(gridpoint_reply()))
    (tmp_path / "torn.json").write_text('{"properties": {')
    hollow = gridpoint_reply()
    del hollow["geometry"]
    (tmp_path / "hollow.json").write_text(json.dumps(hollow))
    near, far = fetch_forecasts(
        [RecordedSource(tmp_path)], [Location("a", 45.05, -92.95), Location("c", 45.9, -92.95)], NOW
    )
    for name in ("torn.json", "hollow.json"):
        assert any(note.startswith(f"{name} passed over: ") for note in near.forecast.notes)
        assert f"{name} passed over: " in far.failure_reasons[0]


def test_a_folder_without_recordings_is_said(tmp_path):
    with pytest.raises(ForecastError, match="no gridded forecast among the files of"):
        RecordedSource(tmp_path)
    (tmp_path / "torn.json").write_text('{"properties": {')
    with pytest.raises(ForecastError, match=r"torn\.json passed over: cannot be read as JSON"):
        RecordedSource(tmp_path)
    with pytest.raises(ForecastError, match="is not a folder"):
        RecordedSource(tmp_path / "nowhere")


@pytest.mark.samples
@pytest.mark.parametrize("office", RECORDED)
def test_recorded_bodies_come_whole_through_both_steps(run, replay, samples, office):
    served = replay.serve_recorded(samples, office)
    now = served.issued_at
    place = Location(office, served.latitude_deg, served.longitude_deg)
    (gathered,) = run([place], now)
    cell = gathered.forecast
    given = json.loads((samples / "nws" / RECORDED[office].grid).read_text())["properties"]
    for name, layer_name, scale in (
        ("precip_mm", "quantitativePrecipitation", 1),
        ("snowfall_cm", "snowfallAmount", 10),
        ("ice_accretion_mm", "iceAccumulation", 1),
    ):
        total = sum(entry["value"] for entry in given[layer_name]["values"])
        assert np.nansum(cell.values[name]) * scale == pytest.approx(total, abs=1e-6)
    day = stack([cell], now, 24)
    assert all(np.isfinite(day[name]).all() for name in REQUIRED_VARIABLES)


@pytest.mark.samples
def test_recorded_problems_are_said_by_their_names(run, replay, samples):
    for number, item in enumerate(
        json.loads((samples / "nws" / "problems_transcribed.json").read_text())
    ):
        latitude = 40 + number
        body, kind = item["body"], {"Content-Type": item["content_type"]}
        replay.script(f"/points/{latitude},-90", ScriptedReply(body, item["status"], kind))
        (gathered,) = run([Location("lot", latitude, -90.0)])
        named = body["type"].rsplit("/")[-1] if isinstance(body, dict) else "not the service's"
        said = "outside the area" if named == "InvalidPoint" else f"{item['status']}"
        assert said in gathered.failure_reasons[0]
        assert named in gathered.failure_reasons[0] or named == "InvalidPoint"
