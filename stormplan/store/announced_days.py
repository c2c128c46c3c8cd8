"""Second memory of the routine: the local days whose briefing was told.

A few bytes beside the archive, else in the user's state folder, for mornings on which the archive
cannot be written: a program that a timer starts again must not tell the same briefing again.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from stormplan.store.report_folders import write_atomic

MAX_DAYS = 30  # the last ones are kept


def state_files(archive_path: Path) -> tuple[Path, ...]:
    """Return where the days may be kept for an archive, the preferred file first."""
    key = hashlib.sha256(str(archive_path.absolute()).encode()).hexdigest()[:16]
    named = os.environ.get("STATE_DIRECTORY") or os.environ.get("XDG_STATE_HOME")
    home = os.environ.get("HOME")
    folder = Path(named) if named else Path(home) / ".local" / "state" if home else None
    beside = archive_path.with_name(f"{archive_path.name}.announced.json")
    return (beside,) if folder is None else (beside, folder / "stormplan" / f"{key}.json")


class AnnouncedDays:
    """Local days that were told, in the first of some files that can be written.

    Parameters
    ----------
    files : sequence of Path
        Where to look, and to write.
    """

    def __init__(self, files: Sequence[Path]) -> None:
        self._files = tuple(files)

    def __contains__(self, day: date) -> bool:
        """Return whether any file names the day."""
        return any(day.isoformat() in _read_days(file) for file in self._files)

    def add(self, day: date) -> bool:
        """Remember a day; return whether that was possible."""
        for file in self._files:
            others = [told for told in _read_days(file) if told != day.isoformat()]
            days = [*others, day.isoformat()][-MAX_DAYS:]  # the last that were added
            try:
                file.parent.mkdir(parents=True, exist_ok=True)
                write_atomic(file, json.dumps(days) + "\n")
            except OSError:
                continue
            return True
        return False


def _read_days(file: Path) -> tuple[str, ...]:
    """Return the days in a file; none where it is not there or damaged."""
    try:
        days = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return ()
    return tuple(day for day in days if isinstance(day, str)) if isinstance(days, list) else ()
