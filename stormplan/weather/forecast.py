"""The hourly forecast: its variables, its axes, its checks, and what is not known.

A provider turns one service's reply for one grid cell into a ``CellForecast``; ``stack`` lines
several up into a ``Forecast`` of plain arrays with axes ``(hour, cell, member)``. A value is for
the hour that starts at its stamp. Missing is NaN, never 0: after a layer ends nothing is known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import IntFlag
from functools import cached_property

import numpy as np

from stormplan.arrays import Array, BoolArray, FlagArray
from stormplan.errors import ForecastError
from stormplan.numerics import floor_hour


class QualityFlag(IntFlag):
    """Quality flags of a value; 0 where it was read from the source as it is."""

    INTERPOLATED = 1
    MODELED = 2
    STALE = 4
    DISAGGREGATED = 8  # an hour's part of a total given for a longer block
    CLIPPED = 16
    INFERRED_PRECIP_TYPE = 32  # rain, snow or ice decided from temperature, not said by the source
    FROM_OTHER_SOURCE = 64  # the preferred source does not know; another one stepped in
    FROM_OLDER_COPY = 128  # the source's newest copy does not know; an older one of it does
    FROM_DAILY_CYCLE = 256  # the same hour of the days before and after
    DEPTH_FROM_WATER = 512  # the source's depth of snow is missing; its water gives a range


#: Hours before now that a plan uses, where they are known.
HISTORY_H = 72


@dataclass(frozen=True)
class Substitution:
    """What stands in for something that the newest copy of a forecast does not say.

    Attributes
    ----------
    text : str
        What it is of, and what stands in.
    hours : int or None
        In how many hours that matter; None where it is of no hours.
    first : datetime or None
        Start of the first of them, aware UTC.
    """

    text: str
    hours: int | None = None
    first: datetime | None = None


@dataclass(frozen=True)
class Variable:
    """One hourly variable: its meaning, unit, and the range outside which it is dropped."""

    meaning: str
    unit: str
    lowest: float
    highest: float


# Limits: sanity only, wider than any record (air_temp: WMO extremes -89/57 °C are not car parks).
VARIABLES: Mapping[str, Variable] = {
    "air_temp_c": Variable("air temperature at 2 m, at the start of the hour", "°C", -60, 60),
    "dew_point_c": Variable("dew point at 2 m", "°C", -80, 40),
    "rel_humidity_pct": Variable("relative humidity over water", "%", 0, 100),
    "wind_10m_ms": Variable("sustained wind at 10 m", "m/s", 0, 75),
    "wind_gust_ms": Variable("gust at 10 m", "m/s", 0, 110),
    "cloud_frac": Variable("total cloud", "-", 0, 1),
    "sw_down_wm2": Variable("shortwave on the horizontal, mean of the hour", "W/m²", 0, 1500),
    "lw_down_wm2": Variable("longwave from the sky, mean of the hour", "W/m²", 50, 600),
    "precip_mm": Variable("water of all phases in the hour", "mm", 0, 150),
    "rain_mm": Variable("rain in the hour", "mm", 0, 150),
    "snowfall_swe_mm": Variable("snow in the hour, as water", "mm", 0, 50),
    "freezing_rain_mm": Variable("freezing rain in the hour, as water", "mm", 0, 50),
    "sleet_mm": Variable("sleet (ice pellets) in the hour, as water", "mm", 0, 50),
    "snowfall_cm": Variable("new snow in the hour", "cm", 0, 25),
    "ice_accretion_mm": Variable("flat ice accretion in the hour", "mm", 0, 25),
    "pop": Variable("probability of precipitation, in the source's own block", "-", 0, 1),
    "pressure_hpa": Variable("station pressure", "hPa", 400, 1100),
    "visibility_m": Variable("visibility", "m", 0, 200_000),
    "blowing_snow": Variable("blowing snow said by the source, 1 or 0", "-", 0, 1),
}

#: What a source says in words, symbols or codes beside its amounts; what falls where the amount is
#: not known, and how likely each type is where several are named, is decided from these.
WORD_VARIABLES: Mapping[str, Variable] = {
    "words_intensity": Variable("intensity named, light is 1; 0 where nothing falls", "-", 0, 10),
    "chance_rain": Variable("chance that the words give rain", "-", 0, 1),
    "chance_snow": Variable("chance that the words give snow", "-", 0, 1),
    "chance_freezing_rain": Variable("chance that the words give freezing rain", "-", 0, 1),
    "chance_sleet": Variable("chance that the words give sleet", "-", 0, 1),
}
ALL_VARIABLES: Mapping[str, Variable] = {**VARIABLES, **WORD_VARIABLES}
#: The chance that words give to each type, in the order of ``PRECIP_TYPES``.
TYPE_CHANCES = ("chance_rain", "chance_snow", "chance_freezing_rain", "chance_sleet")

#: What falls, by phase; together they are ``precip_mm``.
PRECIP_TYPES = ("rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm")

#: Without these in each of the next 24 h there is no forecast to plan from.
REQUIRED_VARIABLES = ("air_temp_c", "dew_point_c", "wind_10m_ms", "cloud_frac")


def is_weather_known(values: Mapping[str, Array]) -> BoolArray:
    """Return where pavement and film can be run through an hour, (hour, ...).

    Parameters
    ----------
    values : mapping of array (hour, ...)
        By name of ``VARIABLES``; NaN where unknown [-].

    Returns
    -------
    array of bool (hour, ...)
        Everything required is known, and how much falls of what; what falls not is of no type.
    """
    known = np.isfinite([values[name] for name in REQUIRED_VARIABLES]).all(axis=0)
    water = values["precip_mm"]
    types_known = np.isfinite([values[name] for name in PRECIP_TYPES]).all(axis=0)
    return np.asarray(known & ((water == 0.0) | (types_known & np.isfinite(water))))


@dataclass(frozen=True)
class CellForecast:
    """One grid cell's hourly forecast from one source.

    Attributes
    ----------
    source : str
        Key of the provider, such as ``"nws"``.
    cell_id : str
        The source's own name of the cell; equal names mean the same forecast.
    latitude_deg, longitude_deg : float
        Middle of the cell [°].
    elevation_m : float or None
        Height the forecast is for [m].
    start : datetime
        Start of the first hour, aware UTC, on the whole hour.
    issued_at, fetched_at : datetime
        When the source issued it and when we received it, aware UTC.
    values : mapping of array (hour, member)
        By name of ``VARIABLES``; a name that is absent is unknown throughout [-].
    flags : mapping of array (hour,)
        ``QualityFlag`` flags of each value [-].
    stale : bool
        Stands in for one that could not be fetched, or is older than the source should be.
    notes : tuple of str
        What was dropped, clipped, joined or guessed, in words.
    contradictions : tuple of str
        Those of the notes that no weather can be: the forecast contradicts itself.
    credit : str
        Attribution that the source's licence asks for.
    substitutions : tuple of Substitution
        What of the hours that matter its newest copy does not say, and what stands in.
    """

    source: str
    cell_id: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    start: datetime
    issued_at: datetime
    fetched_at: datetime
    values: Mapping[str, Array]
    flags: Mapping[str, FlagArray] = field(default_factory=dict)
    stale: bool = False
    notes: tuple[str, ...] = ()
    contradictions: tuple[str, ...] = ()
    credit: str = ""
    substitutions: tuple[Substitution, ...] = ()

    def __post_init__(self) -> None:
        for stamp in (self.start, self.issued_at, self.fetched_at):
            if stamp.utcoffset() != timedelta(0):
                raise ForecastError(f"{self.source} {self.cell_id}: times must be aware UTC")
        if self.start != floor_hour(self.start):
            raise ForecastError(f"{self.source} {self.cell_id}: hours must start on the hour")
        unknown = set(self.values) - set(ALL_VARIABLES)
        if unknown:
            raise ForecastError(
                f"{self.source} {self.cell_id}: no such variables: {sorted(unknown)}"
            )
        shapes = {array.shape for array in self.values.values()}
        if len(shapes) != 1 or len(next(iter(shapes))) != 2:
            raise ForecastError(f"{self.source} {self.cell_id}: arrays must all be (hour, member)")
        for name, mark in self.flags.items():
            if mark.shape != (self.n_hours,):
                raise ForecastError(
                    f"{self.source} {self.cell_id}: marks of {name} must be (hour,)"
                )

    @property
    def n_hours(self) -> int:
        """Length of the hour axis."""
        return int(next(iter(self.values.values())).shape[0])

    @property
    def n_members(self) -> int:
        """Length of the member axis."""
        return int(next(iter(self.values.values())).shape[1])

    def known_until(self, name: str) -> datetime | None:
        """End of the last hour in which a variable is known; None if it never is."""
        if name not in self.values:
            return None
        known = np.flatnonzero(np.isfinite(self.values[name]).all(axis=1))
        return self.start + timedelta(hours=int(known[-1]) + 1) if known.size else None


@dataclass(frozen=True)
class Forecast:
    """Several cells on one time axis: arrays ``(hour, cell, member)``.

    Attributes
    ----------
    start : datetime
        Start of the first hour, aware UTC.
    cells : tuple of CellForecast
        What each place on the cell axis came from.
    values : mapping of array (hour, cell, member)
        Every name of ``ALL_VARIABLES``; NaN where unknown.
    unknown : mapping of array of bool (hour, cell)
        Hours in which a variable is unknown and members stand for what it may be; a name that is
        absent has none.
    """

    start: datetime
    cells: tuple[CellForecast, ...]
    values: Mapping[str, Array]
    unknown: Mapping[str, BoolArray] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Array:
        return self.values[name]

    @property
    def n_hours(self) -> int:
        """Length of the hour axis."""
        return int(self.values["air_temp_c"].shape[0])

    @property
    def n_members(self) -> int:
        """Length of the member axis."""
        return int(self.values["air_temp_c"].shape[2])

    @cached_property
    def hour_starts(self) -> tuple[datetime, ...]:
        """Start of every hour, aware UTC."""
        return tuple(self.start + timedelta(hours=hour) for hour in range(self.n_hours))

    def hour_start(self, hour: int) -> datetime:
        """Start of an hour, aware UTC; it may lie past the last one."""
        return self.start + timedelta(hours=hour)

    def from_hour(self, hour: int) -> Forecast:
        """Return the forecast from an hour on."""
        return Forecast(
            self.hour_start(hour),
            self.cells,
            {name: array[hour:] for name, array in self.values.items()},
            {name: mask[hour:] for name, mask in self.unknown.items()},
        )

    def is_unknown(self, name: str, cell: int) -> BoolArray:
        """Return in which hours a variable of a cell is unknown, (hour,)."""
        if name in self.unknown:
            return self.unknown[name][:, cell]
        return np.zeros(self.n_hours, dtype=np.bool_)


def stack(cells: Sequence[CellForecast], start: datetime, n_hours: int) -> Forecast:
    """Line several cells up on one time axis.

    Parameters
    ----------
    cells : sequence of CellForecast
        All with the same number of members, or one (which is repeated).
    start : datetime
        Start of the first hour wanted; cut to the whole hour.
    n_hours : int
        Length of the time axis [h].

    Returns
    -------
    Forecast
        NaN wherever a cell says nothing.

    Raises
    ------
    ForecastError
        No cells, or member counts that do not fit together.
    """
    if not cells:
        raise ForecastError("no forecast cells to plan from")
    first = floor_hour(start)
    n_members = max(cell.n_members for cell in cells)
    if {cell.n_members for cell in cells} - {1, n_members}:
        raise ForecastError("forecast cells differ in their number of members")
    values = {name: np.full((n_hours, len(cells), n_members), np.nan) for name in ALL_VARIABLES}
    for index, cell in enumerate(cells):
        shift = round((cell.start - first) / timedelta(hours=1))
        target = slice(max(shift, 0), max(min(shift + cell.n_hours, n_hours), 0))
        source = slice(target.start - shift, target.stop - shift)
        if target.stop <= target.start:
            continue
        for name, array in cell.values.items():
            values[name][target, index, :] = array[source]
    return Forecast(first, tuple(cells), values)


def any_member(mask: BoolArray) -> BoolArray:
    """Hours in which a mask of hours, or of hours and members, holds anywhere (hour,)."""
    return np.asarray(mask.any(axis=tuple(range(1, mask.ndim))))


def set_flag(
    flags: Mapping[str, FlagArray], name: str, mask: BoolArray, new_flag: QualityFlag
) -> None:
    """Mark a variable where a mask of hours, or of hours and members, holds."""
    flags[name][any_member(mask)] |= np.uint16(new_flag)


def no_flags(n_hours: int) -> dict[str, FlagArray]:
    """Return flags for every variable, none of them set."""
    return {name: np.zeros(n_hours, np.uint16) for name in VARIABLES}
