"""Gathering forecasts over real HTTP: damaged on the way, late, hanging, or from the future."""

import gzip
import json
import socket
import time
from datetime import timedelta

import pytest
from helpers import damaged_forecasts as damaged
from helpers import service_formats as formats
from helpers.http_service import GEO_JSON, PROBLEM_JSON, ScriptedReply, problem_reply
from helpers.sites import parse_sites, site_entry
from test_http_client import BRISK, CONTACT

from stormplan.company.practice_rules import RULES
from stormplan.errors import ExitCode
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.weather.http_client import ClientPolicy, Fetcher, FetchError
from stormplan.weather.http_policy import DEFAULT_RETRY
from stormplan.weather.providers import Location, fetch_forecasts, nws
from stormplan.words.diagnostic_text import problem_lines

GRID = "XYZ/1,2"
HOUR = timedelta(hours=1)
NO_STORE = {"Cache_Control": "no-cache"}
HANG_S = 2.0  # longer than the client waits for an answer


@pytest.fixture
def archive(tmp_path):
    with Archive(tmp_path / "archive.sqlite") as opened:
        yield opened


def plan(replay, archive, now=formats.NOW, *, offline=False, **company):
    sites = parse_sites(
        {
            "a": site_entry(
                formats.LATITUDE,
                formats.LONGITUDE,
                {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}},
            )
        },
        replay.base_url,
        policy={"horizon": "36 h"},
        **company,
    )
    return pipeline.plan_and_store(sites, archive, now, offline=offline, client_policy=BRISK)


def serve(replay, body, **headers):
    place = f"{formats.LATITUDE:g}", f"{formats.LONGITUDE:g}"
    replay.serve_place(*place, GRID, body, **(headers or NO_STORE))


def issued(after, body=None):
    body = body or formats.nws_reply()
    body["properties"]["updateTime"] = (formats.ISSUED + after).isoformat()
    return body


def test_a_null_in_a_new_body_takes_the_older_copy_of_that_layer_alone(replay, archive):
    serve(replay, issued(timedelta(0)))
    first = plan(replay, archive)
    broken = issued(HOUR)
    del broken["properties"]["weather"]
    for entry in damaged.nws_values(broken, "quantitativePrecipitation"):
        entry["value"] = None
    serve(replay, broken)
    second = plan(replay, archive, formats.NOW + HOUR)
    assert first.verdict == second.verdict == "go"
    assert second.exit_code is ExitCode.DEGRADED
    assert "precipitation: from its own copy of 1 h before" in damaged.said(second)
    assert second.sites[0].source.issued_at == formats.ISSUED + HOUR
    replayed = plan(replay, archive, formats.NOW + HOUR, offline=True)
    assert replayed.forecasts == second.forecasts


def test_a_body_from_the_future_does_not_shut_out_the_ones_after_it(replay, archive):
    serve(replay, issued(timedelta(days=3)))
    first = plan(replay, archive)
    assert "not believed" in damaged.said(first)
    serve(replay, issued(2 * HOUR))
    second = plan(replay, archive, formats.NOW + 2 * HOUR)
    assert second.sites[0].source.issued_at == formats.ISSUED + 2 * HOUR
    assert damaged.said(second) == ""


def test_a_body_damaged_in_its_packing_is_asked_for_again(replay, archive):
    packed = gzip.compress(json.dumps(formats.nws_reply()).encode())
    headers = GEO_JSON | {"Content-Encoding": "gzip"}
    serve(replay, formats.nws_reply())
    replay.script(
        f"/gridpoints/{GRID}",
        ScriptedReply(b"\x1f\x8b\x08\x00" + b"\xff" * 200, 200, headers),
        ScriptedReply(packed, 200, headers),
    )
    assert damaged.said(plan(replay, archive)) == ""
    assert replay.counts()[f"/gridpoints/{GRID}"] == 2


