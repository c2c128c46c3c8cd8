"""Where gridded files come from: a folder, or a server that gives parts of them.

Both give the fields of one cycle, file by file, as values at the places asked for. From a server
only the messages that are needed are asked for, by the index beside each file. A file that is
damaged or missing is named, and the rest is used.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from threading import Event
from typing import BinaryIO, Protocol

import numpy as np

from stormplan.errors import ForecastError
from stormplan.weather.http_client import Fetcher, FetchError, ServiceTerms
from stormplan.weather.providers.grib_fields import FieldValues, NearestPoints, PointReader
from stormplan.weather.providers.grib_index import IndexLine, byte_ranges, parse_index
from stormplan.weather.providers.grib_messages import cycles_in, read_fields
from stormplan.weather.providers.grid_models import GridModel

SUFFIXES = frozenset({".grib2", ".grb2", ".grib", ".grb"})
MAX_CYCLES_BACK = 8  # the newest long run of a model with one in six is among them
FILES_SIDE_BY_SIDE = 4
#: Object storage made for many readers; it names no limit that this comes near.
TERMS = ServiceTerms(accept="*/*", min_interval_s=0.1)
NOT_FOUND = frozenset({403, 404})  # storage that may not be listed answers 403 for no file


@dataclass
class CycleReading:
    """What the files of one cycle say at some places.

    Attributes
    ----------
    cycle : datetime
        The run, aware UTC.
    until : datetime
        How far ahead was asked for, aware UTC.
    fields : dict of list of FieldValues
        By name, in the order they were read.
    points : NearestPoints or None
        Of the first grid that was read; None if none was.
    problems : list of str
        What could not be read, and why.
    """

    cycle: datetime
    until: datetime
    fields: dict[str, list[FieldValues]] = field(default_factory=dict)
    points: NearestPoints | None = None
    problems: list[str] = field(default_factory=list)

    @property
    def reach(self) -> datetime:
        """End of the last hour with a temperature; the cycle itself if there is none."""
        off_grid = self.points is not None and not self.points.inside.any()
        known = [
            one.end_h + 1
            for one in self.fields.get("air_temp_c", ())
            if off_grid or np.isfinite(one.values).any()
        ]
        return self.cycle + timedelta(hours=max(known, default=0))

    def add(self, part: FilePart) -> None:
        """Add what one file said."""
        for one in part.values:
            self.fields.setdefault(one.name, []).append(one)
        self.points = self.points or part.points
        self.problems.extend(part.problems)


@dataclass
class FilePart:
    """What one file says at the places: values, points of its first grid, problems."""

    values: list[FieldValues] = field(default_factory=list)
    points: NearestPoints | None = None
    problems: list[str] = field(default_factory=list)


class GridFiles(Protocol):
    """Files of one model."""

    def cycles(self, now: datetime) -> Iterator[datetime]:
        """Yield the cycles there may be for a moment, newest first, aware UTC."""

    def length_h(self, cycle: datetime) -> int:
        """Return how far ahead a cycle may reach at most [h]."""

    def read(
        self, cycle: datetime, begin: datetime, until: datetime, reader: PointReader
    ) -> CycleReading | None:
        """Read the files of a cycle that tell of a period; None where it has none (yet)."""


def read_file(
    name: str,
    file: BinaryIO,
    cycle: datetime,
    reader: PointReader,
    parameters: frozenset[tuple[int, int, int]],
) -> FilePart:
    """Read the fields of a file that are used.

    Parameters
    ----------
    name : str
        Of the file, for problems.
    file : binary file
        All of it, or a part that begins with a message.
    cycle : datetime
        Fields of other cycles are passed over, aware UTC.
    reader : PointReader
        Knows the places and the fields.
    parameters : frozenset of (int, int, int)
        Of the fields [-].
    """
    part = FilePart()
    damage: list[str] = []
    for message in read_fields(file, damage, parameters):
        if message.cycle != cycle:
            continue
        try:
            values = reader.read(message)
            if values is not None:
                part.points = part.points or reader.nearest(message)
                part.values.append(values)
        except ForecastError as error:
            damage.append(f"{error}, passed over")
    part.problems = [f"{name}: {one}" for one in damage]
    return part


class FolderFiles:
    """Gridded files in a folder and the folders inside it, under any name with a GRIB ending.

    Parameters
    ----------
    folder : Path
        Where they are.
    model : GridModel
        What is used of them.
    """

    def __init__(self, folder: Path, model: GridModel) -> None:
        self._model = model
        self._folder = folder
        self._files: list[tuple[Path, dict[datetime, int]]] = []
        self._unreadable: list[str] = []
        self._is_listed = False

    def cycles(self, now: datetime) -> Iterator[datetime]:
        """Yield the cycles in the folder up to a moment, newest first."""
        self._list()
        cycles = {cycle for _, of_file in self._files for cycle in of_file}
        yield from sorted((cycle for cycle in cycles if cycle <= now), reverse=True)

    def length_h(self, cycle: datetime) -> int:
        """Return how far ahead the files of a cycle reach [h]."""
        return max((cycles[cycle] for _, cycles in self._files if cycle in cycles), default=0)

    def read(
        self,
        cycle: datetime,
        begin: datetime,  # noqa: ARG002  (what is there already is read)
        until: datetime,
        reader: PointReader,
    ) -> CycleReading | None:
        """Read all files of a cycle."""
        reading = CycleReading(cycle, until, problems=list(self._unreadable))
        for path, cycles in self._files:
            if cycle not in cycles:
                continue
            try:
                with path.open("rb") as file:
                    reading.add(read_file(path.name, file, cycle, reader, self._model.parameters))
            except OSError as error:
                reading.problems.append(f"{path.name}: cannot be read ({error})")
        return reading

    def _list(self) -> None:
        """Find the files and their cycles, once."""
        if self._is_listed:
            return
        self._is_listed = True
        if not self._folder.is_dir():
            raise ForecastError(f"{self._model.key}: {self._folder} is not a folder")
        for path in sorted(self._folder.rglob("*")):
            if path.suffix.lower() not in SUFFIXES or not path.is_file():
                continue
            damage: list[str] = []
            try:
                with path.open("rb") as file:
                    cycles = cycles_in(file, damage)
            except OSError as error:
                self._unreadable.append(f"{path.name}: cannot be read ({error})")
                continue
            if cycles:
                self._files.append((path, cycles))
            else:
                self._unreadable += [f"{path.name}: {one}" for one in damage]
        if not self._files:
            said = "".join(f"; {one}" for one in self._unreadable)
            raise ForecastError(
                f"{self._model.key}: no GRIB2 file that can be read in {self._folder} (accepted "
                f"endings: {', '.join(sorted(SUFFIXES))}){said}"
            )


class ServerFiles:
    """Gridded files on a server that gives parts of files, with an index beside each.

    Parameters
    ----------
    fetcher : Fetcher
        Asks.
    model : GridModel
        What the files are called, and what is used of them.
    base_url : str
        Where they are.
    """

    def __init__(self, fetcher: Fetcher, model: GridModel, base_url: str) -> None:
        self._fetcher = fetcher
        self._model = model
        self._base_url = base_url.rstrip("/")

    def cycles(self, now: datetime) -> Iterator[datetime]:
        """Yield the cycles there may be, newest first."""
        return self._model.cycles(now, MAX_CYCLES_BACK)

    def length_h(self, cycle: datetime) -> int:
        """Return how far ahead a cycle may reach [h]."""
        return self._model.length_h(cycle)

    def read(
        self, cycle: datetime, begin: datetime, until: datetime, reader: PointReader
    ) -> CycleReading | None:
        """Read the messages of a cycle that tell of a period.

        Raises
        ------
        ForecastError
            The server does not answer.
        """
        steps = self._model.steps(cycle, begin, until)
        if not steps:
            return None
        try:
            first = self._index(cycle, steps[0])
        except FetchError as error:
            if error.status in NOT_FOUND:
                return None
            raise
        reading = CycleReading(cycle, until)
        not_published = Event()  # files come in the order of their hours

        def read_step(step: int) -> FilePart:
            if not_published.is_set():
                return FilePart()
            is_first = step == steps[0]
            try:
                lines = first if is_first else self._index(cycle, step)
                return self._read_file(cycle, step, lines, reader, is_first=is_first)
            except FetchError as error:
                if error.status not in NOT_FOUND:
                    return FilePart(problems=[str(error)])
                if self._model.is_certain(cycle, step):
                    not_published.set()
                return FilePart()
            except ForecastError as error:
                return FilePart(problems=[f"{self._name(cycle, step)}: {error}"])

        with ThreadPoolExecutor(FILES_SIDE_BY_SIDE) as pool:
            for part in pool.map(read_step, steps):
                reading.add(part)
        return reading

    def _name(self, cycle: datetime, step: int) -> str:
        return self._model.path(cycle, step).rpartition("/")[2]

    def _url(self, cycle: datetime, step: int) -> str:
        return f"{self._base_url}/{self._model.path(cycle, step)}"

    def _index(self, cycle: datetime, step: int) -> list[IndexLine]:
        content = self._fetcher.get_file(f"{self._url(cycle, step)}.idx", terms=TERMS)
        return parse_index(content.decode("ascii", "replace"))

    def _read_file(
        self,
        cycle: datetime,
        step: int,
        lines: list[IndexLine],
        reader: PointReader,
        *,
        is_first: bool,
    ) -> FilePart:
        """Get and read the messages of one file that are needed."""
        whole = FilePart()

        def is_needed(line: IndexLine) -> bool:
            return self._model.needs(lines, line, is_first=is_first)

        for span in byte_ranges(lines, is_needed):
            try:
                content = self._fetcher.get_file(self._url(cycle, step), span, terms=TERMS)
            except FetchError as error:
                whole.problems.append(f"{self._name(cycle, step)}: {error}")
                continue
            part = read_file(
                self._name(cycle, step),
                io.BytesIO(content),
                cycle,
                reader,
                self._model.parameters,
            )
            if not part.values and not part.problems:
                part.problems.append(f"{self._name(cycle, step)}: not what its index says")
            whole.values += part.values
            whole.points = whole.points or part.points
            whole.problems += part.problems
        whole.problems = list(dict.fromkeys(whole.problems))
        return whole
