"""Whether the routine does its work: one answer for a monitor, and why.

Asks the archive, not the program that should be running: a program that died cannot say so.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime

from stormplan.delivery import outbox
from stormplan.errors import ArchiveError, Exit
from stormplan.service import due
from stormplan.service.due import Routine
from stormplan.service.runner import Desk
from stormplan.store import report_folders
from stormplan.store.archive import Archive
from stormplan.store.run_log import Ledger


@dataclass(frozen=True)
class Health:
    """Whether the routine does its work: an exit code, and why."""

    code: Exit
    lines: tuple[str, ...]


def look(desk: Desk) -> Health:
    """Look whether today's briefing is there, complete and delivered.

    Parameters
    ----------
    desk : Desk
        Where the routine works [-].

    Returns
    -------
    Health
        0 all is well; 3 the last plan stands on less than it should or did not reach everybody;
        4 there is no briefing for the day whose time has come, or it could plan nothing.
    """
    now = desk.clock()
    try:
        if not desk.archive.exists():
            return Health(Exit.NOTHING_PLANNED, (f"no archive at {desk.archive}",))
        with Archive(desk.archive, desk.busy_s) as archive:
            return _health(desk, Ledger(archive), now)
    except ArchiveError as error:
        return Health(Exit.NOTHING_PLANNED, (str(error),))


def _health(desk: Desk, ledger: Ledger, now: datetime) -> Health:
    missed = _expected(desk.routine, now)
    run = ledger.briefing_of(desk.routine.day_of(now)) or ledger.briefing_of(missed)
    if run is None:
        return Health(Exit.NOTHING_PLANNED, (f"no briefing for {missed}",))
    last = ledger.last_announced() or run
    document = json.loads(last.document)
    lines = [*document["degraded"], *document["troubles"]]
    undelivered, _ = outbox.report(ledger.standings(last.plan))
    lines += undelivered
    if not report_folders.is_published(
        desk.out, report_folders.set_name(last.made_at, last.document)
    ):
        lines.append(f"{desk.out / report_folders.LATEST} is not the last plan that was announced")
    if all(site["source"] is None for site in document["sites"]):
        return Health(Exit.NOTHING_PLANNED, tuple(lines))
    made = f"last plan {last.made_at:%Y-%m-%d %H:%M}Z, answer {document['verdict']}"
    return Health(Exit.DEGRADED if lines else Exit.COMPLETE, (made, *lines))


def _expected(routine: Routine, now: datetime) -> date:
    """Local day whose briefing must be there by now, with some time to make it."""
    return routine.day_of(now - due.LATE)
