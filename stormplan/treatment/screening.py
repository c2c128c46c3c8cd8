"""Reasons against single actions: each rules out one action and says nothing of the others.

Temperatures are read on the hours until the next visit: what the pavement does later is for the
next visit to answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from stormplan.company import practice_rules
from stormplan.company.practice_rules import Evidence
from stormplan.events.detection import Event
from stormplan.events.hazards import Hazard
from stormplan.treatment.earlier_work import has_work, is_sprayed
from stormplan.treatment.reasons import fact_reason, rule_reason
from stormplan.treatment.records import Reason
from stormplan.treatment.surface_case import SurfaceCase

#: Name of the fact that the rounds of the sprayers leave a surface out.
ROUNDS = "rounds"


def probability_too_low(case: SurfaceCase, event: Event) -> Reason | None:
    """Return why an event is waited for: too unlikely for now, or too unlikely for so far off."""
    rule = _go_rule(case, event)
    limit = case.practice.number(rule)
    if has_work(case.earlier_work, event):
        limit -= case.practice.number("probability_hysteresis")
    if round(event.probability, 6) >= round(limit, 6):
        return None
    text = "the chance is too small to "
    text += "go" if rule == "go_probability" else "plan for it a day ahead"
    return rule_reason(case.practice, rule, "refuses", text, event.probability)


def probability_enough(case: SurfaceCase, event: Event, text: str) -> Reason:
    """Return that an event is likely enough to send somebody, as ``text`` says."""
    return rule_reason(case.practice, _go_rule(case, event), "sets", text, event.probability)


def kept_from_before(case: SurfaceCase, event: Event) -> Reason | None:
    """Return that an event is gone for only because the plan announced before goes for it."""
    if round(event.probability, 6) >= case.practice.number(_go_rule(case, event)):
        return None
    text = "planned before, and the chance has fallen only a little below the limit"
    return rule_reason(case.practice, "probability_hysteresis", "sets", text)


def _go_rule(case: SurfaceCase, event: Event) -> str:
    """Return the rule that says from which chance on crews go."""
    lead_h = (event.start - case.now) / timedelta(hours=1)
    far = lead_h > case.practice.number("day_ahead_lead")
    return "go_probability_beyond_day" if far else "go_probability"


def chemical_refusal(case: SurfaceCase, hour: int) -> Reason | None:
    """Return why no chloride may go on the surface."""
    surface = case.surface
    if surface.no_chlorides:
        return fact_reason(
            "no_chlorides",
            "refuses",
            "the owner allows no chlorides here, or it is an airfield surface",
            Evidence.PUBLISHED,
            "sites file; FAA AC 150/5200-30 for airfields, from memory",
        )
    until = surface.new_concrete_until
    young = until is not None and case.local_date(case.hour_start(hour)) < until
    if young and case.practice.choice("new_concrete") == "refuse":
        text = f"new concrete until {until:%Y-%m-%d}"
        return rule_reason(case.practice, "new_concrete", "refuses", text)
    return None


def wind_refusal(case: SurfaceCase, hour: int) -> Reason | None:
    """Return why nothing is sprayed in an hour: too windy, or blowing snow."""
    at = case.hour(hour)
    if at.blowing_snow:
        return _blowing_snow()
    if at.wind_ms > case.practice.number("max_wind"):
        return rule_reason(
            case.practice, "max_wind", "refuses", "too windy to spray then", at.wind_ms
        )
    return None


def liquid_too_cold(
    case: SurfaceCase, rule: str, first: int, last: int, event: Event, hysteresis_k: float = 0.0
) -> Reason | None:
    """Return why no liquid salt goes down for some hours, by a rule's pavement temperature.

    It goes down as far as ``hysteresis_k`` below it [K].
    """
    lowest_c = case.lowest_pavement_c(first, last, event)
    if not lowest_c < case.practice.number(rule) - hysteresis_k:
        return None
    text = "pavement before the next visit is too cold for liquid salt"
    return rule_reason(case.practice, rule, "refuses", text, lowest_c)


def liquid_kept_from_before(case: SurfaceCase, event: Event, last: int) -> Reason | None:
    """Return that liquid goes down only because the plan announced before sprays it."""
    onset = case.hour_index(event.start)
    too_cold = liquid_too_cold(case, "liquid_stop_below", onset, last, event)
    if too_cold is None:
        return None
    text = "sprayed by the plan before, and the pavement has fallen only a little below the limit"
    return rule_reason(case.practice, "temperature_hysteresis", "sets", text)


def salt_too_cold(case: SurfaceCase, first: int, event: Event) -> Reason | None:
    """Return why salt is not worth spreading: too cold before the next pass could come."""
    cycle = math.ceil(case.practice.number("cycle_time"))
    lowest_c = case.lowest_pavement_c(first, first + cycle, event)
    if not lowest_c < case.practice.number("solid_stop_below"):
        return None
    text = "pavement before the next pass is too cold for salt of any kind"
    return rule_reason(case.practice, "solid_stop_below", "refuses", text, lowest_c)


def pretreat_refusals(case: SurfaceCase, event: Event, last: int) -> tuple[Reason, ...]:
    """Return every reason against a liquid ahead of an event; ``last`` is the next visit's hour."""
    onset = case.hour_index(event.start)
    is_kept = is_sprayed(case.earlier_work, event)
    hysteresis_k = case.practice.number("temperature_hysteresis") if is_kept else 0.0
    reasons = (
        chemical_refusal(case, onset),
        _standing_water(event),
        _ice_falls_first(case, event, onset),
        _rain_falls_first(case, event, onset),
        liquid_too_cold(case, "liquid_stop_below", onset, last, event, hysteresis_k),
        _snow_too_heavy(case, event),
        _blowing_snow() if event.blowing_snow else None,
        _lead_too_short(case, event),
        _no_sprayer_comes(case, event),
    )
    return tuple(reason for reason in reasons if reason is not None)


