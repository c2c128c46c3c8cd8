"""Blends: what comes of base brine, additive and water, and what such a tank does in the cold.

Answers the shed lead before the additive goes in: how strong, how heavy, when does ice come and
when do salt crystals, and how strong the base should be so that neither comes early. Parts are
measured by volume at 60 °F and mixed by mass.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from stormplan.arrays import Array
from stormplan.company.catalog import Chloride, Product
from stormplan.errors import InputError
from stormplan.liquids import brine, cold_storage
from stormplan.liquids.brine import CHLORIDES
from stormplan.liquids.density import density_kg_m3
from stormplan.liquids.hydrometer import REFERENCE_C, SALOMETER_FULL_FRAC
from stormplan.numerics import bisect

CRYSTAL_MARGIN_K = 5.0 / 1.8  # 5 °F: the hydrohalite rule errs cold by up to 1.3 K above -20 °C
MIN_BASE_FRAC = 0.05  # the search for a matching base brine starts here

FreezePointSource = Literal["computed", "supplier"]


@dataclass(frozen=True, eq=False)  # arrays do not compare to one truth: see __eq__
class Liquid:
    """A liquid in the yard, by weight.

    Attributes
    ----------
    salts_frac : array (4,)
        Mass share of each chloride, in the order of ``brine.CHLORIDES`` [-].
    inert_frac : float
        Mass share of solids with no freeze-point credit [-].
    supplier_volume_offset_m3_kg : float
        Specific volume stated by the supplier, less the computed one, at 60 °F [m³/kg].
    supplier_freeze_point_c : float or None
        Freeze point as stated; it holds for this liquid neat and for nothing mixed from it [°C].
    """

    salts_frac: Array
    inert_frac: float = 0.0
    supplier_volume_offset_m3_kg: float = 0.0
    supplier_freeze_point_c: float | None = None

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Liquid) and self._values() == other._values()

    def __hash__(self) -> int:
        return hash(self._values())

    def _values(self) -> tuple[float | None, ...]:
        offset, stated = self.supplier_volume_offset_m3_kg, self.supplier_freeze_point_c
        return (*self.salts_frac.tolist(), self.inert_frac, offset, stated)

    @property
    def molality(self) -> Array:
        """Molality of each chloride [mol/kg]."""
        return brine.molality(self.salts_frac, self.inert_frac)

    @property
    def water_frac(self) -> float:
        """Mass share of water [-]."""
        return 1.0 - float(self.salts_frac.sum()) - self.inert_frac

    @property
    def is_plain_brine(self) -> bool:
        """Only NaCl and water."""
        return self.salts_frac[0] > 0.0 and not self.salts_frac[1:].any() and not self.inert_frac

    def mass_frac(self, chloride: Chloride) -> float:
        """Mass share of one chloride [-]."""
        return float(self.salts_frac[CHLORIDES.index(chloride)])

    def density_kg_m3(self, temp_c: float) -> float:
        """Density at a temperature [°C], the supplier's where one is stated [kg/m³]."""
        computed = float(density_kg_m3(self.salts_frac, temp_c, self.inert_frac))
        return 1.0 / (1.0 / computed + self.supplier_volume_offset_m3_kg)


PLAIN_WATER = Liquid(np.zeros(len(CHLORIDES)))


def make_liquid(chlorides: Mapping[Chloride, float], inert_frac: float = 0.0) -> Liquid:
    """Return a liquid from the mass fractions of its chlorides [-].

    Raises
    ------
    InputError
        No salt at all, or more of one than water holds.
    """
    for chloride, mass_frac in chlorides.items():
        strongest = cold_storage.SATURATION_FRAC[chloride]
        if not 0.0 <= mass_frac <= strongest:
            raise InputError(
                f"{chloride} of {100 * mass_frac:g} % is not a solution; accepted is above 0 "
                "and at "
                f"most {100 * strongest:.1f} % by weight, where water holds no more"
            )
    salts = np.array([float(chlorides.get(chloride, 0.0)) for chloride in CHLORIDES])
    if not 0.0 <= inert_frac < 1.0 - salts.sum():
        raise InputError(
            f"inert solids of {100 * inert_frac:g} % leave no water; accepted is 0 to below "
            f"{100 * (1.0 - salts.sum()):g} %"
        )
    return Liquid(salts, inert_frac)


def liquid_from_product(product: Product) -> Liquid:
    """Return a bought product as a liquid, with supplier's density and freeze point."""
    neat = make_liquid(product.chlorides, product.inert_frac)
    extra = 0.0
    if product.density_kg_l is not None:
        extra = 1.0 / (1000.0 * product.density_kg_l) - 1.0 / neat.density_kg_m3(REFERENCE_C)
    return Liquid(neat.salts_frac, neat.inert_frac, extra, product.freeze_point_c)


def liquid_at_strength(liquid: Liquid, strength_frac: float) -> Liquid:
    """Return a liquid with more or less water, so that its chlorides make up so much of it."""
    total = float(liquid.salts_frac.sum())
    if total <= 0.0:
        return make_liquid({"nacl": strength_frac})
    factor = strength_frac / total
    if liquid.is_plain_brine:
        return Liquid(factor * liquid.salts_frac)
    return replace(
        liquid, salts_frac=factor * liquid.salts_frac, inert_frac=factor * liquid.inert_frac
    )


