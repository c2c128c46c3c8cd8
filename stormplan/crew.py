"""Whether the sprayers can cover the ground in time, in which order, and what is not reached.

Each sprayer of a yard takes the next job it serves: highest priority, then worst hazard, then
largest. Times are hours of spraying and refilling; driving between sites is in ``refill``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from pydantic import AwareDatetime

from stormplan.event import Hazard, Record
from stormplan.sites import Sprayer, Yard
from stormplan.treatment import Treatment

_ORDER = tuple(Hazard)


@dataclass(frozen=True)
class Job:
    """One surface to spray."""

    site: str
    surface: str
    priority: int
    use: str
    area_m2: float
    treatment: Treatment


class Round(Record):
    """One job on a sprayer's round: where, and from when to when."""

    site: str
    surface: str
    start: AwareDatetime
    end: AwareDatetime


class SprayerPlan(Record):
    """One sprayer: what it carries, how long it works, and its round in order. [L], [h]."""

    sprayer: str
    name: str
    volume_l: float
    loads: int
    hours: float
    start: AwareDatetime | None
    rounds: tuple[Round, ...]


class Missed(Record):
    """A surface that will not be sprayed in time, and why."""

    site: str
    surface: str
    says: str


class Crew(Record):
    """A yard's sprayers against the window: hours needed and hours there are [h]."""

    sprayers: tuple[SprayerPlan, ...]
    hours_needed: float
    hours_there: float
    missed: tuple[Missed, ...]


@dataclass
class _Truck:
    """A sprayer at work."""

    key: str
    sprayer: Sprayer
    free_at: datetime | None = None
    volume_l: float = 0.0
    hours: float = 0.0

    def takes_h(self, job: Job) -> float:
        """Hours for a job: spraying, and its share of refills."""
        volume = job.treatment.volume_l
        before, after = self.volume_l, self.volume_l + volume
        refills = math.ceil(after / self.sprayer.tank_l - 1e-9) - max(
            math.ceil(before / self.sprayer.tank_l - 1e-9), 1
        )
        spraying = job.area_m2 / self.sprayer.covers_m2_h
        return spraying + max(refills, 0) * self.sprayer.refill_h

    def can(self, job: Job) -> bool:
        """Whether it serves this use at this rate."""
        rate = job.treatment.rate_l_m2
        inside = (
            self.sprayer.lowest_rate_l_m2 <= rate + 1e-9 <= self.sprayer.highest_rate_l_m2 + 2e-9
        )
        return job.use in self.sprayer.serves and inside


def plan_crew(yard: Yard, jobs: Sequence[Job], now: datetime) -> Crew:
    """Send a yard's sprayers round.

    Parameters
    ----------
    yard : Yard
        Its sprayers [-].
    jobs : sequence of Job
        Every pre-treat served from it [-].
    now : datetime
        Moment of planning, aware UTC [-].

    Returns
    -------
    Crew
        Rounds in order; what does not fit before its event is named.
    """
    trucks = {key: _Truck(key, sprayer) for key, sprayer in yard.sprayers.items()}
    rounds: dict[str, list[Round]] = {key: [] for key in trucks}
    missed: list[Missed] = []
    for group in _groups(jobs):
        begin = _begin(group, trucks, now)
        for truck in trucks.values():
            truck.free_at = max(begin, truck.free_at or begin)
        for job in group:
            placed = _place(job, trucks)
            if isinstance(placed, Missed):
                missed.append(placed)
            else:
                rounds[placed[0]].append(placed[1])
    return Crew(
        sprayers=tuple(_sprayer(trucks[key], rounds[key]) for key in trucks),
        hours_needed=sum(truck.hours for truck in trucks.values()),
        hours_there=_hours_there(jobs, trucks),
        missed=tuple(missed),
    )


def _groups(jobs: Sequence[Job]) -> list[list[Job]]:
    """Part the jobs by when their events come, each group in the order it is worked."""
    by_time: list[list[Job]] = []
    for job in sorted(jobs, key=_onset):
        if by_time and _onset(job) - _onset(by_time[-1][0]) <= timedelta(hours=6):
            by_time[-1].append(job)
        else:
            by_time.append([job])
    return [sorted(group, key=_rank) for group in by_time]


def _onset(job: Job) -> datetime:
    assert job.treatment.event is not None  # every pre-treat has one
    return job.treatment.event.start


def _rank(job: Job) -> tuple[int, int, float, str, str]:
    assert job.treatment.event is not None
    severity = -_ORDER.index(job.treatment.event.hazard)
    return job.priority, severity, -job.area_m2, job.site, job.surface


def _begin(group: Sequence[Job], trucks: Mapping[str, _Truck], now: datetime) -> datetime:
    """Start early enough for the whole group, no earlier than the first window opens."""
    opens = max(now, min(_needed(job.treatment.earliest) for job in group))
    wanted = min(_needed(job.treatment.best_start) for job in group)
    last = min(_needed(job.treatment.latest) for job in group) + timedelta(hours=1)
    longest = 0.0
    for use in {job.use for job in group}:
        serving = [truck for truck in trucks.values() if use in truck.sprayer.serves]
        if serving:
            work = sum(serving[0].takes_h(job) for job in group if job.use == use)
            longest = max(longest, work / len(serving))
    return max(opens, min(wanted, last - timedelta(hours=longest)))


def _needed(moment: datetime | None) -> datetime:
    assert moment is not None  # every pre-treat has its times
    return moment


def _place(job: Job, trucks: Mapping[str, _Truck]) -> tuple[str, Round] | Missed:
    able = [truck for truck in trucks.values() if truck.can(job)]
    if not able:
        says = "no sprayer of the yard serves this surface at this rate"
        return Missed(site=job.site, surface=job.surface, says=says)
    truck = min(able, key=lambda one: (_needed(one.free_at), one.key))
    start = max(_needed(truck.free_at), _needed(job.treatment.earliest))
    hours = truck.takes_h(job)
    end = start + timedelta(hours=hours)
    if end > _onset(job):
        says = "not reached before it starts"
        return Missed(site=job.site, surface=job.surface, says=says)
    truck.free_at = end
    truck.volume_l += job.treatment.volume_l
    truck.hours += hours
    return truck.key, Round(site=job.site, surface=job.surface, start=start, end=end)


def _sprayer(truck: _Truck, rounds: Sequence[Round]) -> SprayerPlan:
    return SprayerPlan(
        sprayer=truck.key,
        name=truck.sprayer.name,
        volume_l=truck.volume_l,
        loads=math.ceil(truck.volume_l / truck.sprayer.tank_l - 1e-9),
        hours=truck.hours,
        start=min((one.start for one in rounds), default=None),
        rounds=tuple(rounds),
    )


def _hours_there(jobs: Sequence[Job], trucks: Mapping[str, _Truck]) -> float:
    """Sprayer-hours between the first window's opening and the last event's start."""
    if not jobs:
        return 0.0
    opens = min(_needed(job.treatment.earliest) for job in jobs)
    return len(trucks) * ((max(_onset(job) for job in jobs) - opens) / timedelta(hours=1))
