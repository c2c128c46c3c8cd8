"""One polite client for public weather services: asks seldom, says who asks, keeps every reply.

``Fetcher.get`` gives the body for an address and how we came by it: just received, confirmed by
the service, still fresh in the archive, or a stale copy that stands in for a reply that could not
be had. The moment is always passed in.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import groupby
from typing import Literal
from urllib.parse import urlsplit

import requests
from urllib3.exceptions import (
    DecodeError,
    HTTPError,
    MaxRetryError,
    ProtocolError,
    ReadTimeoutError,
)
from urllib3.util import Retry

from stormplan.errors import ArchiveError, ForecastError, InputError
from stormplan.store.archive import Archive, StoredReply
from stormplan.version import __version__
from stormplan.weather.http_policy import (
    DEFAULT_RETRY,
    ResponseVerdict,
    classify_response,
    clock_offset,
    fresh_until,
    is_json,
    origin,
)
from stormplan.weather.redaction import MIN_SECRET_LENGTH, redact
from stormplan.weather.reply_text import (
    parse_json,
    printable,
    redirect_target,
    retry_after_s,
)

ReplyState = Literal["fresh", "confirmed", "cached", "stale"]
PayloadCheck = Callable[[object], object]

DEFAULT_ACCEPT = "application/geo+json"
REDIRECT_STATUSES = frozenset({301, 302, 303, 307, 308})
MAX_REDIRECTS = 3
MAX_BODY_BYTES = 20_000_000  # bytes; a grid is 0.2 million
MAX_READ_S = 60.0
MAX_CONSECUTIVE_FAILURES = (
    3  # addresses; then the service is down, and each further one is tried once
)
MAX_CONSECUTIVE_NO_RESPONSES = (
    4  # addresses without any answer; then the service is not asked any more
)


class FetchError(ForecastError):
    """An address gave nothing usable; carries the status of the last answer, if there was one."""

    def __init__(self, message: str, status: int | None = None) -> None:
        self.status = status
        super().__init__(message)


class NotArchivedError(FetchError):
    """A past moment is planned, and the archive has nothing of a source from before it.

    The text names no place and no moment: the plan has both, and places without are told together.
    """

    def __init__(self, source: str) -> None:
        super().__init__(f"{source}: nothing in the archive from before the moment planned for")


@dataclass(frozen=True)
class Reply:
    """A body and how we came by it.

    Attributes
    ----------
    body : bytes
        As received.
    fetched_at : datetime
        When the body was received, aware UTC.
    state : str
        ``"fresh"`` received now, ``"confirmed"`` not modified since, ``"cached"`` still fresh in
        the archive, ``"stale"`` stands in for what could not be had.
    reason : str
        Why a stale copy stands in, in words.
    status : int
        HTTP status the body came with [-].
    """

    body: bytes
    fetched_at: datetime
    state: ReplyState
    reason: str = ""
    status: int = 200

    @property
    def payload(self) -> object:
        """The body read as JSON."""
        return parse_json(self.body)


@dataclass(frozen=True)
class ClientPolicy:
    """Waiting times and retry limits of the client.

    Attributes
    ----------
    min_interval_s : float
        Between any two requests [s].
    min_throttle_wait_s : float
        At least, after a sign of being too fast [s].
    max_wait_s : float
        A service that asks for a longer wait is not asked again in this run [s].
    timeout_s : (float, float)
        To connect, and between two pieces of the answer [s].
    retry : urllib3 Retry
        How often and with which backoff to try again.
    sleep : callable
        Waits for a number of seconds.
    """

    min_interval_s: float = 0.3
    min_throttle_wait_s: float = 5.0
    max_wait_s: float = 60.0
    timeout_s: tuple[float, float] = (3.0, 20.0)
    retry: Retry = DEFAULT_RETRY
    sleep: Callable[[float], None] = time.sleep


@dataclass(frozen=True)
class ServiceTerms:
    """Request settings of one service.

    Attributes
    ----------
    accept : str
        Media type it is asked for.
    default_max_age : timedelta
        How long a reply is taken as fresh where the service says nothing about it.
    min_interval_s : float or None
        Between two requests to it, where it may be asked faster than services as a rule [s].
    secret_params : mapping of str
        Query parameters, such as a key, that are sent but neither kept nor said.
    final_statuses : frozenset of int
        Statuses after which an address is not tried again, whatever came with them [-].
    """

    accept: str = DEFAULT_ACCEPT
    default_max_age: timedelta = timedelta(0)
    min_interval_s: float | None = None
    secret_params: Mapping[str, str] = field(default_factory=dict, repr=False)
    final_statuses: frozenset[int] = frozenset()

    def redact(self, text: str) -> str:
        """Return a text with the secret parameters replaced by an ellipsis."""
        return redact(text, self.secret_params.values())

    def redact_response(self, response: _Response) -> _Response:
        """Return a response without the secrets that a service repeats in it."""
        body = response.body
        secrets = [v for v in self.secret_params.values() if len(v) >= MIN_SECRET_LENGTH]
        if secrets:  # a shorter one would eat numbers
            text = body.decode("utf-8", "surrogateescape")
            body = redact(text, secrets).encode("utf-8", "surrogateescape")
        headers = {name: self.redact(value) for name, value in response.headers.items()}
        return _Response(response.status, headers, body)


DEFAULT_TERMS = ServiceTerms()


@dataclass(frozen=True)
class _Response:
    status: int
    headers: Mapping[str, str]
    body: bytes


@dataclass(frozen=True)
class _FailedAttempt:
    """One try that gave nothing usable, and the wait the service asks for [s]."""

    reason: str
    retryable: bool
    status: int | None = None
    wait_s: float = 0.0

    no_response: bool = False
    hung: bool = False

    @property
    def is_outage(self) -> bool:
        """Whether the service is at fault, not the address."""
        return self.status is None or self.status >= 500 or self.status == 429


@dataclass
class _ServiceHealth:
    """Addresses in a row at which a service failed, and at which it did not even answer."""

    consecutive_failures: int = 0
    consecutive_no_responses: int = 0
    hung_count: int = 0

    def record_outcome(self, outcome: Reply | _FailedAttempt) -> None:
        """Update the counts with the outcome of one address."""
        failed = outcome if isinstance(outcome, _FailedAttempt) else None
        self.consecutive_failures = (
            self.consecutive_failures + 1 if failed is not None and failed.is_outage else 0
        )
        self.consecutive_no_responses = (
            self.consecutive_no_responses + 1 if failed is not None and failed.no_response else 0
        )
        self.hung_count += failed is not None and failed.hung


class _NoResponse(Exception):  # noqa: N818  (not an error of ours: one try of several)
    """The service could not be heard; worth another try unless it led elsewhere."""

    def __init__(self, reason: str, retryable: bool = True, *, hung: bool = False) -> None:
        self.retryable = retryable
        self.hung = hung
        super().__init__(reason)

    def as_attempt(self, terms: ServiceTerms) -> _FailedAttempt:
        """Return the try that this ended."""
        return _FailedAttempt(
            terms.redact(str(self)), self.retryable, no_response=self.retryable, hung=self.hung
        )


def describe_connection_error(error: requests.ConnectionError) -> tuple[str, bool]:
    """Return why no connection came about, with its remedy, and whether it took its time.

    Parameters
    ----------
    error : requests.ConnectionError
        As raised, with the cause urllib3 gives.
    """
    text = str(error)
    if isinstance(error, requests.exceptions.SSLError):
        return (
            "no secure connection (TLS): its certificate is not trusted here; check this "
            "computer's clock and certificates, or the network's own proxy"
        ), False
    if isinstance(error, requests.exceptions.ProxyError):
        return "no connection through the proxy: check HTTPS_PROXY and the proxy's password", False
    if any(sign in text for sign in ("NameResolutionError", "Failed to resolve", "getaddrinfo")):
        return "its name cannot be looked up (DNS): check the network and the address", False
    if "timed out" in text.lower():
        return "no answer in time", True
    if "refused" in text.lower():
        return "connection refused: nothing listens there; check the address and the port", False
    return "no connection: it was cut off; check the network", False


class _Session(requests.Session):
    """A session that leaves redirects alone: it would read ``Location`` even to ignore it."""

    def get_redirect_target(self, resp: requests.Response) -> None:
        """Return none."""


def _no_credentials(request: requests.PreparedRequest) -> requests.PreparedRequest:
    """Add no credentials to a request."""
    return request


def _user_agent(contact: str) -> str:
    contact = contact.strip()
    if not contact or not contact.isascii() or not contact.isprintable():
        raise InputError(
            f"contact {contact!r} cannot be sent to a weather service; give an e-mail address or a "
            "web address, such as 'ops@example.com': the services refuse requests without one"
        )
    return f"stormplan/{__version__} ({contact})"


class Fetcher:
    """HTTP client for weather services: requests apart in time, every reply archived.

    Several threads may ask at once; the starts of requests to one service stay apart, so that an
    address that hangs does not hold up the others.

    Parameters
    ----------
    archive : Archive
        Where replies are kept, and where a copy that stands in comes from.
    contact : str
        E-mail or web address of the user, sent with every request.
    policy : ClientPolicy
        Waits and retries.
    offline : bool
        Ask nobody; plan from the archive alone, as for a past morning.
    budget_s : float
        Time for all requests together; nothing is asked after that [s].
    budget_rule : str
        The rule that sets it, for the words.
    recheck : bool
        Ask even where the copy in the archive is still fresh.

    Raises
    ------
    InputError
        No contact, or one that cannot be sent.
    """

    def __init__(
        self,
        archive: Archive,
        contact: str,
        policy: ClientPolicy | None = None,
        *,
        offline: bool = False,
        budget_s: float = math.inf,
        budget_rule: str = "gather_budget",
        recheck: bool = False,
    ) -> None:
        self.recheck = recheck
        self.archive = archive
        self.offline = offline
        self.budget_s = budget_s
        self._budget_rule = budget_rule
        self._deadline_s = time.monotonic() + budget_s
        self._lock = threading.Lock()
        self._next_start_s: dict[tuple[str, str], float] = {}
        self._policy = policy or ClientPolicy()
        self._session = _Session()
        self._session.auth = _no_credentials  # else those of .netrc are sent
        self._session.headers.update({"User-Agent": _user_agent(contact)})
        self.clock_offset: timedelta | None = None  # how far our clock is ahead of a service's
        self._health: dict[tuple[str, str, str], _ServiceHealth] = {}

    def close(self) -> None:
        """Close the connections."""
        self._session.close()

    def get(
        self,
        url: str,
        now: datetime,
        check: PayloadCheck | None = None,
        *,
        recheck: bool = False,
        terms: ServiceTerms = DEFAULT_TERMS,
    ) -> Reply:
        """Get the body for an address.

        Parameters
        ----------
        url : str
            The address.
        now : datetime
            The moment planned for, aware UTC: nothing received later is used, and what is
            received now is kept under it.
        check : callable, optional
            Given the JSON of a new body, raises ``ForecastError`` if it cannot be used; such a
            body is kept as bad, and the last good one stands in.
        recheck : bool
            Ask even if the copy in the archive is still fresh.
        terms : ServiceTerms
            How the service is asked.

        Returns
        -------
        Reply
            Stale, with the reason, if the service failed and a good copy stands in.

        Raises
        ------
        FetchError
            404, or nothing usable and no good copy; says what was tried.
        NotArchivedError
            Nothing is asked for, and there is no good copy.
        """
        stored = usable = self.archive.last_good_reply(url, now)
        if stored is not None and (
            self.offline or (now < _fresh_until(stored, terms) and not (recheck or self.recheck))
        ):
            is_usable = self.offline or check is None or not _unusable_reason(stored.body, check)
            if is_usable:
                return _reply_from_stored(stored, "cached")
            usable = None  # asked for anew, and not whether it has changed
        if self.offline:
            raise NotArchivedError(origin(url)[1])
        try:
            return self._request_with_retries(
                url, lambda: self._attempt(url, usable, now, check, terms)
            )
        except FetchError as error:
            if stored is None or error.status == 404:
                raise
            return self.use_stale_copy(stored, now, str(error))

    def use_stale_copy(self, stored: StoredReply, now: datetime, reason: str) -> Reply:
        """Return the archived copy as a stale reply, with its age and the reason."""
        age_h = (now - stored.fetched_at) / timedelta(hours=1)
        stale_reason = (
            f"{reason}; the copy of {stored.fetched_at:%Y-%m-%d %H:%M}Z stands in, {age_h:.0f} "
            "h old"
        )
        return _reply_from_stored(stored, "stale", stale_reason)

    def get_file(
        self,
        url: str,
        byte_range: tuple[int, int | None] | None = None,
        *,
        terms: ServiceTerms = DEFAULT_TERMS,
    ) -> bytes:
        """Get a file, or a part of one; it is not kept in the archive.

        Parameters
        ----------
        url : str
            The address.
        byte_range : (int, int or None), optional
            First and last byte wanted, the last one ``None`` for all to the end; the whole file if
            not given [-].
        terms : ServiceTerms
            How the service is asked.

        Raises
        ------
        FetchError
            404, or nothing usable; says what was tried.
        """
        if self.offline:
            raise FetchError(f"{url}: files are not asked for when planning a past moment")
        attempt = partial(self._attempt_file, url, byte_range, terms)
        return self._request_with_retries(url, attempt).body

    def _attempt_file(
        self, url: str, byte_range: tuple[int, int | None] | None, terms: ServiceTerms
    ) -> Reply | _FailedAttempt:
        """Make one attempt at a file or a part of one."""
        headers = {"Accept": terms.accept, "Accept-Encoding": "identity"}
        if byte_range is not None:
            first, last = byte_range
            headers["Range"] = f"bytes={first}-{'' if last is None else last}"
        try:
            answer = self._follow_redirects(url, headers, terms)
        except _NoResponse as failure:
            return failure.as_attempt(terms)
        if answer.status != (200 if byte_range is None else 206):
            says_when = "retry-after" in answer.headers
            retryable = self._policy.retry.is_retry("GET", answer.status, says_when)
            wait_s = retry_after_s(answer.headers.get("retry-after"), datetime.now(UTC))
            return _FailedAttempt(
                f"{answer.status}",
                retryable and wait_s <= self._policy.max_wait_s,
                answer.status,
                wait_s,
            )
        length = answer.headers.get("content-length", str(len(answer.body)))
        if byte_range is not None and byte_range[1] is not None:
            length = str(byte_range[1] - byte_range[0] + 1)
        if length != str(len(answer.body)):
            return _FailedAttempt(f"{len(answer.body)} bytes of {length}", retryable=True)
        return Reply(answer.body, datetime.now(UTC), "fresh", status=answer.status)

    def _request_with_retries(
        self, url: str, attempt: Callable[[], Reply | _FailedAttempt]
    ) -> Reply:
        """Request until a usable reply arrives or the retries run out."""
        health = self._health.setdefault(_endpoint(url), _ServiceHealth())
        if health.consecutive_no_responses >= MAX_CONSECUTIVE_NO_RESPONSES:
            raise FetchError(
                f"{url}: not tried, the service is down ({health.consecutive_no_responses} others"
                " did not answer)"
            )
        retry = self._policy.retry
        if (
            health.consecutive_no_responses
            or health.consecutive_failures >= MAX_CONSECUTIVE_FAILURES
        ):
            retry = retry.new(total=0)
        failures: list[str] = []
        while True:
            outcome = attempt()
            if isinstance(outcome, Reply):
                health.record_outcome(outcome)
                return outcome
            failures.append(outcome.reason)
            # waiting long at one address costs the others their time
            hangs_again = outcome.hung and (health.hung_count > 0 or len(failures) > 1)
            may_retry = outcome.retryable and not hangs_again
            following = _next_retry(retry, url) if may_retry else None
            if following is None:
                health.record_outcome(outcome)
                raise FetchError(f"{url}: {_summarize_attempts(failures)}", outcome.status)
            retry = following
            wait_s = max(outcome.wait_s, retry.get_backoff_time())
            if wait_s > self._deadline_s - time.monotonic():
                failures.append("no time left to try again")
                raise FetchError(f"{url}: {_summarize_attempts(failures)}", outcome.status)
            self._policy.sleep(wait_s)

    def _attempt(
        self,
        url: str,
        stored: StoredReply | None,
        now: datetime,
        check: PayloadCheck | None,
        terms: ServiceTerms,
    ) -> Reply | _FailedAttempt:
        """Make one attempt and archive the response."""
        headers = {"Accept": terms.accept}
        modified = "" if stored is None else stored.headers.get("last-modified", "").strip()
        if modified and modified.isascii() and modified.isprintable():
            headers["If-Modified-Since"] = modified
        try:
            answer = terms.redact_response(self._follow_redirects(url, headers, terms))
        except _NoResponse as failure:
            return failure.as_attempt(terms)
        if answer.status == 304 and stored is not None:
            self.archive.add_confirmation(stored, answer.headers, now)
            return _reply_from_stored(stored, "confirmed")
        verdict = self._verdict(answer, check)
        self.archive.add_reply(
            url, answer.status, answer.headers, answer.body, now, good=verdict.good
        )
        if verdict.good:
            return Reply(answer.body, now, "fresh", status=answer.status)
        wait_s = self._wait_s(answer, verdict)
        retryable = verdict.retryable and wait_s <= self._policy.max_wait_s
        retryable = retryable and answer.status not in terms.final_statuses
        # a page from the network in front says nothing about the address
        status = answer.status if is_json(answer.headers) else None
        return _FailedAttempt(verdict.reason, retryable, status, wait_s)

    def _follow_redirects(
        self, url: str, headers: Mapping[str, str], terms: ServiceTerms
    ) -> _Response:
        """Send one request, following redirects on the same host only."""
        target = url
        for _ in range(MAX_REDIRECTS + 1):
            answer = self._request(target, headers, terms)
            if answer.status not in REDIRECT_STATUSES or "location" not in answer.headers:
                return answer
            location = answer.headers["location"]
            followed = redirect_target(target, location)
            if followed is None:
                raise _NoResponse("sent on to what is not an address, refused", retryable=False)
            target = followed
            if origin(target) != origin(url):
                raise _NoResponse(f"sent on to another host ({target}), refused", retryable=False)
        raise _NoResponse(f"sent on more than {MAX_REDIRECTS} times", retryable=False)

    def _request(self, url: str, headers: Mapping[str, str], terms: ServiceTerms) -> _Response:
        self._wait_for_turn(url, terms)
        left_s = self._left_s()
        deadline = time.monotonic() + min(MAX_READ_S, left_s)
        connect_s, read_s = (min(limit_s, left_s) for limit_s in self._policy.timeout_s)
        body = bytearray()
        try:
            with self._session.get(
                url,
                params=dict(terms.secret_params),
                headers=dict(headers),
                timeout=(connect_s, read_s),
                allow_redirects=False,
                stream=True,
            ) as response:
                if "Range" in headers and response.status_code == 200:
                    raise _NoResponse("gives whole files only, no part of one", retryable=False)
                # what has come, not a full piece: a slow drip must not hold the deadline up
                while piece := response.raw.read1(65_536, decode_content=True):
                    body += piece
                    if len(body) > MAX_BODY_BYTES:
                        raise _NoResponse("an answer without end", hung=True)
                    if time.monotonic() > deadline:
                        self._left_s()
                        raise _NoResponse("an answer without end", hung=True)
                names = {
                    printable(name.lower()): printable(value)
                    for name, value in response.headers.items()
                }
                self._note_clock_offset(clock_offset(names, datetime.now(UTC)))
                return _Response(response.status_code, names, bytes(body))
        except (requests.Timeout, ReadTimeoutError):
            raise _NoResponse("no answer in time", hung=True) from None
        except ProtocolError:
            raise _NoResponse("the answer broke off") from None
        except (DecodeError, requests.exceptions.ContentDecodingError):
            raise _NoResponse("an answer that cannot be unpacked (damaged on the way)") from None
        except requests.ConnectionError as error:
            reason, hung = describe_connection_error(error)
            raise _NoResponse(reason, hung=hung) from None
        except (requests.RequestException, HTTPError) as error:
            raise _NoResponse(f"not an answer ({type(error).__name__})", retryable=False) from error

    def _wait_for_turn(self, url: str, terms: ServiceTerms) -> None:
        """Wait until a request may start; starts at one service stay apart in time."""
        interval_s = self._policy.min_interval_s
        if terms.min_interval_s is not None:
            interval_s = min(interval_s, terms.min_interval_s)
        with self._lock:
            now_s = time.monotonic()
            at_service = origin(url)
            start_s = max(self._next_start_s.get(at_service, now_s), now_s)
            self._next_start_s[at_service] = start_s + interval_s
        if start_s > now_s:
            self._policy.sleep(min(start_s - now_s, self._left_s()))

    def _note_clock_offset(self, offset: timedelta | None) -> None:
        """Keep the least offset that any answer shows: one service's clock may be the wrong one."""
        with self._lock:
            known = self.clock_offset
            if offset is not None and (known is None or abs(offset) < abs(known)):
                self.clock_offset = offset

    def _left_s(self) -> float:
        """Return what is left of the budget [s].

        Raises
        ------
        _NoResponse
            Nothing is.
        """
        left_s = self._deadline_s - time.monotonic()
        if left_s <= 0.0:
            raise _NoResponse(
                f"the time for asking, {self.budget_s / 60.0:.3g} min, is over "
                f"(rule {self._budget_rule})",
                retryable=False,
            )
        return left_s

    def _verdict(self, answer: _Response, check: PayloadCheck | None) -> ResponseVerdict:
        verdict = classify_response(answer.status, answer.headers, answer.body, self._policy.retry)
        if not verdict.good or check is None:
            return verdict
        reason = _unusable_reason(answer.body, check)
        return verdict if reason is None else ResponseVerdict(False, reason=reason)

    def _wait_s(self, answer: _Response, verdict: ResponseVerdict) -> float:
        """Wait the service asks for, or that its signs call for."""
        wait_s = self._policy.min_throttle_wait_s if verdict.throttled else 0.0
        return max(wait_s, retry_after_s(answer.headers.get("retry-after"), datetime.now(UTC)))


