"""A station's own hours, read from CSV as they were logged: any length, gaps and all.

For whoever has a weather station and wants to know what the pavement did. The first line names the
columns, ``time`` and any of the forecast's variables; ``time`` and ``air_temp_c`` must be there.
A time is the start of its hour, ISO 8601, in UTC unless it has an offset. What cannot be read is
refused with file, line, column and value; what cannot be weather is dropped and said.
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from stormplan import forecast
from stormplan.errors import InputError
from stormplan.forecast import Marks
from stormplan.providers import hourly
from stormplan.providers.layers import Array, Notes

LONGEST_H = 20 * 8784  # twenty years: a longer axis comes of a mistyped year
NIGHT_OFFSET_WM2 = 20.0  # a pyranometer's own glow: so far below zero is still no sun (textbook)
NOT_KNOWN = ("", "na", "n/a", "nan", "null", "none")
NEEDED = ("time", "air_temp_c")


@dataclass(frozen=True)
class Table:
    """Hours on a complete axis; NaN where the file says nothing.

    Attributes
    ----------
    start : datetime
        Start of the first hour, aware UTC [-].
    values : mapping of array (hour,)
        Every name of the forecast's ``VARIABLES`` [unit in the name].
    marks : mapping of array (hour,)
        How each value came about, all unset yet [-].
    columns : tuple of str
        Variables the file has a column for [-].
    notes : tuple of str
        What was not used, dropped or joined, in words [-].
    """

    start: datetime
    values: Mapping[str, Array]
    marks: Mapping[str, Marks]
    columns: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def hours(self) -> int:
        """Length of the time axis."""
        return len(self.values["air_temp_c"])


@dataclass(frozen=True)
class _Row:
    line: int
    cells: list[str]


def read(text: str, name: str) -> Table:
    """Read a table.

    Parameters
    ----------
    text : str
        The file [-].
    name : str
        What to call it in messages [-].

    Raises
    ------
    InputError
        What cannot be read: file and line, column, value, and what would be accepted.
    """
    notes = Notes()
    names, rows = _rows(text, name, notes)
    known = [column for column in names if column in forecast.VARIABLES]
    start = min(rows)
    hours = round((max(rows) - start) / timedelta(hours=1)) + 1
    if hours > LONGEST_H:
        raise InputError(
            f"{name}: from {start:%Y-%m-%d} to {max(rows):%Y-%m-%d} are {hours} hours; accepted: "
            f"up to {LONGEST_H}"
        )
    values = {column: np.full(hours, np.nan) for column in forecast.VARIABLES}
    places = [(column, names.index(column)) for column in known]
    for time, row in rows.items():
        hour = round((time - start) / timedelta(hours=1))
        for column, place in places:
            values[column][hour] = _number(row.cells[place], column, f"{name}:{row.line}")
    sun = values["sw_down_wm2"]
    values["sw_down_wm2"] = np.where((sun < 0.0) & (sun >= -NIGHT_OFFSET_WM2), 0.0, sun)
    for column in known:
        values[column] = hourly.within(column, values[column], column, notes)
    if not np.isfinite(values["air_temp_c"]).any():
        raise InputError(f"{name}: air_temp_c has no value; give one for at least one hour")
    return Table(start, values, hourly.unmarked(hours), tuple(known), notes.lines())


def _rows(text: str, name: str, notes: Notes) -> tuple[list[str], dict[datetime, _Row]]:
    """Read names and rows; a time given twice keeps its later row."""
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff")))
    names: list[str] = []
    rows: dict[datetime, _Row] = {}
    for cells in reader:
        if not any(map(str.strip, cells)):
            continue
        if not names:
            names = [cell.strip() for cell in cells]
            _check_names(names, f"{name}:{reader.line_num}", notes)
            continue
        where = f"{name}:{reader.line_num}"
        if len(cells) != len(names):
            raise InputError(
                f"{where}: {len(cells)} cells; accepted: {len(names)}, as in the first line"
            )
        time = _time(cells[names.index("time")], where)
        if time in rows:
            notes.add("an hour given twice; the later row is used", f"{time:%Y-%m-%d %H:%M}Z")
        rows[time] = _Row(reader.line_num, cells)
    if not rows:
        raise InputError(f"{name}: no rows; accepted: a line of names, then one line per hour")
    return names, rows


def _check_names(names: list[str], where: str, notes: Notes) -> None:
    for needed in NEEDED:
        if needed not in names:
            raise InputError(
                f"{where}: no column '{needed}' among {', '.join(names)}; accepted: time, "
                f"{', '.join(forecast.VARIABLES)}"
            )
    for twice in {column for column in names if names.count(column) > 1}:
        raise InputError(f"{where}: column '{twice}' stands there twice; give it once")
    for column in names:
        if column != "time" and column not in forecast.VARIABLES:
            near = difflib.get_close_matches(column, forecast.VARIABLES, n=1)
            meant = f"; did you mean {near[0]}?" if near else ""
            notes.add(f"column '{column}' is not used{meant}")


def _time(text: str, where: str) -> datetime:
    try:
        time = datetime.fromisoformat(text.strip())
        time = (time if time.tzinfo else time.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError):
        time = None
    if time is None or (time.minute, time.second, time.microsecond) != (0, 0, 0):
        raise InputError(
            f"{where}: time is '{text:.40}'; accepted: the start of a whole hour, ISO 8601, in UTC "
            "unless it has an offset, like 2026-01-12T06:00Z"
        )
    return time


def _number(text: str, column: str, where: str) -> float:
    stripped = text.strip()
    if stripped.casefold() in NOT_KNOWN:
        return np.nan
    try:
        return float(stripped)
    except ValueError:
        unit = forecast.VARIABLES[column].unit
        raise InputError(
            f"{where}: {column} is '{text:.40}'; accepted: a number in {unit}, or nothing where "
            "it is not known"
        ) from None
