"""Rounds against the greedy order and against a search of ten times the iterations.

Invented counties of 20, 40 and 60 sites (``tests/helpers/county.py``), large tanks and small, 20
seeds each; every answer goes through the independent evaluator. Then the time that 60 and 300 jobs
take on one core, and Solomon's C101.

    python benchmarks/rounds.py [SEEDS [LONG_SEEDS]]

The search of ten times the iterations takes most of the time: it is made for the first seeds only.
"""

import sys
import time
from pathlib import Path
from statistics import mean, median

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from helpers.county import county
from helpers.round_evaluator import violations
from helpers.solomon_c101 import LEAST_DISTANCE, UNIT_S, c101

from stormplan.operations.greedy_rounds import greedy_rounds
from stormplan.operations.round_solver import SearchEffort, best_rounds

SEEDS, LONG_SEEDS = 20, 20
TANKS_L = (1150.0, 400.0)
MAX_SECONDS = {60: 6.0, 300: 30.0}


def timed(problem, effort, objective="hours"):
    began = time.process_time()
    answer = best_rounds(problem, effort, objective)
    seconds = time.process_time() - began
    wrong = violations(problem, answer)
    assert wrong == [], wrong
    return answer, seconds


def summary(problem_answers):
    """Return served jobs, missed value and hours, mean over some seeds."""
    columns = list(zip(*((p, *answers) for p, *answers in problem_answers), strict=True))
    problems, answers = columns[0], columns[1:]
    pairs = [list(zip(problems, found, strict=True)) for found in answers]
    served = [mean(len(p.tasks) - len(a.unserved) for p, a in found) for found in pairs]
    missed = [mean(a.missed_value(p) for p, a in found) for found in pairs]
    hours = [mean(a.working_s for _, a in found) / 3600.0 for found in pairs]
    return served, missed, hours


def compare(site_count, capacity, seeds, long_seeds):
    """Print greedy against search over all seeds, and search against ten times for the first."""
    rows, long_rows, times = [], [], []
    for seed in range(seeds):
        problem = county(site_count, seed, capacity)
        greedy = greedy_rounds(problem)
        usual, seconds = timed(problem, SearchEffort())
        times.append(seconds)
        rows.append((problem, greedy, usual))
        if seed < long_seeds:
            long, _ = timed(problem, SearchEffort(factor=10.0, max_wait_s=600.0))
            long_rows.append((problem, usual, long))
    served, missed, hours = summary(rows)
    better = sum(u.missed_value(p) < g.missed_value(p) for p, g, u in rows)
    print(
        f"{site_count} sites, {capacity:.0f} L, {seeds} seeds: served {served[0]:.1f} greedy,"
        f" {served[1]:.1f} search; missed value {missed[0]:.0f}, {missed[1]:.0f}"
        f" (ratio {missed[1] / max(missed[0], 1e-9):.2f}, less in {better});"
        f" hours {hours[0]:.1f}, {hours[1]:.1f};"
        f" {median(times):.1f} s of one core, at most {max(times):.1f}",
        flush=True,
    )
    if long_rows:
        served, missed, hours = summary(long_rows)
        print(
            f"  ten times the iterations, {len(long_rows)} seeds: served {served[0]:.1f} before,"
            f" {served[1]:.1f}; missed value {missed[0]:.0f}, {missed[1]:.0f};"
            f" hours {hours[0]:.1f}, {hours[1]:.1f}",
            flush=True,
        )


def main():
    seeds, long_seeds = (*map(int, sys.argv[1:3]), *(SEEDS, LONG_SEEDS)[len(sys.argv[1:3]) :])
    for job_count, limit_s in MAX_SECONDS.items():
        seconds = max(timed(county(job_count, seed), SearchEffort())[1] for seed in range(3))
        print(
            f"{job_count} jobs: {seconds:.1f} s of one core at most, limit {limit_s:.0f} s",
            flush=True,
        )
        assert seconds <= limit_s
    answer, seconds = timed(c101(), SearchEffort(max_wait_s=20.0), "driving")
    distance = sum(one.driving_s for one in answer.rounds if one) / UNIT_S
    print(f"C101: {distance:.1f} against {LEAST_DISTANCE} in {seconds:.1f} s", flush=True)
    assert not answer.unserved
    assert distance <= 1.01 * LEAST_DISTANCE
    for site_count in (20, 40, 60):
        for capacity in TANKS_L:
            compare(site_count, capacity, seeds, long_seeds)


if __name__ == "__main__":
    main()
