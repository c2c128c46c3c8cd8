"""Whether an entry fits the sites file: its site, surface and product, and a time that has been."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime
from difflib import get_close_matches

from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.record.entries import CLOCK_TOLERANCE, Application, Entry, Void


def check_entry(entry: Entry, sites: Sites, now: datetime) -> None:
    """Refuse an entry that the company's sites file and the clock cannot stand for.

    Parameters
    ----------
    entry : Entry
        The entry.
    sites : Sites
        The sites file.
    now : datetime
        The present, aware.

    Raises
    ------
    InputError
        An unknown site, surface or product, with the nearest known one; or a time yet to come.
    """
    if entry.at > now + CLOCK_TOLERANCE:
        raise InputError(f"{entry.at:%Y-%m-%d %H:%M%z} is yet to come; the record holds what was")
    if isinstance(entry, Void):
        return
    _check_key("site", entry.site, sites.sites)
    _check_key(f"surface at {entry.site}", entry.surface, sites.sites[entry.site].surfaces)
    if isinstance(entry, Application) and entry.additive is not None:
        _check_key("product", entry.additive, sites.products)


def _check_key(what: str, key: str, known: Collection[str]) -> None:
    if key in known:
        return
    near = get_close_matches(key, known, 1)
    hint = f"did you mean '{near[0]}'?" if near else f"accepted: {', '.join(sorted(known))}"
    raise InputError(f"no {what} '{key}'; {hint}")


def check_void(entry: Void, known: Iterable[Entry]) -> None:
    """Refuse a void of something that is not in the record, or that is a void itself.

    Raises
    ------
    InputError
        Says which id it is, and what would be accepted.
    """
    for other in known:
        if other.id == entry.voids and not isinstance(other, Void):
            return
        if other.id == entry.voids:
            raise InputError(
                f"'{entry.voids}' is a void itself; to bring back what it voids, add it anew"
            )
    raise InputError(f"no entry '{entry.voids}'; list them: stormplan record list")
