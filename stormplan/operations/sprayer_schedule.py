"""Schedule of a yard's sprayers: rounds with their times, and surfaces not reached.

Surfaces whose events begin within some hours of each other make one problem of rounds, worked off
before the next. Driving, refills and shifts count. What is not treated in time is named, with why.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record
from stormplan.company.yards import Sprayer, Yard
from stormplan.events.hazards import SEVERITY_ORDER, Hazard
from stormplan.numerics import HOUR
from stormplan.operations.greedy_rounds import unserved_reason
from stormplan.operations.round_clock import RoundClock, shift_spans
from stormplan.operations.round_problem import (
    Blend,
    RoundProblem,
    Rounds,
    RoundTask,
    RoundVehicle,
    TimeWindow,
    VehicleRound,
    vehicles_for,
)
from stormplan.operations.round_solver import SearchEffort, best_rounds, is_available
from stormplan.operations.travel import YARD, TravelBasis, TravelTable
from stormplan.record.sprayer_positions import NO_POSITIONS, SprayerPosition
from stormplan.treatment.records import MissedReason, Remedy

LOWEST_PRIORITY = 5
BLEND_TOLERANCE_FRAC = 0.005  # of a blend by volume: pages write whole percents


@dataclass(frozen=True)
class Job:
    """One surface to spray: what rounds and loads go by.

    Attributes
    ----------
    site, surface : str
        Keys of the site and surface.
    priority : int
        Of the site, 1 first [-].
    use : str
        What the surface is used for.
    area_m2 : float
        Of the surface [m²].
    onset, hazard : datetime, Hazard
        Start of the event it is for, UTC; and what that is.
    additive : str or None
        Key of the additive; None for plain brine.
    additive_frac : float
        Additive in the blend by volume [-].
    volume_l : float
        Liquid for the surface [L].
    earliest_start, best_start, latest_start : datetime
        Window in which to begin and the best moment in it, UTC.
    """

    site: str
    surface: str
    priority: int
    use: str
    area_m2: float
    onset: datetime
    hazard: Hazard
    additive: str | None
    additive_frac: float
    volume_l: float
    earliest_start: datetime
    best_start: datetime
    latest_start: datetime

    @property
    def key(self) -> tuple[str, str, datetime]:
        """Site, surface, and start of the event."""
        return self.site, self.surface, self.onset

    @property
    def brine_l(self) -> float:
        """Volume of plain brine [L]."""
        return self.volume_l * (1.0 - self.additive_frac)

    @property
    def additive_l(self) -> float:
        """Volume of additive [L]."""
        return self.volume_l * self.additive_frac


class Stop(Record):
    """One stop of a sprayer.

    Attributes
    ----------
    site, surface : str
        Keys of the site and surface.
    start, end : datetime
        When spraying begins and ends, UTC.
    onset : datetime
        Start of the event it is for, UTC.
    load : int
        Number of the load it is sprayed from, the first is 1 [-].
    volume_l : float
        What is sprayed at this stop [L].
    drive_h : float
        Drive to it [h].
    """

    site: str
    surface: str
    start: AwareDatetime
    end: AwareDatetime
    onset: AwareDatetime
    load: int
    volume_l: float
    drive_h: float

    @property
    def slack_h(self) -> float:
        """Time from its end to the event [h]."""
        return (self.onset - self.end) / HOUR


class TimeSpan(Record):
    """A stretch of time.

    Attributes
    ----------
    start, end : datetime
        Its ends, UTC.
    """

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
        Hours from leaving the yard to being back, refills and waiting counted [h].
    driving_h : float
        Hours of them on the road [h].
    start : datetime or None
        When it first leaves, UTC; None where it does nothing.
    from_site : str or None
        Key of the site where it stands when it first leaves; None at the yard.
    back_at : datetime or None
        When it is back after its last stop, UTC; None where it does nothing.
    stops : tuple of Stop
        Its stops in order.
    out : tuple of TimeSpan
        When it is out or being filled for the next round, in order of time.
    begins_loaded : bool
        Whether its first load is what is left in its tank, and none of the yard's.
    """

    sprayer: str
    name: str
    volume_l: float
    loads: int
    working_h: float
    driving_h: float
    start: AwareDatetime | None
    back_at: AwareDatetime | None
    stops: tuple[Stop, ...]
    out: tuple[TimeSpan, ...] = ()
    from_site: str | None = None
    begins_loaded: bool = False

    def restricted_to(self, sprayed: Collection[tuple[str, str, datetime]]) -> SprayerPlan:
        """Return the plan without the stops that are asked for no more.

        Parameters
        ----------
        sprayed : collection of (str, str, datetime)
            Site, surface and onset of what is to be sprayed.
        """
        stops = tuple(one for one in self.stops if (one.site, one.surface, one.onset) in sprayed)
        return self.model_copy(
            update={"stops": stops, "volume_l": sum(stop.volume_l for stop in stops)}
        )


