"""What an offer is worth: water that it keeps liquid for its price, and what a cheap one lacks.

At a given temperature the freezing rule ``sum(m / m0(T)) = 1`` is linear in the product, so what a
liter keeps liquid simply adds up. Dilution is what happens on pavement; the freeze point of the
neat product prices the tank. Each finding carries its evidence, and says nothing of a product that
nobody has analyzed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from stormplan.company.offers import LiquidOffer, Offers, SaltOffer, Sieve
from stormplan.company.practice_rules import Evidence, Practice, RuleValue
from stormplan.errors import InputError
from stormplan.liquids import batch, brine
from stormplan.liquids.blend import (
    ColdBehavior,
    Liquid,
    cold_behavior,
    liquid_from_product,
    make_liquid,
    mix_liquids,
)
from stormplan.liquids.brine import CHLORIDE_MASS_FRAC, CHLORIDES, MOLAR_MASS_G_MOL
from stormplan.liquids.hydrometer import REFERENCE_C
from stormplan.units import L_PER_GAL

BATCH_L = 1000.0 * L_PER_GAL  # sludge and cost are said of a thousand gallons
#: What salt is judged by where it is fine or coarse; sieve No. 8 has openings of 2.36 mm (ASTM E11)
FINE_SIEVE: Sieve = "No. 8"

APWA = (
    "APWA Reporter 2001, on specifying products: so much of a chloride and so much of solids are"
    " different products"
)
FREEZING_CURVES = "computed by freezing curves after Toner & Catling 2017 and Marion & Kargel 2008"
HYDRATES = (
    "computed by hydrates after Lange's Handbook of Chemistry, Table 5.13, and two Pitzer models,"
    " give or take some degrees"
)
BALANCE = "a mass balance"


class OfferFinding(StrEnum):
    """What a buyer should know of an offer besides its price."""

    STRAIGHT_CHLORIDE = "straight chloride"
    LARGE_SHARE = "meant for a large share"
    WEAKER_THAN_BRINE = "weaker than brine"
    NOT_INDOORS = "not on walks and entries"
    MAGNESIUM = "magnesium on concrete"
    COLD_TANK = "crystals in a cold tank"
    COLD_BLEND = "crystals in a cold blend"
    TOTAL_SOLIDS = "total solids only"
    INHIBITOR_UNTESTED = "inhibitor untested"
    CORROSIVE = "corrosive for an inhibited product"
    NO_ASSAY = "no assay"
    NO_FREIGHT = "delivery not said"
    TREATED_SALT = "treated salt"
    LOW_PURITY = "low purity"
    PURITY_UNKNOWN = "purity not said"
    MOISTURE = "moisture paid as salt"
    MOISTURE_UNKNOWN = "moisture not said"
    INSOLUBLES = "insolubles"
    SLUDGE = "sludge"
    GRADATION = "gradation"
    GRADATION_UNKNOWN = "gradation not said"


@dataclass(frozen=True)
class Finding:
    """A finding about an offer.

    Attributes
    ----------
    kind : OfferFinding
        Which.
    evidence : Evidence
        How firm it is.
    source : str
        Where it stands.
    observed, limit : float or None
        What was found and what it is held against, in the unit of the kind; None without one [-].
    is_lack : bool
        Whether something is wrong or missing; else it is to be known.
    """

    kind: OfferFinding
    evidence: Evidence
    source: str
    observed: float | None = None
    limit: float | None = None
    is_lack: bool = True


@dataclass(frozen=True)
class LiquidValue:
    """What a liquid is worth.

    Attributes
    ----------
    key, name, supplier : str
        Which offer.
    offer : LiquidOffer or None
        As written; None for brine made of offered salt.
    liquid : Liquid or None
        What it is; None where the sheet does not say.
    price_per_l : float
        With delivery, as far as that is known [1/L].
    held_kg_l : tuple of float
        Water that a liter keeps liquid at each working temperature, its own included [kg/L].
    own_water_kg_l : float
        Water that comes with it [kg/L].
    max_vol_frac : float
        Most of it in a blend, by the sheet and by the rule ``additive_max`` [-].
    neat : ColdBehavior or None
        Of the product in its own tank.
    blended : ColdBehavior or None
        Of the strongest blend with one's own brine; None where it is brine.
    findings : tuple of Finding
        What to know of it.
    """

    key: str
    name: str
    supplier: str
    offer: LiquidOffer | None
    liquid: Liquid | None
    price_per_l: float
    held_kg_l: tuple[float, ...]
    own_water_kg_l: float
    max_vol_frac: float
    neat: ColdBehavior | None
    blended: ColdBehavior | None
    findings: tuple[Finding, ...]

    @property
    def costs_per_kg(self) -> tuple[float, ...]:
        """Price of a kilogram of water kept liquid, at each working temperature [1/kg]."""
        return tuple(self.price_per_l / held for held in self.held_kg_l)

    @property
    def mean_cost_per_kg(self) -> float:
        """Mean over the working temperatures; infinite where it cannot be known [1/kg]."""
        costs = self.costs_per_kg
        return math.fsum(costs) / len(costs) if costs else math.inf

    @property
    def salts_kg_l(self) -> float:
        """Chloride salts in a liter [kg/L]."""
        return 0.0 if self.liquid is None else _per_l(self.liquid, self.liquid.salts_frac.sum())

    @property
    def chloride_kg_l(self) -> float:
        """Chloride in a liter [kg/L]."""
        return chloride_kg_l(self.liquid) if self.liquid is not None else 0.0


@dataclass(frozen=True)
class SaltValue:
    """What a salt is worth as brine.

    Attributes
    ----------
    key : str
        Which offer.
    offer : SaltOffer
        As written.
    is_usable : bool
        Whether brine is made of it: pure enough to be reckoned with, and not treated.
    brine_cost_per_l : float or None
        Salt, and making where that is known, in a liter of finished brine [1/L]; None where the
        purity is not known, or it is refused.
    salt_kg_l : float or None
        Salt as delivered in a liter of finished brine [kg/L].
    sludge_kg_l : float or None
        What settles out of it [kg/L]; None where the sheet does not say.
    moisture_cost_per_kg : float or None
        Price of the water in a kilogram of it [1/kg]; None where the sheet does not say.
    findings : tuple of Finding
        What to know of it.
    """

    key: str
    offer: SaltOffer
    is_usable: bool
    brine_cost_per_l: float | None
    salt_kg_l: float | None
    sludge_kg_l: float | None
    moisture_cost_per_kg: float | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class OfferRanking:
    """All offers, the best first.

    Attributes
    ----------
    working_temps_c : tuple of float
        Pavement temperatures they are compared at [°C].
    liquids : tuple of LiquidValue
        By cost of water kept liquid; those whose make-up is unknown stand last.
    salts : tuple of SaltValue
        By cost of finished brine; those refused or unknown stand last.
    """

    working_temps_c: tuple[float, ...]
    liquids: tuple[LiquidValue, ...]
    salts: tuple[SaltValue, ...]


def _per_l(liquid: Liquid, mass_frac: float) -> float:
    return float(mass_frac) * liquid.density_kg_m3(REFERENCE_C) / 1000.0


def chloride_kg_l(liquid: Liquid) -> float:
    """Return the chloride in a liter of a liquid at 60 °F [kg/L]."""
    return _per_l(liquid, float(liquid.salts_frac @ CHLORIDE_MASS_FRAC))


def own_water_kg_l(liquid: Liquid) -> float:
    """Return the water in a liter of a liquid at 60 °F [kg/L]."""
    return _per_l(liquid, liquid.water_frac)


def water_held_kg_l(liquid: Liquid, temp_c: float) -> float:
    """Return the water that a liter of a liquid keeps liquid at a temperature, its own included.

    Parameters
    ----------
    liquid : Liquid
        Measured at 60 °F.
    temp_c : float
        Of the pavement; below 0, above the eutectic of plain salt [°C].

    Returns
    -------
    float
        Where ice and liquid are in equilibrium, hydrohalite left aside as it must be above that
        eutectic [kg/L].

    Raises
    ------
    InputError
        A temperature out of that range.
    """
    if not brine.EUTECTIC_C[0] <= temp_c < 0.0:
        raise InputError(
            f"{temp_c:.1f} °C is no working temperature; accepted is {brine.EUTECTIC_C[0]} °C to"
            " below 0 °C, where salt brine works"
        )
    moles_l = 1000.0 * liquid.salts_frac / MOLAR_MASS_G_MOL
    held = float((moles_l / brine.freezing_curve_molality(temp_c)).sum())
    return _per_l(liquid, held)


def rank_offers(offers: Offers, temps_c: Sequence[float], practice: Practice) -> OfferRanking:
    """Return the offers by what is bought: water kept liquid at the working temperatures.

    Parameters
    ----------
    offers : Offers
        As written.
    temps_c : sequence of float
        Pavement temperatures to compare at [°C].
    practice : Practice
        The company's rules.

    Returns
    -------
    OfferRanking
        The cheapest water first.

    Raises
    ------
    InputError
        A sheet that no solution can have, or a temperature at which brine does not work.
    """
    salts = sorted(
        (_salt_value(key, offer, offers, practice) for key, offer in offers.salt.items()),
        key=lambda one: (
            math.inf if one.brine_cost_per_l is None else one.brine_cost_per_l,
            one.key,
        ),
    )
    own_brine = make_liquid({"nacl": offers.brine_frac})
    made = [
        _brine_of_salt(salt, own_brine, temps_c)
        for salt in salts
        if salt.brine_cost_per_l is not None
    ]
    bought = [
        _liquid_value(key, offer, own_brine, offers.tank_min_temp_c, temps_c, practice)
        for key, offer in offers.liquids.items()
    ]
    liquids = sorted((*made, *bought), key=lambda one: (one.mean_cost_per_kg, one.key))
    return OfferRanking(tuple(temps_c), tuple(liquids), tuple(salts))


# ------------------------------------------------------------------------------ liquids


def _liquid_value(
    key: str,
    offer: LiquidOffer,
    own_brine: Liquid,
    tank_min_temp_c: float | None,
    temps_c: Sequence[float],
    practice: Practice,
) -> LiquidValue:
    liquid = neat = blended = None
    held: tuple[float, ...] = ()
    max_vol_frac = 1.0
    if not offer.is_brine:
        max_vol_frac = min(offer.max_vol_frac, practice.number("additive_max"))
    if offer.names_its_chlorides:
        try:
            liquid = liquid_from_product(offer.product(key))
        except InputError as error:
            raise InputError(f"liquids.{key}: {error}") from error
        held = tuple(water_held_kg_l(liquid, temp_c) for temp_c in temps_c)
        neat = cold_behavior(liquid)
        if not offer.is_brine and max_vol_frac > 0.0:
            mixed, _ = mix_liquids([(1.0 - max_vol_frac, own_brine), (max_vol_frac, liquid)])
            blended = cold_behavior(mixed)
    own_held = tuple(water_held_kg_l(own_brine, temp_c) for temp_c in temps_c)
    return LiquidValue(
        key=key,
        name=offer.name,
        supplier=offer.supplier,
        offer=offer,
        liquid=liquid,
        price_per_l=offer.delivered_price_per_l,
        held_kg_l=held,
        own_water_kg_l=0.0 if liquid is None else own_water_kg_l(liquid),
        max_vol_frac=max_vol_frac,
        neat=neat,
        blended=blended,
        findings=(
            *_product_findings(offer, practice),
            *_strength_findings(offer, held, own_held, practice),
            *_cold_findings(neat, blended, tank_min_temp_c),
            *_sheet_findings(offer),
        ),
    )


def _brine_of_salt(salt: SaltValue, own_brine: Liquid, temps_c: Sequence[float]) -> LiquidValue:
    """Return one's own brine, made of an offered salt, as it stands among bought liquids."""
    return LiquidValue(
        key=f"{salt.key}-brine",
        name=f"own brine of {salt.offer.name}",
        supplier=salt.offer.supplier,
        offer=None,
        liquid=own_brine,
        price_per_l=salt.brine_cost_per_l or 0.0,
        held_kg_l=tuple(water_held_kg_l(own_brine, temp_c) for temp_c in temps_c),
        own_water_kg_l=own_water_kg_l(own_brine),
        max_vol_frac=1.0,
        neat=cold_behavior(own_brine),
        blended=None,
        findings=tuple(one for one in salt.findings if one.is_lack),
    )


