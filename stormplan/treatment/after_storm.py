"""What a storm leaves: the last pass, the post-treat, and what is done until the look after it."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import replace

from stormplan.treatment import pretreatment, screening, solids
from stormplan.treatment.candidates import (
    Dose,
    DoseResult,
    FilmAnswer,
    FilmRequest,
    SurfaceState,
)
from stormplan.treatment.planned_visits import PlannedVisit
from stormplan.treatment.reasons import rule_reason
from stormplan.treatment.records import Action, Reason, SolidRates
from stormplan.treatment.solid_visits import (
    allowed_salt,
    least_sufficient,
    plow_text,
    plow_visit,
    salt_visit,
    sand_visit,
    solid_visit,
)
from stormplan.treatment.storm import Storm, state_after


def final_pass(
    storm: Storm, state: SurfaceState, hour: int
) -> Generator[FilmRequest, FilmAnswer, tuple[PlannedVisit, SolidRates | None]]:
    """Plow for the last time and treat what is left, by the hours until the next look."""
    case = storm.case
    if case.practice.choice("post_treat") == "none":
        return plow_visit(storm, hour), None
    visit, rates = yield from post_treat(storm, state, hour)
    return replace(visit, plow=True, text=f"{plow_text(case)}, then {visit.text}"), rates


def post_treat(
    storm: Storm, state: SurfaceState, hour: int
) -> Generator[FilmRequest, FilmAnswer, tuple[PlannedVisit, SolidRates | None]]:
    """Treat what a storm leaves: liquid where it lasts to the next look, else salt, else sand."""
    case, event = storm.case, storm.event
    reasons: list[Reason] = []
    liquids: list[Dose] = []
    if case.practice.choice("post_treat") == "liquid" and not (storm.is_icy or case.is_bonded):
        refusals = [
            screening.chemical_refusal(case, hour),
            screening.wind_refusal(case, hour),
            screening.liquid_too_cold(
                case, "liquid_warn_below", hour, storm.next_inspection, event
            ),
        ]
        reasons = [reason for reason in refusals if reason is not None]
        if not reasons:
            liquids, reasons = _liquids_after(storm, hour)
    salt = allowed_salt(storm, hour)
    if not liquids and salt.refused is not None:
        sand = sand_visit(storm, hour, False, salt.refused)
        both = tuple(dict.fromkeys((*reasons, salt.refused)))
        return replace(sand, text="sand on what stays slick", reasons=both), None
    cycle = math.ceil(case.practice.number("cycle_time"))
    until = max(storm.next_inspection if liquids else storm.end, hour + cycle)
    results: tuple[DoseResult, ...] = ()
    for doses in (liquids, salt.doses):
        if doses and all(result.failure_hour is not None for result in results):
            answer = yield storm.request(state, [(dose,) for dose in doses], hour + 1, until)
            results += answer.results
    worth_h = case.practice.number("more_chloride_worth")
    chosen = least_sufficient(results, until - hour - 1, worth_h)
    dose = chosen.doses[0]
    if dose.solid_kg_m2 > 0.0:
        visit = salt_visit(storm, chosen, False, salt.rates)
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


def _liquids_after(storm: Storm, hour: int) -> tuple[list[Dose], list[Reason]]:
    """Return liquid post-treats from the lot manual's salt up; none where it gives no rate."""
    case, event, practice = storm.case, storm.event, storm.case.practice
    lowest_c = case.lowest_pavement_c(hour, storm.next_inspection, event)
    hazard = pretreatment.snow_class(case, event)
    rates = solids.published_rates(case, hazard, lowest_c, event.trend == "falling")
    if rates is None or rates.lot_rate_kg_m2 is None:
        return [], []
    wanted = rates.lot_rate_kg_m2 / case.stock.brine_nacl_kg_l
    ceiling = practice.number("post_treat_rate_max")
    blends, _choice, reasons = pretreatment.blends(case, event, hour, storm.next_inspection)
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


def visits_after_storm(
    storm: Storm, state: SurfaceState, visits: Sequence[PlannedVisit]
) -> Generator[FilmRequest, FilmAnswer, tuple[list[PlannedVisit], SurfaceState]]:
    """Decide what is done until the look after the storm where service would be lost before it."""
    case, event = storm.case, storm.event
    end = min(storm.end, case.n_hours - 1)
    if state.hour < end:
        answer = yield storm.request(state, [()], state.hour, end)
        state = answer.state(0, end)
    if state.hour >= storm.next_inspection:
        return [], state
    answer = yield storm.request(state, [()], state.hour, storm.next_inspection)
    lost = answer.results[0].failure_hour
    if lost is None:
        return [], state
    cycle = math.ceil(case.practice.number("cycle_time"))
    put_down = [v.hour for v in visits if v.dose is not None or v.action is Action.SAND]
    free_from = max(put_down, default=-cycle) + cycle
    wanted = case.practice.choice("post_treat") != "none"
    if storm.has_snow and wanted and free_from <= state.hour and not _has(visits, state.hour):
        visit, _rates = yield from post_treat(storm, state, state.hour)
        state = yield from state_after(storm, state, visit)
        return [visit], state
    hour = max(lost - 1, state.hour)
    if event.ice_until is not None and free_from <= hour and not _has(visits, hour):
        visit, _rates = yield from solid_visit(storm, state, hour, plow=False)
        state = yield from state_after(storm, state, visit)
        return [visit], state
    text = "melt can refreeze: check, and salt slick spots"
    return [PlannedVisit(max(lost, state.hour), Action.INSPECT, text)], state


def _has(visits: Sequence[PlannedVisit], hour: int) -> bool:
    return any(visit.hour == hour for visit in visits)
