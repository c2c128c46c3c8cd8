"""Hour by hour: where the preferred source stops knowing, the next one that knows steps in.

Air and water are handed over separately and each as a whole, so that an amount and its phases, or
an air temperature and its dew point, never come from two sources in one hour. What was handed over
is marked and said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from stormplan.weather.forecast import REQUIRED, VARIABLES, CellForecast, Mark
from stormplan.weather.providers.intervals import Array, HourAxis, spell

WATER = (
    "precip_mm",
    "rain_mm",
    "snow_we_mm",
    "frz_rain_mm",
    "sleet_mm",
    "snow_depth_cm",
    "ice_accr_mm",
    "pop",
    "blowing_snow",
)
AIR = tuple(name for name in VARIABLES if name not in WATER)
#: What is handed over together, and what must be known of it for an hour to count as known.
GROUPS = (("air", AIR, REQUIRED), ("water", WATER, WATER[:6]))


def fill(
    first: CellForecast, others: Sequence[CellForecast], now: datetime, until: datetime
) -> CellForecast:
    """Let other forecasts for the same place step in where the first one does not know.

    Parameters
    ----------
    first : CellForecast
        The preferred one [-].
    others : sequence of CellForecast
        In order of preference; of several members the control run is used [-].
    now, until : datetime
        The hours that matter, aware UTC [-].

    Returns
    -------
    CellForecast
        ``first`` itself where it knows everything, or nobody knows better.
    """
    begin = now.replace(minute=0, second=0, microsecond=0)
    hours = max(first.hours, round((until - first.start) / timedelta(hours=1)))
    axis = HourAxis(first.start, hours)
    asked = np.arange(hours) >= axis.hour(begin)
    joined = _on(first, axis)
    notes: list[str] = []
    helpers: dict[str, CellForecast] = {}
    for what, names, needed in GROUPS:
        for other in others:
            theirs = _on(other, axis)
            step_in = asked & ~_knows(joined, needed) & _knows(theirs, needed)
            if not step_in.any():
                continue
            _hand_over(joined, theirs, names, step_in)
            start = spell(axis.time(int(np.flatnonzero(step_in)[0])))
            notes.append(
                f"{what}: from {other.source} in {step_in.sum()} h, first {start}, where "
                f"{first.source} says nothing"
            )
            helpers[f"{other.source} {other.cell}"] = other
    return _named(joined, first, helpers, notes) if helpers else first


def _on(cell: CellForecast, axis: HourAxis) -> CellForecast:
    """Put a forecast on other hours; NaN where it says nothing."""
    shift = axis.hour(cell.start)
    target = slice(min(max(shift, 0), axis.hours), max(min(shift + cell.hours, axis.hours), 0))
    source = slice(target.start - shift, max(target.stop, target.start) - shift)
    target = slice(target.start, max(target.stop, target.start))
    values = {}
    marks = {}
    for name in VARIABLES:
        values[name] = np.full((axis.hours, cell.members), np.nan)
        marks[name] = np.zeros(axis.hours, np.uint8)
        if name in cell.values:
            values[name][target] = cell.values[name][source]
        if name in cell.marks:
            marks[name][target] = cell.marks[name][source]
    return replace(cell, start=axis.start, values=values, marks=marks)


def _knows(cell: CellForecast, needed: Sequence[str]) -> NDArray[np.bool_]:
    known = [np.isfinite(cell.values[name]).all(axis=1) for name in needed]
    return np.asarray(np.all(known, axis=0))


def _hand_over(
    ours: CellForecast, theirs: CellForecast, names: Sequence[str], hours: NDArray[np.bool_]
) -> None:
    for name in names:
        array: Array = ours.values[name]
        array[hours] = theirs.values[name][hours, :1]
        ours.marks[name][hours] = theirs.marks[name][hours] | np.uint8(Mark.OTHER_SOURCE)


def _named(
    joined: CellForecast,
    first: CellForecast,
    helpers: dict[str, CellForecast],
    notes: Sequence[str],
) -> CellForecast:
    credited = dict.fromkeys(c.credit for c in (first, *helpers.values()) if c.credit)
    return replace(
        joined,
        cell=" + ".join((first.cell, *helpers)),
        stale=first.stale or any(helper.stale for helper in helpers.values()),
        notes=(*notes, *first.notes),
        credit="; ".join(credited),
    )