TIMING_RULES = ("lead_min", "max_wind")


def is_only_timing(refusals: Sequence[Reason]) -> bool:
    """Return whether nothing speaks against a liquid but that no good hour is left for it."""
    return all(reason.rule in TIMING_RULES for reason in refusals)


def _standing_water(event: Event) -> Reason | None:
    if event.hazard is not Hazard.REFREEZE:
        return None
    water = "water off the snow pile" if event.from_pile else "standing water"
    return fact_reason(
        "standing_water",
        "refuses",
        f"{water} would dilute a liquid before it freezes",
        Evidence.PUBLISHED,
        f"{practice_rules.TXDOT}: questionable whenever water precedes the freeze;"
        f" {practice_rules.FHWA}, Table 11 for the solid",
    )


def _ice_falls_first(case: SurfaceCase, event: Event, onset: int) -> Reason | None:
    """Freezing rain or sleet in most of the first hours of what falls."""
    first = slice(onset, onset + math.ceil(case.practice.number("cycle_time")))
    hours = case.hours
    has_event = np.array(event.has_event)
    freezing = hours.freezing_rain_mm[first].sum(axis=0)
    sleet = hours.sleet_mm[first].sum(axis=0)
    snow = hours.snowfall_swe_mm[first].sum(axis=0)
    icy = (freezing + sleet > snow) & has_event
    if not icy.sum() > 0.5 * has_event.sum():
        return None
    if np.median(freezing[icy]) >= np.median(sleet[icy]):
        return fact_reason(
            "freezing_rain",
            "refuses",
            "rain dilutes a liquid faster than it can work",
            Evidence.PUBLISHED,
            f"{practice_rules.NHDES}: not advised; {practice_rules.FHWA}, Table 12: solids only",
        )
    return fact_reason(
        "sleet",
        "refuses",
        "sleet is treated with prewetted solids",
        Evidence.FROM_MEMORY,
        f"{practice_rules.FHWA}, Table 13",
    )


def _rain_falls_first(case: SurfaceCase, event: Event, onset: int) -> Reason | None:
    """Rain likelier than policy allows before a liquid has had its first hour of work."""
    if event.hazard is Hazard.FROST:
        return None
    first = max(onset - math.ceil(case.practice.number("lead_best")), 0)
    rain_mm = case.rain_mm(first, onset + 1, event)
    if not case.is_washed_off(rain_mm):
        return None
    text = "rain is likelier than policy allows before a liquid could work"
    washed_frac = case.washed_frac(rain_mm)
    return rule_reason(case.practice, "max_rain_probability", "refuses", text, washed_frac)


def _snow_too_heavy(case: SurfaceCase, event: Event) -> Reason | None:
    heavy = event.max_snowfall_rate_cm_h > case.practice.number("heavy_snow_above")
    if not heavy or case.practice.choice("heavy_snow_pretreat") == "allow":
        return None
    text = "no lot handbook prints a rate"
    return rule_reason(case.practice, "heavy_snow_pretreat", "refuses", text)


def _blowing_snow() -> Reason:
    return fact_reason(
        "blowing_snow",
        "refuses",
        "residue catches blowing snow and makes ice where none was",
        Evidence.PUBLISHED,
        f"WisDOT FAQ; {practice_rules.MINN}, from memory",
    )


def _lead_too_short(case: SurfaceCase, event: Event) -> Reason | None:
    lead_h = (event.start - case.now) / timedelta(hours=1)
    if lead_h >= case.practice.number("lead_min"):
        return None
    text = "it starts before a pre-treat could dry"
    return rule_reason(case.practice, "lead_min", "refuses", text, lead_h)


def _no_sprayer_comes(case: SurfaceCase, event: Event) -> Reason | None:
    round_ = case.in_rounds(event)
    if round_ is None or round_.start is not None:
        return None
    source = "the rounds of the yard's sprayers"
    return fact_reason(ROUNDS, "refuses", round_.text, Evidence.OWN_CHOICE, source)
