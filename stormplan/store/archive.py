"""Everything received and every plan made, kept in one SQLite file.

Answers two questions: what is the last good reply we have for this address, and what was it at a
past moment. Rows are only ever added, and triggers in the file itself see to it: a bad reply
cannot overwrite or remove a good one.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from threading import RLock
from types import TracebackType
from typing import Any

from stormplan.errors import ArchiveError, DamagedArchiveError
from stormplan.store.text_chunks import Text, chunks

IN_MEMORY = ":memory:"
BUSY_TIMEOUT_S = 10.0
MAX_DAMAGED_ROWS = 20  # in a row that are passed over for the one before
#: What reading a row raises when its bytes are not what was written.
DAMAGED_ROW_ERRORS = (ValueError, TypeError, ArithmeticError, zlib.error)

#: What keeps the rows of a table as they are.
APPEND_ONLY = """
CREATE TRIGGER {table}_{action} BEFORE {action} ON {table}
BEGIN SELECT RAISE(ABORT, 'the archive only grows'); END
"""
#: One tuple of statements for each version of the file, from empty up.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE reply (
            id INTEGER PRIMARY KEY,
            url TEXT NOT NULL,
            status INTEGER NOT NULL,
            good INTEGER NOT NULL,       -- could be read as what was asked for
            headers TEXT NOT NULL,       -- JSON, names in lower case
            body BLOB NOT NULL,          -- as received, deflated
            fetched_at TEXT NOT NULL     -- UTC, fixed width, so that text order is time order
        )
        """,
        "CREATE INDEX reply_by_url ON reply (url, good, fetched_at)",
        """
        CREATE TABLE confirmation (      -- the service said: not modified
            reply INTEGER NOT NULL REFERENCES reply (id),
            headers TEXT NOT NULL,
            confirmed_at TEXT NOT NULL
        )
        """,
        "CREATE INDEX confirmation_by_reply ON confirmation (reply, confirmed_at)",
        """
        CREATE TABLE point (             -- which grid a place is in
            place TEXT NOT NULL,
            grid_url TEXT NOT NULL,
            looked_up_at TEXT NOT NULL
        )
        """,
        "CREATE INDEX point_by_place ON point (place, looked_up_at)",
        "CREATE TABLE plan (id INTEGER PRIMARY KEY, made_at TEXT NOT NULL, document TEXT NOT NULL)",
        "CREATE INDEX plan_by_time ON plan (made_at)",
        *(
            APPEND_ONLY.format(table=table, action=action)
            for table in ("reply", "confirmation", "point", "plan")
            for action in ("UPDATE", "DELETE")
        ),
    ),
    (
        """
        CREATE TABLE run (               -- why a plan was made
            plan INTEGER NOT NULL REFERENCES plan (id),
            kind TEXT NOT NULL,          -- briefing, storm, asked
            day TEXT,                    -- local day of a briefing: there is one a day
            announced INTEGER NOT NULL,  -- told to everybody, and what the next is compared with
            made_at TEXT NOT NULL
        )
        """,
        "CREATE UNIQUE INDEX run_one_briefing_a_day ON run (day) WHERE kind = 'briefing'",
        """
        CREATE TABLE delivery (          -- what became of handing a plan to somebody
            id INTEGER PRIMARY KEY,
            plan INTEGER NOT NULL REFERENCES plan (id),
            channel TEXT NOT NULL,
            recipient TEXT NOT NULL,
            state TEXT NOT NULL,
            said TEXT NOT NULL,
            at TEXT NOT NULL
        )
        """,
        "CREATE INDEX delivery_by_plan ON delivery (plan, channel, recipient, id)",
        "CREATE UNIQUE INDEX delivery_once ON delivery (plan, channel, recipient) "
        "WHERE state = 'sent'",
        *(
            APPEND_ONLY.format(table=table, action=action)
            for table in ("run", "delivery")
            for action in ("UPDATE", "DELETE")
        ),
    ),
    (
        """
        CREATE TABLE skill (             -- how far sources were off, as a review found
            id INTEGER PRIMARY KEY,
            made_at TEXT NOT NULL,
            scores TEXT NOT NULL         -- JSON, a row for each source and range of leads
        )
        """,
        *(APPEND_ONLY.format(table="skill", action=action) for action in ("UPDATE", "DELETE")),
    ),
    (  # the error was kept in kelvin under another name before
        "DROP TRIGGER skill_UPDATE",
        """UPDATE skill SET scores = replace(scores, '"rmse_dc"', '"rmse_k"')""",
        APPEND_ONLY.format(table="skill", action="UPDATE"),
    ),
    (
        """
        CREATE TABLE entry (             -- what was done and seen at the sites
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,     -- made by whoever made the entry
            document TEXT NOT NULL,      -- JSON
            recorded_at TEXT NOT NULL,   -- when it was added
            link TEXT NOT NULL           -- SHA-256 of the link before, the document and that time
        )
        """,
        *(APPEND_ONLY.format(table="entry", action=action) for action in ("UPDATE", "DELETE")),
    ),
    (
        """
        CREATE TABLE person_link (       -- who may open the pages, and as what
            id INTEGER PRIMARY KEY,
            name TEXT NOT NULL,
            role TEXT NOT NULL,
            secret_hash TEXT NOT NULL UNIQUE,  -- SHA-256; the secret itself is nowhere
            made_at TEXT NOT NULL
        )
        """,
        """
        CREATE TABLE person_link_revoked (
            link INTEGER NOT NULL UNIQUE REFERENCES person_link (id),
            revoked_at TEXT NOT NULL
        )
        """,
        """
        CREATE TABLE session (           -- a phone on which a link was opened
            secret_hash TEXT NOT NULL UNIQUE,
            link INTEGER NOT NULL REFERENCES person_link (id),
            started_at TEXT NOT NULL
        )
        """,
        *(
            APPEND_ONLY.format(table=table, action=action)
            for table in ("person_link", "person_link_revoked", "session")
            for action in ("UPDATE", "DELETE")
        ),
    ),
    (
        """
        CREATE TABLE entry_pruned (      -- the first entries were let go: where the chain begins
            count INTEGER NOT NULL,
            link TEXT NOT NULL,          -- of the last one that went
            pruned_at TEXT NOT NULL
        )
        """,
        *(
            APPEND_ONLY.format(table="entry_pruned", action=action)
            for action in ("UPDATE", "DELETE")
        ),
    ),
)


