"""Some of the sites, from forecast to treatments: where arrays become decisions.

Surfaces that share forecast cell, build-up, sky, exposure and plowing share a *lane*, and cost
grows with lanes, not with sites. Pavement and film run once for all lanes, every open question is
weighed in one call, and what is chosen is run again with pavement and film coupled.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from stormplan import aftercare, batch, course, event, foreman, pretreat, refusal, search
from stormplan.course import Course
from stormplan.event import Event, Ground, Outlook, Thresholds
from stormplan.film import Ploughs
from stormplan.forecast import CellForecast, Forecast, stack
from stormplan.pavement import Column, Columns
from stormplan.pretreat import Question
from stormplan.products import Stock
from stormplan.search import Outcome, Search
from stormplan.sites import Site, Sites, Surface
from stormplan.treatment import Case, Film, Treatment

SHELTERED_WIND = 0.6  # wind in a sheltered lot over the forecast's: 0.5-0.7, class assumption
PAST_H = 72  # hours before now that are used, where the forecast has them
SHOWN_BEFORE_H, SHOWN_AFTER_H = 6, 6  # hours of film shown around an event


@dataclass(frozen=True)
class Lane:
    """A column with the plowing it gets: new snow that brings the plow [cm], snow left [mm]."""

    column: Column
    trigger_cm: float
    residual_mm: float


@dataclass(frozen=True)
class Decided:
    """One surface's answer: the name of its column of hours, what it holds, what to do."""

    column: str
    outlook: Outlook
    treatments: tuple[Treatment, ...]


@dataclass(frozen=True)
class _Run:
    """The physics of a block: hours, lanes, and the course they took without chemical."""

    forecast: Forecast
    ahead: Forecast
    gone: int
    lanes: tuple[Lane, ...]
    columns: Columns
    plows: tuple[tuple[int, ...], ...]
    course: Course

    def ground(self, lane: int) -> Ground:
        """One lane's pavement and what lies on it, from now on."""
        film = self.course.film
        return Ground(
            self.course.surface_c[self.gone :, lane],
            film.frost_mm[self.gone :, lane],
            (film.ice_mm - film.frost_mm)[self.gone :, lane],
        )


def decide(
    sites: Sites,
    keys: Sequence[str],
    cells: Mapping[str, CellForecast],
    now: datetime,
) -> dict[tuple[str, str], Decided]:
    """Decide for every surface of some sites; pure, so that it can run anywhere.

    Parameters
    ----------
    sites : Sites
        The sites file [-].
    keys : sequence of str
        Which sites [-].
    cells : mapping of str to CellForecast
        By site key; a site that is absent is passed over [-].
    now : datetime
        Moment of planning, aware UTC [-].

    Returns
    -------
    dict of (str, str) to Decided
        By site and surface.
    """
    known = [key for key in keys if key in cells]
    if not known:
        return {}
    distinct = tuple({id(cells[key]): cells[key] for key in known}.values())
    place = {id(cell): index for index, cell in enumerate(distinct)}
    forecast = _hours_around(distinct, sites, now)
    surfaces = {
        (key, surface_key): _lane(sites, sites.sites[key], surface, place[id(cells[key])])
        for key in known
        for surface_key, surface in sites.sites[key].surfaces.items()
    }
    run = _run(forecast, tuple(dict.fromkeys(surfaces.values())), now)
    index = {lane: at for at, lane in enumerate(run.lanes)}
    stocks = {key: _stock(sites, key) for key in sites.yards}
    outlooks: dict[tuple[Lane, Thresholds, bool], Outlook] = {}
    open_cases: dict[tuple[str, str], list[Treatment | Question]] = {}
    seen: dict[tuple[str, str], tuple[str, Outlook]] = {}
    for (key, surface_key), lane in surfaces.items():
        site, surface = sites.sites[key], sites.sites[key].surfaces[surface_key]
        practice = sites.practice(site, surface)
        view = (lane, Thresholds.of(practice), surface.snow_pile)
        if view not in outlooks:
            outlooks[view] = event.outlook(
                run.ahead, lane.column.cell, run.ground(index[lane]), view[1], surface.snow_pile
            )
        outlook = outlooks[view]
        seen[key, surface_key] = _name(run.forecast, *view), outlook
        open_cases[key, surface_key] = [
            foreman.first_word(
                Case(
                    surface, found, outlook, practice, stocks[site.yard], now,
                    sites.zone(site), site.open, index[lane], run.plows[index[lane]],
                )
            )
            for found in outlook.events
            if found.end > now
        ] or [refusal.nothing(outlook)]  # fmt: skip
    answers = _settle(run, open_cases, sites)
    return {at: Decided(*seen[at], answers[at]) for at in surfaces}


# -- lining things up -----------------------------------------------------------------------------


def _floor(moment: datetime) -> datetime:
    return moment.replace(minute=0, second=0, microsecond=0)


def _hours_around(cells: Sequence[CellForecast], sites: Sites, now: datetime) -> Forecast:
    """Stack the cells from as far back as any of them knows to the end of the horizon."""
    start = max(min(cell.start for cell in cells), _floor(now) - timedelta(hours=PAST_H))
    start = min(start, _floor(now))
    end = _floor(now) + timedelta(hours=sites.practice().number("horizon"))
    return stack(cells, start, round((end - start) / timedelta(hours=1)))


