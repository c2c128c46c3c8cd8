"""What practice would put down before an event, whether or not it is decided and in stock.

Orders look further ahead than decisions: an event that waits for a later forecast may yet ask for
liquid, and a product that has run out is refused by the plan and is the one to order.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stormplan.events.detection import Event
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.treatment import solids
from stormplan.treatment.pretreatment import RATE_RULES, blends, snow_class
from stormplan.treatment.records import UsualUse
from stormplan.treatment.surface_case import SurfaceCase

IN_STOCK_L = 1.0  # any volume lets the rules of the surface choose


def usual_use(case: SurfaceCase, event: Event, area_m2: float) -> UsualUse | None:
    """Return what practice puts down for an event, with what the yard orders taken as in stock.

    Parameters
    ----------
    case : SurfaceCase
        The surface.
    event : Event
        What it would be for.
    area_m2 : float
        Of the surface [m²].

    Returns
    -------
    UsualUse or None
        The usual pre-treat before snow and frost, the middle of the published rates of salt before
        ice; None where the yard orders nothing, on a surface that takes no chlorides, and where it
        is too cold for salt.
    """
    if case.stock.ordered is None or case.surface.no_chlorides:
        return None
    comes = np.array(event.has_event)
    first, last = case.hour_index(event.start), case.hour_index(event.end)
    if event.hazard is not Hazard.FROST and event.hazard not in SNOW_HAZARDS:
        lowest_c = case.lowest_pavement_c(first, last, event)
        rates = solids.published_rates(case, event.hazard, lowest_c, event.trend == "falling")
        if rates is None:
            return None
        salt_kg = 0.5 * (rates.low_kg_m2 + rates.high_kg_m2) * area_m2
        return UsualUse(member_salt_kg=tuple((comes * salt_kg).tolist()))
    held = {key: max(case.stock.on_hand_l.get(key, 0.0), IN_STOCK_L) for key in case.stock.ordered}
    stocked = replace(case.stock, on_hand_l={**case.stock.on_hand_l, **held})
    found, _, _ = blends(replace(case, stock=stocked), event, first, last)
    additive, additive_frac = found[0]
    most = case.practice.number(RATE_RULES[snow_class(case, event)][1])
    volume_l = min(case.practice.number("pretreat_rate_usual"), most) * area_m2
    return UsualUse(
        additive=additive,
        additive_frac=additive_frac,
        member_volumes_l=tuple((comes * volume_l).tolist()),
    )
