"""When not to spray: the questions that settle a case before any rate is looked up.

Asked in the order a foreman would ask them; the first that settles it answers, with the published
solid alternative where there is one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import timedelta

from stormplan.company import practice_rules, solid_rates
from stormplan.company.practice_rules import Standing
from stormplan.events.detection import Outlook
from stormplan.events.hazards import SNOW, Hazard
from stormplan.treatment import cost_loss
from stormplan.treatment.cost_loss import Stake
from stormplan.treatment.records import Action, Case, Solid, Treatment

FAR_OFF = timedelta(hours=24)  # what starts later is decided with a newer forecast: our own choice


def nothing(outlook: Outlook) -> Treatment:
    """Answer for a surface with no event ahead."""
    if math.isnan(outlook.coldest_surface_c):
        says = "No forecast of the pavement here: look at the site."
    elif outlook.coldest_surface_c > 0.0:
        says = "Pavement stays above freezing as far as the forecast reaches."
    else:
        says = "Pavement gets below freezing, but nothing is forecast that would make it slippery."
    return Treatment(action=Action.NOTHING, event=None, says=says)


def refuse(case: Case) -> Treatment | None:
    """Ask every question; None where a pre-treat may be considered."""
    for question in QUESTIONS:
        settled = question(case)
        if settled is not None:
            return settled
    return None


def _chance_too_small(case: Case) -> Treatment | None:
    chance = case.event.probability
    is_far = case.event.start > case.now + FAR_OFF
    rule = "far_probability" if is_far else "act_probability"
    if chance >= case.practice.number(rule):
        return None
    says = "the chance is too small to " + ("plan for it a day ahead" if is_far else "go")
    case.because(rule, "refuses", says, chance)
    return case.answer(
        Action.HOLD,
        f"Hold: {100 * chance:.0f} % chance of {case.event.hazard}.",
        look_again=case.look_again(),
        stake=_stake_of_waiting(case),
    )


def _stake_of_waiting(case: Case) -> Stake | None:
    """Say what a usual rate of plain brine would cost and avert, if it held."""
    if case.event.hazard is not Hazard.FROST and case.event.hazard not in SNOW:
        return None
    price = case.stock.price_per_l(None, 0.0)
    volume_l = case.practice.number("pretreat_rate_usual") * case.surface.area_m2
    return cost_loss.of(case.practice, None if price is None else price * volume_l, 1.0)


def _no_chemical_here(case: Case) -> Treatment | None:
    surface = case.surface
    until = surface.new_concrete_until
    if surface.no_chlorides:
        case.fact(
            "no_chlorides",
            "refuses",
            "the owner allows no chlorides here, or it is an airfield surface",
            Standing.PUBLISHED,
            "sites file; FAA AC 150/5200-30 for airfields, from memory",
        )
    elif (
        until is not None
        and case.local_day(case.event.start) < until
        and case.practice.choice("new_concrete") == "refuse"
    ):
        case.because("new_concrete", "refuses", f"new concrete until {until.isoformat()}")
    else:
        return None
    return case.answer(Action.PLOW, "No chemical here: plow or sweep, sand for grip.")


def _liquid_is_wrong(case: Case) -> Treatment | None:
    event = case.event
    if event.hazard is Hazard.FREEZING_RAIN:
        case.fact(
            "freezing_rain",
            "refuses",
            "rain dilutes a liquid faster than it can work",
            Standing.PUBLISHED,
            f"{practice_rules.NHDES}: not advised; {practice_rules.FHWA}, Table 12: solids only",
        )
        return solids(case, "No liquid before freezing rain.")
    if event.hazard is Hazard.SLEET:
        case.fact(
            "sleet",
            "refuses",
            "sleet is treated with prewetted solids",
            Standing.FROM_MEMORY,
            f"{practice_rules.FHWA}, Table 13",
        )
        return solids(case, "No liquid before sleet.")
    if event.hazard is Hazard.REFREEZE:
        source = "water off the snow pile" if event.from_pile else "standing water"
        case.fact(
            "standing_water",
            "refuses",
            f"{source} would dilute a liquid before it freezes",
            Standing.PUBLISHED,
            f"{practice_rules.TXDOT}: questionable whenever water precedes the freeze;"
            f" {practice_rules.FHWA}, Table 11 for the solid",
        )
        return solids(case, f"Refreeze of {source}: treat it at dusk, before it freezes.")
    return None


def _too_cold(case: Case) -> Treatment | None:
    event = case.event
    if event.coldest_surface_c >= case.practice.number("liquid_stop_below"):
        return None
    case.because(
        "liquid_stop_below", "refuses", "too cold for liquid salt", event.coldest_surface_c
    )
    return solids(case, "Too cold for liquid.")


def _too_heavy(case: Case) -> Treatment | None:
    refused = case.practice.choice("heavy_snow_pretreat") == "refuse"
    if case.event.hazard is not Hazard.HEAVY_SNOW or not refused:
        return None
    case.because("heavy_snow_pretreat", "refuses", "no lot handbook prints a rate")
    return solids(case, "No published pre-treat rate before heavy snow: plow first.")


def _blowing(case: Case) -> Treatment | None:
    if not case.event.blowing_snow:
        return None
    case.fact(
        "blowing_snow",
        "refuses",
        "residue catches blowing snow and makes ice where none was",
        Standing.PUBLISHED,
        f"WisDOT FAQ; {practice_rules.MINN}, from memory",
    )
    return case.answer(
        Action.HOLD,
        "Hold: blowing snow. Keep it dry, plow drifts, spot-treat where it bonds.",
        look_again=case.look_again(),
    )


def _too_late(case: Case) -> Treatment | None:
    shortest_h = case.practice.number("lead_shortest")
    lead_h = (case.event.start - case.now) / timedelta(hours=1)
    if lead_h >= shortest_h:
        return None
    case.because("lead_shortest", "refuses", "it starts before a pre-treat could dry", lead_h)
    return solids(case, "Too late to pre-treat.")


QUESTIONS: tuple[Callable[[Case], Treatment | None], ...] = (
    _chance_too_small,
    _no_chemical_here,
    _liquid_is_wrong,
    _too_cold,
    _too_heavy,
    _blowing,
    _too_late,
)


def solids(case: Case, why: str) -> Treatment:
    """Fall back on the published solid for this pavement, or on plow and sand."""
    event = case.event
    solid = published_solid(case)
    if solid is None:
        case.because(
            "solid_stop_below", "refuses", "too cold for salt of any kind", event.coldest_surface_c
        )
        sweep = "Plow; sand for grip." if event.hazard in SNOW else "No salt: sand for grip."
        return case.answer(Action.PLOW, f"{why} {sweep}")
    how = "Plow, then prewetted salt." if event.hazard in SNOW else "Prewetted salt."
    return case.answer(Action.SOLIDS, f"{why} {how}", solid=solid, look_again=case.look_again())


def published_solid(case: Case) -> Solid | None:
    """Look the published solid rates up; None where it is too cold for salt of any kind."""
    event = case.event
    band = solid_rates.solid_rate(str(event.hazard), event.coldest_surface_c)
    if band is None or event.coldest_surface_c < case.practice.number("solid_stop_below"):
        return None
    lot = solid_rates.lot_rate_kg_m2(
        str(event.hazard), event.coldest_surface_c, event.trend == "falling"
    )
    other = solid_rates.dupage_rate_kg_m2(event.coldest_surface_c)
    road = solid_rates.road_rate(
        str(event.hazard), event.coldest_surface_c, case.practice.number("cycle")
    )
    return Solid(
        low_kg_m2=band.low_kg_m2,
        high_kg_m2=band.high_kg_m2,
        source=solid_rates.SOLID_SOURCE,
        lot_kg_m2=lot,
        lot_source=None if lot is None else solid_rates.LOT_SOURCE,
        other_lot_kg_m2=other,
        other_lot_source=None if other is None else solid_rates.DUPAGE_SOURCE,
        road_kg_m2=None if road is None else road.unbonded_kg_m2,
        road_source=None if road is None else solid_rates.ROAD_SOURCE,
    )
