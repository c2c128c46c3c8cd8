"""A pre-treat: when it can go down, what may go down, and which of that is the least that holds.

``ask`` turns a case into a ``Search`` that practice bounds; ``settle`` picks from what the film
model made of it. The least chloride that holds to the target wins; where none holds, the most
that practice allows, with the hour at which it fails.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from stormplan.company.practice_rules import NHDES, TXDOT, Standing
from stormplan.events.detection import Hour
from stormplan.events.hazards import SNOW, Hazard
from stormplan.treatment import products
from stormplan.treatment.candidates import RESIDUAL_MM, Candidate, Outcome, Search
from stormplan.treatment.products import Choice
from stormplan.treatment.records import Alternative, Case
from stormplan.units import L_M2_PER_GAL_KFT2

RATE_STEP_L_M2 = 0.05 * L_M2_PER_GAL_KFT2  # as fine as a spray controller is set
DRY_MM = 0.1  # water a surface may carry and still take a pre-treat: damp, our own choice
NEAR_BEST = timedelta(hours=6)  # starts within this of the best lead are as good as it
MOST_STARTS = 4
MOST_ADDITIVES = 2
MOST_ALTERNATIVES = 6


@dataclass(frozen=True)
class Question:
    """A case with the search that practice leaves it, and the hours it may start in."""

    case: Case
    search: Search
    window: tuple[Hour, ...]
    best: datetime


def ask(case: Case) -> Question | None:
    """Bound a search by practice; None where no hour is left to spray in (reasons say why)."""
    window = _window(case)
    if not window:
        return None
    best = _best(case, window)
    low, high = _rates(case)
    share, choice = _blend(case)
    blends: list[tuple[str | None, float]] = []
    if share > 0.0:
        for product in choice.allowed[:MOST_ADDITIVES]:
            blends.append((product.key, min(share, product.highest_share_frac)))
    if not blends:
        blends = [(None, 0.0)]
        if share > 0.0:
            case.fact(
                "no_additive",
                "warns",
                "no additive in the yard is allowed here: straight brine",
                Standing.COMMON_PRACTICE,
                "sites file: products, and what the yard has of them",
            )
    starts = _starts(case, window, best)
    search = Search(
        column=case.column,
        candidates=tuple(
            Candidate(start, additive, part, rate)
            for start in starts
            for additive, part in blends
            for rate in _steps(low, high)
        ),
        onset=case.hour(case.event.start),
        target=_target(case),
        tolerated_ice_frac=0.0 if case.is_pedestrian else case.practice.number("ice_tolerated"),
        plows=case.plows,
        residual_mm=RESIDUAL_MM[case.surface.surface_class.use],
        comes=case.event.comes,
        hold_share=case.practice.number("hold_share"),
    )
    return Question(case, search, tuple(window), best)


# -- when -----------------------------------------------------------------------------------------


def _window(case: Case) -> list[Hour]:
    """Find the last stretch of hours in which the surface is dry, calm and not washed off."""
    event, practice = case.event, case.practice
    longest = "lead_longest_frost" if event.hazard is Hazard.FROST else "lead_longest"
    first = max(case.now, event.start - timedelta(hours=practice.number(longest)))
    last = event.start - timedelta(hours=practice.number("lead_shortest"))
    washes_mm = 1000.0 * practice.number("rain_washes_off")
    calm: list[Hour] = []
    falls_mm, windiest, wet = 0.0, 0.0, False
    for hour in reversed([hour for hour in case.outlook.hours if hour.start < event.start]):
        falls_mm += 0.0 if math.isnan(hour.water_mm) else hour.water_mm
        if falls_mm > washes_mm:
            break
        if hour.lies_mm > DRY_MM:
            wet = True
            break
        if not first <= hour.start <= last:
            continue
        windiest = max(windiest, hour.wind_mps)
        if hour.wind_mps <= practice.number("wind_hold"):
            calm.append(hour)
        elif calm:
            break
    if not calm and falls_mm > washes_mm:
        says = "rain between treatment and onset"
        case.because("rain_washes_off", "refuses", says, falls_mm / 1000.0)
    elif not calm and wet:
        case.fact(
            "dry_surface",
            "refuses",
            "water, ice or snow lies there until it starts",
            Standing.PUBLISHED,
            f"{NHDES}: on a dry surface; {TXDOT}: late liquid dilutes",
        )
    elif not calm:
        case.because("wind_hold", "refuses", "too windy to spray in every hour left", windiest)
    calm.reverse()
    return calm


def _best(case: Case, window: Sequence[Hour]) -> datetime:
    """Pick the hour nearest the best lead, outside opening hours where there is a choice.

    Frost: an hour of daylight before it, so that the water dries and leaves the salt.
    """
    wanted = case.event.start - timedelta(hours=case.practice.number("lead_best"))
    case.because("lead_best", "sets", "best start before onset")
    busy = not case.is_pedestrian

    def inconvenience(hour: Hour) -> tuple[bool, bool, timedelta]:
        dark = case.event.hazard is Hazard.FROST and hour.surface_c <= 0.0
        return (busy and case.is_open(hour.start)), dark, abs(hour.start - wanted)

    near = [hour for hour in window if abs(hour.start - wanted) <= NEAR_BEST] or list(window)
    return min(near, key=inconvenience).start


def _starts(case: Case, window: Sequence[Hour], best: datetime) -> list[int]:
    """Hours to weigh: the best, and a few others across the window."""
    first, last = case.hour(window[0].start), case.hour(window[-1].start)
    spread = {case.hour(best), first, (first + last) // 2, last}
    return sorted(spread, key=lambda hour: abs(hour - case.hour(best)))[:MOST_STARTS]


def _target(case: Case) -> int:
    """Hour up to which the film should hold, by policy."""
    wish, event = case.practice.choice("hold_target"), case.event
    onset, end = case.hour(event.start), case.hour(event.end)
    opening = next(
        (case.hour(h.start) for h in case.outlook.hours
         if h.start >= event.start and case.is_open(h.start)), end,
    )  # fmt: skip
    plow = next((hour for hour in case.plows if hour > onset), end)
    chosen = {
        "auto": plow if event.hazard in SNOW else end,
        "first plow": plow,
        "end": end,
        "opening": opening,
    }[wish]
    case.because("hold_target", "sets", f"hold to: {wish}")
    return min(max(chosen, onset + 1), len(case.outlook.hours))


# -- what -----------------------------------------------------------------------------------------


def _rates(case: Case) -> tuple[float, float]:
    """Look the published range up, halved after a dry spell [L/m²]."""
    by_hazard = {
        Hazard.FROST: ("frost_rate_low", "frost_rate_high"),
        Hazard.LIGHT_SNOW: ("pretreat_rate_low", "pretreat_rate_strong"),
        Hazard.MODERATE_SNOW: ("pretreat_rate_low", "pretreat_rate_high"),
        Hazard.HEAVY_SNOW: ("pretreat_rate_low", "pretreat_rate_high"),
    }
    rules = by_hazard[case.event.hazard]
    for rule, what in zip(rules, ("lowest", "highest"), strict=True):
        case.because(rule, "sets", f"{what} rate before {case.event.hazard}")
    low, high = (case.practice.number(rule) for rule in rules)
    ceiling = case.practice.number("pretreat_rate_high")
    part = _dry_spell(case)
    return part * min(low, ceiling), part * min(high, ceiling)


def _dry_spell(case: Case) -> float:
    """Part of the rate on the first treatment after a long dry spell [-]."""
    treated = case.surface.last_treated
    if treated is None:
        return 1.0
    dry_h = 24.0 * (case.local_day(case.now) - treated).days
    if dry_h <= case.practice.number("dry_spell"):
        return 1.0
    case.because("dry_spell", "sets", "first treatment after a long dry spell", dry_h)
    case.because("first_storm_share", "sets", "part of the rate: oil makes dry lots slick")
    return case.practice.number("first_storm_share")


def _steps(low: float, high: float) -> list[float]:
    """Rates from low to high, both included."""
    count = max(math.ceil((high - low) / RATE_STEP_L_M2 - 1e-9), 0)
    return [*(low + RATE_STEP_L_M2 * step for step in range(count)), high]


def _blend(case: Case) -> tuple[float, Choice]:
    """Choose the additive's share by the ladder of common practice, and who may be it."""
    practice, event = case.practice, case.event
    rule = "blend_usual"
    if event.coldest_surface_c < practice.number("blend_cold_below"):
        case.because("blend_cold_below", "sets", "cold blend", event.coldest_surface_c)
        rule = "blend_cold"
    if case.surface.is_sensitive:
        rule = "blend_sensitive"
    case.because(rule, "sets", "share of additive")
    share = min(practice.number(rule), practice.number("blend_highest"))
    choice = products.choose(case.surface, case.stock, practice, case.local_day(event.start))
    for _product, refused_by, why in choice.refused:
        case.fact(
            refused_by, "refuses", why, Standing.COMMON_PRACTICE, "product limits, sites file"
        )
    return share, choice