def _unusable_reason(body: bytes, check: PayloadCheck) -> str | None:
    """Return why a body cannot be used; None if it can. A reader that fails is a reason, too."""
    try:
        check(parse_json(body))
    except ForecastError as error:
        return str(error)
    except ArchiveError:
        raise
    except Exception as error:  # whatever one body does to its reader is of that body alone
        return f"a body that cannot be read ({type(error).__name__})"
    return None


def _endpoint(url: str) -> tuple[str, str, str]:
    """Service of an address and the first part of its path: one kind of what it serves.

    A service may find every place and yet have no forecast for any.
    """
    kind, has_more, _ = urlsplit(url).path.strip("/").partition("/")
    return *origin(url), kind if has_more else ""


def _reply_from_stored(stored: StoredReply, state: ReplyState, reason: str = "") -> Reply:
    return Reply(stored.body, stored.fetched_at, state, reason, stored.status)


def _fresh_until(stored: StoredReply, terms: ServiceTerms) -> datetime:
    stated_until = fresh_until(stored.headers, stored.confirmed_at)
    no_lifetime_given = (
        stated_until == stored.confirmed_at and "cache-control" not in stored.headers
    )
    return stated_until + terms.default_max_age if no_lifetime_given else stated_until


def _next_retry(retry: Retry, url: str) -> Retry | None:
    """Return the next retry state; None when the retries are used up."""
    try:
        return retry.increment("GET", url)
    except MaxRetryError:
        return None


def _summarize_attempts(reasons: list[str]) -> str:
    """Join the failure reasons; equal ones in a row appear once with their count."""
    runs = [(reason, len(list(run))) for reason, run in groupby(reasons)]
    return ", then ".join(
        reason if times == 1 else f"{reason} ({times} times)" for reason, times in runs
    )
