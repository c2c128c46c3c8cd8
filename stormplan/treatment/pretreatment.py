"""Pre-treat candidates allowed by practice, and the selection among them.

``build_candidates`` returns the ``CandidateSet`` that practice allows; ``select_candidate`` picks
from the film results. The least chloride that holds to the target wins; where none holds, the most
that practice allows, with the hour at which it fails.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from stormplan.company.practice_rules import NHDES, TXDOT, Evidence
from stormplan.events.detection import Hour
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.treatment import products
from stormplan.treatment.candidates import RESIDUAL_MM, Candidate, CandidateResult, CandidateSet
from stormplan.treatment.products import AdditiveChoice
from stormplan.treatment.records import Alternative, DecisionCase
from stormplan.units import L_M2_PER_GAL_KFT2

RATE_STEP_L_M2 = 0.05 * L_M2_PER_GAL_KFT2  # as fine as a spray controller is set
MAX_DAMP_MM = 0.1  # water a surface may carry and still take a pre-treat: damp, our own choice
BEST_START_TOLERANCE = timedelta(hours=6)  # starts within this of the best lead are as good as it
MAX_STARTS = 4
MAX_ADDITIVES = 2
MAX_ALTERNATIVES = 6


@dataclass(frozen=True)
class OpenCase:
    """A case with its candidate set and the hours in which it may start."""

    case: DecisionCase
    candidate_set: CandidateSet
    window: tuple[Hour, ...]
    best_start: datetime


def build_candidates(case: DecisionCase) -> OpenCase | None:
    """Return the candidates that practice allows; None where no hour is suitable."""
    window = _window(case)
    if not window:
        return None
    best_start = _best_start(case, window)
    low, high = _rate_range(case)
    additive_frac, choice = _additive_choice(case)
    blends: list[tuple[str | None, float]] = []
    if additive_frac > 0.0:
        for product in choice.allowed[:MAX_ADDITIVES]:
            blends.append((product.key, min(additive_frac, product.max_vol_frac)))
    if not blends:
        blends = [(None, 0.0)]
        if additive_frac > 0.0:
            case.add_fact_reason(
                "no_additive",
                "warns",
                "no additive in the yard is allowed here: straight brine",
                Evidence.COMMON_PRACTICE,
                "sites file: products, and what the yard has of them",
            )
    starts = _candidate_starts(case, window, best_start)
    candidate_set = CandidateSet(
        column=case.column,
        candidates=tuple(
            Candidate(start, additive, part, rate)
            for start in starts
            for additive, part in blends
            for rate in _rate_steps(low, high)
        ),
        onset_hour=case.hour_index(case.event.start),
        target_hour=_target_hour(case),
        max_frozen_frac=0.0 if case.is_pedestrian else case.practice.number("max_ice_fraction"),
        plow_hours=case.plow_hours,
        residual_mm=RESIDUAL_MM[case.surface.surface_class.use],
        member_has_event=case.event.has_event,
        hold_confidence=case.practice.number("hold_confidence"),
    )
    return OpenCase(case, candidate_set, tuple(window), best_start)


# -- when -----------------------------------------------------------------------------------------


def _window(case: DecisionCase) -> list[Hour]:
    """Return the last run of hours before onset that are dry, calm and not washed off."""
    event, practice = case.event, case.practice
    lead_rule = "lead_max_frost" if event.hazard is Hazard.FROST else "lead_max"
    first = max(case.now, event.start - timedelta(hours=practice.number(lead_rule)))
    last = event.start - timedelta(hours=practice.number("lead_min"))
    max_rain_mm = 1000.0 * practice.number("max_rain_before_onset")
    sprayable: list[Hour] = []
    precip_sum_mm, max_wind_ms, is_wet = 0.0, 0.0, False
    for hour in reversed([hour for hour in case.outlook.hours if hour.start < event.start]):
        precip_sum_mm += 0.0 if math.isnan(hour.precip_mm) else hour.precip_mm
        if precip_sum_mm > max_rain_mm:
            break
        if hour.surface_water_mm > MAX_DAMP_MM:
            is_wet = True
            break
        if not first <= hour.start <= last:
            continue
        max_wind_ms = max(max_wind_ms, hour.wind_ms)
        if hour.wind_ms <= practice.number("max_wind"):
            sprayable.append(hour)
        elif sprayable:
            break
    if not sprayable and precip_sum_mm > max_rain_mm:
        text = "rain between treatment and onset"
        case.add_rule_reason("max_rain_before_onset", "refuses", text, precip_sum_mm / 1000.0)
    elif not sprayable and is_wet:
        case.add_fact_reason(
            "dry_surface",
            "refuses",
            "water, ice or snow lies there until it starts",
            Evidence.PUBLISHED,
            f"{NHDES}: on a dry surface; {TXDOT}: late liquid dilutes",
        )
    elif not sprayable:
        case.add_rule_reason(
            "max_wind", "refuses", "too windy to spray in every hour left", max_wind_ms
        )
    sprayable.reverse()
    return sprayable


def _best_start(case: DecisionCase, window: Sequence[Hour]) -> datetime:
    """Return the start nearest the best lead, outside opening hours where possible.

    Frost: an hour of daylight before it, so that the water dries and leaves the salt.
    """
    ideal_start = case.event.start - timedelta(hours=case.practice.number("lead_best"))
    case.add_rule_reason("lead_best", "sets", "best start before onset")
    avoids_open_hours = not case.is_pedestrian

    def preference_key(hour: Hour) -> tuple[bool, bool, timedelta]:
        is_freezing = case.event.hazard is Hazard.FROST and hour.surface_c <= 0.0
        return (
            (avoids_open_hours and case.is_open(hour.start)),
            is_freezing,
            abs(hour.start - ideal_start),
        )

    near = [
        hour for hour in window if abs(hour.start - ideal_start) <= BEST_START_TOLERANCE
    ] or list(window)
    return min(near, key=preference_key).start


def _candidate_starts(
    case: DecisionCase, window: Sequence[Hour], best_start: datetime
) -> list[int]:
    """Return the start hours to evaluate: the best, and others across the window."""
    first, last = case.hour_index(window[0].start), case.hour_index(window[-1].start)
    start_hours = {case.hour_index(best_start), first, (first + last) // 2, last}
    return sorted(start_hours, key=lambda hour: abs(hour - case.hour_index(best_start)))[
        :MAX_STARTS
    ]


def _target_hour(case: DecisionCase) -> int:
    """Return the hour up to which the film should hold, by policy."""
    target_rule, event = case.practice.choice("hold_target"), case.event
    onset, end = case.hour_index(event.start), case.hour_index(event.end)
    opening_hour = next(
        (case.hour_index(h.start) for h in case.outlook.hours
         if h.start >= event.start and case.is_open(h.start)), end,
    )  # fmt: skip
    first_plow = next((hour for hour in case.plow_hours if hour > onset), end)
    target_hour = {
        "auto": first_plow if event.hazard in SNOW_HAZARDS else end,
        "first plow": first_plow,
        "end": end,
        "opening": opening_hour,
    }[target_rule]
    case.add_rule_reason("hold_target", "sets", f"hold to: {target_rule}")
    return min(max(target_hour, onset + 1), len(case.outlook.hours))


# -- what -----------------------------------------------------------------------------------------


def _rate_range(case: DecisionCase) -> tuple[float, float]:
    """Return the published rate range, reduced after a dry spell [L/m²]."""
    by_hazard = {
        Hazard.FROST: ("frost_rate_min", "frost_rate_max"),
        Hazard.LIGHT_SNOW: ("pretreat_rate_min", "pretreat_rate_moderate_snow"),
        Hazard.MODERATE_SNOW: ("pretreat_rate_min", "pretreat_rate_max"),
        Hazard.HEAVY_SNOW: ("pretreat_rate_min", "pretreat_rate_max"),
    }
    rules = by_hazard[case.event.hazard]
    for rule, what in zip(rules, ("lowest", "highest"), strict=True):
        case.add_rule_reason(rule, "sets", f"{what} rate before {case.event.hazard}")
    low, high = (case.practice.number(rule) for rule in rules)
    ceiling = case.practice.number("pretreat_rate_max")
    factor = _first_use_rate_factor(case)
    return factor * min(low, ceiling), factor * min(high, ceiling)


def _first_use_rate_factor(case: DecisionCase) -> float:
    """Return the rate factor of the first treatment after a dry spell [-]."""
    last_treated = case.surface.last_treated
    if last_treated is None:
        return 1.0
    dry_h = 24.0 * (case.local_date(case.now) - last_treated).days
    if dry_h <= case.practice.number("dry_spell"):
        return 1.0
    case.add_rule_reason("dry_spell", "sets", "first treatment after a long dry spell", dry_h)
    case.add_rule_reason(
        "first_use_rate_factor", "sets", "part of the rate: oil makes dry lots slick"
    )
    return case.practice.number("first_use_rate_factor")


def _rate_steps(low: float, high: float) -> list[float]:
    """Return rates from low to high, both included [L/m²]."""
    count = max(math.ceil((high - low) / RATE_STEP_L_M2 - 1e-9), 0)
    return [*(low + RATE_STEP_L_M2 * step for step in range(count)), high]


def _additive_choice(case: DecisionCase) -> tuple[float, AdditiveChoice]:
    """Return the additive fraction by policy [-] and the additives allowed."""
    practice, event = case.practice, case.event
    rule = "additive_default"
    if event.min_pavement_temp_c < practice.number("additive_cold_below"):
        case.add_rule_reason("additive_cold_below", "sets", "cold blend", event.min_pavement_temp_c)
        rule = "additive_cold"
    if case.surface.needs_sensitive_blend:
        rule = "additive_sensitive"
    case.add_rule_reason(rule, "sets", "share of additive")
    additive_frac = min(practice.number(rule), practice.number("additive_max"))
    choice = products.select_additives(
        case.surface, case.stock, practice, case.local_date(event.start)
    )
    for _product, refused_by, reason in choice.refused:
        case.add_fact_reason(
            refused_by, "refuses", reason, Evidence.COMMON_PRACTICE, "product limits, sites file"
        )
    return additive_frac, choice


# -- which ----------------------------------------------------------------------------------------


def select_candidate(open_case: OpenCase, results: Sequence[CandidateResult]) -> CandidateResult:
    """Return the least chloride that holds, else the highest rate allowed.

    Of each blend the least that holds, at the hour nearest the best lead; of those the cheapest.
    """
    case = open_case.case
    best_hour = case.hour_index(open_case.best_start)

    def start_distance_h(result: CandidateResult) -> int:
        return abs(result.candidate.start_hour - best_hour)

    def cost_key(result: CandidateResult) -> tuple[float, float]:
        candidate = result.candidate
        price = case.stock.price_per_l(candidate.additive, candidate.additive_frac)
        return math.inf if price is None else price * candidate.rate_l_m2, result.chloride_kg_m2

    blends: dict[tuple[str | None, float], list[CandidateResult]] = {}
    for outcome in results:
        blends.setdefault((outcome.candidate.additive, outcome.candidate.additive_frac), []).append(
            outcome
        )
    cheapest_rates = [
        min(held, key=lambda o: (o.candidate.rate_l_m2, start_distance_h(o)))
        for blend_results in blends.values()
        if (held := [outcome for outcome in blend_results if outcome.failure_hour is None])
    ]
    if cheapest_rates:
        return min(cheapest_rates, key=cost_key)
    highest_rates = [
        min(among, key=lambda o: (-o.candidate.rate_l_m2, start_distance_h(o)))
        for among in blends.values()
    ]
    return min(highest_rates, key=cost_key)


def next_higher_rate(
    result: CandidateResult, results: Sequence[CandidateResult], steps: int
) -> CandidateResult | None:
    """Return the result some rate steps higher; None at the highest rate."""
    candidate = result.candidate
    higher = [
        other
        for other in results
        if replace(other.candidate, rate_l_m2=candidate.rate_l_m2) == candidate
        and other.candidate.rate_l_m2 > candidate.rate_l_m2
    ]
    higher.sort(key=lambda other: other.candidate.rate_l_m2)
    return higher[min(steps, len(higher)) - 1] if higher else None


def alternatives(
    open_case: OpenCase, results: Sequence[CandidateResult], chosen: Candidate
) -> tuple[Alternative, ...]:
    """Return the lowest and highest alternatives at the chosen start and rate."""
    case, area = open_case.case, open_case.case.surface.area_m2
    same_start = [o for o in results if o.candidate.start_hour == chosen.start_hour]
    rates = sorted({o.candidate.rate_l_m2 for o in same_start})
    picked = [o for o in same_start if o.candidate.rate_l_m2 in (rates[0], rates[-1])]
    picked += [o for o in results
               if o.candidate.rate_l_m2 == chosen.rate_l_m2
               and o.candidate.additive == chosen.additive]  # fmt: skip
    alternative_records = []
    for result in dict.fromkeys(o for o in picked if o.candidate != chosen):
        candidate = result.candidate
        price = case.stock.price_per_l(candidate.additive, candidate.additive_frac)
        volume = candidate.rate_l_m2 * area
        alternative_records.append(
            Alternative(
                start=case.hour_start(candidate.start_hour),
                additive=candidate.additive,
                additive_frac=candidate.additive_frac,
                rate_l_m2=candidate.rate_l_m2,
                holds_until=None
                if result.failure_hour is None
                else case.hour_start(result.failure_hour),
                chloride_kg=result.chloride_kg_m2 * area,
                cost=None if price is None else price * volume,
            )
        )
    return tuple(alternative_records[:MAX_ALTERNATIVES])