# -- which ----------------------------------------------------------------------------------------


def choose(question: Question, outcomes: Sequence[Outcome]) -> Outcome:
    """Pick the least chloride that holds, else the most that practice allows.

    Of each blend the least that holds, at the hour nearest the best lead; of those the cheapest.
    """
    case = question.case
    best = case.hour(question.best)

    def nearness(outcome: Outcome) -> int:
        return abs(outcome.candidate.start - best)

    def cost(outcome: Outcome) -> tuple[float, float]:
        candidate = outcome.candidate
        price = case.stock.price_per_l(candidate.additive, candidate.share)
        return math.inf if price is None else price * candidate.rate_l_m2, outcome.chloride_kg_m2

    blends: dict[tuple[str | None, float], list[Outcome]] = {}
    for outcome in outcomes:
        blends.setdefault((outcome.candidate.additive, outcome.candidate.share), []).append(outcome)
    holding = [
        min(held, key=lambda o: (o.candidate.rate_l_m2, nearness(o)))
        for among in blends.values()
        if (held := [outcome for outcome in among if outcome.fails is None])
    ]
    if holding:
        return min(holding, key=cost)
    most = [
        min(among, key=lambda o: (-o.candidate.rate_l_m2, nearness(o))) for among in blends.values()
    ]
    return min(most, key=cost)


