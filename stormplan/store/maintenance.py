"""Keeping house in the archive: copy it, check it, write it out for others, let old replies go.

Everything here is safe while the planner runs. Only ``prune`` ever removes anything, only on
request, and never the newest good reply of an address, a plan or a delivery.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from stormplan.errors import ArchiveError, DamagedArchiveError, InputError
from stormplan.store.archive import (
    DAMAGED_ROW_ERRORS,
    IN_MEMORY,
    MIGRATIONS,
    Archive,
    decompress_plan,
    sortable_utc,
)
from stormplan.store.report_folders import atomic_replace

_TRIGGERS_QUERY = "SELECT name FROM sqlite_master WHERE type = 'trigger'"


def _tables(file: sqlite3.Connection) -> list[str]:
    found = file.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
    return [name for (name,) in found if not name.startswith("sqlite_")]


@dataclass(frozen=True)
class IntegrityReport:
    """Result of an integrity check: rows by table, and every problem found."""

    counts: dict[str, int]
    problems: tuple[str, ...]


def check_integrity(archive: Archive) -> IntegrityReport:
    """Check the file's structure, and that every reply and plan can be read.

    Parameters
    ----------
    archive : Archive
        The archive.

    Returns
    -------
    IntegrityReport
        No problems: nothing is damaged.
    """
    problems: list[str] = []
    with archive.connection() as file:
        problems += [row[0] for row in file.execute("PRAGMA integrity_check") if row[0] != "ok"]
        broken = list(file.execute("PRAGMA foreign_key_check"))
        problems += [f"{table} row {row}: points at nothing" for table, row, *_ in broken]
        counts = {
            table: int(file.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608
            for table in _tables(file)
        }
        problems += _unreadable(file)
        triggers = {row[0] for row in file.execute(_TRIGGERS_QUERY)}
        for table in counts:
            if not {f"{table}_UPDATE", f"{table}_DELETE"} <= triggers:
                problems.append(f"{table}: nothing keeps its rows from being changed or removed")
    return IntegrityReport(counts, tuple(problems))


def _unreadable(file: sqlite3.Connection) -> Iterator[str]:
    for key, url, good, body in file.execute("SELECT id, url, good, body FROM reply"):
        try:
            whole = zlib.decompress(body)
            if good and str(url).startswith("http"):  # what a service said; a file may be a table
                json.loads(whole)
        except (zlib.error, ValueError):
            yield f"reply {key}: cannot be read"
    for key, document in file.execute("SELECT id, document FROM plan"):
        try:
            decompress_plan(document)
        except DAMAGED_ROW_ERRORS:
            yield f"plan {key}: cannot be read"


def prune(archive: Archive, before: datetime) -> int:
    """Remove replies received before a moment, but never the newest good one of an address.

    Parameters
    ----------
    archive : Archive
        The archive.
    before : datetime
        Replies received since stay, aware.

    Returns
    -------
    int
        How many replies were removed. Plans, runs and deliveries all stay.
    """
    old = (
        "fetched_at < ? AND id NOT IN (SELECT id FROM (SELECT id, max(fetched_at) FROM reply "
        "WHERE good = 1 GROUP BY url))"
    )
    with archive.connection() as file:
        triggers = list(
            file.execute(
                "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' "
                "AND name IN ('reply_DELETE', 'confirmation_DELETE')"
            )
        )
        with archive.transaction():  # the guards are off for nobody else: it is one transaction
            for name, _ in triggers:
                file.execute(f"DROP TRIGGER {name}")
            file.execute(
                f"DELETE FROM confirmation WHERE reply IN (SELECT id FROM reply WHERE {old})",  # noqa: S608
                (sortable_utc(before),),
            )
            removed = file.execute(
                f"DELETE FROM reply WHERE {old}",  # noqa: S608
                (sortable_utc(before),),
            ).rowcount
            for _, statement in triggers:
                file.execute(statement)
        file.execute("VACUUM")
    return int(removed)


def export(archive: Archive, path: Path) -> Path:
    """Write the whole archive to a new file: a copy, or lines of JSON for other programs.

    Parameters
    ----------
    archive : Archive
        The archive; may be written to meanwhile.
    path : Path
        ``.sqlite`` for a copy, ``.jsonl`` for one JSON object a line.

    Returns
    -------
    Path
        The file, there only when complete.

    Raises
    ------
    InputError
        Another ending, or it cannot be written.
    """
    if path.suffix not in (".sqlite", ".jsonl"):
        raise InputError(f"{path} ends in '{path.suffix}'; accepted: .sqlite, .jsonl")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with atomic_replace(path) as beside:
            if path.suffix == ".sqlite":
                back_up(archive, beside)
            else:
                with beside.open("w", encoding="utf-8") as out:
                    out.writelines(f"{line}\n" for line in _lines(archive))
    except OSError as error:
        raise InputError(f"cannot write {path}: {error.strerror or error}") from error
    return path


def back_up(archive: Archive, path: Path) -> None:
    """Copy the archive as it stands at one moment, by the database's own means."""
    target = sqlite3.connect(path)
    try:
        with archive.connection() as file:
            file.backup(target)
    finally:
        target.close()


