"""The mix of a yard: volumes, salt, water, additives, batches and shortages.

Adds up what the treatments spray and what the storm may yet ask for, puts the reserve on top, takes
off what the tanks hold at a usable strength, and turns the rest into batches. One record per yard,
for the shed lead.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import accumulate, groupby
from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.catalog import Product
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import BRINE_KEY
from stormplan.company.validators import Record
from stormplan.company.yards import USUAL_BAG_KG, Mixer, Tank, Yard
from stormplan.liquids import batch, hydrometer
from stormplan.operations import brine_guidance
from stormplan.operations.sprayer_schedule import Job, SprayerSchedule
from stormplan.record.amounts import strength_of
from stormplan.treatment.ensemble_demand import EnsembleVolume, aggregate
from stormplan.treatment.records import Treatment, Visit


class BlendVolume(Record):
    """One blend to load, before the reserve.

    Attributes
    ----------
    additive, additive_name : str or None
        Key and name of the additive; None for plain brine.
    additive_frac : float
        Additive in the blend by volume [-].
    volume_l, brine_l, additive_l : float
        Blend, and the brine and additive in it [L].
    surface_count : int
        Surfaces it is for [-].
    first_load_at : datetime
        When the first load of it leaves, UTC.
    """

    additive: str | None
    additive_name: str | None
    additive_frac: float
    volume_l: float
    brine_l: float
    additive_l: float
    surface_count: int
    first_load_at: AwareDatetime


TankStatus = Literal["usable", "correct when time", "too weak", "too strong", "no reading"]


class TankState(Record):
    """Volume, strength and usability of a brine tank.

    Attributes
    ----------
    tank : str
        Key of the tank.
    on_hand_l : float
        What it holds [L].
    usable_l : float
        What can be drawn from it as it is [L].
    strength_frac : float or None
        NaCl by weight from its last reading [-]; None where nobody has read it.
    status : str
        Whether it can be used as it is, and why not.
    counted_at : datetime or None
        When it was measured last, or counted for the sites file; None where nobody said.
    """

    tank: str
    on_hand_l: float
    usable_l: float
    strength_frac: float | None
    status: TankStatus
    counted_at: AwareDatetime | None = None


class AdditiveNeed(Record):
    """One additive: need, stock and shortage.

    Attributes
    ----------
    product, name : str
        Key and name of the product.
    needed_l : float
        Volume needed with the reserve [L].
    on_hand_l : float
        Volume on hand [L].
    shortage_l : float
        Volume short [L].
    runs_out_at : datetime or None
        When it runs out in the order the surfaces are sprayed, UTC; None where it does not.
    """

    product: str
    name: str
    needed_l: float
    on_hand_l: float
    shortage_l: float
    runs_out_at: AwareDatetime | None


class ScheduledBatch(Record):
    """One scheduled batch of brine.

    Attributes
    ----------
    tank : str or None
        Key of the tank it goes into; None where none has room.
    volume_l : float
        Finished brine [L].
    salt_kg : float
        Salt as delivered [kg].
    water_l : float
        Water [L].
    start : datetime or None
        When to begin, UTC; None where there is no hurry.
    """

    tank: str | None
    volume_l: float
    salt_kg: float
    water_l: float
    start: AwareDatetime | None


class BrineDelivery(Record):
    """Bought brine for one tank.

    Attributes
    ----------
    tank : str or None
        Key of the tank it goes into; None for what no tank has room for.
    volume_l : float
        Brine [L].
    """

    tank: str | None
    volume_l: float


class BrinePurchase(Record):
    """The brine a yard buys for this plan.

    Attributes
    ----------
    volume_l : float
        Brine [L].
    deliveries : tuple of BrineDelivery
        Where it goes, the emptiest tank first.
    due_at : datetime or None
        When it must be in the tanks, UTC; None where nothing of it is loaded yet.
    order_by : datetime or None
        When to order it at the latest, UTC; None where the supplier's time is not known.
    is_late : bool
        Whether that has passed.
    """

    volume_l: float
    deliveries: tuple[BrineDelivery, ...]
    due_at: AwareDatetime | None
    order_by: AwareDatetime | None
    is_late: bool


class YardTankCorrection(Record):
    """The correction that brings one tank to target strength.

    Attributes
    ----------
    tank : str
        Key of the tank.
    draw_off_l : float
        To take out first, because the rest would not fit [L].
    add_water_l : float
        Water to put in then [L].
    add_salt_kg : float
        Salt as delivered to put in then [kg].
    final_l : float
        In the tank at the end [L].
    gained_l : float
        Usable brine it adds, where the tank is no use as it is [L].
    is_first : bool
        Whether to do it before any brine is made or bought: the storm needs what it adds.
    """

    tank: str
    draw_off_l: float
    add_water_l: float
    add_salt_kg: float
    final_l: float
    gained_l: float = 0.0
    is_first: bool = False


class BrineNeed(Record):
    """The plain brine that is needed, as a sum.

    Attributes
    ----------
    pretreat_l : float
        In the pre-treats [L].
    ensemble_extra_l : float
        More, for those members of the forecast that policy wants met [L].
    follow_up_l : float
        Sprayed at later visits [L].
    prewet_l : float
        To wet salt [L].
    reserve_l : float
        Reserve on top [L].
    """

    pretreat_l: float
    ensemble_extra_l: float
    follow_up_l: float
    prewet_l: float
    reserve_l: float

    @property
    def total_l(self) -> float:
        """The sum [L]."""
        sprayed_l = self.pretreat_l + self.ensemble_extra_l + self.follow_up_l
        return sprayed_l + self.prewet_l + self.reserve_l


class YardMix(Record):
    """The mix of one yard for this plan.

    Attributes
    ----------
    yard, name : str
        Key and name of the yard.
    blends : tuple of BlendVolume
        What is loaded, by blend.
    tanks : tuple of TankState
        What its brine tanks hold.
    pretreat_l : float
        Liquid of all pre-treats [L].
    follow_up_l : float
        Liquid sprayed at the visits after the pre-treats [L].
    prewet_l : float
        Brine that wets the salt [L].
    spread_salt_kg, spread_sand_kg : float
        Salt and sand that are spread dry, beside the salt that goes into brine [kg].
    ensemble_extra_l : float
        Mixed beyond the plan for those members of the forecast that policy wants met [L].
    reserve_l : float
        Reserve on top [L].
    brine_needed_l, brine_usable_l, brine_mended_l, brine_to_make_l : float
        Brine needed, in tanks at usable strength, in tanks to be corrected first, and to be made
        [L].
    brine_need : BrineNeed
        What it is needed for.
    makes_brine : bool
        Whether the yard has a brine maker.
    brine_purchase : BrinePurchase or None
        What is bought instead; None where the yard makes its brine, or needs none.
    target_strength_frac : float
        NaCl by weight to aim at [-].
    batches : tuple of ScheduledBatch
        Batches in the order they are made.
    tank_corrections : tuple of YardTankCorrection
        Tanks to bring to target first.
    production_h : float
        Hours the mixer runs [h].
    salt_kg, salt_on_hand_kg : float
        Salt as delivered: needed for brine, made or corrected, and on hand [kg].
    water_l : float
        Water needed for it [L].
    sludge_kg : float
        What settles of the salt, dry [kg].
    target_sg_60f : float
        Specific gravity of brine on target at 60 °F [-].
    settled_sg : float
        Hydrometer reading to look for once the batch is back at the water's temperature [-].
    settled_accept_sg : (float, float)
        Readings that are good enough then [-].
    settled_temp_c : float
        Temperature of the water [°C].
    additives : tuple of AdditiveNeed
        Every additive needed.
    load_out_only : tuple of str
        Additives whose blend would drop salt crystals if it stood in a tank: blend them at load-
        out.
    shortages : tuple of str
        What runs short and by when it bites, in words.
    first_load_at : datetime or None
        When the first load leaves, UTC; None where nothing is sprayed.
    cost : float or None
        Cost of salt and additive, in the company's currency; None where a price is missing.
    chloride_kg : float
        Chloride in all of it [kg].
    sprayer_schedule : SprayerSchedule
        Who sprays what, when.
    bucket_kg : float or None
        Salt that the loader lifts at once [kg]; None where the yard has not said.
    bag_kg : float
        Salt in a bag [kg].
    is_salt_bagged : bool
        Whether the yard makes its brine from bags, too.
    hydrometer_targets : tuple of HydrometerTarget
        Readings of a batch on target, at each stage.
    hydrometer_corrections : tuple of HydrometerCorrection
        What to do where the reading is off.
    blend_locations : tuple of BlendLocationAdvice
        Where each blend is best mixed.
    ensemble_volume : EnsembleVolume or None
        What the members of the forecast would spray; None without several.
    stock_as_of : datetime or None
        Last entry of the record about what the yard holds; None where the sites file says it.
    """

    yard: str
    name: str
    blends: tuple[BlendVolume, ...]
    tanks: tuple[TankState, ...]
    pretreat_l: float
    follow_up_l: float
    prewet_l: float
    spread_salt_kg: float
    spread_sand_kg: float
    ensemble_extra_l: float
    reserve_l: float
    brine_needed_l: float
    brine_usable_l: float
    brine_mended_l: float
    brine_to_make_l: float
    brine_need: BrineNeed
    target_strength_frac: float
    batches: tuple[ScheduledBatch, ...]
    tank_corrections: tuple[YardTankCorrection, ...]
    production_h: float
    salt_kg: float
    salt_on_hand_kg: float
    water_l: float
    sludge_kg: float
    target_sg_60f: float
    settled_sg: float
    settled_accept_sg: tuple[float, float]
    settled_temp_c: float
    additives: tuple[AdditiveNeed, ...]
    load_out_only: tuple[str, ...]
    shortages: tuple[str, ...]
    first_load_at: AwareDatetime | None
    cost: float | None
    chloride_kg: float
    sprayer_schedule: SprayerSchedule
    bucket_kg: float | None = None
    bag_kg: float = USUAL_BAG_KG
    is_salt_bagged: bool = False
    hydrometer_targets: tuple[brine_guidance.HydrometerTarget, ...] = ()
    hydrometer_corrections: tuple[brine_guidance.HydrometerCorrection, ...] = ()
    blend_locations: tuple[brine_guidance.BlendLocationAdvice, ...] = ()
    ensemble_volume: EnsembleVolume | None = None
    makes_brine: bool = True
    brine_purchase: BrinePurchase | None = None
    stock_as_of: AwareDatetime | None = None


NOT_COUNTED: Mapping[str, datetime | None] = {}


def plan_yard_mix(
    yard_key: str,
    yard: Yard,
    jobs: Sequence[Job],
    schedule: SprayerSchedule,
    other_treatments: Sequence[Treatment],
    products: Mapping[str, Product],
    practice: Practice,
    now: datetime,
    min_air_temp_c: float | None = None,
    stock_as_of: datetime | None = None,
    tanks_counted_at: Mapping[str, datetime | None] = NOT_COUNTED,
) -> YardMix:
    """Return the mix of a yard.

    Parameters
    ----------
    yard_key : str
        The yard's key.
    yard : Yard
        Its tanks, salt, stock, and mixer if it has one.
    jobs : sequence of Job
        Every pre-treat served from it.
    schedule : SprayerSchedule
        Who sprays them, when.
    other_treatments : sequence of Treatment
        What else it serves; their later passes use liquid too.
    products : mapping of str to Product
        What may be blended in.
    practice : Practice
        The company's rules.
    now : datetime
        Moment of planning, aware UTC.
    min_air_temp_c : float or None
        Coldest air forecast at the sites it serves [°C].
    stock_as_of : datetime or None
        Last entry of the record about what the yard holds; None where the sites file says it.
    tanks_counted_at : mapping of str to datetime or None
        When each tank was measured or counted.

    Returns
    -------
    YardMix
        Zero volumes where nothing is sprayed.
    """
    target_frac = practice.number("brine_target")
    reserve_factor = 1.0 + practice.number("reserve")
    pretreatments = [job.treatment for job in jobs]
    treatments = [*pretreatments, *other_treatments]
    starts = _job_starts(jobs, schedule)
    blends = _blend_volumes(jobs, starts, products)
    visits = [item for treatment in treatments for item in treatment.follow_up]
    follow_up_l = sum(item.volume_l for item in visits)
    pretreat_l = sum(one.volume_l for one in blends)
    ensemble_volume = aggregate(
        (item.member_volumes_l for item in pretreatments), practice.number("demand_percentile")
    )
    # every blend by as much more: which surface will ask for it is not known
    ensemble_factor = (
        max(ensemble_volume.quantile_l / pretreat_l, 1.0)
        if ensemble_volume is not None and pretreat_l > 0.0
        else 1.0
    )
    pretreat_brine_l = sum(one.brine_l for one in blends)
    follow_up_brine_l = sum(visit.brine_l for visit in visits)
    prewet_l = sum(visit.prewet_l for visit in visits)
    planned_brine_l = ensemble_factor * pretreat_brine_l + follow_up_brine_l
    need = BrineNeed(
        pretreat_l=pretreat_brine_l,
        ensemble_extra_l=(ensemble_factor - 1.0) * pretreat_brine_l,
        follow_up_l=follow_up_brine_l - prewet_l,
        prewet_l=prewet_l,
        reserve_l=(reserve_factor - 1.0) * planned_brine_l,
    )
    needed = need.total_l
    tanks = tuple(
        _tank_state(name, tank, practice, tanks_counted_at.get(name))
        for name, tank in yard.tanks.items()
        if tank.product == BRINE_KEY
    )
    usable = sum(tank.usable_l for tank in tanks)
    salt = batch.Salt(yard.salt.purity_frac, yard.salt.moisture_frac, yard.salt.insolubles_frac)
    corrections = _first_corrections(
        list(_tank_corrections(yard, tanks, salt, target_frac)), needed - usable
    )
    first = [each for each in corrections if each.is_first]
    mended = sum(each.gained_l for each in first)
    to_get = max(needed - usable - mended, 0.0)
    to_make = 0.0 if yard.mixer is None else to_get
    free_l = _free_volumes_l(yard, corrections)
    brine_batch = (
        batch.make_batch(to_make, target_frac, salt, yard.water_temp_c) if to_make > 0.0 else None
    )
    additives = _additive_needs(
        _additive_uses(jobs, starts, visits, ensemble_factor), yard, products, reserve_factor
    )
    salt_kg = sum(each.add_salt_kg for each in first) + (brine_batch.salt_kg if brine_batch else 0)
    first_load_at = min(
        [one.first_load_at for one in blends]
        # a visit's hour may have begun before the plan was made
        + [max(p.at, now) for p in visits if p.volume_l > 0.0 or p.prewet_l > 0.0],
        default=None,
    )
    costs = [
        treatment.cost
        for treatment in treatments
        if any(visit.volume_l > 0.0 or visit.salt_kg > 0.0 for visit in treatment.visits)
    ]
    spread_salt_kg = sum(visit.salt_kg for visit in visits)
    planned_l = ensemble_factor * pretreat_l + follow_up_l + prewet_l
    blend_locations = brine_guidance.blend_locations(
        [(frac, products[additive]) for frac, additive in _standing_blends(blends, visits)],
        target_frac,
        min_air_temp_c,
    )
    purchase = None
    if yard.mixer is None and to_get > 0.0:
        ready_before_h = practice.number("brine_ready_before")
        purchase = _brine_purchase(to_get, yard, free_l, first_load_at, ready_before_h, now)
    return YardMix(
        yard=yard_key,
        name=yard.name,
        blends=blends,
        tanks=tanks,
        pretreat_l=pretreat_l,
        follow_up_l=follow_up_l,
        prewet_l=prewet_l,
        spread_salt_kg=spread_salt_kg,
        spread_sand_kg=sum(visit.sand_kg for visit in visits),
        ensemble_extra_l=(ensemble_factor - 1.0) * pretreat_l,
        reserve_l=(reserve_factor - 1.0) * planned_l,
        brine_needed_l=needed,
        brine_usable_l=usable,
        brine_mended_l=mended,
        brine_to_make_l=to_make,
        brine_need=need,
        target_strength_frac=target_frac,
        batches=_schedule_batches(
            to_make,
            yard,
            free_l,
            salt,
            target_frac,
            first_load_at,
            practice.number("brine_ready_before"),
        ),
        tank_corrections=corrections,
        production_h=0.0 if yard.mixer is None else to_make / yard.mixer.production_rate_l_h,
        salt_kg=salt_kg,
        salt_on_hand_kg=yard.salt.on_hand_kg,
        water_l=sum(each.add_water_l for each in first)
        + (brine_batch.water_l if brine_batch else 0.0),
        sludge_kg=brine_batch.sludge_kg if brine_batch else 0.0,
        target_sg_60f=_reading_sg(target_frac, hydrometer.REFERENCE_C),
        settled_sg=_reading_sg(target_frac, yard.water_temp_c),
        settled_accept_sg=(
            _reading_sg(practice.number("brine_accept_min"), yard.water_temp_c),
            _reading_sg(practice.number("brine_accept_max"), yard.water_temp_c),
        ),
        settled_temp_c=yard.water_temp_c,
        additives=additives,
        load_out_only=tuple(
            b.additive for b in blend_locations if b.reason is brine_guidance.BlendReason.DROPS_SALT
        ),
        shortages=_shortages(
            salt_kg + spread_salt_kg,
            max(to_get - sum(free_l.values()), 0.0),
            yard,
            additives,
            practice,
            purchase,
        ),
        first_load_at=first_load_at,
        cost=None if None in costs else sum(cost for cost in costs if cost is not None),
        chloride_kg=sum(treatment.chloride_kg for treatment in treatments),
        sprayer_schedule=schedule,
        bucket_kg=yard.salt.bucket_kg,
        bag_kg=yard.salt.bag_kg,
        is_salt_bagged=yard.salt.is_bagged,
        hydrometer_targets=_hydrometer_targets(to_make + mended, purchase, yard, practice),
        hydrometer_corrections=_hydrometer_corrections(to_make, yard, salt, practice),
        blend_locations=blend_locations,
        ensemble_volume=ensemble_volume,
        makes_brine=yard.mixer is not None,
        brine_purchase=purchase,
        stock_as_of=stock_as_of,
    )


def _bands(practice: Practice) -> hydrometer.StrengthBands:
    return hydrometer.StrengthBands(
        practice.number("brine_target"),
        (practice.number("brine_accept_min"), practice.number("brine_accept_max")),
        (practice.number("brine_reject_below"), practice.number("brine_reject_above")),
    )


def _hydrometer_targets(
    mixed_l: float, purchase: BrinePurchase | None, yard: Yard, practice: Practice
) -> tuple[brine_guidance.HydrometerTarget, ...]:
    if purchase is not None:
        return brine_guidance.delivery_targets(_bands(practice))
    if mixed_l <= 0.0:
        return ()
    return brine_guidance.hydrometer_targets(_bands(practice), yard.water_temp_c)


def _hydrometer_corrections(
    to_make_l: float, yard: Yard, salt: batch.Salt, practice: Practice
) -> tuple[brine_guidance.HydrometerCorrection, ...]:
    """Return hydrometer corrections for the batch size planned."""
    if to_make_l <= 0.0 or yard.mixer is None:
        return ()
    batch_l = to_make_l / _batch_count(to_make_l, yard.mixer)
    return brine_guidance.hydrometer_corrections(
        batch_l, _bands(practice), salt, yard.water_temp_c, yard.mixer.max_batch_l
    )


def _batch_count(to_make_l: float, mixer: Mixer) -> int:
    return math.ceil(to_make_l / mixer.max_batch_l - 1e-9)


def _reading_sg(strength_frac: float, temp_c: float) -> float:
    return float(hydrometer.reading_sg(strength_frac, temp_c))


JobStarts = Mapping[tuple[str, str, datetime], datetime]


def _job_key(job: Job) -> tuple[str, str, datetime]:
    return job.site, job.surface, job.onset


def _job_starts(jobs: Sequence[Job], schedule: SprayerSchedule) -> JobStarts:
    """Return when the load of each job leaves the yard; its best start where nobody sprays it."""
    leaves: dict[tuple[str, str, datetime], datetime] = {}
    for sprayer in schedule.sprayers:
        for _, stops in groupby(sprayer.stops, key=lambda stop: stop.load):
            of_load = list(stops)
            leave_at = of_load[0].start - timedelta(hours=of_load[0].drive_h)
            for one in of_load:
                key = one.site, one.surface, one.onset
                leaves[key] = min(leaves.get(key, leave_at), leave_at)
    best = {_job_key(job): job.treatment.best_start for job in jobs}
    return {key: leaves.get(key, start) for key, start in best.items() if start is not None}


def _blend_volumes(
    jobs: Sequence[Job], starts: JobStarts, products: Mapping[str, Product]
) -> tuple[BlendVolume, ...]:
    """Return the volumes by blend, lowest additive fraction first."""
    groups: dict[tuple[float, str | None], list[Job]] = {}
    for job in jobs:
        item = job.treatment
        groups.setdefault((item.additive_frac, item.additive), []).append(job)
    return tuple(
        BlendVolume(
            additive=additive,
            additive_name=products[additive].name if additive else None,
            additive_frac=share,
            volume_l=sum(job.treatment.volume_l for job in blend_jobs),
            brine_l=sum(job.treatment.brine_l for job in blend_jobs),
            additive_l=sum(job.treatment.additive_l for job in blend_jobs),
            surface_count=len(blend_jobs),
            first_load_at=min(starts[_job_key(job)] for job in blend_jobs),
        )
        for (share, additive), blend_jobs in sorted(
            groups.items(), key=lambda group: (group[0][0], group[0][1] or "")
        )
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


def _schedule_batches(
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
    count = _batch_count(to_make_l, yard.mixer)
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


def _free_volumes_l(yard: Yard, corrections: Sequence[YardTankCorrection]) -> dict[str, float]:
    """Return the room in each brine tank, once those to be corrected first are [L]."""
    final_l = {each.tank: each.final_l for each in corrections if each.is_first}
    return {
        name: tank.capacity_l - final_l.get(name, tank.on_hand_l)
        for name, tank in yard.tanks.items()
        if tank.product == BRINE_KEY
    }


def _brine_purchase(
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


def _tank_corrections(
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


def _first_corrections(
    corrections: Sequence[YardTankCorrection], missing_l: float
) -> tuple[YardTankCorrection, ...]:
    """Mark the corrections to do before new brine is made: the largest gains, until they do."""
    marked = []
    for each in sorted(corrections, key=lambda one: -one.gained_l):
        is_first = missing_l > 0.0 and each.gained_l > 0.0
        marked.append(each.model_copy(update={"is_first": is_first}))
        missing_l -= each.gained_l
    return tuple(marked)


def _standing_blends(
    blends: Sequence[BlendVolume], visits: Sequence[Visit]
) -> list[tuple[float, str]]:
    """Return every blend with an additive, by its part of it, each once."""
    found = [(blend.additive_frac, blend.additive) for blend in blends]
    found += [(visit.additive_frac, visit.additive) for visit in visits]
    return sorted({(frac, additive) for frac, additive in found if additive is not None})


@dataclass(frozen=True)
class _AdditiveUse:
    """Additive that is drawn for one job: when, of what, how much [L]."""

    at: datetime
    product: str
    volume_l: float


def _additive_uses(
    jobs: Sequence[Job], starts: JobStarts, visits: Sequence[Visit], ensemble_factor: float
) -> list[_AdditiveUse]:
    """Return every draw on additives in order of time, the pre-treats with the ensemble's extra."""
    uses = [
        _AdditiveUse(
            starts[_job_key(job)],
            job.treatment.additive,
            ensemble_factor * job.treatment.additive_l,
        )
        for job in jobs
        if job.treatment.additive is not None
    ]
    uses += [
        _AdditiveUse(visit.at, visit.additive, visit.additive_l)
        for visit in visits
        if visit.additive is not None
    ]
    return sorted(uses, key=lambda use: use.at)