def _by_rule(
    kind: OfferFinding, rule: RuleValue, observed: float | None = None, *, is_lack: bool = True
) -> Finding:
    limit = None if isinstance(rule.value, str) else rule.value
    return Finding(kind, rule.rule.evidence, rule.rule.source, observed, limit, is_lack)


def _by_trade(kind: OfferFinding) -> Finding:
    return Finding(kind, Evidence.COMMON_PRACTICE, "")


def _sheet_findings(offer: LiquidOffer | SaltOffer) -> Iterator[Finding]:
    """Yield what any sheet may leave open."""
    if offer.assay is None:
        yield _by_trade(OfferFinding.NO_ASSAY)
    freight = offer.freight_per_kg if isinstance(offer, SaltOffer) else offer.freight_per_l
    if freight is None:
        yield Finding(OfferFinding.NO_FREIGHT, Evidence.OWN_CHOICE, "a price is one delivered")


def _product_findings(offer: LiquidOffer, practice: Practice) -> Iterator[Finding]:
    """Yield what the product is, by what is in it."""
    if not offer.names_its_chlorides:
        yield Finding(OfferFinding.TOTAL_SOLIDS, Evidence.PUBLISHED, APWA, offer.total_solids_frac)
    if is_straight_chloride(offer):
        yield _by_trade(OfferFinding.STRAIGHT_CHLORIDE)
    if offer.odor or offer.tracks_indoors:
        yield _by_trade(OfferFinding.NOT_INDOORS)
    corrosion = practice.rule_value("inhibited_corrosion_max")
    if offer.inhibited and offer.corrosion_frac is None:
        yield _by_rule(OfferFinding.INHIBITOR_UNTESTED, corrosion)
    elif (offer.corrosion_frac or 0.0) > practice.number("inhibited_corrosion_max"):
        yield _by_rule(OfferFinding.CORROSIVE, corrosion, offer.corrosion_frac)
    if offer.mgcl2 > 0.0 and practice.choice("poor_concrete_magnesium") == "refuse":
        rule = practice.rule_value("poor_concrete_magnesium")
        yield _by_rule(OfferFinding.MAGNESIUM, rule, is_lack=False)


