"""Second memory of the routine: what was told, and to whom, beside the archive.

A few bytes beside the archive, else in the user's state folder, for mornings on which the archive
cannot be written. A telling is noted before anything is sent, each delivery before it counts, and
the end of the telling after the last one: a program that starts again tells nobody a second time,
and tells those whom the one before did not come to.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from threading import Lock
from typing import Any, Literal, get_args

from filelock import FileLock, Timeout

from stormplan.errors import ArchiveError
from stormplan.store.archive import Archive
from stormplan.store.report_folders import report_set_name, write_atomic
from stormplan.store.run_log import OPEN_STATES, DeliveryState, Run, RunLog

MAX_TELLINGS = 30  # the last ones are kept
LOCK_TIMEOUT_S = 5.0  # a change takes milliseconds

TellingState = Literal["telling", "told"]
_LOCK = Lock()  # deliveries go out side by side


def state_files(archive_path: Path) -> tuple[Path, ...]:
    """Return where tellings may be kept for an archive, the preferred file first."""
    key = hashlib.sha256(str(archive_path.absolute()).encode()).hexdigest()[:16]
    named = os.environ.get("STATE_DIRECTORY") or os.environ.get("XDG_STATE_HOME")
    home = os.environ.get("HOME")
    named = named and named.split(os.pathsep)[0]  # systemd may list several
    folder = Path(named) if named else Path(home) / ".local" / "state" if home else None
    beside = archive_path.with_name(f"{archive_path.name}.announced.json")
    return (beside,) if folder is None else (beside, folder / "stormplan" / f"{key}.json")


@dataclass(frozen=True)
class Telling:
    """How far the telling of one plan has come.

    Attributes
    ----------
    state : str
        ``"telling"`` from before the first delivery, ``"told"`` when none is open any more.
    deliveries : mapping of (str, str) to str
        Last state of each delivery that was tried, by channel and recipient.
    revision : int
        Grows with every change; of two files, the higher one is right [-].
    """

    state: TellingState = "telling"
    deliveries: Mapping[tuple[str, str], DeliveryState] = field(default_factory=dict)
    revision: int = 0


class AnnouncedDays:
    """What was told, in the first of some files that can be written.

    Tellings have a key: the local day of a briefing, the name of its reports for another plan.

    Parameters
    ----------
    files : sequence of Path
        Where to look, and to write.
    """

    def __init__(self, files: Sequence[Path]) -> None:
        self._files = tuple(files)

    def __contains__(self, day: date) -> bool:
        """Return whether the briefing of a day was told to the end."""
        found = self.telling(day.isoformat())
        return found is not None and found.state == "told"

    def telling(self, key: str) -> Telling | None:
        """Return how far a telling has come, as any file has it; None if it never began."""
        return self._tellings().get(key)

    def begin(self, key: str) -> bool:
        """Remember that a telling begins, unless it has; return whether it is remembered."""
        return self.telling(key) is not None or self._change(key)

    def add_delivery(self, key: str, channel: str, recipient: str, state: DeliveryState) -> bool:
        """Remember the state of a delivery; return whether that was possible."""
        return self._change(key, delivery=((channel, recipient), state))

    def finish(self, key: str) -> bool:
        """Remember of a telling that began that nothing of it is open any more."""
        found = self.telling(key)
        return found is not None and (found.state == "told" or self._change(key, "told"))

    def _change(
        self,
        key: str,
        state: TellingState | None = None,
        delivery: tuple[tuple[str, str], DeliveryState] | None = None,
    ) -> bool:
        with _LOCK, _lock_file(self._files[0]):
            tellings = self._tellings()
            before = tellings.pop(key, Telling())
            tellings[key] = replace(
                before,
                state=state or before.state,
                deliveries={**before.deliveries, **({} if delivery is None else dict([delivery]))},
                revision=before.revision + 1,
            )
            text = _tellings_text(dict(list(tellings.items())[-MAX_TELLINGS:]))
            return any(_write(file, text) for file in self._files)

    def _tellings(self) -> dict[str, Telling]:
        """Return what all files know, the last changed of each key; the order is the first's."""
        found: dict[str, Telling] = {}
        for file in self._files:
            for key, telling in _read_tellings(file).items():
                if key not in found or found[key].revision < telling.revision:
                    found[key] = telling
        return found


