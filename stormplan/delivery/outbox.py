"""Outbox: every announced plan to every recipient, at most once, with a log.

Each delivery is queued together with the plan it is of, tried, tried again while it may still be
accepted, and given up after hours or when a newer plan is announced. Its last state stands in the
run log, and what did not get through is said in the next briefing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from email.parser import BytesParser
from email.policy import SMTP, default
from pathlib import Path
from typing import Literal

from stormplan.company.delivery_settings import DeliverySettings, ScheduleSettings
from stormplan.delivery.transports import (
    CommandTransport,
    HeartbeatTransport,
    MailTransport,
    Message,
    OutcomeUnknown,
    PermanentFailure,
    TransientFailure,
    Transport,
    WebhookTransport,
    host_of,
)
from stormplan.errors import ArchiveError, InputError
from stormplan.planning.diagnostics import Diagnostic, DiagnosticCode, degraded, note
from stormplan.store.report_folders import write_atomic
from stormplan.store.run_log import OPEN_STATES, DeliveryStatus, RunLog
from stormplan.weather.redaction import redact_known, remember_url
from stormplan.weather.reply_text import printable

#: Wait after the first, second, … failure; greylisting servers want some minutes.
RETRY_DELAYS = tuple(timedelta(minutes=minutes) for minutes in (1, 5, 15, 30, 60))
MAX_RETRY_WAIT = 2 * RETRY_DELAYS[-1]  # a try further ahead was noted by a clock that was wrong
GIVE_UP_AFTER = timedelta(hours=6)  # a briefing older than this is history

MAX_DETAIL_LENGTH = 300  # of what a receiver answered [characters]

Clock = Callable[[], datetime]


def list_deliveries(
    delivery: DeliverySettings, watch: ScheduleSettings, *, is_briefing: bool
) -> list[tuple[str, str]]:
    """List channel and recipient of every delivery of an announced plan.

    Parameters
    ----------
    delivery, watch
        Those parts of the sites file.
    is_briefing : bool
        The morning's: the outside watcher is told, too.
    """
    found: list[tuple[str, str]] = []
    if delivery.mail is not None:
        found += [("mail", to) for to in dict.fromkeys(delivery.mail.to)]
    if delivery.webhook is not None:
        found.append(("webhook", host_of(delivery.webhook.url)))
    if delivery.command is not None:
        found.append(("command", delivery.command[0]))
    if watch.heartbeat is not None and is_briefing:
        found.append(("heartbeat", host_of(watch.heartbeat)))
    return found


def open_transports(delivery: DeliverySettings, watch: ScheduleSettings) -> dict[str, Transport]:
    """Return the transports that the sites file configures."""
    transports: dict[str, Transport] = {}
    if delivery.mail is not None:
        transports["mail"] = MailTransport(delivery.mail)
    if delivery.webhook is not None:
        remember_url(delivery.webhook.url)
        transports["webhook"] = WebhookTransport(delivery.webhook)
    if delivery.command is not None:
        transports["command"] = CommandTransport(delivery.command)
    if watch.heartbeat is not None:
        remember_url(watch.heartbeat)
        transports["heartbeat"] = HeartbeatTransport(watch.heartbeat)
    return transports


def retry_at(status: DeliveryStatus) -> datetime:
    """Moment an open delivery is to be tried: at once, or some time after it failed."""
    if status.failures == 0:
        return status.recorded_at
    return status.recorded_at + RETRY_DELAYS[min(status.failures, len(RETRY_DELAYS)) - 1]


def next_retry_at(run_log: RunLog, plan: int) -> datetime | None:
    """Moment the next open delivery of a plan is to be tried; None if none is open."""
    moments = [
        retry_at(each) for each in run_log.delivery_statuses(plan) if each.state in OPEN_STATES
    ]
    return min(moments, default=None)


def send_due(
    run_log: RunLog, plan: int, message: Message, transports: Mapping[str, Transport], clock: Clock
) -> list[DeliveryStatus]:
    """Try every open delivery of a plan that is due.

    Parameters
    ----------
    run_log : RunLog
        What is open, and where the outcome is kept.
    plan : int
        The plan's row [-].
    message : Message
        The plan, packed.
    transports : mapping of str to Transport
        By name; a delivery whose channel is gone from the sites file is refused.
    clock : callable
        Gives the moment, aware UTC.

    Returns
    -------
    list of DeliveryStatus
        How far all deliveries of the plan have come.
    """
    attempts = []
    for status in run_log.delivery_statuses(plan):
        wait = retry_at(status) - clock()
        if status.state not in OPEN_STATES or timedelta(0) < wait <= MAX_RETRY_WAIT:
            continue
        if status.failures and clock() - message.made_at > GIVE_UP_AFTER:
            _record_state(run_log, status, "gave up", status.detail, clock)
            continue
        transport = transports.get(status.channel)
        if transport is None:
            _record_state(run_log, status, "refused", "no longer in the sites file", clock)
            continue
        attempts.append(_Attempt(run_log, status, transport, clock))
    _send_side_by_side(attempts, message)
    return run_log.delivery_statuses(plan)


class _Attempt:
    """One try of one delivery: its outcome is recorded once, and nothing is sent after that."""

    def __init__(
        self, run_log: RunLog, status: DeliveryStatus, transport: Transport, clock: Clock
    ) -> None:
        self.deadline_s = transport.deadline_s
        self._run_log, self._status, self._clock = run_log, status, clock
        self._transport = transport
        self._lock = threading.Lock()
        self._is_committed = self._is_over = False
        self.error: BaseException | None = None

    def send(self, message: Message) -> None:
        """Send the message and record what became of it."""
        try:
            response = self._transport.send(message, self._status.recipient, self._before_commit)
        except TransientFailure as outcome:
            self._finish("failed", str(outcome))
        except PermanentFailure as outcome:
            self._finish("refused", str(outcome))
        except OutcomeUnknown as outcome:
            self._finish("handing over", str(outcome))
        except Exception as error:  # of this delivery alone, unless the archive fails
            if isinstance(error, ArchiveError):
                self.error = error
            else:
                self._finish(self._state_if_cut_off(), f"{type(error).__name__}: {error}")
        except BaseException as error:  # handed on, in the caller's thread
            self.error = error
        else:
            self._finish("sent", response)

    def cut_off(self) -> None:
        """End an attempt that takes too long; what was not committed yet never is."""
        self._finish(self._state_if_cut_off(), f"did not end within {self.deadline_s:g} s")

    def _state_if_cut_off(self) -> str:
        return "handing over" if self._is_committed else "failed"

    def _before_commit(self) -> None:
        with self._lock:
            if self._is_over:
                raise TransientFailure("took too long")
            _record_state(self._run_log, self._status, "handing over", "", self._clock)
            self._is_committed = True

    def _finish(self, state: str, detail: str) -> None:
        with self._lock:
            if self._is_over:
                return
            self._is_over = True
            try:
                _record_state(self._run_log, self._status, state, detail, self._clock)
            except ArchiveError as error:
                self.error = error


def _send_side_by_side(attempts: Sequence[_Attempt], message: Message) -> None:
    """Send to several receivers at once: none waits for a slow one, and each has its deadline."""
    by_deadline = sorted(attempts, key=lambda attempt: attempt.deadline_s)
    threads = [
        threading.Thread(target=attempt.send, args=(message,), daemon=True)
        for attempt in by_deadline
    ]
    started_s = time.monotonic()
    for thread in threads:
        thread.start()
    for attempt, thread in zip(by_deadline, threads, strict=True):
        thread.join(max(started_s + attempt.deadline_s - time.monotonic(), 0.0))
        if thread.is_alive():
            attempt.cut_off()
    for attempt in by_deadline:
        if attempt.error is not None:
            raise attempt.error


def _record_state(
    run_log: RunLog, status: DeliveryStatus, state: str, response: str, clock: Clock
) -> None:
    detail = printable(redact_known(response))[:MAX_DETAIL_LENGTH]
    run_log.add_delivery(status.plan_id, status.channel, status.recipient, state, detail, clock())  # type: ignore[arg-type]


def supersede(run_log: RunLog, plan: int, clock: Clock) -> None:
    """Close what is still open of earlier plans: nobody needs an old one after a new one."""
    for status in run_log.open_deliveries(plan):
        _record_state(run_log, status, "superseded", status.detail, clock)


def delivery_diagnostics(statuses: Iterable[DeliveryStatus]) -> list[Diagnostic]:
    """Return what was not delivered and what was delayed of a plan, for the next briefing.

    Parameters
    ----------
    statuses : iterable of DeliveryStatus
        Of the plan before.

    Returns
    -------
    list of Diagnostic
        Degrading what did not get through, or may not have; a note what did, but not at once.
    """
    found: list[Diagnostic] = []
    for each in statuses:
        about = {"channel": each.channel, "recipient": each.recipient}
        if each.outcome_unknown:
            code = DiagnosticCode.DELIVERY_UNCONFIRMED
        elif each.state == "refused":
            code = DiagnosticCode.DELIVERY_REFUSED
        elif each.state in ("failed", "gave up", "superseded"):
            code = DiagnosticCode.DELIVERY_FAILED
        elif each.state == "queued":
            code = DiagnosticCode.DELIVERY_NOT_TRIED
        else:
            if each.failures:
                late = DiagnosticCode.DELIVERY_DELAYED
                found.append(note(late, **about, failures=each.failures))
            continue
        found.append(degraded(code, **about, reason=each.detail or None))
    return found


@dataclass(frozen=True)
class NoticeDraft:
    """A drafted notice as it stands in its file now.

    Attributes
    ----------
    name : str
        Its file's name without the ending.
    channel : str
        ``"mail"`` or ``"text"``.
    recipients : tuple of str
        Addresses or numbers it goes to; none where its file names none.
    subject : str
        Of the mail; empty for text messages.
    messages : tuple of str
        The mail's text, or each text message.
    """

    name: str
    channel: Literal["mail", "text"]
    recipients: tuple[str, ...]
    subject: str
    messages: tuple[str, ...]


def read_drafts(folder: Path, only: Sequence[str] | None = None) -> list[NoticeDraft]:
    """Read drafted notices, as somebody may have changed them.

    Parameters
    ----------
    folder : Path
        Holds an ``.eml`` or an ``.sms`` file for each client.
    only : sequence of str, optional
        File names without their ending; all where none is named.

    Returns
    -------
    list of NoticeDraft
        In the order of their names.

    Raises
    ------
    InputError
        No such draft, or one without subject or text.
    """
    files = {path.stem: path for ending in ("eml", "sms") for path in folder.glob(f"*.{ending}")}
    available = ", ".join(sorted(files)) or "none"
    if not files or any(name not in files for name in only or ()):
        wanted = ", ".join(only or ("any",))
        raise InputError(f"{folder}: no draft {wanted}; there are: {available}")
    return [
        _read_mail(files[name])
        if files[name].suffix == ".eml"
        else _read_text_messages(files[name])
        for name in only or sorted(files)
    ]


def _read_mail(path: Path) -> NoticeDraft:
    mail = BytesParser(policy=default).parsebytes(path.read_bytes())
    to, subject = mail["To"], str(mail["Subject"] or "").strip()
    body = mail.get_body(("plain",))
    text = "" if body is None else "\n".join(str(body.get_content()).splitlines()).strip()
    if not subject or not text:
        raise InputError(f"{path}: a notice needs Subject and a text")
    addresses = tuple(address.addr_spec for address in to.addresses) if to else ()
    return NoticeDraft(path.stem, "mail", addresses, subject, (text,))


def _read_text_messages(path: Path) -> NoticeDraft:
    head, _, body = path.read_text(encoding="utf-8").partition("\n\n")
    messages = tuple(" ".join(part.split()) for part in body.split("\n\n") if part.strip())
    if not head.startswith("To:") or not messages:
        raise InputError(f"{path}: text messages need a first line To:, an empty line and a text")
    number = head.removeprefix("To:").strip()
    return NoticeDraft(path.stem, "text", (number,) if number else (), "", messages)


def rewrite_draft(folder: Path, name: str, subject: str, text: str) -> None:
    """Rewrite a drafted notice; whom it goes to stays.

    Parameters
    ----------
    folder : Path
        Where the drafts are.
    name : str
        File name of the draft, without its ending.
    subject : str
        Of a mail; text messages have none.
    text : str
        Of the mail; of text messages one paragraph each.

    Raises
    ------
    InputError
        No such draft, or nothing is left to say.
    """
    (draft,) = read_drafts(folder, (name,))
    words = "\n".join(line.rstrip() for line in text.splitlines()).strip()
    if not words or (draft.channel == "mail" and not subject.strip()):
        raise InputError("a notice needs words, and a mail a subject")
    if draft.channel == "text":
        to = ", ".join(draft.recipients)
        write_atomic(folder / f"{name}.sms", f"To: {to}\n\n{words}\n")
        return
    mail = BytesParser(policy=SMTP).parsebytes((folder / f"{name}.eml").read_bytes())
    del mail["Subject"]
    mail["Subject"] = " ".join(subject.split())
    mail.set_content(words + "\n")
    write_atomic(folder / f"{name}.eml", mail.as_bytes().decode("utf-8"))


def notice_transports(delivery: DeliverySettings) -> dict[str, Transport]:
    """Return the ways notices to clients can be sent by, as the sites file has them."""
    transports: dict[str, Transport] = {}
    if delivery.mail is not None:
        transports["mail"] = MailTransport(delivery.mail)
    if delivery.text is not None and delivery.text.command is not None:
        transports["text"] = CommandTransport(delivery.text.command)
    elif delivery.text is not None and delivery.text.webhook is not None:
        remember_url(delivery.text.webhook.url)
        transports["text"] = WebhookTransport(delivery.text.webhook)
    return transports


def skip_reason(draft: NoticeDraft, transports: Mapping[str, Transport]) -> str | None:
    """Return why a draft cannot be sent; None where it can."""
    if not draft.recipients:
        missing = "mail address" if draft.channel == "mail" else "phone number"
        return f"wants a {draft.channel}; no {missing} on file"
    if draft.channel not in transports:
        return f"wants a {draft.channel}; the sites file has no delivery.{draft.channel} to send by"
    return None


@dataclass(frozen=True)
class NoticeOutcome:
    """How far one message of a notice has come, and whether that was so before.

    Attributes
    ----------
    draft : NoticeDraft
        The notice.
    text : str
        The message.
    status : DeliveryStatus
        How far it has come.
    was_sent_before : bool
        Whether that was so before.
    """

    draft: NoticeDraft
    text: str
    status: DeliveryStatus
    was_sent_before: bool


def send_notices(
    transports: Mapping[str, Transport],
    run_log: RunLog,
    plan: int,
    drafts: Iterable[NoticeDraft],
    clock: Clock,
) -> list[NoticeOutcome]:
    """Send notices to clients; only ever called because somebody said send.

    Parameters
    ----------
    transports : mapping of str to Transport
        By channel; what none of them carries is left to the caller.
    run_log : RunLog
        Where each is kept; a notice that was sent for this plan is not sent again.
    plan : int
        Row of the plan they are of [-].
    drafts : iterable of NoticeDraft
        What to send, to whom.
    clock : callable
        Gives the moment, aware UTC.

    Returns
    -------
    list of NoticeOutcome
        How far each message has come, in the order given.
    """
    outcomes = []
    for draft in drafts:
        if skip_reason(draft, transports) is not None:
            continue
        for recipient in draft.recipients:
            for text in draft.messages:
                message = Message(
                    f"notice {plan} {draft.subject}\n{text}",
                    draft.subject,
                    text,
                    clock(),
                    payload={"type": "notice.text", "to": recipient, "text": text},
                )
                # a client may get one for each site
                log = f"notice {message.recipient_key(recipient)[:12]}"
                status = _find_status(run_log, plan, log, recipient)
                was_sent = status is not None and status.state == "sent"
                if status is None:
                    run_log.add_delivery(plan, log, recipient, "queued", "", clock())
                    status = _find_status(run_log, plan, log, recipient)
                assert status is not None  # it was just queued
                if status.state in OPEN_STATES:
                    transport = transports[draft.channel]
                    _send_side_by_side([_Attempt(run_log, status, transport, clock)], message)
                outcome = _find_status(run_log, plan, log, recipient)
                assert outcome is not None  # as before
                outcomes.append(NoticeOutcome(draft, text, outcome, was_sent))
    return outcomes


def _find_status(run_log: RunLog, plan: int, channel: str, recipient: str) -> DeliveryStatus | None:
    return next(
        (
            each
            for each in run_log.delivery_statuses(plan)
            if (each.channel, each.recipient) == (channel, recipient)
        ),
        None,
    )
