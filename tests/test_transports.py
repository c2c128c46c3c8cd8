"""Handing over: real mail, HTTP and commands on this machine, and what counts as handed over."""

import base64
import hashlib
import hmac
import json
import ssl
import sys
from datetime import UTC, datetime

import pytest
import trustme
from helpers import smtp
from helpers.http_service import ScriptedReply

from stormplan.company.delivery_settings import MailSettings, WebhookSettings
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


@pytest.fixture
def server():
    with smtp.run_mail_server() as running:
        yield running


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
