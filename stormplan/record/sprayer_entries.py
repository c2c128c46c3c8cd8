"""What each sprayer was logged for: services, loads and returns, in order of time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import datetime

from stormplan.company.sites import Sites
from stormplan.record.entries import Application, LoadDrawn, LoadReturned, WorkEntry

SprayerEntry = Application | LoadDrawn | LoadReturned


def by_sprayer(
    record: Iterable[WorkEntry], sites: Sites
) -> Iterator[tuple[str, str, list[SprayerEntry]]]:
    """Yield what each sprayer of a yard was logged for.

    Parameters
    ----------
    record : iterable of WorkEntry
        What counts of it.
    sites : Sites
        The sites file.

    Yields
    ------
    (str, str, list of SprayerEntry)
        Yard, sprayer, and its entries in order of time; at least one.
    """
    logged: dict[tuple[str, str], list[SprayerEntry]] = defaultdict(list)
    for entry in record:
        if isinstance(entry, Application) and entry.sprayer is not None:
            logged[sites.sites[entry.site].yard, entry.sprayer].append(entry)
        elif isinstance(entry, (LoadDrawn, LoadReturned)):
            logged[entry.yard, entry.sprayer].append(entry)

    def by_time(entry: SprayerEntry) -> datetime:
        return entry.at

    for (yard, sprayer), entries in sorted(logged.items()):
        if sprayer in sites.yards[yard].sprayers:
            yield yard, sprayer, sorted(entries, key=by_time)
