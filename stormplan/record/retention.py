"""Which entries are old enough to let go: by the rule ``record_retention``, and by the stock."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.record.amounts import EMPTY_KG
from stormplan.record.entries import Entry
from stormplan.record.stock import StockBook
from stormplan.record.stock_ledger import stock_book

DAYS_A_YEAR = 366  # none of them is cut short


def kept_since(sites: Sites, now: datetime) -> datetime:
    """Return the moment from which on entries are kept, aware.

    The longer counts of the rule of practice and of what the company's own rule set asks.
    """
    kept = timedelta(hours=sites.practice().number("record_retention"))
    if sites.record_rules is not None:
        kept = max(kept, timedelta(days=DAYS_A_YEAR * sites.record_rules.years))
    return now - kept


def prunable_count(
    entries: Sequence[Entry], recorded_at: Sequence[datetime], sites: Sites, now: datetime
) -> int:
    """Return how many of the first entries of the record may go.

    Parameters
    ----------
    entries : sequence of Entry
        The record, in the order in which it was written.
    recorded_at : sequence of datetime
        When each was added, aware.
    sites : Sites
        The sites file.
    now : datetime
        The present, aware.

    Returns
    -------
    int
        All before the first one that was made or added within the retention [-].

    Raises
    ------
    InputError
        What the yards hold now stands on entries that would go.
    """
    since = kept_since(sites, now)
    young = (
        number
        for number, (entry, added_at) in enumerate(zip(entries, recorded_at, strict=True))
        if max(entry.at, added_at) >= since
    )
    count = next(young, len(entries))
    before, after = stock_book(sites, entries, now), stock_book(sites, entries[count:], now)
    changed = [yard for yard in before.yards if _holds(before, yard) != _holds(after, yard)]
    if count and changed:
        raise InputError(
            f"what {', '.join(changed)} holds stands on entries from before {since:%Y-%m-%d}; write"
            " what is on hand into the sites file with its day (on_hand, counted_at), then prune"
        )
    return count


def _holds(book: StockBook, yard: str) -> dict[str, tuple[float, ...]] | None:
    """Return the masses in a yard's stores; None if the record says nothing of it."""
    if yard not in book.yards:
        return None
    stores = book.yards[yard].stores.items()
    return {key: tuple(round(kg / EMPTY_KG) for kg in one.masses_kg) for key, one in stores}
