"""What readings of a surface say of its nights, as the hours they fall in are simulated."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from stormplan.arrays import Array
from stormplan.numerics import HOUR
from stormplan.physics import ensemble, night_error
from stormplan.physics.bias_correction import PavementReading, is_night, night_weight
from stormplan.physics.night_error import NightError, ReadErrors
from stormplan.record.entries import Light


def select_night_readings(
    readings: Sequence[PavementReading], latitude_deg: float, longitude_deg: float, until: datetime
) -> list[PavementReading]:
    """Return the readings in shade, by night [°] and before a moment, in order of time."""
    shaded = [one for one in readings if one.light is Light.SHADE and one.time < until]
    by_night = [one for one in shaded if is_night([one.time], latitude_deg, longitude_deg)[0]]
    return sorted(by_night, key=lambda one: one.time)


def hours_since(start: datetime, readings: Sequence[PavementReading]) -> list[int]:
    """Return the hour that each reading falls in, counted from a start [-]."""
    return [int((one.time - start) // HOUR) for one in readings]


def median_features(cloud_frac: Array, modeled_c: Array, air_c: Array, air_mean_c: Array) -> Array:
    """Return the features of hours, the median of their members, (hour, feature).

    Parameters
    ----------
    cloud_frac, modeled_c, air_c : array (hour, member)
        Total cloud [-], the surface with no reading in it [°C], and the air at 2 m [°C].
    air_mean_c : array (hour,)
        Mean air of the five days before [°C].
    """
    return night_error.night_features(
        np.median(cloud_frac, axis=1),
        np.median(modeled_c - air_c, axis=1),
        np.median(air_c, axis=1) - air_mean_c,
    )


def find_errors(
    readings: Sequence[PavementReading], start: datetime, modeled_c: Array, features: Array
) -> ReadErrors:
    """Return the errors that readings found in some hours; others among them are passed over.

    Parameters
    ----------
    readings : sequence of PavementReading
        By night, in order of time.
    start : datetime
        Start of the first hour, aware.
    modeled_c : array (hour,)
        Surface with no reading in it [°C].
    features : array (hour, feature)
        As ``night_error.night_features`` has them.
    """
    inside = [
        (one, hour)
        for one, hour in zip(readings, hours_since(start, readings), strict=True)
        if 0 <= hour < modeled_c.size
    ]
    hours = np.array([hour for _, hour in inside], dtype=np.intp)
    read_c = np.array([one.surface_c for one, _ in inside], dtype=float)
    time_h = np.array([one.time.timestamp() / 3600.0 for one, _ in inside], dtype=float)
    return ReadErrors(time_h, features[hours], read_c - modeled_c[hours])


def learn_by(moment: datetime, read_errors: ReadErrors, max_error_k: float) -> NightError | None:
    """Return what errors found by a moment say of a surface's nights; None before any."""
    if not read_errors.time_h.size:
        return None
    return night_error.learn(read_errors, moment.timestamp() / 3600.0, max_error_k)


def read_model_error_k(
    known: NightError,
    starts: Sequence[datetime],
    latitude_deg: float,
    longitude_deg: float,
    features: Array,
) -> Array:
    """Return the standard deviation of the pavement model at a surface that was read.

    Parameters
    ----------
    known : NightError
        What its readings say.
    starts : sequence of datetime
        Of the hours, aware.
    latitude_deg, longitude_deg : float
        Of the surface [°].
    features : array (hour, feature)
        As ``night_error.night_features`` has them.

    Returns
    -------
    array (hour,)
        By day that of one nobody has read [K].
    """
    time_h = np.array([start.timestamp() / 3600.0 for start in starts])
    return ensemble.corrected_error_k(
        night_weight(starts, latitude_deg, longitude_deg),
        night_error.error_sd_k(known, time_h, features),
        ensemble.day_error_k(features[:, night_error.SURFACE_MINUS_AIR]),
    )
