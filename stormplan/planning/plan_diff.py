"""What is different from the plan everybody was last told: earlier, colder, more, joined, left.

Two plans are reduced to their gist, what is done where, when, with how much and on which forecast,
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

PracticeOf = Callable[[str, str], Practice]  # keys of a site and its surface

WORKING = ("pre-treat", "solids", "plow")  # what a crew goes out for

Kind = Literal[
    "verdict",
    "first start",
    "added",
    "removed",
    "joined",
    "left",
    "action",
    "event",
    "earlier",
    "later",
    "colder",
    "warmer",
    "more",
    "less",
    "forecast lost",
    "forecast back",
    "source",
    "stale",
    "no longer stale",
]


class Change(Record):
    """One difference between two plans.

    ``before`` and ``after`` are in SI, times in ISO 8601 UTC, None where there is none; ``site``
    and ``surface`` are names, empty where the difference is of the whole plan or site.
    """

    kind: Kind
    site: str = ""
    surface: str = ""
    before: str | float | None = None
    after: str | float | None = None
    material: bool = True


@dataclass(frozen=True)
class SurfaceGist:
    """One surface of a plan: what is done, about what, from when, with how much, how cold then.

    The coldest is of the event, not of all hours planned: those move on with every plan.
    """

    name: str
    action: str
    hazard: str
    starts: datetime | None
    volume_l: float
    coldest_c: float | None

    @property
    def works(self) -> bool:
        """Whether a crew goes there."""
        return self.action in WORKING


@dataclass(frozen=True)
class SiteGist:
    """One site of a plan; ``source`` is None without forecast."""

    name: str
    source: str | None
    stale: bool
    surfaces: Mapping[str, SurfaceGist] = field(default_factory=dict)

    @property
    def works(self) -> bool:
        """Whether a crew goes there."""
        return any(surface.works for surface in self.surfaces.values())


@dataclass(frozen=True)
class Gist:
    """A plan reduced to what is compared."""

    verdict: str
    first_start: datetime | None
    sites: Mapping[str, SiteGist]


def gist(document: Mapping[str, Any], now: datetime) -> Gist:
    """Reduce a plan to what is compared.

    Parameters
    ----------
    document : mapping
        A plan as JSON, of this version or an older one [-].
    now : datetime
        Moment of the newer plan, aware: events that were over by then are left out, and what had
        begun counts as beginning then, so that the passing of time alone is no change [-].

    Returns
    -------
    Gist
        Its gist.

    Raises
    ------
    LookupError
        The document is no plan.
    """
    return Gist(
        verdict=document["verdict"],
        first_start=_not_before(document["first_start"], now),
        sites={site["key"]: _site(site, now) for site in document["sites"]},
    )


def _site(site: Mapping[str, Any], now: datetime) -> SiteGist:
    source = site["source"]
    return SiteGist(
        name=site["name"],
        source=None if source is None else source["source"],
        stale=source is not None and source["stale"],
        surfaces={surface["key"]: _surface(surface, now) for surface in site["surfaces"]},
    )


def _surface(surface: Mapping[str, Any], now: datetime) -> SurfaceGist:
    ahead = [
        item
        for item in surface["treatments"]
        if item["event"] is not None and (_moment(item["event"]["end"]) or now) > now
    ]
    first = min(
        ahead,
        key=lambda item: (item["action"] not in WORKING, item["event"]["start"]),
        default=None,
    )
    return SurfaceGist(
        name=surface["name"],
        action="nothing" if first is None else first["action"],
        hazard="" if first is None else first["event"]["hazard"],
        starts=None if first is None else _not_before(first["event"]["start"], now),
        volume_l=sum(item.get("volume_l", 0.0) for item in ahead),
        coldest_c=None if first is None else first["event"]["coldest_surface_c"],
    )


def _moment(text: str | datetime | None) -> datetime | None:
    return datetime.fromisoformat(text) if isinstance(text, str) else text


def _not_before(text: str | datetime | None, now: datetime) -> datetime | None:
    moment = _moment(text)
    return None if moment is None else max(moment, now)


def compare(
    before: Gist, after: Gist, practice: Practice, practice_of: PracticeOf | None = None
) -> tuple[Change, ...]:
    """List what is different, the whole plan first, then site by site.

    Parameters
    ----------
    before, after : Gist
        The plan last announced, and the new one [-].
    practice : Practice
        Says from which size a difference is worth telling [-].
    practice_of : callable, optional
        The same for a surface, by the keys of site and surface, where they set their own [-].

    Returns
    -------
    tuple of Change
        Empty if nothing is.
    """
    found = list(_whole(before, after, practice))
    for key in [*after.sites, *(key for key in before.sites if key not in after.sites)]:
        old, new = before.sites.get(key), after.sites.get(key)
        if old is None and new is not None:
            found.append(Change(kind="added", site=new.name))
        elif new is None and old is not None:
            found.append(Change(kind="removed", site=old.name))
        elif old is not None and new is not None:
            found.extend(_between_sites(key, old, new, practice_of or (lambda *_: practice)))
    return tuple(found)


def is_material(changes: tuple[Change, ...]) -> bool:
    """Tell whether any change is worth telling everybody."""
    return any(change.material for change in changes)


def _whole(before: Gist, after: Gist, practice: Practice) -> Iterator[Change]:
    if before.verdict != after.verdict:
        yield Change(kind="verdict", before=before.verdict, after=after.verdict)
    if before.first_start and after.first_start and before.first_start != after.first_start:
        yield Change(
            kind="first start",
            before=before.first_start.isoformat(),
            after=after.first_start.isoformat(),
            material=_moved(before.first_start, after.first_start, practice),
        )


def _between_sites(
    key: str, old: SiteGist, new: SiteGist, practice_of: PracticeOf
) -> Iterator[Change]:
    if old.source is None or new.source is None:
        if old.source != new.source:
            yield Change(
                kind="forecast lost" if new.source is None else "forecast back",
                site=new.name,
                before=old.source,
                after=new.source,
            )
        return
    if old.source != new.source:
        yield Change(kind="source", site=new.name, before=old.source, after=new.source)
    if old.stale != new.stale:
        yield Change(kind="stale" if new.stale else "no longer stale", site=new.name)
    if old.works != new.works:
        yield Change(kind="joined" if new.works else "left", site=new.name)
    for surface_key, surface in new.surfaces.items():
        if surface_key in old.surfaces:
            practice = practice_of(key, surface_key)
            yield from _between_surfaces(new, old.surfaces[surface_key], surface, practice)


def _between_surfaces(
    site: SiteGist, old: SurfaceGist, new: SurfaceGist, practice: Practice
) -> Iterator[Change]:
    def change(kind: Kind, before: object, after: object, material: bool = True) -> Change:
        return Change.model_validate(
            {
                "kind": kind,
                "site": site.name,
                "surface": new.name,
                "before": before,
                "after": after,
                "material": material,
            }
        )

    if old.action != new.action:
        yield change("action", old.action, new.action)
    if old.hazard and new.hazard and old.hazard != new.hazard:
        yield change("event", old.hazard, new.hazard, material=old.works or new.works)
    if old.starts and new.starts and old.starts != new.starts:
        yield change(
            "earlier" if new.starts < old.starts else "later",
            old.starts.isoformat(),
            new.starts.isoformat(),
            _moved(old.starts, new.starts, practice) and (old.works or new.works),
        )
    if old.coldest_c is not None and new.coldest_c is not None and old.coldest_c != new.coldest_c:
        by_dc = abs(new.coldest_c - old.coldest_c)
        yield change(
            "colder" if new.coldest_c < old.coldest_c else "warmer",
            old.coldest_c,
            new.coldest_c,
            by_dc >= practice.number("tell_temperature") and (old.works or new.works),
        )
    if old.works and new.works and old.volume_l != new.volume_l:
        by_l, most_l = abs(new.volume_l - old.volume_l), max(old.volume_l, new.volume_l)
        yield change(
            "more" if new.volume_l > old.volume_l else "less",
            old.volume_l,
            new.volume_l,
            by_l >= practice.number("tell_volume") * most_l,
        )


def _moved(old: datetime, new: datetime, practice: Practice) -> bool:
    return abs(new - old) >= timedelta(hours=practice.number("tell_start"))
