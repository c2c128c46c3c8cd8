"""What a plan costs as sites and forecast cells grow, on one worker and on two.

    python benchmarks/growth.py [MOST_SITES [WORKERS]]

Companies of 100, 1,000 … up to MOST_SITES sites (default 10,000) of four surfaces each, a yard for
every 100, in a few cells, in one for four sites, and each in a cell of its own; 96 hours, nine members.
Each case is a process of its own. Prints processor seconds of all processes, time on the clock,
milliseconds of processor a site, and the most memory that the plan's process and a worker had; and how much
of its workers each case used: processor time on one worker over clock time times workers.
The rounds are the greedy ones: what the search for better ones takes is ``rounds.py``'s to say.

    python benchmarks/growth.py --one SITES CELLS WORKERS [kill]

One case; with ``kill``, a worker is killed after the first block. The same checksum is the same plan.
"""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from helpers.published_tables import NOON
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry
from plan_300_sites import HOURS, SURFACES, weather

from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.service import workers

SITES_OF_YARD = 100


def company(site_count: int):
    """Return a company with a yard for every 100 sites, read as its owner would have written it."""
    places = {
        f"s{n}": (43.0 + n % 1000 / 500.0, -89.0 - n // 1000 / 100.0) for n in range(site_count)
    }
    yard = BASE_SECTIONS["yards"]["north"]
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


def checksum(plan) -> str:
    """Return a checksum of all that a plan says."""
    found = hashlib.sha256()
    for name in type(plan).model_fields:
        whole = getattr(plan, name)
        for part in (
            whole.items()
            if isinstance(whole, dict)
            else whole
            if isinstance(whole, tuple)
            else (whole,)
        ):
            found.update(repr(part).encode())
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


def one(site_count: int, cell_count: int, worker_count: int, kills: bool) -> None:
    sites = company(site_count)
    rng = np.random.default_rng(1)
    cells = [SiteForecasts(weather(rng, n).forecast) for n in range(cell_count)]
    each = -(-site_count // cell_count)
    forecasts = {key: cells[n // each] for n, key in enumerate(sites.sites)}
    began, used_s = time.monotonic(), cpu_s()
    with workers.open_mapper(worker_count) as mapper:
        plan = make_plan(sites, forecasts, NOON, killing(mapper) if kills else mapper)
    wall_s = time.monotonic() - began
    for child in multiprocessing.active_children():
        child.join()
    gib = [
        resource.getrusage(who).ru_maxrss / 1024**2
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    ]
    print(
        json.dumps(
            {
                "cpu_s": cpu_s() - used_s,
                "wall_s": wall_s,
                "gib": gib[0],
                "worker_gib": gib[1] if worker_count > 1 else 0.0,
                "plan": checksum(plan),
            }
        )
    )


def main(most: int = 10_000, worker_count: int = 2) -> int:
    print(" sites   cells workers   CPU s  clock s  ms/site    GiB  worker  used  plan")
    differ = 0
    site_count = 100
    while site_count <= most:
        for cell_count in sorted({min(40, site_count), site_count // 4, site_count}):
            found = {}
            for count in (1, worker_count):
                command = [
                    sys.executable,
                    __file__,
                    "--one",
                    *map(str, (site_count, cell_count, count)),
                ]
                answer = subprocess.run(command, capture_output=True, text=True, check=True)
                found[count] = json.loads(answer.stdout)
                row, alone = found[count], found[1]
                used = alone["cpu_s"] / (row["wall_s"] * count)
                print(
                    f"{site_count:6d} {cell_count:7d} {count:7d} {row['cpu_s']:7.1f} {row['wall_s']:8.1f}"
                    f" {1000 * row['cpu_s'] / site_count:8.1f} {row['gib']:6.2f} {row['worker_gib']:7.2f}"
                    f" {used:5.2f}  {row['plan']}",
                    flush=True,
                )
            differ += found[1]["plan"] != found[worker_count]["plan"]
        site_count *= 10
    print("every plan is the same on both" if not differ else f"{differ} PLANS DIFFER")
    return differ


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(*map(int, sys.argv[2:5]), "kill" in sys.argv[5:])
    else:
        sys.exit(main(*map(int, sys.argv[1:])))
