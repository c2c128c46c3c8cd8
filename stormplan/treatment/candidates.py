"""What the film model makes of doses: many candidates of many surfaces run in one call.

A ``FilmRequest`` is one surface's question: what lies there, the doses that may go down and when,
the passes that come anyway, and how service is judged. All requests that wait are run together
against the surroundings that the untreated simulation has worked out. Service is lost on a vehicle
surface where snow bonds to the pavement or too much of the film is frozen, on a pedestrian one
where any of it is frozen or feet pack the snow.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.company.catalog import Product
from stormplan.company.sites import BRINE_KEY
from stormplan.liquids import blend
from stormplan.liquids.blend import Liquid
from stormplan.liquids.brine import CHLORIDE_MASS_FRAC
from stormplan.liquids.hydrometer import REFERENCE_C
from stormplan.physics import film_response
from stormplan.physics.bond import BondParameters, is_film_bonded, required_liquid_frac
from stormplan.physics.film import Applications, PlowPasses
from stormplan.physics.film_condition import STORES, FilmHours
from stormplan.physics.film_response import FilmSpans, FilmStart, FilmWeather
from stormplan.physics.pavement import Columns
from stormplan.physics.surface_simulation import SurfaceBoundary
from stormplan.weather.forecast import Forecast

#: Less water, ice and snow than this on a surface is not slippery [mm]: half a thin film.
MIN_FILM_MM = 0.02
#: Snow from which on its bond is asked for, and no longer the film's ice [mm of water].
MIN_SNOW_MM = 0.1
#: Films run in one call: their arrays stay near the processor, and none runs long past its end.
MAX_FILMS_PER_CALL = 8000


@dataclass(frozen=True)
class Dose:
    """What goes down in one hour: a liquid, or prewetted salt, or nothing.

    ``hour`` counts hours of the forecast [h]; ``additive`` is a product's key or None for straight
    brine, ``additive_frac`` its part by volume [-], ``rate_l_m2`` the liquid [L/m²] and
    ``solid_kg_m2`` the salt, its prewetting brine in ``rate_l_m2`` [kg/m²].
    """

    hour: int
    additive: str | None = None
    additive_frac: float = 0.0
    rate_l_m2: float = 0.0
    solid_kg_m2: float = 0.0


@dataclass(frozen=True)
class Service:
    """How the level of service of a surface is judged, from ``onset_hour`` to before ``end_hour``.

    Attributes
    ----------
    max_frozen_frac : float
        Frozen part of a film that still serves: 0 where people walk [-].
    judges_bond : bool
        Whether loose snow serves as long as it is not bonded.
    mixing_frac : tuple of float (hour,)
        Part of the lying snow that traffic works into the brine, by hour of the forecast [-].
    bond : BondParameters
        Parameters of the bond criterion.
    is_bonded : bool
        Whether what lies there is bonded at the beginning.
    member_has_event : tuple of bool (member,)
        In no other members is a film asked to hold.
    confidence : float
        Part of those members in which it must hold [-].
    """

    onset_hour: int
    end_hour: int
    max_frozen_frac: float
    judges_bond: bool
    mixing_frac: tuple[float, ...]
    bond: BondParameters
    is_bonded: bool
    member_has_event: tuple[bool, ...]
    confidence: float


@dataclass(frozen=True)
class SurfaceState:
    """What lies on one surface at the start of an hour: arrays ``(member,)`` in ``film``."""

    hour: int
    film: FilmStart


@dataclass(frozen=True)
class FilmRequest:
    """One surface's doses to be tried from a state on.

    Attributes
    ----------
    column : int
        Place on the column axis.
    state : SurfaceState
        What lies there, and from which hour on.
    doses : tuple of tuple of Dose
        Each candidate's doses, in hours from ``state.hour`` on.
    passes : tuple of (int, float)
        Hour of each plow or shovel pass, and the snow it leaves [h], [mm].
    end_hour : int
        First hour that is not run.
    service : Service
        How it is judged.
    """

    column: int
    state: SurfaceState
    doses: tuple[tuple[Dose, ...], ...]
    passes: tuple[tuple[int, float], ...]
    end_hour: int
    service: Service


@dataclass(frozen=True)
class DoseResult:
    """How one candidate does.

    ``failure_hour`` is the first hour of the forecast in which service is lost in too many
    members, None if not before the end; ``hold_probability`` is the part of the members with the
    event in which it is kept [-], ``member_holds`` has a byte for each member. In four of five of
    those members it is lost at the earliest at the first and at the latest at the second of
    ``failure_hour_range``; the end, where it is kept. ``held_time_frac`` is the part of the time
    for which it is kept in them, on average [-], and ``chloride_kg_m2`` what goes down.
    """

    doses: tuple[Dose, ...]
    failure_hour: int | None
    hold_probability: float
    member_holds: bytes
    failure_hour_range: tuple[int, int]
    held_time_frac: float
    chloride_kg_m2: float


@dataclass(frozen=True)
class FilmAnswer:
    """The results of a request, and the film of each candidate, (hour, candidate, member)."""

    first_hour: int
    results: tuple[DoseResult, ...]
    film: FilmHours
    candidates: slice

    def lying_mm(self, candidate: int, strong_frac: float) -> Array:
        """Return what lies there, the median over members, (hour,) [mm].

        Water that is brine of at least ``strong_frac`` salt by weight [-] does not count: it does
        not dilute what is put on it.
        """
        film, column = self.film, self.candidates.start + candidate
        salt = film.salts_kg_m2[:, :, column].sum(axis=0)
        weak_mm = np.maximum(film.water_mm[:, column] - salt * (1.0 / strong_frac - 1.0), 0.0)
        total = weak_mm + film.ice_mm[:, column] + film.snow_mm[:, column]
        return np.asarray(np.median(total, axis=1))

    def state(self, candidate: int, hour: int) -> SurfaceState:
        """Return what a candidate leaves at the start of an hour that was run."""
        at = np.array([hour - 1 - self.first_hour])
        column = np.array([self.candidates.start + candidate])
        return SurfaceState(hour, FilmStart.from_films(self.film, at, column))


@dataclass(frozen=True)
class Mixture:
    """A blend as it goes down: mass fractions [-], density [kg/L], chloride in it [kg/L]."""

    salts_frac: Array
    inert_frac: float
    density_kg_l: float
    chloride_kg_l: float

    @classmethod
    def from_liquid(cls, liquid: Liquid) -> Mixture:
        """Return what a film needs to know of a liquid at 60 °F."""
        density = liquid.density_kg_m3(REFERENCE_C) / 1000.0
        chloride = float(CHLORIDE_MASS_FRAC @ liquid.salts_frac) * density
        return cls(liquid.salts_frac, liquid.inert_frac, density, chloride)


#: Each chloride, the water and the chloride ion of a dose [kg/m²].
Amounts = tuple[Array, float, float]
PURE_NACL = np.array([1.0, 0.0, 0.0, 0.0])


class Mixtures:
    """Every blend that is asked for, mixed once, and every amount of it weighed once."""

    def __init__(self, products: Mapping[str, Product]) -> None:
        self._products = products
        self._mixed: dict[tuple[str | None, float], Mixture] = {}
        self._amounts: dict[tuple[str | None, float, float, float], Amounts] = {}

    def __getitem__(self, key: tuple[str | None, float]) -> Mixture:
        if key not in self._mixed:
            additive, additive_frac = key
            parts = [(1.0 - additive_frac, blend.liquid_from_product(self._products[BRINE_KEY]))]
            if additive is not None:
                parts.append((additive_frac, blend.liquid_from_product(self._products[additive])))
            self._mixed[key] = Mixture.from_liquid(blend.mix_liquids(parts)[0])
        return self._mixed[key]

    def salts_and_water(self, dose: Dose) -> Amounts:
        """Return each chloride, the water and the chloride ion of a dose [kg/m²]."""
        key = dose.additive, dose.additive_frac, dose.rate_l_m2, dose.solid_kg_m2
        if key not in self._amounts:
            mixture = self[dose.additive, dose.additive_frac]
            mass = dose.rate_l_m2 * mixture.density_kg_l
            water = mass * (1.0 - mixture.salts_frac.sum() - mixture.inert_frac)
            salts = mass * mixture.salts_frac + dose.solid_kg_m2 * PURE_NACL
            self._amounts[key] = salts, float(water), float(salts @ CHLORIDE_MASS_FRAC)
        return self._amounts[key]

    def applications(self, rows: Sequence[tuple[int, int, Dose]]) -> Applications | None:
        """Return doses as they go down, each with its hour and column; None for none."""
        if not rows:
            return None
        hours, columns, doses = zip(*rows, strict=True)
        salts, water, _ = zip(*map(self.salts_and_water, doses), strict=True)
        return Applications(
            np.array(hours, dtype=np.intp),
            np.array(columns, dtype=np.intp),
            np.array(salts).T,
            np.array(water),
        )


@dataclass(frozen=True)
class FilmModel:
    """The surroundings that films run against, and the blends that may go down."""

    forecast: Forecast
    columns: Columns
    boundary: SurfaceBoundary
    pavement_c: Array
    mixtures: Mixtures

    @cached_property
    def _weather(self) -> FilmWeather:
        return FilmWeather.from_forecast(self.forecast)

    def _required_liquid_frac(self, bond: BondParameters) -> Array:
        """Return what keeps snow from packing on each pavement, (hour, column, member) [-]."""
        base = bond.base_liquid_frac
        if base not in self._required:
            self._required[base] = required_liquid_frac(self.pavement_c, base)
        return self._required[base]

    @cached_property
    def _required(self) -> dict[float, Array]:
        """The liquid share required, by that at −2 °C."""
        return {}

    def answer(self, requests: Sequence[FilmRequest]) -> list[FilmAnswer]:
        """Run every candidate of every request; answers in the same order."""
        order = sorted(
            range(len(requests)), key=lambda at: requests[at].end_hour - requests[at].state.hour
        )
        answers: dict[int, FilmAnswer] = {}
        for chunk in _chunks(order, requests, MAX_FILMS_PER_CALL // self.forecast.n_members):
            answers |= zip(chunk, self._run([requests[at] for at in chunk]), strict=True)
        return [answers[at] for at in range(len(requests))]

    def judge(
        self, requests: Sequence[FilmRequest], doses: Sequence[tuple[Dose, ...]], film: FilmHours
    ) -> list[DoseResult]:
        """Judge films that were run coupled, from the first hour on, as requests ask.

        Parameters
        ----------
        requests : sequence of FilmRequest
            How each is judged, and on which column.
        doses : sequence of tuple of Dose
            What went down.
        film : FilmHours
            A column for each, (hour, request, member).

        Returns
        -------
        list of DoseResult
            As for the quick run.
        """
        whole = [replace(one, state=SurfaceState(0, one.state.film)) for one in requests]
        lost = self._service_lost(whole, np.arange(len(whole) + 1), film)
        return self._results(whole, np.arange(len(whole)), doses, lost)

    def _run(self, requests: Sequence[FilmRequest]) -> list[FilmAnswer]:
        counts = np.array([len(request.doses) for request in requests])
        starts = np.concatenate([[0], np.cumsum(counts)])
        spans, owner = _spans(requests, starts)
        film = film_response.simulate_films(
            self.forecast,
            self.columns,
            self.boundary,
            np.array([r.column for r in requests], dtype=np.intp)[owner],
            self.mixtures.applications(
                [
                    (dose.hour - request.state.hour, start + at, dose)
                    for request, start in zip(requests, starts[:-1].tolist(), strict=True)
                    for at, doses in enumerate(request.doses)
                    for dose in doses
                ]
            ),
            _plow_passes(requests, owner),
            first=np.array([r.state.hour for r in requests], dtype=np.intp)[owner],
            hours=int(spans.end.max()),
            start=_starts([request.state.film for request in requests], owner),
            spans=spans,
            variables=STORES,
            weather=self._weather,
        )
        lost = self._service_lost(requests, starts, film)
        doses = [one for request in requests for one in request.doses]
        results = self._results(requests, owner[: starts[-1]], doses, lost)
        return [
            FilmAnswer(request.state.hour, tuple(results[start:end]), film, slice(start, end))
            for request, (start, end) in zip(requests, pairwise(starts.tolist()), strict=True)
        ]

    def _service_lost(
        self, requests: Sequence[FilmRequest], starts: IntArray, film: FilmHours
    ) -> BoolArray:
        """Return where service is lost, (hour, candidate, member), hours as they were run."""
        count = int(starts[-1])
        frozen = frozen_frac(film)[:, :count]
        snowy = film.snow_mm[:, :count] > MIN_SNOW_MM
        has_snow = np.logical_or.reduceat(snowy.any(axis=(0, 2)), starts[:-1])
        limit = np.array([request.service.max_frozen_frac for request in requests])
        lost = ~(frozen <= np.repeat(limit, np.diff(starts))[:, None] + 1e-9)
        for request, start, end, with_snow in zip(
            requests, starts[:-1].tolist(), starts[1:].tolist(), has_snow.tolist(), strict=True
        ):
            service, first = request.service, request.state.hour
            onset, stop = (
                max(service.onset_hour - first, 0),
                min(service.end_hour - first, len(lost)),
            )
            here = np.s_[onset:stop, start:end]
            lost[:onset, start:end] = lost[stop:, start:end] = False
            if with_snow and service.judges_bond:
                hours = np.s_[first : first + stop]
                bonded = is_film_bonded(
                    film,
                    slice(start, end),
                    self.pavement_c[hours, request.column],
                    self._required_liquid_frac(service.bond)[hours, request.column],
                    np.array(service.mixing_frac[hours]),
                    service.bond,
                    service.is_bonded,
                )
                lost[here] = np.where(snowy[here], bonded[here[0]], lost[here])
        return lost

    def _results(
        self,
        requests: Sequence[FilmRequest],
        owner: IntArray,
        doses: Sequence[tuple[Dose, ...]],
        lost: BoolArray,
    ) -> list[DoseResult]:
        """Judge candidates, (hour, candidate, member), each by the request that is its ``owner``.

        An hour that is not known is not served.
        """
        services = [request.service for request in requests]
        has_event = np.array([service.member_has_event for service in services])[owner]
        confidence = np.array([service.confidence for service in services])[owner]
        first = np.array([request.state.hour for request in requests])[owner]
        onset = np.maximum(np.array([service.onset_hour for service in services])[owner], first)
        end = np.array([service.end_hour for service in services])[owner]
        members = has_event.sum(axis=1)
        ever = np.logical_or.accumulate(lost, axis=0)
        failed = (ever & has_event).sum(axis=2) > (1.0 - confidence) * members + 1e-9
        failure_hour = first + failed.argmax(axis=0)
        holds = ~ever[-1]
        lost_hour = np.where(holds, end[:, None], ever.argmax(axis=0) + first[:, None])
        ordered = np.sort(np.where(has_event, lost_hour, lost.shape[0] + end.max()), axis=1)
        rows, tenth = np.arange(len(owner)), members // 10
        mean_hour = np.where(has_event, lost_hour, 0).sum(axis=1) / members
        return [
            DoseResult(put_down, hour if fails else None, probability, held, (early, late), frac,
                       sum(self.mixtures.salts_and_water(dose)[2] for dose in put_down))
            for put_down, fails, hour, probability, held, early, late, frac in zip(
                doses,
                failed.any(axis=0).tolist(),
                failure_hour.tolist(),
                ((holds & has_event).sum(axis=1) / members).tolist(),
                [row.tobytes() for row in holds],
                ordered[rows, tenth].tolist(),
                ordered[rows, members - 1 - tenth].tolist(),
                ((mean_hour - onset) / np.maximum(end - onset, 1)).tolist(),
                strict=True,
            )
        ]  # fmt: skip


def frozen_frac(film: FilmHours) -> Array:
    """Return the frozen part of what lies there, loose snow counted [-]; 0 for next to nothing."""
    frozen = film.ice_mm + film.snow_mm
    total = frozen + film.water_mm
    return np.where(total > MIN_FILM_MM, frozen / np.maximum(total, MIN_FILM_MM), 0.0 * total)


def _chunks(
    order: Sequence[int], requests: Sequence[FilmRequest], most: int
) -> Iterator[list[int]]:
    """Cut requests into pieces of so many candidates; those that end early stay together."""
    piece: list[int] = []
    width = 0
    for at in order:
        if piece and width + len(requests[at].doses) > most:
            yield piece
            piece, width = [], 0
        piece.append(at)
        width += len(requests[at].doses)
    if piece:
        yield piece


def _spans(requests: Sequence[FilmRequest], starts: IntArray) -> tuple[FilmSpans, IntArray]:
    """Return when each film is its own, and whose it is, (film,).

    The candidates of a request are one film until their first dose: that film comes after all of
    the candidates.
    """
    owner = np.repeat(np.arange(len(requests)), np.diff(starts))
    hours = np.array([request.end_hour - request.state.hour for request in requests])
    begin = np.zeros(len(owner), dtype=np.intp)
    parent = np.arange(len(owner))
    untreated: list[tuple[int, int]] = []  # request, and hours up to the last of the first doses
    for at, (request, start, end) in enumerate(zip(requests, starts[:-1], starts[1:], strict=True)):
        if end - start > 1 and all(request.doses):
            first = [min(dose.hour for dose in doses) for doses in request.doses]
            begin[start:end] = np.array(first) - request.state.hour
            parent[start:end] = len(owner) + len(untreated)
            untreated.append((at, int(begin[start:end].max())))
    more, until = np.array(untreated, dtype=np.intp).reshape(-1, 2).T
    spans = FilmSpans(
        np.concatenate([begin, np.zeros_like(more)]),
        np.concatenate([hours[owner], until]),
        np.concatenate([parent, len(owner) + np.arange(len(more))]),
    )
    return spans, np.concatenate([owner, more])


def _starts(states: Sequence[FilmStart], owner: IntArray) -> FilmStart:
    """Line states of (1, member) up as one, a copy for each film of a request."""
    return FilmStart(
        **{
            item.name: np.concatenate([getattr(state, item.name) for state in states], axis=-2)[
                ..., owner, :
            ]
            for item in fields(FilmStart)
        }
    )


def _plow_passes(requests: Sequence[FilmRequest], owner: IntArray) -> PlowPasses | None:
    """Return the passes on every film, those of its request."""
    return PlowPasses.from_rows(
        [
            (hour - request.state.hour, at, residual_mm)
            for at, request in ((at, requests[number]) for at, number in enumerate(owner.tolist()))
            for hour, residual_mm in request.passes
        ]
    )