def mix_liquids(parts: Sequence[tuple[float, Liquid]]) -> tuple[Liquid, float]:
    """Mix liquids by volume at 60 °F.

    Parameters
    ----------
    parts : sequence of (float, Liquid)
        Volume of each, in any one unit [-].

    Returns
    -------
    Liquid, float
        The mixture; how much less volume it has than its parts, as a share [-].
    """
    poured = [(volume, part) for volume, part in parts if volume > 0.0]
    if len(poured) == 1:
        return poured[0][1], 0.0
    volumes = np.array([volume for volume, _ in poured])
    masses = volumes * [part.density_kg_m3(REFERENCE_C) for _, part in poured]
    weights = masses / masses.sum()
    mixed = Liquid(
        salts_frac=weights @ np.array([part.salts_frac for _, part in poured]),
        inert_frac=float(weights @ [part.inert_frac for _, part in poured]),
        supplier_volume_offset_m3_kg=float(
            weights @ [part.supplier_volume_offset_m3_kg for _, part in poured]
        ),
    )
    volume = masses.sum() / mixed.density_kg_m3(REFERENCE_C)
    return mixed, float(1.0 - volume / volumes.sum())


@lru_cache(maxsize=1024)  # a company has few liquids, and asks of them at every plan
def blend_with_brine(base_strength_frac: float, additive: Liquid, additive_frac: float) -> Liquid:
    """Return plain salt brine of a strength [-] with an additive as part of the volume [-]."""
    base = make_liquid({"nacl": base_strength_frac})
    return mix_liquids([(1.0 - additive_frac, base), (additive_frac, additive)])[0]


@dataclass(frozen=True)
class ColdBehavior:
    """Onset temperatures of ice and salt crystals in a liquid.

    Attributes
    ----------
    ice_onset_c : float
        Ice first forms, as long as no salt crystal has [°C].
    ice_with_crystals_c : float
        Ice first forms once crystals have; the same where ice comes first [°C].
    crystal_onset_c : float
        Hydrohalite or an additive's hydrate is due; infinite where plain salt drops at any tank
        temperature; ``brine.MIN_LIQUID_TEMP_C`` where none comes [°C].
    first_solid_c : float
        The warmer of the two, or the supplier's own figure [°C].
    freeze_point_source : str
        Where ``first_solid_c`` comes from.
    """

    ice_onset_c: float
    ice_with_crystals_c: float
    crystal_onset_c: float
    first_solid_c: float
    freeze_point_source: FreezePointSource

    @property
    def warn_below_c(self) -> float:
        """Temperature the tank should stay above, lest it drop salt or freeze [°C]."""
        return max(self.crystal_onset_c, self.first_solid_c) + CRYSTAL_MARGIN_K


@lru_cache(maxsize=1024)  # a company has few liquids, and asks of them at every plan
def cold_behavior(stored: Liquid) -> ColdBehavior:
    """Return the ice and crystal onsets of a liquid; a supplier's freeze point wins."""
    molality = stored.molality
    crystals = max(
        float(brine.hydrohalite_saturation_temp_c(molality)),
        float(cold_storage.hydrate_onset_c(molality)),
    )
    computed = float(cold_storage.first_solid_c(molality))
    stated = stored.supplier_freeze_point_c
    return ColdBehavior(
        ice_onset_c=float(brine.ice_onset_c(molality)),
        ice_with_crystals_c=float(brine.freeze_point_c(molality)),
        crystal_onset_c=crystals,
        first_solid_c=computed if stated is None else stated,
        freeze_point_source="computed" if stated is None else "supplier",
    )


def ice_mass_frac(stored: Liquid, temp_c: float) -> float:
    """Share of a liquid's mass that is ice at a temperature [°C], in equilibrium [-].

    Below the eutectic the water bound in salt crystals is counted with the ice.
    """
    return stored.water_frac * (1.0 - float(brine.liquid_water_frac(stored.molality, temp_c)))


@lru_cache(maxsize=1024)
def matching_base_brine(additive: Liquid, additive_vol_frac: float) -> tuple[float, float] | None:
    """Find the base brine with which ice and salt crystals arrive together.

    Parameters
    ----------
    additive : Liquid
        What goes in.
    additive_vol_frac : float
        Its share of the blend by volume [-].

    Returns
    -------
    (float, float) or None
        NaCl of the base by weight [-] and the temperature at which both arrive [°C]; None where
        crystals come first, or ice, whatever the base.
    """

    def crystals_lead_k(base_frac: float) -> tuple[float, float]:
        blended = blend_with_brine(base_frac, additive, additive_vol_frac)
        ice_c = float(brine.ice_onset_c(blended.molality))
        return float(brine.hydrohalite_saturation_temp_c(blended.molality)) - ice_c, ice_c

    weak, strong = MIN_BASE_FRAC, SALOMETER_FULL_FRAC
    if crystals_lead_k(weak)[0] >= 0.0 or crystals_lead_k(strong)[0] <= 0.0:
        return None
    _, high = bisect(  # a fifth halved 40 times is 1e-13
        lambda frac: np.asarray(crystals_lead_k(float(frac))[0] < 0.0), weak, strong, 40
    )
    strong = float(high)
    return strong, crystals_lead_k(strong)[1]


def check_additive_vol_frac(additive_vol_frac: float, product: Product | None = None) -> None:
    """Raise for a volume fraction of additive [-] out of range or above the product's limit."""
    limit = 1.0 if product is None else product.max_vol_frac
    if not 0.0 <= additive_vol_frac <= limit + 1e-12:
        name = "additive" if product is None else product.name
        raise InputError(
            f"a share of {100 * additive_vol_frac:g} % {name} is not usable; accepted is 0 to "
            f"{100 * limit:g} % of the blend by volume"
        )
