"""Night bias of the pavement model at a site, estimated from pavement readings and shrunk.

An infrared gun or a probe at the site knows what a gridded forecast cannot: how sheltered, how
built-up the place is. Its mean error at night is a constant that a handful of readings removes.
A few readings may be wrong together, so the offset is shrunk, and from fewer than five there is
none. By day the sun's error has another sign: a night offset there does harm, so it fades out
after sunrise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from stormplan.errors import InputError
from stormplan.physics import sun

Array = NDArray[np.float64]

#: Readings that weigh as much as knowing nothing of the site: on measured winter pavements an
#: offset from five unshrunk readings could hurt, from twenty helped (own study of public data).
PRIOR_READINGS = 5
MIN_READINGS = 5
NIGHT_MAX_ELEVATION_DEG = 0.0  # the sun's true elevation
FADE_OUT_ELEVATION_DEG = (
    10.0  # about an hour after sunrise the sun's own error rules: our own choice
)


class Light(StrEnum):
    """Whether the spot was in sun or shade when it was read."""

    SUN = "sun"
    SHADE = "shade"


class PavementReading(BaseModel):
    """One reading of a surface: when, where, how warm [°C], in sun or shade (night is shade)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    time: AwareDatetime
    site: str = Field(min_length=1)
    surface: str = Field(min_length=1)
    surface_c: float = Field(ge=-60.0, le=80.0)
    light: Light


@dataclass(frozen=True)
class NightBias:
    """Offset added to a modeled pavement temperature at night, and the readings behind it.

    Attributes
    ----------
    offset_k : float
        Shrunk mean of reading minus model; 0 where there are too few [K].
    reading_count : int
        Night readings it rests on [-].
    """

    offset_k: float
    reading_count: int


@dataclass(frozen=True)
class OffsetScore:
    """RMSE at night of the model alone and with an offset from the other nights' readings [K].

    Attributes
    ----------
    nights : int
        Nights left out in turn [-].
    model_rmse_k, offset_rmse_k : float
        Over all night readings: of the model, and of the model with the shrunk offset that the
        readings of all other nights give [K].
    """

    nights: int
    model_rmse_k: float
    offset_rmse_k: float


NO_BIAS = NightBias(0.0, 0)

#: By site and surface.
NightBiases = Mapping[tuple[str, str], NightBias]
NO_NIGHT_BIASES: NightBiases = MappingProxyType({})


def is_night(
    times: Sequence[datetime], latitude_deg: float, longitude_deg: float
) -> NDArray[np.bool_]:
    """Return which aware times have the sun below the horizon, (time,)."""
    return np.asarray(_elevation_deg(times, latitude_deg, longitude_deg) < NIGHT_MAX_ELEVATION_DEG)


def _elevation_deg(times: Sequence[datetime], latitude_deg: float, longitude_deg: float) -> Array:
    utc = [time.astimezone(UTC).replace(tzinfo=None) for time in times]
    stamps = np.array(utc, dtype="datetime64[ms]")
    return sun.elevation_deg(stamps, latitude_deg, longitude_deg)[:, 0]


def night_weight(starts: Sequence[datetime], latitude_deg: float, longitude_deg: float) -> Array:
    """Return the weight of a night bias in each hour, by the solar elevation at half past.

    Parameters
    ----------
    starts : sequence of datetime
        Of the hours, aware.
    latitude_deg, longitude_deg : float
        Of the site [°].

    Returns
    -------
    array (hour,)
        1 by night, 0 by day; in between it fades, so that no surface jumps at sunrise [-].
    """
    middles = [start + timedelta(minutes=30) for start in starts]
    elevation = _elevation_deg(middles, latitude_deg, longitude_deg)
    return np.asarray(1.0 - np.clip(elevation / FADE_OUT_ELEVATION_DEG, 0.0, 1.0))


