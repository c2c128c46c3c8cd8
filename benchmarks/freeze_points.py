"""How long a million mixture freeze points take: one call, a call each, and a plain root finder.

Run as ``python benchmarks/freeze_points.py``. The slow ways are timed on a sample and scaled;
all three must agree. Needs scipy, which the test extra brings.
"""

import time

import numpy as np
from scipy.optimize import brentq

from stormplan.liquids import brine

COUNT, SAMPLED, REPEATS = 1_000_000, 4_000, 3


def mixtures():
    """Random brines: 3-20 % NaCl with up to 5 % CaCl2, 5 % MgCl2 and 3 % KCl."""
    rng = np.random.default_rng(1)
    low, high = np.array([[0.03, 0, 0, 0], [0.20, 0.05, 0.05, 0.03]])[:, :, None]
    return brine.molality(rng.uniform(low, high, (4, COUNT)))


def by_brentq(molality):
    """Solve the same rule in plain Python, as one would first write it."""
    lines = [(m, *brine.FREEZING_CURVE[c]) for m, c in zip(molality, brine.CHLORIDES, strict=True)]

    def excess(theta):
        total = 0.0
        for m, coefficients, last in lines:
            inside = min(theta, last)
            root = inside**0.5
            value = slope = 0.0
            for power in range(len(coefficients) - 1, -1, -1):
                value = value * root + coefficients[power]
                slope = slope * root + coefficients[power] * (1 + power / 2)
            total += m / (inside * value + (theta - inside) * slope)
        return total - 1.0

    return -brentq(excess, 1e-6, -brine.MIN_LIQUID_TEMP_C, xtol=1e-12)


def best(run):
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        answer = run()
        times.append(time.perf_counter() - start)
    return min(times), answer


def main():
    m = mixtures()
    few = [m[:, i].copy() for i in range(SAMPLED)]
    together_s, together = best(lambda: brine.ice_onset_c(m))
    equilibrium_s, _ = best(lambda: brine.freeze_point_c(m))
    explicit_s, _ = best(lambda: brine.liquid_water_frac(m, -12.0))
    scale = COUNT / SAMPLED
    each_s, each = best(lambda: [float(brine.ice_onset_c(one)) for one in few])
    brentq_s, plain = best(lambda: [by_brentq(one) for one in few])
    assert np.abs(together[:SAMPLED] - each).max() < 1e-9
    assert np.abs(together[:SAMPLED] - plain).max() < 1e-9
    print(f"{COUNT:,} ice onsets in one call          {together_s:8.3f} s")
    print(f"  a call each    ({SAMPLED:,} timed, scaled)  {each_s * scale:8.1f} s")
    print(f"  scipy brentq   ({SAMPLED:,} timed, scaled)  {brentq_s * scale:8.1f} s")
    print(f"ratio to a call each {each_s * scale / together_s:6.0f}")
    print(f"ratio to brentq      {brentq_s * scale / together_s:6.0f}")
    print(f"{COUNT:,} freeze points beside crystals   {equilibrium_s:8.3f} s")
    print(f"{COUNT:,} unfrozen shares, explicit       {explicit_s:8.3f} s")


if __name__ == "__main__":
    main()
