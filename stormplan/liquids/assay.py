"""How strong a delivered liquid is, by float or by refractometer, and how sure that is.

A float weighs all that is dissolved, so a product is judged against its own make-up: more or less
water in it, and nothing else changed. A refractometer told as freeze point is a second opinion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from stormplan.arrays import Array
from stormplan.errors import InputError
from stormplan.liquids import brine
from stormplan.liquids.blend import Liquid, cold_behavior, liquid_at_strength
from stormplan.liquids.density import density_uncertainty_kg_m3, water_density_kg_m3
from stormplan.liquids.hydrometer import GLASS_EXPANSION_PER_K, REFERENCE_C
from stormplan.numerics import bisect

# What instruments of a yard are good to, as half-widths; common practice, no source.
FLOAT_SG = 0.001  # a clean float, read at the level of the liquid
THERMOMETER_K = 0.5
REFRACTOMETER_K = 0.6  # half a mark of a scale in 2 °F

WATER_60F_KG_M3 = float(water_density_kg_m3(REFERENCE_C))
MAX_STRENGTH_FRAC = 0.45  # past what any of the chlorides makes
STEP_FRAC = 1e-4  # of a slope


@dataclass(frozen=True)
class MeasuredStrength:
    """A strength and how sure it is.

    Attributes
    ----------
    strength_frac : float
        All chlorides by weight [-].
    half_width_frac : float
        Of the range that the instruments and the table leave [-].
    """

    strength_frac: float
    half_width_frac: float

    @property
    def low_frac(self) -> float:
        """Lower end [-]."""
        return self.strength_frac - self.half_width_frac

    @property
    def high_frac(self) -> float:
        """Upper end [-]."""
        return self.strength_frac + self.half_width_frac


def strength_of_liquid(liquid: Liquid) -> float:
    """Return all chlorides of a liquid by weight [-]."""
    return float(liquid.salts_frac.sum())


def reading_sg(liquid: Liquid, temp_c: float) -> float:
    """Return what a 60/60 °F glass float shows in a liquid at a temperature [°C]."""
    glass = 1.0 + GLASS_EXPANSION_PER_K * (temp_c - REFERENCE_C)
    return liquid.density_kg_m3(temp_c) * glass / WATER_60F_KG_M3


def density_from_reading_kg_m3(sg: float, temp_c: float) -> float:
    """Return the density of the liquid a float shows a reading in, at its temperature [°C]."""
    return sg * WATER_60F_KG_M3 / (1.0 + GLASS_EXPANSION_PER_K * (temp_c - REFERENCE_C))


def strength_by_float(liquid: Liquid, sg: float, temp_c: float) -> MeasuredStrength:
    """Return the strength of a product by a 60/60 °F float.

    Parameters
    ----------
    liquid : Liquid
        The product as stated; what is delivered has more or less water.
    sg : float
        Reading [-].
    temp_c : float
        Of liquid and float [°C].

    Returns
    -------
    MeasuredStrength
        With float, thermometer and density each off by their half-width, as a root of squares
        (GUM, JCGM 100:2008, 5.1.2).

    Raises
    ------
    InputError
        A reading that the product cannot give.

    Examples
    --------
    >>> from stormplan.liquids.blend import make_liquid
    >>> found = strength_by_float(make_liquid({"cacl2": 0.32}), 1.308, 15.56)
    >>> f"{100 * found.strength_frac:.1f} ± {100 * found.half_width_frac:.1f} %"
    '32.1 ± 0.8 %'
    """

    def at(strength_frac: float, at_c: float = temp_c) -> float:
        return reading_sg(liquid_at_strength(liquid, strength_frac), at_c)

    if not at(0.0) <= sg <= at(MAX_STRENGTH_FRAC):
        raise InputError(
            f"a reading of {sg:.4g} is not one of this product: it reads {at(0.0):.3f} as water"
            f" and {at(strength_of_liquid(liquid)):.3f} as stated, at this temperature"
        )
    low, high = bisect(lambda frac: np.asarray(at(float(frac)) < sg), 0.0, MAX_STRENGTH_FRAC, 45)
    strength = 0.5 * float(low + high)
    slope = (at(strength + STEP_FRAC) - at(strength - STEP_FRAC)) / (2.0 * STEP_FRAC)
    warming = at(strength, temp_c + 0.5) - at(strength, temp_c - 0.5)
    salts = liquid_at_strength(liquid, strength).salts_frac
    parts_sg = (
        FLOAT_SG,
        THERMOMETER_K * warming,
        float(density_uncertainty_kg_m3(salts, temp_c)) / WATER_60F_KG_M3,
    )
    return MeasuredStrength(strength, math.hypot(*parts_sg) / slope)


def strength_by_freeze_point(liquid: Liquid, freeze_point_c: float) -> MeasuredStrength:
    """Return the strength of a product by the freeze point that a refractometer shows.

    Parameters
    ----------
    liquid : Liquid
        The product as stated.
    freeze_point_c : float
        As read [°C].

    Returns
    -------
    MeasuredStrength

    Raises
    ------
    InputError
        No strength of this product has it, or two have: ice comes first up to the eutectic only.
    """

    def ice_c(strength_frac: float) -> float:
        return float(brine.ice_onset_c(_diluted(liquid, strength_frac)))

    strongest = _strongest_with_ice(liquid)
    if not ice_c(strongest) <= freeze_point_c < 0.0:
        read, last = (f"{one:.1f} °C" for one in (freeze_point_c, ice_c(strongest)))
        raise InputError(
            f"a freeze point of {read} is none of this product below its eutectic, {last}:"
            " dilute a sample one to one and read again"
        )
    low, high = bisect(
        lambda frac: np.asarray(ice_c(float(frac)) > freeze_point_c), 1e-4, strongest, 45
    )
    strength = 0.5 * float(low + high)
    slope = (ice_c(strength - STEP_FRAC) - ice_c(strength + STEP_FRAC)) / (2.0 * STEP_FRAC)
    return MeasuredStrength(strength, REFRACTOMETER_K / slope)


def _diluted(liquid: Liquid, strength_frac: float) -> Array:
    return liquid_at_strength(liquid, strength_frac).molality


def _strongest_with_ice(liquid: Liquid) -> float:
    """Return the strength up to which ice comes before crystals [-]."""

    def ice_first(strength_frac: float) -> bool:
        found = cold_behavior(liquid_at_strength(liquid, strength_frac))
        return found.ice_onset_c > found.crystal_onset_c

    low, _ = bisect(lambda frac: np.asarray(ice_first(float(frac))), 0.01, MAX_STRENGTH_FRAC, 20)
    return float(low)


def active_salt_kg_l(liquid: Liquid) -> float:
    """Return the chloride salts in a liter of a liquid at 60 °F [kg/L]."""
    return strength_of_liquid(liquid) * liquid.density_kg_m3(REFERENCE_C) / 1000.0


def tolerance_as_strength(liquid: Liquid, sg_tolerance_frac: float) -> float:
    """Return the strength that a tolerance of specific gravity leaves open, either way [-].

    Parameters
    ----------
    liquid : Liquid
        The product as stated.
    sg_tolerance_frac : float
        Part of the specific gravity that a contract tolerates [-].

    Examples
    --------
    One percent is 1.2 points of calcium chloride, and more of salt brine:

    >>> from stormplan.liquids.blend import make_liquid
    >>> round(100 * tolerance_as_strength(make_liquid({"cacl2": 0.32}), 0.01), 1)
    1.2
    """
    strength = strength_of_liquid(liquid)
    above, below = (
        reading_sg(liquid_at_strength(liquid, strength + step), REFERENCE_C)
        for step in (STEP_FRAC, -STEP_FRAC)
    )
    slope = (above - below) / (2.0 * STEP_FRAC)
    return sg_tolerance_frac * reading_sg(liquid, REFERENCE_C) / slope
