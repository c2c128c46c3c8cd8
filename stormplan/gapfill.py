"""What a station did not log: the weather that fills its gaps, modelled and said to be.

A pavement needs air, moisture, wind, cloud and sun in every hour. Short gaps run straight from
value to value; longer ones are filled from what else is known, down to the air temperature alone.
Air temperature itself is never invented: where it is missing for long, nothing is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from stormplan import sky
from stormplan.forcing import FAINT_WM2, Sunlight, sunlight
from stormplan.forecast import CellForecast, Forecast, Mark, Marks, stack

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SHORT_H = 6  # straight lines in time up to here, as for three- and six-hourly forecasts
NIGHT_H = 20  # cloud seen by the sun holds through a night of up to this long
SUNNY_WM2 = 60.0  # less clear-sky sun than this says little about cloud

#: Where moisture is not known: dew point below the day's lowest air temperature. Air cools at
#: night to about its dew point (Kimball, Running & Nemani 1997, Agric. For. Meteorol. 85, 87);
#: 2 K below fits winters at Greensboro NC and Sand Point AK (US typical years) within 0.5 K.
DEW_BELOW_MIN_DC = 2.0
#: Where wind is not known: winter median of inland airports (3 to 3.5), class assumption.
TYPICAL_WIND_MS = 3.0
#: Hours of wind from which on a station's own median stands in for its gaps, own choice.
OWN_WIND_H = 240
#: Share of clear-sky sun from the day's range of air temperature: FAO Irrigation and Drainage
#: Paper 56, eq. 50 with 0.16 inland, over a clear sky's 0.75 of the top of the atmosphere.
RANGE_TO_SUN = 0.16 / 0.75
DARKEST_DAY = 0.25  # of a clear day's sun: the same paper's eq. 35, overcast


@dataclass(frozen=True)
class Place:
    """Where the station stands [°], [m]."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float


def across(values: Array, longest_h: int) -> tuple[Array, Flags]:
    """Fill short gaps between known values by straight lines.

    Parameters
    ----------
    values : array (hour,)
        NaN where unknown [any].
    longest_h : int
        Gaps longer than this stay [h].

    Returns
    -------
    filled : array (hour,)
        Also NaN before the first and after the last known value [any].
    new : array of bool (hour,)
        Where it was filled [-].
    """
    known = np.flatnonzero(np.isfinite(values))
    if known.size < 2:
        return values, np.zeros(len(values), dtype=bool)
    hours = np.arange(len(values))
    after = np.minimum(np.searchsorted(known, hours), known.size - 1)
    before = np.maximum(after - 1, 0)
    inside = (hours > known[0]) & (hours < known[-1]) & np.isnan(values)
    new = inside & (known[after] - known[before] - 1 <= longest_h)
    return np.where(new, np.interp(hours, known, values[known]), values), new


def day_range(air_temp_c: Array) -> tuple[Array, Array]:
    """Lowest and highest known air temperature of the 24 h around each hour, (hour,) [°C]."""
    padded = np.concatenate([np.full(12, np.nan), air_temp_c, np.full(11, np.nan)])
    around = np.lib.stride_tricks.sliding_window_view(padded, 24)
    lowest = np.where(np.isnan(around), np.inf, around).min(axis=1)
    highest = np.where(np.isnan(around), -np.inf, around).max(axis=1)
    return lowest, highest


def fill(values: dict[str, Array], marks: dict[str, Marks], start: datetime, place: Place) -> None:
    """Fill the gaps of air, moisture, wind, sun and cloud in place, and mark what was filled.

    Parameters
    ----------
    values : dict of array (hour,)
        Every name of the forecast's ``VARIABLES``; changed [unit in the name].
    marks : dict of array (hour,)
        ``Mark`` flags of each value; changed [-].
    start : datetime
        Start of the first hour, aware UTC [-].
    place : Place
        For the sun [-].

    Notes
    -----
    Where air temperature stays unknown everything else does too. Longwave, and shortwave where
    cloud is given, are left to the forcing, which models them from cloud, air and dew point.
    """
    filled = _Filler(values, marks)
    filled.straight("air_temp_c")
    known = np.isfinite(values["air_temp_c"])
    lowest, highest = day_range(values["air_temp_c"])
    filled.straight("dew_point_c")
    filled.with_model("dew_point_c", lowest - DEW_BELOW_MIN_DC)
    values["dew_point_c"] = np.minimum(values["dew_point_c"], values["air_temp_c"])
    filled.straight("wind_10m_ms")
    wind = values["wind_10m_ms"][np.isfinite(values["wind_10m_ms"])]
    typical = float(np.median(wind)) if wind.size >= OWN_WIND_H else TYPICAL_WIND_MS
    filled.with_model("wind_10m_ms", np.full(len(known), typical))
    filled.straight("cloud_frac")
    _sun_and_cloud(filled, clear_sky(values, start, place).clear_wm2[:, 0], highest - lowest)
    for name in ("dew_point_c", "wind_10m_ms", "cloud_frac", "sw_down_wm2"):
        values[name] = np.where(known, values[name], np.nan)


