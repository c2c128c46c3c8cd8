"""What the plans of sites take of each yard: rounds, passes, mixes and orders."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import ClassVar
from zoneinfo import ZoneInfo

from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import Sites
from stormplan.company.yards import Yard
from stormplan.numerics import floor_hour
from stormplan.operations import mix
from stormplan.operations.mix_records import YardMix
from stormplan.operations.ordering import OrderAdvice, yard_orders
from stormplan.operations.pass_schedule import PassJob, PassSchedule, schedule_passes
from stormplan.operations.sprayer_schedule import Job, SprayerSchedule, schedule_sprayers
from stormplan.operations.travel import (
    YARD,
    DriveTables,
    TravelTable,
    travel_table,
)
from stormplan.planning.plan import (
    HourlySeries,
    SitePlan,
    SurfacePlan,
)
from stormplan.planning.site_block import Mapper
from stormplan.record.sprayer_positions import SprayerPosition
from stormplan.record.stock import (
    StockBook,
    counted_at,
    yard_with_calibrations,
    yard_with_stock,
)
from stormplan.treatment.records import Action, Treatment

Positions = Mapping[tuple[str, str], SprayerPosition]
NO_YARD_POSITIONS: Positions = {}


def recorded_yard(key: str, yard: Yard, stock: StockBook) -> Yard:
    """Return a yard with what the record says of its stock and sprayers."""
    held = yard_with_stock(yard, stock.yards[key]) if key in stock.yards else yard
    return yard_with_calibrations(key, held, stock.calibrations)


def _by_yard(sites: Sites, site_plans: Sequence[SitePlan]) -> dict[str, list[SitePlan]]:
    """Return the sites that each yard serves, in order."""
    found: dict[str, list[SitePlan]] = {key: [] for key in sites.yards}
    for site in site_plans:
        found[site.yard].append(site)
    return found


def _min_air_temp_c(served: Sequence[SitePlan], hourly: Mapping[str, HourlySeries]) -> float | None:
    """Return the lowest air temperature at a yard's sites [°C]."""
    names = {surface.hourly_id for site in served for surface in site.surfaces}
    known = (value for name in names for value in hourly[name].air_c if value is not None)
    return min(known, default=None)


def _yard_jobs(served: Sequence[SitePlan]) -> list[Job]:
    """Return every pre-treat of a yard's sites."""
    return [
        _job(site, surface, item)
        for site in served
        for surface, item in site.treatments
        if item.action is Action.PRETREAT
    ]


def _job(site: SitePlan, surface: SurfacePlan, item: Treatment) -> Job:
    """Return what rounds and loads go by of a pre-treat."""
    assert item.event is not None  # every pre-treat has one, and its times
    assert item.earliest_start is not None
    assert item.best_start is not None
    assert item.latest_start is not None
    return Job(
        site.key,
        surface.key,
        site.priority,
        SURFACE_CLASSES[surface.surface_class].use,
        surface.area_m2,
        item.event.start,
        item.event.hazard,
        item.additive,
        item.additive_frac,
        item.volume_l,
        item.earliest_start,
        item.best_start,
        item.latest_start,
    )


@dataclass(frozen=True)
class YardRounds:
    """The pre-treats of a yard and all that its rounds need; they are one task, and not cut.

    Attributes
    ----------
    yard, jobs, travel, now, practice, zone, positions
        As for ``schedule_sprayers``.
    """

    stage: ClassVar[str] = "planning rounds"

    yard: Yard
    jobs: Sequence[Job]
    travel: TravelTable
    now: datetime
    practice: Practice
    zone: ZoneInfo
    positions: Mapping[str, SprayerPosition]

    def __len__(self) -> int:
        return len(self.jobs)

    def parts(self) -> tuple[YardRounds, ...]:
        """Return no smaller tasks."""
        return ()


def plan_rounds(task: YardRounds) -> SprayerSchedule:
    """Return the schedule of a yard's sprayers."""
    return schedule_sprayers(
        task.yard, task.jobs, task.travel, task.now, task.practice, task.zone, task.positions
    )


def sprayer_schedules(
    sites: Sites,
    site_plans: Sequence[SitePlan],
    drives: DriveTables,
    positions: Positions,
    now: datetime,
    mapper: Mapper = map,
) -> dict[str, SprayerSchedule]:
    """Return the rounds of every yard, by its key; each yard's are a task of the mapper."""
    zone = ZoneInfo(sites.company.timezone)
    tasks, out_by_yard = [], _positions_by_yard(sites, positions)
    for yard_key, served in _by_yard(sites, site_plans).items():
        jobs = _yard_jobs(served)
        out = out_by_yard[yard_key]
        places = {job.site for job in jobs} | {one.site for one in out.values()}
        travel = _yard_travel(sites, yard_key, places, drives)
        yard = sites.yards[yard_key]
        tasks.append(YardRounds(yard, jobs, travel, now, sites.practice(), zone, out))
    return dict(zip(sites.yards, mapper(plan_rounds, tasks), strict=True))


