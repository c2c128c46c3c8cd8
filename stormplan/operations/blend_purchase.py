"""What to buy for a winter: the least-cost blends of offered products, checked, beside the ladder.

The least cost asks the film to be all liquid and knows prices and limits. The contractors' ladder
(95/5, 90/10 when cold, 80/20 on walks) knows none of them. Each is told by itself; neither is
blended into the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from stormplan.company.offers import BlendNeed, BlendNeeds, Offers
from stormplan.company.practice_rules import Evidence, Practice
from stormplan.errors import InputError
from stormplan.liquids.blend import ColdBehavior, cold_behavior, mix_liquids
from stormplan.liquids.offer_value import (
    HYDRATES,
    LiquidValue,
    OfferFinding,
    is_straight_chloride,
    rank_offers,
    water_held_kg_l,
)
from stormplan.operations.least_cost_blend import (
    MIN_VOLUME_L,
    BlendCase,
    BlendClash,
    BlendProblem,
    BlendProduct,
    BlendSolution,
    solve_blend,
)


class BlendCheck(StrEnum):
    """What the linear program does not know of a blend."""

    CRYSTALS = "crystals in a cold tank"
    INDOORS = "not on walks and entries"
    MAGNESIUM = "magnesium on poor concrete"
    STRAIGHT_CHLORIDE = "straight chloride"
    TOO_COLD = "too cold for liquid"
    TOO_MUCH_ADDITIVE = "too much additive"


@dataclass(frozen=True)
class BlendFinding:
    """Something a blend fails in.

    Attributes
    ----------
    check : BlendCheck
        In what.
    evidence : Evidence
        How firm that is.
    source : str
        Where it stands.
    product : str or None
        Key of the product it is about.
    observed, limit : float or None
        What was found and what it is held against, in the unit of the check [-].
    """

    check: BlendCheck
    evidence: Evidence
    source: str
    product: str | None = None
    observed: float | None = None
    limit: float | None = None


@dataclass(frozen=True)
class LadderBlend:
    """What the contractors' ladder puts down where the same water is to be held.

    Attributes
    ----------
    additive : str or None
        Key of the additive; None where there is none to take.
    additive_frac : float
        Its part of the blend by volume [-].
    volume_l : float
        Liquid that holds the water, at least the lowest rate [L].
    rate_l_m2 : float
        Rate of that [L/m²].
    cost : float
        By the liter, lots left aside.
    is_over_ceiling : bool
        Whether that is above the highest rate.
    """

    additive: str | None
    additive_frac: float
    volume_l: float
    rate_l_m2: float
    cost: float
    is_over_ceiling: bool


@dataclass(frozen=True)
class CaseBlend:
    """The least-cost blend of one case.

    Attributes
    ----------
    need : BlendNeed
        The case.
    volumes_l : dict
        Liquid by key of product [L].
    rate_l_m2 : float
        Rate of all of it [L/m²].
    ceiling_value_per_l : float
        What one more liter under the highest rate would save [1/L].
    behavior : ColdBehavior
        Of the blend in a tank.
    findings : tuple of BlendFinding
        What it fails in.
    ladder : LadderBlend
        The contractors' ladder for the same water.
    """

    need: BlendNeed
    volumes_l: dict[str, float]
    rate_l_m2: float
    ceiling_value_per_l: float
    behavior: ColdBehavior
    findings: tuple[BlendFinding, ...]
    ladder: LadderBlend


@dataclass(frozen=True)
class BlendPurchase:
    """What to buy, or why nothing does.

    Attributes
    ----------
    products : tuple of LiquidValue
        That there were to choose from.
    min_rate_l_m2, max_rate_l_m2 : float
        Between which rates [L/m²].
    cases : tuple of CaseBlend
        In the order of the file; empty where limits clash.
    bought_l : dict
        What is bought by key of product, in whole lots where it comes so [L].
    cost, ceiling_cost : float
        Of all that, and what the highest rate adds to it.
    chloride_kg : float
        Chloride in what is sprayed [kg].
    clash : BlendClash or None
        Limits that cannot be met together.
    """

    products: tuple[LiquidValue, ...]
    min_rate_l_m2: float
    max_rate_l_m2: float
    cases: tuple[CaseBlend, ...] = ()
    bought_l: dict[str, float] | None = None
    cost: float = math.nan
    ceiling_cost: float = math.nan
    chloride_kg: float = math.nan
    clash: BlendClash | None = None


def plan_purchase(
    offers: Offers, practice: Practice, left_out: Sequence[str] = ()
) -> BlendPurchase:
    """Return what to buy so that the file's needs are held at least cost.

    Parameters
    ----------
    offers : Offers
        With ``needs``.
    practice : Practice
        The company's rules.
    left_out : sequence of str
        Keys of products that are not to be used.

    Returns
    -------
    BlendPurchase

    Raises
    ------
    InputError
        The file has no needs, or nothing that can be sprayed, or names are wrong.
    """
    needs = offers.needs
    if needs is None or not needs.cases:
        raise InputError("the file of offers has no needs: say what is to be held, under 'needs'")
    temps_c = [need.temp_c for need in needs.cases]
    products = _products(offers, needs, temps_c, practice, left_out)
    low, high = _rates(needs, practice)
    problem = BlendProblem(
        tuple(_blend_product(one) for one in products),
        tuple(BlendCase(1000.0 * need.water_m, need.treated_m2, low, high) for need in needs.cases),
        np.array([_net_water_kg_l(one) for one in products]),
        needs.chloride_budget_kg,
    )
    found = solve_blend(problem)
    if isinstance(found, BlendClash):
        return BlendPurchase(products, low, high, clash=found)
    return BlendPurchase(
        products=products,
        min_rate_l_m2=low,
        max_rate_l_m2=high,
        cases=tuple(
            _case_blend(k, offers, needs, products, found, (low, high), practice)
            for k in range(len(needs.cases))
        ),
        bought_l={
            one.key: float(volume)
            for one, volume in zip(products, found.bought_l, strict=True)
            if volume > MIN_VOLUME_L
        },
        cost=found.cost,
        ceiling_cost=found.ceiling_cost,
        chloride_kg=float(
            found.volumes_l.sum(axis=1) @ [one.chloride_kg_l for one in problem.products]
        ),
    )


def _rates(needs: BlendNeeds, practice: Practice) -> tuple[float, float]:
    low, high = needs.min_rate_l_m2, needs.max_rate_l_m2
    low = practice.number("pretreat_rate_min") if low is None else low
    high = practice.number("pretreat_rate_max") if high is None else high
    if low > high:
        raise InputError("needs: min_rate is above max_rate")
    return low, high


def _products(
    offers: Offers,
    needs: BlendNeeds,
    temps_c: Sequence[float],
    practice: Practice,
    left_out: Sequence[str],
) -> tuple[LiquidValue, ...]:
    """Return what can be sprayed: one own brine, and every liquid whose make-up is known."""
    ranking = rank_offers(offers, temps_c, practice)
    known = [one for one in ranking.liquids if one.liquid is not None]
    own = [one for one in known if one.offer is None]
    if needs.brine_of is not None:
        own = [one for one in own if one.key == f"{needs.brine_of}-brine"]
        if not own:
            raise InputError(f"needs.brine_of: no brine is made of '{needs.brine_of}'")
    own.sort(key=lambda one: (bool(one.findings), one.price_per_l))
    taken = own[:1] + [one for one in known if one.offer is not None]
    for key in left_out:
        if key not in {one.key for one in taken}:
            accepted = ", ".join(one.key for one in taken)
            raise InputError(f"--without: no product '{key}'; accepted: {accepted}")
    taken = [one for one in taken if one.key not in left_out]
    if not any(one.max_vol_frac == 1.0 for one in taken):
        raise InputError("nothing is left that may be sprayed as it is: no brine among the offers")
    return tuple(taken)


def _blend_product(value: LiquidValue) -> BlendProduct:
    offer = value.offer
    return BlendProduct(
        key=value.key,
        price_per_l=value.price_per_l,
        chloride_kg_l=value.chloride_kg_l,
        max_vol_frac=value.max_vol_frac,
        stock_l=None if offer is None else offer.stock_l,
        lot_l=None if offer is None else offer.lot_l,
    )


def _net_water_kg_l(value: LiquidValue) -> list[float]:
    return [held - value.own_water_kg_l for held in value.held_kg_l]


def _case_blend(
    case: int,
    offers: Offers,
    needs: BlendNeeds,
    products: Sequence[LiquidValue],
    solution: BlendSolution,
    rates_l_m2: tuple[float, float],
    practice: Practice,
) -> CaseBlend:
    need = needs.cases[case]
    used = [
        (float(volume), one)
        for volume, one in zip(solution.volumes_l[:, case], products, strict=True)
        if volume > MIN_VOLUME_L
    ]
    mixed, _ = mix_liquids([(volume, one.liquid) for volume, one in used if one.liquid is not None])
    behavior = cold_behavior(mixed)
    return CaseBlend(
        need=need,
        volumes_l={one.key: volume for volume, one in used},
        rate_l_m2=sum(volume for volume, _ in used) / need.treated_m2,
        ceiling_value_per_l=float(solution.ceiling_value_per_l[case]),
        behavior=behavior,
        findings=tuple(_findings(need, needs, used, behavior, offers.tank_min_temp_c, practice)),
        ladder=_ladder(need, needs, products, rates_l_m2, practice),
    )


def _findings(
    need: BlendNeed,
    needs: BlendNeeds,
    used: Sequence[tuple[float, LiquidValue]],
    behavior: ColdBehavior,
    tank_min_temp_c: float | None,
    practice: Practice,
) -> Iterator[BlendFinding]:
    """Yield what a blend fails in that the program does not know."""
    if tank_min_temp_c is not None and tank_min_temp_c <= behavior.warn_below_c:
        onset_c = max(behavior.crystal_onset_c, behavior.first_solid_c)
        yield BlendFinding(
            BlendCheck.CRYSTALS, Evidence.PUBLISHED, HYDRATES, None, onset_c, tank_min_temp_c
        )
    stop = practice.rule_value("liquid_stop_below")
    if need.temp_c < practice.number("liquid_stop_below"):
        yield BlendFinding(
            BlendCheck.TOO_COLD, stop.rule.evidence, stop.rule.source, None, need.temp_c,
            practice.number("liquid_stop_below"),
        )  # fmt: skip
    added = sum(volume for volume, one in used if one.max_vol_frac < 1.0)
    share = added / sum(volume for volume, _ in used)
    if share > practice.number("additive_max") + 1e-9:
        rule = practice.rule_value("additive_max").rule
        yield BlendFinding(
            BlendCheck.TOO_MUCH_ADDITIVE, rule.evidence, rule.source, None, share,
            practice.number("additive_max"),
        )  # fmt: skip
    for _, one in used:
        if one.offer is not None and is_straight_chloride(one.offer):
            yield BlendFinding(BlendCheck.STRAIGHT_CHLORIDE, Evidence.COMMON_PRACTICE, "", one.key)
        if refused := _surface_refusal(one, needs, practice):
            yield refused


def _surface_refusal(
    value: LiquidValue, needs: BlendNeeds, practice: Practice
) -> BlendFinding | None:
    """Return the rule of surfaces that refuses a product; None where none does."""
    offer = value.offer
    if offer is None:
        return None
    if needs.surface == "pedestrian" and (offer.odor or offer.tracks_indoors):
        return BlendFinding(BlendCheck.INDOORS, Evidence.COMMON_PRACTICE, "", value.key)
    if (
        needs.poor_concrete
        and offer.mgcl2 > 0.0
        and practice.choice("poor_concrete_magnesium") == "refuse"
    ):
        rule = practice.rule_value("poor_concrete_magnesium").rule
        return BlendFinding(BlendCheck.MAGNESIUM, rule.evidence, rule.source, value.key)
    return None


def _ladder(
    need: BlendNeed,
    needs: BlendNeeds,
    products: Sequence[LiquidValue],
    rates_l_m2: tuple[float, float],
    practice: Practice,
) -> LadderBlend:
    """Return the ladder's blend.

    Of additives no weaker than brine, straight ones last, the cheapest by water kept liquid.
    """
    if needs.surface == "pedestrian":
        share = practice.number("additive_sensitive")
    elif need.temp_c < practice.number("additive_cold_below"):
        share = practice.number("additive_cold")
    else:
        share = practice.number("additive_default")
    base = min(
        (one for one in products if one.max_vol_frac == 1.0), key=lambda one: one.price_per_l
    )
    allowed = [
        (is_straight_chloride(one.offer), one.mean_cost_per_kg, one.key, one)
        for one in products
        if one.offer is not None
        and one.max_vol_frac < 1.0
        and all(it.kind is not OfferFinding.WEAKER_THAN_BRINE for it in one.findings)
        and _surface_refusal(one, needs, practice) is None
    ]
    additive = min(allowed)[3] if allowed else None
    share = 0.0 if additive is None else min(share, additive.max_vol_frac)
    net = _net_at(base, need.temp_c)
    price = base.price_per_l
    if additive is not None:
        net = (1.0 - share) * net + share * _net_at(additive, need.temp_c)
        price = (1.0 - share) * price + share * additive.price_per_l
    rate = max(1000.0 * need.water_m / net, rates_l_m2[0]) if net > 0.0 else math.inf
    return LadderBlend(
        additive=None if additive is None else additive.key,
        additive_frac=share,
        volume_l=rate * need.treated_m2,
        rate_l_m2=rate,
        cost=rate * need.treated_m2 * price,
        is_over_ceiling=rate > rates_l_m2[1] * (1.0 + 1e-9),
    )


def _net_at(value: LiquidValue, temp_c: float) -> float:
    """Return the water a liter keeps liquid at a temperature besides its own [kg/L]."""
    if value.liquid is None:
        raise ValueError(f"{value.key} is not known")
    return water_held_kg_l(value.liquid, temp_c) - value.own_water_kg_l
