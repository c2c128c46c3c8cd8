"""Policy: the rules of practice that each level of the sites file may set, and how they must agree.

Each rule's own limits are checked as it is read. Two rules can contradict each other where each is
within its limits; that is checked here for the values in force at every level.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field, create_model

from stormplan.company.practice_rules import (
    RULES,
    SCOPES,
    Practice,
    Rule,
    Scope,
    format_rule_value,
)
from stormplan.company.validators import Record, one_of, quantity
from stormplan.units import UnitFormatter

#: Rules that must not exceed another one: (lower, higher).
ORDERED_RULES = (
    ("brine_reject_below", "brine_accept_min"),
    ("brine_accept_min", "brine_target"),
    ("brine_target", "brine_accept_max"),
    ("brine_accept_max", "brine_reject_above"),
    ("pretreat_rate_min", "pretreat_rate_max"),
    ("pretreat_rate_min", "pretreat_rate_light_snow_max"),
    ("pretreat_rate_usual", "pretreat_rate_light_snow_max"),
    ("frost_rate_min", "frost_rate_max"),
    ("lead_min", "lead_best"),
    ("lead_best", "lead_max"),
    ("lead_min", "lead_max_frost"),
    ("light_snow_below", "heavy_snow_above"),
    ("liquid_stop_below", "liquid_warn_below"),
    ("monitor_probability", "go_probability"),
    ("monitor_probability", "go_probability_beyond_day"),
    ("additive_default", "additive_cold"),
    ("hazardous_frost", "hazardous_ice"),
    ("stale_warn_after", "stale_after"),
)


def rules_of_scope(scope: Scope) -> tuple[str, ...]:
    """Return the keys that may be set at a level.

    Examples
    --------
    >>> "horizon" in rules_of_scope("company"), "horizon" in rules_of_scope("site")
    (True, False)
    """
    level = SCOPES.index(scope)
    return tuple(key for key, rule in RULES.items() if SCOPES.index(rule.scope) >= level)


def _policy_field(rule: Rule) -> Any:
    described = Field(None, description=f"{rule.meaning}; usually {rule.default}")
    if rule.kind == "choice":
        return Annotated[str, one_of(f"choice for {rule.key}", rule.limits)] | None, described
    return Annotated[float, quantity(rule.kind, *rule.limits)] | None, described


if TYPE_CHECKING:

    class Policy(Record):
        """Rules that the company sets."""

    class SitePolicy(Record):
        """Rules that a site sets."""

    class SurfacePolicy(Record):
        """Rules that a surface sets."""

else:  # one optional, bounded field per rule: policy is checked like all else
    Policy, SitePolicy, SurfacePolicy = (
        create_model(
            name,
            __base__=Record,
            **{key: _policy_field(RULES[key]) for key in rules_of_scope(scope)},
        )
        for name, scope in zip(("Policy", "SitePolicy", "SurfacePolicy"), SCOPES, strict=True)
    )


_RULE_ORDER = {key: at for at, key in enumerate(RULES)}


def given_rules(policy: Record) -> dict[str, float | str]:
    """Return the rules that a policy sets, in SI by key."""
    given = sorted(policy.model_fields_set, key=_RULE_ORDER.__getitem__)
    return {key: value for key in given if (value := getattr(policy, key)) is not None}


def scope_remedy(key: str) -> str | None:
    """Return where a rule that stands at the wrong level belongs; None for an unknown key."""
    if key not in RULES:
        return None
    if RULES[key].scope == "company":
        return f"'{key}' holds for the whole company; move it to 'policy' at the top of the file"
    return f"'{key}' holds for a whole site; move it to the site's 'policy', or the company's"


def conflicts(
    given: Mapping[str, float | str], practice: Practice, units: UnitFormatter
) -> Iterator[tuple[str, str]]:
    """Yield rules set at one level that contradict others in force there: (key, problem).

    Parameters
    ----------
    given : mapping
        The rules set at this level, in SI, by key.
    practice : Practice
        Every rule in force there.
    units : UnitFormatter
        The reader's units.

    Yields
    ------
    str
        The key that is set here.
    str
        What it contradicts, and what would be accepted.
    """
    for low, high in ORDERED_RULES:
        if not {low, high} & given.keys() or practice.number(low) <= practice.number(high):
            continue
        key = low if low in given else high
        other = high if key == low else low
        wanted = "at most" if key == low else "at least"
        found, bound = practice.rule_value(key), practice.rule_value(other)
        said = f"{_exact(found.value, found.rule, units)} contradicts {other}"
        limit = _exact(bound.value, bound.rule, units)
        yield (
            key,
            f"{said}, {limit} ({bound.set_by}); accepted: {wanted} {limit}, or set {other} too",
        )


def _exact(value: float | str, rule: Rule, units: UnitFormatter) -> str:
    """Return a value as written: the default's own words where it is the default."""
    if value == rule.default_value:
        return rule.default
    return format_rule_value(rule.kind, value, units)
