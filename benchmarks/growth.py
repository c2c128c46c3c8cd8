"""What a plan costs as sites and forecast cells grow, on one worker and on two.

    python benchmarks/growth.py [--most SITES] [--workers N] [--limit MINUTES] [--sprayers N]

Companies of 100, 1,000 … up to --most sites (default 100,000) of four surfaces each, a yard for
every 100 with --sprayers sprayers (default 27, which reach their pre-treats; what one sprayer
does not reach is decided a second time), in a few cells, in one for four sites, and each in a cell of its own; 96 hours, nine members.
Each case is a process of its own: it plans, then writes plan.json, and the same on one worker and on N
(default 2). Prints processor seconds of all processes, time on the clock,
milliseconds of processor a site, and the most memory that the plan's process and a worker had; and how much
of its workers each case used: processor time on one worker over clock time times workers.
A case is begun only if by the last case of its kind it ends within --limit minutes of the start (default 60);
one that is left out is named, with what it would take. The rounds are the greedy ones: what the search
for better ones takes is ``rounds.py``'s to say.

    python benchmarks/growth.py --one SITES CELLS WORKERS [--kill] [--sprayers N]

One case; with --kill, a worker is killed after the first block. The same checksum is the same plan.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from helpers.published_tables import NOON
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry
from plan_300_sites import HOURS, SURFACES, weather

from stormplan.planning import plan_io
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.service import pipeline, workers

SITES_OF_YARD = 100


def company(site_count: int, sprayers: int):
    """Return a company with a yard for every 100 sites, read as its owner would have written it."""
    places = {
        f"s{n}": (43.0 + n % 1000 / 500.0, -89.0 - n // 1000 / 100.0) for n in range(site_count)
    }
    yard = BASE_SECTIONS["yards"]["north"]
    truck = yard["sprayers"]["truck"]
    yard = yard | {"sprayers": {f"t{n}": truck | {"name": f"Truck {n}"} for n in range(sprayers)}}
    yards = {
        f"y{n}": {**yard, "name": f"Yard {n}", "latitude": places[f"s{n * SITES_OF_YARD}"][0]}
        for n in range(-(-site_count // SITES_OF_YARD))
    }
    sites = {
        key: site_entry(*place, SURFACES, yard=f"y{n // SITES_OF_YARD}")
        for n, (key, place) in enumerate(places.items())
    }
    policy = {"horizon": f"{HOURS} h", "rounds_wait": "0 min"}
    return parse_sites(sites, yards=yards, policy=policy)


def checksum(folder: Path) -> str:
    """Return a checksum of all files in a folder."""
    found = hashlib.sha256()
    for path in sorted(folder.iterdir()):
        with path.open("rb") as file:
            found.update(hashlib.file_digest(file, "sha256").digest())
    return found.hexdigest()[:16]


def killing(mapper):
    """Return the same mapper; a worker is killed when the first result is there."""

    def kill_one(function, tasks):
        for at, result in enumerate(mapper(function, tasks)):
            if at == 0:
                os.kill(multiprocessing.active_children()[0].pid, signal.SIGKILL)
            yield result

    return kill_one


def cpu_s() -> float:
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in used)


def one(site_count: int, cell_count: int, worker_count: int, sprayers: int, kills: bool) -> None:
    sites = company(site_count, sprayers)
    rng = np.random.default_rng(1)
    cells = [SiteForecasts(weather(rng, n).forecast) for n in range(cell_count)]
    each = -(-site_count // cell_count)
    forecasts = {key: cells[n // each] for n, key in enumerate(sites.sites)}
    began, used_s = time.monotonic(), cpu_s()
    with workers.open_mapper(worker_count) as mapper:
        plan = make_plan(sites, forecasts, NOON, killing(mapper) if kills else mapper)
    planned_s = time.monotonic() - began
    for child in multiprocessing.active_children():
        child.join()
    with tempfile.TemporaryDirectory() as folder:
        files = pipeline.write_rendered(plan_io.plan_files(plan), Path(folder))
        wall_s = time.monotonic() - began
        mib = sum(path.stat().st_size for path in files) / 2**20
        found = checksum(Path(folder))
    gib = [
        resource.getrusage(who).ru_maxrss / 1024**2
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    ]
    print(
        json.dumps(
            {
                "cpu_s": cpu_s() - used_s,
                "planned_s": planned_s,
                "wall_s": wall_s,
                "gib": gib[0],
                "worker_gib": gib[1] if worker_count > 1 else 0.0,
                "file_mib": mib,
                "plan": found,
            }
        )
    )


def kinds(site_count: int) -> dict[str, int]:
    """Return how many cells a company has, in each kind of case."""
    return {"few": min(40, site_count), "quarter": site_count // 4, "own": site_count}


def main(most: int, worker_count: int, limit_min: float, sprayers: int) -> int:
    print(" sites   cells workers   CPU s  clock s  ms/site    GiB  worker    MiB  used  plan")
    differ, left_out = 0, []
    ends_at = time.monotonic() + 60.0 * limit_min
    per_site_s: dict[tuple[str, int], float] = {}  # clock time, by kind of case and workers
    site_count = 100
    while site_count <= most:
        for kind, cell_count in kinds(site_count).items():
            found = {}
            for count in (1, worker_count):
                expected_s = per_site_s.get((kind, count), 0.0) * site_count
                if time.monotonic() + expected_s > ends_at:
                    left_out.append(
                        f"{site_count:6d} {cell_count:7d} {count:7d}: about {expected_s / 60:.0f} min"
                    )
                    continue
                case = map(str, ("--sprayers", sprayers, "--one", site_count, cell_count, count))
                answer = subprocess.run(
                    [sys.executable, __file__, *case], capture_output=True, text=True, check=True
                )
                row = found[count] = json.loads(answer.stdout)
                per_site_s[kind, count] = row["wall_s"] / site_count
                used = found[1]["cpu_s"] / (row["wall_s"] * count) if 1 in found else float("nan")
                print(
                    f"{site_count:6d} {cell_count:7d} {count:7d} {row['cpu_s']:7.1f} {row['wall_s']:8.1f}"
                    f" {1000 * row['cpu_s'] / site_count:8.1f} {row['gib']:6.2f} {row['worker_gib']:7.2f}"
                    f" {row['file_mib']:6.0f} {used:5.2f}  {row['plan']}",
                    flush=True,
                )
            differ += len({row["plan"] for row in found.values()}) > 1
        site_count *= 10
    for line in left_out:
        print(f"left out: {line}")
    print("every plan is the same on both" if not differ else f"{differ} PLANS DIFFER")
    return differ


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--most", type=int, default=100_000, metavar="SITES")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--limit", type=float, default=60.0, metavar="MINUTES")
    parser.add_argument("--one", type=int, nargs=3, metavar=("SITES", "CELLS", "WORKERS"))
    parser.add_argument("--sprayers", type=int, default=27, metavar="N")
    parser.add_argument("--kill", action="store_true")
    asked = parser.parse_args()
    if asked.one:
        one(*asked.one, asked.sprayers, asked.kill)
    else:
        sys.exit(main(asked.most, asked.workers, asked.limit, asked.sprayers))
