"""How many gallons: what the yard makes, from how much salt and water, and what is short.

Adds up what the treatments spray and what the storm may yet ask for, puts the reserve on top, takes
off what the tanks hold at a usable strength, and turns the rest into batches. One record per yard,
for the shed lead.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.catalog import Product
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import BRINE
from stormplan.company.validators import Record
from stormplan.company.yards import Tank, Yard
from stormplan.liquids import batch, hydrometer
from stormplan.operations import brine_guidance
from stormplan.operations.sprayer_schedule import Crew, Job, plan_crew
from stormplan.treatment.ensemble_demand import Demand, add_up
from stormplan.treatment.records import Treatment


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
    """One bought product: needed with the reserve, on hand, and what is missing [L].

    ``short_at`` is when it runs out in the order the surfaces are sprayed.
    """

    product: str
    name: str
    needed_l: float
    on_hand_l: float
    short_l: float
    short_at: AwareDatetime | None


class Batch(Record):
    """One batch in the order it is made: into which tank, from what. [L], [kg]."""

    tank: str | None
    volume_l: float
    salt_kg: float
    water_l: float
    start: AwareDatetime | None


class Step(Record):
    """What brings an off-strength tank of brine to target [L], [kg]."""

    tank: str
    draw_off_l: float
    add_water_l: float
    add_salt_kg: float
    final_l: float


class YardMix(Record):
    """What one yard mixes for this plan.

    Volumes [L], masses [kg], strengths as mass share [-]. ``later_l`` is planned for after the
    storm. ``demand`` is what the members of the forecast would spray, and ``more_l`` what is mixed
    beyond the plan for those of them that policy wants met. ``batches`` come in the order they are
    made; salt is as delivered. ``expected_sg`` is the hydrometer reading to look for once the
    batch is back at the water's temperature, between ``accept_sg``; ``target_sg_60f`` is the same
    at 60 °F. ``cold_tank`` names the additives whose blend would drop salt crystals if it stood in
    a tank: blend them at load-out.
    """

    yard: str
    name: str
    blends: tuple[Blend, ...]
    tanks: tuple[TankState, ...]
    sprayed_l: float
    later_l: float
    more_l: float
    reserve_l: float
    brine_needed_l: float
    brine_usable_l: float
    brine_to_make_l: float
    strength_frac: float
    batches: tuple[Batch, ...]
    corrections: tuple[Step, ...]
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
    cold_tank: tuple[str, ...]
    shortages: tuple[str, ...]
    first_use: AwareDatetime | None
    cost: float | None
    chloride_kg: float
    crew: Crew
    salt_unit: Literal["bucket", "bag"] | None = None
    salt_unit_kg: float | None = None
    expected: tuple[brine_guidance.Expected, ...] = ()
    off_readings: tuple[brine_guidance.OffReading, ...] = ()
    blendings: tuple[brine_guidance.Blending, ...] = ()
    demand: Demand | None = None


def yard_mix(
    key: str,
    yard: Yard,
    jobs: Sequence[Job],
    others: Sequence[Treatment],
    products: Mapping[str, Product],
    practice: Practice,
    now: datetime,
    coldest_air_c: float | None = None,
) -> YardMix:
    """Work out what a yard mixes.

    Parameters
    ----------
    key : str
        The yard's key [-].
    yard : Yard
        Its tanks, salt, stock and mixer [-].
    jobs : sequence of Job
        Every pre-treat served from it [-].
    others : sequence of Treatment
        What else it serves; their later passes use liquid too [-].
    products : mapping of str to Product
        What may be blended in [-].
    practice : Practice
        The company's rules [-].
    now : datetime
        Moment of planning, aware UTC [-].
    coldest_air_c : float or None
        Coldest air forecast at the sites it serves [°C].

    Returns
    -------
    YardMix
        Zero volumes where nothing is sprayed.
    """
    target = practice.number("brine_target")
    margin = 1.0 + practice.number("reserve")
    sprayed = [job.treatment for job in jobs]
    every = [*sprayed, *others]
    crew = plan_crew(yard, jobs, now)
    starts = _starts(jobs, crew)
    blends = _blends(jobs, starts, products)
    passes = [item for treatment in every for item in treatment.later]
    later = sum(item.volume_l for item in passes)
    planned = sum(one.volume_l for one in blends)
    wanted = add_up((item.needs_l for item in sprayed), practice.number("mix_for"))
    # every blend by as much more: which surface will ask for it is not known
    stretch = max(wanted.high_l / planned, 1.0) if wanted is not None and planned > 0.0 else 1.0
    needed = margin * (stretch * sum(one.brine_l for one in blends) + later)
    tanks = tuple(
        _tank_state(name, tank, practice)
        for name, tank in yard.tanks.items()
        if tank.holds == BRINE
    )
    usable = sum(tank.usable_l for tank in tanks)
    to_make = max(needed - usable, 0.0)
    salt = batch.Salt(yard.salt.purity_frac, yard.salt.moisture_frac, yard.salt.insolubles_frac)
    made = batch.make(to_make, target, salt, yard.water_c) if to_make > 0.0 else None
    additives = _additives(blends, jobs, starts, yard, products, margin * stretch)
    salt_kg = made.salt_kg if made else 0.0
    first_use = min(
        [one.first_use for one in blends] + [p.at for p in passes if p.volume_l > 0.0],
        default=None,
    )
    costs = [treatment.cost for treatment in sprayed]
    blendings = brine_guidance.blendings(
        [(b.share, products[b.additive]) for b in blends if b.additive], target, coldest_air_c
    )
    return YardMix(
        yard=key,
        name=yard.name,
        blends=blends,
        tanks=tanks,
        sprayed_l=planned,
        later_l=later,
        more_l=(stretch - 1.0) * planned,
        reserve_l=(margin - 1.0) * (stretch * planned + later),
        brine_needed_l=needed,
        brine_usable_l=usable,
        brine_to_make_l=to_make,
        strength_frac=target,
        batches=_batches(to_make, yard, salt, target, first_use),
        corrections=tuple(_corrections(yard, tanks, salt, target)),
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
        cold_tank=tuple(b.additive for b in blendings if b.why is brine_guidance.Why.DROPS_SALT),
        shortages=_shortages(salt_kg, to_make, yard, additives, practice),
        first_use=first_use,
        cost=None if None in costs else sum(cost for cost in costs if cost is not None),
        chloride_kg=sum(treatment.chloride_kg for treatment in every),
        crew=crew,
        salt_unit=yard.salt.unit,
        salt_unit_kg=yard.salt.bucket_kg or yard.salt.bag_kg,
        expected=brine_guidance.expected(_bands(practice), yard.water_c) if to_make > 0.0 else (),
        off_readings=_off_readings(to_make, yard, salt, practice),
        blendings=blendings,
        demand=wanted,
    )


def _bands(practice: Practice) -> hydrometer.Bands:
    return hydrometer.Bands(
        practice.number("brine_target"),
        (practice.number("brine_accept_low"), practice.number("brine_accept_high")),
        (practice.number("brine_reject_low"), practice.number("brine_reject_high")),
    )


def _off_readings(
    to_make_l: float, yard: Yard, salt: batch.Salt, practice: Practice
) -> tuple[brine_guidance.OffReading, ...]:
    """Work out what to do about an off reading, for the batch size at hand."""
    if to_make_l <= 0.0:
        return ()
    size = to_make_l / _batch_count(to_make_l, yard)
    return brine_guidance.off_readings(
        size, _bands(practice), salt, yard.water_c, yard.mixer.batch_l
    )


def _batch_count(to_make_l: float, yard: Yard) -> int:
    return math.ceil(to_make_l / yard.mixer.batch_l - 1e-9)


def _reading(strength_frac: float, temp_c: float) -> float:
    return float(hydrometer.reading_sg(strength_frac, temp_c))


Starts = Mapping[tuple[str, str, datetime], datetime]


def _key(job: Job) -> tuple[str, str, datetime]:
    assert job.treatment.best_start is not None  # every pre-treat has one
    return job.site, job.surface, job.treatment.best_start


def _starts(jobs: Sequence[Job], crew: Crew) -> Starts:
    """Tell when each job is begun: on its sprayer's round, or at its best where none reaches it."""
    rounds: dict[tuple[str, str], list[datetime]] = {}
    for sprayer in crew.sprayers:
        for one in sprayer.rounds:
            rounds.setdefault((one.site, one.surface), []).append(one.start)
    found = {}
    for job in jobs:
        best = _key(job)[2]
        mine = rounds.get((job.site, job.surface), [best])
        found[_key(job)] = min(mine, key=lambda start: abs(start - best))
    return found


