"""The planning pipeline: forecast, pavement, event, treatment, mix.

``make_plan`` is a pure function of the sites, what each source said, and the moment. It returns
one frozen record from which every report is rendered; the record's JSON Schema is published by
``stormplan schema``. SI throughout, aware UTC times; words are somebody else's work.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from stormplan.company.places import FarPlace, far_places
from stormplan.company.sites import Sites, Surface
from stormplan.events.hazards import SEVERITY_ORDER
from stormplan.numerics import floor_hour
from stormplan.operations.mix_records import YardMix
from stormplan.operations.pass_schedule import PassSchedule
from stormplan.operations.travel import (
    NO_DRIVE_TABLES,
    DriveTables,
)
from stormplan.physics.ensemble import NO_ERROR_RECORDS, ErrorRecord
from stormplan.physics.night_error import NO_NIGHT_ERRORS, NightErrors
from stormplan.planning import forecast_diagnostics, site_batch, site_block
from stormplan.planning.diagnostics import Diagnostic, DiagnosticCode, degraded
from stormplan.planning.forecast_diagnostics import PlanVerdict, UnknownHours
from stormplan.planning.plan import (
    ClientPlan,
    HourlySeries,
    Plan,
    SitePlan,
)
from stormplan.planning.plan_records import forecast_id, forecast_series, site_plan
from stormplan.planning.planned_rounds import (
    kept_schedules,
    redecided,
    rounds_outcome,
    with_passes,
    with_rounds,
)
from stormplan.planning.shared_hours import SharedHours
from stormplan.planning.site_batch import NO_ROUNDS, SurfaceRounds
from stormplan.planning.site_block import (
    Mapper,
    PlannedSite,
    SiteBlock,
    SiteCells,
    plan_block,
    without_cycle_search,
)
from stormplan.planning.source_choice import SourceDecision
from stormplan.planning.stock_diagnostics import stock_diagnostics
from stormplan.planning.yard_operations import (
    NO_YARD_POSITIONS,
    Positions,
    order_advice,
    pass_schedules,
    recorded_yard,
    sprayer_schedules,
    yard_mixes,
)
from stormplan.record.stock import (
    NO_STOCK,
    StockBook,
)
from stormplan.record.surface_history import NO_HISTORIES, SurfaceHistories
from stormplan.treatment.earlier_work import EarlierWork
from stormplan.treatment.records import Action, Treatment
from stormplan.weather.forecast import CellForecast


@dataclass(frozen=True)
class SiteForecasts:
    """The forecasts of one site, in order of preference.

    With a forecast, ``unavailable_reason`` is why a source that is preferred to it has none;
    ``other_forecasts`` are the forecasts of the sources after it, ``other_failures`` why sources
    after it have none.
    """

    forecast: CellForecast | None
    unavailable_reason: str | None = None
    other_forecasts: tuple[CellForecast, ...] = ()
    other_failures: tuple[str, ...] = ()

    @property
    def forecasts(self) -> tuple[CellForecast, ...]:
        """Every forecast, in order of preference."""
        return () if self.forecast is None else (self.forecast, *self.other_forecasts)


@without_cycle_search()
def make_plan(
    sites: Sites,
    site_forecasts: Mapping[str, SiteForecasts],
    now: datetime,
    mapper: Mapper = map,
    night_errors: NightErrors = NO_NIGHT_ERRORS,
    error_records: Mapping[str, ErrorRecord] = NO_ERROR_RECORDS,
    histories: SurfaceHistories = NO_HISTORIES,
    earlier_work: Mapping[tuple[str, str], EarlierWork] = site_batch.NO_EARLIER_WORK,
    stock: StockBook = NO_STOCK,
    drives: DriveTables = NO_DRIVE_TABLES,
    positions: Positions = NO_YARD_POSITIONS,
) -> Plan:
    """Return the plan of every site as of a given time.

    Parameters
    ----------
    sites : Sites
        The sites file.
    site_forecasts : mapping of str to SiteForecasts
        By site key; a site that is absent counts as without forecast.
    now : datetime
        Moment of planning, aware UTC.
    mapper : callable
        ``map``, or what does the same elsewhere: that of any ``concurrent.futures.Executor``.
    night_errors : mapping of (str, str) to NightError
        What readings say of a site's surface by night.
    error_records : mapping of str to ErrorRecord
        How far sources of one voice were off, where that is known.
    histories : mapping of (str, str) to SurfaceHistory
        What the record says of surfaces, by site and surface.
    earlier_work : mapping of (str, str) to tuple of EarlierTreatment
        What the plan announced before has crews do, by site and surface.
    stock : StockBook
        What the yards hold by the record; a yard it says nothing of holds what the sites file says.
    drives : DriveTables
        Driving times that the record teaches and a router gives; the owner's own are in ``sites``.
    positions : mapping of (str, str) to SprayerPosition
        Sprayers that are out already, by yard and key.

    Returns
    -------
    Plan
        The record of this morning.
    """
    sites = sites.model_copy(
        update={
            "yards": {key: recorded_yard(key, yard, stock) for key, yard in sites.yards.items()}
        }
    )
    keys = sorted(sites.sites, key=lambda key: (sites.sites[key].priority, key))
    forecasts_by_site = {
        key: site_forecasts.get(key, SiteForecasts(None, "no source was asked")) for key in keys
    }

    def planned(
        sites: Sites, cells: SiteCells, rounds: SurfaceRounds = NO_ROUNDS
    ) -> Iterator[tuple[str, PlannedSite]]:
        whole = SiteBlock(
            sites, cells, now, night_errors, error_records, histories, earlier_work, rounds
        )
        for part in mapper(plan_block, list(site_block.split(whole, keys))):
            yield from part.items()

    plans: dict[str, SitePlan] = {}
    followed: dict[str, CellForecast] = {}
    unknown_hours: dict[str, UnknownHours] = {}
    hourly: dict[str, HourlySeries] = {}
    shared = SharedHours()
    cells = {key: found.forecasts for key, found in forecasts_by_site.items() if found.forecasts}
    for key, found in planned(sites, cells):
        plans[key], followed[key] = found.plan, cells[key][found.rank]
        unknown_hours[key] = found.unknown_hours
        for name, series in found.hourly.items():
            if name not in hourly:
                hourly[name] = shared.hourly(series)
    none = SourceDecision(None, {})
    site_plans = [
        _with_client(
            plans.pop(key)
            if key in plans
            else site_plan(key, sites, none, night_errors, histories),
            sites,
        )
        for key in keys
    ]
    drives = replace(drives, listed=sites.drive_minutes)
    schedules = sprayer_schedules(sites, site_plans, drives, positions, now, mapper)
    outcome = rounds_outcome(site_plans, schedules.values())
    if outcome.surfaces:  # decided anew, once, with it known that no sprayer comes
        again = _only_surfaces(sites, outcome.surfaces)
        cells = {key: (followed[key],) for key in again.sites}
        at = {key: index for index, key in enumerate(keys)}
        for key, found in planned(again, cells, outcome.surfaces):
            site_plans[at[key]] = redecided(site_plans[at[key]], found.plan)
    diagnostics = (
        *_diagnostics(sites, forecasts_by_site, site_plans, followed, unknown_hours, now),
        *stock_diagnostics(stock, sites, now),
    )
    site_plans = with_rounds(site_plans, outcome)
    schedules = kept_schedules(schedules, site_plans)
    passes = pass_schedules(sites, site_plans, schedules, drives, positions, now)
    site_plans = with_passes(site_plans, passes)
    event_treatments = [
        (site, t) for site in site_plans for _, t in site.treatments if t.event is not None
    ]
    horizon = timedelta(hours=sites.practice().number("horizon"))
    hourly = {
        name: hourly[name]
        for site in site_plans
        for name in dict.fromkeys(surface.hourly_id for surface in site.surfaces)
    }
    forecasts = {forecast_id(followed[key]): followed[key] for key in keys if key in followed}
    yards = tuple(yard_mixes(sites, site_plans, schedules, hourly, now, stock))
    return Plan(
        made_at=now,
        planned_until=floor_hour(now) + horizon,
        company=sites.company.name,
        timezone=sites.company.timezone,
        units=sites.company.units,
        currency=sites.company.currency,
        verdict=_verdict(event_treatments, now, sites, diagnostics),
        first_start=_first_start(event_treatments, yards, passes, now),
        priority_sites=_priority_sites(event_treatments),
        diagnostics=diagnostics,
        sites=tuple(site_plans),
        yards=yards,
        orders=tuple(order_advice(sites, site_plans, yards, now, stock)),
        clients=tuple(_clients(sites)),
        passes=passes,
        contact=sites.company.contact,
        phone=sites.company.phone,
        hourly=hourly,
        forecasts={
            key: shared.forecast(forecast_series(cell, now)) for key, cell in forecasts.items()
        },
    )


def _with_client(site: SitePlan, sites: Sites) -> SitePlan:
    """Return a site with the name of its client in place of the key."""
    return site.model_copy(update={"client": sites.clients[site.client].name})


def _only_surfaces(sites: Sites, wanted: Collection[tuple[str, str]]) -> Sites:
    """Return the sites file with only some surfaces, by site and surface."""
    kept: dict[str, dict[str, Surface]] = {}
    for site, surface in wanted:
        kept.setdefault(site, {})[surface] = sites.sites[site].surfaces[surface]
    only = {
        key: sites.sites[key].model_copy(update={"surfaces": surfaces})
        for key, surfaces in kept.items()
    }
    return sites.model_copy(update={"sites": only})


def _verdict(
    event_treatments: Sequence[tuple[SitePlan, Treatment]],
    now: datetime,
    sites: Sites,
    diagnostics: Sequence[Diagnostic],
) -> PlanVerdict:
    starts = [item.work_due_at for _, item in event_treatments if item.needs_work]
    day_ahead = timedelta(hours=sites.practice().number("day_ahead_lead"))
    is_work_due = any(start is not None and start < now + day_ahead for start in starts)
    return forecast_diagnostics.plan_verdict(is_work_due, bool(event_treatments), diagnostics)


def _first_start(
    event_treatments: Sequence[tuple[SitePlan, Treatment]],
    yards: Sequence[YardMix],
    passes: Sequence[PassSchedule],
    now: datetime,
) -> datetime | None:
    """Return the first start of work, a vehicle's departure or other work; none before now."""
    vehicle_starts = [one.start for yard in yards for one in yard.sprayer_schedule.sprayers]
    vehicle_starts += [one.start for schedule in passes for one in schedule.vehicles]
    other_starts = [
        item.work_due_at
        for _, item in event_treatments
        if item.needs_work and item.action is not Action.PRETREAT
    ]
    starts = [start for start in (*vehicle_starts, *other_starts) if start is not None]
    return max(min(starts), now) if starts else None


