"""What a service says, made safe to keep and to show: JSON, header values, times in headers.

Every function here is total: whatever comes in, out comes a value of the type it names, None, or
one ``ValueError``. Text loses what no reader can see or a terminal would obey; a number that is
none becomes None, which is unknown.
"""

from __future__ import annotations

import json
import math
import re
from datetime import datetime
from email.utils import parsedate_to_datetime
from urllib.parse import urljoin, urlsplit

#: The value that stands for any greater number of seconds (RFC 9111, section 1.2.2).
MAX_DELTA_SECONDS = 2**31
#: Integers of more digits than this are read as floats, which cannot overflow a later sum.
MAX_INTEGER_DIGITS = 15

_UNSAFE_BODY = re.compile(rb"[^\t\n\r\x20-\x7e]|\\[ubfr]")
#: C0 and C1 controls but tab and newline; directional overrides (Unicode, annex 9); surrogates.
_UNSAFE_TEXT = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)
_ESCAPE_SEQUENCE = re.compile(r"\x1b\[[0-?]*[ -/]*[@-~]|\x1b\][^\x07\x1b]*(?:\x07|\x1b\\)?|\x1b.")


def printable(text: str) -> str:
    """Return a text without terminal sequences, controls, overrides and halves of surrogates."""
    return _UNSAFE_TEXT.sub("", _ESCAPE_SEQUENCE.sub("", text))


def parse_json(body: bytes) -> object:
    """Read JSON: strings printable, numbers finite or None.

    Parameters
    ----------
    body : bytes
        As received.

    Returns
    -------
    object
        What it holds.

    Raises
    ------
    ValueError
        It is none, or nested too deeply to read.
    """
    try:
        content = json.loads(
            body, parse_int=_integer, parse_float=_number, parse_constant=lambda _: None
        )
        return _printable_strings(content) if _UNSAFE_BODY.search(body) else content
    except RecursionError as error:
        raise ValueError("nested too deeply") from error


def _integer(digits: str) -> float | None:
    return int(digits) if len(digits) <= MAX_INTEGER_DIGITS else _number(digits)


def _number(digits: str) -> float | None:
    value = float(digits)
    return value if math.isfinite(value) else None


def _printable_strings(content: object) -> object:
    if isinstance(content, str):
        return printable(content)
    if isinstance(content, list):
        return [_printable_strings(each) for each in content]
    if isinstance(content, dict):
        return {printable(name): _printable_strings(each) for name, each in content.items()}
    return content


def delta_seconds(text: str | None) -> int | None:
    """Return a number of seconds as RFC 9110 writes it; None for anything else [s]."""
    digits = "" if text is None else text.strip(" \t")
    if not digits.isascii() or not digits.isdigit():
        return None
    significant = digits.lstrip("0")
    return MAX_DELTA_SECONDS if len(significant) > 10 else min(int(digits), MAX_DELTA_SECONDS)


def http_date(text: str | None) -> datetime | None:
    """Return the aware moment of an HTTP date (RFC 9110, section 5.6.7); None for anything else."""
    if text is None or not text.isascii() or len(text) > 100:
        return None
    try:
        moment = parsedate_to_datetime(text)
        moment.timestamp()
    except (ValueError, TypeError, LookupError, AttributeError, ArithmeticError, OSError):
        return None
    return None if moment.tzinfo is None else moment


def retry_after_s(text: str | None, now: datetime) -> float:
    """Return the wait that ``Retry-After`` asks for; 0 where it says nothing readable [s]."""
    seconds = delta_seconds(text)
    if seconds is not None:
        return float(seconds)
    moment = http_date(text)
    return 0.0 if moment is None else max((moment - now).total_seconds(), 0.0)


def redirect_target(url: str, location: str) -> str | None:
    """Return the address that ``Location`` leads to; None if it is no address."""
    if not location.isascii() or not location.isprintable():
        return None
    try:
        target = urljoin(url, location)
        return target if urlsplit(target).hostname else None
    except ValueError:
        return None
