"""Amounts of salts and water as masses: a volume at its temperature, and back.

An amount is an array of the masses of ``PARTS`` [kg] and, last, what the suppliers' densities add
to the volume [m³]. Volumes are told at the temperature of the liquid; brine that shrinks in the
cold is the same amount.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stormplan.arrays import Array
from stormplan.company.yards import SaltStock, TankReading
from stormplan.errors import InputError
from stormplan.liquids import assay, hydrometer
from stormplan.liquids.blend import Liquid
from stormplan.liquids.brine import CHLORIDE_MASS_FRAC, CHLORIDES
from stormplan.liquids.hydrometer import REFERENCE_C
from stormplan.record.entries import BatchMade, Delivery, Measurement

#: Order of the masses of an amount; the last is what neither freezes less nor wets.
PARTS = (*CHLORIDES, "water", "other")
EMPTY_KG = 1e-6  # less is nothing


def chloride_of(masses_kg: Sequence[float] | Array) -> float:
    """Return the chloride in masses in the order of ``PARTS`` [kg]."""
    return float(CHLORIDE_MASS_FRAC @ np.asarray(masses_kg[: len(CHLORIDES)], dtype=float))


def amount_of_liquid(liquid: Liquid, volume_l: float, temp_c: float | None) -> Array:
    """Return the amount of a liquid.

    Parameters
    ----------
    liquid : Liquid
        What it is.
    volume_l : float
        How much [L].
    temp_c : float or None
        At which temperature; None counts as 60 °F [°C].
    """
    at_c = REFERENCE_C if temp_c is None else temp_c
    mass_kg = volume_l * liquid.density_kg_m3(at_c) / 1000.0
    return mass_kg * np.array(
        [
            *liquid.salts_frac,
            liquid.water_frac,
            liquid.inert_frac,
            liquid.supplier_volume_offset_m3_kg,
        ]
    )


def liquid_of_amount(amount: Array) -> Liquid:
    """Return the liquid that an amount is of."""
    parts = amount / amount[:-1].sum()
    return Liquid(parts[: len(CHLORIDES)], float(parts[-2]), float(parts[-1]))


def volume_of_amount(amount: Array, temp_c: float | None) -> float:
    """Return the volume of an amount of liquid [L] at a temperature; None counts as 60 °F [°C]."""
    mass_kg = float(amount[:-1].sum())
    if abs(mass_kg) < EMPTY_KG:
        return 0.0
    at_c = REFERENCE_C if temp_c is None else temp_c
    return 1000.0 * mass_kg / liquid_of_amount(amount).density_kg_m3(at_c)


def amount_of_salt(salt: SaltStock, mass_kg: float) -> Array:
    """Return the amount of a mass of salt [kg] as delivered: purity, moisture, and what is left."""
    other = 1.0 - salt.purity_frac - salt.moisture_frac
    return mass_kg * np.array([salt.purity_frac, 0.0, 0.0, 0.0, salt.moisture_frac, other, 0.0])


def strength_of(
    reading: TankReading | BatchMade | Delivery | Measurement, liquid: Liquid | None = None
) -> float | None:
    """Return the strength of a liquid as read [-].

    Parameters
    ----------
    reading : TankReading, BatchMade, Delivery or Measurement
        What was read.
    liquid : Liquid or None
        What it is, so that a float is judged by its own make-up; None is plain salt brine.

    Returns
    -------
    float or None
        All chlorides by weight; None where nobody read it, or where it cannot have read so.
    """
    if reading.strength_frac is not None:
        return reading.strength_frac
    sg = reading.specific_gravity
    if isinstance(reading, TankReading) and reading.salometer_deg is not None:
        sg = float(hydrometer.sg_from_salometer(reading.salometer_deg))
    if sg is None:
        return None
    assert reading.temp_c is not None  # a hydrometer reading has the temperature
    try:
        return check_reading(sg, reading.temp_c, liquid)
    except InputError:
        return None


def check_reading(sg: float, temp_c: float, liquid: Liquid | None) -> float:
    """Return the strength that a float's reading means [-].

    Parameters
    ----------
    sg : float
        Reading [-].
    temp_c : float
        Of liquid and float [°C].
    liquid : Liquid or None
        What it is read in; None is plain salt brine.

    Raises
    ------
    InputError
        The liquid cannot read so; says what it can.
    """
    if liquid is None or liquid.is_plain_brine:
        return hydrometer.interpret_reading(sg, temp_c).strength_frac
    return assay.strength_by_float(liquid, sg, temp_c).strength_frac
