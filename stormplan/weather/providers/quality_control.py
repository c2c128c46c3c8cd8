"""Quality control common to all sources: humidity, range, age and required variables.

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
from stormplan.weather.forecast import REQUIRED_VARIABLES, CellForecast, FlagArray, QualityFlag
from stormplan.weather.providers.intervals import Array, HourAxis, Notes, format_utc

MIN_COVERAGE_H = 24
WARN_AGE, STALE_AGE = timedelta(hours=8), timedelta(hours=12)
DEW_POINT_TOLERANCE_K = 0.6  # both are rounded to whole °F; more than this is an error
HUMIDITY_TOLERANCE_PCT = 10.0
MAX_TEMP_CHANGE_K_H = 15.0  # per hour


def any_member(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Hours in which a mask of hours, or of hours and members, holds anywhere (hour,)."""
    return np.asarray(mask.any(axis=tuple(range(1, mask.ndim))))


def set_flag(
    flags: Mapping[str, FlagArray], name: str, mask: NDArray[np.bool_], new_flag: QualityFlag
) -> None:
    """Mark a variable where a mask of hours, or of hours and members, holds."""
    flags[name][any_member(mask)] |= np.uint8(new_flag)


def no_flags(n_hours: int) -> dict[str, FlagArray]:
    """Return flags for every variable, none of them set."""
    return {name: np.zeros(n_hours, np.uint8) for name in forecast.VARIABLES}


def drop_out_of_range(name: str, values: Array, source_name: str, notes: Notes) -> Array:
    """Drop values outside the sane range of a variable.

    Parameters
    ----------
    name : str
        Key of the forecast's ``VARIABLES``.
    values : array
        In the variable's own unit [-].
    source_name : str
        What the source calls it, for the note.
    notes : Notes
        Told of what was dropped.

    Returns
    -------
    array
        NaN where the value was out of range.
    """
    limits = forecast.VARIABLES[name]
    outside = (values < limits.lowest) | (values > limits.highest)
    if outside.any():
        notes.add(
            f"{source_name}: value outside {limits.lowest:g} to {limits.highest:g} {limits.unit}, "
            f"dropped in {any_member(outside).sum()} h",
            f"{values[outside][0]:g}",
        )
    return np.where(outside, np.nan, values)


def reconcile_humidity(values: dict[str, Array], flags: dict[str, FlagArray], notes: Notes) -> None:
    """Reconcile temperature, dew point and humidity; derive the missing one."""
    temp, humid = values["air_temp_c"], values["rel_humidity_pct"]
    dew = values["dew_point_c"]
    impossible = dew > temp + DEW_POINT_TOLERANCE_K
    if impossible.any():
        hours = any_member(impossible).sum()
        notes.add(f"dew point: above the air temperature in {hours} h, dropped")
    dew = np.where(impossible, np.nan, dew)
    set_flag(flags, "dew_point_c", dew > temp, QualityFlag.CLIPPED)
    dew = np.where(dew > temp, temp, dew)
    derived = np.isnan(dew) & np.isfinite(temp) & (humid > 0.0)
    dew = np.where(derived, moist_air.dew_point_c(temp, np.where(humid > 0.0, humid, 100.0)), dew)
    set_flag(flags, "dew_point_c", derived, QualityFlag.MODELED)
    values["dew_point_c"] = dew

    from_dew = moist_air.rel_humidity_pct(temp, dew)
    apart = np.abs(humid - from_dew) > HUMIDITY_TOLERANCE_PCT
    if apart.any():
        notes.add(
            f"relative humidity: more than {HUMIDITY_TOLERANCE_PCT:g} points from that of "
            "temperature "
            f"and dew point in {any_member(apart).sum()} h; temperature and dew point are used"
        )
    set_flag(
        flags, "rel_humidity_pct", np.isnan(humid) & np.isfinite(from_dew), QualityFlag.MODELED
    )
    values["rel_humidity_pct"] = np.where(np.isnan(humid), from_dew, humid)


def fill_standard_pressure(
    values: dict[str, Array], flags: dict[str, FlagArray], elevation_m: float | None
) -> None:
    """Fill missing pressure from the standard atmosphere."""
    unknown = np.isnan(values["pressure_hpa"])
    if elevation_m is not None:
        standard = moist_air.standard_pressure_pa(elevation_m) / 100.0
        values["pressure_hpa"] = np.where(unknown, standard, values["pressure_hpa"])
        set_flag(flags, "pressure_hpa", unknown, QualityFlag.MODELED)


