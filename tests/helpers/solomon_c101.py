"""Solomon's C101, a hundred customers in clusters, as a round problem.

M. M. Solomon, Algorithms for the vehicle routing and scheduling problems with time window
constraints, Operations Research 35(2), 1987, 254-265: 25 vehicles of capacity 200, 90 units of
service. Its best known distance, proven least, is 827.3 with distances cut to one decimal and
828.94 without (SINTEF's list of best known solutions; from memory).
"""

import itertools
import math

from stormplan.operations.round_problem import RoundProblem, RoundTask, RoundVehicle, TimeWindow
from stormplan.operations.travel import YARD, TravelTable

LEAST_DISTANCE = 827.3
UNIT_S = 60  # a unit of time and of distance; a tenth of it is whole seconds
DEPOT = (40, 50)
SERVICE, CAPACITY, VEHICLES, CLOSES = 90, 200.0, 25, 1236

#: x, y, demand, begin of service from and to, of customers 1 to 100.
CUSTOMERS = """
45 68 10 912 967, 45 70 30 825 870, 42 66 10 65 146, 42 68 10 727 782,
42 65 10 15 67, 40 69 20 621 702, 40 66 20 170 225, 38 68 20 255 324,
38 70 10 534 605, 35 66 10 357 410, 35 69 10 448 505, 25 85 20 652 721,
22 75 30 30 92, 22 85 10 567 620, 20 80 40 384 429, 20 85 40 475 528,
18 75 20 99 148, 15 75 20 179 254, 15 80 10 278 345, 30 50 10 10 73,
30 52 20 914 965, 28 52 20 812 883, 28 55 10 732 777, 25 50 10 65 144,
25 52 40 169 224, 25 55 10 622 701, 23 52 10 261 316, 23 55 20 546 593,
20 50 10 358 405, 20 55 10 449 504, 10 35 20 200 237, 10 40 30 31 100,
8 40 40 87 158, 8 45 20 751 816, 5 35 10 283 344, 5 45 10 665 716,
2 40 20 383 434, 0 40 30 479 522, 0 45 20 567 624, 35 30 10 264 321,
35 32 10 166 235, 33 32 20 68 149, 33 35 10 16 80, 32 30 10 359 412,
30 30 10 541 600, 30 32 30 448 509, 30 35 10 1054 1127, 28 30 10 632 693,
28 35 10 1001 1066, 26 32 10 815 880, 25 30 10 725 786, 25 35 10 912 969,
44 5 20 286 347, 42 10 40 186 257, 42 15 10 95 158, 40 5 30 385 436,
40 15 40 35 87, 38 5 30 471 534, 38 15 10 651 740, 35 5 20 562 629,
50 30 10 531 610, 50 35 20 262 317, 50 40 50 171 218, 48 30 10 632 693,
48 40 10 76 129, 47 35 10 826 875, 47 40 10 12 77, 45 30 10 734 777,
45 35 10 916 969, 95 30 30 387 456, 95 35 20 293 360, 53 30 10 450 505,
92 30 10 478 551, 53 35 50 353 412, 45 65 20 997 1068, 90 35 10 203 260,
88 30 10 574 643, 88 35 20 109 170, 87 30 10 668 731, 85 25 10 769 820,
85 35 30 47 124, 75 55 20 369 420, 72 55 10 265 338, 70 58 20 458 523,
68 60 30 555 612, 66 55 10 173 238, 65 55 20 85 144, 65 60 30 645 708,
63 58 10 737 802, 60 55 10 20 84, 60 60 10 836 889, 67 85 20 368 441,
65 85 40 475 518, 65 82 10 285 336, 62 80 30 196 239, 60 80 10 95 156,
60 85 30 561 622, 58 75 20 30 84, 55 80 10 743 820, 55 85 20 647 726,
"""


def c101() -> RoundProblem:
    """Return C101: a unit of time is a minute, a unit of demand a liter."""
    rows = [tuple(map(int, row.split())) for row in CUSTOMERS.split(",") if row.strip()]
    keys = [YARD, *(f"c{number}" for number in range(1, len(rows) + 1))]
    places = dict(zip(keys, (DEPOT, *(row[:2] for row in rows)), strict=True))
    travel = TravelTable(
        {
            (one, other): round(
                UNIT_S * math.floor(10 * math.dist(places[one], places[other]) + 1e-9) / 10
            )
            for one, other in itertools.permutations(keys, 2)
        }
    )
    area_m2 = SERVICE / 60.0  # at 1 m2/h, SERVICE minutes
    tasks = tuple(
        RoundTask(
            place=key,
            blend=(None, 0.0),
            amount=float(demand),
            area_m2=area_m2,
            use="vehicle",
            windows=(TimeWindow(UNIT_S * first, UNIT_S * last),),
            best_s=UNIT_S * first,
            finish_by_s=UNIT_S * CLOSES,
            value=1.0,
            rank=(last,),
        )
        for key, (_, _, demand, first, last) in zip(keys[1:], rows, strict=True)
    )
    vehicles = tuple(
        RoundVehicle(f"v{number}", CAPACITY, 1.0, 0.0, 100.0, 0, ("vehicle",), 0, UNIT_S * CLOSES)
        for number in range(VEHICLES)
    )
    return RoundProblem(tasks, vehicles, travel)