def _lines(archive: Archive) -> Iterator[str]:
    with archive.connection() as file:
        for table in _tables(file):
            rows = file.execute(f"SELECT * FROM {table}")  # noqa: S608
            names = [column[0] for column in rows.description]
            for row in rows:
                entry = dict(zip(names, row, strict=True))
                if table == "reply":
                    entry["body"] = zlib.decompress(entry["body"]).decode("utf-8", "replace")
                if table == "plan":
                    entry["document"] = _plan_data(decompress_plan(entry["document"]))
                yield json.dumps({"table": table} | entry, ensure_ascii=False)


def _plan_data(document: str) -> Any:
    """Return a plan as plain data; of very many sites a list, one item for each of its lines."""
    if "\n" in document and document.startswith('{"'):
        return [json.loads(line) for line in document.splitlines()]
    return json.loads(document)


def open_or_fall_back(
    path: Path, now: datetime, busy_timeout_s: float = 10.0, *, reads_pages: bool = True
) -> tuple[Archive, str | None]:
    """Open the archive; if it cannot be used, go on without losing it.

    Parameters
    ----------
    path : Path
        The file.
    now : datetime
        Names a damaged file that is moved aside, aware.
    busy_timeout_s : float
        How long to wait for another program [s].
    reads_pages : bool
        Read the whole file for damage; without it damage is found when the rows in it are read.

    Returns
    -------
    Archive
        The file; a new one where the old is damaged (and kept under another name); one in memory,
        with what could be read, where the file cannot be written.
    str or None
        What is wrong, for the headline; None if nothing is.
    """
    try:
        archive = Archive(path, busy_timeout_s)
        _check_usable(archive, reads_pages=reads_pages)
    except DamagedArchiveError as error:
        return _quarantine(path, now, str(error))
    except ArchiveError as error:
        return open_memory_copy(path), f"{error}; nothing learned this time will be remembered"
    return archive, None


def _columns(file: sqlite3.Connection) -> dict[str, tuple[str, ...]]:
    """Return the columns of every table."""
    return {
        table: tuple(row[1] for row in file.execute(f"PRAGMA table_info({table})"))
        for table in _tables(file)
    }


@lru_cache(maxsize=1)
def _expected_columns() -> dict[str, tuple[str, ...]]:
    with Archive(IN_MEMORY) as archive, archive.connection() as file:
        return _columns(file)


def _check_tables(archive: Archive) -> None:
    """Raise if a table or one of its columns is not there any more: what names it is damaged."""
    with archive.connection() as file:
        found = _columns(file)
    for table, columns in _expected_columns().items():
        missing = set(columns) - set(found.get(table, ()))
        if missing:
            names = ", ".join(sorted(missing))
            raise DamagedArchiveError(f"archive {archive.path}: {table} has no {names} any more")


