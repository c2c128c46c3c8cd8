"""The polite client: rules on their own, then every kind of failure over real HTTP."""

import re
import sqlite3
import zlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
import responses
from helpers.http_service import (
    GEO_JSON,
    PROBLEM_JSON,
    ScriptedReply,
    problem_reply,
    run_weather_server,
)
from responses.registries import OrderedRegistry

from stormplan import __version__
from stormplan.errors import ForecastError, InputError
from stormplan.store.archive import Archive
from stormplan.weather.http_client import ClientPolicy, Fetcher, FetchError, ServiceTerms
from stormplan.weather.http_policy import DEFAULT_RETRY, classify_response, fresh_until, origin

NOW = datetime(2026, 1, 12, 10, tzinfo=UTC)
HOUR = timedelta(hours=1)
CONTACT = "ops@example.com"
PATH = "/gridpoints/XYZ/1,2"
BRISK = ClientPolicy(
    min_interval_s=0.0,
    min_throttle_wait_s=0.0,
    timeout_s=(1.0, 0.3),
    retry=DEFAULT_RETRY.new(backoff_factor=0.0, backoff_jitter=0.0),
)


@pytest.fixture
def archive(tmp_path):
    with Archive(tmp_path / "archive.sqlite") as opened:
        yield opened


@pytest.fixture
def fetcher(archive):
    client = Fetcher(archive, CONTACT, BRISK)
    yield client
    client.close()


def bodies(archive):
    """Every reply kept: status, whether good, in order."""
    with sqlite3.connect(archive.path) as raw:
        rows = raw.execute("SELECT status, good FROM reply ORDER BY id").fetchall()
    raw.close()
    return rows


def ok(body="first", **headers):
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return ScriptedReply({"is": body}, 200, GEO_JSON | named)


# --- the rules on their own


@pytest.mark.parametrize(
    ("status", "kind", "body", "good", "again", "reason"),
    [
        (200, "application/geo+json", b"{}", True, False, ""),
        (200, "application/json", b"[]", True, False, ""),
        (200, "application/geo+json", b'{"a": [1, 2', False, True, "body cut short or garbled"),
        (200, "text/html", b"<html>", False, True, "200 with text/html instead of JSON"),
        (200, "application/problem+json", b"{}", False, False, "200"),
        (403, "text/html", b"<HTML>", False, True, "403 with a page that is not the service's"),
        (503, "text/html", b"<HTML>", False, True, "503 with a page that is not the service's"),
        (403, "application/problem+json", b"{}", False, False, "403"),
        (429, "application/problem+json", b"{}", False, True, "429"),
        (500, "application/problem+json", b'{"type": "https://x/problems/UnexpectedProblem"}',
         False, True, "500 UnexpectedProblem"),
        (503, "application/problem+json", b'{"type": "https://x/problems/ForecastGridExpired"}',
         False, False, "503 ForecastGridExpired"),
        (404, "application/problem+json", b'{"type": "https://x/problems/InvalidPoint"}',
         False, False, "404 InvalidPoint"),
        (400, "application/problem+json", b'{"title": "Bad Request"}', False, False, "400 Bad"),
        (404, "text/html", b"", False, False, "404 with text/html instead of JSON"),
    ],
)  # fmt: skip
def test_what_an_answer_is_worth(status, kind, body, good, again, reason):
    verdict = classify_response(status, {"content-type": kind}, body)
    assert (verdict.good, verdict.retryable) == (good, again)
    assert verdict.reason.startswith(reason) or reason in verdict.reason


@pytest.mark.parametrize(
    ("headers", "seconds"),
    [
        ({}, 0),
        ({"cache-control": "public, max-age=1336, s-maxage=3600"}, 1336),
        ({"cache-control": "public, max-age=1336", "age": "336"}, 1000),
        ({"cache-control": "max-age=10", "age": "336"}, 0),
        ({"cache-control": "max-age=99999999"}, 86_400),
        ({"cache-control": "no-cache, max-age=60"}, 0),
        ({"cache-control": "max-age=soon"}, 0),
        # as recorded: the service's clock against itself
        ({"date": "Tue, 20 Jan 2026 18:51:02 GMT", "expires": "Tue, 20 Jan 2026 20:25:04 GMT"},
         5642),
        ({"date": "Tue, 20 Jan 2026 18:51:02 GMT", "expires": "Tue, 20 Jan 2026 12:00:00 GMT"}, 0),
        ({"expires": "Tue, 20 Jan 2026 20:25:04 GMT"}, 0),
        ({"date": "today", "expires": "tomorrow"}, 0),
        ({"date": "Tue, 20 Jan 2026 18:51:02", "expires": "Tue, 20 Jan 2026 20:25:04 GMT"}, 0),
    ],
)  # fmt: skip
def test_how_long_a_reply_is_fresh(headers, seconds):
    assert fresh_until(headers, NOW) == NOW + timedelta(seconds=seconds)


