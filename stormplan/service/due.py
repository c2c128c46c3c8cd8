"""When the next briefing is due, and what is due now: the calendar of the routine.

A briefing belongs to a local day and is made once for it, at the company's local time. Local times
become UTC moments here, by the rules of the zone: a time that the spring change skips counts as
the same time by the old clock, one that the autumn change repeats counts the first time.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

CATCH_UP = timedelta(hours=12)  # a morning missed by more than this is left for the next one
LATE = timedelta(minutes=20)  # after its time, a briefing says so
LOOK = timedelta(minutes=5)  # wake at least this often: a sleeping laptop's timers stand still
UNPLANNED_AGAIN = timedelta(minutes=30)  # while a site has no forecast


@dataclass(frozen=True)
class Routine:
    """When a company wants its plans.

    Attributes
    ----------
    at : time
        Local time of the briefing [-].
    zone : ZoneInfo
        Whose local time [-].
    jitter : timedelta
        A run starts up to this much before its time, the same on every restart [-].
    storm_interval : timedelta
        Between plans while something is ahead [-].
    who : str
        Spreads the starts of different companies [-].
    """

    at: time
    zone: ZoneInfo
    jitter: timedelta = timedelta(0)
    storm_interval: timedelta = timedelta(hours=3)
    who: str = ""

    def due_at(self, day: date) -> datetime:
        """Moment the briefing of a local day is to be there, UTC."""
        return datetime.combine(day, self.at, tzinfo=self.zone).astimezone(UTC)

    def starts_at(self, day: date) -> datetime:
        """Moment the run for a local day's briefing starts: ahead of it by that day's jitter."""
        digest = hashlib.sha256(f"{self.who} {day}".encode()).digest()
        share = int.from_bytes(digest[:4], "big") / 2**32
        return self.due_at(day) - share * self.jitter

    def day_of(self, now: datetime) -> date:
        """Local day whose run started last, or starts right now."""
        today = now.astimezone(self.zone).date()
        days = [today + timedelta(days=offset) for offset in (1, 0, -1)]
        return next(day for day in days if self.starts_at(day) <= now)


@dataclass(frozen=True)
class Last:
    """The routine's last plan: when, and whether it asks to look again soon.

    Attributes
    ----------
    made_at : datetime
        Its moment, aware UTC [-].
    ahead : bool
        Something is to be done, or may have to be [-].
    unplanned : bool
        A site has no forecast [-].
    """

    made_at: datetime
    ahead: bool
    unplanned: bool


@dataclass(frozen=True)
class Due:
    """A plan that is due: why, for which local day, and by how much it is late."""

    kind: Literal["briefing", "storm"]
    day: date | None = None
    late: timedelta = timedelta(0)


def due(
    routine: Routine, now: datetime, briefed: Callable[[date], bool], last: Last | None
) -> Due | None:
    """Tell what is due.

    Parameters
    ----------
    routine : Routine
        The company's wishes [-].
    now : datetime
        Aware UTC [-].
    briefed : callable
        Tells whether a local day has had its briefing [-].
    last : Last or None
        The routine's last plan [-].

    Returns
    -------
    Due or None
        None if nothing is.
    """
    day = routine.day_of(now)
    late = max(now - routine.due_at(day), timedelta(0))
    if late <= CATCH_UP and not briefed(day):
        return Due("briefing", day, late if late > LATE else timedelta(0))
    again = _again(routine, last)
    return Due("storm") if again is not None and again <= now else None


def next_due(
    routine: Routine, now: datetime, briefed: Callable[[date], bool], last: Last | None
) -> datetime:
    """Tell when something is due next, as things stand; ``now`` if something is."""
    if due(routine, now, briefed, last) is not None:
        return now
    day = routine.day_of(now)
    moments = [routine.starts_at(day + timedelta(days=1)), _again(routine, last)]
    return max(now, min(moment for moment in moments if moment is not None))


def _again(routine: Routine, last: Last | None) -> datetime | None:
    """Moment of the next plan during a storm; None if there is none."""
    if last is None or not (last.ahead or last.unplanned):
        return None
    wait = routine.storm_interval
    return last.made_at + (min(wait, UNPLANNED_AGAIN) if last.unplanned else wait)