@dataclass(frozen=True)
class StoredReply:
    """A good reply from the archive.

    Attributes
    ----------
    key : int
        Its row [-].
    url : str
        Address it answered.
    status : int
        HTTP status [-].
    headers : mapping
        Of the reply or, if newer, of the latest confirmation; names in lower case.
    body : bytes
        As received.
    fetched_at : datetime
        When the body was received, aware UTC.
    confirmed_at : datetime
        When the service last said it still holds, else ``fetched_at``.
    """

    key: int
    url: str
    status: int
    headers: Mapping[str, str]
    body: bytes
    fetched_at: datetime
    confirmed_at: datetime


@dataclass(frozen=True)
class GridLookup:
    """The grid a place is in, and when that was looked up."""

    grid_url: str
    looked_up_at: datetime


@dataclass(frozen=True)
class StoredPlan:
    """A plan as it was issued: JSON text, and when it was made."""

    made_at: datetime
    document: str


def sortable_utc(moment: datetime) -> str:
    """Write a moment the way the file keeps it: UTC, fixed width, so text order is time order."""
    if moment.tzinfo is None:
        raise ArchiveError(f"the archive keeps times with their zone; {moment} has none")
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def _describe_error(error: sqlite3.Error) -> str:
    """Describe a database error and its remedy."""
    text = str(error)
    for sign, words in {
        "locked": "is in use by another program; try again when that has ended",
        "readonly": "cannot be written; check the permissions of the file and its folder",
        "unable to open": "cannot be opened; check that its folder exists and may be written to",
        "full": "cannot grow; the disk is full",
        "disk I/O": "cannot be read or written; look at the disk",
        "not a database": "is damaged or no archive at all; move it aside and a new one is made",
        "malformed": "is damaged; move it aside and a new one is made",
    }.items():
        if sign in text:
            return f"{words} ({text})"
    return f"cannot be used ({text})"


#: Where the row of a plan is damaged, deliveries of it are still there, and belong to no new one.
_UNUSED_PLAN_ID = (
    "SELECT 1 + coalesce(max(id), 0) FROM (SELECT id FROM plan UNION ALL SELECT plan FROM run "
    "UNION ALL SELECT plan FROM delivery) WHERE typeof(id) = 'integer' AND id < 1000000000000"
)


def _is_damage(error: Exception) -> bool:
    """Return whether an error means that the file itself is damaged."""
    code = getattr(error, "sqlite_errorcode", None)
    is_garbled = isinstance(error, zlib.error | UnicodeDecodeError)  # the second: its own message
    return is_garbled or code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT)


