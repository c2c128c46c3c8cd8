"""Rounds by PyVRP, blend after blend, never worse than the greedy order.

PyVRP (MIT) knows reloads at the yard, time windows, unlike vehicles and optional visits with a
prize, but not that a tank holds one blend at a time. So each blend is a problem of its own, in
sequence: a sprayer goes on from where and when the blend before leaves it. One that is out already
first does what is left in its tank, by rank, and goes on from the yard. Where there are few blends
every sequence is tried. A fixed seed and number of iterations make the same rounds of the same
plan. Without the library, or where the time allowed is over, the greedy order stands.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import permutations
from math import factorial
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from stormplan.operations.greedy_rounds import from_tanks, greedy_rounds
from stormplan.operations.round_problem import (
    Blend,
    PlannedLoad,
    RoundOrder,
    RoundProblem,
    Rounds,
    RoundTask,
    RoundVehicle,
    TaskPart,
    rounds_from,
    run_round,
    service_s,
    task_frac,
    task_parts,
    timetable,
)
from stormplan.operations.travel import YARD

if TYPE_CHECKING:
    import pyvrp

SEED = 1
MAX_TRIED_BLENDS = 3  # of which every sequence is tried; with more, by deadline
ITERATIONS_PER_TASK, LEAST_ITERATIONS = 50, 2_500  # of all solves together; about 1 ms each
ITERATIONS_PER_PART = 200  # of one solve at most: two surfaces need no thousands
#: A visit of the least worth is worth this much work [s]; nothing that can be done is left out.
VISIT_WORTH_S = 36_000
NO_LIMIT_S = 10**9
FORBIDDEN_S = 10**7  # drive to where a vehicle must not go

Objective = Literal["hours", "driving"]


def is_available() -> bool:
    """Return whether PyVRP is installed (the extra ``rounds``)."""
    return importlib.util.find_spec("pyvrp") is not None


@dataclass(frozen=True)
class SearchEffort:
    """How long PyVRP searches.

    Attributes
    ----------
    factor : float
        Iterations against the usual number [-].
    max_wait_s : float
        Longest time for all solves together [s].
    seed : int
        Of its random numbers [-].
    """

    factor: float = 1.0
    max_wait_s: float = 60.0
    seed: int = SEED


def best_rounds(
    problem: RoundProblem, effort: SearchEffort, objective: Objective = "hours"
) -> Rounds:
    """Return the best rounds found.

    Parameters
    ----------
    problem : RoundProblem
        Surfaces, sprayers, driving times.
    effort : SearchEffort
        How long to search.
    objective : str
        What is small among rounds that miss equally little: hours away from the yard, or driving.

    Returns
    -------
    Rounds
        What misses least, then takes least; the greedy order where nothing better is found.
    """
    answers = [greedy_rounds(problem)]
    if effort.max_wait_s > 0.0 and len(problem.tasks) > 1 and is_available():
        search = _Search(problem, effort, objective)
        answers += [rounds_from(problem, order) for order in search.orders()]
    return min(answers, key=lambda rounds: _cost(problem, rounds, objective))


def _cost(problem: RoundProblem, rounds: Rounds, objective: Objective) -> tuple[float, int]:
    driving_s = sum(one.driving_s for one in rounds.rounds if one is not None)
    takes_s = rounds.working_s if objective == "hours" else driving_s
    return round(rounds.missed_value(problem), 9), takes_s


class _Search:
    """The solves of one problem."""

    def __init__(self, problem: RoundProblem, effort: SearchEffort, objective: Objective) -> None:
        from pyvrp.stop import MaxRuntime

        self._problem, self._effort, self._objective = problem, effort, objective
        self._parts: dict[Blend, list[TaskPart]] = {}
        out = from_tanks(problem)
        done = {part.task for loads in out for load in loads for part in load.parts}
        for index, task in enumerate(problem.tasks):
            for part in task_parts(problem, index) if index not in done else ():
                self._parts.setdefault(task.blend, []).append(part)
        self._blends = sorted(self._parts, key=self._first_deadline_s)
        # counts from its first use on, over all solves
        self._time_limit = MaxRuntime(effort.max_wait_s)
        count = len(self._blends)
        # solves that differ: sequences share their beginnings
        few = count <= MAX_TRIED_BLENDS
        self._solve_count = (
            sum(factorial(count) // factorial(count - n) for n in range(1, count + 1))
            if few
            else count
        )
        self._known: dict[tuple[Blend, ...], RoundOrder] = {(): out}

    def _first_deadline_s(self, blend: Blend) -> tuple[int, float, str]:
        deadlines = (self._problem.tasks[part.task].finish_by_s for part in self._parts[blend])
        return min(deadlines), blend[1], blend[0] or ""

    def orders(self) -> Iterator[RoundOrder]:
        """Yield an order for each sequence of blends that is tried."""
        few = len(self._blends) <= MAX_TRIED_BLENDS
        for sequence in permutations(self._blends) if few else [tuple(self._blends)]:
            yield self._order(sequence)

    def _order(self, sequence: tuple[Blend, ...]) -> RoundOrder:
        if sequence not in self._known:
            before = self._order(sequence[:-1])
            self._known[sequence] = self._with_blend(before, sequence[-1])
        return self._known[sequence]

    def _with_blend(self, before: RoundOrder, blend: Blend) -> RoundOrder:
        """Return an order with the loads of one more blend."""
        from pyvrp.stop import MaxIterations, MultipleCriteria

        parts = self._parts[blend]
        vehicles = [
            self._handed_on(vehicle, loads)
            for vehicle, loads in zip(self._problem.vehicles, before, strict=True)
        ]
        for _ in range(2):  # what gets only a part of its volume is left out, and the rest redone
            if not parts:
                return before
            loads = _solve(
                replace(self._problem, vehicles=tuple(vehicles)),
                parts,
                blend,
                MultipleCriteria([MaxIterations(self._iterations(len(parts))), self._time_limit]),
                self._effort.seed,
                self._objective,
            )
            after = tuple(
                self._kept(vehicle, old, new)
                for vehicle, old, new in zip(self._problem.vehicles, before, loads, strict=True)
            )
            partly = self._partly_treated(after, parts)
            if not partly:
                return after
            parts = [part for part in parts if part.task not in partly]
        return tuple(_without(loads, partly) for loads in after)

    def _iterations(self, part_count: int) -> int:
        all_solves = max(ITERATIONS_PER_TASK * len(self._problem.tasks), LEAST_ITERATIONS)
        usual = min(all_solves // self._solve_count, ITERATIONS_PER_PART * part_count)
        return max(round(self._effort.factor * usual), 1)

    def _handed_on(self, vehicle: RoundVehicle, loads: Sequence[PlannedLoad]) -> RoundVehicle:
        """Return a vehicle as the blends before leave it: at the yard, filled with the next."""
        if not loads and vehicle.start_place == YARD:
            return vehicle
        if loads:
            done = run_round(self._problem, vehicle, loads, vehicle.free_from_s)
            assert done is not None  # it was kept because it can be done
            back_s = done.back_s
        else:
            back_s = vehicle.free_from_s + self._problem.travel.between_s(vehicle.start_place, YARD)
        return replace(vehicle, free_from_s=back_s + vehicle.refill_s, start_place=YARD)

    def _kept(
        self, vehicle: RoundVehicle, old: tuple[PlannedLoad, ...], new: tuple[PlannedLoad, ...]
    ) -> tuple[PlannedLoad, ...]:
        """Return old and new loads, without the last stops while they cannot be done in time."""
        while new and timetable(self._problem, vehicle, (*old, *new)) is None:
            *rest, last = new
            shorter = PlannedLoad(last.blend, last.parts[:-1])
            new = (*rest, shorter) if shorter.parts else tuple(rest)
        return (*old, *new)

    def _partly_treated(self, order: RoundOrder, parts: Sequence[TaskPart]) -> set[int]:
        wanted: dict[int, int] = {}
        for part in parts:
            wanted[part.task] = wanted.get(part.task, 0) + 1
        found = dict.fromkeys(wanted, 0)
        for part in (part for loads in order for load in loads for part in load.parts):
            if part.task in found:
                found[part.task] += 1
        return {task for task, count in found.items() if 0 < count < wanted[task]}


def _without(loads: tuple[PlannedLoad, ...], tasks: set[int]) -> tuple[PlannedLoad, ...]:
    """Return loads without some tasks."""
    left = (
        PlannedLoad(load.blend, tuple(part for part in load.parts if part.task not in tasks))
        for load in loads
    )
    return tuple(load for load in left if load.parts)


# -- PyVRP ----------------------------------------------------------------------------------------


def _solve(
    problem: RoundProblem,
    parts: Sequence[TaskPart],
    blend: Blend,
    stop: pyvrp.stop.StoppingCriterion,
    seed: int,
    objective: Objective,
) -> list[tuple[PlannedLoad, ...]]:
    """Return the loads of each vehicle for the parts of one blend."""
    from pyvrp import solve

    data, part_of_client = _problem_data(problem, parts, objective)
    if not part_of_client:
        return [() for _ in problem.vehicles]
    best = solve(data, stop, seed=seed, collect_stats=False, display=False).best
    loads: list[tuple[PlannedLoad, ...]] = [() for _ in problem.vehicles]
    if not best.is_feasible():
        return loads
    for route in best.routes():
        by_trip: dict[int, list[TaskPart]] = {}
        for stop_at in route.schedule():
            if stop_at.is_client():
                by_trip.setdefault(stop_at.trip, []).append(part_of_client[stop_at.idx])
        loads[route.vehicle_type()] = tuple(
            PlannedLoad(blend, tuple(found)) for _, found in sorted(by_trip.items())
        )
    return loads


def _problem_data(
    problem: RoundProblem, parts: Sequence[TaskPart], objective: Objective
) -> tuple[pyvrp.ProblemData, list[TaskPart]]:
    """Return the problem of one blend as PyVRP has it, and the part that each client is.

    A client's service is that of the fastest vehicle that may treat it; what a slower one takes
    longer is on the way to it, so that it is done as late as it is. A part with several windows is
    a group of clients that exclude each other.
    """
    from pyvrp import Client, ClientGroup, Depot, Location, ProblemData, VehicleType

    tasks = [problem.tasks[part.task] for part in parts]
    places = list(dict.fromkeys((YARD, *(task.place for task in tasks))))
    fastest_s = [
        min(service_s(one, task, part) for one in problem.vehicles if one.can_serve(task))
        for part, task in zip(parts, tasks, strict=True)
    ]
    clients: list[Client] = []
    groups: list[ClientGroup] = []
    part_of_client: list[TaskPart] = []
    for number, (part, task) in enumerate(zip(parts, tasks, strict=True)):
        open_windows = [
            w
            for w in task.windows
            if w.last_s >= 0 and max(w.first_s, 0) <= task.finish_by_s - fastest_s[number]
        ]
        group = None
        if len(open_windows) > 1:
            group = len(groups)
            members = range(len(clients), len(clients) + len(open_windows))
            groups.append(ClientGroup(list(members), required=False))
        for window in open_windows:
            clients.append(
                Client(
                    location=1 + number,
                    delivery=[_whole_millionths(part.amount)],
                    service_duration=fastest_s[number],
                    tw_early=max(window.first_s, 0),
                    tw_late=min(window.last_s, task.finish_by_s - fastest_s[number]),
                    prize=round(VISIT_WORTH_S * _share_value(task, part, problem)),
                    required=False,
                    group=group,
                )
            )
            part_of_client.append(part)
    at = np.array([0, *(places.index(task.place) for task in tasks)])
    drive_s = np.array(
        [[problem.travel.between_s(one, other) for other in places] for one in places],
        dtype=np.int64,
    )[np.ix_(at, at)]
    profiles: dict[tuple[float, ...], int] = {}
    matrices: list[np.ndarray[Any, Any]] = []
    vehicle_types, depots = [], [Depot(0)]
    for vehicle in problem.vehicles:
        extra_s = np.array(
            [0]
            + [
                service_s(vehicle, task, part) - fast_s if vehicle.can_serve(task) else FORBIDDEN_S
                for part, task, fast_s in zip(parts, tasks, fastest_s, strict=True)
            ],
            dtype=np.int64,
        )
        profile = profiles.setdefault(tuple(extra_s.tolist()), len(profiles))
        if profile == len(matrices):
            matrix = drive_s + extra_s[None, :]
            np.fill_diagonal(matrix, 0)
            matrices.append(matrix)
        depots.append(Depot(0, service_duration=vehicle.refill_s))
        back_by_s = NO_LIMIT_S if vehicle.back_by_s is None else max(vehicle.back_by_s, 0)
        by_hours = objective == "hours"
        vehicle_types.append(
            VehicleType(
                1,
                [_whole_millionths(vehicle.capacity)],
                tw_early=min(vehicle.free_from_s, back_by_s),
                tw_late=back_by_s,
                unit_distance_cost=int(not by_hours),
                unit_duration_cost=int(by_hours),
                profile=profile,
                reload_depots=[len(depots) - 1],
            )
        )
    locations = [Location(0.0, 0.0) for _ in range(1 + len(parts))]  # only for drawings
    data = ProblemData(locations, clients, depots, vehicle_types, matrices, matrices, groups)
    return data, part_of_client


def _whole_millionths(amount: float) -> int:
    return round(1e6 * amount)


def _share_value(task: RoundTask, part: TaskPart, problem: RoundProblem) -> float:
    """Return what a part is worth, against the least of all tasks [-]."""
    least = min(one.value for one in problem.tasks)
    return task.value / least * task_frac(task, part)
