"""Who may open the yard's pages, and the phones on which they did.

Each person has a link with a secret in it; the archive keeps only hashes. Opening the link begins a
session; revoking the link ends all of its sessions at once.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from stormplan.errors import InputError
from stormplan.store.archive import Archive, sortable_utc

SESSION_LASTS = timedelta(days=30)  # then the link is opened again; our own choice
SECRET_BYTES = 32


class Role(StrEnum):
    """What a person does, and so what the pages show and take from them."""

    OWNER = "owner"
    SHED = "shed"
    CREW = "crew"
    ACCOUNT = "account"


@dataclass(frozen=True)
class Person:
    """A person with a link.

    Attributes
    ----------
    link : int
        Row of the link [-].
    name : str
        Who it is.
    role : Role
        What they do.
    is_revoked : bool
        Whether the link opens nothing any more.
    """

    link: int
    name: str
    role: Role
    is_revoked: bool = False


def secret_hash(secret: str) -> str:
    """Return what the archive keeps of a secret."""
    return hashlib.sha256(secret.encode()).hexdigest()


class PeopleLog:
    """Links and sessions in an archive.

    Parameters
    ----------
    archive : Archive
        Where they are kept.
    """

    def __init__(self, archive: Archive) -> None:
        self.archive = archive

    def add_person(self, name: str, role: Role, now: datetime) -> str:
        """Make a link for a person and return its secret, which is kept nowhere.

        Raises
        ------
        InputError
            Somebody of that name has one already.
        """
        if any(one.name == name and not one.is_revoked for one in self.people()):
            raise InputError(f"{name} has a link already; revoke it first")
        secret = secrets.token_urlsafe(SECRET_BYTES)
        self.archive.insert(
            "INSERT INTO person_link (name, role, secret_hash, made_at) VALUES (?, ?, ?, ?)",
            name, str(role), secret_hash(secret), sortable_utc(now),
        )  # fmt: skip
        return secret

    def people(self) -> list[Person]:
        """Return everybody who has or had a link."""
        rows = self.archive.fetch_all(
            "SELECT id, name, role, revoked_at FROM person_link"
            " LEFT JOIN person_link_revoked ON link = id ORDER BY id"
        )
        return [Person(int(i), str(name), Role(role), r is not None) for i, name, role, r in rows]

    def revoke(self, name: str, now: datetime) -> None:
        """End a person's link and every session of it.

        Raises
        ------
        InputError
            Nobody of that name has one.
        """
        for one in self.people():
            if one.name == name and not one.is_revoked:
                self.archive.insert(
                    "INSERT INTO person_link_revoked (link, revoked_at) VALUES (?, ?)",
                    one.link, sortable_utc(now),
                )  # fmt: skip
                return
        raise InputError(f"nobody named '{name}' has a link; list them: stormplan people list")

    def start_session(self, link_secret: str, now: datetime) -> str | None:
        """Begin a session with a link's secret; return its own secret, None if it opens none."""
        row = self.archive.fetch_first(
            "SELECT id FROM person_link WHERE secret_hash = ?"
            " AND id NOT IN (SELECT link FROM person_link_revoked)",
            secret_hash(link_secret),
        )
        if row is None:
            return None
        secret = secrets.token_urlsafe(SECRET_BYTES)
        self.archive.insert(
            "INSERT INTO session (secret_hash, link, started_at) VALUES (?, ?, ?)",
            secret_hash(secret), int(row[0]), sortable_utc(now),
        )  # fmt: skip
        return secret

    def person_of_session(self, session_secret: str, now: datetime) -> Person | None:
        """Return whose session it is; None where it is none, is over or was revoked."""
        row = self.archive.fetch_first(
            "SELECT person_link.id, name, role FROM session"
            " JOIN person_link ON person_link.id = session.link"
            " WHERE session.secret_hash = ? AND started_at > ?"
            " AND session.link NOT IN (SELECT link FROM person_link_revoked)",
            secret_hash(session_secret), sortable_utc(now - SESSION_LASTS),
        )  # fmt: skip
        return None if row is None else Person(int(row[0]), str(row[1]), Role(row[2]))
