"""Solar position and clear-sky irradiance.

A low-precision almanac in vector form: the sun is a unit vector that turns with the earth, a
place is its own vertical, and the sine of the solar elevation is their product. One small matrix
product then serves any number of times and places.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stormplan.arrays import Array

Times = NDArray[np.datetime64]

J2000 = np.datetime64("2000-01-01T12:00:00", "ms")
MS_PER_DAY = 86_400_000.0
SOLAR_CONSTANT_WM2 = 1361.0  # Kopp & Lean 2011, Geophys. Res. Lett. 38, L01706

# Linke turbidity, winter 2.7 to summer 4.1: rounded mean over eight North American cities between
# 30 and 48 °N of the monthly climatology of Remund et al. 2003, ISES Solar World Congress.
TURBIDITY_MEAN = 3.4
TURBIDITY_AMPLITUDE = 0.7
TURBIDITY_PEAK_DAY = 196  # of the year, northern hemisphere


def _days(times: Times) -> Array:
    moments = np.asarray(times).astype("datetime64[ms]")
    return np.asarray((moments - J2000).astype(np.float64) / MS_PER_DAY)


def _anomaly_rad(days: Array) -> Array:
    return np.radians(357.528 + 0.9856003 * days)


def direction(times: Times) -> Array:
    """Return the unit vector to the sun in earth-fixed axes.

    Parameters
    ----------
    times : array of datetime64 (time,)
        UTC [-].

    Returns
    -------
    array (time, 3)
        Towards the sun: x through 0 °E on the equator, z through the north pole [-].

    References
    ----------
    The Astronomical Almanac, low-precision formulas for the sun (0.01° from 1950 to 2050);
    Michalsky 1988, Solar Energy 40, 227.
    """
    days = _days(times)
    anomaly = _anomaly_rad(days)
    longitude = np.radians(
        280.460 + 0.9856474 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly)
    )
    tilt = np.radians(23.439 - 4e-7 * days)
    x = np.cos(longitude)
    y = np.cos(tilt) * np.sin(longitude)
    turned = np.radians(15.0 * ((18.697374558 + 24.06570982441908 * days) % 24.0))
    return np.stack(
        [
            x * np.cos(turned) + y * np.sin(turned),
            y * np.cos(turned) - x * np.sin(turned),
            np.sin(tilt) * np.sin(longitude),
        ],
        axis=-1,
    )


def _local_axes(latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Array, Array, Array]:
    """Return the east, north and up unit vectors of each place, each (3, place)."""
    lat, lon = np.broadcast_arrays(
        np.radians(np.atleast_1d(latitude_deg)), np.radians(np.atleast_1d(longitude_deg))
    )
    zero = np.zeros_like(lat)
    east = np.stack([-np.sin(lon), np.cos(lon), zero])
    north = np.stack([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)])
    up = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    return east, north, up


def sin_elevation(times: Times, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> Array:
    """Return the sine of the solar elevation (no refraction).

    Parameters
    ----------
    times : array of datetime64 (time,)
        UTC [-].
    latitude_deg, longitude_deg : array (place,)
        North and east positive [°].

    Returns
    -------
    array (time, place)
        Below the horizon negative [-].
    """
    return np.asarray(direction(times) @ _local_axes(latitude_deg, longitude_deg)[2])


def elevation_deg(times: Times, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> Array:
    """Sun's true elevation (no refraction), (time, place) [°]."""
    sine = sin_elevation(times, latitude_deg, longitude_deg)
    return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))


def azimuth_deg(times: Times, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> Array:
    """Sun's azimuth, clockwise from north, 0 to 360, (time, place) [°]."""
    sun = direction(times)
    east, north, _ = _local_axes(latitude_deg, longitude_deg)
    return np.degrees(np.arctan2(sun @ east, sun @ north)) % 360.0


def extraterrestrial_normal_wm2(times: Times) -> Array:
    """Return extraterrestrial normal irradiance, (time,) [W/m²]."""
    anomaly = _anomaly_rad(_days(times))
    distance = 1.00014 - 0.01671 * np.cos(anomaly) - 0.00014 * np.cos(2 * anomaly)
    return np.asarray(SOLAR_CONSTANT_WM2 / distance**2)


def linke_turbidity(times: Times, latitude_deg: ArrayLike) -> Array:
    """Linke turbidity of a typical continental place, by season, (time, place) [-]."""
    days = _days(times)[:, None]
    peak = np.where(
        np.atleast_1d(latitude_deg) >= 0.0, TURBIDITY_PEAK_DAY, TURBIDITY_PEAK_DAY - 183
    )
    season = 2 * np.pi * (days + 0.5 - peak) / 365.25  # J2000 is noon of 1 January
    return np.asarray(TURBIDITY_MEAN + TURBIDITY_AMPLITUDE * np.cos(season))


def air_mass(sin_elevation: ArrayLike) -> Array:
    """Return the relative optical air mass at sea level.

    Parameters
    ----------
    sin_elevation : array
        Sine of the solar elevation; at or below the horizon counts as the horizon [-].

    Returns
    -------
    array
        From 1 at the zenith to about 38 at the horizon [-].

    References
    ----------
    Kasten & Young 1989, Applied Optics 28, 4735.
    """
    sine = np.clip(sin_elevation, 0.0, 1.0)
    return np.asarray(1.0 / (sine + 0.50572 * (6.07995 + np.degrees(np.arcsin(sine))) ** -1.6364))


def clear_sky_ghi_wm2(
    sin_elevation: ArrayLike,
    dni_extra_wm2: ArrayLike,
    elevation_m: ArrayLike = 0.0,
    turbidity: ArrayLike = TURBIDITY_MEAN,
) -> Array:
    """Return clear-sky global horizontal irradiance.

    Parameters
    ----------
    sin_elevation : array
        Sine of the solar elevation [-].
    dni_extra_wm2 : array
        On a plane facing the sun above the atmosphere [W/m²].
    elevation_m : array
        Height of the place [m].
    turbidity : array
        Linke turbidity [-].

    Returns
    -------
    array
        Zero when the sun is down [W/m²].

    References
    ----------
    Ineichen & Perez 2002, Solar Energy 73, 151.
    """
    sine = np.maximum(sin_elevation, 0.0)
    height = np.asarray(elevation_m, dtype=float)
    mass = air_mass(sine) * np.exp(-height / 8434.5)  # scale height of the standard atmosphere
    low, high = np.exp(-height / 8000.0), np.exp(-height / 1250.0)
    haze = np.asarray(turbidity, dtype=float)
    dimming = (3.92e-5 * height + 0.0387) * mass * (low + high * (haze - 1.0))
    normal = np.asarray(dni_extra_wm2, dtype=float)
    return np.asarray((5.09e-5 * height + 0.868) * normal * sine * np.exp(-dimming))
