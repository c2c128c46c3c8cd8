"""How long the reports of 300 sites take, and how large they are.

Run ``python benchmarks/render_300_sites.py``; times are processor seconds of one process, charts
and their library's import included. The reference is the same plan made from its sites.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from helpers.sites import parse_sites, site_entry
from plan_300_sites import CELLS, SITES, SURFACES, timed, weather

from stormplan.words import briefing, strip_charts
from stormplan.words.reports import render_reports


def main() -> None:
    rng = np.random.default_rng(7)
    cells = [weather(rng, number) for number in range(CELLS)]
    keys = [f"site-{number}" for number in range(SITES)]
    sites = parse_sites(
        {key: site_entry(43.0, -89.0, SURFACES, name=f"Property {key}") for key in keys}
    )
    planning_s, plan = timed(sites, {key: cells[at % CELLS] for at, key in enumerate(keys)})
    began = time.process_time()
    strips = strip_charts.draw_strips(plan)
    drawn = time.process_time()
    page = briefing.render_html(briefing.build_view(plan), strips)
    written = time.process_time()
    reports = render_reports(plan)
    everything = time.process_time()
    print(f"planned      {planning_s:6.2f} s, {len(plan.sites)} sites")
    print(f"charts       {drawn - began:6.2f} s, {len(strips)} strips")
    print(f"briefing     {written - drawn:6.2f} s, {len(page.encode()) / 1e6:.2f} MB")
    print(f"all reports  {everything - written:6.2f} s")
    for name, text in reports.items():
        print(f"    {name:<24} {len(text.encode()) / 1e6:6.2f} MB")


if __name__ == "__main__":
    main()
