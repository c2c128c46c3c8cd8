"""Handing over: real mail, HTTP and commands on this machine, and what counts as handed over."""

import base64
import contextlib
import dataclasses
import hashlib
import hmac
import json
import socket
import ssl
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
import trustme
from helpers import smtp
from helpers.http_service import ScriptedReply

from stormplan.company.delivery_settings import MailSettings, WebhookSettings
from stormplan.delivery import outbox, transports
from stormplan.delivery.transports import (
    CommandTransport,
    HeartbeatTransport,
    MailTransport,
    Message,
    OutcomeUnknown,
    PermanentFailure,
    TransientFailure,
    WebhookTransport,
    read_secret,
)
from stormplan.store.archive import Archive
from stormplan.store.run_log import RunLog

AT = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)
PARCEL = Message(
    idempotency_key="one",
    subject="GO: Pre-treat 3 surfaces",
    text="Line\n.\n.. a line of dots, 18 °F\n",
    html="<p>Page<svg><path/></svg></p>",
    attachments={"mix.csv": "yard,gal\nNorth,22\n", "briefing.html": "<p>whole</p>"},
    payload={"verdict": "go"},
    made_at=AT,
)


class Marks:
    def __init__(self):
        self.count = 0

    def __call__(self):
        self.count += 1


def mail_to(server, **more):
    return MailTransport(
        MailSettings.model_validate(
            {
                "host": "127.0.0.1",
                "port": server.port,
                "security": "none",
                "from": "briefing@test.example",
                "to": ["owner@test.example"],
                **more,
            }
        )
    )


def test_a_mail_arrives_whole(server):
    mark = Marks()
    said = mail_to(server).send(PARCEL, "owner@test.example", mark)
    assert said == "kept"
    assert mark.count == 1
    (mail,) = server.mails_to("owner@test.example")
    assert mail["Subject"] == PARCEL.subject
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail.get_body(("plain",)).get_content().replace("\r\n", "\n") == PARCEL.text
    assert mail.get_body(("html",)).get_content().strip() == "<p>Page</p>"
    assert [part.get_filename() for part in mail.iter_attachments()] == ["mix.csv", "briefing.html"]
    assert max(len(line) for line in server.raw[0].splitlines()) < 998  # RFC 5322, 2.1.1
    assert server.raw[0].isascii()


FOLDER = "briefings/20260112T103000Z-abc123"
SHEETS = {"mixsheet.html": "<p>22 gal</p>", "treatments.csv": "site,gal\nElm,22\n"}


def parcel(**more):
    return dataclasses.replace(PARCEL, report_folder=Path(FOLDER), **more)


def sent_size_and_mail(server, message):
    """Send it for real; its bytes as the server got them, and what a reader opens."""
    mail_to(server).send(message, "owner@test.example", Marks())
    mail = server.mails_to("owner@test.example")[-1]
    return len(server.raw[-1]), mail, mail.get_body(("plain",)).get_content().replace("\r\n", "\n")


# 1 MB is 1,000,000 bytes (SI); the bound is asked of what the server received
@pytest.mark.parametrize("letter", ["a", "é", "雪"])
def test_a_mail_of_thousands_of_sites_stays_under_a_megabyte_and_says_what_is_left_out(
    server, letter
):
    line = f"Elm {letter * 60} 18 °F\n"
    text = "GO: 3,000 sites\nfrom 4 AM\n\n" + line * 30_000
    page = f"<p>{letter * 9_000_000}</p>"
    message = parcel(text=text, html=page, attachments=SHEETS | {"briefing.html": page})
    size, mail, said = sent_size_and_mail(server, message)
    assert size < 1_000_000
    head, note, rest = said.split("\n\n", 2)
    assert head == "GO: 3,000 sites\nfrom 4 AM"
    for part in ("end of this text (briefing.txt)", "as a page", "attachment briefing.html"):
        assert part in note
    assert FOLDER in note
    assert "mixsheet" not in note
    assert len(rest) > 30_000
    assert set(rest.splitlines(keepends=True)) == {line}  # cut between lines
    assert mail.get_body(("html",)) is None
    assert [part.get_filename() for part in mail.iter_attachments()] == list(SHEETS)


