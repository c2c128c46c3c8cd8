"""Guidance for the shed: hydrometer corrections, blend location, cold storage.

Answers before it is asked: the float reads high, what now; may the additive go into the tank
tonight; what am I handling. Worked out for the batch and the cold at hand, so that nobody does
sums in the yard.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from functools import lru_cache
from typing import Literal

from stormplan.company.catalog import Chloride, Product
from stormplan.company.validators import Record
from stormplan.liquids import batch, blend, cold_storage, hydrometer
from stormplan.liquids.hydrometer import StrengthBands

READING_STEP_SG = 0.005  # what a wet float is read to; our own choice
DELIVERED_TEMPS_C = (-6.7, 4.4)  # of brine off a truck in winter; our own choice
READINGS_EACH_SIDE = 3  # enough to reach what a mixer gets wrong; our own choice


Stage = Literal["fresh", "settled", "delivered", "reference"]


class HydrometerCorrection(Record):
    """A hydrometer reading outside the accept band, with the correction of one batch.

    Attributes
    ----------
    reading_sg : float
        Reading at the brine's temperature [-].
    strength_frac : float
        NaCl by weight that it means [-].
    is_sprayable : bool
        Whether it may be sprayed as it is, with a warning.
    draw_off_l : float
        To draw off first [L].
    add_water_l : float
        Water to add then [L].
    add_salt_kg : float
        Salt as delivered to add then [kg].
    on_target_temp_c : float or None
        Temperature at which brine on target shows this reading [°C]; None where a float is not
        read.
    undissolved_kg : float
        Salt that would explain a low reading, were it still on the bottom [kg].
    """

    reading_sg: float
    strength_frac: float
    is_sprayable: bool
    draw_off_l: float
    add_water_l: float
    add_salt_kg: float
    on_target_temp_c: float | None = None
    undissolved_kg: float = 0.0


class HydrometerTarget(Record):
    """The hydrometer reading of brine on target at one temperature, and the accept band.

    Attributes
    ----------
    stage : str
        Freshly made, back at the water's temperature, as delivered, or at 60 °F.
    temp_c : float
        Temperature of brine and float [°C].
    reading_sg : float
        Reading of brine on target [-].
    accept_sg : (float, float)
        Readings that are good enough [-].
    """

    stage: Stage
    temp_c: float
    reading_sg: float
    accept_sg: tuple[float, float]


class BlendLocation(StrEnum):
    """Where additive and brine are blended."""

    TANK = "tank"
    LOAD_OUT = "load-out"


class BlendReason(StrEnum):
    """The reason for a blend location."""

    SEVERAL_BLENDS = "several blends"
    DROPS_SALT = "drops salt"
    FREEZES = "freezes"
    TEMPERATURE_UNKNOWN = "cold not known"
    WARM_ENOUGH = "warm enough"


class BlendLocationAdvice(Record):
    """The location advised for one blend, and its behavior in a cold tank.

    Attributes
    ----------
    additive, additive_name : str
        Key and name of the additive.
    additive_frac : float
        Additive in the blend by volume [-].
    location : BlendLocation
        Where to blend.
    reason : BlendReason
        Why there.
    crystals_before_ice : bool
        Whether salt crystals come before ice.
    first_solid_c : float or None
        Ice or crystals, whichever comes first [°C]; None: it drops salt at any temperature.
    uncertainty_k : float
        How far that may be off [K].
    min_tank_temp_c : float or None
        What the tank should stay above [°C]; None: it drops salt at any temperature.
    min_air_temp_c : float or None
        Coldest air forecast at the yard's sites [°C]; None where not known.
    matching_base_frac : float or None
        NaCl by weight of the base brine with which ice and crystals arrive together [-]; None
        where there is none.
    chlorides : tuple of str
        Chlorides in the additive, for the handling notes.
    """

    additive: str
    additive_name: str
    additive_frac: float
    location: BlendLocation
    reason: BlendReason
    crystals_before_ice: bool
    first_solid_c: float | None
    uncertainty_k: float
    min_tank_temp_c: float | None
    min_air_temp_c: float | None
    matching_base_frac: float | None
    chlorides: tuple[Chloride, ...]


def hydrometer_targets(bands: StrengthBands, water_c: float) -> tuple[HydrometerTarget, ...]:
    """Return the hydrometer readings of a batch on target.

    Parameters
    ----------
    bands : StrengthBands
        Target and good strengths.
    water_c : float
        Of the water the batch is made with [°C].

    Returns
    -------
    tuple of HydrometerTarget
        Fresh, when dissolving has cooled it; back at the water's temperature; at 60 °F.
    """
    return _targets_at(
        (
            ("fresh", water_c - batch.cooling_k(bands.target_frac)),
            ("settled", water_c),
            ("reference", hydrometer.REFERENCE_C),
        ),
        bands,
    )


def delivery_targets(bands: StrengthBands) -> tuple[HydrometerTarget, ...]:
    """Return the hydrometer readings of delivered brine on target, cold and less cold."""
    delivered: list[tuple[Stage, float]] = [("delivered", temp_c) for temp_c in DELIVERED_TEMPS_C]
    return _targets_at((*delivered, ("reference", hydrometer.REFERENCE_C)), bands)


def _targets_at(
    stages: Sequence[tuple[Stage, float]], bands: StrengthBands
) -> tuple[HydrometerTarget, ...]:
    """Return the readings at each stage and its temperature [°C]."""
    return tuple(
        HydrometerTarget(
            stage=when,
            temp_c=at_c,
            reading_sg=hydrometer.brine_reading_sg(bands.target_frac, at_c),
            accept_sg=(
                hydrometer.brine_reading_sg(bands.accept_frac[0], at_c),
                hydrometer.brine_reading_sg(bands.accept_frac[1], at_c),
            ),
        )
        for when, at_c in stages
    )


def hydrometer_corrections(
    volume_l: float,
    bands: StrengthBands,
    salt: batch.Salt,
    temp_c: float,
    capacity_l: float | None = None,
) -> tuple[HydrometerCorrection, ...]:
    """Return corrections for readings on either side of the accept band.

    Parameters
    ----------
    volume_l : float
        One batch [L].
    bands : StrengthBands
        Target, good and usable strengths.
    salt : Salt
        As delivered.
    temp_c : float
        Of the brine when it is read [°C].
    capacity_l : float or None
        Of the mixer; what would not fit is drawn off first [L].

    Returns
    -------
    tuple of HydrometerCorrection
        From the weakest to the strongest; none beyond saturation.
    """
    tank_capacity_l = None if capacity_l is None else max(capacity_l, volume_l)

    def correction(reading_sg: float, strength: float, at_c: float) -> HydrometerCorrection:
        fix = batch.correct_tank(volume_l, strength, bands.target_frac, salt, tank_capacity_l)
        return HydrometerCorrection(
            reading_sg=round(reading_sg, 3),
            strength_frac=strength,
            is_sprayable=bands.verdict(strength) != "reject",
            draw_off_l=fix.draw_off_l,
            add_water_l=fix.add_water_l,
            add_salt_kg=fix.add_salt_kg,
            on_target_temp_c=None if math.isnan(at_c) else at_c,
            undissolved_kg=batch.undissolved_salt_kg(volume_l, strength, bands.target_frac, salt),
        )

    return tuple(correction(*row) for row in _readings_beyond(bands, temp_c))


@lru_cache(maxsize=1024)  # a company's yards ask for the same few
def _readings_beyond(bands: StrengthBands, temp_c: float) -> tuple[tuple[float, float, float], ...]:
    """Return readings on either side of the accept band, as ``hydrometer_corrections`` has them.

    Each with the strength it means and the temperature at which brine on target shows it, NaN
    where it does at none [-], [-], [°C].
    """
    low, high = (hydrometer.brine_reading_sg(edge, temp_c) for edge in bands.accept_frac)
    below = math.ceil(low / READING_STEP_SG - 1e-9) - 1
    above = math.floor(high / READING_STEP_SG + 1e-9) + 1
    steps = [
        *range(below - READINGS_EACH_SIDE + 1, below + 1),
        *range(above, above + READINGS_EACH_SIDE),
    ]
    saturated = hydrometer.brine_reading_sg(hydrometer.SALOMETER_FULL_FRAC, temp_c)
    readings_sg = [sg for step in steps if (sg := step * READING_STEP_SG) <= saturated]
    strengths = hydrometer.strength_from_reading(readings_sg, temp_c)
    on_target_c = hydrometer.temp_of_reading_c(readings_sg, bands.target_frac)
    return tuple(zip(readings_sg, strengths.tolist(), on_target_c.tolist(), strict=True))


def blend_location(
    additive_frac: float,
    product: Product,
    base_strength_frac: float,
    min_air_temp_c: float | None,
    blend_count: int,
) -> BlendLocationAdvice:
    """Return where a blend should be made.

    Parameters
    ----------
    additive_frac : float
        Additive by volume [-].
    product : Product
        The additive.
    base_strength_frac : float
        Strength of the base brine [-].
    min_air_temp_c : float or None
        Coldest air forecast at the yard's sites; a tank outdoors gets no colder [°C].
    blend_count : int
        How many blends this yard loads; one tank cannot hold two [-].

    Returns
    -------
    BlendLocationAdvice
        In the tank only where one blend serves all and no solid is due.
    """
    additive = blend.liquid_from_product(product)
    mixed = blend.blend_with_brine(base_strength_frac, additive, additive_frac)
    cold_behavior = blend.cold_behavior(mixed)
    first_solid_c = max(cold_behavior.first_solid_c, cold_behavior.crystal_onset_c)
    keep_above = cold_behavior.warn_below_c
    crystals_first = cold_behavior.crystal_onset_c > cold_behavior.ice_onset_c
    matching_base = blend.matching_base_brine(additive, additive_frac) if crystals_first else None
    place, why = _choose_location(keep_above, crystals_first, min_air_temp_c, blend_count)
    finite = math.isfinite(first_solid_c)
    return BlendLocationAdvice(
        additive=product.key,
        additive_name=product.name,
        additive_frac=additive_frac,
        location=place,
        reason=why,
        crystals_before_ice=crystals_first,
        first_solid_c=first_solid_c if finite else None,
        uncertainty_k=float(cold_storage.onset_uncertainty_k(first_solid_c, crystals_first))
        if finite
        else 0.0,
        min_tank_temp_c=keep_above if finite else None,
        min_air_temp_c=min_air_temp_c,
        matching_base_frac=matching_base[0] if matching_base else None,
        chlorides=tuple(key for key, part in product.chlorides.items() if part > 0.0),
    )


def _choose_location(
    min_tank_temp_c: float,
    crystals_before_ice: bool,
    min_air_temp_c: float | None,
    blend_count: int,
) -> tuple[BlendLocation, BlendReason]:
    if min_air_temp_c is None:
        return BlendLocation.LOAD_OUT, BlendReason.TEMPERATURE_UNKNOWN
    if min_air_temp_c < min_tank_temp_c:
        return (
            BlendLocation.LOAD_OUT,
            BlendReason.DROPS_SALT if crystals_before_ice else BlendReason.FREEZES,
        )
    if blend_count > 1:
        return BlendLocation.LOAD_OUT, BlendReason.SEVERAL_BLENDS
    return BlendLocation.TANK, BlendReason.WARM_ENOUGH


def blend_locations(
    blends: Sequence[tuple[float, Product]], base_strength_frac: float, min_air_temp_c: float | None
) -> tuple[BlendLocationAdvice, ...]:
    """Return the blend location of each (additive fraction by volume [-], additive)."""
    return tuple(
        blend_location(share, product, base_strength_frac, min_air_temp_c, len(blends))
        for share, product in blends
    )
