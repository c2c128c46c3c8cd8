"""What each surface's own readings say of the plans that were made for their nights.

Every reading is held against the last plan made before it: what that plan had for the surface in
that hour. The errors of a surface's nights become its shrunk offset.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from stormplan import correction
from stormplan.archive import Archive
from stormplan.correction import Correction, Reading

HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class _Said:
    """What one plan had for a surface: where the site is, and the surface by hour [°C]."""

    latitude_deg: float
    longitude_deg: float
    surface_c: Mapping[datetime, float]


def offsets(archive: Archive, readings: Sequence[Reading]) -> dict[tuple[str, str], Correction]:
    """Work out the night offset of every surface that was read.

    Parameters
    ----------
    archive : Archive
        Where the plans are [-].
    readings : sequence of Reading
        Of any sites and surfaces [-].

    Returns
    -------
    dict of (str, str) to Correction
        By site and surface, in the order of their first reading; a surface that no plan knew has
        no offset from no readings.
    """
    together: dict[tuple[str, str], list[Reading]] = {}
    for reading in readings:
        together.setdefault((reading.site, reading.surface), []).append(reading)
    return {at: _offset(archive, own) for at, own in together.items()}


def _offset(archive: Archive, readings: Sequence[Reading]) -> Correction:
    """Work out one surface's offset."""
    modelled: dict[datetime, float] = {}
    place: tuple[float, float] | None = None
    for reading in readings:
        kept = archive.last_plan(reading.time)
        said = None if kept is None else _said(json.loads(kept.document), reading)
        if said is None:
            continue
        hour = reading.time.replace(minute=0, second=0, microsecond=0)
        place = said.latitude_deg, said.longitude_deg
        if hour in said.surface_c:
            modelled[hour] = said.surface_c[hour]
    if place is None:
        return correction.NONE
    return correction.of_surface(readings, modelled, *place)


def _said(plan: Mapping[str, Any], reading: Reading) -> _Said | None:
    """Find a reading's surface in a plan; None in a plan that has no such surface."""
    sites = {site["key"]: site for site in plan["sites"]}
    site = sites.get(reading.site)
    surfaces = {} if site is None else {each["key"]: each for each in site["surfaces"]}
    surface = surfaces.get(reading.surface)
    if site is None or surface is None:
        return None
    series = plan["columns"][surface["column"]]
    start = datetime.fromisoformat(series["start"])
    known = {
        start + place * HOUR: value
        for place, value in enumerate(series["surface_c"])
        if value is not None
    }
    return _Said(site["latitude_deg"], site["longitude_deg"], known)


def words(at: tuple[str, str], found: Correction) -> str:
    """Say an offset and what it rests on."""
    name = " ".join(at)
    if found.n < correction.FEWEST_READINGS:
        return (
            f"{name}: no offset yet; {found.n} night readings that a plan covers, "
            f"{correction.FEWEST_READINGS} are needed"
        )
    way = "warmer" if found.offset_dc > 0.0 else "colder"
    size = abs(found.offset_dc)
    return (
        f"{name}: nights are {1.8 * size:.1f} °F ({size:.1f} °C) {way} than planned, shrunk mean "
        f"of {found.n} night readings"
    )
