"""Whole runs with faults drawn at random: what services, mail server and disk do to a morning.

Every morning has one or two runs of the real runner in which anything may be damaged at once:
bodies, headers, statuses, rows and bytes of the archive, what receivers answer. Then all is well
again. It must have been told once by then, or be said not to have been, and nothing but our own
errors may ever come out.
"""

from __future__ import annotations

import contextlib
import json
import random
import sqlite3
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from stormplan.errors import StormplanError
from stormplan.planning.isolation import describe_fault
from stormplan.service import health
from stormplan.service.pipeline import DEMO_NOW

from . import service, smtp
from .damage import NASTY, damage, nodes, scramble
from .http_service import GEO_JSON, ScriptedReply, WeatherServer
from .service import DAY, GRID, MINUTE, OFFICE, OWNER, PLACE, YARD, RunningCompany

POINT = f"/points/{','.join(PLACE)}"
ODD_TEXT = ["", "\0", "\x1b[2J", "9" * 20, "\xe9\xb2", "http://[", "soon", "-1", "a" * 9000]
HEADERS = (
    "Age", "Cache-Control", "Content-Type", "Date", "ETag", "Expires", "Last-Modified", "Location",
    "Retry-After", "Vary",
)  # fmt: skip
STATUSES = (200, 200, 200, 204, 301, 302, 304, 400, 403, 404, 429, 500, 503)
MORNINGS_EACH = 25  # of one folder; then a new company begins
MILD_K = 25.0  # warmer by so much it is a day without a hazard


@dataclass
class RunFuzzSummary:
    """Counts over all runs, and everything that went wrong."""

    runs: int = 0
    mornings: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)


def _weather(rng: random.Random, day: int) -> dict:
    """Return a storm, or a mild day, of a morning."""
    grid = service.shift_storm(day * DAY)
    if rng.random() < 0.6:
        for layer in ("temperature", "dewpoint"):
            for entry in grid["properties"].get(layer, {}).get("values", ()):
                entry["value"] += MILD_K
    return grid


def _serve_damaged(rng: random.Random, replay: WeatherServer, path: str, body: object) -> str:
    """Script a path to answer with something damaged; return what."""
    headers = dict(GEO_JSON)
    match rng.randrange(5):
        case 0:
            damaged, what = damage(body, nodes(body), rng), "nodes"
        case 1:
            text = [one for one in NASTY if isinstance(one, str)]
            damaged, what = scramble(json.dumps(body), text, rng), "characters"
        case 2:
            damaged, what = body, "headers"
            headers |= {rng.choice(HEADERS): rng.choice(ODD_TEXT[3:8]) for _ in range(3)}
        case 3:
            status = rng.choice(STATUSES)
            replay.script(path, ScriptedReply(rng.choice(("", "<html>", body)), status, headers))
            return f"status {status}"
        case _:
            cut = rng.randrange(2000)
            replay.script(path, ScriptedReply(body, truncate_at=cut, reset=rng.random() < 0.3))
            return "broken off"
    raw = damaged if isinstance(damaged, str) else json.dumps(damaged)
    replay.script(path, ScriptedReply(raw.encode("utf-8", "surrogatepass"), 200, headers))
    return what


def _damage_row(rng: random.Random, path: Path) -> str:
    """Put something odd into a column of some rows."""
    odd = rng.choice([b"\xff\xfe", b"", "\0", "9" * 30, -1, 1e300, None, "[[[["])
    with contextlib.closing(sqlite3.connect(path)) as file:
        names = "SELECT name FROM sqlite_master WHERE type = ? AND name NOT LIKE 'sqlite%'"
        for (trigger,) in list(file.execute(names, ("trigger",))):
            file.execute(f"DROP TRIGGER {trigger}")
        table = rng.choice([name for (name,) in file.execute(names, ("table",))])
        column = rng.choice([row[1] for row in file.execute(f"PRAGMA table_info({table})")])
        newest = f"(SELECT max(rowid) FROM {table})"
        where = rng.choice(("1", f"rowid = {newest}"))
        with contextlib.suppress(sqlite3.IntegrityError, OverflowError):
            file.execute(f"UPDATE {table} SET {column} = ? WHERE {where}", (odd,))
        file.commit()
    return f"row of {table}"


