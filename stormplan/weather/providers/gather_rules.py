"""The rules of practice for gathering forecasts: how long, how far, and what may stand in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from stormplan.company.practice_rules import Practice
from stormplan.weather.providers.merge import MergeRules


@dataclass(frozen=True)
class GatherRules:
    """Rules for gathering the forecasts of all sites.

    Attributes
    ----------
    budget_s : float
        Time for all of them together [s].
    issue_time_tolerance : timedelta
        How far ahead of its receipt a time of issue is believed.
    max_cell_distance_km : float
        A cell further from the site is refused [km].
    merge : MergeRules
        What may stand in for what is missing.
    """

    budget_s: float
    issue_time_tolerance: timedelta
    max_cell_distance_km: float
    merge: MergeRules

    @classmethod
    def from_practice(cls, practice: Practice) -> GatherRules:
        """Return the rules as a company has them."""
        return cls(
            3600.0 * practice.number("gather_budget"),
            timedelta(hours=practice.number("issue_time_tolerance")),
            practice.number("max_cell_distance") / 1000.0,
            MergeRules.from_practice(practice),
        )


DEFAULT_RULES = GatherRules.from_practice(Practice())
