"""Hydrometer readings of plain salt brine: reading, temperature and strength.

Answers the shed lead with a glass float in a cold tank: how strong is it really, may the reading
be trusted, and is that good enough? A float weighs the liquid, so it can judge only plain salt
brine: every other dissolved thing reads as salt.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array
from stormplan.errors import InputError
from stormplan.liquids import brine, cold_storage
from stormplan.liquids.density import density_kg_m3, water_density_kg_m3
from stormplan.numerics import bisect
from stormplan.units import f_to_c

REFERENCE_C = f_to_c(60.0)  # the 60/60 °F scale: glass and water both at 60 °F
GLASS_EXPANSION_PER_K = 25e-6  # soda glass, by volume; handbook figure, from memory
SALOMETER_FULL_FRAC = 0.26395  # 100 degrees at 60 °F, "The Salometer and How to Use It"
MAX_SEARCH_FRAC = 0.32  # past saturation, so as to tell how far off a reading is
# Where a float can be in a brine tank and the density holds [°C].
MIN_READING_TEMP_C, MAX_READING_TEMP_C = -30.0, 50.0
STRENGTH_UNCERTAINTY_FRAC = 0.002  # density to 1 kg/m³, float read to 0.001

BandVerdict = Literal["accept", "warn", "reject"]
ReadingDoubt = Literal["freezing", "crystals", "beyond saturation", "blend", "treated salt"]


def reading_sg(strength_frac: ArrayLike, temp_c: ArrayLike) -> Array:
    """Specific gravity a 60/60 °F glass hydrometer shows in plain salt brine.

    The glass shrinks in the cold and floats a little deeper; buoyancy of air and the meniscus
    are left out.

    Parameters
    ----------
    strength_frac : array
        NaCl by weight [-].
    temp_c : array
        Temperature of brine and float [°C].

    Returns
    -------
    array
        Reading [-].
    """
    temp = np.asarray(temp_c, dtype=float)
    glass = 1.0 + GLASS_EXPANSION_PER_K * (temp - REFERENCE_C)
    weight = density_kg_m3(brine.plain_brine(strength_frac), temp)
    return np.asarray(weight * glass / water_density_kg_m3(REFERENCE_C))


@lru_cache(maxsize=1024)  # a company's yards ask for the same few
def brine_reading_sg(strength_frac: float, temp_c: float) -> float:
    """Return ``reading_sg`` of one strength [-] at one temperature [°C]."""
    return float(reading_sg(strength_frac, temp_c))


def strength_from_reading(sg: ArrayLike, temp_c: ArrayLike) -> Array:
    """Strength of the plain salt brine that shows a reading.

    Parameters
    ----------
    sg : array
        Reading of a 60/60 °F glass hydrometer [-].
    temp_c : array
        Temperature of brine and float [°C].

    Returns
    -------
    array
        NaCl by weight; NaN for a reading below water or above ``MAX_SEARCH_FRAC`` [-].
    """
    sg, temp = np.broadcast_arrays(np.asarray(sg, dtype=float), np.asarray(temp_c, dtype=float))
    weak, strong = np.zeros(sg.shape), np.full(sg.shape, MAX_SEARCH_FRAC)
    inside = (sg >= reading_sg(weak, temp) - 1e-9) & (sg <= reading_sg(strong, temp))
    weak, strong = bisect(  # 0.32 halved 48 times is 1e-15
        lambda frac: reading_sg(frac, temp) < sg, weak, strong, 48
    )
    return np.asarray(np.where(inside, 0.5 * (weak + strong), np.nan))


def temp_of_reading_c(sg: ArrayLike, strength_frac: float) -> Array:
    """Return the temperature at which brine of a strength shows a reading.

    Parameters
    ----------
    sg : array
        Reading of a 60/60 °F glass hydrometer [-].
    strength_frac : float
        NaCl by weight [-].

    Returns
    -------
    array
        [°C]; NaN where it shows it at no temperature at which it is liquid and a float is read.
    """
    sg = np.asarray(sg, dtype=float)
    molality = brine.molality(brine.plain_brine(strength_frac))
    cold = np.full(sg.shape, max(MIN_READING_TEMP_C, float(brine.freeze_point_c(molality))))
    warm = np.full(sg.shape, MAX_READING_TEMP_C)
    strength = np.full(sg.shape, strength_frac)
    inside = (reading_sg(strength, warm) <= sg) & (sg <= reading_sg(strength, cold))
    low, high = bisect(lambda temp_c: reading_sg(strength, temp_c) > sg, cold, warm, 40)
    return np.asarray(np.where(inside, 0.5 * (low + high), np.nan))


def salometer_deg(strength_frac: ArrayLike) -> Array:
    """Degrees a salometer shows in plain salt brine at 60 °F: percent of saturation.

    Parameters
    ----------
    strength_frac : array
        NaCl by weight [-].

    Returns
    -------
    array
        Salometer degrees [-].
    """
    return np.asarray(100.0 * np.asarray(strength_frac, dtype=float) / SALOMETER_FULL_FRAC)


def sg_from_salometer(degrees: ArrayLike) -> Array:
    """Specific gravity that the same float would show on a 60/60 °F scale.

    Parameters
    ----------
    degrees : array
        Salometer degrees as read, at whatever temperature [-].

    Returns
    -------
    array
        Reading [-].
    """
    shown = np.asarray(degrees, dtype=float) / 100.0 * SALOMETER_FULL_FRAC
    return reading_sg(shown, REFERENCE_C)


@dataclass(frozen=True)
class StrengthBands:
    """Strength bands: target, accepted and usable; policy, not physics.

    Attributes
    ----------
    target_frac : float
        Strength to aim at [-].
    accept_frac, usable_frac : (float, float)
        Weakest and strongest to use as it is; and to use with a warning [-].
    """

    target_frac: float = brine.EUTECTIC_FRAC
    accept_frac: tuple[float, float] = (0.225, 0.238)
    usable_frac: tuple[float, float] = (0.220, 0.240)

    def __post_init__(self) -> None:
        edges = (*self.usable_frac, *self.accept_frac, self.target_frac)
        low, high, accept_low, accept_high, target = edges
        if not 0.0 < low <= accept_low <= target <= accept_high <= high < 1.0:
            percents = "{:g}, {:g}-{:g}, {:g}-{:g}".format(
                *(round(100 * edge, 6) for edge in (target, accept_low, accept_high, low, high))
            )
            raise InputError(
                f"the strength bands (target, accept, warn: {percents} %) do not nest; the target "
                "must lie inside the accept band and that inside the warn band"
            )

    def verdict(self, strength_frac: float) -> BandVerdict:
        """Return the verdict on a strength [-]; band edges belong to their band."""

        def inside(band: tuple[float, float]) -> bool:
            # A hair of slack keeps an edge read off a float inside its own band.
            return band[0] - 1e-8 <= strength_frac <= band[1] + 1e-8

        if inside(self.accept_frac):
            return "accept"
        return "warn" if inside(self.usable_frac) else "reject"


DEFAULT_BANDS = (
    StrengthBands()
)  # our own choice: no published accept band for brine making was found


@dataclass(frozen=True)
class HydrometerResult:
    """Interpretation of one hydrometer reading.

    Attributes
    ----------
    reading_sg, temp_c : float
        As read [-]; of brine and float [°C].
    strength_frac : float
        NaCl by weight [-].
    reading_60f_sg : float
        What the same brine would read at 60 °F [-].
    uncorrected_frac : float
        What a 60 °F table would make of the reading [-].
    freeze_point_c : float
        First solid; infinite beyond saturation [°C].
    verdict : str
        Against the bands.
    doubts : tuple of str
        Why the reading cannot be trusted; empty where it can.
    """

    reading_sg: float
    temp_c: float
    strength_frac: float
    reading_60f_sg: float
    uncorrected_frac: float
    freeze_point_c: float
    verdict: BandVerdict
    doubts: tuple[ReadingDoubt, ...]


def interpret_reading(
    sg: float,
    temp_c: float,
    bands: StrengthBands = DEFAULT_BANDS,
    *,
    is_blend: bool = False,
    is_treated_salt: bool = False,
) -> HydrometerResult:
    """Judge a tank of plain salt brine by its hydrometer reading.

    Parameters
    ----------
    sg : float
        Reading of a 60/60 °F glass hydrometer [-].
    temp_c : float
        Temperature of brine and float [°C].
    bands : StrengthBands
        How strong is good enough.
    is_blend, is_treated_salt : bool
        What the shed lead knows about the tank: additive in it; made from treated salt.

    Returns
    -------
    HydrometerResult

    Raises
    ------
    InputError
        A temperature no float is read at, or a reading no salt brine can give.
    """
    _check_reading(sg, temp_c)
    strength = float(strength_from_reading(sg, temp_c))
    molality = brine.molality(brine.plain_brine(strength))
    # Warm brine holds a little more than the saturation of a cold tank.
    crystals_c = min(float(brine.hydrohalite_saturation_temp_c(molality)), REFERENCE_C)
    checks: tuple[tuple[bool, ReadingDoubt], ...] = (
        (strength > SALOMETER_FULL_FRAC + STRENGTH_UNCERTAINTY_FRAC, "beyond saturation"),
        (temp_c < float(brine.freeze_point_c(molality)), "freezing"),
        (temp_c < crystals_c, "crystals"),
        (is_blend, "blend"),
        (is_treated_salt, "treated salt"),
    )
    return HydrometerResult(
        reading_sg=sg,
        temp_c=temp_c,
        strength_frac=strength,
        reading_60f_sg=brine_reading_sg(strength, REFERENCE_C),
        uncorrected_frac=float(strength_from_reading(sg, REFERENCE_C)),
        freeze_point_c=float(cold_storage.first_solid_c(molality)),
        verdict=bands.verdict(strength),
        doubts=tuple(doubt for doubted, doubt in checks if doubted),
    )


def _check_reading(sg: float, temp_c: float) -> None:
    """Raise for a temperature no float is read at, or a reading no salt brine gives."""
    if not MIN_READING_TEMP_C <= temp_c <= MAX_READING_TEMP_C:
        raise InputError(
            f"a brine temperature of {temp_c:.0f} °C is outside what a hydrometer is read at; "
            f"accepted is {MIN_READING_TEMP_C:.0f} to {MAX_READING_TEMP_C:.0f} °C (-22 to 122 °F)"
        )
    lightest = brine_reading_sg(0.0, temp_c)
    heaviest = brine_reading_sg(MAX_SEARCH_FRAC, temp_c)
    if not lightest - 1e-9 <= sg <= heaviest:
        side = "below water" if sg < lightest else "above any salt brine"
        raise InputError(
            f"a reading of {sg:.4g} is {side}; at this temperature plain salt brine reads "
            f"{lightest:.3f} (water) to about {brine_reading_sg(SALOMETER_FULL_FRAC, temp_c):.3f}"
            " (saturated)"
        )
