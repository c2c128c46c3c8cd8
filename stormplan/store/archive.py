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
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from stormplan.errors import ArchiveError

IN_MEMORY = ":memory:"
BUSY_S = 10.0

_APPEND_ONLY = """
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
            _APPEND_ONLY.format(table=table, action=action)
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
            _APPEND_ONLY.format(table=table, action=action)
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
        *(_APPEND_ONLY.format(table="skill", action=action) for action in ("UPDATE", "DELETE")),
    ),
)


@dataclass(frozen=True)
class Kept:
    """A good reply from the archive.

    Attributes
    ----------
    key : int
        Its row [-].
    url : str
        Address it answered [-].
    status : int
        HTTP status [-].
    headers : mapping
        Of the reply or, if newer, of the latest confirmation; names in lower case [-].
    body : bytes
        As received [-].
    fetched_at : datetime
        When the body was received, aware UTC [-].
    confirmed_at : datetime
        When the service last said it still holds, else ``fetched_at`` [-].
    """

    key: int
    url: str
    status: int
    headers: Mapping[str, str]
    body: bytes
    fetched_at: datetime
    confirmed_at: datetime


@dataclass(frozen=True)
class Point:
    """The grid a place is in, and when that was looked up."""

    grid_url: str
    looked_up_at: datetime


@dataclass(frozen=True)
class KeptPlan:
    """A plan as it was issued: JSON text, and when it was made."""

    made_at: datetime
    document: str


def stamp(moment: datetime) -> str:
    """Write a moment the way the file keeps it: UTC, fixed width, so text order is time order."""
    if moment.tzinfo is None:
        raise ArchiveError(f"the archive keeps times with their zone; {moment} has none")
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def _explain(error: sqlite3.Error) -> str:
    """Say what is wrong with the file and what to do about it."""
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


class Archive:
    """The archive file; opened or made, and brought to the present version.

    Parameters
    ----------
    path : Path or str
        The file; ``":memory:"`` keeps nothing [-].
    busy_s : float
        How long to wait for another program to finish writing [s].

    Raises
    ------
    ArchiveError
        Damaged, locked, read-only or newer than this program; from every method.
    """

    def __init__(self, path: Path | str, busy_s: float = BUSY_S) -> None:
        self.path = str(path)
        if self.path != IN_MEMORY:
            try:
                Path(path).parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise ArchiveError(f"archive {self.path}: no folder for it ({error})") from error
        with self._explained():
            self._file = sqlite3.connect(self.path, timeout=busy_s, isolation_level=None)
        try:
            with self._explained():
                self._migrate()
        except ArchiveError:
            self._file.close()
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
        self._file.close()

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, zlib.error) as error:
            said = _explain(error) if isinstance(error, sqlite3.Error) else "is damaged"
            raise ArchiveError(f"archive {self.path}: {said}") from error

    def _migrate(self) -> None:
        self._file.execute("PRAGMA journal_mode = WAL")
        self._file.execute("PRAGMA synchronous = FULL")  # what was sent stays sent, power or not
        if self._version() > len(MIGRATIONS):
            raise ArchiveError(
                f"archive {self.path}: was written by a newer stormplan (version "
                f"{self._version()}; this one knows up to {len(MIGRATIONS)}); update stormplan"
            )
        if self._version() == len(MIGRATIONS):
            return
        self._file.execute("BEGIN IMMEDIATE")
        try:  # another program may have been faster: the version counts from inside
            for statements in MIGRATIONS[self._version() :]:
                for statement in statements:
                    self._file.execute(statement)
            self._file.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        except BaseException:
            self._file.execute("ROLLBACK")
            raise
        self._file.execute("COMMIT")

    def _version(self) -> int:
        return int(self._file.execute("PRAGMA user_version").fetchone()[0])

    def add(self, statement: str, *values: Any) -> int:
        """Run a statement that adds a row; gives the row."""
        with self._explained():
            return int(self._file.execute(statement, values).lastrowid or 0)

    def rows(self, statement: str, *values: Any) -> list[tuple[Any, ...]]:
        """Read all rows a statement finds."""
        with self._explained():
            return list(self._file.execute(statement, values))

    def newest(self, statement: str, *values: Any) -> tuple[Any, ...] | None:
        """Read the first row a statement finds."""
        with self._explained():
            row: tuple[Any, ...] | None = self._file.execute(statement, values).fetchone()
            return row

    @contextmanager
    def together(self) -> Iterator[None]:
        """Make what is added inside the block stand whole or not at all, whatever happens."""
        with self._explained():
            self._file.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._file.execute("ROLLBACK")
            raise
        with self._explained():
            self._file.execute("COMMIT")

    @contextmanager
    def opened(self) -> Iterator[sqlite3.Connection]:
        """Lend the file itself to what keeps house in it; our words for its errors."""
        with self._explained():
            yield self._file

    def keep(
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
            The reply as received [-].
        fetched_at : datetime
            When it was received, aware [-].
        good : bool
            Whether it could be read as what was asked for; only such a reply can stand in [-].

        Returns
        -------
        int
            Its row.
        """
        return self.add(
            "INSERT INTO reply (url, status, good, headers, body, fetched_at) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            url,
            status,
            int(good),
            _headers_text(headers),
            zlib.compress(body),
            stamp(fetched_at),
        )

    def confirm(self, kept: Kept, headers: Mapping[str, str], confirmed_at: datetime) -> None:
        """Add that the service said a reply still holds, with the headers it said so with."""
        self.add(
            "INSERT INTO confirmation (reply, headers, confirmed_at) VALUES (?, ?, ?)",
            kept.key,
            _headers_text(headers),
            stamp(confirmed_at),
        )

    def last_good(self, url: str, before: datetime) -> Kept | None:
        """Find the newest good reply for an address, as it was known at a moment.

        Parameters
        ----------
        url : str
            The address [-].
        before : datetime
            Only what was received up to this moment counts, aware [-].

        Returns
        -------
        Kept or None
            None if there is none.
        """
        until = stamp(before)
        row = self.newest(
            "SELECT id, status, headers, body, fetched_at FROM reply "
            "WHERE url = ? AND good = 1 AND fetched_at <= ? ORDER BY fetched_at DESC, id DESC",
            url,
            until,
        )
        if row is None:
            return None
        key, status, headers, body, fetched_at = row
        confirmed = self.newest(
            "SELECT headers, confirmed_at FROM confirmation "
            "WHERE reply = ? AND confirmed_at <= ? ORDER BY confirmed_at DESC",
            key,
            until,
        )
        newer, confirmed_at = confirmed if confirmed is not None else ("{}", fetched_at)
        with self._explained():
            whole = zlib.decompress(body)
        return Kept(
            key=key,
            url=url,
            status=status,
            headers=json.loads(headers) | json.loads(newer),
            body=whole,
            fetched_at=datetime.fromisoformat(fetched_at),
            confirmed_at=datetime.fromisoformat(confirmed_at),
        )

    def good_replies(self, since: datetime) -> Iterator[Kept]:
        """Go through every good reply received since a moment, in order of time."""
        found = self.rows(
            "SELECT id, url, status, headers, body, fetched_at FROM reply "
            "WHERE good = 1 AND fetched_at >= ? ORDER BY fetched_at, id",
            stamp(since),
        )
        for key, url, status, headers, body, fetched_at in found:
            with self._explained():
                whole = zlib.decompress(body)
            moment = datetime.fromisoformat(fetched_at)
            yield Kept(key, url, status, json.loads(headers), whole, moment, moment)

    def remember_point(self, place: str, grid_url: str, looked_up_at: datetime) -> None:
        """Add which grid a place is in."""
        self.add(
            "INSERT INTO point (place, grid_url, looked_up_at) VALUES (?, ?, ?)",
            place,
            grid_url,
            stamp(looked_up_at),
        )

    def point(self, place: str, before: datetime) -> Point | None:
        """Find the grid a place was last found in, as known at a moment; None if never."""
        row = self.newest(
            "SELECT grid_url, looked_up_at FROM point "
            "WHERE place = ? AND looked_up_at <= ? ORDER BY looked_up_at DESC, rowid DESC",
            place,
            stamp(before),
        )
        return None if row is None else Point(row[0], datetime.fromisoformat(row[1]))

    def keep_plan(self, made_at: datetime, document: str) -> int:
        """Add an issued plan, as JSON text; gives its row."""
        return self.add(
            "INSERT INTO plan (made_at, document) VALUES (?, ?)", stamp(made_at), pack(document)
        )

    def last_made(self, before: datetime) -> datetime | None:
        """Tell when the newest plan before a moment was made; None if there is none."""
        row = self.newest(
            "SELECT made_at FROM plan WHERE made_at < ? ORDER BY made_at DESC", stamp(before)
        )
        return None if row is None else datetime.fromisoformat(row[0])

    def last_plan(self, before: datetime) -> KeptPlan | None:
        """Find the newest plan made before a moment; None if there is none."""
        row = self.newest(
            "SELECT made_at, document FROM plan WHERE made_at < ? ORDER BY made_at DESC, id DESC",
            stamp(before),
        )
        if row is None:
            return None
        with self._explained():
            return KeptPlan(datetime.fromisoformat(row[0]), unpack(row[1]))


def pack(document: str) -> bytes:
    """Deflate a plan for keeping; its hourly tables shrink to a tenth."""
    return zlib.compress(document.encode())


def unpack(kept: bytes | str) -> str:
    """Give a plan's text back; the first version of the file kept it as it is."""
    return kept if isinstance(kept, str) else zlib.decompress(kept).decode()


def _headers_text(headers: Mapping[str, str]) -> str:
    return json.dumps({name.lower(): value for name, value in headers.items()})
