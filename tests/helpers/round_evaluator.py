"""An evaluator of rounds that shares nothing with what makes them.

``violations`` goes through an answer minute by minute as a dispatcher would with a map and a watch:
capacity, one blend in a tank, who may treat what, windows, deadlines, shifts, driving and filling
times, and every volume sprayed once.
"""

from __future__ import annotations

from collections import defaultdict

from stormplan.operations.round_problem import RoundProblem, Rounds

SECOND = 1.0  # treating times are rounded up to whole seconds


def violations(problem: RoundProblem, answer: Rounds) -> list[str]:
    """Return what is wrong with an answer, in words; nothing where it can be driven."""
    found: list[str] = []
    sprayed: dict[int, float] = defaultdict(float)
    if len(answer.rounds) != len(problem.vehicles):
        return ["not one round a vehicle"]
    by_sprayer: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for vehicle, one in zip(problem.vehicles, answer.rounds, strict=True):
        if one is None:
            continue
        who = vehicle.key
        by_sprayer[who].append((one.leave_s, one.back_s))
        if one.leave_s < vehicle.free_from_s:
            found.append(f"{who} leaves before it is there")
        if vehicle.back_by_s is not None and one.back_s > vehicle.back_by_s:
            found.append(f"{who} is out after its shift")
        if not one.stops:
            found.append(f"{who} drives for nothing")
            continue
        clock, where, load, road = one.leave_s, vehicle.start_place, 0, 0
        in_tank = vehicle.capacity
        blend = problem.tasks[one.stops[0].part.task].blend
        must_fill = False
        if where != "":  # out already: with what is left in its tank, or by way of the yard
            first = [stop.part for stop in one.stops if stop.load == 0]
            must_fill = blend != vehicle.start_blend or (
                sum(part.amount for part in first) > vehicle.start_amount + 1e-3
            )
            in_tank = vehicle.start_amount
        for stop in one.stops:
            task, name = problem.tasks[stop.part.task], f"{who} at {stop.part.task}"
            if stop.load != load or must_fill:
                must_fill = False
                home = 0 if where == "" else problem.travel.drive_s[where, ""]
                clock, road, where, load = (
                    clock + home + vehicle.refill_s,
                    road + home,
                    "",
                    stop.load,
                )
                in_tank, blend = vehicle.capacity, task.blend
            drive = 0 if where == task.place else problem.travel.drive_s[where, task.place]
            clock, road, where = clock + drive, road + drive, task.place
            if stop.begin_s < clock:
                found.append(f"{name} begins before it is there")
            if not any(one.first_s <= stop.begin_s <= one.last_s for one in task.windows):
                found.append(f"{name} begins outside every window")
            if stop.end_s > task.finish_by_s:
                found.append(f"{name} is done too late")
            area_m2 = task.area_m2 * stop.part.amount / task.amount
            if stop.end_s - stop.begin_s + SECOND < 3600.0 * area_m2 / vehicle.coverage_rate_m2_h:
                found.append(f"{name} is faster than it can be")
            if task.blend != blend:
                found.append(f"{name} has two blends in its tank")
            if task.use not in vehicle.serves:
                found.append(f"{name} does not serve such surfaces")
            rate = task.amount / task.area_m2
            if not vehicle.min_rate - 1e-9 <= rate <= vehicle.max_rate + 1e-9:
                found.append(f"{name} cannot hold the rate")
            in_tank -= stop.part.amount
            if in_tank < -1e-3:
                found.append(f"{name} sprays more than its tank holds")
            sprayed[stop.part.task] += stop.part.amount
            clock = stop.end_s
        home = problem.travel.drive_s[where, ""]
        if one.back_s != clock + home or one.driving_s != road + home:
            found.append(f"{who} is back at another time than its drives make")
    for index, task in enumerate(problem.tasks):
        left_out = index in answer.unserved
        if left_out and sprayed[index]:
            found.append(f"{index} is both sprayed and left out")
        if not left_out and abs(sprayed[index] - task.amount) > 1e-6 * task.amount:
            found.append(f"{index} gets {sprayed[index]:.1f} of {task.amount:.1f} L")
    for who, spans in by_sprayer.items():
        for before, after in zip(sorted(spans), sorted(spans)[1:], strict=False):
            if after[0] < before[1]:
                found.append(f"{who} is out twice at a time")
    return found
