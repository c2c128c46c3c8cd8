"""A month of mornings by the real runner, each with a fault of its own: one briefing a local day.

A program that a timer starts, a weather service and a mail server on this machine. What happens on
which day is drawn with a seed. That every morning is told once, and that ``health`` says what was
wrong while it is, needs no source: it is what the routine promises.
"""

import contextlib
import random
import sqlite3
from datetime import timedelta

import pytest
from helpers.clock_jumps import briefed_days
from helpers.crash import StepServer
from helpers.http_service import GEO_JSON, ScriptedReply
from helpers.service import (
    DAY,
    GRID,
    HOUR,
    MINUTE,
    OFFICE,
    OWNER,
    YARD,
    RunningCompany,
    serve_by_clock,
    shift_storm,
)

from stormplan.errors import ExitCode
from stormplan.service import health
from stormplan.service.pipeline import DEMO_NOW
from stormplan.store.announced_days import state_files
from stormplan.store.archive import Archive
from stormplan.store.run_log import RunLog
from stormplan.weather import http_client

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("remembered_plans", "plain_charts")]

DAYS, SEED = 30, 20260112
DAMAGE = (
    "UPDATE reply SET body = x'789c00' WHERE url LIKE '%gridpoints%'",
    "UPDATE delivery SET state = CAST(x'73656eff' AS TEXT)",
    "UPDATE point SET grid_url = CAST(x'ff' AS TEXT)",
)
ANSWERS = {
    "service down": ScriptedReply({}, 503),
    "connection reset": ScriptedReply(reset=True),
    "slow peer": ScriptedReply(delay_s=0.4),
    "odd body": ScriptedReply("[" * 100_000),
}
JUMPS_H = (-48.0, -12.0, -1.0, 1.0, 12.0, 48.0)
KINDS = (
    "none", *ANSWERS, "odd header", "archive unwritable", "damaged row", "mail server down",
    "killed", *(f"clock {hours:+g} h" for hours in JUMPS_H),
)  # fmt: skip
KILLED_IN_THE_LAST_STEP = "killed while the server takes the mail"
KILLED = ("killed", KILLED_IN_THE_LAST_STEP)


@contextlib.contextmanager
def locked(path):
    with contextlib.closing(sqlite3.connect(path)) as file:
        file.execute("BEGIN IMMEDIATE")
        yield
        file.execute("ROLLBACK")


def damage(path, statement):
    with contextlib.closing(sqlite3.connect(path)) as file:
        for (name,) in list(file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")):
            file.execute(f"DROP TRIGGER {name}")
        file.execute(statement)
        file.commit()


def is_in_doubt(company, day):
    """Return whether a day's mail was cut off in the one step after which it counts.

    A program that was killed there cannot know whether the server has the mail. Another one might
    be the second, so none is sent, and ``health`` says that it may not have arrived.
    """
    with Archive(company.config.archive_path) as kept:
        run = RunLog(kept).briefing_of(day)
        return any(
            each.recipient == OWNER and each.outcome_unknown
            for each in RunLog(kept).delivery_statuses(run.plan_id)
        )


def kill_in_handing_over(steps, server, sites, company, morning):
    """Kill the program after the owner's mail has been said and before the server has kept it."""
    server.delay_s, server.rcpt_delays_s = 1.0, {YARD: 1.0, OFFICE: 1.0}
    deliveries = f'[["mail", "{OWNER}", "handing over"]]'
    word = f'"{morning.date()}": {{"state": "telling", "deliveries": {deliveries}'
    second_memory, *_ = state_files(company.config.archive_path)
    assert steps.step(sites, company.out, morning, None, (second_memory, word))["killed"]
    server.delay_s, server.rcpt_delays_s = 0.0, {}


def test_every_local_day_has_one_briefing_and_health_says_what_was_wrong(
    tmp_path, replay, server, monkeypatch, remembered_plans
):
    monkeypatch.setattr(http_client, "MAX_READ_S", 0.5)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    rng = random.Random(SEED)
    kinds = [*KINDS, KILLED_IN_THE_LAST_STEP, *rng.choices(KINDS, k=DAYS - len(KINDS) - 1)]
    rng.shuffle(kinds)
    plan = ["none", *kinds]  # the first is good: there is a forecast to fall back on
    company = RunningCompany(tmp_path, replay, server)
    company.config.keeps_running = False
    sites = tmp_path / "sites.yaml"
    sites.write_text(company.text)
    red, in_doubt = {}, set()

    def step(moment):
        company.now = moment
        company.restart()
        return company.step()

    with StepServer(remembered_plans) as steps:
        for day, kind in enumerate(plan):
            morning = DEMO_NOW + day * DAY
            serve_by_clock(replay, timedelta(0), shift_storm(day * DAY))
            with contextlib.ExitStack() as fault:
                ahead_h = 0.0
                if kind in ANSWERS:
                    replay.script(GRID, ANSWERS[kind])
                elif kind == "odd header":
                    odd = {"Age": "9" * 20, "Cache-Control": "max-age=\xb2"}
                    storm = shift_storm(day * DAY)
                    replay.script(GRID, ScriptedReply(storm, 200, GEO_JSON | odd))
                elif kind == "archive unwritable":
                    fault.enter_context(locked(company.config.archive_path))
                elif kind == "damaged row":
                    damage(company.config.archive_path, rng.choice(DAMAGE))
                elif kind == "mail server down":
                    server.rcpt_replies[OWNER] = ["421 closing"]
                elif kind == "killed":
                    steps.step(sites, company.out, morning, rng.uniform(0.0, 1.0))
                elif kind == KILLED_IN_THE_LAST_STEP:
                    kill_in_handing_over(steps, server, sites, company, morning)
                elif kind.startswith("clock"):
                    ahead_h = float(kind.split()[1])
                    serve_by_clock(replay, ahead_h * HOUR, shift_storm(day * DAY))
                for minutes in (0, 5, 25):
                    step(morning + ahead_h * HOUR + minutes * MINUTE)
                found = health.check_health(company.config)
                if found.exit_code is not ExitCode.COMPLETE:
                    assert found.lines[1:] or "last plan" not in found.lines[0]
                    red[morning.date()] = found.lines
            server.rcpt_replies[OWNER] = ["ok"]
            serve_by_clock(replay, timedelta(0), shift_storm(day * DAY))
            for minutes in (90, 125):
                step(morning + minutes * MINUTE)
            if kind in KILLED and is_in_doubt(company, morning.date()):
                in_doubt.add(morning.date())
    company.restart()
    told = briefed_days(company.config.archive_path, server.mails_to(OWNER))
    all_days = {(DEMO_NOW + day * DAY).date(): kind for day, kind in enumerate(plan)}
    assert {day for day in all_days if told[day] != 1} <= in_doubt
    assert KILLED_IN_THE_LAST_STEP in {all_days[day] for day in in_doubt}
    for day in in_doubt:
        assert any("may or may not have arrived" in line for line in red[day])
    assert set(told) <= set(all_days)
    assert max(told.values()) == 1
    assert {kind for day, kind in all_days.items() if day not in red} <= {
        "none", "killed", "odd header",
    }  # fmt: skip
    ids = [mail["Message-ID"] for mail in server.mails_to(OWNER)]
    assert len(ids) == len(set(ids))