def _blends(
    jobs: Sequence[Job], starts: Starts, products: Mapping[str, Product]
) -> tuple[Blend, ...]:
    """Group the jobs by what is loaded for them, weakest blend first."""
    groups: dict[tuple[float, str | None], list[Job]] = {}
    for job in jobs:
        item = job.treatment
        groups.setdefault((item.additive_share, item.additive), []).append(job)
    return tuple(
        Blend(
            additive=additive,
            additive_name=products[additive].name if additive else None,
            share=share,
            volume_l=sum(job.treatment.volume_l for job in of_it),
            brine_l=sum(job.treatment.brine_l for job in of_it),
            additive_l=sum(job.treatment.additive_l for job in of_it),
            surfaces=len(of_it),
            first_use=min(starts[_key(job)] for job in of_it),
        )
        for (share, additive), of_it in sorted(
            groups.items(), key=lambda group: (group[0][0], group[0][1] or "")
        )
    )


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


def _batches(
    to_make_l: float, yard: Yard, salt: batch.Salt, target: float, first_use: datetime | None
) -> tuple[Batch, ...]:
    """Split into equal batches that fit the mixer, into the brine tanks with most room first.

    The last is done an hour before the first load.
    """
    count = _batch_count(to_make_l, yard)
    if count <= 0:
        return ()
    volume = to_make_l / count
    made = batch.make(volume, target, salt, yard.water_c)
    hours = volume / yard.mixer.rate_l_h
    room = {
        name: tank.capacity_l - tank.on_hand_l
        for name, tank in yard.tanks.items()
        if tank.holds == BRINE
    }
    found = []
    for number in range(count):
        tank = max(room, key=lambda name: room[name], default=None)
        if tank is not None and room[tank] < volume - 1e-6:
            tank = None
        if tank is not None:
            room[tank] -= volume
        back = timedelta(hours=1.0 + hours * (count - number))
        found.append(
            Batch(
                tank=tank,
                volume_l=volume,
                salt_kg=made.salt_kg,
                water_l=made.water_l,
                start=None if first_use is None else _five_minutes(first_use - back),
            )
        )
    return tuple(found)


