"""How sure a surface temperature is: a few deterministic variants of the weather, and a kernel.

A forecast of one voice is made into nine members that have the spread its errors are known to have:
the forecast itself, and four pairs of opposite variants of air, cloud, wind and amount. What the
pavement model gets wrong beyond the weather is a normal kernel around each member. A real
ensemble's members take the same road.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stormplan.weather.forecast import PHASES, Forecast
from stormplan.weather.moist_air import fresh_snow_ratio, frost_point_c, snow_share, wet_bulb_c

Array = NDArray[np.float64]

#: Error of forecast air temperature at 2 m: about 1 K on the first day, 2 K on the second, 3 K on
#: the third (sd; day means 12, 36 and 60 h ahead), common verification figures, from memory.
AIR_ERROR_DC = 0.5
AIR_ERROR_DC_PER_DAY = 1.0
AIR_ERROR_MOST_DC = 4.0
#: A source's own record may be short, or against its own later word: own choice.
OWN_FACTOR_MOST = 2.0
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
#: Amount of precipitation: within a factor of 1.5 two times in three, own choice [- of the log].
WATER_ERROR_LN = 0.4
#: Freezing rain in air this warm is rain [°C]: freezing, and the rounding of whole °F.
RAIN_ABOVE_C = 0.6


def _steps() -> Array:
    """Give the steps of each variable for each member in units of its error, (variable, member).

    The forecast itself, and four pairs that go opposite ways. Each variable takes each ninth of
    the normal distribution once, scaled to unit variance; over the members no two variables go
    together (their rows are those of a quaternion's matrix, which are orthogonal for any numbers).
    """
    ninths = np.array([NormalDist().inv_cdf((8.5 - place) / MEMBERS) for place in range(4)])
    a, b, c, d = ninths / np.sqrt(2.0 * (ninths**2).sum() / MEMBERS)
    half = np.array([[a, b, c, d], [-b, a, -d, c], [-c, d, a, -b], [-d, -c, b, a]])
    return np.concatenate([np.zeros((4, 1)), half, -half], axis=1)


FOUR_OF_FIVE = (0.1, 0.9)  # the ends of an interval that holds the truth four times in five
WITHIN_DC = 0.03  # of a quantile: finer than it is told
MEMBERS = 9
STEPS = _steps()


@dataclass(frozen=True)
class OwnRecord:
    """How far a source's air temperature was off, by lead: rms of so many hours [h], [K], [-]."""

    leads_h: tuple[float, ...]
    rmse_dc: tuple[float, ...]
    hours: int


NOBODY: Mapping[str, OwnRecord] = MappingProxyType({})


def air_error_dc(lead_h: ArrayLike, own: OwnRecord | None = None) -> Array:
    """Give the standard deviation of forecast air temperature by lead.

    Parameters
    ----------
    lead_h : array
        Hours ahead; 0 and less is now [h].
    own : OwnRecord or None
        What the source's own record says; published figures without one [-].

    Returns
    -------
    array
        Published growth with lead, times the ratio by which the record differs from it, which is
        kept within a factor of ``OWN_FACTOR_MOST`` [K].
    """
    lead = np.maximum(np.asarray(lead_h, dtype=float), 0.0)

    def published(at_h: Array) -> Array:
        grown = AIR_ERROR_DC + AIR_ERROR_DC_PER_DAY * at_h / 24.0
        return np.asarray(np.minimum(grown, AIR_ERROR_MOST_DC))

    if own is None:
        return published(lead)
    leads_h = np.asarray(own.leads_h)
    ratio = np.clip(
        np.asarray(own.rmse_dc) / published(leads_h), 1.0 / OWN_FACTOR_MOST, OWN_FACTOR_MOST
    )
    return np.asarray(published(lead) * np.interp(lead, leads_h, ratio))


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


def members(
    forecast: Forecast, lead_h: ArrayLike, own: Mapping[str, OwnRecord] = NOBODY
) -> Forecast:
    """Spread a forecast of one voice into nine members; the first is the forecast itself.

    Parameters
    ----------
    forecast : Forecast
        With one member [-].
    lead_h : array (hour,) or (hour, cell)
        How far ahead each hour was [h].
    own : mapping of str to OwnRecord
        By source; one that is absent has the published errors [-].

    Returns
    -------
    Forecast
        The same hours and cells; dew point moves with the air, longwave with cloud where it is
        modelled, the sun too. Rain, snow and freezing rain change into each other as far as the
        air crosses from one to the other.
    """
    lead = np.asarray(lead_h, dtype=float).reshape(forecast.hours, -1)
    lead = np.broadcast_to(lead, (forecast.hours, len(forecast.cells)))
    values = {name: np.repeat(array, MEMBERS, axis=2) for name, array in forecast.values.items()}
    air, cloud, wind, water = STEPS
    errors_dc = [
        air_error_dc(lead[:, place], own.get(cell.source))
        for place, cell in enumerate(forecast.cells)
    ]
    warmer_dc = np.stack(errors_dc, axis=1)[:, :, None] * air
    for name in ("air_temp_c", "dew_point_c"):
        values[name] += warmer_dc
    overcast = values["cloud_frac"] + cloud_error_frac(lead)[:, :, None] * cloud
    values["cloud_frac"] = np.clip(overcast, 0.0, 1.0)
    values["wind_10m_ms"] *= np.exp(WIND_ERROR_LN * wind)
    for name in ("precip_mm", *PHASES, "snow_depth_cm", "ice_accr_mm"):
        values[name] *= np.exp(WATER_ERROR_LN * water)
    values |= _rephased(values, warmer_dc)
    return Forecast(forecast.start, forecast.cells, values)


def _rephased(values: Mapping[str, Array], warmer_dc: Array) -> dict[str, Array]:
    """Let what falls change with the air it falls through, by what its wet bulb says more or less.

    A source that says rain in the cold knows of warm air above; only what the shift itself changes
    is changed. In an hour in which not all of it is known, nothing is.
    """
    wet_c = wet_bulb_c(values["air_temp_c"], values["dew_point_c"])
    more_snow = snow_share(wet_c) - snow_share(wet_c[:, :, :1])
    rain, frz_rain, snow = (values[name] for name in ("rain_mm", "frz_rain_mm", "snow_we_mm"))
    melts = snow * np.maximum(-more_snow, 0.0)
    turns = np.maximum(more_snow, 0.0)
    new_snow = snow - melts + turns * (rain + frz_rain)
    rain, frz_rain = (1.0 - turns) * rain + melts, (1.0 - turns) * frz_rain
    freezes = (wet_c <= 0.0) & (wet_c[:, :, :1] > 0.0)
    thaws = (wet_c > RAIN_ABOVE_C) & (warmer_dc > 0.0)
    to_ice, to_rain = np.where(freezes, rain, 0.0), np.where(thaws, frz_rain, 0.0)
    depth = values["snow_depth_cm"]
    with np.errstate(invalid="ignore", divide="ignore"):
        fresh_cm = 0.1 * fresh_snow_ratio(values["air_temp_c"]) * new_snow
        depth = np.where(new_snow == snow, depth, np.where(
            snow > 0.0, depth * new_snow / snow, fresh_cm
        ))  # fmt: skip
    turned = {
        "rain_mm": rain - to_ice + to_rain,
        "frz_rain_mm": frz_rain + to_ice - to_rain,
        "snow_we_mm": new_snow,
        "snow_depth_cm": depth,
    }
    known = np.isfinite(new_snow + frz_rain)
    return {name: np.where(known, array, values[name]) for name, array in turned.items()}


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


def sure(surface_c: Array, dew_point_c: Array, error_dc: Array) -> Sure:
    """Turn members into an interval and chances.

    Parameters
    ----------
    surface_c, dew_point_c : array (hour, ..., member)
        Of every member [°C].
    error_dc : array (hour,)
        Standard deviation of the truth around a member: ``model_error_dc`` of several, all of
        ``surface_error_dc`` of one alone [K].

    Returns
    -------
    Sure
        NaN where a member is.
    """
    kernel = error_dc.reshape(-1, *[1] * (surface_c.ndim - 1))
    low_c, high_c = quantiles(surface_c, kernel, FOUR_OF_FIVE)
    return Sure(
        low_c,
        high_c,
        normal(-surface_c / kernel).mean(axis=-1),
        frost_chance(surface_c, dew_point_c, kernel).mean(axis=-1),
    )


def frost_chance(surface_c: Array, dew_point_c: Array, error_dc: Array) -> Array:
    """Give the chance that a surface is below freezing and the frost point, of every member [-]."""
    frosty = np.minimum(frost_point_c(dew_point_c), 0.0)
    return normal((frosty - surface_c) / np.hypot(error_dc, DEW_ERROR_DC))


def normal(deviation: Array) -> Array:
    """Cumulative normal distribution, within 1e-7 (Abramowitz & Stegun 26.2.17) [-]."""
    size = np.abs(deviation)
    t = 1.0 / (1.0 + 0.2316419 * size)
    poly = 1.781477937 + t * (-1.821255978 + t * 1.330274429)
    poly = t * (0.319381530 + t * (-0.356563782 + t * poly))
    tail = np.exp(-0.5 * size * size) / np.sqrt(2.0 * np.pi) * poly
    return np.asarray(np.where(deviation > 0.0, 1.0 - tail, tail))


def quantiles(surface_c: Array, kernel_dc: Array, shares: Sequence[float]) -> Array:
    """Quantiles of kernels of equal weight around members, by bisection.

    Parameters
    ----------
    surface_c : array (..., member)
        Middles [°C].
    kernel_dc : array (..., 1), broadcastable to it
        Standard deviation [K].
    shares : sequence of float
        Chances to stay below [-].

    Returns
    -------
    array (share, ...)
        To within ``WITHIN_DC`` [°C].
    """
    level = np.reshape(shares, (-1, *[1] * (surface_c.ndim - 1)))
    # a quantile lies between the lowest and the highest of the kernels' own
    own_dc = np.reshape([NormalDist().inv_cdf(share) for share in shares], level.shape)
    own_dc = own_dc * np.asarray(kernel_dc)[..., 0]
    low, high = surface_c.min(axis=-1) + own_dc, surface_c.max(axis=-1) + own_dc
    widest = np.nanmax(high - low, initial=WITHIN_DC)
    for _ in range(math.ceil(math.log2(widest / WITHIN_DC))):
        middle = 0.5 * (low + high)
        below = normal((middle[..., None] - surface_c) / kernel_dc).mean(axis=-1)
        low, high = np.where(below < level, middle, low), np.where(below < level, high, middle)
    return np.asarray(0.5 * (low + high))
