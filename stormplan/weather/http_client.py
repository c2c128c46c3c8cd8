"""One polite client for public weather services: asks seldom, says who asks, keeps every reply.

``Fetcher.get`` gives the body for an address and how we came by it: just received, confirmed by
the service, still fresh in the archive, or a stale copy that stands in for a reply that could not
be had. The moment is always passed in.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Literal
from urllib.parse import urljoin

import requests
from urllib3.exceptions import (
    HTTPError,
    InvalidHeader,
    MaxRetryError,
    ProtocolError,
    ReadTimeoutError,
)
from urllib3.util import Retry

from stormplan import __version__
from stormplan.errors import ForecastError, InputError
from stormplan.store.archive import Archive, Kept
from stormplan.weather.http_policy import (
    RETRY,
    Verdict,
    clock_off,
    fresh_until,
    is_json,
    judge,
    origin,
)

State = Literal["fresh", "confirmed", "cached", "stale"]
Check = Callable[[object], object]

ACCEPT = "application/geo+json"
MOVED = frozenset({301, 302, 303, 307, 308})
HOPS = 3
LONGEST_BODY = 20_000_000  # bytes; a grid is 0.2 million
LONGEST_READ_S = 60.0
FAILURES_IN_A_ROW = 3  # addresses; then the service is down, and each further one is tried once
SILENCES_IN_A_ROW = 4  # addresses without any answer; then the service is not asked any more


class FetchError(ForecastError):
    """An address gave nothing usable; carries the status of the last answer, if there was one."""

    def __init__(self, message: str, status: int | None = None) -> None:
        self.status = status
        super().__init__(message)


@dataclass(frozen=True)
class Reply:
    """A body and how we came by it.

    Attributes
    ----------
    body : bytes
        As received [-].
    fetched_at : datetime
        When the body was received, aware UTC [-].
    state : str
        ``"fresh"`` received now, ``"confirmed"`` not modified since, ``"cached"`` still fresh in
        the archive, ``"stale"`` stands in for what could not be had [-].
    reason : str
        Why a stale copy stands in, in words [-].
    status : int
        HTTP status the body came with [-].
    """

    body: bytes
    fetched_at: datetime
    state: State
    reason: str = ""
    status: int = 200

    @property
    def payload(self) -> object:
        """The body read as JSON."""
        return json.loads(self.body)


@dataclass(frozen=True)
class Manners:
    """How long to wait for what, and how often to try.

    Attributes
    ----------
    pause_s : float
        Between any two requests [s].
    throttled_s : float
        At least, after a sign of being too fast [s].
    patience_s : float
        A service that asks for a longer wait is not asked again in this run [s].
    timeout_s : (float, float)
        To connect, and between two pieces of the answer [s].
    retry : urllib3 Retry
        How often and with which backoff to try again [-].
    sleep : callable
        Waits for a number of seconds [-].
    """

    pause_s: float = 0.3
    throttled_s: float = 5.0
    patience_s: float = 60.0
    timeout_s: tuple[float, float] = (3.0, 20.0)
    retry: Retry = RETRY
    sleep: Callable[[float], None] = time.sleep


@dataclass(frozen=True)
class Terms:
    """How one service is asked.

    Attributes
    ----------
    accept : str
        Media type it is asked for [-].
    lasts : timedelta
        How long a reply is taken as fresh where the service says nothing about it [-].
    secret : mapping of str
        Query parameters, such as a key, that are sent but neither kept nor said [-].
    final : frozenset of int
        Statuses after which an address is not tried again, whatever came with them [-].
    """

    accept: str = ACCEPT
    lasts: timedelta = timedelta(0)
    secret: Mapping[str, str] = field(default_factory=dict, repr=False)
    final: frozenset[int] = frozenset()

    def hide(self, text: str) -> str:
        """Take the secrets out of a text."""
        for value in filter(None, self.secret.values()):
            text = text.replace(value, "…")
        return text


USUAL = Terms()


@dataclass(frozen=True)
class _Answer:
    status: int
    headers: Mapping[str, str]
    body: bytes


@dataclass(frozen=True)
class _Miss:
    """One try that gave nothing usable, and the wait the service asks for [s]."""

    reason: str
    again: bool
    status: int | None = None
    wait_s: float = 0.0

    silent: bool = False

    @property
    def is_outage(self) -> bool:
        """Whether the service is at fault, not the address."""
        return self.status is None or self.status >= 500 or self.status == 429


@dataclass
class _Health:
    """Addresses in a row at which a service failed, and at which it did not even answer."""

    failures: int = 0
    silences: int = 0

    def note(self, outcome: Reply | _Miss) -> None:
        """Count what became of an address."""
        miss = outcome if isinstance(outcome, _Miss) else None
        self.failures = self.failures + 1 if miss is not None and miss.is_outage else 0
        self.silences = self.silences + 1 if miss is not None and miss.silent else 0


class _NoAnswer(Exception):  # noqa: N818  (not an error of ours: one try of several)
    """The service could not be heard; worth another try unless it led elsewhere."""

    def __init__(self, reason: str, again: bool = True) -> None:
        self.again = again
        super().__init__(reason)


def _user_agent(contact: str) -> str:
    contact = contact.strip()
    if not contact or not contact.isascii() or not contact.isprintable():
        raise InputError(
            f"contact {contact!r} cannot be sent to a weather service; give an e-mail address or a "
            "web address, such as 'ops@example.com': the services refuse requests without one"
        )
    return f"stormplan/{__version__} ({contact})"


class Fetcher:
    """Asks weather services, one request at a time, and keeps every reply in the archive.

    Parameters
    ----------
    archive : Archive
        Where replies are kept, and where a copy that stands in comes from [-].
    contact : str
        E-mail or web address of the user, sent with every request [-].
    manners : Manners
        Waits and retries [-].
    offline : bool
        Ask nobody; plan from the archive alone, as for a past morning [-].

    Raises
    ------
    InputError
        No contact, or one that cannot be sent.
    """

    def __init__(
        self,
        archive: Archive,
        contact: str,
        manners: Manners | None = None,
        *,
        offline: bool = False,
    ) -> None:
        self.archive = archive
        self.offline = offline
        self._manners = manners or Manners()
        self._session = requests.Session()
        self._session.headers.update({"User-Agent": _user_agent(contact)})
        self._asked_before = False
        self.clock_off: timedelta | None = None  # how far our clock is ahead of a service's
        self._health: dict[tuple[str, str], _Health] = {}

    def close(self) -> None:
        """Close the connections."""
        self._session.close()

    def get(
        self,
        url: str,
        now: datetime,
        check: Check | None = None,
        *,
        recheck: bool = False,
        terms: Terms = USUAL,
    ) -> Reply:
        """Get the body for an address.

        Parameters
        ----------
        url : str
            The address [-].
        now : datetime
            The moment planned for, aware UTC: nothing received later is used, and what is
            received now is kept under it [-].
        check : callable, optional
            Given the JSON of a new body, raises ``ForecastError`` if it cannot be used; such a
            body is kept as bad, and the last good one stands in [-].
        recheck : bool
            Ask even if the copy in the archive is still fresh [-].
        terms : Terms
            How the service is asked [-].

        Returns
        -------
        Reply
            Stale, with the reason, if the service failed and a good copy stands in.

        Raises
        ------
        FetchError
            404, or nothing usable and no good copy; says what was tried.
        """
        kept = self.archive.last_good(url, now)
        if kept is not None and (self.offline or (now < _fresh_until(kept, terms) and not recheck)):
            return _of(kept, "cached")
        if self.offline:
            raise FetchError(f"{url}: nothing in the archive from before {now:%Y-%m-%d %H:%M}Z")
        try:
            return self._ask(url, kept, now, check, terms)
        except FetchError as error:
            if kept is None or error.status == 404:
                raise
            return self.stand_in(kept, now, str(error))

    def stand_in(self, kept: Kept, now: datetime, reason: str) -> Reply:
        """Make a good copy stand in, with its age and the reason."""
        hours = (now - kept.fetched_at) / timedelta(hours=1)
        said = (
            f"{reason}; the copy of {kept.fetched_at:%Y-%m-%d %H:%M}Z stands in, {hours:.0f} h old"
        )
        return _of(kept, "stale", said)

    def _ask(
        self, url: str, kept: Kept | None, now: datetime, check: Check | None, terms: Terms
    ) -> Reply:
        """Ask until there is a good answer or no more patience."""
        health = self._health.setdefault(origin(url), _Health())
        if health.silences >= SILENCES_IN_A_ROW:
            raise FetchError(f"{url}: not asked, nothing answered at {health.silences} others")
        retry = self._manners.retry
        if health.silences or health.failures >= FAILURES_IN_A_ROW:
            retry = retry.new(total=0)
        tried: list[str] = []
        while True:
            outcome = self._try(url, kept, now, check, terms)
            if isinstance(outcome, Reply):
                health.note(outcome)
                return outcome
            tried.append(outcome.reason)
            following = _next_try(retry, url) if outcome.again else None
            if following is None:
                health.note(outcome)
                raise FetchError(f"{url}: {_tries(tried)}", outcome.status)
            retry = following
            self._manners.sleep(max(outcome.wait_s, retry.get_backoff_time()))

    def _try(
        self, url: str, kept: Kept | None, now: datetime, check: Check | None, terms: Terms
    ) -> Reply | _Miss:
        """Ask once and keep what comes."""
        try:
            answer = self._once(url, kept, terms)
        except _NoAnswer as failure:
            return _Miss(terms.hide(str(failure)), failure.again, silent=failure.again)
        if answer.status == 304 and kept is not None:
            self.archive.confirm(kept, answer.headers, now)
            return _of(kept, "confirmed")
        verdict = self._verdict(answer, check)
        self.archive.keep(url, answer.status, answer.headers, answer.body, now, good=verdict.good)
        if verdict.good:
            return Reply(answer.body, now, "fresh", status=answer.status)
        wait_s = self._wait_s(answer, verdict)
        again = verdict.again and wait_s <= self._manners.patience_s
        again = again and answer.status not in terms.final
        # a page from the network in front says nothing about the address
        status = answer.status if is_json(answer.headers) else None
        return _Miss(verdict.reason, again, status, wait_s)

    def _once(self, url: str, kept: Kept | None, terms: Terms) -> _Answer:
        """Ask once, following redirects on the same host only."""
        headers = {"Accept": terms.accept}
        if kept is not None and "last-modified" in kept.headers:
            headers["If-Modified-Since"] = kept.headers["last-modified"]
        where = url
        for _ in range(HOPS + 1):
            answer = self._request(where, headers, terms.secret)
            if answer.status not in MOVED or "location" not in answer.headers:
                return answer
            where = urljoin(where, answer.headers["location"])
            if origin(where) != origin(url):
                raise _NoAnswer(f"sent on to another host ({where}), refused", again=False)
        raise _NoAnswer(f"sent on more than {HOPS} times", again=False)

    def _request(self, url: str, headers: Mapping[str, str], secret: Mapping[str, str]) -> _Answer:
        if self._asked_before and self._manners.pause_s > 0.0:
            self._manners.sleep(self._manners.pause_s)
        self._asked_before = True
        deadline = time.monotonic() + LONGEST_READ_S
        body = bytearray()
        try:
            with self._session.get(
                url,
                params=dict(secret),
                headers=dict(headers),
                timeout=self._manners.timeout_s,
                allow_redirects=False,
                stream=True,
            ) as response:
                # what has come, not a full piece: a slow drip must not hold the deadline up
                while piece := response.raw.read1(65_536, decode_content=True):
                    body += piece
                    if len(body) > LONGEST_BODY or time.monotonic() > deadline:
                        raise _NoAnswer("an answer without end")
                names = {name.lower(): value for name, value in response.headers.items()}
                off = clock_off(names, datetime.now(UTC))
                if off is not None:
                    self.clock_off = off
                return _Answer(response.status_code, names, bytes(body))
        except (requests.Timeout, ReadTimeoutError):
            raise _NoAnswer("no answer in time") from None
        except ProtocolError:
            raise _NoAnswer("the answer broke off") from None
        except requests.ConnectionError as error:
            slow = "timed out" in str(error).lower()
            raise _NoAnswer("no answer in time" if slow else "no connection") from None
        except (requests.RequestException, HTTPError) as error:
            raise _NoAnswer(f"not an answer ({type(error).__name__})", again=False) from error

    def _verdict(self, answer: _Answer, check: Check | None) -> Verdict:
        verdict = judge(answer.status, answer.headers, answer.body, self._manners.retry)
        if verdict.good and check is not None:
            try:
                check(json.loads(answer.body))
            except ForecastError as error:
                return Verdict(False, reason=str(error))
        return verdict

    def _wait_s(self, answer: _Answer, verdict: Verdict) -> float:
        """Wait the service asks for, or that its signs call for."""
        wait_s = self._manners.throttled_s if verdict.throttled else 0.0
        try:
            asked = answer.headers.get("retry-after")
            return max(wait_s, self._manners.retry.parse_retry_after(asked) if asked else 0.0)
        except InvalidHeader:
            return wait_s


def _of(kept: Kept, state: State, reason: str = "") -> Reply:
    return Reply(kept.body, kept.fetched_at, state, reason, kept.status)


def _fresh_until(kept: Kept, terms: Terms) -> datetime:
    said = fresh_until(kept.headers, kept.confirmed_at)
    silent = said == kept.confirmed_at and "cache-control" not in kept.headers
    return said + terms.lasts if silent else said


def _next_try(retry: Retry, url: str) -> Retry | None:
    """Count a failed try; None when there have been enough."""
    try:
        return retry.increment("GET", url)
    except MaxRetryError:
        return None


def _tries(reasons: list[str]) -> str:
    """Say what was tried: equal answers in a row once, with their number."""
    runs = [(reason, len(list(run))) for reason, run in groupby(reasons)]
    return ", then ".join(
        reason if times == 1 else f"{reason} ({times} times)" for reason, times in runs
    )
