"""Solid-liquid equilibrium of water and chlorides below freezing.

Answers one question for every column: given the temperature the surface would reach if nothing
froze or melted, and how hard the ground and the air hold it there, how much water is liquid? The
heat of melting moves the surface, the surface moves along the ice line, and the ice line says how
much the salt holds. Plain water is the same question with a step at 0 °C.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from stormplan.arrays import Array, BoolArray
from stormplan.company.catalog import Chloride
from stormplan.liquids import brine
from stormplan.liquids.brine import CHLORIDES, EUTECTIC_C, MOLAR_MASS_G_MOL
from stormplan.numerics import bisect

LATENT_FUSION_J_KG = 0.3337e6

# Water activity of one salt's solution: ln a = -(k1 m + k2 m²), m in mol/kg. Two-term fits to
# ln(e_ice/e_water) (Alduchov & Eskridge 1996) along each ice line to its eutectic, within 0.004.
# They run on to the saturated solution, whose molality stands last, and come out there at 0.77,
# 0.30, 0.31 and 0.85; measured 0.75, 0.33, 0.33 and 0.84 (Greenspan 1977, J. Res. NBS 81A, 89;
# CaCl2 at 20 °C from memory).
WATER_ACTIVITY_FIT: Mapping[Chloride, tuple[float, float, float]] = {
    "nacl": (0.03052, 0.00196, 6.15),
    "cacl2": (0.03257, 0.02190, 6.7),
    "mgcl2": (0.03176, 0.02908, 5.8),
    "kcl": (0.03172, 0.00022, 4.8),
}
SATURATED_ACTIVITY = {
    key: float(np.exp(-(linear + square * last) * last))
    for key, (linear, square, last) in WATER_ACTIVITY_FIT.items()
}


def present_chlorides(salts_kg_m2: Array) -> list[int]:
    """Return the indices of the chlorides that are present."""
    return np.flatnonzero((salts_kg_m2 > 0.0).any(axis=1)).tolist()


def water_activity(salts_kg_m2: Array, water_kg_m2: Array) -> Array:
    """Return the water activity of a film: its vapor pressure over that of plain water.

    Parameters
    ----------
    salts_kg_m2 : array (4, column)
        Each chloride, in the order of ``CHLORIDES`` [kg/m²].
    water_kg_m2 : array (column,)
        Liquid water; none leaves salt in its saturated state [kg/m²].

    Returns
    -------
    array (column,)
        1 for plain water, never below that of the driest saturated salt present [-].
    """
    exponent = np.zeros_like(water_kg_m2)
    floor = np.ones_like(water_kg_m2)
    for i in present_chlorides(salts_kg_m2):
        k1, k2, saturation_molality = WATER_ACTIVITY_FIT[CHLORIDES[i]]
        moles = salts_kg_m2[i] * (1000.0 / MOLAR_MASS_G_MOL[i])
        m = np.minimum(moles / np.maximum(water_kg_m2, 1e-12), saturation_molality)
        exponent += (k1 + k2 * m) * m
        floor = np.where(moles > 0.0, np.minimum(floor, SATURATED_ACTIVITY[CHLORIDES[i]]), floor)
    return np.asarray(np.maximum(np.exp(-exponent), floor))


def liquid_capacity_kg_m2(
    salts_kg_m2: Array, temp_c: Array, present: Sequence[int] | None = None
) -> Array:
    """Return the water that the salts keep liquid on their freezing curves, hydrohalite excluded.

    Parameters
    ----------
    salts_kg_m2 : array (4, column)
        Each chloride [kg/m²].
    temp_c : array (column,)
        Below 0 [°C].
    present : sequence of int, optional
        Which chlorides there are, where that is known already.

    Returns
    -------
    array (column,)
        Liquid water in equilibrium with ice [kg/m²].
    """
    if present is None:
        present = present_chlorides(salts_kg_m2)
    theta = np.maximum(-temp_c, 0.0)
    capacity = np.zeros_like(temp_c)
    for i in present:
        line = brine.freezing_molality(CHLORIDES[i], theta)
        capacity += salts_kg_m2[i] * (1000.0 / MOLAR_MASS_G_MOL[i]) / line
    return capacity


def equilibrium_liquid_kg_m2(salts_kg_m2: Array, total_kg_m2: Array, temp_c: Array) -> Array:
    """Return liquid water in equilibrium at a temperature, hydrohalite included.

    Parameters
    ----------
    salts_kg_m2 : array (4, column)
        Each chloride [kg/m²].
    total_kg_m2 : array (column,)
        Water, ice and snow together [kg/m²].
    temp_c : array (column,)
        Of the film [°C].

    Returns
    -------
    array (column,)
        At most the total; all of it at and above 0 °C [kg/m²].
    """
    liquid = np.where(temp_c < 0.0, 0.0, total_kg_m2)
    salted = np.flatnonzero((temp_c < 0.0) & (salts_kg_m2.sum(axis=0) > 0.0) & (total_kg_m2 > 0.0))
    if salted.size:
        total = total_kg_m2[salted]
        molality = salts_kg_m2[:, salted] * 1000.0 / (MOLAR_MASS_G_MOL[:, None] * total)
        liquid[salted] = total * brine.liquid_water_frac(molality, temp_c[salted])
    return liquid


def equilibrate(
    unfrozen_temp_c: Array,
    kelvin_per_kg: Array,
    liquid_kg_m2: Array,
    total_kg_m2: Array,
    salts_kg_m2: Array,
    film_c: Array,
) -> Array:
    """Return liquid water after freezing or melting has brought the film to its freezing curve.

    Solves ``T = free − kelvin_per_kg · (liquid(T) − liquid)`` for every column.

    Parameters
    ----------
    unfrozen_temp_c : array (column,)
        Temperature if nothing froze or melted [°C].
    kelvin_per_kg : array (column,)
        How far one kg/m² of melting cools the film, all its surroundings counted [K m²/kg].
    liquid_kg_m2, total_kg_m2 : array (column,)
        Liquid before; water, ice and snow together [kg/m²].
    salts_kg_m2 : array (4, column)
        Each chloride [kg/m²].
    film_c : array (column,)
        Last known temperature, to start from [°C].

    Returns
    -------
    array (column,)
        Liquid water after, from 0 to the total [kg/m²].
    """
    liquid_after = np.clip(liquid_kg_m2 + unfrozen_temp_c / kelvin_per_kg, 0.0, total_kg_m2)
    all_melted_c = unfrozen_temp_c - kelvin_per_kg * (total_kg_m2 - liquid_kg_m2)
    salted = np.flatnonzero(
        (all_melted_c < 0.0) & (total_kg_m2 > 0.0) & (salts_kg_m2.sum(axis=0) > 0.0)
    )
    if not salted.size:
        return np.asarray(liquid_after)
    salts = salts_kg_m2.take(salted, axis=1)
    all_liquid = liquid_capacity_kg_m2(salts, all_melted_c[salted]) >= total_kg_m2[salted]
    first_eutectic = max(EUTECTIC_C[i] for i in present_chlorides(salts)) + 0.1
    all_liquid &= all_melted_c[salted] >= first_eutectic
    liquid_after[salted] = total_kg_m2[salted]
    icy = salted[~all_liquid]
    if not icy.size:
        return np.asarray(liquid_after)
    salts = salts_kg_m2.take(icy, axis=1)
    unfrozen, per_kg = unfrozen_temp_c[icy], kelvin_per_kg[icy]
    liquid, total = liquid_kg_m2[icy], total_kg_m2[icy]
    on_curve = _solve_on_freezing_curve(unfrozen, per_kg, liquid, salts, film_c[icy])
    depression = per_kg * (on_curve - liquid) - unfrozen  # of the temperature that goes with it
    liquid_after[icy] = np.clip(on_curve, 0.0, total)
    cold = np.flatnonzero(depression > -first_eutectic)
    if cold.size:  # near a eutectic: freezing waits there, or salt crystals join the ice
        liquid_after[icy[cold]] = _solve_by_bisection(
            unfrozen[cold], per_kg[cold], liquid[cold], total[cold], salts[:, cold]
        )
    return np.asarray(liquid_after)


def _solve_on_freezing_curve(
    unfrozen_temp_c: Array,
    kelvin_per_kg: Array,
    liquid_kg_m2: Array,
    salts_kg_m2: Array,
    film_c: Array,
) -> Array:
    """Solve ``equilibrate`` where ice and brine coexist.

    Water held is nearly inverse to the depression of the freezing point, so with
    ``held = c / depression`` the balance is a quadratic; three rounds on ``c`` settle it.
    """
    present = present_chlorides(salts_kg_m2)
    all_frozen_c = unfrozen_temp_c + kelvin_per_kg * liquid_kg_m2
    depression = np.maximum(-film_c, 0.05)
    for _ in range(3):
        capacity = liquid_capacity_kg_m2(salts_kg_m2, -depression, present)
        capacity_times_depression = capacity * depression
        sqrt_discriminant = np.sqrt(
            all_frozen_c * all_frozen_c + 4.0 * kelvin_per_kg * capacity_times_depression
        )
        # the positive root, in the form that does not cancel
        depression = np.where(
            all_frozen_c > 0.0,
            2.0
            * kelvin_per_kg
            * capacity_times_depression
            / (sqrt_discriminant + np.abs(all_frozen_c)),
            0.5 * (sqrt_discriminant - all_frozen_c),
        )
        depression = np.clip(depression, 1e-6, 60.0)
    return liquid_capacity_kg_m2(salts_kg_m2, -depression, present)


def _solve_by_bisection(
    unfrozen_temp_c: Array,
    kelvin_per_kg: Array,
    liquid_kg_m2: Array,
    total_kg_m2: Array,
    salts: Array,
) -> Array:
    """Solve ``equilibrate`` for few columns with the full phase diagram, by bisection."""

    def too_cold(temp_c: Array) -> BoolArray:
        gain = equilibrium_liquid_kg_m2(salts, total_kg_m2, temp_c) - liquid_kg_m2
        return ~(temp_c - unfrozen_temp_c + kelvin_per_kg * gain > 0.0)

    coldest = np.full_like(unfrozen_temp_c, brine.MIN_LIQUID_TEMP_C)
    colder, warmer = bisect(  # 60 K halved 40 times is 6e-11 K
        too_cold, coldest, np.zeros_like(unfrozen_temp_c), 40
    )
    least = equilibrium_liquid_kg_m2(salts, total_kg_m2, colder)
    most = equilibrium_liquid_kg_m2(salts, total_kg_m2, warmer)
    return np.clip(liquid_kg_m2 + (unfrozen_temp_c - colder) / kelvin_per_kg, least, most)