def is_straight_chloride(offer: LiquidOffer) -> bool:
    """Whether it is calcium, magnesium or well brine without inhibitor or organics."""
    others = offer.cacl2 + offer.mgcl2 + offer.kcl
    return others > 0.0 and not offer.inhibited and offer.organic is None


def _strength_findings(
    offer: LiquidOffer,
    held_kg_l: Sequence[float],
    own_held_kg_l: Sequence[float],
    practice: Practice,
) -> Iterator[Finding]:
    """Yield whether it is mostly water: meant for a large share, or weaker than the brine."""
    if offer.is_brine:
        return
    if offer.max_vol_frac > practice.number("additive_max") + 1e-9:
        rule = practice.rule_value("additive_max")
        yield _by_rule(OfferFinding.LARGE_SHARE, rule, offer.max_vol_frac)
    pairs = tuple(zip(held_kg_l, own_held_kg_l, strict=False))
    if pairs and all(held <= own for held, own in pairs):
        yield Finding(
            OfferFinding.WEAKER_THAN_BRINE, Evidence.PUBLISHED, FREEZING_CURVES, *pairs[0]
        )


def _cold_findings(
    neat: ColdBehavior | None, blended: ColdBehavior | None, tank_min_temp_c: float | None
) -> Iterator[Finding]:
    """Yield whether a tank as cold as one's own drops crystals or freezes."""
    if tank_min_temp_c is None:
        return
    for kind, found in ((OfferFinding.COLD_TANK, neat), (OfferFinding.COLD_BLEND, blended)):
        if found is not None and tank_min_temp_c <= found.warn_below_c:
            onset_c = max(found.crystal_onset_c, found.first_solid_c)
            yield Finding(kind, Evidence.PUBLISHED, HYDRATES, onset_c, tank_min_temp_c)


