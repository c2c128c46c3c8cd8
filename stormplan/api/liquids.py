"""Brine, hydrometer, blend and batch, in percent by weight."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from stormplan.arrays import Array
from stormplan.company.catalog import Product
from stormplan.errors import InputError
from stormplan.liquids import batch as batches
from stormplan.liquids import blend as blends
from stormplan.liquids import brine, cold_storage, density, hydrometer
from stormplan.liquids.batch import Batch

REFERENCE_TEMP_C = hydrometer.REFERENCE_C  # 60 °F, at which the trade measures volumes
EUTECTIC_PCT = 100.0 * brine.EUTECTIC_FRAC
#: A strength below this is nearly water, and more often a fraction that was meant in percent: the
#: strongest plain salt brine is 0.264 as a fraction.
MIN_PLAUSIBLE_STRENGTH_PCT = 0.3


def brine_freeze_point_c(
    wt_pct: ArrayLike | None = None,
    *,
    nacl: ArrayLike = 0.0,
    cacl2: ArrayLike = 0.0,
    mgcl2: ArrayLike = 0.0,
    kcl: ArrayLike = 0.0,
    inert: ArrayLike = 0.0,
) -> Any:
    """Return the freeze point of a brine: where its first solid forms, ice or salt crystal.

    Below the eutectic strength that is ice, as in a film on the pavement; above it salt crystals
    come first and warmer, as in a tank of overmade brine.

    Parameters
    ----------
    wt_pct : number, array or Series, optional
        Strength of plain salt brine by weight; the same as ``nacl`` [%].
    nacl, cacl2, mgcl2, kcl, inert : number, array or Series
        Each chloride, and solids with no freeze-point credit, by weight of the liquid [%].

    Returns
    -------
    float, array or Series
        Freeze point, in the form of the input [°C].

    Raises
    ------
    InputError
        A strength that is negative, unknown or more than water holds.

    Warns
    -----
    UserWarning
        Every strength is so low that a fraction seems to be meant.

    References
    ----------
    Zdanovskii's rule over ice lines fitted to Toner & Catling 2017 (J. Chem. Eng. Data 62, 995)
    and Marion & Kargel 2008; see ``stormplan.liquids.brine``.

    Examples
    --------
    The eutectic of salt and water, −21.1 °C at 23.3 %:

    >>> round(brine_freeze_point_c(23.3), 1)
    -21.1
    >>> brine_freeze_point_c([5.0, 10.0, 20.0]).round(1)
    array([ -3.1,  -6.6, -16.7])
    >>> round(brine_freeze_point_c(nacl=20.74, cacl2=3.51), 1)
    -15.7
    """
    composition = _Composition.read(wt_pct, nacl, cacl2, mgcl2, kcl, inert)
    point = cold_storage.first_solid_c(brine.molality(composition.salts, composition.inert))
    if np.isinf(point).any():
        raise InputError(
            "salt drops out of a solution that strong at any temperature of a tank; take less of "
            "the salts together"
        )
    return composition.like_input(point)


def brine_density_kg_m3(
    wt_pct: ArrayLike | None = None,
    temp_c: ArrayLike = REFERENCE_TEMP_C,
    *,
    nacl: ArrayLike = 0.0,
    cacl2: ArrayLike = 0.0,
    mgcl2: ArrayLike = 0.0,
    kcl: ArrayLike = 0.0,
    inert: ArrayLike = 0.0,
) -> Any:
    """Return the density of a brine.

    Parameters
    ----------
    wt_pct : number, array or Series, optional
        Strength of plain salt brine by weight; the same as ``nacl`` [%].
    temp_c : number or array
        Temperature, −30 to 50; 60 °F without it [°C].
    nacl, cacl2, mgcl2, kcl, inert : number, array or Series
        Each chloride, and solids with no freeze-point credit, by weight of the liquid [%].

    Returns
    -------
    float, array or Series
        Density, in the form of the input [kg/m³].

    Raises
    ------
    InputError
        A strength or temperature that no brine has.

    References
    ----------
    Laliberté 2009, J. Chem. Eng. Data 54, 1725.

    Examples
    --------
    >>> round(brine_density_kg_m3(23.3))
    1177
    """
    composition = _Composition.read(wt_pct, nacl, cacl2, mgcl2, kcl, inert)
    _check_temp(temp_c)
    found = density.density_kg_m3(composition.salts, np.asarray(temp_c), composition.inert)
    return composition.like_input(found)


@dataclass(frozen=True)
class _Composition:
    """Composition by mass fraction, and the form it was given in."""

    salts: Array
    inert: Array
    index: pd.Index[Any] | None

    @classmethod
    def read(cls, wt_pct: ArrayLike | None, *parts: ArrayLike) -> _Composition:
        """Return the composition of chlorides and inert solids given in percent by weight."""
        if wt_pct is not None:
            if np.any(np.asarray(parts[0])):
                raise InputError("wt_pct and nacl are the same thing; give one of them")
            parts = (wt_pct, *parts[1:])
        indexes = [part.index for part in parts if isinstance(part, pd.Series)]
        for index in indexes[1:]:
            if not index.equals(indexes[0]):
                raise InputError("the strengths are Series of different index; align them first")
        names = (*brine.CHLORIDES, "inert")
        arrays = [_percent(name, part) for name, part in zip(names, parts, strict=True)]
        *salts, inert = np.broadcast_arrays(*arrays)
        total = np.sum(salts, axis=0) + inert
        if np.any(total >= 1.0):
            raise InputError(
                f"solids of {100 * np.max(total):g} % by weight leave no water; accepted is below "
                "100 % together"
            )
        if 0.0 < 100.0 * np.max(total) < MIN_PLAUSIBLE_STRENGTH_PCT:
            warnings.warn(
                f"{100 * np.max(total):g} % by weight is nearly water; strengths are in percent, "
                f"a brine of {EUTECTIC_PCT:g} % is {EUTECTIC_PCT:g}",
                UserWarning,
                stacklevel=3,
            )
        return cls(np.stack(salts), inert, indexes[0] if indexes else None)

    def like_input(self, values: Array) -> Any:
        """Return values in the form of the input: a number, an array or a Series."""
        if self.index is not None:
            return pd.Series(values, index=self.index)
        return float(values) if np.ndim(values) == 0 else values


def _percent(name: str, given: ArrayLike) -> Array:
    """Return a percentage by weight as a fraction, or raise if no solution has it."""
    try:
        pct = np.asarray(given, dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{name} {given!r} is not a number; give percent by weight") from None
    strongest = 100.0 * cold_storage.SATURATION_FRAC.get(name, 1.0)  # type: ignore[call-overload]
    wrong = ~((pct >= 0.0) & (pct <= strongest))
    if np.any(wrong):
        raise InputError(
            f"{name} of {np.ravel(pct)[np.argmax(wrong)]:g} % by weight is not a solution; "
            f"accepted is 0 to {strongest:.4g} %"
        )
    return np.asarray(pct / 100.0)


def _check_temp(temp_c: ArrayLike) -> None:
    temp = np.asarray(temp_c, dtype=float)
    lowest, highest = hydrometer.MIN_READING_TEMP_C, hydrometer.MAX_READING_TEMP_C
    wrong = ~((temp >= lowest) & (temp <= highest))
    if np.any(wrong):
        raise InputError(
            f"a brine temperature of {np.ravel(temp)[np.argmax(wrong)]:g} °C is not usable; "
            f"accepted is {lowest:g} to {highest:g} °C"
        )


def hydrometer_reading_sg(wt_pct: float, temp_c: float = REFERENCE_TEMP_C) -> float:
    """Return what a glass 60/60 °F hydrometer shows in plain salt brine.

    Parameters
    ----------
    wt_pct : float
        NaCl by weight [%].
    temp_c : float
        Of brine and float [°C].

    Returns
    -------
    float
        Specific gravity as read [-].

    Raises
    ------
    InputError
        A strength or temperature that no brine has.

    Examples
    --------
    Cold brine reads high: 23.3 % at 15 °F shows what 24.7 % shows at 60 °F.

    >>> round(hydrometer_reading_sg(23.3), 4), round(hydrometer_reading_sg(23.3, -9.44), 4)
    (1.1782, 1.1894)
    """
    _check_temp(temp_c)
    return float(hydrometer.reading_sg(_percent("nacl", wt_pct), temp_c))


def brine_strength_pct(reading_sg: float, temp_c: float = REFERENCE_TEMP_C) -> float:
    """Return the strength of plain salt brine from a hydrometer reading.

    Parameters
    ----------
    reading_sg : float
        Reading of a glass 60/60 °F hydrometer [-].
    temp_c : float
        Of brine and float [°C].

    Returns
    -------
    float
        NaCl by weight [%].

    Raises
    ------
    InputError
        A temperature no float is read at, or a reading no salt brine gives.

    Examples
    --------
    >>> round(brine_strength_pct(1.1894, -9.44), 1)
    23.3
    """
    return 100.0 * hydrometer.interpret_reading(reading_sg, temp_c).strength_frac


@dataclass(frozen=True)
class Blend:
    """A blend of base brine and an additive, volumes measured at 60 °F.

    Attributes
    ----------
    nacl_pct, cacl2_pct, mgcl2_pct, kcl_pct, inert_pct : float
        Composition by weight [%].
    density_kg_m3 : float
        At 60 °F [kg/m³].
    ice_onset_c : float
        Where ice first forms, as long as no salt crystal has [°C].
    crystal_onset_c : float
        Where salt crystals first form; −60 where none do above it [°C].
    first_solid_c : float
        The warmer of the two [°C].
    warn_below_c : float
        What a tank of it should stay above, a margin for the crystals' own error included [°C].
    contraction_pct : float
        How much less volume it has than its parts [%].
    """

    nacl_pct: float
    cacl2_pct: float
    mgcl2_pct: float
    kcl_pct: float
    inert_pct: float
    density_kg_m3: float
    ice_onset_c: float
    crystal_onset_c: float
    first_solid_c: float
    warn_below_c: float
    contraction_pct: float


def blend(
    base_wt_pct: float, additive: Mapping[str, float] | Product, additive_vol_pct: float
) -> Blend:
    """Return what becomes of salt brine and an additive poured together.

    Parameters
    ----------
    base_wt_pct : float
        NaCl of the base brine by weight [%].
    additive : mapping of str to float, or Product
        Chlorides ``nacl``, ``cacl2``, ``mgcl2``, ``kcl`` and ``inert`` solids of the additive by
        weight [%]; or a product of the sites file.
    additive_vol_pct : float
        Part of the additive in the blend, by volume [%].

    Returns
    -------
    Blend
        Its composition, density and behavior in the cold.

    Raises
    ------
    InputError
        Strengths that no solution has, or a part of additive that is out of range.

    Examples
    --------
    Nine parts of 23.3 % brine and one of 32 % calcium chloride:

    >>> made = blend(23.3, {"cacl2": 32}, 10)
    >>> round(made.nacl_pct, 2), round(made.cacl2_pct, 2)
    (20.74, 3.51)
    >>> round(made.ice_onset_c, 1)
    -23.6
    """
    product = additive if isinstance(additive, Product) else None
    blends.check_additive_vol_frac(additive_vol_pct / 100.0, product)
    base = blends.make_liquid({"nacl": float(_percent("nacl", base_wt_pct))})
    poured = _additive(additive)
    part = additive_vol_pct / 100.0
    mixed, contraction_frac = blends.mix_liquids([(1.0 - part, base), (part, poured)])
    cold = blends.cold_behavior(mixed)
    shares = {f"{name}_pct": 100.0 * mixed.mass_frac(name) for name in brine.CHLORIDES}
    return Blend(
        **shares,
        inert_pct=100.0 * mixed.inert_frac,
        density_kg_m3=mixed.density_kg_m3(REFERENCE_TEMP_C),
        ice_onset_c=cold.ice_onset_c,
        crystal_onset_c=cold.crystal_onset_c,
        first_solid_c=cold.first_solid_c,
        warn_below_c=cold.warn_below_c,
        contraction_pct=100.0 * contraction_frac,
    )


def _additive(additive: Mapping[str, float] | Product) -> blends.Liquid:
    if isinstance(additive, Product):
        return blends.liquid_from_product(additive)
    accepted = (*brine.CHLORIDES, "inert")
    for name in additive:
        if name not in accepted:
            raise InputError(f"additive: no part '{name}'; accepted: {', '.join(accepted)}")
    inert_frac = float(_percent("inert", additive.get("inert", 0.0)))
    return blends.make_liquid(
        {name: float(_percent(name, additive.get(name, 0.0))) for name in brine.CHLORIDES},
        inert_frac,
    )


def batch(
    volume_l: float,
    wt_pct: float = EUTECTIC_PCT,
    *,
    purity_pct: float = 100.0,
    moisture_pct: float = 0.0,
    insolubles_pct: float = 0.0,
    water_temp_c: float = REFERENCE_TEMP_C,
) -> Batch:
    """Return the salt and water that make a batch of plain salt brine.

    Parameters
    ----------
    volume_l : float
        Finished brine wanted, at 60 °F [L].
    wt_pct : float
        NaCl by weight [%].
    purity_pct, moisture_pct, insolubles_pct : float
        The salt as delivered: NaCl with the moisture counted in, water, and what settles [%].
    water_temp_c : float
        Of water and salt [°C].

    Returns
    -------
    Batch
        Salt as delivered [kg], water to run in [L], sludge [kg], the hydrometer reading to expect
        [-] and how far the batch cools itself [K].

    Raises
    ------
    InputError
        A volume, strength or salt that cannot be.

    Examples
    --------
    A thousand liters of 23.3 % brine from salt of 95 % purity:

    >>> made = batch(1000.0, 23.3, purity_pct=95.0)
    >>> round(made.salt_kg), round(made.water_l)
    (289, 904)
    """
    salt = batches.Salt(purity_pct / 100.0, moisture_pct / 100.0, insolubles_pct / 100.0)
    _check_temp(water_temp_c)
    return batches.make_batch(volume_l, float(_percent("nacl", wt_pct)), salt, water_temp_c)
