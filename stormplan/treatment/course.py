"""The course of action of one surface: its visits from now to the first safe morning.

``course_of_action`` is a generator. Where it needs to know what a film would do it yields a
``FilmRequest`` and is sent the ``FilmAnswer``, so that practice reads from top to bottom here while
``decide`` runs the films of all surfaces together. Each visit is judged by the hours until the next
one; what a visit leaves is where the next one starts.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from stormplan.events.detection import Event
from stormplan.liquids import brine
from stormplan.liquids.brine import CHLORIDES
from stormplan.treatment import pretreatment, screening
from stormplan.treatment.after_storm import final_pass, visits_after_storm
from stormplan.treatment.before_storm import (
    EarlierPretreat,
    earlier_pretreat,
    pretreat_inspection_visits,
    pretreat_visit,
    select_pretreat,
)
from stormplan.treatment.candidates import (
    FilmAnswer,
    FilmRequest,
    SurfaceState,
)
from stormplan.treatment.in_storm import visits_in_storm
from stormplan.treatment.planned_visits import (
    Course,
    PlannedPretreat,
    PlannedTreatment,
    PlannedVisit,
)
from stormplan.treatment.pretreatment import Window
from stormplan.treatment.reasons import rule_reason
from stormplan.treatment.records import Action, Effect, Reason
from stormplan.treatment.storm import Storm, state_after
from stormplan.treatment.surface_case import SurfaceCase


def course_of_action(
    case: SurfaceCase, untreated: Callable[[int], SurfaceState]
) -> Generator[FilmRequest, FilmAnswer, Course]:
    """Decide the visits of one surface for every event ahead.

    Parameters
    ----------
    case : SurfaceCase
        The surface, its hours and its rules.
    untreated : callable
        What lies there at the start of an hour if no chemical goes down.

    Yields
    ------
    FilmRequest
        What must be known to go on; the answer is sent back.

    Returns
    -------
    tuple of PlannedTreatment
        One for each event, in order of time; what is waited for beside work is left out.
    """
    planned: list[PlannedTreatment] = []
    state = untreated(0)
    is_treated = case.is_treated
    busy_until = 0
    for index, event in enumerate(case.outlook.events):
        if event.end <= case.now:
            continue
        too_unlikely = screening.probability_too_low(case, event)
        if too_unlikely is not None:
            if case.hour_index(event.start) >= busy_until:
                planned.append(_wait(event, too_unlikely))
            continue
        if not is_treated:
            state = untreated(busy_until)
        if min(case.hour_index(event.end), case.n_hours) <= state.hour:
            planned.append(_worked_through(case, event))
            continue
        is_pretreated = case.is_pretreated and busy_until == 0
        treatment, state = yield from _treat(case, index, event, state, is_treated, is_pretreated)
        kept = screening.kept_from_before(case, event)
        if kept is not None:
            treatment = replace(treatment, reasons=(kept, *treatment.reasons))
        planned.append(treatment)
        if any(visit.action.is_work for visit in treatment.visits):
            is_treated = is_treated or any(visit.dose for visit in treatment.visits)
            busy_until = max(
                case.hour_index(event.end), *(visit.hour + 1 for visit in treatment.visits)
            )
    return one_instruction_an_hour(planned)


def one_instruction_an_hour(planned: Sequence[PlannedTreatment]) -> Course:
    """Put looks off to the next hour in which nothing is done, or looked for, already."""
    taken = {visit.hour for item in planned for visit in item.visits if visit.action.is_work}
    told = []
    for item in planned:
        visits = []
        for visit in item.visits:
            hour = visit.hour
            while not visit.action.is_work and hour in taken:
                hour += 1
            taken.add(hour)
            visits.append(visit if hour == visit.hour else replace(visit, hour=hour))
        told.append(replace(item, visits=tuple(visits)))
    return tuple(told)


def _wait(event: Event, reason: Reason) -> PlannedTreatment:
    text = f"Wait: {100 * event.probability:.0f} % chance of {event.hazard}."
    return PlannedTreatment(event, Action.WAIT, text, reasons=(reason,))


def _worked_through(case: SurfaceCase, event: Event) -> PlannedTreatment:
    """Return a look: the event is over by the last visit of the one before."""
    text = "look at what is left beside the visits already planned"
    begin = max(case.hour_index(event.start), case.hour_index(case.now), 0)
    look = PlannedVisit(begin, Action.INSPECT, text)
    return PlannedTreatment(
        event, Action.INSPECT, f"Inspect for {event.hazard} between visits.", (look,)
    )


def _treat(
    case: SurfaceCase,
    index: int,
    event: Event,
    state: SurfaceState,
    is_treated: bool,
    is_pretreated: bool,
) -> Generator[FilmRequest, FilmAnswer, tuple[PlannedTreatment, SurfaceState]]:
    """Decide the visits of one event; return them and what they leave."""
    storm = Storm.of(case, event, state.hour)
    lying_mm = [hour.surface_water_mm for hour in case.outlook.hours]
    visits: list[PlannedVisit] = []
    for hour in [hour for hour in storm.passes if hour < storm.onset]:  # of what lies there now
        visit, _rates = yield from final_pass(storm, state, hour)
        visits.append(visit)
        state = yield from state_after(storm, state, visit)
    is_served = False
    reasons: list[Reason] = []
    if is_treated or visits:
        answer = yield storm.request(state, [()], storm.onset, _first_need(storm, state))
        is_served = answer.results[0].failure_hour is None
        if is_treated and is_served and not storm.passes:
            return _still_protected(storm, answer)
        if is_pretreated and is_served:
            reasons.append(_still_there(case, "refuses", answer))
        strong_frac = _brine_frac(min(case.practice.number("liquid_warn_below"), -0.5))
        here = answer.lying_mm(0, strong_frac)[: storm.onset - state.hour]
        lying_mm[state.hour : storm.onset] = here.tolist()
    next_visit = next((hour for hour in storm.passes if hour > storm.onset), storm.end)
    is_protected = bool(reasons)
    refusals = screening.pretreat_refusals(case, event, next_visit)
    window = Window((), storm.onset, ())
    if not refusals and not is_protected:
        window = pretreatment.find_window(case, event, state.hour, lying_mm)
        window = pretreatment.window_of_rounds(case, event, window)
        refusals = window.reasons if not window.hours else ()
    residual_l_m2 = _residual_l_m2(case, state) if is_pretreated else 0.0
    earlier: EarlierPretreat | None = None
    if is_pretreated and not is_protected:
        may_spray = screening.is_only_timing(refusals)
        earlier = yield from earlier_pretreat(storm, state, window, residual_l_m2, may_spray)
        if earlier is not None:
            refusals, window = (earlier.reason,), Window((), storm.onset, ())
            is_served, is_protected = True, earlier.is_holding
    reasons += refusals or window.reasons
    pretreat: PlannedPretreat | None = None
    cautions: list[str] = []
    if window.hours:
        planned = yield from select_pretreat(storm, index, state, window, residual_l_m2)
        pretreat, state, more, cautions = planned
        kept = screening.liquid_kept_from_before(case, event, next_visit)
        reasons += more if kept is None else [kept, *more]
        visits.append(pretreat_visit(pretreat))
    work, state, solid = yield from visits_in_storm(storm, state, pretreat, is_served)
    visits += work
    after, state = yield from visits_after_storm(storm, state, visits)
    visits += after
    visits += pretreat_inspection_visits(
        storm, pretreat or earlier, {visit.hour for visit in visits}
    )
    visits.sort(key=lambda visit: visit.hour)
    first = next((visit for visit in visits if visit.action.is_work), None)
    action = first.action if first is not None else Action.INSPECT
    ahead = ""
    if is_protected:
        ahead = " What is down already should hold until then."
    elif earlier is not None:
        ahead = " What is down already will be used up before, and more would not last longer."
    elif reasons and pretreat is None:
        ahead = " No liquid ahead of it."
    text = _headline(storm, first, ahead)
    return (
        PlannedTreatment(
            event, action, text, tuple(visits), pretreat, solid, tuple(reasons), tuple(cautions)
        ),
        state,
    )


def _residual_l_m2(case: SurfaceCase, state: SurfaceState) -> float:
    """Return the salts that lie there as brine of the yard's strength, mean of members [L/m²]."""
    salts_kg_m2 = state.film.salts_kg_m2[:, 0, :].sum(axis=0).mean()
    return float(salts_kg_m2) / case.stock.brine_nacl_kg_l


