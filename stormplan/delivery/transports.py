"""Hands a briefing over: by mail, by signed POST, to a command, to an outside watcher.

Every channel has one step after which the message counts as accepted. ``mark`` is called right
before that step: what fails earlier can be tried again, what breaks off in it is in doubt and is
never sent a second time.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import re
import smtplib
import socket
import ssl
import subprocess
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from email import policy
from email.message import EmailMessage
from email.utils import format_datetime
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

import requests

from stormplan import __version__
from stormplan.company.delivery_settings import Mail, Webhook

TIMEOUT_S = 20.0
COMMAND_TIMEOUT_S = 60.0

Mark = Callable[[], None]


class NotYet(Exception):  # noqa: N818  (an outcome, not an error of ours)
    """It was not accepted now and may be later."""


class Refused(Exception):  # noqa: N818
    """It will not be accepted, however often it is tried."""


class InDoubt(Exception):  # noqa: N818
    """It broke off in the step after which it counts."""


@dataclass(frozen=True)
class Parcel:
    """What is handed over.

    Attributes
    ----------
    key : str
        The same for the same plan, however often it is tried [-].
    subject, text : str
        Complete on their own [-].
    html : str or None
        The same as a page [-].
    attachments : mapping of str
        Text by file name [-].
    summary : mapping
        For programs; anything JSON can hold [-].
    made_at : datetime
        Moment of planning, aware [-].
    folder : Path or None
        Where the reports stand, if they could be written [-].
    """

    key: str
    subject: str
    text: str
    made_at: datetime
    html: str | None = None
    attachments: Mapping[str, str] = field(default_factory=dict)
    summary: Mapping[str, object] = field(default_factory=dict)
    folder: Path | None = None

    def key_for(self, recipient: str) -> str:
        """Name this parcel for one recipient, the same however often it is tried."""
        return hashlib.sha256(f"{self.key} {recipient}".encode()).hexdigest()[:32]


class Channel(Protocol):
    """One way to hand a parcel over."""

    def send(self, parcel: Parcel, recipient: str, mark: Mark) -> str:
        """Hand it over; gives what the other side said.

        Raises
        ------
        NotYet, Refused, InDoubt
            It was not accepted, or nobody knows.
        """


def secret(variable: str | None, file: str | None) -> str:
    """Read a secret from the environment, or from a file that only its owner may read.

    Raises
    ------
    NotYet
        It is not there, or anybody may read it.
    """
    if variable is not None:
        value = os.environ.get(variable, "")
        if not value:
            raise NotYet(f"the environment has no {variable}")
        return value
    path = Path(file or "")
    try:
        mode = path.stat().st_mode
        if mode & 0o077:
            raise NotYet(f"{path} can be read by others; allow only its owner: chmod 600 {path}")
        return path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise NotYet(f"{path} cannot be read ({type(error).__name__})") from error


# -- mail -----------------------------------------------------------------------------------------


def message(parcel: Parcel, sender: str, recipient: str) -> EmailMessage:
    """Compose the mail: text that stands alone, the page beside it, the sheets attached."""
    mail = EmailMessage(policy=policy.SMTP.clone(cte_type="7bit"))
    mail["Subject"] = re.sub(r"\s+", " ", parcel.subject)
    mail["From"] = sender
    mail["To"] = recipient
    mail["Date"] = format_datetime(parcel.made_at)
    mail["Message-ID"] = f"<{parcel.key_for(recipient)}@{sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies, please
    mail.set_content(parcel.text)
    if parcel.html is not None:
        # mail readers drop drawings, and some the message with them
        body = re.sub(r"<svg\b.*?</svg>", "", parcel.html, flags=re.DOTALL)
        mail.add_alternative(body, subtype="html")
    for name, text in parcel.attachments.items():
        kind = {"html": "html", "csv": "csv", "ics": "calendar"}.get(name.split(".")[-1], "plain")
        mail.add_attachment(text, subtype=kind, filename=name)
    return mail


class MailChannel:
    """Mails through one server, one recipient at a time: a refusal of one is of nobody else."""

    def __init__(self, settings: Mail) -> None:
        self._settings = settings

    def send(self, parcel: Parcel, recipient: str, mark: Mark) -> str:
        """Mail a parcel."""
        body = message(parcel, self._settings.sender, recipient).as_bytes()
        marked = False

        def marking() -> None:
            nonlocal marked
            mark()
            marked = True

        try:
            server = self._connect()
            try:
                said = _transact(server, self._settings.sender, recipient, body, marking)
            finally:
                server.close()
        except (smtplib.SMTPException, OSError) as error:
            reason = _smtp_words(error)
            if isinstance(error, smtplib.SMTPResponseException):
                raise (NotYet if 400 <= error.smtp_code < 500 else Refused)(reason) from error
            raise (InDoubt if marked else NotYet)(reason) from error
        return said

    def _connect(self) -> smtplib.SMTP:
        want = self._settings
        name = socket.gethostname()
        tls = ssl.create_default_context()
        server: smtplib.SMTP
        if want.security == "tls":
            server = smtplib.SMTP_SSL(want.host, want.port, name, timeout=TIMEOUT_S, context=tls)
        else:
            server = smtplib.SMTP(want.host, want.port, name, timeout=TIMEOUT_S)
        try:
            if want.security == "starttls":
                server.starttls(context=tls)
            server.ehlo_or_helo_if_needed()
            if want.user_env is not None:
                user = secret(want.user_env, None)
                server.login(user, secret(want.password_env, want.password_file))
        except BaseException:
            server.close()
            raise
        return server


def _transact(server: smtplib.SMTP, sender: str, recipient: str, body: bytes, mark: Mark) -> str:
    """Hand one message over; the mark falls before the dot that ends it, which is what counts."""
    for reply in (server.mail(sender), server.rcpt(recipient)):
        if reply[0] not in (250, 251):
            raise smtplib.SMTPResponseException(*reply)
    code, said = server.docmd("data")
    if code != 354:
        raise smtplib.SMTPResponseException(code, said)
    server.send(re.sub(rb"(?m)^\.", b"..", body))
    mark()
    server.send(b".\r\n" if body.endswith(b"\r\n") else b"\r\n.\r\n")
    code, said = server.getreply()
    if code != 250:
        raise smtplib.SMTPResponseException(code, said)
    return said.decode("ascii", "replace")


def _smtp_words(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        said = error.smtp_error
        text = said.decode("ascii", "replace") if isinstance(said, bytes) else str(said)
        return f"{error.smtp_code} {text}"
    return f"{type(error).__name__}: {error}"


# -- programs -------------------------------------------------------------------------------------


class WebhookChannel:
    """Posts the summary as JSON, signed as the Standard Webhooks specification says (1.0.0)."""

    def __init__(self, settings: Webhook) -> None:
        self._settings = settings

    def send(self, parcel: Parcel, recipient: str, mark: Mark) -> str:
        """Post a parcel."""
        key = secret(self._settings.secret_env, self._settings.secret_file)
        body = json.dumps(parcel.summary, ensure_ascii=False).encode()
        name, at = parcel.key_for(recipient), str(round(parcel.made_at.timestamp()))
        headers = {
            "Content-Type": "application/json",
            "User-Agent": f"stormplan/{__version__}",
            "webhook-id": name,
            "webhook-timestamp": at,
            "webhook-signature": f"v1,{signature(key, name, at, body)}",
        }
        mark()
        return _asked("POST", self._settings.url, headers, body)


def signature(key: str, name: str, at: str, body: bytes) -> str:
    """Sign a message: HMAC-SHA-256 over its id, time and body, in base 64."""
    signed = b".".join((name.encode(), at.encode(), body))
    return base64.b64encode(hmac.digest(key.encode(), signed, "sha256")).decode()


class HeartbeatChannel:
    """Asks for an address, by which an outside watcher knows that the morning run happened."""

    def __init__(self, url: str) -> None:
        self._url = url

    def send(self, parcel: Parcel, recipient: str, mark: Mark) -> str:  # noqa: ARG002
        """Tell the watcher."""
        mark()
        return _asked("GET", self._url, {"User-Agent": f"stormplan/{__version__}"}, None)


def _asked(method: str, url: str, headers: Mapping[str, str], body: bytes | None) -> str:
    try:
        reply = requests.request(
            method, url, headers=headers, data=body, timeout=TIMEOUT_S, allow_redirects=False
        )
    except (requests.ConnectTimeout, requests.ConnectionError) as error:
        never_sent = isinstance(error, requests.ConnectTimeout) or "NewConnection" in repr(error)
        raise (NotYet if never_sent else InDoubt)(_no_url(type(error).__name__)) from error
    except requests.RequestException as error:
        raise InDoubt(_no_url(type(error).__name__)) from error
    if reply.ok and not reply.is_redirect:
        return str(reply.status_code)
    if reply.status_code == 429 or reply.status_code >= 500:
        raise NotYet(f"answered {reply.status_code}")
    raise Refused(f"answered {reply.status_code}")


def _no_url(kind: str) -> str:
    return f"no answer ({kind})"  # the address may hold a key, and stays out of every report


class CommandChannel:
    """Runs a command with the text on its standard input; no shell comes in between."""

    def __init__(self, arguments: tuple[str, ...]) -> None:
        self._arguments = arguments

    def send(self, parcel: Parcel, recipient: str, mark: Mark) -> str:  # noqa: ARG002
        """Run it."""
        more = {
            "STORMPLAN_SUBJECT": parcel.subject,
            "STORMPLAN_FOLDER": "" if parcel.folder is None else str(parcel.folder),
            "STORMPLAN_KEY": parcel.key,
        }
        mark()
        try:
            done = subprocess.run(  # noqa: S603  (the owner's own command, from the owner's file)
                self._arguments,
                input=parcel.text.encode(),
                env=os.environ | more,
                capture_output=True,
                timeout=COMMAND_TIMEOUT_S,
                check=False,
            )
        except subprocess.TimeoutExpired as error:
            raise InDoubt(f"did not end within {COMMAND_TIMEOUT_S:.0f} s") from error
        except OSError as error:
            raise NotYet(f"cannot be run ({error.strerror})") from error
        if done.returncode:
            said = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:]
            raise NotYet(f"ended with {done.returncode}: {''.join(said)[:200]}".rstrip(": "))
        return "ended with 0"


def host_of(url: str) -> str:
    """Name an address without what may be a key in it."""
    return urlsplit(url).netloc
