"""Whose forecast a site follows: everything is decided once by each, and then one is chosen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from stormplan.company.sites import Sites
from stormplan.planning import source_comparison
from stormplan.planning.site_batch import Decided
from stormplan.planning.source_comparison import OtherOpinion
from stormplan.weather.forecast import CellForecast

Follows = Literal["preferred", "more cautious"]
Found = Mapping[tuple[str, str], Decided]


@dataclass(frozen=True)
class Side:
    """Whose forecast a site follows, what is decided by it, and what the others come to."""

    cell: CellForecast | None
    decided: Found
    others: tuple[OtherOpinion, ...] = ()
    follows: Follows = "preferred"


def choose(key: str, sites: Sites, cells: Sequence[CellForecast], views: Sequence[Found]) -> Side:
    """Choose whose forecast a site follows: the preferred one, unless policy says otherwise.

    Parameters
    ----------
    key : str
        The site [-].
    sites : Sites
        The sites file, for its policy [-].
    cells : sequence of CellForecast
        The site's forecasts in order of preference; may be empty [-].
    views : sequence of mapping
        What is decided by the first forecast of every site, by the second, and so on [-].
    """
    own = [
        {at: found for at, found in view.items() if at[0] == key}
        for view, _ in zip(views, cells, strict=False)
    ]
    if len(cells) < 2:
        return Side(cells[0] if cells else None, own[0] if own else {})
    opinions = [
        source_comparison.opinion(
            cell, [(found.outlook, found.treatments) for found in view.values()]
        )
        for cell, view in zip(cells, own, strict=True)
    ]
    cautious = sites.practice(sites.sites[key]).choice("when_sources_differ") == "cautious"
    at = source_comparison.more_cautious(opinions) if cautious else 0
    others = [
        source_comparison.compare(opinions[at], one) for i, one in enumerate(opinions) if i != at
    ]
    return Side(cells[at], own[at], tuple(others), "more cautious" if at else "preferred")
