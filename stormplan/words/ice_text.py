"""Text of the ice that storms leave: where, from when until when, and how likely at worst."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from stormplan.events.detection import Event
from stormplan.planning.plan import SitePlan
from stormplan.words.formatting import ReportFormat, format_chance, pluralize


@dataclass(frozen=True)
class IcePeriod:
    """Ice that an event leaves on a surface.

    Attributes
    ----------
    site : SitePlan
        Where.
    start, end : datetime
        Its hours, aware.
    probability : float
        The worst, untreated or at any stage of what is planned [-].
    probability_as_planned : float or None
        Once all that is planned is done; None where nothing is put down [-].
    """

    site: SitePlan
    start: datetime
    end: datetime
    probability: float
    probability_as_planned: float | None


def ice_probability(event: Event) -> float:
    """Return the chance of the ice that an event leaves, the event's own if not known [-]."""
    return event.probability if event.ice_probability is None else event.ice_probability


def ice_periods(sites: Iterable[SitePlan]) -> list[IcePeriod]:
    """Return the ice that the events of some sites leave, in order of time."""
    found = [
        IcePeriod(
            site,
            item.event.end,
            item.event.ice_until,
            ice_probability(item.event),
            item.event.probability_as_planned,
        )
        for site in sites
        for _, item in site.treatments
        if item.event is not None and item.event.ice_until is not None
    ]
    return sorted(found, key=lambda each: each.start)


def ice_hours(periods: Sequence[IcePeriod], fmt: ReportFormat) -> str:
    """Return from when until when some ice lies, from the first of it to the last."""
    return fmt.time_range(min(one.start for one in periods), max(one.end for one in periods))


def worst_ice_chance(periods: Sequence[IcePeriod]) -> str:
    """Return how likely some ice is at worst."""
    return _worst([one.probability for one in periods])


def ice_summary(periods: Sequence[IcePeriod], fmt: ReportFormat) -> str:
    """Return some ice as short as the first screen has it, at its worst; empty for none."""
    if not periods:
        return ""
    names = list({one.site.key: one.site.name for one in periods}.values())
    where = names[0] if len(names) == 1 else pluralize(len(names), "site")
    text = f"{worst_ice_chance(periods)}, {ice_hours(periods, fmt)} ({where})"
    left = _probabilities_left(periods)
    return f"{text}; {format_chance(max(left))} if treated" if left else text


def ice_chances(periods: Sequence[IcePeriod]) -> str:
    """Return how likely some ice is at worst, and once all that is planned is done."""
    worst, left = worst_ice_chance(periods), _probabilities_left(periods)
    return f"{worst} likely; {_as_planned(_worst(left), worst)}" if left else f"{worst} likely"


def _probabilities_left(periods: Sequence[IcePeriod]) -> list[float]:
    """Return the chances once all that is planned is done; none where nothing is put down.

    Where nothing is put down on one of several surfaces, all of its ice is left.
    """
    if all(one.probability_as_planned is None for one in periods):
        return []
    return [
        one.probability if one.probability_as_planned is None else one.probability_as_planned
        for one in periods
    ]


def ice_clause(event: Event, fmt: ReportFormat) -> str:
    """Return the ice that an event leaves, as part of a line about it; empty for none."""
    if event.ice_until is None:
        return ""
    chance = format_chance(ice_probability(event))
    text = f"ice afterward to {fmt.day_hour(event.ice_until)}, {chance} likely"
    if event.probability_as_planned is None:
        return text
    return f"{text}, {_as_planned(format_chance(event.probability_as_planned), chance)}"


def _worst(probabilities: Sequence[float]) -> str:
    """Return the highest of some chances, and that it is one of several."""
    highest = format_chance(max(probabilities))
    is_range = len(set(map(format_chance, probabilities))) > 1 and not highest.startswith("over")
    return f"up to {highest}" if is_range else highest


def _as_planned(left: str, worst: str) -> str:
    return f"{'as likely' if left == worst else left} with all planned work done"
