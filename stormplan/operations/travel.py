"""Driving times of a yard: the owner's table where it has a pair, else by distance.

By distance a drive is the great circle times a factor, at a stated speed, plus a fixed time to
get onto the road and off it; the rules ``drive_*`` of practice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from stormplan.arrays import Array
from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record

#: Place of the yard in a travel table; sites go by their key.
YARD = ""

#: Mean radius of the earth (IUGG).
EARTH_RADIUS_M = 6_371_008.8

Place = tuple[float, float]  # latitude north, longitude east [°]


class TravelBasis(Record):
    """Where driving times come from.

    Attributes
    ----------
    listed_count : int
        Pairs of places that the owner's table has, each way counted [-].
    estimated_count : int
        Pairs by distance [-].
    speed_ms : float
        Speed of a drive by distance [m/s].
    circuity : float
        Length of a drive over the great circle [-].
    """

    listed_count: int
    estimated_count: int
    speed_ms: float
    circuity: float


@dataclass(frozen=True)
class TravelTable:
    """Driving times between places.

    Attributes
    ----------
    drive_s : mapping of (str, str) to int
        Time from the first place to the second [s]; a place by itself is 0.
    basis : TravelBasis or None
        Where the times come from; None where somebody gave them all.
    """

    drive_s: Mapping[tuple[str, str], int]
    basis: TravelBasis | None = None

    def between_s(self, origin: str, destination: str) -> int:
        """Return the time of a drive [s].

        Parameters
        ----------
        origin, destination : str
            Keys of places.
        """
        return 0 if origin == destination else self.drive_s[origin, destination]


def travel_table(
    yard: str,
    places: Mapping[str, Place],
    listed_minutes: Mapping[tuple[str, str], float],
    practice: Practice,
) -> TravelTable:
    """Return the driving times between a yard and its sites.

    Parameters
    ----------
    yard : str
        The yard's key, by which the owner's table knows it.
    places : mapping of str to (float, float)
        Latitude and longitude by key of place, the yard's under ``YARD`` [°].
    listed_minutes : mapping of (str, str) to float
        The owner's table; a pair it has one way only counts both ways [min].
    practice : Practice
        The company's rules.

    Returns
    -------
    TravelTable
        Every pair, both ways.
    """
    circuity, speed_ms = practice.number("drive_circuity"), practice.number("drive_speed")
    fixed_s = 3600.0 * practice.number("drive_fixed_time")
    by_distance_s = circuity * great_circle_m(list(places.values())) / speed_ms + fixed_s
    drive_s: dict[tuple[str, str], int] = {}
    listed_count = 0
    for (row, origin), (column, destination) in permutations(enumerate(places), 2):
        names = (origin or yard, destination or yard)
        minutes = listed_minutes.get(names, listed_minutes.get(names[::-1]))
        listed_count += minutes is not None
        seconds = by_distance_s[row, column] if minutes is None else 60.0 * minutes
        drive_s[origin, destination] = round(float(seconds))
    basis = TravelBasis(
        listed_count=listed_count,
        estimated_count=len(drive_s) - listed_count,
        speed_ms=speed_ms,
        circuity=circuity,
    )
    return TravelTable(drive_s, basis)


def great_circle_m(places: Sequence[Place]) -> Array:
    """Return the distances of places from each other on the sphere.

    Parameters
    ----------
    places : sequence of (float, float)
        Latitude and longitude [°].

    Returns
    -------
    ndarray (place, place)
        By the haversine formula [m].

    Examples
    --------
    >>> int(great_circle_m([(0.0, 0.0), (90.0, 0.0)])[0, 1] / 1000.0)  # a quarter round
    10007
    """
    north, east = np.radians(np.array(places, dtype=float).reshape(-1, 2)).T
    half = (
        np.sin((north[:, None] - north) / 2.0) ** 2
        + np.cos(north[:, None]) * np.cos(north) * np.sin((east[:, None] - east) / 2.0) ** 2
    )
    distance_m: Array = 2.0 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.minimum(half, 1.0)))
    return distance_m
