"""What to buy for a winter: the least-cost blends, what they fail in, the ladder beside them."""

from __future__ import annotations

from collections.abc import Mapping

from stormplan.company.offers import BlendNeed, Offers
from stormplan.company.practice_rules import Evidence
from stormplan.liquids.offer_value import LiquidValue
from stormplan.operations.blend_purchase import (
    BlendCheck,
    BlendFinding,
    BlendPurchase,
    CaseBlend,
    LadderBlend,
)
from stormplan.operations.least_cost_blend import BlendLimit, LimitKind
from stormplan.units import L_PER_GAL, UnitFormatter
from stormplan.words import templating
from stormplan.words.formatting import format_percent, join_names
from stormplan.words.offers_text import WIDTH, OfferFormat, wrap_text

CAUTIONS = (
    "The least cost asks the film to be all liquid at the temperature, and knows prices and limits"
    " only. The contractors' ladder is common practice, no source; it stands beside it, and neither"
    " is mixed into the other.",
    "Labels, safety sheets and local rules come first.",
)
HALF_CENT = 0.005  # less is shown as nothing
CLASHES = "No blend does it. These cannot be met together; without any one of them the others can:"


def need_text(need: BlendNeed, units: UnitFormatter) -> str:
    """Return a case as it was asked for."""
    times = "once" if need.passes == 1 else f"{need.passes} times"
    return (
        f"{need.month}, {units.temperature(need.temp_c)}, {1000 * need.water_m:.3g} mm of water on"
        f" {units.area(need.area_m2)}, {times}"
    )


def blend_parts(
    volumes_l: Mapping[str, float], names: Mapping[str, str], units: UnitFormatter
) -> str:
    """Return a blend as volumes of its parts, each with its share where there are more."""
    total = sum(volumes_l.values())
    return " + ".join(
        f"{units.precise_volume(volume)} {names[key]}"
        + (f" ({100 * volume / total:.1f} %)" if len(volumes_l) > 1 else "")
        for key, volume in volumes_l.items()
    )


def finding_text(finding: BlendFinding, names: Mapping[str, str], units: UnitFormatter) -> str:
    """Return what a blend fails in, with how firm that is."""
    observed, limit = finding.observed or 0.0, finding.limit or 0.0
    product = names.get(finding.product or "", "")
    match finding.check:
        case BlendCheck.CRYSTALS:
            text = (
                f"a tank of it drops crystals or freezes from {units.temperature(observed)} down,"
                f" give or take some degrees; yours get down to {units.temperature(limit)}: blend"
                " it as it is loaded"
            )
        case BlendCheck.INDOORS:
            text = f"{product} smells or tracks indoors: not on entries and walks"
        case BlendCheck.MAGNESIUM:
            text = f"{product} holds magnesium: not on young or poor concrete"
        case BlendCheck.STRAIGHT_CHLORIDE:
            text = f"{product} is a straight chloride: it can flash-freeze once it is diluted"
        case BlendCheck.TOO_COLD:
            text = (
                f"at {units.temperature(observed)} no liquid goes down by your rule, which stops at"
                f" {units.temperature(limit)}"
            )
        case BlendCheck.TOO_MUCH_ADDITIVE:
            text = (
                f"additives together are {format_percent(observed)} of it; your rule is at most"
                f" {format_percent(limit)} in any blend"
            )
    if finding.evidence is Evidence.COMMON_PRACTICE or not finding.source:
        return f"{text} [{finding.evidence}]"
    return f"{text} [{finding.evidence}: {finding.source}]"


def ladder_text(ladder: LadderBlend, names: Mapping[str, str], fmt: OfferFormat) -> str:
    """Return what the contractors' ladder puts down for the same water."""
    share = 100 * ladder.additive_frac
    blend = (
        f"{100 - share:.0f}/{share:.0f} {names[ladder.additive]}"
        if ladder.additive is not None
        else "straight brine, since no additive is allowed"
    )
    over = ": over the highest rate" if ladder.is_over_ceiling else ""
    return (
        f"{blend}, {fmt.units.precise_volume(ladder.volume_l)} at"
        f" {fmt.units.liquid_rate(ladder.rate_l_m2)}{over}; {fmt.currency} {ladder.cost:,.2f},"
        " lots left aside"
    )


