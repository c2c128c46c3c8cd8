"""The index beside a GRIB2 file: which bytes hold which message.

One line for each message, as the open program wgrib2 writes it: number, offset, ``d=`` and the
reference time, abbreviation of the parameter, level, time and what else there is, parted by colons.
A message ends where the next begins; where the last one ends is not said.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from stormplan.errors import ForecastError

MAX_RANGE_BYTES = 8_000_000

_LINE = re.compile(r"\d+(?:\.\d+)?:(\d+):d=\d{8,14}:([^:]*):([^:]*):(.*)")
_WINDOW = re.compile(r"(\d+)-(\d+) (hour|day) (?:acc|ave)(?: fcst)?")


@dataclass(frozen=True)
class IndexLine:
    """One line of an index.

    Attributes
    ----------
    first, last : int or None
        First and last byte of its message; the last of the file's last one is not known [-].
    name, level, time, more : str
        Abbreviation of the parameter, its level, its time, and what follows, such as a threshold.
    """

    first: int
    last: int | None
    name: str
    level: str
    time: str
    more: str

    @property
    def window_h(self) -> tuple[int, int] | None:
        """Begin and end of its interval, from the reference time; None for a moment [h]."""
        match = _WINDOW.fullmatch(self.time)
        if match is None:
            return None
        hours = 24 if match[3] == "day" else 1
        return int(match[1]) * hours, int(match[2]) * hours


def parse_index(text: str) -> list[IndexLine]:
    """Read an index.

    Parameters
    ----------
    text : str
        As it came.

    Raises
    ------
    ForecastError
        Not a single line is of the form: whatever this is, it is no index.
    """
    found = [match for line in text.splitlines() if (match := _LINE.fullmatch(line.strip()))]
    if not found:
        raise ForecastError("the index beside it has no line that can be read")
    offsets = sorted({int(match[1]) for match in found})
    after = dict(zip(offsets, [*offsets[1:], None], strict=True))
    lines = []
    for match in found:
        first = int(match[1])
        following = after[first]
        time, _, more = match[4].partition(":")
        last = None if following is None else following - 1
        lines.append(IndexLine(first, last, match[2], match[3], time, more.strip(":")))
    return lines


def byte_ranges(
    lines: Iterable[IndexLine], is_wanted: Callable[[IndexLine], bool]
) -> list[tuple[int, int | None]]:
    """Return the byte ranges of the wanted messages; those that touch are one range.

    A range does not grow beyond ``MAX_RANGE_BYTES``: a reply must be small enough to be taken.

    Parameters
    ----------
    lines : iterable of IndexLine
        Of one file.
    is_wanted : callable
        Tells whether the message of a line is needed.

    Returns
    -------
    list of (int, int or None)
        First and last byte, in order; None for the end of the file [-].
    """
    ranges: list[tuple[int, int | None]] = []
    for first, last in sorted({(line.first, line.last) for line in lines if is_wanted(line)}):
        small = last is not None and bool(ranges) and last - ranges[-1][0] < MAX_RANGE_BYTES
        if small and ranges[-1][1] == first - 1:
            ranges[-1] = ranges[-1][0], last
        else:
            ranges.append((first, last))
    return ranges