def test_the_origin_is_scheme_host_and_port():
    assert origin("https://Example.com/a") == origin("https://example.com/b?c")
    assert origin("https://example.com/a") != origin("http://example.com/a")
    assert origin("http://example.com:1/a") != origin("http://example.com:2/a")


@pytest.mark.parametrize("contact", ["", "  ", "ops@exämple.com", "a\r\nX-Evil: b"])
def test_without_a_contact_nobody_is_asked(archive, contact):
    with pytest.raises(InputError, match=r"contact '.*' cannot be sent .* 'ops@example\.com'"):
        Fetcher(archive, contact)


# --- over HTTP


def test_every_request_says_who_asks_and_for_what(fetcher, replay):
    replay.script(PATH, ok())
    reply = fetcher.get(replay.base_url + PATH, NOW)
    assert (reply.payload, reply.state, reply.fetched_at) == ({"is": "first"}, "fresh", NOW)
    headers = replay.requests[0].headers
    assert headers["user-agent"] == f"stormplan/{__version__} ({CONTACT})"
    assert headers["accept"] == "application/geo+json"
    assert "if-modified-since" not in headers


def test_a_fresh_copy_makes_no_request(fetcher, replay):
    replay.script(PATH, ok(Cache_Control="max-age=3600"), ok("second"))
    url = replay.base_url + PATH
    fetcher.get(url, NOW)
    again = fetcher.get(url, NOW + HOUR / 2)
    assert (again.state, again.payload, again.fetched_at) == ("cached", {"is": "first"}, NOW)
    assert len(replay.requests) == 1
    assert fetcher.get(url, NOW + HOUR).payload == {"is": "second"}
    assert fetcher.get(url, NOW + HOUR, recheck=True).state == "fresh"


# the second has been seen: weeks in the future, and not even a day that exists
@pytest.mark.parametrize("modified", ["Mon, 12 Jan 2026 09:58:00 GMT", "Mon, 28 Sep 2026 99:00"])
def test_not_modified_keeps_the_copy_and_sends_the_exact_string(fetcher, archive, replay, modified):
    unchanged = ScriptedReply(b"", 304, {"Cache-Control": "max-age=600"})
    replay.script(PATH, ok(Last_Modified=modified), unchanged)
    url = replay.base_url + PATH
    fetcher.get(url, NOW)
    reply = fetcher.get(url, NOW + HOUR)
    assert (reply.state, reply.payload, reply.fetched_at) == ("confirmed", {"is": "first"}, NOW)
    assert replay.requests[1].headers["if-modified-since"] == modified
    assert fetcher.get(url, NOW + HOUR + timedelta(seconds=599)).state == "cached"
    fetcher.get(url, NOW + 2 * HOUR)
    assert replay.requests[2].headers["if-modified-since"] == modified
    assert bodies(archive) == [(200, 1)]


def test_three_errors_then_an_answer(fetcher, archive, replay):
    replay.script(PATH, *[problem_reply(500, "UnexpectedProblem")] * 3, ok())
    assert fetcher.get(replay.base_url + PATH, NOW).state == "fresh"
    assert bodies(archive) == [(500, 0)] * 3 + [(200, 1)]


def test_no_end_of_errors_is_said_with_what_was_tried(fetcher, replay):
    replay.script(PATH, problem_reply(502, "BadGateway"), problem_reply(500, "UnexpectedProblem"))
    with pytest.raises(
        FetchError,
        match=re.escape(f"{PATH}: 502 BadGateway, then 500 UnexpectedProblem (4 times)"),
    ) as caught:
        fetcher.get(replay.base_url + PATH, NOW)
    assert caught.value.status == 500
    assert len(replay.requests) == 5


