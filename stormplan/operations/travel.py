"""Driving times of a yard: the owner's table, what the record teaches, a router, else by distance.

For each pair of places the first of them that has it. By distance a drive is the straight line
times a factor, at a stated speed, plus a fixed time to get onto the road and off it; the rules
``drive_*`` of practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import permutations

import numpy as np

from stormplan.company.coordinates import distances_km
from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record

#: Place of the yard in a travel table; sites go by their key.
YARD = ""

Place = tuple[float, float]  # latitude north, longitude east [°]


class TravelBasis(Record):
    """Where driving times come from.

    Attributes
    ----------
    listed_count : int
        Pairs of places that the owner's table has, each way counted [-].
    learned_count, routed_count : int
        Pairs that the record teaches, and that the company's router gave [-].
    estimated_count : int
        Pairs by distance [-].
    speed_ms : float
        Speed of a drive by distance [m/s].
    circuity : float
        Length of a drive over the straight line [-].
    on_snow_frac : float
        Speed of all drives against a dry one [-].
    """

    listed_count: int
    learned_count: int = 0
    routed_count: int = 0
    estimated_count: int
    speed_ms: float
    circuity: float
    on_snow_frac: float = 1.0

    @property
    def pair_count(self) -> int:
        """Pairs of places, each way counted [-]."""
        known = self.listed_count + self.learned_count + self.routed_count
        return known + self.estimated_count


@dataclass(frozen=True)
class DriveTables:
    """Driving minutes by pair of keys of yards and sites, the more trusted first [min].

    Attributes
    ----------
    listed : mapping of (str, str) to float
        The owner's table [min].
    learned : mapping of (str, str) to float
        Medians of the record [min].
    routed : mapping of (str, str) to float
        The router's table [min].
    """

    listed: Mapping[tuple[str, str], float] = field(default_factory=dict)
    learned: Mapping[tuple[str, str], float] = field(default_factory=dict)
    routed: Mapping[tuple[str, str], float] = field(default_factory=dict)


NO_DRIVE_TABLES = DriveTables()


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

    def on_snow(self, speed_frac: float) -> TravelTable:
        """Return the same drives at a part of the speed.

        Parameters
        ----------
        speed_frac : float
            Speed against a dry drive [-].
        """
        drive_s = {pair: round(time_s / speed_frac) for pair, time_s in self.drive_s.items()}
        basis = self.basis
        if basis is not None:
            basis = basis.model_copy(update={"on_snow_frac": speed_frac})
        return TravelTable(drive_s, basis)


def travel_table(
    yard: str,
    places: Mapping[str, Place],
    tables: DriveTables,
    practice: Practice,
) -> TravelTable:
    """Return the driving times between a yard and its sites.

    Parameters
    ----------
    yard : str
        The yard's key, by which the owner's table knows it.
    places : mapping of str to (float, float)
        Latitude and longitude by key of place, the yard's under ``YARD`` [°].
    tables : DriveTables
        What is known of drives; a pair that a table has one way only counts both ways.
    practice : Practice
        The company's rules.

    Returns
    -------
    TravelTable
        Every pair, both ways.
    """
    circuity, speed_ms = practice.number("drive_circuity"), practice.number("drive_speed")
    fixed_s = 3600.0 * practice.number("drive_fixed_time")
    known = (tables.listed, tables.learned, tables.routed)
    counts = [0, 0, 0]
    distance_m = 1000.0 * distances_km(list(places.values()))
    one_way_s = np.triu(np.rint(circuity * distance_m / speed_ms + fixed_s).astype(int), 1)
    elsewhere = ~np.eye(len(places), dtype=bool)
    estimated_s = (one_way_s + one_way_s.T)[elsewhere].tolist()
    drive_s = dict(zip(permutations(places, 2), estimated_s, strict=True))
    for origin, destination in drive_s if any(known) else ():
        names = (origin or yard, destination or yard)
        found = (table.get(names, table.get(names[::-1])) for table in known)
        first = next(((at, one) for at, one in enumerate(found) if one is not None), None)
        if first is not None:
            counts[first[0]] += 1
            drive_s[origin, destination] = round(60.0 * first[1])
    basis = TravelBasis(
        listed_count=counts[0],
        learned_count=counts[1],
        routed_count=counts[2],
        estimated_count=len(drive_s) - sum(counts),
        speed_ms=speed_ms,
        circuity=circuity,
    )
    return TravelTable(drive_s, basis)
