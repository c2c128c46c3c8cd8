"""The pages: forms that record exactly once, roles, and a list of attacks; asked over HTTP."""

import json
import re
import secrets
import threading
from datetime import UTC, datetime, timedelta

import pytest
import requests
from helpers.kill_record import kill_imports, kill_servers
from helpers.pages import SITES, documents, link_of, record, serving, write_morning
from helpers.sites import sites_text
from typer.testing import CliRunner

from stormplan.cli.main import app as cli
from stormplan.errors import InputError
from stormplan.record.entries import Application, PlowPass, Skipped
from stormplan.store.archive import Archive
from stormplan.store.people import PeopleLog, Role
from stormplan.store.record_log import RecordLog
from stormplan.web.guard import MAX_BODY_BYTES

SCRIPT = "<script>alert(1)</script>"
HOUR = timedelta(hours=1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    write_morning(folder, datetime.now(UTC))
    return folder


@pytest.fixture(scope="module")
def base(folder):
    with serving(folder, requests_a_minute=5000) as address:
        yield address


@pytest.fixture
def visit(folder, base):
    """Return a function that opens a link of a role and returns the session of the phone."""
    opened = []

    def open_as(role):
        phone = requests.Session()
        opened.append(phone)
        secret = link_of(folder, f"{role} {secrets.token_hex(4)}", role)
        reply = phone.get(f"{base}/open/{secret}")
        assert reply.status_code == 200
        assert secret not in reply.url
        return phone

    yield open_as
    for phone in opened:
        phone.close()


def form_of(page, form, place=""):
    """Return the hidden fields of the first form of a kind, as a browser would send them."""
    for part in re.findall(r"<form.*?</form>", page, re.S):
        if f'name="form" value="{form}"' in part and place in part:
            return dict(re.findall(r'name="(\w+)"[^>]*? value="([^"]*)"', part))
    raise AssertionError(f"no form {form}")


# -- a night with the phone -----------------------------------------------------------------------


def test_the_crew_logs_work_with_two_taps_and_a_number(folder, base, visit):
    crew = visit("crew")
    page = crew.get(f"{base}/work").text
    assert "to do" in page
    form = form_of(page, "done", 'value="mill/lot"')
    assert form["rate"]  # the plan's own rate stands there to be corrected
    reply = crew.post(f"{base}/entry", data=form | {"rate": "0.6"})
    assert reply.status_code == 200
    assert "0.60 gal/1000 ft²" in reply.text
    (entry,) = [one for one in record(folder) if one.id == form["key"]]
    assert isinstance(entry, Application)
    assert entry.by.startswith("crew")
    assert abs(entry.at - datetime.now(UTC)) < timedelta(minutes=1)
    assert "✓" in crew.get(f"{base}/work").text
    skip = form_of(crew.get(f"{base}/work").text, "skipped")
    assert crew.post(f"{base}/entry", data=skip | {"reason": "cars parked"}).status_code == 200
    assert isinstance(record(folder)[-1], Skipped)


def test_the_shed_logs_the_yard(folder, base, visit):
    shed = visit("shed")
    page = shed.get(f"{base}/yard").text
    sent = [
        ("tank", {"store": "north/t1", "amount": "1200", "gravity": "1.176", "temperature": "40"}),
        ("tank", {"store": "north/salt", "amount": "70000"}),
        ("batch", {"store": "north/t1", "amount": "500", "salt": "1100"}),
        ("delivery", {"store": "north/calcium", "amount": "275"}),
    ]
    before = len(record(folder))
    for form, fields in sent:
        reply = shed.post(f"{base}/entry", data=form_of(page, form) | fields | {
            "key": secrets.token_hex(16)})  # fmt: skip
        assert reply.status_code == 200, reply.text
    kinds = [one.kind for one in record(folder)[before:]]
    assert kinds == ["measurement", "measurement", "batch", "delivery"]


def test_a_form_sent_again_counts_once_as_it_was_first(folder, base, visit):
    crew = visit("crew")
    form = form_of(crew.get(f"{base}/look").text, "inspection") | {
        "surface": "mill/walk", "condition": "ice"}  # fmt: skip
    before = len(record(folder))
    replies = [
        crew.post(f"{base}/entry", data=form | {"condition": c}) for c in ("ice", "ice", "dry")
    ]
    assert [reply.status_code for reply in replies] == [200, 200, 200]
    assert ["already" in reply.text for reply in replies] == [False, True, True]
    added = record(folder)[before:]
    assert [one.condition for one in added] == ["ice"]
    # and by twenty taps at once
    form = form | {"key": secrets.token_hex(16)}
    cookies = crew.cookies.get_dict()
    taps = [threading.Thread(target=lambda: requests.post(
        f"{base}/entry", data=form, cookies=cookies).close()) for _ in range(20)]  # fmt: skip
    for tap in taps:
        tap.start()
    for tap in taps:
        tap.join()
    assert len(record(folder)) == before + 2
    with Archive(folder / "archive.sqlite") as archive:
        assert RecordLog(archive).first_broken_link() is None


def test_what_waited_on_the_phone_keeps_its_time(folder, base, visit):
    crew = visit("crew")
    form = form_of(crew.get(f"{base}/look").text, "inspection") | {
        "surface": "mill/walk", "condition": "wet"}  # fmt: skip
    seen_at = datetime.now(UTC) - 3 * HOUR
    assert crew.post(f"{base}/entry", data=form | {"at": seen_at.isoformat()}).status_code == 200
    assert record(folder)[-1].at == seen_at
    for late in (datetime.now(UTC) + HOUR, datetime.now(UTC) - timedelta(days=8)):
        fields = {"key": secrets.token_hex(16), "at": late.isoformat()}
        assert crew.post(f"{base}/entry", data=form | fields).status_code == 422


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"temperature": "285"}, "less than or equal to 70"),
        ({"temperature": "cold"}, "is not a number"),
        ({"condition": "snow"}, "a depth goes with"),
        ({"condition": ""}, "condition"),
        ({"surface": "mil/walk"}, "did you mean"),
        ({"key": "../../etc"}, "open the page again"),
        ({"at": "yesterday"}, "time of this form"),
    ],
)
def test_what_cannot_be_is_refused_in_words(folder, base, visit, fields, said):
    crew = visit("crew")
    form = form_of(crew.get(f"{base}/look").text, "inspection") | {
        "surface": "mill/walk", "condition": "wet"}  # fmt: skip
    before = len(record(folder))
    reply = crew.post(f"{base}/entry", data=form | fields)
    assert reply.status_code == 422
    assert said in reply.text.replace("&#39;", "'")
    assert len(record(folder)) == before


