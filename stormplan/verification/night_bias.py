"""What each surface's own readings say of the plans that were made for their nights.

Every reading is held against the last plan made before it: what that plan had for the surface in
that hour. The errors of a surface's nights become its shrunk offset.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from stormplan.physics import bias_correction
from stormplan.physics.bias_correction import Correction, Offsets, Reading
from stormplan.store.archive import Archive
from stormplan.verification import scores

HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class _Said:
    """What the model had for a surface: where the site is, and the surface by hour [°C]."""

    latitude_deg: float
    longitude_deg: float
    surface_c: Mapping[datetime, float]

    def of_hour(self, moment: datetime) -> dict[datetime, float]:
        """Give the hour a moment lies in, by its start; nothing where it is not known."""
        hour = moment.replace(minute=0, second=0, microsecond=0)
        return {hour: self.surface_c[hour]} if hour in self.surface_c else {}


def offsets(archive: Archive, readings: Sequence[Reading]) -> Offsets:
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
    modelled: dict[tuple[str, str], dict[datetime, float]] = {}
    places: dict[tuple[str, str], tuple[float, float]] = {}
    for reading in readings:
        together.setdefault((reading.site, reading.surface), []).append(reading)
    for reading, plan in beside_plans(archive, readings):
        said, at = _said(plan, reading), (reading.site, reading.surface)
        if said is not None:
            places[at] = said.latitude_deg, said.longitude_deg
            modelled.setdefault(at, {}).update(said.of_hour(reading.time))
    return {
        at: bias_correction.of_surface(own, modelled[at], *places[at]) if at in places
        else bias_correction.NONE
        for at, own in together.items()
    }  # fmt: skip


def beside_plans(
    archive: Archive, readings: Sequence[Reading]
) -> Iterator[tuple[Reading, Mapping[str, Any]]]:
    """Go through readings in order of time, each with the last plan made before it."""
    made_at, plan = None, None
    for reading in sorted(readings, key=lambda one: one.time):
        last = archive.last_made(reading.time)
        if last is None:
            continue
        if last != made_at:  # the plan of many sites takes a while to read
            kept = archive.last_plan(reading.time)
            made_at, plan = last, None if kept is None else json.loads(kept.document)
        if plan is not None:
            yield reading, plan


def pairs(archive: Archive, readings: Sequence[Reading]) -> scores.Pairs:
    """Line readings up with what the last plan before each said of its surface in that hour.

    Parameters
    ----------
    archive : Archive
        Where the plans are [-].
    readings : sequence of Reading
        Of any sites and surfaces [-].

    Returns
    -------
    Pairs
        Of the readings that a plan covers, an offset it had included.
    """
    rows: list[tuple[float, float, float, float]] = []
    for reading, plan in beside_plans(archive, readings):
        found = _find(plan, reading)
        if found is None:
            continue
        *_, series = found
        hour = int((reading.time - datetime.fromisoformat(series["start"])) / HOUR)
        said = [series[name] for name in ("surface_c", "freezes") if name in series]
        known = [row[hour] for row in said if 0 <= hour < len(row) and row[hour] is not None]
        if len(known) == 2:  # plans of an earlier version gave no chances
            lead_h = (reading.time - datetime.fromisoformat(plan["made_at"])) / HOUR
            rows.append((lead_h, known[0], reading.surface_c, known[1]))
    return scores.Pairs(*np.array(rows, dtype=float).reshape(-1, 4).T)


def _find(
    plan: Mapping[str, Any], reading: Reading
) -> tuple[Mapping[str, Any], Mapping[str, Any], Mapping[str, Any]] | None:
    """Find a reading's site, surface and hours in a plan; None where it has no such surface."""
    sites = {site["key"]: site for site in plan["sites"]}
    site = sites.get(reading.site)
    surfaces = {} if site is None else {each["key"]: each for each in site["surfaces"]}
    surface = surfaces.get(reading.surface)
    if site is None or surface is None:
        return None
    return site, surface, plan["columns"][surface["column"]]


def _said(plan: Mapping[str, Any], reading: Reading) -> _Said | None:
    """Find what the model had for a reading's surface in a plan."""
    found = _find(plan, reading)
    if found is None:
        return None
    site, surface, series = found
    start = datetime.fromisoformat(series["start"])
    place = site["latitude_deg"], site["longitude_deg"]
    starts = [start + at * HOUR for at in range(len(series["surface_c"]))]
    # an offset that the plan had already is not learnt again: the model is judged without it
    had = (surface.get("night") or {}).get("offset_dc", 0.0)
    share = bias_correction.night_share(starts, *place).tolist()
    known = {
        hour: value - had * part
        for hour, value, part in zip(starts, series["surface_c"], share, strict=True)
        if value is not None
    }
    return _Said(*place, known)


def words(at: tuple[str, str], found: Correction) -> str:
    """Say an offset and what it rests on."""
    name = " ".join(at)
    if found.n < bias_correction.FEWEST_READINGS:
        return (
            f"{name}: no offset yet; {found.n} night readings that a plan covers, "
            f"{bias_correction.FEWEST_READINGS} are needed"
        )
    way = "warmer" if found.offset_dc > 0.0 else "colder"
    size = abs(found.offset_dc)
    return (
        f"{name}: nights are {1.8 * size:.1f} °F ({size:.1f} °C) {way} than planned, shrunk mean "
        f"of {found.n} night readings"
    )
