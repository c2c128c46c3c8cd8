"""The log of surface readings: one JSON line each, only ever added to.

A line is written in one piece under a lock, so that two crews may log at once and a pulled plug
costs at most the line being written.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from filelock import FileLock
from pydantic import ValidationError

from stormplan.errors import InputError
from stormplan.physics.bias_correction import PavementReading
from stormplan.record.entries import Entry, Reading, effective_entries

LOCK_TIMEOUT_S = 10


def append_reading(path: Path, reading: PavementReading) -> None:
    """Append a reading.

    Parameters
    ----------
    path : Path
        The log; made where there is none.
    reading : PavementReading
        What was read.

    Raises
    ------
    InputError
        The log cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with FileLock(f"{path}.lock", timeout=LOCK_TIMEOUT_S), path.open("ab+") as log:
            line_end = _missing_line_end(log.seek(0, os.SEEK_END), path)
            log.write(line_end + reading.model_dump_json().encode() + b"\n")
            log.flush()
            os.fsync(log.fileno())
    except OSError as error:  # a lock that is not freed in time is one too
        raise InputError(f"{path}: the log of readings cannot be written ({error})") from error


def _missing_line_end(size: int, path: Path) -> bytes:
    """Return the line end that an interrupted write left out, if any."""
    if size == 0:
        return b""
    with path.open("rb") as log:
        log.seek(-1, os.SEEK_END)
        return b"" if log.read(1) == b"\n" else b"\n"


def load_readings(
    path: Path, site: str | None = None, surface: str | None = None
) -> list[PavementReading]:
    """Read the log in order of time.

    Parameters
    ----------
    path : Path
        The log; one that is absent holds nothing.
    site, surface : str, optional
        Only these.

    Raises
    ------
    InputError
        A line that is no reading: file, line, and what is wrong with it.
    """
    if not path.exists():
        return []
    found = []
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: the log of readings cannot be read ({error})") from error
    for number, line in enumerate(lines, start=1):
        if line.strip():
            found.append(_parse_reading(line, f"{path}:{number}"))
    return sorted(
        (
            reading
            for reading in found
            if site in (None, reading.site) and surface in (None, reading.surface)
        ),
        key=lambda reading: reading.time,
    )


def readings_of_record(entries: Iterable[Entry]) -> list[PavementReading]:
    """Return the readings that are in the record, in order of time.

    Parameters
    ----------
    entries : iterable of Entry
        The record.

    Returns
    -------
    list of PavementReading
    """
    return [
        PavementReading(
            time=one.at, site=one.site, surface=one.surface,
            surface_c=one.pavement_temp_c, light=one.light,
        )
        for one in effective_entries(entries)
        if isinstance(one, Reading) and one.pavement_temp_c is not None
    ]  # fmt: skip


def _parse_reading(line: str, where: str) -> PavementReading:
    try:
        return PavementReading.model_validate_json(line)
    except ValidationError as error:
        first = error.errors()[0]
        part = ".".join(map(str, first["loc"])) or "the line"
        raise InputError(
            f"{where}: {part}: {first['msg']}; accepted: one reading as JSON with time, site, "
            "surface, surface_c and light (sun or shade)"
        ) from None
