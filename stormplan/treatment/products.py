"""Which additive may go on a surface, and which of those that may is the cheapest.

A product is refused for a reason, never dropped in silence; the reasons reach the plan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from stormplan.company.catalog import Product
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import BRINE, Surface

# Chloride in each salt by mass, from atomic weights (IUPAC 2021): Cl 35.45
CHLORIDE_FRAC = {"nacl": 0.6066, "cacl2": 0.6389, "mgcl2": 0.7447, "kcl": 0.4755}
# EPA 440/5-88-001 (1988), ambient water quality criterion for chloride, chronic [kg/L]
CHRONIC_CRITERION_KG_L = 230e-6


@dataclass(frozen=True)
class Stock:
    """What a decision may draw on.

    ``stocked_l`` is what is on hand of each bought product [L]; ``brine_price_per_l`` is what the
    yard's own brine costs in salt, None where the salt has no price [1/L].
    """

    products: Mapping[str, Product]
    stocked_l: Mapping[str, float]
    brine_price_per_l: float | None = None

    def price_per_l(self, additive: str | None, share: float) -> float | None:
        """Price of a blend [1/L]; None where any part of it has none."""
        if self.brine_price_per_l is None:
            return None
        if additive is None or share == 0.0:
            return self.brine_price_per_l
        price = self.products[additive].price_per_l
        return None if price is None else (1.0 - share) * self.brine_price_per_l + share * price


@dataclass(frozen=True)
class Choice:
    """The additives a surface may get, cheapest first, and why the others may not."""

    allowed: tuple[Product, ...]
    refused: tuple[tuple[Product, str, str], ...]  # product, rule, why


def choose(surface: Surface, stock: Stock, practice: Practice, on: date) -> Choice:
    """Sort a yard's additives into those a surface may get and those it may not.

    Parameters
    ----------
    surface : Surface
        What is treated [-].
    stock : Stock
        Products and what is on hand [-].
    practice : Practice
        The rules as they stand for it [-].
    on : date
        Local day of the treatment [-].

    Returns
    -------
    Choice
        Cheapest first; a product without a price counts as the dearest.
    """
    allowed, refused = [], []
    for product in stock.products.values():
        if product.key == BRINE:
            continue
        problem = _problem(product, surface, stock, practice, on)
        if problem is None:
            allowed.append(product)
        else:
            refused.append((product, *problem))
    allowed.sort(key=lambda product: (_price(product), product.key))
    return Choice(tuple(allowed), tuple(refused))


def _price(product: Product) -> float:
    return math.inf if product.price_per_l is None else product.price_per_l


def _problem(
    product: Product, surface: Surface, stock: Stock, practice: Practice, on: date
) -> tuple[str, str] | None:
    """Say which rule keeps a product off a surface, and why; None if nothing does."""
    if surface.surface_class.use == "pedestrian" and (product.smells or product.tracks_indoors):
        how = "smells" if product.smells else "tracks indoors"
        return "indoors", f"{product.name} {how}: not on walks and entries"
    young = surface.new_concrete_until is not None and on < surface.new_concrete_until
    if (
        product.chlorides.get("mgcl2", 0.0) > 0.0
        and (surface.poor_concrete or young)
        and practice.choice("poor_concrete_magnesium") == "refuse"
    ):
        return "poor_concrete_magnesium", f"{product.name} holds magnesium: not on this concrete"
    if stock.stocked_l.get(product.key, 0.0) <= 0.0:
        return "stock", f"no {product.name} on hand"
    return None


def chloride_kg_l(salts_kg_l: Mapping[str, float]) -> float:
    """Chloride in a liquid [kg/L] from its salts [kg/L]."""
    return sum(CHLORIDE_FRAC[salt] * mass for salt, mass in salts_kg_l.items())


def water_spoiled_l(chloride_kg: float) -> float:
    """Clean water that so much chloride [kg] could raise to the chronic criterion [L]."""
    return chloride_kg / CHRONIC_CRITERION_KG_L
