"""How many gallons: what the yard makes, from how much salt and water, and what is short.

Adds up what the treatments spray, puts the reserve on top, takes off what the tanks hold at a
usable strength, and turns the rest into batches. One record per yard, for the shed lead.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Literal

from pydantic import AwareDatetime

from stormplan import batch, hydrometer, shed
from stormplan.catalog import Product
from stormplan.event import Record
from stormplan.handbook import Practice
from stormplan.sites import BRINE, Tank, Yard
from stormplan.treatment import Treatment


class Blend(Record):
    """One blend to load: volumes before the reserve [L], share of additive by volume [-]."""

    additive: str | None
    additive_name: str | None
    share: float
    volume_l: float
    brine_l: float
    additive_l: float
    surfaces: int
    first_use: AwareDatetime


class TankState(Record):
    """What a tank of brine holds and whether it can be used [L], [-]."""

    tank: str
    on_hand_l: float
    usable_l: float
    strength_frac: float | None
    says: str


class Additive(Record):
    """One bought product: needed with the reserve, on hand, and what is missing [L]."""

    product: str
    name: str
    needed_l: float
    on_hand_l: float
    short_l: float


class YardMix(Record):
    """What one yard mixes for this plan.

    Volumes [L], masses [kg], strengths as mass share [-]. ``batches`` lists the volume of each
    batch in the order it is made; salt is as delivered. ``expected_sg`` is the hydrometer
    reading to look for once the batch is back at the water's temperature, between
    ``accept_sg``; ``target_sg_60f`` is the same at 60 °F.
    """

    yard: str
    name: str
    blends: tuple[Blend, ...]
    tanks: tuple[TankState, ...]
    sprayed_l: float
    reserve_l: float
    brine_needed_l: float
    brine_usable_l: float
    brine_to_make_l: float
    strength_frac: float
    batches: tuple[float, ...]
    making_h: float
    salt_kg: float
    salt_on_hand_kg: float
    water_l: float
    sludge_kg: float
    target_sg_60f: float
    expected_sg: float
    accept_sg: tuple[float, float]
    expected_at_c: float
    additives: tuple[Additive, ...]
    shortages: tuple[str, ...]
    first_use: AwareDatetime | None
    salt_unit: Literal["bucket", "bag"] | None = None
    salt_unit_kg: float | None = None
    expected: tuple[shed.Expected, ...] = ()
    off_readings: tuple[shed.OffReading, ...] = ()
    blendings: tuple[shed.Blending, ...] = ()


def yard_mix(
    key: str,
    yard: Yard,
    sprayed: Sequence[Treatment],
    products: Mapping[str, Product],
    practice: Practice,
    coldest_air_c: float | None = None,
) -> YardMix:
    """Work out what a yard mixes.

    Parameters
    ----------
    key : str
        The yard's key [-].
    yard : Yard
        Its tanks, salt, stock and mixer [-].
    sprayed : sequence of Treatment
        Every pre-treat served from it [-].
    products : mapping of str to Product
        What may be blended in [-].
    practice : Practice
        The company's rules [-].
    coldest_air_c : float or None
        Coldest air forecast at the sites it serves [°C].

    Returns
    -------
    YardMix
        Zero volumes where nothing is sprayed.
    """
    target = practice.number("brine_target")
    margin = 1.0 + practice.number("reserve")
    blends = _blends(sprayed, products)
    needed = margin * sum(blend.brine_l for blend in blends)
    tanks = tuple(_tank_state(name, tank, practice) for name, tank in yard.tanks.items()
                  if tank.holds == BRINE)  # fmt: skip
    usable = sum(tank.usable_l for tank in tanks)
    to_make = max(needed - usable, 0.0)
    salt = batch.Salt(yard.salt.purity_frac, yard.salt.moisture_frac, yard.salt.insolubles_frac)
    made = batch.make(to_make, target, salt, yard.water_c) if to_make > 0.0 else None
    additives = _additives(blends, yard, products, margin)
    salt_kg = made.salt_kg if made else 0.0
    return YardMix(
        yard=key,
        name=yard.name,
        blends=blends,
        tanks=tanks,
        sprayed_l=sum(blend.volume_l for blend in blends),
        reserve_l=(margin - 1.0) * sum(blend.volume_l for blend in blends),
        brine_needed_l=needed,
        brine_usable_l=usable,
        brine_to_make_l=to_make,
        strength_frac=target,
        batches=_batches(to_make, yard.mixer.batch_l),
        making_h=to_make / yard.mixer.rate_l_h,
        salt_kg=salt_kg,
        salt_on_hand_kg=yard.salt.on_hand_kg,
        water_l=made.water_l if made else 0.0,
        sludge_kg=made.sludge_kg if made else 0.0,
        target_sg_60f=_reading(target, hydrometer.REFERENCE_C),
        expected_sg=_reading(target, yard.water_c),
        accept_sg=(
            _reading(practice.number("brine_accept_low"), yard.water_c),
            _reading(practice.number("brine_accept_high"), yard.water_c),
        ),
        expected_at_c=yard.water_c,
        additives=additives,
        shortages=_shortages(salt_kg, to_make, yard, additives),
        first_use=min((blend.first_use for blend in blends), default=None),
        salt_unit=yard.salt.unit,
        salt_unit_kg=yard.salt.bucket_kg or yard.salt.bag_kg,
        expected=shed.expected(_bands(practice), yard.water_c) if to_make > 0.0 else (),
        off_readings=_off_readings(to_make, yard, salt, practice),
        blendings=shed.blendings(
            [(b.share, products[b.additive]) for b in blends if b.additive], target, coldest_air_c
        ),
    )


def _bands(practice: Practice) -> hydrometer.Bands:
    return hydrometer.Bands(
        practice.number("brine_target"),
        (practice.number("brine_accept_low"), practice.number("brine_accept_high")),
        (practice.number("brine_reject_low"), practice.number("brine_reject_high")),
    )


def _off_readings(
    to_make_l: float, yard: Yard, salt: batch.Salt, practice: Practice
) -> tuple[shed.OffReading, ...]:
    """Work out what to do about an off reading, for the batch size at hand."""
    if to_make_l <= 0.0:
        return ()
    size = _batches(to_make_l, yard.mixer.batch_l)[0]
    return shed.off_readings(size, _bands(practice), salt, yard.water_c, yard.mixer.batch_l)


def _reading(strength_frac: float, temp_c: float) -> float:
    return float(hydrometer.reading_sg(strength_frac, temp_c))


def _blends(sprayed: Sequence[Treatment], products: Mapping[str, Product]) -> tuple[Blend, ...]:
    """Group the treatments by what is loaded for them, weakest blend first."""
    groups: dict[tuple[float, str | None], list[Treatment]] = {}
    for item in sprayed:
        groups.setdefault((item.additive_share, item.additive), []).append(item)
    return tuple(
        Blend(
            additive=additive,
            additive_name=products[additive].name if additive else None,
            share=share,
            volume_l=sum(item.volume_l for item in items),
            brine_l=sum(item.brine_l for item in items),
            additive_l=sum(item.additive_l for item in items),
            surfaces=len(items),
            first_use=min(_start(item) for item in items),
        )
        for (share, additive), items in sorted(
            groups.items(), key=lambda group: (group[0][0], group[0][1] or "")
        )
    )


def _start(item: Treatment) -> datetime:
    assert item.best_start is not None  # every pre-treat has one
    return item.best_start


def _tank_state(name: str, tank: Tank, practice: Practice) -> TankState:
    """Judge a tank of brine by its last reading; without one it is not counted."""
    strength = _strength(tank)
    if strength is None:
        usable, says = 0.0, "no reading: take one before counting on it"
    elif strength < practice.number("brine_reject_low"):
        usable, says = 0.0, "too weak: correct it first"
    elif strength > practice.number("brine_reject_high"):
        usable, says = 0.0, "too strong: correct it first"
    else:
        usable = max(tank.on_hand_l - tank.heel_l, 0.0)
        inside = (
            practice.number("brine_accept_low") <= strength <= practice.number("brine_accept_high")
        )
        says = "usable" if inside else "usable, but correct it when there is time"
    return TankState(
        tank=name, on_hand_l=tank.on_hand_l, usable_l=usable, strength_frac=strength, says=says
    )


def _strength(tank: Tank) -> float | None:
    reading = tank.reading
    if reading is None:
        return None
    if reading.strength_frac is not None:
        return reading.strength_frac
    assert reading.at_c is not None  # the sites file insists on it
    sg = (
        reading.specific_gravity
        if reading.specific_gravity is not None
        else float(hydrometer.sg_from_salometer(reading.salometer_deg or 0.0))
    )
    return float(hydrometer.strength_from_reading(sg, reading.at_c))


def _batches(to_make_l: float, batch_l: float) -> tuple[float, ...]:
    """Split into equal batches that fit the mixer."""
    count = math.ceil(to_make_l / batch_l - 1e-9)
    return (to_make_l / count,) * count if count > 0 else ()


def _additives(
    blends: Sequence[Blend], yard: Yard, products: Mapping[str, Product], margin: float
) -> tuple[Additive, ...]:
    needed: dict[str, float] = {}
    for blend in blends:
        if blend.additive is not None:
            needed[blend.additive] = needed.get(blend.additive, 0.0) + margin * blend.additive_l
    found = []
    for key, needed_l in needed.items():
        in_tanks = sum(
            max(tank.on_hand_l - tank.heel_l, 0.0)
            for tank in yard.tanks.values()
            if tank.holds == key
        )
        on_hand = in_tanks + yard.stock_l.get(key, 0.0)
        found.append(
            Additive(
                product=key,
                name=products[key].name,
                needed_l=needed_l,
                on_hand_l=on_hand,
                short_l=max(needed_l - on_hand, 0.0),
            )
        )
    return tuple(found)


def _shortages(
    salt_kg: float, to_make_l: float, yard: Yard, additives: Sequence[Additive]
) -> tuple[str, ...]:
    """Name what runs out: salt, additives, room in the tanks."""
    found = []
    if salt_kg > yard.salt.on_hand_kg:
        found.append("salt")
    found += [item.product for item in additives if item.short_l > 0.0]
    room = sum(
        tank.capacity_l - tank.on_hand_l for tank in yard.tanks.values() if tank.holds == BRINE
    )
    if to_make_l > room:
        found.append("room in the brine tanks")
    return tuple(found)
