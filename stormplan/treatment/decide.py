"""Decides the courses of action of many surfaces: their films run together, then coupled once.

Each surface's course is a generator that asks for films. All that wait are answered in one call,
until every course is done. What was chosen is then run with pavement and film coupled; a pre-treat
that fails there and held in the quick run is put a rate step or two higher, and told as the coupled
run has it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from stormplan.arrays import Array
from stormplan.company.practice_rules import Practice
from stormplan.events.detection import Outlook
from stormplan.events.ensemble_stats import median
from stormplan.events.unknown_hazards import unknown_hazard_hours
from stormplan.physics.film_condition import FilmHours, film_freeze_point_c
from stormplan.treatment import cost_loss, ensemble_demand
from stormplan.treatment.candidates import (
    DoseResult,
    FilmAnswer,
    FilmModel,
    FilmRequest,
    SurfaceState,
    frozen_frac,
)
from stormplan.treatment.coupled_stages import CoupledModel, StageRuns, run_stages, stages_of
from stormplan.treatment.course import course_of_action
from stormplan.treatment.planned_visits import Course, PlannedTreatment, PlannedVisit
from stormplan.treatment.records import Action, Alternative, FilmSeries, Treatment, Visit
from stormplan.treatment.surface_case import SurfaceCase
from stormplan.treatment.usual_use import usual_use

#: Rounds in which pre-treats that fail coupled are put higher: one rate step, then two more.
COUPLED_ROUNDS = (1, 2)
MAX_ALTERNATIVES = 6
FILM_BEFORE_EVENT_H, FILM_AFTER_EVENT_H = 6, 6  # hours of film shown around an event


@dataclass(frozen=True)
class DecidedCourse:
    """A course as decided.

    Attributes
    ----------
    case : SurfaceCase
        What it was decided for.
    course : Course
        A treatment for each event.
    films : mapping of int to FilmSeries
        Of each pre-treat, by its place in the course.
    runs : StageRuns or None
        What its visits leave, with that of other courses; None where that was not run.
    """

    case: SurfaceCase
    course: Course
    films: Mapping[int, FilmSeries]
    runs: StageRuns | None = None


def decide(
    cases: Sequence[SurfaceCase],
    model: FilmModel,
    coupled: CoupledModel,
    untreated: Callable[[int, int], SurfaceState],
    untreated_film: FilmHours,
) -> list[DecidedCourse]:
    """Decide the course of action of every case.

    Parameters
    ----------
    cases : sequence of SurfaceCase
        One for each distinct surface.
    model : FilmModel
        For the quick runs.
    coupled : CoupledModel
        For the run of what is chosen.
    untreated : callable
        What lies on a column at the start of an hour without chemical.
    untreated_film : FilmHours
        The same for all hours, to show beside what is chosen.

    Returns
    -------
    list of DecidedCourse
        In the same order.
    """
    courses = _run_courses(cases, model, untreated)
    current = list(cases)
    bare = frozen_frac(untreated_film)
    runs, judged = _coupled_runs(current, courses, model, coupled)
    for steps in COUPLED_ROUNDS:
        again = {
            at: _stepped_up(current[at], failed, steps)
            for at, results in judged.items()
            if (failed := _failed_coupled(current[at], courses[at], results))
        }
        if not again:
            break
        redone = _run_courses(list(again.values()), model, untreated)
        for (at, case), course in zip(again.items(), redone, strict=True):
            current[at], courses[at] = case, course
        for at in again:
            del runs[at], judged[at]
        more_runs, more_judged = _coupled_runs(current, courses, model, coupled, only=set(again))
        runs |= more_runs
        judged |= more_judged
    told = [
        _as_coupled(course, judged[at]) if at in judged else course
        for at, course in enumerate(courses)
    ]
    films = {at: _film(current[at], courses[at], one) for at, one in runs.items()}
    series = _film_series(current, told, films, bare)
    return [
        DecidedCourse(case, course, series.get(at, {}), runs.get(at))
        for at, (case, course) in enumerate(zip(current, told, strict=True))
    ]


def _run_courses(
    cases: Sequence[SurfaceCase], model: FilmModel, untreated: Callable[[int, int], SurfaceState]
) -> list[Course]:
    """Drive all courses side by side, answering what waits in one call."""
    untreated = cache(untreated)
    courses: dict[int, Course] = {}
    running: dict[int, Generator[FilmRequest, FilmAnswer, Course]] = {}
    waiting: dict[int, FilmRequest] = {}

    def advance(at: int, answer: FilmAnswer | None) -> None:
        try:
            waiting[at] = next(running[at]) if answer is None else running[at].send(answer)
        except StopIteration as done:
            courses[at] = done.value

    for at, case in enumerate(cases):
        running[at] = course_of_action(case, partial(untreated, case.column))
        advance(at, None)
    while waiting:
        asked, waiting = waiting, {}
        answers = model.answer(list(asked.values()))
        for at, answer in zip(asked, answers, strict=True):
            advance(at, answer)
    return [courses[at] for at in range(len(cases))]


# -- coupled --------------------------------------------------------------------------------------


def _pretreats(course: Course) -> list[tuple[int, PlannedTreatment]]:
    return [(at, item) for at, item in enumerate(course) if item.pretreat is not None]


def _coupled_runs(
    cases: Sequence[SurfaceCase],
    courses: Sequence[Course],
    model: FilmModel,
    coupled: CoupledModel,
    only: set[int] | None = None,
) -> tuple[dict[int, StageRuns], dict[int, list[DoseResult]]]:
    """Run the courses that pre-treat with pavement and film coupled.

    Returns the run that each case is in, and how its pre-treats are judged by it.
    """
    stages = {
        at: stages_of(cases[at], course) for at, course in enumerate(courses)
        if _pretreats(course) and (only is None or at in only)
    }  # fmt: skip
    found = run_stages(list(stages.values()), model.mixtures, coupled)
    run_of = {stage: runs for runs in found for stage in runs.stages}
    in_runs = {at: run_of[some[-1]] for at, some in stages.items()}
    judged: dict[int, list[DoseResult]] = {}
    for runs in found:
        asked = [
            (runs.rows[stages[at][-1]], at, item.pretreat)
            for at in stages
            if in_runs[at] is runs
            for _, item in _pretreats(courses[at])
            if item.pretreat is not None
        ]
        end_hour = max(pretreat.request.service.end_hour for _, _, pretreat in asked)
        results = model.judge(
            [replace(pretreat.request, column=cases[at].column) for _, at, pretreat in asked],
            [pretreat.result.doses for _, _, pretreat in asked],
            runs.film.hours(slice(end_hour)).columns(np.array([row for row, _, _ in asked])),
        )
        for (_, at, _), result in zip(asked, results, strict=True):
            judged.setdefault(at, []).append(result)
    return in_runs, judged


def _film(case: SurfaceCase, course: Course, runs: StageRuns) -> FilmHours:
    """Return the film with all that a course puts down."""
    return runs.film.column(runs.rows[stages_of(case, course)[-1]])


def _failed_coupled(case: SurfaceCase, course: Course, judged: Sequence[DoseResult]) -> list[int]:
    """Return the events whose pre-treat holds in the quick run and not coupled."""
    failed = []
    for (at, item), result in zip(_pretreats(course), judged, strict=True):
        assert item.pretreat is not None
        held = item.pretreat.result.failure_hour is None
        if held and result.failure_hour is not None:
            failed.append(case.outlook.events.index(course[at].event))
    return failed


def _stepped_up(case: SurfaceCase, failed: Sequence[int], steps: int) -> SurfaceCase:
    already = dict(case.rate_steps_up)
    more = {index: already.get(index, 0) + steps for index in failed}
    return replace(case, rate_steps_up=tuple(sorted({**already, **more}.items())))


def _as_coupled(course: Course, judged: Sequence[DoseResult]) -> Course:
    """Tell each pre-treat's hold as the coupled run has it."""
    told = list(course)
    for (at, item), result in zip(_pretreats(course), judged, strict=True):
        assert item.pretreat is not None
        visits = tuple(
            replace(visit, failure_hour=result.failure_hour)
            if visit.action is Action.PRETREAT
            else visit
            for visit in item.visits
        )
        told[at] = replace(item, pretreat=replace(item.pretreat, result=result), visits=visits)
    return tuple(told)


