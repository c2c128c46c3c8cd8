"""What the other forecasts say, in words: where they differ from the one a site follows."""

from __future__ import annotations

from collections.abc import Iterable
from zoneinfo import ZoneInfo

from stormplan.planning.plan import Plan, SitePlan
from stormplan.planning.source_comparison import Opinion, OtherOpinion
from stormplan.words.formatting import Words, count, percent

MOST_SITES = 3  # on the first screen; the rest stand with their site


def first_screen(plan: Plan, words: Words) -> str:
    """Say in how far the forecasts agree; empty where there is only one of each place.

    Parameters
    ----------
    plan : Plan
        The record [-].
    words : Words
        The reader's units and zone [-].
    """
    heard = [site for site in plan.sites if site.others]
    if not heard:
        return ""
    lines = [line for site in heard for line in site_lines(site, words)]
    if not lines:
        names = sorted({other.opinion.source for site in heard for other in site.others})
        return f"{', '.join(names)} agree at all {count(len(heard), 'site')}"
    apart = [site for site in heard if any(other.differs for other in site.others)]
    head = f"Differs at {len(apart)} of {count(len(heard), 'site')}"
    shown = lines[:MOST_SITES]
    more = f"; and {len(lines) - len(shown)} more below" if len(lines) > len(shown) else ""
    return f"{head}: {'; '.join(shown)}{more}"


def site_lines(site: SitePlan, words: Words) -> Iterable[str]:
    """One line for each forecast that differs from the one a site follows."""
    here = Words(words.say, ZoneInfo(site.timezone))
    follows = "" if site.source is None else f"; {site.source.source} ({site.follows}) is followed"
    return [f"{site.name}: {_said(other, here)}{follows}" for other in site.others if other.differs]


def _said(other: OtherOpinion, words: Words) -> str:
    opinion = other.opinion
    parts = [_decision(opinion, words)]
    if "coldest pavement" in other.differs and opinion.coldest_surface_c is not None:
        parts.append(f"pavement down to {words.say.temp(opinion.coldest_surface_c)}")
    if "snow" in other.differs:
        parts.append(f"{words.say.snow(opinion.snow_cm)} of snow")
    return f"{opinion.source} has {', '.join(parts)}"


def _decision(opinion: Opinion, words: Words) -> str:
    if opinion.onset is None or opinion.hazard is None or opinion.probability is None:
        return "no hazard"
    likely = percent(opinion.probability)
    return f"{opinion.hazard} from {words.day(opinion.onset)}, {likely} ({opinion.action})"
