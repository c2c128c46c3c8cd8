"""What a site's own readings say the model gets wrong at night, and how far to believe them.

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
FEWEST_READINGS = 5
NIGHT_BELOW_DEG = 0.0  # the sun's true elevation
GONE_ABOVE_DEG = 10.0  # about an hour after sunrise the sun's own error rules: our own choice


class Light(StrEnum):
    """What lay on the spot when it was read."""

    SUN = "sun"
    SHADE = "shade"


class Reading(BaseModel):
    """One reading of a surface: when, where, how warm [°C], in sun or shade (night is shade)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    time: AwareDatetime
    site: str = Field(min_length=1)
    surface: str = Field(min_length=1)
    surface_c: float = Field(ge=-60.0, le=80.0)
    light: Light


@dataclass(frozen=True)
class Correction:
    """What is added to a modelled surface temperature at night.

    Attributes
    ----------
    offset_dc : float
        Shrunk mean of reading minus model; 0 where there are too few [K].
    n : int
        Night readings it rests on [-].
    """

    offset_dc: float
    n: int


NONE = Correction(0.0, 0)

#: By site and surface.
Offsets = Mapping[tuple[str, str], Correction]
NO_OFFSETS: Offsets = MappingProxyType({})


def is_night(
    times: Sequence[datetime], latitude_deg: float, longitude_deg: float
) -> NDArray[np.bool_]:
    """Tell which aware moments have the sun below the horizon, (time,)."""
    return np.asarray(_elevation_deg(times, latitude_deg, longitude_deg) < NIGHT_BELOW_DEG)


def _elevation_deg(times: Sequence[datetime], latitude_deg: float, longitude_deg: float) -> Array:
    utc = [time.astimezone(UTC).replace(tzinfo=None) for time in times]
    stamps = np.array(utc, dtype="datetime64[ms]")
    return sun.elevation_deg(stamps, latitude_deg, longitude_deg)[:, 0]


def night_share(starts: Sequence[datetime], latitude_deg: float, longitude_deg: float) -> Array:
    """Give the part of an offset that belongs to each hour, by the sun at half past.

    Parameters
    ----------
    starts : sequence of datetime
        Of the hours, aware [-].
    latitude_deg, longitude_deg : float
        Of the site [°].

    Returns
    -------
    array (hour,)
        1 by night, 0 by day; in between it fades, so that no surface jumps at sunrise [-].
    """
    middles = [start + timedelta(minutes=30) for start in starts]
    elevation = _elevation_deg(middles, latitude_deg, longitude_deg)
    return np.asarray(1.0 - np.clip(elevation / GONE_ABOVE_DEG, 0.0, 1.0))


def site_correction(readings_c: Array, modelled_c: Array, night: NDArray[np.bool_]) -> Correction:
    """Work out a surface's night offset.

    Parameters
    ----------
    readings_c, modelled_c : array (reading,)
        What was read, and what the model had for that hour, NaN where it has nothing [°C].
    night : array of bool (reading,)
        Which of them count: sun below the horizon [-].

    Returns
    -------
    Correction
        ``n / (n + 5)`` of the mean error over n night readings; none from fewer than five.

    Raises
    ------
    InputError
        The three differ in length.
    """
    read, modelled = np.asarray(readings_c, dtype=float), np.asarray(modelled_c, dtype=float)
    if not read.shape == modelled.shape == np.shape(night):
        raise InputError(
            f"{read.size} readings against {modelled.size} modelled and {np.size(night)} nights; "
            "give as many of each"
        )
    error = (read - modelled)[np.asarray(night) & np.isfinite(read - modelled)]
    n = int(error.size)
    if n < FEWEST_READINGS:
        return Correction(0.0, n)
    return Correction(float(n / (n + PRIOR_READINGS) * error.mean()), n)


def of_surface(
    readings: Sequence[Reading],
    modelled_c: Mapping[datetime, float],
    latitude_deg: float,
    longitude_deg: float,
) -> Correction:
    """Work out the offset of one surface from its log.

    Parameters
    ----------
    readings : sequence of Reading
        Of that surface; those in the sun do not count [-].
    modelled_c : mapping of datetime to float
        Mean of each hour by the hour's start, aware UTC [°C].
    latitude_deg, longitude_deg : float
        Of the site [°].
    """
    shaded = [reading for reading in readings if reading.light is Light.SHADE]
    if not shaded:
        return NONE
    hours = [reading.time.replace(minute=0, second=0, microsecond=0) for reading in shaded]
    model = np.array([modelled_c.get(hour, np.nan) for hour in hours])
    read = np.array([reading.surface_c for reading in shaded])
    night = is_night([reading.time for reading in shaded], latitude_deg, longitude_deg)
    return site_correction(read, model, night)
