"""Refreeze of what is treated: where melted snow thins what went down, and that freezes back.

A surface is looked at as each of its planned visits leaves it if nothing follows: those films are
run with pavement and film coupled, beside the untreated one. A refreeze is told by the worst of
them, so that no visit that is done as planned brings one that was not told before; and beside it
stands the chance that is left when all of them are done.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import reduce

import numpy as np

from stormplan.arrays import Array
from stormplan.events.detection import Event, Refreeze
from stormplan.events.hazards import Hazard, HazardThresholds, SurfaceObservations, SurfaceSeries
from stormplan.liquids import brine
from stormplan.liquids.brine import EUTECTIC_C, MOLAR_MASS_G_MOL
from stormplan.physics.film_condition import FilmHours
from stormplan.treatment import screening
from stormplan.treatment.candidates import FilmModel
from stormplan.treatment.coupled_stages import (
    CoupledModel,
    Stage,
    StageRuns,
    run_stages,
    stages_of,
    untreated_stage,
)
from stormplan.treatment.course import one_instruction_an_hour
from stormplan.treatment.decide import DecidedCourse
from stormplan.treatment.planned_visits import PlannedTreatment, PlannedVisit
from stormplan.treatment.records import Action
from stormplan.treatment.surface_case import SurfaceCase

#: A colder surface than this is asked of no brine: where plain salt ends; and a warmer one, either.
COLDEST_C, WARMEST_C = EUTECTIC_C[0], -0.1
LOOK_TEXT = "what is down is thinned and can refreeze: check, and salt slick spots"


def with_refreezes(
    decided: Sequence[DecidedCourse],
    model: FilmModel,
    coupled: CoupledModel,
    untreated: SurfaceSeries,
) -> list[DecidedCourse]:
    """Return courses whose refreezes are told by the worst of untreated, on the way, and done.

    Parameters
    ----------
    decided : sequence of DecidedCourse
        Courses as decided on what comes of no treatment.
    model : FilmModel
        For the hours ahead, and what is in the blends.
    coupled : CoupledModel
        For the runs.
    untreated : SurfaceSeries
        Of all columns if nothing more goes down.

    Returns
    -------
    list of DecidedCourse
        In the same order. Nothing more is put down for what the planned liquid itself leaves: it
        is looked at where it is likely enough.
    """
    stages = [stages_of(one.case, one.course) for one in decided]
    not_run = [some for one, some in zip(decided, stages, strict=True) if some and one.runs is None]
    runs = {id(one.runs): one.runs for one in decided if one.runs is not None}
    told_by = {
        at: (untreated_stage(decided[at].case), *some) for at, some in enumerate(stages) if some
    }
    bare = tuple(dict.fromkeys(some[0] for some in told_by.values()))
    all_runs = [*runs.values(), *run_stages(not_run, model.mixtures, coupled)]
    wanted: dict[HazardThresholds, set[Stage]] = {}
    for at, told in told_by.items():
        wanted.setdefault(_thresholds(decided[at]), set()).update(told)
    found: dict[tuple[HazardThresholds, Stage], Refreeze] = {}
    for run, series in _series_of_each(bare, all_runs, untreated):
        for thresholds, among in wanted.items():
            each = _refreezes(run, among, series, thresholds, model, coupled)
            found |= {(thresholds, stage): refreeze for stage, refreeze in each.items()}
    return [
        _told(
            one,
            untreated.surface_c[:, one.case.column],
            [found[_thresholds(one), stage] for stage in told_by[at]],
            model,
            coupled,
        )
        if at in told_by
        else one
        for at, one in enumerate(decided)
    ]


def _thresholds(decided: DecidedCourse) -> HazardThresholds:
    return HazardThresholds.from_practice(decided.case.practice)


def _refreezes(
    stages: Sequence[Stage],
    wanted: Collection[Stage],
    series: SurfaceSeries,
    thresholds: HazardThresholds,
    model: FilmModel,
    coupled: CoupledModel,
) -> dict[Stage, Refreeze]:
    """Return where ice lies on those stages of a run that are wanted."""
    rows = [row for row, stage in enumerate(stages) if stage in wanted]
    if not rows:
        return {}
    own = series if len(rows) == len(stages) else series.columns(np.array(rows))
    some = [stages[row] for row in rows]
    cells = np.array([coupled.columns.records[stage.column].cell for stage in some])
    each = Refreeze.of_each(model.forecast, cells, own, thresholds)
    return dict(zip(some, each, strict=True))


def _series_of_each(
    bare: Sequence[Stage], runs: Sequence[StageRuns], untreated: SurfaceSeries
) -> Iterator[tuple[Sequence[Stage], SurfaceSeries]]:
    """Yield stages with their series: those without a dose, then those of each run."""
    if bare:
        yield bare, untreated.columns(np.array([stage.column for stage in bare]))
    for run in runs:
        columns = np.array([stage.column for stage in run.stages], dtype=np.intp)
        yield (
            run.stages,
            treated_series(run.film, run.surface_c, untreated.observed.columns(columns)),
        )


def treated_series(
    film: FilmHours, surface_c: Array, observed: SurfaceObservations
) -> SurfaceSeries:
    """Return the series of films with salt in them.

    Parameters
    ----------
    film : FilmHours
        Its flows counted.
    surface_c : array (hour, column, member)
        Surface with that film [°C].
    observed : SurfaceObservations
        Of the same columns.

    Returns
    -------
    SurfaceSeries
        What brine takes from the air freezes as frost does, if it
        freezes; and water that its salt keeps liquid down to the coldest hour does not freeze by
        itself.
    """
    frost_mm = np.maximum(film.frost_mm, _frozen_deposit_mm(film))
    film_mm = film.water_mm + film.ice_mm
    water_mm, ice_mm = film_mm + film.snow_mm, film.ice_mm - frost_mm
    held_mm = np.minimum(_held_water_mm(film, surface_c), film_mm)
    return SurfaceSeries(surface_c, frost_mm, ice_mm, water_mm, held_mm, observed)


def _held_water_mm(film: FilmHours, surface_c: Array) -> Array:
    """Return the water that the salt of each hour keeps liquid in the coldest of them [mm]."""
    with np.errstate(invalid="ignore"):
        coldest_c = np.clip(surface_c.min(axis=0), COLDEST_C, WARMEST_C)
    held_mm: Array = np.zeros_like(film.water_mm) + 0.0 * coldest_c  # unknown where that is
    molalities = brine.freezing_curve_molality(coldest_c)
    for salt_kg_m2, molar_mass, molality in zip(
        film.salts_kg_m2, MOLAR_MASS_G_MOL, molalities, strict=True
    ):
        if salt_kg_m2.any():
            held_mm += salt_kg_m2 * (1000.0 / (molar_mass * molality))
    return held_mm


def _frozen_deposit_mm(film: FilmHours) -> Array:
    """Return the ice of films that came as vapor, through brine or not [mm]."""
    gained = np.cumsum(film.deposited_mm - film.evaporated_mm, axis=0)
    lowest = np.minimum(np.minimum.accumulate(gained, axis=0), 0.0)
    return np.asarray(np.minimum(gained - lowest, film.ice_mm))


# -- courses --------------------------------------------------------------------------------------


def _told(
    decided: DecidedCourse,
    untreated_c: Array,
    found: Sequence[Refreeze],
    model: FilmModel,
    coupled: CoupledModel,
) -> DecidedCourse:
    """Return a course with its refreezes as they are told: untreated, and at each stage."""
    case, thresholds = decided.case, _thresholds(decided)
    cell = coupled.columns.records[case.column].cell
    worst = reduce(Refreeze.or_else, found)
    events = worst.events(model.forecast, cell, untreated_c, thresholds, case.outlook)
    gap = timedelta(hours=thresholds.event_gap_h)
    items, places = _with_refreezes(decided, events, worst, gap)
    taken = {visit.hour for item in items for visit in item.visits}
    done = []
    for item in items:
        hours = _refreeze_hours(case, item.event)
        if hours is None:
            done.append(item)
            continue
        left = {"probability_as_planned": found[-1].probability(hours)}
        likely = found[-1].likely(thresholds)[hours]
        first = hours.start + int(likely.argmax()) if likely.any() else None
        is_seen = not taken.isdisjoint(range((first or hours.start) - 1, hours.stop))
        item = replace(item, event=item.event.model_copy(update=left))
        done.append(_watched(case, item, first, is_seen, found[0].probability(hours)))
    films = {
        at: decided.films[place]
        for at, place in enumerate(places)
        if place is not None and place in decided.films
    }
    return replace(decided, course=one_instruction_an_hour(done), films=films)


def _refreeze_hours(case: SurfaceCase, event: Event) -> slice | None:
    """Return the hours of a refreeze, or of the ice that a storm leaves; None without any."""
    if event.hazard is Hazard.REFREEZE:
        first, last = event.start, event.end
    elif event.ice_until is not None:
        first, last = event.end, event.ice_until
    else:
        return None
    begin, end = max(case.hour_index(first), 0), min(case.hour_index(last), case.n_hours)
    return slice(begin, end) if begin < end else None


def _with_refreezes(
    decided: DecidedCourse, events: Sequence[Event], worst: Refreeze, gap: timedelta
) -> tuple[list[PlannedTreatment], list[int | None]]:
    """Return a course with its refreezes as told, in order of time, and each item's former place.

    What begins with a storm, or soon after, is ice that it leaves, until a refreeze that something
    is decided for. Refreezes that are one as told are one treatment; one that is new waits.
    """
    case = decided.case
    items: dict[int, PlannedTreatment] = dict(enumerate(decided.course))
    new: list[PlannedTreatment] = []
    for event in events:
        if event.end <= case.now:
            continue
        parts = {
            at: item
            for at, item in items.items()
            if item.event.hazard is Hazard.REFREEZE and _overlap(item.event, event)
        }
        storm = next(
            (at for at, item in items.items() if _is_aftermath(event, item.event, gap)), None
        )
        if storm is not None:
            starts = [item.event.start for item in parts.values()]
            items[storm] = _leaving_ice(case, items[storm], min([event.end, *starts]), worst)
        if parts or storm is None:
            items = {at: item for at, item in items.items() if at not in parts}
            new.append(_joined(case, list(parts.values()), event, worst, storm is not None))
    found: list[tuple[PlannedTreatment, int | None]] = [(item, at) for at, item in items.items()]
    found += [(item, None) for item in new]
    found.sort(key=lambda pair: pair[0].event.start)
    return [item for item, _ in found], [at for _, at in found]


def _overlap(one: Event, other: Event) -> bool:
    return one.start < other.end and other.start < one.end


def _is_aftermath(refreeze: Event, event: Event, gap: timedelta) -> bool:
    """Return whether a refreeze is ice that another event leaves in most of the members."""
    follows = event.start <= refreeze.start <= event.end + gap
    is_common = 2 * sum(event.has_event) > len(event.has_event)
    return event.hazard is not Hazard.REFREEZE and follows and is_common


def _leaving_ice(
    case: SurfaceCase, item: PlannedTreatment, until: datetime, worst: Refreeze
) -> PlannedTreatment:
    """Return a treatment whose event leaves ice until then, if that is watched for."""
    if until <= item.event.end:
        return item
    event = item.event.model_copy(update={"ice_until": until})
    hours = _refreeze_hours(case, event)
    chance = 0.0 if hours is None else worst.probability(hours)
    if chance < case.practice.number("monitor_probability"):
        return replace(item, event=event.model_copy(update={"ice_until": None}))
    return replace(item, event=event.model_copy(update={"ice_probability": chance}))


def _joined(
    case: SurfaceCase,
    parts: Sequence[PlannedTreatment],
    event: Event,
    worst: Refreeze,
    is_aftermath: bool,
) -> PlannedTreatment:
    """Return the treatment of a refreeze as told, of those that were decided for its parts."""
    if not parts:
        return PlannedTreatment(event, Action.WAIT, "")
    starts = [item.event.start for item in parts]
    told = event.model_copy(
        update={
            "start": min(starts) if is_aftermath else min(event.start, *starts),
            "end": max(event.end, *(item.event.end for item in parts)),
            "from_pile": any(item.event.from_pile for item in parts),
        }
    )
    hours = _refreeze_hours(case, told)
    chances = [item.event.probability for item in parts]
    chances += [] if hours is None else [worst.probability(hours)]
    first = min(parts, key=lambda item: (item.action is Action.WAIT, not item.action.is_work))
    return replace(
        first,
        event=told.model_copy(update={"probability": max(chances)}),
        visits=tuple(sorted((v for item in parts for v in item.visits), key=lambda v: v.hour)),
        solid=next((item.solid for item in parts if item.solid is not None), None),
        reasons=tuple(dict.fromkeys(reason for item in parts for reason in item.reasons)),
    )


def _watched(
    case: SurfaceCase, item: PlannedTreatment, first: int | None, is_seen: bool, untreated: float
) -> PlannedTreatment:
    """Return a treatment with a look where it can refreeze though all that is planned is done.

    ``first`` is the hour from which on it can, None for never; ``is_seen`` says that somebody is
    there then anyway; ``untreated`` is the chance if nothing is put down [-].
    """
    done = item.event.probability_as_planned or 0.0
    judged = item.event.model_copy(update={"probability": done})
    looks: tuple[PlannedVisit, ...] = ()
    if first is not None and screening.probability_too_low(case, judged) is None:
        why = "the chance that is left with all planned work done"
        reasons = (screening.probability_enough(case, judged, why),)
        looks = (PlannedVisit(first, Action.INSPECT, LOOK_TEXT, reasons=reasons),)
    if item.action is not Action.WAIT or item.event.hazard is not Hazard.REFREEZE:
        visits = sorted((*item.visits, *(() if is_seen else looks)), key=lambda visit: visit.hour)
        return replace(item, visits=tuple(visits))
    if looks:
        text = "Inspect for refreeze: what was put down is thinned by then."
        return replace(
            item, action=Action.INSPECT, text=text, visits=looks, reasons=looks[0].reasons
        )
    judged = judged.model_copy(update={"probability": max(done, untreated)})
    reason = screening.probability_too_low(case, judged)
    text = f"Wait: {100 * item.event.probability:.0f} % chance of refreeze."
    return replace(item, text=text, reasons=() if reason is None else (reason,))
