"""What a company's liquids were to do in the events that it planned to spray for.

Answers the buyer: at which pavement temperatures is a product to be compared, and how much water
was a winter's liquid to hold? Read from plans as they were stored, so that each site, surface and
event counts once, as it was last planned before it began.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from stormplan.company.catalog import SURFACE_CLASSES, Product, SurfaceUse
from stormplan.company.offers import MONTHS, BlendNeed
from stormplan.errors import InputError
from stormplan.liquids.blend import Liquid, liquid_from_product, mix_liquids
from stormplan.liquids.brine import EUTECTIC_C
from stormplan.liquids.offer_value import own_water_kg_l, water_held_kg_l
from stormplan.treatment.records import Action

#: Of the temperatures worked at: mild, usual and cold; our own choice.
QUANTILES = (0.9, 0.5, 0.1)
MIN_EVENTS = 5  # fewer say nothing of a winter; our own choice
WARMEST_C = -1.0  # needs are told by whole kelvins below freezing


@dataclass(frozen=True)
class PlannedBlend:
    """A blend that was to go down before an event: volume, and the additive's part of it.

    Attributes
    ----------
    volume_l : float
        Liquid [L].
    additive : str or None
        Key of the additive; None for brine alone.
    additive_frac : float
        Its part by volume [-].
    """

    volume_l: float
    additive: str | None
    additive_frac: float


@dataclass(frozen=True)
class SprayedEvent:
    """An event on one surface that is sprayed for.

    Attributes
    ----------
    start, end : datetime
        First moment and end, UTC.
    month : str
        Of its start, by the site's clock.
    temp_c : float
        Coldest pavement in it [°C].
    use : str
        vehicle or pedestrian.
    area_m2 : float
        Of the surface [m²].
    pretreats : tuple of PlannedBlend
        What was to go down before it.
    """

    start: datetime
    end: datetime
    month: str
    temp_c: float
    use: SurfaceUse
    area_m2: float
    pretreats: tuple[PlannedBlend, ...]


def sprayed_events(plans: Iterable[Mapping[str, Any]]) -> list[SprayedEvent]:
    """Return the events that were to be sprayed for.

    Parameters
    ----------
    plans : iterable of mapping
        Plans as JSON, in order of time.

    Returns
    -------
    list of SprayedEvent
        One a surface and event, as it was last planned before it began.
    """
    known: dict[tuple[str, str], list[SprayedEvent]] = {}
    for plan in plans:
        made_at = datetime.fromisoformat(plan["made_at"])
        for site in plan["sites"]:
            for surface in site["surfaces"]:
                key = (site["key"], surface["key"])
                begun = [one for one in known.get(key, []) if one.start < made_at]
                since = max((one.end for one in begun), default=None)
                planned = _planned_events(surface, ZoneInfo(site["timezone"]))
                known[key] = begun + [one for one in planned if since is None or one.start >= since]
    return [one for events in known.values() for one in events]


def _planned_events(surface: Mapping[str, Any], zone: ZoneInfo) -> Iterator[SprayedEvent]:
    for treatment in surface["treatments"]:
        event = treatment["event"]
        sprayed = [visit for visit in treatment["visits"] if visit["volume_l"] > 0.0]
        if event is None or not sprayed:
            continue
        temp_c = event["min_pavement_temp_c"]
        if not EUTECTIC_C[0] < temp_c < 0.0:
            continue
        start, end = (datetime.fromisoformat(event[name]) for name in ("start", "end"))
        yield SprayedEvent(
            start=start,
            end=end,
            month=MONTHS[start.astimezone(zone).month - 1],
            temp_c=temp_c,
            use=SURFACE_CLASSES[surface["surface_class"]].use,
            area_m2=surface["area_m2"],
            pretreats=tuple(
                PlannedBlend(visit["volume_l"], visit["additive"], visit["additive_frac"])
                for visit in sprayed
                if visit["action"] == Action.PRETREAT
            ),
        )


def working_temps_c(events: Iterable[SprayedEvent]) -> tuple[float, ...] | None:
    """Return a mild, a usual and a cold working temperature, to the half degree.

    Parameters
    ----------
    events : iterable of SprayedEvent
        Of a winter.

    Returns
    -------
    tuple of float or None
        The warmest first, each once [°C]; None where there are too few events.
    """
    found = [one.temp_c for one in events]
    if len(found) < MIN_EVENTS:
        return None
    rounded = {min(round(2.0 * float(q)) / 2.0, -0.5) for q in np.quantile(found, QUANTILES)}
    return tuple(sorted(rounded, reverse=True))


def blend_needs(
    events: Iterable[SprayedEvent], use: SurfaceUse, products: Mapping[str, Product], brine: Product
) -> tuple[BlendNeed, ...]:
    """Return the water that the pre-treats of a winter were to hold, by month and temperature.

    Parameters
    ----------
    events : iterable of SprayedEvent
        Of a winter.
    use : str
        vehicle or pedestrian: surfaces that count.
    products : mapping of Product
        Additives of the sites file.
    brine : Product
        Its brine.

    Returns
    -------
    tuple of BlendNeed
        In order of time and then of warmth: what the planned blends hold at that temperature, to
        the whole kelvin, besides their own water.

    Raises
    ------
    InputError
        A plan has an additive that is no product any more.
    """
    water_kg: dict[tuple[str, float], float] = {}
    area_m2: dict[tuple[str, float], float] = {}
    for event in sorted(events, key=lambda one: one.start):
        if event.use != use:
            continue
        key = (event.month, min(float(round(event.temp_c)), WARMEST_C))
        for blend in event.pretreats:
            liquid = _planned_liquid(blend, products, brine)
            net_kg_l = water_held_kg_l(liquid, key[1]) - own_water_kg_l(liquid)
            water_kg[key] = water_kg.get(key, 0.0) + max(net_kg_l, 0.0) * blend.volume_l
            area_m2[key] = area_m2.get(key, 0.0) + event.area_m2
    months = list(dict.fromkeys(month for month, _ in water_kg))
    return tuple(
        BlendNeed.model_construct(
            month=month,
            temp_c=temp_c,
            water_m=water_kg[month, temp_c] / area_m2[month, temp_c] / 1000.0,
            area_m2=area_m2[month, temp_c],
            passes=1,
        )
        for month, temp_c in sorted(water_kg, key=lambda key: (months.index(key[0]), -key[1]))
    )


def _planned_liquid(blend: PlannedBlend, products: Mapping[str, Product], brine: Product) -> Liquid:
    base = liquid_from_product(brine)
    if blend.additive is None or blend.additive_frac == 0.0:
        return base
    if blend.additive not in products:
        raise InputError(
            f"plans have '{blend.additive}', which is no product of the sites file any more: write"
            " it there again, or say what is to be held under 'needs', 'cases'"
        )
    added = liquid_from_product(products[blend.additive])
    return mix_liquids([(1.0 - blend.additive_frac, base), (blend.additive_frac, added)])[0]