def _priority_sites(event_treatments: Sequence[tuple[SitePlan, Treatment]]) -> tuple[str, ...]:
    """Return the three sites of highest priority, hazard and urgency."""

    def sort_key(item: tuple[SitePlan, Treatment]) -> tuple[bool, int, int, datetime]:
        site, treatment = item
        assert treatment.event is not None  # only active ones come here
        severity = SEVERITY_ORDER.index(treatment.event.hazard)
        return not treatment.needs_work, site.priority, -severity, treatment.event.start

    return tuple(dict.fromkeys(site.key for site, _ in sorted(event_treatments, key=sort_key)))[:3]


def _diagnostics(
    sites: Sites,
    forecasts_by_site: Mapping[str, SiteForecasts],
    site_plans: Sequence[SitePlan],
    followed: Mapping[str, CellForecast],
    unknown_hours: Mapping[str, UnknownHours],
    now: datetime,
) -> tuple[Diagnostic, ...]:
    """Return what a reader must know about the forecasts, site by site."""
    company = sites.practice()
    found = [_far_place_diagnostic(far, sites) for far in far_places(sites)]
    for site in site_plans:
        key, site_forecasts = site.key, forecasts_by_site[site.key]
        found += forecast_diagnostics.source_diagnostics(
            key,
            followed.get(key),
            site_forecasts.unavailable_reason,
            site_forecasts.other_failures,
            now,
            company,
        )
        found += forecast_diagnostics.layer_diagnostics(
            key,
            [gap for surface in site.surfaces for gap in surface.forecast_gaps],
            [item for _, item in site.treatments],
            unknown_hours.get(key, {}),
            now,
            company,
        )
    found += forecast_diagnostics.cell_notes(
        followed[site.key] for site in site_plans if site.key in followed
    )
    return tuple(found)


def _far_place_diagnostic(far: FarPlace, sites: Sites) -> Diagnostic:
    """Return that a plan may be for another place than meant."""
    is_site = far.section == "sites"
    return degraded(
        DiagnosticCode.PLACE_FAR,
        site=far.key if is_site else None,
        yard=None if is_site else sites.yards[far.key].name,
        other=far.other,
        distance_km=round(far.distance_km, 1),
        mistake=far.mistake,
    )


def _clients(sites: Sites) -> Iterable[ClientPlan]:
    site_keys: dict[str, list[str]] = {key: [] for key in sites.clients}
    for name, site in sorted(sites.sites.items()):
        site_keys[site.client].append(name)
    for key, client in sorted(sites.clients.items()):
        yield ClientPlan(
            key=key,
            name=client.name,
            contact=client.contact,
            phone=client.phone,
            contact_by=client.contact_by,
            notice_probability=sites.practice().number("notice_probability"),
            notice_likely_from=sites.practice().number("notice_likely_from"),
            sites=tuple(site_keys[key]),
        )
