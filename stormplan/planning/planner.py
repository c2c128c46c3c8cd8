"""The whole chain, in the order of the sentence: forecast, pavement, event, treatment, mix.

``make_plan`` is a pure function of the sites, what each source said, and the moment. It returns
one frozen record from which every report is rendered; the record's JSON Schema is published by
``stormplan schema``. SI throughout, aware UTC times; words are somebody else's work.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.company.sites import Sites, Surface
from stormplan.events import crew_weather
from stormplan.events.crew_weather import AirWindow
from stormplan.events.detection import Hour, Outlook
from stormplan.events.hazards import Hazard
from stormplan.operations import mix
from stormplan.operations.mix import YardMix
from stormplan.operations.sprayer_schedule import Job
from stormplan.physics.bias_correction import NO_OFFSETS, Correction, Offsets
from stormplan.physics.ensemble import NOBODY, OwnRecord
from stormplan.planning import site_batch, source_choice
from stormplan.planning.plan import (
    ClientPlan,
    Night,
    Plan,
    Refreeze,
    Series,
    SitePlan,
    Source,
    SurfacePlan,
    Verdict,
)
from stormplan.planning.site_batch import Decided
from stormplan.planning.source_choice import Side
from stormplan.treatment import products
from stormplan.treatment.records import Action, Treatment
from stormplan.treatment.screening import FAR_OFF
from stormplan.weather.forecast import CellForecast

#: Pavement known for less leaves tonight or the morning after in the dark: our own choice.
NIGHT_AND_MORNING = timedelta(hours=36)


@dataclass(frozen=True)
class Answer:
    """What the sources said about one site: a forecast, or the reasons why there is none.

    With a forecast, ``problem`` is why a source that is preferred to it has none; ``others`` are
    the forecasts of the sources after it.
    """

    forecast: CellForecast | None
    problem: str | None = None
    others: tuple[CellForecast, ...] = ()

    @property
    def forecasts(self) -> tuple[CellForecast, ...]:
        """Every forecast, in order of preference."""
        return () if self.forecast is None else (self.forecast, *self.others)


def make_plan(
    sites: Sites,
    answers: Mapping[str, Answer],
    now: datetime,
    mapper: Callable[..., Iterable[dict[tuple[str, str], Decided]]] = map,
    offsets: Offsets = NO_OFFSETS,
    own: Mapping[str, OwnRecord] = NOBODY,
) -> Plan:
    """Plan every site as of a moment.

    Parameters
    ----------
    sites : Sites
        The sites file [-].
    answers : mapping of str to Answer
        By site key; a site that is absent counts as without forecast [-].
    now : datetime
        Moment of planning, aware UTC [-].
    mapper : callable
        ``map``, or that of any ``concurrent.futures.Executor``, to plan blocks elsewhere [-].
    offsets : mapping of (str, str) to Correction
        What readings say of a site's surface by night [-].
    own : mapping of str to OwnRecord
        How far sources of one voice were off, where that is known [-].

    Returns
    -------
    Plan
        The record of this morning.
    """
    keys = sorted(sites.sites, key=lambda key: (sites.sites[key].priority, key))
    said = {key: answers.get(key, Answer(None, "no source was asked")) for key in keys}

    def decide(cells: Mapping[str, CellForecast]) -> source_choice.Found:
        blocks = list(site_batch.cut(sites, keys, cells))
        each = len(blocks)
        shared = ([thing] * each for thing in (cells, now, offsets, own))
        done = mapper(site_batch.decide_sites, [sites] * each, blocks, *shared)
        return {at: found for part in done for at, found in part.items()}

    heard = {key: found.forecasts for key, found in said.items()}
    views = [
        decide({key: cells[rank] for key, cells in heard.items() if rank < len(cells)})
        for rank in range(max(map(len, heard.values()), default=0))
    ]
    sided = {key: source_choice.choose(key, sites, heard[key], views) for key in keys}
    planned = [_site_plan(key, sites, said[key], sided[key], offsets) for key in keys]
    decided = {at: found for side in sided.values() for at, found in side.decided.items()}
    outlooks = {found.column: found.outlook for found in decided.values()}
    active = [(site, t) for site in planned for _, t in site.treatments if t.event is not None]
    horizon = timedelta(hours=sites.practice().number("horizon"))
    columns = {name: _series(seen) for name, seen in outlooks.items()}
    yards = tuple(_yard_mixes(sites, planned, columns, now))
    return Plan(
        made_at=now,
        planned_until=now.replace(minute=0, second=0, microsecond=0) + horizon,
        company=sites.company.name,
        timezone=sites.company.timezone,
        units=sites.company.units,
        currency=sites.company.currency,
        verdict=_verdict(active, now),
        first_start=_first_start(active, yards),
        matters=_matters(active),
        degraded=_degraded(planned, sites, now),
        sites=tuple(planned),
        yards=yards,
        clients=tuple(_clients(sites)),
        contact=sites.company.contact,
        columns=columns,
    )


# -- records --------------------------------------------------------------------------------------


def _known(value: float, digits: int) -> float | None:
    return None if math.isnan(value) else round(value, digits)


def _series(seen: Outlook) -> Series:
    columns = dict(zip(Hour._fields, zip(*seen.hours, strict=True), strict=True))

    def each(name: str, digits: int) -> tuple[float | None, ...]:
        return tuple([None if v != v else round(v, digits) for v in columns[name]])

    return Series(
        start=seen.hours[0].start,
        air_c=each("air_c", 1),
        surface_c=each("surface_c", 1),
        surface_low_c=each("surface_low_c", 1),
        surface_high_c=each("surface_high_c", 1),
        freezes=each("freezes", 2),
        frosts=each("frosts", 2),
        dew_point_c=each("dew_point_c", 1),
        wind_mps=each("wind_mps", 1),
        rain_mm=each("rain_mm", 2),
        snow_we_mm=each("snow_we_mm", 2),
        frz_rain_mm=each("frz_rain_mm", 2),
        sleet_mm=each("sleet_mm", 2),
        snow_cm=each("snow_cm", 2),
        hazard=tuple(hour.hazard and str(hour.hazard) for hour in seen.hours),
    )


def _surface_plan(
    key: str, surface: Surface, found: Decided, night: Correction | None
) -> SurfacePlan:
    return SurfacePlan(
        key=key,
        name=surface.words,
        surface_class=surface.kind,
        area_m2=surface.area_m2,
        column=found.column,
        coldest_surface_c=_known(found.outlook.coldest_surface_c, 2),
        treatments=found.treatments,
        refreeze=tuple(_refreezes(found.treatments)),
        unknown=found.outlook.unknown,
        night=None if night is None else Night(offset_dc=round(night.offset_dc, 3), n=night.n),
    )


def _refreezes(treatments: Sequence[Treatment]) -> Iterable[Refreeze]:
    """Gather when a surface can freeze back: by itself, or after a storm."""
    for event in (item.event for item in treatments):
        if event is None:
            continue
        if event.hazard is Hazard.REFREEZE:
            yield Refreeze(
                start=event.start,
                end=event.end,
                probability=event.probability,
                water="water off a snow pile" if event.from_pile else "standing water",
            )
        elif event.ice_until is not None:
            yield Refreeze(
                start=event.end,
                end=event.ice_until,
                probability=event.probability,
                water="what the storm leaves",
            )


def _site_plan(key: str, sites: Sites, said: Answer, side: Side, offsets: Offsets) -> SitePlan:
    site = sites.sites[key]
    surfaces = tuple(
        _surface_plan(
            surface_key, surface, side.decided[key, surface_key], offsets.get((key, surface_key))
        )
        for surface_key, surface in site.surfaces.items()
        if (key, surface_key) in side.decided
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
        source=None if side.cell is None else _source(side.cell, said.problem),
        problem=None if side.cell is not None else said.problem or "no forecast",
        air=_air(key, sites, side.decided),
        chloride_kg=chloride_kg,
        water_spoiled_l=products.water_spoiled_l(chloride_kg),
        surfaces=surfaces,
        others=side.others,
        follows=side.follows,
    )


def _air(
    key: str, sites: Sites, decided: Mapping[tuple[str, str], Decided]
) -> tuple[AirWindow, ...]:
    """Watch the air over a site, through any of its surfaces."""
    site = sites.sites[key]
    for surface_key in site.surfaces:
        if (key, surface_key) in decided:
            return crew_weather.watch(decided[key, surface_key].outlook.hours, sites.practice(site))
    return ()


def _source(cell: CellForecast, instead_of: str | None) -> Source:
    return Source(
        source=cell.source,
        cell=cell.cell,
        issued_at=cell.issued_at,
        fetched_at=cell.fetched_at,
        known_until=cell.known_until("air_temp_c"),
        stale=cell.stale,
        notes=cell.notes,
        contradictions=cell.contradictions,
        credit=cell.credit,
        instead_of=instead_of,
    )


# -- the whole morning ----------------------------------------------------------------------------


def _needs_work(item: Treatment) -> bool:
    return item.action in (Action.PRETREAT, Action.SOLIDS, Action.PLOW)


def _work_starts(item: Treatment) -> datetime | None:
    """When the crew is first needed."""
    return item.best_start or (item.event.start if item.event else None)


def _verdict(active: Sequence[tuple[SitePlan, Treatment]], now: datetime) -> Verdict:
    starts = [_work_starts(item) for _, item in active if _needs_work(item)]
    if any(start is not None and start < now + FAR_OFF for start in starts):
        return "go"
    return "hold" if active else "nothing"


def _first_start(
    active: Sequence[tuple[SitePlan, Treatment]], yards: Sequence[YardMix]
) -> datetime | None:
    """Tell when somebody is first needed: a sprayer leaving the yard, or a storm itself."""
    leaving = [one.start for yard in yards for one in yard.crew.sprayers]
    others = [
        _work_starts(item)
        for _, item in active
        if _needs_work(item) and item.action is not Action.PRETREAT
    ]
    return min((start for start in (*leaving, *others) if start is not None), default=None)


def _matters(active: Sequence[tuple[SitePlan, Treatment]]) -> tuple[str, ...]:
    """Name the sites that matter most: worst hazard soonest at the highest priority."""

    def weight(item: tuple[SitePlan, Treatment]) -> tuple[bool, int, int, datetime]:
        site, treated = item
        assert treated.event is not None  # only active ones come here
        severity = list(Hazard).index(treated.event.hazard)
        return not _needs_work(treated), site.priority, -severity, treated.event.start

    return tuple(dict.fromkeys(site.key for site, _ in sorted(active, key=weight)))[:3]


def _degraded(planned: Sequence[SitePlan], sites: Sites, now: datetime) -> tuple[str, ...]:
    """Say what the plan stands on less than it should, site by site, each thing once."""
    found: list[str] = []
    stale_h = sites.practice().number("stale_after")
    for site in planned:
        if site.source is None:
            found.append(f"{site.name}: no forecast ({site.problem})")
            continue
        age_h = (now - site.source.issued_at) / timedelta(hours=1)
        if site.source.stale or age_h > stale_h:
            found.append(f"{site.name}: forecast is {age_h:.0f} h old")
        if site.source.instead_of is not None:
            found.append(
                f"{site.name}: planned from {site.source.source} ({site.source.instead_of})"
            )
        if site.source.contradictions:
            what = "; ".join(site.source.contradictions)
            found.append(f"{site.name}: the forecast contradicts itself ({what})")
        missing = {u for s in site.surfaces for u in s.unknown if u.after is None}
        short = {
            what
            for _, item in site.treatments
            if item.event is not None
            for what in item.event.unknown
        }
        names = sorted(short | {u.what for u in missing})
        if names:
            found.append(f"{site.name}: {', '.join(names)} not forecast for all of the storm")
        paused = sorted({u.what for s in site.surfaces for u in s.unknown if u.until} - {*names})
        if paused:
            found.append(f"{site.name}: the forecast has a gap in {', '.join(paused)}")
        ends = _pavement_ends(site)
        if ends is not None and ends < now + NIGHT_AND_MORNING:
            left_h = max((ends - now) / timedelta(hours=1), 0.0)
            found.append(f"{site.name}: the pavement is known for the next {left_h:.0f} h only")
    return tuple(found)


def _pavement_ends(site: SitePlan) -> datetime | None:
    """Tell from when on a site's pavement is not known any more; None where it is to the end."""
    ends = [
        item.after
        for surface in site.surfaces
        for item in surface.unknown
        if item.what in ("pavement", "temperature") and item.until is None
    ]
    return min((end for end in ends if end is not None), default=None)


