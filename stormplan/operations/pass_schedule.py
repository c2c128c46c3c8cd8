"""Rounds of plows, spreaders and, after the storm, sprayers, where the yard names them.

The visits of all surfaces in order of time, those that begin within some hours of each other as one
problem of rounds. A pass may begin in its hour and is done before the next pass over the surface is
due, or a cycle later; salt waits for the plow of the same visit. Plows go first, then spreaders,
then sprayers: a truck that is out as one is not free as another. Drives are those on snow. What is
not reached in time stays planned and is named.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record
from stormplan.company.yards import Yard
from stormplan.events.hazards import SEVERITY_ORDER, Hazard
from stormplan.operations.greedy_rounds import unserved_reason
from stormplan.operations.round_clock import RoundClock, Span, free_spans, shift_spans
from stormplan.operations.round_problem import (
    RoundProblem,
    Rounds,
    RoundTask,
    RoundVehicle,
    TimedStop,
    TimeWindow,
    VehicleRound,
)
from stormplan.operations.round_solver import SearchEffort, best_rounds
from stormplan.operations.sprayer_schedule import SprayerPlan, from_position, visit_value
from stormplan.operations.travel import TravelBasis, TravelTable
from stormplan.record.sprayer_positions import NO_POSITIONS, SprayerPosition
from stormplan.treatment.records import Action, MissedReason, Visit

PassKind = Literal["plow", "spread", "post-treat"]
EFFORT_FACTOR = 0.3  # of a round of sprayers: passes are many, and planned again in the storm


@dataclass(frozen=True)
class PassJob:
    """One visit to one surface in or after a storm.

    Attributes
    ----------
    site, surface : str
        Keys of the site and surface.
    priority : int
        Of the site, 1 is the highest [-].
    use : str
        Who uses the surface, vehicle or pedestrian.
    area_m2 : float
        Area [m²].
    hazard : Hazard
        Worst of the event it is for.
    visit : Visit
        What is done.
    cycle_h : float
        Time between two passes, by the rule of the surface [h].
    """

    site: str
    surface: str
    priority: int
    use: str
    area_m2: float
    hazard: Hazard
    visit: Visit
    cycle_h: float

    @property
    def kinds(self) -> tuple[PassKind, ...]:
        """What vehicles it takes, in order."""
        found: list[PassKind] = ["plow"] if self.visit.plow else []
        found += ["spread"] if self.visit.solid_kg > 0.0 else []
        found += ["post-treat"] if self.visit.action is Action.POST_TREAT else []
        return tuple(found)

    def amount(self, kind: PassKind) -> float:
        """Return what goes down: solids, liquid, or nothing [kg or L]."""
        return {"plow": 0.0, "spread": self.visit.solid_kg, "post-treat": self.visit.volume_l}[kind]


class PassStop(Record):
    """One stop of a plow, spreader or sprayer in or after a storm.

    Attributes
    ----------
    site, surface : str
        Keys of the site and surface.
    kind : str
        Plow, spread or post-treat.
    material : str or None
        Salt, sand, or the name of the additive; None for plain brine, and where nothing goes down.
    additive_frac : float
        Additive in the blend by volume [-].
    planned_at : datetime
        Start of the hour it was decided for, UTC.
    start, end : datetime
        When work begins and ends, UTC.
    load : int
        Number of the load it is done from, the first is 1 [-].
    solid_kg : float
        Salt or sand that goes down [kg].
    volume_l : float
        Liquid that goes down [L].
    solid_rate_kg_m2, rate_l_m2 : float
        Application rate of salt or sand [kg/m²], and of liquid [L/m²].
    drive_h : float
        Drive to it [h].
    """

    site: str
    surface: str
    kind: PassKind
    material: str | None
    additive_frac: float
    planned_at: AwareDatetime
    start: AwareDatetime
    end: AwareDatetime
    load: int
    solid_kg: float
    volume_l: float
    solid_rate_kg_m2: float
    rate_l_m2: float
    drive_h: float


class VehiclePasses(Record):
    """One vehicle and its stops in and after the storm.

    Attributes
    ----------
    vehicle, name : str
        Key and name of the vehicle.
    kind : str
        What it does: plow, spread or post-treat.
    loads : int
        Loads it takes [-].
    working_h, driving_h : float
        Hours out of the yard, and those of them on the road [h].
    start, back_at : datetime or None
        When it first leaves and when it is back for the last time, UTC; None where it does nothing.
    stops : tuple of PassStop
        Its stops in order.
    """

    vehicle: str
    name: str
    kind: PassKind
    loads: int
    working_h: float
    driving_h: float
    start: AwareDatetime | None
    back_at: AwareDatetime | None
    stops: tuple[PassStop, ...]


PassMissed = MissedReason | Literal["plow late"]
LATE_TEXT: Mapping[PassMissed, str] = {
    "no sprayer": "no vehicle can do it at this rate",
    "too late": "no vehicle can get there and be done before the next pass is due",
    "others first": "not done before the next pass is due: other surfaces come first",
    "plow late": "the plow it waits for is late",
}


class LatePass(Record):
    """A visit that no vehicle is done with in time; it stays planned.

    Attributes
    ----------
    site, surface : str
        Keys of the site and surface.
    kind : str
        Plow, spread or post-treat.
    planned_at : datetime
        Start of the hour it was decided for, UTC.
    due_by : datetime
        When it should be done, UTC.
    reason : str
        Why: no sprayer (or other vehicle), too late, others first, plow late.
    text : str
        Why, in words.
    """

    site: str
    surface: str
    kind: PassKind
    planned_at: AwareDatetime
    due_by: AwareDatetime
    reason: PassMissed
    text: str


class PassSchedule(Record):
    """The rounds of a yard's plows, spreaders and sprayers in and after the storm.

    Attributes
    ----------
    yard : str
        Key of the yard.
    vehicles : tuple of VehiclePasses
        Every vehicle of a kind that has work.
    late : tuple of LatePass
        Visits that are not done in time.
    travel : TravelBasis or None
        Where driving times come from.
    """

    yard: str
    vehicles: tuple[VehiclePasses, ...]
    late: tuple[LatePass, ...]
    travel: TravelBasis | None = None


@dataclass(frozen=True)
class _Vehicle:
    """A vehicle as its kind of work has it."""

    key: str
    name: str
    capacity: float
    coverage_rate_m2_h: float
    reload_h: float
    serves: tuple[str, ...]
    spans: Sequence[Span]
    min_rate: float = 0.0
    max_rate: float = math.inf


@dataclass(frozen=True)
class _Task:
    """A pass with the time it has."""

    job: PassJob
    kind: PassKind
    first: datetime
    due_by: datetime


def schedule_passes(
    yard_key: str,
    yard: Yard,
    jobs: Sequence[PassJob],
    sprayers: Iterable[SprayerPlan],
    travel: TravelTable,
    now: datetime,
    practice: Practice,
    zone: tzinfo,
    positions: Mapping[str, SprayerPosition] = NO_POSITIONS,
) -> PassSchedule:
    """Return the rounds in and after the storm of a yard that names plows or spreaders.

    Parameters
    ----------
    yard_key : str
        Key of the yard.
    yard : Yard
        Its vehicles.
    jobs : sequence of PassJob
        Every visit to its surfaces but the pre-treats.
    sprayers : iterable of SprayerPlan
        When sprayers are out to pre-treat.
    travel : TravelTable
        Dry driving times between the yard and the sites of the jobs.
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
    PassSchedule
        Surfaces that no vehicle of the kind is for are left out: nobody's rounds are asked for.
    """
    clock = RoundClock.of(now)
    busy: dict[str, list[tuple[int, int]]] = {
        one.sprayer: [
            (math.floor(clock.seconds(span.start)), math.ceil(clock.seconds(span.end)))
            for span in one.out
        ]
        for one in sprayers
    }
    standing = {key: one for key, one in positions.items() if not busy.get(key)}
    on_snow = travel.on_snow(practice.number("drive_speed_on_snow"))
    due_by = _due_times(jobs)
    last_s = max((math.ceil(clock.seconds(at)) for at in due_by.values()), default=0)
    plowed: dict[tuple[str, str, datetime], datetime | None] = {}
    late: list[LatePass] = []
    found: list[VehiclePasses] = []
    for kind in _KINDS:
        vehicles = _vehicles(kind, yard, now, last_s, clock, zone)
        tasks: list[_Task] = []
        for job in jobs:
            able = any(job.use in one.serves for one in vehicles)
            if not able or kind not in job.kinds:
                continue
            key = job.site, job.surface, job.visit.at
            task = _Task(job, kind, max(job.visit.at, now), due_by[key, kind])
            if kind != "plow" and key in plowed:
                done_at = plowed[key]
                if done_at is None:
                    late.append(_late(task, "plow late"))
                    continue
                after = done_at - job.visit.at
                task = _Task(job, kind, max(task.first, done_at), task.due_by + after)
            tasks.append(task)
        out = standing if kind == "post-treat" else {}
        stops, missed = _solve_kind(tasks, vehicles, busy, out, on_snow, clock, practice)
        if kind == "plow":
            plowed = {(t.job.site, t.job.surface, t.job.visit.at): None for t in tasks}
            plowed |= {
                (one.site, one.surface, one.planned_at): one.end
                for rounds in stops.values()
                for _, of_round in rounds
                for one in of_round
            }
        late += missed
        if tasks:
            found += [_vehicle_passes(one, kind, stops[one.key], clock) for one in vehicles]
    return PassSchedule(
        yard=yard_key, vehicles=tuple(found), late=tuple(late), travel=on_snow.basis
    )


_KINDS: tuple[PassKind, ...] = ("plow", "spread", "post-treat")


def _due_times(
    jobs: Sequence[PassJob],
) -> dict[tuple[tuple[str, str, datetime], PassKind], datetime]:
    """Return when each pass should be done: before the next of its kind, or a cycle later."""
    found: dict[tuple[tuple[str, str, datetime], PassKind], datetime] = {}
    following: dict[tuple[str, str, PassKind], datetime] = {}
    for job in sorted(jobs, key=lambda job: job.visit.at, reverse=True):
        for kind in job.kinds:
            due_by = job.visit.at + timedelta(hours=job.cycle_h)
            next_at = following.get((job.site, job.surface, kind), due_by)
            found[(job.site, job.surface, job.visit.at), kind] = min(due_by, next_at)
            following[job.site, job.surface, kind] = job.visit.at
    return found


def _vehicles(
    kind: PassKind, yard: Yard, now: datetime, last_s: int, clock: RoundClock, zone: tzinfo
) -> list[_Vehicle]:
    """Return the vehicles for a kind of work, with the stretches in which their crews are there."""
    free_s = math.ceil(clock.seconds(now))
    if kind == "plow":
        return [
            _Vehicle(key, one.name, 1.0, one.coverage_rate_m2_h, 0.0, one.serves,
                     shift_spans(one.shift, free_s, last_s, clock, zone))
            for key, one in yard.plows.items()
        ]  # fmt: skip
    if kind == "spread":
        return [
            _Vehicle(key, one.name, one.hopper_kg, one.coverage_rate_m2_h, one.reload_h, one.serves,
                     shift_spans(one.shift, free_s, last_s, clock, zone))
            for key, one in yard.spreaders.items()
        ]  # fmt: skip
    return [
        _Vehicle(key, one.name, one.tank_l, one.coverage_rate_m2_h, one.refill_h, one.serves,
                 shift_spans(one.shift, free_s, last_s, clock, zone),
                 one.min_rate_l_m2, one.max_rate_l_m2)
        for key, one in yard.sprayers.items()
    ]  # fmt: skip


TimedPasses = dict[str, list[tuple[VehicleRound, list[PassStop]]]]


def _solve_kind(
    tasks: Sequence[_Task],
    vehicles: Sequence[_Vehicle],
    busy: dict[str, list[tuple[int, int]]],
    standing: dict[str, SprayerPosition],
    travel: TravelTable,
    clock: RoundClock,
    practice: Practice,
) -> tuple[TimedPasses, list[LatePass]]:
    """Return the stops of one kind of work, and what is late.

    ``busy`` is added to, and who sets out is taken from ``standing``.
    """
    spread = timedelta(hours=practice.number("route_onset_spread"))
    groups: list[list[_Task]] = []
    for task in sorted(tasks, key=lambda task: (task.first, task.job.site, task.job.surface)):
        if groups and task.first - groups[-1][0].first <= spread:
            groups[-1].append(task)
        else:
            groups.append([task])
    wait_s = 3600.0 * practice.number("rounds_wait") / max(len(groups), 1)
    effort = SearchEffort(EFFORT_FACTOR, wait_s)
    found: TimedPasses = {one.key: [] for one in vehicles}
    late: list[LatePass] = []
    for group in groups:
        problem = _problem(group, vehicles, busy, standing, travel, clock, practice)
        rounds = best_rounds(problem, effort)
        for vehicle, one in zip(problem.vehicles, rounds.rounds, strict=True):
            if one is not None:
                stops = [_stop(group[stop.part.task], stop, clock) for stop in one.stops]
                found[vehicle.key].append((one, stops))
                out = (one.leave_s, one.back_s + vehicle.refill_s)
                busy.setdefault(vehicle.key, []).append(out)
                standing.pop(vehicle.key, None)
        late += _late_passes(problem, rounds, group)
    return found, late


def _problem(
    group: Sequence[_Task],
    vehicles: Sequence[_Vehicle],
    busy: Mapping[str, Sequence[tuple[int, int]]],
    standing: Mapping[str, SprayerPosition],
    travel: TravelTable,
    clock: RoundClock,
    practice: Practice,
) -> RoundProblem:
    tasks = tuple(_round_task(task, clock, practice) for task in group)
    first_s = min(task.windows[0].first_s for task in tasks)
    last_s = max(task.finish_by_s for task in tasks)
    found: list[RoundVehicle] = []
    for one in vehicles:
        stretches = [
            RoundVehicle(
                key=one.key,
                capacity=one.capacity,
                coverage_rate_m2_h=one.coverage_rate_m2_h,
                min_rate=one.min_rate,
                max_rate=one.max_rate,
                refill_s=math.ceil(3600.0 * one.reload_h - 1e-6),
                serves=one.serves,
                free_from_s=start_s,
                back_by_s=end_s,
            )
            for start_s, end_s in free_spans(one.spans, busy.get(one.key, ()))
            if start_s < last_s and (end_s is None or end_s > first_s)
        ]
        free_s = one.spans[0][0] if one.spans else 0
        found += from_position(stretches, free_s, standing.get(one.key), tasks)
    return RoundProblem(tasks=tasks, vehicles=tuple(found), travel=travel)


def _round_task(task: _Task, clock: RoundClock, practice: Practice) -> RoundTask:
    job = task.job
    first_s = math.ceil(clock.seconds(task.first))
    due_s = math.floor(clock.seconds(task.due_by))
    return RoundTask(
        place=job.site,
        blend=_material(task),
        amount=job.amount(task.kind),
        area_m2=job.area_m2,
        use=job.use,
        windows=(TimeWindow(first_s, due_s),),
        best_s=first_s,
        finish_by_s=due_s,
        value=visit_value(job.priority, job.hazard, practice),
        rank=(job.priority, -SEVERITY_ORDER.index(job.hazard), first_s, job.site, job.surface),
    )


def _material(task: _Task) -> tuple[str | None, float]:
    """Return what a hopper or tank holds: one material, or one blend."""
    visit = task.job.visit
    match task.kind:
        case "plow":
            return None, 0.0
        case "spread":
            return str(visit.action), 0.0
        case "post-treat":
            return visit.additive, visit.additive_frac


def _stop(task: _Task, stop: TimedStop, clock: RoundClock) -> PassStop:
    amount, kind, visit = stop.part.amount, task.kind, task.job.visit
    spreads, sprays = kind == "spread", kind == "post-treat"
    return PassStop(
        site=task.job.site,
        surface=task.job.surface,
        kind=kind,
        material=visit.additive_name if sprays else _material(task)[0],
        additive_frac=visit.additive_frac if sprays else 0.0,
        planned_at=task.job.visit.at,
        start=clock.moment(stop.begin_s),
        end=clock.moment(stop.end_s),
        load=stop.load + 1,
        solid_kg=amount if spreads else 0.0,
        volume_l=amount if sprays else 0.0,
        solid_rate_kg_m2=visit.solid_rate_kg_m2 if spreads else 0.0,
        rate_l_m2=visit.rate_l_m2 if sprays else 0.0,
        drive_h=stop.drive_s / 3600.0,
    )


def _late_passes(
    problem: RoundProblem, rounds: Rounds, group: Sequence[_Task]
) -> Iterable[LatePass]:
    for index in sorted(rounds.unserved, key=lambda index: problem.tasks[index].rank):
        yield _late(group[index], unserved_reason(problem, index))


def _late(task: _Task, reason: PassMissed) -> LatePass:
    return LatePass(
        site=task.job.site,
        surface=task.job.surface,
        kind=task.kind,
        planned_at=task.job.visit.at,
        due_by=task.due_by,
        reason=reason,
        text=LATE_TEXT[reason],
    )


def _vehicle_passes(
    vehicle: _Vehicle,
    kind: PassKind,
    rounds: Sequence[tuple[VehicleRound, Sequence[PassStop]]],
    clock: RoundClock,
) -> VehiclePasses:
    stops: list[PassStop] = []
    loads = 0
    in_order = sorted(rounds, key=lambda one: one[0].leave_s)
    for one, of_round in in_order:
        stops += [stop.model_copy(update={"load": loads + stop.load}) for stop in of_round]
        loads += len(one.loads)
    times = [one for one, _ in in_order]
    return VehiclePasses(
        vehicle=vehicle.key,
        name=vehicle.name,
        kind=kind,
        loads=loads,
        working_h=sum(one.back_s - one.leave_s for one in times) / 3600.0,
        driving_h=sum(one.driving_s for one in times) / 3600.0,
        start=clock.moment(times[0].leave_s) if times else None,
        back_at=clock.moment(times[-1].back_s) if times else None,
        stops=tuple(stops),
    )