# -- records --------------------------------------------------------------------------------------


def no_action(outlook: Outlook, practice: Practice) -> Treatment:
    """Return the treatment of a surface with no event; unknown where one may be hidden."""
    unknown = dict.fromkeys(what for what, _ in unknown_hazard_hours(outlook, practice))
    if unknown:
        text = f"No hazard is seen, but {' and '.join(unknown)} is not known for every hour here."
        return Treatment(action=Action.UNKNOWN, event=None, text=f"{text} Look at the site.")
    if outlook.min_pavement_temp_c > 0.0:
        text = "Pavement stays above freezing as far as the forecast reaches."
    else:
        text = "No hazard in the forecast: dry, or nothing that stays."
    return Treatment(action=Action.NOTHING, event=None, text=text)


def finalize(decided: DecidedCourse, area_m2: float, model: FilmModel) -> tuple[Treatment, ...]:
    """Return the records of a course on a surface of some area.

    Parameters
    ----------
    decided : DecidedCourse
        Its course, amounts per area.
    area_m2 : float
        Of the surface [m²].
    model : FilmModel
        For what is in the blends.

    Returns
    -------
    tuple of Treatment
        One for each event, or the one that says that nothing is ahead.
    """
    if not decided.course:
        return (no_action(decided.case.outlook, decided.case.practice),)
    return tuple(_treatment(decided, item, area_m2, model) for item in decided.course)


