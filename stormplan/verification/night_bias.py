"""Night bias of each surface: its readings against the plans made before them.

Every reading is held against the last plan made before it: what that plan had for the surface in
that hour. The errors of a surface's nights become its shrunk offset.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from stormplan.physics import bias_correction
from stormplan.physics.bias_correction import (
    NightBias,
    NightBiases,
    OffsetScore,
    PavementReading,
)
from stormplan.planning.plan import current_document
from stormplan.store.archive import Archive
from stormplan.verification import scores

HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class _ModeledSurface:
    """The modeled surface temperature by hour [°C], and where the site is."""

    latitude_deg: float
    longitude_deg: float
    surface_c: Mapping[datetime, float]

    def at_hour(self, moment: datetime) -> dict[datetime, float]:
        """Return the hour that holds a moment and its temperature [°C]; empty if not known."""
        hour = moment.replace(minute=0, second=0, microsecond=0)
        return {hour: self.surface_c[hour]} if hour in self.surface_c else {}


@dataclass(frozen=True)
class _ReadSurface:
    """A surface's readings, and where plans knew it: modeled temperature by hour, and place."""

    readings: list[PavementReading]
    modeled_c: dict[datetime, float]
    place: tuple[float, float] | None


def _read_surfaces(
    archive: Archive, readings: Sequence[PavementReading]
) -> dict[tuple[str, str], _ReadSurface]:
    """Return readings beside what plans had, by site and surface in order of their first."""
    by_surface: dict[tuple[str, str], list[PavementReading]] = {}
    surface_temps: dict[tuple[str, str], dict[datetime, float]] = {}
    places: dict[tuple[str, str], tuple[float, float]] = {}
    for reading in readings:
        by_surface.setdefault((reading.site, reading.surface), []).append(reading)
    for reading, plan in readings_with_plans(archive, readings):
        modeled, key = _modeled_surface(plan, reading), (reading.site, reading.surface)
        if modeled is not None:
            places[key] = modeled.latitude_deg, modeled.longitude_deg
            surface_temps.setdefault(key, {}).update(modeled.at_hour(reading.time))
    return {
        key: _ReadSurface(own, surface_temps.get(key, {}), places.get(key))
        for key, own in by_surface.items()
    }


def night_biases(archive: Archive, readings: Sequence[PavementReading]) -> NightBiases:
    """Return the night bias of every surface with readings.

    Parameters
    ----------
    archive : Archive
        Where the plans are.
    readings : sequence of PavementReading
        Of any sites and surfaces.

    Returns
    -------
    dict of (str, str) to NightBias
        By site and surface, in the order of their first reading; a surface that no plan knew has
        no offset from no readings.
    """
    return {
        key: bias_correction.NO_BIAS if one.place is None
        else bias_correction.bias_from_readings(one.readings, one.modeled_c, *one.place)
        for key, one in _read_surfaces(archive, readings).items()
    }  # fmt: skip


def offset_scores(
    archive: Archive, readings: Sequence[PavementReading]
) -> dict[tuple[str, str], OffsetScore]:
    """Return the leave-one-night-out score of each surface's offset, where nights are enough."""
    scored = {
        key: bias_correction.score_from_readings(one.readings, one.modeled_c, *one.place)
        for key, one in _read_surfaces(archive, readings).items()
        if one.place is not None
    }
    return {key: score for key, score in scored.items() if score is not None}


def readings_with_plans(
    archive: Archive, readings: Sequence[PavementReading]
) -> Iterator[tuple[PavementReading, Mapping[str, Any]]]:
    """Yield readings in order of time, each with the last plan made before it.

    A plan of another schema version counts as none.
    """
    made_at, plan = None, None
    for reading in sorted(readings, key=lambda one: one.time):
        last = archive.last_plan_time(reading.time)
        if last is None:
            continue
        if last != made_at:  # the plan of many sites takes a while to read
            kept = archive.last_plan(reading.time)
            made_at, plan = last, None if kept is None else current_document(kept.document)
        if plan is not None:
            yield reading, plan


