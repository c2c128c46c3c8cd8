"""What is liquid and what is ice when water, snow and chlorides lie together in the cold.

Answers one question for every column: given the temperature the surface would reach if nothing
froze or melted, and how hard the ground and the air hold it there, how much water is liquid? The
heat of melting moves the surface, the surface moves along the ice line, and the ice line says how
much the salt holds. Plain water is the same question with a step at 0 °C.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from stormplan.company.catalog import Chloride
from stormplan.liquids import brine
from stormplan.liquids.brine import CHLORIDES, EUTECTIC_C, MOLAR_MASS_G_MOL

Array = NDArray[np.float64]

LATENT_FUSION_J_KG = 0.3337e6

# Water activity of one salt's solution: ln a = -(k1 m + k2 m²), m in mol/kg. Two-term fits to
# ln(e_ice/e_water) (Alduchov & Eskridge 1996) along each ice line to its eutectic, within 0.004.
# They run on to the saturated solution, whose molality stands last, and come out there at 0.77,
# 0.30, 0.31 and 0.85; measured 0.75, 0.33, 0.33 and 0.84 (Greenspan 1977, J. Res. NBS 81A, 89;
# CaCl2 at 20 °C from memory).
ACTIVITY: Mapping[Chloride, tuple[float, float, float]] = {
    "nacl": (0.03052, 0.00196, 6.15),
    "cacl2": (0.03257, 0.02190, 6.7),
    "mgcl2": (0.03176, 0.02908, 5.8),
    "kcl": (0.03172, 0.00022, 4.8),
}
DRIEST = {
    key: float(np.exp(-(linear + square * last) * last))
    for key, (linear, square, last) in ACTIVITY.items()
}


def present(salts_kg_m2: Array) -> list[int]:
    """Which chlorides are there at all, as places on the chloride axis."""
    return [i for i in range(len(CHLORIDES)) if np.any(salts_kg_m2[i] > 0.0)]


def water_activity(salts_kg_m2: Array, water_kg_m2: Array) -> Array:
    """Vapour pressure of a film over that of plain water.

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
    for i in present(salts_kg_m2):
        linear, square, last = ACTIVITY[CHLORIDES[i]]
        moles = salts_kg_m2[i] * (1000.0 / MOLAR_MASS_G_MOL[i])
        m = np.minimum(moles / np.maximum(water_kg_m2, 1e-12), last)
        exponent += (linear + square * m) * m
        floor = np.where(moles > 0.0, np.minimum(floor, DRIEST[CHLORIDES[i]]), floor)
    return np.asarray(np.maximum(np.exp(-exponent), floor))


def held_kg_m2(salts_kg_m2: Array, temp_c: Array) -> Array:
    """Water that the salts keep liquid on their ice lines, hydrohalite not counted.

    Parameters
    ----------
    salts_kg_m2 : array (4, column)
        Each chloride [kg/m²].
    temp_c : array (column,)
        Below 0 [°C].

    Returns
    -------
    array (column,)
        Liquid water in equilibrium with ice [kg/m²].
    """
    held = np.zeros_like(temp_c)
    which = present(salts_kg_m2)
    lines = brine.ice_line_molality(temp_c, tuple(CHLORIDES[i] for i in which))
    for i, line in zip(which, lines, strict=True):
        held += salts_kg_m2[i] * (1000.0 / MOLAR_MASS_G_MOL[i]) / line
    return held


