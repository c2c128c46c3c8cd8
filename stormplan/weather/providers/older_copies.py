"""Older copies of a forecast from the archive, for what the newest one lacks.

They stand in for hours ahead that it does not say, and they say what the weather was before it
begins: pavement remembers days.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from stormplan.errors import ForecastError
from stormplan.numerics import floor_hour
from stormplan.store.archive import Archive, StoredReply
from stormplan.weather.forecast import HISTORY_H, CellForecast
from stormplan.weather.providers.quality_control import refuse_unexpected_form
from stormplan.weather.reply_text import parse_json

#: Copies further back than the highest limit of the rule ``older_copy_max_age`` never stand in.
MAX_LOOK_BACK = timedelta(hours=72)
#: Past hours come from copies so far apart where there are more: a forecast is little worse for it.
PAST_COPY_STEP = timedelta(hours=12)
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


def select_past(times: Sequence[datetime], now: datetime) -> list[int]:
    """Return which copies tell the hours before now, two a day at most.

    Parameters
    ----------
    times : sequence of datetime
        From when on each copy knows, newest first, aware.
    now : datetime
        The moment planned for, aware.

    Returns
    -------
    list of int
        Places in ``times``, newest first: each the oldest within ``PAST_COPY_STEP`` of the one
        before it, or else the next there is, until ``HISTORY_H`` are covered [-].
    """
    chosen: list[int] = []
    edge, first = floor_hour(now), floor_hour(now) - timedelta(hours=HISTORY_H)
    while edge > first:
        earlier = [at for at, time in enumerate(times) if time < edge]
        if not earlier:
            break
        near = [at for at in earlier if times[at] >= edge - PAST_COPY_STEP]
        chosen.append(near[-1] if near else earlier[0])
        edge = times[chosen[-1]]
    return chosen


def read_past_copies(
    archive: Archive, url: str, now: datetime, parse: Callable[[StoredReply], CellForecast]
) -> list[CellForecast]:
    """Return the copies of an address that tell the hours before now, newest first.

    Parameters
    ----------
    archive : Archive
        Where replies are kept.
    url : str
        The address.
    now : datetime
        The moment planned for, aware UTC; nothing received later is read.
    parse : callable
        Reads a reply as of the moment it was received.

    Returns
    -------
    list of CellForecast
        Two a day at most; one that this version cannot read is left out.
    """
    since = now - timedelta(hours=HISTORY_H) - timedelta(days=1)
    replies = archive.good_reply_times(url, now, since)
    copies: list[CellForecast] = []
    for at in select_past([time for _, time in replies], now):
        stored = archive.read_reply(replies[at][0])
        if stored is None:
            continue
        try:
            copies.append(parse(stored))
        except ForecastError:
            continue  # hours that nobody tells stay unknown
    return copies
