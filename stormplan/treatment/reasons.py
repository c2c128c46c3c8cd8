"""Reasons: the rule or fact behind a step of a decision, with its value, limit and source."""

from __future__ import annotations

from stormplan.company.practice_rules import Evidence, Practice
from stormplan.treatment.records import Effect, Reason


def rule_reason(
    practice: Practice, rule: str, effect: Effect, text: str, observed: float | None = None
) -> Reason:
    """Return the reason that a rule of practice gives.

    Parameters
    ----------
    practice : Practice
        The rules as they stand for the surface.
    rule : str
        Key of the rule.
    effect : str
        Whether it sets, warns or refuses.
    text : str
        What it decided.
    observed : float or None
        The value that met the rule, in the SI unit of its kind [-].

    Returns
    -------
    Reason
        With the rule's limit, evidence and source.
    """
    value = practice.rule_value(rule)
    limit = value.value if isinstance(value.value, float) else None
    return Reason(
        rule=rule,
        effect=effect,
        text=text,
        quantity_kind=value.rule.kind if limit is not None else None,
        observed=observed,
        limit=limit,
        evidence=value.rule.evidence,
        source=value.rule.source,
        set_by=value.set_by,
    )


def fact_reason(rule: str, effect: Effect, text: str, evidence: Evidence, source: str) -> Reason:
    """Return a reason that is no number of policy."""
    return Reason(rule=rule, effect=effect, text=text, evidence=evidence, source=source)
