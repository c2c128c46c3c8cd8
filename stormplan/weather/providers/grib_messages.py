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
from mmap import mmap

START_MARK, END_MARK = b"GRIB", b"7777"
INDICATOR_BYTES = 16  # section 0
EDITION = 2
REFERENCE_TIME, REFERENCE_TIME_END = 12, 19  # of section 1: year in two bytes, then to the second
UNIT_HOUR = 1  # Code table 4.4
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
    content: bytes | mmap,
    problems: list[str],
    wanted: frozenset[tuple[int, int, int]] | None = None,
) -> Iterator[GribField]:
    """Yield the fields of a file, or of a part of one.

    Parameters
    ----------
    content : bytes or mmap
        The file.
    problems : list of str
        Told of every message that is damaged, with its place.
    wanted : frozenset of (int, int, int), optional
        Parameters that are wanted; all if not given [-].
    """
    for place, end in _messages(content, problems):
        try:
            yield from _split(bytes(content[place:end]), wanted)
        except ValueError as error:
            problems.append(f"message at byte {place}: {error}, passed over")


def cycles_in(content: bytes | mmap, problems: list[str]) -> dict[datetime, int]:
    """Return the reference times in a file, and the last hour of each, by the heads of messages.

    Parameters
    ----------
    content : bytes or mmap
        The file.
    problems : list of str
        Told of every message that is damaged, with its place.

    Returns
    -------
    dict of int
        By reference time, aware UTC; 0 where the times are not in hours [h].
    """
    found: dict[datetime, int] = {}
    for place, end in _messages(content, problems):
        try:
            cycle, hour = _reference_and_hour(content, place + INDICATOR_BYTES, end)
        except (ValueError, IndexError) as error:
            problems.append(f"message at byte {place}: {error}, passed over")
        else:
            found[cycle] = max(found.get(cycle, 0), hour)
    return found


def _reference_and_hour(content: bytes | mmap, place: int, end: int) -> tuple[datetime, int]:
    """Return the reference time and forecast time of a message's first field."""
    cycle = _reference_time(bytes(content[place : place + REFERENCE_TIME_END]))
    while place < end and content[place + 4] != 4:
        length = int.from_bytes(content[place : place + 4])
        if length < 5:
            raise ValueError("has a section that leads nowhere")
        place += length
    unit, time = content[place + 17], int.from_bytes(content[place + 18 : place + 22])
    return cycle, time if unit == UNIT_HOUR else 0


def _messages(content: bytes | mmap, problems: list[str]) -> Iterator[tuple[int, int]]:
    """Yield begin and end of every whole message."""
    place = content.find(START_MARK)
    if place < 0:
        problems.append("holds no GRIB message")
    while place >= 0:
        head = bytes(content[place : place + INDICATOR_BYTES])
        length = int.from_bytes(head[8:16]) if len(head) == INDICATOR_BYTES else 0
        end = place + length
        reason = _damage(content, head, end)
        if reason:
            problems.append(f"message at byte {place}: {reason}, passed over")
            end = place + len(START_MARK)
        else:
            yield place, end
        place = content.find(START_MARK, end)


def _damage(content: bytes | mmap, head: bytes, end: int) -> str:
    """Return what is wrong with a message as a whole; empty if nothing is."""
    if len(head) < INDICATOR_BYTES or end > len(content):
        return "ends early"
    if head[7] != EDITION:
        return f"is of GRIB edition {head[7]}, not {EDITION}"
    if content[end - len(END_MARK) : end] != END_MARK:
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