def test_only_what_does_not_fit_is_left_out(server):
    message = parcel(attachments=SHEETS | {"treatments.ics": "x" * 70 + "\n" * 1_500_000})
    size, mail, said = sent_size_and_mail(server, message)
    assert size < 1_000_000
    assert "Left out, to keep this mail under 1 MB: attachment treatments.ics.\n" in said
    assert ".. a line of dots, 18 °F\n" in said
    assert mail.get_body(("html",)) is not None


@pytest.mark.parametrize("parts", [1, 3, 9, 40])
def test_many_parts_that_each_fit_do_not_add_up_to_more(server, parts):
    each = ("0123456789" * 7 + "\n") * (1_300_000 // 71 // parts)
    message = parcel(attachments={f"{number:02d}.csv": each for number in range(parts)})
    size, mail, said = sent_size_and_mail(server, message)
    attached = [part.get_filename() for part in mail.iter_attachments()]
    assert size < 1_000_000
    assert all((name in said) != (name in attached) for name in message.attachments)
    assert len(attached) >= parts // 2


def test_what_is_in_no_folder_either_is_said(server):
    message = dataclasses.replace(PARCEL, attachments={"a.csv": "x\n" * 1_000_000})
    said = sent_size_and_mail(server, message)[2]
    assert "attachment a.csv.\nThey could not be written to the report folder either." in said


def test_the_same_plan_has_the_same_message_id_and_every_recipient_another(server):
    for to in ("a@test.example", "a@test.example", "b@test.example"):
        mail_to(server).send(PARCEL, to, Marks())
    first, again, other = [mail["Message-ID"] for _, mail in server.accepted]
    assert first == again != other


@pytest.mark.parametrize(
    ("answer", "outcome"),
    [
        ("451 4.7.1 greylisted, try later", TransientFailure),
        ("550 5.1.1 no such user", PermanentFailure),
    ],
)
def test_what_the_server_says_of_a_recipient(server, answer, outcome):
    server.rcpt_replies["owner@test.example"] = [answer]
    mark = Marks()
    with pytest.raises(outcome, match=answer[:3]):
        mail_to(server).send(PARCEL, "owner@test.example", mark)
    assert mark.count == 0  # nothing was risked


@pytest.mark.parametrize(
    ("answer", "outcome"),
    [
        ("452 disk full", TransientFailure),
        ("554 no thanks", PermanentFailure),
        ("hang up", OutcomeUnknown),
    ],
)
def test_what_the_server_says_of_the_whole_message(server, answer, outcome):
    server.data_replies = [answer]
    mark = Marks()
    with pytest.raises(outcome):
        mail_to(server).send(PARCEL, "owner@test.example", mark)
    assert mark.count == 1


def test_no_server_is_for_later(server):
    port = server.port
    channel = mail_to(server)
    with smtp.run_mail_server() as other:
        assert other.port != port
        gone = mail_to(other)
    with pytest.raises(TransientFailure, match="refused"):
        gone.send(PARCEL, "owner@test.example", Marks())
    assert channel.send(PARCEL, "owner@test.example", Marks())


def test_starttls_and_login_with_a_certificate_that_must_be_right(monkeypatch, tmp_path):
    authority = trustme.CA()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    monkeypatch.setenv("MAIL_USER", smtp.USER)
    monkeypatch.setenv("MAIL_PASSWORD", smtp.PASSWORD)
    login = {"security": "starttls", "user_env": "MAIL_USER", "password_env": "MAIL_PASSWORD"}
    with smtp.run_mail_server(context) as server:
        with pytest.raises(TransientFailure, match="CERTIFICATE_VERIFY_FAILED"):
            mail_to(server, **login).send(PARCEL, "owner@test.example", Marks())
        authority.cert_pem.write_to_path(tmp_path / "ca.pem")
        monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "ca.pem"))
        mail_to(server, **login).send(PARCEL, "owner@test.example", Marks())
        assert server.tls == [True]
        monkeypatch.setenv("MAIL_PASSWORD", "wrong")
        with pytest.raises(PermanentFailure, match="535"):
            mail_to(server, **login).send(PARCEL, "owner@test.example", Marks())
        monkeypatch.delenv("MAIL_PASSWORD")
        with pytest.raises(TransientFailure, match="the environment has no MAIL_PASSWORD"):
            mail_to(server, **login).send(PARCEL, "owner@test.example", Marks())


