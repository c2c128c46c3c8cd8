"""Days of the invented company over the pages: each morning planned from what was logged before."""

import re
import secrets
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib.resources import files

import pytest
import requests
from helpers.pages import link_of, record, serving
from test_stock import chloride_at
from typer.testing import CliRunner

from stormplan.cli.main import app
from stormplan.company import sites_file
from stormplan.planning import plan_io
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.record.entries import Application
from stormplan.record.stock_ledger import stock_book
from stormplan.record.surface_history import surface_histories
from stormplan.service.pipeline import DEMO_NOW
from stormplan.store.archive import Archive
from stormplan.store.record_log import RecordLog
from stormplan.store.run_log import RunLog
from stormplan.units import L_PER_GAL
from stormplan.weather.providers import Location
from stormplan.weather.providers.recorded import RecordedSource
from stormplan.web.work_list import work_list

DEMO = files("stormplan") / "demo"
DAY, MORNINGS = timedelta(days=1), 3  # a form may be a week late

pytestmark = pytest.mark.slow


def forms_of(page):
    for part in re.findall(r"<form.*?</form>", page, re.S):
        fields = dict(re.findall(r'name="(\w+)"[^>]*? value="([^"]*)"', part))
        sprayer = re.search(r'<option value="([\w-]+)" selected', part)
        if fields.get("form") == "done" and "planned" in fields:
            yield fields | {"sprayer": sprayer[1] if sprayer else "", "rate": fields["planned"]}


def test_days_of_the_invented_company_add_up(tmp_path):
    """The demo's storm comes every night; everything asked for is logged, some twice."""
    text = (DEMO / "sites.yaml").read_text(encoding="utf-8") + "\npolicy: {horizon: 30 h}\n"
    (tmp_path / "sites.yaml").write_text(text, encoding="utf-8")
    sites, source = sites_file.parse_sites(text), RecordedSource(DEMO)
    first = DEMO_NOW + DAY * ((datetime.now(UTC) - DEMO_NOW) // DAY - MORNINGS)
    cells = {
        key: source.forecast(Location(key, site.latitude_deg, site.longitude_deg), DEMO_NOW)
        for key, site in sites.sites.items()
    }
    latest = tmp_path / "out" / "latest"
    latest.mkdir(parents=True)
    sent = 0
    with serving(tmp_path, requests_a_minute=50_000) as base, requests.Session() as phone:
        assert phone.get(f"{base}/open/{link_of(tmp_path, 'Kim', 'owner')}").status_code == 200
        token = re.search(r'name="token" value="(\w+)"', phone.get(base).text)[1]

        def log(at, form, **fields):
            key = fields.pop("key", secrets.token_hex(16))
            told = {"token": token, "at": at.isoformat(), "form": form, "key": key} | fields
            reply = phone.post(f"{base}/entry", data=told)
            assert reply.status_code == 200, reply.text

        for morning in range(MORNINGS):
            now = first + morning * DAY
            moved = {
                key: replace(
                    cell, **{name: getattr(cell, name) + (now - DEMO_NOW)
                             for name in ("start", "issued_at", "fetched_at")}
                )
                for key, cell in cells.items()
            }  # fmt: skip
            known = record(tmp_path)
            plan = make_plan(
                sites, {key: SiteForecasts(cell) for key, cell in moved.items()}, now,
                histories=surface_histories(known, now, oldest=now - 3 * DAY),
                stock=stock_book(sites, known, now),
            )  # fmt: skip
            (latest / "plan.json").write_text(plan_io.plan_json(plan), encoding="utf-8")
            with Archive(tmp_path / "archive.sqlite") as archive:
                RunLog(archive).add_run(plan_io.plan_json(plan), now, "asked", announced=True)
            minutes = timedelta(minutes=10)
            log(now + minutes, "batch", store="north/t1", amount="300", salt="680")
            log(now + 2 * minutes, "load", sprayer="north/truck-1", store="north/t1",
                amount="150", more_store="north/beet-magnesium", more="8")  # fmt: skip
            work = list(forms_of(phone.get(f"{base}/work").text))
            due_at = {item.done_key: item.at for site in work_list(plan, record(tmp_path))
                      for item in site.items}  # fmt: skip
            assert work
            for number, form in enumerate(work):
                told = {k: v for k, v in form.items() if k not in ("form", "token", "at")}
                for _ in range(1 + number % 2):  # a phone that does not know sends again
                    log(max(due_at[form["key"]], now) + 3 * minutes, "done", **told)
                sent += 1
            assert list(forms_of(phone.get(f"{base}/work").text)) == []
            evening = now + DAY - minutes  # after the last visit
            log(evening, "return", sprayer="north/truck-1", store="north/t1", amount="20")
            log(evening, "loss", store="north/t1", amount="2", cause="leak")
            log(evening + timedelta(minutes=1), "tank", store="north/t1", amount="250",
                gravity="1.176", temperature="40")  # fmt: skip
    known, now = record(tmp_path), datetime.now(UTC)
    assert len({one.id.removesuffix("-pass") for one in known}) == sent + 5 * MORNINGS
    book = stock_book(sites, known, now)
    put_on_sites = chloride_at(book, "surface")
    by_site = [chloride_at(book, "surface", key) for key in sites.sites]
    by_event = [
        moved.chloride_kg * sign
        for moved in book.movements
        for account, sign in ((moved.target, 1.0), (moved.source, -1.0))
        if account.kind == "surface" and moved.entry
    ]
    came_kg = -chloride_at(book, "opening") - chloride_at(book, "supply")
    named_kg = chloride_at(book, "loss") + chloride_at(book, "difference")
    drawn_kg = came_kg - chloride_at(book, "store") - chloride_at(book, "sprayer")
    assert sum(by_event) == pytest.approx(put_on_sites, abs=1e-6)
    assert sum(by_site) == pytest.approx(put_on_sites, abs=1e-6)
    assert put_on_sites == pytest.approx(drawn_kg - named_kg, abs=1e-6)
    assert put_on_sites > 10.0
    assert len(book.load_checks) == MORNINGS
    t1_gal = book.yards["north"].stores["t1"].volume_l / L_PER_GAL
    assert t1_gal == pytest.approx(250 * 1.0046, abs=1)  # as measured last, at 40 °F
    with Archive(tmp_path / "archive.sqlite") as archive:
        assert RecordLog(archive).first_broken_link() is None
    busy = next(one for one in known if isinstance(one, Application))
    day = busy.at.astimezone(sites.zone(sites.sites[busy.site])).date()
    where = ["--archive", str(tmp_path / "archive.sqlite"), "--sites", str(tmp_path / "sites.yaml")]
    words = ["record", "packet", busy.site, str(day), "--rules", "nh", "--to", str(tmp_path / "p")]
    assert CliRunner().invoke(app, [*words, *where]).exit_code == 0
    page = (tmp_path / "p" / "packet.html").read_text(encoding="utf-8")
    assert busy.id in page
    assert "Nothing that these rules ask for is missing" in page