def check_pages(archive: Archive) -> None:
    """Read all pages of an archive; raise ``DamagedArchiveError`` if one is damaged.

    Indexes that disagree with their tables are made anew: they hold nothing of their own.
    """
    if _found_damage(archive) == "ok":
        return
    with archive.connection() as file, contextlib.suppress(sqlite3.Error):
        file.execute("REINDEX")
    found = _found_damage(archive)
    if found != "ok":
        raise DamagedArchiveError(f"archive {archive.path}: is damaged ({found})")


def _found_damage(archive: Archive) -> str:
    """Return the first damage of a file, as the database names it; "ok" without any."""
    with archive.connection() as file:
        return str(file.execute("PRAGMA integrity_check(1)").fetchone()[0])


def _check_usable(archive: Archive, *, reads_pages: bool) -> None:
    """Raise if the file is damaged, where that is checked, or cannot be written."""
    try:
        _check_tables(archive)
        if reads_pages:
            check_pages(archive)
        with archive.connection() as file:
            file.execute("BEGIN IMMEDIATE")
            file.execute("CREATE TABLE trial (x)")
            file.execute("ROLLBACK")
    except ArchiveError:
        archive.close()
        raise


def _quarantine(path: Path, now: datetime, reason: str) -> tuple[Archive, str]:
    quarantined = path.with_name(f"{path.name}.damaged-{now:%Y%m%dT%H%M%SZ}")
    try:
        path.rename(quarantined)
        for more in ("-wal", "-shm"):
            beside = path.with_name(path.name + more)
            if beside.exists():
                beside.rename(quarantined.with_name(quarantined.name + more))
        return Archive(path), f"{reason}; it is kept as {quarantined.name}, and a new one was begun"
    except (OSError, ArchiveError):
        return Archive(
            IN_MEMORY
        ), f"{reason}; it could not be moved aside, so nothing is remembered"


def open_memory_copy(path: Path) -> Archive:
    """Return an archive in memory with what could be read from the file."""
    memory = Archive(IN_MEMORY)
    for how in ("mode=ro", "immutable=1"):  # the second where even a lock cannot be written
        try:
            file = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, timeout=1.0)
        except sqlite3.Error:
            continue
        try:
            if int(file.execute("PRAGMA user_version").fetchone()[0]) == len(MIGRATIONS):
                with memory.connection() as target:
                    file.backup(target)
                _check_usable(memory, reads_pages=True)  # damaged pages are copied as they are
                return memory
        except (sqlite3.Error, ArchiveError, UnicodeDecodeError):
            memory.close()
            memory = Archive(IN_MEMORY)
        finally:
            file.close()
    return memory


def merge_fallback(fallback: Archive, archive: Archive) -> int:
    """Copy the runs held in memory into the file once it can be written again.

    Parameters
    ----------
    fallback : Archive
        In memory.
    archive : Archive
        The file.

    Returns
    -------
    int
        How many plans were carried over, each with why it was made and what became of it.
    """
    known = archive.fetch_first("SELECT max(made_at) FROM run")
    since = known[0] if known and known[0] else ""
    missing_runs = fallback.fetch_all(
        "SELECT plan.id, plan.made_at, plan.document, run.kind, run.day, run.announced "
        "FROM run JOIN plan ON plan.id = run.plan WHERE run.made_at > ? ORDER BY plan.id",
        since,
    )
    for key, made_at, document, *why in missing_runs:
        with archive.transaction():
            row = archive.insert(
                "INSERT INTO plan (made_at, document) VALUES (?, ?)", made_at, document
            )
            archive.insert(
                "INSERT INTO run (plan, made_at, kind, day, announced) VALUES (?, ?, ?, ?, ?)",
                row,
                made_at,
                *why,
            )
            for entry in fallback.fetch_all(
                "SELECT channel, recipient, state, said, at FROM delivery WHERE plan = ? "
                "ORDER BY id",
                key,
            ):
                archive.insert(
                    "INSERT INTO delivery (plan, channel, recipient, state, said, at) "
                    "VALUES (?, ?, ?, ?, ?, ?)",
                    row,
                    *entry,
                )
    return len(missing_runs)
