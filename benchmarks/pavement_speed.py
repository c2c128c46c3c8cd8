"""Cost of pavement and film: against one banded solve per column and step, and a memory floor.

Run with OMP_NUM_THREADS=1; all figures are processor seconds of one core. The banded solve is timed on a sample of columns and steps, and scaled.
"""

import sys
import time
from pathlib import Path

import numpy as np
from scipy.linalg import solve_banded

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from helpers.weather import changeable_weather

from stormplan.company import catalog
from stormplan.physics import ground, pavement, surface_simulation
from stormplan.physics.pavement import Column, Columns

HOURS, STEPS, COLUMNS = 96, 96 * 6, 10_000


def columns(count):
    build_ups = list(catalog.BUILD_UPS.values())
    return Columns.from_records(
        [Column(0, build_ups[i % 8], 0.5 + 0.4 * (i % 97) / 97) for i in range(count)]
    )


def best(work, times=3):
    """Processor seconds of the quickest run: the machine may have other work."""
    taken = []
    for _ in range(times):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return min(taken)


weather = changeable_weather(HOURS)
many = columns(COLUMNS)
bare = best(lambda: pavement.simulate_dry(weather, many))
film = best(lambda: surface_simulation.simulate(weather, many), 2)
print(f"{COLUMNS} columns x {HOURS} h: bare {bare:.2f} s, with film and snow {film:.2f} s")

bands, right = np.ones((3, ground.LAYER_COUNT + 1)), np.ones(ground.LAYER_COUNT + 1)
bands[1] = 4.0
one = best(lambda: [solve_banded((1, 1), bands, right) for _ in range(2000)]) / 2000
scaled = one * COLUMNS * STEPS
print(
    f"one solve_banded per column and step (2000 timed, scaled): {scaled:.0f} s, {scaled / bare:.0f} x bare"
)

block = np.ones(20_000_000)
target = np.empty_like(block)
rate = 2 * block.nbytes / best(lambda: np.copyto(target, block))
touched = STEPS * COLUMNS * 8 * ground.LAYER_COUNT * 7  # two sweeps: temperatures and coefficients
print(
    f"copy rate {rate / 1e9:.1f} GB/s; the sweeps touch {touched / 1e9:.1f} GB: floor {touched / rate:.2f} s, bare is {bare * rate / touched:.1f} x"
)
for count in (100, 1000, 10_000, 100_000):
    some = columns(count)
    taken = best(lambda some=some: pavement.simulate_dry(weather, some), 1)
    print(f"{count:7d} columns: {taken:.2f} s, {taken / count * 1e6:.0f} us each")
