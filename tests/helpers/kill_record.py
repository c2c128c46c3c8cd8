"""Kill -9 of an import, and of the pages' server, while entries come in; then count."""

import json
import random
import secrets
import socket
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import requests

from stormplan.store.archive import Archive
from stormplan.store.people import PeopleLog, Role
from stormplan.store.record_log import RecordLog

BATCH = 300  # entries of a file
STEP_S = 60.0  # longer than any start on a busy machine


@dataclass
class KillTally:
    """What was sent and acknowledged, how far kills came, and what is wrong."""

    acknowledged: set[str] = field(default_factory=set)
    sent: set[str] = field(default_factory=set)
    finished: int = 0  # done before the kill
    broken_off: int = 0  # killed while it still ran
    problems: list[str] = field(default_factory=list)

    def check(self, folder: Path) -> None:
        """Compare with the record."""
        with Archive(folder / "archive.sqlite") as archive:
            log = RecordLog(archive)
            kept = [key for key, _ in log.documents()]
            broken = log.first_broken_link()
        if self.acknowledged - set(kept):
            self.problems.append(f"lost: {len(self.acknowledged - set(kept))}")
        if len(kept) != len(set(kept)):
            self.problems.append("something is there twice")
        if set(kept) - self.sent:
            self.problems.append("something is there that nobody sent")
        if broken is not None:
            self.problems.append(f"the chain breaks at {broken}")


def _command(folder: Path, *words: str) -> list[str]:
    where = ["--sites", str(folder / "sites.yaml"), "--archive", str(folder / "archive.sqlite")]
    return [sys.executable, "-m", "stormplan", *words, *where]


def kill_imports(points: int, folder: Path, place: tuple[str, str], seed: int) -> KillTally:
    """Kill an import of a file of new entries at random points; whole files come in, or nothing."""
    rng, tally, usual_s = random.Random(seed), KillTally(), 0.0
    for point in range(points + 1):
        batch = [f"{seed}-{point}-{number}" for number in range(BATCH)]
        at = datetime.now(UTC) - timedelta(hours=1)
        entry = {"kind": "pass", "at": at.isoformat(), "site": place[0], "surface": place[1]}
        file = folder / "night.jsonl"
        file.write_text("".join(f"{json.dumps(entry | {'id': key})}\n" for key in batch))
        tally.sent |= set(batch)
        start = time.monotonic()
        process = subprocess.Popen(
            _command(folder, "record", "import", str(file)), stdout=subprocess.DEVNULL
        )
        if point == 0:  # the first one runs through and says how long it takes
            assert process.wait(STEP_S) == 0
            usual_s = time.monotonic() - start
        else:
            try:
                process.wait(rng.uniform(0.5, 1.05) * usual_s)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if process.returncode == 0:
            tally.finished += 1
            tally.acknowledged |= set(batch)
        else:
            tally.broken_off += 1
        with Archive(folder / "archive.sqlite") as archive:
            kept = {key for key, _ in RecordLog(archive).documents()} & set(batch)
        if len(kept) not in (0, BATCH):
            tally.problems.append(f"half imported: {len(kept)} of {BATCH}")
    tally.check(folder)
    return tally


def kill_servers(points: int, folder: Path, place: tuple[str, str], seed: int) -> KillTally:
    """Kill the pages' server at random points while a phone sends forms, again if cut off."""
    rng, tally = random.Random(seed), KillTally()
    with Archive(folder / "archive.sqlite") as archive:
        tally.sent |= {key for key, _ in RecordLog(archive).documents()}
        link = PeopleLog(archive).add_person(f"Kim {seed}", Role.CREW, datetime.now(UTC))
    waiting: str | None = None  # the form that the phone kept when the server went
    for _ in range(points):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            base = f"http://127.0.0.1:{free.getsockname()[1]}"
        port = base.rpartition(":")[2]
        server = subprocess.Popen(
            _command(folder, "serve", "--port", port), stdout=subprocess.DEVNULL
        )
        with requests.Session() as phone:
            token = _open(phone, base, link)
            killer = threading.Timer(rng.uniform(0.0, 0.25), server.kill)
            killer.start()
            while True:
                key = waiting or secrets.token_hex(16)
                waiting = key
                tally.sent.add(key)
                fields = {"form": "inspection", "token": token, "key": key, "condition": "wet",
                          "surface": "/".join(place)}  # fmt: skip
                try:
                    reply = phone.post(f"{base}/entry", data=fields, timeout=STEP_S)
                except requests.RequestException:
                    break
                if reply.status_code != 200:
                    tally.problems.append(f"refused: {reply.status_code}")
                    break
                tally.acknowledged.add(key)
                waiting = None
            killer.join()
            server.wait()
        tally.broken_off += 1
    tally.check(folder)
    return tally


def _open(phone: requests.Session, base: str, link: str) -> str:
    """Open the link once the server is there; return the token of its forms."""
    deadline = time.monotonic() + STEP_S
    while True:
        try:
            page = phone.get(f"{base}/open/{link}", timeout=STEP_S).text
            return page.split('name="token" value="')[1].split('"')[0]
        except requests.ConnectionError:
            assert time.monotonic() < deadline
            time.sleep(0.05)
