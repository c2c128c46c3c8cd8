"""The record for other programs: a table and JSON lines, in local time with its offset."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Mapping
from importlib import import_module
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.record.entries import Entry, effective_entries, write_entry
from stormplan.units import UnitFormatter
from stormplan.words.entry_text import entry_text
from stormplan.words.exports import csv_text, escape_formula

if TYPE_CHECKING:
    from types import ModuleType

#: Columns beside what each kind has of its own.
COMMON = ("id", "kind", "at", "counts", "site", "surface", "yard", "by", "note", "text")


def export_rows(entries: Iterable[Entry], sites: Sites) -> tuple[list[str], list[list[object]]]:
    """Return the record as a table: heading and rows, one row an entry.

    Parameters
    ----------
    entries : iterable of Entry
        The record, voids and what they void included.
    sites : Sites
        The sites file, for units and zones.

    Returns
    -------
    list of str, list of list
        Columns in SI with the unit in their name; ``text`` says the same in the company's units.
    """
    known = list(entries)
    counting = {one.id for one in effective_entries(known)}
    fmt = UnitFormatter(sites.company.units)
    documents = [json.loads(write_entry(one)) for one in known]
    own = dict.fromkeys(key for told in documents for key in told if key not in COMMON)
    rows = []
    for entry, told in zip(known, documents, strict=True):
        told |= {
            "at": entry.at.astimezone(_zone(told, sites)).isoformat(),
            "counts": "yes" if entry.id in counting else "no",
            "text": entry_text(entry, fmt),
        }
        rows.append([_plain(told.get(key)) for key in (*COMMON, *own)])
    return [*COMMON, *own], rows


def _zone(told: Mapping[str, Any], sites: Sites) -> ZoneInfo:
    site = sites.sites.get(told.get("site", ""))
    return ZoneInfo(sites.company.timezone) if site is None else sites.zone(site)


def _plain(value: object) -> object:
    return json.dumps(value) if isinstance(value, list | dict) else value


def entries_csv(entries: Iterable[Entry], sites: Sites) -> str:
    """Write the record as CSV; no cell runs as a formula."""
    heading, rows = export_rows(entries, sites)
    return csv_text(heading, rows)


def entries_jsonl(entries: Iterable[Entry], sites: Sites) -> str:
    """Write the record as JSON lines that ``record import`` reads, in local time."""
    lines = []
    for entry in entries:
        told = json.loads(write_entry(entry))
        local = entry.at.astimezone(_zone(told, sites))
        lines.append(json.dumps({**told, "at": local.isoformat()}, ensure_ascii=False))
    return "".join(f"{line}\n" for line in lines)


def entries_workbook(entries: Iterable[Entry], sites: Sites) -> bytes:
    """Write the record as a workbook; texts are texts, whatever they begin with.

    Raises
    ------
    InputError
        The extra ``workbook`` is not installed.
    """
    xlsxwriter = _xlsxwriter()
    heading, rows = export_rows(entries, sites)
    out = io.BytesIO()
    options = {"strings_to_formulas": False, "strings_to_urls": False, "in_memory": True}
    with xlsxwriter.Workbook(out, options) as book:
        sheet = book.add_worksheet("record")
        bold = book.add_format({"bold": True})
        for column, name in enumerate(heading):
            sheet.write_string(0, column, name, bold)
        for number, row in enumerate(rows, start=1):
            for column, value in enumerate(row):
                if isinstance(value, int | float) and not isinstance(value, bool):
                    sheet.write_number(number, column, value)
                elif value is not None:
                    sheet.write_string(number, column, escape_formula(str(value)))
        sheet.freeze_panes(1, 0)
        sheet.autofilter(0, 0, max(len(rows), 1), len(heading) - 1)
    return out.getvalue()


def _xlsxwriter() -> ModuleType:
    try:
        return import_module("xlsxwriter")
    except ImportError as error:
        raise InputError("a workbook needs the extra: pip install 'stormplan[workbook]'") from error
