"""The record in the archive: entries as JSON, only added to, each chained to the one before.

The link of an entry is the SHA-256 of the link before it, of its text and of when it was added. An
entry that was changed, slipped in, or taken out before another one breaks every link from there on;
that the last ones were taken off the end shows against a last link that was written down. Where the
first ones were let go, the chain begins with the link of the last of those.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import datetime

from stormplan.errors import InputError
from stormplan.store.archive import APPEND_ONLY, Archive, sortable_utc

FIRST_LINK = "0" * 64


def _link(before: str, document: str, recorded_at: str) -> str:
    return hashlib.sha256(f"{before}\n{recorded_at}\n{document}".encode()).hexdigest()


class RecordLog:
    """The record in an archive.

    Parameters
    ----------
    archive : Archive
        Where it is kept.
    """

    def __init__(self, archive: Archive) -> None:
        self.archive = archive

    def add(self, entries: Iterable[tuple[str, str]], recorded_at: datetime) -> int:
        """Add entries, all of them or none.

        Parameters
        ----------
        entries : iterable of (str, str)
            Id and JSON of each.
        recorded_at : datetime
            The present, aware.

        Returns
        -------
        int
            How many were new; one that is there already, word for word, is passed over.

        Raises
        ------
        InputError
            An id that is there already stands for something else.
        """
        with self.archive.transaction():
            return self._append(entries, recorded_at)

    def _append(self, entries: Iterable[tuple[str, str]], recorded_at: datetime) -> int:
        added, stamp = 0, sortable_utc(recorded_at)
        link = self.last_link()
        for key, document in entries:
            known = self.archive.fetch_first("SELECT document FROM entry WHERE id = ?", key)
            if known is not None and known[0] == document:
                continue
            if known is not None:
                raise InputError(
                    f"entry '{key}' is in the record already and says something else; an entry"
                    " is never changed: void it and add a new one"
                )
            link = _link(link, document, stamp)
            self.archive.insert(
                "INSERT INTO entry (id, document, recorded_at, link) VALUES (?, ?, ?, ?)",
                key, document, stamp, link,
            )  # fmt: skip
            added += 1
        return added

    def add_new(self, entries: Iterable[tuple[str, str]], recorded_at: datetime) -> int:
        """Add entries whose ids are not there yet, in one piece; return how many that were.

        For forms that may be sent again: what an id stood for first stands.
        """
        with self.archive.transaction():
            fresh = [
                (key, document)
                for key, document in entries
                if self.archive.fetch_first("SELECT 1 FROM entry WHERE id = ?", key) is None
            ]
            return self._append(fresh, recorded_at)

    def documents(self, until: datetime | None = None) -> list[tuple[str, str]]:
        """Return id and JSON of every entry added up to a moment, in the order they were added."""
        rows = self.archive.fetch_all(
            "SELECT id, document FROM entry WHERE ? IS NULL OR recorded_at <= ? ORDER BY number",
            *(2 * (None if until is None else sortable_utc(until),)),
        )
        return [(str(key), str(document)) for key, document in rows]

    def links(self) -> list[tuple[str, str, str]]:
        """Return id, when it was added, and link of every entry, in the order they were added."""
        rows = self.archive.fetch_all("SELECT id, recorded_at, link FROM entry ORDER BY number")
        return [(str(key), str(stamp), str(link)) for key, stamp, link in rows]

    def last_link(self) -> str:
        """Return the link of the last entry; where there is none, the one it will stand on."""
        last = self.archive.fetch_first("SELECT link FROM entry ORDER BY number DESC")
        return self._begin_link() if last is None else str(last[0])

    def _begin_link(self) -> str:
        """Return the link before the first entry that is still there."""
        gone = self.archive.fetch_first("SELECT link FROM entry_pruned ORDER BY rowid DESC")
        return FIRST_LINK if gone is None else str(gone[0])

    def prune_first(self, count: int, pruned_at: datetime) -> None:
        """Let the first entries go, and keep the link that the others stand on.

        Parameters
        ----------
        count : int
            How many [-].
        pruned_at : datetime
            The present, aware.
        """
        rows = self.archive.fetch_all(
            "SELECT number, link FROM entry ORDER BY number LIMIT ?", count
        )
        if not rows:
            return
        last_number, link = rows[-1]
        with self.archive.connection() as file, self.archive.transaction():
            # the guard is off for nobody else: it is one transaction
            file.execute("DROP TRIGGER entry_DELETE")
            file.execute("DELETE FROM entry WHERE number <= ?", (last_number,))
            file.execute(APPEND_ONLY.format(table="entry", action="DELETE"))
            file.execute(
                "INSERT INTO entry_pruned (count, link, pruned_at) VALUES (?, ?, ?)",
                (len(rows), link, sortable_utc(pruned_at)),
            )

    def first_broken_link(self) -> str | None:
        """Return the id of the first entry whose link does not fit; None if all do."""
        link = self._begin_link()
        for key, document, stamp, stored in self.archive.fetch_all(
            "SELECT id, document, recorded_at, link FROM entry ORDER BY number"
        ):
            link = _link(link, document, stamp)
            if link != stored:
                return str(key)
        return None
