"""Entries from a file: JSON lines, or a table with a heading; all that is wrong, by line.

A table has the columns of ``record export`` in SI, or some of them written with their unit, like
``rate`` with ``0.5 gal/1000 ft2``. Where it has no ids, each follows from what its row says, so
that the same table brought in twice adds nothing the second time.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Literal, NamedTuple

from stormplan import units
from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.record.checks import check_entry, check_reference
from stormplan.record.entries import Entry, make_entry, parse_entry

#: Columns that are written with their unit: the field, its kind of quantity, and a factor.
UNIT_COLUMNS: Mapping[str, tuple[str, str, float]] = {
    "rate": ("rate_l_m2", "liquid rate", 1.0),
    "salt_rate": ("salt_kg_m2", "solid rate", 1.0),
    "sand_rate": ("sand_kg_m2", "solid rate", 1.0),
    "share": ("additive_frac", "percentage", 1.0),
    "depth": ("depth_cm", "length", 100.0),
    "pavement_temp": ("pavement_temp_c", "temperature", 1.0),
    "volume": ("volume_l", "volume", 1.0),
    "salt": ("salt_kg", "mass", 1.0),
    "strength": ("strength_frac", "percentage", 1.0),
    "temp": ("temp_c", "temperature", 1.0),
}
#: What an export says for readers only.
FOR_READERS = ("text", "counts")
#: Columns that hold several values, as JSON.
WITH_PARTS = ("photos", "parts", "nozzle_flows_l_h")


class ImportedRecord(NamedTuple):
    """What a file holds.

    Attributes
    ----------
    new : list of Entry
        Those that the record does not have.
    known_count : int
        How many it has already [-].
    problems : list of str
        All that is wrong, each with its line; where there are any, nothing is to be added.
    """

    new: list[Entry]
    known_count: int
    problems: list[str]


def read_import(
    text: str,
    form: Literal["csv", "jsonl"],
    name: str,
    sites: Sites,
    record: Iterable[Entry],
    now: datetime,
) -> ImportedRecord:
    """Read the entries of a file and check each.

    Parameters
    ----------
    text : str
        The file.
    form : str
        A table, or one entry as JSON on each line.
    name : str
        What the file is called in messages.
    sites : Sites
        The sites file.
    record : iterable of Entry
        What the record has already.
    now : datetime
        The present, aware.

    Returns
    -------
    ImportedRecord
    """
    known = {entry.id: entry for entry in record}
    found = ImportedRecord([], 0, [])
    known_count = 0
    for number, read in _rows(text) if form == "csv" else _lines(text):
        try:
            entry = read()
            check_entry(entry, sites, now)
            check_reference(entry, known.values())
            is_known = _is_known(entry, known)
        except InputError as error:
            found.problems.append(f"{name}:{number}: {error}")
            continue
        if is_known:
            known_count += 1
        else:
            known[entry.id] = entry
            found.new.append(entry)
    return found._replace(known_count=known_count)


class _JsonLine(NamedTuple):
    document: str

    def __call__(self) -> Entry:
        try:
            json.loads(self.document)
        except ValueError as error:
            raise InputError(f"no JSON: {error}") from None
        return parse_entry(self.document, "")


class _Row(NamedTuple):
    heading: tuple[str, ...]
    cells: tuple[str, ...]

    def __call__(self) -> Entry:
        if len(self.cells) > len(self.heading):
            raise InputError(f"{len(self.cells)} cells under {len(self.heading)} columns")
        given = {
            column: _without_apostrophe(cell.strip())
            for column, cell in zip(self.heading, self.cells, strict=False)
            if cell.strip() and column not in FOR_READERS
        }
        values: dict[str, object] = {"id": given.get("id") or _id_of(given)}
        for column, cell in given.items():
            if column in UNIT_COLUMNS:
                field, kind, factor = UNIT_COLUMNS[column]
                values[field] = factor * units.parse(cell, kind)
            else:
                values[column] = _parts(column, cell) if column in WITH_PARTS else cell
        return make_entry(values)


def _lines(text: str) -> Iterator[tuple[int, _JsonLine]]:
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip():
            yield number, _JsonLine(line)


def _rows(text: str) -> Iterator[tuple[int, _Row]]:
    first = text.partition("\n")[0]
    reader = csv.reader(
        io.StringIO(text), delimiter=";" if first.count(";") > first.count(",") else ","
    )
    heading: tuple[str, ...] = ()
    number = 1
    for cells in reader:
        if heading and any(cell.strip() for cell in cells):
            yield number, _Row(heading, tuple(cells))
        elif not heading:
            heading = tuple(cell.strip() for cell in cells)
        number = reader.line_num + 1


def _without_apostrophe(cell: str) -> str:
    """Return what stood in a cell before an export made it safe for spreadsheets."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] in ("=", "+", "-", "@") else cell


def _id_of(given: Mapping[str, str]) -> str:
    told = json.dumps(given, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(told.encode()).hexdigest()[:32]


def _parts(column: str, cell: str) -> object:
    try:
        return json.loads(cell)
    except ValueError:
        raise InputError(f"{column}: '{cell}' is not JSON") from None


def _is_known(entry: Entry, known: Mapping[str, Entry]) -> bool:
    """Return whether an entry is there already; one that says something else is refused."""
    other = known.get(entry.id)
    if other is not None and _told(entry) != _told(other):
        raise InputError(
            f"entry '{entry.id}' is in the record already and says something else; an entry is"
            " never changed: add a new one that corrects it"
        )
    return other is not None


def _told(entry: Entry) -> dict[str, object]:
    """Return what an entry says; a table does not keep where lines of a text end."""
    return {
        key: " ".join(value.split()) if isinstance(value, str) else value
        for key, value in entry.model_dump().items()
    }
