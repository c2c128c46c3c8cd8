"""Notices on their way: previewed, by mail or text, each once, nobody stopped by another.

Text messages go through a program of this test or a web address; mail through a server here.
"""

import json
import sys
from datetime import UTC, datetime, timedelta

import pytest
from helpers.http_service import ScriptedReply
from helpers.service import GRID, mail_section, serve_storm, shift_storm
from helpers.sites import site_entry, sites_text
from typer.testing import CliRunner

from stormplan.cli.main import app
from stormplan.company import sites_file
from stormplan.errors import InputError, SitesError
from stormplan.service import pipeline

LOT = {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}}
CLIENTS = {
    "mailed": {"name": "Mailed (invented)", "contact": "client@test.example"},
    "texted": {"name": "Texted (invented)", "phone": "608-555-0177", "contact_by": "text"},
    "silent": {"name": "Silent (invented)", "contact_by": "text"},
    "called": {"name": "Called (invented)", "phone": "608-555-0142", "contact_by": "call"},
}
TEXTER = """import json, os, pathlib, sys
log = pathlib.Path(sys.argv[1])
line = json.dumps([os.environ["STORMPLAN_RECIPIENT"], sys.stdin.read()])
log.write_text((log.read_text() if log.exists() else "") + line + "\\n")
"""

pytestmark = pytest.mark.slow


@pytest.fixture
def company(replay, server, tmp_path, monkeypatch):
    """A company with a client of each kind, its storm planned, in its own folder."""
    serve_storm(replay)
    days = (datetime.now(UTC) - pipeline.DEMO_NOW).days
    replay.script(GRID, ScriptedReply(shift_storm(timedelta(days=days))))
    (tmp_path / "texter.py").write_text(TEXTER)
    log = tmp_path / "texts.jsonl"
    delivery = {
        "mail": mail_section(server),
        "text": {"command": [sys.executable, str(tmp_path / "texter.py"), str(log)]},
    }
    sites = {key: site_entry(43.16, -89.44, LOT) | {"client": key} for key in CLIENTS}
    sites["texted-2"] = site_entry(43.16, -89.44, LOT) | {"client": "texted", "name": "Second"}
    text = sites_text(
        sites, replay.base_url, clients=CLIENTS, delivery=delivery, policy={"horizon": "30 h"}
    )
    (tmp_path / "sites.yaml").write_text(text)
    monkeypatch.chdir(tmp_path)
    assert call("brief").exit_code in (0, 3)
    return log


def call(*words):
    return CliRunner().invoke(app, words)


def test_each_client_hears_in_their_way_once_and_who_cannot_is_named(company, server):
    shown = call("notices", "preview")
    assert shown.exit_code == 0
    assert not company.exists()  # nothing went out
    assert server.accepted == []
    for words in ("mailed: mail to client@test.example", "texted: text to 608-555-0177"):
        assert words in shown.output
    sent = call("notices", "send")
    assert sent.exit_code == 3  # somebody was skipped
    assert "silent: skipped, wants a text; no phone number on file" in sent.output
    assert "called: call 608-555-0142; the words are in" in sent.output
    assert len(server.mails_to("client@test.example")) == 1
    texts = [json.loads(line) for line in company.read_text().splitlines()]
    assert [number for number, _ in texts] == ["608-555-0177"] * 2  # one message a site
    assert texts[1][1].startswith("Second: snow likely")
    assert max(len(text) for _, text in texts) <= 160
    again = call("notices", "send")
    assert again.output.count("already sent ") == 3
    assert len(company.read_text().splitlines()) == 2
    assert len(server.mails_to("client@test.example")) == 1


def test_a_text_somebody_changed_goes_out_as_it_stands(company, tmp_path):
    draft = tmp_path / "briefings" / "latest" / "notices" / "texted.sms"
    draft.write_text("To: 608-555-0199\n\nStay home,\nplease.\n")
    sent = call("notices", "send", "--client", "texted")
    assert sent.exit_code == 0, sent.output
    assert json.loads(company.read_text()) == ["608-555-0199", "Stay home, please."]


def test_without_a_way_to_send_every_draft_says_so(company, tmp_path):
    document = json.loads((tmp_path / "sites.yaml").read_text())
    del document["delivery"]["text"]
    (tmp_path / "sites.yaml").write_text(json.dumps(document))
    sent = call("notices", "send", "--client", "texted")
    assert sent.exit_code == 3
    assert "texted: skipped, wants a text; the sites file has no delivery.text" in sent.output
    del document["delivery"]
    (tmp_path / "sites.yaml").write_text(json.dumps(document))
    refused = call("notices", "send")
    assert isinstance(refused.exception, InputError)
    assert "no delivery.mail and no delivery.text" in str(refused.exception)


@pytest.mark.parametrize(
    ("number", "is_one"),
    [
        ("+1 406 555 0100", True),  # ITU-T E.164: up to fifteen digits
        ("(406) 555-0100", True),
        ("555-0100", True),
        ("555", False),
        ("+12345678901234567", False),
        ("call us", False),
    ],
)
def test_phone_numbers(number, is_one):
    clients = {"ours": {"name": "Ours", "phone": number, "contact_by": "call"}}
    text = sites_text({"a": site_entry(43.1, -89.4)}, clients=clients)
    if is_one:
        assert sites_file.parse_sites(text).clients["ours"].phone == number
    else:
        with pytest.raises(SitesError, match="is not a phone number; write it as"):
            sites_file.parse_sites(text)


def test_text_messages_have_one_way():
    both = {"text": {"command": ["x"], "webhook": {"url": "https://a.example", "secret_env": "S"}}}
    for delivery in (both, {"text": {}}):
        text = sites_text({"a": site_entry(43.1, -89.4)}, delivery=delivery)
        with pytest.raises(SitesError, match="give command or webhook"):
            sites_file.parse_sites(text)
