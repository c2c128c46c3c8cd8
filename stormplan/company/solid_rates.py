"""Published rates of solid salt, for the answer "liquid is the wrong tool here": tables as data.

Handbooks disagree; each table is looked up by itself, and all of them are shown side by side.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from stormplan import units
from stormplan.company.practice_rules import FHWA, MPCA, NCHRP


@dataclass(frozen=True)
class SolidRate:
    """Published rate of prewetted salt for a band of pavement temperature.

    ``from_c`` and ``below_c`` bound the band [°C]; rates are per lane-mile as printed [lb].
    """

    from_c: float
    below_c: float
    low_lb_lane_mile: float
    high_lb_lane_mile: float

    @property
    def low_kg_m2(self) -> float:
        """Lower end [kg/m²]."""
        return self.low_lb_lane_mile * units.KG_M2_PER_LB_LANE_MILE

    @property
    def high_kg_m2(self) -> float:
        """Upper end [kg/m²]."""
        return self.high_lb_lane_mile * units.KG_M2_PER_LB_LANE_MILE


def _bands(*rows: tuple[float, float, float, float]) -> tuple[SolidRate, ...]:
    return tuple(
        SolidRate(units.f_to_c(low_f), units.f_to_c(high_f), low, high)
        for low_f, high_f, low, high in rows
    )


# FHWA-RD-95-202, Appendix C, Tables 8-13 (from memory): prewetted solid NaCl, lb per lane-mile, by
# pavement temperature [°F]. Below 15 °F they advise abrasives and no chemical.
SOLID_RATES: Mapping[str, tuple[SolidRate, ...]] = {
    "light snow": _bands((20, 45, 100, 100), (15, 20, 200, 200)),
    "moderate snow": _bands((30, 45, 100, 200), (25, 30, 150, 200), (15, 25, 200, 250)),
    "heavy snow": _bands((30, 45, 100, 200), (25, 30, 200, 400), (15, 25, 250, 500)),
    "freezing rain": _bands((32, 45, 75, 100), (20, 32, 75, 250), (15, 20, 250, 400)),
    "sleet": _bands((32, 45, 125, 125), (28, 32, 125, 325), (15, 28, 250, 400)),
    "frost": _bands((28, 45, 25, 65), (20, 28, 65, 130), (15, 20, 130, 200)),
    "refreeze": _bands((28, 45, 25, 65), (20, 28, 65, 130), (15, 20, 130, 200)),
}
SOLID_SOURCE = f"{FHWA}, App. C, Tables 8-13, from memory: the middle of a range, not fixed"


def solid_rate(hazard: str, surface_c: float) -> SolidRate | None:
    """Return the published prewetted-salt rate.

    Parameters
    ----------
    hazard : str
        A key of ``SOLID_RATES``.
    surface_c : float
        Pavement temperature to plan on [°C].

    Returns
    -------
    SolidRate or None
        None where the tables advise no chemical at all.
    """
    for band in SOLID_RATES[hazard]:
        if band.from_c <= surface_c < band.below_c:
            return band
    return None


@dataclass(frozen=True)
class LotRate:
    """De-icing rate after plowing for a band of pavement temperature and a trend.

    ``snow_lb_kft2`` and ``freezing_rain_lb_kft2`` are prewetted salt as printed [lb/1000 ft²];
    None where the chart does not recommend it.
    """

    from_c: float
    below_c: float
    is_cooling: bool
    snow_lb_kft2: float | None
    freezing_rain_lb_kft2: float | None


def _lot(low_f: float, high_f: float, is_cooling: bool, *rates: float | None) -> LotRate:
    return LotRate(units.f_to_c(low_f), units.f_to_c(high_f), is_cooling, *rates)


# MPCA Winter Parking Lot and Sidewalk Maintenance Manual, de-icing application rates (from memory):
# salt prewetted with brine, lb per 1000 ft2, by pavement temperature [°F] and trend.
LOT_RATES: tuple[LotRate, ...] = (
    _lot(30, 60, False, 0.75, 1.25),
    _lot(30, 60, True, 1.25, 1.5),
    _lot(25, 30, False, 1.25, 1.5),
    _lot(25, 30, True, 1.25, 2.0),
    _lot(20, 25, False, 2.0, 2.0),
    _lot(20, 25, True, 2.25, 2.5),
    _lot(15, 20, False, 2.25, 2.5),
    _lot(15, 20, True, 2.5, 2.5),
)
LOT_SOURCE = f"{MPCA}, de-icing rates, prewetted with brine, from memory"

# DuPage River Salt Creek Workgroup, Parking Lot Deicing: Salt Application Rate Guidance: dry salt,
# (pavement at or above [°F], lb per 1000 ft2); prewetting cuts these by up to one third.
DUPAGE_RATES: tuple[tuple[float, float], ...] = ((30, 3), (25, 5), (20, 6), (15, 7), (5, 8))
DUPAGE_PREWET_CUT = 1.0 / 3.0
DUPAGE_SOURCE = "DuPage River Salt Creek Workgroup, lot rate guidance: dry salt, less 1/3 prewetted"


def lot_rate_kg_m2(hazard: str, surface_c: float, is_cooling: bool) -> float | None:
    """Return the lot manual's prewetted rate after plowing.

    Parameters
    ----------
    hazard : str
        The governing hazard; freezing rain and sleet have their own column.
    surface_c : float
        Pavement temperature to plan on [°C].
    is_cooling : bool
        Whether it is getting colder.

    Returns
    -------
    float or None
        Salt [kg/m²]; None where the manual recommends none.
    """
    for band in LOT_RATES:
        if band.from_c <= surface_c < band.below_c and band.is_cooling == is_cooling:
            icy = hazard in ("freezing rain", "sleet")
            rate = band.freezing_rain_lb_kft2 if icy else band.snow_lb_kft2
            return None if rate is None else rate * units.KG_M2_PER_LB_KFT2
    return None


def dupage_rate_kg_m2(surface_c: float) -> float | None:
    """Return the second lot chart's dry salt rate [kg/m²] for a pavement temperature [°C]."""
    for from_f, rate in DUPAGE_RATES:
        if surface_c >= units.f_to_c(from_f):
            return rate * units.KG_M2_PER_LB_KFT2
    return None