def station_pressure_pa(values: Mapping[str, Array]) -> Array:
    """Station pressure, that of the standard atmosphere at sea level where not known [Pa]."""
    given = values["pressure_hpa"] * 100.0
    return np.where(np.isnan(given), moist_air.STANDARD_PRESSURE_PA, given)


def fill_snowfall(values: dict[str, Array], flags: dict[str, FlagArray]) -> None:
    """Fill missing snowfall depth from its water equivalent and the air temperature."""
    water = values["snowfall_swe_mm"]
    snowfall_cm = values.get("snowfall_cm", np.full(water.shape, np.nan))
    unknown = np.isnan(snowfall_cm) & np.isfinite(water)
    ratio = np.where(water > 0.0, moist_air.snow_to_liquid_ratio(values["air_temp_c"]), 0.0)
    values["snowfall_cm"] = np.where(unknown, water * ratio / 10.0, snowfall_cm)
    set_flag(flags, "snowfall_cm", unknown, QualityFlag.MODELED)


def note_temp_jumps(values: Mapping[str, Array], axis: HourAxis, notes: Notes) -> None:
    """Add a note where the temperature changes implausibly fast."""
    jumps = np.flatnonzero(
        any_member(np.abs(np.diff(values["air_temp_c"], axis=0)) > MAX_TEMP_CHANGE_K_H)
    )
    if jumps.size:
        notes.add(
            f"temperature: jumps by more than {MAX_TEMP_CHANGE_K_H:g} K within an hour",
            format_utc(axis.hour_start(int(jumps[0]))),
        )


def check_required_variables(
    label: str, values: Mapping[str, Array], axis: HourAxis, now: datetime
) -> None:
    """Raise if a required variable is unknown in one of the next 24 hours.

    Parameters
    ----------
    label : str
        Source and cell, for the message.
    values : mapping of array (hour,) or (hour, member)
        By name of the forecast's variables [-].
    axis : HourAxis
        The hours of the arrays.
    now : datetime
        The moment planned for, aware UTC.

    Raises
    ------
    ForecastError
        Says which variable is missing, for how many hours, and from when.
    """
    first = axis.hour_index(now)
    for name in REQUIRED_VARIABLES:
        known = ~any_member(~np.isfinite(values[name])) if name in values else None
        missing = [
            hour
            for hour in range(first, first + MIN_COVERAGE_H)
            if known is None or not 0 <= hour < axis.n_hours or not known[hour]
        ]
        if missing:
            raise ForecastError(
                f"{label}: {forecast.VARIABLES[name].meaning} is not known for {len(missing)} "
                f"of the next {MIN_COVERAGE_H} h (first "
                f"{format_utc(axis.hour_start(missing[0]))}); a plan "
                "needs temperature, dew point, wind and cloud for every one of them"
            )


def note_age(issued_at: datetime, now: datetime, notes: Notes) -> bool:
    """Add a note for an old or future-dated forecast; return whether it is stale."""
    age = now - issued_at
    hours = abs(age) / timedelta(hours=1)
    if age > STALE_AGE:
        notes.add(f"stale: issued {format_utc(issued_at)}, {hours:.0f} h ago")
    elif age > WARN_AGE:
        notes.add(f"getting old: issued {format_utc(issued_at)}, {hours:.0f} h ago")
    elif age < -timedelta(hours=1):
        notes.add(f"issued {format_utc(issued_at)}, {hours:.0f} h after the moment planned for")
    return age > STALE_AGE


def require_plannable(cell: CellForecast, now: datetime) -> CellForecast:
    """Raise if no plan can be made from a forecast; flag it where it is stale.

    Parameters
    ----------
    cell : CellForecast
        As read.
    now : datetime
        The moment planned for, aware UTC.

    Raises
    ------
    ForecastError
        A required variable is unknown in one of the 24 h from ``now``.
    """
    check_required_variables(
        f"{cell.source} {cell.cell_id}", cell.values, HourAxis(cell.start, cell.n_hours), now
    )
    notes = Notes()
    stale = note_age(cell.issued_at, now, notes)
    aged = replace(cell, notes=(*cell.notes, *notes.lines()))
    if not stale:
        return aged
    return replace(
        aged,
        stale=True,
        flags={name: mark | np.uint8(QualityFlag.STALE) for name, mark in cell.flags.items()},
    )
