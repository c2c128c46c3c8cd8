"""First solid of a stored liquid as its tank cools, with its uncertainty.

Answers the shed lead before a cold spell: which solid comes first, ice, hydrohalite or an
additive's own hydrate, at what temperature, give or take how much.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array
from stormplan.company.catalog import Chloride
from stormplan.liquids.brine import (
    CHLORIDES,
    MIN_LIQUID_TEMP_C,
    MOLAR_MASS_G_MOL,
    freeze_point_c,
    hydrohalite_saturation_temp_c,
    molality,
    plain_brine,
)

# Hydrates that neat additives drop, strength [-] against onset [°C]. MgCl2·12H2O: mean of the two
# Pitzer models, within 0.4 °C of Lange's Handbook of Chemistry, 15th ed., Table 5.13, from 24 to
# 30 %. CaCl2·6H2O: the same mean to 35 %, then solubility at 0 and 20 °C (from memory).
# Commercial stock carries other chlorides and differs: a supplier's own figure is better.
HYDRATE_CURVES: Mapping[Chloride, tuple[tuple[float, float], ...]] = {
    "cacl2": (
        *((0.305, -49.3), (0.31, -45.7), (0.32, -37.55), (0.33, -29.0), (0.35, -14.25)),
        *((0.373, 0.0), (0.427, 20.0)),
    ),
    "mgcl2": (
        *((0.212, -32.85), (0.22, -30.48), (0.23, -27.635), (0.24, -25.01), (0.25, -22.675)),
        *((0.26, -20.675), (0.27, -19.025), (0.28, -17.75), (0.29, -16.865), (0.30, -16.385)),
    ),
}
# The strongest solution a tank can hold at 60 °F (solubility near 15 °C, from memory; NaCl by
# definition of the salometer scale).
SATURATION_FRAC: Mapping[Chloride, float] = {
    "nacl": 0.26395,
    "cacl2": 0.41,
    "mgcl2": 0.35,
    "kcl": 0.245,
}

# How far the computed onsets may be off [K], by depression [K]: the larger of this rule against
# the two Pitzer models (benchmarks/phreeqc_blends.py) and of those against handbooks.
ICE_ONSET_UNCERTAINTY_K = ((10.0, 0.15), (20.0, 0.4), (30.0, 0.6), (60.0, 1.6))
CRYSTAL_ONSET_UNCERTAINTY_K = (
    (22.0, 1.6),
    (60.0, 3.1),
)  # it errs cold: the tank may drop salt warmer


def hydrate_onset_c(molality_mol_kg: ArrayLike) -> Array:
    """Temperature at which CaCl2 or MgCl2 crystallizes as its own hydrate.

    Each is judged by its own molality as if it were alone; other salts only raise the onset.

    Parameters
    ----------
    molality_mol_kg : array (4, ...)
        Molality of each chloride [mol/kg].

    Returns
    -------
    array (...)
        The warmer of the two onsets, ``MIN_LIQUID_TEMP_C`` where neither is strong enough [°C].
    """
    m = np.asarray(molality_mol_kg, dtype=float)
    onset = np.full(m.shape[1:], MIN_LIQUID_TEMP_C)
    for chloride, rows in HYDRATE_CURVES.items():
        row = CHLORIDES.index(chloride)
        per_kg_water = m[row] * MOLAR_MASS_G_MOL[row] / 1000.0
        strength = per_kg_water / (1.0 + per_kg_water)
        strengths, onsets = np.array(rows).T
        chloride_onset = np.interp(strength, strengths, onsets, left=MIN_LIQUID_TEMP_C)
        onset = np.fmax(onset, chloride_onset)
    return np.asarray(onset)


def first_solid_c(molality_mol_kg: ArrayLike) -> Array:
    """Temperature at which the first solid of any kind is due: ice, hydrohalite or hydrate.

    Parameters
    ----------
    molality_mol_kg : array (4, ...)
        Molality of each chloride [mol/kg].

    Returns
    -------
    array (...)
        Onset; infinite where plain salt drops at any tank temperature [°C].
    """
    crystals = np.maximum(
        hydrohalite_saturation_temp_c(molality_mol_kg), hydrate_onset_c(molality_mol_kg)
    )
    return np.asarray(np.maximum(freeze_point_c(molality_mol_kg), crystals))


@lru_cache(maxsize=1024)  # a company's yards ask for the same few
def brine_first_solid_c(strength_frac: float) -> float:
    """Return ``first_solid_c`` of plain salt brine of one strength [-]."""
    return float(first_solid_c(molality(plain_brine(strength_frac))))


def onset_uncertainty_k(onset_c: ArrayLike, is_crystals: ArrayLike = False) -> Array:
    """Return the uncertainty of a computed onset.

    Parameters
    ----------
    onset_c : array
        Ice or crystal onset [°C].
    is_crystals : array of bool
        Whether salt crystals, not ice, are meant.

    Returns
    -------
    array
        Half-width of the range [K].
    """
    depression = np.maximum(-np.asarray(onset_c, dtype=float), 0.0)
    ice, crystals = (
        np.array([half for _, half in table])[
            np.minimum(np.searchsorted([to for to, _ in table], depression), len(table) - 1)
        ]
        for table in (ICE_ONSET_UNCERTAINTY_K, CRYSTAL_ONSET_UNCERTAINTY_K)
    )
    return np.asarray(np.where(is_crystals, crystals, ice))
