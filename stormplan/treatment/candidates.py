"""Which of many pre-treats hold, and for how long: every candidate weighed by the film model.

A ``Search`` is one surface's question about one event: the start hours, blends and rates that
practice leaves open, the hour up to which the film should hold, and how much ice it may carry.
Equal questions are asked once. All candidates of all searches run in one vectorised call, against
the surroundings that the untreated run has already worked out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stormplan.company.catalog import Product
from stormplan.company.sites import BRINE
from stormplan.liquids import blend
from stormplan.liquids.blend import Liquid
from stormplan.liquids.hydrometer import REFERENCE_C
from stormplan.physics import film_response, surface_simulation
from stormplan.physics.film import Applications, Ploughs
from stormplan.physics.film_condition import FilmHours
from stormplan.physics.pavement import Columns
from stormplan.physics.surface_simulation import End, Holding
from stormplan.treatment.products import CHLORIDE_FRAC
from stormplan.weather.forecast import Forecast

#: Less water, ice and snow than this on a surface is not slippery [mm]: half a thin film.
MATTERS_MM = 0.02
#: Films run in one call: their arrays stay near the processor, and none runs long past its target.
FILMS_AT_ONCE = 8000
#: What a blade or a broom leaves behind, as water [mm]: 1-3 and 0.5, class assumptions.
RESIDUAL_MM = {"vehicle": 2.0, "pedestrian": 0.5}


@dataclass(frozen=True)
class Candidate:
    """One way to pre-treat.

    ``start`` counts hours of the forecast [h], ``additive`` is a product's key or None for
    straight brine, ``share`` its part by volume [-], ``rate_l_m2`` the rate [L/m²].
    """

    start: int
    additive: str | None
    share: float
    rate_l_m2: float


@dataclass(frozen=True)
class Search:
    """What one surface asks about one event.

    Attributes
    ----------
    column : int
        Its place on the column axis [-].
    candidates : tuple of Candidate
        What practice leaves open [-].
    onset, target : int
        Hours of the forecast: the event's first, and the one up to which the film should hold [h].
    tolerated_ice_frac : float
        Frozen part of what lies there that still counts as held; 0 for pedestrians [-].
    plows : tuple of int
        Hours at whose start the surface is plowed or shovelled [h].
    residual_mm : float
        Snow that a pass leaves, as water [mm].
    comes : tuple of bool
        In which members of the forecast the event comes; in no others is a film asked to hold [-].
    hold_share : float
        Share of those members in which it must [-].
    """

    column: int
    candidates: tuple[Candidate, ...]
    onset: int
    target: int
    tolerated_ice_frac: float
    plows: tuple[int, ...]
    residual_mm: float
    comes: tuple[bool, ...]
    hold_share: float

    def __hash__(self) -> int:
        # cheap, and good enough to tell most apart: equality looks at the candidates too
        return hash((self.column, self.onset, self.target, len(self.candidates)))


@dataclass(frozen=True)
class Mixture:
    """A blend as it goes down: mass shares [-], density [kg/L], chloride in it [kg/L]."""

    salts_frac: NDArray[np.float64]
    inert_frac: float
    density_kg_l: float
    chloride_kg_l: float

    @classmethod
    def of(cls, liquid: Liquid) -> Mixture:
        """Take what a film needs to know from a liquid at 60 °F."""
        density = liquid.density_kg_m3(REFERENCE_C) / 1000.0
        shares = np.array(list(CHLORIDE_FRAC.values()))
        chloride = float(shares @ liquid.salts_frac) * density
        return cls(liquid.salts_frac, liquid.inert_frac, density, chloride)


Mixtures = Mapping[tuple[str | None, float], Mixture]


@dataclass(frozen=True)
class Outcome:
    """How one candidate did.

    ``fails`` is the first hour of the forecast in which the film no longer holds, None if it holds
    to the target; ``chloride_kg_m2`` is what it puts down; ``held_frac`` is the share of the
    members with the event in which it holds [-], and ``held_in`` has a byte for each member.
    In four of five of those members it fails at the earliest at the first of ``fails_range`` and at
    the latest at the second; the target, where it holds. ``covers_frac`` is the part of the time
    from onset to target for which it holds in them, on average [-].
    """

    candidate: Candidate
    fails: int | None
    chloride_kg_m2: float
    held_frac: float
    held_in: bytes
    fails_range: tuple[int, int]
    covers_frac: float


def weigh(
    forecast: Forecast,
    columns: Columns,
    holding: Holding,
    searches: Sequence[Search],
    products: Mapping[str, Product],
) -> dict[Search, tuple[Outcome, ...]]:
    """Run every candidate of every search.

    Parameters
    ----------
    forecast : Forecast
        The hours ahead [-].
    columns : Columns
        The places [-].
    holding : Holding
        How each place holds a film, for the same hours [-].
    searches : sequence of Search
        Equal ones are run once [-].
    products : mapping of str to Product
        What blends are made of [-].

    Returns
    -------
    dict of Search to tuple of Outcome
        In the order of its candidates.
    """
    distinct = list(dict.fromkeys(search for search in searches if search.candidates))
    mixtures = _mixtures(distinct, products)
    outcomes: dict[Search, tuple[Outcome, ...]] = {}
    for piece in _pieces(distinct, FILMS_AT_ONCE // forecast.members):
        outcomes |= _weigh(forecast, columns, holding, piece, mixtures)
    return outcomes


def _pieces(searches: Sequence[Search], most: int) -> Iterator[list[Search]]:
    """Cut searches into pieces of so many candidates; those that end early stay together."""
    piece: list[Search] = []
    width = 0
    for search in sorted(searches, key=lambda search: (search.target, search.column)):
        if piece and width + len(search.candidates) > most:
            yield piece
            piece, width = [], 0
        piece.append(search)
        width += len(search.candidates)
    if piece:
        yield piece


def _weigh(
    forecast: Forecast,
    columns: Columns,
    holding: Holding,
    searches: Sequence[Search],
    mixtures: Mixtures,
) -> dict[Search, tuple[Outcome, ...]]:
    """Run every candidate of some distinct searches in one call."""
    flat = [(search, candidate) for search in searches for candidate in search.candidates]
    last = max(search.target for search in searches)
    film = film_response.run(
        cut(forecast, last),
        columns,
        cut_holding(holding, last),
        np.array([search.column for search, _ in flat], dtype=np.intp),
        applications([(candidate, index) for index, (_, candidate) in enumerate(flat)], mixtures),
        plows([(search, index) for index, (search, _) in enumerate(flat)]),
    )
    judged = _judge(film, [search for search, _ in flat])
    outcomes: dict[Search, list[Outcome]] = {search: [] for search in searches}
    for index, (search, candidate) in enumerate(flat):
        mixture = mixtures[candidate.additive, candidate.share]
        outcomes[search].append(
            Outcome(
                candidate,
                judged.fails(index),
                mixture.chloride_kg_l * candidate.rate_l_m2,
                judged.held_frac(index),
                judged.held[index].tobytes(),
                judged.fails_range(index),
                judged.covers_frac(index, search),
            )
        )
    return {search: tuple(found) for search, found in outcomes.items()}


def cut(forecast: Forecast, hours: int) -> Forecast:
    """Keep the first hours of a forecast."""
    return Forecast(
        forecast.start,
        forecast.cells,
        {name: array[:hours] for name, array in forecast.values.items()},
    )


def cut_holding(holding: Holding, hours: int) -> Holding:
    """Keep the first hours of what is known of the surroundings."""
    return Holding(*(array[:hours] for array in vars(holding).values()))


def _mixtures(searches: Sequence[Search], products: Mapping[str, Product]) -> Mixtures:
    """Mix every blend that any candidate uses, once."""
    brine = blend.of_product(products[BRINE])
    found: dict[tuple[str | None, float], Mixture] = {}
    for search in searches:
        for candidate in search.candidates:
            key = candidate.additive, candidate.share
            if key not in found:
                parts = [(1.0 - candidate.share, brine)]
                if candidate.additive is not None:
                    additive = blend.of_product(products[candidate.additive])
                    parts.append((candidate.share, additive))
                found[key] = Mixture.of(blend.mix(parts)[0])
    return found


def applications(placed: Sequence[tuple[Candidate, int]], mixtures: Mixtures) -> Applications:
    """Line up what goes down where: (candidate, place on the column axis)."""
    used = [mixtures[candidate.additive, candidate.share] for candidate, _ in placed]
    return Applications.of_liquid(
        np.array([candidate.start for candidate, _ in placed], dtype=np.intp),
        np.array([index for _, index in placed], dtype=np.intp),
        np.array([mixture.salts_frac for mixture in used]).T,
        np.array([candidate.rate_l_m2 for candidate, _ in placed]),
        np.array([mixture.density_kg_l for mixture in used]),
        np.array([mixture.inert_frac for mixture in used]),
    )


def plows(placed: Sequence[tuple[Search, int]]) -> Ploughs | None:
    """Line up the passes: (search, place on the column axis)."""
    hours = [hour for search, _ in placed for hour in search.plows]
    if not hours:
        return None
    passes = [len(search.plows) for search, _ in placed]
    return Ploughs(
        np.array(hours, dtype=np.intp),
        np.repeat(np.array([at for _, at in placed], dtype=np.intp), passes),
        np.repeat([search.residual_mm for search, _ in placed], passes),
    )


def frozen_frac(film: FilmHours) -> NDArray[np.float64]:
    """Frozen part of all that lies there, loose snow counted [-]; 0 where next to nothing does."""
    frozen = film.ice_mm + film.snow_mm
    total = frozen + film.water_mm
    return np.where(total > MATTERS_MM, frozen / np.maximum(total, MATTERS_MM), 0.0 * total)


@dataclass(frozen=True)
class _Judged:
    """How many films did: arrays (candidate,) and (candidate, member).

    ``first`` is the hour in which too few still hold, -1 for never; ``each`` the hour in which each
    member's fails, the target where it holds.
    """

    first: NDArray[np.intp]
    each: NDArray[np.intp]
    held: NDArray[np.bool_]
    comes: NDArray[np.bool_]

    def fails(self, index: int) -> int | None:
        return None if self.first[index] < 0 else int(self.first[index])

    def held_frac(self, index: int) -> float:
        return float(self.held[index][self.comes[index]].mean())

    def fails_range(self, index: int) -> tuple[int, int]:
        each = np.sort(self.each[index][self.comes[index]])
        tenth = len(each) // 10
        return int(each[tenth]), int(each[-1 - tenth])

    def covers_frac(self, index: int, search: Search) -> float:
        lasts = self.each[index][self.comes[index]] - search.onset
        return float(lasts.mean() / (search.target - search.onset))


def _judge(film: FilmHours, searches: Sequence[Search]) -> _Judged:
    """Find the first hour in which too few of the members with the event still hold.

    A film fails where more of it is frozen than the surface tolerates, from the onset on. An hour
    that is not known is not held.
    """
    tolerated = np.array([search.tolerated_ice_frac for search in searches])[None, :, None]
    onset = np.array([search.onset for search in searches])[None, :, None]
    target = np.array([search.target for search in searches])[None, :, None]
    hour = np.arange(film.water_mm.shape[0])[:, None, None]
    with np.errstate(invalid="ignore"):
        broken = ~(frozen_frac(film) <= tolerated + 1e-9)
    broken &= (hour >= onset) & (hour < target)
    failed = np.logical_or.accumulate(broken, axis=0)
    comes = np.array([search.comes for search in searches], dtype=np.bool_)
    may_fail = 1.0 - np.array([search.hold_share for search in searches])
    lost = (failed & comes).sum(axis=2) > may_fail * comes.sum(axis=1) + 1e-9
    first = np.where(lost.any(axis=0), lost.argmax(axis=0), -1)
    each = np.where(failed[-1], failed.argmax(axis=0), target[0])
    return _Judged(first, each, ~failed[-1], comes)


@dataclass(frozen=True)
class Confirmed:
    """What the coupled model makes of one candidate: its outcome, and its film hour by hour.

    Arrays ``(hour, member)``: freeze point of the film [°C], frozen part of what lies there [-].
    """

    outcome: Outcome
    freeze_point_c: NDArray[np.float64]
    frozen_frac: NDArray[np.float64]


def confirm(
    forecast: Forecast,
    columns: Columns,
    past: End,
    hours: int,
    chosen: Sequence[tuple[Search, Outcome]],
    products: Mapping[str, Product],
) -> list[Confirmed]:
    """Run the chosen candidates with pavement and film coupled.

    Parameters
    ----------
    forecast : Forecast
        All hours, those before the moment of planning included [-].
    columns : Columns
        The places that searches refer to [-].
    past : End
        Where the hours before those that searches count left these places [-].
    hours : int
        How many of those that searches count are run at least, their targets anyway [h].
    chosen : sequence of (Search, Outcome)
        What was picked for each [-].
    products : mapping of str to Product
        What blends are made of [-].

    Returns
    -------
    list of Confirmed
        In the same order; equal pairs are run once.
    """
    if not chosen:
        return []
    distinct = list(dict.fromkeys(chosen))
    places = Columns.of([columns.records[search.column] for search, _ in distinct])
    mixtures = _mixtures([search for search, _ in distinct], products)
    down = applications([(o.candidate, index) for index, (_, o) in enumerate(distinct)], mixtures)
    passes = plows([(search, index) for index, (search, _) in enumerate(distinct)])
    last = past.hour + max(hours, *(search.target for search, _ in distinct))
    film = surface_simulation.run(forecast, places, down, passes, after=past, until=last).film
    judged = _judge(film, [search for search, _ in distinct])
    point, frozen = film.freeze_point_c, frozen_frac(film)
    found = {
        pair: Confirmed(
            replace(
                pair[1],
                fails=judged.fails(index),
                held_frac=judged.held_frac(index),
                held_in=judged.held[index].tobytes(),
                fails_range=judged.fails_range(index),
                covers_frac=judged.covers_frac(index, pair[0]),
            ),
            point[:, index],
            frozen[:, index],
        )
        for index, pair in enumerate(distinct)
    }
    return [found[pair] for pair in chosen]