class Archive:
    """The archive file; opened or made, and brought to the present version.

    Parameters
    ----------
    path : Path or str
        The file; ``":memory:"`` keeps nothing.
    busy_s : float
        How long to wait for another program to finish writing [s].

    Raises
    ------
    ArchiveError
        Damaged, locked, read-only or newer than this program; from every method.
    """

    def __init__(self, path: Path | str, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
        self.path = str(path)
        self.damaged_rows: dict[str, None] = {}  # found and left out, in the order they were met
        self._lock = RLock()  # forecasts are gathered side by side over one connection
        if self.path != IN_MEMORY:
            try:
                Path(path).parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise ArchiveError(f"archive {self.path}: no folder for it ({error})") from error
        with self._archive_errors():
            self._connection = sqlite3.connect(
                self.path, timeout=busy_timeout_s, isolation_level=None, check_same_thread=False
            )
            self._connection.text_factory = _decode_text
        try:
            with self._archive_errors():
                self._migrate()
        except ArchiveError:
            self._connection.close()
            raise

    def __enter__(self) -> Archive:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    @contextmanager
    def _archive_errors(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, zlib.error, UnicodeDecodeError) as error:
            said = _describe_error(error) if isinstance(error, sqlite3.Error) else "is damaged"
            kind = DamagedArchiveError if _is_damage(error) else ArchiveError
            raise kind(f"archive {self.path}: {said}") from error

    def _migrate(self) -> None:
        self._connection.execute("PRAGMA journal_mode = WAL")
        self._connection.execute(
            "PRAGMA synchronous = FULL"
        )  # what was sent stays sent, power or not
        if self._version() > len(MIGRATIONS):
            raise ArchiveError(
                f"archive {self.path}: was written by a newer stormplan (version "
                f"{self._version()}; this one knows up to {len(MIGRATIONS)}); update stormplan"
            )
        if self._version() == len(MIGRATIONS):
            return
        self._connection.execute("BEGIN IMMEDIATE")
        try:  # another program may have been faster: the version counts from inside
            for statements in MIGRATIONS[self._version() :]:
                for statement in statements:
                    self._connection.execute(statement)
            self._connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        except BaseException:
            self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT")

    def _version(self) -> int:
        return int(self._connection.execute("PRAGMA user_version").fetchone()[0])

    def insert(self, statement: str, *values: Any) -> int:
        """Run a statement that adds a row; gives the row."""
        with self._lock, self._archive_errors():
            return int(self._connection.execute(statement, values).lastrowid or 0)

    def fetch_all(self, statement: str, *values: Any) -> list[tuple[Any, ...]]:
        """Read all rows a statement finds."""
        with self._lock, self._archive_errors():
            return list(self._connection.execute(statement, values))

    def fetch_first(self, statement: str, *values: Any) -> tuple[Any, ...] | None:
        """Read the first row a statement finds."""
        with self._lock, self._archive_errors():
            row: tuple[Any, ...] | None = self._connection.execute(statement, values).fetchone()
            return row

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Run the block as one transaction: all of it is committed or nothing."""
        with self._lock:
            with self._archive_errors():
                self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise
            with self._archive_errors():
                self._connection.execute("COMMIT")

    @contextmanager
    def connection(self) -> Iterator[sqlite3.Connection]:
        """Yield the database connection; its errors are raised as ``ArchiveError``."""
        with self._lock, self._archive_errors():
            yield self._connection

    def add_reply(
        self,
        url: str,
        status: int,
        headers: Mapping[str, str],
        body: bytes,
        fetched_at: datetime,
        *,
        good: bool,
    ) -> int:
        """Add a reply.

        Parameters
        ----------
        url, status, headers, body
            The reply as received.
        fetched_at : datetime
            When it was received, aware.
        good : bool
            Whether it could be read as what was asked for; only such a reply can stand in.

        Returns
        -------
        int
            Its row.
        """
        return self.insert(
            "INSERT INTO reply (url, status, good, headers, body, fetched_at) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            url,
            status,
            int(good),
            _headers_text(headers),
            zlib.compress(body),
            sortable_utc(fetched_at),
        )

    def add_confirmation(
        self, stored: StoredReply, headers: Mapping[str, str], confirmed_at: datetime
    ) -> None:
        """Add a confirmation (304, not modified) of a reply, with its headers."""
        self.insert(
            "INSERT INTO confirmation (reply, headers, confirmed_at) VALUES (?, ?, ?)",
            stored.key,
            _headers_text(headers),
            sortable_utc(confirmed_at),
        )

    def last_good_reply(self, url: str, before: datetime) -> StoredReply | None:
        """Find the newest good reply for an address, as it was known at a moment.

        Parameters
        ----------
        url : str
            The address.
        before : datetime
            Only what was received up to this moment counts, aware.

        Returns
        -------
        StoredReply or None
            None if there is none.
        """
        until = sortable_utc(before)
        keys = self.fetch_all(
            "SELECT id FROM reply WHERE url = ? AND good = 1 AND fetched_at <= ? "
            "ORDER BY fetched_at DESC, id DESC LIMIT ?",
            url,
            until,
            MAX_DAMAGED_ROWS,
        )
        replies = (self.read_reply(key) for (key,) in keys)
        stored = next((reply for reply in replies if reply is not None), None)
        return None if stored is None else self._with_confirmation(stored, until)

    def read_reply(self, key: int) -> StoredReply | None:
        """Return a reply; None, and a note of it, if its row is damaged."""
        row = self.fetch_first(
            "SELECT url, status, headers, body, fetched_at FROM reply WHERE id = ?", key
        )
        try:
            url, status, headers, body, fetched_at = row or ()
            moment = datetime.fromisoformat(fetched_at)
            decompressed = zlib.decompress(body)
            return StoredReply(
                key, url, int(status), _read_headers(headers), decompressed, moment, moment
            )
        except DAMAGED_ROW_ERRORS:
            self.note_damage("reply", key)
            return None

    def _with_confirmation(self, stored: StoredReply, until: str) -> StoredReply:
        """Return a reply with the headers and the time of its latest confirmation."""
        for row, headers, confirmed_at in self.fetch_all(
            "SELECT rowid, headers, confirmed_at FROM confirmation "
            "WHERE reply = ? AND confirmed_at <= ? ORDER BY confirmed_at DESC LIMIT ?",
            stored.key,
            until,
            MAX_DAMAGED_ROWS,
        ):
            try:
                newer, moment = _read_headers(headers), datetime.fromisoformat(confirmed_at)
            except DAMAGED_ROW_ERRORS:
                self.note_damage("confirmation", row)
                continue
            return replace(stored, headers={**stored.headers, **newer}, confirmed_at=moment)
        return stored

    def note_damage(self, table: str, row: int) -> None:
        """Remember a row that cannot be read and was left out."""
        self.damaged_rows[f"{table} {row}"] = None

    def earlier_good_replies(
        self, url: str, before: datetime, since: datetime
    ) -> Iterator[StoredReply]:
        """Yield the good replies for an address, newest first, without the newest.

        Parameters
        ----------
        url : str
            The address.
        before, since : datetime
            Only what was received between these moments counts, aware.
        """
        readable = (self.read_reply(key) for key, _ in self.good_reply_times(url, before, since))
        yield from islice((stored for stored in readable if stored is not None), 1, None)

    def good_reply_times(
        self, url: str, before: datetime, since: datetime
    ) -> list[tuple[int, datetime]]:
        """Return key and time of receipt of the good replies for an address, newest first.

        Parameters
        ----------
        url : str
            The address.
        before, since : datetime
            Only what was received between these moments counts, aware.
        """
        rows_found = self.fetch_all(
            "SELECT id, fetched_at FROM reply WHERE url = ? AND good = 1 "
            "AND fetched_at <= ? AND fetched_at >= ? ORDER BY fetched_at DESC, id DESC",
            url,
            sortable_utc(before),
            sortable_utc(since),
        )
        times = []
        for key, fetched_at in rows_found:
            try:
                times.append((key, datetime.fromisoformat(fetched_at)))
            except DAMAGED_ROW_ERRORS:
                self.note_damage("reply", key)
        return times

    def good_replies(self, since: datetime) -> Iterator[StoredReply]:
        """Yield every good reply received since a moment, in order of time."""
        rows_found = self.fetch_all(
            "SELECT id FROM reply WHERE good = 1 AND fetched_at >= ? ORDER BY fetched_at, id",
            sortable_utc(since),
        )
        for (key,) in rows_found:
            stored = self.read_reply(key)
            if stored is not None:
                yield stored

    def add_grid_lookup(self, coordinates: str, grid_url: str, looked_up_at: datetime) -> None:
        """Add a lookup: the grid address of a location."""
        self.insert(
            "INSERT INTO point (place, grid_url, looked_up_at) VALUES (?, ?, ?)",
            coordinates,
            grid_url,
            sortable_utc(looked_up_at),
        )

    def last_grid_lookup(self, coordinates: str, before: datetime) -> GridLookup | None:
        """Return the last lookup of coordinates before a moment; None if never."""
        for row, grid_url, looked_up_at in self.fetch_all(
            "SELECT rowid, grid_url, looked_up_at FROM point "
            "WHERE place = ? AND looked_up_at <= ? ORDER BY looked_up_at DESC, rowid DESC LIMIT ?",
            coordinates,
            sortable_utc(before),
            MAX_DAMAGED_ROWS,
        ):
            try:
                return GridLookup(_readable(grid_url), datetime.fromisoformat(looked_up_at))
            except DAMAGED_ROW_ERRORS:
                self.note_damage("point", row)
        return None

    def add_plan(self, made_at: datetime, document: Text) -> int:
        """Add an issued plan, as JSON text or lines; gives its row, which was nobody's before."""
        return self.insert(
            f"INSERT INTO plan (id, made_at, document) VALUES (({_UNUSED_PLAN_ID}), ?, ?)",  # noqa: S608
            sortable_utc(made_at),
            compress_plan(document),
        )

    def plans_since(self, since: datetime, apart: timedelta) -> Iterator[StoredPlan]:
        """Yield plans made since a moment, in order of time, none sooner after another than that.

        Damaged ones are noted and passed over.
        """
        last = None
        for row, made_at in self.fetch_all(
            "SELECT id, made_at FROM plan WHERE made_at >= ? ORDER BY made_at, id",
            sortable_utc(since),
        ):
            try:
                made = datetime.fromisoformat(made_at)
                if last is not None and made < last + apart:
                    continue
                stored = self.fetch_first("SELECT document FROM plan WHERE id = ?", row)
                if stored is not None:
                    yield StoredPlan(made, decompress_plan(stored[0]))
                    last = made
            except DAMAGED_ROW_ERRORS:
                self.note_damage("plan", row)

    def last_plan_time(self, before: datetime) -> datetime | None:
        """Return when the newest plan before a moment was made; None if there is none."""
        row = self.fetch_first(
            "SELECT made_at FROM plan WHERE made_at < ? ORDER BY made_at DESC", sortable_utc(before)
        )
        return None if row is None else datetime.fromisoformat(row[0])

    def last_plan(self, before: datetime) -> StoredPlan | None:
        """Find the newest plan made before a moment; None if there is none."""
        for row, made_at, document in self.fetch_all(
            "SELECT id, made_at, document FROM plan WHERE made_at < ? "
            "ORDER BY made_at DESC, id DESC LIMIT ?",
            sortable_utc(before),
            MAX_DAMAGED_ROWS,
        ):
            try:
                return StoredPlan(datetime.fromisoformat(made_at), decompress_plan(document))
            except DAMAGED_ROW_ERRORS:
                self.note_damage("plan", row)
        return None


def _decode_text(stored: bytes) -> str:
    """Decode text; a byte that is none shows as the replacement character."""
    return stored.decode("utf-8", "replace")


def _readable(text: str) -> str:
    if "\ufffd" in text:
        raise ValueError("damaged text")
    return text


def _read_headers(stored: str) -> dict[str, str]:
    """Read stored headers.

    Raises
    ------
    ValueError, TypeError
        They are none.
    """
    headers = json.loads(_readable(stored))
    if not isinstance(headers, dict) or not all(isinstance(v, str) for v in headers.values()):
        raise TypeError("not headers")
    return headers


def compress_plan(document: Text) -> bytes:
    """Deflate a plan for keeping, as it comes; its hourly tables shrink to a tenth."""
    deflate = zlib.compressobj()
    parts = [deflate.compress(part.encode()) for part in chunks(document)]
    return b"".join([*parts, deflate.flush()])


def decompress_plan(stored: bytes | str) -> str:
    """Return a plan's text; the first version of the file kept it uncompressed.

    Raises
    ------
    ValueError, TypeError, zlib.error
        The row is damaged.
    """
    text = stored if isinstance(stored, str) else zlib.decompress(stored).decode()
    first = text.partition("\n")[0]
    head = first if first.startswith('{"') else text  # of very many sites the first line is whole
    if not isinstance(json.loads(head), dict):
        raise TypeError("not a plan")
    return text


def _headers_text(headers: Mapping[str, str]) -> str:
    return json.dumps({name.lower(): value for name, value in headers.items()})
