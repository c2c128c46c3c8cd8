"""The planning pipeline: forecast, pavement, event, treatment, mix.

``make_plan`` is a pure function of the sites, what each source said, and the moment. It returns
one frozen record from which every report is rendered; the record's JSON Schema is published by
``stormplan schema``. SI throughout, aware UTC times; words are somebody else's work.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.company.places import FarPlace, far_places
from stormplan.company.sites import Sites, Surface
from stormplan.company.yards import Yard
from stormplan.events import crew_weather
from stormplan.events.crew_weather import CrewWeatherWindow
from stormplan.events.detection import Hour, Outlook
from stormplan.events.hazards import SEVERITY_ORDER, Hazard
from stormplan.numerics import floor_hour
from stormplan.operations import mix
from stormplan.operations.mix_records import YardMix
from stormplan.operations.ordering import OrderAdvice, yard_orders
from stormplan.operations.pass_schedule import PassJob, PassSchedule, schedule_passes
from stormplan.operations.sprayer_schedule import Job, SprayerSchedule, schedule_sprayers
from stormplan.operations.travel import (
    NO_DRIVE_TABLES,
    YARD,
    DriveTables,
    TravelTable,
    travel_table,
)
from stormplan.physics import night_error as night_errors_of
from stormplan.physics.bias_correction import is_night
from stormplan.physics.ensemble import NO_ERROR_RECORDS, ErrorRecord
from stormplan.physics.night_error import NO_NIGHT_ERRORS, NightError, NightErrors
from stormplan.planning import forecast_diagnostics, site_batch, site_block, source_choice
from stormplan.planning.diagnostics import Diagnostic, DiagnosticCode, degraded
from stormplan.planning.forecast_diagnostics import PlanVerdict, SurfaceOutlook
from stormplan.planning.plan import (
    ClientPlan,
    ForecastSeries,
    HourlySeries,
    NightBiasRecord,
    Plan,
    RecordState,
    RefreezePeriod,
    SitePlan,
    SourceRecord,
    SurfacePlan,
)
from stormplan.planning.planned_rounds import (
    kept_schedules,
    rounds_outcome,
    with_passes,
    with_rounds,
)
from stormplan.planning.site_batch import NO_ROUNDS, SurfaceDecision, SurfaceRounds
from stormplan.planning.site_block import Mapper, SiteBlock, decide_block
from stormplan.planning.source_choice import SourceDecision
from stormplan.planning.stock_diagnostics import stock_diagnostics
from stormplan.record.sprayer_positions import SprayerPosition
from stormplan.record.stock import (
    NO_STOCK,
    StockBook,
    counted_at,
    yard_with_calibrations,
    yard_with_stock,
)
from stormplan.record.surface_history import NO_HISTORIES, SurfaceHistories, SurfaceHistory
from stormplan.treatment import products
from stormplan.treatment.earlier_work import EarlierWork
from stormplan.treatment.records import Action, Treatment
from stormplan.weather.forecast import VARIABLES, CellForecast, QualityFlag

Positions = Mapping[tuple[str, str], SprayerPosition]
NO_YARD_POSITIONS: Positions = {}


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
            "yards": {key: _recorded_yard(key, yard, stock) for key, yard in sites.yards.items()}
        }
    )
    keys = sorted(sites.sites, key=lambda key: (sites.sites[key].priority, key))
    forecasts_by_site = {
        key: site_forecasts.get(key, SiteForecasts(None, "no source was asked")) for key in keys
    }

    def decide(
        sites: Sites, cells: Mapping[str, CellForecast], rounds: SurfaceRounds = NO_ROUNDS
    ) -> source_choice.SurfaceDecisions:
        whole = SiteBlock(
            sites, cells, now, night_errors, error_records, histories, earlier_work, rounds
        )
        block_results = mapper(decide_block, list(site_block.split(whole, keys)))
        return {at: found for part in block_results for at, found in part.items()}

    cells_by_site = {key: found.forecasts for key, found in forecasts_by_site.items()}
    decisions_by_rank = [
        decide(
            sites, {key: cells[rank] for key, cells in cells_by_site.items() if rank < len(cells)}
        )
        for rank in range(max(map(len, cells_by_site.values()), default=0))
    ]
    source_decisions = {
        key: source_choice.select_source(key, sites, cells_by_site[key], decisions_by_rank)
        for key in keys
    }

    def planned(key: str) -> SitePlan:
        return _site_plan(key, sites, source_decisions[key], night_errors, histories)

    site_plans = [planned(key) for key in keys]
    drives = replace(drives, listed=sites.drive_minutes)
    schedules = _sprayer_schedules(sites, site_plans, drives, positions, now)
    outcome = rounds_outcome(site_plans, schedules.values())
    if outcome.surfaces:  # decided anew, once, with it known that no sprayer comes
        again = _only_surfaces(sites, outcome.surfaces)
        cells = {key: source_decisions[key].cell for key in again.sites}
        redone = decide(again, {k: c for k, c in cells.items() if c is not None}, outcome.surfaces)
        for key in again.sites:
            source_decisions[key] = source_decisions[key].redecided(redone)
        site_plans = [planned(site.key) if site.key in again.sites else site for site in site_plans]
    site_plans = with_rounds(site_plans, outcome)
    schedules = kept_schedules(schedules, site_plans)
    passes = _pass_schedules(sites, site_plans, schedules, drives, positions, now)
    site_plans = with_passes(site_plans, passes)
    decisions = {
        at: found for side in source_decisions.values() for at, found in side.decisions.items()
    }
    outlooks = {found.hourly_id: found.outlook for found in decisions.values()}
    event_treatments = [
        (site, t) for site in site_plans for _, t in site.treatments if t.event is not None
    ]
    horizon = timedelta(hours=sites.practice().number("horizon"))
    hourly = {name: _hourly_series(seen) for name, seen in outlooks.items()}
    used = (decision.cell for decision in source_decisions.values() if decision.cell is not None)
    forecasts = {forecast_id(cell): cell for cell in used}
    yards = tuple(_yard_mixes(sites, site_plans, schedules, hourly, now, stock))
    diagnostics = (
        *_diagnostics(sites, forecasts_by_site, source_decisions, now),
        *stock_diagnostics(stock, sites, now),
    )
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
        orders=tuple(_orders(sites, site_plans, yards, now, stock)),
        clients=tuple(_clients(sites)),
        passes=passes,
        contact=sites.company.contact,
        phone=sites.company.phone,
        hourly=hourly,
        forecasts={key: _forecast_series(cell, now) for key, cell in forecasts.items()},
    )


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


def _recorded_yard(key: str, yard: Yard, stock: StockBook) -> Yard:
    """Return a yard with what the record says of its stock and sprayers."""
    held = yard_with_stock(yard, stock.yards[key]) if key in stock.yards else yard
    return yard_with_calibrations(key, held, stock.calibrations)


# -- records --------------------------------------------------------------------------------------


#: Digits of an hour's amount: sums over a storm are good to 0.001 mm.
FORECAST_DIGITS = 5


def _round_known(value: float, digits: int) -> float | None:
    return None if math.isnan(value) else round(value, digits)


def forecast_id(cell: CellForecast) -> str:
    """Return the key of a forecast's hours in a plan; equal for equal forecasts."""
    return f"{cell.source} {cell.cell_id} {cell.issued_at:%Y-%m-%dT%H:%MZ}"


