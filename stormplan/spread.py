"""How sure a surface temperature is: a few deterministic variants of the weather, and a kernel.

A forecast of one voice is made into seven members that have the mean and the spread its errors are
known to have: air, cloud and wind each a step up and a step down, and the forecast itself. What the
pavement model gets wrong beyond the weather is a normal kernel around each member. A real
ensemble's members take the same road.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stormplan.air import frost_point_c
from stormplan.forecast import Forecast

Array = NDArray[np.float64]

#: Error of forecast air temperature at 2 m: about 1 K on the first day, 2 K on the second, 3 K on
#: the third (sd; day means 12, 36 and 60 h ahead), common verification figures, from memory.
AIR_ERROR_DC = 0.5
AIR_ERROR_DC_PER_DAY = 1.0
AIR_ERROR_MOST_DC = 4.0
#: Total cloud and wind: own choice, after the same figures [-], [- of the logarithm].
CLOUD_ERROR_FRAC, CLOUD_ERROR_PER_DAY, CLOUD_ERROR_MOST = 0.15, 0.05, 0.30
WIND_ERROR_LN = 0.3
#: Error of the pavement model in perfect weather: RMSE without any reading at the site on four
#: measured pavements and three winters of a road sensor, night and day.
MODEL_ERROR_NIGHT_DC, MODEL_ERROR_DAY_DC = 1.9, 2.2
#: Sensitivities of an asphalt surface to air [K/K], all of the cloud [K] and the wind's logarithm
#: [K], night and day, from runs of the pavement model.
PER_AIR = 0.98
PER_CLOUD_DC = {True: 1.3, False: 1.0}
PER_WIND_DC = {True: 0.57, False: 1.75}
#: Error of a dew point beyond that of the air temperature it moves with, own choice [K].
DEW_ERROR_DC = 1.0

#: Six steps and the middle, all of one weight, have the variance of the errors when a step is
#: sqrt(7/2) of their sd (unscented points, Julier & Uhlmann 1997).
MEMBERS = 7
STEP = float(np.sqrt(MEMBERS / 2.0))


def air_error_dc(lead_h: ArrayLike) -> Array:
    """Give the standard deviation of forecast air temperature by lead [h], 0 is now [K]."""
    lead_d = np.maximum(np.asarray(lead_h, dtype=float), 0.0) / 24.0
    return np.asarray(np.minimum(AIR_ERROR_DC + AIR_ERROR_DC_PER_DAY * lead_d, AIR_ERROR_MOST_DC))


def cloud_error_frac(lead_h: ArrayLike) -> Array:
    """Give the standard deviation of forecast total cloud by lead [h], 0 and less is now [-]."""
    lead_d = np.maximum(np.asarray(lead_h, dtype=float), 0.0) / 24.0
    return np.asarray(np.minimum(CLOUD_ERROR_FRAC + CLOUD_ERROR_PER_DAY * lead_d, CLOUD_ERROR_MOST))


def model_error_dc(is_night: ArrayLike) -> Array:
    """Give the standard deviation of the pavement model in perfect weather [K]."""
    return np.where(is_night, MODEL_ERROR_NIGHT_DC, MODEL_ERROR_DAY_DC)


def surface_error_dc(lead_h: ArrayLike, is_night: ArrayLike) -> Array:
    """Give the standard deviation of a surface temperature, weather and model together.

    Parameters
    ----------
    lead_h : array
        Hours ahead; 0 and less is now [h].
    is_night : array of bool
        Sun below the horizon [-].

    Returns
    -------
    array
        Grows with lead [K].
    """
    night = np.asarray(is_night)
    per_cloud = np.where(night, PER_CLOUD_DC[True], PER_CLOUD_DC[False])
    per_wind = np.where(night, PER_WIND_DC[True], PER_WIND_DC[False])
    return np.sqrt(
        model_error_dc(night) ** 2
        + (PER_AIR * air_error_dc(lead_h)) ** 2
        + (per_cloud * cloud_error_frac(lead_h)) ** 2
        + (per_wind * WIND_ERROR_LN) ** 2
    )


def members(forecast: Forecast, lead_h: ArrayLike) -> Forecast:
    """Spread a forecast of one voice into seven members; the first is the forecast itself.

    Parameters
    ----------
    forecast : Forecast
        With one member [-].
    lead_h : array (hour,)
        How far ahead each hour was [h].

    Returns
    -------
    Forecast
        The same hours and cells; dew point moves with the air, longwave with cloud where it is
        modelled, the sun too.
    """
    lead = np.broadcast_to(np.asarray(lead_h, dtype=float), (forecast.hours,))
    values = {name: np.repeat(array, MEMBERS, axis=2) for name, array in forecast.values.items()}
    air = STEP * air_error_dc(lead)[:, None]
    cloud = STEP * cloud_error_frac(lead)[:, None]
    for place, sign in ((1, 1.0), (2, -1.0)):
        for name in ("air_temp_c", "dew_point_c"):
            values[name][:, :, place] += sign * air
        overcast = values["cloud_frac"][:, :, place + 2] + sign * cloud
        values["cloud_frac"][:, :, place + 2] = np.clip(overcast, 0.0, 1.0)
        values["wind_10m_ms"][:, :, place + 4] *= np.exp(sign * STEP * WIND_ERROR_LN)
    return Forecast(forecast.start, forecast.cells, values)


@dataclass(frozen=True)
class Sure:
    """How sure a surface is in every hour: arrays ``(hour, ...)`` without the member axis.

    Attributes
    ----------
    low_c, high_c : array
        Interval that holds the truth four times in five [°C].
    below_freezing, frost : array
        Chance that the surface is below 0 °C; below that and the frost point [-].
    """

    low_c: Array
    high_c: Array
    below_freezing: Array
    frost: Array


def sure(surface_c: Array, dew_point_c: Array, is_night: NDArray[np.bool_]) -> Sure:
    """Turn members into an interval and chances.

    Parameters
    ----------
    surface_c, dew_point_c : array (hour, ..., member)
        Of every member [°C].
    is_night : array of bool (hour,)
        Sun below the horizon [-].

    Returns
    -------
    Sure
        NaN where a member is.
    """
    kernel = model_error_dc(is_night).reshape(-1, *[1] * (surface_c.ndim - 1))
    frosty = np.minimum(frost_point_c(dew_point_c), 0.0)
    wider = np.hypot(kernel, DEW_ERROR_DC)
    return Sure(
        quantile(surface_c, kernel, 0.1),
        quantile(surface_c, kernel, 0.9),
        normal(-surface_c / kernel).mean(axis=-1),
        normal((frosty - surface_c) / wider).mean(axis=-1),
    )


def normal(deviation: Array) -> Array:
    """Cumulative normal distribution, within 1e-7 (Abramowitz & Stegun 26.2.17) [-]."""
    size = np.abs(deviation)
    t = 1.0 / (1.0 + 0.2316419 * size)
    poly = 1.781477937 + t * (-1.821255978 + t * 1.330274429)
    poly = t * (0.319381530 + t * (-0.356563782 + t * poly))
    tail = np.exp(-0.5 * size * size) / np.sqrt(2.0 * np.pi) * poly
    return np.asarray(np.where(deviation > 0.0, 1.0 - tail, tail))


def quantile(surface_c: Array, kernel_dc: Array, share: float) -> Array:
    """Quantile of kernels of equal weight around members, by bisection.

    Parameters
    ----------
    surface_c : array (..., member)
        Middles [°C].
    kernel_dc : array broadcastable to it
        Standard deviation [K].
    share : float
        Chance to stay below [-].

    Returns
    -------
    array (...)
        To within 1e-4 [°C].
    """
    reach = 4.0 * np.max(kernel_dc)
    low, high = surface_c.min(axis=-1) - reach, surface_c.max(axis=-1) + reach

    def below(at: Array) -> Array:
        return np.asarray(normal((at[..., None] - surface_c) / kernel_dc).mean(axis=-1))

    return _bisect(below, low, high, share)


def _bisect(rising: Callable[[Array], Array], low: Array, high: Array, level: float) -> Array:
    for _ in range(22):
        middle = 0.5 * (low + high)
        under = rising(middle) < level
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return 0.5 * (low + high)