def test_a_secret_file_that_others_may_read_is_not_used(tmp_path):
    file = tmp_path / "secret"
    file.write_text("s3cret\n")
    file.chmod(0o640)
    with pytest.raises(TransientFailure, match="chmod 600"):
        read_secret(None, str(file))
    file.chmod(0o600)
    assert read_secret(None, str(file)) == "s3cret"
    with pytest.raises(TransientFailure, match="cannot be read"):
        read_secret(None, str(tmp_path / "none"))


# -- webhook --------------------------------------------------------------------------------------


@pytest.fixture
def hook(replay, monkeypatch):
    monkeypatch.setenv("HOOK_SECRET", "a key")
    settings = WebhookSettings.model_validate(
        {"url": f"{replay.base_url}/hook?key=private", "secret_env": "HOOK_SECRET"}
    )
    return WebhookTransport(settings)


def test_a_webhook_is_signed_over_id_time_and_body(replay, hook):
    replay.script("/hook?key=private", ScriptedReply({}, 204))
    assert hook.send(PARCEL, "host", Marks()) == "204"
    (request,) = replay.requests
    head = request.headers
    signed = f"{head['webhook-id']}.{head['webhook-timestamp']}.".encode() + request.body
    expected = base64.b64encode(hmac.new(b"a key", signed, hashlib.sha256).digest()).decode()
    assert head["webhook-signature"] == f"v1,{expected}"
    assert head["webhook-timestamp"] == "1768213800"  # 2026-01-12T10:30:00Z
    assert json.loads(request.body) == {"verdict": "go"}


@pytest.mark.parametrize(
    ("answer", "outcome"),
    [
        (ScriptedReply({}, 503), TransientFailure),
        (ScriptedReply({}, 429), TransientFailure),
        (ScriptedReply({}, 401), PermanentFailure),
        (ScriptedReply({}, 302, {"Location": "/elsewhere"}), PermanentFailure),
        (ScriptedReply(reset=True), OutcomeUnknown),
    ],
)
def test_what_a_webhook_answers(replay, hook, answer, outcome):
    replay.script("/hook?key=private", answer)
    with pytest.raises(outcome) as caught:
        hook.send(PARCEL, "host", Marks())
    assert "private" not in str(caught.value)  # the key in the address stays out of every report


def test_a_webhook_nobody_listens_to_is_for_later(monkeypatch):
    monkeypatch.setenv("HOOK_SECRET", "a key")
    settings = WebhookSettings.model_validate(
        {"url": "http://127.0.0.1:9/", "secret_env": "HOOK_SECRET"}
    )
    with pytest.raises(TransientFailure, match="no answer"):
        WebhookTransport(settings).send(PARCEL, "host", Marks())


def test_the_outside_watcher_is_asked_for(replay):
    replay.script("/ping", ScriptedReply("ok", 200, {"Content-Type": "text/plain"}))
    assert HeartbeatTransport(f"{replay.base_url}/ping").send(PARCEL, "host", Marks()) == "200"
    assert [request.path for request in replay.requests] == ["/ping"]


# -- command --------------------------------------------------------------------------------------


def python(code):
    return CommandTransport((sys.executable, "-c", code))