@contextmanager
def _lock_file(file: Path) -> Iterator[None]:
    """Keep other programs from changing a file meanwhile, where that is possible."""
    lock = FileLock(file.with_name(f"{file.name}.lock"), timeout=LOCK_TIMEOUT_S)
    try:
        lock.acquire()
    except (OSError, Timeout):  # better remembered without a lock than not at all
        yield
        return
    try:
        yield
    finally:
        lock.release()


def _write(file: Path, text: str) -> bool:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(file, text)
    except OSError:
        return False
    return True


def _tellings_text(tellings: Mapping[str, Telling]) -> str:
    document = {
        key: {
            "state": telling.state,
            "deliveries": [[*who, state] for who, state in telling.deliveries.items()],
            "revision": telling.revision,
        }
        for key, telling in tellings.items()
    }
    return json.dumps(document) + "\n"


def _read_tellings(file: Path) -> dict[str, Telling]:
    """Return the tellings in a file; none where it is not there or damaged."""
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
        return {str(key): _read_telling(entry) for key, entry in document.items()}
    except (OSError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return {}


def _read_telling(entry: Mapping[str, Any]) -> Telling:
    deliveries = {
        (str(channel), str(recipient)): state for channel, recipient, state in entry["deliveries"]
    }
    if entry["state"] not in get_args(TellingState) or not set(deliveries.values()) <= set(
        get_args(DeliveryState)
    ):
        raise ValueError("no state of a telling or a delivery")
    return Telling(entry["state"], deliveries, int(entry["revision"]))


def telling_key(run: Run) -> str:
    """Return the key of a plan's telling: the local day of a briefing, else its reports' name."""
    if run.day is not None:
        return run.day.isoformat()
    return report_set_name(run.made_at, run.document)


class TellingLog(RunLog):
    """A run log that also keeps the deliveries of one plan in the second memory.

    Parameters
    ----------
    archive : Archive
        The file, or memory.
    announced_days : AnnouncedDays
        The second memory.
    run : Run
        The plan.
    must_be_kept : bool
        Whether the second memory is the only one that the next start has.
    """

    def __init__(
        self, archive: Archive, announced_days: AnnouncedDays, run: Run, *, must_be_kept: bool
    ) -> None:
        super().__init__(archive)
        self._second = announced_days
        self._plan_id, self._key = run.plan_id, telling_key(run)
        self._must_be_kept = must_be_kept

    def add_delivery(
        self,
        plan_id: int,
        channel: str,
        recipient: str,
        state: DeliveryState,
        detail: str,
        recorded_at: datetime,
    ) -> None:
        """Add a state of a delivery to both memories.

        Raises
        ------
        ArchiveError
            Also if the second memory must keep it and cannot.
        """
        super().add_delivery(plan_id, channel, recipient, state, detail, recorded_at)
        is_kept = self._second.add_delivery(self._key, channel, recipient, state)
        if self._must_be_kept and not is_kept:
            raise ArchiveError(f"{channel} to {recipient}: no file can be written to remember it")

    def add_known_deliveries(self, recorded_at: datetime) -> None:
        """Add what the second memory knows of deliveries that are open here."""
        telling = self._second.telling(self._key)
        for status in self.delivery_statuses(self._plan_id):
            who = (status.channel, status.recipient)
            state = None if telling is None else telling.deliveries.get(who)
            if status.state in OPEN_STATES and state is not None and state not in OPEN_STATES:
                super().add_delivery(
                    self._plan_id, *who, state, "noted beside the archive", recorded_at
                )

    def finish_telling(self) -> None:
        """Remember that the plan was told, if no delivery is open."""
        if not any(each.state in OPEN_STATES for each in self.delivery_statuses(self._plan_id)):
            self._second.finish(self._key)
