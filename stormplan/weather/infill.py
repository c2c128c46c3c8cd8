"""Weather variables a station does not measure, modeled from those it does.

A table needs only an air temperature. The rest is filled with published stand-ins, and every
value filled is marked. Numbers of one place, hour by hour; arrays ``(hour,)``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from stormplan.weather.moist_air import dew_point_c, snow_frac, wet_bulb_c

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

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


def _neighbor_indices(hours: NDArray[np.intp], known: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the indices of the known hours before and after each hour, (hour, 2)."""
    after = np.minimum(np.searchsorted(known, hours), known.size - 1)
    return np.stack([np.maximum(after - 1, 0), after], axis=1)


def split_rain_snow(air_temp_c: Array, dew_point_c: Array, precip_mm: Array) -> tuple[Array, Array]:
    """Return rain and snow in precipitation of unknown type, by wet bulb, (hour,) each [mm]."""
    snow = precip_mm * snow_frac(wet_bulb_c(air_temp_c, dew_point_c))
    return precip_mm - snow, snow


PRECIP_VARIABLES = ("precip_mm", "rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm")
SNOW_TO_LIQUID_RATIO = (
    13.0  # new snow over its water: mean of Baxter et al. 2005, Weather Forecast. 20, 729
)


def fill_missing(
    given: dict[str, Array], clear_wm2: Array
) -> tuple[dict[str, Array], dict[str, BoolArray]]:
    """Return all variables the pavement model needs, modeled where missing.

    Parameters
    ----------
    given : dict of array (hour,)
        Forecast variables by name, NaN where blank; ``air_temp_c`` at least.
    clear_wm2 : array (hour,)
        Shortwave under a clear sky [W/m²].

    Returns
    -------
    values : dict of array (hour,)
        Air temperature, dew point, wind, cloud and precipitation, filled wherever there is an
        air temperature; radiation and the rest as given.
    filled : dict of array of bool (hour,)
        Where a value was not in the table.
    """
    blank = np.full(clear_wm2.size, np.nan)
    values = dict(given)
    values["air_temp_c"] = interpolate_gaps(given["air_temp_c"])
    known = np.isfinite(values["air_temp_c"])

    def fill(name: str, measured: Array, modeled: Array) -> None:
        values[name] = np.where(known & np.isnan(measured), modeled, measured)

    _fill_precipitation(values, given, known)
    dew_from_humidity = dew_point_c(values["air_temp_c"], given.get("rel_humidity_pct", blank))
    dew = interpolate_gaps(
        np.where(
            np.isnan(given.get("dew_point_c", blank)),
            dew_from_humidity,
            given.get("dew_point_c", blank),
        )
    )
    fill("dew_point_c", dew, dew_point_from_daily_min(values["air_temp_c"]))
    values["dew_point_c"] = np.minimum(values["dew_point_c"], values["air_temp_c"])
    fill(
        "wind_10m_ms",
        interpolate_gaps(given.get("wind_10m_ms", blank)),
        np.full_like(blank, DEFAULT_WIND_MS),
    )
    measured_sw = given.get("sw_down_wm2", blank)
    stand_in = estimate_cloud_frac(
        values["air_temp_c"], measured_sw, clear_wm2, values["precip_mm"]
    )
    fill("cloud_frac", interpolate_gaps(given.get("cloud_frac", blank)), stand_in)
    # where neither sun nor cloud is known, the range of temperature tells of the sun itself: the
    # dimming of ``sky`` is that of cloud somebody saw
    cloud_unknown = np.isnan(interpolate_gaps(given.get("cloud_frac", blank))) & known
    values["sw_down_wm2"] = np.where(
        np.isnan(measured_sw) & cloud_unknown,
        clearsky_index(values["air_temp_c"]) * clear_wm2,
        measured_sw,
    )
    _fill_precip_types(values)
    filled = {
        name: np.isfinite(array) & np.isnan(given.get(name, blank))
        for name, array in values.items()
    }
    return values, filled


def _fill_precipitation(
    values: dict[str, Array], given: dict[str, Array], known: BoolArray
) -> None:
    """Fill total from types and snow water from snowfall; blank precipitation counts as none."""
    blank = np.full(known.size, np.nan)
    depth = given.get("snowfall_cm", blank)
    snow = given.get("snowfall_swe_mm", blank)
    values["snowfall_swe_mm"] = np.where(np.isnan(snow), depth * 10.0 / SNOW_TO_LIQUID_RATIO, snow)
    parts = np.stack([values.get(name, blank) for name in PRECIP_VARIABLES[1:]])
    some = np.isfinite(parts).any(axis=0)
    total = given.get("precip_mm", blank)
    total = np.where(np.isnan(total) & some, np.nansum(parts, axis=0), total)
    values["precip_mm"] = np.where(known & np.isnan(total), 0.0, total)


def _fill_precip_types(values: dict[str, Array]) -> None:
    """Split precipitation of unknown type by the wet bulb; blank types count as none."""
    blank = np.full_like(values["precip_mm"], np.nan)
    parts = {name: values.get(name, blank) for name in PRECIP_VARIABLES[1:]}
    no_type_given = np.isnan(np.stack(list(parts.values()))).all(axis=0)
    rain, snow = split_rain_snow(values["air_temp_c"], values["dew_point_c"], values["precip_mm"])
    unknown = np.isnan(values["precip_mm"])
    for name, array in parts.items():
        filled = {"rain_mm": rain, "snowfall_swe_mm": snow}.get(name, 0.0 * rain)
        kept = np.where(no_type_given, filled, np.nan_to_num(array))
        values[name] = np.where(unknown, np.nan, kept)