# NCHRP Report 526, Attachment 1. Table A-1 (from memory but for ordinary moderate snow, which was
# read): how fast precipitation dilutes, 0 low to 2 high.
DILUTION_LEVEL: Mapping[str, int] = {
    "light snow": 0,
    "moderate snow": 1,
    "heavy snow": 2,
    "freezing rain": 1,
    "sleet": 1,
}
# Table A-4 (2 h read, the rest from memory): levels added by the time between passes, up to [h].
DILUTION_ADDED_BY_CYCLE = ((1.5, 0), (3.0, 1), (float("inf"), 2))
# Table A-5 (from memory): pavement from [°F]; per dilution level solid on unbonded and on bonded
# ice or snow [lb/lane-mile], and liquid on unbonded [gal/lane-mile], None where not recommended.
ROAD_RATES: tuple[
    tuple[float, tuple[int, int, int], tuple[int, int, int] | None, tuple[int, int, int] | None],
    ...,
] = (
    (32, (90, 100, 110), None, (40, 44, 48)),
    (30, (130, 150, 160), (275, 300, 325), (57, 66, 70)),
    (25, (170, 180, 190), (350, 375, 400), (74, 79, 83)),
    (20, (200, 210, 220), (425, 450, 475), (87, 92, 96)),
    (15, (230, 240, 250), (500, 525, 550), None),
    (10, (260, 270, 280), (575, 600, 625), None),
)
ROAD_SOURCE = f"{NCHRP}, Attachment 1, Tables A-1, A-4 and A-5, from memory"


@dataclass(frozen=True)
class RoadRate:
    """Road-table rate: dilution level [0-2], solid [kg/m²], liquid [L/m²]."""

    dilution: int
    unbonded_kg_m2: float
    bonded_kg_m2: float | None
    liquid_l_m2: float | None


def road_rate(hazard: str, surface_c: float, cycle_time_h: float) -> RoadRate | None:
    """Return the road tables' rate, by dilution level.

    Speeds on lots and lanes are too low for traffic to add to the dilution.

    Parameters
    ----------
    hazard : str
        The governing hazard.
    surface_c : float
        Pavement temperature to plan on [°C].
    cycle_time_h : float
        Time between two passes [h].

    Returns
    -------
    RoadRate or None
        None for hazards without precipitation and where it is too cold for salt.
    """
    if hazard not in DILUTION_LEVEL:
        return None
    added = next(levels for most_h, levels in DILUTION_ADDED_BY_CYCLE if cycle_time_h <= most_h)
    level = min(DILUTION_LEVEL[hazard] + added, 2)
    for from_f, unbonded, bonded, liquid in ROAD_RATES:
        if surface_c >= units.f_to_c(from_f):
            per_gal = units.L_M2_PER_GAL_KFT2 * 1000.0 / units.FT2_PER_LANE_MILE
            return RoadRate(
                level,
                unbonded[level] * units.KG_M2_PER_LB_LANE_MILE,
                None if bonded is None else bonded[level] * units.KG_M2_PER_LB_LANE_MILE,
                None if liquid is None else liquid[level] * per_gal,
            )
    return None


def prewetted_kg_m2(dry_kg_m2: float) -> float:
    """Return a dry salt rate less what prewetting saves of it by the second lot chart [kg/m²]."""
    return dry_kg_m2 * (1.0 - DUPAGE_PREWET_CUT)
