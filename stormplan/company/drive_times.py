"""The owner's table of driving minutes: CSV with ``from``, ``to`` and ``minutes``."""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Collection

from stormplan.errors import Problem, SitesError

COLUMNS = ("from", "to", "minutes")
MAX_MINUTES = 600.0


def parse_drive_times(
    text: str, name: str, places: Collection[str]
) -> dict[tuple[str, str], float]:
    """Read a table of driving minutes.

    Parameters
    ----------
    text : str
        CSV with a heading; the columns may stand in any order, with others beside them.
    name : str
        What problems are reported under.
    places : collection of str
        Keys of yards and sites.

    Returns
    -------
    dict of (str, str) to float
        Minutes by pair of places, as written [min].

    Raises
    ------
    SitesError
        Carries every problem found, with its line.
    """
    rows = csv.reader(io.StringIO(text.removeprefix("\ufeff")))
    heading = [cell.strip().casefold() for cell in next(rows, [])]
    if not set(COLUMNS) <= set(heading):
        message = f"the first line must name the columns {', '.join(COLUMNS)}"
        raise SitesError([Problem(name, 1, message)])
    columns = [heading.index(column) for column in COLUMNS]
    found: dict[tuple[str, str], float] = {}
    problems: list[Problem] = []
    for row in rows:
        if not any(cell.strip() for cell in row):
            continue
        cells = [row[at].strip() if at < len(row) else "" for at in columns]
        pair = (cells[0], cells[1])
        said = [_place_problem(place, places) for place in pair if place not in places]
        minutes = _minutes(cells[2])
        if minutes is None:
            said.append(f"'{cells[2]}' is not a number of minutes from 0 to {MAX_MINUTES:.0f}")
        elif pair in found and found[pair] != minutes:
            said.append(f"{pair[0]} to {pair[1]} is given twice; keep one")
        else:
            found[pair] = minutes
        problems += [Problem(name, rows.line_num, message) for message in said]
    if problems:
        raise SitesError(problems)
    return found


def _place_problem(key: str, places: Collection[str]) -> str:
    near = difflib.get_close_matches(key, places, n=1)
    hint = f"did you mean '{near[0]}'?" if near else "name a key of yards or sites"
    return f"no yard or site '{key}'; {hint}"


def _minutes(text: str) -> float | None:
    try:
        minutes = float(text)
    except ValueError:
        return None
    return minutes if math.isfinite(minutes) and 0.0 <= minutes <= MAX_MINUTES else None
