"""Text of the other forecasts: where they differ from the one a site is planned on."""

from __future__ import annotations

from collections.abc import Iterable

from stormplan.planning.plan import Plan, SitePlan
from stormplan.planning.source_comparison import SourceDifference, SourceSummary
from stormplan.words.formatting import (
    ReportFormat,
    capitalize_first,
    format_chance,
    join_names,
    pluralize,
)

MAX_SITES = 3  # on the first screen; the rest stand with their site


#: Names of the sources for readers.
SOURCE_NAMES = {
    "nws": "the National Weather Service",
    "metno": "MET Norway",
    "openmeteo": "Open-Meteo",
    "openmeteo_ensemble": "the Open-Meteo ensemble",
    "nbm": "the National Blend of Models",
    "hrrr": "the High-Resolution Rapid Refresh",
    "table": "your own table",
    "recorded": "a recorded forecast",
}


def source_name(key: str) -> str:
    """Return what a source is called; its key where it has no other name."""
    return SOURCE_NAMES.get(key, key)


def agreement_summary(plan: Plan, fmt: ReportFormat) -> str:
    """Return how far the forecasts agree; empty where each place has only one.

    Parameters
    ----------
    plan : Plan
        The record.
    fmt : ReportFormat
        The reader's units and zone.
    """
    compared = [site for site in plan.sites if site.other_sources]
    if not compared:
        return ""
    lines = [line for site in compared for line in difference_lines(site, fmt)]
    if not lines:
        names = {other.summary.source for site in compared for other in site.other_sources}
        verb = "agrees" if len(names) == 1 else "agree"
        said = capitalize_first(join_names(sorted(map(source_name, names))))
        return f"{said} {verb} at {pluralize(len(compared), 'site')}"
    differing = [
        site for site in compared if any(other.differences for other in site.other_sources)
    ]
    tail = f"Differs at {len(differing)} of {pluralize(len(compared), 'site')}"
    shown = lines[:MAX_SITES]
    more = f"; and {len(lines) - len(shown)} more below" if len(lines) > len(shown) else ""
    return f"{'; '.join(shown)}{more}. {tail}"


def difference_lines(site: SitePlan, fmt: ReportFormat) -> Iterable[str]:
    """Return a line for each forecast that differs from the one the site is planned on."""
    site_fmt = fmt.in_zone(site.timezone)
    followed = ""
    if site.source is not None and site.source_choice != "preferred":
        followed = f"; planned by {source_name(site.source.source)}, the {site.source_choice} one"
    return [
        f"{site.name}: {_difference_text(other, site_fmt)}{followed}"
        for other in site.other_sources
        if other.differences
    ]


def _difference_text(other: SourceDifference, fmt: ReportFormat) -> str:
    opinion = other.summary
    parts = [_decision(opinion, fmt)]
    if opinion.hazard is None:  # how warm and bare then does not matter
        return f"{source_name(opinion.source)} has {parts[0]}"
    if "coldest pavement" in other.differences and opinion.min_pavement_temp_c is not None:
        parts.append(f"pavement down to {fmt.units.temperature(opinion.min_pavement_temp_c)}")
    if "snow" in other.differences:
        parts.append(f"{fmt.units.snowfall(opinion.snowfall_cm)} of snow")
    if "ice" in other.differences:
        parts.append(_ice(opinion, fmt))
    return f"{source_name(opinion.source)} has {', '.join(parts)}"


def _ice(opinion: SourceSummary, fmt: ReportFormat) -> str:
    if opinion.ice_until is None:
        return "no ice afterward"
    chance = format_chance(opinion.ice_probability)
    return f"ice to {fmt.day_hour(opinion.ice_until)}, {chance} likely"


def _decision(opinion: SourceSummary, fmt: ReportFormat) -> str:
    if opinion.onset is None or opinion.hazard is None or opinion.probability is None:
        return "no hazard"
    likely = format_chance(opinion.probability)
    return f"{opinion.hazard} {likely} from {fmt.day_hour(opinion.onset)} ({opinion.action})"
