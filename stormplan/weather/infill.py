"""Weather a station does not measure, modelled from what it does.

A table needs only an air temperature. The rest is filled with published stand-ins, and every
value filled is marked. Numbers of one place, hour by hour; arrays ``(hour,)``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from stormplan.weather.moist_air import dew_point_c, snow_share, wet_bulb_c

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

LONGEST_GAP_H = 6  # bridged by a straight line; longer gaps stay unknown
TYPICAL_WIND_MS = 3.0  # open inland terrain at 10 m, winter nights and days together (own choice)
BRIGHT_WM2 = 60.0  # hourly clear-sky mean from which shortwave tells cloud
# Hargreaves & Samani 1982 as in FAO Irrigation and Drainage Paper 56, eq. 50, inland: shortwave
# over that above the atmosphere is 0.16 sqrt(daily range); a clear sky lets through 0.75 (eq. 37).
RANGE_FACTOR, CLEAR_SHARE = 0.16, 0.75
DARKEST_SHARE = 0.25
# Crawford & Duchon 1999, J. Appl. Meteorol. 38, 474: cloud is what the sun lacks. Over 0.84 it
# gives the same longwave in the form of Unsworth & Monteith 1975.
OVERCAST = 0.84
RAINY_CLOUD = 0.9  # at least, while something falls (own choice)


def bridge(values: Array, longest_h: int = LONGEST_GAP_H) -> Array:
    """Fill gaps of at most some hours by straight lines; longer ones and ends stay NaN."""
    known = np.flatnonzero(np.isfinite(values))
    if known.size < 2:
        return values
    hours = np.arange(values.size)
    filled = np.interp(hours, known, values[known])
    before = known[np.maximum(np.searchsorted(known, hours, side="right") - 1, 0)]
    after = known[np.minimum(np.searchsorted(known, hours), known.size - 1)]
    inside = (before <= hours) & (after >= hours) & (after - before <= longest_h + 1)
    return np.where(inside, filled, values)


def _daily(values: Array, reduce: Callable[[Array], Array]) -> Array:
    """Reduce over the day centred on each hour, NaN ignored."""
    padded = np.pad(values, 12, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 25)
    known = np.isfinite(windows).any(axis=1)
    out = np.full(values.size, np.nan)
    out[known] = reduce(windows[known])
    return out


def dew_point(air_temp_c: Array) -> Array:
    """Dew point of air about which only the temperature is known.

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
    return _daily(air_temp_c, lambda windows: np.asarray(np.nanmin(windows, axis=1)))


def sun_share(air_temp_c: Array) -> Array:
    """Share of clear-sky shortwave that a day's range of temperature tells of, (hour,) [-].

    Never below a quarter, what an overcast lets through (FAO Irrigation and Drainage Paper 56,
    eq. 35); see ``RANGE_FACTOR``.
    """
    ends = _daily(air_temp_c, lambda windows: np.asarray(np.nanmax(windows, axis=1)))
    swing = np.maximum(ends - dew_point(air_temp_c), 0.0)
    return np.clip(RANGE_FACTOR * np.sqrt(swing) / CLEAR_SHARE, DARKEST_SHARE, 1.0)


