"""What every source's hours go through: agreement of air and moisture, age, what a plan needs.

A source reads its own form into arrays ``(hour,)`` or ``(hour, member)``; these functions derive
what it leaves out, drop what cannot be, mark both, and refuse hours that no plan can stand on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from stormplan.errors import ForecastError
from stormplan.weather import forecast, moist_air
from stormplan.weather.forecast import REQUIRED, CellForecast, Mark, Marks
from stormplan.weather.providers.intervals import Array, HourAxis, Notes, spell

NEEDED_HOURS = 24
WARN_AGE, STALE_AGE = timedelta(hours=8), timedelta(hours=12)
DEW_POINT_ABOVE_DC = 0.6  # both are rounded to whole °F; more than this is an error
HUMIDITY_APART_PCT = 10.0
JUMP_DC = 15.0  # per hour


def any_member(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Hours in which a mask of hours, or of hours and members, holds anywhere (hour,)."""
    return np.asarray(mask.any(axis=tuple(range(1, mask.ndim))))


def flag(marks: Mapping[str, Marks], name: str, mask: NDArray[np.bool_], mark: Mark) -> None:
    """Mark a variable where a mask of hours, or of hours and members, holds."""
    marks[name][any_member(mask)] |= np.uint8(mark)


def unmarked(hours: int) -> dict[str, Marks]:
    """Make marks for every variable, none of them set."""
    return {name: np.zeros(hours, np.uint8) for name in forecast.VARIABLES}


def within(name: str, values: Array, given_as: str, notes: Notes) -> Array:
    """Drop values outside the sane range of a variable.

    Parameters
    ----------
    name : str
        Key of the forecast's ``VARIABLES`` [-].
    values : array
        In the variable's own unit [-].
    given_as : str
        What the source calls it, for the note [-].
    notes : Notes
        Told of what was dropped [-].

    Returns
    -------
    array
        NaN where the value was out of range.
    """
    limits = forecast.VARIABLES[name]
    outside = (values < limits.lowest) | (values > limits.highest)
    if outside.any():
        notes.add(
            f"{given_as}: value outside {limits.lowest:g} to {limits.highest:g} {limits.unit}, "
            f"dropped in {any_member(outside).sum()} h",
            f"{values[outside][0]:g}",
        )
    return np.where(outside, np.nan, values)


def agree_humidity(values: dict[str, Array], marks: dict[str, Marks], notes: Notes) -> None:
    """Make temperature, dew point and humidity agree; derive what one of them lacks."""
    temp, humid = values["air_temp_c"], values["rel_humidity_pct"]
    dew = values["dew_point_c"]
    impossible = dew > temp + DEW_POINT_ABOVE_DC
    if impossible.any():
        hours = any_member(impossible).sum()
        notes.add(f"dew point: above the air temperature in {hours} h, dropped")
    dew = np.where(impossible, np.nan, dew)
    flag(marks, "dew_point_c", dew > temp, Mark.CLIPPED)
    dew = np.where(dew > temp, temp, dew)
    derived = np.isnan(dew) & np.isfinite(temp) & (humid > 0.0)
    dew = np.where(derived, moist_air.dew_point_c(temp, np.where(humid > 0.0, humid, 100.0)), dew)
    flag(marks, "dew_point_c", derived, Mark.MODELLED)
    values["dew_point_c"] = dew

    from_dew = moist_air.rel_humidity_pct(temp, dew)
    apart = np.abs(humid - from_dew) > HUMIDITY_APART_PCT
    if apart.any():
        notes.add(
            f"relative humidity: more than {HUMIDITY_APART_PCT:g} points from that of temperature "
            f"and dew point in {any_member(apart).sum()} h; temperature and dew point are used"
        )
    flag(marks, "rel_humidity_pct", np.isnan(humid) & np.isfinite(from_dew), Mark.MODELLED)
    values["rel_humidity_pct"] = np.where(np.isnan(humid), from_dew, humid)


def standard_pressure(
    values: dict[str, Array], marks: dict[str, Marks], elevation_m: float | None
) -> None:
    """Where the source gives no pressure, take that of the standard atmosphere."""
    unknown = np.isnan(values["pressure_hpa"])
    if elevation_m is not None:
        standard = moist_air.standard_pressure_pa(elevation_m) / 100.0
        values["pressure_hpa"] = np.where(unknown, standard, values["pressure_hpa"])
        flag(marks, "pressure_hpa", unknown, Mark.MODELLED)