UNSERVED_TEXT: Mapping[MissedReason, str] = {
    "no sprayer": "no sprayer of the yard serves this surface at this rate",
    "too late": "no sprayer can get there and be done before it starts",
    "others first": "not reached before it starts: other surfaces come first",
}


class UnservedSurface(Record):
    """A surface that is not sprayed in time, with the reason.

    Attributes
    ----------
    site, surface : str
        Keys of the site and surface.
    onset : datetime
        Start of the event it would be for, UTC.
    reason : str
        Why: no sprayer, too late, or others first.
    text : str
        Why, in words.
    remedies : tuple of str
        What can be done about it, the best first.
    """

    site: str
    surface: str
    onset: AwareDatetime
    reason: MissedReason
    text: str
    remedies: tuple[Remedy, ...]


class OneMoreSprayer(Record):
    """What a second sprayer of a kind would change.

    Attributes
    ----------
    sprayer, name : str
        Key and name of the sprayer it would be like.
    reached_count : int
        Surfaces that it would bring within reach [-].
    left_count : int
        Surfaces that would still not be reached [-].
    """

    sprayer: str
    name: str
    reached_count: int
    left_count: int


class SprayerSchedule(Record):
    """The schedule of a yard's sprayers.

    Attributes
    ----------
    sprayers : tuple of SprayerPlan
        Every sprayer.
    hours_needed, hours_available : float
        Sprayer hours needed, driving counted, and available before it starts [h].
    unserved : tuple of UnservedSurface
        Surfaces that are not reached in time.
    slack_h : float or None
        Least time from the end of a stop to its event [h]; None where nothing is sprayed.
    is_slack_short : bool
        Whether that is less than the rule ``slack_short_below`` asks for.
    travel : TravelBasis or None
        Where driving times come from.
    ordered_by : str
        ``search`` where better rounds than the greedy order were looked for, else ``greedy``.
    one_more : OneMoreSprayer or None
        What a second sprayer would change; None where nothing is left out for want of one.
    """

    sprayers: tuple[SprayerPlan, ...]
    hours_needed: float
    hours_available: float
    unserved: tuple[UnservedSurface, ...]
    slack_h: float | None = None
    is_slack_short: bool = False
    travel: TravelBasis | None = None
    ordered_by: Literal["search", "greedy"] = "greedy"
    one_more: OneMoreSprayer | None = None

    def restricted_to(
        self,
        sprayed: Collection[tuple[str, str, datetime]],
        missed: Collection[tuple[str, str, datetime]],
    ) -> SprayerSchedule:
        """Return the schedule without stops and surfaces left out that are asked for no more.

        Parameters
        ----------
        sprayed, missed : collection of (str, str, datetime)
            Site, surface and onset of what is to be sprayed, and of what is to be named.

        Returns
        -------
        SprayerSchedule
            Its other stops at the same times.
        """
        return self.model_copy(
            update={
                "sprayers": tuple(one.restricted_to(sprayed) for one in self.sprayers),
                "unserved": tuple(
                    one for one in self.unserved if (one.site, one.surface, one.onset) in missed
                ),
            }
        )