def _clients(sites: Sites) -> Iterable[ClientPlan]:
    for key, client in sorted(sites.clients.items()):
        theirs = tuple(name for name, site in sorted(sites.sites.items()) if site.client == key)
        yield ClientPlan(
            key=key, name=client.name, contact=client.contact, tell=client.tell, sites=theirs
        )


def _coldest_air_c(
    yard: str, planned: Sequence[SitePlan], columns: Mapping[str, Series]
) -> float | None:
    """Coldest air forecast at the sites a yard serves [°C]; it stands in for the yard's own."""
    names = {s.column for site in planned if site.yard == yard for s in site.surfaces}
    known = (value for name in names for value in columns[name].air_c if value is not None)
    return min(known, default=None)


def _yard_mixes(
    sites: Sites, planned: Sequence[SitePlan], columns: Mapping[str, Series], now: datetime
) -> Iterable[YardMix]:
    for yard_key, yard in sites.yards.items():
        served = [
            (site, surface, item)
            for site in planned
            if site.yard == yard_key
            for surface, item in site.treatments
        ]
        jobs = [
            Job(
                site.key,
                surface.key,
                site.priority,
                SURFACE_CLASSES[surface.surface_class].use,
                surface.area_m2,
                item,
            )
            for site, surface, item in served
            if item.action is Action.PRETREAT
        ]
        others = [item for *_, item in served if item.action is not Action.PRETREAT]
        cold_c = _coldest_air_c(yard_key, planned, columns)
        yield mix.yard_mix(
            yard_key, yard, jobs, others, sites.products, sites.practice(), now, cold_c
        )
