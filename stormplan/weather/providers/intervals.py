"""Values given for intervals, laid onto whole hours.

A forecast layer is a list of values, each for an interval of any length. ``read`` turns it into
blocks, dropping what is no value; ``step`` repeats a state over the hours it holds for; ``owned``
tells which hours, and what part of each, belong to which block of a total. A later entry wins
where two overlap. Time is counted in minutes from the start of the hour axis, so a block may
begin or end inside an hour. What was dropped or overlapped is said in ``Notes``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Value = TypeVar("Value")

_DURATION = re.compile(
    r"P(?:(?P<weeks>\d{1,4})W)?(?:(?P<days>\d{1,5})D)?"
    r"(?:T(?=\d)(?:(?P<hours>\d{1,6})H)?(?:(?P<minutes>\d{1,8})M)?(?:(?P<seconds>\d{1,9})S)?)?"
)


class Notes:
    """Collects what a reader should know, one line for each kind of finding."""

    def __init__(self) -> None:
        self._found: dict[str, list[str]] = {}
        self._impossible: list[str] = []

    def add(self, finding: str, example: str = "", *, impossible: bool = False) -> None:
        """Note a finding; the same finding again only raises its count.

        One that no weather can be is also kept apart: the forecast contradicts itself.
        """
        self._found.setdefault(finding, []).append(example)
        if impossible and finding not in self._impossible:
            self._impossible.append(finding)

    def impossible(self) -> tuple[str, ...]:
        """Say each finding that no weather can be."""
        return tuple(self._impossible)

    def lines(self) -> tuple[str, ...]:
        """Say each finding once, with its count and first example."""
        said = []
        for finding, examples in self._found.items():
            times = f" ({len(examples)} times)" if len(examples) > 1 else ""
            first = "first: " if len(examples) > 1 else ""
            said.append(finding + times + (f"; {first}{examples[0]}" if examples[0] else ""))
        return tuple(said)


@dataclass(frozen=True)
class Block(Generic[Value]):
    """A value for the half-open interval from ``start`` to ``end``, aware UTC."""

    start: datetime
    end: datetime
    value: Value


@dataclass(frozen=True)
class HourAxis:
    """Whole hours from ``start``; turns moments into minutes and hours of the axis."""

    start: datetime
    hours: int

    def minute(self, moment: datetime) -> int:
        """Minutes from the start of the axis, cut to its ends."""
        return min(max(round((moment - self.start) / timedelta(minutes=1)), 0), 60 * self.hours)

    def hour(self, moment: datetime) -> int:
        """Index of the hour a moment is in; may lie outside the axis."""
        return math.floor((moment - self.start) / timedelta(hours=1))

    def time(self, hour: int) -> datetime:
        """Start of an hour of the axis."""
        return self.start + timedelta(hours=hour)


def spell(moment: datetime) -> str:
    """Say a moment in UTC, short."""
    return f"{moment:%Y-%m-%d %H:%M}Z"


def duration(text: str) -> timedelta | None:
    """Read an ISO 8601 duration of weeks, days and clock time; None if it is none.

    Years and months have no fixed length and are not accepted.
    """
    match = _DURATION.fullmatch(text)
    if match is None:
        return None
    parts = {name: int(digits) for name, digits in match.groupdict().items() if digits}
    return timedelta(**parts) if parts else None


def instant(text: object) -> datetime | None:
    """Read an ISO 8601 date and time with its offset as UTC; None if it is none."""
    if not isinstance(text, str):
        return None
    try:
        moment = datetime.fromisoformat(text)
        return moment.astimezone(UTC) if moment.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None


def interval(text: object) -> tuple[datetime, datetime] | None:
    """Read an ISO 8601 interval ``start/duration`` or ``start/end``; None if it is none.

    An interval without length is none either.
    """
    if not isinstance(text, str) or text.count("/") != 1:
        return None
    begins, lasts = text.split("/")
    start = instant(begins)
    if start is None:
        return None
    length = duration(lasts)
    try:
        end = start + length if length is not None else instant(lasts)
    except OverflowError:
        return None
    return (start, end) if end is not None and end > start else None


def number(value: object) -> float | None:
    """Give a finite number, or None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:
        return None