def _forecast_series(cell: CellForecast, now: datetime) -> ForecastSeries:
    """Return the hours of a forecast from the plan's first to the last that is known."""
    begin = floor_hour(now)
    first = max(round((begin - cell.start) / timedelta(hours=1)), 0)
    control = {name: cell.values[name][first:, 0] for name in VARIABLES if name in cell.values}
    known = np.any([np.isfinite(values) for values in control.values()], axis=0)
    stop = int(np.flatnonzero(known)[-1]) + 1 if known.any() else 0
    return ForecastSeries(
        start=cell.start + timedelta(hours=first),
        member_count=cell.n_members,
        values={
            name: tuple(_round_known(value, FORECAST_DIGITS) for value in values[:stop].tolist())
            for name, values in control.items()
            if np.isfinite(values).any()
        },
        flags={
            name: tuple(_flag_names(flag) for flag in flags[first : first + stop].tolist())
            for name, flags in cell.flags.items()
            if name in control and flags[first : first + stop].any()
        },
    )


@lru_cache(maxsize=1024)
def _flag_names(flag: int) -> tuple[str, ...]:
    return tuple(one.name.lower() for one in QualityFlag if flag & one and one.name)


def _hourly_series(outlook: Outlook) -> HourlySeries:
    fields = dict(zip(Hour._fields, zip(*outlook.hours, strict=True), strict=True))

    def rounded(name: str, digits: int) -> tuple[float | None, ...]:
        return tuple([None if v != v else round(v, digits) for v in fields[name]])

    return HourlySeries(
        start=outlook.hours[0].start,
        air_c=rounded("air_c", 1),
        surface_c=rounded("surface_c", 1),
        surface_p10_c=rounded("surface_p10_c", 1),
        surface_p90_c=rounded("surface_p90_c", 1),
        prob_below_freezing=rounded("prob_below_freezing", 2),
        prob_frost=rounded("prob_frost", 2),
        dew_point_c=rounded("dew_point_c", 1),
        wind_ms=rounded("wind_ms", 1),
        rain_mm=rounded("rain_mm", FORECAST_DIGITS),
        snowfall_swe_mm=rounded("snowfall_swe_mm", FORECAST_DIGITS),
        freezing_rain_mm=rounded("freezing_rain_mm", FORECAST_DIGITS),
        sleet_mm=rounded("sleet_mm", FORECAST_DIGITS),
        snowfall_cm=rounded("snowfall_cm", FORECAST_DIGITS),
        hazard=tuple(hour.hazard and str(hour.hazard) for hour in outlook.hours),
        cloud_frac=rounded("cloud_frac", 2),
        air_mean_c=rounded("air_mean_c", 1),
        night_offset_k=()
        if all(math.isnan(offset) for offset in fields["night_offset_k"])
        else rounded("night_offset_k", 2),
    )


