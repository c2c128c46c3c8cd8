"""The receiving sheet: what was found at a truck, what becomes of the load, and what is paid.

One page for the yard's file and the supplier; what nobody looked at has a blank to write in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from stormplan.liquids.acceptance import Check, Finding, LoadJudgment, Outcome
from stormplan.units import UnitFormatter
from stormplan.words import templating
from stormplan.words.formatting import capitalize_first, pluralize

OUTCOME_TEXT: Mapping[Outcome, str] = {
    Outcome.ACCEPT: "good",
    Outcome.DEDUCT: "deduct",
    Outcome.HOLD: "hold",
    Outcome.REJECT: "reject",
}
HEADLINE: Mapping[Outcome, str] = {
    Outcome.ACCEPT: "Accept, pay in full",
    Outcome.DEDUCT: "Accept, and deduct",
    Outcome.HOLD: "Hold: do not unload yet",
    Outcome.REJECT: "Reject: send it back",
}
#: What to do about a check that nobody did.
HOW_TO: Mapping[Check, str] = {
    Check.PAPERS: "product, batch, certified weights, percent of which chloride, gravity at which"
    " temperature",
    Check.LOOK: "color, smell, clots, foam against the sample of the last good load",
    Check.TREATED: "ask",
    Check.SIEVE: "pour a pail through a No. 10 sieve, weigh what stays",
    Check.SEDIMENT: "a liter in a clear jar until nothing more settles",
    Check.STRENGTH: "float and thermometer in a tall jar, clean, read at the level of the liquid",
    Check.REFRACTOMETER: "a drop on the clean, zeroed prism",
    Check.WEIGHT: "gross less tare off the certified ticket",
    Check.ROOM: "dip the tank",
    Check.MOISTURE: "weigh a sample, dry it at 230 °F (110 °C), weigh again",
    Check.PURITY: "the supplier's assay, or a laboratory's",
    Check.GRADATION: "a dried sample from six places, the top 3 in scraped off, about 30 lb",
    Check.TRACE: "the supplier's analysis of the batch",
}
KEEP_SAMPLE = (
    "Keep a labeled quart (of salt, a sealed bag) of this load until the season ends:"
    " product, batch, date, ticket."
)
HANDLING = (
    "Goggles and gloves; stay clear of hoses under pressure.",
    "Read the tank before and after; nobody opens a valve alone at night.",
    "What is held or rejected goes into no tank and onto no pile.",
)


@dataclass(frozen=True)
class LoadAbout:
    """What a load is, as its sheet tells.

    Attributes
    ----------
    yard, product, amount : str
        Where it came, what, and how much.
    into : str
        The store it is for.
    received_at : str
        When.
    by, ticket, batch, note : str
        Who looked, the supplier's numbers, and what else there is to say.
    to_pay : str
        What the load costs, and what of it is paid; empty where the price is not known.
    """

    yard: str
    product: str
    amount: str
    into: str
    received_at: str
    by: str = ""
    ticket: str = ""
    batch: str = ""
    note: str = ""
    to_pay: str = ""


FindingRow = tuple[str, str, str, str, str]


def finding_row(found: Finding, fmt: UnitFormatter) -> FindingRow:
    """Return a finding as check, found, accepted, outcome and source."""
    observed = ""
    if found.of == "states solids":
        observed = "papers state solids, not a chloride: ask for the analysis"
    elif found.observed is not None:
        observed = _quantity(found.kind, found.observed, fmt)
        if found.half_width > 0.0:
            observed += f" ± {100 * found.half_width:.1f}"
    elif found.check is Check.TREATED:
        observed = "treated: keep it out of the brine maker"
    else:
        observed = "in order" if found.outcome is Outcome.ACCEPT else "not in order"
    label = found.check.value
    if found.of and found.of != "states solids":
        label = f"{label}, {found.of}"
    outcome = OUTCOME_TEXT[found.outcome]
    if found.pay_factor < 1.0:
        outcome += f", pay {100 * found.pay_factor:.1f} %"
    if found.is_close:
        outcome += "; too close to call, send the sample to a laboratory"
    standing = found.standing
    source = f"{standing.evidence}: {standing.source}" if standing.source else ""
    return capitalize_first(label), observed, _limits(found, fmt), outcome, source


def _quantity(kind: str, value: float, fmt: UnitFormatter) -> str:
    match kind:
        case "percentage":
            return f"{100 * value:.1f} %"
        case "mass":
            return fmt.mass(value)
        case "volume":
            return fmt.volume(value)
        case _:
            return f"{value:g} {kind}"


def _limits(found: Finding, fmt: UnitFormatter) -> str:
    if found.low is None and found.high is None:
        return ""
    if found.low is None or found.high is None:
        side, value = ("at most", found.high) if found.low is None else ("at least", found.low)
        return f"{side} {_quantity(found.kind, value or 0.0, fmt)}"
    low, high = (_quantity(found.kind, one, fmt) for one in (found.low, found.high))
    return f"{low.removesuffix(' %')} to {high}"


def headline(judged: LoadJudgment) -> str:
    """Return what becomes of the load, in a line."""
    text = HEADLINE[judged.outcome]
    if judged.outcome is Outcome.DEDUCT or (
        judged.outcome is Outcome.HOLD and judged.pay_factor < 1.0
    ):
        text += f": pay {100 * judged.pay_factor:.1f} % of the price"
    if judged.not_done and judged.outcome in (Outcome.ACCEPT, Outcome.DEDUCT):
        text += f", by what was checked: {pluralize(len(judged.not_done), 'check')} not done"
    return text


def pay_text(judged: LoadJudgment, full_cost: float, currency: str) -> str:
    """Return what is paid of what a load costs in full, in the company's currency."""
    text = f"{currency} {full_cost:,.0f} in full"
    if judged.outcome in (Outcome.ACCEPT, Outcome.DEDUCT) and judged.pay_factor < 1.0:
        text += f"; pay {currency} {judged.pay_factor * full_cost:,.0f}"
    return text


