"""The round problem of a yard, its answer, and the clock of a round.

Surfaces to treat are *tasks*; sprayers, spreaders and plows are *vehicles*. A vehicle leaves the
yard with a load, goes from task to task and comes back for the next load. A tank or hopper holds
one blend at a time. Amounts are liters of liquid or kilograms of salt or sand, and 0 where a task
is plowed. A task that needs more than a load is treated in *parts*. A solver says who treats what
in which order and with which load; ``timetable`` says when. Times are whole seconds after a common
moment.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from stormplan.operations.travel import YARD, TravelTable

#: Key of the additive, or None, and its part of the blend by volume [-].
Blend = tuple[str | None, float]

MAX_PARTS = 12  # of one task; what needs more is left to larger tanks where there are any
DEPARTURE_STEP_S = 300  # nobody leaves at 5:06:04


@dataclass(frozen=True)
class TimeWindow:
    """When treating may begin, ends included.

    Attributes
    ----------
    first_s, last_s : int
        First and last moment [s].
    """

    first_s: int
    last_s: int


@dataclass(frozen=True)
class RoundTask:
    """One surface to treat.

    Attributes
    ----------
    place : str
        Key of its site in the travel table.
    blend : (str or None, float)
        What goes down.
    amount : float
        How much of it; 0 where nothing does [L or kg].
    area_m2 : float
        Area it goes on [m²].
    use : str
        Who uses the surface, vehicle or pedestrian: what a vehicle must serve.
    windows : tuple of TimeWindow
        When it may begin, in order of time; dry and calm hours.
    best_s : int
        When it best begins [s].
    finish_by_s : int
        When it must be done [s].
    value : float
        Worth of the visit, against that of others [-].
    rank : tuple
        Place in the greedy order, smallest first.
    """

    place: str
    blend: Blend
    amount: float
    area_m2: float
    use: str
    windows: tuple[TimeWindow, ...]
    best_s: int
    finish_by_s: int
    value: float
    rank: tuple[float | str, ...] = ()

    @property
    def rate(self) -> float:
        """Application rate [L/m² or kg/m²]."""
        return self.amount / self.area_m2

    def begin_s(self, arrival_s: int) -> int | None:
        """Return when it can begin after an arrival [s]; None where that is too late.

        Parameters
        ----------
        arrival_s : int
            When the vehicle is there [s].
        """
        for window in self.windows:
            if arrival_s <= window.last_s:
                return max(arrival_s, window.first_s)
        return None

    def latest_begin_s(self, limit_s: int) -> int | None:
        """Return the latest allowed begin up to a limit [s]; None where there is none.

        Parameters
        ----------
        limit_s : int
            When it must have begun [s].
        """
        for window in reversed(self.windows):
            if limit_s >= window.first_s:
                return min(limit_s, window.last_s)
        return None


@dataclass(frozen=True)
class RoundVehicle:
    """One sprayer for one shift.

    Attributes
    ----------
    key : str
        Key of the sprayer, spreader or plow.
    capacity : float
        What its tank or hopper holds [L or kg].
    coverage_rate_m2_h : float
        Area it covers in an hour while treating [m²/h].
    min_rate, max_rate : float
        Lowest and highest rate it can put down [L/m² or kg/m²].
    refill_s : int
        Time at the yard to fill it [s].
    serves : tuple of str
        Uses of surfaces it can work on.
    free_from_s : int
        From when on it is free where it stands; at the yard it is filled [s].
    back_by_s : int or None
        When it must be back at the yard [s]; None without limit.
    start_place : str
        Key of the place where it stands; the yard, or the site of its last work.
    start_blend : (str or None, float) or None
        What its tank holds away from the yard.
    start_amount : float
        How much of it is left [L or kg].
    """

    key: str
    capacity: float
    coverage_rate_m2_h: float
    min_rate: float
    max_rate: float
    refill_s: int
    serves: tuple[str, ...]
    free_from_s: int = 0
    back_by_s: int | None = None
    start_place: str = YARD
    start_blend: Blend | None = None
    start_amount: float = 0.0

    def first_capacity(self, blend: Blend, amount: float) -> float:
        """Return what the first load may hold: what is in the tank, if that is enough to begin.

        Parameters
        ----------
        blend : Blend
            Of the load.
        amount : float
            What it is at least for [L or kg].
        """
        begins_away = self.start_place != YARD and blend == self.start_blend
        return self.start_amount if begins_away and amount <= self.start_amount else self.capacity

    def fills_first(self, load: PlannedLoad) -> bool:
        """Return whether it goes by the yard to fill before its first stop.

        Parameters
        ----------
        load : PlannedLoad
            Its first.
        """
        if self.start_place == YARD:
            return False
        return load.blend != self.start_blend or load.amount > self.start_amount + 1e-6

    def can_serve(self, task: RoundTask) -> bool:
        """Return whether it works on such a surface at such a rate.

        Parameters
        ----------
        task : RoundTask
            The surface.
        """
        low, high = self.min_rate - 1e-9, self.max_rate + 1e-9
        return task.use in self.serves and low <= task.rate <= high


@dataclass(frozen=True)
class RoundProblem:
    """What is to be treated, with what, and how far everything is.

    Attributes
    ----------
    tasks : tuple of RoundTask
        Surfaces to treat.
    vehicles : tuple of RoundVehicle
        Sprayers.
    travel : TravelTable
        Driving times between the yard and every place of a task.
    slack_s : int
        Time before ``finish_by_s`` at which a round is done where it can be [s].
    """

    tasks: tuple[RoundTask, ...]
    vehicles: tuple[RoundVehicle, ...]
    travel: TravelTable
    slack_s: int = 0


@dataclass(frozen=True)
class TaskPart:
    """A task, or as much of it as goes into one load.

    Attributes
    ----------
    task : int
        Index of the task [-].
    amount : float
        What goes down in this part [L or kg].
    """

    task: int
    amount: float


@dataclass(frozen=True)
class PlannedLoad:
    """One filling of a tank and the parts it is for, in order.

    Attributes
    ----------
    blend : (str or None, float)
        What is in the tank.
    parts : tuple of TaskPart
        What is treated with it.
    """

    blend: Blend
    parts: tuple[TaskPart, ...]

    @property
    def amount(self) -> float:
        """What goes out with it [L or kg]."""
        return sum(part.amount for part in self.parts)


#: Loads of each vehicle, in order, as the problem has its vehicles.
RoundOrder = tuple[tuple[PlannedLoad, ...], ...]


@dataclass(frozen=True)
class TimedStop:
    """Treating one part, with its time.

    Attributes
    ----------
    part : TaskPart
        What is treated.
    load : int
        Number of the load it comes from, the first is 0 [-].
    drive_s : int
        Drive to it [s].
    begin_s, end_s : int
        When treating begins and ends [s].
    """

    part: TaskPart
    load: int
    drive_s: int
    begin_s: int
    end_s: int


@dataclass(frozen=True)
class VehicleRound:
    """The round of one vehicle, with its times.

    Attributes
    ----------
    leave_s, back_s : int
        When it leaves, the yard or where it stands, and when it is back [s].
    loads : tuple of PlannedLoad
        What it takes along.
    stops : tuple of TimedStop
        Its stops in order.
    driving_s : int
        Time on the road [s].
    """

    leave_s: int
    back_s: int
    loads: tuple[PlannedLoad, ...]
    stops: tuple[TimedStop, ...]
    driving_s: int


@dataclass(frozen=True)
class Rounds:
    """An answer to a round problem.

    Attributes
    ----------
    rounds : tuple of VehicleRound or None
        One for each vehicle; None where it stays in the yard.
    unserved : tuple of int
        Tasks that are not treated in time.
    """

    rounds: tuple[VehicleRound | None, ...]
    unserved: tuple[int, ...]

    @property
    def working_s(self) -> int:
        """Time of all vehicles away from the yard [s]."""
        return sum(one.back_s - one.leave_s for one in self.rounds if one is not None)

    def missed_value(self, problem: RoundProblem) -> float:
        """Return the worth of what is not treated [-].

        Parameters
        ----------
        problem : RoundProblem
            What it answers.
        """
        return sum(problem.tasks[index].value for index in self.unserved)


def vehicles_for(problem: RoundProblem, task: RoundTask) -> list[int]:
    """Return the indices of the vehicles that can serve a task.

    Parameters
    ----------
    problem : RoundProblem
        With its vehicles.
    task : RoundTask
        One of its tasks.
    """
    return [index for index, one in enumerate(problem.vehicles) if one.can_serve(task)]


def task_parts(problem: RoundProblem, index: int) -> tuple[TaskPart, ...]:
    """Return the parts of a task: full tanks of the smallest vehicle that can serve it, and a rest.

    Parameters
    ----------
    problem : RoundProblem
        With its vehicles.
    index : int
        Index of the task [-].

    Returns
    -------
    tuple of TaskPart
        One part where it fits a tank; a tank that would make too many parts is passed over. Empty
        where no vehicle can serve the task.
    """
    task = problem.tasks[index]
    capacities = sorted(problem.vehicles[one].capacity for one in vehicles_for(problem, task))
    if not capacities:
        return ()
    few = [capacity for capacity in capacities if task.amount <= MAX_PARTS * capacity]
    capacity = few[0] if few else capacities[-1]
    count = max(math.ceil(task.amount / capacity - 1e-9), 1)
    rest = task.amount - (count - 1) * capacity
    return (*(TaskPart(index, capacity) for _ in range(count - 1)), TaskPart(index, rest))


def service_s(vehicle: RoundVehicle, task: RoundTask, part: TaskPart) -> int:
    """Return the time a vehicle treats a part for [s].

    Parameters
    ----------
    vehicle : RoundVehicle
        Who treats it.
    task : RoundTask
        What the part is of.
    part : TaskPart
        The part.
    """
    area_m2 = task.area_m2 * task_frac(task, part)
    return math.ceil(3600.0 * area_m2 / vehicle.coverage_rate_m2_h - 1e-6)


def task_frac(task: RoundTask, part: TaskPart) -> float:
    """Return how much of a task a part is [-].

    Parameters
    ----------
    task : RoundTask
        What the part is of.
    part : TaskPart
        The part; all of it where the task needs no load.
    """
    return part.amount / task.amount if task.amount > 0.0 else 1.0


class _Leg(NamedTuple):
    """A part with the way to it: by way of the yard where a new load is taken."""

    part: TaskPart
    load: int
    before_s: int  # driving back and filling, before the drive out
    back_drive_s: int  # the driving of it
    drive_s: int
    service_s: int

    def times_s(self, task: RoundTask, free_s: int) -> tuple[int, int] | None:
        """Return when its task begins and ends, free from then on [s]; None where too late."""
        begin_s = task.begin_s(free_s + self.before_s + self.drive_s)
        if begin_s is None or begin_s + self.service_s > task.finish_by_s:
            return None
        return begin_s, begin_s + self.service_s


def _legs(
    problem: RoundProblem, vehicle: RoundVehicle, loads: Sequence[PlannedLoad], after: int = 0
) -> Iterator[_Leg]:
    """Yield the legs of a round, without those of so many parts at its beginning."""
    place, count = vehicle.start_place, 0
    for number, load in enumerate(loads):
        before_s = back_s = 0
        if number or vehicle.fills_first(load):
            back_s = problem.travel.between_s(place, YARD)
            before_s, place = back_s + vehicle.refill_s, YARD
        for part in load.parts:
            task = problem.tasks[part.task]
            if count >= after:
                drive_s = problem.travel.between_s(place, task.place)
                yield _Leg(part, number, before_s, back_s, drive_s, service_s(vehicle, task, part))
            before_s, back_s, place = 0, 0, task.place
            count += 1


def run_round(
    problem: RoundProblem,
    vehicle: RoundVehicle,
    loads: Sequence[PlannedLoad],
    leave_s: int,
) -> VehicleRound | None:
    """Return the round of a vehicle that leaves at a given time.

    Parameters
    ----------
    problem : RoundProblem
        With tasks and travel.
    vehicle : RoundVehicle
        Who drives.
    loads : sequence of PlannedLoad
        What it treats, in order.
    leave_s : int
        When it leaves where it stands [s].

    Returns
    -------
    VehicleRound or None
        None where a task cannot begin or be done in time, or the shift is over before.
    """
    at_s, place, driving_s = leave_s, vehicle.start_place, 0
    stops = []
    for leg in _legs(problem, vehicle, loads):
        task = problem.tasks[leg.part.task]
        times_s = leg.times_s(task, at_s)
        if times_s is None:
            return None
        begin_s, at_s = times_s
        place = task.place
        driving_s += leg.back_drive_s + leg.drive_s
        stops.append(TimedStop(leg.part, leg.load, leg.drive_s, begin_s, at_s))
    home_s = problem.travel.between_s(place, YARD)
    if not _is_back_in_time(vehicle, at_s + home_s):
        return None
    return VehicleRound(leave_s, at_s + home_s, tuple(loads), tuple(stops), driving_s + home_s)


def _is_back_in_time(vehicle: RoundVehicle, back_s: int) -> bool:
    return vehicle.back_by_s is None or back_s <= vehicle.back_by_s


def longer_round_s(
    problem: RoundProblem,
    vehicle: RoundVehicle,
    loads: Sequence[PlannedLoad],
    done: int,
    free_s: int,
) -> int | None:
    """Return when a vehicle is done with its last part, where it has begun its round already.

    Parameters
    ----------
    problem : RoundProblem
        With tasks and travel.
    vehicle : RoundVehicle
        Who drives.
    loads : sequence of PlannedLoad
        What it treats, in order.
    done : int
        How many parts at the beginning it has treated; not all of them [-].
    free_s : int
        When it was done with them, or leaves where it stands [s].

    Returns
    -------
    int or None
        As ``run_round`` has it [s].
    """
    at_s, place = free_s, vehicle.start_place
    for leg in _legs(problem, vehicle, loads, done):
        task = problem.tasks[leg.part.task]
        times_s = leg.times_s(task, at_s)
        if times_s is None:
            return None
        at_s, place = times_s[1], task.place
    home_s = problem.travel.between_s(place, YARD)
    return at_s if _is_back_in_time(vehicle, at_s + home_s) else None


def _latest_leave_s(
    problem: RoundProblem, vehicle: RoundVehicle, loads: Sequence[PlannedLoad], slack_s: int
) -> int | None:
    """Return the latest departure that keeps every limit and a slack [s]; None without one."""
    legs = list(_legs(problem, vehicle, loads))
    done_by_s = None
    if vehicle.back_by_s is not None:
        last = problem.tasks[legs[-1].part.task].place
        done_by_s = vehicle.back_by_s - problem.travel.between_s(last, YARD)
    for leg in reversed(legs):
        task = problem.tasks[leg.part.task]
        limit_s = task.finish_by_s - slack_s
        limit_s = limit_s if done_by_s is None else min(limit_s, done_by_s)
        begin_s = task.latest_begin_s(limit_s - leg.service_s)
        if begin_s is None:
            return None
        done_by_s = begin_s - leg.drive_s - leg.before_s
    return done_by_s


def timetable(
    problem: RoundProblem, vehicle: RoundVehicle, loads: Sequence[PlannedLoad]
) -> VehicleRound | None:
    """Return the round of a vehicle near its best time.

    The first stop begins at the best moment of any of its tasks, earlier where the round would
    otherwise lack its slack, and as early as it can where there is not enough time for a slack.

    Parameters
    ----------
    problem : RoundProblem
        With tasks and travel.
    vehicle : RoundVehicle
        Who drives.
    loads : sequence of PlannedLoad
        What it treats, in order; at least one part.

    Returns
    -------
    VehicleRound or None
        None where it cannot be done in time.
    """
    latest_s = _latest_leave_s(problem, vehicle, loads, 0)
    if latest_s is None or latest_s < vehicle.free_from_s:
        return None
    tasks = [problem.tasks[part.task] for load in loads for part in load.parts]
    first = next(_legs(problem, vehicle, loads))
    drive_s = first.before_s + first.drive_s
    with_slack_s = _latest_leave_s(problem, vehicle, loads, problem.slack_s)
    wanted_s = min(task.best_s for task in tasks) - drive_s
    wanted_s = vehicle.free_from_s if with_slack_s is None else min(wanted_s, with_slack_s)
    open_s = tasks[0].windows[0].first_s - drive_s
    leave_s = min(max(wanted_s, open_s, vehicle.free_from_s), latest_s)
    rounded_s = leave_s - leave_s % DEPARTURE_STEP_S
    if rounded_s >= vehicle.free_from_s:
        leave_s = rounded_s
    return run_round(problem, vehicle, loads, leave_s)


def rounds_from(problem: RoundProblem, order: RoundOrder) -> Rounds:
    """Return an order with its times.

    Parameters
    ----------
    problem : RoundProblem
        What it answers.
    order : RoundOrder
        Loads of each vehicle, each order one that can be kept.

    Returns
    -------
    Rounds
        With what it leaves out.
    """
    rounds: list[VehicleRound | None] = []
    for vehicle, loads in zip(problem.vehicles, order, strict=True):
        timed = timetable(problem, vehicle, loads) if loads else None
        if loads and timed is None:
            raise ValueError(f"the order of {vehicle.key} cannot be kept")
        rounds.append(timed)
    served = {part.task for part in _parts(order)}
    unserved = tuple(index for index in range(len(problem.tasks)) if index not in served)
    return Rounds(tuple(rounds), unserved)


def _parts(order: RoundOrder) -> Iterable[TaskPart]:
    return (part for loads in order for load in loads for part in load.parts)