# -- attacks --------------------------------------------------------------------------------------

PATHS = ("/", "/work", "/look", "/yard", "/say", "/report/briefing", "/report/mixsheet")


@pytest.mark.parametrize("path", PATHS)
def test_no_session_no_page(base, path):
    for cookies in ({}, {"stormplan": "x" * 43}):
        reply = requests.get(base + path, cookies=cookies)
        assert reply.status_code == 403
        assert "mill" not in reply.text.lower()


@pytest.mark.parametrize(
    ("role", "path", "status"),
    [
        ("crew", "/report/mixsheet", 403), ("crew", "/report/notices", 403),
        ("crew", "/report/briefing", 200), ("shed", "/report/mixsheet", 200),
        ("shed", "/work", 403),
        ("account", "/work", 403), ("account", "/yard", 403), ("account", "/report/notices", 200),
        ("owner", "/work", 200), ("owner", "/yard", 200), ("owner", "/report/notices", 200),
        ("owner", "/report/plan.json", 403), ("owner", "/report/..%2f..%2farchive", 404),
        ("owner", "/static/..%2fapp.py", 404), ("owner", "/static/app.py", 404),
    ],
)  # fmt: skip
def test_each_role_sees_its_own(base, visit, role, path, status):
    assert visit(role).get(base + path).status_code == status


@pytest.mark.parametrize(
    ("role", "form"), [("shed", "done"), ("account", "tank"), ("crew", "batch"), ("crew", "?")]
)
def test_a_form_of_another_role_is_refused(folder, base, visit, role, form):
    phone = visit(role)
    token = re.search(r'name="token" value="(\w+)"', phone.get(base).text)[1]
    fields = {"form": form, "token": token, "key": secrets.token_hex(16)}
    before = len(record(folder))
    assert phone.post(f"{base}/entry", data=fields).status_code == 403
    assert len(record(folder)) == before


def test_a_forged_form_is_refused(folder, base, visit):
    crew, other = visit("crew"), visit("crew")
    form = form_of(crew.get(f"{base}/look").text, "inspection") | {
        "surface": "mill/walk", "condition": "wet"}  # fmt: skip
    token = form_of(other.get(f"{base}/look").text, "inspection")["token"]
    before = len(record(folder))
    for fields, headers in (
        (form | {"token": ""}, {}),
        (form | {"token": token}, {}),
        ({k: v for k, v in form.items() if k != "token"}, {}),
        (form, {"Sec-Fetch-Site": "cross-site"}),
    ):
        assert crew.post(f"{base}/entry", data=fields, headers=headers).status_code == 403
    assert crew.post(f"{base}/entry", data=b"\xff\xfe").status_code in (400, 403)
    assert crew.get(f"{base}/entry").status_code == 405
    assert len(record(folder)) == before


def test_a_script_in_every_field_is_text(base, visit):
    account = visit("account")
    page = account.get(f"{base}/say").text
    fields = {"site": "mill", "said": SCRIPT, "said_by": SCRIPT, "note": SCRIPT}
    reply = account.post(f"{base}/entry", data=form_of(page, "direction") | fields)
    assert reply.status_code == 200
    assert SCRIPT not in reply.text
    assert "&lt;script&gt;" in reply.text
    assert SCRIPT not in account.get(base).text
    for name in ("key", "form", "at", "site", "token"):
        bad = form_of(page, "direction") | fields | {"key": secrets.token_hex(16)} | {name: SCRIPT}
        reply = account.post(f"{base}/entry", data=bad)
        assert reply.status_code in (403, 422)
        assert SCRIPT not in reply.text


