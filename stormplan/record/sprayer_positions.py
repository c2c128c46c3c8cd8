"""Where sprayers are by the record, and what is left in their tanks.

A sprayer stands where it was last logged, for as long as the rule ``sprayer_position_age`` says,
unless it took on a load or came back since. What is left is what it took on less what it was
logged for since; where no load is logged the tank counts as empty, and the way leads by the yard.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from stormplan.company.sites import Sites
from stormplan.record.entries import CLOCK_TOLERANCE, Application, LoadDrawn, WorkEntry
from stormplan.record.sprayer_entries import by_sprayer


@dataclass(frozen=True)
class SprayerPosition:
    """A sprayer away from its yard.

    Attributes
    ----------
    site : str
        Key of the site where it was last logged.
    at : datetime
        When, aware.
    additive : str or None
        Key of the additive in its tank; None for plain brine.
    additive_frac : float
        Additive in the blend by volume [-].
    left_l : float
        What is left in its tank; 0 where nobody knows [L].
    """

    site: str
    at: datetime
    additive: str | None = None
    additive_frac: float = 0.0
    left_l: float = 0.0


#: Every sprayer at its yard.
NO_POSITIONS: Mapping[str, SprayerPosition] = {}


def sprayer_positions(
    record: Iterable[WorkEntry], sites: Sites, now: datetime
) -> dict[tuple[str, str], SprayerPosition]:
    """Return the sprayers that are away from their yards.

    Parameters
    ----------
    record : iterable of WorkEntry
        What counts of it.
    sites : Sites
        The sites file.
    now : datetime
        The moment, aware.

    Returns
    -------
    dict of (str, str) to SprayerPosition
        By yard and sprayer; one that stands at its yard is absent.
    """
    oldest = now - timedelta(hours=sites.practice().number("sprayer_position_age"))
    known = [entry for entry in record if entry.at <= now + CLOCK_TOLERANCE]
    found = {}
    for yard_key, sprayer_key, entries in by_sprayer(known, sites):
        last = entries[-1]
        if not isinstance(last, Application) or last.at < oldest:
            continue
        left_l: float | None = None
        for entry in entries:
            if isinstance(entry, LoadDrawn):
                left_l = sum(part.volume_l for part in entry.parts)
            elif not isinstance(entry, Application):
                left_l = None
            elif left_l is not None:
                area_m2 = sites.sites[entry.site].surfaces[entry.surface].area_m2
                left_l = left_l - entry.rate_l_m2 * area_m2
        found[yard_key, sprayer_key] = SprayerPosition(
            last.site, last.at, last.additive, last.additive_frac, max(left_l or 0.0, 0.0)
        )
    return found
