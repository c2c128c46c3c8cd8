"""Uncertainty of a surface temperature: a small deterministic ensemble and an error kernel.

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

from stormplan.weather.forecast import PRECIP_TYPES, Forecast
from stormplan.weather.moist_air import frost_point_c, snow_frac, snow_to_liquid_ratio, wet_bulb_c

Array = NDArray[np.float64]

#: Error of forecast air temperature at 2 m: about 1 K on the first day, 2 K on the second, 3 K on
#: the third (sd; day means 12, 36 and 60 h ahead), common verification figures, from memory.
AIR_ERROR_K = 0.5
AIR_ERROR_K_PER_DAY = 1.0
MAX_AIR_ERROR_K = 4.0
#: A source's own record may be short, or against its own later word: own choice.
MAX_RECORD_RATIO = 2.0
#: Total cloud and wind: own choice, after the same figures [-], [- of the logarithm].
CLOUD_ERROR_FRAC, CLOUD_ERROR_FRAC_PER_DAY, MAX_CLOUD_ERROR_FRAC = 0.15, 0.05, 0.30
WIND_ERROR_LN = 0.3
#: Error of the pavement model in perfect weather: RMSE without any reading at the site on four
#: measured pavements and three winters of a road sensor, night and day. The table is in
#: docs/model/index.md; benchmarks/pavement_validation.py prints it from the measured sets.
MODEL_ERROR_NIGHT_K, MODEL_ERROR_DAY_K = 1.9, 2.2
#: Sensitivities of an asphalt surface to air [K/K], all of the cloud [K] and the wind's logarithm
#: [K], night and day, from runs of the pavement model.
AIR_SENSITIVITY = 0.98
CLOUD_SENSITIVITY_K = {True: 1.3, False: 1.0}
WIND_SENSITIVITY_K = {True: 0.57, False: 1.75}
#: Error of a dew point beyond that of the air temperature it moves with, own choice [K].
DEW_POINT_ERROR_K = 1.0
#: Amount of precipitation: within a factor of 1.5 two times in three, own choice [- of the log].
PRECIP_ERROR_LN = 0.4
#: Freezing rain in air this warm is rain [°C]: freezing, and the rounding of whole °F.
FREEZING_RAIN_MAX_WET_BULB_C = 0.6


def _member_offsets() -> Array:
    """Return each member's offset of each variable in units of its error, (variable, member).

    The forecast itself, and four pairs that go opposite ways. Each variable takes each ninth of
    the normal distribution once, scaled to unit variance; over the members no two variables go
    together (their rows are those of a quaternion's matrix, which are orthogonal for any numbers).
    """
    normal_quantiles = np.array(
        [NormalDist().inv_cdf((8.5 - place) / MEMBER_COUNT) for place in range(4)]
    )
    a, b, c, d = normal_quantiles / np.sqrt(2.0 * (normal_quantiles**2).sum() / MEMBER_COUNT)
    pairs = np.array([[a, b, c, d], [-b, a, -d, c], [-c, d, a, -b], [-d, -c, b, a]])
    return np.concatenate([np.zeros((4, 1)), pairs, -pairs], axis=1)


P10_P90 = (0.1, 0.9)  # the ends of an interval that holds the truth four times in five
QUANTILE_TOLERANCE_K = 0.03  # of a quantile: finer than it is told
MEMBER_COUNT = 9
MEMBER_OFFSETS = _member_offsets()


@dataclass(frozen=True)
class ErrorRecord:
    """RMS error of a source's air temperature by lead [K], leads [h] and number of hours [-]."""

    leads_h: tuple[float, ...]
    rmse_k: tuple[float, ...]
    hours: int


NO_ERROR_RECORDS: Mapping[str, ErrorRecord] = MappingProxyType({})


def air_error_k(lead_h: ArrayLike, record: ErrorRecord | None = None) -> Array:
    """Return the standard deviation of forecast air temperature by lead.

    Parameters
    ----------
    lead_h : array
        Hours ahead; 0 and less is now [h].
    record : ErrorRecord or None
        What the source's own record says; published figures without one.

    Returns
    -------
    array
        Published growth with lead, times the ratio by which the record differs from it, which is
        kept within a factor of ``MAX_RECORD_RATIO`` [K].
    """
    lead = np.maximum(np.asarray(lead_h, dtype=float), 0.0)

    def published(at_h: Array) -> Array:
        grown = AIR_ERROR_K + AIR_ERROR_K_PER_DAY * at_h / 24.0
        return np.asarray(np.minimum(grown, MAX_AIR_ERROR_K))

    if record is None:
        return published(lead)
    leads_h = np.asarray(record.leads_h)
    ratio = np.clip(
        np.asarray(record.rmse_k) / published(leads_h), 1.0 / MAX_RECORD_RATIO, MAX_RECORD_RATIO
    )
    return np.asarray(published(lead) * np.interp(lead, leads_h, ratio))


def cloud_error_frac(lead_h: ArrayLike) -> Array:
    """Return the standard deviation of forecast total cloud by lead [h]; 0 and less is now [-]."""
    lead_d = np.maximum(np.asarray(lead_h, dtype=float), 0.0) / 24.0
    return np.asarray(
        np.minimum(CLOUD_ERROR_FRAC + CLOUD_ERROR_FRAC_PER_DAY * lead_d, MAX_CLOUD_ERROR_FRAC)
    )


def model_error_k(is_night: ArrayLike) -> Array:
    """Return the standard deviation of the pavement model given perfect weather [K]."""
    return np.where(is_night, MODEL_ERROR_NIGHT_K, MODEL_ERROR_DAY_K)


def surface_error_k(lead_h: ArrayLike, is_night: ArrayLike) -> Array:
    """Return the standard deviation of a surface temperature, weather and model together.

    Parameters
    ----------
    lead_h : array
        Hours ahead; 0 and less is now [h].
    is_night : array of bool
        Sun below the horizon.

    Returns
    -------
    array
        Grows with lead [K].
    """
    night = np.asarray(is_night)
    per_cloud = np.where(night, CLOUD_SENSITIVITY_K[True], CLOUD_SENSITIVITY_K[False])
    per_wind = np.where(night, WIND_SENSITIVITY_K[True], WIND_SENSITIVITY_K[False])
    return np.sqrt(
        model_error_k(night) ** 2
        + (AIR_SENSITIVITY * air_error_k(lead_h)) ** 2
        + (per_cloud * cloud_error_frac(lead_h)) ** 2
        + (per_wind * WIND_ERROR_LN) ** 2
    )


def make_ensemble(
    forecast: Forecast,
    lead_h: ArrayLike,
    error_records: Mapping[str, ErrorRecord] = NO_ERROR_RECORDS,
) -> Forecast:
    """Return nine perturbed members of a deterministic forecast; the first is the forecast itself.

    Parameters
    ----------
    forecast : Forecast
        With one member.
    lead_h : array (hour,) or (hour, cell)
        How far ahead each hour was [h].
    error_records : mapping of str to ErrorRecord
        By source; one that is absent has the published errors.

    Returns
    -------
    Forecast
        The same hours and cells; dew point moves with the air, longwave with cloud where it is
        modeled, the sun too. Rain, snow and freezing rain change into each other as far as the
        air crosses from one to the other.
    """
    lead = np.asarray(lead_h, dtype=float).reshape(forecast.n_hours, -1)
    lead = np.broadcast_to(lead, (forecast.n_hours, len(forecast.cells)))
    values = {
        name: np.repeat(array, MEMBER_COUNT, axis=2) for name, array in forecast.values.items()
    }
    air, cloud, wind, water = MEMBER_OFFSETS
    errors_k = [
        air_error_k(lead[:, place], error_records.get(cell.source))
        for place, cell in enumerate(forecast.cells)
    ]
    air_offset_k = np.stack(errors_k, axis=1)[:, :, None] * air
    for name in ("air_temp_c", "dew_point_c"):
        values[name] += air_offset_k
    cloud_frac = values["cloud_frac"] + cloud_error_frac(lead)[:, :, None] * cloud
    values["cloud_frac"] = np.clip(cloud_frac, 0.0, 1.0)
    values["wind_10m_ms"] *= np.exp(WIND_ERROR_LN * wind)
    for name in ("precip_mm", *PRECIP_TYPES, "snowfall_cm", "ice_accretion_mm"):
        values[name] *= np.exp(PRECIP_ERROR_LN * water)
    values |= _repartition_precipitation(values, air_offset_k)
    return Forecast(forecast.start, forecast.cells, values)


def _repartition_precipitation(
    values: Mapping[str, Array], air_offset_k: Array
) -> dict[str, Array]:
    """Repartition rain, snow and freezing rain by the change in wet-bulb snow fraction.

    A source that says rain in the cold knows of warm air above; only what the shift itself changes
    is changed. In an hour in which not all of it is known, nothing is.
    """
    wet_c = wet_bulb_c(values["air_temp_c"], values["dew_point_c"])
    snow_frac_change = snow_frac(wet_c) - snow_frac(wet_c[:, :, :1])
    rain, frz_rain, snow = (
        values[name] for name in ("rain_mm", "freezing_rain_mm", "snowfall_swe_mm")
    )
    snow_to_rain = snow * np.maximum(-snow_frac_change, 0.0)
    to_snow_frac = np.maximum(snow_frac_change, 0.0)
    new_snow = snow - snow_to_rain + to_snow_frac * (rain + frz_rain)
    rain, frz_rain = (1.0 - to_snow_frac) * rain + snow_to_rain, (1.0 - to_snow_frac) * frz_rain
    freezes = (wet_c <= 0.0) & (wet_c[:, :, :1] > 0.0)
    thaws = (wet_c > FREEZING_RAIN_MAX_WET_BULB_C) & (air_offset_k > 0.0)
    to_ice, to_rain = np.where(freezes, rain, 0.0), np.where(thaws, frz_rain, 0.0)
    depth = values["snowfall_cm"]
    with np.errstate(invalid="ignore", divide="ignore"):
        fresh_cm = 0.1 * snow_to_liquid_ratio(values["air_temp_c"]) * new_snow
        depth = np.where(new_snow == snow, depth, np.where(
            snow > 0.0, depth * new_snow / snow, fresh_cm
        ))  # fmt: skip
    repartitioned = {
        "rain_mm": rain - to_ice + to_rain,
        "freezing_rain_mm": frz_rain + to_ice - to_rain,
        "snowfall_swe_mm": new_snow,
        "snowfall_cm": depth,
    }
    known = np.isfinite(new_snow + frz_rain)
    return {name: np.where(known, array, values[name]) for name, array in repartitioned.items()}


@dataclass(frozen=True)
class SurfaceUncertainty:
    """Interval and probabilities of a surface's temperature, arrays ``(hour, ...)``.

    Attributes
    ----------
    p10_c, p90_c : array
        Interval that holds the truth four times in five [°C].
    prob_below_freezing, prob_frost : array
        Chance that the surface is below 0 °C; below that and the frost point [-].
    """

    p10_c: Array
    p90_c: Array
    prob_below_freezing: Array
    prob_frost: Array


def surface_uncertainty(surface_c: Array, dew_point_c: Array, error_k: Array) -> SurfaceUncertainty:
    """Return the p10-p90 interval and the probabilities of freezing and frost from members.

    Parameters
    ----------
    surface_c, dew_point_c : array (hour, ..., member)
        Of every member [°C].
    error_k : array (hour,)
        Standard deviation of the truth around a member: ``model_error_k`` of several, all of
        ``surface_error_k`` of one alone [K].

    Returns
    -------
    SurfaceUncertainty
        NaN where a member is.
    """
    error_sd_k = error_k.reshape(-1, *[1] * (surface_c.ndim - 1))
    low_c, high_c = mixture_quantiles(surface_c, error_sd_k, P10_P90)
    return SurfaceUncertainty(
        low_c,
        high_c,
        normal_cdf(-surface_c / error_sd_k).mean(axis=-1),
        frost_probability(surface_c, dew_point_c, error_sd_k).mean(axis=-1),
    )


def frost_probability(surface_c: Array, dew_point_c: Array, error_k: Array) -> Array:
    """Return the probability that a surface is below 0 °C and the frost point, by member [-]."""
    threshold_c = np.minimum(frost_point_c(dew_point_c), 0.0)
    return normal_cdf((threshold_c - surface_c) / np.hypot(error_k, DEW_POINT_ERROR_K))


def normal_cdf(z: Array) -> Array:
    """Return the cumulative normal distribution, within 1e-7 (Abramowitz & Stegun 26.2.17) [-]."""
    size = np.abs(z)
    t = 1.0 / (1.0 + 0.2316419 * size)
    poly = 1.781477937 + t * (-1.821255978 + t * 1.330274429)
    poly = t * (0.319381530 + t * (-0.356563782 + t * poly))
    tail = np.exp(-0.5 * size * size) / np.sqrt(2.0 * np.pi) * poly
    return np.asarray(np.where(z > 0.0, 1.0 - tail, tail))


def mixture_quantiles(surface_c: Array, error_sd_k: Array, probabilities: Sequence[float]) -> Array:
    """Return quantiles of an equal-weight mixture of normal kernels, by bisection.

    Parameters
    ----------
    surface_c : array (..., member)
        Middles [°C].
    error_sd_k : array (..., 1), broadcastable to it
        Standard deviation [K].
    probabilities : sequence of float
        Chances to stay below [-].

    Returns
    -------
    array (share, ...)
        To within ``QUANTILE_TOLERANCE_K`` [K].
    """
    target = np.reshape(probabilities, (-1, *[1] * (surface_c.ndim - 1)))
    # a quantile lies between the lowest and the highest of the kernels' own
    kernel_quantile_k = np.reshape(
        [NormalDist().inv_cdf(share) for share in probabilities], target.shape
    )
    kernel_quantile_k = kernel_quantile_k * np.asarray(error_sd_k)[..., 0]
    low, high = (
        surface_c.min(axis=-1) + kernel_quantile_k,
        surface_c.max(axis=-1) + kernel_quantile_k,
    )
    widest = np.nanmax(high - low, initial=QUANTILE_TOLERANCE_K)
    for _ in range(math.ceil(math.log2(widest / QUANTILE_TOLERANCE_K))):
        middle = 0.5 * (low + high)
        below = normal_cdf((middle[..., None] - surface_c) / error_sd_k).mean(axis=-1)
        low, high = np.where(below < target, middle, low), np.where(below < target, high, middle)
    return np.asarray(0.5 * (low + high))