def _damage_bytes(rng: random.Random, path: Path) -> str:
    """Overwrite some bytes of a file."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        for _ in range(rng.choice((1, 1, 8))):
            file.seek(rng.randrange(size))
            file.write(rng.randbytes(rng.choice((1, 4, 64))))
    return f"bytes of {path.suffix}"


def _damage_receivers(rng: random.Random, replay: WeatherServer, server: smtp.MailServer) -> str:
    """Let a receiver answer oddly."""
    if rng.random() < 0.5:
        code = rng.choice((211, 354, 421, 450, 452, 500, 550, 552, 599))
        answer = f"{code} {scramble('mailbox', ['x', '%', '-'], rng)}"
        server.rcpt_replies[OWNER] = [answer.replace("\r", " ").replace("\n", " ")]
        return "mail"
    if rng.random() < 0.5:
        server.data_replies = ["hang up", "451 later"][: rng.randrange(1, 3)]
        return "mail data"
    headers = {rng.choice(HEADERS): rng.choice(ODD_TEXT[3:8])}
    status = rng.choice((*STATUSES, 799))
    replay.script("/hook", ScriptedReply({}, status, headers, reset=rng.random() < 0.2))
    return "webhook"


def fuzz_runs(
    count: int,
    seed: int,
    folder: Path,
    replay: WeatherServer,
    server: smtp.MailServer,
    tell: Callable[[RunFuzzSummary], None] = lambda summary: None,
) -> RunFuzzSummary:
    """Do so many runs with faults, on as many mornings as that takes.

    ``HOOK_SECRET`` must be set, and ``XDG_STATE_HOME`` name a folder of the test's own.
    """
    summary = RunFuzzSummary()
    group = 0
    while summary.runs < count:
        rng = random.Random(f"{seed} {group}")
        webhook = {"url": f"{replay.base_url}/hook", "secret_env": "HOOK_SECRET"}
        company = RunningCompany(folder / str(group), replay, server, webhook=webhook)
        server.accepted.clear()
        for day in range(MORNINGS_EACH):
            _one_morning(rng, day, company, replay, server, summary, f"{group}/{day}")
            if summary.runs >= count:
                break
        group += 1
        tell(summary)
    return summary


def _one_morning(
    rng: random.Random,
    day: int,
    company: RunningCompany,
    replay: WeatherServer,
    server: smtp.MailServer,
    summary: RunFuzzSummary,
    name: str,
) -> None:
    summary.mornings += 1
    morning = DEMO_NOW + day * DAY
    grid = _weather(rng, day)
    point = {"properties": {"forecastGridData": replay.base_url + GRID}}
    company.config.keeps_running = rng.random() < 0.5
    briefings: set[datetime] = set()  # an archive lost in between has another told, to the others
    steps: list[str] = []  # for the reader of a problem

    def step(after: timedelta) -> None:
        company.now = morning + after
        if not company.config.keeps_running:
            company.restart()
        try:
            done = company.step()
            health.check_health(company.config)
        except StormplanError as error:
            summary.problems.append(f"{name}: ended with {error}")
            return
        except Exception as error:
            summary.problems.append(f"{name}: {describe_fault(error)}: {error!r}"[:300])
            return
        went_out = any(mail["Date"].datetime == company.now for mail in server.mails_to(YARD))
        if done.kind != "storm" and (done.announced or went_out):  # told, then done once more
            briefings.add(company.now)
        steps.append(f"{done.kind or 'nothing'} {done.announced} {' '.join(done.problems)}")
        for one in done.plan.diagnostics if done.plan is not None else ():
            if one.code in ("planning_fault", "report_not_made"):
                summary.problems.append(f"{name}: {one.code} {dict(one.values)}"[:300])

    for minutes in (0, 7)[: rng.choice((1, 1, 2))]:
        _heal(replay, server, grid, point)
        _damage_some(rng, company, replay, server, grid, point, summary)
        summary.runs += 1
        step(minutes * MINUTE)
    _heal(replay, server, grid, point)
    for minutes in (40, 110):
        step(minutes * MINUTE)
    for who in (OWNER, YARD, OFFICE):
        sent_at = [mail["Date"].datetime for mail in server.mails_to(who)]
        told = sum(moment in briefings for moment in sent_at)
        lines = health.check_health(company.config).lines
        if not briefings or told > 1:
            said = "; ".join((*steps, *lines))
            summary.problems.append(f"{name}: {told} briefings came to {who} ({said})")
        is_told = any(moment.date() == morning.date() for moment in sent_at)
        if not is_told and not any(who in line for line in lines):
            summary.problems.append(f"{name}: no mail came to {who}, and health does not say so")
    ids = Counter(mail["Message-ID"] for mail in server.mails_to(OWNER))
    summary.problems += [f"{name}: {n} copies of {one}" for one, n in ids.items() if n > 1]


def _heal(replay: WeatherServer, server: smtp.MailServer, grid: dict, point: dict) -> None:
    service.serve_storm(replay, grid)
    replay.serve(POINT, point)
    replay.script("/hook", ScriptedReply({}, 204))
    replay.script("/alerts/active", ScriptedReply({"type": "FeatureCollection", "features": []}))
    server.rcpt_replies[OWNER] = ["ok"]
    server.data_replies = []


def _damage_some(
    rng: random.Random,
    company: RunningCompany,
    replay: WeatherServer,
    server: smtp.MailServer,
    grid: dict,
    point: dict,
    summary: RunFuzzSummary,
) -> None:
    """Damage one to three things."""
    archive = company.config.archive_path
    for kind in rng.choices(
        ("grid", "point", "row", "bytes", "receivers"), (4, 2, 3, 1, 3), k=rng.choice((1, 1, 2, 3))
    ):
        if kind in ("row", "bytes") and not archive.exists():
            continue
        match kind:
            case "grid":
                what = _serve_damaged(rng, replay, GRID, grid)
            case "point":
                what = _serve_damaged(rng, replay, POINT, point)
            case "row":
                try:
                    what = _damage_row(rng, archive)
                except (sqlite3.DatabaseError, UnicodeDecodeError):  # its bytes are damaged already
                    continue
            case "bytes":
                what = _damage_bytes(rng, archive)
            case _:
                what = _damage_receivers(rng, replay, server)
        summary.faults[f"{kind}: {what}"] += 1
