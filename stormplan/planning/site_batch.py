"""Some of the sites, from forecast to treatments: where arrays become decisions.

Surfaces that share forecast cell, build-up, sky, exposure and plowing share a *lane*, and cost
grows with lanes, not with sites. Pavement and film run once for all lanes, every open question is
weighed in one call, and what is chosen is run again with pavement and film coupled.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from stormplan.company.sites import Site, Sites, Surface
from stormplan.events import detection
from stormplan.events.detection import Outlook
from stormplan.events.ensemble_stats import median
from stormplan.events.hazards import Ground, Thresholds
from stormplan.liquids import batch
from stormplan.physics import ensemble, surface_simulation
from stormplan.physics.bias_correction import NO_OFFSETS, NONE, Offsets
from stormplan.physics.ensemble import NOBODY, OwnRecord
from stormplan.physics.film import Ploughs
from stormplan.physics.pavement import Column, Columns
from stormplan.physics.surface_simulation import Course, End
from stormplan.treatment import candidates, decide, follow_up, pretreatment, screening
from stormplan.treatment.candidates import Outcome, Search
from stormplan.treatment.pretreatment import Question
from stormplan.treatment.products import Stock
from stormplan.treatment.records import Case, Film, Treatment
from stormplan.weather.forecast import PHASES, REQUIRED, CellForecast, Forecast, stack

SHELTERED_WIND = 0.6  # wind in a sheltered lot over the forecast's: 0.5-0.7, class assumption
PAST_H = 72  # hours before now that are used, where the forecast has them
BLOCK_SITES = 400  # sites decided in one pure call; large blocks suit numpy
BLOCK_COLUMNS = 4000  # about as many columns, members counted: half a gigabyte of memory
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
    """The physics of a block: hours, lanes, and the course they take without chemical.

    ``past`` is where the hours before now left every column; what lies ahead goes on from there.

    A lane that is plowed is run twice: once with what the last plow leaves, which is what can
    freeze back, and once cleared to the pavement after each storm, which is how the next one finds
    it. ``cleared`` is each lane's place in that second run, or its own where it is not plowed.
    """

    forecast: Forecast
    ahead: Forecast
    past: End
    lanes: tuple[Lane, ...]
    columns: Columns
    plows: tuple[tuple[int, ...], ...]
    cleared: tuple[int, ...]
    course: Course

    def ground(self, lane: int) -> Ground:
        """One lane's pavement and what lies on it, from now on."""
        film, cleared = self.course.film, self.cleared[lane]
        frost_mm = film.frost_mm[:, lane]
        lies = film.water_mm[:, cleared] + film.ice_mm[:, cleared]
        return Ground(
            self.course.surface_c[:, lane],
            frost_mm,
            film.ice_mm[:, lane] - frost_mm,
            lies + film.snow_mm[:, cleared],
        )


def cut(
    sites: Sites, keys: Sequence[str], cells: Mapping[str, CellForecast]
) -> Iterator[list[str]]:
    """Cut the sites into blocks that fit into memory; those of one cell stay together.

    Parameters
    ----------
    sites : Sites
        The sites file [-].
    keys : sequence of str
        Which sites [-].
    cells : mapping of str to CellForecast
        By site key; a site that is absent is left out [-].

    Yields
    ------
    list of str
        Keys of one block.
    """
    together: dict[int, list[str]] = {}
    for key in keys:
        if key in cells:
            together.setdefault(id(cells[key]), []).append(key)
    part: list[str] = []
    width = 0
    for key in (key for group in together.values() for key in group):
        if len(part) >= BLOCK_SITES or width >= BLOCK_COLUMNS:
            yield part
            part, width = [], 0
        # surfaces of sites that share a cell mostly share their columns too
        shares = bool(part) and cells[part[-1]] is cells[key]
        members = max(cells[key].members, ensemble.MEMBERS)
        width += 0 if shares else members * len(sites.sites[key].surfaces)
        part.append(key)
    if part:
        yield part