def test_a_command_gets_the_text_and_no_shell(tmp_path):
    code = (
        "import os, sys, pathlib; pathlib.Path(sys.argv[1]).write_text("
        "os.environ['STORMPLAN_SUBJECT'] + sys.stdin.buffer.read().decode())"
    )
    target = tmp_path / "a; rm -rf b"
    channel = CommandTransport((sys.executable, "-c", code, str(target)))
    assert channel.send(PARCEL, "python", Marks()) == "ended with 0"
    assert target.read_text() == PARCEL.subject + PARCEL.text


def test_a_command_that_fails_or_is_not_there_is_for_later():
    with pytest.raises(TransientFailure, match="ended with 3: no signal"):
        python("import sys; print('no signal', file=sys.stderr); sys.exit(3)").send(
            PARCEL, "python", Marks()
        )
    with pytest.raises(TransientFailure, match="cannot be run"):
        CommandTransport(("/nowhere/at/all",)).send(PARCEL, "at", Marks())


def test_a_chatty_command_is_heard_to_its_last_line_and_one_without_end_is_stopped(monkeypatch):
    with pytest.raises(TransientFailure, match=r"ended with 3: last$"):
        python(
            "import sys; sys.stderr.write('x' * 9_000_000 + chr(10) + 'last'); "
            "sys.stdout.write('y' * 9_000_000); sys.exit(3)"
        ).send(PARCEL, "python", Marks())
    monkeypatch.setattr(transports, "COMMAND_TIMEOUT_S", 0.3)
    with pytest.raises(OutcomeUnknown, match="did not end"):
        python("import time; time.sleep(60)").send(PARCEL, "python", Marks())


# -- peers without end ----------------------------------------------------------------------------


def test_a_webhooks_answer_is_its_status_however_long_its_body(replay, hook):
    replay.script("/hook?key=private", ScriptedReply("x" * 300, byte_delay_s=0.05))
    started_s = time.monotonic()
    assert hook.send(PARCEL, "host", Marks()) == "200"
    assert time.monotonic() - started_s < 5.0


@contextlib.contextmanager
def talker(line, wait_s=0.0):
    """A peer that says one line again and again and never listens."""
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def talk():
            with contextlib.suppress(OSError), listening.accept()[0] as peer:
                while True:
                    peer.sendall(line)
                    time.sleep(wait_s)

        thread = threading.Thread(target=talk, daemon=True)
        thread.start()
        yield smtp.MailServer(listening.getsockname()[1])


def test_a_mail_server_that_never_ends_its_greeting_is_heard_to_a_limit():
    with talker(b"220-hello\r\n") as server, pytest.raises(TransientFailure, match="without end"):
        mail_to(server).send(PARCEL, "owner@test.example", Marks())


def test_a_slow_peer_is_cut_off_and_holds_up_nobody_else(tmp_path, monkeypatch, server):
    """The greeting drips: each byte comes within any timeout of the socket."""
    monkeypatch.setattr(MailTransport, "deadline_s", 0.5)
    with Archive(tmp_path / "archive.sqlite") as archive, talker(b"2", 0.05) as slow:
        run_log = RunLog(archive)
        queue = [("slow", "owner@test.example"), ("mail", "owner@test.example")]
        plan = run_log.add_run("{}", AT, "briefing", deliveries=queue)
        ways = {"slow": mail_to(slow), "mail": mail_to(server)}
        started_s = time.monotonic()
        found = outbox.send_due(run_log, plan, PARCEL, ways, lambda: AT)
        assert time.monotonic() - started_s < 5.0
    assert [each.state for each in found] == ["failed", "sent"]
    assert found[0].detail == "did not end within 0.5 s"


def test_the_waits_for_a_mail_server_are_those_of_the_standard():
    """RFC 5321, 4.5.3.2: greeting, MAIL and RCPT 5 minutes, after the last dot 10 minutes."""
    assert (transports.SMTP_TIMEOUT_S, transports.SMTP_FINAL_TIMEOUT_S) == (300.0, 600.0)
