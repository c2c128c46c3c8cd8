"""Briefing schedule: which run is due, and when the next one is.

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

CATCH_UP_LIMIT = timedelta(hours=12)  # a morning missed by more than this is left for the next one
LATE_AFTER = timedelta(minutes=20)  # after its time, a briefing says so
MAX_SLEEP = timedelta(minutes=5)  # wake at least this often: a sleeping laptop's timers stand still
MAX_CLOCK_REVERSAL = timedelta(hours=1)  # a plan from the future: the clock was or is wrong
#: A briefing told so early is still that morning's: our own choice.
MAX_EARLY = timedelta(hours=2)
WRONG_CLOCK_RETRY = timedelta(minutes=30)  # while the services say that the clock is wrong
UNPLANNED_RETRY = timedelta(minutes=30)  # while a site has no forecast, or the clock is wrong


@dataclass(frozen=True)
class BriefingSchedule:
    """The times at which a company wants its plans.

    Attributes
    ----------
    briefing_time : time
        Local time of the briefing.
    zone : ZoneInfo
        Whose local time.
    jitter : timedelta
        A run starts up to this much before its time, the same on every restart.
    storm_interval : timedelta
        Between plans while something is ahead.
    jitter_seed : str
        Spreads the starts of different companies.
    """

    briefing_time: time
    zone: ZoneInfo
    jitter: timedelta = timedelta(0)
    storm_interval: timedelta = timedelta(hours=3)
    jitter_seed: str = ""

    def due_at(self, day: date) -> datetime:
        """Moment the briefing of a local day is to be there, UTC."""
        return datetime.combine(day, self.briefing_time, tzinfo=self.zone).astimezone(UTC)

    def run_starts_at(self, day: date) -> datetime:
        """Moment the run for a local day's briefing starts: ahead of it by that day's jitter."""
        digest = hashlib.sha256(f"{self.jitter_seed} {day}".encode()).digest()
        jitter_frac = int.from_bytes(digest[:4], "big") / 2**32
        return self.due_at(day) - jitter_frac * self.jitter

    def briefing_day(self, now: datetime) -> date:
        """Local day whose run started last, or starts right now."""
        today = now.astimezone(self.zone).date()
        days = [today + timedelta(days=offset) for offset in (1, 0, -1)]
        return next(day for day in days if self.run_starts_at(day) <= now)


@dataclass(frozen=True)
class LastPlan:
    """The routine's last plan: when, and whether it asks to look again soon.

    Attributes
    ----------
    made_at : datetime
        Its moment, aware UTC.
    storm_ahead : bool
        Something is to be done, or may have to be.
    has_unplanned_site : bool
        A site has no forecast.
    clock_offset : timedelta
        By how much the clock was ahead of the weather services' when it was made.
    """

    made_at: datetime
    storm_ahead: bool
    has_unplanned_site: bool
    clock_offset: timedelta = timedelta(0)


@dataclass(frozen=True)
class Due:
    """A plan that is due: why, for which local day, and by how much it is late.

    ``repeated`` is a briefing that was told already, by a clock that was not borne out.
    """

    kind: Literal["briefing", "storm"]
    day: date | None = None
    delay: timedelta = timedelta(0)
    repeated: bool = False


def find_due_run(
    schedule: BriefingSchedule,
    now: datetime,
    has_briefing: Callable[[date], bool],
    last_plan: LastPlan | None,
) -> Due | None:
    """Return the run that is due, if any.

    Parameters
    ----------
    schedule : BriefingSchedule
        The company's wishes.
    now : datetime
        Aware UTC.
    has_briefing : callable
        Tells whether a local day has had its briefing.
    last_plan : LastPlan or None
        The routine's last plan.

    Returns
    -------
    Due or None
        None if nothing is.
    """
    day = schedule.briefing_day(now)
    delay = max(now - schedule.due_at(day), timedelta(0))
    if delay <= CATCH_UP_LIMIT and not has_briefing(day):
        repeated = _was_told_by_wrong_clock(schedule, last_plan, now)
        if repeated and last_plan is not None and now < last_plan.made_at + WRONG_CLOCK_RETRY:
            return None
        return Due("briefing", day, delay if delay > LATE_AFTER else timedelta(0), repeated)
    rerun_at = _storm_rerun_at(schedule, last_plan, now)
    return Due("storm") if rerun_at is not None and rerun_at <= now else None


def is_borne_out(schedule: BriefingSchedule, now: datetime, clock_offset: timedelta) -> bool:
    """Return whether a briefing told by a clock that is off by so much is that day's.

    It is if both clocks name the same day's, or if it is told only a little early.

    Parameters
    ----------
    schedule : BriefingSchedule
        The company's wishes.
    now : datetime
        By this computer's clock, aware UTC.
    clock_offset : timedelta
        By how much it is ahead of the weather services'.
    """
    is_same_day = schedule.briefing_day(now) == schedule.briefing_day(now - clock_offset)
    return is_same_day or timedelta(0) <= clock_offset <= MAX_EARLY


def _was_told_by_wrong_clock(
    schedule: BriefingSchedule, last_plan: LastPlan | None, now: datetime
) -> bool:
    """Whether the last plan was the present day's briefing, by a clock that was wrong."""
    return (
        last_plan is not None
        and last_plan.made_at <= now
        and schedule.briefing_day(last_plan.made_at) == schedule.briefing_day(now)
        and not is_borne_out(schedule, last_plan.made_at, last_plan.clock_offset)
    )


def next_run_at(
    schedule: BriefingSchedule,
    now: datetime,
    has_briefing: Callable[[date], bool],
    last_plan: LastPlan | None,
) -> datetime:
    """Return the time of the next run; ``now`` if one is due."""
    if find_due_run(schedule, now, has_briefing, last_plan) is not None:
        return now
    day = schedule.briefing_day(now)
    moments = [
        schedule.run_starts_at(day + timedelta(days=1)),
        _storm_rerun_at(schedule, last_plan, now),
    ]
    if last_plan is not None and _was_told_by_wrong_clock(schedule, last_plan, now):
        moments.append(last_plan.made_at + WRONG_CLOCK_RETRY)
    return max(now, min(moment for moment in moments if moment is not None))


def _storm_rerun_at(
    schedule: BriefingSchedule, last_plan: LastPlan | None, now: datetime
) -> datetime | None:
    """Moment of the next plan between briefings; None if there is none."""
    if last_plan is None:
        return None
    if last_plan.made_at - now > MAX_CLOCK_REVERSAL:
        return now  # a plan from the future says nothing about the hours until then
    if last_plan.has_unplanned_site or last_plan.clock_offset:
        return last_plan.made_at + min(schedule.storm_interval, UNPLANNED_RETRY)
    return last_plan.made_at + schedule.storm_interval if last_plan.storm_ahead else None
