"""The forecast source a site is planned from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from stormplan.company.sites import Sites
from stormplan.planning import source_comparison
from stormplan.planning.site_batch import SurfaceDecision
from stormplan.planning.source_comparison import SourceDifference
from stormplan.weather.forecast import CellForecast

SourceChoice = Literal["preferred", "more cautious"]
SurfaceDecisions = Mapping[tuple[str, str], SurfaceDecision]


@dataclass(frozen=True)
class SourceDecision:
    """The source chosen for a site, its decisions, and the other sources."""

    cell: CellForecast | None
    decisions: SurfaceDecisions
    other_sources: tuple[SourceDifference, ...] = ()
    source_choice: SourceChoice = "preferred"


def select_source(
    key: str,
    sites: Sites,
    cells: Sequence[CellForecast],
    decisions_by_rank: Sequence[SurfaceDecisions],
) -> SourceDecision:
    """Return the source chosen for a site: the preferred one unless policy differs.

    Parameters
    ----------
    key : str
        The site.
    sites : Sites
        The sites file, for its policy.
    cells : sequence of CellForecast
        The site's forecasts in order of preference; may be empty.
    decisions_by_rank : sequence of mapping
        What is decided by the first forecast of every site, by the second, and so on.
    """
    surfaces = [(key, surface) for surface in sites.sites[key].surfaces]
    site_decisions = [
        {at: view[at] for at in surfaces if at in view}
        for view, _ in zip(decisions_by_rank, cells, strict=False)
    ]
    if len(cells) < 2:
        return SourceDecision(
            cells[0] if cells else None, site_decisions[0] if site_decisions else {}
        )
    summaries = [
        source_comparison.summarize_source(
            cell, [(found.outlook, found.treatments) for found in view.values()]
        )
        for cell, view in zip(cells, site_decisions, strict=True)
    ]
    practice = sites.practice(sites.sites[key])
    prefers_cautious = practice.choice("when_sources_differ") == "cautious"
    at = source_comparison.most_cautious(summaries) if prefers_cautious else 0
    others = [
        source_comparison.compare_sources(summaries[at], one, practice)
        for i, one in enumerate(summaries)
        if i != at
    ]
    return SourceDecision(
        cells[at], site_decisions[at], tuple(others), "more cautious" if at else "preferred"
    )