def cloud(air_temp_c: Array, sw_down_wm2: Array, clear_wm2: Array, precip_mm: Array) -> Array:
    """Cloud from the sun where it was measured, else from the daily range of temperature.

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
    guess = np.clip((1.0 - sun_share(air_temp_c)) / OVERCAST, 0.0, 1.0)
    with np.errstate(invalid="ignore"):
        bright = np.isfinite(sw_down_wm2) & (clear_wm2 > BRIGHT_WM2)
    if bright.any():
        hours = np.arange(air_temp_c.size)
        seen = np.clip((1.0 - sw_down_wm2[bright] / clear_wm2[bright]) / OVERCAST, 0.0, 1.0)
        by_sun = np.interp(hours, hours[bright], seen)
        known = hours[bright]
        distance = np.abs(hours[:, None] - known[_near(hours, known)]).min(axis=1)
        guess = np.where(distance <= 24, by_sun, guess)
    with np.errstate(invalid="ignore"):
        falls = precip_mm > 0.0
    return np.where(falls, np.maximum(guess, RAINY_CLOUD), guess)


def _near(hours: NDArray[np.intp], known: NDArray[np.intp]) -> NDArray[np.intp]:
    """Places of the known hours before and after each hour, (hour, 2)."""
    after = np.minimum(np.searchsorted(known, hours), known.size - 1)
    return np.stack([np.maximum(after - 1, 0), after], axis=1)


def phases(air_temp_c: Array, dew_point_c: Array, precip_mm: Array) -> tuple[Array, Array]:
    """Rain and snow in precipitation of unknown phase, by the wet bulb, (hour,) each [mm]."""
    snow = precip_mm * snow_share(wet_bulb_c(air_temp_c, dew_point_c))
    return precip_mm - snow, snow


PRECIPITATION = ("precip_mm", "rain_mm", "snow_we_mm", "frz_rain_mm", "sleet_mm")
SNOW_RATIO = 13.0  # new snow over its water: mean of Baxter et al. 2005, Weather Forecast. 20, 729


def complete(
    given: dict[str, Array], clear_wm2: Array
) -> tuple[dict[str, Array], dict[str, Flags]]:
    """Fill everything the pavement needs from what a table gives.

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
    values["air_temp_c"] = bridge(given["air_temp_c"])
    known = np.isfinite(values["air_temp_c"])

    def fill(name: str, measured: Array, stand_in: Array) -> None:
        values[name] = np.where(known & np.isnan(measured), stand_in, measured)

    _fill_precipitation(values, given, known)
    humid = dew_point_c(values["air_temp_c"], given.get("rel_humidity_pct", blank))
    dew = bridge(
        np.where(np.isnan(given.get("dew_point_c", blank)), humid, given.get("dew_point_c", blank))
    )
    fill("dew_point_c", dew, dew_point(values["air_temp_c"]))
    values["dew_point_c"] = np.minimum(values["dew_point_c"], values["air_temp_c"])
    fill(
        "wind_10m_ms", bridge(given.get("wind_10m_ms", blank)), np.full_like(blank, TYPICAL_WIND_MS)
    )
    sunny = given.get("sw_down_wm2", blank)
    stand_in = cloud(values["air_temp_c"], sunny, clear_wm2, values["precip_mm"])
    fill("cloud_frac", bridge(given.get("cloud_frac", blank)), stand_in)
    # where neither sun nor cloud is known, the range of temperature tells of the sun itself: the
    # dimming of ``sky`` is that of cloud somebody saw
    blind = np.isnan(bridge(given.get("cloud_frac", blank))) & known
    values["sw_down_wm2"] = np.where(
        np.isnan(sunny) & blind, sun_share(values["air_temp_c"]) * clear_wm2, sunny
    )
    _fill_phases(values)
    filled = {
        name: np.isfinite(array) & np.isnan(given.get(name, blank))
        for name, array in values.items()
    }
    return values, filled


def _fill_precipitation(values: dict[str, Array], given: dict[str, Array], known: Flags) -> None:
    """Total from phases, snow water from depth; nothing fell where nothing was written down."""
    blank = np.full(known.size, np.nan)
    depth = given.get("snow_depth_cm", blank)
    snow = given.get("snow_we_mm", blank)
    values["snow_we_mm"] = np.where(np.isnan(snow), depth * 10.0 / SNOW_RATIO, snow)
    parts = np.stack([values.get(name, blank) for name in PRECIPITATION[1:]])
    some = np.isfinite(parts).any(axis=0)
    total = given.get("precip_mm", blank)
    total = np.where(np.isnan(total) & some, np.nansum(parts, axis=0), total)
    values["precip_mm"] = np.where(known & np.isnan(total), 0.0, total)


def _fill_phases(values: dict[str, Array]) -> None:
    """Split what no phase accounts for by the wet bulb; phases left blank are nil."""
    blank = np.full_like(values["precip_mm"], np.nan)
    parts = {name: values.get(name, blank) for name in PRECIPITATION[1:]}
    silent = np.isnan(np.stack(list(parts.values()))).all(axis=0)
    rain, snow = phases(values["air_temp_c"], values["dew_point_c"], values["precip_mm"])
    unknown = np.isnan(values["precip_mm"])
    for name, array in parts.items():
        share = {"rain_mm": rain, "snow_we_mm": snow}.get(name, 0.0 * rain)
        kept = np.where(silent, share, np.nan_to_num(array))
        values[name] = np.where(unknown, np.nan, kept)