def test_what_is_too_big_or_too_often_is_refused(folder, visit, base):
    crew = visit("crew")
    try:
        status = crew.post(f"{base}/entry", data=b"x" * 10_000_000).status_code
    except requests.ConnectionError:  # refused before all of it was sent
        status = 413
    assert status == 413
    assert crew.post(f"{base}/entry", data=b"x" * (MAX_BODY_BYTES + 1)).status_code == 413
    with serving(folder, requests_a_minute=300) as address:
        phone = requests.Session()
        codes = [phone.get(f"{address}/static/pages.css").status_code for _ in range(1000)]
        phone.close()
    assert codes == [200] * 300 + [429] * 700


def test_links_cannot_be_guessed_at_length(folder):
    with serving(folder) as address:
        codes = [requests.get(f"{address}/open/{n}").status_code for n in range(15)]
    assert codes == [403] * 10 + [429] * 5


def test_a_revoked_link_ends_its_sessions(folder, base):
    secret = link_of(folder, "Sam", "crew")
    phone = requests.Session()
    assert phone.get(f"{base}/open/{secret}").status_code == 200
    with Archive(folder / "archive.sqlite") as archive:
        PeopleLog(archive).revoke("Sam", datetime.now(UTC))
    assert phone.get(base).status_code == 403
    assert phone.get(f"{base}/open/{secret}").status_code == 403
    phone.close()


def test_the_archive_keeps_no_secret_and_a_session_ends(folder, base):
    secret = link_of(folder, "Lou", "crew")
    with Archive(folder / "archive.sqlite") as archive:
        log, now = PeopleLog(archive), datetime.now(UTC)
        session = log.start_session(secret, now)
        assert log.person_of_session(session, now).name == "Lou"
        assert log.person_of_session(session, now + timedelta(days=31)) is None
        with pytest.raises(InputError, match="has a link already"):
            log.add_person("Lou", Role.CREW, now)
    kept = b"".join(file.read_bytes() for file in folder.glob("archive.sqlite*"))
    assert secret.encode() not in kept
    assert session.encode() not in kept


def test_headers_and_hosts(base, visit):
    crew = visit("crew")
    for path in ("/", "/work", "/report/briefing", "/static/queue.js"):
        headers = crew.get(base + path).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert headers["cache-control"] == "no-store"
    assert crew.get(base, headers={"Host": "elsewhere.example"}).status_code == 400
    secret_reply = requests.get(f"{base}/open/nothing")
    assert "set-cookie" not in secret_reply.headers


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(folder, base):
    reply = requests.get(f"{base}/open/{link_of(folder, 'Ann', 'owner')}", allow_redirects=False)
    cookie = reply.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert reply.headers["location"] == "/"


# -- commands, and being killed -------------------------------------------------------------------


def test_links_are_made_listed_and_revoked_by_a_command(tmp_path):
    where = ["--archive", str(tmp_path / "archive.sqlite")]
    run = CliRunner().invoke
    made = run(cli, ["people", "add", "Kim", "crew", "--base", "https://pages.example/", *where])
    assert re.search(r"Kim, crew: https://pages\.example/open/[\w-]{43}\n", made.output)
    assert "Kim, crew" in run(cli, ["people", "list", *where]).output
    assert run(cli, ["people", "revoke", "Kim", *where]).exit_code == 0
    assert "Kim, crew, revoked" in run(cli, ["people", "list", *where]).output
    for words, said in (
        (["add", "Kim", "boss"], "accepted: owner, shed, crew, account"),
        (["add", "\n", "crew"], "printable"),
        (["revoke", "Lee"], "nobody named 'Lee'"),
    ):
        assert said in str(run(cli, ["people", *words, *where]).exception)


@pytest.mark.slow
@pytest.mark.parametrize("kill", [kill_imports, kill_servers])
def test_killed_at_any_point_nothing_acknowledged_is_lost_and_nothing_is_there_twice(
    tmp_path, kill
):
    # benchmarks/kill_record.py does it at 200 points
    (tmp_path / "sites.yaml").write_text(sites_text(SITES), encoding="utf-8")
    tally = kill(3, tmp_path, ("mill", "lot"), 2026)
    assert tally.problems == []
    assert tally.acknowledged


def test_a_pass_goes_with_salt_where_the_visit_has_both(folder, base, visit):
    crew = visit("crew")
    form = form_of(crew.get(f"{base}/look").text, "inspection") | {
        "form": "done", "surface": "mill/lot", "action": "salt", "plow": "1",
        "rate": "3"}  # fmt: skip
    assert crew.post(f"{base}/entry", data=form).status_code == 200
    passed, salted = record(folder)[-2:]
    assert isinstance(passed, PlowPass)
    assert salted.salt_kg_m2 == pytest.approx(3 * 0.45359237 / 92.90304, rel=1e-6)
    assert json.loads(documents(folder)[-1][1])["id"] == form["key"]