@pytest.mark.parametrize(("headers", "requests"), [({"Retry-After": "0"}, 2), ({}, 1)])
def test_an_expired_grid_is_asked_for_again_where_the_service_says_when(
    replay, archive, headers, requests
):
    serve(replay, formats.nws_reply())
    expired = problem_reply(503, "ForecastGridExpired")
    replay.script(
        f"/gridpoints/{GRID}",
        ScriptedReply(expired.body, 503, PROBLEM_JSON | headers),
        ScriptedReply(formats.nws_reply()),
    )
    found = plan(replay, archive)
    assert replay.counts()[f"/gridpoints/{GRID}"] == requests
    assert (found.sites[0].source is not None) == (requests == 2)


def closed_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


@pytest.mark.parametrize(
    ("url", "reason"),
    [
        (lambda replay: f"http://127.0.0.1:{closed_port()}/x", "connection refused"),
        (lambda replay: "http://nowhere.invalid/x", "its name cannot be looked up (DNS)"),
        (lambda replay: replay.base_url.replace("http:", "https:") + "/x", "TLS"),
    ],
)
def test_faults_of_the_connection_are_told_apart(replay, archive, url, reason):
    policy = ClientPolicy(0.0, 0.0, timeout_s=(2.0, 2.0), retry=DEFAULT_RETRY.new(total=0))
    fetcher = Fetcher(archive, CONTACT, policy)
    with pytest.raises(FetchError, match=reason.replace("(", r"\(").replace(")", r"\)")):
        fetcher.get(url(replay), formats.NOW)
    fetcher.close()


def test_a_proxy_that_is_not_there_is_named(archive, monkeypatch):
    monkeypatch.setenv("http_proxy", f"http://127.0.0.1:{closed_port()}")
    fetcher = Fetcher(archive, CONTACT, BRISK)
    with pytest.raises(FetchError, match="through the proxy: check HTTPS_PROXY"):
        fetcher.get("http://service.example/x", formats.NOW)
    fetcher.close()


def test_cells_that_hang_are_bounded_and_the_rest_is_planned(replay, archive):
    """A hundred cells, every fifth hangs: within the budget, and the others have a forecast."""
    body = json.dumps(formats.nws_reply())
    places = []
    for index in range(100):
        latitude = 43.0 + index / 1000
        written = f"{latitude:.3f}".rstrip("0").rstrip(".")
        replay.serve_place(written, "-89.4", f"XYZ/{index},1", body)
        if index % 5 == 2:
            replay.script(f"/gridpoints/XYZ/{index},1", ScriptedReply(body, delay_s=HANG_S))
        places.append(Location(f"site {index}", latitude, -89.4))
    budget_s = 20.0
    # an answer that is not held up has a second, also on a busy machine
    policy = ClientPolicy(0.0, 0.0, timeout_s=(5.0, 1.0), retry=BRISK.retry)
    fetcher = Fetcher(archive, CONTACT, policy, budget_s=budget_s)
    started = time.monotonic()
    found = fetch_forecasts([nws.NwsSource(fetcher, replay.base_url)], places, formats.NOW)
    took_s = time.monotonic() - started
    fetcher.close()
    assert took_s < budget_s + 2.0
    hanging = {index for index in range(100) if index % 5 == 2}
    assert {i for i, one in enumerate(found) if one.forecast is None} == hanging
    assert all("no answer in time" in found[index].failure_reasons[0] for index in hanging)


def test_what_the_budget_leaves_out_is_said(replay, archive):
    places = []
    for index in range(40):
        written = f"{43 + index / 100:.2f}".rstrip("0").rstrip(".")
        replay.serve_place(written, "-89.4", f"XYZ/{index},1", formats.nws_reply())
        replay.script(f"/gridpoints/XYZ/{index},1", ScriptedReply(formats.nws_reply(), delay_s=0.5))
        places.append(Location(f"site {index}", float(written), -89.4))
    policy = ClientPolicy(0.0, 0.0, timeout_s=(1.0, 5.0), retry=BRISK.retry)
    fetcher = Fetcher(archive, CONTACT, policy, budget_s=1.2)
    started = time.monotonic()
    found = fetch_forecasts([nws.NwsSource(fetcher, replay.base_url)], places, formats.NOW)
    assert time.monotonic() - started < 4.0
    fetcher.close()
    left_out = [one for one in found if one.forecast is None]
    assert left_out
    assert (
        "the time for asking, 0.02 min, is over (rule gather_budget)"
        in (left_out[-1].failure_reasons[0])
    )


