"""Contraindications to a liquid pre-treat, checked before candidates are built.

Checked in this order; the first that applies decides, with the published
solid alternative where there is one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import timedelta

from stormplan.company import practice_rules, solid_rates
from stormplan.company.practice_rules import Evidence
from stormplan.events.detection import Outlook
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.treatment import cost_loss
from stormplan.treatment.cost_loss import CostLoss
from stormplan.treatment.records import Action, DecisionCase, SolidRates, Treatment

DAY_AHEAD_LEAD = timedelta(
    hours=24
)  # what starts later is decided with a newer forecast: our own choice


def no_action(outlook: Outlook) -> Treatment:
    """Return the treatment of a surface without events; unknown where its pavement is."""
    if math.isnan(outlook.min_pavement_temp_c):
        text = "No forecast of the pavement here: look at the site."
        return Treatment(action=Action.UNKNOWN, event=None, text=text)
    gaps = [gap.what for gap in outlook.unknown if gap.after is None or gap.until is not None]
    if gaps:
        text = f"Not forecast for every hour here: {', '.join(gaps)}. Look at the site."
        return Treatment(action=Action.UNKNOWN, event=None, text=text)
    if outlook.min_pavement_temp_c > 0.0:
        text = "Pavement stays above freezing as far as the forecast reaches."
    else:
        text = "Pavement gets below freezing, but nothing is forecast that would make it slippery."
    return Treatment(action=Action.NOTHING, event=None, text=text)


def first_contraindication(case: DecisionCase) -> Treatment | None:
    """Return the treatment set by the first contraindication; None without any."""
    for check in CONTRAINDICATIONS:
        treatment = check(case)
        if treatment is not None:
            return treatment
    return None


def _probability_too_low(case: DecisionCase) -> Treatment | None:
    probability = case.event.probability
    is_day_ahead = case.event.start > case.now + DAY_AHEAD_LEAD
    rule = "day_ahead_probability" if is_day_ahead else "go_probability"
    if probability >= case.practice.number(rule):
        return None
    text = "the chance is too small to " + ("plan for it a day ahead" if is_day_ahead else "go")
    case.add_rule_reason(rule, "refuses", text, probability)
    return case.to_treatment(
        Action.HOLD,
        f"Hold: {100 * probability:.0f} % chance of {case.event.hazard}.",
        recheck_at=case.recheck_at(),
        cost_loss=_usual_rate_cost_loss(case),
    )


def _usual_rate_cost_loss(case: DecisionCase) -> CostLoss | None:
    """Return the cost-loss analysis of plain brine at the usual rate."""
    if case.event.hazard is not Hazard.FROST and case.event.hazard not in SNOW_HAZARDS:
        return None
    price = case.stock.price_per_l(None, 0.0)
    volume_l = case.practice.number("pretreat_rate_light_snow") * case.surface.area_m2
    return cost_loss.from_practice(case.practice, None if price is None else price * volume_l, 1.0)


def _chemicals_excluded(case: DecisionCase) -> Treatment | None:
    surface = case.surface
    until = surface.new_concrete_until
    if surface.no_chlorides:
        case.add_fact_reason(
            "no_chlorides",
            "refuses",
            "the owner allows no chlorides here, or it is an airfield surface",
            Evidence.PUBLISHED,
            "sites file; FAA AC 150/5200-30 for airfields, from memory",
        )
    elif (
        until is not None
        and case.local_date(case.event.start) < until
        and case.practice.choice("new_concrete") == "refuse"
    ):
        case.add_rule_reason("new_concrete", "refuses", f"new concrete until {until.isoformat()}")
    else:
        return None
    return case.to_treatment(Action.PLOW, "No chemical here: plow or sweep, sand for grip.")


def _liquid_unsuitable(case: DecisionCase) -> Treatment | None:
    event = case.event
    if event.hazard is Hazard.FREEZING_RAIN:
        case.add_fact_reason(
            "freezing_rain",
            "refuses",
            "rain dilutes a liquid faster than it can work",
            Evidence.PUBLISHED,
            f"{practice_rules.NHDES}: not advised; {practice_rules.FHWA}, Table 12: solids only",
        )
        return solids_or_plow(case, "No liquid before freezing rain.")
    if event.hazard is Hazard.SLEET:
        case.add_fact_reason(
            "sleet",
            "refuses",
            "sleet is treated with prewetted solids",
            Evidence.FROM_MEMORY,
            f"{practice_rules.FHWA}, Table 13",
        )
        return solids_or_plow(case, "No liquid before sleet.")
    if event.hazard is Hazard.REFREEZE:
        water_source = "water off the snow pile" if event.from_pile else "standing water"
        case.add_fact_reason(
            "standing_water",
            "refuses",
            f"{water_source} would dilute a liquid before it freezes",
            Evidence.PUBLISHED,
            f"{practice_rules.TXDOT}: questionable whenever water precedes the freeze;"
            f" {practice_rules.FHWA}, Table 11 for the solid",
        )
        return solids_or_plow(
            case, f"Refreeze of {water_source}: treat it at dusk, before it freezes."
        )
    return None


def _too_cold(case: DecisionCase) -> Treatment | None:
    event = case.event
    if event.min_pavement_temp_c >= case.practice.number("liquid_stop_below"):
        return None
    case.add_rule_reason(
        "liquid_stop_below", "refuses", "too cold for liquid salt", event.min_pavement_temp_c
    )
    return solids_or_plow(case, "Too cold for liquid.")


def _snow_too_heavy(case: DecisionCase) -> Treatment | None:
    is_refused = case.practice.choice("heavy_snow_pretreat") == "refuse"
    if case.event.hazard is not Hazard.HEAVY_SNOW or not is_refused:
        return None
    case.add_rule_reason("heavy_snow_pretreat", "refuses", "no lot handbook prints a rate")
    return solids_or_plow(case, "No published pre-treat rate before heavy snow: plow first.")


def _blowing_snow(case: DecisionCase) -> Treatment | None:
    if not case.event.blowing_snow:
        return None
    case.add_fact_reason(
        "blowing_snow",
        "refuses",
        "residue catches blowing snow and makes ice where none was",
        Evidence.PUBLISHED,
        f"WisDOT FAQ; {practice_rules.MINN}, from memory",
    )
    return case.to_treatment(
        Action.HOLD,
        "Hold: blowing snow. Keep it dry, plow drifts, spot-treat where it bonds.",
        recheck_at=case.recheck_at(),
    )


def _lead_too_short(case: DecisionCase) -> Treatment | None:
    shortest_h = case.practice.number("lead_min")
    lead_h = (case.event.start - case.now) / timedelta(hours=1)
    if lead_h >= shortest_h:
        return None
    case.add_rule_reason("lead_min", "refuses", "it starts before a pre-treat could dry", lead_h)
    return solids_or_plow(case, "Too late to pre-treat.")


CONTRAINDICATIONS: tuple[Callable[[DecisionCase], Treatment | None], ...] = (
    _probability_too_low,
    _chemicals_excluded,
    _liquid_unsuitable,
    _too_cold,
    _snow_too_heavy,
    _blowing_snow,
    _lead_too_short,
)


def solids_or_plow(case: DecisionCase, reason_text: str) -> Treatment:
    """Return the published solid treatment, else plow and sand."""
    event = case.event
    solid = published_solid_rates(case)
    if solid is None:
        case.add_rule_reason(
            "solid_stop_below",
            "refuses",
            "too cold for salt of any kind",
            event.min_pavement_temp_c,
        )
        plow_text = (
            "Plow; sand for grip." if event.hazard in SNOW_HAZARDS else "No salt: sand for grip."
        )
        return case.to_treatment(Action.PLOW, f"{reason_text} {plow_text}")
    solids_text = (
        "Plow, then prewetted salt." if event.hazard in SNOW_HAZARDS else "Prewetted salt."
    )
    return case.to_treatment(
        Action.SOLIDS, f"{reason_text} {solids_text}", solid=solid, recheck_at=case.recheck_at()
    )


def published_solid_rates(case: DecisionCase) -> SolidRates | None:
    """Return the published solid rates; None where it is too cold for salt."""
    event = case.event
    general = solid_rates.solid_rate(str(event.hazard), event.min_pavement_temp_c)
    if general is None or event.min_pavement_temp_c < case.practice.number("solid_stop_below"):
        return None
    lot = solid_rates.lot_rate_kg_m2(
        str(event.hazard), event.min_pavement_temp_c, event.trend == "falling"
    )
    dupage = solid_rates.dupage_rate_kg_m2(event.min_pavement_temp_c)
    road = solid_rates.road_rate(
        str(event.hazard), event.min_pavement_temp_c, case.practice.number("cycle_time")
    )
    return SolidRates(
        low_kg_m2=general.low_kg_m2,
        high_kg_m2=general.high_kg_m2,
        source=solid_rates.SOLID_SOURCE,
        lot_rate_kg_m2=lot,
        lot_source=None if lot is None else solid_rates.LOT_SOURCE,
        second_lot_rate_kg_m2=dupage,
        second_lot_source=None if dupage is None else solid_rates.DUPAGE_SOURCE,
        road_rate_kg_m2=None if road is None else road.unbonded_kg_m2,
        road_source=None if road is None else solid_rates.ROAD_SOURCE,
    )
