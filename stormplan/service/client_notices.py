"""Client notices as they go out: drafts read again, sent once each, and written into the record."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stormplan.company.sites import Sites
from stormplan.delivery import outbox
from stormplan.delivery.outbox import NoticeDraft, NoticeOutcome
from stormplan.errors import InputError
from stormplan.planning import plan_io
from stormplan.record.entries import NoticeSent, write_entry
from stormplan.service import pipeline
from stormplan.store import report_folders
from stormplan.store.archive import Archive
from stormplan.store.record_log import RecordLog
from stormplan.store.run_log import RunLog

LOCK_TIMEOUT_S = 120.0


@dataclass(frozen=True)
class SentNotices:
    """What became of some drafts.

    Attributes
    ----------
    outcomes : tuple of NoticeOutcome
        How far each message has come.
    skipped : tuple of (NoticeDraft, str)
        What could not be sent, and why.
    """

    outcomes: tuple[NoticeOutcome, ...]
    skipped: tuple[tuple[NoticeDraft, str], ...]


def drafts_digest(drafts: Sequence[NoticeDraft]) -> str:
    """Return what stands for some drafts as they are now: it changes when a word or a name does."""
    return hashlib.sha256(repr(tuple(drafts)).encode()).hexdigest()


def send_drafts(
    sites: Sites,
    out: Path,
    archive: Path,
    drafts: Sequence[NoticeDraft],
    by: str,
    clock: Callable[[], datetime],
) -> SentNotices:
    """Send drafts to clients and write into the record what went out.

    Parameters
    ----------
    sites : Sites
        The sites file.
    out : Path
        Folder of the briefings; the drafts are of its newest plan.
    archive : Path
        The archive.
    drafts : sequence of NoticeDraft
        What to send.
    by : str
        Who said send.
    clock : callable
        Gives the moment, aware UTC.

    Returns
    -------
    SentNotices

    Raises
    ------
    InputError
        There is no way to send by, or the plan is not in the archive.
    """
    transports = outbox.notice_transports(sites.delivery)
    if not transports:
        raise InputError("the sites file names no delivery.mail and no delivery.text to send by")
    latest = out / report_folders.LATEST
    # one at a time: who comes second finds what was sent
    lock = report_folders.exclusive_lock(out, LOCK_TIMEOUT_S, report_folders.SENDING_LOCK)
    with lock, Archive(archive) as kept:
        run_log = RunLog(kept)
        plan = pipeline.read_plan(latest / "plan.json")
        run = run_log.run_of(plan.made_at, plan_io.plan_document(plan))
        if run is None:
            raise InputError(
                f"the plan in {latest} is not in {archive}; name its archive: --archive"
            )
        outcomes = outbox.send_notices(transports, run_log, run.plan_id, drafts, clock)
        entries = [
            _entry(one, run.plan_id, by)
            for one in outcomes
            if one.status.state == "sent" and one.draft.name in sites.clients
        ]
        documents = [(one.id, write_entry(one)) for one in entries]
        RecordLog(kept).add_new(documents, clock())
    reasons = ((draft, outbox.skip_reason(draft, transports)) for draft in drafts)
    skipped = tuple((draft, reason) for draft, reason in reasons if reason is not None)
    return SentNotices(tuple(outcomes), skipped)


def _entry(outcome: NoticeOutcome, plan: int, by: str) -> NoticeSent:
    """Return the entry of a message that went out; sent again it is the same one."""
    status, draft = outcome.status, outcome.draft
    return NoticeSent(
        id=f"{status.channel}-{plan}".replace(" ", "-"),
        at=status.recorded_at,
        by=by,
        client=draft.name,
        channel=draft.channel,
        recipient=status.recipient,
        said="\n\n".join(filter(None, (draft.subject, outcome.text))),
    )
