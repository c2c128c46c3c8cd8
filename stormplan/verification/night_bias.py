"""Night error of each surface: its readings against the plans made before them.

Every reading is held against the last plan made before it: what the model had for the surface in
that hour, without what earlier readings had moved it by, and in what weather. What that says of
the surface's nights is learned by ``stormplan.physics.night_error``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from stormplan.numerics import HOUR
from stormplan.physics import bias_correction, night_error, station_checks
from stormplan.physics.bias_correction import PavementReading
from stormplan.physics.night_error import (
    CorrectionScore,
    NightError,
    NightErrors,
    ReadErrors,
)
from stormplan.planning.plan import current_document
from stormplan.record.entries import Light
from stormplan.store.archive import Archive
from stormplan.verification import scores


@dataclass(frozen=True)
class _ReadHour:
    """A night reading beside its plan: when, reading less model [K], features, place."""

    time: datetime
    error_k: float
    features: tuple[float, ...]
    longitude_deg: float


def _read_hours(
    archive: Archive, readings: Sequence[PavementReading]
) -> dict[tuple[str, str], list[_ReadHour]]:
    """Return night readings that a plan covers, by site and surface in order of their first."""
    found: dict[tuple[str, str], list[_ReadHour]] = {
        (reading.site, reading.surface): [] for reading in readings
    }
    for reading, plan in readings_with_plans(archive, readings):
        hour = _read_hour(plan, reading)
        if hour is not None:
            found[reading.site, reading.surface].append(hour)
    return found


def _read_errors(hours: Sequence[_ReadHour]) -> ReadErrors:
    return ReadErrors(
        np.array([hour.time.timestamp() / 3600.0 for hour in hours], dtype=float),
        np.array([hour.features for hour in hours], dtype=float).reshape(
            -1, night_error.FEATURE_COUNT
        ),
        np.array([hour.error_k for hour in hours], dtype=float),
    )


def night_errors(
    archive: Archive,
    readings: Sequence[PavementReading],
    now: datetime,
    max_error_k: float = night_error.DEFAULT_MAX_ERROR_K,
) -> NightErrors:
    """Return what is known at a moment of the nights of every surface with readings.

    Parameters
    ----------
    archive : Archive
        Where the plans are.
    readings : sequence of PavementReading
        Of any sites and surfaces, taken by then.
    now : datetime
        The moment, aware.
    max_error_k : float
        A reading further from the model is not learned from [K].

    Returns
    -------
    dict of (str, str) to NightError
        By site and surface, in the order of their first reading; of a surface that no plan knew
        nothing is known.
    """
    return {
        key: night_error.learn(_read_errors(hours), now.timestamp() / 3600.0, max_error_k)
        for key, hours in _read_hours(archive, readings).items()
    }


def correction_scores(
    archive: Archive,
    readings: Sequence[PavementReading],
    max_error_k: float = night_error.DEFAULT_MAX_ERROR_K,
) -> dict[tuple[str, str], CorrectionScore]:
    """Return the leave-one-night-out score of each surface, where nights are enough."""
    scored = {
        key: night_error.leave_one_night_out(
            _read_errors(hours),
            bias_correction.night_numbers([hour.time for hour in hours], hours[0].longitude_deg),
            max_error_k,
        )
        for key, hours in _read_hours(archive, readings).items()
        if hours
    }
    return {key: score for key, score in scored.items() if score is not None}


def neighbor_lines(
    archive: Archive, readings: Sequence[PavementReading], max_difference_k: float
) -> list[str]:
    """Return which surfaces were read unlike all others in the same nights, a line each.

    What is compared is how far each was from the model, so that a deck may be colder than a lot;
    a constant that one instrument is off by would else be learned as the surface's own.
    """
    by_night: dict[tuple[str, str], dict[int, float]] = {}
    for key, hours in _read_hours(archive, readings).items():
        if not hours:
            continue
        of_night = bias_correction.night_numbers(
            [one.time for one in hours], hours[0].longitude_deg
        )
        errors = np.array([one.error_k for one in hours])
        by_night[key] = {
            int(night): float(np.median(errors[of_night == night])) for night in np.unique(of_night)
        }
    apart_k = station_checks.differences_from_neighbors_k(by_night)
    return [
        f"{' '.join(key)}: its readings are {1.8 * abs(apart):.0f} °F ({abs(apart):.0f} °C) "
        f"{'warmer' if apart > 0.0 else 'colder'} than those of the other surfaces in the same "
        "nights, as the model has them. Another instrument, spot or unit?"
        for key, apart in apart_k.items()
        if abs(apart) > max_difference_k
    ]


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
    site = next((one for one in plan["sites"] if one["key"] == reading.site), None)
    surfaces = {} if site is None else {each["key"]: each for each in site["surfaces"]}
    surface = surfaces.get(reading.surface)
    if site is None or surface is None:
        return None
    return site, surface, plan["hourly"][surface["hourly_id"]]


def _read_hour(plan: Mapping[str, Any], reading: PavementReading) -> _ReadHour | None:
    """Find what the model had for a reading's hour; None by day, in the sun or where unknown."""
    found = _find(plan, reading)
    if found is None or reading.light is not Light.SHADE:
        return None
    site, surface, series = found
    place = site["latitude_deg"], site["longitude_deg"]
    start = datetime.fromisoformat(series["start"])
    at = int((reading.time - start) // HOUR)
    if not bias_correction.is_night([reading.time], *place)[0]:
        return None
    known = {name: _hour_value(series, name, at) for name in ("surface_c", "air_c", "cloud_frac")}
    if np.isnan(known["surface_c"]):
        return None
    # what earlier readings moved it by is not learned again: the model is judged without it
    moved_k = _hour_value(series, "night_offset_k", at)
    if np.isnan(moved_k):
        bias_k = (surface.get("night_bias") or {}).get("offset_k", 0.0)
        moved_k = bias_k * float(bias_correction.night_weight([start + at * HOUR], *place)[0])
    modeled_c = known["surface_c"] - moved_k
    features = night_error.night_features(
        np.array(known["cloud_frac"]),
        np.array(modeled_c - known["air_c"]),
        np.array(known["air_c"] - _hour_value(series, "air_mean_c", at)),
    )
    return _ReadHour(
        reading.time, reading.surface_c - modeled_c, tuple(features.tolist()), place[1]
    )


def _hour_value(series: Mapping[str, Any], name: str, at: int) -> float:
    """Return an hour of a series of a plan; NaN where it has none."""
    values = series.get(name) or ()
    value = values[at] if 0 <= at < len(values) else None
    return float("nan") if value is None else float(value)


def error_lines(
    surface_key: tuple[str, str],
    known: NightError,
    max_error_k: float = night_error.DEFAULT_MAX_ERROR_K,
) -> list[str]:
    """Return what readings say of a surface's nights, a line each."""
    name = " ".join(surface_key)
    lines = []
    if known.implausible_count:
        lines.append(
            f"{name}: {known.implausible_count} night readings are more than "
            f"{1.8 * max_error_k:.0f} °F ({max_error_k:.0f} °C) from the model and do not count: "
            "another spot, hour or unit? (rule reading_max_error)"
        )
    if known.reading_count == 0:
        return [*lines, f"{name}: no night readings that a plan covers and that can be believed"]
    constant, per_cloud, per_cold, per_warm, tonight = known.mean
    at_h = np.array([known.at_h])
    usual = night_error.night_features(*np.full((3, 1), np.nan))
    sd_k = float(night_error.error_sd_k(known, at_h, usual)[0])

    def both(kelvin: float) -> str:
        way = "warmer" if kelvin > 0.0 else "colder"
        return f"{1.8 * abs(kelvin):.1f} °F ({abs(kelvin):.1f} °C) {way}"

    return [
        *lines,
        f"{name}: usual nights are {both(constant)} than modeled, clear ones "
        f"{both(constant - 0.5 * per_cloud)} and overcast ones {both(constant + 0.5 * per_cloud)}, "
        f"by {known.reading_count} night readings",
        f"{name}: per °C that the model has it above the air {per_cold:+.2f} °C, per °C that the "
        f"air is above its mean of five days {per_warm:+.2f} °C, the last night itself "
        f"{tonight:+.1f} °C; left is an error of {1.8 * sd_k:.1f} °F ({sd_k:.1f} °C)",
    ]


def score_line(surface_key: tuple[str, str], score: CorrectionScore) -> str:
    """Return the score of a surface's correction, as a line."""
    model, corrected = score.model_rmse_k, score.corrected_rmse_k
    return (
        f"{' '.join(surface_key)}: over {score.nights} nights, each judged by the others, the "
        f"error is {1.8 * corrected:.1f} °F ({corrected:.1f} °C) corrected and "
        f"{1.8 * model:.1f} °F ({model:.1f} °C) without"
    )
