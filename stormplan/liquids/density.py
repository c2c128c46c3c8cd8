"""Density of water and chloride solutions.

Answers everything that turns gallons into pounds and back. Compositions are arrays by weight
whose first axis runs over ``brine.CHLORIDES``; everything broadcasts.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array
from stormplan.company.catalog import Chloride
from stormplan.liquids.brine import CHLORIDES

# Laliberte 2009, J. Chem. Eng. Data 54, 1725 (model of 2004, same journal 49, 1141): c0..c4.
LALIBERTE_COEFFICIENTS: Mapping[Chloride, tuple[float, float, float, float, float]] = {
    "nacl": (
        -0.00324112223655149,
        0.0636354335906616,
        1.01371399467365,
        0.0145951015210159,
        3317.34854426537,
    ),
    "cacl2": (
        -9.72893747074295,
        14.7005352975276,
        4.19033341468332,
        0.0397403624277021,
        2708.12778894614,
    ),
    "mgcl2": (
        -0.0215001423271867,
        0.0441202083909434,
        1.53227586827304,
        -0.0098078506056196,
        -3478.36496883693,
    ),
    "kcl": (
        -0.855928945959145,
        6.04073571306402,
        2.81787416217166,
        0.0253924645877338,
        2681.61723465886,
    ),
}
# Kell's water density as Laliberte prints it: numerator from t^5 down to 1, then the denominator.
KELL_NUMERATOR = (-2.8054253e-10, 1.0556302e-7, -4.6170461e-5, -0.0079870401, 16.945176, 999.83952)
KELL_DENOMINATOR = 0.01687985
# NaCl against a Gibbs equation of state (Brown et al. 2023, SeaFreeze), CoolProp and Lange's
# Table 5.13; others against CoolProp and the same table: 0.6 % at 30 %.
UNCERTAINTY_WARM_KG_M3, UNCERTAINTY_COLD_KG_M3, UNCERTAINTY_OTHERS_KG_M3 = 1.0, 2.0, 25.0
INERT_DENSITY_KG_M3 = 1300.0  # dissolved sugars and inhibitor in solution; our own assumption


def water_density_kg_m3(temp_c: ArrayLike) -> Array:
    """Density of liquid water.

    Parameters
    ----------
    temp_c : array
        Temperature; supercooled below 0 [°C].

    Returns
    -------
    array
        Density [kg/m³].

    References
    ----------
    Kell 1975, J. Chem. Eng. Data 20, 97, as printed by Laliberte 2009.
    """
    temp = np.asarray(temp_c, dtype=float)
    numerator = np.polyval(KELL_NUMERATOR, temp)
    return np.asarray(numerator / (1.0 + KELL_DENOMINATOR * temp))


def density_kg_m3(salts_frac: ArrayLike, temp_c: ArrayLike, inert_frac: ArrayLike = 0.0) -> Array:
    """Density of a solution: the specific volumes of water and solutes, added.

    Inert solids are added to the brine of the rest at their own density, which is an assumption;
    a supplier's figure is better.

    Parameters
    ----------
    salts_frac : array (4, ...)
        Mass share of each chloride, in the order of ``CHLORIDES`` [-].
    temp_c : array (...)
        Temperature; extrapolated below 15 °C for CaCl2, 5 °C for KCl, 0 °C for the others [°C].
    inert_frac : array (...)
        Mass share of dissolved solids with no freeze-point credit [-].

    Returns
    -------
    array (...)
        Density [kg/m³].

    References
    ----------
    Laliberte 2009, J. Chem. Eng. Data 54, 1725.

    Examples
    --------
    Salt brine of 23.3 % at 60 °F:

    >>> round(float(density_kg_m3([0.233, 0.0, 0.0, 0.0], 15.56)))
    1177
    """
    inert = np.asarray(inert_frac, dtype=float)
    salts = np.asarray(salts_frac, dtype=float) / (1.0 - inert)
    temp = np.asarray(temp_c, dtype=float)
    total = salts.sum(axis=0)
    volume_m3_kg = (1.0 - total) / water_density_kg_m3(temp)
    for salt, chloride in zip(salts, CHLORIDES, strict=True):
        c0, c1, c2, c3, c4 = LALIBERTE_COEFFICIENTS[chloride]
        apparent = (c0 * total + c1) * np.exp(1e-6 * (temp + c4) ** 2) / (total + c2 + c3 * temp)
        volume_m3_kg = volume_m3_kg + salt / apparent
    return np.asarray(1.0 / ((1.0 - inert) * volume_m3_kg + inert / INERT_DENSITY_KG_M3))


def density_uncertainty_kg_m3(salts_frac: ArrayLike, temp_c: ArrayLike) -> Array:
    """Return the uncertainty of a computed density, from other models and tables.

    Parameters
    ----------
    salts_frac : array (4, ...)
        Mass share of each chloride [-].
    temp_c : array (...)
        Temperature [°C].

    Returns
    -------
    array (...)
        Half-width of the range [kg/m³].
    """
    salts = np.asarray(salts_frac, dtype=float)
    nacl = np.where(
        np.asarray(temp_c, dtype=float) < 0.0, UNCERTAINTY_COLD_KG_M3, UNCERTAINTY_WARM_KG_M3
    )
    return np.asarray(nacl + UNCERTAINTY_OTHERS_KG_M3 * salts[1:].sum(axis=0))
