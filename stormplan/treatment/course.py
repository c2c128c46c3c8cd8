"""The course of action of one surface: its visits from now to the first safe morning.

``course_of_action`` is a generator. Where it needs to know what a film would do it yields a
``FilmRequest`` and is sent the ``FilmAnswer``, so that practice reads from top to bottom here while
``decide`` runs the films of all surfaces together. Each visit is judged by the hours until the next
one; what a visit leaves is where the next one starts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stormplan.events.detection import Event
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.liquids import brine
from stormplan.liquids.brine import CHLORIDES
from stormplan.physics.bond import max_snow_before_bond_mm, traffic_mixing_frac
from stormplan.treatment import pretreatment, screening, solids
from stormplan.treatment.candidates import (
    Dose,
    DoseResult,
    FilmAnswer,
    FilmRequest,
    Service,
    SurfaceState,
)
from stormplan.treatment.pretreatment import Window
from stormplan.treatment.reasons import rule_reason
from stormplan.treatment.records import Action, Effect, Reason, SolidRates
from stormplan.treatment.surface_case import SurfaceCase

Reasons = tuple[Reason, ...]
ICY_HAZARDS = (Hazard.FREEZING_RAIN, Hazard.SLEET)


@dataclass(frozen=True)
class PlannedVisit:
    """One visit, amounts per area: see ``records.Visit``. ``hour`` counts from now [h]."""

    hour: int
    action: Action
    text: str
    plow: bool = False
    dose: Dose | None = None
    sand_kg_m2: float = 0.0
    failure_hour: int | None = None
    reasons: Reasons = ()


@dataclass(frozen=True)
class PlannedPretreat:
    """The liquid ahead of an event, with all that was weighed and what was asked of it."""

    request: FilmRequest
    result: DoseResult
    results: tuple[DoseResult, ...]
    window: Window
    target_hour: int
    plow_by_mm: float | None


@dataclass(frozen=True)
class PlannedTreatment:
    """The course of action for one event, amounts per area."""

    event: Event
    action: Action
    text: str
    visits: tuple[PlannedVisit, ...] = ()
    pretreat: PlannedPretreat | None = None
    solid: SolidRates | None = None
    reasons: Reasons = ()
    cautions: tuple[str, ...] = ()


Course = tuple[PlannedTreatment, ...]
Asking = Generator[FilmRequest, FilmAnswer]


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
    return _one_instruction_an_hour(planned)


def _one_instruction_an_hour(planned: Sequence[PlannedTreatment]) -> Course:
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
            visits.append(replace(visit, hour=hour))
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


@dataclass(frozen=True)
class _Storm:
    """One event as its course is decided: its hours, and the passes that practice makes in it."""

    case: SurfaceCase
    event: Event
    onset: int
    end: int
    passes: tuple[int, ...]

    @classmethod
    def of(cls, case: SurfaceCase, event: Event, begin: int) -> _Storm:
        onset = max(case.hour_index(event.start), begin)
        end = min(case.hour_index(event.end), case.n_hours)
        passes = tuple(hour for hour in case.plow_hours if begin <= hour <= end + 1)
        return cls(case, event, onset, max(end, onset + 1), passes)

    @property
    def snows(self) -> bool:
        """Whether there is anything to plow, or snow to keep from bonding."""
        return bool(self.passes) or any(p.hazard in SNOW_HAZARDS for p in self.event.hazard_periods)

    @property
    def is_icy(self) -> bool:
        """Whether freezing rain or sleet is part of it."""
        return any(period.hazard in ICY_HAZARDS for period in self.event.hazard_periods)

    @property
    def next_look(self) -> int:
        """Hour of the look after the storm, up to which its last treatment must do."""
        after = math.ceil(self.case.practice.number("post_storm_interval"))
        return min(self.end + after, self.case.n_hours)

    def service(self, first: int, last: int) -> Service:
        """Return how service is judged from ``first`` to before ``last``."""
        case = self.case
        people = case.is_pedestrian
        open_traffic = float(
            traffic_mixing_frac(case.practice.number("vehicles_while_open"), case.bond_parameters)
        )
        busy = 1.0 if people else open_traffic
        mixing = tuple(busy if case.is_open(hour.start) else 0.0 for hour in case.outlook.hours)
        frozen = 0.0 if people else case.practice.number("max_ice_fraction")
        return Service(
            onset_hour=first,
            end_hour=last,
            max_frozen_frac=frozen,
            judges_bond=self.snows,
            mixing_frac=mixing,
            bond=case.bond_parameters,
            is_bonded=case.is_bonded,
            member_has_event=self.event.has_event,
            confidence=case.practice.number("hold_confidence"),
        )

    def request(
        self, state: SurfaceState, doses: Sequence[tuple[Dose, ...]], first: int, last: int
    ) -> FilmRequest:
        """Ask what doses do from a state on, service judged from ``first`` to before ``last``."""
        case = self.case
        end = min(max(last, first + 1, state.hour + 1), case.n_hours)
        passes = tuple(
            (hour, case.residual_mm) for hour in case.plow_hours if state.hour <= hour < end
        )
        service = self.service(first, end)
        return FilmRequest(case.column, state, tuple(doses), passes, end, service)


def _treat(
    case: SurfaceCase,
    index: int,
    event: Event,
    state: SurfaceState,
    is_treated: bool,
    is_pretreated: bool,
) -> Generator[FilmRequest, FilmAnswer, tuple[PlannedTreatment, SurfaceState]]:
    """Decide the visits of one event; return them and what they leave."""
    storm = _Storm.of(case, event, state.hour)
    lying_mm = [hour.surface_water_mm for hour in case.outlook.hours]
    visits: list[PlannedVisit] = []
    for hour in [hour for hour in storm.passes if hour < storm.onset]:  # of what lies there now
        visit, _rates = yield from _last_pass(storm, state, hour)
        visits.append(visit)
        state = yield from _after(storm, state, visit)
    is_served = False
    reasons: list[Reason] = []
    if is_treated or visits:
        answer = yield storm.request(state, [()], storm.onset, _first_need(storm, state))
        is_served = answer.results[0].failure_hour is None
        if is_treated and is_served and not storm.passes:
            return _still_protected(storm, answer)
        if is_pretreated and is_served:
            reasons.append(_still_there(case, "refuses", answer))
        here = answer.lying_mm(0, _strong_brine_frac(case))[: storm.onset - state.hour]
        lying_mm[state.hour : storm.onset] = here.tolist()
    next_visit = next((hour for hour in storm.passes if hour > storm.onset), storm.end)
    is_protected = bool(reasons)
    reasons += screening.pretreat_refusals(case, event, next_visit)
    window = Window((), storm.onset, ())
    if not reasons:
        window = pretreatment.find_window(case, event, state.hour, lying_mm)
        reasons += window.reasons
    pretreat: PlannedPretreat | None = None
    cautions: list[str] = []
    if window.hours:
        planned = yield from _pretreat(storm, index, state, window)
        pretreat, state, more, cautions = planned
        kept = screening.liquid_kept_from_before(case, event, next_visit)
        reasons += more if kept is None else [kept, *more]
        visits.append(_pretreat_visit(pretreat))
    work, state, solid = yield from _in_storm(storm, state, pretreat, is_served)
    visits += work
    after, state = yield from _after_storm(storm, state, visits)
    visits += after
    visits += _inspections(storm, pretreat, {visit.hour for visit in visits})
    visits.sort(key=lambda visit: visit.hour)
    first = next((visit for visit in visits if visit.action.is_work), None)
    action = first.action if first is not None else Action.INSPECT
    text = _headline(storm, first, bool(reasons) and pretreat is None, is_protected)
    return (
        PlannedTreatment(
            event, action, text, tuple(visits), pretreat, solid, tuple(reasons), tuple(cautions)
        ),
        state,
    )


def _strong_brine_frac(case: SurfaceCase) -> float:
    """Salt by weight of brine that is liquid down to where liquid salt becomes doubtful [-]."""
    temp_c = min(case.practice.number("liquid_warn_below"), -0.5)
    nacl_only = brine.freezing_curve_molality(temp_c) * (np.array(CHLORIDES) == "nacl")
    return float(brine.salts_frac(nacl_only).sum())


def _first_need(storm: _Storm, state: SurfaceState) -> int:
    """Return the hour up to which what lies there is asked to serve: the next pass, or the end."""
    ahead = [hour for hour in storm.passes if hour > storm.onset]
    return max(ahead[0] if ahead else storm.end, state.hour + 1)


def _headline(
    storm: _Storm, first: PlannedVisit | None, liquid_refused: bool, is_protected: bool
) -> str:
    event = storm.event
    if first is None:
        return f"Inspect for {event.hazard}: nothing is put down."
    if first.action is Action.PRETREAT:
        return f"Pre-treat before {event.hazard}."
    ahead = " No liquid ahead of it." if liquid_refused else ""
    if is_protected:
        ahead = " What is down already should hold until then."
    does = {
        Action.SALT: f"Salt against {event.hazard}.",
        Action.SAND: f"No salt: sand for grip in {event.hazard}.",
        Action.PLOW: f"Plow for {event.hazard}.",
        Action.POST_TREAT: f"Treat after {event.hazard}.",
    }[first.action]
    return does + ahead


# -- what still lies there ------------------------------------------------------------------------


def _still_there(case: SurfaceCase, effect: Effect, answer: FilmAnswer) -> Reason:
    """Return that what was put down before does without more."""
    return rule_reason(
        case.practice,
        "hold_confidence",
        effect,
        "what was put down before still keeps service here",
        answer.results[0].hold_probability,
    )


def _still_protected(storm: _Storm, answer: FilmAnswer) -> tuple[PlannedTreatment, SurfaceState]:
    """Return an inspection: what was put down before keeps service through the event."""
    case, event = storm.case, storm.event
    reason = _still_there(case, "sets", answer)
    text = "what is down already should do: look before adding more"
    look = PlannedVisit(storm.onset, Action.INSPECT, text, reasons=(reason,))
    treatment = PlannedTreatment(
        event, Action.INSPECT, f"Protected against {event.hazard}.", (look,), reasons=(reason,)
    )
    return treatment, answer.state(0, storm.end)


# -- ahead of it ----------------------------------------------------------------------------------


def _pretreat(
    storm: _Storm, index: int, state: SurfaceState, window: Window
) -> Generator[
    FilmRequest, FilmAnswer, tuple[PlannedPretreat, SurfaceState, list[Reason], list[str]]
]:
    """Choose the liquid ahead of an event."""
    case, event = storm.case, storm.event
    target, target_reason = pretreatment.target_hour(case, event, storm.passes)
    rates, rate_reasons = pretreatment.rates_l_m2(case, event)
    blends, _choice, blend_reasons = pretreatment.blends(case, event, storm.onset, target)
    doses = [
        (Dose(start, additive, additive_frac, rate),)
        for start in pretreatment.candidate_starts(event, window)
        for additive, additive_frac in blends
        for rate in rates
    ]
    request = storm.request(state, doses, storm.onset, target)
    answer = yield request
    steps_up = dict(case.rate_steps_up).get(index, 0)
    chosen = pretreatment.select(answer.results, blends, window.best, steps_up)
    at = answer.results.index(chosen)
    after = answer.state(at, max(storm.onset, chosen.doses[0].hour + 1))
    reasons = [target_reason, *rate_reasons, *blend_reasons]
    reasons += _hold_reasons(case, chosen)
    cautions: list[str] = []
    more, cautions = _liquid_warnings(storm, chosen.doses[0], target)
    reasons += more
    plow_by_mm = _plow_by_mm(storm, after, target) if storm.snows else None
    planned = PlannedPretreat(request, chosen, answer.results, window, target, plow_by_mm)
    return planned, after, reasons, cautions


def _hold_reasons(case: SurfaceCase, chosen: DoseResult) -> list[Reason]:
    if chosen.failure_hour is None:
        return []
    text = "no rate that practice allows keeps service to the target: the least that lasts longest"
    return [rule_reason(case.practice, "hold_confidence", "warns", text, chosen.hold_probability)]


def _plow_by_mm(storm: _Storm, state: SurfaceState, last: int) -> float | None:
    """Return the snow from which on it may bond, as water [mm]; None for no limit."""
    case = storm.case
    coldest_c = case.lowest_pavement_c(storm.onset, last, storm.event)
    if not coldest_c < 0.0:
        return None
    busy = any(case.is_open(case.hour_start(hour)) for hour in range(storm.onset, last))
    vehicles = case.practice.number("vehicles_while_open") if busy else 0.0
    mixing = 1.0 if busy and case.is_pedestrian else float(traffic_mixing_frac(vehicles))
    salts = state.film.salts_kg_m2[:, 0, :].mean(axis=-1)
    most_mm = float(
        max_snow_before_bond_mm(salts, coldest_c, mixing, parameters=case.bond_parameters)
    )
    return None if math.isinf(most_mm) else most_mm


def _liquid_warnings(storm: _Storm, dose: Dose, last: int) -> tuple[list[Reason], list[str]]:
    """Return what the crew must know beside a liquid."""
    case, event, practice = storm.case, storm.event, storm.case.practice
    reasons: list[Reason] = []
    cautions: list[str] = []
    coldest_c = case.lowest_pavement_c(storm.onset, last, event)
    if coldest_c < practice.number("liquid_warn_below"):
        text = "liquid salt is doubtful this cold"
        reasons.append(rule_reason(practice, "liquid_warn_below", "warns", text, coldest_c))
    if dose.additive is not None:
        product = case.stock.products[dose.additive]
        attracts = product.chlorides.get("mgcl2", 0.0) + product.chlorides.get("cacl2", 0.0) > 0.0
        at_start_c = case.hour(dose.hour).surface_c
        if attracts and at_start_c > practice.number("residue_slippery_above"):
            text = "warm pavement: residue may be slick"
            reasons.append(
                rule_reason(practice, "residue_slippery_above", "warns", text, at_start_c)
            )
        if product.is_straight_chloride:
            cautions.append(
                f"{product.name} carries no inhibitor or binder: it can dilute and flash-freeze;"
                " look again within the hour after precipitation starts."
            )
    if case.surface.reinforced or case.surface.over_room:
        cautions.append(
            "Chlorides attack reinforcing steel: use the lowest rate that works, no snow piles on"
            " the deck, and the structure's engineer has the last word."
        )
    close_call = practice.number("frost_close_call_below")
    if event.hazard is Hazard.FROST and event.probability < close_call:
        cautions.append("Frost is a close call here: read the pavement at dusk.")
    return reasons, cautions


def _pretreat_visit(pretreat: PlannedPretreat) -> PlannedVisit:
    dose = pretreat.result.doses[0]
    text = "spray a dry surface evenly; it buys time and does not melt the storm"
    return PlannedVisit(
        dose.hour, Action.PRETREAT, text, dose=dose, failure_hour=pretreat.result.failure_hour
    )


# -- in it ----------------------------------------------------------------------------------------


def _in_storm(
    storm: _Storm, state: SurfaceState, pretreat: PlannedPretreat | None, is_served: bool
) -> Generator[FilmRequest, FilmAnswer, tuple[list[PlannedVisit], SurfaceState, SolidRates | None]]:
    """Decide the visits from onset to the end: passes, and salt or sand where service needs it.

    ``is_served`` says that what went down before keeps service to the first pass.
    """
    case = storm.case
    visits: list[PlannedVisit] = []
    rates: SolidRates | None = None
    cycle = max(math.ceil(case.practice.number("cycle_time")), 1)
    last_pass = storm.passes[-1] if storm.passes else None
    hour = None if is_served else _first_visit(storm, pretreat)
    if hour is None and storm.is_icy:
        hour = yield from _service_lost(storm, state, storm.onset)
    for _ in range(case.n_hours):
        pass_hour = next((p for p in storm.passes if p >= state.hour), None)
        due = [at for at in (hour, pass_hour) if at is not None]
        if not due:
            break
        at = max(min(due), state.hour)
        plow = at in storm.passes
        if at == last_pass and storm.snows:
            visit, found = yield from _last_pass(storm, state, at)
        elif (hour is not None and hour <= at) or (
            case.is_pedestrian and _is_due(visits, at, cycle)
        ):
            visit, found = yield from _solid_visit(storm, state, at, plow)
        else:
            visit, found = _plow_visit(storm, at), None
        rates = rates or found
        visits.append(visit)
        state = yield from _after(storm, state, visit)
        hour = None
        if visit.action is Action.SALT and not storm.is_icy and not storm.snows:
            more = _more_water_than_salt(storm, visit, cycle)
            if more is not None:
                visits.append(more)
                break
        is_refreeze = storm.event.hazard is Hazard.REFREEZE and visit.action is Action.SALT
        if (storm.is_icy or is_refreeze) and state.hour < storm.end:
            lost = yield from _service_lost(storm, state, state.hour)
            hour = None if lost is None else max(lost, at + cycle)
            if hour is not None and (hour >= storm.end or _near_pass(storm, hour, cycle)):
                hour = None
    return visits, state, rates


def _more_water_than_salt(storm: _Storm, visit: PlannedVisit, cycle: int) -> PlannedVisit | None:
    """Return a look where the most salt that practice allows does not last to the next pass."""
    lost = visit.failure_hour
    if lost is None or lost >= min(visit.hour + cycle, storm.end):
        return None
    text = "more water than salt can hold: sand it, mark it or close it, and drain it"
    return PlannedVisit(max(lost, visit.hour + 1), Action.INSPECT, text)


def _is_due(visits: Sequence[PlannedVisit], hour: int, cycle: int) -> bool:
    """Whether the last time something was put down is a cycle ago."""
    put_down = [v.hour for v in visits if v.dose is not None or v.action is Action.SAND]
    return not put_down or hour - put_down[-1] >= cycle


def _has(visits: Sequence[PlannedVisit], hour: int) -> bool:
    return any(visit.hour == hour for visit in visits)


def _near_pass(storm: _Storm, hour: int, cycle: int) -> bool:
    """Whether a pass comes soon enough after an hour to do its work."""
    return any(hour <= pass_hour < hour + cycle for pass_hour in storm.passes)


def _first_visit(storm: _Storm, pretreat: PlannedPretreat | None) -> int | None:
    """Return the hour of the first visit that no pass makes: where nothing lies there ahead."""
    case = storm.case
    if pretreat is not None:
        return None
    if storm.event.hazard is Hazard.REFREEZE:
        return max(storm.onset - 1, case.hour_index(case.now), 0)
    if not storm.snows:
        return storm.onset
    has_begun = storm.event.start <= case.now
    refused = screening.chemical_refusal(case, storm.onset) or screening.salt_too_cold(
        case, storm.onset, storm.event
    )
    if refused is not None or (has_begun and not storm.is_icy):
        return None  # snow is plowed first, and what is left treated
    return storm.onset


def _service_lost(
    storm: _Storm, state: SurfaceState, first: int
) -> Generator[FilmRequest, FilmAnswer, int | None]:
    """Return the first hour in which service is lost if nothing more is put down."""
    if first >= storm.end:
        return None
    answer = yield storm.request(state, [()], first, storm.end)
    return answer.results[0].failure_hour


def _after(
    storm: _Storm, state: SurfaceState, visit: PlannedVisit
) -> Generator[FilmRequest, FilmAnswer, SurfaceState]:
    """Return what lies there an hour after a visit began."""
    until = min(visit.hour + 1, storm.case.n_hours)
    if until <= state.hour:
        return state
    doses = () if visit.dose is None else (visit.dose,)
    answer = yield storm.request(state, [doses], state.hour, until)
    return answer.state(0, until)


def _plow_visit(storm: _Storm, hour: int) -> PlannedVisit:
    return PlannedVisit(hour, Action.PLOW, _plow_text(storm.case), plow=True)


def _plow_text(case: SurfaceCase) -> str:
    return "shovel or broom to the pavement" if case.is_pedestrian else "plow to the pavement"


@dataclass(frozen=True)
class _SaltChoice:
    """What salt practice allows at an hour, lowest first; where none, why not."""

    doses: tuple[Dose, ...]
    rates: SolidRates | None
    refused: Reason | None


def _allowed_salt(storm: _Storm, hour: int) -> _SaltChoice:
    case, event = storm.case, storm.event
    refused = screening.chemical_refusal(case, hour) or screening.salt_too_cold(case, hour, event)
    cycle = math.ceil(case.practice.number("cycle_time"))
    lowest_c = case.lowest_pavement_c(hour, hour + cycle, event)
    hazard = _hazard_at(storm, hour)
    rates = solids.published_rates(case, hazard, lowest_c, event.trend == "falling")
    if refused is None and rates is None:
        refused = rule_reason(
            case.practice, "solid_stop_below", "refuses", "no published rate this cold", lowest_c
        )
    if refused is not None or rates is None:
        return _SaltChoice((), None, refused)
    doses = [_salt_dose(case, hour, rate) for rate in solids.rates_kg_m2(case, rates, hazard)]
    return _SaltChoice(tuple(doses), rates, None)


def _solid_visit(
    storm: _Storm, state: SurfaceState, hour: int, plow: bool
) -> Generator[FilmRequest, FilmAnswer, tuple[PlannedVisit, SolidRates | None]]:
    """Salt where it is warm enough until the next pass, sand where it is not or none is allowed."""
    salt = _allowed_salt(storm, hour)
    if salt.refused is not None:
        return _sand_visit(storm, hour, plow, salt.refused), None
    cycle = math.ceil(storm.case.practice.number("cycle_time"))
    until = next((p for p in storm.passes if p > hour), max(storm.end, hour + cycle))
    chosen = yield from _least_sufficient(storm, state, salt.doses, until)
    return _salt_visit(storm, chosen, plow, salt.rates), salt.rates


def _least_sufficient(
    storm: _Storm, state: SurfaceState, doses: Sequence[Dose], until: int
) -> Generator[FilmRequest, FilmAnswer, DoseResult]:
    """Choose among what practice allows in one hour, the least first."""
    first = doses[0].hour + 1
    answer = yield storm.request(state, [(dose,) for dose in doses], first, until)
    worth_h = storm.case.practice.number("more_chloride_worth")
    return least_sufficient(answer.results, until - first, worth_h)


def _salt_visit(
    storm: _Storm, chosen: DoseResult, plow: bool, rates: SolidRates | None
) -> PlannedVisit:
    first = f"{_plow_text(storm.case)}, then " if plow else ""
    dose, lot = chosen.doses[0], None if rates is None else rates.lot_rate_kg_m2
    reasons: Reasons = ()
    if lot is not None and dose.solid_kg_m2 > lot and storm.snows:
        text = (
            "the first lot chart's rate does not last to the next visit, and this one lasts longer"
        )
        reasons = (rule_reason(storm.case.practice, "snow_salt_max", "sets", text),)
    return PlannedVisit(
        dose.hour,
        Action.SALT,
        f"{first}prewetted salt",
        plow=plow,
        dose=dose,
        failure_hour=chosen.failure_hour,
        reasons=reasons,
    )


def _sand_visit(storm: _Storm, hour: int, plow: bool, refused: Reason) -> PlannedVisit:
    first = f"{_plow_text(storm.case)}, then " if plow else ""
    text = f"{first}sand where it is slick"
    sand = storm.case.practice.number("sand_rate")
    return PlannedVisit(hour, Action.SAND, text, plow=plow, sand_kg_m2=sand, reasons=(refused,))


def least_sufficient(results: Sequence[DoseResult], hours: int, worth_h: float) -> DoseResult:
    """Return the first that keeps service, else the last that is worth more than one before.

    Parameters
    ----------
    results : sequence of DoseResult
        What practice allows, the least first.
    hours : int
        Time over which service is judged [h].
    worth_h : float
        Service that more has to keep longer, on average over the members with the event [h].
    """
    for result in results:
        if result.failure_hour is None:
            return result
    chosen = results[0]
    for result in results[1:]:
        if (result.held_time_frac - chosen.held_time_frac) * hours >= worth_h:
            chosen = result
    return chosen


def _until(result: DoseResult) -> float:
    return math.inf if result.failure_hour is None else result.failure_hour


def _hazard_at(storm: _Storm, hour: int) -> Hazard:
    """Return the hazard of an hour's stretch of the event, the governing one outside of all."""
    moment = storm.case.hour_start(hour)
    found = [
        period.hazard
        for period in storm.event.hazard_periods
        if period.start <= moment < period.end
    ]
    return found[0] if found else storm.event.hazard


