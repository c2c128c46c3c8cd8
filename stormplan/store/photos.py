"""Photos that entries of the record show: kept beside the archive, named by their own hash.

The name that a phone or a person gave a photo stays in the entry and is never a path here.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from pathlib import Path

from stormplan.errors import InputError
from stormplan.store.report_folders import atomic_replace

MAX_NAME_LENGTH = 120
#: First bytes of the kinds of photo that phones make, and how their files end.
PHOTO_KINDS = (
    (re.compile(rb"\xff\xd8\xff"), ".jpg"),
    (re.compile(rb"\x89PNG\r\n\x1a\n"), ".png"),
    (re.compile(rb"RIFF....WEBP", re.DOTALL), ".webp"),
    (re.compile(rb"....ftyp(heic|heix|hevc|mif1|msf1|avif)", re.DOTALL), ".heic"),
)


def photo_folder(archive: Path) -> Path:
    """Return where the photos of an archive's record are kept."""
    return archive.parent / "photos"


def safe_name(name: str) -> str:
    r"""Return the file name that an entry keeps: without folders, and nothing that is none.

    Examples
    --------
    >>> safe_name("../../etc/passwd")
    'passwd'
    >>> safe_name("C:\\photos\\.hidden.jpg")
    'hidden.jpg'
    """
    last = re.split(r"[/\\]", name)[-1]
    shown = "".join(letter for letter in last if letter.isprintable()).strip().lstrip(". ")
    return shown[-MAX_NAME_LENGTH:].lstrip(". ") or "photo"


def keep_photo(folder: Path, name: str, content: bytes) -> tuple[str, str]:
    """Keep a photo, once however often it comes.

    Parameters
    ----------
    folder : Path
        Where photos are kept.
    name : str
        What whoever sent it calls it.
    content : bytes
        The photo.

    Returns
    -------
    str, str
        Name for the entry, and SHA-256 in hexadecimal.

    Raises
    ------
    InputError
        It is no photo, or cannot be kept.
    """
    ending = next((end for kind, end in PHOTO_KINDS if kind.match(content)), None)
    if ending is None:
        raise InputError(f"{safe_name(name)} is not a photo; accepted: JPEG, PNG, WebP, HEIC")
    sha256 = hashlib.sha256(content).hexdigest()
    path = folder / f"{sha256}{ending}"
    try:
        if not path.exists():
            folder.mkdir(parents=True, exist_ok=True)
            with atomic_replace(path) as beside:
                beside.write_bytes(content)
    except OSError as error:
        raise InputError(f"the photo cannot be kept in {folder}: {error.strerror}") from error
    return safe_name(name), sha256


def find_photo(folder: Path, sha256: str) -> Path | None:
    """Return the file of a photo; None where it is not kept, or is not what it was."""
    for path in folder.glob(f"{sha256}.*"):
        if hashlib.sha256(path.read_bytes()).hexdigest() == sha256:
            return path
    return None


def drop_photos(folder: Path, hashes: Iterable[str]) -> None:
    """Remove photos that no entry shows any more."""
    for sha256 in hashes:
        for path in folder.glob(f"{sha256}.*"):
            path.unlink(missing_ok=True)
