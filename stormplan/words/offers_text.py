"""Offers as they are compared: for the terminal, as a page, and as values for programs.

The figure that counts stands first, right under it what a cheap offer lacks, with a number: how
firm that is stands at the end.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stormplan.company.offers import LiquidOffer, Offers
from stormplan.company.practice_rules import Evidence
from stormplan.liquids.offer_value import (
    BATCH_L,
    Finding,
    LiquidValue,
    OfferFinding,
    OfferRanking,
    SaltValue,
    chloride_names,
)
from stormplan.units import KG_L_PER_LB_GAL, KG_PER_TON, L_PER_GAL, UnitFormatter
from stormplan.words import templating
from stormplan.words.formatting import (
    NUMBER_UNIT_SPACE,
    capitalize_first,
    format_percent,
    join_names,
)

CHLORIDE_WORDS: Mapping[str, str] = {
    "nacl": "salt",
    "cacl2": "calcium",
    "mgcl2": "magnesium",
    "kcl": "potassium",
}
WIDTH, NO_BREAK = 88, "\N{NO-BREAK SPACE}"  # of lines on a terminal
CAUTIONS = (
    "Water kept liquid is at equilibrium, the product's own water counted in; what a product does"
    " besides (inhibitor, sticking, color) has no figure here and stands in its own words.",
    "Labels, safety sheets and local rules come first.",
)


@dataclass(frozen=True)
class OfferFormat:
    """Says prices the way a buyer does.

    Attributes
    ----------
    units : UnitFormatter
        The reader's units.
    currency : str
        Of the file.
    """

    units: UnitFormatter
    currency: str

    def volume_price(self, price_per_l: float) -> str:
        """Return a price by volume, given by the liter [1/L], to the tenth of a cent if small."""
        shown = price_per_l * (L_PER_GAL if self.units.is_us else 1.0)
        return f"{shown:.3f}" if shown < 0.5 else f"{shown:.2f}"

    @property
    def volume_unit(self) -> str:
        """Unit that liquids are priced by."""
        return "gal" if self.units.is_us else "L"

    def mass_price(self, price_per_kg: float) -> str:
        """Return a price by mass, given by the kilogram [1/kg]."""
        shown = price_per_kg * (KG_PER_TON if self.units.is_us else 1000.0)
        return f"{shown:,.2f}"

    @property
    def mass_unit(self) -> str:
        """Unit that salt is priced by."""
        return "ton" if self.units.is_us else "t"

    def concentration(self, mass_kg_l: float) -> str:
        """Return mass in a volume of liquid [kg/L]."""
        if self.units.is_us:
            return f"{mass_kg_l / KG_L_PER_LB_GAL:.2f} lb"
        return f"{mass_kg_l:.3f} kg"

    def water_held(self, held_kg_l: float) -> str:
        """Return water kept liquid by a volume of product [kg/L]."""
        shown = held_kg_l * (L_PER_GAL if self.units.is_us else 1.0)
        return f"{shown:.3g} kg a {'gallon' if self.units.is_us else 'liter'}"


def chloride_phrase(offer: LiquidOffer) -> str:
    """Return what chlorides are in a product, like ``calcium`` or ``well brine``."""
    names = [CHLORIDE_WORDS[key] for key in chloride_names(offer)]
    if len(names) > 1 and "salt" in names:
        return "well brine"
    return f"{join_names(names)} chloride" if names and names != ["salt"] else "salt brine"


def _organic(value: LiquidValue) -> str:
    return "" if value.offer is None or value.offer.organic is None else value.offer.organic


def liquid_finding_text(finding: Finding, value: LiquidValue, fmt: OfferFormat) -> str:
    """Return a finding about a liquid as a sentence, without its evidence."""
    observed, limit = finding.observed or 0.0, finding.limit or 0.0
    offer, temperature = value.offer, fmt.units.temperature
    match finding.kind:
        case OfferFinding.STRAIGHT_CHLORIDE if offer is not None:
            return (
                f"straight {chloride_phrase(offer)}, no inhibitor and nothing organic: it corrodes"
                " more, and what it wets can flash-freeze once it is diluted"
            )
        case OfferFinding.LARGE_SHARE:
            water = 0.0 if value.liquid is None else value.liquid.water_frac
            parts = f"{100 - 100 * observed:.0f}/{100 * observed:.0f}"
            held = f"; {format_percent(water)} of it is water" if water else ""
            return f"meant for {parts}{held}: your rule is at most {format_percent(limit)}"
        case OfferFinding.WEAKER_THAN_BRINE:
            return (
                "mostly water: it keeps less liquid than your own brine does,"
                f" {fmt.water_held(observed)} against {fmt.water_held(limit)}"
            )
        case OfferFinding.NOT_INDOORS if offer is not None:
            does = join_names(
                [word for word, is_so in (("smells", offer.odor),
                                          ("tracks indoors", offer.tracks_indoors)) if is_so]
            )  # fmt: skip
            what = f"{offer.organic}: " if offer.organic else ""
            return f"{what}{does}: not on entries and walks"
        case OfferFinding.MAGNESIUM:
            return "magnesium: not on young or poor concrete"
        case OfferFinding.COLD_TANK:
            return (
                f"its own tank freezes or drops crystals from {temperature(observed)} down, give or"
                f" take some degrees; yours get down to {temperature(limit)}"
            )
        case OfferFinding.COLD_BLEND:
            share = format_percent(value.max_vol_frac)
            return (
                f"at {share} in your brine a tank drops crystals from {temperature(observed)} down,"
                f" give or take some degrees; yours get down to {temperature(limit)}: mix it"
                " weaker, or as it is loaded"
            )
        case OfferFinding.TOTAL_SOLIDS:
            return (
                f"the sheet says {format_percent(observed)} solids, not how much of which chloride:"
                " it cannot be compared; ask for an analysis"
            )
        case OfferFinding.INHIBITOR_UNTESTED:
            return (
                "called inhibited, without a test: asked for is at most"
                f" {format_percent(limit)} of plain salt's corrosion"
            )
        case OfferFinding.CORROSIVE:
            return (
                f"called inhibited, and corrodes {format_percent(observed)} as much as plain salt;"
                f" asked for is at most {format_percent(limit)}"
            )
    return _sheet_text(finding, fmt)


def salt_finding_text(finding: Finding, value: SaltValue, fmt: OfferFormat) -> str:
    """Return a finding about a salt as a sentence, without its evidence."""
    observed, limit = finding.observed or 0.0, finding.limit or 0.0
    match finding.kind:
        case OfferFinding.MOISTURE:
            share = 100 * (value.offer.moisture_frac or 0.0)
            return (
                f"{fmt.currency} {fmt.mass_price(observed)} of each {fmt.mass_unit} pay for its"
                f" water, {share:.1f} %"
            )
        case OfferFinding.SLUDGE:
            return (
                f"{fmt.units.mass(observed)} of sludge, dry, to clean out of every"
                f" {fmt.units.volume(BATCH_L)} of brine"
            )
        case OfferFinding.INSOLUBLES if finding.observed is None:
            return (
                "the sheet does not say what does not dissolve: it ends as sludge; asked for is at"
                f" most {100 * limit:.1f} %"
            )
        case OfferFinding.GRADATION:
            return (
                f"{format_percent(observed)} passes sieve No. 8: the finer a salt, the sooner it"
                " dissolves and the sooner it cakes; no rate is published"
            )
    return _sheet_text(finding, fmt)


def _sheet_text(finding: Finding, fmt: OfferFormat) -> str:
    """Return a finding that stands for salt and for brine made of it."""
    observed, limit = finding.observed or 0.0, finding.limit or 0.0
    match finding.kind:
        case OfferFinding.TREATED_SALT:
            return (
                "treated: refused for brine, since a float reads what was added as salt, and it"
                " clouds the brine"
            )
        case OfferFinding.LOW_PURITY:
            return (
                f"{100 * observed:.1f} % NaCl, dry; asked for is {100 * limit:.0f} %: more sludge,"
                " and a float reads what else dissolves as salt"
            )
        case OfferFinding.PURITY_UNKNOWN:
            return (
                "the sheet does not say how much NaCl: it cannot be compared; asked for is"
                f" {100 * limit:.0f} % of dry salt"
            )
        case OfferFinding.MOISTURE_UNKNOWN:
            return "the sheet does not say how wet it is: water is paid for as salt"
        case OfferFinding.INSOLUBLES:
            return (
                f"{100 * observed:.1f} % does not dissolve and ends as sludge; asked for is at most"
                f" {100 * limit:.1f} %"
            )
        case OfferFinding.GRADATION_UNKNOWN:
            return "no gradation: ask for it, since coarse salt dissolves slowly"
        case OfferFinding.NO_ASSAY:
            return "no assay: its figures are the seller's word"
        case OfferFinding.NO_FREIGHT:
            return f"delivery is not in its price: ask for {fmt.currency} with it"
    raise ValueError(f"no words for {finding.kind}")


def evidence_phrase(finding: Finding) -> str:
    """Return how firm a finding is, with its source."""
    if finding.evidence is Evidence.COMMON_PRACTICE:
        return str(finding.evidence)
    return f"{finding.evidence}: {finding.source}" if finding.source else str(finding.evidence)


# ------------------------------------------------------------------------------ rows


def _liquid_facts(value: LiquidValue, fmt: OfferFormat) -> list[str]:
    """Return what stands beside the price, in words."""
    facts = []
    if value.liquid is not None:
        facts.append(
            f"{fmt.concentration(value.salts_kg_l)} chloride salts and"
            f" {fmt.concentration(value.chloride_kg_l)} chloride a {fmt.volume_unit}"
        )
    if value.offer is not None and not value.offer.is_brine:
        facts.append(f"at most {format_percent(value.max_vol_frac)} of a blend")
    for behavior, where in ((value.neat, "neat"), (value.blended, "in the strongest blend")):
        if behavior is not None:
            onset = max(behavior.crystal_onset_c, behavior.first_solid_c)
            facts.append(f"first solid {fmt.units.temperature(onset)} {where}")
    if value.offer is not None:
        tested = value.offer.corrosion_frac
        figure = "" if tested is None else f" ({format_percent(tested)} of salt's corrosion)"
        facts.append(f"inhibited{figure}" if value.offer.inhibited else "no inhibitor")
        facts.append(_organic(value) or "nothing organic")
        facts.append("smells" if value.offer.odor else "no odor")
        facts.append("tracks indoors" if value.offer.tracks_indoors else "no tracking")
        if value.offer.lot_l is not None:
            facts.append(f"in lots of {fmt.units.volume(value.offer.lot_l)}")
    return facts


def _salt_facts(value: SaltValue, fmt: OfferFormat) -> list[str]:
    facts = [
        f"{fmt.currency} {fmt.mass_price(value.offer.delivered_price_per_kg)}/{fmt.mass_unit}"
        " delivered"
    ]
    if value.offer.nacl_frac is not None:
        facts.append(f"{100 * value.offer.nacl_frac:.1f} % NaCl as delivered")
    if value.salt_kg_l is not None:
        facts.append(f"{fmt.concentration(value.salt_kg_l)} of it a {fmt.volume_unit} of brine")
    return facts


class _Notes:
    """How firm findings are, each said once and numbered as it first comes."""

    def __init__(self) -> None:
        self.phrases: list[str] = []

    def number(self, finding: Finding) -> int:
        phrase = evidence_phrase(finding)
        if phrase not in self.phrases:
            self.phrases.append(phrase)
        return self.phrases.index(phrase) + 1


def _liquid_findings(
    value: LiquidValue, fmt: OfferFormat, notes: _Notes
) -> list[tuple[bool, str, int | None]]:
    """Return whether each is a lack, its sentence, and the number of its note."""
    if value.offer is None:
        return [(True, "of a salt that lacks something: see below", None)] if value.findings else []
    return [
        (one.is_lack, liquid_finding_text(one, value, fmt), notes.number(one))
        for one in sorted(value.findings, key=lambda one: not one.is_lack)
    ]


def _salt_findings(
    value: SaltValue, fmt: OfferFormat, notes: _Notes
) -> list[tuple[bool, str, int | None]]:
    return [
        (one.is_lack, salt_finding_text(one, value, fmt), notes.number(one))
        for one in sorted(value.findings, key=lambda one: not one.is_lack)
    ]


def heading_text(ranking: OfferRanking, offers: Offers, fmt: OfferFormat, temps_from: str) -> str:
    """Return what the ranking goes by, in a sentence."""
    temps = join_names([fmt.units.temperature(one) for one in ranking.working_temps_c])
    return (
        f"{offers.currency} for 100 kg of water kept liquid on pavement at {temps}"
        f" ({temps_from}), with delivery as far as it is known"
    )


def offer_lines(
    ranking: OfferRanking, offers: Offers, formatter: UnitFormatter, temps_from: str
) -> list[str]:
    """Return the ranking for a terminal.

    Parameters
    ----------
    ranking : OfferRanking
        As computed.
    offers : Offers
        As written.
    formatter : UnitFormatter
        The reader's units.
    temps_from : str
        Where the working temperatures come from.

    Returns
    -------
    list of str
        Few wider than 88 columns.
    """
    fmt, notes = OfferFormat(formatter, offers.currency), _Notes()
    temps = [formatter.temperature(one) for one in ranking.working_temps_c]
    lines = [*wrap_text(heading_text(ranking, offers, fmt, temps_from) + ".", "")]
    if offers.note:
        lines += wrap_text(offers.note, "")
    lines += ["", _row("LIQUIDS", temps, f"{offers.currency}/{fmt.volume_unit}")]
    for rank, value in enumerate(ranking.liquids, start=1):
        costs = [f"{100 * cost:.2f}" for cost in value.costs_per_kg] or ["?"] * len(temps)
        place = f"{rank:>2}" if value.costs_per_kg else " -"
        lines.append(_row(f"{place} {value.name}", costs, fmt.volume_price(value.price_per_l)))
        lines += wrap_text(f"{value.supplier}; {'; '.join(_liquid_facts(value, fmt))}", "     ")
        lines += _finding_lines(_liquid_findings(value, fmt, notes))
    if ranking.salts:
        unit = f"{offers.currency}/{fmt.volume_unit} brine"
        strength = f"{100 * offers.brine_frac:.1f} %"
        made = "salt and making" if offers.making_cost_per_l is not None else "salt alone"
        lines += ["", f"{f'SALT, as brine of {strength}, {made}':<66}{unit:>20}"]
        for rank, salt in enumerate(ranking.salts, start=1):
            cost = salt.brine_cost_per_l
            told = fmt.volume_price(cost) if cost is not None else _no_cost(salt)
            place = f"{rank:>2}" if cost is not None else " -"
            lines.append(f"{f'{place} {salt.offer.name}':<66}{told:>20}")
            lines += wrap_text(
                f"{salt.offer.supplier}; {'; '.join(_salt_facts(salt, fmt))}", "     "
            )
            lines += _finding_lines(_salt_findings(salt, fmt, notes))
    lines += ["", "HOW FIRM"]
    for number, phrase in enumerate(notes.phrases, start=1):
        note = wrap_text(phrase, "     ")
        lines += [f"{f'[{number}]':<5}{note[0][5:]}", *note[1:]]
    return [*lines, "", *(line for text in CAUTIONS for line in wrap_text(text, ""))]


def _no_cost(salt: SaltValue) -> str:
    return "refused" if salt.offer.treated else "not known"


def _row(name: str, costs: Sequence[str], price: str) -> str:
    return f"{name:<44}" + "".join(f"{cost:>9}" for cost in costs) + f"{price:>10}"


def _finding_lines(findings: Sequence[tuple[bool, str, int | None]]) -> list[str]:
    lines: list[str] = []
    for is_lack, text, note in findings:
        mark = "   ! " if is_lack else "   · "
        wrapped = wrap_text(text if note is None else f"{text}{NO_BREAK}[{note}]", "     ")
        lines += [mark + wrapped[0][5:], *wrapped[1:]]
    return lines


def wrap_text(text: str, indent: str) -> list[str]:
    """Return text as lines for a terminal, no number parted from its unit."""
    kept = NUMBER_UNIT_SPACE.sub(NO_BREAK, text)
    wrapped = textwrap.wrap(kept, WIDTH, initial_indent=indent, subsequent_indent=indent)
    return [line.replace(NO_BREAK, " ") for line in wrapped]


# ------------------------------------------------------------------------------ page and values


def render_html(
    ranking: OfferRanking, offers: Offers, formatter: UnitFormatter, temps_from: str
) -> str:
    """Render the ranking as a page.

    Parameters
    ----------
    ranking : OfferRanking
        As computed.
    offers : Offers
        As written.
    formatter : UnitFormatter
        The reader's units.
    temps_from : str
        Where the working temperatures come from.

    Returns
    -------
    str
        HTML without scripts or outside references.
    """
    fmt, notes = OfferFormat(formatter, offers.currency), _Notes()
    liquids = [
        {
            "name": value.name,
            "supplier": value.supplier,
            "costs": [f"{100 * cost:.2f}" for cost in value.costs_per_kg],
            "price": fmt.volume_price(value.price_per_l),
            "facts": [capitalize_first(one) for one in _liquid_facts(value, fmt)],
            "findings": _liquid_findings(value, fmt, notes),
        }
        for value in ranking.liquids
    ]
    salts = [
        {
            "name": salt.offer.name,
            "supplier": salt.offer.supplier,
            "cost": _no_cost(salt)
            if salt.brine_cost_per_l is None
            else fmt.volume_price(salt.brine_cost_per_l),
            "facts": [capitalize_first(one) for one in _salt_facts(salt, fmt)],
            "findings": _salt_findings(salt, fmt, notes),
        }
        for salt in ranking.salts
    ]
    return templating.render(
        "offers.html",
        heading=heading_text(ranking, offers, fmt, temps_from),
        note=offers.note,
        temps=[formatter.temperature(one) for one in ranking.working_temps_c],
        price_unit=f"{offers.currency}/{fmt.volume_unit}",
        strength=f"{100 * offers.brine_frac:.1f} %",
        with_making=offers.making_cost_per_l is not None,
        liquids=liquids,
        salts=salts,
        notes=notes.phrases,
        cautions=CAUTIONS,
    )


def offer_values(ranking: OfferRanking, offers: Offers) -> dict[str, object]:
    """Return the ranking as plain values in SI, their unit in the key."""
    return {
        "currency": offers.currency,
        "working_temps_c": list(ranking.working_temps_c),
        "liquids": [
            {
                "key": value.key,
                "name": value.name,
                "supplier": value.supplier,
                "price_per_l": value.price_per_l,
                "water_held_kg_l": list(value.held_kg_l),
                "own_water_kg_l": value.own_water_kg_l if value.liquid is not None else None,
                "cost_per_kg_water": list(value.costs_per_kg),
                "chloride_salts_kg_l": value.salts_kg_l if value.liquid is not None else None,
                "chloride_kg_l": value.chloride_kg_l if value.liquid is not None else None,
                "max_vol_frac": value.max_vol_frac,
                "findings": [_finding_values(one) for one in value.findings],
            }
            for value in ranking.liquids
        ],
        "salts": [
            {
                "key": salt.key,
                "name": salt.offer.name,
                "supplier": salt.offer.supplier,
                "brine_cost_per_l": salt.brine_cost_per_l,
                "salt_kg_l": salt.salt_kg_l,
                "sludge_kg_l": salt.sludge_kg_l,
                "moisture_cost_per_kg": salt.moisture_cost_per_kg,
                "findings": [_finding_values(one) for one in salt.findings],
            }
            for salt in ranking.salts
        ],
    }


def _finding_values(finding: Finding) -> dict[str, object]:
    return {
        "kind": str(finding.kind),
        "evidence": str(finding.evidence),
        "source": finding.source,
        "observed": finding.observed,
        "limit": finding.limit,
        "is_lack": finding.is_lack,
    }