def test_the_budget_is_a_rule_of_practice():
    assert RULES["gather_budget"].default_value == pytest.approx(5 / 60)  # 5 min in hours


def test_a_table_is_planned_again_as_it_was_and_not_as_it_is_today(replay, archive, tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(formats.table_csv(), encoding="utf-8")
    sites = parse_sites(
        {"a": site_entry(formats.LATITUDE, formats.LONGITUDE)},
        weather={"sources": ["table"], "tables": {"a": "a.csv"}},
        policy={"horizon": "36 h"},
    )
    first = pipeline.plan_and_store(
        sites, archive, formats.NOW, client_policy=BRISK, sites_folder=tmp_path
    )
    assert first.verdict == "go"
    calm = "\n".join(
        line if index == 0 else ",".join([*line.split(",")[:5], "0", "0", "0"])
        for index, line in enumerate(formats.table_csv().splitlines())
    )
    file.write_text(calm, encoding="utf-8")
    replayed = pipeline.plan_and_store(
        sites, archive, formats.NOW, offline=True, client_policy=BRISK, sites_folder=tmp_path
    )
    assert replayed.forecasts == first.forecasts
    before = pipeline.plan_and_store(
        sites, archive, formats.NOW - HOUR, offline=True, client_policy=BRISK,
        sites_folder=tmp_path,
    )  # fmt: skip
    assert "nothing in the archive from before" in damaged.said(before)


def test_a_source_that_the_archive_does_not_have_is_told_in_one_line(replay, archive, tmp_path):
    """Planned again with a source that was not named then: five places, each at its own address."""
    names = [f"s{n}" for n in range(5)]
    places = {
        name: site_entry(formats.LATITUDE + n / 10, formats.LONGITUDE, name=f"Site {n}")
        for n, name in enumerate(names)
    }
    for name in names:
        (tmp_path / f"{name}.csv").write_text(formats.table_csv(), encoding="utf-8")
    tables = {"tables": {name: f"{name}.csv" for name in names}}

    def planned(now, *sources, offline):
        metno = {"metno": {"base_url": replay.base_url}}
        weather = {"sources": list(sources)} | tables | metno
        sites = parse_sites(places, weather=weather, policy={"horizon": "36 h"})
        return pipeline.plan_and_store(
            sites, archive, now, offline=offline, client_policy=BRISK, sites_folder=tmp_path
        )

    planned(formats.NOW, "table", offline=False)
    replay.requests.clear()
    host = replay.base_url.removeprefix("http://")
    unknown = "nothing in the archive from before the moment planned for"
    where = "Site 0, Site 1, Site 2 and 2 more"
    again = planned(formats.NOW, "table", "metno", offline=True)
    assert f"{where}: no forecast to compare with ({host}: {unknown})" in problem_lines(again)
    second = planned(formats.NOW, "metno", "table", offline=True)
    assert f"{where}: planned from table ({host}: {unknown})" in problem_lines(second)
    before = planned(formats.NOW - HOUR, "table", "metno", offline=True)
    assert problem_lines(before) == (f"{where}: no forecast (table: {unknown}; {host}: {unknown})",)
    assert replay.requests == []


def test_a_recorded_forecast_from_after_the_moment_is_not_used(archive, tmp_path):
    body = issued(timedelta(0))
    (tmp_path / "grid.json").write_text(json.dumps(body), encoding="utf-8")
    sites = parse_sites(
        {"a": site_entry(formats.LATITUDE, formats.LONGITUDE)},
        weather={"sources": ["recorded"], "recorded": str(tmp_path)},
    )
    plan_before = pipeline.plan_and_store(
        sites, archive, formats.ISSUED - HOUR, client_policy=BRISK, sites_folder=tmp_path
    )
    assert "issued after 2026-01-12 08:00Z" in damaged.said(plan_before)