def _five_minutes(moment: datetime) -> datetime:
    """Round down to five minutes."""
    over = timedelta(minutes=moment.minute % 5, seconds=moment.second)
    return (moment - over).replace(microsecond=0)


def _corrections(
    yard: Yard, tanks: Sequence[TankState], salt: batch.Salt, target: float
) -> Iterable[Step]:
    """Say what brings each tank that reads off to target; its volume is left as it is counted."""
    for state in tanks:
        strength = state.strength_frac
        if strength is None or state.says == "usable" or state.on_hand_l <= 0.0:
            continue
        tank = yard.tanks[state.tank]
        fixed = batch.correct(state.on_hand_l, strength, target, salt, tank.capacity_l)
        yield Step(
            tank=state.tank,
            draw_off_l=fixed.draw_off_l,
            add_water_l=fixed.add_water_l,
            add_salt_kg=fixed.add_salt_kg,
            final_l=fixed.final_l,
        )


def _additives(
    blends: Sequence[Blend],
    jobs: Sequence[Job],
    starts: Starts,
    yard: Yard,
    products: Mapping[str, Product],
    margin: float,
) -> tuple[Additive, ...]:
    needed: dict[str, float] = {}
    for item in blends:
        if item.additive is not None:
            needed[item.additive] = needed.get(item.additive, 0.0) + margin * item.additive_l
    found = []
    for key, needed_l in needed.items():
        on_hand = _on_hand(yard, key)
        found.append(
            Additive(
                product=key,
                name=products[key].name,
                needed_l=needed_l,
                on_hand_l=on_hand,
                short_l=max(needed_l - on_hand, 0.0),
                short_at=_runs_out(key, jobs, starts, on_hand),
            )
        )
    return tuple(found)


def _on_hand(yard: Yard, product: str) -> float:
    in_tanks = sum(
        max(tank.on_hand_l - tank.heel_l, 0.0)
        for tank in yard.tanks.values()
        if tank.holds == product
    )
    return in_tanks + yard.stock_l.get(product, 0.0)


def _runs_out(
    product: str, jobs: Sequence[Job], starts: Starts, on_hand_l: float
) -> datetime | None:
    """Find the start of the job that the stock no longer covers."""
    used = 0.0
    for job in sorted(jobs, key=lambda job: starts[_key(job)]):
        if job.treatment.additive == product:
            used += job.treatment.additive_l
            if used > on_hand_l + 1e-9:
                return starts[_key(job)]
    return None


def _shortages(
    salt_kg: float,
    to_make_l: float,
    yard: Yard,
    additives: Sequence[Additive],
    practice: Practice,
) -> tuple[str, ...]:
    """Name what runs out: salt, additives, room in the tanks, containment around them."""
    found = []
    if salt_kg > yard.salt.on_hand_kg:
        found.append("salt")
    found += [item.product for item in additives if item.short_l > 0.0]
    room = sum(
        tank.capacity_l - tank.on_hand_l for tank in yard.tanks.values() if tank.holds == BRINE
    )
    if to_make_l > room:
        found.append("room in the brine tanks")
    largest = max(tank.capacity_l for tank in yard.tanks.values())
    if (
        yard.containment_l is not None
        and yard.containment_l < practice.number("containment_share") * largest - 1e-6
    ):
        found.append("containment for the largest tank")
    return tuple(found)