FAULTS = {
    "expired grid": (problem_reply(503, "ForecastGridExpired"), "503 ForecastGridExpired", 1),
    "outage": (
        problem_reply(503, "UnavailableWebService"),
        "503 UnavailableWebService (5 times)",
        5,
    ),
    "refused page": (
        ScriptedReply("<HTML>Access Denied</HTML>", 403, {"Content-Type": "text/html"}),
        "403 with a page that is not the service's (too fast, or refused) (5 times)",
        5,
    ),
    "page instead of a forecast": (
        ScriptedReply("<html>log in", 200, {"Content-Type": "text/html"}),
        "200 with text/html instead of JSON (5 times)",
        5,
    ),
    "cut short": (
        ScriptedReply({"is": "long" * 99}, truncate_at=40),
        "the answer broke off (5 times)",
        5,
    ),
    "cut short, length not said": (
        ScriptedReply('{"is": "lo'),
        "200 with a body cut short or garbled (5 times)",
        5,
    ),
    "connection reset": (
        ScriptedReply(reset=True),
        "no connection: it was cut off; check the network (5 times)",
        5,
    ),
    "too slow": (ScriptedReply({}, delay_s=1.0), "no answer in time (2 times)", 2),
}


@pytest.mark.parametrize(("fault", "said", "times"), FAULTS.values(), ids=FAULTS)
def test_a_fault_without_a_copy_is_said(fetcher, archive, replay, fault, said, times):
    if fault.delay_s:
        fetcher = Fetcher(archive, CONTACT, replace(BRISK, timeout_s=(1.0, 0.05)))
    replay.script(PATH, fault)
    with pytest.raises(ForecastError, match=re.escape(f"{PATH}: {said}")):
        fetcher.get(replay.base_url + PATH, NOW)
    assert len(replay.requests) == times
    assert archive.last_good_reply(replay.base_url + PATH, NOW) is None
    fetcher.close()


@pytest.mark.parametrize(("fault", "said", "times"), FAULTS.values(), ids=FAULTS)
def test_a_fault_with_a_copy_leaves_the_copy_standing_in(
    fetcher, archive, replay, fault, said, times
):
    url = replay.base_url + PATH
    replay.script(PATH, ok())
    fetcher.get(url, NOW - 6 * HOUR)
    if fault.delay_s:
        fetcher = Fetcher(archive, CONTACT, replace(BRISK, timeout_s=(1.0, 0.05)))
    replay.script(PATH, fault)
    reply = fetcher.get(url, NOW)
    assert (reply.state, reply.payload) == ("stale", {"is": "first"})
    assert reply.fetched_at == NOW - 6 * HOUR
    assert reply.reason == (f"{url}: {said}; the copy of 2026-01-12 04:00Z stands in, 6 h old")
    # nothing lost, nothing overwritten, and it stands in again tomorrow
    assert archive.last_good_reply(url, NOW).body == b'{"is": "first"}'
    assert bodies(archive)[0] == (200, 1)
    assert all(good == 0 for _, good in bodies(archive)[1:])
    fetcher.close()


def test_not_modified_without_a_copy_is_no_answer(fetcher, replay):
    replay.script(PATH, ScriptedReply(b"", 304), ok())
    assert fetcher.get(replay.base_url + PATH, NOW).payload == {"is": "first"}


def test_a_body_that_cannot_be_used_is_kept_as_bad(fetcher, archive, replay):
    def check(payload):
        if payload["is"] != "first":
            raise ForecastError("the forecast has holes")

    url = replay.base_url + PATH
    replay.script(PATH, ok(), ok("holes"))
    assert fetcher.get(url, NOW, check).state == "fresh"
    reply = fetcher.get(url, NOW + HOUR, check)
    assert (reply.state, reply.payload) == ("stale", {"is": "first"})
    assert "the forecast has holes; the copy of" in reply.reason
    assert bodies(archive) == [(200, 1), (200, 0)]


def test_not_found_is_final_and_never_remembered(fetcher, replay):
    url = replay.base_url + PATH
    replay.script(PATH, ok(), problem_reply(404, "InvalidPoint"), ok("back"))
    fetcher.get(url, NOW)
    with pytest.raises(FetchError, match="404 InvalidPoint") as caught:
        fetcher.get(url, NOW + HOUR)
    assert caught.value.status == 404
    # the service calls this cacheable for a day; a mended coordinate must not wait that long
    assert fetcher.get(url, NOW + HOUR).payload == {"is": "back"}