def _surface_plan(
    key: str,
    surface: Surface,
    decision: SurfaceDecision,
    night_error: NightError | None,
    place: tuple[float, float],
    history: SurfaceHistory | None,
) -> SurfacePlan:
    return SurfacePlan(
        key=key,
        name=surface.label,
        surface_class=surface.class_key,
        area_m2=surface.area_m2,
        hourly_id=decision.hourly_id,
        min_pavement_temp_c=_round_known(decision.outlook.min_pavement_temp_c, 2),
        treatments=decision.treatments,
        refreeze_periods=tuple(_refreeze_periods(decision.treatments)),
        forecast_gaps=decision.outlook.unknown,
        night_bias=None
        if night_error is None
        else _night_bias_record(night_error, decision.outlook, place),
        record=None if history is None else _record_state(history, decision.counted),
    )


def _night_bias_record(
    known: NightError, outlook: Outlook, place: tuple[float, float]
) -> NightBiasRecord:
    """Return what readings do to the next day's night hours, and what error they leave."""
    ahead = outlook.hours[:24]
    night = is_night([hour.start for hour in ahead], *place)
    moved = [h.night_offset_k for h, dark in zip(ahead, night, strict=True)
             if dark and not math.isnan(h.night_offset_k)]  # fmt: skip
    time_h = np.array([hour.start.timestamp() / 3600.0 for hour in ahead])[night]
    usual = night_errors_of.night_features(*np.full((3, time_h.size), np.nan))
    left_k = night_errors_of.error_sd_k(known, time_h, usual)
    return NightBiasRecord(
        offset_k=round(float(np.mean(moved)), 3) if moved else 0.0,
        reading_count=known.reading_count,
        error_k=round(float(left_k.mean()), 3) if left_k.size else None,
    )


def _record_state(history: SurfaceHistory, counted: SurfaceHistory) -> RecordState:
    seen = counted.observed[-1] if counted.observed else None
    unused = set(history.moments) - set(counted.moments)
    return RecordState(
        inspected_at=None if seen is None else seen.at,
        condition="" if seen is None else seen.condition,
        plowed_at=counted.passes[-1] if counted.passes else None,
        treated_at=counted.applications[-1].at if counted.applications else None,
        unused_at=max(unused, default=None),
    )


def _history_with_entries(
    histories: SurfaceHistories, site: str, surface: str
) -> SurfaceHistory | None:
    """Return what the record says of a surface; None where all of it is too old to count."""
    history = histories.get((site, surface))
    return history if history is not None and history.moments else None


