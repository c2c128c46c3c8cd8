"""The liquid ahead of an event: when, what and how much, and what the crew must know beside it."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass

from stormplan.events.hazards import Hazard
from stormplan.physics.bond import max_snow_before_bond_mm, traffic_mixing_frac
from stormplan.treatment import pretreatment
from stormplan.treatment.candidates import (
    Dose,
    DoseResult,
    FilmAnswer,
    FilmRequest,
    SurfaceState,
)
from stormplan.treatment.dose_search import find_dose
from stormplan.treatment.planned_visits import PlannedPretreat, PlannedVisit
from stormplan.treatment.pretreatment import Window
from stormplan.treatment.reasons import rule_reason
from stormplan.treatment.records import Action, Reason
from stormplan.treatment.storm import Storm
from stormplan.treatment.surface_case import SurfaceCase


def select_pretreat(
    storm: Storm, index: int, state: SurfaceState, window: Window, residual_l_m2: float
) -> Generator[
    FilmRequest, FilmAnswer, tuple[PlannedPretreat, SurfaceState, list[Reason], list[str]]
]:
    """Choose the liquid ahead of an event, beside what is left of one put down before [L/m²]."""
    case, event = storm.case, storm.event
    target, target_reason = pretreatment.target_hour(case, event, storm.passes)
    rates, rate_reasons = pretreatment.rates_l_m2(case, event, residual_l_m2)
    blends, _choice, blend_reasons = pretreatment.blends(case, event, storm.onset, target)
    starts = pretreatment.candidate_starts(event, window)
    round_ = case.in_rounds(event)
    if round_ is not None:  # the truck has its load: one dose is left to weigh
        starts, rates = [window.best], [round_.rate_l_m2]
        blends = [(round_.additive, round_.additive_frac)]
    found = yield from find_dose(
        lambda some: storm.request(state, some, storm.onset, target),
        _doses(starts, blends, rates),
        blends,
        window.best,
        dict(case.rate_steps_up).get(index, 0),
        case.practice.number("more_chloride_worth") / max(target - storm.onset, 1),
    )
    chosen = found.result
    after = found.answer.state(found.at, max(storm.onset, chosen.doses[0].hour + 1))
    reasons = [target_reason, *rate_reasons, *blend_reasons]
    reasons += _hold_reasons(case, chosen)
    cautions: list[str] = []
    more, cautions = _liquid_warnings(storm, chosen.doses[0], target)
    reasons += more
    plow_by_mm = _plow_by_mm(storm, after, target) if storm.has_snow else None
    planned = PlannedPretreat(found.request, chosen, found.results, window, target, plow_by_mm)
    return planned, after, reasons, cautions


def _doses(
    starts: Sequence[int], blends: Sequence[pretreatment.Blend], rates_l_m2: Sequence[float]
) -> list[tuple[Dose, ...]]:
    """Return every combination to be tried, a dose each."""
    return [
        (Dose(start, additive, additive_frac, rate),)
        for start in starts
        for additive, additive_frac in blends
        for rate in rates_l_m2
    ]


@dataclass(frozen=True)
class EarlierPretreat:
    """A pre-treat that is down and is left alone.

    Attributes
    ----------
    reason : Reason
        Why nothing is put on top of it.
    failure_hour : int or None
        First hour in which service is lost in too many members; None if not before the target.
    is_holding : bool
        Whether it holds in enough of them; else more would be no better.
    """

    reason: Reason
    failure_hour: int | None
    is_holding: bool


def earlier_pretreat(
    storm: Storm, state: SurfaceState, window: Window, residual_l_m2: float, may_spray: bool
) -> Generator[FilmRequest, FilmAnswer, EarlierPretreat | None]:
    """Return a pre-treat that is left alone; None where something is to be done.

    A pre-treat is the least that holds in enough of the forecasts: put down an hour early, or under
    the next forecast, it holds in a few less. Where practice ``may_spray``, if there were time, it
    is left alone too if more would do no better.
    """
    case, event = storm.case, storm.event
    target, _ = pretreatment.target_hour(case, event, storm.passes)
    rates, _ = pretreatment.rates_l_m2(case, event, residual_l_m2)
    blends, _choice, _ = pretreatment.blends(case, event, storm.onset, target)
    # where no hour is left to spray in, what spraying now would do still says how good it is
    start = window.best if window.hours else state.hour
    doses = _doses([start], blends, rates) if may_spray else []
    request = storm.request(state, [(), *doses], storm.onset, target)
    answer = yield request
    as_it_is, *with_more = answer.results
    practice, held = case.practice, as_it_is.hold_probability
    enough = min(practice.number("hold_confidence"), practice.number("hold_confidence_treated"))
    if held >= enough:
        text = "a pre-treat is down and should still hold"
        reason = rule_reason(practice, "hold_confidence_treated", "refuses", text, held)
        return EarlierPretreat(reason, as_it_is.failure_hour, is_holding=True)
    asked_h = request.service.end_hour - request.service.onset_hour
    worth_h = practice.number("more_chloride_worth")
    held_h = as_it_is.held_time_frac * asked_h
    longest = max((result.held_time_frac for result in with_more), default=0.0)
    gain_h = max(longest * asked_h - held_h, 0.0)
    # where nobody can spray any more, what lies there has to be worth something by itself
    if not may_spray or gain_h >= worth_h or (not window.hours and held_h < worth_h):
        return None
    text = "a pre-treat is down, and more would hardly keep service longer"
    reason = rule_reason(practice, "more_chloride_worth", "refuses", text, gain_h)
    return EarlierPretreat(reason, as_it_is.failure_hour, is_holding=False)


def _hold_reasons(case: SurfaceCase, chosen: DoseResult) -> list[Reason]:
    if chosen.failure_hour is None:
        return []
    text = "no rate that practice allows keeps service to the target"
    return [rule_reason(case.practice, "hold_confidence", "warns", text, chosen.hold_probability)]


def _plow_by_mm(storm: Storm, state: SurfaceState, last: int) -> float | None:
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


def _liquid_warnings(storm: Storm, dose: Dose, last: int) -> tuple[list[Reason], list[str]]:
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


def pretreat_visit(pretreat: PlannedPretreat) -> PlannedVisit:
    """Return the visit that puts a pre-treat down."""
    dose = pretreat.result.doses[0]
    text = "spray a dry surface evenly; it buys time and does not melt the storm"
    return PlannedVisit(
        dose.hour, Action.PRETREAT, text, dose=dose, failure_hour=pretreat.result.failure_hour
    )


def pretreat_inspection_visits(
    storm: Storm, pretreat: PlannedPretreat | EarlierPretreat | None, taken: set[int]
) -> list[PlannedVisit]:
    """Return the looks that a pre-treat asks for, planned or down already."""
    if pretreat is None:
        return []
    case, looks = storm.case, {}
    used_up = "the liquid is expected to be used up: check, and treat slick spots again"
    if isinstance(pretreat, EarlierPretreat):
        lost = pretreat.failure_hour
        if lost is None or lost in taken:
            return []
        text = "look whether the pre-treat still holds" if pretreat.is_holding else used_up
        return [PlannedVisit(lost, Action.INSPECT, text)]
    dose, lost = pretreat.result.doses[0], pretreat.result.failure_hour
    if dose.additive is not None and case.stock.products[dose.additive].is_straight_chloride:
        looks[min(storm.onset + 1, case.n_hours - 1)] = "straight chloride: look for flash freeze"
    if lost is not None and not storm.has_snow:
        looks[lost] = used_up
    elif storm.event.hazard is Hazard.FROST:
        looks[storm.onset] = "check the coldest, shaded spots"
    return [
        PlannedVisit(hour, Action.INSPECT, text)
        for hour, text in looks.items()
        if hour not in taken
    ]
