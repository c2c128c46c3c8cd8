"""A secret stands in nothing that is kept, shown or logged, in whatever form it comes back.

Each form is made by the standard library's own encoder, not by the code under test.
"""

import base64
import html
import json
import smtplib
import traceback
from urllib.parse import quote, quote_plus, urlencode

import pytest
import requests
from helpers.service import RunningCompany, serve_storm

from stormplan.cli import main, planning_commands
from stormplan.delivery import transports
from stormplan.service import runner
from stormplan.weather import redaction
from stormplan.weather.http_client import ServiceTerms, _Response
from stormplan.weather.redaction import redact, redact_known, remember_secret, remember_url

SECRET = 'kö/7+"s p&9\\x=='
FORMS = {
    "as it stands": SECRET,
    "percent-encoded": quote(SECRET, safe=""),
    "percent-encoded, slashes kept": quote(SECRET),
    "percent-encoded in lower case": quote(SECRET, safe="").replace("%2F", "%2f").lower(),
    "of a form": quote_plus(SECRET),
    "a query": urlencode({"apikey": SECRET}).partition("=")[2],
    "JSON": json.dumps(SECRET)[1:-1],
    "JSON in UTF-8": json.dumps(SECRET, ensure_ascii=False)[1:-1],
    "JSON with slashes escaped": json.dumps(SECRET)[1:-1].replace("/", "\\/"),
    "HTML": html.escape(SECRET),
    "repr": repr(SECRET)[1:-1],
}


@pytest.fixture(autouse=True)
def own_secrets(monkeypatch):
    monkeypatch.setattr(redaction, "_known", {})


@pytest.mark.parametrize("form", FORMS)
def test_every_form_of_a_secret_is_taken_out(form):
    text = f"before {FORMS[form]} after"
    assert redact(text, [SECRET]) == "before … after"


@pytest.mark.parametrize("user", ["", "u", "me", "you", "name"])
@pytest.mark.parametrize("encode", [base64.b64encode, base64.urlsafe_b64encode])
def test_basic_and_plain_authentication_are_taken_out_whoever_the_user_is(user, encode):
    """RFC 7617 (user:password) and RFC 4616 (NUL user NUL password)."""
    for credentials in (f"{user}:{SECRET}", f"\0{user}\0{SECRET}", SECRET):
        token = encode(credentials.encode()).decode()
        for sent in (token, quote(token, safe="")):
            left = redact(f"Basic {sent}", [SECRET])
            assert "…" in left
            rest = left.removeprefix("Basic ").split("…")
            assert max(map(len, rest)) <= len(encode(f"\0{user}\0".encode())) + 4
            assert SECRET[:4] not in left


def test_a_short_secret_eats_no_other_words_and_numbers():
    assert redact("pin 42 of 1420, 42nd", ["42"]) == "pin … of 1420, 42nd"


def test_a_longer_secret_goes_before_one_it_contains():
    assert redact("abcdefgh abcdef", ["abcdef", "abcdefgh"]) == "… …"


def test_a_response_keeps_no_form_of_a_key():
    terms = ServiceTerms(secret_params={"apikey": SECRET})
    body = json.dumps({"asked": quote(SECRET, safe=""), "key": SECRET, "n": 1})
    answer = terms.redact_response(_Response(400, {"x-asked": quote_plus(SECRET)}, body.encode()))
    assert json.loads(answer.body) == {"asked": "…", "key": "…", "n": 1}
    assert answer.headers == {"x-asked": "…"}
    binary = b"\xff\xfe\x00 no text"
    assert terms.redact_response(_Response(200, {}, binary)).body == binary


def test_the_key_of_an_address_is_not_in_the_library_s_own_exception():
    remember_url("http://127.0.0.1:9/services/T0001/hunter2-0123?key=private-9")
    try:
        requests.get("http://127.0.0.1:9/services/T0001/hunter2-0123?key=private-9", timeout=1)
    except requests.ConnectionError:
        raw = traceback.format_exc()
    assert all(key in raw for key in ("hunter2-0123", "private-9"))  # else this says nothing
    assert not any(key in redact_known(raw) for key in ("hunter2-0123", "private-9"))


def test_a_fault_of_the_program_says_no_secret(monkeypatch, capsys):
    def stumble():
        remember_secret(SECRET)
        raise ValueError(f"no {quote(SECRET)}")

    monkeypatch.setattr(main, "app", stumble)
    with pytest.raises(SystemExit) as ended:
        main.run()
    said = capsys.readouterr().err
    assert ended.value.code == 1
    assert "ValueError: no …" in said
    assert "Traceback" in said


def test_the_words_of_an_address_are_no_key():
    remember_url("https://watch.example/briefings/ping")
    assert redact_known("cannot write to /srv/briefings") == "cannot write to /srv/briefings"


def test_a_secret_that_was_read_is_in_no_delivery_log_or_traceback(
    tmp_path, replay, monkeypatch, capsys
):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("HOOK_SECRET", SECRET)

    def stumble(*args):
        password = transports.read_secret("HOOK_SECRET", None)
        raise smtplib.SMTPException(
            f"535 {base64.b64encode(password.encode()).decode()} {password}"
        )

    monkeypatch.setattr(transports, "_http_request", stumble)
    company = RunningCompany(
        tmp_path, replay, webhook={"url": f"{replay.base_url}/h", "secret_env": "HOOK_SECRET"}
    )
    serve_storm(replay)
    (status,) = company.step().deliveries
    assert "SMTPException: 535 …" in status.detail
    assert SECRET not in status.detail

    file = tmp_path / "sites.yaml"
    file.write_text(company.text)
    monkeypatch.setattr(runner, "run_step", stumble)
    planning_commands._repeated_step(company.config, file)()
    said = capsys.readouterr().err
    assert "SMTPException: 535 …" in said
    assert SECRET not in said


def test_what_is_not_known_stays():
    remember_secret("")
    assert redact_known("nothing of this") == "nothing of this"
