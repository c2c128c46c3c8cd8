"""An invented county: one yard, four sprayers, sites all around, more to spray than there is time.

Refills of 25 minutes, deadlines of 5 to 8 hours, priorities 1 to 5, two blends: all invented.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from stormplan.company.coordinates import distance_km
from stormplan.operations.round_problem import (
    RoundProblem,
    RoundTask,
    RoundVehicle,
    TimeWindow,
)
from stormplan.operations.travel import YARD, TravelTable

HOUR_S = 3600
WORTH = {1: 100.0, 2: 30.0, 3: 10.0, 4: 3.0, 5: 1.0}
BLENDS = (("calcium", 0.05), ("calcium", 0.2))


def place_table(places, speed_ms=11.2, circuity=1.35, fixed_s=60):
    """Driving times between places, the first of which is the yard."""
    keys = [YARD, *(f"s{number}" for number in range(1, len(places)))]
    at = dict(zip(keys, map(tuple, places), strict=True))
    drive_s_of = {
        pair: round(
            circuity * 1000.0 * distance_km(*(at[key] for key in pair)) / speed_ms + fixed_s
        )
        for pair in combinations(keys, 2)
    }
    return TravelTable(drive_s_of | {pair[::-1]: drive_s for pair, drive_s in drive_s_of.items()})


def county(site_count: int, seed: int, capacity: float = 1150.0) -> RoundProblem:
    """Return an invented county of some sites."""
    rng = np.random.default_rng(seed)
    middle = np.array([43.1, -89.4])
    places = np.vstack([middle, middle + rng.uniform(-0.16, 0.16, (site_count, 2))])
    tasks = []
    for number in range(1, site_count + 1):
        walks = rng.random() < 0.3
        area_m2 = float(rng.uniform(300, 1500) if walks else rng.uniform(2000, 22000))
        deadline_s = round(float(rng.uniform(5, 8)) * HOUR_S)
        priority = int(rng.integers(1, 6))
        tasks.append(
            RoundTask(
                place=f"s{number}",
                blend=BLENDS[walks],
                amount=0.0204 * area_m2,
                area_m2=area_m2,
                use="pedestrian" if walks else "vehicle",
                windows=(TimeWindow(0, deadline_s),),
                best_s=deadline_s - 2 * HOUR_S,
                finish_by_s=deadline_s,
                value=WORTH[priority],
                rank=(priority, -area_m2, number),
            )
        )
    truck = RoundVehicle("truck-1", capacity, 12140.0, 0.008, 0.05, 1500, ("vehicle",))
    vehicles = (
        truck,
        RoundVehicle("truck-2", 1.5 * capacity, 12140.0, 0.008, 0.05, 1500, ("vehicle",)),
        RoundVehicle("truck-3", capacity, 8000.0, 0.008, 0.05, 1500, ("vehicle", "pedestrian")),
        RoundVehicle("cart", 150.0, 1900.0, 0.008, 0.04, 900, ("pedestrian",)),
    )
    return RoundProblem(tuple(tasks), vehicles, place_table(places), slack_s=1800)
