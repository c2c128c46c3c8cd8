"""The brine of a yard: what its tanks hold, what is corrected first, what is made or bought."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from stormplan.company.practice_rules import Practice
from stormplan.company.sites import BRINE_KEY
from stormplan.company.yards import Mixer, Tank, Yard
from stormplan.liquids import batch
from stormplan.operations.mix_records import (
    BrineDelivery,
    BrinePurchase,
    ScheduledBatch,
    TankState,
    TankStatus,
    YardTankCorrection,
)
from stormplan.record.amounts import strength_of


def tank_states(
    yard: Yard, practice: Practice, counted_at: Mapping[str, datetime | None]
) -> tuple[TankState, ...]:
    """Return the state of every brine tank of a yard."""
    return tuple(
        _tank_state(name, tank, practice, counted_at.get(name))
        for name, tank in yard.tanks.items()
        if tank.product == BRINE_KEY
    )


def _tank_state(
    name: str, tank: Tank, practice: Practice, counted_at: datetime | None
) -> TankState:
    """Return the state of a brine tank by its last reading; unusable without one."""
    strength = None if tank.reading is None else strength_of(tank.reading)
    usable, status = 0.0, _tank_status(strength, practice)
    if status in ("usable", "correct when time"):
        usable = max(tank.on_hand_l - tank.heel_l, 0.0)
    return TankState(
        tank=name,
        on_hand_l=tank.on_hand_l,
        usable_l=usable,
        strength_frac=strength,
        status=status,
        counted_at=counted_at,
    )


def _tank_status(strength_frac: float | None, practice: Practice) -> TankStatus:
    if strength_frac is None:
        return "no reading"
    if strength_frac < practice.number("brine_reject_below"):
        return "too weak"
    if strength_frac > practice.number("brine_reject_above"):
        return "too strong"
    low, high = practice.number("brine_accept_min"), practice.number("brine_accept_max")
    return "usable" if low <= strength_frac <= high else "correct when time"


def tank_corrections(
    yard: Yard, tanks: Sequence[TankState], salt: batch.Salt, target: float
) -> Iterable[YardTankCorrection]:
    """Yield the correction of each tank outside the accept band that the yard can make.

    Salt cannot be dissolved where there is no mixer; water can always be added.
    """
    for state in tanks:
        strength = state.strength_frac
        if strength is None or state.status == "usable" or state.on_hand_l <= 0.0:
            continue
        tank = yard.tanks[state.tank]
        correction = batch.correct_tank(state.on_hand_l, strength, target, salt, tank.capacity_l)
        if yard.mixer is None and correction.add_salt_kg > 0.0:
            continue
        yield YardTankCorrection(
            tank=state.tank,
            draw_off_l=correction.draw_off_l,
            add_water_l=correction.add_water_l,
            add_salt_kg=correction.add_salt_kg,
            final_l=correction.final_l,
            gained_l=0.0 if state.usable_l > 0.0 else max(correction.final_l - tank.heel_l, 0.0),
        )


def first_corrections(
    corrections: Sequence[YardTankCorrection], missing_l: float
) -> tuple[YardTankCorrection, ...]:
    """Mark the corrections to do before new brine is made: the largest gains, until they do."""
    marked = []
    for each in sorted(corrections, key=lambda one: -one.gained_l):
        is_first = missing_l > 0.0 and each.gained_l > 0.0
        marked.append(each.model_copy(update={"is_first": is_first}))
        missing_l -= each.gained_l
    return tuple(marked)


def free_volumes_l(yard: Yard, corrections: Sequence[YardTankCorrection]) -> dict[str, float]:
    """Return the room in each brine tank, once those to be corrected first are [L]."""
    final_l = {each.tank: each.final_l for each in corrections if each.is_first}
    return {
        name: tank.capacity_l - final_l.get(name, tank.on_hand_l)
        for name, tank in yard.tanks.items()
        if tank.product == BRINE_KEY
    }


def batch_count(to_make_l: float, mixer: Mixer) -> int:
    """Return how many batches a volume takes [-]."""
    return math.ceil(to_make_l / mixer.max_batch_l - 1e-9)


def schedule_batches(
    to_make_l: float,
    yard: Yard,
    free_l: Mapping[str, float],
    salt: batch.Salt,
    target: float,
    first_load_at: datetime | None,
    ready_before_h: float,
) -> tuple[ScheduledBatch, ...]:
    """Return equal batches that fit the mixer, emptiest brine tank first.

    The last is done a fixed time before the first load [h].
    """
    if yard.mixer is None or to_make_l <= 0.0:
        return ()
    count = batch_count(to_make_l, yard.mixer)
    volume = to_make_l / count
    batch_recipe = batch.make_batch(volume, target, salt, yard.water_temp_c)
    hours = volume / yard.mixer.production_rate_l_h
    left_l = dict(free_l)
    batches = []
    for number in range(count):
        tank = max(left_l, key=lambda name: left_l[name], default=None)
        if tank is not None and left_l[tank] < volume - 1e-6:
            tank = None
        if tank is not None:
            left_l[tank] -= volume
        lead = timedelta(hours=ready_before_h + hours * (count - number))
        batches.append(
            ScheduledBatch(
                tank=tank,
                volume_l=volume,
                salt_kg=batch_recipe.salt_kg,
                water_l=batch_recipe.water_l,
                start=None if first_load_at is None else _floor_five_minutes(first_load_at - lead),
            )
        )
    return tuple(batches)


def brine_purchase(
    volume_l: float,
    yard: Yard,
    free_l: Mapping[str, float],
    first_load_at: datetime | None,
    ready_before_h: float,
    now: datetime,
) -> BrinePurchase:
    """Return the brine to buy: into which tanks, due when, and ordered by when."""
    left_l, deliveries = volume_l, []
    for tank, room_l in sorted(free_l.items(), key=lambda item: -item[1]):
        part_l = min(left_l, room_l)
        if part_l > 0.0:
            deliveries.append(BrineDelivery(tank=tank, volume_l=part_l))
        left_l -= part_l
    if left_l > 1e-6:
        deliveries.append(BrineDelivery(tank=None, volume_l=left_l))
    due_at = order_by = None
    if first_load_at is not None:
        due_at = _floor_five_minutes(first_load_at - timedelta(hours=ready_before_h))
        if yard.brine_supply is not None and yard.brine_supply.order_ahead_h is not None:
            order_by = due_at - timedelta(hours=yard.brine_supply.order_ahead_h)
    latest = order_by or due_at
    return BrinePurchase(
        volume_l=volume_l,
        deliveries=tuple(deliveries),
        due_at=due_at,
        order_by=order_by,
        is_late=latest is not None and latest < now,
    )


def _floor_five_minutes(moment: datetime) -> datetime:
    """Return a time rounded down to five minutes."""
    over = timedelta(minutes=moment.minute % 5, seconds=moment.second)
    return (moment - over).replace(microsecond=0)
