"""What is drawn from a yard: blends by the load, and additives in order of time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import accumulate, groupby

from stormplan.company.catalog import Product
from stormplan.company.yards import Yard
from stormplan.operations.mix_records import (
    AdditiveNeed,
    BlendVolume,
)
from stormplan.operations.sprayer_schedule import Job, SprayerSchedule
from stormplan.treatment.records import Visit

JobStarts = Mapping[tuple[str, str, datetime], datetime]


def job_starts(jobs: Sequence[Job], schedule: SprayerSchedule) -> JobStarts:
    """Return when the load of each job leaves the yard; its best start where nobody sprays it."""
    leaves: dict[tuple[str, str, datetime], datetime] = {}
    for sprayer in schedule.sprayers:
        for _, stops in groupby(sprayer.stops, key=lambda stop: stop.load):
            of_load = list(stops)
            leave_at = of_load[0].start - timedelta(hours=of_load[0].drive_h)
            for one in of_load:
                key = one.site, one.surface, one.onset
                leaves[key] = min(leaves.get(key, leave_at), leave_at)
    return {job.key: leaves.get(job.key, job.best_start) for job in jobs}


#: Part of a job that is in a sprayer's tank already, by site, surface and onset [-].
OnBoard = Mapping[tuple[str, str, datetime], float]


def on_board_fracs(jobs: Sequence[Job], schedule: SprayerSchedule) -> OnBoard:
    """Return the part of each job that a sprayer has in its tank already [-]."""
    held_l: dict[tuple[str, str, datetime], float] = {}
    for sprayer in schedule.sprayers:
        for stop in sprayer.stops if sprayer.begins_loaded else ():
            if stop.load == 1:
                key = stop.site, stop.surface, stop.onset
                held_l[key] = held_l.get(key, 0.0) + stop.volume_l
    return {job.key: min(held_l[job.key] / job.volume_l, 1.0) for job in jobs if job.key in held_l}


def blend_volumes(
    jobs: Sequence[Job], starts: JobStarts, products: Mapping[str, Product], on_board: OnBoard
) -> tuple[BlendVolume, ...]:
    """Return the volumes by blend, lowest additive fraction first."""

    def to_load_frac(job: Job) -> float:
        return 1.0 - on_board.get(job.key, 0.0)

    groups: dict[tuple[float, str | None], list[Job]] = {}
    for job in jobs:
        groups.setdefault((job.additive_frac, job.additive), []).append(job)
    return tuple(
        BlendVolume(
            additive=additive,
            additive_name=products[additive].name if additive else None,
            additive_frac=share,
            volume_l=sum(to_load_frac(job) * job.volume_l for job in blend_jobs),
            brine_l=sum(to_load_frac(job) * job.brine_l for job in blend_jobs),
            additive_l=sum(to_load_frac(job) * job.additive_l for job in blend_jobs),
            surface_count=len(blend_jobs),
            first_load_at=min(starts[job.key] for job in blend_jobs),
            on_board_l=sum(job.volume_l * on_board.get(job.key, 0.0) for job in blend_jobs),
        )
        for (share, additive), blend_jobs in sorted(
            groups.items(), key=lambda group: (group[0][0], group[0][1] or "")
        )
    )


def distinct_blends(
    blends: Sequence[BlendVolume], visits: Sequence[Visit]
) -> list[tuple[float, str]]:
    """Return every blend with an additive, by its part of it, each once."""
    found = [(blend.additive_frac, blend.additive) for blend in blends]
    found += [(visit.additive_frac, visit.additive) for visit in visits]
    return sorted({(frac, additive) for frac, additive in found if additive is not None})


@dataclass(frozen=True)
class AdditiveDraw:
    """Additive that is drawn for one job: when, of what, how much [L]."""

    at: datetime
    product: str
    volume_l: float


def additive_draws(
    jobs: Sequence[Job],
    starts: JobStarts,
    visits: Sequence[Visit],
    ensemble_factor: float,
    on_board: OnBoard,
) -> list[AdditiveDraw]:
    """Return every draw on additives in order of time, the pre-treats with the ensemble's extra."""
    draws = [
        AdditiveDraw(
            starts[job.key],
            job.additive,
            (ensemble_factor - on_board.get(job.key, 0.0)) * job.additive_l,
        )
        for job in jobs
        if job.additive is not None
    ]
    draws += [
        AdditiveDraw(visit.at, visit.additive, visit.additive_l)
        for visit in visits
        if visit.additive is not None
    ]
    return sorted(draws, key=lambda draw: draw.at)


def additive_needs(
    draws: Sequence[AdditiveDraw],
    yard: Yard,
    products: Mapping[str, Product],
    reserve_factor: float,
) -> tuple[AdditiveNeed, ...]:
    """Return what is needed of each additive, and when the first draw is not covered."""
    needs = []
    for key in dict.fromkeys(draw.product for draw in draws):
        on_hand = on_hand_l(yard, key)
        own = [draw for draw in draws if draw.product == key]
        needed_l = reserve_factor * sum(draw.volume_l for draw in own)
        drawn = list(accumulate(draw.volume_l for draw in own))
        short = [draw.at for draw, total in zip(own, drawn, strict=True) if total > on_hand + 1e-9]
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


def on_hand_l(yard: Yard, product: str) -> float:
    """Return what can be drawn of a product, from tanks and totes [L]."""
    in_tanks = sum(
        max(tank.on_hand_l - tank.heel_l, 0.0)
        for tank in yard.tanks.values()
        if tank.product == product
    )
    return in_tanks + yard.stock_l.get(product, 0.0)
