"""Commands that bring the record in and out as files, write packets, and let old entries go."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from stormplan.cli.record.adding import announce_new, record_of
from stormplan.cli.record.options import (
    OUT,
    ArchiveOption,
    DayArgument,
    OutOption,
    RulesOption,
    SiteArgument,
    archive_path,
    parse_day,
)
from stormplan.cli.sites_option import SitesOption
from stormplan.errors import InputError

#: Forms of a file that is brought in, by its ending.
IMPORT_FORMS: dict[str, Literal["csv", "jsonl"]] = {".csv": "csv", ".jsonl": "jsonl"}


def import_entries(
    file: Annotated[Path, typer.Argument(help="FILE.csv as exported, or FILE.jsonl.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
) -> None:
    """Add the entries of a file, all or none; a second time adds nothing.

    Columns of a table are those of `record export`; rate, salt_rate, sand_rate, share, depth,
    pavement_temp, volume, salt, strength and temp are written with their unit.
    """
    from stormplan.cli.planning_commands import parse_moment
    from stormplan.company import sites_file
    from stormplan.record.entries import write_entry
    from stormplan.record.record_import import read_import
    from stormplan.store.archive import Archive
    from stormplan.store.record_log import RecordLog

    form = IMPORT_FORMS.get(file.suffix.lower())
    if form is None:
        raise InputError(f"{file}: accepted: a name that ends in .csv or .jsonl")
    path = announce_new(archive_path(out, archive))
    checked, now = sites_file.load_sites(sites), parse_moment(None)
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file} cannot be read ({error})") from error
    known = record_of(path) if path.exists() else []
    found = read_import(text, form, str(file), checked, known, now)
    if found.problems:
        raise InputError("\n".join([*found.problems, "nothing was added"]))
    with Archive(path) as kept:
        added = RecordLog(kept).add([(one.id, write_entry(one)) for one in found.new], now)
    print(f"{added} added, {found.known_count} there already")


def export_record(
    file: Annotated[Path, typer.Argument(help="FILE.csv, FILE.jsonl or FILE.xlsx.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
) -> None:
    """Write the whole record for spreadsheets and other programs, in local time with offset."""
    from stormplan.company import sites_file
    from stormplan.words import record_export

    checked, record = sites_file.load_sites(sites), record_of(archive_path(out, archive))
    match file.suffix.lower():
        case ".csv":
            content = record_export.entries_csv(record, checked).encode()
        case ".jsonl":
            content = record_export.entries_jsonl(record, checked).encode()
        case ".xlsx":
            content = record_export.entries_workbook(record, checked)
        case _:
            raise InputError(f"{file}: accepted: a name that ends in .csv, .jsonl or .xlsx")
    try:
        file.write_bytes(content)
    except OSError as error:
        raise InputError(f"cannot write {file}: {error.strerror}") from error
    print(f"{len(record)} entries: {file}")


def write_day_packet(
    site: SiteArgument,
    day: DayArgument,
    sites: SitesOption,
    to: Annotated[Path | None, typer.Option("--to", help="Folder; default OUT/packets.")] = None,
    rules: RulesOption = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
) -> None:
    """Write one folder for a claim or a client: forecast, plan, entries, hashes, chain.

    No legal advice: what the law asks for is for counsel to say.
    """
    from stormplan.company import sites_file
    from stormplan.record.completeness import rule_set
    from stormplan.service.record_packet import day_of_site, write_packet
    from stormplan.store.archive import Archive

    checked = sites_file.load_sites(sites)
    is_asked = rules is not None or checked.record_rules is not None
    asked, path = rule_set(rules, checked) if is_asked else None, archive_path(out, archive)
    record = record_of(path)
    folder = to or out / "packets" / f"{site}-{parse_day(day)}"
    with Archive(path) as kept:
        found = day_of_site(checked, kept, record, site, parse_day(day))
        paths = write_packet(checked, kept, record, found, asked, folder, sites.parent)
    print(f"{len(found.entries)} entries: {', '.join(map(str, paths))}")


def prune_record(sites: SitesOption, out: OutOption = OUT, archive: ArchiveOption = None) -> None:
    """Let old entries go, by the rule record_retention; nothing younger can be pruned.

    The chain still verifies. Photos that only they show go, too. Write the record out first: what
    went is nowhere else.
    """
    from datetime import datetime

    from stormplan.cli.planning_commands import parse_moment
    from stormplan.company import sites_file
    from stormplan.record.retention import kept_since, prunable_count
    from stormplan.store.archive import Archive
    from stormplan.store.photos import drop_photos, photo_folder
    from stormplan.store.record_log import RecordLog

    path = archive_path(out, archive)
    checked, now, record = sites_file.load_sites(sites), parse_moment(None), record_of(path)
    with Archive(path) as kept:
        log = RecordLog(kept)
        recorded_at = [datetime.fromisoformat(stamp) for _, stamp, _ in log.links()]
        count = prunable_count(record, recorded_at, checked, now)
        log.prune_first(count, now)
    kept_hashes = {photo.sha256 for one in record[count:] for photo in one.photos}
    gone = {photo.sha256 for one in record[:count] for photo in one.photos} - kept_hashes
    drop_photos(photo_folder(path), gone)
    print(f"{count} entries from before {kept_since(checked, now):%Y-%m-%d} removed")
