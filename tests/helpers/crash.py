"""Kills runs of the routine at random points and looks at what they leave.

Started as a program it is the nursery: it loads stormplan once, then for every line on its
standard input forks a child that does one step, and kills it with SIGKILL when told to. ``Nursery``
is the other side; ``survey`` says what is wrong with a folder at any moment.
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
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from stormplan.company import sites_file
from stormplan.errors import ArchiveError
from stormplan.service import health, pipeline, runner
from stormplan.store import maintenance
from stormplan.store.archive import Archive
from stormplan.store.run_log import Ledger
from stormplan.weather.http_client import Manners

# notices are named after clients, and this company has one
REPORTS = {name for name in pipeline.reports(pipeline.plan_demo()) if "/" not in name}
REPORTS |= {"notices/ours.txt", "notices/ours.eml"}
MANNERS = Manners(pause_s=0.0, throttled_s=0.0, timeout_s=(5.0, 5.0))


def desk(sites: Path, out: Path, now: datetime) -> runner.Desk:
    return runner.Desk(
        sites_file.load(sites), out, out / "archive.sqlite", clock=lambda: now, manners=MANNERS
    )


# -- the nursery's side ---------------------------------------------------------------------------


def nurse() -> None:
    say("ready")
    for line in sys.stdin:
        order = json.loads(line)
        child = os.fork()
        if child == 0:
            _run(Path(order["sites"]), Path(order["out"]), datetime.fromisoformat(order["now"]))
        say(json.dumps(_watch(child, order["kill_after_s"])))


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _run(sites: Path, out: Path, now: datetime) -> None:
    status = 1
    try:
        runner.step(desk(sites, out, now))
        status = 0
    finally:
        os._exit(status)


def _watch(child: int, kill_after_s: float | None) -> dict[str, object]:
    start, killed = time.monotonic(), False
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        took = time.monotonic() - start
        if pid:
            return {"killed": os.WIFSIGNALED(status), "status": status, "took_s": took}
        if kill_after_s is not None and took >= kill_after_s and not killed:
            os.kill(child, signal.SIGKILL)
            killed = True
        time.sleep(0.0005)


# -- the test's side ------------------------------------------------------------------------------


class Nursery:
    """Runs steps in processes of their own."""

    def __enter__(self) -> Nursery:
        self._process = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "ready\n"
        return self

    def __exit__(self, *exception: object) -> None:
        self._process.communicate()

    def step(
        self, sites: Path, out: Path, now: datetime, kill_after_s: float | None = None
    ) -> dict:
        order = {
            "sites": str(sites),
            "out": str(out),
            "now": now.isoformat(),
            "kill_after_s": kill_after_s,
        }
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        return json.loads(self._process.stdout.readline())


def survey(out: Path) -> list[str]:
    """Everything wrong with a folder, seen by a reader and by the database's own check."""
    wrong = []
    for path in out.glob("[0-9]*") if out.exists() else ():
        names = {str(file.relative_to(path)) for file in path.rglob("*") if file.is_file()}
        if names != REPORTS:
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
                wrong += maintenance.verify(archive).problems
        except ArchiveError as error:
            wrong.append(str(error))
    return wrong


@dataclass
class Tally:
    """What came of all the kills."""

    phases: Counter[str] = field(default_factory=Counter)
    mails: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    in_doubt: int = 0
    doubt_said: int = 0


def phase_of(out: Path) -> str:
    """How far a killed run had come, by what it left."""
    if not (out / "archive.sqlite").exists():
        return "before the archive"
    with Archive(out / "archive.sqlite") as archive:
        run = Ledger(archive).last_announced()
        if run is None:
            asked = archive.rows("SELECT count(*) FROM reply")[0][0]
            return "fetching or planning" if asked else "before a reply"
        states = {each.state for each in Ledger(archive).standings(run.plan)}
    if not (out / "latest").exists():
        return "kept, not written"
    if states == {"queued"}:
        return "written, nothing sent"
    return "all sent" if states == {"sent"} else "delivering"


def kill_at_random(
    points: int, folder: Path, sites_text: str, post, now: datetime, seed: int = 1
) -> Tally:
    """Kill a fresh run at each point, look, start it again, look again."""
    chance, tally = random.Random(seed), Tally()
    sites = folder / "sites.yaml"
    sites.write_text(sites_text)
    with Nursery() as nursery:
        whole = [nursery.step(sites, folder / f"whole{n}", now)["took_s"] for n in range(3)]
        post.accepted.clear()
        for point in range(points):
            out = folder / f"run{point}"
            nursery.step(sites, out, now, chance.uniform(0.0, 1.05 * max(whole)))
            _after_the_kill(out, point, tally)
            done = nursery.step(sites, out, now + timedelta(minutes=1))
            if done["status"]:
                tally.wrong.append(f"{point}: the restarted run failed")
            _after_the_restart(sites, out, point, tally, now)
            counts = Counter(to for to, _ in post.accepted)
            recipients = sites_file.load(sites).delivery.mail.to
            tally.mails.update(counts[to] for to in recipients)
            if max(counts.values(), default=0) > 1:
                tally.wrong.append(f"{point}: {counts}")
            post.accepted.clear()
    return tally


def _after_the_kill(out: Path, point: int, tally: Tally) -> None:
    tally.wrong += [f"{point} killed: {line}" for line in survey(out)]
    tally.phases[phase_of(out)] += 1


def _after_the_restart(sites: Path, out: Path, point: int, tally: Tally, now: datetime) -> None:
    tally.wrong += [f"{point} restarted: {line}" for line in survey(out)]
    if not (out / "latest" / "briefing.txt").exists():
        tally.wrong.append(f"{point}: no briefing")
    with Archive(out / "archive.sqlite") as archive:
        run = Ledger(archive).last_announced()
        standings = Ledger(archive).standings(run.plan) if run is not None else []
    doubtful = sum(each.in_doubt for each in standings)
    tally.in_doubt += doubtful
    if any(each.state not in ("sent", "handing over") for each in standings):
        tally.wrong.append(f"{point}: {[each.state for each in standings]}")
    if doubtful:
        found = health.look(desk(sites, out, now + timedelta(minutes=2)))
        tally.doubt_said += sum("may or may not have arrived" in line for line in found.lines)


if __name__ == "__main__":
    nurse()