def _lane(sites: Sites, site: Site, surface: Surface, cell: int) -> Lane:
    use = surface.surface_class.use
    practice = sites.practice(site, surface)
    return Lane(
        Column(
            cell=cell,
            build_up=surface.structure,
            sky_view_frac=surface.sky_view,
            wind_factor=SHELTERED_WIND if surface.sheltered else 1.0,
            traffic_wm2=surface.traffic_wm2,
        ),
        aftercare.trigger_cm(practice, use == "pedestrian"),
        search.RESIDUAL_MM[use],
    )


def _run(forecast: Forecast, lanes: tuple[Lane, ...], now: datetime) -> _Run:
    """Run pavement and film without chemical, plowed as the snow calls for it."""
    gone = round((_floor(now) - forecast.start) / timedelta(hours=1))
    ahead = Forecast(
        forecast.time(gone),
        forecast.cells,
        {name: array[gone:] for name, array in forecast.values.items()},
    )
    snow = np.median(ahead["snow_depth_cm"], axis=2).T.tolist()
    plows = tuple(aftercare.plow_hours(snow[lane.column.cell], lane.trigger_cm) for lane in lanes)
    columns = Columns.of([lane.column for lane in lanes])
    return _Run(
        forecast, ahead, gone, lanes, columns, plows,
        course.run(forecast, columns, ploughs=_ploughs(lanes, plows, gone)),
    )  # fmt: skip


def _ploughs(lanes: Sequence[Lane], plows: Sequence[tuple[int, ...]], gone: int) -> Ploughs | None:
    rows = [
        (hour + gone, at, lane.residual_mm)
        for at, (lane, hours) in enumerate(zip(lanes, plows, strict=True))
        for hour in hours
    ]
    if not rows:
        return None
    hours, places, residual = zip(*rows, strict=True)
    return Ploughs(
        np.array(hours, dtype=np.intp), np.array(places, dtype=np.intp), np.array(residual)
    )


def _stock(sites: Sites, yard_key: str) -> Stock:
    """Collect what the yard has of each product, and what its brine costs in salt."""
    yard = sites.yards[yard_key]
    stocked = dict(yard.stock_l)
    for tank in yard.tanks.values():
        usable = max(tank.on_hand_l - tank.heel_l, 0.0)
        stocked[tank.holds] = stocked.get(tank.holds, 0.0) + usable
    price = yard.salt.price_per_kg
    if price is not None:
        strength = sites.practice().number("brine_target")
        made = batch.make(1000.0, strength, batch.Salt(yard.salt.purity_frac))
        price = price * made.salt_kg / 1000.0
    return Stock(sites.products, stocked, price)


def _name(forecast: Forecast, lane: Lane, thresholds: Thresholds, snow_pile: bool) -> str:
    """Name a column of hours so that equal ones of different blocks meet."""
    column = lane.column
    cell = forecast.cells[column.cell]
    layers = "+".join(f"{material} {1000 * m:.0f}mm" for material, m in column.build_up.layers)
    parts = [
        f"{cell.source} {cell.cell}",
        f"{layers} on {column.build_up.underside}",
        f"sky {column.sky_view_frac:g} wind {column.wind_factor:g} plow {lane.trigger_cm:g}cm",
        "/".join(f"{value:g}" for value in vars(thresholds).values()),
    ]
    if column.traffic_wm2:
        parts[2] += f" traffic {column.traffic_wm2:g}"
    return " | ".join(parts) + (" pile" if snow_pile else "")


# -- the film model's word ------------------------------------------------------------------------


def _settle(
    run: _Run, open_cases: Mapping[tuple[str, str], list[Treatment | Question]], sites: Sites
) -> dict[tuple[str, str], tuple[Treatment, ...]]:
    """Weigh every open question in one call, and confirm what is chosen."""
    questions = [q for answers in open_cases.values() for q in answers if isinstance(q, Question)]
    gone = run.gone
    holding = type(run.course.holding)(*(a[gone:] for a in vars(run.course.holding).values()))
    outcomes = search.weigh(
        run.ahead, run.columns, holding, [q.search for q in questions], sites.products
    )
    picked = [pretreat.choose(q, outcomes[q.search]) for q in questions]
    pairs = [(q.search, outcome) for q, outcome in zip(questions, picked, strict=True)]
    confirmed = search.confirm(run.forecast, run.columns, gone, pairs, sites.products)
    bare = search.frozen_frac(run.course.film)
    settled = {
        id(question): foreman.last_word(
            question,
            outcomes[question.search],
            found.outcome,
            _film(question, found, bare[gone:, question.search.column]),
        )
        for question, found in zip(questions, confirmed, strict=True)
    }
    return {
        at: tuple(settled[id(a)] if isinstance(a, Question) else a for a in answers)
        for at, answers in open_cases.items()
    }


def _film(question: Question, found: search.Confirmed, bare: NDArray[np.float64]) -> Film:
    """Cut the hours around the event out of the confirmed film."""
    asked: Search = question.search
    happening: Event = question.case.event
    chosen: Outcome = found.outcome
    first = max(min(chosen.candidate.start, asked.onset - SHOWN_BEFORE_H), 0)
    last = question.case.hour(happening.end) + SHOWN_AFTER_H

    def middle(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.median(values[first:last], axis=1))

    return foreman.film_record(
        question.case.time(first),
        middle(found.freeze_point_c),
        middle(found.frozen_frac),
        middle(bare),
    )
