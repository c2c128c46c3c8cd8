"""What a plan sends crews out for until the next morning, to compare mornings and policies by.

Work that a plan has for later is left to later mornings, which know more: so the mornings of a
season add up, and nothing is counted twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from stormplan.errors import ExitCode
from stormplan.planning.plan import Plan
from stormplan.treatment.records import Action, Visit

DAY = timedelta(days=1)


@dataclass(frozen=True)
class MorningWork:
    """The work of one morning's plan, or of several mornings together.

    Attributes
    ----------
    day : date
        The morning's; of several, the first.
    verdict : str
        As the plan's; empty of several.
    exit_code : ExitCode
        Whether the plan is complete; of several, the worst.
    surface_count : int
        Surfaces with work in the next 24 hours; of several, summed [-].
    pretreat_count, missed_count : int
        Pre-treats among that work, and those that no sprayer reaches in time [-].
    liquid_l : float
        Liquid, that which wets salt included [L].
    salt_kg, chloride_kg : float
        Dry salt that is spread, and chloride from all of it [kg].
    cost : float or None
        Of the material, in the company's currency; None where a price is missing.
    change_count : int
        Differences to what was issued then that are worth telling; 0 where nothing was [-].
    """

    day: date
    verdict: str
    exit_code: ExitCode
    surface_count: int
    pretreat_count: int
    missed_count: int
    liquid_l: float
    salt_kg: float
    chloride_kg: float
    cost: float | None
    change_count: int


def morning_work(plan: Plan, day: date) -> MorningWork:
    """Return the work of a plan until the next morning.

    Parameters
    ----------
    plan : Plan
        The record.
    day : date
        Whose morning it is.
    """
    end = plan.made_at + DAY
    items = [item for site in plan.sites for _, item in site.treatments]
    by_surface = [
        [visit for item in surface.treatments for visit in item.visits if _is_due(visit, plan)]
        for site in plan.sites
        for surface in site.surfaces
    ]
    visits = [visit for group in by_surface for visit in group]
    return MorningWork(
        day,
        plan.verdict,
        plan.exit_code,
        sum(map(bool, by_surface)),
        sum(visit.action is Action.PRETREAT for visit in visits),
        sum(item.missed is not None and item.missed.latest_start < end for item in items),
        sum(visit.volume_l + visit.prewet_l for visit in visits),
        sum(visit.salt_kg for visit in visits),
        sum(visit.chloride_kg for visit in visits),
        _sum_known([one.cost for one in visits if one.action.is_liquid or one.salt_kg > 0.0]),
        sum(change.worth_announcing for change in plan.changes),
    )


def _is_due(visit: Visit, plan: Plan) -> bool:
    return visit.action.is_work and visit.at < plan.made_at + DAY


def _sum_known(costs: Iterable[float | None]) -> float | None:
    total = 0.0
    for cost in costs:
        if cost is None:
            return None
        total += cost
    return total


def total_work(mornings: Sequence[MorningWork]) -> MorningWork:
    """Return the work of several mornings, at least one, together."""

    def total(name: str) -> float:
        return float(sum(getattr(one, name) for one in mornings))

    return MorningWork(
        mornings[0].day,
        "",
        max(one.exit_code for one in mornings),
        int(total("surface_count")),
        int(total("pretreat_count")),
        int(total("missed_count")),
        total("liquid_l"),
        total("salt_kg"),
        total("chloride_kg"),
        _sum_known(one.cost for one in mornings),
        int(total("change_count")),
    )