def match_pavement_readings(
    archive: Archive, readings: Sequence[PavementReading]
) -> scores.ForecastObservationPairs:
    """Return readings paired with the last plan's surface temperature for that hour.

    Parameters
    ----------
    archive : Archive
        Where the plans are.
    readings : sequence of PavementReading
        Of any sites and surfaces.

    Returns
    -------
    ForecastObservationPairs
        Of the readings that a plan covers, an offset it had included.
    """
    rows: list[tuple[float, float, float, float]] = []
    for reading, plan in readings_with_plans(archive, readings):
        found = _find(plan, reading)
        if found is None:
            continue
        *_, series = found
        hour = int((reading.time - datetime.fromisoformat(series["start"])) / HOUR)
        series_values = [series["surface_c"], series["prob_below_freezing"]]
        known = [
            row[hour] for row in series_values if 0 <= hour < len(row) and row[hour] is not None
        ]
        if len(known) == 2:
            lead_h = (reading.time - datetime.fromisoformat(plan["made_at"])) / HOUR
            rows.append((lead_h, known[0], reading.surface_c, known[1]))
    return scores.ForecastObservationPairs(*np.array(rows, dtype=float).reshape(-1, 4).T)


def _find(
    plan: Mapping[str, Any], reading: PavementReading
) -> tuple[Mapping[str, Any], Mapping[str, Any], Mapping[str, Any]] | None:
    """Find a reading's site, surface and hours in a plan; None where it has no such surface."""
    sites = {site["key"]: site for site in plan["sites"]}
    site = sites.get(reading.site)
    surfaces = {} if site is None else {each["key"]: each for each in site["surfaces"]}
    surface = surfaces.get(reading.surface)
    if site is None or surface is None:
        return None
    return site, surface, plan["hourly"][surface["hourly_id"]]


def _modeled_surface(plan: Mapping[str, Any], reading: PavementReading) -> _ModeledSurface | None:
    """Find what the model had for a reading's surface in a plan."""
    found = _find(plan, reading)
    if found is None:
        return None
    site, surface, series = found
    start = datetime.fromisoformat(series["start"])
    place = site["latitude_deg"], site["longitude_deg"]
    starts = [start + at * HOUR for at in range(len(series["surface_c"]))]
    # an offset that the plan had already is not learnt again: the model is judged without it
    applied_offset_k = (surface.get("night_bias") or {}).get("offset_k", 0.0)
    night_weight = bias_correction.night_weight(starts, *place).tolist()
    known = {
        hour: value - applied_offset_k * part
        for hour, value, part in zip(starts, series["surface_c"], night_weight, strict=True)
        if value is not None
    }
    return _ModeledSurface(*place, known)


def bias_line(surface_key: tuple[str, str], bias: NightBias) -> str:
    """Return a night bias and its number of readings, as a line."""
    name = " ".join(surface_key)
    if bias.reading_count < bias_correction.MIN_READINGS:
        return (
            f"{name}: no offset yet; {bias.reading_count} night readings that a plan covers, "
            f"{bias_correction.MIN_READINGS} are needed"
        )
    way = "warmer" if bias.offset_k > 0.0 else "colder"
    size = abs(bias.offset_k)
    return (
        f"{name}: nights are {1.8 * size:.1f} °F ({size:.1f} °C) {way} than planned, shrunk mean "
        f"of {bias.reading_count} night readings"
    )


def score_line(surface_key: tuple[str, str], score: OffsetScore) -> str:
    """Return the score of a surface's offset, as a line."""
    model, offset = score.model_rmse_k, score.offset_rmse_k
    return (
        f"{' '.join(surface_key)}: over {score.nights} nights, each judged by the others, the "
        f"error is {1.8 * offset:.1f} °F ({offset:.1f} °C) with the offset and "
        f"{1.8 * model:.1f} °F ({model:.1f} °C) without"
    )
