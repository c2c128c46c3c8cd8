"""At which pavement temperatures a company's liquids worked, by the plans it made.

Answers the buyer: what is a product to be compared at? Read from plans as they were stored, so that
each site, surface and event counts once, as it was last planned.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from stormplan.liquids.brine import EUTECTIC_C

#: Of the temperatures worked at: mild, usual and cold; our own choice.
QUANTILES = (0.9, 0.5, 0.1)
MIN_EVENTS = 5  # fewer say nothing of a winter; our own choice


def liquid_work_temps_c(plans: Iterable[Mapping[str, Any]]) -> list[float]:
    """Return the coldest pavement of each event that was to be sprayed for.

    Parameters
    ----------
    plans : iterable of mapping
        Plans as JSON, in order of time.

    Returns
    -------
    list of float
        One a surface and event, as it was last planned before it began [°C].
    """
    known: dict[tuple[str, str], list[_Work]] = {}
    for plan in plans:
        made_at = datetime.fromisoformat(plan["made_at"])
        for site in plan["sites"]:
            for surface in site["surfaces"]:
                key = (site["key"], surface["key"])
                begun = [one for one in known.get(key, []) if one.start < made_at]
                since = max((one.end for one in begun), default=None)
                planned = _sprayed_events(surface["treatments"])
                known[key] = begun + [one for one in planned if since is None or one.start >= since]
    return [one.temp_c for events in known.values() for one in events]


@dataclass(frozen=True)
class _Work:
    """An event that is sprayed for, and its coldest pavement [°C]."""

    start: datetime
    end: datetime
    temp_c: float


def _sprayed_events(treatments: Iterable[Mapping[str, Any]]) -> Iterator[_Work]:
    for treatment in treatments:
        event = treatment["event"]
        if event is None or not any(visit["volume_l"] > 0.0 for visit in treatment["visits"]):
            continue
        temp_c = event["min_pavement_temp_c"]
        if EUTECTIC_C[0] < temp_c < 0.0:
            start, end = (datetime.fromisoformat(event[name]) for name in ("start", "end"))
            yield _Work(start, end, temp_c)


def working_temps_c(plans: Iterable[Mapping[str, Any]]) -> tuple[float, ...] | None:
    """Return a mild, a usual and a cold working temperature, to the half degree.

    Parameters
    ----------
    plans : iterable of mapping
        Plans as JSON, in order of time.

    Returns
    -------
    tuple of float or None
        The warmest first, each once [°C]; None where there are too few events.
    """
    found = liquid_work_temps_c(plans)
    if len(found) < MIN_EVENTS:
        return None
    rounded = {min(round(2.0 * float(q)) / 2.0, -0.5) for q in np.quantile(found, QUANTILES)}
    return tuple(sorted(rounded, reverse=True))
