"""Kill tests: steps killed at random points, and checks of what they leave.

Started as a program it is the step server: it loads stormplan once, then for every line on its
standard input forks a child that does one step, and kills it with SIGKILL when told to.
``StepServer`` is the other side; ``folder_problems`` says what is wrong with a folder at any
moment.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

from helpers.remembered import remember_plans
from stormplan.company import sites_file
from stormplan.errors import ArchiveError
from stormplan.service import health, pipeline, runner
from stormplan.store import maintenance
from stormplan.store.archive import Archive
from stormplan.store.run_log import RunLog
from stormplan.weather.http_client import ClientPolicy
from stormplan.words.reports import render_reports

CLIENT_POLICY = ClientPolicy(min_interval_s=0.0, min_throttle_wait_s=0.0, timeout_s=(5.0, 5.0))


def runner_config(sites: Path, out: Path, now: datetime) -> runner.RunnerConfig:
    return runner.RunnerConfig(
        sites_file.load_sites(sites),
        out,
        out / "archive.sqlite",
        clock=lambda: now,
        client_policy=CLIENT_POLICY,
    )


# -- the server's side ---------------------------------------------------------------------------


def serve_steps(remembered: Path | None = None) -> None:
    if remembered is not None:
        remember_plans(setattr, remembered)
    render_reports(pipeline.plan_demo())  # everything is loaded before the first fork
    send_line("ready")
    for line in sys.stdin:
        order = json.loads(line)
        child = os.fork()
        if child == 0:
            _run_child(
                Path(order["sites"]), Path(order["out"]), datetime.fromisoformat(order["now"])
            )
        file, *words = order["kill_when"] or (None,)
        send_line(json.dumps(_wait_or_kill(child, order["kill_after_s"], file, words)))


def send_line(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _run_child(sites: Path, out: Path, now: datetime) -> None:
    status = 1
    try:
        runner.run_step(runner_config(sites, out, now))
        status = 0
    finally:
        os._exit(status)


def _wait_or_kill(
    child: int, kill_after_s: float | None, file: str | None = None, words: Sequence[str] = ()
) -> dict[str, object]:
    """Wait for a child; kill it after some time, or when a file holds all of some words."""
    start, killed = time.monotonic(), False
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        took = time.monotonic() - start
        if pid:
            return {"killed": os.WIFSIGNALED(status), "status": status, "took_s": took}
        is_time = kill_after_s is not None and took >= kill_after_s
        if (is_time or (file is not None and _holds(Path(file), words))) and not killed:
            os.kill(child, signal.SIGKILL)
            killed = True
        time.sleep(0.0005)


def _holds(file: Path, words: Sequence[str]) -> bool:
    try:
        text = file.read_text(encoding="utf-8")
    except OSError:
        return False
    return all(word in text for word in words)


# -- the test's side ------------------------------------------------------------------------------


class StepServer:
    """Runs steps in forked processes; with a folder, decisions and charts are remembered in it."""

    def __init__(self, remembered: Path | None = None) -> None:
        self._arguments = [] if remembered is None else [str(remembered)]

    def __enter__(self) -> StepServer:
        self._process = subprocess.Popen(
            [sys.executable, __file__, *self._arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ
            | {
                "PYTHONPATH": os.pathsep.join(path for path in sys.path if path),
                "PYTHONHASHSEED": "0",  # what one server remembers has the same bytes in another
            },
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "ready\n"
        return self

    def __exit__(self, *exception: object) -> None:
        self._process.communicate()

    def step(
        self,
        sites: Path,
        out: Path,
        now: datetime,
        kill_after_s: float | None = None,
        kill_when: tuple[Path, *tuple[str, ...]] | None = None,
    ) -> dict:
        order = {
            "sites": str(sites),
            "out": str(out),
            "now": now.isoformat(),
            "kill_after_s": kill_after_s,
            "kill_when": None if kill_when is None else [str(part) for part in kill_when],
        }
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        return json.loads(self._process.stdout.readline())


@cache
def report_names() -> set[str]:
    """Return the names in a set of reports: notices are of clients, and this company has one."""
    names = {name for name in render_reports(pipeline.plan_demo()) if "/" not in name}
    return names | {"notices/ours.txt", "notices/ours.eml"}


def folder_problems(out: Path) -> list[str]:
    """Return every problem of a report folder and its database."""
    wrong = []
    for path in out.glob("[0-9]*") if out.exists() else ():
        names = {str(file.relative_to(path)) for file in path.rglob("*") if file.is_file()}
        if names != report_names():
            wrong.append(f"{path.name} holds {sorted(names)}")
        else:
            json.loads((path / "plan.json").read_text())
            if not (path / "briefing.html").read_text().rstrip().endswith("</html>"):
                wrong.append(f"{path.name}: half a page")
    latest = out / "latest"
    if latest.is_symlink() and not (latest / "plan.json").exists():
        wrong.append("latest points to nothing")
    if (out / "archive.sqlite").exists():
        try:
            with Archive(out / "archive.sqlite") as archive:
                wrong += maintenance.check_integrity(archive).problems
        except ArchiveError as error:
            wrong.append(str(error))
    return wrong


@dataclass
class KillSummary:
    """Counts over all kills."""

    progress: Counter[str] = field(default_factory=Counter)
    mail_counts: Counter[int] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)
    in_doubt: int = 0
    in_doubt_reported: int = 0


def progress_of(out: Path) -> str:
    """Return how far a killed run had come, from what it left."""
    if not (out / "archive.sqlite").exists():
        return "before the archive"
    with Archive(out / "archive.sqlite") as archive:
        run = RunLog(archive).last_announced()
        if run is None:
            asked = archive.fetch_all("SELECT count(*) FROM reply")[0][0]
            return "fetching or planning" if asked else "before a reply"
        states = {each.state for each in RunLog(archive).delivery_statuses(run.plan_id)}
    if not (out / "latest").exists():
        return "kept, not written"
    if states == {"queued"}:
        return "written, nothing sent"
    return "all sent" if states == {"sent"} else "delivering"


def kill_at_random(
    points: int,
    folder: Path,
    sites_text: str,
    mail_server,
    now: datetime,
    seed: int = 1,
    remembered: Path | None = None,
) -> KillSummary:
    """Kill a fresh run in each part of its time, look, start it again, look again."""
    rng, tally = random.Random(seed), KillSummary()
    sites = folder / "sites.yaml"
    sites.write_text(sites_text)
    with StepServer(remembered) as step_server:
        whole = [step_server.step(sites, folder / f"whole{n}", now)["took_s"] for n in range(3)]
        mail_server.accepted.clear()
        for point in range(points):
            out = folder / f"run{point}"
            part = (point + rng.random()) / points
            step_server.step(sites, out, now, 1.05 * part * sorted(whole)[1])
            _check_killed(out, point, tally)
            done = step_server.step(sites, out, now + timedelta(minutes=1))
            if done["status"]:
                tally.problems.append(f"{point}: the restarted run failed")
            _check_restarted(sites, out, point, tally, now)
            counts = Counter(to for to, _ in mail_server.accepted)
            recipients = sites_file.load_sites(sites).delivery.mail.to
            tally.mail_counts.update(counts[to] for to in recipients)
            if max(counts.values(), default=0) > 1:
                tally.problems.append(f"{point}: {counts}")
            mail_server.accepted.clear()
    return tally


def _check_killed(out: Path, point: int, tally: KillSummary) -> None:
    tally.problems += [f"{point} killed: {line}" for line in folder_problems(out)]
    tally.progress[progress_of(out)] += 1


def _check_restarted(sites: Path, out: Path, point: int, tally: KillSummary, now: datetime) -> None:
    tally.problems += [f"{point} restarted: {line}" for line in folder_problems(out)]
    if not (out / "latest" / "briefing.txt").exists():
        tally.problems.append(f"{point}: no briefing")
    with Archive(out / "archive.sqlite") as archive:
        run = RunLog(archive).last_announced()
        standings = RunLog(archive).delivery_statuses(run.plan_id) if run is not None else []
    doubtful = sum(each.outcome_unknown for each in standings)
    tally.in_doubt += doubtful
    if any(each.state not in ("sent", "handing over") for each in standings):
        tally.problems.append(f"{point}: {[each.state for each in standings]}")
    if doubtful:
        found = health.check_health(runner_config(sites, out, now + timedelta(minutes=2)))
        tally.in_doubt_reported += sum(
            "may or may not have arrived" in line for line in found.lines
        )


if __name__ == "__main__":
    serve_steps(*map(Path, sys.argv[1:]))
