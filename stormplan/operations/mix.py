"""The mix of a yard: volumes, salt, water, additives, batches and shortages.

Adds up what the treatments spray and what the storm may yet ask for, puts the reserve on top, takes
off what the tanks hold at a usable strength, and turns the rest into batches. One record per yard,
for the shed lead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from stormplan.company.catalog import Product
from stormplan.company.practice_rules import Practice
from stormplan.company.yards import Yard
from stormplan.liquids import batch, hydrometer
from stormplan.liquids.dissolving import time_ratio_of_water
from stormplan.operations import brine_guidance
from stormplan.operations.blend_demand import (
    additive_draws,
    additive_needs,
    blend_volumes,
    distinct_blends,
    job_starts,
    on_board_fracs,
)
from stormplan.operations.mix_records import (
    AdditiveNeed,
    BrineNeed,
    BrinePurchase,
    YardMix,
)
from stormplan.operations.sprayer_schedule import Job, SprayerSchedule
from stormplan.operations.yard_brine import (
    batch_count,
    brine_purchase,
    first_corrections,
    free_volumes_l,
    schedule_batches,
    tank_corrections,
    tank_states,
)
from stormplan.treatment.ensemble_demand import aggregate
from stormplan.treatment.records import Action, Treatment

NOT_COUNTED: Mapping[str, datetime | None] = {}


def plan_yard_mix(
    yard_key: str,
    yard: Yard,
    jobs: Sequence[Job],
    schedule: SprayerSchedule,
    treatments: Sequence[Treatment],
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
    treatments : sequence of Treatment
        All that it serves, the pre-treats among them; later passes use liquid too.
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
    pretreatments = [item for item in treatments if item.action is Action.PRETREAT]
    others = [item for item in treatments if item.action is not Action.PRETREAT]
    treatments = [*pretreatments, *others]
    starts = job_starts(jobs, schedule)
    on_board = on_board_fracs(jobs, schedule)
    blends = blend_volumes(jobs, starts, products, on_board)
    visits = [item for treatment in treatments for item in treatment.follow_up]
    follow_up_l = sum(item.volume_l for item in visits)
    pretreat_l = sum(one.volume_l + one.on_board_l for one in blends)
    ensemble_volume = aggregate(
        (item.member_volumes_l for item in pretreatments), practice.number("demand_percentile")
    )
    # every blend by as much more: which surface will ask for it is not known
    ensemble_factor = (
        max(ensemble_volume.quantile_l / pretreat_l, 1.0)
        if ensemble_volume is not None and pretreat_l > 0.0
        else 1.0
    )
    pretreat_brine_l = sum(job.brine_l for job in jobs)
    follow_up_brine_l = sum(visit.brine_l for visit in visits)
    prewet_l = sum(visit.prewet_l for visit in visits)
    planned_brine_l = ensemble_factor * pretreat_brine_l + follow_up_brine_l
    need = BrineNeed(
        pretreat_l=sum(one.brine_l for one in blends),
        ensemble_extra_l=(ensemble_factor - 1.0) * pretreat_brine_l,
        follow_up_l=follow_up_brine_l - prewet_l,
        prewet_l=prewet_l,
        reserve_l=(reserve_factor - 1.0) * planned_brine_l,
    )
    needed = need.total_l
    tanks = tank_states(yard, practice, tanks_counted_at)
    usable = sum(tank.usable_l for tank in tanks)
    salt = batch.Salt(yard.salt.purity_frac, yard.salt.moisture_frac, yard.salt.insolubles_frac)
    corrections = first_corrections(
        list(tank_corrections(yard, tanks, salt, target_frac)), needed - usable
    )
    first = [each for each in corrections if each.is_first]
    mended = sum(each.gained_l for each in first)
    to_get = max(needed - usable - mended, 0.0)
    to_make = 0.0 if yard.mixer is None else to_get
    free_l = free_volumes_l(yard, corrections)
    brine_batch = (
        batch.make_batch(to_make, target_frac, salt, yard.water_temp_c) if to_make > 0.0 else None
    )
    additives = additive_needs(
        additive_draws(jobs, starts, visits, ensemble_factor, on_board),
        yard,
        products,
        reserve_factor,
    )
    salt_kg = sum(each.add_salt_kg for each in first) + (brine_batch.salt_kg if brine_batch else 0)
    first_load_at = min(
        [one.first_load_at for one in blends if one.volume_l > 0.0]
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
        [(frac, products[additive]) for frac, additive in distinct_blends(blends, visits)],
        target_frac,
        min_air_temp_c,
    )
    purchase = None
    if yard.mixer is None and to_get > 0.0:
        ready_before_h = practice.number("brine_ready_before")
        purchase = brine_purchase(to_get, yard, free_l, first_load_at, ready_before_h, now)
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
        batches=schedule_batches(
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
        target_sg_60f=hydrometer.brine_reading_sg(target_frac, hydrometer.REFERENCE_C),
        settled_sg=hydrometer.brine_reading_sg(target_frac, yard.water_temp_c),
        settled_accept_sg=(
            hydrometer.brine_reading_sg(practice.number("brine_accept_min"), yard.water_temp_c),
            hydrometer.brine_reading_sg(practice.number("brine_accept_max"), yard.water_temp_c),
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
        dissolving_time_ratio=time_ratio_of_water(yard.water_temp_c),
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
    batch_l = to_make_l / batch_count(to_make_l, yard.mixer)
    return brine_guidance.hydrometer_corrections(
        batch_l, _bands(practice), salt, yard.water_temp_c, yard.mixer.max_batch_l
    )


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
