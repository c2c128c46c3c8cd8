"""One fill-in model for hourly weather: what follows from what is given, stand-ins for the rest.

Two steps, for a forecast service, a table and a DataFrame alike. ``derive_missing`` gives what
follows from the values themselves: types of precipitation from its total and the total from its
types, snow water from its depth and depth from its water. ``fill_missing`` also models what a
station does not measure: a table needs only an air temperature, the rest is filled with published
stand-ins, and every value filled is marked. Numbers of one place, hour by hour; arrays ``(hour,)``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from stormplan.arrays import Array, BoolArray, FlagArray, IntArray
from stormplan.weather import moist_air, precip_by_temperature
from stormplan.weather.forecast import PRECIP_TYPES, VARIABLES, QualityFlag, no_flags, set_flag

MAX_GAP_H = 6  # bridged by a straight line; longer gaps stay unknown
DEFAULT_WIND_MS = 3.0  # open inland terrain at 10 m, winter nights and days together (own choice)
MIN_CLEAR_SKY_WM2 = 60.0  # hourly clear-sky mean from which shortwave tells cloud
# Hargreaves & Samani 1982 as in FAO Irrigation and Drainage Paper 56, eq. 50, inland: shortwave
# over that above the atmosphere is 0.16 sqrt(daily range); a clear sky lets through 0.75 (eq. 37).
HARGREAVES_COEFFICIENT, CLEAR_SKY_TRANSMISSIVITY = 0.16, 0.75
MIN_CLEARSKY_INDEX = 0.25
# Crawford & Duchon 1999, J. Appl. Meteorol. 38, 474: cloud is what the sun lacks. Over 0.84 it
# gives the same longwave in the form of Unsworth & Monteith 1975.
LONGWAVE_CLOUD_COEFFICIENT = 0.84
MIN_CLOUD_IN_PRECIP = 0.9  # at least, while something falls (own choice)


def interpolate_gaps(values: Array, max_gap_h: int = MAX_GAP_H) -> Array:
    """Interpolate gaps of at most some hours; longer ones and ends stay NaN."""
    known = np.flatnonzero(np.isfinite(values))
    if known.size < 2:
        return values
    hours = np.arange(values.size)
    filled = np.interp(hours, known, values[known])
    before = known[np.maximum(np.searchsorted(known, hours, side="right") - 1, 0)]
    after = known[np.minimum(np.searchsorted(known, hours), known.size - 1)]
    inside = (before <= hours) & (after >= hours) & (after - before <= max_gap_h + 1)
    return np.where(inside, filled, values)


def _reduce_by_day(values: Array, reduce: Callable[[Array], Array]) -> Array:
    """Reduce over the day centred on each hour, NaN ignored."""
    padded = np.pad(values, 12, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 25)
    known = np.isfinite(windows).any(axis=1)
    out = np.full(values.size, np.nan)
    out[known] = reduce(windows[known])
    return out


def dew_point_from_daily_min(air_temp_c: Array) -> Array:
    """Return the dew point where only the air temperature is known.

    Parameters
    ----------
    air_temp_c : array (hour,)
        Air temperature [°C].

    Returns
    -------
    array (hour,)
        Lowest temperature of the day around each hour [°C].

    References
    ----------
    Kimball, Running & Nemani 1997, Agric. For. Meteorol. 85, 87: outside arid climates the night
    cools to the dew point.
    """
    return _reduce_by_day(air_temp_c, lambda windows: np.asarray(np.nanmin(windows, axis=1)))


def clearsky_index(air_temp_c: Array) -> Array:
    """Return the clear-sky index from the daily temperature range, (hour,) [-].

    Never below a quarter, what an overcast lets through (FAO Irrigation and Drainage Paper 56,
    eq. 35); see ``HARGREAVES_COEFFICIENT``.
    """
    daily_max_c = _reduce_by_day(air_temp_c, lambda windows: np.asarray(np.nanmax(windows, axis=1)))
    daily_range_k = np.maximum(daily_max_c - dew_point_from_daily_min(air_temp_c), 0.0)
    return np.clip(
        HARGREAVES_COEFFICIENT * np.sqrt(daily_range_k) / CLEAR_SKY_TRANSMISSIVITY,
        MIN_CLEARSKY_INDEX,
        1.0,
    )


def estimate_cloud_frac(
    air_temp_c: Array, sw_down_wm2: Array, clear_wm2: Array, precip_mm: Array
) -> Array:
    """Return total cloud from measured shortwave, else from the daily temperature range.

    Parameters
    ----------
    air_temp_c, sw_down_wm2, precip_mm : array (hour,)
        As measured, NaN where not [°C], [W/m²], [mm].
    clear_wm2 : array (hour,)
        Shortwave under a clear sky [W/m²].

    Returns
    -------
    array (hour,)
        Total cloud; between days along straight lines [-].
    """
    cloud_frac = np.clip((1.0 - clearsky_index(air_temp_c)) / LONGWAVE_CLOUD_COEFFICIENT, 0.0, 1.0)
    with np.errstate(invalid="ignore"):
        has_sun = np.isfinite(sw_down_wm2) & (clear_wm2 > MIN_CLEAR_SKY_WM2)
    if has_sun.any():
        hours = np.arange(air_temp_c.size)
        cloud_from_sun = np.clip(
            (1.0 - sw_down_wm2[has_sun] / clear_wm2[has_sun]) / LONGWAVE_CLOUD_COEFFICIENT, 0.0, 1.0
        )
        interpolated = np.interp(hours, hours[has_sun], cloud_from_sun)
        known = hours[has_sun]
        distance = np.abs(hours[:, None] - known[_neighbor_indices(hours, known)]).min(axis=1)
        cloud_frac = np.where(distance <= 24, interpolated, cloud_frac)
    with np.errstate(invalid="ignore"):
        is_precipitating = precip_mm > 0.0
    return np.where(is_precipitating, np.maximum(cloud_frac, MIN_CLOUD_IN_PRECIP), cloud_frac)


def _neighbor_indices(hours: IntArray, known: IntArray) -> IntArray:
    """Return the indices of the known hours before and after each hour, (hour, 2)."""
    after = np.minimum(np.searchsorted(known, hours), known.size - 1)
    return np.stack([np.maximum(after - 1, 0), after], axis=1)


def fill_standard_pressure(
    values: dict[str, Array], flags: dict[str, FlagArray], elevation_m: float | None
) -> None:
    """Fill missing pressure from the standard atmosphere."""
    unknown = np.isnan(values["pressure_hpa"])
    if elevation_m is not None:
        standard = moist_air.standard_pressure_pa(elevation_m) / 100.0
        values["pressure_hpa"] = np.where(unknown, standard, values["pressure_hpa"])
        set_flag(flags, "pressure_hpa", unknown, QualityFlag.MODELED)


def fill_snowfall(values: dict[str, Array], flags: dict[str, FlagArray]) -> None:
    """Fill missing snowfall depth from its water equivalent and the air temperature."""
    water = values["snowfall_swe_mm"]
    snowfall_cm = values.get("snowfall_cm", np.full(water.shape, np.nan))
    unknown = np.isnan(snowfall_cm) & np.isfinite(water)
    ratio = np.where(water > 0.0, moist_air.snow_to_liquid_ratio(values["air_temp_c"]), 0.0)
    values["snowfall_cm"] = np.where(unknown, water * ratio / 10.0, snowfall_cm)
    set_flag(flags, "snowfall_cm", unknown, QualityFlag.MODELED)


def derive_missing(
    columns: Sequence[str], values: dict[str, Array], marks: dict[str, FlagArray]
) -> None:
    """Derive what follows from the values given, in place: types, total and depth of precipitation.

    Parameters
    ----------
    columns : sequence of str
        Variables the source has a column for.
    values : dict of array (hour,)
        Every one of ``VARIABLES``, NaN where unknown [unit of the name].
    marks : dict of array (hour,)
        ``QualityFlag`` of each variable, set where a value was derived [-].

    Notes
    -----
    Snow whose depth alone is given is water by the ratio of its temperature. A total without types
    is split by temperature; rain alone in air below freezing is freezing rain, as of every service.
    One blank among types is what is left of the total; without a total it stays unknown.
    """
    given = [name for name in PRECIP_TYPES if name in columns]
    from_depth = _fill_snow_water(given, values)
    if given:
        _complete_types(given, values)
    amounts = np.stack([np.nan_to_num(values[name]) for name in PRECIP_TYPES], axis=1)
    summed = amounts.sum(axis=1, keepdims=True)
    type_fracs = np.where(summed > 0.0, amounts / np.where(summed > 0.0, summed, 1.0), 0.0)
    air = precip_by_temperature.AirState.from_values(values, values["ice_accretion_mm"])
    corrected = precip_by_temperature.correct_by_temperature(type_fracs, air)
    total = values["precip_mm"]
    partly = np.isnan(total) & (summed[:, 0] > 0.0)  # a type is blank, another is not
    unknown_types = {name: np.isnan(values[name]) for name in PRECIP_TYPES}
    water = np.where(partly, summed[:, 0], total)
    precip_by_temperature.split_by_type(values, marks, water, *corrected)
    for name, unknown in unknown_types.items():
        values[name] = np.where(partly & unknown, np.nan, values[name])
    set_flag(marks, "snowfall_swe_mm", from_depth, QualityFlag.MODELED)
    fill_snowfall(values, marks)


def _fill_snow_water(given: list[str], values: dict[str, Array]) -> BoolArray:
    """Fill snow water from its depth where neither it nor a total is known; return where.

    No new snow does not say that nothing fell.
    """
    depth_cm = values["snowfall_cm"]
    lone = np.isnan(values["snowfall_swe_mm"]) & np.isnan(values["precip_mm"]) & (depth_cm > 0.0)
    if not lone.any():
        return lone
    water_mm = depth_cm * 10.0 / moist_air.snow_to_liquid_ratio(values["air_temp_c"])
    values["snowfall_swe_mm"] = np.where(lone, water_mm, values["snowfall_swe_mm"])
    if given and "snowfall_swe_mm" not in given:
        given.append("snowfall_swe_mm")
    return lone


def _complete_types(given: Sequence[str], values: dict[str, Array]) -> None:
    """Fill types from each other and the total, and the total from its types."""
    parts = np.array([values[name] for name in given])
    blank = np.isnan(parts)
    none_known = blank.all(axis=0)
    for name in PRECIP_TYPES:
        if name not in given:
            values[name] = np.where(none_known, np.nan, 0.0)
    rest = np.maximum(values["precip_mm"] - np.nansum(parts, axis=0), 0.0)
    share = rest / np.maximum(blank.sum(axis=0), 1)
    for name in given:
        values[name] = np.where(np.isnan(values[name]) & ~none_known, share, values[name])
    total = np.sum([values[name] for name in PRECIP_TYPES], axis=0)
    values["precip_mm"] = np.where(none_known, values["precip_mm"], total)


def fill_missing(
    given: Mapping[str, Array], clear_wm2: Array
) -> tuple[dict[str, Array], dict[str, BoolArray]]:
    """Return all variables the pavement model needs, modeled where missing.

    Parameters
    ----------
    given : mapping of array (hour,)
        Forecast variables by name, NaN where blank; ``air_temp_c`` at least.
    clear_wm2 : array (hour,)
        Shortwave under a clear sky [W/m²].

    Returns
    -------
    values : dict of array (hour,)
        Every one of ``VARIABLES``; air temperature, dew point, wind, cloud and precipitation
        filled wherever there is an air temperature, radiation and the rest as given.
    filled : dict of array of bool (hour,)
        Where a value was not in the table.
    """
    blank = np.full(clear_wm2.size, np.nan)
    values = dict.fromkeys(VARIABLES, blank) | dict(given)
    air = values["air_temp_c"] = interpolate_gaps(values["air_temp_c"])
    known = np.isfinite(air)

    def stand_in(measured: Array, modeled: Array) -> Array:
        return np.where(known & np.isnan(measured), modeled, measured)

    dew = values["dew_point_c"]
    dew = np.where(np.isnan(dew), moist_air.dew_point_c(air, values["rel_humidity_pct"]), dew)
    dew = stand_in(interpolate_gaps(dew), dew_point_from_daily_min(air))
    values["dew_point_c"] = np.minimum(dew, air)
    _fill_precipitation(values, list(given), known)
    values["wind_10m_ms"] = stand_in(
        interpolate_gaps(values["wind_10m_ms"]), np.full_like(blank, DEFAULT_WIND_MS)
    )
    measured_sw, measured_cloud = values["sw_down_wm2"], interpolate_gaps(values["cloud_frac"])
    values["cloud_frac"] = stand_in(
        measured_cloud, estimate_cloud_frac(air, measured_sw, clear_wm2, values["precip_mm"])
    )
    # where neither sun nor cloud is known, the range of temperature tells of the sun itself: the
    # dimming of ``sky`` is that of cloud somebody saw
    values["sw_down_wm2"] = np.where(
        np.isnan(measured_sw) & np.isnan(measured_cloud) & known,
        clearsky_index(air) * clear_wm2,
        measured_sw,
    )
    filled = {
        name: np.isfinite(array) & np.isnan(given.get(name, blank))
        for name, array in values.items()
    }
    return values, filled


def _fill_precipitation(values: dict[str, Array], columns: Sequence[str], known: BoolArray) -> None:
    """Derive precipitation; what is still blank where the air is known counts as none."""
    derive_missing(columns, values, no_flags(known.size))
    for name in PRECIP_TYPES:
        values[name] = np.where(known & np.isnan(values[name]), 0.0, values[name])
    total = np.sum([values[name] for name in PRECIP_TYPES], axis=0)
    values["precip_mm"] = np.where(np.isnan(values["precip_mm"]), total, values["precip_mm"])
