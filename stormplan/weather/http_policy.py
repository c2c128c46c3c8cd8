"""What an answer over HTTP is worth: good, worth asking again, and fresh until when.

Pure functions of status, headers and body. A page that is not JSON comes from the network in
front of a service and says nothing about the forecast; a service names its problem by a type,
and that name decides.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime
from urllib.parse import urlsplit

from urllib3.util import Retry

GOOD = frozenset({200, 203})  # 203: a service's word for a version that is deprecated or in trial
THROTTLED = frozenset({403, 429, 503})  # where the page is not JSON: the network before the service
LASTING = frozenset({"ForecastGridExpired"})  # a server error that waiting does not mend


RETRY = Retry(
    total=4,
    backoff_factor=1.0,
    backoff_max=30.0,
    backoff_jitter=0.5,
    status_forcelist=(429, 500, 502, 503, 504),
    allowed_methods=("GET",),
    respect_retry_after_header=True,
    raise_on_status=False,
)


@dataclass(frozen=True)
class Verdict:
    """What to make of an answer: whether it is good, or else worth asking again, and why not."""

    good: bool
    again: bool = False
    throttled: bool = False
    reason: str = ""


def judge(status: int, headers: Mapping[str, str], body: bytes, retry: Retry = RETRY) -> Verdict:
    """Tell whether an answer is good, and if not, whether to ask again.

    Parameters
    ----------
    status : int
        HTTP status [-].
    headers : mapping
        Names in lower case [-].
    body : bytes
        As received [-].
    retry : urllib3 Retry
        Names the statuses that pass [-].
    """
    kind = headers.get("content-type", "nothing")
    if not is_json(headers):
        if status in THROTTLED:
            reason = f"{status} with a page that is not the service's (too fast, or refused)"
            return Verdict(False, again=True, throttled=True, reason=reason)
        again = status == 200 or retry.is_retry("GET", status, "retry-after" in headers)
        return Verdict(False, again, reason=f"{status} with {kind} instead of JSON")
    try:
        content = json.loads(body)
    except (ValueError, RecursionError):
        return Verdict(False, again=True, reason=f"{status} with a body cut short or garbled")
    if status in GOOD and "problem" not in kind:
        return Verdict(True)
    problem = _problem(content)
    again = retry.is_retry("GET", status, "retry-after" in headers) and problem not in LASTING
    return Verdict(False, again, status == 429, f"{status} {problem}".strip())


def is_json(headers: Mapping[str, str]) -> bool:
    """Tell whether an answer says it is JSON; else it is a page from the network in front."""
    return "json" in headers.get("content-type", "")


def _problem(content: object) -> str:
    """Name of the problem an error body states: the end of its type, which does not change.

    Where there is no type, the title or reason in its own words.
    """
    if not isinstance(content, Mapping):
        return ""
    kind = str(content.get("type", "")).rsplit("/", 1)[-1]
    return kind or str(content.get("title") or content.get("reason") or "")


def fresh_until(headers: Mapping[str, str], received_at: datetime) -> datetime:
    """Tell until when a reply need not be asked for again.

    Parameters
    ----------
    headers : mapping
        ``cache-control``, ``expires``, ``date`` and ``age`` count; names in lower case [-].
    received_at : datetime
        By our own clock, aware [-].

    Returns
    -------
    datetime
        ``received_at`` itself if the service says nothing, or nothing readable.
    """
    rules = {
        name.strip().lower(): value.strip()
        for name, _, value in (
            rule.partition("=") for rule in headers.get("cache-control", "").split(",")
        )
    }
    if "no-store" in rules or "no-cache" in rules:
        return received_at
    age = headers.get("age", "0")
    if rules.get("max-age", "").isdigit():
        seconds = min(int(rules["max-age"]), 86_400) - (int(age) if age.isdigit() else 0)
        return received_at + timedelta(seconds=max(seconds, 0))
    try:
        expires = parsedate_to_datetime(headers["expires"])
        # the service's own clock against itself, so that ours may be wrong
        lasting = expires - parsedate_to_datetime(headers["date"])
    except (KeyError, ValueError, TypeError):
        return received_at
    return received_at + min(max(lasting, timedelta(0)), timedelta(days=1))


def clock_off(headers: Mapping[str, str], received_at: datetime) -> timedelta | None:
    """Tell how far our clock is ahead of a service's; None if the answer does not say.

    Parameters
    ----------
    headers : mapping
        ``date`` and ``age`` count; names in lower case [-].
    received_at : datetime
        By our own clock, aware [-].
    """
    age = headers.get("age", "0")
    try:
        said = parsedate_to_datetime(headers["date"])
        return received_at - said - timedelta(seconds=int(age) if age.isdigit() else 0)
    except (KeyError, ValueError, TypeError):
        return None


def origin(url: str) -> tuple[str, str]:
    """Scheme and host with port of an address; what may not change under a redirect."""
    parts = urlsplit(url)
    return parts.scheme.lower(), parts.netloc.lower()
