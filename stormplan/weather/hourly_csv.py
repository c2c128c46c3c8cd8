"""Strict reader of an hourly table of one's own: a CSV of a station, a consultant or a hunch.

=====================  ==========================================================================
column                 meaning
=====================  ==========================================================================
``time``               start of the hour, ISO 8601: ``2026-01-12T06:00Z`` or ``...T06:00-06:00``
``air_temp_c``         air temperature at 2 m, at the start of the hour [°C]
any other variable     of ``forecast.VARIABLES``, by its name, which carries the unit; radiation
                       and precipitation are those of the hour that starts there
=====================  ==========================================================================

``time`` and ``air_temp_c`` are needed. Rows are in order of time, each hour once at most; hours
that are not in the table, and cells left empty, are unknown. A time without offset is read only
where the table's zone is named. Columns of other things are passed over and named; a column that
is nearly one of ours, or has a former name, is an error. Errors come all at once, each with its
line. What is unknown is filled elsewhere (``infill``).
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from difflib import get_close_matches
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from stormplan.arrays import Array
from stormplan.errors import InputError
from stormplan.numerics import HOUR
from stormplan.weather.forecast import VARIABLES

MAX_PROBLEMS_SHOWN = 20
#: A pyranometer's own glow reads this far below no sun at night (textbook).
PYRANOMETER_NIGHT_OFFSET_WM2 = 20.0
REQUIRED_COLUMNS = ("time", "air_temp_c")
ACCEPTED_COLUMNS = ("time", *VARIABLES)
#: Written by our own tools beside the variables, and not needed here.
IGNORED_COLUMNS = ("src", "quality", "wx_codes", "p_frz", "p_snow")
#: Former names of columns: passed over, their values would be missed without a word.
RENAMED_COLUMNS = {
    "snow_depth_cm": "snowfall_cm",
    "snow_we_mm": "snowfall_swe_mm",
    "frz_rain_mm": "freezing_rain_mm",
    "ice_accr_mm": "ice_accretion_mm",
}


@dataclass(frozen=True)
class HourlyTable:
    """Hourly table of one place.

    Attributes
    ----------
    start : datetime
        First hour, aware UTC.
    values : dict of array (hour,)
        By name of ``VARIABLES``, of the columns it has; NaN where unknown [unit of the name].
    notes : tuple of str
        What was passed over or dropped, a sentence's clause each.
    """

    start: datetime
    values: dict[str, Array]
    notes: tuple[str, ...] = ()

    @property
    def n_hours(self) -> int:
        """Number of hours from first to last, gaps included."""
        return int(self.values["air_temp_c"].size)


@dataclass(frozen=True)
class _Row:
    line: int
    time: datetime
    values: dict[str, float]


def parse_hourly_csv(
    text: str, label: str, timezone: str | None = None, *, drop_out_of_range: bool = False
) -> HourlyTable:
    r"""Parse an hourly table.

    Parameters
    ----------
    text : str
        The CSV, its first line the names of the columns.
    label : str
        What to call it in messages.
    timezone : str, optional
        Zone of times that carry no offset, such as ``America/Chicago``.
    drop_out_of_range : bool
        Whether a number that no weather can be, such as a code for a missing value, is unknown
        and noted instead of an error.

    Returns
    -------
    HourlyTable
        Hours that are not in the table are unknown.

    Raises
    ------
    InputError
        Every problem with its line, the value, and what would be accepted.

    Examples
    --------
    >>> table = parse_hourly_csv("time,air_temp_c\n2026-01-12T06:00Z,-4\n", "lot.csv")
    >>> table.start.isoformat(), table.values["air_temp_c"].tolist()
    ('2026-01-12T06:00:00+00:00', [-4.0])
    """
    zone = _parse_zone(timezone)
    lines = [
        (number, [cell.strip() for cell in cells])
        for number, cells in enumerate(
            csv.reader(io.StringIO(text.removeprefix("\ufeff"))), start=1
        )
        if any(cell.strip() for cell in cells)
    ]
    first_line, header = lines[0] if lines else (1, [])
    problems = [f"{label}:{first_line}: {problem}" for problem in _header_problems(header)]
    _raise_any(problems)
    rows: list[_Row] = []
    out_of_range: list[tuple[_Row, str]] = []
    for number, cells in lines[1:]:
        row, wrong = _parse_row(number, header, cells, zone, rows[-1].time if rows else None)
        if row is not None:
            rows.append(row)
            outside = [name for name in row.values if not _in_range(row, name)]
            out_of_range += [(row, name) for name in outside]
            wrong += [] if drop_out_of_range else [_range_problem(row, name) for name in outside]
        problems += [f"{label}:{number}: {problem}" for problem in wrong]
    _raise_any(problems)
    if not rows:
        raise InputError(f"{label}:{first_line + 1}: no rows; give one line for each hour")
    notes = (*_foreign_notes(header), *_drop(out_of_range))
    return _to_table(header, rows, notes)


def lowest_valid(name: str) -> float:
    """Return the least value of a variable that a table may hold [unit of the name].

    A pyranometer reads a little below zero at night; that is taken as zero.
    """
    return -PYRANOMETER_NIGHT_OFFSET_WM2 if name == "sw_down_wm2" else VARIABLES[name].lowest


def near_column_text(name: str) -> str:
    """Return what a name that is no variable may have been meant as, and what is accepted."""
    if name in RENAMED_COLUMNS:
        return f"it is now called '{RENAMED_COLUMNS[name]}'"
    near = get_close_matches(name, ACCEPTED_COLUMNS, 1)
    return f"did you mean '{near[0]}'?" if near else f"accepted: {', '.join(ACCEPTED_COLUMNS)}"


def summarize_problems(problems: list[str]) -> str:
    """Return the first problems, a line each, and how many more there are."""
    more = len(problems) - MAX_PROBLEMS_SHOWN
    return "\n".join(problems[:MAX_PROBLEMS_SHOWN] + ([f"and {more} more"] if more > 0 else []))


def _raise_any(problems: list[str]) -> None:
    if problems:
        raise InputError(summarize_problems(problems))


def _parse_zone(timezone: str | None) -> ZoneInfo | None:
    if timezone is None:
        return None
    try:
        return ZoneInfo(timezone)
    except (ZoneInfoNotFoundError, ValueError):
        raise InputError(f"'{timezone}' is not a time zone; write it as America/Chicago") from None


def _is_foreign(name: str) -> bool:
    """Return whether a column is of something else, and not a slip in one of ours."""
    if name in ACCEPTED_COLUMNS or name in RENAMED_COLUMNS:
        return False
    return name in IGNORED_COLUMNS or not get_close_matches(name, ACCEPTED_COLUMNS, 1)


def _foreign_notes(header: list[str]) -> list[str]:
    foreign = [name for name in header if _is_foreign(name) and name not in IGNORED_COLUMNS]
    return [f"columns passed over: {', '.join(foreign)}"] if foreign else []


def _header_problems(header: list[str]) -> list[str]:
    problems: list[str] = []
    for name in dict.fromkeys(header):
        if name not in ACCEPTED_COLUMNS and not _is_foreign(name):
            problems.append(f"unknown column '{name}'; {near_column_text(name)}")
        if name in ACCEPTED_COLUMNS and header.count(name) > 1:
            problems.append(f"column '{name}' stands twice; give each once")
    problems += [
        f"no column '{name}'; {' and '.join(REQUIRED_COLUMNS)} are needed"
        for name in REQUIRED_COLUMNS
        if name not in header
    ]
    return problems


def _parse_row(
    line: int, header: list[str], cells: list[str], zone: ZoneInfo | None, last: datetime | None
) -> tuple[_Row | None, list[str]]:
    """Return a row, None where it has no hour, and every problem in it."""
    if len(cells) != len(header):
        return None, [f"{len(cells)} cells; the header has {len(header)}"]
    problems: list[str] = []
    time, values = None, {}
    for name, text in zip(header, cells, strict=True):
        try:
            if name == "time":
                time = _parse_time(text, zone, last)
            elif name in VARIABLES:
                values[name] = _parse_number(name, text)
        except InputError as error:
            problems.append(f"column '{name}': {error}")
    return None if time is None else _Row(line, time, values), problems


def _parse_time(text: str, zone: ZoneInfo | None, last: datetime | None) -> datetime:
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"'{text}' is not a time; write it as 2026-01-12T06:00Z") from None
    if time.tzinfo is None:
        time = _place_in_zone(text, time, zone, last)
    time = time.astimezone(UTC)
    if (time.minute, time.second, time.microsecond) != (0, 0, 0):
        raise InputError(f"'{text}' is not on the whole hour; give hourly rows")
    if last is not None and time <= last:
        raise InputError(
            f"'{text}' is not after the row before ({last:%Y-%m-%dT%H:%MZ}); sort the rows and "
            "give each hour once"
        )
    return time


def _place_in_zone(
    text: str, time: datetime, zone: ZoneInfo | None, last: datetime | None
) -> datetime:
    """Return a time without offset in the table's zone."""
    if zone is None:
        raise InputError(
            f"'{text}' has no zone; write 2026-01-12T06:00Z or -06:00, or name the table's zone"
        )
    first, second = (time.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != time:
        raise InputError(
            f"'{text}' does not exist in {zone.key}: clocks go forward; give times in UTC"
        )
    # the hour that autumn repeats: its second turn follows its first
    return second if last is not None and first.astimezone(UTC) <= last else first


def _parse_number(name: str, text: str) -> float:
    if text == "" or text.casefold() == "nan":
        return math.nan
    try:
        return float(text)
    except ValueError:
        raise InputError(
            f"'{text}' is not a number; give a number, or nothing where it is not known "
            f"({valid_range_text(name)})"
        ) from None


def valid_range_text(name: str, missing: str = "blank") -> str:
    """Return the values of a variable that are accepted, and how to leave it unknown, in words."""
    variable = VARIABLES[name]
    return f"accepted: {variable.lowest:g} to {variable.highest:g} {variable.unit}, or {missing}"


def _in_range(row: _Row, name: str) -> bool:
    value = row.values[name]
    return math.isnan(value) or lowest_valid(name) <= value <= VARIABLES[name].highest


def _range_problem(row: _Row, name: str) -> str:
    return f"column '{name}': {row.values[name]:g} is out of range; {valid_range_text(name)}"


def _drop(out_of_range: list[tuple[_Row, str]]) -> list[str]:
    """Make values unknown; return a note for each variable."""
    notes = []
    for name in dict.fromkeys(name for _, name in out_of_range):
        rows = [row for row, dropped in out_of_range if dropped == name]
        variable, value = VARIABLES[name], rows[0].values[name]
        notes.append(
            f"{name}: value outside {variable.lowest:g} to {variable.highest:g} {variable.unit}, "
            f"dropped in {len(rows)} h, first in line {rows[0].line}: {value:g}"
        )
        for row in rows:
            row.values[name] = math.nan
    return notes


def _to_table(header: list[str], rows: list[_Row], notes: tuple[str, ...]) -> HourlyTable:
    start = rows[0].time
    n_hours = round((rows[-1].time - start) / HOUR) + 1
    values = {name: np.full(n_hours, np.nan) for name in header if name in VARIABLES}
    for row in rows:
        hour = round((row.time - start) / HOUR)
        for name, value in row.values.items():
            values[name][hour] = max(value, VARIABLES[name].lowest)
    return HourlyTable(start, values, notes)
