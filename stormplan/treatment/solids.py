"""Salt and sand: the published rate for a hazard and a pavement temperature."""

from __future__ import annotations

from stormplan.company import solid_rates
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.treatment.records import SolidRates
from stormplan.treatment.surface_case import SurfaceCase


def published_rates(
    case: SurfaceCase, hazard: Hazard, pavement_c: float, is_cooling: bool
) -> SolidRates | None:
    """Return the published rates of prewetted salt, all handbooks side by side.

    Parameters
    ----------
    case : SurfaceCase
        The surface.
    hazard : Hazard
        What it is put down against.
    pavement_c : float
        Lowest pavement before the next visit [°C].
    is_cooling : bool
        Whether the pavement gets colder.

    Returns
    -------
    SolidRates or None
        None where it is too cold for salt of any kind.
    """
    band = solid_rates.solid_rate(str(hazard), pavement_c)
    if band is None:
        return None
    lot = solid_rates.lot_rate_kg_m2(str(hazard), pavement_c, is_cooling)
    second_lot = solid_rates.dupage_rate_kg_m2(pavement_c)
    road = solid_rates.road_rate(str(hazard), pavement_c, case.practice.number("cycle_time"))
    return SolidRates(
        low_kg_m2=band.low_kg_m2,
        high_kg_m2=band.high_kg_m2,
        source=solid_rates.SOLID_SOURCE,
        lot_rate_kg_m2=lot,
        lot_source=None if lot is None else solid_rates.LOT_SOURCE,
        second_lot_rate_kg_m2=second_lot,
        second_lot_source=None if second_lot is None else solid_rates.DUPAGE_SOURCE,
        road_rate_kg_m2=None if road is None else road.unbonded_kg_m2,
        road_source=None if road is None else solid_rates.ROAD_SOURCE,
    )


def rates_kg_m2(case: SurfaceCase, rates: SolidRates, hazard: Hazard) -> list[float]:
    """Return the rates that practice would put down, lowest first [kg/m²].

    Snow and what it leaves take the lot manual's rate after plowing where it prints one, and more,
    up to the second lot chart's prewetted, where the rules let it; all else the range of the road
    tables.
    """
    lot, second = rates.lot_rate_kg_m2, rates.second_lot_rate_kg_m2
    if lot is None or hazard not in SNOW_HAZARDS:
        return _low_middle_high(rates.low_kg_m2, rates.high_kg_m2)
    if second is None or case.practice.choice("snow_salt_max") == "first lot chart":
        return [lot]
    return _low_middle_high(lot, max(lot, solid_rates.prewetted_kg_m2(second)))


def _low_middle_high(low: float, high: float) -> list[float]:
    return sorted({low, 0.5 * (low + high), high})
