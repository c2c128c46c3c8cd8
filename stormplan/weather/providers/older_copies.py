"""Older copies of a forecast from the archive, to stand in for what the newest one lacks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from stormplan.errors import ForecastError
from stormplan.store.archive import Archive
from stormplan.weather.forecast import CellForecast
from stormplan.weather.providers.quality_control import refuse_unexpected_form
from stormplan.weather.reply_text import parse_json

#: Copies further back than the highest limit of the rule ``older_copy_max_age`` never stand in.
MAX_LOOK_BACK = timedelta(hours=72)
MAX_COPIES = 4  # each costs a parse; a layer that four issues lack is not coming back


def read_older_copies(
    archive: Archive,
    url: str,
    now: datetime,
    parse: Callable[[object, datetime, datetime], CellForecast],
    source: str,
) -> list[CellForecast]:
    """Return the older copies of an address, newest first.

    Parameters
    ----------
    archive : Archive
        Where replies are kept.
    url : str
        The address.
    now : datetime
        The moment planned for, aware UTC; nothing received later is read.
    parse : callable
        Reads a body, given when it was received and the moment planned for.
    source : str
        Name of the source, for the reason of a copy that cannot be read.

    Returns
    -------
    list of CellForecast
        One that this version cannot read, or that knows nothing any more, is left out.
    """
    guarded = refuse_unexpected_form(parse, source, url)
    copies: list[CellForecast] = []
    for stored in archive.earlier_good_replies(url, now, now - MAX_LOOK_BACK):
        if len(copies) == MAX_COPIES:
            break
        try:
            cell = guarded(parse_json(stored.body), stored.fetched_at, now)
        except ForecastError:
            continue  # it stood alone once; what it lacked then it lacks now
        copies.append(replace(cell, fetched_at=stored.fetched_at))
    return copies
