"""The greedy order: each task in turn goes to the vehicle that is done with it first.

There at once, needs no library, and is the bar that any other order has to clear.
"""

from __future__ import annotations

from collections.abc import Sequence

from stormplan.operations.round_problem import (
    Blend,
    PlannedLoad,
    RoundOrder,
    RoundProblem,
    Rounds,
    RoundVehicle,
    TaskPart,
    longer_round_s,
    rounds_from,
    run_round,
    task_parts,
    vehicles_for,
)
from stormplan.operations.travel import YARD
from stormplan.treatment.records import MissedReason


def greedy_rounds(problem: RoundProblem) -> Rounds:
    """Return the better of two greedy answers: blend after blend, and strictly by rank.

    Parameters
    ----------
    problem : RoundProblem
        Surfaces, sprayers, driving times.

    Returns
    -------
    Rounds
        The one that misses less, then the one that takes less time.
    """
    answers = (
        rounds_from(problem, _greedy_order(problem, indices))
        for indices in (_by_blend(problem), _by_rank(problem, range(len(problem.tasks))))
    )
    return min(answers, key=lambda rounds: (rounds.missed_value(problem), rounds.working_s))


def _by_rank(problem: RoundProblem, indices: Sequence[int]) -> list[int]:
    return sorted(indices, key=lambda index: (problem.tasks[index].rank, index))


def _by_blend(problem: RoundProblem) -> list[int]:
    """Return the tasks blend after blend, the blend of the first task first."""
    groups: dict[Blend, list[int]] = {}
    for index in _by_rank(problem, range(len(problem.tasks))):
        groups.setdefault(problem.tasks[index].blend, []).append(index)
    return [index for group in groups.values() for index in group]


def from_tanks(problem: RoundProblem) -> RoundOrder:
    """Return what vehicles away from the yard do with what is left in their tanks.

    Parameters
    ----------
    problem : RoundProblem
        With where its vehicles stand.

    Returns
    -------
    RoundOrder
        At most a load each, of whole tasks: by rank, each where it makes the least of a detour.
    """
    loads: list[tuple[PlannedLoad, ...]] = [() for _ in problem.vehicles]
    for index in _by_rank(problem, range(len(problem.tasks))):
        task = problem.tasks[index]
        for number in vehicles_for(problem, task):
            longer = _inserted(problem, problem.vehicles[number], loads[number], index)
            if longer is not None:
                loads[number] = (longer,)
                break
    return tuple(loads)


def _inserted(
    problem: RoundProblem, vehicle: RoundVehicle, loads: tuple[PlannedLoad, ...], index: int
) -> PlannedLoad | None:
    """Return a load from what is left in a tank with one more task; None where it cannot be."""
    task = problem.tasks[index]
    parts = loads[0].parts if loads else ()
    left = vehicle.start_amount - sum(part.amount for part in parts)
    is_away = vehicle.start_place != YARD and task.blend == vehicle.start_blend
    if not is_away or task.amount > left:
        return None
    more = TaskPart(index, task.amount)
    found = []
    for at in range(len(parts) + 1):
        longer = PlannedLoad(task.blend, (*parts[:at], more, *parts[at:]))
        done = run_round(problem, vehicle, (longer,), vehicle.free_from_s)
        if done is not None:
            found.append((done.back_s, at, longer))
    return min(found, key=lambda one: one[:2])[2] if found else None


def _greedy_order(problem: RoundProblem, indices: Sequence[int]) -> RoundOrder:
    loads: list[tuple[PlannedLoad, ...]] = [() for _ in problem.vehicles]
    done = [(0, vehicle.free_from_s) for vehicle in problem.vehicles]  # parts, and when
    for index in indices:
        parts = task_parts(problem, index)
        best: tuple[int, str, int, tuple[PlannedLoad, ...]] | None = None
        able = vehicles_for(problem, problem.tasks[index])
        for number in sorted(able, key=lambda number: done[number][1]):
            if best is not None and done[number][1] > best[0]:
                break  # this one, and all that follow, are not even free by then
            vehicle = problem.vehicles[number]
            longer = with_parts(loads[number], problem.tasks[index].blend, parts, vehicle)
            end_s = longer_round_s(problem, vehicle, longer, *done[number])
            if end_s is not None:
                found = (end_s, vehicle.key, number, longer)
                best = found if best is None else min(best, found, key=lambda one: one[:3])
        if best is not None:
            end_s, _, number, loads[number] = best
            # what more a first load holds may send a vehicle that stands elsewhere home first
            if problem.vehicles[number].start_place == YARD:
                done[number] = done[number][0] + len(parts), end_s
    return tuple(loads)


def with_parts(
    loads: tuple[PlannedLoad, ...], blend: Blend, parts: Sequence[TaskPart], vehicle: RoundVehicle
) -> tuple[PlannedLoad, ...]:
    """Return the loads of a vehicle with parts added at the end.

    Parameters
    ----------
    loads : tuple of PlannedLoad
        What it has.
    blend : Blend
        Blend of the parts.
    parts : sequence of TaskPart
        What is added.
    vehicle : RoundVehicle
        With its capacity, and what it holds away from the yard.

    Returns
    -------
    tuple of PlannedLoad
        A part goes into the last load where blend and room allow it, else into a new one.
    """
    for part in parts:
        last = loads[-1] if loads else None
        capacity = vehicle.capacity
        if last is not None and len(loads) == 1:
            capacity = vehicle.first_capacity(last.blend, last.amount)
        if (
            last is not None
            and last.blend == blend
            and last.amount + part.amount <= capacity + 1e-6
        ):
            loads = (*loads[:-1], PlannedLoad(blend, (*last.parts, part)))
        else:
            loads = (*loads, PlannedLoad(blend, (part,)))
    return loads


def unserved_reason(problem: RoundProblem, index: int) -> MissedReason:
    """Return why a task is left out: whether any vehicle could treat it if it were the only one.

    Parameters
    ----------
    problem : RoundProblem
        With its vehicles.
    index : int
        Index of the task [-].
    """
    task = problem.tasks[index]
    able = [problem.vehicles[number] for number in vehicles_for(problem, task)]
    if not able:
        return "no sprayer"
    parts = task_parts(problem, index)
    if any(
        run_round(problem, one, with_parts((), task.blend, parts, one), one.free_from_s)
        for one in able
    ):
        return "others first"
    return "too late"