def _treatment(
    decided: DecidedCourse, item: PlannedTreatment, area_m2: float, model: FilmModel
) -> Treatment:
    case = decided.case
    visits = tuple(_visit(case, visit, area_m2, model) for visit in item.visits)
    fields: dict[str, object] = {}
    if item.pretreat is not None:
        fields = _pretreat_fields(decided, item, area_m2)
        usual = usual_use(case, item.event, area_m2)
        if usual is not None and usual.additive != fields["additive"]:
            volumes = fields["member_volumes_l"]
            fields["usual_use"] = usual.model_copy(update={"member_volumes_l": volumes})
    elif item.action is Action.WAIT:
        fields["cost_loss"] = _cost_loss_of_waiting(case, area_m2)
        fields["usual_use"] = usual_use(case, item.event, area_m2)
    prices = [
        visit.cost for visit in visits if visit.action.is_liquid or visit.action is Action.SALT
    ]
    cost = None if not prices or None in prices else sum(price or 0.0 for price in prices)
    return Treatment.model_validate(
        {
            "action": item.action,
            "event": item.event,
            "text": item.text,
            "visits": visits,
            "solid": item.solid,
            "recheck_at": case.recheck_at(item.event),
            "cost": cost,
            "chloride_kg": sum(visit.chloride_kg for visit in visits),
            "reasons": item.reasons,
            "cautions": item.cautions,
            **fields,
        }
    )


def _visit(case: SurfaceCase, visit: PlannedVisit, area_m2: float, model: FilmModel) -> Visit:
    dose = visit.dose
    lost = None if visit.failure_hour is None else case.hour_start(visit.failure_hour)
    common = {
        "action": visit.action,
        "at": case.hour_start(visit.hour),
        "text": visit.text,
        "plow": visit.plow,
        "holds_until": lost,
        "reasons": visit.reasons,
    }
    if dose is None:
        sand = {"solid_rate_kg_m2": visit.sand_kg_m2, "solid_kg": visit.sand_kg_m2 * area_m2}
        return Visit.model_validate(common | sand)
    liquid_l = dose.rate_l_m2 * area_m2
    is_liquid = visit.action.is_liquid
    product = None if dose.additive is None else case.stock.products[dose.additive].name
    return Visit.model_validate(
        common
        | {
            "additive": dose.additive,
            "additive_name": product,
            "additive_frac": dose.additive_frac,
            "rate_l_m2": dose.rate_l_m2 if is_liquid else 0.0,
            "volume_l": liquid_l if is_liquid else 0.0,
            "prewet_l": 0.0 if is_liquid else liquid_l,
            "solid_rate_kg_m2": dose.solid_kg_m2,
            "solid_kg": dose.solid_kg_m2 * area_m2,
            "chloride_kg": model.mixtures.salts_and_water(dose)[2] * area_m2,
            "cost": case.stock.cost(dose.additive, dose.additive_frac, liquid_l,
                                    dose.solid_kg_m2 * area_m2),
        }
    )  # fmt: skip


def _pretreat_fields(
    decided: DecidedCourse, item: PlannedTreatment, area_m2: float
) -> dict[str, object]:
    case, pretreat = decided.case, item.pretreat
    assert pretreat is not None
    result, dose = pretreat.result, pretreat.result.doses[0]
    volume_l = dose.rate_l_m2 * area_m2
    price = case.stock.cost(dose.additive, dose.additive_frac, volume_l, 0.0)
    product = None if dose.additive is None else case.stock.products[dose.additive].name
    lost = None if result.failure_hour is None else case.hour_start(result.failure_hour)
    early, late = result.failure_hour_range
    return {
        "additive": dose.additive,
        "additive_name": product,
        "additive_frac": dose.additive_frac,
        "rate_l_m2": dose.rate_l_m2,
        "volume_l": volume_l,
        "member_volumes_l": ensemble_demand.member_volumes_l(
            pretreat.results, dose, item.event.has_event, area_m2
        ),
        "earliest_start": case.hour_start(pretreat.window.hours[0]),
        "best_start": case.hour_start(dose.hour),
        "latest_start": case.hour_start(pretreat.window.hours[-1]),
        "hold_target": case.hour_start(pretreat.target_hour),
        "holds_until": lost,
        "hold_range": (case.hour_start(early), case.hour_start(late)),
        "hold_probability": result.hold_probability,
        "plow_by_mm": pretreat.plow_by_mm,
        "alternatives": _alternatives(case, pretreat.results, result, area_m2),
        "film": decided.films.get(decided.course.index(item)),
        "cost_loss": cost_loss.from_practice(case.practice, price, result.held_time_frac),
    }


