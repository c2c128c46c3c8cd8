"""A liquid ahead of an event: when it can go down, what may go down, and which of that is enough.

Practice bounds the search: a dry and calm hour with the right lead, the published range of rates,
the ladder of blends. Of what the film model makes of it, the least that keeps service to the target
is taken; where nothing does, the least that reaches the best hour, and more as far as that lasts
longer on average.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from stormplan.company.practice_rules import NHDES, TXDOT, Evidence
from stormplan.events.detection import Event
from stormplan.events.hazards import Hazard
from stormplan.treatment import products
from stormplan.treatment.candidates import Dose, DoseResult
from stormplan.treatment.products import AdditiveChoice
from stormplan.treatment.reasons import fact_reason, rule_reason
from stormplan.treatment.records import Reason
from stormplan.treatment.surface_case import SurfaceCase
from stormplan.units import L_M2_PER_GAL_KFT2

RATE_STEP_L_M2 = 0.05 * L_M2_PER_GAL_KFT2  # as fine as a spray controller is set
MAX_STARTS = 4
MAX_ADDITIVES = 2

Reasons = tuple[Reason, ...]


@dataclass(frozen=True)
class Window:
    """Hours in which a pre-treat may start, and the best of them; empty where there is none."""

    hours: tuple[int, ...]
    best: int
    reasons: Reasons


def find_window(
    case: SurfaceCase, event: Event, earliest: int, lying_mm: Sequence[float]
) -> Window:
    """Return the last run of hours before onset that are dry, calm and not washed off.

    Parameters
    ----------
    case : SurfaceCase
        The surface.
    event : Event
        What comes.
    earliest : int
        First hour that is free for it.
    lying_mm : sequence of float (hour,)
        Water, ice and snow that lie there at the end of each hour from now on [mm].

    Returns
    -------
    Window
        With the reasons why it is empty, if it is.
    """
    practice = case.practice
    onset = case.hour_index(event.start)
    longest = "lead_max_frost" if event.hazard is Hazard.FROST else "lead_max"
    first = max(earliest, onset - math.floor(practice.number(longest)))
    last = onset - math.ceil(practice.number("lead_min"))
    max_damp_mm = 1000.0 * practice.number("max_damp")
    calm: list[int] = []
    strongest_ms, is_wet, is_washed_off = 0.0, False, False
    for index in range(onset - 1, earliest - 1, -1):
        hour = case.outlook.hours[index]
        if case.hours.has_washing_rain[index]:  # what does not rain adds nothing to it
            rain_mm = case.rain_mm(index, onset, event)
            if case.is_washed_off(rain_mm):
                is_washed_off = True
                break
        if lying_mm[index] > max_damp_mm:
            is_wet = True
            break
        if not first <= index <= last:
            continue
        strongest_ms = max(strongest_ms, hour.wind_ms)
        if hour.wind_ms <= practice.number("max_wind"):
            calm.append(index)
        elif calm:
            break
    if calm:
        hours = tuple(reversed(calm))
        best, reason = _best_start(case, event, hours)
        return Window(hours, best, (reason,))
    if is_washed_off:
        text = "rain between treatment and onset"
        typical_m = float(np.median(rain_mm)) / 1000.0
        reason = rule_reason(practice, "max_rain_before_onset", "refuses", text, typical_m)
    elif is_wet:
        reason = fact_reason(
            "dry_surface",
            "refuses",
            "water, ice or snow lies there until it starts",
            Evidence.PUBLISHED,
            f"{NHDES}: on a dry surface; {TXDOT}: late liquid dilutes",
        )
    elif strongest_ms > practice.number("max_wind"):
        text = "too windy to spray in every hour left"
        reason = rule_reason(practice, "max_wind", "refuses", text, strongest_ms)
    else:
        text = "no hour is left between now and the latest start"
        reason = rule_reason(practice, "lead_min", "refuses", text, float(onset - earliest))
    return Window((), onset, (reason,))


def window_of_rounds(case: SurfaceCase, event: Event, window: Window) -> Window:
    """Return the one hour of a window that the rounds have; empty where it is no longer open.

    Parameters
    ----------
    case : SurfaceCase
        With what the rounds make of its pre-treats.
    event : Event
        That is sprayed for.
    window : Window
        Hours open for spraying.

    Returns
    -------
    Window
        As it is while there are no rounds.
    """
    round_ = case.in_rounds(event)
    if round_ is None or round_.start is None or not window.hours:
        return window
    hour = case.hour_index(round_.start)
    if hour in window.hours:
        return replace(window, best=hour)
    reason = fact_reason(
        "dry_surface",
        "refuses",
        "what is done for the hazard before closes the hour that the rounds have",
        Evidence.PUBLISHED,
        f"{NHDES}: on a dry surface; {TXDOT}: late liquid dilutes",
    )
    return Window((), window.best, (reason,))


def _best_start(case: SurfaceCase, event: Event, hours: Sequence[int]) -> tuple[int, Reason]:
    """Return the best start and why: before frost while it dries, else at the best lead."""
    practice = case.practice
    if event.hazard is Hazard.FROST:
        reason = fact_reason(
            "frost_start",
            "sets",
            "before frost in daylight or drying hours, so that the salt dries on",
            Evidence.COMMON_PRACTICE,
            "common practice, no source",
        )
        return _drying_start(case, hours), reason
    onset = case.hour_index(event.start)
    wanted = onset - practice.number("lead_best")
    tolerance = practice.number("best_start_tolerance")
    near = [hour for hour in hours if abs(hour - wanted) <= tolerance] or list(hours)

    def inconvenience(hour: int) -> tuple[bool, float]:
        busy = not case.is_pedestrian and case.is_open(case.hour_start(hour))
        return busy, abs(hour - wanted)

    best = min(near, key=inconvenience)
    return best, rule_reason(practice, "lead_best", "sets", "best start before onset")


def _drying_start(case: SurfaceCase, hours: Sequence[int]) -> int:
    """Latest hour of daylight with another one after it, else the hour that dries best."""
    night = case.hours.night
    daylight = [hour for hour in hours if not night[hour]]
    with_more = [hour for hour in daylight if hour + 1 < case.n_hours and not night[hour + 1]]
    if daylight:
        return (with_more or daylight)[-1]

    def drying_k(hour: int) -> float:
        at = case.outlook.hours[hour]
        return at.surface_c - at.dew_point_c

    return max(hours, key=drying_k)


def candidate_starts(event: Event, window: Window) -> list[int]:
    """Return the starts to try: the best, and but for frost a few others across the window."""
    if event.hazard is Hazard.FROST:
        return [window.best]
    first, last = window.hours[0], window.hours[-1]
    starts = {window.best, first, (first + last) // 2, last} & set(window.hours)
    return sorted(starts, key=lambda hour: abs(hour - window.best))[:MAX_STARTS]


# -- what -----------------------------------------------------------------------------------------


def snow_class(case: SurfaceCase, event: Event) -> Hazard:
    """Return frost, or how heavy the snow of an event is by its highest rate."""
    if event.hazard is Hazard.FROST:
        return Hazard.FROST
    if event.max_snowfall_rate_cm_h > case.practice.number("heavy_snow_above"):
        return Hazard.HEAVY_SNOW
    if event.max_snowfall_rate_cm_h >= case.practice.number("light_snow_below"):
        return Hazard.MODERATE_SNOW
    return Hazard.LIGHT_SNOW


RATE_RULES = {
    Hazard.FROST: ("frost_rate_min", "frost_rate_max"),
    Hazard.LIGHT_SNOW: ("pretreat_rate_min", "pretreat_rate_light_snow_max"),
    Hazard.MODERATE_SNOW: ("pretreat_rate_min", "pretreat_rate_max"),
    Hazard.HEAVY_SNOW: ("pretreat_rate_min", "pretreat_rate_max"),
}


def rates_l_m2(
    case: SurfaceCase, event: Event, residual_l_m2: float = 0.0
) -> tuple[list[float], Reasons]:
    """Return the rates to try, lowest first, and the rules that bound them [L/m²].

    With ``residual_l_m2`` of a pre-treat that is down they stay within the highest; none may.
    """
    practice, hazard = case.practice, snow_class(case, event)
    rules = RATE_RULES[hazard]
    reasons = [
        rule_reason(practice, rule, "sets", f"{what} rate before {hazard}")
        for rule, what in zip(rules, ("lowest", "highest"), strict=True)
    ]
    if hazard is not Hazard.FROST:
        usual = rule_reason(
            practice, "pretreat_rate_usual", "sets", "usual rate of practice, for comparison"
        )
        reasons.append(usual)
    factor, more = _first_use_rate_factor(case)
    ceiling = practice.number("pretreat_rate_max")
    low, high = (factor * min(practice.number(rule), ceiling) for rule in rules)
    count = max(math.ceil((high - low) / RATE_STEP_L_M2 - 1e-9), 0)
    steps = [*(low + RATE_STEP_L_M2 * step for step in range(count)), high]
    return [rate for rate in steps if rate <= high - residual_l_m2 + 1e-9], (*reasons, *more)


def _first_use_rate_factor(case: SurfaceCase) -> tuple[float, Reasons]:
    """Part of the rate on the first treatment after a long dry spell [-]."""
    if case.last_treated_at is None:
        return 1.0, ()
    dry_h = (case.now - case.last_treated_at) / timedelta(hours=1)
    if dry_h <= case.practice.number("dry_spell"):
        return 1.0, ()
    return case.practice.number("first_use_rate_factor"), (
        rule_reason(
            case.practice, "dry_spell", "sets", "first treatment after a long dry spell", dry_h
        ),
        rule_reason(
            case.practice,
            "first_use_rate_factor",
            "sets",
            "part of the rate: oil makes dry lots slick",
        ),
    )


Blend = tuple[str | None, float]


def blends(
    case: SurfaceCase, event: Event, first: int, last: int
) -> tuple[list[Blend], AdditiveChoice, Reasons]:
    """Return the blends that practice puts down, best first, by the ladder and the product rules.

    The rung is read on the coldest of air and pavement from ``first`` to before ``last``, as the
    trade speaks of "the temperature".
    """
    practice = case.practice
    pavement_c = case.lowest_pavement_c(first, last, event)
    air_c = min(
        (hour.air_c for hour in case.outlook.hours[first : max(last, first + 1)]), default=math.nan
    )
    coldest_c = min(pavement_c, air_c)
    rule = "additive_default"
    reasons: list[Reason] = []
    if coldest_c < practice.number("additive_cold_below"):
        which = "pavement" if pavement_c <= air_c else "air"
        reasons.append(
            rule_reason(
                practice, "additive_cold_below", "sets", f"cold blend, by the {which}", coldest_c
            )
        )
        rule = "additive_cold"
    if case.surface.needs_sensitive_blend and practice.number(
        "additive_sensitive"
    ) >= practice.number(rule):
        rule = "additive_sensitive"
    reasons.append(rule_reason(practice, rule, "sets", "part of additive by volume"))
    additive_frac = min(practice.number(rule), practice.number("additive_max"))
    choice = products.select_additives(
        case.surface, case.stock, practice, case.local_date(case.hour_start(first))
    )
    for _product, refused_by, why in choice.refused:
        reasons.append(
            fact_reason(
                refused_by, "refuses", why, Evidence.COMMON_PRACTICE, "product limits, sites file"
            )
        )
    if additive_frac <= 0.0:
        return [(None, 0.0)], choice, tuple(reasons)
    ready_made = [product for product in choice.allowed if not product.is_straight_chloride]
    found: list[Blend] = [
        (product.key, min(additive_frac, product.max_vol_frac))
        for product in (ready_made or choice.allowed)[:MAX_ADDITIVES]
    ]
    if not found:
        reasons.append(
            fact_reason(
                "no_additive",
                "warns",
                "no additive in the yard is allowed here: straight brine",
                Evidence.COMMON_PRACTICE,
                "sites file: products, and what the yard has of them",
            )
        )
        return [(None, 0.0)], choice, tuple(reasons)
    return found, choice, tuple(reasons)


def target_hour(case: SurfaceCase, event: Event, passes: Sequence[int]) -> tuple[int, Reason]:
    """Return the hour up to which service is to be kept, by policy."""
    wish = case.practice.choice("hold_target")
    onset, end = case.hour_index(event.start), case.hour_index(event.end)
    if wish == "opening":
        ahead = range(onset, case.n_hours)
        hour = next((hour for hour in ahead if case.is_open(case.hour_start(hour))), end)
    elif wish == "end":
        hour = end
    else:
        hour = next((hour for hour in passes if hour > onset), end)
    reason = rule_reason(case.practice, "hold_target", "sets", f"how long it is to last: {wish}")
    return min(max(hour, onset + 1), case.n_hours), reason


# -- which ----------------------------------------------------------------------------------------


def select(
    results: Sequence[DoseResult],
    blends_in_order: Sequence[Blend],
    best_start: int,
    steps_up: int,
    worth_frac: float,
) -> DoseResult:
    """Return the least chloride that keeps service, else the most that is worth it.

    Of blends that do equally well the one that practice prefers, at the start nearest to the best;
    ``steps_up`` rates more of it, of those that do as well, where the coupled simulation asked for
    them. Where nothing keeps service, each higher rate must keep it longer than one before by
    ``worth_frac`` of the time asked for, on average over the members with the event [-].
    """
    preference = {key: at for at, key in enumerate(blends_in_order)}
    longest = max(_until(result) for result in results)
    enough = [result for result in results if _until(result) >= longest]

    def order(result: DoseResult) -> tuple[int, float, int]:
        dose = result.doses[-1]
        blend = preference[dose.additive, dose.additive_frac]
        return blend, round(dose.rate_l_m2, 9), abs(dose.hour - best_start)

    least = min(enough, key=order)
    chosen = least.doses[-1]
    higher = sorted(
        (
            result
            for result in enough
            if _blend_and_start(result.doses[-1]) == _blend_and_start(chosen)
            and result.doses[-1].rate_l_m2 > chosen.rate_l_m2
        ),
        key=lambda result: result.doses[-1].rate_l_m2,
    )
    if least.failure_hour is not None:
        for result in higher:
            if result.held_time_frac - least.held_time_frac >= worth_frac:
                least = result
        return least
    return higher[min(steps_up, len(higher)) - 1] if steps_up and higher else least


def _until(result: DoseResult) -> float:
    return math.inf if result.failure_hour is None else result.failure_hour


def _blend_and_start(dose: Dose) -> tuple[str | None, float, int]:
    return dose.additive, dose.additive_frac, dose.hour
