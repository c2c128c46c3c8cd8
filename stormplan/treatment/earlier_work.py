"""What the plan announced before has crews do, so that a hair's breadth does not undo it.

A limit that a chance or a temperature moves about would send crews out, home and out again. What
was planned stays planned until it is past the limit by the hysteresis that policy gives.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from stormplan.events.detection import Event
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.treatment.records import WORK, Action


@dataclass(frozen=True)
class EarlierTreatment:
    """One event of the plan before for which crews go out.

    Attributes
    ----------
    start, end : datetime
        First moment and end of its event, aware UTC.
    hazard : Hazard
        What it is.
    is_sprayed : bool
        Whether liquid goes down ahead of it.
    """

    start: datetime
    end: datetime
    hazard: Hazard
    is_sprayed: bool


EarlierWork = tuple[EarlierTreatment, ...]


def has_work(earlier: EarlierWork, event: Event) -> bool:
    """Return whether the plan before has crews out for this event: such a hazard in these hours."""
    return any(
        one.start < event.end and event.start < one.end and _is_alike(one.hazard, event.hazard)
        for one in earlier
    )


def _is_alike(one: Hazard, other: Hazard) -> bool:
    """Return whether two hazards are one, or snow of two rates."""
    return one is other or {one, other} <= set(SNOW_HAZARDS)


def is_sprayed(earlier: EarlierWork, event: Event) -> bool:
    """Return whether the plan before sprays ahead of this event."""
    return has_work(tuple(one for one in earlier if one.is_sprayed), event)


def read_earlier_work(document: Mapping[str, Any]) -> dict[tuple[str, str], EarlierWork]:
    """Return what a plan has crews do, by site and surface.

    Parameters
    ----------
    document : mapping
        A plan as JSON, of this schema version.

    Returns
    -------
    dict of (str, str) to tuple of EarlierTreatment
        A surface without work is absent.
    """
    found: dict[tuple[str, str], EarlierWork] = {}
    for site in document["sites"]:
        for surface in site["surfaces"]:
            work = tuple(
                EarlierTreatment(
                    datetime.fromisoformat(item["event"]["start"]),
                    datetime.fromisoformat(item["event"]["end"]),
                    Hazard(item["event"]["hazard"]),
                    any(visit["action"] == Action.PRETREAT for visit in item["visits"]),
                )
                for item in surface["treatments"]
                if item["event"] is not None and item["action"] in WORK
            )
            if work:
                found[site["key"], surface["key"]] = work
    return found