def liquid_at(salts_kg_m2: Array, total_kg_m2: Array, temp_c: Array) -> Array:
    """Liquid water in equilibrium at a given temperature, any salts and hydrohalite counted.

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
        liquid[salted] = total * brine.unfrozen_frac(molality, temp_c[salted])
    return liquid


def settle(
    free_c: Array,
    kelvin_per_kg: Array,
    liquid_kg_m2: Array,
    total_kg_m2: Array,
    salts_kg_m2: Array,
    film_c: Array,
) -> Array:
    """Liquid water once freezing or melting has moved the temperature to the ice line.

    Solves ``T = free − kelvin_per_kg · (liquid(T) − liquid)`` for every column.

    Parameters
    ----------
    free_c : array (column,)
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
    plain = np.clip(liquid_kg_m2 + free_c / kelvin_per_kg, 0.0, total_kg_m2)
    melted_c = free_c - kelvin_per_kg * (total_kg_m2 - liquid_kg_m2)
    salted = np.flatnonzero(
        (melted_c < 0.0) & (total_kg_m2 > 0.0) & (salts_kg_m2.sum(axis=0) > 0.0)
    )
    if not salted.size:
        return np.asarray(plain)
    salts = salts_kg_m2.take(salted, axis=1)
    all_liquid = held_kg_m2(salts, melted_c[salted]) >= total_kg_m2[salted]
    first_eutectic = max(EUTECTIC_C[i] for i in present(salts)) + 0.1
    all_liquid &= melted_c[salted] >= first_eutectic
    plain[salted] = total_kg_m2[salted]
    icy = salted[~all_liquid]
    if not icy.size:
        return np.asarray(plain)
    salts = salts_kg_m2.take(icy, axis=1)
    free, per_kg = free_c[icy], kelvin_per_kg[icy]
    liquid, total = liquid_kg_m2[icy], total_kg_m2[icy]
    on_line = _on_the_ice_line(free, per_kg, liquid, salts, film_c[icy])
    depression = per_kg * (on_line - liquid) - free  # of the temperature that goes with it
    plain[icy] = np.clip(on_line, 0.0, total)
    cold = np.flatnonzero(depression > -first_eutectic)
    if cold.size:  # near a eutectic: freezing waits there, or salt crystals join the ice
        plain[icy[cold]] = _by_halving(
            free[cold], per_kg[cold], liquid[cold], total[cold], salts[:, cold]
        )
    return np.asarray(plain)


def _on_the_ice_line(
    free_c: Array, kelvin_per_kg: Array, liquid_kg_m2: Array, salts_kg_m2: Array, film_c: Array
) -> Array:
    """Solve ``settle`` where ice and brine coexist.

    Water held is nearly inverse to the depression of the freezing point, so with
    ``held = c / depression`` the balance is a quadratic; three rounds on ``c`` settle it.
    """
    pull = free_c + kelvin_per_kg * liquid_kg_m2
    depression = np.maximum(-film_c, 0.05)
    for _ in range(3):
        inverse = held_kg_m2(salts_kg_m2, -depression) * depression
        root = np.sqrt(pull * pull + 4.0 * kelvin_per_kg * inverse)
        # the positive root, in the form that does not cancel
        depression = np.where(
            pull > 0.0, 2.0 * kelvin_per_kg * inverse / (root + np.abs(pull)), 0.5 * (root - pull)
        )
        depression = np.clip(depression, 1e-6, 60.0)
    return np.asarray(held_kg_m2(salts_kg_m2, -depression))


def _by_halving(
    free_c: Array, kelvin_per_kg: Array, liquid_kg_m2: Array, total_kg_m2: Array, salts: Array
) -> Array:
    """Solve ``settle`` for few columns with the full phase diagram, steps included."""
    colder, warmer = np.full_like(free_c, brine.COLDEST_C), np.zeros_like(free_c)
    for _ in range(40):  # 60 K halved 40 times is 6e-11 K
        middle = 0.5 * (colder + warmer)
        gain = liquid_at(salts, total_kg_m2, middle) - liquid_kg_m2
        too_warm = middle - free_c + kelvin_per_kg * gain > 0.0
        warmer = np.where(too_warm, middle, warmer)
        colder = np.where(too_warm, colder, middle)
    least = liquid_at(salts, total_kg_m2, colder)
    most = liquid_at(salts, total_kg_m2, warmer)
    return np.clip(liquid_kg_m2 + (free_c - colder) / kelvin_per_kg, least, most)
