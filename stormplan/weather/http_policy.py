"""HTTP response policy: usable, retryable, and how long it stays fresh.

Pure functions of status, headers and body. A page that is not JSON comes from the network in
front of a service and says nothing about the forecast; a service names its problem by a type,
and that name decides.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from urllib3.util import Retry

from stormplan.weather.reply_text import delta_seconds, http_date, parse_json

SUCCESS_STATUSES = frozenset(
    {200, 203}
)  # 203: a service's word for a version that is deprecated or in trial
GATEWAY_THROTTLE_STATUSES = frozenset(
    {403, 429, 503}
)  # where the page is not JSON: the network before the service
PERMANENT_PROBLEMS = frozenset(
    {"ForecastGridExpired"}
)  # a server error that waiting does not mend, unless the service says when


DEFAULT_RETRY = Retry(
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
class ResponseVerdict:
    """Classification of a response: usable, or else retryable and why."""

    good: bool
    retryable: bool = False
    throttled: bool = False
    reason: str = ""


def classify_response(
    status: int, headers: Mapping[str, str], body: bytes, retry: Retry = DEFAULT_RETRY
) -> ResponseVerdict:
    """Classify a response as usable, retryable or failed.

    Parameters
    ----------
    status : int
        HTTP status [-].
    headers : mapping
        Names in lower case.
    body : bytes
        As received.
    retry : urllib3 Retry
        Names the statuses that pass.
    """
    content_type = headers.get("content-type", "nothing")
    if not is_json(headers):
        if status in GATEWAY_THROTTLE_STATUSES:
            reason = f"{status} with a page that is not the service's (too fast, or refused)"
            return ResponseVerdict(False, retryable=True, throttled=True, reason=reason)
        retryable = status == 200 or retry.is_retry("GET", status, "retry-after" in headers)
        return ResponseVerdict(
            False, retryable, reason=f"{status} with {content_type} instead of JSON"
        )
    try:
        content = parse_json(body)
    except ValueError:
        return ResponseVerdict(
            False, retryable=True, reason=f"{status} with a body cut short or garbled"
        )
    if status in SUCCESS_STATUSES and "problem" not in content_type:
        return ResponseVerdict(True)
    problem = _problem_name(content)
    says_when = "retry-after" in headers  # the service itself expects it to pass
    is_permanent = problem in PERMANENT_PROBLEMS and not says_when
    retryable = retry.is_retry("GET", status, says_when) and not is_permanent
    return ResponseVerdict(False, retryable, status == 429, f"{status} {problem}".strip())


def is_json(headers: Mapping[str, str]) -> bool:
    """Return whether the content type is JSON; a gateway's page is not."""
    return "json" in headers.get("content-type", "")


def _problem_name(content: object) -> str:
    """Name of the problem an error body states: the end of its type, which does not change.

    Where there is no type, the title or reason in its own words.
    """
    if not isinstance(content, Mapping):
        return ""
    kind = str(content.get("type", "")).rsplit("/", 1)[-1]
    return kind or str(content.get("title") or content.get("reason") or "")


def fresh_until(headers: Mapping[str, str], received_at: datetime) -> datetime:
    """Return the end of a reply's freshness lifetime (RFC 9111).

    Parameters
    ----------
    headers : mapping
        ``cache-control``, ``expires``, ``date`` and ``age`` count; names in lower case.
    received_at : datetime
        By our own clock, aware.

    Returns
    -------
    datetime
        ``received_at`` itself if the service says nothing, or nothing readable.
    """
    directives = {
        name.strip().lower(): value.strip()
        for name, _, value in (
            rule.partition("=") for rule in headers.get("cache-control", "").split(",")
        )
    }
    if "no-store" in directives or "no-cache" in directives:
        return received_at
    max_age_s = delta_seconds(directives.get("max-age"))
    if max_age_s is not None:
        seconds = min(max_age_s, 86_400) - (delta_seconds(headers.get("age")) or 0)
        return received_at + timedelta(seconds=max(seconds, 0))
    expires, sent_at = http_date(headers.get("expires")), http_date(headers.get("date"))
    if expires is None or sent_at is None:
        return received_at
    # the service's own clock against itself, so that ours may be wrong
    return received_at + min(max(expires - sent_at, timedelta(0)), timedelta(days=1))


def clock_offset(headers: Mapping[str, str], received_at: datetime) -> timedelta | None:
    """Return local clock minus the service's clock; None without a date header.

    Parameters
    ----------
    headers : mapping
        ``date`` and ``age`` count; names in lower case.
    received_at : datetime
        By our own clock, aware.
    """
    service_time = http_date(headers.get("date"))
    if service_time is None:
        return None
    age_s = delta_seconds(headers.get("age")) or 0
    return received_at - service_time - timedelta(seconds=age_s)


def origin(url: str) -> tuple[str, str]:
    """Scheme and host with port of an address; what may not change under a redirect."""
    parts = urlsplit(url)
    return parts.scheme.lower(), parts.netloc.lower()