def _salt_dose(case: SurfaceCase, hour: int, rate_kg_m2: float) -> Dose:
    prewet_l_m2 = rate_kg_m2 * case.practice.number("prewet_rate")
    return Dose(hour, rate_l_m2=prewet_l_m2, solid_kg_m2=rate_kg_m2)


# -- after it -------------------------------------------------------------------------------------


def _last_pass(
    storm: _Storm, state: SurfaceState, hour: int
) -> Generator[FilmRequest, FilmAnswer, tuple[PlannedVisit, SolidRates | None]]:
    """Plow for the last time and treat what is left, by the hours until the next look."""
    case = storm.case
    if case.practice.choice("post_treat") == "none":
        return _plow_visit(storm, hour), None
    visit, rates = yield from _post_treat(storm, state, hour)
    return replace(visit, plow=True, text=f"{_plow_text(case)}, then {visit.text}"), rates


def _post_treat(
    storm: _Storm, state: SurfaceState, hour: int
) -> Generator[FilmRequest, FilmAnswer, tuple[PlannedVisit, SolidRates | None]]:
    """Treat what a storm leaves: liquid where it lasts to the next look, else salt, else sand."""
    case, event = storm.case, storm.event
    reasons: list[Reason] = []
    liquids: list[Dose] = []
    if case.practice.choice("post_treat") == "liquid" and not (storm.is_icy or case.is_bonded):
        refusals = [
            screening.chemical_refusal(case, hour),
            screening.wind_refusal(case, hour),
            screening.liquid_too_cold(case, "liquid_warn_below", hour, storm.next_look, event),
        ]
        reasons = [reason for reason in refusals if reason is not None]
        if not reasons:
            liquids, reasons = _liquids_after(storm, hour)
    salt = _allowed_salt(storm, hour)
    if not liquids and salt.refused is not None:
        sand = _sand_visit(storm, hour, False, salt.refused)
        both = tuple(dict.fromkeys((*reasons, salt.refused)))
        return replace(sand, text="sand on what stays slick", reasons=both), None
    cycle = math.ceil(case.practice.number("cycle_time"))
    until = max(storm.next_look if liquids else storm.end, hour + cycle)
    results: tuple[DoseResult, ...] = ()
    for doses in (liquids, salt.doses):
        if doses and all(result.failure_hour is not None for result in results):
            answer = yield storm.request(state, [(dose,) for dose in doses], hour + 1, until)
            results += answer.results
    worth_h = case.practice.number("more_chloride_worth")
    chosen = least_sufficient(results, until - hour - 1, worth_h)
    dose = chosen.doses[0]
    if dose.solid_kg_m2 > 0.0:
        visit = _salt_visit(storm, chosen, False, salt.rates)
        both = (*reasons, *visit.reasons)
        visit = replace(visit, text="prewetted salt on what is left", reasons=both)
        return visit, salt.rates
    text = "spray where it is wet or has a dusting; never on packed snow or ice"
    return PlannedVisit(
        hour,
        Action.POST_TREAT,
        text,
        dose=dose,
        failure_hour=chosen.failure_hour,
        reasons=tuple(reasons),
    ), None


