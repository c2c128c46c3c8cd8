"""Who is told, how, and never twice: every announced plan to every recipient, with a log.

Each delivery is queued together with the plan it is of, tried, tried again while it may still be
accepted, and given up after hours or when a newer plan is announced. Its last state stands in the
ledger, and what did not get through is said in the next briefing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from email.parser import BytesParser
from email.policy import default
from pathlib import Path

from stormplan.company.delivery_settings import Delivery, Mail, Watch
from stormplan.delivery.transports import (
    Channel,
    CommandChannel,
    HeartbeatChannel,
    InDoubt,
    MailChannel,
    NotYet,
    Parcel,
    Refused,
    WebhookChannel,
    host_of,
)
from stormplan.errors import InputError
from stormplan.store.run_log import OPEN, Ledger, Standing

#: Wait after the first, second, … failure; greylisting servers want some minutes.
WAITS = tuple(timedelta(minutes=minutes) for minutes in (1, 5, 15, 30, 60))
GIVE_UP = timedelta(hours=6)  # a briefing older than this is history

Clock = Callable[[], datetime]


def recipients(delivery: Delivery, watch: Watch, *, briefing: bool) -> list[tuple[str, str]]:
    """List channel and recipient of every delivery of an announced plan.

    Parameters
    ----------
    delivery, watch
        Those parts of the sites file [-].
    briefing : bool
        The morning's: the outside watcher is told, too [-].
    """
    found: list[tuple[str, str]] = []
    if delivery.mail is not None:
        found += [("mail", to) for to in dict.fromkeys(delivery.mail.to)]
    if delivery.webhook is not None:
        found.append(("webhook", host_of(delivery.webhook.url)))
    if delivery.command is not None:
        found.append(("command", delivery.command[0]))
    if watch.heartbeat is not None and briefing:
        found.append(("heartbeat", host_of(watch.heartbeat)))
    return found


def open_channels(delivery: Delivery, watch: Watch) -> dict[str, Channel]:
    """Make the channels the sites file names."""
    channels: dict[str, Channel] = {}
    if delivery.mail is not None:
        channels["mail"] = MailChannel(delivery.mail)
    if delivery.webhook is not None:
        channels["webhook"] = WebhookChannel(delivery.webhook)
    if delivery.command is not None:
        channels["command"] = CommandChannel(delivery.command)
    if watch.heartbeat is not None:
        channels["heartbeat"] = HeartbeatChannel(watch.heartbeat)
    return channels


def due_at(standing: Standing) -> datetime:
    """Moment an open delivery is to be tried: at once, or some time after it failed."""
    if standing.failures == 0:
        return standing.at
    return standing.at + WAITS[min(standing.failures, len(WAITS)) - 1]


def next_due(ledger: Ledger, plan: int) -> datetime | None:
    """Moment the next open delivery of a plan is to be tried; None if none is open."""
    moments = [due_at(each) for each in ledger.standings(plan) if each.state in OPEN]
    return min(moments, default=None)


def deliver(
    ledger: Ledger, plan: int, parcel: Parcel, channels: Mapping[str, Channel], clock: Clock
) -> list[Standing]:
    """Try every open delivery of a plan that is due.

    Parameters
    ----------
    ledger : Ledger
        What is open, and where the outcome is kept [-].
    plan : int
        The plan's row [-].
    parcel : Parcel
        The plan, packed [-].
    channels : mapping of str to Channel
        By name; a delivery whose channel is gone from the sites file is refused [-].
    clock : callable
        Gives the moment, aware UTC [-].

    Returns
    -------
    list of Standing
        How far all deliveries of the plan have come.
    """
    for standing in ledger.standings(plan):
        if standing.state not in OPEN or due_at(standing) > clock():
            continue
        if standing.failures and clock() - parcel.made_at > GIVE_UP:
            _note(ledger, standing, "gave up", standing.said, clock)
            continue
        _hand_over(ledger, standing, parcel, channels.get(standing.channel), clock)
    return ledger.standings(plan)


def _hand_over(
    ledger: Ledger, standing: Standing, parcel: Parcel, channel: Channel | None, clock: Clock
) -> None:
    def mark() -> None:
        _note(ledger, standing, "handing over", "", clock)

    if channel is None:
        _note(ledger, standing, "refused", "no longer in the sites file", clock)
        return
    try:
        said = channel.send(parcel, standing.recipient, mark)
    except NotYet as outcome:
        _note(ledger, standing, "failed", str(outcome), clock)
    except Refused as outcome:
        _note(ledger, standing, "refused", str(outcome), clock)
    except InDoubt as outcome:
        _note(ledger, standing, "handing over", str(outcome), clock)
    else:
        _note(ledger, standing, "sent", said, clock)


def _note(ledger: Ledger, standing: Standing, state: str, said: str, clock: Clock) -> None:
    ledger.note(standing.plan, standing.channel, standing.recipient, state, said, clock())  # type: ignore[arg-type]


def supersede(ledger: Ledger, plan: int, clock: Clock) -> None:
    """Close what is still open of earlier plans: nobody needs an old one after a new one."""
    for standing in ledger.unfinished(plan):
        _note(ledger, standing, "superseded", standing.said, clock)


def report(standings: Iterable[Standing]) -> tuple[list[str], list[str]]:
    """Say what became of a plan's deliveries, for the next briefing.

    Parameters
    ----------
    standings : iterable of Standing
        Of the plan before [-].

    Returns
    -------
    list of str
        What did not get through, or may not have.
    list of str
        What got through, but not at once.
    """
    troubles: list[str] = []
    remarks: list[str] = []
    for each in standings:
        what = f"the last plan by {each.channel} to {each.recipient}"
        why = f" ({each.said})" if each.said else ""
        if each.in_doubt:
            troubles.append(f"{what}: broken off, it may or may not have arrived{why}")
        elif each.state == "refused":
            troubles.append(f"{what}: refused{why}")
        elif each.state in ("failed", "gave up", "superseded"):
            troubles.append(f"{what}: not delivered{why}")
        elif each.state == "queued":
            troubles.append(f"{what}: not tried")
        elif each.failures:
            times = "once" if each.failures == 1 else f"{each.failures} times"
            remarks.append(f"{what}: delivered after failing {times}")
    return troubles, remarks


def read_drafts(folder: Path, only: Sequence[str] | None = None) -> list[tuple[str, str, str]]:
    """Read drafted notices, as somebody may have changed them.

    Parameters
    ----------
    folder : Path
        Holds one ``.eml`` file for each client [-].
    only : sequence of str, optional
        File names without their ending; all where none is named [-].

    Returns
    -------
    list of (str, str, str)
        Recipient's address, subject, text; one for each address of each draft.

    Raises
    ------
    InputError
        No such draft, or one without address, subject or text.
    """
    files = {path.stem: path for path in sorted(folder.glob("*.eml"))}
    there = ", ".join(files) or "none"
    if not files or any(name not in files for name in only or ()):
        wanted = ", ".join(only or ("any",))
        raise InputError(f"{folder}: no draft {wanted}; there are: {there}")
    found = []
    for name in only or files:
        mail = BytesParser(policy=default).parsebytes(files[name].read_bytes())
        to, subject = mail["To"], str(mail["Subject"] or "").strip()
        body = mail.get_body(("plain",))
        text = "" if body is None else str(body.get_content()).strip()
        addresses = [address.addr_spec for address in to.addresses] if to else []
        if not addresses or not subject or not text:
            raise InputError(f"{files[name]}: a notice needs To, Subject and a text")
        found += [(address, subject, text) for address in addresses]
    return found


def send_notices(
    mail: Mail,
    ledger: Ledger,
    plan: int,
    notices: Iterable[tuple[str, str, str]],
    clock: Clock,
) -> list[Standing]:
    """Mail notices to clients; only ever called because somebody said send.

    Parameters
    ----------
    mail : Mail
        The mail part of the sites file [-].
    ledger : Ledger
        Where each is kept; a notice that was sent for this plan is not sent again [-].
    plan : int
        Row of the plan they are of [-].
    notices : iterable of (str, str, str)
        Recipient's address, subject, text [-].
    clock : callable
        Gives the moment, aware UTC [-].

    Returns
    -------
    list of Standing
        How far each has come, in the order given.
    """
    channel = MailChannel(mail)
    outcomes = []
    for recipient, subject, text in notices:
        parcel = Parcel(f"notice {plan} {subject}\n{text}", subject, text, clock())
        log = f"notice {parcel.key_for(recipient)[:12]}"  # a client may get one for each site
        known = _standing(ledger, plan, log, recipient)
        if known is None:
            ledger.note(plan, log, recipient, "queued", "", clock())
            known = _standing(ledger, plan, log, recipient)
        assert known is not None  # it was just queued
        if known.state in OPEN:
            _hand_over(ledger, known, parcel, channel, clock)
        outcome = _standing(ledger, plan, log, recipient)
        assert outcome is not None  # as before
        outcomes.append(outcome)
    return outcomes


def _standing(ledger: Ledger, plan: int, channel: str, recipient: str) -> Standing | None:
    return next(
        (
            each
            for each in ledger.standings(plan)
            if (each.channel, each.recipient) == (channel, recipient)
        ),
        None,
    )
