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
from typing import Literal

from pydantic import AwareDatetime

from stormplan import block, event, mix
from stormplan.block import Decided
from stormplan.catalog import SURFACE_CLASSES
from stormplan.crew import Job
from stormplan.errors import Exit
from stormplan.event import Outlook, Record, Unknown
from stormplan.forecast import CellForecast
from stormplan.mix import YardMix
from stormplan.sites import Sites, Surface
from stormplan.treatment import Action, Treatment

SCHEMA_VERSION = "1"
GO_WITHIN = timedelta(hours=24)  # what starts later is on hold until the next plan: our own choice
BLOCK_SITES = 400  # sites planned in one pure call; large blocks suit numpy

Verdict = Literal["go", "hold", "nothing"]

#: What the model leaves out; every plan says so.
LIMITS = (
    "How much ice a vehicle surface tolerates is an assumption of policy, not a published number.",
    "Tires, drifting, shade that moves and what crews find on the ground are not in the model.",
)

CAUTIONS = (
    "A pre-treat keeps snow and ice from bonding and buys time; it does not melt a storm.",
    "Look at the pavement and its temperature before spraying; readings win over this plan.",
    "Walks hold only while their film is fully liquid; no plan makes one safe: inspect them.",
    "Handle salts and additives by their labels and safety sheets: goggles, gloves, eyewash.",
    "Keep liquids off plants, drains and open water; sweep up what is spilled.",
    "Chlorides attack steel and young concrete; never use them on airfield surfaces.",
    "Work zones: lights, vest, spotter where cars or people move.",
    "Local codes, product labels and licensed practice decide; this plan advises.",
)


class Source(Record):
    """The forecast a site was planned from."""

    source: str
    cell: str
    issued_at: AwareDatetime
    fetched_at: AwareDatetime
    known_until: AwareDatetime | None
    stale: bool
    notes: tuple[str, ...]
    contradictions: tuple[str, ...]
    credit: str


class Series(Record):
    """Hourly values of one column, for charts; None where not known."""

    start: AwareDatetime
    air_c: tuple[float | None, ...]
    surface_c: tuple[float | None, ...]
    dew_point_c: tuple[float | None, ...]
    wind_mps: tuple[float | None, ...]
    rain_mm: tuple[float | None, ...]
    snow_we_mm: tuple[float | None, ...]
    frz_rain_mm: tuple[float | None, ...]
    sleet_mm: tuple[float | None, ...]
    snow_cm: tuple[float | None, ...]
    hazard: tuple[str | None, ...]


class ClientPlan(Record):
    """Whom the account manager writes to about which sites."""

    key: str
    name: str
    contact: str | None
    tell: Literal["mail", "text", "call"]
    sites: tuple[str, ...]


class SurfacePlan(Record):
    """One surface: what was found and what to do."""

    key: str
    name: str
    surface_class: str
    area_m2: float
    column: str
    coldest_surface_c: float | None
    treatments: tuple[Treatment, ...]
    unknown: tuple[Unknown, ...]


class SitePlan(Record):
    """One site: its forecast, or why there is none, and its surfaces."""

    key: str
    name: str
    client: str
    yard: str
    priority: int
    timezone: str
    latitude_deg: float
    longitude_deg: float
    source: Source | None
    problem: str | None
    surfaces: tuple[SurfacePlan, ...]

    @property
    def treatments(self) -> tuple[tuple[SurfacePlan, Treatment], ...]:
        """Every treatment with its surface."""
        return tuple((s, t) for s in self.surfaces for t in s.treatments)


class Plan(Record):
    """Everything a reader needs to know about one morning.

    ``verdict`` is go when something is to be done about an event within a day, hold when something
    may have to be, nothing otherwise. ``degraded`` names, in words, what the plan stands on less
    than it should; empty is a complete plan.
    """

    schema_version: str = SCHEMA_VERSION
    made_at: AwareDatetime
    planned_until: AwareDatetime
    company: str
    timezone: str
    units: Literal["us", "metric"]
    currency: str
    verdict: Verdict
    first_start: AwareDatetime | None
    matters: tuple[str, ...]
    degraded: tuple[str, ...]
    sites: tuple[SitePlan, ...]
    yards: tuple[YardMix, ...]
    clients: tuple[ClientPlan, ...] = ()
    contact: str | None = None
    columns: dict[str, Series]
    limits: tuple[str, ...] = LIMITS
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def exit_code(self) -> Exit:
        """What the command line answers with."""
        if all(site.problem for site in self.sites):
            return Exit.NOTHING_PLANNED
        return Exit.DEGRADED if self.degraded else Exit.COMPLETE


@dataclass(frozen=True)
class Answer:
    """What the sources said about one site: a forecast, or the reasons why there is none."""

    forecast: CellForecast | None
    problem: str | None = None


