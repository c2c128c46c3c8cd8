"""The additives allowed on a surface, by what their water kept liquid costs.

A product is refused for a reason, never dropped in silence; the reasons reach the plan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from stormplan.company.catalog import Product
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import BRINE_KEY, Surface
from stormplan.liquids.blend import liquid_from_product
from stormplan.liquids.offer_value import own_water_kg_l, water_held_kg_l

# EPA 440/5-88-001 (1988), ambient water quality criterion for chloride, chronic [kg/L]
CHRONIC_CRITERION_KG_L = 230e-6


@dataclass(frozen=True)
class Stock:
    """Products and volumes on hand.

    ``on_hand_l`` is what is on hand of each bought product [L]; ``brine_price_per_l`` is what the
    yard's brine costs, bought or in salt, and ``salt_price_per_kg`` what dry salt costs, None where
    there is no price [1/L], [1/kg]. ``brine_nacl_kg_l`` is the salt in a liter of its brine
    [kg/L]. ``ordered`` are the products that the yard orders; None where it orders nothing.
    """

    products: Mapping[str, Product]
    on_hand_l: Mapping[str, float]
    brine_price_per_l: float | None = None
    salt_price_per_kg: float | None = None
    brine_nacl_kg_l: float = math.nan
    ordered: tuple[str, ...] | None = None
    _prices_per_kg: dict[tuple[str, float], float] = field(
        default_factory=dict, compare=False, repr=False
    )

    def price_per_kg_held(self, additive: str, temp_c: float) -> float:
        """Return what an additive costs by the water that it keeps liquid besides its own.

        Parameters
        ----------
        additive : str
            Key of the product.
        temp_c : float
            Of the pavement [°C].

        Returns
        -------
        float
            Infinite without a price, or where it keeps no more liquid than it brings [1/kg].
        """
        key = additive, temp_c
        if key not in self._prices_per_kg:
            product = self.products[additive]
            liquid = liquid_from_product(product)
            held_kg_l = water_held_kg_l(liquid, temp_c) - own_water_kg_l(liquid)
            is_worth = product.price_per_l is not None and held_kg_l > 0.0
            self._prices_per_kg[key] = (
                (product.price_per_l or 0.0) / held_kg_l if is_worth else math.inf
            )
        return self._prices_per_kg[key]

    def price_per_l(self, additive: str | None, additive_frac: float) -> float | None:
        """Return the price of a blend [1/L]; None where a price is missing."""
        if self.brine_price_per_l is None:
            return None
        if additive is None or additive_frac == 0.0:
            return self.brine_price_per_l
        price = self.products[additive].price_per_l
        return (
            None
            if price is None
            else (1.0 - additive_frac) * self.brine_price_per_l + additive_frac * price
        )

    def cost(
        self, additive: str | None, additive_frac: float, liquid_l: float, solid_kg: float
    ) -> float | None:
        """Return what a liquid and salt cost; None where a price is missing."""
        liquid = self.price_per_l(additive, additive_frac) if liquid_l > 0.0 else 0.0
        if liquid is None or (solid_kg > 0.0 and self.salt_price_per_kg is None):
            return None
        return liquid * liquid_l + (self.salt_price_per_kg or 0.0) * solid_kg


@dataclass(frozen=True)
class AdditiveChoice:
    """The additives allowed on a surface, best first, and those refused."""

    allowed: tuple[Product, ...]
    refused: tuple[tuple[Product, str, str], ...]  # product, rule, why


def select_additives(
    surface: Surface, stock: Stock, practice: Practice, local_date: date
) -> AdditiveChoice:
    """Return a yard's additives, split into allowed and refused.

    Parameters
    ----------
    surface : Surface
        What is treated.
    stock : Stock
        Products and what is on hand.
    practice : Practice
        The rules as they stand for it.
    local_date : date
        Local day of the treatment.

    Returns
    -------
    Choice
        Ready-made products first, straight chlorides after them; of each kind first what keeps
        water liquid for the least money where liquids are sprayed at their coldest, a product
        without a price counting as the dearest.
    """
    coldest_c = practice.number("liquid_stop_below")
    allowed, refused = [], []
    for product in stock.products.values():
        if product.key == BRINE_KEY:
            continue
        problem = _refusal(product, surface, stock, practice, local_date)
        if problem is None:
            allowed.append(product)
        else:
            refused.append((product, *problem))
    if len(allowed) > 1:
        allowed.sort(
            key=lambda product: (
                product.is_straight_chloride,
                stock.price_per_kg_held(product.key, coldest_c),
                product.key,
            )
        )
    return AdditiveChoice(tuple(allowed), tuple(refused))


def _refusal(
    product: Product, surface: Surface, stock: Stock, practice: Practice, local_date: date
) -> tuple[str, str] | None:
    """Return the rule that refuses a product and the reason; None if allowed."""
    if surface.surface_class.use == "pedestrian" and (product.odor or product.tracks_indoors):
        property_text = "smells" if product.odor else "tracks indoors"
        return "indoors", f"{product.name} {property_text}: not on walks and entries"
    is_new_concrete = (
        surface.new_concrete_until is not None and local_date < surface.new_concrete_until
    )
    if (
        product.chlorides.get("mgcl2", 0.0) > 0.0
        and (surface.poor_concrete or is_new_concrete)
        and practice.choice("poor_concrete_magnesium") == "refuse"
    ):
        return "poor_concrete_magnesium", f"{product.name} holds magnesium: not on this concrete"
    if stock.on_hand_l.get(product.key, 0.0) <= 0.0:
        return "stock", f"no {product.name} on hand"
    return None


def chloride_dilution_l(chloride_kg: float) -> float:
    """Return the water that a chloride mass raises to the chronic criterion [L]."""
    return chloride_kg / CHRONIC_CRITERION_KG_L