def _additive_needs(
    uses: Sequence[_AdditiveUse],
    yard: Yard,
    products: Mapping[str, Product],
    reserve_factor: float,
) -> tuple[AdditiveNeed, ...]:
    """Return what is needed of each additive, and when the first draw is not covered."""
    needs = []
    for key in dict.fromkeys(use.product for use in uses):
        on_hand = _on_hand(yard, key)
        own = [use for use in uses if use.product == key]
        needed_l = reserve_factor * sum(use.volume_l for use in own)
        drawn = list(accumulate(use.volume_l for use in own))
        short = [use.at for use, total in zip(own, drawn, strict=True) if total > on_hand + 1e-9]
        needs.append(
            AdditiveNeed(
                product=key,
                name=products[key].name,
                needed_l=needed_l,
                on_hand_l=on_hand,
                shortage_l=max(needed_l - on_hand, 0.0),
                runs_out_at=short[0] if short else None,
            )
        )
    return tuple(needs)


def _on_hand(yard: Yard, product: str) -> float:
    in_tanks = sum(
        max(tank.on_hand_l - tank.heel_l, 0.0)
        for tank in yard.tanks.values()
        if tank.product == product
    )
    return in_tanks + yard.stock_l.get(product, 0.0)


def _shortages(
    salt_kg: float,
    homeless_l: float,
    yard: Yard,
    additives: Sequence[AdditiveNeed],
    practice: Practice,
    purchase: BrinePurchase | None,
) -> tuple[str, ...]:
    """Return what is short: salt, additives, brine in time, tank capacity, containment."""
    shortages = []
    if salt_kg > yard.salt.on_hand_kg:
        shortages.append("salt")
    shortages += [item.product for item in additives if item.shortage_l > 0.0]
    if purchase is not None and purchase.is_late:
        shortages.append("bought brine")
    if homeless_l > 0.0:
        shortages.append("room in the brine tanks")
    largest = max(tank.capacity_l for tank in yard.tanks.values())
    if (
        yard.containment_l is not None
        and yard.containment_l < practice.number("containment_ratio") * largest - 1e-6
    ):
        shortages.append("containment for the largest tank")
    return tuple(shortages)
