"""Solid-liquid equilibrium of water and chlorides below freezing.

Answers one question for a column: given the temperature the surface would reach if nothing
froze or melted, and how hard the ground and the air hold it there, how much water is liquid? The
heat of melting moves the surface, the surface moves along the ice line, and the ice line says how
much the salt holds. Plain water is the same question with a step at 0 °C.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stormplan.arrays import Array
from stormplan.company.catalog import Chloride
from stormplan.compiled import compiled
from stormplan.liquids import brine
from stormplan.liquids.brine import (
    CHLORIDES,
    EUTECTIC_C,
    FREEZING_CURVE,
    HYDROHALITE_CURVE,
    MIN_LIQUID_TEMP_C,
    MOLAR_MASS_G_MOL,
    SALTING_OUT_COEFFICIENTS,
)

LATENT_FUSION_J_KG = 0.3337e6

# The solver on the freezing curve ends where a round moves it by no more than this share.
MAX_ROUNDS, SMALL_CHANGE = 6, 1e-2

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


# The tables of ``brine`` as arrays, one row per chloride in the order of ``CHLORIDES``.
_N_CHLORIDES = len(CHLORIDES)
_ACTIVITY_FIT = np.array([WATER_ACTIVITY_FIT[key] for key in CHLORIDES])
_SATURATED_ACTIVITY = np.array([SATURATED_ACTIVITY[key] for key in CHLORIDES])
_MOLES_PER_KG = 1000.0 / MOLAR_MASS_G_MOL
_CURVE_TERMS = 2 * ((max(len(terms) for terms, _ in FREEZING_CURVE.values()) + 1) // 2)
_CURVE = np.zeros((_N_CHLORIDES, _CURVE_TERMS))
for _row, _key in enumerate(CHLORIDES):
    _CURVE[_row, : len(FREEZING_CURVE[_key][0])] = FREEZING_CURVE[_key][0]
_CURVE_SLOPE = _CURVE * (1.0 + np.arange(_CURVE_TERMS) / 2.0)
_CURVE_END_K = np.array([FREEZING_CURVE[key][1] for key in CHLORIDES])
_SALTING_OUT = np.array([SALTING_OUT_COEFFICIENTS.get(key, (0.0, 0.0)) for key in CHLORIDES])
_HYDROHALITE = np.array(HYDROHALITE_CURVE)
#: By how much the two curves of plain salt miss each other at its published eutectic [mol/kg].
_EUTECTIC_GAP = float(
    brine.freezing_curve_molality(EUTECTIC_C[0])[0] - brine.hydrohalite_molality(EUTECTIC_C[0])
)


@compiled
def water_activity(salts_kg_m2: Array, water_kg_m2: float) -> float:
    """Return the water activity of a film: its vapor pressure over that of plain water.

    Parameters
    ----------
    salts_kg_m2 : array (4,)
        Each chloride, in the order of ``CHLORIDES`` [kg/m²].
    water_kg_m2 : float
        Liquid water; none leaves salt in its saturated state [kg/m²].

    Returns
    -------
    float
        1 for plain water, never below that of the driest saturated salt present [-].
    """
    exponent, floor = 0.0, 1.0
    for i in range(_N_CHLORIDES):
        moles = salts_kg_m2[i] * _MOLES_PER_KG[i]
        if moles > 0.0:
            m = min(moles / max(water_kg_m2, 1e-12), _ACTIVITY_FIT[i, 2])
            exponent += (_ACTIVITY_FIT[i, 0] + _ACTIVITY_FIT[i, 1] * m) * m
            floor = min(floor, _SATURATED_ACTIVITY[i])
    return max(float(np.exp(-exponent)), floor)


@compiled
def freezing_molality(chloride: int, depression_k: float) -> tuple[float, float]:
    """Return the molality of a chloride on its ice line, as ``brine.freezing_molality`` has it.

    Parameters
    ----------
    chloride : int
        Its place in ``CHLORIDES`` [-].
    depression_k : float
        Depression of the freezing point, not negative [K].

    Returns
    -------
    molality, slope : float
        Straight on beyond the end of the fit [mol/kg], [mol/(kg K)].
    """
    inside = min(depression_k, _CURVE_END_K[chloride])
    root = np.sqrt(inside)
    # whole and half powers side by side: a processor need not wait for the one to do the other
    value = slope = half_value = half_slope = 0.0
    for power in range(_CURVE_TERMS - 2, -1, -2):
        value = value * inside + _CURVE[chloride, power]
        slope = slope * inside + _CURVE_SLOPE[chloride, power]
        half_value = half_value * inside + _CURVE[chloride, power + 1]
        half_slope = half_slope * inside + _CURVE_SLOPE[chloride, power + 1]
    value, slope = value + root * half_value, slope + root * half_slope
    return inside * value + (depression_k - inside) * slope, slope


@compiled
def liquid_capacity_kg_m2(salts_kg_m2: Array, temp_c: float) -> tuple[float, float]:
    """Return the water that the salts keep liquid on their freezing curves, hydrohalite excluded.

    Parameters
    ----------
    salts_kg_m2 : array (4,)
        Each chloride [kg/m²].
    temp_c : float
        Below 0 [°C].

    Returns
    -------
    capacity, slope : float
        Liquid water in equilibrium with ice; what one degree warmer adds [kg/m²], [kg/(m² K)].
    """
    capacity = slope = 0.0
    for i in range(_N_CHLORIDES):
        salt = salts_kg_m2[i]
        if salt > 0.0:
            molality, molality_slope = freezing_molality(i, max(-temp_c, 0.0))
            held = salt * _MOLES_PER_KG[i] / molality
            capacity += held
            slope += held / molality * molality_slope
    return capacity, slope


@compiled
def _ice_line_part_with_hydrohalite(
    salts_kg_m2: Array, nacl_molality: float, total_kg_m2: float, others: float, temp_c: float
) -> float:
    """Return what part of the ice line the other chlorides hold where hydrohalite holds its own.

    The scalar form of the quadratic that ``brine`` explains; 0 where hydrohalite is not due [-].
    ``nacl_molality`` is that of plain salt on its ice line [mol/kg].
    """
    hydrohalite = _HYDROHALITE[0] + (_HYDROHALITE[1] + _HYDROHALITE[2] * temp_c) * temp_c
    gap = nacl_molality - hydrohalite - _EUTECTIC_GAP
    if gap <= 0.0 or salts_kg_m2[0] <= 0.0:
        return 0.0
    linear = square = 0.0
    for i in range(1, _N_CHLORIDES):
        molality = salts_kg_m2[i] * _MOLES_PER_KG[i] / total_kg_m2
        ratio = molality / max(others, 1e-300)
        linear += _SALTING_OUT[i, 0] * ratio
        square += _SALTING_OUT[i, 1] * ratio * ratio
    slope = nacl_molality - linear
    part = 2.0 * gap / (slope + np.sqrt(slope * slope + 4.0 * square * gap))
    return min(float(part), 1.0)


@compiled
def equilibrium_liquid_kg_m2(salts_kg_m2: Array, total_kg_m2: float, temp_c: float) -> float:
    """Return liquid water in equilibrium at a temperature, hydrohalite included.

    Parameters
    ----------
    salts_kg_m2 : array (4,)
        Each chloride [kg/m²].
    total_kg_m2 : float
        Water, ice and snow together [kg/m²].
    temp_c : float
        Of the film [°C].

    Returns
    -------
    float
        At most the total; all of it at and above 0 °C. ``brine.liquid_water_frac`` gives the same
        for arrays of solutions [kg/m²].
    """
    if temp_c >= 0.0:
        return total_kg_m2
    if total_kg_m2 <= 0.0:
        return 0.0
    temp_c = min(temp_c, -1e-12)  # a hair below 0 °C the ice line is too small to divide by
    eutectic_c = nacl = others = nacl_molality = 0.0
    for i in range(_N_CHLORIDES):
        salt = salts_kg_m2[i]
        if salt > 0.0:
            eutectic_c = min(eutectic_c, EUTECTIC_C[i])
            molality, _ = freezing_molality(i, -temp_c)
            part = salt * _MOLES_PER_KG[i] / (total_kg_m2 * molality)
            if i == 0:
                nacl, nacl_molality = part, molality
            else:
                others += part
    if temp_c < eutectic_c or eutectic_c == 0.0:
        return 0.0
    liquid_frac = nacl + others
    if temp_c < EUTECTIC_C[0]:
        part = _ice_line_part_with_hydrohalite(
            salts_kg_m2, nacl_molality, total_kg_m2, others, temp_c
        )
        if part > 0.0:
            liquid_frac = min(liquid_frac, others / part)
    return total_kg_m2 * min(liquid_frac, 1.0)


@compiled
def equilibrate(
    unfrozen_temp_c: float,
    kelvin_per_kg: float,
    liquid_kg_m2: float,
    total_kg_m2: float,
    salts_kg_m2: Array,
    film_c: float,
) -> float:
    """Return liquid water after freezing or melting has brought the film to its freezing curve.

    Solves ``T = free − kelvin_per_kg · (liquid(T) − liquid)``.

    Parameters
    ----------
    unfrozen_temp_c : float
        Temperature if nothing froze or melted [°C].
    kelvin_per_kg : float
        How far one kg/m² of melting cools the film, all its surroundings counted [K m²/kg].
    liquid_kg_m2, total_kg_m2 : float
        Liquid before; water, ice and snow together [kg/m²].
    salts_kg_m2 : array (4,)
        Each chloride [kg/m²].
    film_c : float
        Last known temperature, to start from [°C].

    Returns
    -------
    float
        Liquid water after, from 0 to the total [kg/m²].
    """
    if total_kg_m2 <= 0.0:
        return 0.0
    all_melted_c = unfrozen_temp_c - kelvin_per_kg * (total_kg_m2 - liquid_kg_m2)
    first_eutectic_c = -np.inf  # of the salts present; what follows waits for it
    for i in range(_N_CHLORIDES):
        if salts_kg_m2[i] > 0.0:
            first_eutectic_c = max(first_eutectic_c, EUTECTIC_C[i] + 0.1)
    if all_melted_c >= 0.0 or first_eutectic_c == -np.inf:
        liquid = liquid_kg_m2 + unfrozen_temp_c / kelvin_per_kg
        return min(max(liquid, 0.0), total_kg_m2)
    if liquid_kg_m2 >= total_kg_m2 and all_melted_c >= first_eutectic_c:
        capacity, _ = liquid_capacity_kg_m2(salts_kg_m2, all_melted_c)
        if capacity >= total_kg_m2:
            return total_kg_m2
    on_curve = _solve_on_freezing_curve(
        unfrozen_temp_c, kelvin_per_kg, liquid_kg_m2, salts_kg_m2, film_c
    )
    temp_c = unfrozen_temp_c - kelvin_per_kg * (on_curve - liquid_kg_m2)
    if temp_c >= first_eutectic_c:
        return min(max(on_curve, 0.0), total_kg_m2)
    # near a eutectic: freezing waits there, or salt crystals join the ice
    return _solve_by_bisection(
        unfrozen_temp_c, kelvin_per_kg, liquid_kg_m2, total_kg_m2, salts_kg_m2
    )


@compiled
def _solve_on_freezing_curve(
    unfrozen_temp_c: float,
    kelvin_per_kg: float,
    liquid_kg_m2: float,
    salts_kg_m2: Array,
    film_c: float,
) -> float:
    """Solve ``equilibrate`` where ice and brine coexist.

    Water held is nearly inverse to the depression of the freezing point: with
    ``held = constant + inverse / depression``, by its value and slope at the last guess, the
    balance is a quadratic. A root errs by the square of how far it is from the guess.
    """
    all_frozen_c = unfrozen_temp_c + kelvin_per_kg * liquid_kg_m2
    depression, held = max(-film_c, 0.05), 0.0
    for _ in range(MAX_ROUNDS):
        capacity, slope = liquid_capacity_kg_m2(salts_kg_m2, -depression)
        inverse = slope * depression * depression
        constant = capacity - slope * depression
        half = 0.5 * (all_frozen_c - kelvin_per_kg * constant)
        square = kelvin_per_kg * inverse
        # the positive root, in the form that does not cancel
        distance = np.sqrt(half * half + square)
        root = square / (distance + half) if half > 0.0 else distance - half
        root = min(max(root, 1e-6), 60.0)
        held = constant + inverse / root
        change, depression = abs(root - depression), root
        if change <= SMALL_CHANGE * depression:
            break
    return held


@compiled
def _solve_by_bisection(
    unfrozen_temp_c: float,
    kelvin_per_kg: float,
    liquid_kg_m2: float,
    total_kg_m2: float,
    salts_kg_m2: Array,
) -> float:
    """Solve ``equilibrate`` with the full phase diagram."""
    colder, warmer = MIN_LIQUID_TEMP_C, 0.0
    for _ in range(40):  # 60 K halved 40 times is 6e-11 K
        middle = 0.5 * (colder + warmer)
        gain = equilibrium_liquid_kg_m2(salts_kg_m2, total_kg_m2, middle) - liquid_kg_m2
        if middle - unfrozen_temp_c + kelvin_per_kg * gain > 0.0:
            warmer = middle
        else:
            colder = middle
    least = equilibrium_liquid_kg_m2(salts_kg_m2, total_kg_m2, colder)
    most = equilibrium_liquid_kg_m2(salts_kg_m2, total_kg_m2, warmer)
    return min(max(liquid_kg_m2 + (unfrozen_temp_c - colder) / kelvin_per_kg, least), most)
