"""Redaction: secrets taken out of whatever is kept, shown or logged.

A secret is taken out as it stands and in the forms in which services, libraries and tracebacks
repeat it: percent-encoded (RFC 3986, section 2.1; forms, with ``+``), in base 64 (RFC 4648; also
within longer data, as of basic authentication, RFC 7617), with the escapes of JSON (RFC 8259,
section 7), of HTML and of Python's ``repr``.
"""

from __future__ import annotations

import base64
import html
import json
import re
from collections.abc import Iterable, Iterator
from functools import lru_cache
from urllib.parse import parse_qsl, quote, quote_plus, urlsplit

#: A shorter secret is taken out only where it stands alone: it would eat other words and numbers.
MIN_SECRET_LENGTH = 6  # characters
MARK = "…"

#: A part of a path that is no word: long enough, with a digit, or longer than words are.
_TOKEN = re.compile(rf"(?=.*\d).{{{MIN_SECRET_LENGTH},}}|.{{16,}}")

_known: dict[str, None] = {}  # of this process, in the order they were read


def remember_secret(value: str) -> None:
    """Remember a secret of this process for ``redact_known``."""
    if value:
        _known[value] = None


def remember_url(url: str) -> None:
    """Remember what may be a key in a URL: query values, password, parts of its path like one."""
    try:
        parts = urlsplit(url)
    except ValueError:
        return
    tokens = [part for part in parts.path.split("/") if _TOKEN.fullmatch(part)]
    values = [value for _, value in parse_qsl(parts.query)]
    for value in (parts.query, *values, *tokens, parts.password or ""):
        remember_secret(value)


def redact_known(text: str) -> str:
    """Return a text without the secrets that this process has read."""
    return redact(text, _known)


def redact(text: str, secrets: Iterable[str]) -> str:
    """Return a text without some secrets, in any of the forms that repeat them.

    Parameters
    ----------
    text : str
        For a reader, a log or the archive.
    secrets : iterable of str
        What is not to stand in it.

    Returns
    -------
    str
        An ellipsis stands for each.
    """
    for secret in sorted(filter(None, secrets), key=len, reverse=True):
        text = _pattern(secret).sub(MARK, text)
    return text


@lru_cache(maxsize=64)
def _pattern(secret: str) -> re.Pattern[str]:
    forms = sorted(set(_forms(secret)), key=len, reverse=True)
    either = "|".join(map(re.escape, forms))
    if len(secret) < MIN_SECRET_LENGTH:
        return re.compile(rf"(?<!\w)(?:{either})(?!\w)")
    return re.compile(either)


def _forms(secret: str) -> Iterator[str]:
    for plain in (secret, quote(secret), quote(secret, safe=""), quote_plus(secret)):
        yield plain
        yield re.sub(r"%[0-9A-F]{2}", lambda code: code[0].lower(), plain)
    for escaped in (json.dumps(secret), json.dumps(secret, ensure_ascii=False)):
        yield escaped[1:-1]
        yield escaped[1:-1].replace("/", r"\/")
    yield html.escape(secret)
    yield repr(secret)[1:-1]
    if len(secret) >= MIN_SECRET_LENGTH:
        yield from _base64_forms(secret.encode("utf-8", "surrogatepass"))


def _base64_forms(secret: bytes) -> Iterator[str]:
    """Yield the characters that a secret alone decides, wherever it begins in longer data."""
    for offset in range(3):
        padded = b"\0" * offset + secret + b"\0" * (-(offset + len(secret)) % 3)
        first, last = -(-8 * offset // 6), 8 * (offset + len(secret)) // 6
        for encoded in (base64.b64encode(padded), base64.urlsafe_b64encode(padded)):
            inner = encoded.decode("ascii")[first:last]
            yield inner
            yield quote(inner, safe="")
