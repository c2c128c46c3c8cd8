"""Fault x component x what the reader sees x what is kept, by the real program on this machine.

Each row is one morning with a fault and the next without: both are briefed and mailed, the first
says what was wrong where anything the plan stands on was, and nothing of it is left in the second.
The faults are those of HTTP (RFC 9110, 9111), JSON (RFC 8259, section 8.2 on halves of surrogates)
and SMTP (RFC 5321) peers that keep to none of them.
"""

import json
import re
import sys

import pytest
from helpers.diagnostics import codes
from helpers.http_service import GEO_JSON, ScriptedReply
from helpers.service import GRID, HOUR, MINUTE, OWNER, STORM, RunningCompany, serve_storm

from stormplan.delivery.transports import host_of
from stormplan.store import maintenance
from stormplan.store.archive import Archive
from stormplan.store.run_log import RunLog
from stormplan.weather import http_client

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("remembered_plans")]

POINT, ALERTS = "/points/43.16,-89.44", "/alerts/active?zone=ZZZ001"
POINT_BODY = {"properties": {"forecastGridData": GRID, "forecastZone": "https://x/zones/ZZZ001"}}
ALERT = {
    "id": "a1", "status": "Actual", "messageType": "Alert", "event": "Winter Storm Warning",
    "severity": "Severe", "sent": "2026-01-12T09:00:00+00:00", "ends": "2026-01-14T09:00:00+00:00",
    "affectedZones": ["https://x/zones/ZZZ001"], "headline": "Snow",
}  # fmt: skip
ALERTS_BODY = {"type": "FeatureCollection", "features": [{"properties": ALERT}]}

ODD_HEADERS = {
    "an age of 20 digits": {"Age": "9" * 20, "Cache-Control": "max-age=60"},
    "a lifetime in superscript": {"Cache-Control": "max-age=\xb2"},
    "a date of the year 99999": {"Date": "Tue, 20 Jan 99999 18:51:02 GMT", "Expires": "0"},
    "a date without zone": {"Date": "Tue, 20 Jan 2026 18:51:02", "Expires": "never"},
    "a last change that is none": {"Last-Modified": "\xe9\xe8"},
    "a terminal sequence": {"X-Server": "\x1b]0;owned\x07"},
}
FAULTY = {
    "sent on to half an address": (302, {"Location": "http://["}),
    "sent on in latin-1": (301, {"Location": "/caf\xe9"}),
    "asked to wait for 20 digits": (503, {"Retry-After": "9" * 20}),
    "asked to wait for words": (429, {"Retry-After": "\xb2 minutes"}),
}
BODIES = {
    "half a surrogate pair": lambda text: re.sub(r'": "', r'": "\\ud83d', text, count=1),
    "a number past all bounds": lambda text: (
        text[:-1] + ', "more": 1e999, "n": ' + "9" * 4000 + "}"
    ),
    "nested too deeply": lambda _: "[" * 100_000 + "]" * 100_000,
    "a list": lambda _: "[1, 2]",
    "nothing": lambda _: "",
    "null": lambda _: "null",
    "words": lambda _: '"soon"',
    "every value a list": lambda text: re.sub(r': "[^"]*"', ": [[]]", text),
    "every value null": lambda text: re.sub(r': "[^"]*"', ": null", text),
}


def good_bodies(base_url):
    where = base_url + GRID
    point = {"properties": POINT_BODY["properties"] | {"forecastGridData": where}}
    return {POINT: json.dumps(point), GRID: STORM, ALERTS: json.dumps(ALERTS_BODY)}


def rows():
    for path in (POINT, GRID, ALERTS):
        for fault, headers in ODD_HEADERS.items():
            yield path, fault, (200, headers, None)
        for fault, (status, headers) in FAULTY.items():
            yield path, fault, (status, headers, None)
        for fault, change in BODIES.items():
            yield path, fault, (200, {}, change)


@pytest.mark.parametrize(("path", "fault", "answer"), [
    pytest.param(*row, id=f"{row[0].strip('/').split('/')[0]}: {row[1]}") for row in rows()
])  # fmt: skip
def test_a_service_that_keeps_to_nothing_takes_no_morning_away(
    tmp_path, replay, server, monkeypatch, path, fault, answer
):
    monkeypatch.setattr(http_client, "MAX_READ_S", 0.5)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    company = RunningCompany(tmp_path, replay, server)
    bodies = good_bodies(replay.base_url)
    for address, body in bodies.items():
        replay.serve(address, body)
    status, headers, change = answer
    text = bodies[path] if change is None else change(bodies[path])
    replay.script(path, ScriptedReply(text, status, GEO_JSON | headers))

    first = company.step()
    assert (first.kind, first.announced) == ("briefing", True)
    assert company.step(MINUTE).kind != "briefing"
    is_known = status == 200 and change is None
    if path == ALERTS:
        assert first.plan.verdict == "go"
        if is_known:
            assert first.plan.alerts
        elif not first.plan.alerts:  # none is shown, and that is said
            assert {"alerts_unknown", "alert_unreadable"} & set(codes(first.plan))
    elif first.plan.has_forecast:
        assert first.plan.verdict == "go"
    else:
        assert "no_forecast" in codes(first.plan)
    if not is_known and status != 200:
        lost = {POINT: "no_forecast", GRID: "no_forecast", ALERTS: "alerts_unknown"}[path]
        assert lost in codes(first.plan)
    if path != ALERTS and not first.plan.has_forecast:
        assert first.plan.verdict != "nothing"
        assert json.loads(company.latest("plan.json"))["verdict"] == first.plan.verdict
        assert json.loads((company.out / "heartbeat.json").read_text())["exit_code"] == 4
    said = server.mails_to(OWNER)[0].get_body(("plain",)).get_content()
    assert not set(said) & {"\x1b", "\x07", "\x9b"}

    for address, body in bodies.items():
        replay.serve(address, body)
    mails = len(server.mails_to(OWNER))
    company.now = first.plan.made_at + 24 * HOUR
    second = company.step()
    assert (second.kind, second.announced) == ("briefing", True)
    assert second.plan.has_forecast
    assert len(server.mails_to(OWNER)) == mails + 1
    with Archive(company.config.archive_path) as kept:
        assert maintenance.check_integrity(kept).problems == ()