def shrunk_bias(readings_c: Array, modeled_c: Array, night: NDArray[np.bool_]) -> NightBias:
    """Return the shrunk mean night error of a surface.

    Parameters
    ----------
    readings_c, modeled_c : array (reading,)
        What was read, and what the model had for that hour, NaN where it has nothing [°C].
    night : array of bool (reading,)
        Which of them count: sun below the horizon.

    Returns
    -------
    NightBias
        ``n / (n + 5)`` of the mean error over n night readings; none from fewer than five.

    Raises
    ------
    InputError
        The three differ in length.
    """
    read, modeled = np.asarray(readings_c, dtype=float), np.asarray(modeled_c, dtype=float)
    if not read.shape == modeled.shape == np.shape(night):
        raise InputError(
            f"{read.size} readings against {modeled.size} modeled and {np.size(night)} nights; "
            "give as many of each"
        )
    error = (read - modeled)[np.asarray(night) & np.isfinite(read - modeled)]
    n = int(error.size)
    if n < MIN_READINGS:
        return NightBias(0.0, n)
    return NightBias(shrunk_mean(error), n)


def leave_one_night_out(error_k: Array, night_number: NDArray[np.int_]) -> OffsetScore | None:
    """Return how much an offset from other nights would have taken off each night's error.

    Parameters
    ----------
    error_k : array (reading,)
        Reading minus model of night readings [K].
    night_number : array of int (reading,)
        Which night each belongs to [-].

    Returns
    -------
    OffsetScore or None
        None from a single night, or where some night's others are too few for an offset.

    References
    ----------
    Cross-validation by groups that share their error: Wilks 2011, Statistical Methods in the
    Atmospheric Sciences, 3rd ed., section 7.4.4 (from memory).
    """
    nights = np.unique(night_number)
    if nights.size < 2:
        return None
    left = np.empty_like(error_k)
    for night in nights:
        own = night_number == night
        others = error_k[~own]
        if others.size < MIN_READINGS:
            return None
        left[own] = error_k[own] - shrunk_mean(others)
    return OffsetScore(
        int(nights.size),
        float(np.sqrt(np.mean(error_k**2))),
        float(np.sqrt(np.mean(left**2))),
    )


def shrunk_mean(error_k: Array) -> float:
    """Return ``n / (n + 5)`` of the mean of n errors [K]."""
    n = error_k.size
    return float(n / (n + PRIOR_READINGS) * error_k.mean())


def night_numbers(times: Sequence[datetime], longitude_deg: float) -> NDArray[np.int_]:
    """Return a number for the night of each aware time, from noon to noon of the sun [-]."""
    noon_to_noon_d = [time.timestamp() / 86400.0 + longitude_deg / 360.0 - 0.5 for time in times]
    return np.floor(noon_to_noon_d).astype(np.int_)


def score_from_readings(
    readings: Sequence[PavementReading],
    modeled_c: Mapping[datetime, float],
    latitude_deg: float,
    longitude_deg: float,
) -> OffsetScore | None:
    """Return the leave-one-night-out score of a surface's offset; parameters as its bias has."""
    times, read, model, night = _shaded(readings, modeled_c, latitude_deg, longitude_deg)
    counts = night & np.isfinite(read - model)
    if not counts.any():
        return None
    return leave_one_night_out((read - model)[counts], night_numbers(times, longitude_deg)[counts])


def _shaded(
    readings: Sequence[PavementReading],
    modeled_c: Mapping[datetime, float],
    latitude_deg: float,
    longitude_deg: float,
) -> tuple[list[datetime], Array, Array, NDArray[np.bool_]]:
    """Return times, temperatures read and modeled [°C], and which are by night, of shade."""
    shaded = [reading for reading in readings if reading.light is Light.SHADE]
    times = [reading.time for reading in shaded]
    hours = [time.replace(minute=0, second=0, microsecond=0) for time in times]
    model = np.array([modeled_c.get(hour, np.nan) for hour in hours], dtype=float)
    read = np.array([reading.surface_c for reading in shaded], dtype=float)
    night = is_night(times, latitude_deg, longitude_deg) if times else np.zeros(0, dtype=bool)
    return times, read, model, night


def bias_from_readings(
    readings: Sequence[PavementReading],
    modeled_c: Mapping[datetime, float],
    latitude_deg: float,
    longitude_deg: float,
) -> NightBias:
    """Return the night bias of one surface from its reading log.

    Parameters
    ----------
    readings : sequence of PavementReading
        Of that surface; those in the sun do not count.
    modeled_c : mapping of datetime to float
        Mean of each hour by the hour's start, aware UTC [°C].
    latitude_deg, longitude_deg : float
        Of the site [°].
    """
    _, read, model, night = _shaded(readings, modeled_c, latitude_deg, longitude_deg)
    return shrunk_bias(read, model, night)