def first_solid_text(judged: LoadJudgment, fmt: UnitFormatter) -> str:
    """Return at which temperature a liquid drops something; empty where that is not known."""
    if judged.first_solid_c is None:
        return ""
    if judged.first_solid_c == math.inf:
        return "As read, it drops salt at any tank temperature."
    return f"As read, the first ice or crystals come at {fmt.temperature(judged.first_solid_c)}."


def text_lines(judged: LoadJudgment, fmt: UnitFormatter) -> Iterable[str]:
    """Yield the judgment for a terminal."""
    yield headline(judged).upper() if judged.outcome is Outcome.REJECT else headline(judged)
    for found in judged.findings:
        label, observed, limits, outcome, _ = finding_row(found, fmt)
        accepted = f" (accepted {limits})" if limits else ""
        yield f"  {label:24s} {observed}{accepted}: {outcome}"
    cold = first_solid_text(judged, fmt)
    if cold:
        yield f"  {cold}"
    for check in judged.not_done:
        yield f"  {capitalize_first(check.value):24s} NOT DONE: {HOW_TO[check]}"


def render_html(judged: LoadJudgment, about: LoadAbout, company: str, fmt: UnitFormatter) -> str:
    """Render the receiving sheet.

    Parameters
    ----------
    judged : LoadJudgment
        What was found.
    about : LoadAbout
        What the load is.
    company : str
        Whose yard.
    fmt : UnitFormatter
        The reader's units.

    Returns
    -------
    str
        HTML without scripts or outside references.
    """
    return templating.render(
        "receiving.html",
        company=company,
        about=about,
        headline=headline(judged),
        is_alarm=judged.outcome in (Outcome.HOLD, Outcome.REJECT),
        rows=[finding_row(one, fmt) for one in judged.findings],
        cold=first_solid_text(judged, fmt),
        blanks=[(capitalize_first(one.value), HOW_TO[one]) for one in judged.not_done],
        sample=KEEP_SAMPLE,
        handling=HANDLING,
    )
