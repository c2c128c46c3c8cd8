"""Text that is written as it comes: a string, or what yields one piece after the other."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

#: A whole string, or its pieces, which can be gone through more than once.
Text = str | Iterable[str]


def chunks(text: Text) -> Iterable[str]:
    """Return the pieces of a text; a string is one."""
    return (text,) if isinstance(text, str) else text


def sha256_hex(text: Text) -> str:
    """Return the SHA-256 of a text in UTF-8, as hexadecimal digits.

    Examples
    --------
    >>> sha256_hex("abc") == sha256_hex(["a", "bc"])
    True
    """
    found = hashlib.sha256()
    for part in chunks(text):
        found.update(part.encode())
    return found.hexdigest()