# ------------------------------------------------------------------------------ salt


def _salt_value(key: str, offer: SaltOffer, offers: Offers, practice: Practice) -> SaltValue:
    salt_kg_l = sludge_kg_l = cost = None
    if offer.nacl_frac is not None and not offer.treated:
        made = batch.make_batch(
            BATCH_L,
            offers.brine_frac,
            batch.Salt(offer.nacl_frac, offer.moisture_frac or 0.0, offer.insolubles_frac or 0.0),
        )
        salt_kg_l = made.salt_kg / BATCH_L
        cost = salt_kg_l * offer.delivered_price_per_kg + (offers.making_cost_per_l or 0.0)
        if offer.insolubles_frac is not None:
            sludge_kg_l = made.sludge_kg / BATCH_L
    moisture_cost = None
    if offer.moisture_frac is not None:
        moisture_cost = offer.moisture_frac * offer.delivered_price_per_kg
    return SaltValue(
        key=key,
        offer=offer,
        is_usable=cost is not None,
        brine_cost_per_l=cost,
        salt_kg_l=salt_kg_l,
        sludge_kg_l=sludge_kg_l,
        moisture_cost_per_kg=moisture_cost,
        findings=(
            *_salt_findings(offer, sludge_kg_l, moisture_cost, practice),
            *_sheet_findings(offer),
        ),
    )


