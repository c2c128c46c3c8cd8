"""Batches of plain salt brine: what to weigh in, and how to bring an off-strength tank right.

Answers the shed lead with a loader and a hose: pounds of salt as delivered, gallons of water,
what settles as sludge, how much the fresh batch cools. Everything is a mass balance at 60 °F;
volumes do not add. Additive is the business of ``blend``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from stormplan.errors import InputError
from stormplan.liquids import brine
from stormplan.liquids.brine import EUTECTIC_FRAC
from stormplan.liquids.cold_storage import brine_first_solid_c
from stormplan.liquids.density import density_kg_m3, water_density_kg_m3
from stormplan.liquids.hydrometer import REFERENCE_C, SALOMETER_FULL_FRAC, brine_reading_sg
from stormplan.units import L_PER_GAL

WATER_KG_L = float(water_density_kg_m3(REFERENCE_C)) / 1000.0
MIN_TARGET_FRAC = 0.01  # weaker is not brine
D632_MIN_PURITY_FRAC = 0.95  # ASTM D632, as contracts quote it; the rule salt_nacl_min of offers
MIN_USABLE_PURITY_FRAC = 0.5  # below this it is not salt

# Heat a batch takes up: NaCl integral heat of solution [kJ/mol], from infinite dilution (textbook)
# down to 23.3 % (two Pitzer models at 25 °C give 2.01 and 1.90), and heat capacity of the brine
# [kJ/(kg K)] (4.18 for water, 3.3 at 23.3 %, from memory). Good to a fifth.
HEAT_OF_SOLUTION_KJ_MOL = (3.88, 2.0)
HEAT_CAPACITY_KJ_KG_K = (4.18, 3.30)

BatchCaution = Literal["low purity", "treated salt", "over strength", "pure salt assumed"]


@dataclass(frozen=True)
class Salt:
    """Salt as delivered.

    Attributes
    ----------
    purity_frac : float
        NaCl, moisture counted in [-].
    moisture_frac : float
        Water [-].
    insolubles_frac : float
        What settles as sludge [-]. The rest dissolves and is not NaCl.
    """

    purity_frac: float = 1.0
    moisture_frac: float = 0.0
    insolubles_frac: float = 0.0

    def __post_init__(self) -> None:
        if not MIN_USABLE_PURITY_FRAC <= self.purity_frac <= 1.0:
            raise InputError(
                f"a salt purity of {100 * self.purity_frac:g} % is not usable; accepted is "
                f"{100 * MIN_USABLE_PURITY_FRAC:g} to 100 % NaCl as delivered"
            )
        for name, share in (("moisture", self.moisture_frac), ("insolubles", self.insolubles_frac)):
            if not 0.0 <= share < 0.5:
                raise InputError(
                    f"{name} of {100 * share:g} % is not usable; accepted is 0 to below 50 %"
                )
        parts = self.purity_frac + self.moisture_frac + self.insolubles_frac
        if parts > 1.0 + 1e-9:
            raise InputError(
                f"purity, moisture and insolubles add up to {100 * parts:g} %; accepted is at "
                "most 100 %, since purity is NaCl in the salt as delivered, moisture counted in"
            )


PURE_SALT = Salt()


@dataclass(frozen=True)
class Batch:
    """Ingredients and properties of a batch at 60 °F.

    Attributes
    ----------
    volume_l : float
        Finished brine [L].
    strength_frac : float
        NaCl by weight [-].
    salt_kg : float
        Salt as delivered [kg].
    nacl_kg : float
        NaCl in it [kg].
    water_l : float
        Water to run in; the salt's own moisture is already taken off [L].
    sludge_kg : float
        Insolubles, dry [kg].
    sg_60f : float
        Specific gravity 60/60 °F [-].
    freeze_point_c : float
        First solid [°C].
    water_temp_c : float
        Of the water, and of the salt [°C].
    reading_sg : float
        Hydrometer reading once the batch is back at the water's temperature [-].
    cooling_k : float
        How far the fresh batch cools itself [K].
    """

    volume_l: float
    strength_frac: float
    salt_kg: float
    nacl_kg: float
    water_l: float
    sludge_kg: float
    sg_60f: float
    freeze_point_c: float
    water_temp_c: float
    reading_sg: float
    cooling_k: float

    @property
    def nacl_kg_l(self) -> float:
        """NaCl per volume of finished brine [kg/L]."""
        return self.nacl_kg / self.volume_l

    @property
    def nacl_kg_l_water(self) -> float:
        """NaCl per volume of water: the figure people confuse with it [kg/L]."""
        return self.strength_frac / (1.0 - self.strength_frac) * WATER_KG_L


@lru_cache(maxsize=1024)  # a company's yards ask for the same few
def density_kg_l(strength_frac: float) -> float:
    """Density of plain salt brine of a strength [-] at 60 °F [kg/L]."""
    return float(density_kg_m3(brine.plain_brine(strength_frac), REFERENCE_C)) / 1000.0


def strength_from_kg_l_water(nacl_kg_l_water: float) -> float:
    """Strength [-] got by adding so much NaCl [kg/L] to each volume of water at 60 °F."""
    return nacl_kg_l_water / (nacl_kg_l_water + WATER_KG_L)


def cooling_k(strength_frac: float) -> float:
    """Return the temperature drop [K] of a fresh batch of a strength [-] by heat of solution."""
    along = strength_frac / EUTECTIC_FRAC
    heat = HEAT_OF_SOLUTION_KJ_MOL[0] + along * (
        HEAT_OF_SOLUTION_KJ_MOL[1] - HEAT_OF_SOLUTION_KJ_MOL[0]
    )
    capacity = HEAT_CAPACITY_KJ_KG_K[0] + along * (
        HEAT_CAPACITY_KJ_KG_K[1] - HEAT_CAPACITY_KJ_KG_K[0]
    )
    moles_kg = 1000.0 * strength_frac / brine.MOLAR_MASS_G_MOL[0]
    return float(moles_kg * heat / capacity)


def _format_volume(volume_l: float) -> str:
    return f"{volume_l / L_PER_GAL:,.0f} gal ({volume_l:,.0f} L)"


def check_volume(volume_l: float, label: str) -> None:
    """Raise for a volume [L] that no tank can hold."""
    if not 0.0 < volume_l < 1e9:
        raise InputError(
            f"{label} of {_format_volume(volume_l)} is not usable; accepted is above 0"
        )


def check_strength(strength_frac: float, label: str, min_frac: float = 0.0) -> None:
    """Raise for a strength [-] that salt brine cannot have."""
    if not min_frac <= strength_frac <= SALOMETER_FULL_FRAC:
        raise InputError(
            f"{label} of {100 * strength_frac:.4g} % is not usable; accepted is "
            f"{100 * min_frac:g} to {100 * SALOMETER_FULL_FRAC:.1f} % NaCl by weight, where "
            "water holds no more"
        )


def make_batch(
    volume_l: float, strength_frac: float, salt: Salt = PURE_SALT, water_temp_c: float = REFERENCE_C
) -> Batch:
    """Compute a batch from salt as delivered.

    Parameters
    ----------
    volume_l : float
        Finished brine wanted [L].
    strength_frac : float
        NaCl by weight [-].
    salt : Salt
        As delivered.
    water_temp_c : float
        Of the water, and of the salt [°C].

    Returns
    -------
    Batch

    Raises
    ------
    InputError
        A volume or strength that cannot be made.
    """
    check_volume(volume_l, "a batch")
    check_strength(strength_frac, "a target", MIN_TARGET_FRAC)
    mass_kg = volume_l * density_kg_l(strength_frac)
    nacl_kg = mass_kg * strength_frac
    salt_kg = nacl_kg / salt.purity_frac
    water_kg = mass_kg * (1.0 - strength_frac) - salt_kg * salt.moisture_frac
    return Batch(
        volume_l=volume_l,
        strength_frac=strength_frac,
        salt_kg=salt_kg,
        nacl_kg=nacl_kg,
        water_l=water_kg / WATER_KG_L,
        sludge_kg=salt_kg * salt.insolubles_frac,
        sg_60f=brine_reading_sg(strength_frac, REFERENCE_C),
        freeze_point_c=brine_first_solid_c(strength_frac),
        water_temp_c=water_temp_c,
        reading_sg=brine_reading_sg(strength_frac, water_temp_c),
        cooling_k=cooling_k(strength_frac),
    )


def cautions(
    strength_frac: float, salt: Salt, is_treated: bool = False
) -> tuple[BatchCaution, ...]:
    """Return the cautions about making brine of a strength [-] from this salt."""
    checks: tuple[tuple[bool, BatchCaution], ...] = (
        (strength_frac > EUTECTIC_FRAC + 1e-9, "over strength"),
        (salt.purity_frac < D632_MIN_PURITY_FRAC - 1e-9, "low purity"),
        (is_treated, "treated salt"),
        (salt == PURE_SALT, "pure salt assumed"),
    )
    return tuple(caution for due, caution in checks if due)


def undissolved_salt_kg(
    volume_l: float, strength_frac: float, target_frac: float, salt: Salt = PURE_SALT
) -> float:
    """Return the salt that would explain a weak batch, were it still lying on the bottom.

    Parameters
    ----------
    volume_l : float
        Of the batch when it is done [L].
    strength_frac, target_frac : float
        As read, and when it is done [-].
    salt : Salt
        As delivered.

    Returns
    -------
    float
        Salt as delivered [kg]; none of a batch that is not weak.
    """
    water_kg = volume_l * density_kg_l(target_frac) * (1.0 - target_frac)
    missing = target_frac / (1.0 - target_frac) - strength_frac / (1.0 - strength_frac)
    return max(water_kg * missing, 0.0) / salt.purity_frac


@dataclass(frozen=True)
class TankCorrection:
    """Additions that bring a tank to its target, at 60 °F.

    Attributes
    ----------
    draw_off_l : float
        To take out first, because the rest would not fit [L].
    add_water_l, add_salt_kg : float
        To put in then; salt as delivered [L], [kg].
    final_l : float
        In the tank at the end [L].
    strength_frac : float
        Then [-].
    """

    draw_off_l: float
    add_water_l: float
    add_salt_kg: float
    final_l: float
    strength_frac: float


def correct_tank(
    volume_l: float,
    strength_frac: float,
    target_frac: float,
    salt: Salt = PURE_SALT,
    capacity_l: float | None = None,
) -> TankCorrection:
    """Compute the water or salt that brings a tank to its target.

    Parameters
    ----------
    volume_l, strength_frac : float
        What is in the tank [L]; NaCl by weight [-].
    target_frac : float
        NaCl by weight wanted [-].
    salt : Salt
        As delivered.
    capacity_l : float or None
        What the tank holds; where the addition would not fit, some is drawn off first [L].

    Returns
    -------
    TankCorrection

    Raises
    ------
    InputError
        Volumes or strengths that cannot be.
    """
    check_volume(volume_l, "a tank content")
    check_strength(strength_frac, "a tank strength")
    check_strength(target_frac, "a target", MIN_TARGET_FRAC)
    check_fits(volume_l, capacity_l, "the tank content")
    mass_kg = volume_l * density_kg_l(strength_frac)
    water_kg = salt_kg = 0.0
    if strength_frac >= target_frac:
        water_kg = mass_kg * (strength_frac / target_frac - 1.0)
    else:
        # Salt brings its moisture along, and more salt makes more brine to bring to target.
        gain = salt.purity_frac * (1.0 - target_frac) - salt.moisture_frac * target_frac
        salt_kg = mass_kg * (target_frac - strength_frac) / gain
    final_kg = mass_kg + water_kg + salt_kg * (salt.purity_frac + salt.moisture_frac)
    final_l = final_kg / density_kg_l(target_frac)
    kept_frac = 1.0 if capacity_l is None else min(1.0, capacity_l / final_l)
    return TankCorrection(
        draw_off_l=(1.0 - kept_frac) * volume_l,
        add_water_l=kept_frac * water_kg / WATER_KG_L,
        add_salt_kg=kept_frac * salt_kg,
        final_l=kept_frac * final_l,
        strength_frac=target_frac,
    )


def top_up_tank(
    volume_l: float,
    strength_frac: float,
    final_l: float,
    target_frac: float,
    salt: Salt = PURE_SALT,
    capacity_l: float | None = None,
) -> TankCorrection:
    """Fill a part-full tank up to a volume at target, with salt and water.

    Parameters
    ----------
    volume_l, strength_frac : float
        What is in the tank [L]; NaCl by weight [-].
    final_l, target_frac : float
        What is wanted [L]; NaCl by weight [-].
    salt : Salt
        As delivered.
    capacity_l : float or None
        What the tank holds [L].

    Returns
    -------
    TankCorrection

    Raises
    ------
    InputError
        The tank already holds more salt, or more water, than the target has.
    """
    check_volume(volume_l, "a tank content")
    check_strength(strength_frac, "a tank strength")
    check_fits(final_l, capacity_l, "the volume asked for")
    target_batch = make_batch(final_l, target_frac, salt)
    mass_kg = volume_l * density_kg_l(strength_frac)
    salt_kg = (target_batch.nacl_kg - mass_kg * strength_frac) / salt.purity_frac
    water_kg = (
        final_l * density_kg_l(target_frac) * (1.0 - target_frac)
        - mass_kg * (1.0 - strength_frac)
        - salt_kg * salt.moisture_frac
    )
    for lacking, name in ((salt_kg, "salt"), (water_kg, "water")):
        if lacking < -1e-9 * mass_kg:
            raise InputError(
                f"{_format_volume(volume_l)} at {100 * strength_frac:g} % already hold more "
                f"{name} than "
                f"{_format_volume(final_l)} at {100 * target_frac:g} % take; "
                "leave the final volume out and the tank is corrected as it is"
            )
    return TankCorrection(
        0.0, max(water_kg, 0.0) / WATER_KG_L, max(salt_kg, 0.0), final_l, target_frac
    )


def check_fits(volume_l: float, capacity_l: float | None, label: str) -> None:
    """Raise for a volume [L] larger than its tank [L]."""
    if capacity_l is None:
        return
    check_volume(capacity_l, "a tank capacity")
    if volume_l > capacity_l * (1.0 + 1e-12):
        raise InputError(
            f"{label} of {_format_volume(volume_l)} does not fit the tank; accepted is at most "
            f"{_format_volume(capacity_l)}"
        )
