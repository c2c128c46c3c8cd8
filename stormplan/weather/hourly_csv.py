"""Strict reader of a station's hourly CSV; every problem with file, line, column and value.

A value stands at the start of its hour; hours that are not in the file, and cells left empty, are
blank. What is blank is filled elsewhere.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from difflib import get_close_matches
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from stormplan.errors import InputError
from stormplan.weather.forecast import VARIABLES

Array = NDArray[np.float64]

MAX_PROBLEMS_SHOWN = 20
PYRANOMETER_NIGHT_OFFSET_WM2 = (
    20.0  # a pyranometer's own glow reads this far below no sun (textbook)
)
HOUR = timedelta(hours=1)
IGNORED_COLUMNS = ("src", "quality", "wx_codes", "p_frz", "p_snow")  # ours, and not needed here
#: Former names of columns: passed over, their values would be missed without a word.
RENAMED_COLUMNS = {
    "snow_depth_cm": "snowfall_cm",
    "snow_we_mm": "snowfall_swe_mm",
    "frz_rain_mm": "freezing_rain_mm",
    "ice_accr_mm": "ice_accretion_mm",
}
REQUIRED_COLUMNS = ("time", "air_temp_c")


@dataclass(frozen=True)
class StationTable:
    """Hourly table of a station.

    Attributes
    ----------
    start : datetime
        First hour, aware UTC.
    values : dict of array (hour,)
        By name of ``VARIABLES``, NaN where blank [unit of the name].
    """

    start: datetime
    values: dict[str, Array]

    @property
    def n_hours(self) -> int:
        """Number of hours from first to last, gaps included."""
        return int(self.values["air_temp_c"].size)


def read_station_csv(path: Path, timezone: str | None = None) -> StationTable:
    """Read a table strictly; columns of other things are passed over.

    Parameters
    ----------
    path : Path
        CSV with a header line.
    timezone : str or None
        Zone of times that carry none, such as ``America/Chicago``.

    Returns
    -------
    StationTable
        Hours that are not in the file are blank.

    Raises
    ------
    InputError
        Every problem with its file and line, the value, and what would be accepted.
    """
    zone = _parse_zone(timezone)
    try:
        lines = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error}); give a CSV file in UTF-8") from error
    width = len(lines[0]) if lines else 0
    header = [name.strip() for name in lines[0]] if lines else []
    _check_header(path, header)
    known_columns = [column for column, name in enumerate(header) if name in ("time", *VARIABLES)]
    header = [header[place] for place in known_columns]
    problems: list[str] = []
    rows: dict[datetime, list[float]] = {}
    last: datetime | None = None
    for number, cells in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        try:
            time, numbers = _parse_row(
                header, _select_cells(cells, known_columns, width), zone, last
            )
        except InputError as error:
            problems.append(f"{path}:{number}: {error}")
            continue
        rows[time], last = numbers, time
    if problems:
        more = len(problems) - MAX_PROBLEMS_SHOWN
        tail = [f"and {more} more"] if more > 0 else []
        raise InputError("\n".join(problems[:MAX_PROBLEMS_SHOWN] + tail))
    if not rows:
        raise InputError(f"{path}:2: no rows; give one line for each hour")
    return _to_station_table(header, rows)


def _parse_zone(timezone: str | None) -> ZoneInfo | None:
    if timezone is None:
        return None
    try:
        return ZoneInfo(timezone)
    except (ZoneInfoNotFoundError, ValueError):
        raise InputError(
            f"--timezone {timezone} is no time zone; write it as America/Chicago"
        ) from None


def _check_header(path: Path, header: list[str]) -> None:
    accepted = ("time", *VARIABLES)
    for name in header:
        if name in RENAMED_COLUMNS:
            raise InputError(
                f"{path}:1: unknown column '{name}'; it is now called '{RENAMED_COLUMNS[name]}'"
            )
        # a column of something else is passed over; one that is nearly ours is a slip
        near = get_close_matches(name, accepted, 1) if name not in IGNORED_COLUMNS else []
        if name not in accepted and near:
            raise InputError(
                f"{path}:1: unknown column '{name}'; did you mean '{near[0]}'? accepted: "
                f"{', '.join(accepted)}"
            )
        if header.count(name) > 1:
            raise InputError(f"{path}:1: column '{name}' stands twice; give each once")
    for name in REQUIRED_COLUMNS:
        if name not in header:
            raise InputError(f"{path}:1: no column '{name}'; time and air_temp_c are needed")


def _select_cells(cells: list[str], known_columns: list[int], width: int) -> list[str]:
    if len(cells) != width:
        raise InputError(f"{len(cells)} cells; the header has {width}")
    return [cells[place] for place in known_columns]


def _parse_row(
    header: list[str], cells: list[str], zone: ZoneInfo | None, last: datetime | None
) -> tuple[datetime, list[float]]:
    time = _parse_time(cells[header.index("time")].strip(), zone, last)
    if last is not None and time <= last:
        raise InputError(f"time {time:%Y-%m-%dT%H:%MZ} is not after the row before; sort the rows")
    return time, [
        math.nan if name == "time" else _parse_value(name, cell.strip())
        for name, cell in zip(header, cells, strict=True)
    ]


def _parse_time(text: str, zone: ZoneInfo | None, last: datetime | None) -> datetime:
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(
            f"column 'time': '{text}' is no time; write it as 2026-01-12T06:00Z"
        ) from None
    if time.tzinfo is None:
        if zone is None:
            raise InputError(
                f"column 'time': '{text}' has no zone; write 2026-01-12T06:00Z or -06:00, or give "
                "--timezone"
            )
        first, second = (time.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
        if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != time:
            raise InputError(
                f"column 'time': '{text}' does not exist in {zone.key}: clocks go forward; give "
                "times in UTC"
            )
        # the hour that autumn repeats: its second turn follows its first
        again = last is not None and first.astimezone(UTC) <= last
        time = second if again else first
    time = time.astimezone(UTC)
    if (time.minute, time.second, time.microsecond) != (0, 0, 0):
        raise InputError(f"column 'time': '{text}' is not on the whole hour; give hourly rows")
    return time


def _parse_value(name: str, text: str) -> float:
    if text == "" or text.casefold() == "nan":
        return math.nan
    variable = VARIABLES[name]
    lowest = -PYRANOMETER_NIGHT_OFFSET_WM2 if name == "sw_down_wm2" else variable.lowest
    accepted = f"accepted: {variable.lowest:g} to {variable.highest:g} {variable.unit}, or blank"
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"column '{name}': '{text}' is no number; {accepted}") from None
    if not lowest <= value <= variable.highest:
        raise InputError(f"column '{name}': {text} is out of range; {accepted}")
    return max(value, variable.lowest)


def _to_station_table(header: list[str], rows: dict[datetime, list[float]]) -> StationTable:
    start = next(iter(rows))
    hours = round((next(reversed(rows)) - start) / HOUR) + 1
    numbers = np.full((hours, len(header)), np.nan)
    for time, row in rows.items():
        numbers[round((time - start) / HOUR)] = row
    return StationTable(
        start, {name: numbers[:, i] for i, name in enumerate(header) if name != "time"}
    )