def test_a_page_that_is_not_the_services_says_nothing_about_the_address(fetcher, replay):
    replay.script(PATH, ScriptedReply("<html>", 404, {"Content-Type": "text/html"}))
    with pytest.raises(FetchError, match="404 with text/html instead of JSON") as caught:
        fetcher.get(replay.base_url + PATH, NOW)
    assert caught.value.status is None


def moved(to):
    return ScriptedReply({"status": 301}, 301, PROBLEM_JSON | {"Location": to})


def test_sent_on_to_the_short_form_of_the_coordinates(fetcher, replay):
    replay.script("/points/44.9000,-93.2", moved("/points/44.9,-93.2"))
    replay.script("/points/44.9,-93.2", ok())
    assert fetcher.get(f"{replay.base_url}/points/44.9000,-93.2", NOW).state == "fresh"


def test_sent_on_to_another_host_is_refused(fetcher, replay):
    replay.script(PATH, moved("https://example.invalid/gridpoints/XYZ/1,2"))
    with pytest.raises(FetchError, match=r"sent on to another host \(https://example\.invalid/"):
        fetcher.get(replay.base_url + PATH, NOW)
    assert len(replay.requests) == 1


def test_sent_on_in_a_circle_ends(fetcher, replay):
    replay.script(PATH, moved(PATH))
    with pytest.raises(FetchError, match="sent on more than 3 times"):
        fetcher.get(replay.base_url + PATH, NOW)


def test_nobody_listens(fetcher):
    with pytest.raises(FetchError, match=r"connection refused: .* \(5 times\)"):
        fetcher.get("http://127.0.0.1:9/points/1,2", NOW)


def test_a_service_that_is_down_is_not_waited_for_at_every_address(fetcher, replay):
    for grid in range(6):
        replay.script(f"/{grid}", problem_reply(500, "UnexpectedProblem"))
        with pytest.raises(FetchError):
            fetcher.get(f"{replay.base_url}/{grid}", NOW)
    assert [replay.counts()[f"/{grid}"] for grid in range(6)] == [5, 5, 5, 1, 1, 1]
    replay.script("/6", ok())
    fetcher.get(f"{replay.base_url}/6", NOW)
    replay.script("/7", problem_reply(500, "UnexpectedProblem"), ok())
    assert fetcher.get(f"{replay.base_url}/7", NOW).state == "fresh"


def test_a_service_that_is_silent_is_left_alone(fetcher, replay):
    for grid in range(6):
        replay.script(f"/{grid}", ScriptedReply(reset=True))
        said = (
            "no connection"
            if grid < 4
            else "not tried, the service is down (4 others did not answer)"
        )
        with pytest.raises(FetchError, match=re.escape(f"/{grid}: {said}")):
            fetcher.get(f"{replay.base_url}/{grid}", NOW)
    assert [replay.counts()[f"/{grid}"] for grid in range(6)] == [5, 1, 1, 1, 0, 0]
    with run_weather_server() as other:  # another service is none the worse for it
        other.script(PATH, ok())
        assert fetcher.get(other.base_url + PATH, NOW).state == "fresh"


def test_offline_asks_nobody(archive, replay):
    url = replay.base_url + PATH
    replay.script(PATH, ok(), ok("second"))
    live = Fetcher(archive, CONTACT, BRISK)
    live.get(url, NOW)
    live.get(url, NOW + 6 * HOUR)
    live.close()
    past = Fetcher(archive, CONTACT, BRISK, offline=True)
    reply = past.get(url, NOW + HOUR)
    assert (reply.state, reply.payload) == ("cached", {"is": "first"})
    with pytest.raises(FetchError, match="nothing in the archive from before the moment planned"):
        past.get(url, NOW - HOUR)
    assert len(replay.requests) == 2
    past.close()


# --- waiting


def waits(archive, **manners):
    """A client, and the list of the waits it makes."""
    slept: list[float] = []
    patient = replace(
        ClientPolicy(sleep=slept.append), retry=DEFAULT_RETRY.new(backoff_jitter=0.0), **manners
    )
    return Fetcher(archive, CONTACT, patient), slept


