"""Forecast from a table of hourly weather."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

from stormplan.arrays import Array
from stormplan.errors import InputError
from stormplan.physics import station
from stormplan.weather import infill
from stormplan.weather.forecast import VARIABLES, CellForecast, no_flags
from stormplan.weather.hourly_csv import (
    lowest_valid,
    near_column_text,
    summarize_problems,
    valid_range_text,
)
from stormplan.weather.providers import quality_control
from stormplan.weather.providers.intervals import Notes


def forecast_from_dataframe(
    weather: pd.DataFrame,
    latitude: float,
    longitude: float,
    *,
    elevation_m: float | None = None,
    name: str = "table",
    issued_at: datetime | None = None,
) -> CellForecast:
    """Return the forecast of one place from a table of hours.

    Parameters
    ----------
    weather : DataFrame
        One row for each hour, stamped at its start, on an aware DatetimeIndex. Columns are
        variables of the forecast under their own names (``stormplan.weather.forecast.VARIABLES``):
        ``air_temp_c`` [°C] at least; for a plan also ``dew_point_c`` [°C] or ``rel_humidity_pct``
        [%], ``wind_10m_ms`` [m/s], ``cloud_frac`` and what falls: ``precip_mm`` [mm], or
        ``rain_mm``, ``snowfall_swe_mm``, ``freezing_rain_mm`` and ``sleet_mm`` [mm]. NaN is
        unknown, never nil.
    latitude, longitude : float
        Place, north and east positive [°].
    elevation_m : float, optional
        Height of the place, for the pressure where the table has none [m].
    name : str
        What the forecast is called in plans and messages.
    issued_at : datetime, optional
        When it was made, with its time zone; the first hour without it.

    Returns
    -------
    CellForecast
        What can be derived is, and flagged: dew point from humidity, the type of precipitation
        from the wet bulb, the depth of new snow from its water.

    Raises
    ------
    InputError
        Every problem at once, each with its column, its row and what would be accepted.

    Examples
    --------
    >>> hours = pd.date_range("2026-01-12T00:00", periods=3, freq="h", tz="America/Chicago")
    >>> weather = pd.DataFrame({"air_temp_c": [-1.0, -2.0, -3.0], "dew_point_c": -4.0}, hours)
    >>> cell = forecast_from_dataframe(weather, 43.1, -89.4)
    >>> cell.start.isoformat()
    '2026-01-12T06:00:00+00:00'
    >>> forecast_from_dataframe(weather.rename(columns={"dew_point_c": "dewpoint_c"}), 43.1, -89.4)
    Traceback (most recent call last):
    ...
    stormplan.errors.InputError: column 'dewpoint_c' is not a variable; did you mean 'dew_point_c'?
    """
    station.check_place(latitude, longitude)
    start, given = read_table(weather)
    n_hours = len(weather)
    values = dict.fromkeys(VARIABLES, np.full(n_hours, np.nan)) | given
    flags = no_flags(n_hours)
    notes = Notes()
    quality_control.reconcile_humidity(values, flags, notes)
    infill.fill_standard_pressure(values, flags, elevation_m)
    infill.derive_missing(list(given), values, flags)
    issued = start if issued_at is None else aware_utc(issued_at, "issued_at")
    return CellForecast(
        source="table",
        cell_id=name,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation_m,
        start=start,
        issued_at=issued,
        fetched_at=issued,
        values={variable: array[:, None] for variable, array in values.items()},
        flags=flags,
        notes=notes.lines(),
    )


def read_table(weather: pd.DataFrame) -> tuple[datetime, dict[str, Array]]:
    """Return the first hour of a table and its columns as arrays, or raise for every problem."""
    start = _check_index(weather.index)
    problems: list[str] = []
    columns: dict[str, Array] = {}
    for name in weather.columns:
        if name not in VARIABLES:
            problems.append(f"column '{name}' is not a variable; {near_column_text(str(name))}")
        elif isinstance(weather[name], pd.DataFrame):
            problems.append(f"column '{name}' stands more than once; give each once")
        else:
            columns[name] = _read_column(name, weather[name], problems)
    if "air_temp_c" not in columns:
        problems.append("no column 'air_temp_c'; the air temperature is needed [°C]")
    elif "dew_point_c" in columns:
        tolerance_k = quality_control.DEW_POINT_TOLERANCE_K
        too_moist = columns["dew_point_c"] > columns["air_temp_c"] + tolerance_k
        for row in np.flatnonzero(too_moist)[:1]:
            problems.append(
                f"column 'dew_point_c', row {weather.index[row]}: "
                f"{columns['dew_point_c'][row]:g} °C is above the air temperature of "
                f"{columns['air_temp_c'][row]:g} °C; accepted is up to it"
            )
    if problems:
        raise InputError(summarize_problems(list(dict.fromkeys(problems))))
    return start, columns


def _check_index(index: pd.Index[Any]) -> datetime:
    """Return the first hour of an index, aware UTC, or raise if it is not hour after hour."""
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise InputError(
            "the index must be a DatetimeIndex with a time zone; set one with "
            "df.tz_localize('America/Chicago') or pd.to_datetime(..., utc=True)"
        )
    if index.empty or index.hasnans:
        raise InputError("the index has no hours, or one that is not a time (NaT); give every hour")
    utc = index.tz_convert("UTC")
    off_hour = np.flatnonzero(utc != utc.floor("h"))
    if off_hour.size:
        raise InputError(
            f"row {index[off_hour[0]]} is not on a whole hour of UTC; resample to hours first"
        )
    uneven = np.flatnonzero(np.diff(utc.as_unit("ns").asi8) != 3_600 * 10**9)
    if uneven.size:
        before, after = index[uneven[0]], index[uneven[0] + 1]
        raise InputError(
            f"row {after} does not follow {before} by one hour; sort the rows, give each hour "
            "once, and leave hours that are not known as NaN: df.asfreq('h')"
        )
    first = utc[0].to_pydatetime()
    return first.astimezone(UTC)


def _read_column(name: str, column: pd.Series[Any], problems: list[str]) -> Array:
    """Return a column as numbers; what is none or out of range is added to the problems."""
    variable = VARIABLES[name]
    accepted = valid_range_text(name, missing="NaN")
    numbers = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    wrong = np.isnan(numbers) & column.notna().to_numpy()
    wrong |= numbers < lowest_valid(name)
    wrong |= numbers > variable.highest
    rows = np.flatnonzero(wrong)
    for row in rows[:1]:
        more = f" (and {rows.size - 1} more rows)" if rows.size > 1 else ""
        problems.append(
            f"column '{name}', row {column.index[row]}: {column.iloc[row]!r} is not usable{more}; "
            f"{accepted}"
        )
    return np.asarray(np.maximum(numbers, variable.lowest))


def aware_utc(moment: datetime, what: str) -> datetime:
    """Return a moment in UTC, or raise with what it is if it has no time zone."""
    if moment.tzinfo is None:
        raise InputError(f"{what} {moment} has no time zone; write 2026-01-12T06:00Z or -06:00")
    if isinstance(moment, pd.Timestamp):
        moment = moment.to_pydatetime()
    return moment.astimezone(UTC)
