"""The pre-treat candidates of a surface, evaluated by the film model.

A ``CandidateSet`` belongs to one surface and one event: the start hours, blends and rates that
practice allows, the hour up to which the film should hold, and the ice it may carry. Equal sets are
evaluated once. All candidates of all sets run in one vectorized call, against the boundary from the
untreated run.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stormplan.company.catalog import Product
from stormplan.company.sites import BRINE_KEY
from stormplan.liquids import blend
from stormplan.liquids.blend import Liquid
from stormplan.liquids.hydrometer import REFERENCE_C
from stormplan.physics import film_response, surface_simulation
from stormplan.physics.film import Applications, PlowPasses
from stormplan.physics.film_condition import FilmHours
from stormplan.physics.pavement import Columns
from stormplan.physics.surface_simulation import RestartState, SurfaceBoundary
from stormplan.treatment.products import CHLORIDE_MASS_FRAC
from stormplan.weather.forecast import Forecast

#: Less water, ice and snow than this on a surface is not slippery [mm]: half a thin film.
MIN_FILM_MM = 0.02
#: Films run in one call: their arrays stay near the processor, and none runs long past its target.
MAX_FILMS_PER_CALL = 8000
#: What a blade or a broom leaves behind, as water [mm]: 1-3 and 0.5, class assumptions.
RESIDUAL_MM = {"vehicle": 2.0, "pedestrian": 0.5}


@dataclass(frozen=True)
class Candidate:
    """One pre-treat candidate: start, blend and rate.

    ``start_hour`` counts hours of the forecast [h], ``additive`` is a product's key or None for
    straight brine, ``additive_frac`` its part by volume [-], ``rate_l_m2`` the rate [L/m²].
    """

    start_hour: int
    additive: str | None
    additive_frac: float
    rate_l_m2: float


@dataclass(frozen=True)
class CandidateSet:
    """The pre-treat candidates of one surface and event, with the criterion for holding.

    Attributes
    ----------
    column : int
        Its place on the column axis [-].
    candidates : tuple of Candidate
        What practice leaves open.
    onset_hour, target_hour : int
        Hours of the forecast: the event's first, and the one up to which the film should hold [h].
    max_frozen_frac : float
        Frozen part of what lies there that still counts as held; 0 for pedestrians [-].
    plow_hours : tuple of int
        Hours at whose start the surface is plowed or shoveled [h].
    residual_mm : float
        Snow that a pass leaves, as water [mm].
    member_has_event : tuple of bool
        In which members of the forecast the event comes; in no others is a film asked to hold.
    hold_confidence : float
        Share of those members in which it must [-].
    """

    column: int
    candidates: tuple[Candidate, ...]
    onset_hour: int
    target_hour: int
    max_frozen_frac: float
    plow_hours: tuple[int, ...]
    residual_mm: float
    member_has_event: tuple[bool, ...]
    hold_confidence: float

    def __hash__(self) -> int:
        # cheap, and good enough to tell most apart: equality looks at the candidates too
        return hash((self.column, self.onset_hour, self.target_hour, len(self.candidates)))


@dataclass(frozen=True)
class Mixture:
    """The properties of a blend that the film model needs, at 60 °F."""

    salts_frac: NDArray[np.float64]
    inert_frac: float
    density_kg_l: float
    chloride_kg_l: float

    @classmethod
    def from_liquid(cls, liquid: Liquid) -> Mixture:
        """Return the mixture of a liquid at 60 °F."""
        density = liquid.density_kg_m3(REFERENCE_C) / 1000.0
        chloride_mass_frac = np.array(list(CHLORIDE_MASS_FRAC.values()))
        chloride = float(chloride_mass_frac @ liquid.salts_frac) * density
        return cls(liquid.salts_frac, liquid.inert_frac, density, chloride)


Mixtures = Mapping[tuple[str | None, float], Mixture]


@dataclass(frozen=True)
class CandidateResult:
    """The result of one candidate.

    ``failure_hour`` is the first hour of the forecast in which the film no longer holds, None if it
    holds to the target; ``chloride_kg_m2`` is what it puts down; ``hold_probability`` is the share
    of the members with the event in which it holds [-], and ``member_holds`` has a byte for each
    member. In four of five of those members it fails at the earliest at the first of
    ``failure_hour_range`` and at the latest at the second; the target, where it holds.
    ``held_time_frac`` is the part of the time from onset to target for which it holds in them, on
    average [-].
    """

    candidate: Candidate
    failure_hour: int | None
    chloride_kg_m2: float
    hold_probability: float
    member_holds: bytes
    failure_hour_range: tuple[int, int]
    held_time_frac: float


def evaluate(
    forecast: Forecast,
    columns: Columns,
    boundary: SurfaceBoundary,
    candidate_sets: Sequence[CandidateSet],
    products: Mapping[str, Product],
) -> dict[CandidateSet, tuple[CandidateResult, ...]]:
    """Return the result of every candidate of every set.

    Parameters
    ----------
    forecast : Forecast
        The hours ahead.
    columns : Columns
        The places.
    boundary : SurfaceBoundary
        How each place holds a film, for the same hours.
    candidate_sets : sequence of CandidateSet
        Equal ones are run once.
    products : mapping of str to Product
        What blends are made of.

    Returns
    -------
    dict of CandidateSet to tuple of CandidateResult
        In the order of its candidates.
    """
    distinct = list(
        dict.fromkeys(candidate_set for candidate_set in candidate_sets if candidate_set.candidates)
    )
    mixtures = _mixtures(distinct, products)
    results: dict[CandidateSet, tuple[CandidateResult, ...]] = {}
    for chunk in _chunks(distinct, MAX_FILMS_PER_CALL // forecast.n_members):
        results |= _evaluate_chunk(forecast, columns, boundary, chunk, mixtures)
    return results


def _chunks(
    candidate_sets: Sequence[CandidateSet], max_candidates: int
) -> Iterator[list[CandidateSet]]:
    """Split candidate sets into chunks of limited size, ordered by target hour."""
    chunk: list[CandidateSet] = []
    width = 0
    for candidate_set in sorted(
        candidate_sets, key=lambda search: (search.target_hour, search.column)
    ):
        if chunk and width + len(candidate_set.candidates) > max_candidates:
            yield chunk
            chunk, width = [], 0
        chunk.append(candidate_set)
        width += len(candidate_set.candidates)
    if chunk:
        yield chunk


def _evaluate_chunk(
    forecast: Forecast,
    columns: Columns,
    boundary: SurfaceBoundary,
    candidate_sets: Sequence[CandidateSet],
    mixtures: Mixtures,
) -> dict[CandidateSet, tuple[CandidateResult, ...]]:
    """Return the results of distinct candidate sets, from one vectorized run."""
    flat = [
        (candidate_set, candidate)
        for candidate_set in candidate_sets
        for candidate in candidate_set.candidates
    ]
    last = max(search.target_hour for search in candidate_sets)
    film = film_response.simulate_films(
        truncate(forecast, last),
        columns,
        truncate_boundary(boundary, last),
        np.array([search.column for search, _ in flat], dtype=np.intp),
        applications([(candidate, index) for index, (_, candidate) in enumerate(flat)], mixtures),
        plow_passes([(search, index) for index, (search, _) in enumerate(flat)]),
    )
    hold_results = _evaluate_hold(film, [search for search, _ in flat])
    results: dict[CandidateSet, list[CandidateResult]] = {search: [] for search in candidate_sets}
    for index, (search, candidate) in enumerate(flat):
        mixture = mixtures[candidate.additive, candidate.additive_frac]
        results[search].append(
            CandidateResult(
                candidate,
                hold_results.failure_hour(index),
                mixture.chloride_kg_l * candidate.rate_l_m2,
                hold_results.hold_probability(index),
                hold_results.member_holds[index].tobytes(),
                hold_results.failure_hour_range(index),
                hold_results.held_time_frac(index, search),
            )
        )
    return {search: tuple(found) for search, found in results.items()}


def truncate(forecast: Forecast, hours: int) -> Forecast:
    """Return the first hours of a forecast."""
    return Forecast(
        forecast.start,
        forecast.cells,
        {name: array[:hours] for name, array in forecast.values.items()},
    )


def truncate_boundary(boundary: SurfaceBoundary, hours: int) -> SurfaceBoundary:
    """Return the first hours of the surface boundary conditions."""
    return SurfaceBoundary(*(array[:hours] for array in vars(boundary).values()))


def _mixtures(candidate_sets: Sequence[CandidateSet], products: Mapping[str, Product]) -> Mixtures:
    """Return the mixture of every blend used by any candidate."""
    brine = blend.liquid_from_product(products[BRINE_KEY])
    mixtures: dict[tuple[str | None, float], Mixture] = {}
    for candidate_set in candidate_sets:
        for candidate in candidate_set.candidates:
            key = candidate.additive, candidate.additive_frac
            if key not in mixtures:
                parts = [(1.0 - candidate.additive_frac, brine)]
                if candidate.additive is not None:
                    additive = blend.liquid_from_product(products[candidate.additive])
                    parts.append((candidate.additive_frac, additive))
                mixtures[key] = Mixture.from_liquid(blend.mix_liquids(parts)[0])
    return mixtures


def applications(indexed: Sequence[tuple[Candidate, int]], mixtures: Mixtures) -> Applications:
    """Return the applications of candidates, one column each."""
    used = [mixtures[candidate.additive, candidate.additive_frac] for candidate, _ in indexed]
    return Applications.from_liquid(
        np.array([candidate.start_hour for candidate, _ in indexed], dtype=np.intp),
        np.array([index for _, index in indexed], dtype=np.intp),
        np.array([mixture.salts_frac for mixture in used]).T,
        np.array([candidate.rate_l_m2 for candidate, _ in indexed]),
        np.array([mixture.density_kg_l for mixture in used]),
        np.array([mixture.inert_frac for mixture in used]),
    )


def plow_passes(indexed: Sequence[tuple[CandidateSet, int]]) -> PlowPasses | None:
    """Return the plow passes of candidate sets, one column each; None without any."""
    hours = [hour for candidate_set, _ in indexed for hour in candidate_set.plow_hours]
    if not hours:
        return None
    passes = [len(search.plow_hours) for search, _ in indexed]
    return PlowPasses(
        np.array(hours, dtype=np.intp),
        np.repeat(np.array([at for _, at in indexed], dtype=np.intp), passes),
        np.repeat([search.residual_mm for search, _ in indexed], passes),
    )


def frozen_frac(film: FilmHours) -> NDArray[np.float64]:
    """Return the frozen part of water, ice and snow [-]; 0 below ``MIN_FILM_MM``."""
    frozen = film.ice_mm + film.snow_mm
    total = frozen + film.water_mm
    return np.where(total > MIN_FILM_MM, frozen / np.maximum(total, MIN_FILM_MM), 0.0 * total)


@dataclass(frozen=True)
class _HoldResults:
    """Hold results of many films: arrays (candidate,) and (candidate, member).

    ``failure_hours`` is the hour in which too few still hold, -1 for never;
    ``member_failure_hours`` the hour in which each member's fails, the target where it holds.
    """

    failure_hours: NDArray[np.intp]
    member_failure_hours: NDArray[np.intp]
    member_holds: NDArray[np.bool_]
    member_has_event: NDArray[np.bool_]

    def failure_hour(self, index: int) -> int | None:
        return None if self.failure_hours[index] < 0 else int(self.failure_hours[index])

    def hold_probability(self, index: int) -> float:
        return float(self.member_holds[index][self.member_has_event[index]].mean())

    def failure_hour_range(self, index: int) -> tuple[int, int]:
        member_hours = np.sort(self.member_failure_hours[index][self.member_has_event[index]])
        tenth = len(member_hours) // 10
        return int(member_hours[tenth]), int(member_hours[-1 - tenth])

    def held_time_frac(self, index: int, candidate_set: CandidateSet) -> float:
        held_hours = (
            self.member_failure_hours[index][self.member_has_event[index]]
            - candidate_set.onset_hour
        )
        return float(held_hours.mean() / (candidate_set.target_hour - candidate_set.onset_hour))


def _evaluate_hold(film: FilmHours, candidate_sets: Sequence[CandidateSet]) -> _HoldResults:
    """Return the hour in which too few of the members with the event still hold.

    A film fails where more of it is frozen than the surface tolerates, from the onset on. An hour
    that is not known is not held.
    """
    max_frozen = np.array([candidate_set.max_frozen_frac for candidate_set in candidate_sets])[
        None, :, None
    ]
    onset = np.array([search.onset_hour for search in candidate_sets])[None, :, None]
    target = np.array([search.target_hour for search in candidate_sets])[None, :, None]
    hour = np.arange(film.water_mm.shape[0])[:, None, None]
    with np.errstate(invalid="ignore"):
        exceeded = ~(frozen_frac(film) <= max_frozen + 1e-9)
    exceeded &= (hour >= onset) & (hour < target)
    failed = np.logical_or.accumulate(exceeded, axis=0)
    member_has_event = np.array(
        [search.member_has_event for search in candidate_sets], dtype=np.bool_
    )
    max_failed_frac = 1.0 - np.array([search.hold_confidence for search in candidate_sets])
    too_many_failed = (failed & member_has_event).sum(
        axis=2
    ) > max_failed_frac * member_has_event.sum(axis=1) + 1e-9
    failure_hours = np.where(too_many_failed.any(axis=0), too_many_failed.argmax(axis=0), -1)
    member_failure_hours = np.where(failed[-1], failed.argmax(axis=0), target[0])
    return _HoldResults(failure_hours, member_failure_hours, ~failed[-1], member_has_event)


@dataclass(frozen=True)
class CoupledResult:
    """The result of one candidate in the coupled model, with its film hour by hour.

    Arrays ``(hour, member)``: freeze point of the film [°C], frozen part of what lies there [-].
    """

    result: CandidateResult
    freeze_point_c: NDArray[np.float64]
    frozen_frac: NDArray[np.float64]


def run_coupled(
    forecast: Forecast,
    columns: Columns,
    restart: RestartState,
    min_hours: int,
    selected: Sequence[tuple[CandidateSet, CandidateResult]],
    products: Mapping[str, Product],
) -> list[CoupledResult]:
    """Run selected candidates with pavement and film coupled.

    Parameters
    ----------
    forecast : Forecast
        All hours, those before the moment of planning included.
    columns : Columns
        The places that searches refer to.
    restart : RestartState
        Where the hours before those that searches count left these places.
    min_hours : int
        How many of those that searches count are run at least, their targets anyway [h].
    selected : sequence of (CandidateSet, CandidateResult)
        What was picked for each.
    products : mapping of str to Product
        What blends are made of.

    Returns
    -------
    list of CoupledResult
        In the same order; equal pairs are run once.
    """
    if not selected:
        return []
    distinct = list(dict.fromkeys(selected))
    places = Columns.from_records(
        [columns.records[candidate_set.column] for candidate_set, _ in distinct]
    )
    mixtures = _mixtures([search for search, _ in distinct], products)
    applied = applications(
        [(o.candidate, index) for index, (_, o) in enumerate(distinct)], mixtures
    )
    passes = plow_passes([(search, index) for index, (search, _) in enumerate(distinct)])
    last_hour = restart.next_hour + max(min_hours, *(search.target_hour for search, _ in distinct))
    film = surface_simulation.simulate(
        forecast, places, applied, passes, restart_from=restart, end_hour=last_hour
    ).film
    hold_results = _evaluate_hold(film, [search for search, _ in distinct])
    freeze_point_c, frozen = film.freeze_point_c, frozen_frac(film)
    results = {
        pair: CoupledResult(
            replace(
                pair[1],
                failure_hour=hold_results.failure_hour(index),
                hold_probability=hold_results.hold_probability(index),
                member_holds=hold_results.member_holds[index].tobytes(),
                failure_hour_range=hold_results.failure_hour_range(index),
                held_time_frac=hold_results.held_time_frac(index, pair[0]),
            ),
            freeze_point_c[:, index],
            frozen[:, index],
        )
        for index, pair in enumerate(distinct)
    }
    return [results[pair] for pair in selected]
