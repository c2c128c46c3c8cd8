"""The decision on one case: screening, and the final treatment from the film results.

``screen`` returns the treatment of a case that needs no film model, or else the open case with its
candidates; ``finalize`` returns the treatment of an open case from the results.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from stormplan.company.practice_rules import Evidence
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.treatment import cost_loss, ensemble_demand, follow_up, pretreatment, screening
from stormplan.treatment.candidates import CandidateResult
from stormplan.treatment.pretreatment import OpenCase
from stormplan.treatment.products import CHLORIDE_MASS_FRAC
from stormplan.treatment.records import Action, DecisionCase, FilmSeries, FollowUpVisit, Treatment

NACL_CHLORIDE_FRAC = CHLORIDE_MASS_FRAC["nacl"]


def screen(case: DecisionCase) -> Treatment | OpenCase:
    """Return the treatment of a case that needs no film model, else the open case."""
    refused = screening.first_contraindication(case)
    if refused is not None:
        return _with_follow_up(case, refused)
    open_case = pretreatment.build_candidates(case)
    if open_case is not None:
        return open_case
    if any(reason.rule == "max_rain_before_onset" for reason in case.reasons):
        return _with_follow_up(
            case, screening.solids_or_plow(case, "Rain first would wash a pre-treat off.")
        )
    treatment = case.to_treatment(
        Action.HOLD, "Hold: no dry, calm hour before it starts.", recheck_at=case.recheck_at()
    )
    return _with_follow_up(case, treatment)


def finalize(
    open_case: OpenCase,
    results: Sequence[CandidateResult],
    chosen: CandidateResult,
    film: FilmSeries | None,
) -> Treatment:
    """Return the pre-treat of an open case from the results of its candidates.

    Parameters
    ----------
    open_case : OpenCase
        The case, its window and its search.
    results : sequence of CandidateResult
        How each candidate did.
    chosen : CandidateResult
        The one picked, as the coupled model has it.
    film : FilmSeries or None
        Its hourly course, where it has been run.

    Returns
    -------
    Treatment
        A pre-treat.
    """
    case = open_case.case
    candidate = chosen.candidate
    _add_cautions(case, open_case, candidate.additive)
    fails_at = None if chosen.failure_hour is None else case.hour_start(chosen.failure_hour)
    if fails_at is not None:
        case.add_fact_reason(
            "film",
            "warns",
            "no rate that practice allows holds to the target: the most of it, and what follows",
            Evidence.OWN_CHOICE,
            "film model: salt and water in balance along the ice line",
        )
    area = case.surface.area_m2
    price = case.stock.price_per_l(candidate.additive, candidate.additive_frac)
    product = None if candidate.additive is None else case.stock.products[candidate.additive]
    follow_up_visits = follow_up.follow_up_visits(case, fails_at, was_pretreated=True)
    liquid_cost = None if price is None else price * candidate.rate_l_m2 * area
    cost = None if liquid_cost is None else liquid_cost + _follow_up_cost(case, follow_up_visits)
    return case.to_treatment(
        Action.PRETREAT,
        f"Pre-treat before {case.event.hazard}.",
        additive=candidate.additive,
        additive_name=None if product is None else product.name,
        additive_frac=candidate.additive_frac,
        rate_l_m2=candidate.rate_l_m2,
        volume_l=candidate.rate_l_m2 * area,
        member_volumes_l=ensemble_demand.member_volumes_l(
            results, candidate, case.event.has_event, area
        ),
        earliest_start=open_case.window[0].start,
        best_start=case.hour_start(candidate.start_hour),
        latest_start=open_case.window[-1].start,
        hold_target=case.hour_start(open_case.candidate_set.target_hour),
        holds_until=fails_at,
        hold_range=(
            case.hour_start(chosen.failure_hour_range[0]),
            case.hour_start(chosen.failure_hour_range[1]),
        ),
        hold_probability=chosen.hold_probability,
        recheck_at=case.recheck_at(),
        follow_up=follow_up_visits,
        alternatives=pretreatment.alternatives(open_case, results, candidate),
        film=film,
        cost=cost,
        cost_loss=cost_loss.from_practice(case.practice, liquid_cost, chosen.held_time_frac),
        chloride_kg=chosen.chloride_kg_m2 * area + _follow_up_chloride_kg(case, follow_up_visits),
    )


def _with_follow_up(case: DecisionCase, treatment: Treatment) -> Treatment:
    """Return a treatment without pre-treat, with its follow-up added."""
    if treatment.action is Action.HOLD:
        return treatment
    is_solids = treatment.action is Action.SOLIDS
    visits = follow_up.follow_up_visits(case, None, was_pretreated=False) if is_solids else (
        tuple(p for p in follow_up.follow_up_visits(case, None, was_pretreated=False)
              if p.kind in ("plow", "inspect"))
    )  # fmt: skip
    salt_kg = 0.0
    if treatment.solid is not None and case.event.hazard not in SNOW_HAZARDS:
        salt_kg = treatment.solid.low_kg_m2 * case.surface.area_m2
    return treatment.model_copy(
        update={
            "reasons": tuple(case.reasons),
            "follow_up": visits,
            "chloride_kg": salt_kg * NACL_CHLORIDE_FRAC + _follow_up_chloride_kg(case, visits),
        }
    )


def _follow_up_chloride_kg(case: DecisionCase, visits: Sequence[FollowUpVisit]) -> float:
    brine = sum(item.volume_l for item in visits) * follow_up.BRINE_NACL_KG_L
    solid = sum(item.solid_rate_kg_m2 for item in visits) * case.surface.area_m2
    return NACL_CHLORIDE_FRAC * (brine + solid)


def _follow_up_cost(case: DecisionCase, visits: Sequence[FollowUpVisit]) -> float:
    price = case.stock.price_per_l(None, 0.0) or 0.0
    return price * sum(item.volume_l for item in visits)


def _add_cautions(case: DecisionCase, open_case: OpenCase, additive: str | None) -> None:
    """Add the cautions and warnings that go with a pre-treat."""
    event, practice = case.event, case.practice
    if event.min_pavement_temp_c < practice.number("liquid_warn_below"):
        case.add_rule_reason(
            "liquid_warn_below", "warns", "liquid salt is doubtful this cold",
            event.min_pavement_temp_c,
        )  # fmt: skip
    if additive is not None:
        product = case.stock.products[additive]
        is_hygroscopic = (
            product.chlorides.get("mgcl2", 0.0) + product.chlorides.get("cacl2", 0.0) > 0.0
        )
        max_pavement_temp_c = max(hour.surface_c for hour in open_case.window)
        if is_hygroscopic and max_pavement_temp_c > practice.number("residue_slippery_above"):
            text = "warm pavement: residue may be slick"
            case.add_rule_reason("residue_slippery_above", "warns", text, max_pavement_temp_c)
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


def film_series(
    start: datetime,
    freeze_point_c: np.ndarray,
    frozen_frac: np.ndarray,
    untreated_frozen_frac: np.ndarray,
) -> FilmSeries:
    """Return the film series of the plan, rounded; inputs are arrays (hour,)."""

    def rounded(values: np.ndarray, digits: int) -> tuple[float | None, ...]:
        return tuple(None if math.isnan(v) else round(v, digits) for v in values.tolist())

    return FilmSeries(
        start=start,
        freeze_point_c=rounded(freeze_point_c, 1),
        frozen_frac=rounded(frozen_frac, 2),
        untreated_frozen_frac=rounded(untreated_frozen_frac, 2),
    )
