"""One decision from case to answer: refuse, or ask the film model and settle.

``first_word`` answers the cases that need no film model and turns the others into questions;
``last_word`` answers those from the outcomes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from stormplan.company.practice_rules import Standing
from stormplan.events.hazards import SNOW, Hazard
from stormplan.treatment import cost_loss, ensemble_demand, follow_up, pretreatment, screening
from stormplan.treatment.candidates import Outcome
from stormplan.treatment.pretreatment import Question
from stormplan.treatment.products import CHLORIDE_FRAC
from stormplan.treatment.records import Action, Case, Film, Pass, Treatment

NACL_CHLORIDE = CHLORIDE_FRAC["nacl"]


def first_word(case: Case) -> Treatment | Question:
    """Answer a case, or turn it into a question for the film model."""
    refused = screening.refuse(case)
    if refused is not None:
        return _with_aftercare(case, refused)
    question = pretreatment.ask(case)
    if question is not None:
        return question
    if any(reason.rule == "rain_washes_off" for reason in case.reasons):
        return _with_aftercare(
            case, screening.solids(case, "Rain first would wash a pre-treat off.")
        )
    held = case.answer(
        Action.HOLD, "Hold: no dry, calm hour before it starts.", look_again=case.look_again()
    )
    return _with_aftercare(case, held)


def last_word(
    question: Question, outcomes: Sequence[Outcome], chosen: Outcome, film: Film | None
) -> Treatment:
    """Answer a question from what the film model made of its candidates.

    Parameters
    ----------
    question : Question
        The case, its window and its search [-].
    outcomes : sequence of Outcome
        How each candidate did [-].
    chosen : Outcome
        The one picked, as the coupled model has it [-].
    film : Film or None
        Its hourly course, where it has been run [-].

    Returns
    -------
    Treatment
        A pre-treat.
    """
    case = question.case
    candidate = chosen.candidate
    _warn(case, question, candidate.additive)
    fails = None if chosen.fails is None else case.time(chosen.fails)
    if fails is not None:
        case.fact(
            "film",
            "warns",
            "no rate that practice allows holds to the target: the most of it, and what follows",
            Standing.OWN_CHOICE,
            "film model: salt and water in balance along the ice line",
        )
    area = case.surface.area_m2
    price = case.stock.price_per_l(candidate.additive, candidate.share)
    product = None if candidate.additive is None else case.stock.products[candidate.additive]
    passes = follow_up.later(case, fails, sprayed=True)
    sprayed = None if price is None else price * candidate.rate_l_m2 * area
    cost = None if sprayed is None else sprayed + _later_cost(case, passes)
    return case.answer(
        Action.PRETREAT,
        f"Pre-treat before {case.event.hazard}.",
        additive=candidate.additive,
        additive_name=None if product is None else product.name,
        additive_share=candidate.share,
        rate_l_m2=candidate.rate_l_m2,
        volume_l=candidate.rate_l_m2 * area,
        needs_l=ensemble_demand.needs_l(outcomes, candidate, case.event.comes, area),
        earliest=question.window[0].start,
        best_start=case.time(candidate.start),
        latest=question.window[-1].start,
        target=case.time(question.search.target),
        holds_until=fails,
        holds_range=(case.time(chosen.fails_range[0]), case.time(chosen.fails_range[1])),
        held_probability=chosen.held_frac,
        look_again=case.look_again(),
        later=passes,
        alternatives=pretreatment.alternatives(question, outcomes, candidate),
        film=film,
        cost=cost,
        stake=cost_loss.of(case.practice, sprayed, chosen.covers_frac),
        chloride_kg=chosen.chloride_kg_m2 * area + _later_chloride_kg(case, passes),
    )


def _with_aftercare(case: Case, answered: Treatment) -> Treatment:
    """Add what follows to an answer without pre-treat."""
    if answered.action is Action.HOLD:
        return answered
    treated = answered.action is Action.SOLIDS
    passes = follow_up.later(case, None, sprayed=False) if treated else (
        tuple(p for p in follow_up.later(case, None, sprayed=False)
              if p.kind in ("plow", "look"))
    )  # fmt: skip
    salt_kg = 0.0
    if answered.solid is not None and case.event.hazard not in SNOW:
        salt_kg = answered.solid.low_kg_m2 * case.surface.area_m2
    return answered.model_copy(
        update={
            "reasons": tuple(case.reasons),
            "later": passes,
            "chloride_kg": salt_kg * NACL_CHLORIDE + _later_chloride_kg(case, passes),
        }
    )


def _later_chloride_kg(case: Case, passes: Sequence[Pass]) -> float:
    brine = sum(item.volume_l for item in passes) * follow_up.NACL_KG_L
    solid = sum(item.solid_kg_m2 for item in passes) * case.surface.area_m2
    return NACL_CHLORIDE * (brine + solid)


def _later_cost(case: Case, passes: Sequence[Pass]) -> float:
    price = case.stock.price_per_l(None, 0.0) or 0.0
    return price * sum(item.volume_l for item in passes)


def _warn(case: Case, question: Question, additive: str | None) -> None:
    """Add what the crew must know beside the answer."""
    event, practice = case.event, case.practice
    if event.coldest_surface_c < practice.number("liquid_warn_below"):
        case.because(
            "liquid_warn_below", "warns", "liquid salt is doubtful this cold",
            event.coldest_surface_c,
        )  # fmt: skip
    if additive is not None:
        product = case.stock.products[additive]
        attracts = product.chlorides.get("mgcl2", 0.0) + product.chlorides.get("cacl2", 0.0) > 0.0
        warmest = max(hour.surface_c for hour in question.window)
        if attracts and warmest > practice.number("residue_slips_above"):
            says = "warm pavement: residue may be slick"
            case.because("residue_slips_above", "warns", says, warmest)
        if product.is_straight_chloride:
            case.cautions.append(
                f"{product.name} carries no inhibitor or binder: it can dilute and flash-freeze;"
                " look again within the hour after precipitation starts."
            )
    if case.surface.reinforced or case.surface.over_room:
        case.cautions.append(
            "Chlorides attack reinforcing steel: least that holds, no piles on the deck,"
            " and the structure's engineer has the last word."
        )
    if event.hazard is Hazard.FROST and event.probability < 0.7:
        case.cautions.append("Frost is a close call here: read the pavement at dusk.")


def film_record(
    start: datetime, point_c: np.ndarray, treated: np.ndarray, untreated: np.ndarray
) -> Film:
    """Round a film's hours for the record; arrays (hour,), the median over members."""

    def each(values: np.ndarray, digits: int) -> tuple[float | None, ...]:
        return tuple(None if math.isnan(v) else round(v, digits) for v in values.tolist())

    return Film(
        start=start,
        freeze_point_c=each(point_c, 1),
        frozen_frac=each(treated, 2),
        untreated_frozen_frac=each(untreated, 2),
    )
