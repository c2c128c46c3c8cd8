"""Values given for intervals, laid onto whole hours.

A forecast layer is a list of values, each for an interval of any length. ``read`` turns it into
blocks, dropping what is no value; ``step`` repeats a state over the hours it holds for;
``hours_of_blocks`` tells which hours, and what part of each, belong to which block of a total. A
later entry wins where two overlap. Time is counted in minutes from the start of the hour axis, so a
block may begin or end inside an hour. What was dropped or overlapped is said in ``Notes``.
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

from stormplan.arrays import Array

Value = TypeVar("Value")

_DURATION = re.compile(
    r"P(?:(?P<weeks>\d{1,4})W)?(?:(?P<days>\d{1,5})D)?"
    r"(?:T(?=\d)(?:(?P<hours>\d{1,6})H)?(?:(?P<minutes>\d{1,8})M)?(?:(?P<seconds>\d{1,9})S)?)?"
)


class Notes:
    """Collects what a reader should know, one line for each kind of finding."""

    def __init__(self) -> None:
        self._examples: dict[str, list[str]] = {}
        self._contradictions: list[str] = []

    def add(self, finding: str, example: str = "", *, is_contradiction: bool = False) -> None:
        """Add a finding; a repeated finding only raises its count.

        One that no weather can be is also kept apart: the forecast contradicts itself.
        """
        self._examples.setdefault(finding, []).append(example)
        if is_contradiction and finding not in self._contradictions:
            self._contradictions.append(finding)

    def contradictions(self) -> tuple[str, ...]:
        """Return each physically impossible finding."""
        return tuple(self._contradictions)

    def lines(self) -> tuple[str, ...]:
        """Return each finding once, with its count and first example."""
        lines = []
        for finding, examples in self._examples.items():
            times = f" ({len(examples)} times)" if len(examples) > 1 else ""
            first = "first: " if len(examples) > 1 else ""
            lines.append(finding + times + (f"; {first}{examples[0]}" if examples[0] else ""))
        return tuple(lines)


@dataclass(frozen=True)
class TimeBlock(Generic[Value]):
    """A value for the half-open interval from ``start`` to ``end``, aware UTC."""

    start: datetime
    end: datetime
    value: Value


@dataclass(frozen=True)
class HourAxis:
    """Whole hours from ``start``; turns moments into minutes and hours of the axis."""

    start: datetime
    n_hours: int

    def minute_index(self, moment: datetime) -> int:
        """Minutes from the start of the axis, cut to its ends."""
        return min(max(round((moment - self.start) / timedelta(minutes=1)), 0), 60 * self.n_hours)

    def hour_index(self, moment: datetime) -> int:
        """Index of the hour a moment is in; may lie outside the axis."""
        return math.floor((moment - self.start) / timedelta(hours=1))

    def hour_start(self, hour: int) -> datetime:
        """Start of an hour of the axis."""
        return self.start + timedelta(hours=hour)


def format_utc(moment: datetime) -> str:
    """Return a moment as ``YYYY-MM-DD HH:MMZ``."""
    return f"{moment:%Y-%m-%d %H:%M}Z"


def parse_duration(text: str) -> timedelta | None:
    """Read an ISO 8601 duration of weeks, days and clock time; None if it is none.

    Years and months have no fixed length and are not accepted.
    """
    match = _DURATION.fullmatch(text)
    if match is None:
        return None
    parts = {name: int(digits) for name, digits in match.groupdict().items() if digits}
    return timedelta(**parts) if parts else None


def parse_utc(text: object) -> datetime | None:
    """Read an ISO 8601 date and time with its offset as UTC; None if it is none."""
    if not isinstance(text, str):
        return None
    try:
        moment = datetime.fromisoformat(text)
        return moment.astimezone(UTC) if moment.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None


def parse_interval(text: object) -> tuple[datetime, datetime] | None:
    """Read an ISO 8601 interval ``start/duration`` or ``start/end``; None if it is none.

    An interval without length is none either.
    """
    if not isinstance(text, str) or text.count("/") != 1:
        return None
    start_text, end_text = text.split("/")
    start = parse_utc(start_text)
    if start is None:
        return None
    length = parse_duration(end_text)
    try:
        end = start + length if length is not None else parse_utc(end_text)
    except OverflowError:
        return None
    return (start, end) if end is not None and end > start else None


def finite_or_none(value: object) -> float | None:
    """Return a finite number, or None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:
        return None