def make_plan(
    sites: Sites,
    answers: Mapping[str, Answer],
    now: datetime,
    mapper: Callable[..., Iterable[dict[tuple[str, str], Decided]]] = map,
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

    Returns
    -------
    Plan
        The record of this morning.
    """
    keys = sorted(sites.sites, key=lambda key: (sites.sites[key].priority, key))
    said = {key: answers.get(key, Answer(None, "no source was asked")) for key in keys}
    cells = {key: found.forecast for key, found in said.items() if found.forecast is not None}
    blocks = [keys[at : at + BLOCK_SITES] for at in range(0, len(keys), BLOCK_SITES)]
    each = len(blocks)
    done = mapper(block.decide, [sites] * each, blocks, [cells] * each, [now] * each)
    decided = {at: found for part in done for at, found in part.items()}
    planned = [_site_plan(key, sites, said[key], decided) for key in keys]
    active = [(site, t) for site in planned for _, t in site.treatments if t.event is not None]
    horizon = timedelta(hours=sites.practice().number("horizon"))
    columns = {found.column: _series(found.outlook) for found in decided.values()}
    return Plan(
        made_at=now,
        planned_until=now.replace(minute=0, second=0, microsecond=0) + horizon,
        company=sites.company.name,
        timezone=sites.company.timezone,
        units=sites.company.units,
        currency=sites.company.currency,
        verdict=_verdict(active, now),
        first_start=_first_start(active),
        matters=_matters(active),
        degraded=_degraded(planned, sites, now),
        sites=tuple(planned),
        yards=tuple(_yard_mixes(sites, planned, columns, now)),
        clients=tuple(_clients(sites)),
        contact=sites.company.contact,
        columns=columns,
    )


# -- records --------------------------------------------------------------------------------------


def _known(value: float, digits: int) -> float | None:
    return None if math.isnan(value) else round(value, digits)


def _series(seen: Outlook) -> Series:
    def each(name: str, digits: int) -> tuple[float | None, ...]:
        return tuple(_known(getattr(hour, name), digits) for hour in seen.hours)

    return Series(
        start=seen.hours[0].start,
        air_c=each("air_c", 1),
        surface_c=each("surface_c", 1),
        dew_point_c=each("dew_point_c", 1),
        wind_mps=each("wind_mps", 1),
        rain_mm=each("rain_mm", 2),
        snow_we_mm=each("snow_we_mm", 2),
        frz_rain_mm=each("frz_rain_mm", 2),
        sleet_mm=each("sleet_mm", 2),
        snow_cm=each("snow_cm", 2),
        hazard=tuple(hour.hazard and str(hour.hazard) for hour in seen.hours),
    )


def _surface_plan(key: str, surface: Surface, found: Decided) -> SurfacePlan:
    return SurfacePlan(
        key=key,
        name=surface.words,
        surface_class=surface.kind,
        area_m2=surface.area_m2,
        column=found.column,
        coldest_surface_c=_known(found.outlook.coldest_surface_c, 2),
        treatments=found.treatments,
        unknown=found.outlook.unknown,
    )


def _site_plan(
    key: str, sites: Sites, said: Answer, decided: Mapping[tuple[str, str], Decided]
) -> SitePlan:
    site = sites.sites[key]
    return SitePlan(
        key=key,
        name=site.name,
        client=sites.clients[site.client].name,
        yard=site.yard,
        priority=site.priority,
        timezone=str(sites.zone(site)),
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        source=None if said.forecast is None else _source(said.forecast),
        problem=None if said.forecast is not None else said.problem or "no forecast",
        surfaces=tuple(
            _surface_plan(surface_key, surface, decided[key, surface_key])
            for surface_key, surface in site.surfaces.items()
            if (key, surface_key) in decided
        ),
    )


def _source(cell: CellForecast) -> Source:
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
    )


# -- the whole morning ----------------------------------------------------------------------------


def _needs_work(item: Treatment) -> bool:
    return item.action in (Action.PRETREAT, Action.SOLIDS, Action.PLOW)


def _work_starts(item: Treatment) -> datetime | None:
    """When the crew is first needed."""
    return item.best_start or (item.event.start if item.event else None)


def _verdict(active: Sequence[tuple[SitePlan, Treatment]], now: datetime) -> Verdict:
    starts = [_work_starts(item) for _, item in active if _needs_work(item)]
    if any(start is not None and start < now + GO_WITHIN for start in starts):
        return "go"
    return "hold" if active else "nothing"


def _first_start(active: Sequence[tuple[SitePlan, Treatment]]) -> datetime | None:
    starts = [_work_starts(item) for _, item in active if _needs_work(item)]
    return min((start for start in starts if start is not None), default=None)


def _matters(active: Sequence[tuple[SitePlan, Treatment]]) -> tuple[str, ...]:
    """Name the sites that matter most: worst hazard soonest at the highest priority."""

    def weight(item: tuple[SitePlan, Treatment]) -> tuple[bool, int, int, datetime]:
        site, treated = item
        assert treated.event is not None  # only active ones come here
        severity = list(event.Hazard).index(treated.event.hazard)
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
    return tuple(found)


def _clients(sites: Sites) -> Iterable[ClientPlan]:
    for key, client in sites.clients.items():
        theirs = tuple(name for name, site in sites.sites.items() if site.client == key)
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