def _refreeze_periods(treatments: Sequence[Treatment]) -> Iterable[RefreezePeriod]:
    """Yield the refreeze periods of a surface."""
    for event in (item.event for item in treatments):
        if event is None:
            continue
        if event.hazard is Hazard.REFREEZE:
            yield RefreezePeriod(
                start=event.start,
                end=event.end,
                probability=event.probability,
                water_source="water off a snow pile" if event.from_pile else "standing water",
            )
        elif event.ice_until is not None:
            yield RefreezePeriod(
                start=event.end,
                end=event.ice_until,
                probability=event.probability,
                water_source="what the storm leaves",
            )


def _site_plan(
    key: str,
    sites: Sites,
    source_decision: SourceDecision,
    night_errors: NightErrors,
    histories: SurfaceHistories,
) -> SitePlan:
    site = sites.sites[key]
    surfaces = tuple(
        _surface_plan(
            surface_key,
            surface,
            source_decision.decisions[key, surface_key],
            night_errors.get((key, surface_key)),
            (site.latitude_deg, site.longitude_deg),
            _history_with_entries(histories, key, surface_key),
        )
        for surface_key, surface in site.surfaces.items()
        if (key, surface_key) in source_decision.decisions
    )
    chloride_kg = sum(item.chloride_kg for one in surfaces for item in one.treatments)
    return SitePlan(
        key=key,
        name=site.name,
        client=sites.clients[site.client].name,
        yard=site.yard,
        priority=site.priority,
        timezone=str(sites.zone(site)),
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        source=None if source_decision.cell is None else _source_record(source_decision.cell),
        crew_weather=_crew_weather(key, sites, source_decision.decisions),
        chloride_kg=chloride_kg,
        chloride_dilution_l=products.chloride_dilution_l(chloride_kg),
        surfaces=surfaces,
        other_sources=source_decision.other_sources,
        source_choice=source_decision.source_choice,
    )


def _crew_weather(
    key: str, sites: Sites, decisions: Mapping[tuple[str, str], SurfaceDecision]
) -> tuple[CrewWeatherWindow, ...]:
    """Return the crew-weather periods of a site, from any of its surfaces."""
    site = sites.sites[key]
    for surface_key in site.surfaces:
        if (key, surface_key) in decisions:
            return crew_weather.find_windows(
                decisions[key, surface_key].outlook.hours, sites.practice(site)
            )
    return ()


def _source_record(cell: CellForecast) -> SourceRecord:
    return SourceRecord(
        source=cell.source,
        cell=cell.cell_id,
        issued_at=cell.issued_at,
        fetched_at=cell.fetched_at,
        known_until=cell.known_until("air_temp_c"),
        stale=cell.stale,
        credit=cell.credit,
        forecast_id=forecast_id(cell),
    )


# -- the whole morning ----------------------------------------------------------------------------


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
    source_decisions: Mapping[str, SourceDecision],
    now: datetime,
) -> tuple[Diagnostic, ...]:
    """Return what a reader must know about the forecasts, site by site."""
    company = sites.practice()
    found = [_far_place_diagnostic(far, sites) for far in far_places(sites)]
    for key, decision in source_decisions.items():
        site, site_forecasts = sites.sites[key], forecasts_by_site[key]
        found += forecast_diagnostics.source_diagnostics(
            key,
            decision.cell,
            site_forecasts.unavailable_reason,
            site_forecasts.other_failures,
            now,
            company,
        )
        surfaces = [
            SurfaceOutlook(
                decided.outlook, sites.practice(site, site.surfaces[surface]), decided.treatments
            )
            for (_, surface), decided in decision.decisions.items()
        ]
        found += forecast_diagnostics.layer_diagnostics(key, surfaces, now, company)
    cells = (decision.cell for decision in source_decisions.values())
    found += forecast_diagnostics.cell_notes(cell for cell in cells if cell is not None)
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
    for key, client in sorted(sites.clients.items()):
        site_keys = tuple(name for name, site in sorted(sites.sites.items()) if site.client == key)
        yield ClientPlan(
            key=key,
            name=client.name,
            contact=client.contact,
            phone=client.phone,
            contact_by=client.contact_by,
            notice_probability=sites.practice().number("notice_probability"),
            notice_likely_from=sites.practice().number("notice_likely_from"),
            sites=site_keys,
        )