def limit_text(
    limit: BlendLimit, purchase: BlendPurchase, offers: Offers, units: UnitFormatter
) -> str:
    """Return a limit that clashes with others, in words."""
    needs = offers.needs
    where = "" if needs is None or limit.case is None else need_text(needs.cases[limit.case], units)
    product = None if limit.product is None else purchase.products[limit.product]
    name = "" if product is None else product.name
    match limit.kind:
        case LimitKind.HOLD:
            return f"the water to hold: {where}"
        case LimitKind.MIN_RATE:
            return f"at least {units.liquid_rate(purchase.min_rate_l_m2)}: {where}"
        case LimitKind.MAX_RATE:
            return f"at most {units.liquid_rate(purchase.max_rate_l_m2)}: {where}"
        case LimitKind.SHARE:
            most = 0.0 if product is None else product.max_vol_frac
            return f"at most {format_percent(most)} {name} in a blend: {where}"
        case LimitKind.STOCK:
            had = None if product is None or product.offer is None else product.offer.stock_l
            return f"at most {units.volume(had or 0.0)} {name} to be had"
        case LimitKind.CHLORIDE:
            budget = None if needs is None else needs.chloride_budget_kg
            return f"at most {units.mass(budget or 0.0)} chloride in all"


def ceiling_text(case: CaseBlend, fmt: OfferFormat) -> str | None:
    """Return what one more gallon under the highest rate would save; None for nothing."""
    if case.ceiling_value_per_l * L_PER_GAL < HALF_CENT:
        return None
    a_volume = "gallon" if fmt.units.is_us else "liter"
    return (
        f"the highest rate binds: one more {a_volume} under it would save {fmt.currency}"
        f" {fmt.volume_price(case.ceiling_value_per_l)}, lots left aside"
    )


def _bought_rows(purchase: BlendPurchase, fmt: OfferFormat) -> list[tuple[str, str, str]]:
    """Return what is bought: name, how much, for how much."""
    rows = []
    for value in purchase.products:
        volume = (purchase.bought_l or {}).get(value.key)
        if volume is None:
            continue
        lot = None if value.offer is None else value.offer.lot_l
        lots = "" if lot is None else f" ({volume / lot:.0f} × {fmt.units.volume(lot)})"
        cost = f"{fmt.currency} {volume * value.price_per_l:,.2f}"
        rows.append((value.name, f"{fmt.units.precise_volume(volume)}{lots}", cost))
    return rows


def _by_month(purchase: BlendPurchase) -> dict[str, dict[str, float]]:
    """Return the liquid that each month takes, by key of product [L]."""
    months: dict[str, dict[str, float]] = {}
    for case in purchase.cases:
        here = months.setdefault(case.need.month, {})
        for key, volume in case.volumes_l.items():
            here[key] = here.get(key, 0.0) + volume
    return months


def _names(products: tuple[LiquidValue, ...]) -> dict[str, str]:
    return {one.key: one.name for one in products}


def _case_lines(
    case: CaseBlend, names: Mapping[str, str], fmt: OfferFormat
) -> tuple[str, list[str], list[str]]:
    """Return the blend of a case, what to know of it, and what it fails in."""
    known = [f"practice ladder: {ladder_text(case.ladder, names, fmt)}"]
    if ceiling := ceiling_text(case, fmt):
        known.insert(0, ceiling)
    blend = (
        f"{blend_parts(case.volumes_l, names, fmt.units)}, {fmt.units.liquid_rate(case.rate_l_m2)}"
    )
    return blend, known, [finding_text(one, names, fmt.units) for one in case.findings]


def _summary(purchase: BlendPurchase, offers: Offers, fmt: OfferFormat) -> list[str]:
    """Return the sums: cost, what the ceiling adds, chloride, months."""
    budget = None if offers.needs is None else offers.needs.chloride_budget_kg
    within = "" if budget is None else f" of {fmt.units.mass(budget)}"
    names = _names(purchase.products)
    ceiling = f"The highest rate, {fmt.units.liquid_rate(purchase.max_rate_l_m2)},"
    lines = [
        f"In all {fmt.currency} {purchase.cost:,.2f}; chloride"
        f" {fmt.units.mass(purchase.chloride_kg)}{within}",
        f"{ceiling} adds {fmt.currency} {purchase.ceiling_cost:,.2f}; without it so much less"
        if purchase.ceiling_cost >= HALF_CENT
        else f"{ceiling} adds nothing to that",
    ]
    for month, volumes in _by_month(purchase).items():
        parts = join_names(
            [f"{fmt.units.precise_volume(volume)} {names[key]}" for key, volume in volumes.items()]
        )
        lines.append(f"{month}: {parts}")
    return lines