def pressure_pa(values: Mapping[str, Array]) -> Array:
    """Station pressure, that of the standard atmosphere at sea level where not known [Pa]."""
    given = values["pressure_hpa"] * 100.0
    return np.where(np.isnan(given), moist_air.STANDARD_PRESSURE_PA, given)


def model_snow_depth(values: dict[str, Array], marks: dict[str, Marks]) -> None:
    """Where the source gives no depth of new snow, take it from its water and the air."""
    water = values["snow_we_mm"]
    depth = values.get("snow_depth_cm", np.full(water.shape, np.nan))
    unknown = np.isnan(depth) & np.isfinite(water)
    ratio = np.where(water > 0.0, moist_air.fresh_snow_ratio(values["air_temp_c"]), 0.0)
    values["snow_depth_cm"] = np.where(unknown, water * ratio / 10.0, depth)
    flag(marks, "snow_depth_cm", unknown, Mark.MODELLED)


def note_jumps(values: Mapping[str, Array], axis: HourAxis, notes: Notes) -> None:
    """Say where the temperature jumps."""
    jumps = np.flatnonzero(any_member(np.abs(np.diff(values["air_temp_c"], axis=0)) > JUMP_DC))
    if jumps.size:
        notes.add(
            f"temperature: jumps by more than {JUMP_DC:g} K within an hour",
            spell(axis.time(int(jumps[0]))),
        )


def check_needed(who: str, values: Mapping[str, Array], axis: HourAxis, now: datetime) -> None:
    """Refuse a forecast that lacks what a plan needs in one of the next 24 hours.

    Parameters
    ----------
    who : str
        Source and cell, for the message [-].
    values : mapping of array (hour,) or (hour, member)
        By name of the forecast's variables [-].
    axis : HourAxis
        The hours of the arrays [-].
    now : datetime
        The moment planned for, aware UTC [-].

    Raises
    ------
    ForecastError
        Says which variable is missing, for how many hours, and from when.
    """
    first = axis.hour(now)
    for name in REQUIRED:
        known = ~any_member(~np.isfinite(values[name])) if name in values else None
        missing = [
            hour
            for hour in range(first, first + NEEDED_HOURS)
            if known is None or not 0 <= hour < axis.hours or not known[hour]
        ]
        if missing:
            raise ForecastError(
                f"{who}: {forecast.VARIABLES[name].meaning} is not known for {len(missing)} "
                f"of the next {NEEDED_HOURS} h (first {spell(axis.time(missing[0]))}); a plan "
                "needs temperature, dew point, wind and cloud for every one of them"
            )


def is_stale(issued_at: datetime, now: datetime, notes: Notes) -> bool:
    """Note a forecast that is old, or issued after the moment planned for; tell if it is stale."""
    age = now - issued_at
    hours = abs(age) / timedelta(hours=1)
    if age > STALE_AGE:
        notes.add(f"stale: issued {spell(issued_at)}, {hours:.0f} h ago")
    elif age > WARN_AGE:
        notes.add(f"getting old: issued {spell(issued_at)}, {hours:.0f} h ago")
    elif age < -timedelta(hours=1):
        notes.add(f"issued {spell(issued_at)}, {hours:.0f} h after the moment planned for")
    return age > STALE_AGE


def fit(cell: CellForecast, now: datetime) -> CellForecast:
    """Refuse a forecast no plan can stand on, and mark one that is old.

    Parameters
    ----------
    cell : CellForecast
        As read [-].
    now : datetime
        The moment planned for, aware UTC [-].

    Raises
    ------
    ForecastError
        A required variable is unknown in one of the 24 h from ``now``.
    """
    check_needed(f"{cell.source} {cell.cell}", cell.values, HourAxis(cell.start, cell.hours), now)
    notes = Notes()
    stale = is_stale(cell.issued_at, now, notes)
    aged = replace(cell, notes=(*cell.notes, *notes.lines()))
    if not stale:
        return aged
    return replace(
        aged,
        stale=True,
        marks={name: mark | np.uint8(Mark.STALE) for name, mark in cell.marks.items()},
    )