def test_requests_are_apart(archive, replay):
    client, slept = waits(archive)
    for grid in range(3):
        replay.script(f"/{grid}", ok())
        client.get(f"{replay.base_url}/{grid}", NOW)
    # starts at 0, 0.3 and 0.6 s by a clock that these waits do not move
    assert slept == pytest.approx([0.3, 0.6], abs=0.1)
    client.close()


def test_waits_grow_from_try_to_try(archive, replay):
    client, slept = waits(archive, min_interval_s=0.0)
    replay.script(PATH, problem_reply(500, "UnexpectedProblem"))
    with pytest.raises(FetchError):
        client.get(replay.base_url + PATH, NOW)
    assert slept == [0, 2, 4, 8]
    client.close()


def test_a_throttling_page_is_given_time(archive, replay):
    client, slept = waits(archive, min_interval_s=0.0)
    replay.script(PATH, ScriptedReply("<HTML>", 403, {"Content-Type": "text/html"}), ok())
    assert client.get(replay.base_url + PATH, NOW).state == "fresh"
    assert slept == [5]
    client.close()


@pytest.mark.parametrize(("asked", "slept_s"), [("7", [7]), ("nonsense", [0])])
def test_a_wait_that_the_service_asks_for_is_kept(archive, replay, asked, slept_s):
    client, slept = waits(archive, min_interval_s=0.0)
    busy = ScriptedReply({}, 503, PROBLEM_JSON | {"Retry-After": asked})
    replay.script(PATH, busy, ok())
    assert client.get(replay.base_url + PATH, NOW).state == "fresh"
    assert slept == slept_s
    client.close()


def test_a_wait_longer_than_a_morning_is_an_answer_too(archive, replay):
    client, slept = waits(archive, min_interval_s=0.0)
    replay.script(PATH, ScriptedReply({}, 503, PROBLEM_JSON | {"Retry-After": "3600"}), ok())
    with pytest.raises(FetchError, match="503"):
        client.get(replay.base_url + PATH, NOW)
    assert slept == []
    client.close()


@responses.activate(registry=OrderedRegistry)
def test_a_tunnel_that_stutters(fetcher):
    """What no server can be made to say: a connection that fails in the client's own network."""
    url = "https://example.invalid/gridpoints/XYZ/1,2"
    responses.get(url, body=responses.ConnectionError("name not known"))
    responses.get(url, status=503, headers={"Retry-After": "0"}, json={})
    responses.get(url, json={"is": "first"}, content_type="application/geo+json")
    assert fetcher.get(url, NOW).payload == {"is": "first"}
    assert len(responses.calls) == 3


def test_a_key_that_the_service_repeats_is_neither_kept_nor_said(fetcher, archive, replay):
    terms = ServiceTerms(secret_params={"apikey": "hunter2-0123456789"})
    asked = f"{PATH}?apikey=hunter2-0123456789"
    echo = {"generated_for": "hunter2-0123456789"}
    replay.script(asked, ok(echo, X_Key="hunter2-0123456789"))
    found = fetcher.get(replay.base_url + PATH, NOW, terms=terms)
    assert found.payload == {"is": {"generated_for": "…"}}
    refusal = ScriptedReply({"type": "", "reason": "bad key hunter2-0123456789"}, 400)
    replay.script(asked, refusal)
    with pytest.raises(FetchError) as caught:
        fetcher.get(replay.base_url + PATH, NOW - HOUR, terms=terms)
    assert "hunter2" not in str(caught.value)
    with archive.connection() as file:
        rows = list(file.execute("SELECT headers, body FROM reply"))
    kept = [headers + zlib.decompress(body).decode() for headers, body in rows]
    assert len(kept) >= 2
    assert not any("hunter2" in row for row in kept)


def test_places_that_are_found_do_not_make_a_broken_forecast_worth_more_tries(fetcher, replay):
    """Forty cells: five tries at each of three, then one at each."""
    for n in range(40):
        replay.script(f"/points/{n}", ok())
        replay.script(f"/gridpoints/{n}", ScriptedReply({}, 500))
        fetcher.get(f"{replay.base_url}/points/{n}", NOW)
        with pytest.raises(FetchError):
            fetcher.get(f"{replay.base_url}/gridpoints/{n}", NOW)
    assert len(replay.requests) == 40 + 3 * 5 + 37