def schedule_sprayers(
    yard: Yard,
    jobs: Sequence[Job],
    travel: TravelTable,
    now: datetime,
    practice: Practice,
    zone: tzinfo,
    positions: Mapping[str, SprayerPosition] = NO_POSITIONS,
) -> SprayerSchedule:
    """Return the schedule of a yard's sprayers.

    Parameters
    ----------
    yard : Yard
        Its sprayers.
    jobs : sequence of Job
        Every pre-treat served from it.
    travel : TravelTable
        Driving times between the yard and the sites of the jobs.
    now : datetime
        Moment of planning, aware UTC.
    practice : Practice
        The company's rules.
    zone : tzinfo
        Zone in which shifts are written.
    positions : mapping of str to SprayerPosition
        Sprayers that are out already, by key; their sites have drives in ``travel``.

    Returns
    -------
    SprayerSchedule
        Rounds in order; what does not fit before its event is named.
    """
    clock = RoundClock.of(now)
    standing = dict(positions)
    free_from_s = dict.fromkeys(yard.sprayers, math.ceil(clock.seconds(now)))
    found: dict[str, list[tuple[VehicleRound, Sequence[Job]]]] = {key: [] for key in yard.sprayers}
    unserved: list[UnservedSurface] = []
    solved: list[tuple[RoundProblem, Rounds]] = []
    loaded: set[str] = set()
    onset_spread = timedelta(hours=practice.number("route_onset_spread"))
    effort = SearchEffort(max_wait_s=3600.0 * practice.number("rounds_wait"))
    for group in _group_by_onset(jobs, onset_spread):
        problem = _round_problem(yard, group, travel, free_from_s, standing, clock, practice, zone)
        rounds = best_rounds(problem, effort)
        for vehicle, one in zip(problem.vehicles, rounds.rounds, strict=True):
            if one is not None:
                if vehicle.start_place != YARD and not vehicle.fills_first(one.loads[0]):
                    loaded.add(vehicle.key)
                found[vehicle.key].append((one, group))
                standing.pop(vehicle.key, None)
                free_from_s[vehicle.key] = max(
                    free_from_s[vehicle.key], one.back_s + vehicle.refill_s
                )
        unserved += _unserved(problem, rounds, group)
        solved.append((problem, rounds))
    sprayers = tuple(
        _sprayer_plan(key, sprayer, found[key], clock, positions.get(key), key in loaded)
        for key, sprayer in yard.sprayers.items()
    )
    slack_h = min((stop.slack_h for one in sprayers for stop in one.stops), default=None)
    return SprayerSchedule(
        sprayers=sprayers,
        hours_needed=sum(one.working_h for one in sprayers),
        hours_available=_hours_available(jobs, len(sprayers)),
        unserved=tuple(unserved),
        slack_h=slack_h,
        is_slack_short=slack_h is not None and slack_h < practice.number("slack_short_below"),
        travel=travel.basis,
        ordered_by="search" if effort.max_wait_s > 0.0 and is_available() else "greedy",
        one_more=_one_more_sprayer(yard, solved, effort),
    )


def _group_by_onset(jobs: Sequence[Job], onset_spread: timedelta) -> list[list[Job]]:
    """Return jobs grouped by onset."""
    by_time: list[list[Job]] = []
    for job in sorted(jobs, key=lambda job: (job.onset, job.site, job.surface)):
        if by_time and job.onset - by_time[-1][0].onset <= onset_spread:
            by_time[-1].append(job)
        else:
            by_time.append([job])
    return by_time


# -- to a problem ---------------------------------------------------------------------------------


def _round_problem(
    yard: Yard,
    jobs: Sequence[Job],
    travel: TravelTable,
    free_from_s: Mapping[str, int],
    standing: Mapping[str, SprayerPosition],
    clock: RoundClock,
    practice: Practice,
    zone: tzinfo,
) -> RoundProblem:
    finish_h = practice.number("finish_before_onset")
    tasks = tuple(_task(job, clock, practice) for job in jobs)
    last_s = max(task.finish_by_s for task in tasks)
    return RoundProblem(
        tasks=tasks,
        vehicles=tuple(
            vehicle
            for key, sprayer in yard.sprayers.items()
            for vehicle in from_position(
                _vehicles(key, sprayer, free_from_s[key], last_s, clock, zone),
                free_from_s[key],
                standing.get(key),
                tasks,
            )
        ),
        travel=travel,
        slack_s=round(3600.0 * max(practice.number("slack_short_below") - finish_h, 0.0)),
    )


