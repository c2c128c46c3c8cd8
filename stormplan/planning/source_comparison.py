"""Comparison of sources by decision, onset, coldest pavement, snowfall and ice.

Every site is planned from every source it has; here the plans are
reduced to a ``SourceSummary`` each and compared. Raw numbers of two services always differ; only
a difference that would change a morning is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record
from stormplan.events.detection import Event, Outlook
from stormplan.events.hazards import SEVERITY_ORDER, Hazard
from stormplan.treatment.records import Action, Treatment
from stormplan.weather.forecast import CellForecast

DifferenceKind = Literal["decision", "onset", "coldest pavement", "snow", "ice"]

_ACTION_SEVERITY = {
    Action.NOTHING: 0,
    Action.UNKNOWN: 1,
    Action.WAIT: 1,
    Action.INSPECT: 1,
}  # every other action is work
_WORK_SEVERITY = 2


class SourceSummary(Record):
    """The plan of one site from one source, summarized.

    Attributes
    ----------
    source : str
        Key of the source.
    issued_at : datetime
        When it issued the forecast, UTC.
    action : Action
        The strongest action of the site's surfaces.
    hazard : Hazard or None
        What that action is about.
    onset : datetime or None
        Start of the first event, UTC.
    probability : float or None
        Probability of the likeliest event [-].
    min_pavement_temp_c : float or None
        Pavement of the coldest surface [°C].
    snowfall_cm : float
        New snow over the horizon as far as known [cm].
    ice_probability : float
        Probability of the likeliest refreeze, or ice that an event leaves [-].
    ice_until : datetime or None
        When the last of that ice ends, UTC; None without any.
    is_ice_known : bool
        Whether all is known that ice rests on: else there may be more of it.
    """

    source: str
    issued_at: AwareDatetime
    action: Action
    hazard: Hazard | None
    onset: AwareDatetime | None
    probability: float | None
    min_pavement_temp_c: float | None
    snowfall_cm: float
    ice_probability: float = 0.0
    ice_until: AwareDatetime | None = None
    is_ice_known: bool = False


class SourceDifference(Record):
    """The summary of a source that was not chosen, and how it differs.

    Attributes
    ----------
    summary : SourceSummary
        What a plan from it comes to.
    differences : tuple of str
        In what it differs from the source that was chosen.
    """

    summary: SourceSummary
    differences: tuple[DifferenceKind, ...]


def action_severity(action: Action) -> int:
    """Return the rank of an action: 0 nothing, 1 hold, 2 work."""
    return _ACTION_SEVERITY.get(action, _WORK_SEVERITY)


def summarize_source(
    cell: CellForecast, surfaces: Iterable[tuple[Outlook, Sequence[Treatment]]]
) -> SourceSummary:
    """Return the summary of one site planned from one source.

    Parameters
    ----------
    cell : CellForecast
        The forecast it was planned from.
    surfaces : iterable of (Outlook, sequence of Treatment)
        Each surface: what it faces, and what to do.
    """
    surface_results = list(surfaces)
    all_treatments = [item for _, treatments in surface_results for item in treatments]
    events = [item.event for item in all_treatments if item.event is not None]
    strongest = max(
        all_treatments,
        key=lambda item: (
            action_severity(item.action),
            -1 if item.event is None else SEVERITY_ORDER.index(item.event.hazard),
        ),
    )
    known_min_c = [outlook.min_pavement_temp_c for outlook, _ in surface_results]
    min_pavement_temp_c = min(
        (value for value in known_min_c if value == value), default=None
    )  # NaN is not itself
    ice = [period for event in events for period in _ice_periods(event)]
    return SourceSummary(
        source=cell.source,
        issued_at=cell.issued_at,
        action=strongest.action,
        hazard=None if strongest.event is None else strongest.event.hazard,
        onset=min((event.start for event in events), default=None),
        probability=max((event.probability for event in events), default=None),
        min_pavement_temp_c=None if min_pavement_temp_c is None else round(min_pavement_temp_c, 2),
        snowfall_cm=round(max(outlook.snowfall_cm for outlook, _ in surface_results), 2),
        ice_probability=round(max((probability for probability, _ in ice), default=0.0), 2),
        ice_until=max((until for _, until in ice), default=None),
        is_ice_known=not any(outlook.unknown for outlook, _ in surface_results),
    )


def _ice_periods(event: Event) -> Iterator[tuple[float, datetime]]:
    """Yield how likely the ice of a refreeze is, or of what an event leaves, and its end."""
    if event.hazard is Hazard.REFREEZE:
        yield event.probability, event.end
    elif event.ice_until is not None:
        yield event.ice_probability or 0.0, event.ice_until


def compare_sources(
    followed: SourceSummary, other: SourceSummary, practice: Practice
) -> SourceDifference:
    """Return how another source differs from the one chosen, by the rules of the site."""
    differences: list[DifferenceKind] = []
    if followed.action is not other.action:
        differences.append("decision")
    if _onsets_differ(followed.onset, other.onset, practice):
        differences.append("onset")
    if _pavements_differ(followed.min_pavement_temp_c, other.min_pavement_temp_c, practice):
        differences.append("coldest pavement")
    snow_difference_m = abs(followed.snowfall_cm - other.snowfall_cm) / 100.0
    if snow_difference_m > practice.number("source_snow_difference"):
        differences.append("snow")
    if _ice_differs(followed, other, practice):
        differences.append("ice")
    return SourceDifference(summary=other, differences=tuple(differences))


def _onsets_differ(followed: datetime | None, other: datetime | None, practice: Practice) -> bool:
    if followed is None or other is None:
        return followed is not other
    return abs(followed - other) / timedelta(hours=1) > practice.number("source_onset_difference")


def _pavements_differ(followed_c: float | None, other_c: float | None, practice: Practice) -> bool:
    if followed_c is None or other_c is None:
        return False
    is_compared = min(followed_c, other_c) <= practice.number("source_temperature_below")
    difference_k = abs(followed_c - other_c)
    return is_compared and difference_k > practice.number("source_temperature_difference")


def _ice_differs(followed: SourceSummary, other: SourceSummary, practice: Practice) -> bool:
    """Return whether one has more ice; what the other one does not know is no less of it."""
    more = round(other.ice_probability - followed.ice_probability, 2)
    limit = practice.number("source_ice_probability_difference")
    return more > limit or (other.is_ice_known and -more > limit)


def most_cautious(summaries: Sequence[SourceSummary]) -> int:
    """Return the index of the most cautious summary.

    Parameters
    ----------
    summaries : sequence of SourceSummary
        In order of preference.

    Returns
    -------
    int
        Place of the one with the strongest action, then the worst hazard, the likeliest ice to a
        tenth, the earliest onset, the coldest pavement, the most snow; of equals the preferred one.
    """

    def caution_key(index: int) -> tuple[float, ...]:
        summary = summaries[index]
        return (
            action_severity(summary.action),
            -1 if summary.hazard is None else SEVERITY_ORDER.index(summary.hazard),
            round(summary.ice_probability, 1),
            -float("inf") if summary.onset is None else -summary.onset.timestamp(),
            -float("inf") if summary.min_pavement_temp_c is None else -summary.min_pavement_temp_c,
            summary.snowfall_cm,
            -index,
        )

    return max(range(len(summaries)), key=caution_key)
