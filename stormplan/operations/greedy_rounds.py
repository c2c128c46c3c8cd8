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
    TaskPart,
    rounds_from,
    run_round,
    task_parts,
    vehicles_for,
)


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


def _greedy_order(problem: RoundProblem, indices: Sequence[int]) -> RoundOrder:
    loads: list[tuple[PlannedLoad, ...]] = [() for _ in problem.vehicles]
    for index in indices:
        parts = task_parts(problem, index)
        best: tuple[int, str, int, tuple[PlannedLoad, ...]] | None = None
        for number in vehicles_for(problem, problem.tasks[index]):
            vehicle = problem.vehicles[number]
            longer = with_parts(loads[number], problem.tasks[index].blend, parts, vehicle.tank_l)
            done = run_round(problem, vehicle, longer, vehicle.free_from_s)
            if done is not None:
                found = (done.stops[-1].end_s, vehicle.key, number, longer)
                best = found if best is None else min(best, found, key=lambda one: one[:3])
        if best is not None:
            loads[best[2]] = best[3]
    return tuple(loads)


def with_parts(
    loads: tuple[PlannedLoad, ...], blend: Blend, parts: Sequence[TaskPart], tank_l: float
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
    tank_l : float
        What its tank holds [L].

    Returns
    -------
    tuple of PlannedLoad
        A part goes into the last load where blend and room allow it, else into a new one.
    """
    for part in parts:
        last = loads[-1] if loads else None
        if (
            last is not None
            and last.blend == blend
            and last.volume_l + part.volume_l <= tank_l + 1e-6
        ):
            loads = (*loads[:-1], PlannedLoad(blend, (*last.parts, part)))
        else:
            loads = (*loads, PlannedLoad(blend, (part,)))
    return loads
