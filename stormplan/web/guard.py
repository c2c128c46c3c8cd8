"""What stands before every page: size, rate, hosts and headers."""

from __future__ import annotations

import hmac
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY_BYTES = 32_768  # a form of ours is below 4 KB
MAX_PHOTO_BODY_BYTES = 9_000_000  # one photo of a phone, as it is
MAX_NOTICE_BODY_BYTES = 131_072  # a mail to a client
REQUESTS_A_MINUTE = 300  # of one address; a crew's phone needs ten
WRONG_LINKS_A_MINUTE = 10
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self';"
    " worker-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
#: The reports are single files with a style of their own and no script.
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; base-uri 'none';"
    " form-action 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), camera=(), microphone=()",
    "cache-control": "no-store",
}


def csrf_token(session_secret: str) -> str:
    """Return the token that the forms of a session carry; nobody else can make it."""
    return hmac.new(session_secret.encode(), b"forms", "sha256").hexdigest()


@dataclass
class RateLimit:
    """How many requests an address may make in a minute.

    Attributes
    ----------
    limit : int
        Requests [-].
    clock : callable
        Seconds from some moment.
    """

    limit: int
    clock: Callable[[], float] = time.monotonic
    _counts: dict[str, tuple[float, int]] = field(default_factory=dict)

    def is_over(self, address: str, *, count: bool = True) -> bool:
        """Return whether a request of an address is one too many, and count it."""
        now = self.clock()
        start, seen = self._counts.get(address, (now, 0))
        if now - start >= 60.0:
            start, seen = now, 0
        if len(self._counts) > 10_000:
            self._counts = {k: v for k, v in self._counts.items() if now - v[0] < 60.0}
        self._counts[address] = (start, seen + count)
        return seen + 1 > self.limit


class _TooBigError(Exception):
    """More came than a form may have."""


class Guard:
    """Middleware that refuses what is too big or too often, and sets the headers of every reply.

    A body is counted while the page reads it, and no page reads one before it knows who asks.

    Parameters
    ----------
    app : ASGI application
        What it stands before.
    rate : RateLimit
        Of all requests.
    """

    def __init__(self, app: ASGIApp, rate: RateLimit) -> None:
        self.app = app
        self.rate = rate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or pass it on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        address = (scope.get("client") or ("",))[0]
        if self.rate.is_over(address):
            reply = PlainTextResponse("too many requests; wait a minute", 429)
            await reply(scope, receive, send_guarded)
            return
        limit, seen = _body_limit(scope), 0
        told = Headers(scope=scope).get("content-length", "")
        if told.isdecimal() and int(told) > limit:
            await PlainTextResponse("too big", 413)(scope, receive, send_guarded)
            return

        async def receive_counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > limit:
                raise _TooBigError
            return message

        try:
            await self.app(scope, receive_counted, send_guarded)
        except _TooBigError:
            await PlainTextResponse("too big", 413)(scope, receive, send_guarded)


def _body_limit(scope: Scope) -> int:
    """Return how many bytes the body of a request may have."""
    kind = Headers(scope=scope).get("content-type", "")
    if scope["path"] == "/entry" and kind.startswith("multipart/form-data"):
        return MAX_PHOTO_BODY_BYTES
    return MAX_NOTICE_BODY_BYTES if scope["path"] == "/notices/save" else MAX_BODY_BYTES
