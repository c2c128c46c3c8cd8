"""A mail server on this machine: real SMTP, scripted refusals, everything accepted is kept."""

import asyncio
import socket
import ssl
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope

USER, PASSWORD = "planner", "correct horse"


@dataclass
class MailServer:
    """The server: its port, its script by recipient, and what it accepted."""

    port: int = 0
    rcpt_replies: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    data_replies: list[str] = field(default_factory=list)  # answers to whole messages
    accepted: list[tuple[str, EmailMessage]] = field(default_factory=list)
    raw: list[bytes] = field(default_factory=list)
    tls: list[bool] = field(default_factory=list)
    delay_s: float = 0.0
    rcpt_delays_s: dict[str, float] = field(default_factory=dict)

    def mails_to(self, recipient: str) -> list[EmailMessage]:
        return [mail for to, mail in self.accepted if to == recipient]

    async def handle_RCPT(self, server, session, envelope: Envelope, address, options):  # noqa: N802
        await asyncio.sleep(self.rcpt_delays_s.get(address, 0.0))
        script = self.rcpt_replies[address]
        if script:
            answer = script.pop(0) if len(script) > 1 else script[0]
            if answer != "ok":
                return answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope: Envelope):  # noqa: N802
        await asyncio.sleep(self.delay_s)
        if self.data_replies:
            answer = self.data_replies.pop(0)
            if answer == "hang up":
                server.transport.abort()
                return "451 never heard"
            if answer != "ok":
                return answer
        self.tls.append(session.ssl is not None)
        self.raw.append(envelope.content)
        for address in envelope.rcpt_tos:
            self.accepted.append((address, message_from_bytes(envelope.content, policy=default)))
        return "250 kept"


def _login(server, session, envelope, mechanism, data) -> AuthResult:
    good = (data.login.decode(), data.password.decode()) == (USER, PASSWORD)
    return AuthResult(success=good, handled=False)


@contextmanager
def run_mail_host(tls: ssl.SSLContext | None = None) -> Iterator[Callable[[], MailServer]]:
    """Run an address for as long as the block lasts; each call makes a new server of it.

    With ``tls`` it insists on it and a login.
    """
    strict = {
        "tls_context": tls,
        "require_starttls": True,
        "authenticator": _login,
        "auth_required": True,
    }
    with socket.socket() as free:  # the controller wants a number
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    controller = Controller(
        MailServer(port), hostname="127.0.0.1", port=port, ready_timeout=10,
        **(strict if tls else {}),
    )  # fmt: skip

    def open_server() -> MailServer:
        controller.handler = MailServer(port)  # of every connection from now on
        return controller.handler

    controller.start()
    try:
        yield open_server
    finally:
        controller.stop()


@contextmanager
def run_mail_server(tls: ssl.SSLContext | None = None) -> Iterator[MailServer]:
    """Run one server for as long as the block lasts."""
    with run_mail_host(tls) as open_server:
        yield open_server()
