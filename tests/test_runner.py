"""The run that nobody starts: told once, told what changed, and carried on after any mishap."""

import contextlib
import dataclasses
import json
import multiprocessing
import os
import re
import shlex
import sqlite3
import subprocess
import sys
import threading
import time
from datetime import UTC, date, datetime, timedelta
from importlib.resources import files
from pathlib import Path

import pytest
from helpers import service, smtp
from helpers.command_line import stormplan
from helpers.diagnostics import codes, degraded_lines, note_lines
from helpers.http_service import GEO_JSON, ScriptedReply
from helpers.service import GRID, HOUR, MINUTE, OFFICE, OWNER, STORM, YARD, RunningCompany
from helpers.sites import BASE_SECTIONS, site_entry
from helpers.sites import parse_sites as make

from stormplan.errors import ExitCode, InputError
from stormplan.planning import plan_io
from stormplan.service import health, pipeline, runner
from stormplan.service.last_step import LastStep, write_last_step
from stormplan.store import announced_days, maintenance, report_folders
from stormplan.store.archive import IN_MEMORY, Archive
from stormplan.store.run_log import RunLog
from stormplan.weather import http_client
from stormplan.words import diagnostic_text

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("remembered_plans")]


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    """A drip is heard out for a tenth of a second, not a minute."""
    monkeypatch.setattr(http_client, "MAX_READ_S", 0.1)


@pytest.fixture(autouse=True)
def state_folder(monkeypatch, tmp_path):
    """The user's state folder, for what cannot be kept beside the archive."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


@pytest.fixture
def ours(tmp_path, replay, server):
    service.serve_storm(replay)
    company = RunningCompany(tmp_path, replay, server)
    yield company
    company.restart()


def states(done):
    return {each.recipient: each.state for each in done.deliveries}


def calmer(hours_later=0.0, snow=1.0):
    """The storm's grid with its snow scaled and moved."""
    body = json.loads(STORM)
    for name in ("quantitativePrecipitation", "snowfallAmount"):
        for entry in body["properties"][name]["values"]:
            entry["value"] = (entry["value"] or 0) * snow
    if snow == 0.0:
        body["properties"]["weather"]["values"] = [
            entry | {"value": [{"coverage": None, "weather": None, "intensity": None}]}
            for entry in body["properties"]["weather"]["values"]
        ]
    return body


# -- one morning ----------------------------------------------------------------------------------


def test_a_morning_is_planned_written_and_mailed_to_everybody_once(ours, server):
    done = ours.step()
    assert (done.kind, done.plan.verdict, done.announced) == ("briefing", "go", True)
    assert states(done) == dict.fromkeys((OWNER, YARD, OFFICE), "sent")
    subject = server.mails_to(OWNER)[0]["Subject"]  # go, when, what, how much: a lock screen's line
    said = r"GO Mon \d+(:\d\d)? [AP]M: pre-treat 1 surface; \d+ gal(; then .*)?"
    assert re.fullmatch(said, subject)
    assert len(subject) <= 78
    assert ours.latest().splitlines()[1].startswith("GO")
    assert json.loads((ours.out / "heartbeat.json").read_text())["exit_code"] == 0
    for _ in range(3):
        again = ours.step(MINUTE)
        assert again.plan is None
    assert len(server.accepted) == 3
    assert done.next_step_at == pipeline.DEMO_NOW + 3 * HOUR


def test_the_first_run_ever_is_not_late(ours):
    ours.now += 3 * HOUR
    done = ours.step()
    assert not degraded_lines(done.plan)
    assert json.loads((ours.out / "heartbeat.json").read_text())["exit_code"] == 0
    assert "this is the first run" in " ".join(ours.latest().split())


def test_a_late_morning_says_how_late(ours):
    ours.out.mkdir()
    write_last_step(ours.out, LastStep(ours.now - HOUR))  # it ran before, and slept since
    ours.now += 3 * HOUR
    done = ours.step()
    assert degraded_lines(done.plan) == (
        "late by 3 h 00 min: the program was not running, or the computer asleep",
    )
    assert "late by 3 h 00 min" in " ".join(ours.latest().split())


def test_a_storm_is_planned_again_but_only_news_is_announced(ours, replay, server):
    ours.step()
    same = ours.step(3 * HOUR)
    assert (same.kind, same.announced) == ("storm", False)
    assert len(server.accepted) == 3
    replay.script(GRID, ScriptedReply(calmer(snow=0.0)))
    news = ours.step(3 * HOUR)
    assert (news.kind, news.announced) == ("storm", True)
    assert news.plan.verdict == "nothing"
    mail = server.mails_to(OWNER)[-1].get_body(("plain",)).get_content()
    assert "WHAT CHANGED SINCE THE LAST PLAN" in mail
    assert "Answer nothing, was go" in mail
    assert len(server.accepted) == 6


def test_what_was_not_announced_is_not_what_the_next_plan_is_compared_with(ours):
    """Else a plan could drift away in steps that are each too small to tell."""
    first = ours.step()
    assert not ours.step(3 * HOUR).announced
    with Archive(ours.config.archive_path) as kept:
        ledger = RunLog(kept)
        assert ledger.last_run().made_at == ours.now
        assert ledger.last_announced().document == plan_io.plan_json(first.plan)


def test_24_hours_with_a_storm(ours, server, replay):
    made, end = [], ours.now + 24 * HOUR
    while ours.now < end:
        done = ours.step()
        if done.plan is not None:
            made.append(done)
        assert done.next_step_at > ours.now
        ours.now = min(done.next_step_at, ours.now + HOUR)
    assert [done.kind for done in made].count("briefing") == 1
    assert 7 <= [done.kind for done in made].count("storm") <= 8
    assert len(server.mails_to(OWNER)) == sum(done.announced for done in made)
    ids = [mail["Message-ID"] for _, mail in server.accepted]
    assert len(set(ids)) == len(ids)


# -- the fault table: what the headline says, and what is kept ------------------------------------


