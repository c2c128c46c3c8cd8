"""Whether the sprayers can cover the ground in time, in which order, and what is not reached.

Each sprayer of a yard takes the next job it serves: highest priority, then worst hazard, then
largest. A tank holds one blend at a time, so blends are sprayed one after the other where all of
it fits the window, and strictly by priority where not. Times are hours of spraying and refilling;
driving between sites is in ``refill``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from pydantic import AwareDatetime

from stormplan.company.validators import Record
from stormplan.company.yards import Sprayer, Yard
from stormplan.events.hazards import Hazard
from stormplan.treatment.records import Treatment

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
    free_at: datetime
    blend: tuple[str | None, float] | None = None
    left_l: float = 0.0
    volume_l: float = 0.0
    loads: int = 0
    hours: float = 0.0

    def fills(self, job: Job) -> int:
        """Count the loads to fetch for a job: none while the right blend is left in the tank."""
        left = self.left_l if self.blend == _blend(job) else 0.0
        return max(math.ceil((job.treatment.volume_l - left) / self.sprayer.tank_l - 1e-9), 0)

    def takes_h(self, job: Job) -> float:
        """Hours for a job: spraying, and refills; the first load is on board."""
        refills = max(self.fills(job) - (self.loads == 0), 0)
        return job.area_m2 / self.sprayer.covers_m2_h + refills * self.sprayer.refill_h

    def can(self, job: Job) -> bool:
        """Whether it serves this use at this rate."""
        rate, sprayer = job.treatment.rate_l_m2, self.sprayer
        inside = sprayer.lowest_rate_l_m2 - 1e-9 <= rate <= sprayer.highest_rate_l_m2 + 1e-9
        return job.use in sprayer.serves and inside

    def do(self, job: Job, end: datetime) -> None:
        """Work a job off."""
        fills, hours = self.fills(job), self.takes_h(job)
        left = self.left_l if self.blend == _blend(job) else 0.0
        self.left_l = left + fills * self.sprayer.tank_l - job.treatment.volume_l
        self.blend, self.free_at = _blend(job), end
        self.loads += fills
        self.volume_l += job.treatment.volume_l
        self.hours += hours


def _blend(job: Job) -> tuple[str | None, float]:
    return job.treatment.additive, job.treatment.additive_share


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
    by_blend = _send(yard, jobs, now, by_blend=True)
    if not by_blend.missed:
        return by_blend
    strictly = _send(yard, jobs, now, by_blend=False)
    rank = {(job.site, job.surface): job.priority for job in jobs}

    def worth(crew: Crew) -> list[int]:
        return sorted(rank[one.site, one.surface] for one in crew.missed)

    # better: fewer missed of the first priority, then of the second, and so on
    return min((strictly, by_blend), key=lambda crew: [worth(crew).count(n) for n in range(1, 6)])


def _send(yard: Yard, jobs: Sequence[Job], now: datetime, *, by_blend: bool) -> Crew:
    trucks = [_Truck(key, sprayer, now) for key, sprayer in yard.sprayers.items()]
    rounds: dict[str, list[Round]] = {truck.key: [] for truck in trucks}
    missed: list[Missed] = []
    for group in _groups(jobs, by_blend):
        for truck in trucks:
            truck.free_at = max(truck.free_at, _begin(group, truck, trucks, now))
        for job in group:
            placed = _place(job, trucks)
            if isinstance(placed, Missed):
                missed.append(placed)
            else:
                rounds[placed[0]].append(placed[1])
    return Crew(
        sprayers=tuple(_sprayer(truck, rounds[truck.key]) for truck in trucks),
        hours_needed=sum(truck.hours for truck in trucks),
        hours_there=_hours_there(jobs, trucks),
        missed=tuple(missed),
    )


def _groups(jobs: Sequence[Job], by_blend: bool) -> list[list[Job]]:
    """Part the jobs by when their events come, each group in the order it is worked."""
    by_time: list[list[Job]] = []
    for job in sorted(jobs, key=_onset):
        if by_time and _onset(job) - _onset(by_time[-1][0]) <= timedelta(hours=6):
            by_time[-1].append(job)
        else:
            by_time.append([job])
    return [_ordered(group, by_blend) for group in by_time]


def _ordered(group: list[Job], by_blend: bool) -> list[Job]:
    if not by_blend:
        return sorted(group, key=_rank)
    first = {blend: min(_rank(job) for job in group if _blend(job) == blend)
             for blend in {_blend(job) for job in group}}  # fmt: skip
    return sorted(group, key=lambda job: (first[_blend(job)], _rank(job)))


def _onset(job: Job) -> datetime:
    assert job.treatment.event is not None  # every pre-treat has one
    return job.treatment.event.start


def _rank(job: Job) -> tuple[int, int, float, str, str]:
    assert job.treatment.event is not None
    severity = -_ORDER.index(job.treatment.event.hazard)
    return job.priority, severity, -job.area_m2, job.site, job.surface


def _begin(
    group: Sequence[Job], truck: _Truck, trucks: Sequence[_Truck], now: datetime
) -> datetime:
    """Start a sprayer early enough for its share of a group, not before the window opens."""
    mine = [job for job in group if truck.can(job)]
    if not mine:
        return now
    opens = max(now, min(_needed(job.treatment.earliest) for job in mine))
    wanted = min(_needed(job.treatment.best_start) for job in mine)
    last = min(_onset(job) for job in mine)
    trial = replace(truck)
    work = 0.0
    for job in mine:
        work += trial.takes_h(job)
        trial.do(job, now)
    share = work / sum(1 for one in trucks if any(one.can(job) for job in mine))
    latest = last - timedelta(hours=share)
    # down to five minutes: nobody starts at 5:06:04
    rounded = latest - timedelta(minutes=latest.minute % 5, seconds=latest.second)
    return max(opens, min(wanted, rounded.replace(microsecond=0)))


def _needed(moment: datetime | None) -> datetime:
    assert moment is not None  # every pre-treat has its times
    return moment


def _place(job: Job, trucks: Sequence[_Truck]) -> tuple[str, Round] | Missed:
    able = [truck for truck in trucks if truck.can(job)]
    if not able:
        says = "no sprayer of the yard serves this surface at this rate"
        return Missed(site=job.site, surface=job.surface, says=says)
    truck = min(able, key=lambda one: (one.free_at + timedelta(hours=one.takes_h(job)), one.key))
    start = max(truck.free_at, _needed(job.treatment.earliest))
    end = start + timedelta(hours=truck.takes_h(job))
    if end > _onset(job):
        return Missed(site=job.site, surface=job.surface, says="not reached before it starts")
    truck.do(job, end)
    return truck.key, Round(site=job.site, surface=job.surface, start=start, end=end)


def _sprayer(truck: _Truck, rounds: Sequence[Round]) -> SprayerPlan:
    return SprayerPlan(
        sprayer=truck.key,
        name=truck.sprayer.name,
        volume_l=truck.volume_l,
        loads=truck.loads,
        hours=truck.hours,
        start=min((one.start for one in rounds), default=None),
        rounds=tuple(rounds),
    )


def _hours_there(jobs: Sequence[Job], trucks: Sequence[_Truck]) -> float:
    """Sprayer-hours between the first window's opening and the last event's start."""
    if not jobs:
        return 0.0
    opens = min(_needed(job.treatment.earliest) for job in jobs)
    return len(trucks) * ((max(_onset(job) for job in jobs) - opens) / timedelta(hours=1))
