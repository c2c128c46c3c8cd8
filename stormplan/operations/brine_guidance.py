"""What the shed lead needs beside volumes: off readings, where to blend, what the cold does.

Answers before it is asked: the float reads high, what now; may the additive go into the tank
tonight; what am I handling. Worked out for the batch and the cold at hand, so that nobody does
sums in the yard.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from typing import Literal

from stormplan.company.catalog import Chloride, Product
from stormplan.company.validators import Record
from stormplan.liquids import batch, blend, cold_storage, hydrometer
from stormplan.liquids.hydrometer import Bands

READ_STEP_SG = 0.005  # what a wet float is read to; our own choice
READINGS_EACH_SIDE = 3  # enough to reach what a mixer gets wrong; our own choice


class OffReading(Record):
    """A hydrometer reading outside the accept band, and what brings one batch right.

    ``reading_sg`` [-] is read at the brine's temperature, ``strength_frac`` [-] is what it means.
    Then, in this order: draw off [L], add water [L] or salt as delivered [kg].
    """

    reading_sg: float
    strength_frac: float
    is_sprayable: bool
    draw_off_l: float
    add_water_l: float
    add_salt_kg: float


class Expected(Record):
    """What the float shows in brine on target at one temperature [°C], and the accept band [-]."""

    when: Literal["fresh", "settled", "reference"]
    at_c: float
    reading_sg: float
    accept_sg: tuple[float, float]


class Place(StrEnum):
    """Where additive and brine come together."""

    TANK = "tank"
    LOAD_OUT = "load-out"


class Why(StrEnum):
    """What decided on the place."""

    SEVERAL_BLENDS = "several blends"
    DROPS_SALT = "drops salt"
    FREEZES = "freezes"
    COLD_NOT_KNOWN = "cold not known"
    WARM_ENOUGH = "warm enough"


class Blending(Record):
    """Where one blend is put together, and what its tank would do in the cold.

    ``first_solid_c`` [°C] is ice or crystals, whichever comes first, give or take ``spread_dc``
    [K]; the tank should stay above ``keep_above_c`` [°C]. None: it drops salt at any temperature.
    ``coldest_air_c`` [°C] is the coldest air forecast at the yard's sites. ``base_frac`` [-] is
    the base brine with which ice and crystals arrive together, where there is one.
    """

    additive: str
    additive_name: str
    share: float
    place: Place
    why: Why
    crystals_first: bool
    first_solid_c: float | None
    spread_dc: float
    keep_above_c: float | None
    coldest_air_c: float | None
    base_frac: float | None
    chlorides: tuple[Chloride, ...]


def expected(bands: Bands, water_c: float) -> tuple[Expected, ...]:
    """Say what the float shows when a batch is right.

    Parameters
    ----------
    bands : Bands
        Target and good strengths [-].
    water_c : float
        Of the water the batch is made with [°C].

    Returns
    -------
    tuple of Expected
        Fresh, when dissolving has cooled it; back at the water's temperature; at 60 °F.
    """
    moments: tuple[tuple[Literal["fresh", "settled", "reference"], float], ...] = (
        ("fresh", water_c - batch.cooling_dc(bands.target_frac)),
        ("settled", water_c),
        ("reference", hydrometer.REFERENCE_C),
    )

    def read(strength_frac: float, at_c: float) -> float:
        return float(hydrometer.reading_sg(strength_frac, at_c))

    return tuple(
        Expected(
            when=when,
            at_c=at_c,
            reading_sg=read(bands.target_frac, at_c),
            accept_sg=(read(bands.accept_frac[0], at_c), read(bands.accept_frac[1], at_c)),
        )
        for when, at_c in moments
    )


def off_readings(
    volume_l: float,
    bands: Bands,
    salt: batch.Salt,
    temp_c: float,
    capacity_l: float | None = None,
) -> tuple[OffReading, ...]:
    """Work out what to do about readings on either side of the accept band.

    Parameters
    ----------
    volume_l : float
        One batch [L].
    bands : Bands
        Target, good and usable strengths [-].
    salt : Salt
        As delivered [-].
    temp_c : float
        Of the brine when it is read [°C].
    capacity_l : float or None
        Of the mixer; what would not fit is drawn off first [L].

    Returns
    -------
    tuple of OffReading
        From the weakest to the strongest; none beyond saturation.
    """
    low, high = (float(hydrometer.reading_sg(edge, temp_c)) for edge in bands.accept_frac)
    below = math.ceil(low / READ_STEP_SG - 1e-9) - 1
    above = math.floor(high / READ_STEP_SG + 1e-9) + 1
    steps = [
        *range(below - READINGS_EACH_SIDE + 1, below + 1),
        *range(above, above + READINGS_EACH_SIDE),
    ]
    saturated = float(hydrometer.reading_sg(hydrometer.SALOMETER_FULL_FRAC, temp_c))
    return tuple(
        _off(step * READ_STEP_SG, volume_l, bands, salt, temp_c, capacity_l)
        for step in steps
        if step * READ_STEP_SG <= saturated
    )


def _off(
    reading_sg: float,
    volume_l: float,
    bands: Bands,
    salt: batch.Salt,
    temp_c: float,
    capacity_l: float | None,
) -> OffReading:
    strength = float(hydrometer.strength_from_reading(reading_sg, temp_c))
    room = None if capacity_l is None else max(capacity_l, volume_l)
    mend = batch.correct(volume_l, strength, bands.target_frac, salt, room)
    return OffReading(
        reading_sg=round(reading_sg, 3),
        strength_frac=strength,
        is_sprayable=bands.verdict(strength) != "reject",
        draw_off_l=mend.draw_off_l,
        add_water_l=mend.add_water_l,
        add_salt_kg=mend.add_salt_kg,
    )


def blending(
    share: float,
    product: Product,
    base_frac: float,
    coldest_air_c: float | None,
    blends: int,
) -> Blending:
    """Decide where a blend is put together.

    Parameters
    ----------
    share : float
        Additive by volume [-].
    product : Product
        The additive [-].
    base_frac : float
        Strength of the base brine [-].
    coldest_air_c : float or None
        Coldest air forecast at the yard's sites; a tank outdoors gets no colder [°C].
    blends : int
        How many blends this yard loads; one tank cannot hold two [-].

    Returns
    -------
    Blending
        In the tank only where one blend serves all and no solid is due.
    """
    additive = blend.of_product(product)
    base = blend.liquid({"nacl": base_frac})
    mixed, _ = blend.mix([(1.0 - share, base), (share, additive)])
    cold = blend.in_the_cold(mixed)
    solid = max(cold.first_solid_c, cold.crystal_onset_c)
    keep_above = cold.warn_below_c
    crystals_first = cold.crystal_onset_c > cold.ice_onset_c
    match = blend.matching_base(additive, share) if crystals_first else None
    place, why = _place(keep_above, crystals_first, coldest_air_c, blends)
    finite = math.isfinite(solid)
    return Blending(
        additive=product.key,
        additive_name=product.name,
        share=share,
        place=place,
        why=why,
        crystals_first=crystals_first,
        first_solid_c=solid if finite else None,
        spread_dc=float(cold_storage.spread_dc(solid, crystals_first)) if finite else 0.0,
        keep_above_c=keep_above if finite else None,
        coldest_air_c=coldest_air_c,
        base_frac=match[0] if match else None,
        chlorides=tuple(key for key, part in product.chlorides.items() if part > 0.0),
    )


def _place(
    keep_above_c: float, crystals_first: bool, coldest_air_c: float | None, blends: int
) -> tuple[Place, Why]:
    if coldest_air_c is None:
        return Place.LOAD_OUT, Why.COLD_NOT_KNOWN
    if coldest_air_c < keep_above_c:
        return Place.LOAD_OUT, Why.DROPS_SALT if crystals_first else Why.FREEZES
    if blends > 1:
        return Place.LOAD_OUT, Why.SEVERAL_BLENDS
    return Place.TANK, Why.WARM_ENOUGH


def blendings(
    loads: Sequence[tuple[float, Product]], base_frac: float, coldest_air_c: float | None
) -> tuple[Blending, ...]:
    """Decide where each of a yard's blends is put together, one (share [-], additive) each."""
    return tuple(
        blending(share, product, base_frac, coldest_air_c, len(loads)) for share, product in loads
    )
