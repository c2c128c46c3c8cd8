"""GRIB2 files taken apart into fields: what is whole is used, what is damaged is named.

Bytes alone, by the sections of WMO Manual on Codes, No. 306, Volume I.2, FM 92 GRIB edition 2; what
a field means is read elsewhere (``grib_fields``). A message that ends early, or whose length does
not lead to its end mark, is passed over, and the next one is looked for. A message of several
fields, which repeats its sections, gives each of them as a message of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from os import SEEK_END
from typing import BinaryIO

START_MARK, END_MARK = b"GRIB", b"7777"
INDICATOR_BYTES = 16  # section 0
EDITION = 2
REFERENCE_TIME, REFERENCE_TIME_END = 12, 19  # of section 1: year in two bytes, then to the second
UNIT_HOUR = 1  # Code table 4.4
FORECAST_TIME_END = 22  # of section 4: the unit in the byte before the time's four
SEARCH_BYTES = 65_536
BITMAP_OF_BEFORE = 254  # the bitmap of the field before it, of the same message


@dataclass(frozen=True)
class GribField:
    """One field of a GRIB2 file.

    Attributes
    ----------
    message : bytes
        The field as a message of its own.
    parameter : (int, int, int)
        Discipline, category and number: Code tables 0.0, 4.1 and 4.2 [-].
    cycle : datetime
        Reference time: the run of the model it is from, aware UTC.
    grid : bytes
        Section 3; equal bytes mean equal grids.
    """

    message: bytes
    parameter: tuple[int, int, int]
    cycle: datetime
    grid: bytes


def read_fields(
    file: BinaryIO, problems: list[str], wanted: frozenset[tuple[int, int, int]] | None = None
) -> Iterator[GribField]:
    """Yield the fields of a file, or of a part of one.

    Parameters
    ----------
    file : binary file
        Open for reading; it may change its length meanwhile.
    problems : list of str
        Told of every message that is damaged, with its place.
    wanted : frozenset of (int, int, int), optional
        Parameters that are wanted; all if not given [-].
    """
    for place, end in _messages(file, problems):
        try:
            yield from _split(_part(file, place, end), wanted)
        except ValueError as error:
            problems.append(f"message at byte {place}: {error}, passed over")


def cycles_in(file: BinaryIO, problems: list[str]) -> dict[datetime, int]:
    """Return the reference times in a file, and the last hour of each, by the heads of messages.

    Parameters
    ----------
    file : binary file
        Open for reading; it may change its length meanwhile.
    problems : list of str
        Told of every message that is damaged, with its place.

    Returns
    -------
    dict of int
        By reference time, aware UTC; 0 where the times are not in hours [h].
    """
    found: dict[datetime, int] = {}
    for place, end in _messages(file, problems):
        try:
            cycle, hour = _reference_and_hour(file, place + INDICATOR_BYTES, end)
        except ValueError as error:
            problems.append(f"message at byte {place}: {error}, passed over")
        else:
            found[cycle] = max(found.get(cycle, 0), hour)
    return found


def _part(file: BinaryIO, first: int, end: int) -> bytes:
    """Return some bytes of a file; fewer where it ends before."""
    file.seek(first)
    return file.read(max(end - first, 0))


def _find(file: BinaryIO, mark: bytes, place: int) -> int:
    """Return where a mark stands next; -1 if nowhere."""
    while True:
        part = _part(file, place, place + SEARCH_BYTES)
        at = part.find(mark)
        if at >= 0:
            return place + at
        if len(part) < SEARCH_BYTES:
            return -1
        place += SEARCH_BYTES - len(mark) + 1


def _reference_and_hour(file: BinaryIO, place: int, end: int) -> tuple[datetime, int]:
    """Return the reference time and forecast time of a message's first field."""
    cycle = _reference_time(_part(file, place, place + REFERENCE_TIME_END))
    while place < end:
        head = _part(file, place, place + FORECAST_TIME_END)
        if len(head) < FORECAST_TIME_END or int.from_bytes(head[:4]) < 5:
            break
        if head[4] == 4:
            time = int.from_bytes(head[FORECAST_TIME_END - 4 :])
            return cycle, time if head[FORECAST_TIME_END - 5] == UNIT_HOUR else 0
        place += int.from_bytes(head[:4])
    raise ValueError("has a section that leads nowhere")


def _messages(file: BinaryIO, problems: list[str]) -> Iterator[tuple[int, int]]:
    """Yield begin and end of every whole message."""
    place = _find(file, START_MARK, 0)
    end = 0
    if place < 0:
        problems.append("holds no GRIB message")
    while place >= 0:
        head = _part(file, place, place + INDICATOR_BYTES)
        length = int.from_bytes(head[8:16]) if len(head) == INDICATOR_BYTES else 0
        end = place + length
        reason = _damage(file, head, end)
        if reason:
            problems.append(f"message at byte {place}: {reason}, passed over")
            end = place + len(START_MARK)
        else:
            yield place, end
        place = _find(file, START_MARK, end)
    if end > file.seek(0, SEEK_END):
        problems.append("became shorter while it was read")


def _damage(file: BinaryIO, head: bytes, end: int) -> str:
    """Return what is wrong with a message as a whole; empty if nothing is."""
    if len(head) < INDICATOR_BYTES or end > file.seek(0, SEEK_END):
        return "ends early"
    if head[7] != EDITION:
        return f"is of GRIB edition {head[7]}, not {EDITION}"
    if _part(file, end - len(END_MARK), end) != END_MARK:
        return "has no end mark where its length leads"
    return ""


def _sections(message: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield number and bytes of each section of a message, between indicator and end mark."""
    place, last = INDICATOR_BYTES, len(message) - len(END_MARK)
    while place < last:
        length = int.from_bytes(message[place : place + 4])
        if length < 5 or place + length > last:
            raise ValueError("has a section that leads nowhere")
        yield message[place + 4], message[place : place + length]
        place += length


def _split(message: bytes, wanted: frozenset[tuple[int, int, int]] | None) -> Iterator[GribField]:
    """Yield each field of a whole message that is wanted."""
    sections: dict[int, bytes] = {}
    bitmap = b""
    for number, section in _sections(message):
        sections[number] = section
        if number == 6 and section[5] != BITMAP_OF_BEFORE:
            bitmap = section
        if number != 7:
            continue
        if not {1, 3, 4, 5, 6} <= sections.keys():
            raise ValueError("lacks a section")
        parameter = message[6], sections[4][9], sections[4][10]
        if wanted is None or parameter in wanted:
            sections[6] = bitmap or sections[6]
            yield GribField(
                _joined(message, [sections[key] for key in sorted(sections)]),
                parameter,
                _reference_time(sections[1]),
                sections[3],
            )
    if 7 not in sections:
        raise ValueError("holds no data")


def _joined(message: bytes, sections: list[bytes]) -> bytes:
    body = b"".join(sections)
    length = INDICATOR_BYTES + len(body) + len(END_MARK)
    return message[:8] + length.to_bytes(8) + body + END_MARK


def _reference_time(section: bytes) -> datetime:
    year = int.from_bytes(section[REFERENCE_TIME : REFERENCE_TIME + 2])
    rest = section[REFERENCE_TIME + 2 : REFERENCE_TIME_END]
    try:
        month, day, hour, minute, second = rest
        return datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError as error:
        raise ValueError("has no readable reference time") from error
