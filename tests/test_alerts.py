"""Official alerts: whose they are, when they end, and that they decide nothing."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from helpers.diagnostics import degraded_lines
from helpers.http_service import PUBLIC_SERVICE, ScriptedReply
from helpers.sites import parse_sites, site_entry
from hypothesis import given, settings
from hypothesis import strategies as st

from stormplan.errors import ForecastError
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.weather.http_client import ClientPolicy
from stormplan.weather.providers.nws_alerts import parse_alerts
from stormplan.words.reports import render_reports

QUICK = ClientPolicy(
    min_interval_s=0.0, min_throttle_wait_s=0.0, timeout_s=(0.5, 0.5), sleep=lambda seconds: None
)
NOW = pipeline.DEMO_NOW
LOT = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}
HOUR = timedelta(hours=1)


def entry(key="one", zones=("WIZ063",), **more):
    return {
        "properties": {
            "id": key,
            "event": "Winter Storm Warning",
            "status": "Actual",
            "messageType": "Alert",
            "severity": "Severe",
            "affectedZones": [f"{PUBLIC_SERVICE}/zones/forecast/{zone}" for zone in zones],
            "sent": (NOW - 2 * HOUR).isoformat(),
            "onset": (NOW + 6 * HOUR).isoformat(),
            "expires": (NOW - HOUR).isoformat(),
            "ends": (NOW + 20 * HOUR).isoformat(),
            "senderName": "NWS Test Office",
            "headline": "Winter Storm Warning until Tuesday",
            "references": [],
            **more,
        }
    }


def collection(*entries):
    return {"type": "FeatureCollection", "features": list(entries)}


def serve(replay, body, zone="WIZ063", latitude="43.16", longitude="-89.44"):
    demo = (pipeline.files("stormplan") / "demo" / "grid_ZZZ_1_1.json").read_text()
    replay.serve_place(latitude, longitude, "ZZZ/1,1", demo)
    where = {
        "properties": {
            "forecastGridData": f"{PUBLIC_SERVICE}/gridpoints/ZZZ/1,1",
            "forecastZone": f"{PUBLIC_SERVICE}/zones/forecast/{zone}",
            "county": f"{PUBLIC_SERVICE}/zones/county/WIC025",
        }
    }
    replay.serve(f"/points/{latitude},{longitude}", where)
    if body is not None:
        replay.script(f"/alerts/active?zone=WIC025,{zone}", body)


def plan(replay, archive, now=NOW, **more):
    sites = parse_sites({"a": site_entry(43.16, -89.44, LOT)}, replay.base_url)
    with Archive(archive) as kept:
        return pipeline.plan_and_store(sites, kept, now, client_policy=QUICK, **more)


def test_an_alert_is_shown_until_its_event_ends_though_its_message_has_expired(replay, tmp_path):
    serve(replay, ScriptedReply(collection(entry())))
    made = plan(replay, tmp_path / "archive.sqlite")
    (alert,) = made.alerts
    assert (alert.event, alert.sites) == ("Winter Storm Warning", ("a",))
    assert alert.ends_at == NOW + 20 * HOUR
    text = render_reports(made)
    said = "Winter Storm Warning, from Mon 10:30 AM, until Tue 12:30 AM, NWS Test Office"
    assert said in text["briefing.html"]
    assert said in " ".join(text["briefing.txt"].split())


@pytest.mark.parametrize(
    "more",
    [
        {"ends": (NOW - HOUR).isoformat()},
        {"ends": None},  # then the message's own end counts, and that is past
        {"status": "Test"},
        {"messageType": "Cancel"},
        {"zones": ("WIZ001",)},
    ],
)
def test_what_is_over_unreal_or_elsewhere_is_not_shown(replay, tmp_path, more):
    serve(replay, ScriptedReply(collection(entry(**more))))
    assert plan(replay, tmp_path / "archive.sqlite").alerts == ()


def test_an_alert_that_another_replaces_is_not_shown_twice():
    later = entry("two", messageType="Update", references=[{"identifier": "one"}])
    found, unreadable = parse_alerts(collection(entry("one"), later))
    assert [zoned.alert.identifier for zoned in found] == ["two"]
    assert unreadable == []


@pytest.mark.parametrize("status", [None, [[]], "actual?"])  # CAP 1.2, 3.2.1, names the five
def test_an_alert_that_does_not_say_whether_it_is_real_is_named(status):
    found, unreadable = parse_alerts(collection(entry("one"), entry("two", status=status)))
    assert [zoned.alert.identifier for zoned in found] == ["one"]
    assert unreadable == ["nws alerts: an entry whose 'status' is not said"]


def test_alerts_change_nothing_else_in_the_plan(replay, tmp_path):
    serve(replay, ScriptedReply(collection(entry())))
    with_alert = plan(replay, tmp_path / "one.sqlite")
    serve(replay, ScriptedReply(collection()))
    without = plan(replay, tmp_path / "two.sqlite")
    assert with_alert.alerts
    assert with_alert.model_copy(update={"alerts": ()}) == without


def test_alerts_that_cannot_be_had_are_said_and_do_not_stop_the_plan(replay, tmp_path):
    serve(replay, ScriptedReply("<html>", 403, {"Content-Type": "text/html"}))
    made = plan(replay, tmp_path / "archive.sqlite")
    assert made.verdict == "go"
    assert any("official alerts are not known" in line for line in degraded_lines(made))


def test_alerts_of_an_older_reply_stand_in_until_they_end_and_are_said_to_be_old(replay, tmp_path):
    serve(replay, ScriptedReply(collection(entry())))
    plan(replay, tmp_path / "archive.sqlite")
    serve(replay, ScriptedReply("<html>", 403, {"Content-Type": "text/html"}))
    made = plan(replay, tmp_path / "archive.sqlite", NOW + 2 * HOUR)
    assert [alert.identifier for alert in made.alerts] == ["one"]
    assert any("official alerts may be old" in line for line in degraded_lines(made))
    assert plan(replay, tmp_path / "archive.sqlite", NOW + 20 * HOUR).alerts == ()


def test_one_request_serves_all_sites_and_a_replay_needs_none(replay, tmp_path):
    serve(replay, ScriptedReply(collection(entry())))
    serve(replay, None, latitude="43.17", longitude="-89.45")
    sites = {"a": site_entry(43.16, -89.44, LOT), "b": site_entry(43.17, -89.45, LOT)}
    with Archive(tmp_path / "archive.sqlite") as kept:
        made = pipeline.plan_and_store(
            parse_sites(sites, replay.base_url), kept, NOW, client_policy=QUICK
        )
        assert made.alerts[0].sites == ("a", "b")
        assert sum(count for path, count in replay.counts().items() if "alerts" in path) == 1
        asked = len(replay.requests)
        again = pipeline.fetch_and_plan(
            parse_sites(sites, replay.base_url), kept, NOW, offline=True
        )
    assert again.alerts == made.alerts
    assert len(replay.requests) == asked


@pytest.mark.samples
def test_38_recorded_alerts_end_when_their_own_text_says(samples):
    body = json.loads((samples / "nws" / "alerts_active_winter_20251215.json").read_text())
    found, unreadable = parse_alerts(body)
    assert len(found) == 38
    assert unreadable == []
    # in VTEC (NWS Directive 10-1703) the last group is the end of the event, in UTC
    ends = {
        feature["properties"]["id"]: feature["properties"]["parameters"]["VTEC"][0].split("-")[-1]
        for feature in body["features"]
    }
    for zoned in found:
        text = ends[zoned.alert.identifier].rstrip("/")
        assert zoned.alert.ends_at == datetime.strptime(text, "%y%m%dT%H%MZ").replace(tzinfo=UTC)
    earlier = [zoned for zoned in found if zoned.expires_at < zoned.alert.ends_at]
    assert len(earlier) > 30  # whoever went by the message would drop these too soon


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ({}, "not a collection of alerts"),
        ([], "not a collection of alerts"),
    ],
)
def test_a_body_that_is_no_alerts_says_so(body, message):
    with pytest.raises(ForecastError, match=message):
        parse_alerts(body)


@pytest.mark.parametrize(
    ("damaged", "message"),
    [
        ({"type": "Feature"}, "without 'properties'"),
        (entry(affectedZones=None), "Winter Storm Warning: no zones named"),
    ],
)
def test_an_alert_that_cannot_be_shown_is_named_and_hides_no_other(damaged, message):
    found, (reason,) = parse_alerts(collection(damaged, entry("sound")))
    assert [zoned.alert.identifier for zoned in found] == ["sound"]
    assert message in reason


@pytest.mark.parametrize("ends", ["soon", "2026-01-12T10:00:00", 7])
def test_an_alert_with_an_unreadable_end_is_shown_as_received_beside_the_others(ends):
    (garbled, sound), _ = parse_alerts(
        collection(entry(id="garbled", ends=ends), entry(id="sound"))
    )
    assert f"not readable: ends {ends}" in garbled.alert.headline
    assert garbled.alert.ends_at is None
    assert not garbled.is_over(datetime(2030, 1, 1, tzinfo=UTC))  # shown until it is replaced
    assert sound.alert.identifier == "sound"


LEAVES = (
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=9)
)
ANYTHING = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner)
)


@settings(deadline=None, max_examples=300)
@given(st.sampled_from([*entry()["properties"], "geocode"]), ANYTHING, st.booleans())
def test_a_damaged_alert_raises_only_our_own_errors(name, value, whole):
    body = collection(value) if whole else collection(entry(**{name: value}))
    try:
        _, unreadable = parse_alerts(body)
    except ForecastError as error:
        unreadable = [str(error)]
    assert all("nws alerts: " in reason for reason in unreadable)
