"""Commands that show the record: its entries, the stock, what is missing, whether it is whole."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.cli.record.adding import entry_line, record_documents, record_of
from stormplan.cli.record.options import (
    OUT,
    ArchiveOption,
    DayArgument,
    OutOption,
    RulesOption,
    SiteArgument,
    archive_path,
    parse_day,
    parse_local_moment,
)
from stormplan.cli.sites_option import SitesOption
from stormplan.errors import ExitCode, InputError

if TYPE_CHECKING:
    from stormplan.record.entries import Entry


def list_entries(
    site: Annotated[str | None, typer.Argument(help="Only this site, or this yard.")] = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON, one entry a line.")] = False,
) -> None:
    """List the record in the order it was written."""
    from stormplan.record.entries import Void, effective_entries, parse_entry

    documents = record_documents(archive_path(out, archive))
    entries = [parse_entry(document, f"entry {key}") for key, document in documents]
    counting = {entry.id for entry in effective_entries(entries)}
    of_site = {
        entry.id for entry in entries
        if site in (getattr(entry, "site", None), getattr(entry, "yard", None))
    }  # fmt: skip
    corrected = {entry.corrects for entry in entries}
    for entry, (_, document) in zip(entries, documents, strict=True):
        about = entry.voids if isinstance(entry, Void) else entry.id
        if site is not None and about not in of_site:
            continue
        mark = ""
        if not isinstance(entry, Void) and entry.id not in counting:
            mark = "; CORRECTED" if entry.id in corrected else "; VOID"
        print(document if as_json else entry_line(entry) + mark)


def show_stock(
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    until: Annotated[
        str | None, typer.Option("--at", help="As of when, like 2026-01-12T05:30-06:00.")
    ] = None,
) -> None:
    """Show what the yards hold by the record, book against measured, and loads against services."""
    from stormplan.company import sites_file
    from stormplan.record.checks import check_entry
    from stormplan.record.stock_ledger import stock_book
    from stormplan.words.stock_text import stock_lines

    checked = sites_file.load_sites(sites)
    entries = []
    for entry in record_of(archive_path(out, archive)):
        try:
            check_entry(entry, checked, parse_local_moment(None))
        except InputError as error:
            print(f"left out: {error}")
        else:
            entries.append(entry)
    for line in stock_lines(stock_book(checked, entries, parse_local_moment(until)), checked):
        print(line)


def show_missing(
    site: SiteArgument,
    day: DayArgument,
    sites: SitesOption,
    rules: RulesOption = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
) -> None:
    """Print what the record of a site's day still lacks by a rule set; exit code 3 if anything.

    No legal advice: what the law asks for is for counsel to say.
    """
    from stormplan.company import sites_file
    from stormplan.record.completeness import rule_set
    from stormplan.service.record_packet import day_missing, day_of_site
    from stormplan.store.archive import Archive

    checked = sites_file.load_sites(sites)
    asked, path = rule_set(rules, checked), archive_path(out, archive)
    record = record_of(path)
    with Archive(path) as kept:
        of_day = day_of_site(checked, kept, record, site, parse_day(day))
        found = day_missing(of_day, asked, record, checked)
    print(f"{asked.name} ({asked.source})")
    for one in found:
        print(f"missing: {one.item}" + (f", entry {one.entry}" if one.entry else ""))
    print("No legal advice; defer to counsel.")
    if found:
        raise typer.Exit(int(ExitCode.DEGRADED))
    print("nothing these rules ask for is missing")


def verify_record(out: OutOption = OUT, archive: ArchiveOption = None) -> None:
    """Check that no entry was changed, slipped in, or taken out before another; else exit code 3.

    Photos are checked against their hashes, too. Write the last link down: against it shows later
    that entries were taken off the end.
    """
    from stormplan.store.archive import Archive
    from stormplan.store.record_log import RecordLog

    path = archive_path(out, archive)
    record = record_of(path)
    with Archive(path) as kept:
        log = RecordLog(kept)
        broken, last = log.first_broken_link(), log.last_link()
    problems = [] if broken is None else [f"the chain breaks at entry {broken}"]
    if broken is None:
        print(f"the chain holds over {len(record)} entries; the last link is {last}")
    problems += _photo_problems(path, record)
    for one in problems:
        print(one)
    if problems:
        raise typer.Exit(int(ExitCode.DEGRADED))


def _photo_problems(archive: Path, record: list[Entry]) -> list[str]:
    from stormplan.store.photos import find_photo, photo_folder

    photos = {(one.sha256, one.name): entry.id for entry in record for one in entry.photos}
    folder = photo_folder(archive)
    problems = [
        f"photo {name} of entry {key} is not in {folder} as it was"
        for (sha256, name), key in photos.items()
        if find_photo(folder, sha256) is None
    ]
    if photos and not problems:
        print(f"all {len(photos)} photos are as they were")
    return problems
