"""How long a plan takes: 300 sites with four surfaces each, 96 hours.

Once with the sites of a town, in 40 forecast cells, and once with every site in a cell of its own.

Each once with sprayers enough for all its pre-treats, and once with one sprayer for all 300 sites,
which reaches next to nothing: what it does not reach is decided a second time.

Run ``python benchmarks/plan_300_sites.py``; times are processor seconds of one process. The search
for better rounds goes on for as long as the policy lets it wait (``rounds_wait``), whatever it
costs: plans are timed without it, rounds then in the order of priority, and once with it beside.
The reference is the same plan made one surface at a time, timed on a sample of the sites and scaled.
"""

from __future__ import annotations

import copy
import sys
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from helpers.published_tables import NOON, between_hours, forecast_cell
from helpers.sites import BASE_SECTIONS, parse_sites, site_entry

from stormplan.planning.plan import Plan
from stormplan.planning.planner import SiteForecasts, make_plan

SITES, CELLS, SAMPLE, HOURS = 300, 40, 6, 96
YARDS, SPRAYERS = 10, 8  # of each yard
SURFACES = {
    "lot": {"class": "asphalt_lot", "area": "60000 ft2"},
    "lane": {"class": "asphalt_lane", "area": "9000 ft2"},
    "walk": {"class": "concrete_walk", "area": "4000 ft2"},
    "deck": {"class": "open_deck", "area": "20000 ft2"},
}


def weather(rng: np.random.Generator, number: int) -> SiteForecasts:
    """One cell: a cold front with snow, a little different everywhere."""
    onset = int(rng.integers(8, 20))
    amount = between_hours(onset, onset + int(rng.integers(3, 10)), float(rng.uniform(0.05, 1.5)))
    found = forecast_cell(
        hours=HOURS,
        name=f"TST/{number},1",
        air_temp_c={0: rng.uniform(-2, 2), onset: rng.uniform(-7, -1), 60: rng.uniform(-9, 3)},
        dew_point_c=rng.uniform(-12, -8),
        cloud_frac={0: rng.uniform(0, 1), onset - 4: 1.0, onset + 14: rng.uniform(0, 1)},
        wind_10m_ms=rng.uniform(1, 6),
        snowfall_swe_mm=amount,
        snowfall_cm=amount,
        pop=0.8,
    )
    return SiteForecasts(replace(found, latitude_deg=43 + number / 1000))


def timed(sites, answers) -> tuple[float, Plan]:
    began = time.process_time()
    plan = make_plan(sites, answers, NOON)
    return time.process_time() - began, plan


def yards(count: int, sprayers: int) -> dict:
    """Return some yards along the way, each with so many sprayers."""
    base = BASE_SECTIONS["yards"]["north"]
    found = {}
    for number in range(count):
        yard = copy.deepcopy(base) | {"name": f"Yard {number}"}
        yard["latitude"] = 43 + (number + 0.5) * SITES / count / 1000
        truck = base["sprayers"]["truck"]
        yard["sprayers"] = {f"t{at}": truck | {"name": f"Truck {at}"} for at in range(sprayers)}
        found[f"y{number}"] = yard
    return found


def main() -> None:
    rng = np.random.default_rng(1)
    usual = {"horizon": f"{HOURS} h"}
    policy = {"policy": usual | {"rounds_wait": "0 min"}}
    sky = [weather(rng, number) for number in range(SITES)]
    for yard_count, sprayers in ((YARDS, SPRAYERS), (1, 1)):
        for cells in (CELLS, SITES):
            # sites of one cell are neighbors: they have one yard
            order = sorted(range(SITES), key=lambda number: number % cells)
            entries, answers = {}, {}
            for place, number in enumerate(order):
                yard = f"y{place * yard_count // SITES}"
                where = 43 + place / 1000, -89.4
                entries[f"s{number}"] = site_entry(*where, SURFACES, yard=yard)
                answers[f"s{number}"] = sky[number % cells]
            sections = {"yards": yards(yard_count, sprayers)}
            everything = parse_sites(entries, **policy, **sections)
            timed(everything, answers)  # warm-up
            seconds, plan = min(
                (timed(everything, answers) for _ in range(3)), key=lambda run: run[0]
            )
            treated = sum(t.rate_l_m2 > 0 for one in plan.sites for _, t in one.treatments)
            print(
                f"{SITES} sites x {len(SURFACES)} surfaces x {HOURS} h in {cells} cells, "
                f"{yard_count * sprayers} sprayers: {seconds:.2f} s, {treated} pre-treats"
            )
            assert plan.made_at + timedelta(hours=HOURS) == plan.planned_until
    searching, _ = timed(parse_sites(entries, policy=usual, **sections), answers)
    print(f"the last, with the search for better rounds: {searching:.2f} s")
    alone = 0.0
    for key in list(entries)[:SAMPLE]:
        for name, surface in SURFACES.items():
            single = {key: entries[key] | {"surfaces": {name: surface}}}
            alone += timed(parse_sites(single, **policy, **sections), {key: answers[key]})[0]
    alone *= SITES / SAMPLE
    print(f"one surface at a time (scaled from {SAMPLE} sites): {alone:.1f} s")
    print(f"ratio {alone / seconds:.1f}")


if __name__ == "__main__":
    main()
