"""Driving times that the record teaches: from one logged service to the next of the same sprayer.

An entry stands for the end of its service, as the yard's pages stamp it. What lies between two at
different sites is the drive and the service of the second, which its area and the sprayer's
coverage give. A median of enough of them counts, both ways together. What is longer than a drive
holds a pause, and what is quicker than the fastest road was logged afterwards: neither teaches.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from itertools import pairwise
from statistics import median

from stormplan.company.coordinates import distance_km
from stormplan.company.sites import Sites
from stormplan.numerics import HOUR
from stormplan.record.entries import Application, WorkEntry
from stormplan.record.sprayer_entries import SprayerEntry, by_sprayer

#: Nobody is quicker between two places than this along the straight line: 70 mph [km/h].
FASTEST_KM_H = 112.65

Pair = tuple[str, str]


def learned_minutes(record: Iterable[WorkEntry], sites: Sites) -> dict[Pair, float]:
    """Return the driving minutes that the record has often enough.

    Parameters
    ----------
    record : iterable of WorkEntry
        What counts of it.
    sites : Sites
        The sites file: places, areas, sprayers, and the rules ``drives_learned_from`` and
        ``drive_pause_above``.

    Returns
    -------
    dict of (str, str) to float
        Minutes by pair of keys of yards and sites, each pair once [min].
    """
    practice = sites.practice()
    found: dict[Pair, list[float]] = defaultdict(list)
    for yard_key, sprayer_key, entries in by_sprayer(record, sites):
        coverage_m2_h = sites.yards[yard_key].sprayers[sprayer_key].coverage_rate_m2_h
        for before, after in pairwise(entries):
            origin, destination = _place(before), _place(after)
            if origin == destination or not isinstance(after, Application):
                continue
            area_m2 = sites.sites[after.site].surfaces[after.surface].area_m2
            drive_h = (after.at - before.at) / HOUR - area_m2 / coverage_m2_h
            least_h = distance_km(_at(origin, sites), _at(destination, sites)) / FASTEST_KM_H
            if least_h <= drive_h <= practice.number("drive_pause_above"):
                first, second = sorted((origin, destination))
                found[first, second].append(60.0 * drive_h)
    enough = practice.number("drives_learned_from")
    return {pair: median(minutes) for pair, minutes in found.items() if len(minutes) >= enough}


def _place(entry: SprayerEntry) -> str:
    return entry.site if isinstance(entry, Application) else entry.yard


def _at(key: str, sites: Sites) -> tuple[float, float]:
    place = sites.sites[key] if key in sites.sites else sites.yards[key]
    return place.latitude_deg, place.longitude_deg
