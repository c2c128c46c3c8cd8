"""Uncertainty of a surface temperature: a small deterministic ensemble and an error kernel.

A forecast of one voice is made into nine members that have the spread its errors are known to have:
the forecast itself, and four pairs of opposite variants of air, cloud, wind and amount. What the
pavement model gets wrong beyond the weather is a normal kernel around each member. A real
ensemble's members take the same road.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.physics.normal_distribution import mixture_quantiles, normal_cdf
from stormplan.weather.forecast import (
    PRECIP_TYPES,
    REQUIRED_VARIABLES,
    TYPE_CHANCES,
    Forecast,
    QualityFlag,
)
from stormplan.weather.moist_air import frost_point_c, snow_frac, snow_to_liquid_ratio, wet_bulb_c

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
#: Error of the pavement model in perfect weather where nobody has read the surface. By night what
#: ``night_error`` states, in usual weather: RMSE on four pavements and three winters of a road. By
#: day a part that is always there, and one that grows with what the sun has warmed the surface
#: above the air: that share of it is as far as a class can tell how rough and dark it is.
#: The derivation and the sets it is held against are in docs/model/index.md.
MODEL_ERROR_NIGHT_K = 1.9
MODEL_ERROR_DAY_K, DAY_ERROR_PER_EXCESS = 1.4, 0.33
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
#: Depth of snow modeled from its water: the ratio scatters by a factor of about 1.4 two times in
#: three (Roebber et al. 2003, Weather Forecast. 18, 264, from memory) [- of the log]; wind breaks
#: and packs the crystals, so windy members have less.
SNOW_RATIO_ERROR_LN = 0.35
#: What is unknown comes in half of the members, and temperature goes to either side by this [K].
UNKNOWN_MEMBER_FRAC = 0.5
UNKNOWN_AIR_K = MAX_AIR_ERROR_K


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


def day_error_k(surface_minus_air_k: ArrayLike) -> Array:
    """Return the standard deviation of the pavement model by day, given perfect weather.

    Parameters
    ----------
    surface_minus_air_k : array
        Modeled surface less the air at 2 m [K].

    Returns
    -------
    array
        Grows with how far the sun has taken the surface from the air [K].
    """
    from_class = DAY_ERROR_PER_EXCESS * np.asarray(surface_minus_air_k, dtype=float)
    return np.asarray(np.hypot(MODEL_ERROR_DAY_K, from_class))


def model_error_k(is_night: ArrayLike, surface_minus_air_k: ArrayLike) -> Array:
    """Return the standard deviation of the pavement model given perfect weather, unread [K]."""
    return np.where(is_night, MODEL_ERROR_NIGHT_K, day_error_k(surface_minus_air_k))


def corrected_error_k(
    night_weight: ArrayLike, night_error_k: ArrayLike, day_error_k: ArrayLike
) -> Array:
    """Return the standard deviation of the pavement model where readings tell of its nights.

    Parameters
    ----------
    night_weight : array
        Weight of the night in the hour, 1 by night and 0 by day [-].
    night_error_k : array
        Standard deviation by night, given the readings [K].
    day_error_k : array
        Standard deviation by day [K].

    Returns
    -------
    array
        Of an error ``w · night + sqrt(1 - w²) · day``, the two independent [K].
    """
    night_part = np.asarray(night_weight, dtype=float) ** 2
    variance = night_part * np.asarray(night_error_k) ** 2
    return np.asarray(np.sqrt(variance + (1.0 - night_part) * np.asarray(day_error_k) ** 2))


def surface_error_k(
    lead_h: ArrayLike, is_night: ArrayLike, surface_minus_air_k: ArrayLike
) -> Array:
    """Return the standard deviation of a surface temperature, weather and model together.

    Parameters
    ----------
    lead_h : array
        Hours ahead; 0 and less is now [h].
    is_night : array of bool
        Sun below the horizon.
    surface_minus_air_k : array
        Modeled surface less the air at 2 m [K].

    Returns
    -------
    array
        Grows with lead [K].
    """
    night = np.asarray(is_night)
    per_cloud = np.where(night, CLOUD_SENSITIVITY_K[True], CLOUD_SENSITIVITY_K[False])
    per_wind = np.where(night, WIND_SENSITIVITY_K[True], WIND_SENSITIVITY_K[False])
    return np.sqrt(
        model_error_k(night, surface_minus_air_k) ** 2
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
    depth_factor = np.exp(-SNOW_RATIO_ERROR_LN * wind)
    values["snowfall_cm"] *= np.where(_depth_is_modeled(forecast)[:, :, None], depth_factor, 1.0)
    values |= _repartition_precipitation(values, air_offset_k)
    values |= _draw_types(values)
    return Forecast(forecast.start, forecast.cells, values)


def _depth_is_modeled(forecast: Forecast) -> BoolArray:
    """Return where water stands in for a depth of snow that is missing, (hour, cell)."""
    modeled = np.zeros((forecast.n_hours, len(forecast.cells)), dtype=np.bool_)
    for place, cell in enumerate(forecast.cells):
        flags = cell.flags.get("snowfall_cm")
        if flags is None:
            continue
        shift = round((cell.start - forecast.start).total_seconds() / 3600)
        start, stop = max(shift, 0), max(min(shift + cell.n_hours, forecast.n_hours), 0)
        if stop > start:
            modeled[start:stop, place] = (
                flags[start - shift : stop - shift] & QualityFlag.DEPTH_FROM_WATER
            ) > 0
    return modeled


def _draw_types(values: Mapping[str, Array]) -> dict[str, Array]:
    """Return precipitation with each type in as many members as the words' chance for it.

    Where the words give one type a smaller chance than another, it comes in the warmest members,
    as many as its chance over the likeliest one's, and its water is of the likeliest type in the
    others. Words are of the source, so they are the same in all members.
    """
    chances = np.stack([np.nan_to_num(values[name][:, :, 0]) for name in TYPE_CHANCES])
    likeliest = chances.max(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        frac = np.where((chances > 0.0) & (chances < likeliest), chances / likeliest, 1.0)
    if (frac == 1.0).all():
        return {}
    count = values["precip_mm"].shape[2]
    rank = np.argsort(np.argsort(-MEMBER_OFFSETS[0], kind="stable"))  # warmest first
    drawn = rank < np.maximum(np.round(frac * count), 1.0)[..., None]
    amounts = np.stack([values[name] for name in PRECIP_TYPES])
    kept = np.where(drawn, amounts, 0.0)
    moved = np.nansum(amounts - kept, axis=0)
    main = np.arange(len(PRECIP_TYPES))[:, None, None] == chances.argmax(axis=0)
    drawn_amounts = np.where(np.isnan(amounts), np.nan, kept + main[..., None] * moved)
    depth, snow = values["snowfall_cm"], PRECIP_TYPES.index("snowfall_swe_mm")
    depth = np.where((amounts[snow] > 0.0) & (drawn_amounts[snow] == 0.0), 0.0, depth)
    return {**dict(zip(PRECIP_TYPES, drawn_amounts, strict=True)), "snowfall_cm": depth}


# -- what is unknown ------------------------------------------------------------------------------


def bracket_unknown(forecast: Forecast, light_precip_mm: float) -> Forecast:
    """Return a forecast in which members stand for what an unknown hour may be.

    Parameters
    ----------
    forecast : Forecast
        With its members; NaN where unknown.
    light_precip_mm : float
        Water of an hour of light precipitation [mm].

    Returns
    -------
    Forecast
        Up to the last hour in which anything is known. Unknown air is that of the same hour of
        the nearest known day, colder in half of the members and warmer in the others. Unknown
        precipitation is none in half of the members and falls in the others (in more of them
        where the source's chance says so), of the intensity and type of the words, else light
        and of the type of the temperature. ``unknown`` keeps which hours these are, and under
        ``pop`` those of which neither a chance nor words tell anything.

    Notes
    -----
    The chance in a member with precipitation is such that the mean over all members is the
    source's chance of precipitation, or that of its words. Where it gives neither, that chance is
    0: such hours change what a storm brings that comes anyway, but no storm is made of them.
    """
    precip_known = _all_known(forecast, ("precip_mm", *PRECIP_TYPES))
    air_known = _all_known(forecast, REQUIRED_VARIABLES)
    hours = np.arange(forecast.n_hours)[:, None]
    last = np.where(precip_known | air_known, hours, -1).max(axis=0)
    planned = (hours <= last) & air_known.any(axis=0)
    unknown_air, unknown_precip = planned & ~air_known, planned & ~precip_known
    if not (unknown_air.any() or unknown_precip.any()):
        return forecast
    values = {name: array.copy() for name, array in forecast.values.items()}
    if unknown_air.any():
        _bracket_air(values, unknown_air)
    unknown = {
        "air_temp_c": unknown_air,
        **{
            name: unknown_precip & ~np.isfinite(forecast[name]).all(axis=2)
            for name in ("precip_mm", *PRECIP_TYPES, "snowfall_cm")
        },
        "pop": unknown_precip & np.isnan(_stated_chance(values)).all(axis=2),
    }
    if unknown_precip.any():
        _bracket_precip(values, unknown_precip, light_precip_mm)
    return Forecast(forecast.start, forecast.cells, values, unknown)


def _all_known(forecast: Forecast, names: Sequence[str]) -> BoolArray:
    """Return where every member has a value of all of some variables, (hour, cell)."""
    return np.asarray(np.all([np.isfinite(forecast[name]).all(axis=2) for name in names], axis=0))


def _bracket_air(values: dict[str, Array], unknown: BoolArray) -> None:
    """Put the same hour of the nearest known day, colder and warmer, into unknown hours."""
    members = values["air_temp_c"].shape[2]
    side = np.where(np.arange(members) % 2 == 0, -1.0, 1.0)
    for name in REQUIRED_VARIABLES:
        array = values[name]
        offset_k = UNKNOWN_AIR_K * side if name in ("air_temp_c", "dew_point_c") else 0.0
        for hour, cell in zip(*np.nonzero(unknown), strict=True):
            known = np.flatnonzero(np.isfinite(array[:, cell]).all(axis=1) & ~unknown[:, cell])
            if not known.size:
                continue
            days_off = np.minimum((known - hour) % 24, (hour - known) % 24)
            nearest = known[np.lexsort((np.abs(known - hour), days_off))[0]]
            gap = np.isnan(array[hour, cell])
            array[hour, cell] = np.where(gap, array[nearest, cell] + offset_k, array[hour, cell])
    values["dew_point_c"] = np.fmin(values["dew_point_c"], values["air_temp_c"])


def _bracket_precip(values: dict[str, Array], unknown: BoolArray, light_precip_mm: float) -> None:
    """Put none into some members of unknown hours, and precipitation into the others."""
    members = values["precip_mm"].shape[2]
    given = _stated_chance(values)[unknown]  # (case, member)
    is_stated = np.isfinite(given)
    chance = np.where(is_stated, given, 0.0).sum(axis=1) / np.maximum(is_stated.sum(axis=1), 1)
    wet_count = np.ceil(np.maximum(chance, UNKNOWN_MEMBER_FRAC) * members - 1e-9)
    wet = _wet_rank(members) < wet_count[:, None]
    intensity = np.nan_to_num(values["words_intensity"][unknown][:, 0], nan=1.0)
    amount = light_precip_mm * np.where(intensity > 0.0, intensity, 1.0)
    stated = values["precip_mm"][unknown]
    amount = np.where(np.isfinite(stated), stated, np.where(wet, amount[:, None], 0.0))
    fracs = _type_fracs(values, unknown)
    types = np.stack([values[name][unknown] for name in PRECIP_TYPES])
    falls = np.nansum(types, axis=0) > 0.0  # of some type it is known that it does
    types = np.where(np.isnan(types), amount * np.moveaxis(fracs, -1, 0), types)
    for name, array in zip(PRECIP_TYPES, types, strict=True):
        values[name][unknown] = array
    values["precip_mm"][unknown] = types.sum(axis=0)
    snow_mm = values["snowfall_swe_mm"][unknown]
    modeled_cm = 0.1 * snow_mm * snow_to_liquid_ratio(values["air_temp_c"][unknown])
    depth = values["snowfall_cm"][unknown]
    values["snowfall_cm"][unknown] = np.where(np.isnan(depth), modeled_cm, depth)
    member_chance = np.where(wet, (chance * members / wet_count)[:, None], 0.0)
    values["pop"][unknown] = np.where(falls, np.where(is_stated, given, 0.0), member_chance)


def _stated_chance(values: Mapping[str, Array]) -> Array:
    """Return the chance of precipitation, else that of the words; NaN where neither is given."""
    by_words = np.stack([values[name] for name in TYPE_CHANCES])
    has_words = np.isfinite(by_words).any(axis=0)
    by_words = np.where(has_words, np.nan_to_num(by_words).max(axis=0), np.nan)
    return np.where(np.isnan(values["pop"]), by_words, values["pop"])


def _wet_rank(members: int) -> IntArray:
    """Return the order in which members get precipitation: one of each opposite pair first."""
    order = [0, *range(1, members, 2), *range(2, members, 2)]
    if members == MEMBER_COUNT:
        order = [0, 1, 6, 3, 8, 5, 2, 7, 4]  # pairs are (1, 5), (2, 6), (3, 7), (4, 8)
    return np.argsort(np.array(order[:members]))


def _type_fracs(values: Mapping[str, Array], unknown: BoolArray) -> Array:
    """Return the fraction of each type where precipitation is unknown, (case, member, type).

    The most hazardous type that the words name, else rain or snow by the member's own wet bulb;
    rain in air below freezing is freezing rain.
    """
    air, dew = values["air_temp_c"][unknown], values["dew_point_c"][unknown]
    snow = snow_frac(wet_bulb_c(air, dew))
    rain_frac, freezes = 1.0 - snow, air < 0.0
    by_temperature = np.stack(
        [np.where(freezes, 0.0, rain_frac), snow, np.where(freezes, rain_frac, 0.0), 0.0 * snow],
        axis=-1,
    )
    named = np.stack([np.nan_to_num(values[name][unknown]) > 0.0 for name in TYPE_CHANCES], -1)
    severity = np.array([1, 2, 4, 3])  # rain, snow, freezing rain, sleet
    worst = (named * severity).argmax(axis=-1)
    by_words = np.eye(len(PRECIP_TYPES))[worst]
    return np.where(named.any(axis=-1, keepdims=True), by_words, by_temperature)


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
        frost_probability(surface_c, frost_point_c(dew_point_c), error_sd_k).mean(axis=-1),
    )


def frost_probability(surface_c: Array, frost_point_c: Array, error_k: Array) -> Array:
    """Return the probability that a surface is below 0 °C and the frost point, by member [-]."""
    threshold_c = np.minimum(frost_point_c, 0.0)
    return normal_cdf((threshold_c - surface_c) / np.hypot(error_k, DEW_POINT_ERROR_K))
