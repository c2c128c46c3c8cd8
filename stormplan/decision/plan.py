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

from stormplan.company.catalog import SURFACE_CLASSES
from stormplan.company.sites import Sites, Surface
from stormplan.decision import airwatch, block, event, follow, mix, products
from stormplan.decision.agreement import OtherOpinion
from stormplan.decision.airwatch import AirWindow
from stormplan.decision.block import Decided
from stormplan.decision.changes import Change
from stormplan.decision.crew import Job
from stormplan.decision.event import Hour, Outlook, Record, Unknown
from stormplan.decision.follow import Follows, Side
from stormplan.decision.mix import YardMix
from stormplan.decision.refusal import FAR_OFF
from stormplan.decision.treatment import Action, Treatment
from stormplan.errors import Exit
from stormplan.physics.correction import NO_OFFSETS, Correction, Offsets
from stormplan.physics.spread import NOBODY, OwnRecord
from stormplan.weather.alert import Alert
from stormplan.weather.forecast import CellForecast

SCHEMA_VERSION = "1"

Verdict = Literal["go", "hold", "nothing"]

#: What the model leaves out; every plan says so.
LIMITS = (
    "How much ice a vehicle surface tolerates is an assumption of policy, not a published number.",
    "A pass is taken to leave 2 mm of water as snow behind a blade, 0.5 mm behind a broom.",
    "After each storm surfaces are taken to be cleared to the pavement before the next one.",
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
    """The forecast a site was planned from; ``instead_of`` says why none that is preferred."""

    source: str
    cell: str
    issued_at: AwareDatetime
    fetched_at: AwareDatetime
    known_until: AwareDatetime | None
    stale: bool
    notes: tuple[str, ...]
    contradictions: tuple[str, ...]
    credit: str
    instead_of: str | None = None


class Series(Record):
    """Hourly values of one column, for charts; None where not known.

    The surface lies between ``surface_low_c`` and ``surface_high_c`` four times in five [°C];
    ``freezes`` and ``frosts`` are the chances that it is below freezing, and the frost point too.
    """

    start: AwareDatetime
    air_c: tuple[float | None, ...]
    surface_c: tuple[float | None, ...]
    surface_low_c: tuple[float | None, ...]
    surface_high_c: tuple[float | None, ...]
    freezes: tuple[float | None, ...]
    frosts: tuple[float | None, ...]
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


class Refreeze(Record):
    """A stretch in which a surface can freeze back, how likely [-], and of what water."""

    start: AwareDatetime
    end: AwareDatetime
    probability: float
    water: Literal["water off a snow pile", "standing water", "what the storm leaves"]


class Night(Record):
    """What a surface's own readings add to its temperature at night [K], and how many they are."""

    offset_dc: float
    n: int


class SurfacePlan(Record):
    """One surface: what was found, what to do, and when it can freeze back.

    ``night`` is None where nobody has read the surface.
    """

    key: str
    name: str
    surface_class: str
    area_m2: float
    column: str
    coldest_surface_c: float | None
    treatments: tuple[Treatment, ...]
    refreeze: tuple[Refreeze, ...]
    unknown: tuple[Unknown, ...]
    night: Night | None = None


class SitePlan(Record):
    """One site: its forecast, or why there is none, and its surfaces.

    ``chloride_kg`` is what the plan puts down there, and ``water_spoiled_l`` the clean water that
    it could raise to the chronic criterion of 230 mg/L (EPA 440/5-88-001).

    ``others`` is what the forecasts that were not followed come to; ``follows`` says why this one
    was.
    """

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
    air: tuple[AirWindow, ...]
    chloride_kg: float
    water_spoiled_l: float
    surfaces: tuple[SurfacePlan, ...]
    others: tuple[OtherOpinion, ...] = ()
    follows: Follows = "preferred"

    @property
    def treatments(self) -> tuple[tuple[SurfacePlan, Treatment], ...]:
        """Every treatment with its surface."""
        return tuple((s, t) for s in self.surfaces for t in s.treatments)


class Plan(Record):
    """Everything a reader needs to know about one morning.

    ``verdict`` is go when something is to be done about an event within a day, hold when something
    may have to be, nothing otherwise. ``degraded`` names, in words, what the plan stands on less
    than it should; empty is a complete plan. ``troubles`` names what went wrong around the
    planning (late, not delivered, nowhere to write), ``remarks`` what went right only in the end;
    ``changes`` are against the plan announced before. ``alerts`` are official ones and had no say.
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
    alerts: tuple[Alert, ...] = ()
    changes: tuple[Change, ...] = ()
    troubles: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    limits: tuple[str, ...] = LIMITS
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def exit_code(self) -> Exit:
        """What the command line answers with."""
        if all(site.problem for site in self.sites):
            return Exit.NOTHING_PLANNED
        return Exit.DEGRADED if self.degraded or self.troubles else Exit.COMPLETE


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

    def decide(cells: Mapping[str, CellForecast]) -> follow.Found:
        blocks = list(block.cut(sites, keys, cells))
        each = len(blocks)
        shared = ([thing] * each for thing in (cells, now, offsets, own))
        done = mapper(block.decide, [sites] * each, blocks, *shared)
        return {at: found for part in done for at, found in part.items()}

    heard = {key: found.forecasts for key, found in said.items()}
    views = [
        decide({key: cells[rank] for key, cells in heard.items() if rank < len(cells)})
        for rank in range(max(map(len, heard.values()), default=0))
    ]
    sided = {key: follow.choose(key, sites, heard[key], views) for key in keys}
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
    for event_ in (item.event for item in treatments):
        if event_ is None:
            continue
        if event_.hazard is event.Hazard.REFREEZE:
            yield Refreeze(
                start=event_.start,
                end=event_.end,
                probability=event_.probability,
                water="water off a snow pile" if event_.from_pile else "standing water",
            )
        elif event_.ice_until is not None:
            yield Refreeze(
                start=event_.end,
                end=event_.ice_until,
                probability=event_.probability,
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
            return airwatch.watch(decided[key, surface_key].outlook.hours, sites.practice(site))
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
    return tuple(found)


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
