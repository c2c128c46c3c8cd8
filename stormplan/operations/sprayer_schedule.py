"""Schedule of a yard's sprayers: stops in order, and surfaces not reached.

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

from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record
from stormplan.company.yards import Sprayer, Yard
from stormplan.events.hazards import SEVERITY_ORDER
from stormplan.treatment.records import Treatment


@dataclass(frozen=True)
class Job:
    """One surface to spray."""

    site: str
    surface: str
    priority: int
    use: str
    area_m2: float
    treatment: Treatment


class Stop(Record):
    """One stop of a sprayer.

    Attributes
    ----------
    site, surface : str
        Keys of the site and surface.
    start, end : datetime
        When spraying begins and ends, UTC.
    """

    site: str
    surface: str
    start: AwareDatetime
    end: AwareDatetime


class SprayerPlan(Record):
    """One sprayer and its stops.

    Attributes
    ----------
    sprayer, name : str
        Key and name of the sprayer.
    volume_l : float
        What it sprays [L].
    loads : int
        Loads it takes [-].
    working_h : float
        Hours of spraying and refilling [h].
    start : datetime or None
        When it begins, UTC; None where it does nothing.
    stops : tuple of Stop
        Its stops in order.
    """

    sprayer: str
    name: str
    volume_l: float
    loads: int
    working_h: float
    start: AwareDatetime | None
    stops: tuple[Stop, ...]


class UnservedSurface(Record):
    """A surface that is not sprayed in time, with the reason.

    Attributes
    ----------
    site, surface : str
        Keys of the site and surface.
    text : str
        Why, in words.
    """

    site: str
    surface: str
    text: str


class SprayerSchedule(Record):
    """The schedule of a yard's sprayers.

    Attributes
    ----------
    sprayers : tuple of SprayerPlan
        Every sprayer.
    hours_needed, hours_available : float
        Sprayer hours needed, and available before it starts [h].
    unserved : tuple of UnservedSurface
        Surfaces that are not reached in time.
    """

    sprayers: tuple[SprayerPlan, ...]
    hours_needed: float
    hours_available: float
    unserved: tuple[UnservedSurface, ...]


@dataclass
class _SprayerState:
    """The state of a sprayer during scheduling."""

    key: str
    sprayer: Sprayer
    free_at: datetime
    blend: tuple[str | None, float] | None = None
    remaining_l: float = 0.0
    volume_l: float = 0.0
    loads: int = 0
    working_h: float = 0.0

    def loads_needed(self, job: Job) -> int:
        """Return the loads a job needs; none while the blend on board suffices."""
        left = self.remaining_l if self.blend == _blend(job) else 0.0
        return max(math.ceil((job.treatment.volume_l - left) / self.sprayer.tank_l - 1e-9), 0)

    def duration_h(self, job: Job) -> float:
        """Return the hours of a job with refills; the first load is on board."""
        refills = max(self.loads_needed(job) - (self.loads == 0), 0)
        return job.area_m2 / self.sprayer.coverage_rate_m2_h + refills * self.sprayer.refill_h

    def can_serve(self, job: Job) -> bool:
        """Return whether the sprayer can serve this use at this rate."""
        rate, sprayer = job.treatment.rate_l_m2, self.sprayer
        inside = sprayer.min_rate_l_m2 - 1e-9 <= rate <= sprayer.max_rate_l_m2 + 1e-9
        return job.use in sprayer.serves and inside

    def assign(self, job: Job, end: datetime) -> None:
        """Assign a job that ends at a given time."""
        new_loads, hours = self.loads_needed(job), self.duration_h(job)
        left = self.remaining_l if self.blend == _blend(job) else 0.0
        self.remaining_l = left + new_loads * self.sprayer.tank_l - job.treatment.volume_l
        self.blend, self.free_at = _blend(job), end
        self.loads += new_loads
        self.volume_l += job.treatment.volume_l
        self.working_h += hours


def _blend(job: Job) -> tuple[str | None, float]:
    return job.treatment.additive, job.treatment.additive_frac


def schedule_sprayers(
    yard: Yard, jobs: Sequence[Job], now: datetime, practice: Practice
) -> SprayerSchedule:
    """Return the schedule of a yard's sprayers.

    Parameters
    ----------
    yard : Yard
        Its sprayers.
    jobs : sequence of Job
        Every pre-treat served from it.
    now : datetime
        Moment of planning, aware UTC.
    practice : Practice
        The company's rules.

    Returns
    -------
    SprayerSchedule
        Rounds in order; what does not fit before its event is named.
    """
    spread = timedelta(hours=practice.number("route_onset_spread"))
    blend_first = _schedule(yard, jobs, now, spread, by_blend=True)
    if not blend_first.unserved:
        return blend_first
    priority_first = _schedule(yard, jobs, now, spread, by_blend=False)
    rank = {(job.site, job.surface): job.priority for job in jobs}

    def unserved_priorities(schedule: SprayerSchedule) -> list[int]:
        return sorted(rank[one.site, one.surface] for one in schedule.unserved)

    # better: fewer missed of the first priority, then of the second, and so on
    return min(
        (priority_first, blend_first),
        key=lambda crew: [unserved_priorities(crew).count(n) for n in range(1, 6)],
    )


def _schedule(
    yard: Yard, jobs: Sequence[Job], now: datetime, onset_spread: timedelta, *, by_blend: bool
) -> SprayerSchedule:
    sprayers = [_SprayerState(key, sprayer, now) for key, sprayer in yard.sprayers.items()]
    stops: dict[str, list[Stop]] = {sprayer_state.key: [] for sprayer_state in sprayers}
    unserved: list[UnservedSurface] = []
    for group in _group_by_onset(jobs, onset_spread, by_blend):
        for truck in sprayers:
            truck.free_at = max(truck.free_at, _start_time(group, truck, sprayers, now))
        for job in group:
            assigned = _assign_job(job, sprayers)
            if isinstance(assigned, UnservedSurface):
                unserved.append(assigned)
            else:
                stops[assigned[0]].append(assigned[1])
    return SprayerSchedule(
        sprayers=tuple(_sprayer_plan(truck, stops[truck.key]) for truck in sprayers),
        hours_needed=sum(truck.working_h for truck in sprayers),
        hours_available=_hours_available(jobs, sprayers),
        unserved=tuple(unserved),
    )


def _group_by_onset(
    jobs: Sequence[Job], onset_spread: timedelta, by_blend: bool
) -> list[list[Job]]:
    """Return jobs grouped by onset, each group in working order."""
    by_time: list[list[Job]] = []
    for job in sorted(jobs, key=_onset):
        if by_time and _onset(job) - _onset(by_time[-1][0]) <= onset_spread:
            by_time[-1].append(job)
        else:
            by_time.append([job])
    return [_job_order(group, by_blend) for group in by_time]


def _job_order(group: list[Job], by_blend: bool) -> list[Job]:
    if not by_blend:
        return sorted(group, key=_priority_key)
    first = {blend: min(_priority_key(job) for job in group if _blend(job) == blend)
             for blend in {_blend(job) for job in group}}  # fmt: skip
    return sorted(group, key=lambda job: (first[_blend(job)], _priority_key(job)))


def _onset(job: Job) -> datetime:
    assert job.treatment.event is not None  # every pre-treat has one
    return job.treatment.event.start


def _priority_key(job: Job) -> tuple[int, int, float, str, str]:
    assert job.treatment.event is not None
    severity = -SEVERITY_ORDER.index(job.treatment.event.hazard)
    return job.priority, severity, -job.area_m2, job.site, job.surface


def _start_time(
    group: Sequence[Job],
    sprayer_state: _SprayerState,
    sprayers: Sequence[_SprayerState],
    now: datetime,
) -> datetime:
    """Return when a sprayer starts on a group: in time for its part of the work."""
    servable = [job for job in group if sprayer_state.can_serve(job)]
    if not servable:
        return now
    window_start = max(now, min(_required(job.treatment.earliest_start) for job in servable))
    best_start = min(_required(job.treatment.best_start) for job in servable)
    first_onset = min(_onset(job) for job in servable)
    simulated = replace(sprayer_state)
    total_h = 0.0
    for job in servable:
        total_h += simulated.duration_h(job)
        simulated.assign(job, now)
    hours_per_sprayer = total_h / sum(
        1 for one in sprayers if any(one.can_serve(job) for job in servable)
    )
    latest = first_onset - timedelta(hours=hours_per_sprayer)
    # down to five minutes: nobody starts at 5:06:04
    rounded = latest - timedelta(minutes=latest.minute % 5, seconds=latest.second)
    return max(window_start, min(best_start, rounded.replace(microsecond=0)))


def _required(moment: datetime | None) -> datetime:
    assert moment is not None  # every pre-treat has its times
    return moment


def _assign_job(job: Job, sprayers: Sequence[_SprayerState]) -> tuple[str, Stop] | UnservedSurface:
    capable = [sprayer_state for sprayer_state in sprayers if sprayer_state.can_serve(job)]
    if not capable:
        text = "no sprayer of the yard serves this surface at this rate"
        return UnservedSurface(site=job.site, surface=job.surface, text=text)
    truck = min(
        capable, key=lambda one: (one.free_at + timedelta(hours=one.duration_h(job)), one.key)
    )
    start = max(truck.free_at, _required(job.treatment.earliest_start))
    end = start + timedelta(hours=truck.duration_h(job))
    if end > _onset(job):
        return UnservedSurface(
            site=job.site, surface=job.surface, text="not reached before it starts"
        )
    truck.assign(job, end)
    return truck.key, Stop(site=job.site, surface=job.surface, start=start, end=end)


def _sprayer_plan(sprayer_state: _SprayerState, stops: Sequence[Stop]) -> SprayerPlan:
    return SprayerPlan(
        sprayer=sprayer_state.key,
        name=sprayer_state.sprayer.name,
        volume_l=sprayer_state.volume_l,
        loads=sprayer_state.loads,
        working_h=sprayer_state.working_h,
        start=min((one.start for one in stops), default=None),
        stops=tuple(stops),
    )


def _hours_available(jobs: Sequence[Job], sprayers: Sequence[_SprayerState]) -> float:
    """Return sprayer-hours between the first window's start and the last onset [h]."""
    if not jobs:
        return 0.0
    window_start = min(_required(job.treatment.earliest_start) for job in jobs)
    return len(sprayers) * ((max(_onset(job) for job in jobs) - window_start) / timedelta(hours=1))
