"""What a service says, made safe to keep and to show.

Grammar of the headers: RFC 9110 (5.6.7 HTTP dates, 10.2.3 Retry-After) and RFC 9111 (1.2.2 delta
seconds, with the value that stands for any greater one). Surrogates: Unicode Standard, chapter 3.9.
"""

import json
from datetime import UTC, datetime, timedelta

import pytest
from helpers.http_service import GEO_JSON, ScriptedReply
from helpers.service import FAST_POLICY
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stormplan.store.archive import Archive
from stormplan.weather import http_policy, reply_text
from stormplan.weather.http_client import Fetcher, FetchError

NOW = datetime(2026, 1, 20, 18, 51, 2, tzinfo=UTC)
ODD = [
    "max-age=²", "9" * 20, "9" * 5000, "٣", "-1", "1e3", " ", "", "\ud83d", "\x1b]0;x\x07",
    "http://[", "\xe9\xe8", "Tue, 20 Jan 99999 18:51:02 GMT", "Tue, 20 Jan 2026 18:51:02 +9999999",
    "Fri, 31 Dec 9999 23:59:59 -1200", "Mon, 01 Jan 0001 00:00:00 +1200",
    "Tue, 20 Jan 2026 18:51:02",
]  # fmt: skip
HEADERS = ("age", "date", "expires", "retry-after", "location", "last-modified", "cache-control")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("0", 0), ("007", 7), ("60", 60), ("9" * 20, 2**31), ("2147483649", 2**31), ("²", None),
     ("٣", None), ("-1", None), ("+1", None), ("1.5", None), ("", None), (None, None)],
)  # fmt: skip
def test_delta_seconds_are_digits_and_overflow_to_the_value_the_standard_names(text, seconds):
    assert reply_text.delta_seconds(text) == seconds


def test_retry_after_is_seconds_or_a_date_and_nothing_else():
    assert reply_text.retry_after_s("120", NOW) == 120.0
    assert reply_text.retry_after_s("Tue, 20 Jan 2026 18:52:02 GMT", NOW) == 60.0
    assert reply_text.retry_after_s("Tue, 20 Jan 2026 18:00:00 GMT", NOW) == 0.0
    assert {reply_text.retry_after_s(odd, NOW) for odd in ("soon", "²", "", None)} == {0.0}


@pytest.mark.parametrize(
    "location", ["http://[", "\xe9", "http://a b", "\ud83d", "http://", "//:0"]
)
def test_what_is_no_address_is_not_followed(location):
    target = reply_text.redirect_target("http://127.0.0.1:1/a", location)
    assert target is None or target.isascii()


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # first text is slow
@given(st.dictionaries(st.sampled_from(HEADERS), st.text() | st.sampled_from(ODD)))
def test_no_header_raises(headers):
    until = http_policy.fresh_until(headers, NOW)
    assert NOW <= until <= NOW + timedelta(days=1)
    assert isinstance(http_policy.clock_offset(headers, NOW), timedelta | None)
    assert reply_text.retry_after_s(headers.get("retry-after"), NOW) >= 0.0
    reply_text.redirect_target("http://127.0.0.1:1/a", headers.get("location", ""))


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # first text is slow
@given(st.binary() | st.recursive(
    st.none() | st.floats() | st.integers() | st.text(), lambda each: st.lists(each)
    | st.dictionaries(st.text(), each)).map(lambda value: json.dumps(value).encode()))  # fmt: skip
def test_json_is_read_or_refused_with_one_error(body):
    try:
        content = reply_text.parse_json(body)
    except ValueError:
        return
    text = json.dumps(content, allow_nan=False, ensure_ascii=False)
    text.encode("utf-8")  # no half of a surrogate is left
    assert "\x1b" not in text


def test_halves_of_surrogates_and_terminal_sequences_are_dropped_and_whole_ones_stay():
    body = rb'{"a": "ice \ud83d \ud83e\uddca\u001b[2J\u001b]0;title\u0007 \u202eon", "b": 1e999}'
    assert reply_text.parse_json(body) == {"a": "ice  \U0001f9ca on", "b": None}
    with pytest.raises(ValueError, match="nested too deeply"):
        reply_text.parse_json(b"[" * 200_000 + b"]" * 200_000)


@pytest.fixture
def fetcher(tmp_path):
    with Archive(tmp_path / "archive.sqlite") as archive:
        opened = Fetcher(archive, "ops@test.example", FAST_POLICY)
        yield opened
        opened.close()


@pytest.mark.parametrize("odd", [odd for odd in ODD if "\ud83d" not in odd and odd.isascii()])
@pytest.mark.parametrize("name", HEADERS)
@pytest.mark.parametrize("status", [200, 302, 503])
def test_an_odd_header_is_one_answer_among_others(fetcher, replay, name, odd, status):
    """Twice: what was kept of the first time is read at the second."""
    address = f"{replay.base_url}/x"
    replay.script("/x", ScriptedReply({}, status, GEO_JSON | {name.title(): odd}))
    for _ in range(2):
        if status == 200:
            assert fetcher.get(address, NOW).payload == {}
        else:
            with pytest.raises(FetchError):
                fetcher.get(address, NOW)


def test_a_kept_reply_its_reader_fails_on_is_asked_for_again(fetcher, replay):
    address = f"{replay.base_url}/x"
    lasting = GEO_JSON | {"Cache-Control": "max-age=86400"}
    replay.script(
        "/x", ScriptedReply({"a": 1}, 200, lasting), ScriptedReply({"a": "b"}, 200, lasting)
    )
    fetcher.get(address, NOW)

    def stumble(payload):
        payload["a"].strip()  # foreign: no error of ours

    assert fetcher.get(address, NOW, stumble).payload == {"a": "b"}
    assert fetcher.get(address, NOW, stumble).state == "cached"
    assert replay.counts()["/x"] == 2
    replay.script("/y", ScriptedReply({"a": 2}))
    with pytest.raises(FetchError, match=r"cannot be read \(AttributeError\)"):
        fetcher.get(f"{replay.base_url}/y", NOW, stumble)
