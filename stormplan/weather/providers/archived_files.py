"""Forecast files in the archive: a table or a recorded body is kept like a service's reply.

What a file said at a past moment is read from the archive, never from the file of today: a plan
made again uses nothing from after its moment.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from stormplan.store.archive import Archive, StoredReply
from stormplan.weather.forecast import CellForecast
from stormplan.weather.providers.older_copies import read_past_copies

ISSUED_AT = "x-issued-at"  # when the file was written, beside its text


@dataclass(frozen=True)
class FileVersion:
    """A file's text, when it was written, and when it was first read, aware UTC."""

    text: str
    issued_at: datetime
    read_at: datetime


@dataclass(frozen=True)
class ArchivedFiles:
    """Versions of files in the archive.

    Attributes
    ----------
    archive : Archive
        Where they are kept.
    offline : bool
        Whether a past moment is planned again: files of today are not read then.
    """

    archive: Archive
    offline: bool = False

    def add(self, address: str, text: str, issued_at: datetime, now: datetime) -> None:
        """Keep a file's text under an address, unless its last version is the same."""
        last = self.last(address, now)
        if last is not None and (last.text, last.issued_at) == (text, issued_at):
            return
        headers = {ISSUED_AT: issued_at.isoformat()}
        self.archive.add_reply(address, 200, headers, text.encode(), now, good=True)

    def past_copies(
        self,
        address: str,
        now: datetime,
        parse: Callable[[str, datetime, datetime], CellForecast],
    ) -> list[CellForecast]:
        """Return the versions of a file that tell the hours before now, newest first.

        Parameters
        ----------
        address : str
            The address.
        now : datetime
            The moment planned for, aware UTC.
        parse : callable
            Reads a text, given when it was written and when it was read.
        """

        def parse_stored(stored: StoredReply) -> CellForecast:
            version = _file_version(stored)
            return parse(version.text, version.issued_at, version.read_at)

        return read_past_copies(self.archive, address, now, parse_stored)

    def last(self, address: str, now: datetime) -> FileVersion | None:
        """Return the last version that was read up to a moment; None if there is none."""
        stored = self.archive.last_good_reply(address, now)
        if stored is None:
            return None
        return _file_version(stored)


def _file_version(stored: StoredReply) -> FileVersion:
    issued_at = datetime.fromisoformat(stored.headers[ISSUED_AT])
    return FileVersion(stored.body.decode(), issued_at, stored.fetched_at)
