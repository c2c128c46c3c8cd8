"""The record in the archive: entries as JSON, only added to, each chained to the one before.

The link of an entry is the SHA-256 of the link before it and of its text, so that an entry that was
changed, taken out or slipped in breaks every link from there on.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

from stormplan.errors import InputError
from stormplan.store.archive import Archive

FIRST_LINK = "0" * 64


def _link(before: str, document: str) -> str:
    return hashlib.sha256(f"{before}\n{document}".encode()).hexdigest()


class RecordLog:
    """The record in an archive.

    Parameters
    ----------
    archive : Archive
        Where it is kept.
    """

    def __init__(self, archive: Archive) -> None:
        self.archive = archive

    def add(self, entries: Iterable[tuple[str, str]]) -> int:
        """Add entries, all of them or none.

        Parameters
        ----------
        entries : iterable of (str, str)
            Id and JSON of each.

        Returns
        -------
        int
            How many were new; one that is there already, word for word, is passed over.

        Raises
        ------
        InputError
            An id that is there already stands for something else.
        """
        added = 0
        with self.archive.transaction():
            last = self.archive.fetch_first("SELECT link FROM entry ORDER BY number DESC")
            link = FIRST_LINK if last is None else str(last[0])
            for key, document in entries:
                known = self.archive.fetch_first("SELECT document FROM entry WHERE id = ?", key)
                if known is not None and known[0] == document:
                    continue
                if known is not None:
                    raise InputError(
                        f"entry '{key}' is in the record already and says something else; an entry"
                        " is never changed: void it and add a new one"
                    )
                link = _link(link, document)
                self.archive.insert(
                    "INSERT INTO entry (id, document, link) VALUES (?, ?, ?)", key, document, link
                )
                added += 1
        return added

    def documents(self) -> list[tuple[str, str]]:
        """Return id and JSON of every entry, in the order they were added."""
        rows = self.archive.fetch_all("SELECT id, document FROM entry ORDER BY number")
        return [(str(key), str(document)) for key, document in rows]

    def first_broken_link(self) -> str | None:
        """Return the id of the first entry whose link does not fit; None if all do."""
        link = FIRST_LINK
        for key, document, stored in self.archive.fetch_all(
            "SELECT id, document, link FROM entry ORDER BY number"
        ):
            link = _link(link, document)
            if link != stored:
                return str(key)
        return None