def _liquids_after(storm: _Storm, hour: int) -> tuple[list[Dose], list[Reason]]:
    """Return liquid post-treats from the lot manual's salt up; none where it gives no rate."""
    case, event, practice = storm.case, storm.event, storm.case.practice
    lowest_c = case.lowest_pavement_c(hour, storm.next_look, event)
    hazard = pretreatment.snow_class(case, event)
    rates = solids.published_rates(case, hazard, lowest_c, event.trend == "falling")
    if rates is None or rates.lot_rate_kg_m2 is None:
        return [], []
    wanted = rates.lot_rate_kg_m2 / case.stock.brine_nacl_kg_l
    ceiling = practice.number("post_treat_rate_max")
    blends, _choice, reasons = pretreatment.blends(case, event, hour, storm.next_look)
    additive, additive_frac = blends[0]
    reason = rule_reason(
        practice,
        "post_treat_rate_max",
        "sets",
        "the lot manual's salt, put down as liquid, or more up to the ceiling",
        wanted,
    )
    rates_l_m2 = sorted({min(wanted, ceiling), ceiling})
    doses = [Dose(hour, additive, additive_frac, rate) for rate in rates_l_m2]
    return doses, [reason, *reasons]


def _after_storm(
    storm: _Storm, state: SurfaceState, visits: Sequence[PlannedVisit]
) -> Generator[FilmRequest, FilmAnswer, tuple[list[PlannedVisit], SurfaceState]]:
    """Decide what is done until the look after the storm where service would be lost before it."""
    case, event = storm.case, storm.event
    end = min(storm.end, case.n_hours - 1)
    if state.hour < end:
        answer = yield storm.request(state, [()], state.hour, end)
        state = answer.state(0, end)
    if state.hour >= storm.next_look:
        return [], state
    answer = yield storm.request(state, [()], state.hour, storm.next_look)
    lost = answer.results[0].failure_hour
    if lost is None:
        return [], state
    cycle = math.ceil(case.practice.number("cycle_time"))
    put_down = [v.hour for v in visits if v.dose is not None or v.action is Action.SAND]
    free_from = max(put_down, default=-cycle) + cycle
    wanted = case.practice.choice("post_treat") != "none"
    if storm.snows and wanted and free_from <= state.hour and not _has(visits, state.hour):
        visit, _rates = yield from _post_treat(storm, state, state.hour)
        state = yield from _after(storm, state, visit)
        return [visit], state
    hour = max(lost - 1, state.hour)
    if event.ice_until is not None and free_from <= hour and not _has(visits, hour):
        visit, _rates = yield from _solid_visit(storm, state, hour, plow=False)
        state = yield from _after(storm, state, visit)
        return [visit], state
    text = "melt can refreeze: check, and salt slick spots"
    return [PlannedVisit(max(lost, state.hour), Action.INSPECT, text)], state


def _inspections(
    storm: _Storm, pretreat: PlannedPretreat | None, taken: set[int]
) -> list[PlannedVisit]:
    """Return the looks that a pre-treat asks for."""
    if pretreat is None:
        return []
    case, looks = storm.case, {}
    dose, lost = pretreat.result.doses[0], pretreat.result.failure_hour
    if dose.additive is not None and case.stock.products[dose.additive].is_straight_chloride:
        looks[min(storm.onset + 1, case.n_hours - 1)] = "straight chloride: look for flash freeze"
    if lost is not None and not storm.snows:
        looks[lost] = "the liquid is expected to be used up: check, and treat slick spots again"
    elif storm.event.hazard is Hazard.FROST:
        looks[storm.onset] = "check the coldest, shaded spots"
    return [
        PlannedVisit(hour, Action.INSPECT, text)
        for hour, text in looks.items()
        if hour not in taken
    ]