def step_up(outcome: Outcome, outcomes: Sequence[Outcome], steps: int) -> Outcome | None:
    """Find the same blend and start some rates further up, or at the most; None from there."""
    candidate = outcome.candidate
    higher = [
        other
        for other in outcomes
        if replace(other.candidate, rate_l_m2=candidate.rate_l_m2) == candidate
        and other.candidate.rate_l_m2 > candidate.rate_l_m2
    ]
    higher.sort(key=lambda other: other.candidate.rate_l_m2)
    return higher[min(steps, len(higher)) - 1] if higher else None


def alternatives(
    question: Question, outcomes: Sequence[Outcome], chosen: Candidate
) -> tuple[Alternative, ...]:
    """List the ends of what was weighed, for the chosen start and for the chosen rate."""
    case, area = question.case, question.case.surface.area_m2
    same_start = [o for o in outcomes if o.candidate.start == chosen.start]
    rates = sorted({o.candidate.rate_l_m2 for o in same_start})
    picked = [o for o in same_start if o.candidate.rate_l_m2 in (rates[0], rates[-1])]
    picked += [o for o in outcomes
               if o.candidate.rate_l_m2 == chosen.rate_l_m2
               and o.candidate.additive == chosen.additive]  # fmt: skip
    found = []
    for outcome in dict.fromkeys(o for o in picked if o.candidate != chosen):
        candidate = outcome.candidate
        price = case.stock.price_per_l(candidate.additive, candidate.share)
        volume = candidate.rate_l_m2 * area
        found.append(
            Alternative(
                start=case.time(candidate.start),
                additive=candidate.additive,
                additive_share=candidate.share,
                rate_l_m2=candidate.rate_l_m2,
                holds_until=None if outcome.fails is None else case.time(outcome.fails),
                chloride_kg=outcome.chloride_kg_m2 * area,
                cost=None if price is None else price * volume,
            )
        )
    return tuple(found[:MOST_ALTERNATIVES])