@lru_cache(maxsize=64)
def _brine_frac(temp_c: float) -> float:
    """Salt by weight of brine that is liquid down to a temperature [-]."""
    nacl_only = brine.freezing_curve_molality(temp_c) * (np.array(CHLORIDES) == "nacl")
    return float(brine.salts_frac(nacl_only).sum())


def _first_need(storm: Storm, state: SurfaceState) -> int:
    """Return the hour up to which what lies there is asked to serve: the next pass, or the end."""
    ahead = [hour for hour in storm.passes if hour > storm.onset]
    return max(ahead[0] if ahead else storm.end, state.hour + 1)


def _headline(storm: Storm, first: PlannedVisit | None, ahead: str) -> str:
    """Return the first work of an event, and what is ahead of it."""
    event = storm.event
    if first is None:
        return f"Inspect for {event.hazard}: nothing is put down."
    if first.action is Action.PRETREAT:
        return f"Pre-treat before {event.hazard}."
    does = {
        Action.SALT: f"Salt against {event.hazard}.",
        Action.SAND: f"No salt: sand for grip in {event.hazard}.",
        Action.PLOW: f"Plow for {event.hazard}.",
        Action.POST_TREAT: f"Treat after {event.hazard}.",
    }[first.action]
    return does + ahead


def _still_there(case: SurfaceCase, effect: Effect, answer: FilmAnswer) -> Reason:
    """Return that what was put down before does without more."""
    return rule_reason(
        case.practice,
        "hold_confidence",
        effect,
        "what was put down before still keeps service here",
        answer.results[0].hold_probability,
    )


def _still_protected(storm: Storm, answer: FilmAnswer) -> tuple[PlannedTreatment, SurfaceState]:
    """Return an inspection: what was put down before keeps service through the event."""
    case, event = storm.case, storm.event
    reason = _still_there(case, "sets", answer)
    text = "what is down already should do: look before adding more"
    look = PlannedVisit(storm.onset, Action.INSPECT, text, reasons=(reason,))
    treatment = PlannedTreatment(
        event, Action.INSPECT, f"Protected against {event.hazard}.", (look,), reasons=(reason,)
    )
    return treatment, answer.state(0, storm.end)