def _task(job: Job, clock: RoundClock, practice: Practice) -> RoundTask:
    severity = SEVERITY_ORDER.index(job.hazard)
    finish = job.onset - timedelta(hours=practice.number("finish_before_onset"))
    calm_until = job.latest_start + HOUR
    if job.onset - calm_until >= timedelta(hours=practice.number("lead_min")):
        finish = min(finish, calm_until)  # not the lead ends the window but wind or damp
    return RoundTask(
        place=job.site,
        blend=(job.additive, job.additive_frac),
        amount=job.volume_l,
        area_m2=job.area_m2,
        use=job.use,
        windows=(
            TimeWindow(
                math.ceil(clock.seconds(job.earliest_start)),
                math.floor(clock.seconds(calm_until)),
            ),
        ),
        best_s=round(clock.seconds(job.best_start)),
        finish_by_s=math.floor(clock.seconds(finish)),
        value=visit_value(job.priority, job.hazard, practice),
        rank=(job.priority, -severity, -job.area_m2, job.site, job.surface),
    )


def from_position(
    vehicles: Sequence[RoundVehicle],
    free_s: int,
    position: SprayerPosition | None,
    tasks: Iterable[RoundTask],
) -> list[RoundVehicle]:
    """Return a sprayer's stretches of work, the first from where it stands if it is out.

    Parameters
    ----------
    vehicles : sequence of RoundVehicle
        One for each stretch, in order of time.
    free_s : int
        When it is free [s].
    position : SprayerPosition or None
        Where it stands and what it holds; None at the yard.
    tasks : iterable of RoundTask
        With the blends that are asked for.
    """
    if position is None or not vehicles or vehicles[0].free_from_s > free_s:
        return list(vehicles)
    held = position.additive, position.additive_frac
    blends = (task.blend for task in tasks)
    start = replace(
        vehicles[0],
        start_place=position.site,
        start_blend=next((one for one in blends if _is_alike(one, held)), held),
        start_amount=min(position.left_l, vehicles[0].capacity),
    )
    return [start, *vehicles[1:]]


def _is_alike(one: Blend, other: Blend) -> bool:
    """Return whether two blends are one: as a crew's page writes the part of an additive."""
    return one[0] == other[0] and abs(one[1] - other[1]) <= BLEND_TOLERANCE_FRAC


def visit_value(priority: int, hazard: Hazard, practice: Practice) -> float:
    """Return the worth of a visit by its priority and the hazard it is for [-].

    Parameters
    ----------
    priority : int
        Of the site, 1 is the highest [-].
    hazard : Hazard
        The worst of the event.
    practice : Practice
        The company's rules.

    Returns
    -------
    float
        1 before the mildest hazard at a site of the lowest priority [-].
    """
    severity = SEVERITY_ORDER.index(hazard)
    by_priority = practice.number("next_priority_value") ** (priority - LOWEST_PRIORITY)
    by_hazard: float = practice.number("next_hazard_value") ** -severity
    return by_priority * by_hazard


def _vehicles(
    key: str, sprayer: Sprayer, free_s: int, last_s: int, clock: RoundClock, zone: tzinfo
) -> list[RoundVehicle]:
    """Return a sprayer as a vehicle, or as one for each of its shifts up to the last deadline."""
    spans = shift_spans(sprayer.shift, free_s, last_s, clock, zone)
    return [
        RoundVehicle(
            key=key,
            capacity=sprayer.tank_l,
            coverage_rate_m2_h=sprayer.coverage_rate_m2_h,
            min_rate=sprayer.min_rate_l_m2,
            max_rate=sprayer.max_rate_l_m2,
            refill_s=math.ceil(3600.0 * sprayer.refill_h - 1e-6),
            serves=sprayer.serves,
            free_from_s=first_s,
            back_by_s=over_s,
        )
        for first_s, over_s in spans
    ]


# -- and back -------------------------------------------------------------------------------------