def _cost_loss_of_waiting(case: SurfaceCase, area_m2: float) -> cost_loss.CostLoss | None:
    """Return what a usual rate of plain brine would cost and avert, if it held."""
    volume_l = case.practice.number("pretreat_rate_usual") * area_m2
    return cost_loss.from_practice(case.practice, case.stock.cost(None, 0.0, volume_l, 0.0), 1.0)


def _alternatives(
    case: SurfaceCase, results: Sequence[DoseResult], chosen: DoseResult, area_m2: float
) -> tuple[Alternative, ...]:
    """Return the ends of what was weighed, for the chosen start and for the chosen rate."""
    dose = chosen.doses[0]
    same_start = [result for result in results if result.doses[0].hour == dose.hour]
    rates = sorted({result.doses[0].rate_l_m2 for result in same_start})
    picked = [result for result in same_start if result.doses[0].rate_l_m2 in (rates[0], rates[-1])]
    picked += [
        result
        for result in results
        if result.doses[0].rate_l_m2 == dose.rate_l_m2 and result.doses[0].additive == dose.additive
    ]
    found = []
    for result in dict.fromkeys(result for result in picked if result.doses != chosen.doses):
        other = result.doses[0]
        volume_l = other.rate_l_m2 * area_m2
        lost = None if result.failure_hour is None else case.hour_start(result.failure_hour)
        found.append(
            Alternative(
                start=case.hour_start(other.hour),
                additive=other.additive,
                additive_frac=other.additive_frac,
                rate_l_m2=other.rate_l_m2,
                holds_until=lost,
                chloride_kg=result.chloride_kg_m2 * area_m2,
                cost=case.stock.cost(other.additive, other.additive_frac, volume_l, 0.0),
            )
        )
    return tuple(found[:MAX_ALTERNATIVES])


def _film_series(
    cases: Sequence[SurfaceCase],
    courses: Sequence[Course],
    films: Mapping[int, FilmHours],
    untreated_frozen_frac: Array,
) -> dict[int, dict[int, FilmSeries]]:
    """Return the hours around each pre-treat's event of the coupled films, by case and event.

    The median over members; all freeze points are computed in one call.
    """
    places = [
        (at, number, _shown_hours(cases[at], item))
        for at in films
        for number, item in _pretreats(courses[at])
    ]
    if not places:
        return {}
    shown = [films[at].hours(hours) for at, _, hours in places]
    points_c = film_freeze_point_c(
        np.concatenate([film.water_mm[:, 0] for film in shown]),
        np.concatenate([film.ice_mm[:, 0] for film in shown]),
        np.concatenate([film.salts_kg_m2[:, :, 0] for film in shown], axis=1),
    )
    ends = np.cumsum([len(film.water_mm) for film in shown])
    found: dict[int, dict[int, FilmSeries]] = {}
    for (at, number, hours), film, end in zip(places, shown, ends.tolist(), strict=True):
        case = cases[at]
        bare = untreated_frozen_frac[hours, case.column]
        found.setdefault(at, {})[number] = FilmSeries(
            start=case.hour_start(hours.start),
            freeze_point_c=_rounded(points_c[end - len(film.water_mm) : end], 1),
            frozen_frac=_rounded(frozen_frac(film)[:, 0], 2),
            untreated_frozen_frac=_rounded(bare, 2),
        )
    return found


def _shown_hours(case: SurfaceCase, item: PlannedTreatment) -> slice:
    assert item.pretreat is not None  # only asked for those
    onset, end = case.hour_index(item.event.start), case.hour_index(item.event.end)
    first = max(min(item.pretreat.result.doses[0].hour, onset - FILM_BEFORE_EVENT_H), 0)
    return slice(first, end + FILM_AFTER_EVENT_H)


def _rounded(values: Array, digits: int) -> tuple[float | None, ...]:
    """Return the median over members, (hour, member), rounded; None where not known."""
    return tuple(None if math.isnan(v) else round(v, digits) for v in median(values).tolist())