def place(latitude: object, longitude: object) -> tuple[float, float] | None:
    """Give latitude and longitude as numbers of a place on earth [°], or None."""
    north, east = number(latitude), number(longitude)
    if north is None or east is None or abs(north) > 90.0 or abs(east) > 180.0:
        return None
    return north, east


def height(value: object) -> float | None:
    """Give a height that land can have [m], or None."""
    metres = number(value)
    return metres if metres is not None and -500.0 < metres < 9000.0 else None


def read(
    name: str, entries: object, window: tuple[datetime, datetime], notes: Notes
) -> list[Block[object]]:
    """Read the entries of a layer in order of their start.

    Parameters
    ----------
    name : str
        The layer, for the notes [-].
    entries : object
        A list of ``{"validTime": ..., "value": ...}`` as it came [-].
    window : (datetime, datetime)
        Entries that reach outside are dropped [-].
    notes : Notes
        Told about every entry that is dropped [-].

    Returns
    -------
    list of Block
        Entries with equal start stay in their order, so that the later one wins.
    """
    blocks: list[Block[object]] = []
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        notes.add(f"{name}: not a list of values, taken as unknown")
        return blocks
    for entry in entries:
        times = interval(entry.get("validTime")) if isinstance(entry, Mapping) else None
        if times is None:
            notes.add(f"{name}: entry without a readable time, dropped", f"{entry!s:.60}")
        elif times[0] < window[0] or times[1] > window[1]:
            notes.add(f"{name}: entry far outside the forecast, dropped", spell(times[0]))
        else:
            blocks.append(Block(*times, entry.get("value")))
    return sorted(blocks, key=lambda block: block.start)


@dataclass(frozen=True)
class Owned:
    """The hours a block has for itself: their indices, and the part of each hour [-]."""

    hours: NDArray[np.int64]
    part: Array = field(repr=False)


def _owners(blocks: Sequence[Block[Value]], axis: HourAxis) -> tuple[NDArray[np.int64], bool]:
    """Index of the block each minute belongs to (-1: none), and whether any overlapped."""
    owner = np.full(60 * axis.hours, -1, dtype=np.int64)
    overlap = False
    for index, block in enumerate(blocks):
        minutes = slice(axis.minute(block.start), axis.minute(block.end))
        overlap = overlap or bool((owner[minutes] >= 0).any())
        owner[minutes] = index
    return owner, overlap


def step(name: str, blocks: Sequence[Block[float]], axis: HourAxis, notes: Notes) -> Array:
    """Repeat each value over the hours that start inside its interval.

    Returns
    -------
    array (hour,)
        NaN in hours that no block covers, in the unit of the blocks.
    """
    owner, overlap = _owners(blocks, axis)
    if overlap:
        notes.add(f"{name}: entries overlap, the later one used")
    values = np.array([block.value for block in blocks] + [np.nan])
    return np.asarray(values[owner[::60]])


def owned(
    name: str, blocks: Sequence[Block[float]], axis: HourAxis, notes: Notes
) -> Iterator[tuple[Block[float], Owned]]:
    """Give each block of a layer of totals with the hours it owns.

    A block that another one hides entirely is dropped with a note; one that is partly hidden
    keeps its total in the hours left to it.
    """
    owner, overlap = _owners(blocks, axis)
    if overlap:
        notes.add(f"{name}: entries overlap, the later one used")
    for index, block in enumerate(blocks):
        first = axis.minute(block.start)
        minutes = first + np.flatnonzero(owner[first : axis.minute(block.end)] == index)
        hours, count = np.unique(minutes // 60, return_counts=True)
        if hours.size:
            yield block, Owned(hours, count / 60.0)
        else:
            notes.add(f"{name}: entry hidden by later ones, dropped", spell(block.start))
