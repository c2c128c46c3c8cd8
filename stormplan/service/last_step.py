"""The last step of the routine: when it ended, when the next is due, and what it failed with.

A small file beside the reports, so that a monitor sees a routine that stands still: a program that
hangs, or a timer that was switched off, cannot say so.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stormplan.store.report_folders import write_atomic

FILE_NAME = "last_step.json"


@dataclass(frozen=True)
class LastStep:
    """One step's end.

    Attributes
    ----------
    ended_at : datetime
        Aware UTC.
    next_step_at : datetime or None
        When the next is due; None after a fault, which is tried again soon.
    fault : str or None
        Kind and place of the program's fault that ended it.
    checked_archive : str or None
        The archive file whose pages were checked, if the step ended well.
    """

    ended_at: datetime
    next_step_at: datetime | None = None
    fault: str | None = None
    checked_archive: str | None = None


def write_last_step(folder: Path, step: LastStep) -> None:
    """Write the file.

    Raises
    ------
    OSError
        It cannot be written.
    """
    document = {
        "ended_at": step.ended_at.isoformat(),
        "next_step_at": None if step.next_step_at is None else step.next_step_at.isoformat(),
        "fault": step.fault,
        "checked_archive": step.checked_archive,
    }
    write_atomic(folder / FILE_NAME, json.dumps(document) + "\n")


def read_last_step(folder: Path) -> LastStep | None:
    """Return what the file says; None where there is none, or it is damaged."""
    try:
        document = json.loads((folder / FILE_NAME).read_text(encoding="utf-8"))
        next_step_at, fault = document["next_step_at"], document["fault"]
        checked_archive = document["checked_archive"]
        found = LastStep(
            datetime.fromisoformat(document["ended_at"]),
            None if next_step_at is None else datetime.fromisoformat(next_step_at),
            None if fault is None else str(fault),
            None if checked_archive is None else str(checked_archive),
        )
    except (OSError, ValueError, TypeError, LookupError, RecursionError):
        return None
    moments = [found.ended_at, found.next_step_at or found.ended_at]
    return found if all(moment.tzinfo is not None for moment in moments) else None
