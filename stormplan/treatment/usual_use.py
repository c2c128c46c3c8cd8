"""What practice would put down before an event, whether or not it is decided and in stock.

Orders look further ahead than decisions: an event that waits for a later forecast may yet ask for
liquid, and a product that has run out is refused by the plan and is the one to order.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stormplan.events.detection import Event
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.treatment.pretreatment import RATE_RULES, blends, snow_class
from stormplan.treatment.records import UsualUse
from stormplan.treatment.surface_case import SurfaceCase

IN_STOCK_L = 1.0  # any volume lets the rules of the surface choose


def usual_use(case: SurfaceCase, event: Event, area_m2: float) -> UsualUse | None:
    """Return the usual pre-treat before an event, with what the yard orders taken as in stock.

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
        None where the yard orders nothing, and before ice, which takes no liquid.
    """
    ordered = case.stock.ordered
    if ordered is None or not (event.hazard is Hazard.FROST or event.hazard in SNOW_HAZARDS):
        return None
    held = {key: max(case.stock.on_hand_l.get(key, 0.0), IN_STOCK_L) for key in ordered}
    stocked = replace(case.stock, on_hand_l={**case.stock.on_hand_l, **held})
    first, last = case.hour_index(event.start), case.hour_index(event.end)
    found, _, _ = blends(replace(case, stock=stocked), event, first, last)
    additive, additive_frac = found[0]
    most = case.practice.number(RATE_RULES[snow_class(case, event)][1])
    volume_l = min(case.practice.number("pretreat_rate_usual"), most) * area_m2
    comes = np.where(event.has_event, volume_l, 0.0)
    return UsualUse(
        additive=additive,
        additive_frac=additive_frac,
        member_volumes_l=tuple(float(one) for one in comes),
    )
