"""Time and memory of a morning with members: 300 sites of 4 surfaces, 31 members, 120 h.

    python benchmarks/members.py [SITES [CELLS [MEMBERS]]]

Prints seconds of processor time and peak memory for one member and for all of them, and their ratio.
The yards are those of ``plan_300_sites.py``, with sprayers enough: what none reaches would be
decided a second time. Each case runs in a process of its own, on one core, without the search for better rounds, which takes
what time the policy gives it. Many members take longer time steps than one does
(`forcing.steps_per_hour`).
"""

import json
import os
import resource
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

NOW = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)
HOURS, PAST_H = 120, 72


def weather(index, members):
    """Make a front of snow, in some members of ice or rain, other for every cell and member."""
    import numpy as np

    from stormplan.weather.forecast import CellForecast

    rng = np.random.default_rng(index)
    hours = np.arange(HOURS + PAST_H)[:, None]
    shift = rng.normal(0.0, 3.0, (1, members))
    daily = 3.0 * np.sin(2 * np.pi * (hours - 15) / 24)
    air = -5.0 + daily - 0.05 * (hours - PAST_H) + rng.normal(0.0, 1.0, (1, members))
    falls = ((hours > PAST_H + 20 + shift) & (hours < PAST_H + 32 + shift)) * 0.6
    warm, cold = air > 0.0, air < -1.5
    phases = {
        "rain_mm": falls * warm,
        "freezing_rain_mm": falls * (~warm & ~cold),
        "snowfall_swe_mm": falls * cold,
    }
    values = {
        "air_temp_c": air,
        "dew_point_c": air - 2.0,
        "wind_10m_ms": 3.0 + 0.0 * air,
        "cloud_frac": np.clip(0.3 + falls, 0, 1),
        **phases,
        "sleet_mm": 0.0 * air,
        "precip_mm": falls + 0.0 * air,
        "snowfall_cm": phases["snowfall_swe_mm"] * 1.2,
        "pop": np.where(falls > 0, 0.8, 0.1),
    }
    start = NOW.replace(minute=0) - timedelta(hours=PAST_H)
    where = 43.0 + index / 500.0
    return CellForecast("bench", str(index), where, -89.0, 280.0, start, NOW, NOW, values)


def one(sites, cells, members):
    """Plan once; gives seconds and peak memory."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
    from helpers.sites import parse_sites, site_entry
    from plan_300_sites import SPRAYERS, YARDS, yards

    from stormplan.planning.planner import SiteForecasts, make_plan

    surfaces = {
        "lot": {"class": "asphalt_lot", "area": "20000 ft2"},
        "lane": {"class": "asphalt_lane", "area": "8000 ft2"},
        "walk": {"class": "concrete_walk", "area": "2000 ft2"},
        "deck": {"class": "open_deck", "area": "5000 ft2"},
    }
    keys = [f"s{n}" for n in range(sites)]
    # sites of one cell are neighbors: they have one yard
    yard_of = [f"y{n % cells * YARDS // cells}" for n in range(sites)]
    places = {
        key: site_entry(43.0 + n / 1000, -89.0, surfaces, yard=yard_of[n])
        for n, key in enumerate(keys)
    }
    policy = {"horizon": f"{HOURS} h", "rounds_wait": "0 min"}
    ours = parse_sites(places, policy=policy, yards=yards(YARDS, SPRAYERS))
    sky = [SiteForecasts(weather(n, members)) for n in range(cells)]
    answers = {key: sky[n % cells] for n, key in enumerate(keys)}
    began = time.process_time()
    plan = make_plan(ours, answers, NOW)
    seconds = time.process_time() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    print(json.dumps({"seconds": seconds, "gib": peak, "verdict": plan.verdict}))


def main(sites=300, cells=300, members=31):
    found = {}
    for count in (1, members):
        command = [sys.executable, __file__, "--one", str(sites), str(cells), str(count)]
        answer = subprocess.run(command, capture_output=True, text=True, check=True)
        found[count] = json.loads(answer.stdout)
        print(
            f"{count:3d} members: {found[count]['seconds']:6.1f} s, {found[count]['gib']:.2f} GiB"
        )
    print(f"ratio {found[members]['seconds'] / found[1]['seconds']:.1f}")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:] if text != "--one"]
    one(*given) if "--one" in sys.argv else main(*given)