def _salt_findings(
    offer: SaltOffer,
    sludge_kg_l: float | None,
    moisture_cost_per_kg: float | None,
    practice: Practice,
) -> Iterator[Finding]:
    if offer.treated:
        yield _by_trade(OfferFinding.TREATED_SALT)
    purity = practice.rule_value("salt_nacl_min")
    dry = None
    if offer.nacl_frac is None:
        yield _by_rule(OfferFinding.PURITY_UNKNOWN, purity)
    else:  # ASTM D632 counts it dry
        dry = offer.nacl_frac / (1.0 - (offer.moisture_frac or 0.0))
        if dry < practice.number("salt_nacl_min") - 1e-9:
            yield _by_rule(OfferFinding.LOW_PURITY, purity, dry)
    if moisture_cost_per_kg is None:
        yield _by_trade(OfferFinding.MOISTURE_UNKNOWN)
    elif moisture_cost_per_kg > 0.0:
        yield Finding(
            OfferFinding.MOISTURE, Evidence.PUBLISHED, BALANCE, moisture_cost_per_kg, is_lack=False
        )
    insolubles = practice.rule_value("salt_insolubles_max")
    if offer.insolubles_frac is None:
        yield _by_rule(OfferFinding.INSOLUBLES, insolubles)
    elif offer.insolubles_frac > practice.number("salt_insolubles_max") + 1e-9:
        yield _by_rule(OfferFinding.INSOLUBLES, insolubles, offer.insolubles_frac)
    if sludge_kg_l:
        sludge_kg = sludge_kg_l * BATCH_L
        yield Finding(OfferFinding.SLUDGE, Evidence.PUBLISHED, BALANCE, sludge_kg, is_lack=False)
    if FINE_SIEVE in offer.passing_frac:
        passing = offer.passing_frac[FINE_SIEVE]
        yield Finding(OfferFinding.GRADATION, Evidence.COMMON_PRACTICE, "", passing, is_lack=False)
    else:
        yield _by_trade(OfferFinding.GRADATION_UNKNOWN)


def chloride_names(offer: LiquidOffer) -> tuple[str, ...]:
    """Return the keys of the chlorides in a product, the strongest first."""
    held = {key: getattr(offer, key) for key in CHLORIDES}
    return tuple(sorted((key for key in held if held[key] > 0.0), key=lambda key: -held[key]))