def decide_sites(
    sites: Sites,
    keys: Sequence[str],
    cells: Mapping[str, CellForecast],
    now: datetime,
    offsets: Offsets = NO_OFFSETS,
    own: Mapping[str, OwnRecord] = NOBODY,
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
    offsets : mapping of (str, str) to Correction
        What readings say of a site's surface by night; one that is absent has none [-].
    own : mapping of str to OwnRecord
        How far sources of one voice were off, where that is known [-].

    Returns
    -------
    dict of (str, str) to Decided
        By site and surface.
    """
    starts = {id(cell): first_hour(cell, now) for cell in cells.values()}
    groups: dict[tuple[datetime, int], list[str]] = {}  # arrays fit together inside a group
    for key in keys:
        if key in cells:
            alike = starts[id(cells[key])], cells[key].members
            groups.setdefault(alike, []).append(key)
    answers: dict[tuple[str, str], Decided] = {}
    for (start, _), together in groups.items():
        answers |= _decide(sites, together, cells, start, now, offsets, own)
    return answers


def _decide(
    sites: Sites,
    known: Sequence[str],
    cells: Mapping[str, CellForecast],
    start: datetime,
    now: datetime,
    offsets: Offsets,
    own: Mapping[str, OwnRecord],
) -> dict[tuple[str, str], Decided]:
    """Decide for sites whose weather is known from the same hour on, by as many members."""
    distinct = tuple({id(cells[key]): cells[key] for key in known}.values())
    place = {id(cell): index for index, cell in enumerate(distinct)}
    end = _floor(now) + timedelta(hours=sites.practice().number("horizon"))
    forecast = stack(distinct, start, round((end - start) / timedelta(hours=1)))
    if forecast.members == 1:  # one voice: spread it by the errors that it is known to have
        ages_h = [(cell.issued_at - start) / timedelta(hours=1) for cell in distinct]
        lead_h = np.arange(forecast.hours)[:, None] - np.array(
            ages_h
        )  # an old forecast is less sure
        forecast = ensemble.members(forecast, lead_h, own)
    surfaces = {
        (key, surface_key): _lane(
            sites, sites.sites[key], surface, place[id(cells[key])],
            offsets.get((key, surface_key), NONE).offset_dc,
        )
        for key in known
        for surface_key, surface in sites.sites[key].surfaces.items()
    }  # fmt: skip
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
            outlooks[view] = detection.outlook(
                run.ahead, lane.column.cell, run.ground(index[lane]), view[1], surface.snow_pile
            )
        outlook = outlooks[view]
        seen[key, surface_key] = _name(run.forecast, *view), outlook
        open_cases[key, surface_key] = [
            decide.first_word(
                Case(
                    surface, found, outlook, practice, stocks[site.yard], now,
                    sites.zone(site), site.open, index[lane], run.plows[index[lane]],
                )
            )
            for found in outlook.events
            if found.end > now
        ] or [screening.nothing(outlook)]  # fmt: skip
    answers = _settle(run, open_cases, sites)
    return {at: Decided(*seen[at], answers[at]) for at in surfaces}


# -- lining things up -----------------------------------------------------------------------------


def _floor(moment: datetime) -> datetime:
    return moment.replace(minute=0, second=0, microsecond=0)


def first_hour(cell: CellForecast, now: datetime) -> datetime:
    """Find the hour from which on a cell's weather is known without a gap up to now.

    What lies on the pavement is carried from hour to hour, so a gap in the past ends all
    knowledge: hours before it are left out, and so is what is older than ``PAST_H``.
    """
    earliest = _floor(now) - timedelta(hours=PAST_H)
    past = round((_floor(now) - max(cell.start, earliest)) / timedelta(hours=1))
    if past <= 0:
        return _floor(now)
    hours = stack([cell], _floor(now) - timedelta(hours=past), past)
    known = np.isfinite([hours[name] for name in REQUIRED]).all(axis=0)
    phases = np.isfinite([hours[name] for name in PHASES]).all(axis=0)
    known &= (hours["precip_mm"] == 0.0) | (phases & np.isfinite(hours["precip_mm"]))
    gaps = np.flatnonzero(~known.all(axis=(1, 2)))
    return hours.time(int(gaps[-1]) + 1 if gaps.size else 0)


def _lane(sites: Sites, site: Site, surface: Surface, cell: int, night_offset_dc: float) -> Lane:
    use = surface.surface_class.use
    practice = sites.practice(site, surface)
    return Lane(
        Column(
            cell=cell,
            build_up=surface.structure,
            sky_view_frac=surface.sky_view,
            wind_factor=SHELTERED_WIND if surface.sheltered else 1.0,
            traffic_wm2=surface.traffic_wm2,
            night_offset_dc=night_offset_dc,
        ),
        follow_up.trigger_cm(practice, use == "pedestrian"),
        candidates.RESIDUAL_MM[use],
    )


def _run(forecast: Forecast, lanes: tuple[Lane, ...], now: datetime) -> _Run:
    """Run pavement and film without chemical, plowed as the snow calls for it."""
    gone = round((_floor(now) - forecast.start) / timedelta(hours=1))
    ahead = Forecast(
        forecast.time(gone),
        forecast.cells,
        {name: array[gone:] for name, array in forecast.values.items()},
    )
    snow = _typical_snow(ahead["snow_depth_cm"]).T.tolist()
    plows = tuple(follow_up.plow_hours(snow[lane.column.cell], lane.trigger_cm) for lane in lanes)
    plowed = [at for at, hours in enumerate(plows) if hours]
    second = {at: len(lanes) + row for row, at in enumerate(plowed)}
    cleared = tuple(second.get(at, at) for at in range(len(lanes)))
    columns = Columns.of([lane.column for lane in (*lanes, *(lanes[at] for at in plowed))])
    places = Columns.of(tuple(dict.fromkeys(columns.records)))
    past = surface_simulation.run(forecast, places, until=gone).end
    passes = _ploughs(lanes, plows, cleared, snow)
    taken = surface_simulation.run(forecast, columns, ploughs=passes, after=past)
    return _Run(forecast, ahead, past, lanes, columns, plows, cleared, taken)


def _typical_snow(snow_cm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give new snow of each hour that adds up to the typical member's total, (hour, cell) [cm].

    Members agree on a storm more than on its hours: the median of each hour alone adds up to
    less than any of them.
    """
    if snow_cm.shape[2] == 1:
        return snow_cm[:, :, 0]
    fallen = np.median(np.cumsum(np.nan_to_num(snow_cm), axis=0), axis=2)
    return np.diff(fallen, axis=0, prepend=0.0)


def _ploughs(
    lanes: Sequence[Lane],
    plows: Sequence[tuple[int, ...]],
    cleared: Sequence[int],
    snow_cm: Sequence[Sequence[float]],
) -> Ploughs | None:
    """Line the passes up for both runs; in the second, the last of a storm leaves nothing."""
    rows = []
    for at, (lane, hours) in enumerate(zip(lanes, plows, strict=True)):
        fell = snow_cm[lane.column.cell]
        for hour in hours:
            is_last = not fell[hour] > 0.0
            rows.append((hour, at, lane.residual_mm))
            rows.append((hour, cleared[at], 0.0 if is_last else lane.residual_mm))
    if not rows:
        return None
    when, where, residual = zip(*rows, strict=True)
    return Ploughs(
        np.array(when, dtype=np.intp), np.array(where, dtype=np.intp), np.array(residual)
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
    if column.night_offset_dc:
        parts[2] += f" nights {column.night_offset_dc:+.2f}K"
    return " | ".join(parts) + (" pile" if snow_pile else "")


# -- the film model's word ------------------------------------------------------------------------


def _settle(
    run: _Run, open_cases: Mapping[tuple[str, str], list[Treatment | Question]], sites: Sites
) -> dict[tuple[str, str], tuple[Treatment, ...]]:
    """Weigh every open question in one call, and confirm what is chosen."""
    questions = [q for answers in open_cases.values() for q in answers if isinstance(q, Question)]
    outcomes = candidates.weigh(
        run.ahead, run.columns, run.course.holding, [q.search for q in questions], sites.products
    )
    picked = [pretreatment.choose(q, outcomes[q.search]) for q in questions]
    confirmed = _confirmed(run, questions, picked, outcomes, sites)
    bare = candidates.frozen_frac(run.course.film)
    settled = {
        id(question): decide.last_word(
            question,
            outcomes[question.search],
            found.outcome,
            _film(question, found, bare[:, question.search.column]),
        )
        for question, found in zip(questions, confirmed, strict=True)
    }
    return {
        at: tuple(settled[id(a)] if isinstance(a, Question) else a for a in answers)
        for at, answers in open_cases.items()
    }


def _confirmed(
    run: _Run,
    questions: Sequence[Question],
    picked: Sequence[Outcome],
    outcomes: Mapping[Search, tuple[Outcome, ...]],
    sites: Sites,
) -> list[candidates.Confirmed]:
    """Run what is picked coupled; what then fails by a hair is tried again higher.

    First one rate up, then two more, then four: each round is a run of its own.
    """
    found: dict[int, candidates.Confirmed] = {}
    ask = dict(enumerate(picked))
    steps = 1
    while ask:
        shown = max(_shown_until(questions[at]) for at in ask)
        pairs = [(questions[at].search, outcome) for at, outcome in ask.items()]
        answers = candidates.confirm(
            run.forecast, run.columns, run.past, shown, pairs, sites.products
        )
        found |= zip(ask, answers, strict=True)
        more = {
            at: pretreatment.step_up(outcome, outcomes[questions[at].search], steps)
            for at, outcome in ask.items()
            if outcome.fails is None and found[at].outcome.fails is not None
        }
        ask = {at: outcome for at, outcome in more.items() if outcome is not None}
        steps *= 2
    return [found[at] for at in range(len(questions))]


def _shown_until(question: Question) -> int:
    return question.case.hour(question.case.event.end) + SHOWN_AFTER_H


def _film(question: Question, found: candidates.Confirmed, bare: NDArray[np.float64]) -> Film:
    """Cut the hours around the event out of the confirmed film."""
    asked: Search = question.search
    chosen: Outcome = found.outcome
    first = max(min(chosen.candidate.start, asked.onset - SHOWN_BEFORE_H), 0)
    last = _shown_until(question)

    return decide.film_record(
        question.case.time(first),
        *(median(a[first:last]) for a in (found.freeze_point_c, found.frozen_frac, bare)),
    )