def _positions_by_yard(sites: Sites, positions: Positions) -> dict[str, dict[str, SprayerPosition]]:
    """Return the sprayers of each yard that are out already, by key."""
    found: dict[str, dict[str, SprayerPosition]] = {key: {} for key in sites.yards}
    for (yard, key), one in positions.items():
        found[yard][key] = one
    return found


def pass_schedules(
    sites: Sites,
    site_plans: Sequence[SitePlan],
    schedules: Mapping[str, SprayerSchedule],
    drives: DriveTables,
    positions: Positions,
    now: datetime,
) -> tuple[PassSchedule, ...]:
    """Return the rounds in and after the storm of every yard that names plows or spreaders."""
    zone = ZoneInfo(sites.company.timezone)
    found, out_by_yard = [], _positions_by_yard(sites, positions)
    for yard_key, served in _by_yard(sites, site_plans).items():
        yard = sites.yards[yard_key]
        if not yard.plows and not yard.spreaders:
            continue
        jobs = [job for site in served for job in _passes(sites, site)]
        out = out_by_yard[yard_key]
        places = {job.site for job in jobs} | {one.site for one in out.values()}
        travel = _yard_travel(sites, yard_key, places, drives)
        sprayers = schedules[yard_key].sprayers
        practice = sites.practice()
        found.append(
            schedule_passes(yard_key, yard, jobs, sprayers, travel, now, practice, zone, out)
        )
    return tuple(found)


def _passes(sites: Sites, site_plan: SitePlan) -> Iterable[PassJob]:
    """Yield the visits of a site in and after storms."""
    site = sites.sites[site_plan.key]
    for surface, item in site_plan.treatments:
        practice = sites.practice(site, site.surfaces[surface.key])
        for visit in item.visits:
            if visit.action.is_work and visit.action is not Action.PRETREAT:
                assert item.event is not None  # work is for one
                yield PassJob(
                    site_plan.key,
                    surface.key,
                    site.priority,
                    SURFACE_CLASSES[surface.surface_class].use,
                    surface.area_m2,
                    item.event.hazard,
                    visit,
                    practice.number("cycle_time"),
                )


def yard_mixes(
    sites: Sites,
    site_plans: Sequence[SitePlan],
    schedules: Mapping[str, SprayerSchedule],
    hourly: Mapping[str, HourlySeries],
    now: datetime,
    stock: StockBook,
) -> Iterable[YardMix]:
    """Yield the mix of every yard."""
    zone = ZoneInfo(sites.company.timezone)
    for yard_key, served in _by_yard(sites, site_plans).items():
        yard, by_record = sites.yards[yard_key], stock.yards.get(yard_key)
        yield mix.plan_yard_mix(
            yard_key,
            yard,
            _yard_jobs(served),
            schedules[yard_key],
            [item for site in served for _, item in site.treatments],
            sites.products,
            sites.practice(),
            now,
            _min_air_temp_c(served, hourly),
            None if by_record is None else by_record.as_of,
            {
                key: counted_at(yard, tank, zone)
                if by_record is None
                else by_record.stores[key].counted_at
                for key, tank in yard.tanks.items()
            },
        )


def order_advice(
    sites: Sites,
    site_plans: Sequence[SitePlan],
    yards: Iterable[YardMix],
    now: datetime,
    stock: StockBook,
) -> Iterable[OrderAdvice]:
    """Yield what each yard may have to order; as far as its sites are known, by the plan."""
    end = floor_hour(now) + timedelta(hours=sites.practice().number("horizon"))
    by_yard = _by_yard(sites, site_plans)
    for yard in yards:
        yield from yard_orders(
            yard.yard,
            sites.yards[yard.yard],
            [item for site in by_yard[yard.yard] for _, item in site.treatments],
            yard.brine_usable_l,
            yard.blends,
            sites.products,
            sites.practice(),
            stock,
            now,
            end,
        )


def _yard_travel(
    sites: Sites, yard_key: str, site_keys: Iterable[str], drives: DriveTables
) -> TravelTable:
    """Return the driving times between a yard and some of its sites."""
    yard = sites.yards[yard_key]
    places = {YARD: (yard.latitude_deg, yard.longitude_deg)} | {
        key: (sites.sites[key].latitude_deg, sites.sites[key].longitude_deg)
        for key in sorted(site_keys)
    }
    return travel_table(yard_key, places, drives, sites.practice())