def purchase_lines(purchase: BlendPurchase, offers: Offers, formatter: UnitFormatter) -> list[str]:
    """Return the purchase for a terminal.

    Parameters
    ----------
    purchase : BlendPurchase
        As planned.
    offers : Offers
        As written.
    formatter : UnitFormatter
        The reader's units.

    Returns
    -------
    list of str
        Few wider than 88 columns.
    """
    fmt = OfferFormat(formatter, offers.currency)
    lines = wrap_text(offers.note, "") if offers.note else []
    if purchase.clash is not None:
        lines += ["", *wrap_text(CLASHES, "")]
        for limit in purchase.clash.limits:
            lines += _marked("!", limit_text(limit, purchase, offers, formatter))
        return [*lines, ""]
    lines += ["", "BUY"]
    for name, volume, cost in _bought_rows(purchase, fmt):
        lines.append(f"   {name:<38}{volume:>28}{cost:>{WIDTH - 69}}")
    for text in _summary(purchase, offers, fmt):
        lines += wrap_text(text, "   ")
    names = _names(purchase.products)
    lines += ["", "LEAST COST, CASE BY CASE"]
    for case in purchase.cases:
        blend, known, failings = _case_lines(case, names, fmt)
        lines += [need_text(case.need, formatter), *wrap_text(blend, "     ")]
        for text in failings:
            lines += _marked("!", text)
        for text in known:
            lines += _marked("·", text)
    return [*lines, "", *(line for text in CAUTIONS for line in wrap_text(text, ""))]


def _marked(mark: str, text: str) -> list[str]:
    first, *more = wrap_text(text, "     ")
    return [f"   {mark} {first[5:]}", *more]


def render_html(purchase: BlendPurchase, offers: Offers, formatter: UnitFormatter) -> str:
    """Render the purchase as a page.

    Parameters
    ----------
    purchase : BlendPurchase
        As planned.
    offers : Offers
        As written.
    formatter : UnitFormatter
        The reader's units.

    Returns
    -------
    str
        HTML without scripts or outside references.
    """
    fmt, names = OfferFormat(formatter, offers.currency), _names(purchase.products)
    has_plan = purchase.clash is None
    limits = () if purchase.clash is None else purchase.clash.limits
    return templating.render(
        "purchase.html",
        note=offers.note,
        clashes=CLASHES,
        limits=[limit_text(one, purchase, offers, formatter) for one in limits],
        bought=_bought_rows(purchase, fmt),
        summary=_summary(purchase, offers, fmt) if has_plan else [],
        cases=[
            (need_text(one.need, formatter), *_case_lines(one, names, fmt))
            for one in purchase.cases
        ],
        cautions=CAUTIONS,
    )


def purchase_values(purchase: BlendPurchase, offers: Offers) -> dict[str, object]:
    """Return the purchase as plain values in SI, their unit in the key."""
    if purchase.clash is not None:
        keys = [one.key for one in purchase.products]
        return {
            "clash": [
                {
                    "limit": str(one.kind),
                    "case": one.case,
                    "product": None if one.product is None else keys[one.product],
                }
                for one in purchase.clash.limits
            ]
        }
    return {
        "currency": offers.currency,
        "bought_l": purchase.bought_l,
        "cost": purchase.cost,
        "ceiling_cost": purchase.ceiling_cost,
        "chloride_kg": purchase.chloride_kg,
        "cases": [
            {
                "month": one.need.month,
                "temp_c": one.need.temp_c,
                "volumes_l": one.volumes_l,
                "rate_l_m2": one.rate_l_m2,
                "ceiling_value_per_l": one.ceiling_value_per_l,
                "first_solid_c": max(one.behavior.crystal_onset_c, one.behavior.first_solid_c),
                "findings": [
                    {"check": str(item.check), "evidence": str(item.evidence),
                     "source": item.source, "product": item.product}
                    for item in one.findings
                ],
                "ladder": {
                    "additive": one.ladder.additive,
                    "additive_frac": one.ladder.additive_frac,
                    "volume_l": one.ladder.volume_l,
                    "rate_l_m2": one.ladder.rate_l_m2,
                    "cost": one.ladder.cost,
                    "is_over_ceiling": one.ladder.is_over_ceiling,
                },
            }
            for one in purchase.cases
        ],
    }  # fmt: skip