def clear_sky(values: dict[str, Array], start: datetime, place: Place) -> Sunlight:
    """Work out the clear-sky sun of every hour."""
    return sunlight(as_forecast(values, {}, start, place))


def _sun_and_cloud(filled: _Filler, clear_wm2: Array, range_dc: Array) -> None:
    """Tell cloud from the sun where only that is known, and both from the day's range of air."""
    values = filled.values
    sunny = clear_wm2 > SUNNY_WM2
    through = np.where(sunny, values["sw_down_wm2"] / np.maximum(clear_wm2, FAINT_WM2), np.nan)
    bridged, new = across(np.where(sunny, through, np.nan), SHORT_H)
    dark = clear_wm2 <= FAINT_WM2
    short = new & ~dark & np.isnan(values["sw_down_wm2"])
    filled.put("sw_down_wm2", short, np.minimum(bridged, 1.1) * clear_wm2, Mark.INTERPOLATED)

    no_cloud = np.isnan(values["cloud_frac"])
    from_sun, _ = across(sky.cloud_from_sun(through), NIGHT_H)
    from_sun = _held(from_sun, NIGHT_H)
    from_range = np.clip(RANGE_TO_SUN * np.sqrt(np.maximum(range_dc, 0.0)), DARKEST_DAY, 1.0)
    blind = np.isnan(from_sun) & no_cloud
    cloud = np.where(np.isnan(from_sun), 1.0 - from_range, from_sun)
    filled.put("cloud_frac", no_cloud, cloud, Mark.MODELLED)
    no_sun = np.isnan(values["sw_down_wm2"]) & blind
    filled.put("sw_down_wm2", no_sun, from_range * clear_wm2, Mark.MODELLED)


def _held(values: Array, longest_h: int) -> Array:
    """Hold the first and last known value for some hours outwards."""
    known = np.flatnonzero(np.isfinite(values))
    out = values.copy()
    if known.size:
        first, last = int(known[0]), int(known[-1])
        out[max(first - longest_h, 0) : first] = values[first]
        out[last + 1 : last + 1 + longest_h] = values[last]
    return out


@dataclass
class _Filler:
    """Puts values into gaps and marks them."""

    values: dict[str, Array]
    marks: dict[str, Marks]

    def put(self, name: str, where: Flags, values: Array, mark: Mark) -> None:
        self.values[name] = np.where(where, values, self.values[name])
        self.marks[name][where] |= np.uint8(mark)

    def straight(self, name: str) -> None:
        filled, new = across(self.values[name], SHORT_H)
        self.put(name, new, filled, Mark.INTERPOLATED)

    def with_model(self, name: str, modelled: Array) -> None:
        self.put(name, np.isnan(self.values[name]), modelled, Mark.MODELLED)


def as_forecast(
    values: dict[str, Array], marks: dict[str, Marks], start: datetime, place: Place
) -> Forecast:
    """Make one cell's hours of a station's, (hour, 1, 1)."""
    cell = CellForecast(
        source="table",
        cell="station",
        latitude_deg=place.latitude_deg,
        longitude_deg=place.longitude_deg,
        elevation_m=place.elevation_m,
        start=start,
        issued_at=start,
        fetched_at=start,
        values={name: array[:, None] for name, array in values.items()},
        marks=marks,
    )
    return stack([cell], start, len(values["air_temp_c"]))


def runs(air_temp_c: Array) -> list[slice]:
    """Stretches of hours in which the air temperature is known, in order of time."""
    known = np.concatenate([[False], np.isfinite(air_temp_c), [False]])
    edges = np.flatnonzero(known[1:] != known[:-1])
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