def _min_air_temp_c(
    yard: str, site_plans: Sequence[SitePlan], hourly: Mapping[str, HourlySeries]
) -> float | None:
    """Return the lowest air temperature at a yard's sites [°C]."""
    names = {s.hourly_id for site in site_plans if site.yard == yard for s in site.surfaces}
    known = (value for name in names for value in hourly[name].air_c if value is not None)
    return min(known, default=None)


def _yard_jobs(yard_key: str, site_plans: Sequence[SitePlan]) -> list[Job]:
    """Return every pre-treat served from a yard."""
    return [
        Job(
            site.key,
            surface.key,
            site.priority,
            SURFACE_CLASSES[surface.surface_class].use,
            surface.area_m2,
            item,
        )
        for site in site_plans
        if site.yard == yard_key
        for surface, item in site.treatments
        if item.action is Action.PRETREAT
    ]


def _sprayer_schedules(
    sites: Sites,
    site_plans: Sequence[SitePlan],
    drives: DriveTables,
    positions: Positions,
    now: datetime,
) -> dict[str, SprayerSchedule]:
    """Return the rounds of every yard, by its key."""
    zone = ZoneInfo(sites.company.timezone)
    found = {}
    for yard_key, yard in sites.yards.items():
        jobs = _yard_jobs(yard_key, site_plans)
        out = _positions_of(positions, yard_key)
        places = {job.site for job in jobs} | {one.site for one in out.values()}
        travel = _yard_travel(sites, yard_key, places, drives)
        found[yard_key] = schedule_sprayers(yard, jobs, travel, now, sites.practice(), zone, out)
    return found


def _positions_of(positions: Positions, yard_key: str) -> dict[str, SprayerPosition]:
    """Return the sprayers of a yard that are out already, by key."""
    return {key: one for (yard, key), one in positions.items() if yard == yard_key}


def _pass_schedules(
    sites: Sites,
    site_plans: Sequence[SitePlan],
    schedules: Mapping[str, SprayerSchedule],
    drives: DriveTables,
    positions: Positions,
    now: datetime,
) -> tuple[PassSchedule, ...]:
    """Return the rounds in and after the storm of every yard that names plows or spreaders."""
    zone = ZoneInfo(sites.company.timezone)
    found = []
    for yard_key, yard in sites.yards.items():
        if not yard.plows and not yard.spreaders:
            continue
        jobs = [job for site in site_plans if site.yard == yard_key for job in _passes(sites, site)]
        out = _positions_of(positions, yard_key)
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


def _yard_mixes(
    sites: Sites,
    site_plans: Sequence[SitePlan],
    schedules: Mapping[str, SprayerSchedule],
    hourly: Mapping[str, HourlySeries],
    now: datetime,
    stock: StockBook,
) -> Iterable[YardMix]:
    zone = ZoneInfo(sites.company.timezone)
    for yard_key, yard in sites.yards.items():
        by_record = stock.yards.get(yard_key)
        yield mix.plan_yard_mix(
            yard_key,
            yard,
            _yard_jobs(yard_key, site_plans),
            schedules[yard_key],
            [
                item
                for site in site_plans
                if site.yard == yard_key
                for _, item in site.treatments
                if item.action is not Action.PRETREAT
            ],
            sites.products,
            sites.practice(),
            now,
            _min_air_temp_c(yard_key, site_plans, hourly),
            None if by_record is None else by_record.as_of,
            {
                key: counted_at(yard, tank, zone)
                if by_record is None
                else by_record.stores[key].counted_at
                for key, tank in yard.tanks.items()
            },
        )


def _orders(
    sites: Sites,
    site_plans: Sequence[SitePlan],
    yards: Iterable[YardMix],
    now: datetime,
    stock: StockBook,
) -> Iterable[OrderAdvice]:
    """Yield what each yard may have to order; as far as its sites are known, by the plan."""
    end = floor_hour(now) + timedelta(hours=sites.practice().number("horizon"))
    for yard in yards:
        yield from yard_orders(
            yard.yard,
            sites.yards[yard.yard],
            [t for site in site_plans if site.yard == yard.yard for _, t in site.treatments],
            yard.brine_usable_l,
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