# -- receivers ------------------------------------------------------------------------------------

#: Channel, answer, the state it leads to, and what the next briefing says (None: nothing).
DELIVERY_FAULTS = {
    "mail: service closing": ("mail", "421 closing", "failed", "delivery_failed"),
    "mail: mailbox busy": ("mail", "450 busy", "failed", "delivery_failed"),
    "mail: greylisted": ("mail", "451 try later", "failed", "delivery_failed"),
    "mail: no such user": ("mail", "550 no", "refused", "delivery_refused"),
    "mail: too big": ("mail", "552 too big", "refused", "delivery_refused"),
    "mail: a terminal sequence": ("mail", "550 \x1b[2Jno", "refused", "delivery_refused"),
    "webhook: moved": ("hook", (301, {"Location": "/x"}), "refused", "delivery_refused"),
    "webhook: moved to nowhere": (
        "hook", (302, {"Location": "http://["}), "refused", "delivery_refused",
    ),
    "webhook: not modified": ("hook", (304, {}), "refused", "delivery_refused"),
    "webhook: bad request": ("hook", (400, {}), "refused", "delivery_refused"),
    "webhook: unauthorized": ("hook", (401, {}), "refused", "delivery_refused"),
    "webhook: not found": ("hook", (404, {}), "refused", "delivery_refused"),
    "webhook: gone": ("hook", (410, {}), "refused", "delivery_refused"),
    "webhook: too many": ("hook", (429, {"Retry-After": "\xb2"}), "failed", "delivery_failed"),
    "webhook: error": ("hook", (500, {}), "failed", "delivery_failed"),
    "webhook: unavailable": ("hook", (503, {}), "failed", "delivery_failed"),
    "webhook: no status there is": ("hook", (799, {}), "failed", "delivery_failed"),
    "webhook: reset": ("hook", None, "handing over", "delivery_unconfirmed"),
    "webhook: odd headers": ("hook", (200, {"Age": "9" * 20, "Location": "\xe9"}), "sent", None),
    "command: fails": ("command", "raise SystemExit(3)", "failed", "delivery_failed"),
    "command: killed": (
        "command", "import os; os.kill(os.getpid(), 9)", "failed", "delivery_failed",
    ),
    "command: odd bytes": (
        "command", "import sys; sys.stderr.buffer.write(b'\\xff\\x1b[2J'); sys.exit(1)", "failed",
        "delivery_failed",
    ),
    "command: chatty": (
        "command", "import sys; sys.stderr.write('x' * 9_000_000); sys.exit(1)", "failed",
        "delivery_failed",
    ),
    "command: deaf": ("command", "import sys; sys.stdin.close()", "sent", None),
}  # fmt: skip


@pytest.mark.parametrize("fault", DELIVERY_FAULTS)
def test_a_receiver_that_fails_is_said_and_holds_up_nobody_else(
    tmp_path, replay, server, monkeypatch, fault
):
    channel, answer, state, code = DELIVERY_FAULTS[fault]
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("HOOK_SECRET", "a key")
    command = answer if channel == "command" else "import sys; sys.stdin.read()"
    company = RunningCompany(
        tmp_path, replay, server,
        webhook={"url": f"{replay.base_url}/hook", "secret_env": "HOOK_SECRET"},
        command=[sys.executable, "-c", command],
    )  # fmt: skip
    serve_storm(replay)
    replay.script("/hook", ScriptedReply({}, 204))
    if channel == "mail":
        server.rcpt_replies[OWNER] = [answer]
    elif channel == "hook":
        replay.script("/hook", ScriptedReply({}, *answer) if answer else ScriptedReply(reset=True))
    done = company.step()
    assert (done.kind, done.plan.verdict) == ("briefing", "go")
    struck = {"mail": OWNER, "hook": host_of(replay.base_url), "command": sys.executable}[channel]
    states = {each.recipient: each.state for each in done.deliveries}
    assert states.pop(struck) == state
    assert set(states.values()) == {"sent"}
    assert not set(" ".join(each.detail for each in done.deliveries)) & {"\x1b", "\x07"}
    company.now += 24 * HOUR
    second = company.step()
    assert second.kind == "briefing"
    found = {each for each in codes(second.plan) if each.startswith("delivery")}
    assert found == ({code} if code else set())
    with Archive(company.config.archive_path) as kept:
        assert maintenance.check_integrity(kept).problems == ()
        last = RunLog(kept).briefing_of(done.plan.made_at.date())
        final = {
            each.recipient: each.state for each in RunLog(kept).delivery_statuses(last.plan_id)
        }
        assert final[struck] in (state, "superseded", "gave up")