LATER = {"Content-Type": "application/json", "Retry-After": "3600"}
FAULTS = {
    "times out": (ScriptedReply(delay_s=0.4), "no answer in time"),
    "reset in the middle": (ScriptedReply(json.loads(STORM), truncate_at=900), "broke off"),
    "connection reset": (ScriptedReply(reset=True), "no connection"),
    "500": (ScriptedReply({"title": "x"}, 500), "500"),
    "503, come back in an hour": (ScriptedReply({}, 503, LATER), "503"),
    "429, come back in an hour": (ScriptedReply({}, 429, LATER), "429"),
    "403 page": (
        ScriptedReply("<html>denied", 403, {"Content-Type": "text/html"}), "403 with a page",
    ),
    "slow drip": (ScriptedReply(STORM, byte_delay_s=0.01), "an answer without end"),
    "JSON cut short": (ScriptedReply(STORM[:5000]), "cut short"),
    "four days old": (
        ScriptedReply(json.loads(STORM.replace("2026-01-12T09:12", "2026-01-08T09:12"))),
        "older forecast",
    ),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_failing_service_leaves_the_last_forecast_standing_and_is_said(ours, replay, fault):
    """Two mornings: the first is good, on the second the service fails."""
    first = ours.step()
    answer, _ = FAULTS[fault]
    replay.script(GRID, answer)
    second = ours.step(24 * HOUR)
    assert second.kind == "briefing"
    assert second.plan.exit_code is ExitCode.DEGRADED
    assert second.plan.sites[0].source.stale
    assert second.plan.sites[0].source.issued_at == first.plan.sites[0].source.issued_at
    text = " ".join(ours.latest().split())
    assert "NOT EVERYTHING IS KNOWN" in text
    assert "forecast is 25 h old" in text
    assert second.announced
    with Archive(ours.config.archive_path) as kept:
        assert maintenance.check_integrity(kept).problems == ()
        assert kept.last_plan(ours.now).document == plan_io.plan_json(first.plan)


@pytest.mark.parametrize("fault", [name for name in FAULTS if name != "four days old"])
def test_a_failing_service_without_a_copy_is_no_forecast_and_still_a_briefing(ours, replay, fault):
    answer, words = FAULTS[fault]
    replay.script(GRID, answer)
    done = ours.step()
    assert done.plan.exit_code is ExitCode.NOTHING_PLANNED
    assert words in done.plan.no_forecast_reason("a")
    assert "NO FORECAST" in ours.latest()
    assert states(done) == dict.fromkeys((OWNER, YARD, OFFICE), "sent")
    assert done.next_step_at == ours.now + 30 * MINUTE  # not left until tomorrow
    service.serve_storm(replay)
    better = ours.step(30 * MINUTE)
    assert better.announced
    assert better.plan.verdict == "go"


def test_one_failing_site_does_not_stop_the_other(tmp_path, replay, server):
    service.serve_storm(replay)
    company = RunningCompany(tmp_path, replay, server)
    there = {"a": company.place, "b": site_entry(51.5, -0.1, service.LOT)}
    company.config.sites = make(there, replay.base_url, **company.sections)
    done = company.step()
    assert done.plan.verdict == "go"
    assert done.plan.exit_code is ExitCode.DEGRADED
    assert "outside the area" in degraded_lines(done.plan)[0]


# -- the disk and the archive ----------------------------------------------------------------------


def test_a_locked_archive_is_planned_around_and_caught_up_with(ours, server):
    ours.step()
    ours.now += 24 * HOUR
    with Archive(ours.config.archive_path) as other, other.connection() as file:
        file.execute("BEGIN IMMEDIATE")
        done = ours.step()
        assert done.kind == "briefing"
        assert any("is in use by another program" in line for line in degraded_lines(done.plan))
        assert states(done)[OWNER] == "sent"
        assert ours.step(5 * MINUTE).plan is None  # remembered, though not in the file
        file.execute("ROLLBACK")
    assert ours.step(5 * MINUTE).plan is None
    assert ours.config.fallback_archive is None
    with Archive(ours.config.archive_path) as kept:
        assert RunLog(kept).has_briefing(done.plan.made_at.date())
    assert len(server.mails_to(OWNER)) == 2


def damage_pages(path):
    """Spoil every page but the first, which names the tables."""
    size = sqlite3.connect(path).execute("PRAGMA page_size").fetchone()[0]
    raw = bytearray(path.read_bytes())
    for page in range(size, len(raw), size):
        raw[page : page + 64] = b"\xff" * 64
    path.write_bytes(raw)


def test_pages_damaged_while_the_archive_is_locked_cost_no_morning(ours, server):
    """What is held in memory instead is a copy, and is not taken with its damage."""
    ours.step()
    damage_pages(ours.config.archive_path)
    with contextlib.closing(sqlite3.connect(ours.config.archive_path)) as other:
        other.execute("BEGIN IMMEDIATE")
        done = ours.step(24 * HOUR)
        assert (done.kind, done.announced) == ("briefing", True)
        assert "archive_fallback" in codes(done.plan)
    assert ours.step(24 * HOUR).kind == "briefing"
    assert len(server.mails_to(OWNER)) == 3


def test_a_memory_found_damaged_is_let_go_and_said(ours, server):
    ours.step()
    with contextlib.closing(sqlite3.connect(ours.config.archive_path)) as other:
        other.execute("BEGIN IMMEDIATE")
        ours.step(24 * HOUR)
    with ours.config.fallback_archive.connection() as held:
        raw = bytearray(held.serialize())
        raw[18:20] = b"\1\1"  # no write-ahead log in memory
        for page in range(4096, len(raw), 4096):
            raw[page : page + 64] = b"\xff" * 64
        held.deserialize(bytes(raw))
    done = ours.step(24 * HOUR)
    assert (done.kind, done.announced) == ("briefing", True)
    assert any("is damaged" in line for line in degraded_lines(done.plan))
    assert len(server.mails_to(OWNER)) == 3


def test_a_damaged_archive_is_kept_aside_and_a_new_one_begun(ours):
    ours.step()
    ours.config.archive_path.write_bytes(b"nonsense " * 1000)
    done = ours.step(24 * HOUR)
    assert any("is damaged" in line for line in degraded_lines(done.plan))
    assert len(list(ours.out.glob("archive.sqlite.damaged-*"))) == 1
    assert "archive_fallback" not in codes(ours.step(24 * HOUR).plan)


@pytest.mark.parametrize("table", ["plan", "run", "reply"])
def test_the_pages_of_the_archive_are_read_once_and_again_when_damage_is_met(
    ours, monkeypatch, table
):
    checked = []
    whole = maintenance.open_or_fall_back

    def count(*args, reads_pages, **more):
        checked.append(reads_pages)
        return whole(*args, reads_pages=reads_pages, **more)

    monkeypatch.setattr(maintenance, "open_or_fall_back", count)
    for _ in range(3):
        ours.step(5 * MINUTE)
    assert checked == [True, False, False]
    pages = bytearray(ours.config.archive_path.read_bytes())
    with contextlib.closing(sqlite3.connect(ours.config.archive_path)) as file:
        query = "SELECT rootpage FROM sqlite_master WHERE name = ?"
        (page,) = file.execute(query, (table,)).fetchone()
        (size,) = file.execute("PRAGMA page_size").fetchone()
    pages[(page - 1) * size : page * size] = b"\xff" * size  # the schema stays: only rows tell
    ours.config.archive_path.write_bytes(pages)
    met = ours.step(24 * HOUR)
    assert any("is damaged" in line for line in degraded_lines(met.plan))
    assert checked[3:] == [False, True]
    assert len(list(ours.out.glob("archive.sqlite.damaged-*"))) == 1
    done = ours.step(24 * HOUR)
    assert done.plan is not None
    assert "archive_fallback" not in codes(done.plan)


def test_an_index_that_disagrees_with_its_table_is_made_anew(ours, server):
    """SQLite's file format, 1.6: 0x0a is a leaf page of an index, here one without any cell."""
    ours.step()
    path = ours.config.archive_path
    with contextlib.closing(sqlite3.connect(path)) as file:
        query = "SELECT rootpage FROM sqlite_master WHERE name = 'delivery_by_plan'"
        (page,) = file.execute(query).fetchone()
        (size,) = file.execute("PRAGMA page_size").fetchone()
    with path.open("r+b") as raw:
        raw.seek((page - 1) * size)
        raw.write(bytes([0x0A, 0, 0, 0, 0, *size.to_bytes(2), 0]))
    with contextlib.closing(sqlite3.connect(path)) as file:
        assert "missing from index" in file.execute("PRAGMA integrity_check").fetchone()[0]
    ours.config.is_archive_checked = False
    (ours.out / "last_step.json").unlink()
    done = ours.step(24 * HOUR)
    assert (done.kind, done.announced) == ("briefing", True)
    with Archive(path) as kept:
        assert maintenance.check_integrity(kept).problems == ()
        assert len(RunLog(kept).delivery_statuses(1)) == len(RunLog(kept).delivery_statuses(2)) == 3
    assert not list(ours.out.glob("*.damaged-*"))
    assert [len(server.mails_to(to)) for to in (OWNER, YARD, OFFICE)] == [2, 2, 2]


@pytest.mark.parametrize("beside", [True, False], ids=["beside it", "in the state folder"])
def test_a_timer_tells_no_briefing_twice_while_the_archive_cannot_be_written(
    ours, server, monkeypatch, beside
):
    """Every five minutes for three hours, each time a new program."""
    ours.config.keeps_running = False
    ours.out.mkdir()
    ours.config.archive_path.mkdir()  # nothing can be opened there
    if not beside:
        monkeypatch.setattr(announced_days, "write_atomic", _not_beside(ours.out))
    for minutes in range(0, 180, 5):
        ours.now = pipeline.DEMO_NOW + minutes * MINUTE
        ours.step()
        ours.restart()
    assert len(server.mails_to(OWNER)) == 1
    ours.config.archive_path.rmdir()
    for _ in range(3):
        assert ours.step(5 * MINUTE).kind != "briefing"
    found = health.check_health(ours.config)
    assert found.exit_code is ExitCode.DEGRADED
    assert "the archive does not know of it" in found.lines[0]
    ours.now = pipeline.DEMO_NOW + 24 * HOUR
    assert ours.step().kind == "briefing"


def test_a_late_mail_goes_once_though_the_archive_cannot_keep_that_it_went(ours, server):
    """Greylisted, then the archive is locked for an hour, and a timer starts the program."""
    server.rcpt_replies[OWNER] = ["451 try later"]
    ours.config.keeps_running = False
    assert states(ours.step())[OWNER] == "failed"
    server.rcpt_replies[OWNER] = ["ok"]
    with Archive(ours.config.archive_path) as other, other.connection() as file:
        file.execute("BEGIN IMMEDIATE")
        for _ in range(12):
            ours.restart()
            ours.step(5 * MINUTE)
        file.execute("ROLLBACK")
    ours.restart()
    assert states(ours.step(5 * MINUTE))[OWNER] == "sent"
    assert [len(server.mails_to(to)) for to in (OWNER, YARD, OFFICE)] == [1, 1, 1]


def _not_beside(folder):
    def write(path, text):
        if path.parent == folder:
            raise OSError(30, "Read-only file system")
        return report_folders.write_atomic(path, text)

    return write


def test_what_nothing_can_remember_is_written_but_not_sent_by_a_timer(ours, server, monkeypatch):
    def refuse(path, text):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(announced_days, "write_atomic", refuse)
    ours.out.mkdir()
    ours.config.archive_path.mkdir()
    ours.config.keeps_running = False
    done = ours.step()
    assert any("written but not sent" in line for line in done.problems)
    assert ours.latest()
    assert server.accepted == []
    ours.restart()
    ours.config.keeps_running = True  # it remembers by itself
    assert ours.step(MINUTE).announced
    assert ours.step(MINUTE).plan is None
    assert len(server.mails_to(OWNER)) == 1


DAMAGE = {
    "the newest plan": "UPDATE plan SET document = substr(document, 1, 40) || x'00'",
    "a plan that is text": "UPDATE plan SET document = 'no plan'",
    "the time of a plan": "UPDATE plan SET made_at = '2026-01-1\x7f'",
    "a forecast": "UPDATE reply SET body = x'789c00' WHERE url LIKE '%gridpoints%'",
    "the reply for a place": "UPDATE reply SET body = x'789c00' WHERE url LIKE '%points%'",
    "headers": "UPDATE reply SET headers = '[]'",
    "headers of odd bytes": "UPDATE reply SET headers = CAST(x'7b22ff223a2222' AS TEXT)",
    "the time of a reply": "UPDATE reply SET fetched_at = '2026-01-12T1\x7f'",
    "the grid of a place": "UPDATE point SET grid_url = CAST(x'ff' AS TEXT)",
    "the time of a look-up": "UPDATE point SET looked_up_at = '2026-01-12T1\x7f'",
    "the state of a delivery": "UPDATE delivery SET state = CAST(x'73656eff' AS TEXT)",
    "the time of a delivery": "UPDATE delivery SET at = 'soon'",
    "whom a delivery was to": "UPDATE delivery SET recipient = x'fffe' WHERE id = (SELECT max(id) "
    "FROM delivery)",
    "what a delivery went by": "UPDATE delivery SET channel = x'fffe' WHERE id = (SELECT max(id) "
    "FROM delivery)",
    "what was said of a delivery": "UPDATE delivery SET said = x'fffe'",
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_row_takes_no_morning_away_and_is_said(ours, server, damage):
    ours.step()
    with contextlib.closing(sqlite3.connect(ours.config.archive_path)) as file:
        for (name,) in list(file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")):
            file.execute(f"DROP TRIGGER {name}")
        file.execute(DAMAGE[damage])
        file.commit()
    assert ours.step(MINUTE).kind != "briefing"
    health.check_health(ours.config)  # says what it can
    mails = len(server.mails_to(OWNER))
    assert mails == 1
    mornings = [ours.step(24 * HOUR - (day == 0) * MINUTE) for day in range(3)]
    assert [done.kind for done in mornings] == ["briefing"] * 3
    assert all(done.announced and states(done)[OWNER] == "sent" for done in mornings)
    assert len(server.mails_to(OWNER)) == mails + 3
    if damage not in ("the time of a reply", "a forecast", "the reply for a place"):
        assert "archive_rows_damaged" in codes(mornings[0].plan)
        assert any("damaged in the archive" in line for line in degraded_lines(mornings[0].plan))


def test_a_mail_that_was_refused_stays_said_though_the_archive_lost_its_rows(ours, server):
    server.rcpt_replies[OWNER] = ["550 no such mailbox"]
    assert states(ours.step())[OWNER] == "refused"
    with contextlib.closing(sqlite3.connect(ours.config.archive_path)) as file:
        for (name,) in list(file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")):
            file.execute(f"DROP TRIGGER {name}")
        file.execute("UPDATE delivery SET plan = -1")
        file.commit()
    found = health.check_health(ours.config)
    assert found.exit_code is ExitCode.DEGRADED
    assert [line for line in found.lines if OWNER in line] == [
        f"the last plan by mail to {OWNER}: refused, by what is kept beside the archive"
    ]


def test_an_unknown_past_is_not_caught_up_with(ours):
    """No memory, and past the time: it may well have been made."""
    ours.out.mkdir()
    ours.config.archive_path.mkdir()  # nothing can be opened there
    assert ours.step(HOUR).plan is None
    ours.restart()
    ours.now = pipeline.DEMO_NOW + 24 * HOUR
    done = ours.step()
    assert done.kind == "briefing"
    assert ours.config.fallback_archive.path == IN_MEMORY


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 2 MB, mounted; needs the right to mount."""
    where = tmp_path / "disk"
    where.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(where)]
    if subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("no right to mount a small disk here")
    try:
        yield where
    finally:
        subprocess.run(["umount", "-l", str(where)], check=True)


def fill_up(disk):
    with contextlib.suppress(OSError), (disk / "film.mkv").open("wb", buffering=0) as other:
        while other.write(b"\0" * 512):
            pass


def test_a_disk_full_from_the_start_stops_no_briefing(small_disk, replay, server):
    service.serve_storm(replay)
    company = RunningCompany(small_disk, replay, server)
    company.out.mkdir()
    fill_up(small_disk)
    done = company.step()
    assert company.config.fallback_archive.path == IN_MEMORY
    assert any(
        "nothing learned this time will be remembered" in t for t in degraded_lines(done.plan)
    )
    assert set(states(done).values()) == {"sent"}
    assert company.step(5 * MINUTE).plan is None
    (small_disk / "film.mkv").unlink()
    company.step(5 * MINUTE)
    with Archive(company.config.archive_path) as kept:
        assert RunLog(kept).has_briefing(date(2026, 1, 12))
    assert len(server.mails_to(OWNER)) == 1
    assert company.latest().splitlines()[1].startswith("GO")


def test_a_full_disk_is_said_the_mail_still_goes_and_the_last_plan_stays(
    small_disk, replay, server, monkeypatch
):
    monkeypatch.setattr(runner, "MIN_FREE_BYTES", 200_000)
    service.serve_storm(replay)
    company = RunningCompany(small_disk, replay, server)
    company.step()
    before = company.latest()
    fill_up(small_disk)
    done = company.step(24 * HOUR)
    assert any("No space left on device" in line for line in degraded_lines(done.plan))
    assert states(done)[OWNER] == "sent"
    assert company.latest() == before
    assert not list(company.out.glob(".*unfinished*"))
    for _ in range(3):
        assert company.step(5 * MINUTE).plan is None
    (small_disk / "film.mkv").unlink()
    company.step(5 * MINUTE)
    with Archive(company.config.archive_path) as kept:
        assert maintenance.check_integrity(kept).problems == ()
        assert RunLog(kept).has_briefing(done.plan.made_at.date())
    assert len(server.mails_to(OWNER)) == 2
    assert company.latest() != before


def test_a_folder_that_may_only_be_read_is_said_and_the_mail_still_goes(small_disk, replay, server):
    service.serve_storm(replay)
    company = RunningCompany(small_disk, replay, server)
    company.step()
    before = company.latest()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    done = company.step(24 * HOUR)
    assert any("cannot write to" in line for line in degraded_lines(done.plan))
    assert any("cannot be opened" in line for line in degraded_lines(done.plan))
    assert states(done)[OWNER] == "sent"
    assert company.latest() == before
    company.restart()


def test_the_clock_set_back_is_said(ours):
    ours.step()
    ours.now -= 48 * HOUR
    done = ours.step()
    assert any("one of them is wrong" in line for line in degraded_lines(done.plan))


def test_a_clock_that_is_wrong_by_all_services_is_said(ours, replay):
    service.serve_by_clock(replay, 2 * HOUR)
    done = ours.step(3 * HOUR)
    assert any("ahead of the weather service's" in line for line in degraded_lines(done.plan))
    assert done.kind == "briefing"  # the day is the same


def test_one_service_with_a_wrong_clock_says_nothing_about_ours(ours, replay):
    sent_at = "Mon, 12 Jan 2015 10:00:00 GMT"
    replay.script(GRID, ScriptedReply(json.loads(STORM), 200, GEO_JSON | {"Date": sent_at}))
    assert "clock_offset" not in codes(ours.step().plan)


@pytest.mark.parametrize("ahead_min", [15, 90])
def test_a_clock_a_little_ahead_tells_every_morning_once(
    ours, replay, server, plain_charts, ahead_min
):
    # a computer whose clock drifts: every morning one briefing, and no second one at the true time
    service.serve_by_clock(replay, ahead_min * MINUTE)
    told = []
    day = 24 * 60
    near = [minutes for minutes in range(0, 30 * 60, 15) if (minutes + 120) % day < 300]
    for minutes in sorted({*near, *range(0, 30 * 60, 60)}):
        ours.now = pipeline.DEMO_NOW + minutes * MINUTE
        done = ours.step()
        told += [ours.now] if done.kind == "briefing" and done.announced else []
    assert told == [pipeline.DEMO_NOW, pipeline.DEMO_NOW + 24 * HOUR]


def test_a_briefing_told_by_a_wrong_clock_is_planned_again_but_told_once(ours, replay, server):
    service.serve_by_clock(replay, 12 * HOUR)
    first = ours.step()
    assert (first.kind, first.announced) == ("storm", True)
    assert ours.step(10 * MINUTE).plan is None
    assert not ours.step(20 * MINUTE).announced
    assert len(server.mails_to(OWNER)) == 1
    assert health.check_health(ours.config).exit_code is ExitCode.NOTHING_PLANNED
    service.serve_storm(replay)  # now the service's clock agrees: it is that day's morning
    assert ours.step(30 * MINUTE).kind == "briefing"


# -- reports that cannot be made -------------------------------------------------------------------


def _fail(*args, **kwargs):
    raise ZeroDivisionError("one of ours")


#: Where a fault strikes, and the reports it takes away.
RENDER_FAULTS = {
    "the charts": ("stormplan.words.strip_charts.draw_strips", {"briefing.html"}),
    "the text": ("stormplan.words.terminal.render_text", {"briefing.txt"}),
    "what page and text share": (
        "stormplan.words.briefing.build_view", {"briefing.html", "briefing.txt"},
    ),
    "the mix sheet": ("stormplan.words.mix_sheet.render_html", {"mixsheet.html"}),
    "the notices": ("stormplan.words.notices.draft_files", {"drafts of notices"}),
    "a table": ("stormplan.words.exports.treatments_csv", {"treatments.csv"}),
}  # fmt: skip


@pytest.mark.parametrize("fault", RENDER_FAULTS)
def test_a_report_that_cannot_be_made_is_named_and_the_others_and_the_mail_go_once(
    ours, server, monkeypatch, fault
):
    target, lost = RENDER_FAULTS[fault]
    with monkeypatch.context() as patch:
        patch.setattr(target, _fail)
        done = ours.step()
        assert (done.kind, done.announced) == ("briefing", True)
        for _ in range(3):
            assert ours.step(MINUTE).plan is None
    assert [len(server.mails_to(to)) for to in (OWNER, YARD, OFFICE)] == [1, 1, 1]
    text = " ".join(server.mails_to(OWNER)[0].get_body(("plain",)).get_content().split())
    assert " ".join(ours.latest().split()) == text
    for name in lost:
        assert name in text
        assert name == "briefing.txt" or not (ours.out / "latest" / name).exists()
    assert "ZeroDivisionError" in text
    assert done.plan.exit_code is ExitCode.DEGRADED
    named = [one.text("report") for one in done.plan.diagnostics if one.code == "report_not_made"]
    assert sorted(named) == sorted(lost)
    assert json.loads(ours.latest("plan.json"))["verdict"] == "go"
    assert (ours.out / "latest" / "mix.csv").exists()
    found = health.check_health(ours.config)
    assert found.exit_code is ExitCode.DEGRADED
    assert all(any(name in line for line in found.lines) for name in lost)
    assert "report_not_made" not in codes(ours.step(24 * HOUR - 3 * MINUTE).plan)


# -- deliveries ------------------------------------------------------------------------------------


def test_one_of_three_is_rejected_and_the_next_briefing_says_so(ours, server):
    server.rcpt_replies[YARD] = ["550 5.1.1 no such user"]
    assert states(ours.step()) == {OWNER: "sent", YARD: "refused", OFFICE: "sent"}
    assert ours.step(2 * HOUR).deliveries == () or len(server.accepted) == 2  # not tried again
    done = ours.step(22 * HOUR)
    said = "the last plan by mail to yard@test.example: refused (550 5.1.1 no such user)"
    assert said in degraded_lines(done.plan)


def test_greylisting_is_waited_out_and_remarked(ours, server):
    server.rcpt_replies[OWNER] = ["451 4.7.1 try later", "451 4.7.1 try later", "ok"]
    done = ours.step()
    assert states(done)[OWNER] == "failed"
    assert done.next_step_at == ours.now + MINUTE
    assert states(ours.step(MINUTE))[OWNER] == "failed"
    assert ours.step(MINUTE).next_step_at == ours.now + 4 * MINUTE
    assert states(ours.step(4 * MINUTE))[OWNER] == "sent"
    assert len(server.mails_to(OWNER)) == 1
    tomorrow = ours.step(24 * HOUR - 6 * MINUTE)
    assert not {code for code in codes(tomorrow.plan) if code.startswith("delivery")} - {
        "delivery_delayed"
    }
    assert any("delivered after failing 2 times" in line for line in note_lines(tomorrow.plan))


def test_a_server_that_stays_down_is_given_up_on_and_reported(tmp_path, replay):
    service.serve_storm(replay, calmer(snow=0.0))
    with smtp.run_mail_server() as gone:
        company = RunningCompany(tmp_path, replay, gone)
    done = company.step()
    assert set(states(done).values()) == {"failed"}
    end = company.now + 23 * HOUR
    while company.now < end:
        done = company.step()
        company.now = max(done.next_step_at, company.now + MINUTE)
    with Archive(company.config.archive_path) as kept:
        run = RunLog(kept).last_announced()
        assert {each.state for each in RunLog(kept).delivery_statuses(run.plan_id)} == {"gave up"}


def test_a_newer_plan_replaces_what_did_not_get_through(ours, server, replay):
    server.rcpt_replies[OWNER] = ["451 try later"]
    ours.step()
    replay.script(GRID, ScriptedReply(calmer(snow=0.0)))
    server.rcpt_replies[OWNER] = ["ok"]
    done = ours.step(3 * HOUR)
    assert done.announced
    assert len(server.mails_to(OWNER)) == 1  # the new one, not both
    assert any("to owner@test.example: not delivered" in line for line in degraded_lines(done.plan))


def test_a_message_broken_off_at_its_end_is_never_sent_twice(ours, server):
    server.data_replies = ["hang up"]
    done = ours.step()
    # they go side by side: any one of them may be the one that was cut off
    (cut_off,) = (who for who, state in states(done).items() if state == "handing over")
    for _ in range(5):
        ours.step(MINUTE)
    assert server.mails_to(cut_off) == []
    done = ours.step(24 * HOUR)
    assert any("may or may not have arrived" in line for line in degraded_lines(done.plan))


def test_a_delivery_cut_off_is_finished_after_a_restart(ours, server, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(
            runner.outbox, "send_due", lambda *args: (_ for _ in ()).throw(KeyboardInterrupt)
        )
        with pytest.raises(KeyboardInterrupt):
            ours.step()
    assert server.accepted == []
    done = ours.step(MINUTE)
    assert done.plan is None
    assert states(done) == dict.fromkeys((OWNER, YARD, OFFICE), "sent")
    assert (
        server.mails_to(OWNER)[0].get_body(("plain",)).get_content().replace("\r\n", "\n")
        == ours.latest()
    )


def test_webhook_command_and_watcher_are_told_too(tmp_path, replay, monkeypatch):
    monkeypatch.setenv("HOOK_SECRET", "a key")
    service.serve_storm(replay)
    for path in ("/hook", "/ping"):
        replay.script(path, ScriptedReply("ok", 200, {"Content-Type": "text/plain"}))
    company = RunningCompany(
        tmp_path,
        replay,
        webhook={"url": f"{replay.base_url}/hook", "secret_env": "HOOK_SECRET"},
        command=["tee", str(tmp_path / "told.txt")],
    )
    company.sections["schedule"]["heartbeat"] = f"{replay.base_url}/ping"
    company.config.sites = make({"a": company.place}, replay.base_url, **company.sections)
    done = company.step()
    assert {each.channel: each.state for each in done.deliveries} == dict.fromkeys(
        ("webhook", "command", "heartbeat"), "sent"
    )
    assert (tmp_path / "told.txt").read_text() == company.latest()
    body = json.loads(next(r.body for r in replay.requests if r.path == "/hook"))
    assert (body["type"], body["verdict"]) == ("plan.announced", "go")
    assert replay.counts()["/ping"] == 1


def test_the_watcher_misses_its_sign_when_nothing_could_be_planned(tmp_path, replay):
    company = RunningCompany(tmp_path, replay)
    company.sections["schedule"]["heartbeat"] = f"{replay.base_url}/ping"
    company.config.sites = make({"a": company.place}, replay.base_url, **company.sections)
    assert company.step().plan.exit_code is ExitCode.NOTHING_PLANNED
    assert replay.counts()["/ping"] == 0


def test_notices_go_out_once_and_only_when_sent(ours, server):
    from stormplan.delivery import outbox

    row = ours.step() and 1
    to = ("client@test.example",)
    drafts = [
        outbox.NoticeDraft("mill", "mail", to, "Mill Court", ("Lot may freeze back.",)),
        outbox.NoticeDraft("ferry", "mail", to, "Ferry Landing", ("Walk may freeze back.",)),
    ]
    transports = outbox.notice_transports(ours.config.sites.delivery)
    with Archive(ours.config.archive_path) as kept:
        for was_sent in (False, True):
            sent = outbox.send_notices(transports, RunLog(kept), row, drafts, lambda: ours.now)
            assert [each.status.state for each in sent] == ["sent", "sent"]
            assert [each.was_sent_before for each in sent] == [was_sent] * 2
    assert [mail["Subject"] for mail in server.mails_to("client@test.example")] == [
        "Mill Court",
        "Ferry Landing",
    ]


def test_drafts_are_sent_as_somebody_left_them(ours, server):
    from stormplan.delivery import outbox

    ours.step()
    folder = ours.config.report_folder / "latest" / "notices"
    (folder / "changed.eml").write_text(
        "Subject: Lot may freeze\nTo: Client <client@test.example>\n\nChanged by hand.\n"
    )
    (draft,) = outbox.read_drafts(folder, ["changed"])
    assert draft.recipients == ("client@test.example",)
    assert (draft.subject, draft.messages) == ("Lot may freeze", ("Changed by hand.",))
    with pytest.raises(InputError, match=r"no draft nobody; there are: .*changed"):
        outbox.read_drafts(folder, ["nobody"])
    (folder / "empty.eml").write_text("Subject: Nothing\n\n")
    with pytest.raises(InputError, match="needs Subject and a text"):
        outbox.read_drafts(folder, ["empty"])


# -- health and replay -----------------------------------------------------------------------------


def test_health_follows_the_day(ours, server, replay):
    assert health.check_health(ours.config).exit_code is ExitCode.NOTHING_PLANNED
    server.rcpt_replies[YARD] = ["550 no"]
    ours.step()
    found = health.check_health(ours.config)
    assert found.exit_code is ExitCode.DEGRADED
    assert any("yard@test.example: refused" in line for line in found.lines)
    server.rcpt_replies[YARD] = ["ok"]
    ours.now += 24 * HOUR
    assert (
        health.check_health(ours.config).exit_code is ExitCode.DEGRADED
    )  # its time is now: not yet missed
    ours.now += HOUR
    missed = health.check_health(ours.config)
    assert missed.exit_code is ExitCode.NOTHING_PLANNED
    assert missed.lines[0] == "no briefing for 2026-01-13"
    assert "nothing has run since 2026-01-12 10:30Z" in missed.lines[1]


def test_health_is_good_after_a_good_morning(ours):
    ours.step()
    found = health.check_health(ours.config)
    assert found.exit_code is ExitCode.COMPLETE
    assert found.lines == ("last plan 2026-01-12 10:30Z, verdict go",)
    (ours.out / "latest").unlink()
    assert health.check_health(ours.config).exit_code is ExitCode.DEGRADED


def test_a_stored_plan_of_another_version_is_no_previous_plan(ours, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(plan_io, "plan_json", lambda plan: '{"schema_version": "1"}')
        ours.step()
    assert health.check_health(ours.config).lines == (
        "the plan of 2026-01-12 10:30Z is of another version of stormplan",
    )
    assert ours.step(2 * HOUR).plan is None
    second = ours.step(HOUR)  # what it had ahead is not known
    assert (second.kind, second.plan.verdict) == ("storm", "go")
    second = ours.step(21 * HOUR)
    assert second.kind == "briefing"
    assert second.plan.changes == ()
    said = "the plan before is of another version and was not compared"
    assert said in diagnostic_text.note_lines(second.plan)
    assert said not in diagnostic_text.note_lines(ours.step(24 * HOUR).plan)  # said once


def test_a_past_morning_is_planned_again_with_todays_sites(ours, replay):
    first = ours.step()
    replay.script(GRID, ScriptedReply(calmer(snow=0.0)))
    ours.step(24 * HOUR)
    asked = len(replay.requests)
    with Archive(ours.config.archive_path) as kept:
        again = pipeline.replay(ours.config.sites, kept, date(2026, 1, 12))
        assert again.model_copy(update={"diagnostics": ()}) == first.plan.model_copy(
            update={"diagnostics": ()}
        )
        plans = kept.fetch_all("SELECT count(*) FROM plan")
        ours.place["surfaces"]["lot"]["area"] = "40000 ft2"
        again_with = make({"a": ours.place}, replay.base_url, **ours.sections)
        larger = pipeline.replay(again_with, kept, first.plan.made_at)
        assert [change.kind for change in larger.changes if change.worth_announcing] == ["more"]
        assert kept.fetch_all("SELECT count(*) FROM plan") == plans
    ours.place["surfaces"]["lot"]["area"] = "20000 ft2"
    assert len(replay.requests) == asked


def test_workers_plan_the_morning_that_one_process_plans(ours, tmp_path, replay):
    alone = ours.step()
    other = RunningCompany(tmp_path / "other", replay)
    other.config.workers = 2
    found = other.step()
    assert found.announced
    assert [site.surfaces for site in found.plan.sites] == [s.surfaces for s in alone.plan.sites]
    # not joined here: the pool's own thread does, and of two that wait for a process one learns
    # nothing of its end
    deadline = time.monotonic() + 10.0
    while multiprocessing.active_children() and time.monotonic() < deadline:
        time.sleep(0.05)
    assert multiprocessing.active_children() == []


# -- the commands ----------------------------------------------------------------------------------


def test_watch_once_health_replay_and_archive_from_the_command_line(ours, server, tmp_path):
    file = tmp_path / "sites.yaml"
    file.write_text(ours.text)
    where = ("--sites", file, "--out", ours.out)
    at = ("--now", "2026-01-12T10:30Z")
    done = stormplan("watch", *where, "--once", *at)
    assert done.returncode == 0, done.stderr
    assert "briefing: go, announced" in done.stdout
    assert "mail to owner@test.example: sent" in done.stdout
    again = stormplan("watch", *where, "--once", *at)
    assert (again.returncode, again.stdout) == (0, "")
    assert len(server.accepted) == 3
    assert stormplan("health", *where, *at).returncode == 0
    server.rcpt_replies[YARD] = ["550 5.1.1 no such user"]
    tomorrow = ("--now", "2026-01-13T10:30Z")
    assert stormplan("watch", *where, "--once", *tomorrow).returncode == 3
    assert stormplan("watch", *where, "--once", *tomorrow).returncode == 0  # said once is enough
    assert stormplan("health", *where, *tomorrow).returncode == 3
    assert stormplan("health", *where, "--now", "2026-01-14T12:00Z").returncode == 4
    replayed = stormplan("replay", "2026-01-12", *where, "--json")
    assert json.loads(replayed.stdout)["verdict"] == "go"
    archive = ours.out / "archive.sqlite"
    assert stormplan("archive", "verify", archive).stdout.startswith("OK: ")
    assert stormplan("archive", "export", archive, tmp_path / "x.jsonl").returncode == 0
    assert "replies from before" in stormplan("archive", "prune", archive).stdout


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["watch", "--sites", "none.yaml"], "cannot read the sites file"),
        (["replay", "yesterday", "--sites", "{}"], "write it as 2026-01-12T10:30Z"),
        (["archive", "verify", "none.sqlite"], "no archive at none.sqlite"),
        (["watch", "--sites", "{}", "--now", "2026-01-12T10:30Z"], "--now goes with --once"),
    ],
)
def test_bad_input_is_one_sentence(ours, tmp_path, arguments, message):
    file = tmp_path / "sites.yaml"
    file.write_text(ours.text)
    Archive(tmp_path / "briefings" / "archive.sqlite").close()
    done = stormplan(*(a.format(file) for a in arguments), cwd=tmp_path)
    assert done.returncode == 2
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_the_watch_itself_briefs_by_the_real_clock_and_a_restart_tells_nobody_twice(
    ours, server, replay, tmp_path
):
    now = datetime.now(UTC)
    replay.script(
        GRID, ScriptedReply(service.shift_storm(timedelta(days=(now - pipeline.DEMO_NOW).days)))
    )
    minutes_ago = f"{now - 2 * MINUTE:%H:%M}"
    ours.sections["company"] = BASE_SECTIONS["company"] | {
        "timezone": "UTC",
        "briefing_at": minutes_ago,
    }
    file = tmp_path / "sites.yaml"
    file.write_text(ours.text)
    command = [sys.executable, "-m", "stormplan", "watch", "--sites", file, "--out", ours.out]
    for _ in range(2):
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as watching:
            end = time.monotonic() + 30
            while len(server.accepted) < 3 and time.monotonic() < end:
                time.sleep(0.05)
            time.sleep(1.0)  # for what should not happen
            watching.terminate()
            _, complaints = watching.communicate()
        assert complaints == b""
    assert sorted(to for to, _ in server.accepted) == sorted((OWNER, YARD, OFFICE))


def test_the_watch_outlives_a_broken_sites_file_and_says_so(ours, tmp_path):
    from stormplan.cli import planning_commands as cli_routine

    file = tmp_path / "sites.yaml"
    file.write_text(ours.text.replace("asphalt_lot", "asfalt_lot"))
    step = cli_routine._repeated_step(ours.config, file)
    assert step() > ours.now
    assert "the last good one is used" in " ".join(ours.latest().split())


def test_an_old_mail_that_is_tried_again_leaves_latest_at_the_newer_set(ours, server, replay):
    server.rcpt_replies[YARD] = ["451 try later"]
    ours.step()
    newer = ours.step(3 * HOUR)
    assert (newer.kind, newer.announced) == ("storm", False)
    latest = (ours.out / "latest").readlink()
    server.rcpt_replies[YARD] = ["ok"]
    assert states(ours.step(MINUTE))[YARD] == "sent"
    assert (ours.out / "latest").readlink() == latest


def test_notices_sent_four_times_at_once_arrive_once(ours, server, tmp_path):
    ours.step()
    file = tmp_path / "sites.yaml"
    file.write_text(ours.text)
    drafts = tmp_path / "drafts"
    drafts.mkdir()
    (drafts / "client.eml").write_text("To: client@test.example\nSubject: Ice\n\nIt may freeze.\n")
    server.delay_s = 0.3
    command = [sys.executable, "-m", "stormplan", "notices", "send", "--sites", file]
    command += ["--out", ours.out, "--drafts", drafts]
    programs = [subprocess.Popen(command, stdout=subprocess.PIPE) for _ in range(4)]
    said = [program.communicate(timeout=60)[0] for program in programs]
    assert sum(b"client@test.example: sent" in text for text in said) == 1
    assert sum(b"client@test.example: already sent" in text for text in said) == 3
    assert len(server.mails_to("client@test.example")) == 1


def test_a_lock_that_cannot_be_used_is_said_with_its_owner_and_the_mail_still_goes(ours, server):
    (ours.out / ".lock").mkdir(parents=True)  # cannot be opened, as another user's cannot
    done = ours.step()
    assert states(done)[OWNER] == "sent"
    owner = (ours.out / ".lock").owner()
    assert any(f"belongs to {owner}; run stormplan as one" in t for t in degraded_lines(done.plan))


def test_the_umask_of_the_program_is_kept(ours):
    before = os.umask(0o077)
    try:
        ours.step()
    finally:
        os.umask(before)
    made = [*(ours.out / "latest").resolve().rglob("*"), (ours.out / "latest").resolve()]
    assert [path for path in made if path.stat().st_mode & 0o077] == []


def test_a_log_to_a_full_disk_ends_nothing(ours, server, tmp_path):
    """``/dev/full``: every write fails as on a full disk (full(4))."""
    file = tmp_path / "sites.yaml"
    file.write_text(ours.text)
    options = ("--once", "--sites", file, "--out", ours.out, "--now", "2026-01-12T10:30Z")
    with Path("/dev/full").open("w") as full:
        command = [sys.executable, "-m", "stormplan", "watch", *options]
        subprocess.run(command, stdout=full, stderr=full, check=False, timeout=60)
    assert len(server.mails_to(OWNER)) == 1


def test_a_fault_of_the_program_does_not_end_the_watch(ours, tmp_path, monkeypatch, capsys):
    from stormplan.cli import planning_commands

    def stumble(config):
        raise ZeroDivisionError("one of ours")

    file = tmp_path / "sites.yaml"
    file.write_text(ours.text)
    step = planning_commands._repeated_step(ours.config, file)
    with monkeypatch.context() as patch:
        patch.setattr(runner, "run_step", stumble)
        assert step() == ours.now + MINUTE
    assert "ZeroDivisionError: one of ours" in capsys.readouterr().err
    assert step() > ours.now + MINUTE
    assert "GO" in ours.latest()


def test_nobody_who_plans_waits_for_a_receiver_and_nothing_goes_twice(ours, server):
    """While the first run waits for a mail server, a second one plans and leaves it the mails."""
    server.delay_s = 4.0
    first = threading.Thread(target=ours.step)
    first.start()
    while not (ours.out / "latest").exists():
        time.sleep(0.01)
    second = dataclasses.replace(ours.config, clock=lambda: ours.now + 4 * HOUR)
    start = time.monotonic()
    done = runner.run_step(second)
    took_s = time.monotonic() - start
    assert first.is_alive()  # it still waits
    assert took_s < server.delay_s
    assert (done.kind, done.announced) == ("storm", False)
    first.join()
    server.delay_s = 0.0
    runner.run_step(second)
    assert len(server.mails_to(OWNER)) == 1
    assert health.check_health(second).exit_code is ExitCode.COMPLETE


def test_notices_wait_while_a_run_sends_and_not_the_run_for_them(ours, server):
    with report_folders.exclusive_lock(ours.out, 0.1, report_folders.SENDING_LOCK):
        done = ours.step()
    assert (done.kind, done.announced) == ("briefing", True)
    assert {each.state for each in done.deliveries} == {"queued"}
    assert done.next_step_at == ours.now + MINUTE
    assert {each.state for each in ours.step(MINUTE).deliveries} == {"sent"}


@pytest.mark.parametrize("damage", [
    "UPDATE plan SET id = -1 WHERE id = 2",  # the next would have its number, and its deliveries
    "UPDATE delivery SET id = -id WHERE state = 'sent'",
])  # fmt: skip
def test_damaged_numbers_of_rows_let_no_mail_go_twice_and_take_none_for_sent(
    ours, replay, server, damage
):
    """Found by runs with faults drawn at random."""
    ours.step()
    service.serve_storm(replay, service.shift_storm(service.DAY))
    ours.step(24 * HOUR)
    with contextlib.closing(sqlite3.connect(ours.config.archive_path)) as file:
        names = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        for (name,) in list(file.execute(names)):
            file.execute(f"DROP TRIGGER {name}")
        file.execute(damage)
        file.commit()
    ours.step(10 * MINUTE)  # may tell what changed since the last plan that it can read
    mails = len(server.mails_to(OWNER))
    with Archive(ours.config.archive_path) as kept:
        assert {each.state for each in RunLog(kept).delivery_statuses(2)} == {"sent"}
    service.serve_storm(replay, service.shift_storm(2 * service.DAY))
    next_day = ours.step(24 * HOUR - 10 * MINUTE)
    assert (next_day.kind, next_day.announced) == ("briefing", True)
    assert {each.state for each in next_day.deliveries} == {"sent"}
    assert len(server.mails_to(OWNER)) == mails + 1
    names = [mail["Message-ID"] for mail in server.mails_to(OWNER)]
    assert len(names) == len(set(names))


def test_a_second_run_is_kept_out(ours, monkeypatch):
    monkeypatch.setattr(pipeline, "LOCK_TIMEOUT_S", 0.1)
    with (
        report_folders.exclusive_lock(ours.out, 0.1),
        pytest.raises(InputError, match="another run is at"),
    ):
        ours.step()
    assert ours.step(timedelta(0)).kind == "briefing"


README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")


def test_the_commands_of_the_readme_work_one_after_another(ours, server, replay, tmp_path):
    """Each as it stands there, in the folder of a sites.yaml; what `brief` leaves, all others use.

    `init` and `sites import` ask for what no test of a sequence has (tests/test_new_sites.py);
    `pavement` needs a table of one's own (tests/test_station.py), `accept` a product of the example
    file (tests/test_acceptance.py).
    """
    now = datetime.now(UTC)
    shifted = service.shift_storm(timedelta(days=(now - pipeline.DEMO_NOW).days))
    replay.script(GRID, ScriptedReply(shifted))
    ours.sections["company"] = BASE_SECTIONS["company"] | {"timezone": "UTC"}
    ours.sections["company"]["briefing_at"] = f"{now - 2 * MINUTE:%H:%M}"
    ours.sections["readings"] = "readings.jsonl"
    ours.sections["clients"] = {
        "ours": {
            "name": "Ours (invented)",
            "contact": "client@test.example",
            "contact_by": "mail",
        }
    }
    (tmp_path / "sites.yaml").write_text(ours.text.replace('"a":', '"mill-court":'))
    (tmp_path / "offers.yaml").write_bytes((files("stormplan") / "demo/offers.yaml").read_bytes())
    lines = re.findall(r"^\.venv/bin/stormplan (\w.*?)(?:\s+#.*)?$", README, re.MULTILINE)
    wanted = [
        line for line in lines if line.split()[0] not in ("init", "pavement", "serve", "accept")
    ]
    wanted = [line for line in wanted if "import" not in line]
    assert len(wanted) > 15
    again = [line for line in wanted if not line.startswith("people")]  # has a link already
    for line in [*wanted, *again]:
        words = shlex.split(line.replace("replay 2026-01-12", f"replay {now:%Y-%m-%d}"))
        words += ["--once"] * (words[0] == "watch")
        done = stormplan(*words, cwd=tmp_path)
        # the storm may have begun (3); of a past morning nothing was heard (4)
        is_past = "--offline" in words or words[0] == "replay"
        assert done.returncode in ((0, 3, 4) if is_past else (0, 3)), (line, done.stderr)
        assert "Traceback" not in done.stderr
    assert len(server.mails_to("client@test.example")) >= 1