def valid_coordinates(latitude: object, longitude: object) -> tuple[float, float] | None:
    """Return valid latitude and longitude [°], or None."""
    north, east = finite_or_none(latitude), finite_or_none(longitude)
    if north is None or east is None or abs(north) > 90.0 or abs(east) > 180.0:
        return None
    return north, east


def valid_elevation_m(value: object) -> float | None:
    """Return an elevation possible on land [m], or None."""
    meters = finite_or_none(value)
    return meters if meters is not None and -500.0 < meters < 9000.0 else None


def parse_layer(
    name: str, entries: object, window: tuple[datetime, datetime], notes: Notes
) -> list[TimeBlock[object]]:
    """Read the entries of a layer in order of their start.

    Parameters
    ----------
    name : str
        The layer, for the notes.
    entries : object
        A list of ``{"validTime": ..., "value": ...}`` as it came.
    window : (datetime, datetime)
        Entries that reach outside are dropped.
    notes : Notes
        Told about every entry that is dropped.

    Returns
    -------
    list of TimeBlock
        Entries with equal start stay in their order, so that the later one wins.
    """
    blocks: list[TimeBlock[object]] = []
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        notes.add(f"{name}: not a list of values, taken as unknown")
        return blocks
    for entry in entries:
        times = parse_interval(entry.get("validTime")) if isinstance(entry, Mapping) else None
        if times is None:
            notes.add(f"{name}: entry without a readable time, dropped", f"{entry!s:.60}")
        elif times[0] < window[0] or times[1] > window[1]:
            notes.add(f"{name}: entry far outside the forecast, dropped", format_utc(times[0]))
        else:
            blocks.append(TimeBlock(*times, entry.get("value")))
    return sorted(blocks, key=lambda block: block.start)


@dataclass(frozen=True)
class BlockHours:
    """The hours a block has for itself: their indices, and the part of each hour [-]."""

    hours: NDArray[np.int64]
    hour_fracs: Array = field(repr=False)


def _block_by_minute(
    blocks: Sequence[TimeBlock[Value]], axis: HourAxis
) -> tuple[NDArray[np.int64], bool]:
    """Index of the block each minute belongs to (-1: none), and whether any overlapped."""
    owner = np.full(60 * axis.n_hours, -1, dtype=np.int64)
    overlap = False
    for index, block in enumerate(blocks):
        minutes = slice(axis.minute_index(block.start), axis.minute_index(block.end))
        overlap = overlap or bool((owner[minutes] >= 0).any())
        owner[minutes] = index
    return owner, overlap


def repeat_over_hours(
    name: str, blocks: Sequence[TimeBlock[float]], axis: HourAxis, notes: Notes
) -> Array:
    """Repeat each value over the hours that start inside its interval.

    Returns
    -------
    array (hour,)
        NaN in hours that no block covers, in the unit of the blocks.
    """
    owner, overlap = _block_by_minute(blocks, axis)
    if overlap:
        notes.add(f"{name}: entries overlap, the later one used")
    values = np.array([block.value for block in blocks] + [np.nan])
    return np.asarray(values[owner[::60]])


def hours_of_blocks(
    name: str, blocks: Sequence[TimeBlock[float]], axis: HourAxis, notes: Notes
) -> Iterator[tuple[TimeBlock[float], BlockHours]]:
    """Yield each block of a layer of totals with the hours it owns.

    A block that another one hides entirely is dropped with a note; one that is partly hidden
    keeps its total in the hours left to it.
    """
    owner, overlap = _block_by_minute(blocks, axis)
    if overlap:
        notes.add(f"{name}: entries overlap, the later one used")
    for index, block in enumerate(blocks):
        first = axis.minute_index(block.start)
        minutes = first + np.flatnonzero(owner[first : axis.minute_index(block.end)] == index)
        hours, count = np.unique(minutes // 60, return_counts=True)
        if hours.size:
            yield block, BlockHours(hours, count / 60.0)
        else:
            notes.add(f"{name}: entry hidden by later ones, dropped", format_utc(block.start))
