"""Visits with plow, salt or sand: what practice allows in an hour, and the least that serves."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass

from stormplan.events.hazards import Hazard
from stormplan.treatment import screening, solids
from stormplan.treatment.candidates import (
    Dose,
    DoseResult,
    FilmAnswer,
    FilmRequest,
    SurfaceState,
)
from stormplan.treatment.planned_visits import PlannedVisit, Reasons
from stormplan.treatment.reasons import rule_reason
from stormplan.treatment.records import Action, Reason, SolidRates
from stormplan.treatment.storm import Storm
from stormplan.treatment.surface_case import SurfaceCase


@dataclass(frozen=True)
class SaltChoice:
    """What salt practice allows at an hour, lowest first; where none, why not."""

    doses: tuple[Dose, ...]
    rates: SolidRates | None
    refused: Reason | None


def allowed_salt(storm: Storm, hour: int) -> SaltChoice:
    """Return the salt that practice allows at an hour, lowest rate first, or why it allows none."""
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
        return SaltChoice((), None, refused)
    doses = [_salt_dose(case, hour, rate) for rate in solids.rates_kg_m2(case, rates, hazard)]
    return SaltChoice(tuple(doses), rates, None)


def solid_visit(
    storm: Storm, state: SurfaceState, hour: int, plow: bool
) -> Generator[FilmRequest, FilmAnswer, tuple[PlannedVisit, SolidRates | None]]:
    """Salt where it is warm enough until the next pass, sand where it is not or none is allowed."""
    salt = allowed_salt(storm, hour)
    if salt.refused is not None:
        return sand_visit(storm, hour, plow, salt.refused), None
    cycle = math.ceil(storm.case.practice.number("cycle_time"))
    until = next((p for p in storm.passes if p > hour), max(storm.end, hour + cycle))
    answer = yield storm.request(state, [(dose,) for dose in salt.doses], hour + 1, until)
    worth_h = storm.case.practice.number("more_chloride_worth")
    chosen = least_sufficient(answer.results, until - hour - 1, worth_h)
    return salt_visit(storm, chosen, plow, salt.rates), salt.rates


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


def salt_visit(
    storm: Storm, chosen: DoseResult, plow: bool, rates: SolidRates | None
) -> PlannedVisit:
    """Return the visit that puts a chosen dose of salt down, after a pass if one is made."""
    first = f"{plow_text(storm.case)}, then " if plow else ""
    dose, lot = chosen.doses[0], None if rates is None else rates.lot_rate_kg_m2
    reasons: Reasons = ()
    if lot is not None and dose.solid_kg_m2 > lot and storm.has_snow:
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


def sand_visit(storm: Storm, hour: int, plow: bool, refused: Reason) -> PlannedVisit:
    """Return the visit that sands where no salt is allowed, after a pass if one is made."""
    first = f"{plow_text(storm.case)}, then " if plow else ""
    text = f"{first}sand where it is slick"
    sand = storm.case.practice.number("sand_rate")
    return PlannedVisit(hour, Action.SAND, text, plow=plow, sand_kg_m2=sand, reasons=(refused,))


def plow_visit(storm: Storm, hour: int) -> PlannedVisit:
    """Return a visit that only plows, or shovels."""
    return PlannedVisit(hour, Action.PLOW, plow_text(storm.case), plow=True)


def plow_text(case: SurfaceCase) -> str:
    """Return how snow is taken off a surface."""
    return "shovel or broom to the pavement" if case.is_pedestrian else "plow to the pavement"


def _hazard_at(storm: Storm, hour: int) -> Hazard:
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