def _sprayer_plan(
    key: str,
    sprayer: Sprayer,
    rounds: Sequence[tuple[VehicleRound, Sequence[Job]]],
    clock: RoundClock,
    position: SprayerPosition | None,
    begins_loaded: bool,
) -> SprayerPlan:
    stops: list[Stop] = []
    loads = 0
    for one, jobs in rounds:
        for stop in one.stops:
            job = jobs[stop.part.task]
            stops.append(
                Stop(
                    site=job.site,
                    surface=job.surface,
                    start=clock.moment(stop.begin_s),
                    end=clock.moment(stop.end_s),
                    onset=job.onset,
                    load=loads + stop.load + 1,
                    volume_l=stop.part.amount,
                    drive_h=stop.drive_s / 3600.0,
                )
            )
        loads += len(one.loads)
    return SprayerPlan(
        sprayer=key,
        name=sprayer.name,
        volume_l=sum(stop.volume_l for stop in stops),
        loads=loads,
        working_h=sum(one.back_s - one.leave_s for one, _ in rounds) / 3600.0,
        driving_h=sum(one.driving_s for one, _ in rounds) / 3600.0,
        start=min((clock.moment(one.leave_s) for one, _ in rounds), default=None),
        back_at=max((clock.moment(one.back_s) for one, _ in rounds), default=None),
        stops=tuple(stops),
        from_site=position.site if position is not None and rounds else None,
        begins_loaded=begins_loaded,
        out=tuple(
            TimeSpan(
                start=clock.moment(one.leave_s),
                end=clock.moment(one.back_s) + timedelta(hours=sprayer.refill_h),
            )
            for one, _ in rounds
        ),
    )


def _unserved(problem: RoundProblem, rounds: Rounds, jobs: Sequence[Job]) -> list[UnservedSurface]:
    return [
        UnservedSurface(
            site=jobs[index].site,
            surface=jobs[index].surface,
            onset=jobs[index].onset,
            reason=(reason := unserved_reason(problem, index)),
            text=UNSERVED_TEXT[reason],
            remedies=_remedies(problem, index, reason),
        )
        for index in sorted(rounds.unserved, key=lambda index: problem.tasks[index].rank)
    ]


def _remedies(problem: RoundProblem, index: int, reason: MissedReason) -> tuple[Remedy, ...]:
    """Return what can be done about a task that is left out."""
    able = vehicles_for(problem, problem.tasks[index])
    found: list[Remedy] = []
    if any(problem.vehicles[one].back_by_s is not None for one in able):
        found.append("start earlier")  # a shift keeps its sprayer in the yard
    if reason != "too late":
        found.append("second sprayer")
    return (*found, "solids")


def _one_more_sprayer(
    yard: Yard, problems: Sequence[tuple[RoundProblem, Rounds]], effort: SearchEffort
) -> OneMoreSprayer | None:
    """Return what a second sprayer of the kind that is missed most would change."""
    missed = [
        (problem, problem.tasks[index])
        for problem, rounds in problems
        for index in rounds.unserved
        if unserved_reason(problem, index) == "others first"
    ]
    if not missed:
        return None

    def helps(key: str) -> float:
        return sum(
            task.value
            for problem, task in missed
            if any(one.key == key and one.can_serve(task) for one in problem.vehicles)
        )

    key = max(yard.sprayers, key=helps)
    less = replace(effort, factor=0.3 * effort.factor, max_wait_s=0.5 * effort.max_wait_s)
    left_count = 0
    for problem, rounds in problems:
        if rounds.unserved:
            copies = tuple(
                replace(one, start_place=YARD) for one in problem.vehicles if one.key == key
            )
            left_count += len(
                best_rounds(replace(problem, vehicles=(*problem.vehicles, *copies)), less).unserved
            )
    unserved_count = sum(len(rounds.unserved) for _, rounds in problems)
    return OneMoreSprayer(
        sprayer=key,
        name=yard.sprayers[key].name,
        reached_count=max(unserved_count - left_count, 0),
        left_count=min(left_count, unserved_count),
    )


def _hours_available(jobs: Sequence[Job], sprayer_count: int) -> float:
    """Return sprayer-hours between the first window's start and the last onset [h]."""
    if not jobs:
        return 0.0
    window_start = min(job.earliest_start for job in jobs)
    return sprayer_count * ((max(job.onset for job in jobs) - window_start) / HOUR)
