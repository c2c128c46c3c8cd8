"""Differences between a plan and the last one announced.

Two plans are reduced to a summary, what is done where, when, with how much and on which forecast,
and compared surface by surface. Each difference is a record with its size; whether it is worth
telling is policy. Comparing reads only what a plan of any version has.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Literal

from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record
from stormplan.events.hazards import Hazard
from stormplan.treatment.records import WORK, Action

PracticeLookup = Callable[[str, str], Practice]  # keys of a site and its surface

CREW_ACTIONS = frozenset(str(action) for action in WORK)  # what a crew goes out for

ChangeKind = Literal[
    "verdict",
    "first start",
    "added",
    "removed",
    "work added",
    "work removed",
    "action",
    "event",
    "earlier",
    "later",
    "colder",
    "warmer",
    "more",
    "less",
    "ice more likely",
    "ice less likely",
    "forecast lost",
    "forecast restored",
    "source",
    "stale",
    "no longer stale",
]


class Change(Record):
    """One difference between two plans.

    Attributes
    ----------
    kind : str
        What differs.
    site, surface : str
        Names of the site and surface; empty where the difference is of the whole plan or site.
    before, after : str, float or None
        The value then and now, in SI, times in ISO 8601 UTC; None where there is none.
    worth_announcing : bool
        Whether policy has it told.
    """

    kind: ChangeKind
    site: str = ""
    surface: str = ""
    before: str | float | None = None
    after: str | float | None = None
    worth_announcing: bool = True


@dataclass(frozen=True)
class SurfaceSummary:
    """The compared values of one surface of a plan.

    The coldest is of the event, not of all hours planned: those move on with every plan. Ice is
    that of refreezes and what storms leave: the one becomes the other once the storm is over. Where
    something is not known for some hours, less of it that is seen says nothing.
    """

    name: str
    action: str
    hazard: str
    onset: datetime | None
    volume_l: float
    min_pavement_temp_c: float | None
    ice_probability: float | None = None
    is_ice_known: bool = True

    @property
    def needs_crew(self) -> bool:
        """Whether a crew is needed."""
        return self.action in CREW_ACTIONS


@dataclass(frozen=True)
class SiteSummary:
    """The compared values of one site; ``source`` is None without forecast."""

    name: str
    source: str | None
    stale: bool
    surfaces: Mapping[str, SurfaceSummary] = field(default_factory=dict)

    @property
    def needs_crew(self) -> bool:
        """Whether a crew is needed."""
        return any(surface.needs_crew for surface in self.surfaces.values())


@dataclass(frozen=True)
class PlanSummary:
    """The compared values of a plan."""

    verdict: str
    first_start: datetime | None
    sites: Mapping[str, SiteSummary]


def summarize_plan(document: Mapping[str, Any], now: datetime) -> PlanSummary:
    """Return the compared values of a plan.

    Parameters
    ----------
    document : mapping
        A plan as JSON, of this schema version.
    now : datetime
        Moment of the newer plan, aware: events that were over by then are left out, and what had
        begun counts as beginning then, so that the passing of time alone is no change.

    Returns
    -------
    PlanSummary
        Its compared values.

    """
    return PlanSummary(
        verdict=document["verdict"],
        first_start=_not_before(document["first_start"], now),
        sites={site["key"]: _summarize_site(site, now) for site in document["sites"]},
    )


def _summarize_site(site: Mapping[str, Any], now: datetime) -> SiteSummary:
    source = site["source"]
    return SiteSummary(
        name=site["name"],
        source=None if source is None else source["source"],
        stale=source is not None and source["stale"],
        surfaces={surface["key"]: _summarize_surface(surface, now) for surface in site["surfaces"]},
    )


def _summarize_surface(surface: Mapping[str, Any], now: datetime) -> SurfaceSummary:
    upcoming = [
        item
        for item in surface["treatments"]
        if item["event"] is not None and (_parse_time(item["event"]["end"]) or now) > now
    ]
    first = min(
        upcoming,
        key=lambda item: (item["action"] not in CREW_ACTIONS, item["event"]["start"]),
        default=None,
    )
    return SurfaceSummary(
        name=surface["name"],
        action="nothing" if first is None else first["action"],
        hazard="" if first is None else first["event"]["hazard"],
        onset=None if first is None else _not_before(first["event"]["start"], now),
        volume_l=sum(item.get("volume_l", 0.0) for item in upcoming),
        min_pavement_temp_c=None if first is None else first["event"]["min_pavement_temp_c"],
        ice_probability=max(_ice_probabilities(surface, now), default=None),
        is_ice_known=all(map(_is_known, surface["treatments"])),
    )


def _is_known(treatment: Mapping[str, Any]) -> bool:
    """Return whether a treatment was decided with all known that it rests on."""
    event = treatment["event"]
    if event is None:
        return bool(treatment["action"] != Action.UNKNOWN)
    return not event.get("unknown")


def _ice_probabilities(surface: Mapping[str, Any], now: datetime) -> Iterator[float]:
    """Yield how likely each ice still to come is: refreezes, and what storms leave."""
    for event in (item["event"] for item in surface["treatments"] if item["event"] is not None):
        is_refreeze = event["hazard"] == Hazard.REFREEZE
        until = _parse_time(event["end" if is_refreeze else "ice_until"])
        own = None if is_refreeze else event.get("ice_probability")  # older plans have the storm's
        if until is not None and until > now:
            yield event["probability"] if own is None else own


def _parse_time(text: str | datetime | None) -> datetime | None:
    return datetime.fromisoformat(text) if isinstance(text, str) else text


def _not_before(text: str | datetime | None, now: datetime) -> datetime | None:
    moment = _parse_time(text)
    return None if moment is None else max(moment, now)


def compare_plans(
    before: PlanSummary,
    after: PlanSummary,
    practice: Practice,
    practice_lookup: PracticeLookup | None = None,
) -> tuple[Change, ...]:
    """Return the differences, of the whole plan first, then by site.

    Parameters
    ----------
    before, after : PlanSummary
        The plan last announced, and the new one.
    practice : Practice
        Says from which size a difference is worth telling.
    practice_lookup : callable, optional
        The same for a surface, by the keys of site and surface, where they set their own.

    Returns
    -------
    tuple of Change
        Empty if nothing is.
    """
    changes = list(_plan_changes(before, after, practice))
    for key in [*after.sites, *(key for key in before.sites if key not in after.sites)]:
        old, new = before.sites.get(key), after.sites.get(key)
        if old is None and new is not None:
            changes.append(Change(kind="added", site=new.name))
        elif new is None and old is not None:
            changes.append(Change(kind="removed", site=old.name))
        elif old is not None and new is not None:
            changes.extend(_site_changes(key, old, new, practice_lookup or (lambda *_: practice)))
    return tuple(changes)


def any_material(changes: tuple[Change, ...]) -> bool:
    """Return whether any change is worth announcing."""
    return any(change.worth_announcing for change in changes)


def _plan_changes(before: PlanSummary, after: PlanSummary, practice: Practice) -> Iterator[Change]:
    if before.verdict != after.verdict:
        yield Change(kind="verdict", before=before.verdict, after=after.verdict)
    if before.first_start and after.first_start and before.first_start != after.first_start:
        yield Change(
            kind="first start",
            before=before.first_start.isoformat(),
            after=after.first_start.isoformat(),
            worth_announcing=_start_moved(before.first_start, after.first_start, practice),
        )


def _site_changes(
    key: str, old: SiteSummary, new: SiteSummary, practice_lookup: PracticeLookup
) -> Iterator[Change]:
    if old.source is None or new.source is None:
        if old.source != new.source:
            yield Change(
                kind="forecast lost" if new.source is None else "forecast restored",
                site=new.name,
                before=old.source,
                after=new.source,
            )
        return
    if old.source != new.source:
        yield Change(kind="source", site=new.name, before=old.source, after=new.source)
    if old.stale != new.stale:
        yield Change(kind="stale" if new.stale else "no longer stale", site=new.name)
    if old.needs_crew != new.needs_crew:
        yield Change(kind="work added" if new.needs_crew else "work removed", site=new.name)
    for surface_key, surface in new.surfaces.items():
        if surface_key in old.surfaces:
            practice = practice_lookup(key, surface_key)
            yield from _surface_changes(new, old.surfaces[surface_key], surface, practice)


def _surface_changes(
    site: SiteSummary, old: SurfaceSummary, new: SurfaceSummary, practice: Practice
) -> Iterator[Change]:
    def change(
        kind: ChangeKind, before: object, after: object, worth_announcing: bool = True
    ) -> Change:
        return Change.model_validate(
            {
                "kind": kind,
                "site": site.name,
                "surface": new.name,
                "before": before,
                "after": after,
                "worth_announcing": worth_announcing,
            }
        )

    if old.action != new.action:
        yield change("action", old.action, new.action)
    if old.hazard and new.hazard and old.hazard != new.hazard:
        yield change(
            "event", old.hazard, new.hazard, worth_announcing=old.needs_crew or new.needs_crew
        )
    if old.onset and new.onset and old.onset != new.onset:
        yield change(
            "earlier" if new.onset < old.onset else "later",
            old.onset.isoformat(),
            new.onset.isoformat(),
            _start_moved(old.onset, new.onset, practice) and (old.needs_crew or new.needs_crew),
        )
    if (
        old.min_pavement_temp_c is not None
        and new.min_pavement_temp_c is not None
        and old.min_pavement_temp_c != new.min_pavement_temp_c
    ):
        difference_k = abs(new.min_pavement_temp_c - old.min_pavement_temp_c)
        yield change(
            "colder" if new.min_pavement_temp_c < old.min_pavement_temp_c else "warmer",
            old.min_pavement_temp_c,
            new.min_pavement_temp_c,
            difference_k >= practice.number("announce_temperature_change")
            and (old.needs_crew or new.needs_crew),
        )
    if old.needs_crew and new.needs_crew and old.volume_l != new.volume_l:
        difference_l, larger_l = abs(new.volume_l - old.volume_l), max(old.volume_l, new.volume_l)
        yield change(
            "more" if new.volume_l > old.volume_l else "less",
            old.volume_l,
            new.volume_l,
            difference_l >= practice.number("announce_volume_change") * larger_l,
        )

    # in whole percent, as it is said: chances move a little with every forecast
    chances = [round(one.ice_probability or 0.0, 2) for one in (old, new)]
    if chances[1] > chances[0] or (chances[1] < chances[0] and new.is_ice_known):
        difference = abs(chances[1] - chances[0])
        yield change(
            "ice more likely" if chances[1] > chances[0] else "ice less likely",
            old.ice_probability,
            new.ice_probability,
            difference >= practice.number("announce_ice_probability_change") - 1e-9,
        )


def _start_moved(old: datetime, new: datetime, practice: Practice) -> bool:
    return abs(new - old) >= timedelta(hours=practice.number("announce_start_change"))
