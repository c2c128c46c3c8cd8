"""Readings of a pavement's temperature, and the nights that they count for.

An infrared gun or a probe at the site knows what a gridded forecast cannot: how sheltered, how
built-up the place is (``stormplan.physics.night_error``). By day the sun's error has another sign:
a correction of nights there does harm, so it fades out after sunrise.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from stormplan.physics import sun
from stormplan.record.entries import Light

Array = NDArray[np.float64]

NIGHT_MAX_ELEVATION_DEG = 0.0  # the sun's true elevation
FADE_OUT_ELEVATION_DEG = (
    10.0  # about an hour after sunrise the sun's own error rules: our own choice
)


class PavementReading(BaseModel):
    """One reading of a surface: when, where, how warm [°C], in sun or shade (night is shade)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    time: AwareDatetime
    site: str = Field(min_length=1)
    surface: str = Field(min_length=1)
    surface_c: float = Field(ge=-60.0, le=80.0)
    light: Light


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


def night_numbers(times: Sequence[datetime], longitude_deg: float) -> NDArray[np.int_]:
    """Return a number for the night of each aware time, from noon to noon of the sun [-]."""
    noon_to_noon_d = [time.timestamp() / 86400.0 + longitude_deg / 360.0 - 0.5 for time in times]
    return np.floor(noon_to_noon_d).astype(np.int_)
