"""Transports: mail, signed webhook, command, heartbeat.

Every channel has one step after which the message counts as accepted. ``mark`` is called right
before that step: what fails earlier can be tried again, what breaks off in it is in doubt and is
never sent a second time.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import io
import json
import os
import re
import signal
import smtplib
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from email import policy
from email.message import EmailMessage
from email.utils import format_datetime
from io import BufferedReader
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

import requests

from stormplan.company.delivery_settings import MailSettings, WebhookSettings
from stormplan.version import __version__
from stormplan.weather.redaction import remember_secret

TIMEOUT_S = 20.0
COMMAND_TIMEOUT_S = 60.0
HTTP_DEADLINE_S = 60.0
#: Waits for a mail server (RFC 5321, 4.5.3.2): greeting and answers, and after the last dot.
SMTP_TIMEOUT_S, SMTP_FINAL_TIMEOUT_S = 300.0, 600.0
SMTP_DEADLINE_S = SMTP_TIMEOUT_S + SMTP_FINAL_TIMEOUT_S
MAX_SMTP_REPLY_BYTES = 100_000  # of one connection
MAX_STDERR_BYTES = 4_000  # of a command, the last of them
#: A whole mail. Our own choice: seconds on a phone's slow link, a tenth of the 10 MB that the
#: strictest common servers take; at some 14 KB a site in a storm, 60 sites are mailed whole.
MAX_MAIL_BYTES = 1_000_000
MAX_MAIL_TEXT_BYTES = MAX_MAIL_BYTES // 2  # so that the small sheets still fit beside it
MAIL_HEAD_BYTES = 10_000  # held free for header, the note of what is left out, and part lines
PART_LINE_BYTES = 200  # boundaries of one part

BeforeCommit = Callable[[], None]


class TransientFailure(Exception):  # noqa: N818  (an outcome, not an error of ours)
    """It was not accepted now and may be later."""


class PermanentFailure(Exception):  # noqa: N818
    """It will not be accepted, however often it is tried."""


class OutcomeUnknown(Exception):  # noqa: N818
    """It broke off in the step after which it counts."""


@dataclass(frozen=True)
class Message:
    """A message to deliver.

    Attributes
    ----------
    idempotency_key : str
        The same for the same plan, however often it is tried.
    subject, text : str
        Complete on their own.
    html : str or None
        The same as a page.
    attachments : mapping of str
        Text by file name.
    payload : mapping
        For programs; anything JSON can hold.
    made_at : datetime
        Moment of planning, aware.
    report_folder : Path or None
        Where the reports stand, if they could be written.
    """

    idempotency_key: str
    subject: str
    text: str
    made_at: datetime
    html: str | None = None
    attachments: Mapping[str, str] = field(default_factory=dict)
    payload: Mapping[str, object] = field(default_factory=dict)
    report_folder: Path | None = None

    def recipient_key(self, recipient: str) -> str:
        """Return the idempotency key of this message for one recipient."""
        return hashlib.sha256(f"{self.idempotency_key} {recipient}".encode()).hexdigest()[:32]


class Transport(Protocol):
    """A way to deliver a message."""

    @property
    def deadline_s(self) -> float:
        """How long one delivery may take in all [s]."""
        ...

    def send(self, message: Message, recipient: str, before_commit: BeforeCommit) -> str:
        """Send a message; return the receiver's response.

        Raises
        ------
        TransientFailure, PermanentFailure, OutcomeUnknown
            It was not accepted, or nobody knows.
        """


def read_secret(variable: str | None, file: str | None) -> str:
    """Read a secret from the environment, or from a file that only its owner may read.

    Raises
    ------
    TransientFailure
        It is not there, or anybody may read it.
    """
    if variable is not None:
        value = os.environ.get(variable, "")
        if not value:
            raise TransientFailure(f"the environment has no {variable}")
        remember_secret(value)
        return value
    path = Path(file or "")
    try:
        mode = path.stat().st_mode
        if mode & 0o077:
            raise TransientFailure(
                f"{path} can be read by others; allow only its owner: chmod 600 {path}"
            )
        value = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise TransientFailure(f"{path} cannot be read ({type(error).__name__})") from error
    remember_secret(value)
    return value


# -- mail -----------------------------------------------------------------------------------------


def compose_mail(message: Message, sender: str, recipient: str) -> EmailMessage:
    """Compose the mail: text that stands alone, the page beside it, the sheets attached.

    What does not fit into ``MAX_MAIL_BYTES`` is left out, and the text says so.
    """
    message = _fit_mail(message)
    mail = EmailMessage(policy=policy.SMTP.clone(cte_type="7bit"))
    mail["Subject"] = re.sub(r"\s+", " ", message.subject)
    mail["From"] = sender
    mail["To"] = recipient
    mail["Date"] = format_datetime(message.made_at)
    mail["Message-ID"] = f"<{message.recipient_key(recipient)}@{sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies, please
    mail.set_content(message.text)
    if message.html is not None:
        mail.add_alternative(message.html, subtype="html")
    for name, text in message.attachments.items():
        mail.add_attachment(text, subtype=_subtype(name), filename=name)
    return mail


def _subtype(name: str) -> str:
    return {"html": "html", "csv": "csv", "ics": "calendar"}.get(name.split(".")[-1], "plain")


def _fit_mail(message: Message) -> Message:
    """Return a message as it is mailed: the smallest parts that fit, and a note of the others.

    Parameters
    ----------
    message : Message
        Whole.

    Returns
    -------
    Message
        Its page without drawings. Unchanged else where all of it fits into ``MAX_MAIL_BYTES``;
        otherwise its text says after the first paragraph what is left out and where it lies.
    """
    page = message.html
    if page is not None:  # mail readers drop drawings, and some the message with them
        page = re.sub(r"<svg\b.*?</svg>", "", page, flags=re.DOTALL)
    text, is_cut = _cut_text(message.text)
    left_bytes = MAX_MAIL_BYTES - MAIL_HEAD_BYTES - _encoded_bytes(text, "plain")
    parts = [(name, _subtype(name), each) for name, each in message.attachments.items()]
    if page is not None:
        parts.append(("", "html", page))
    kept = set()
    for name, subtype, each in sorted(parts, key=lambda part: len(part[2])):
        needed_bytes = len(each)  # no encoding is shorter, and to encode many megabytes takes long
        if needed_bytes <= left_bytes:
            needed_bytes = _encoded_bytes(each, subtype) + PART_LINE_BYTES + 2 * len(name)
        if needed_bytes <= left_bytes:
            left_bytes -= needed_bytes
            kept.add(name)
    missing = [name for name in message.attachments if name not in kept]
    is_page_missing = page is not None and "" not in kept
    if is_cut or is_page_missing or missing:
        note = _left_out_note(missing, message.report_folder, is_cut, is_page_missing)
        head, gap, rest = text.partition("\n\n")
        text = f"{head}\n\n{note}\n{gap and chr(10)}{rest}"
    return replace(
        message,
        text=text,
        html=None if is_page_missing else page,
        attachments={name: each for name, each in message.attachments.items() if name in kept},
    )


def _encoded_bytes(text: str, subtype: str) -> int:
    part = EmailMessage(policy=policy.SMTP.clone(cte_type="7bit"))
    part.set_content(text, subtype=subtype)
    return len(part.as_bytes())


def _cut_text(text: str) -> tuple[str, bool]:
    """Return the whole lines of a text that fit, and whether any are left out."""
    kept = text
    while (size := _encoded_bytes(kept, "plain")) > MAX_MAIL_TEXT_BYTES:
        stop = int(0.95 * len(kept) * MAX_MAIL_TEXT_BYTES / size)
        kept = kept[: kept.rfind("\n", 0, stop) + 1] or kept[:stop]
    return kept, kept != text


def _left_out_note(
    missing: Sequence[str], folder: Path | None, is_cut: bool, is_page_missing: bool
) -> str:
    """Return what a mail lacks, and where that lies."""
    lacking = [
        *(["the end of this text (briefing.txt)"] if is_cut else []),
        *(["this text as a page (briefing.html)"] if is_page_missing else []),
        *(f"attachment {name}" for name in missing),
    ]
    where = (
        "They could not be written to the report folder either."
        if folder is None
        else f"They are in the report folder: {folder}"
    )
    size = f"{MAX_MAIL_BYTES / 1e6:g} MB"
    return f"Left out, to keep this mail under {size}: {', '.join(lacking)}.\n{where}"


class _LimitedReplies:
    """What a mail server says, up to a number of bytes."""

    def __init__(self, file: BufferedReader) -> None:
        self._file = file
        self._left_bytes = MAX_SMTP_REPLY_BYTES

    def readline(self, size: int = -1) -> bytes:
        """Return the next line."""
        line = self._file.readline(size)
        self._left_bytes -= len(line)
        if self._left_bytes < 0:
            raise OSError("an answer without end")
        return line

    def close(self) -> None:
        """Close it."""
        self._file.close()


class _LimitedSmtp(smtplib.SMTP):
    def getreply(self) -> tuple[int, bytes]:
        if self.file is None and self.sock is not None:
            self.file = _LimitedReplies(self.sock.makefile("rb"))
        return super().getreply()


class _LimitedSmtpSsl(_LimitedSmtp, smtplib.SMTP_SSL):
    pass


class MailTransport:
    """Mails through one server, one recipient at a time: a refusal of one is of nobody else."""

    deadline_s = SMTP_DEADLINE_S

    def __init__(self, settings: MailSettings) -> None:
        self._settings = settings

    def send(self, message: Message, recipient: str, before_commit: BeforeCommit) -> str:
        """Mail a message."""
        body = compose_mail(message, self._settings.sender, recipient).as_bytes()
        is_committed = False

        def tracked_commit() -> None:
            nonlocal is_committed
            before_commit()
            is_committed = True

        try:
            server = self._connect()
            try:
                response = _smtp_transaction(
                    server, self._settings.sender, recipient, body, tracked_commit
                )
            finally:
                server.close()
        except (smtplib.SMTPException, OSError) as error:
            reason = _smtp_error_text(error)
            if isinstance(error, smtplib.SMTPResponseException):
                raise (TransientFailure if 400 <= error.smtp_code < 500 else PermanentFailure)(
                    reason
                ) from error
            raise (OutcomeUnknown if is_committed else TransientFailure)(reason) from error
        return response

    def _connect(self) -> smtplib.SMTP:
        settings = self._settings
        name = socket.gethostname()
        # reading the authorities takes longer than a mail without them
        tls = None if settings.security == "none" else ssl.create_default_context()
        server: smtplib.SMTP
        if settings.security == "tls":
            server = _LimitedSmtpSsl(
                settings.host, settings.port, name, timeout=SMTP_TIMEOUT_S, context=tls
            )
        else:
            server = _LimitedSmtp(settings.host, settings.port, name, timeout=SMTP_TIMEOUT_S)
        try:
            if settings.security == "starttls":
                server.starttls(context=tls)
            server.ehlo_or_helo_if_needed()
            if settings.user_env is not None:
                user = read_secret(settings.user_env, None)
                server.login(user, read_secret(settings.password_env, settings.password_file))
        except BaseException:
            server.close()
            raise
        return server


def _smtp_transaction(
    server: smtplib.SMTP, sender: str, recipient: str, body: bytes, before_commit: BeforeCommit
) -> str:
    """Send one message by SMTP; ``before_commit`` runs right before the final dot."""
    for reply in (server.mail(sender), server.rcpt(recipient)):
        if reply[0] not in (250, 251):
            raise smtplib.SMTPResponseException(*reply)
    code, response = server.docmd("data")
    if code != 354:
        raise smtplib.SMTPResponseException(code, response)
    server.send(re.sub(rb"(?m)^\.", b"..", body))
    before_commit()
    if server.sock is not None:
        server.sock.settimeout(SMTP_FINAL_TIMEOUT_S)
    server.send(b".\r\n" if body.endswith(b"\r\n") else b"\r\n.\r\n")
    code, response = server.getreply()
    if code != 250:
        raise smtplib.SMTPResponseException(code, response)
    return response.decode("ascii", "replace")


def _smtp_error_text(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        response = error.smtp_error
        text = response.decode("ascii", "replace") if isinstance(response, bytes) else str(response)
        return f"{error.smtp_code} {text}"
    return f"{type(error).__name__}: {error}"


# -- programs -------------------------------------------------------------------------------------


class WebhookTransport:
    """Posts the summary as JSON, signed as the Standard Webhooks specification says (1.0.0)."""

    deadline_s = HTTP_DEADLINE_S

    def __init__(self, settings: WebhookSettings) -> None:
        self._settings = settings

    def send(self, message: Message, recipient: str, before_commit: BeforeCommit) -> str:
        """Post a message."""
        key = read_secret(self._settings.secret_env, self._settings.secret_file)
        body = json.dumps(message.payload, ensure_ascii=False).encode()
        name, at = message.recipient_key(recipient), str(round(message.made_at.timestamp()))
        headers = {
            "Content-Type": "application/json",
            "User-Agent": f"stormplan/{__version__}",
            "webhook-id": name,
            "webhook-timestamp": at,
            "webhook-signature": f"v1,{webhook_signature(key, name, at, body)}",
        }
        before_commit()
        return _http_request("POST", self._settings.url, headers, body)


def webhook_signature(key: str, message_id: str, timestamp: str, body: bytes) -> str:
    """Sign a message: HMAC-SHA-256 over its id, time and body, in base 64."""
    signed = b".".join((message_id.encode(), timestamp.encode(), body))
    return base64.b64encode(hmac.digest(key.encode(), signed, "sha256")).decode()


class HeartbeatTransport:
    """Requests a URL, so that an outside monitor knows that the morning run happened."""

    deadline_s = HTTP_DEADLINE_S

    def __init__(self, url: str) -> None:
        self._url = url

    def send(self, message: Message, recipient: str, before_commit: BeforeCommit) -> str:  # noqa: ARG002
        """Request the URL."""
        before_commit()
        return _http_request("GET", self._url, {"User-Agent": f"stormplan/{__version__}"}, None)


class _StatusSession(requests.Session):
    """A session that leaves redirects alone and adds no credentials of ``.netrc``."""

    def __init__(self) -> None:
        super().__init__()
        self.auth = lambda request: request

    def get_redirect_target(self, resp: requests.Response) -> None:
        """Return none."""


def _http_request(method: str, url: str, headers: Mapping[str, str], body: bytes | None) -> str:
    """Request a URL for its status; the body of the answer is not read, however long it is."""
    try:
        with (
            _StatusSession() as session,
            session.request(
                method,
                url,
                headers=dict(headers),
                data=body,
                timeout=TIMEOUT_S,
                allow_redirects=False,
                stream=True,
            ) as reply,
        ):
            status = reply.status_code
    except (requests.ConnectTimeout, requests.ConnectionError) as error:
        never_sent = isinstance(error, requests.ConnectTimeout) or "NewConnection" in repr(error)
        raise (TransientFailure if never_sent else OutcomeUnknown)(
            _no_answer_text(type(error).__name__)
        ) from error
    except requests.RequestException as error:
        raise OutcomeUnknown(_no_answer_text(type(error).__name__)) from error
    if 200 <= status < 300:
        return str(status)
    if status == 429 or status >= 500:
        raise TransientFailure(f"answered {status}")
    raise PermanentFailure(f"answered {status}")


def _no_answer_text(kind: str) -> str:
    return f"no answer ({kind})"  # the address may hold a key, and stays out of every report


class CommandTransport:
    """Runs a command with the text on its standard input; no shell comes in between."""

    deadline_s = COMMAND_TIMEOUT_S + TIMEOUT_S

    def __init__(self, arguments: tuple[str, ...]) -> None:
        self._arguments = arguments

    def send(self, message: Message, recipient: str, before_commit: BeforeCommit) -> str:
        """Run it."""
        extra_env = {
            "STORMPLAN_RECIPIENT": recipient,
            "STORMPLAN_SUBJECT": message.subject,
            "STORMPLAN_FOLDER": "" if message.report_folder is None else str(message.report_folder),
            "STORMPLAN_KEY": message.idempotency_key,
        }
        before_commit()
        try:
            process = subprocess.Popen(  # noqa: S603  (the owner's own command, of the owner's file)
                self._arguments,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                env=os.environ | extra_env,
                start_new_session=True,
            )
        except OSError as error:
            raise TransientFailure(f"cannot be run ({error.strerror})") from error
        last_line = _run_to_end(process, message.text.encode("utf-8", "replace"))
        if process.returncode:
            raise TransientFailure(
                f"ended with {process.returncode}: {last_line[:200]}".rstrip(": ")
            )
        return "ended with 0"


def _run_to_end(process: subprocess.Popen[bytes], text: bytes) -> str:
    """Feed a process and wait for it; return the last line it complained.

    Raises
    ------
    OutcomeUnknown
        It did not end in time; it and what it started have been stopped.
    """
    complaint = bytearray()

    def feed() -> None:
        with contextlib.suppress(OSError), process.stdin or io.BytesIO() as stdin:
            stdin.write(text)

    def listen() -> None:
        with process.stderr or io.BytesIO() as stderr:
            while piece := os.read(stderr.fileno(), 65_536):
                complaint.extend(piece)
                del complaint[:-MAX_STDERR_BYTES]

    workers = [threading.Thread(target=work, daemon=True) for work in (feed, listen)]
    for worker in workers:
        worker.start()
    try:
        process.wait(COMMAND_TIMEOUT_S)
    except subprocess.TimeoutExpired as error:
        with contextlib.suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        raise OutcomeUnknown(f"did not end within {COMMAND_TIMEOUT_S:.0f} s") from error
    for worker in workers:
        worker.join(1.0)
    return "".join(bytes(complaint).decode("utf-8", "replace").strip().splitlines()[-1:])


def host_of(url: str) -> str:
    """Return the host of a URL, without what may be a key in it."""
    return urlsplit(url).netloc
