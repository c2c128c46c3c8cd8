"""Phase behavior of chloride solutions: freezing curve and hydrohalite saturation.

Answers the film model (how much of this film is ice?) and the shed lead (will the tank hold?).
Everything broadcasts: a composition is an array whose *first* axis runs over ``CHLORIDES`` and
whose other axes are the caller's. Molality, mol per kg of water, is the natural measure: films
lose and gain water, not salt. Inert solids are mass without freeze-point credit. What a solution
weighs is in ``density``, what a stored one drops in ``tank``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array
from stormplan.company.catalog import Chloride
from stormplan.numerics import bisect

CHLORIDES: tuple[Chloride, ...] = ("nacl", "cacl2", "mgcl2", "kcl")

# Standard atomic weights [g/mol], in the order of CHLORIDES.
MOLAR_MASS_G_MOL = np.array([58.443, 110.984, 95.211, 74.551])
#: Salt by weight of plain salt brine at its eutectic (Lange's Handbook of Chemistry, 15th ed.,
#: Table 5.13; FHWA-RD-95-202 App. A).
EUTECTIC_FRAC = 0.233
#: Chloride in each salt by mass, from atomic weights (IUPAC 2021): Cl 35.45.
CHLORIDE_MASS_FRAC = np.array([0.6066, 0.6389, 0.7447, 0.4755])

# Molality on the ice line, m0 = theta (a0 + a1 x + a2 x^2 + ...), theta = -T [°C], x = sqrt(theta),
# good to the theta in the last column. Fitted to the mean of two Pitzer models of cold brines
# (Toner & Catling 2017, J. Chem. Eng. Data 62, 995; Marion & Kargel 2008, FREZCHEM), residual
# below 0.015 °C. a0 = 1/(1.860 nu) is the ideal dilute limit. Past a salt's eutectic the line is
# metastable, which is what mixtures need. Further down it goes on straight, so that it stays
# monotone.
FREEZING_CURVE: Mapping[Chloride, tuple[tuple[float, ...], float]] = {
    "nacl": (
        (0.2688172, 0.03568011, -0.01420247, 0.001248702, -1.456745e-5, -2.188324e-6),
        45.0,
    ),
    "cacl2": (
        (0.1792115, 0.06609916, -0.0556703, 0.0157899, -0.002312983, 1.751857e-4, -5.443345e-6),
        51.0,
    ),
    "mgcl2": (
        (0.1792115, 0.07310853, -0.06901911, 0.02166883, -0.003491994, 2.895049e-4, -9.791778e-6),
        45.0,
    ),
    "kcl": (
        (0.2688172, 0.04615541, -0.02305499, 0.006964924, -0.001241104, 8.122696e-5),
        14.0,
    ),
}

# Eutectic temperatures [°C], in the order of CHLORIDES: NaCl mean of handbook (-21.1) and the two
# Pitzer models (-21.14, -21.18); CaCl2 FHWA-RD-95-202 App. A (models -50.5, -48.1); MgCl2 and
# KCl Toner & Catling 2017 (FHWA has MgCl2 at -33).
EUTECTIC_C = np.array([-21.12, -51.0, -33.2, -10.7])
MIN_LIQUID_TEMP_C = -60.0  # no chloride brine is liquid here; the end of every search

# Hydrohalite (NaCl·2H2O) saturation, mol NaCl per kg water against T [°C]: through the handbook
# eutectic (23.3 %, -21.12 °C) and the peritectic (26.285 %, +0.1 °C), curvature from the Pitzer
# models.
HYDROHALITE_CURVE = (6.09656, 0.0470142, 0.000211373)
# What a mole of another chloride counts for in salting out: (k0 - k1 m) m, fitted to the same
# models; for KCl both give 0.37-0.41 at any strength.
SALTING_OUT_COEFFICIENTS = {"cacl2": (1.783, 0.118), "mgcl2": (1.98, 0.14), "kcl": (0.40, 0.0)}
HALITE_SATURATION_MOL_KG = 6.10  # salted-out sum at which plain salt drops at any tank temperature

CHUNK_SIZE = 16_384  # elements solved together: small enough to stay in the processor's cache


def _per_chloride(values: ArrayLike, like: Array) -> Array:
    """Reshape one value per chloride to broadcast against an array of shape (4, ...)."""
    return np.reshape(np.asarray(values, dtype=float), (-1,) + (1,) * (like.ndim - 1))


# ------------------------------------------------------------------------------ composition


def plain_brine(nacl_frac: ArrayLike) -> Array:
    """Composition of plain salt brine.

    Parameters
    ----------
    nacl_frac : array (...)
        NaCl by weight [-].

    Returns
    -------
    array (4, ...)
        Mass share of each chloride, in the order of ``CHLORIDES`` [-].
    """
    nacl = np.asarray(nacl_frac, dtype=float)
    return np.stack([nacl, *[np.zeros_like(nacl)] * (len(CHLORIDES) - 1)])


def molality(salts_frac: ArrayLike, inert_frac: ArrayLike = 0.0) -> Array:
    """Molality of a solution given by weight.

    Parameters
    ----------
    salts_frac : array (4, ...)
        Mass share of each chloride, in the order of ``CHLORIDES`` [-].
    inert_frac : array (...)
        Mass share of solids with no freeze-point credit [-].

    Returns
    -------
    array (4, ...)
        Molality, per mass of water [mol/kg].
    """
    salts = np.asarray(salts_frac, dtype=float)
    water = 1.0 - salts.sum(axis=0) - np.asarray(inert_frac, dtype=float)
    return np.asarray(1000.0 * salts / (_per_chloride(MOLAR_MASS_G_MOL, salts) * water))


def salts_frac(molality_mol_kg: ArrayLike) -> Array:
    """Mass share of each chloride in a solution without inert solids.

    Parameters
    ----------
    molality_mol_kg : array (4, ...)
        Molality of each chloride [mol/kg].

    Returns
    -------
    array (4, ...)
        Mass shares of the solution [-].
    """
    m = np.asarray(molality_mol_kg, dtype=float)
    per_kg_water = m * _per_chloride(MOLAR_MASS_G_MOL, m) / 1000.0
    return np.asarray(per_kg_water / (1.0 + per_kg_water.sum(axis=0)))


# ------------------------------------------------------------------------------ ice


def _freezing_curve(
    chloride: Chloride, theta: Array, sqrt_depression: Array
) -> tuple[Array, Array]:
    """Molality on one ice line and its slope, at depression theta [K] with its square root."""
    coefficients, last = FREEZING_CURVE[chloride]
    slopes = [c * (1.0 + power / 2.0) for power, c in enumerate(coefficients)]
    value, slope = _polynomial(coefficients, sqrt_depression), _polynomial(slopes, sqrt_depression)
    inside = np.minimum(theta, last)
    return inside * value + (theta - inside) * slope, slope


def _polynomial(coefficients: Sequence[float], x: Array) -> Array:
    value = np.full_like(x, coefficients[-1])
    for coefficient in coefficients[-2::-1]:
        value *= x
        value += coefficient
    return value


def freezing_molality(chloride: Chloride, depression_k: Array) -> Array:
    """Return the molality of one chloride on its ice line [mol/kg], at a depression [K]."""
    coefficients, last = FREEZING_CURVE[chloride]
    inside = np.minimum(depression_k, last)
    sqrt_depression = np.sqrt(inside)
    if (depression_k > last).any():  # the slope matters past the end of the fit only
        return _freezing_curve(chloride, depression_k, sqrt_depression)[0]
    return inside * _polynomial(coefficients, sqrt_depression)


def freezing_curve_molality(
    temp_c: ArrayLike, chlorides: tuple[Chloride, ...] = CHLORIDES
) -> Array:
    """Molality at which a solution of one chloride stands on its ice line.

    Parameters
    ----------
    temp_c : array (...)
        Temperature [°C].
    chlorides : tuple of str
        Those wanted, in the order of the result.

    Returns
    -------
    array (4, ...)
        Molality of each chloride alone, 0 at and above 0 °C; metastable past its eutectic
        [mol/kg].
    """
    theta = np.maximum(-np.asarray(temp_c, dtype=float), 0.0)
    return np.stack([freezing_molality(chloride, theta) for chloride in chlorides])


def ice_onset_c(molality_mol_kg: ArrayLike) -> Array:
    """Temperature at which ice can first form, as long as no salt crystal has.

    Solves ``sum(m / m0(T)) = 1``, the additive rule of Zdanovskii, Stokes and Robinson, by
    Newton steps on the reciprocal of the sum, which is nearly straight in T, inside a bracket.

    Parameters
    ----------
    molality_mol_kg : array (4, ...)
        Molality of each chloride, not negative [mol/kg].

    Returns
    -------
    array (...)
        Ice onset, 0 for plain water, never below ``MIN_LIQUID_TEMP_C``; NaN where the input is
        [°C].
    """
    m = np.asarray(molality_mol_kg, dtype=float)
    flat = m.reshape(len(CHLORIDES), -1)
    theta = np.empty(flat.shape[1])
    for start in range(0, theta.size, CHUNK_SIZE):
        chunk = slice(start, start + CHUNK_SIZE)
        theta[chunk] = _solve_depression(flat[:, chunk])
    return np.asarray(0.0 - theta.reshape(m.shape[1:]))


def _solve_depression(m: Array) -> Array:
    """Freezing-point depression [K] of each column of an array (4, n) of molalities."""
    present = [i for i in range(len(CHLORIDES)) if np.any(m[i] != 0.0)]
    lowest, highest = np.zeros(m.shape[1]), np.full(m.shape[1], -MIN_LIQUID_TEMP_C)
    # Ideal solution first: exact when dilute, on the low side otherwise.
    ideal = sum((m[i] / FREEZING_CURVE[CHLORIDES[i]][0][0] for i in present), lowest)
    theta: Array = np.minimum(ideal, highest)
    for _ in range(60):
        ice_activity_sum, sum_slope = _sum_and_slope(m, present, np.maximum(theta, 1e-300))
        lowest = np.where(ice_activity_sum >= 1.0, theta, lowest)
        highest = np.where(ice_activity_sum <= 1.0, theta, highest)
        with np.errstate(divide="ignore", invalid="ignore"):
            theta_next = np.minimum(
                theta + ice_activity_sum * (ice_activity_sum - 1.0) / sum_slope, -MIN_LIQUID_TEMP_C
            )
        outside = ~((theta_next >= lowest) & (theta_next <= highest))
        theta_next = np.where(outside, 0.5 * (lowest + highest), theta_next)
        # Newton squares the error, so a step this small leaves less than 1e-12 behind.
        converged = np.abs(theta_next - theta) <= 1e-7 * theta
        theta = theta_next
        if converged.all():
            break
    return np.asarray(np.where(ideal > 0.0, theta, np.where(np.isnan(ideal), np.nan, 0.0)))


def _sum_and_slope(m: Array, present: list[int], theta: Array) -> tuple[Array, Array]:
    """Sum of m / m0 over the chlorides present, and how fast it falls with depression."""
    ice_activity_sum, sum_slope = np.zeros_like(theta), np.zeros_like(theta)
    sqrt_depression = np.sqrt(theta)
    for i in present:
        last = FREEZING_CURVE[CHLORIDES[i]][1]
        m0, slope = _freezing_curve(CHLORIDES[i], theta, np.minimum(sqrt_depression, last**0.5))
        term = m[i] / m0
        ice_activity_sum += term
        sum_slope += term * slope / m0
    return ice_activity_sum, sum_slope


# ------------------------------------------------------------------------------ salt crystals


def _nacl_equivalent_molality(m: Array) -> Array:
    """Molality of NaCl that would crystallize like this mixture [mol/kg]."""
    total = m[0].copy()
    for chloride, (linear, square) in SALTING_OUT_COEFFICIENTS.items():
        other = m[CHLORIDES.index(chloride)]
        if square > 0.0:
            # The fit turns over far beyond any blend; past its top it stays there.
            other = np.minimum(other, linear / (2.0 * square))
        total += (linear - square * other) * other
    return np.asarray(total)


def hydrohalite_molality(temp_c: ArrayLike) -> Array:
    """Molality at which plain salt brine is saturated in hydrohalite, NaCl·2H2O.

    Parameters
    ----------
    temp_c : array (...)
        Temperature, -60 to 0 [°C].

    Returns
    -------
    array (...)
        Molality of NaCl [mol/kg].
    """
    constant, linear, square = HYDROHALITE_CURVE
    temp = np.asarray(temp_c, dtype=float)
    return np.asarray(constant + (linear + square * temp) * temp)


def hydrohalite_saturation_temp_c(molality_mol_kg: ArrayLike) -> Array:
    """Temperature at which a solution is saturated in hydrohalite, whether or not ice came first.

    Parameters
    ----------
    molality_mol_kg : array (4, ...)
        Molality of each chloride [mol/kg].

    Returns
    -------
    array (...)
        Crystal onset; ``MIN_LIQUID_TEMP_C`` where there is no NaCl or it comes later than that,
        infinite where plain salt drops at any tank temperature [°C].
    """
    m = np.asarray(molality_mol_kg, dtype=float)
    total = _nacl_equivalent_molality(m)
    constant, linear, square = HYDROHALITE_CURVE
    root = np.sqrt(np.maximum(linear**2 - 4.0 * square * (constant - total), 0.0))
    onset = np.maximum((root - linear) / (2.0 * square), MIN_LIQUID_TEMP_C)
    onset = np.where(m[0] > 0.0, onset, MIN_LIQUID_TEMP_C)
    onset = np.where((total >= HALITE_SATURATION_MOL_KG) & (m[0] > 0.0), np.inf, onset)
    return np.asarray(np.where(np.isnan(total), np.nan, onset))


# ------------------------------------------------------------------------------ films and tanks


def _eutectic_c(m: Array) -> Array:
    """Coldest eutectic among the chlorides present; below it nothing is liquid [°C]."""
    return np.asarray(np.min(np.where(m > 0.0, _per_chloride(EUTECTIC_C, m), 0.0), axis=0))


def _uncapped_liquid_frac(m: Array, temp_c: Array) -> Array:
    """Share of the water still liquid below 0 °C, not capped at 1, with ice and, if due, crystals.

    With ice alone it is ``sum(m / m0)``. Hydrohalite takes NaCl out of the liquid, so where it is
    due less water stays liquid: the smaller of the two is the one that holds.
    """
    m0 = freezing_curve_molality(temp_c)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        fracs = np.where(m != 0.0, m / m0, 0.0)
    with_ice = fracs.sum(axis=0)
    if not np.any(temp_c < EUTECTIC_C[0]):
        return np.asarray(with_ice)
    others = fracs[1:].sum(axis=0)
    with_both = others / _other_salts_frac_with_hydrohalite(m, others, m0[0], temp_c)
    return np.asarray(np.fmin(with_ice, with_both))


def _other_salts_frac_with_hydrohalite(
    m: Array, others: Array, m0_nacl: Array, temp_c: Array
) -> Array:
    """Find what part of the ice line the other chlorides hold where hydrohalite holds its own [-].

    With both solids present the liquid has NaCl at molality q and the others at y, and
    ``q/m0 + p = 1`` with p the others' part, while ``q + sum((k0 - k1 y) y) = m_hh``. On a ray of
    fixed proportions y = r p, so p solves a quadratic. NaN above the eutectic of plain salt,
    where the two lines do not meet.
    """
    linear = np.zeros_like(others)
    square = np.zeros_like(others)
    for chloride, (k0, k1) in SALTING_OUT_COEFFICIENTS.items():
        ratio = m[CHLORIDES.index(chloride)] / np.maximum(others, 1e-300)
        linear += k0 * ratio
        square += k1 * ratio**2
    # Shifted by a hair so that plain salt meets its published eutectic exactly.
    eutectic = EUTECTIC_C[0]
    gap = m0_nacl - hydrohalite_molality(temp_c)
    gap = gap - (freezing_curve_molality(eutectic)[0] - hydrohalite_molality(eutectic))
    # The root that goes to zero with the gap, in the form that does not cancel.
    due = (gap > 0.0) & (m[0] > 0.0)
    gap, slope = np.where(due, gap, 1.0), np.where(due, m0_nacl - linear, 1.0)
    root = 2.0 * gap / (slope + np.sqrt(slope**2 + 4.0 * square * gap))
    return np.asarray(np.where(due, np.minimum(root, 1.0), np.nan))


def liquid_water_frac(molality_mol_kg: ArrayLike, temp_c: ArrayLike) -> Array:
    """Share of a solution's water that is liquid at a temperature, in equilibrium.

    Parameters
    ----------
    molality_mol_kg : array (4, ...)
        Molality of each chloride over all the water, frozen or not [mol/kg].
    temp_c : array (...)
        Temperature, broadcast against the molality's other axes [°C].

    Returns
    -------
    array (...)
        1 while no ice can exist, 0 below the coldest eutectic of the chlorides present [-].
        Hydrohalite is counted once there is ice beside it.
    """
    m = np.asarray(molality_mol_kg, dtype=float)
    temp = np.asarray(temp_c, dtype=float)
    axes = max(m.ndim - 1, temp.ndim)
    m = m.reshape(m.shape[:1] + (1,) * (axes + 1 - m.ndim) + m.shape[1:])
    temp = temp.reshape((1,) * (axes - temp.ndim) + temp.shape)
    # a hair below 0 °C the ice line's own molality is too small to divide by
    liquid = np.minimum(_uncapped_liquid_frac(m, np.minimum(temp, -1e-12)), 1.0)
    liquid = np.where(temp < _eutectic_c(m), 0.0, liquid)
    return np.asarray(np.where(temp >= 0.0, np.where(np.isnan(liquid), np.nan, 1.0), liquid))


def freeze_point_c(molality_mol_kg: ArrayLike) -> Array:
    """Temperature at which ice begins in equilibrium: where ``liquid_water_frac`` leaves 1.

    The ice onset, except for solutions so strong that hydrohalite comes first: there the crystals
    leave a weaker liquid, and ice begins near where the two lines meet (-21.12 °C for plain salt).

    Parameters
    ----------
    molality_mol_kg : array (4, ...)
        Molality of each chloride, not negative [mol/kg].

    Returns
    -------
    array (...)
        Freeze point, 0 for plain water, never below the coldest eutectic of the chlorides
        present [°C].

    Examples
    --------
    >>> round(float(freeze_point_c(molality(plain_brine(0.10)))), 2)
    -6.63
    """
    m = np.asarray(molality_mol_kg, dtype=float)
    onset = np.array(np.maximum(ice_onset_c(m), _eutectic_c(m)))
    strong = (onset < EUTECTIC_C[0]) & (m[0] > 0.0)
    if np.any(strong):
        onset[strong] = np.maximum(onset[strong], _ice_with_hydrohalite_c(m[:, strong]))
    return np.asarray(onset)


def _ice_with_hydrohalite_c(m: Array) -> Array:
    """Temperature at which ice joins hydrohalite in columns (4, n) of strong solutions [°C]."""
    coldest, warmest = np.full(m.shape[1], MIN_LIQUID_TEMP_C), np.full(m.shape[1], EUTECTIC_C[0])
    colder, warmer = bisect(  # 39 K halved 45 times is 1e-12 K
        lambda temp_c: _uncapped_liquid_frac(m, temp_c) < 1.0, coldest, warmest, 45
    )
    return np.asarray(0.5 * (colder + warmer))
