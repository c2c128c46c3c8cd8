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

from stormplan.weather.forecast import REQUIRED_VARIABLES, VARIABLES, CellForecast, QualityFlag
from stormplan.weather.providers.intervals import Array, HourAxis, format_utc

PRECIP_GROUP = (
    "precip_mm",
    "rain_mm",
    "snowfall_swe_mm",
    "freezing_rain_mm",
    "sleet_mm",
    "snowfall_cm",
    "ice_accretion_mm",
    "pop",
    "blowing_snow",
)
AIR_GROUP = tuple(name for name in VARIABLES if name not in PRECIP_GROUP)
#: What is handed over together, and what must be known of it for an hour to count as known.
VARIABLE_GROUPS = (
    ("air", AIR_GROUP, REQUIRED_VARIABLES),
    ("water", PRECIP_GROUP, PRECIP_GROUP[:6]),
)


def fill_gaps(
    first: CellForecast, other_cells: Sequence[CellForecast], now: datetime, until: datetime
) -> CellForecast:
    """Fill the hours a forecast does not know from other forecasts for the same location.

    Parameters
    ----------
    first : CellForecast
        The preferred one.
    other_cells : sequence of CellForecast
        In order of preference; of several members the control run is used.
    now, until : datetime
        The hours that matter, aware UTC.

    Returns
    -------
    CellForecast
        ``first`` itself where it knows everything, or nobody knows better.
    """
    begin = now.replace(minute=0, second=0, microsecond=0)
    hours = max(first.n_hours, round((until - first.start) / timedelta(hours=1)))
    axis = HourAxis(first.start, hours)
    needed_hours = np.arange(hours) >= axis.hour_index(begin)
    joined = _align(first, axis)
    notes: list[str] = []
    fillers: dict[str, CellForecast] = {}
    for group, names, needed in VARIABLE_GROUPS:
        for other in other_cells:
            aligned_other = _align(other, axis)
            replaced_hours = (
                needed_hours & ~_is_known(joined, needed) & _is_known(aligned_other, needed)
            )
            if not replaced_hours.any():
                continue
            _replace_hours(joined, aligned_other, names, replaced_hours)
            start = format_utc(axis.hour_start(int(np.flatnonzero(replaced_hours)[0])))
            notes.append(
                f"{group}: from {other.source} in {replaced_hours.sum()} h, first {start}, where "
                f"{first.source} says nothing"
            )
            fillers[f"{other.source} {other.cell_id}"] = other
    return _with_attribution(joined, first, fillers, notes) if fillers else first


def _align(cell: CellForecast, axis: HourAxis) -> CellForecast:
    """Return a forecast on another hour axis; NaN outside its own hours."""
    shift = axis.hour_index(cell.start)
    target = slice(
        min(max(shift, 0), axis.n_hours), max(min(shift + cell.n_hours, axis.n_hours), 0)
    )
    source = slice(target.start - shift, max(target.stop, target.start) - shift)
    target = slice(target.start, max(target.stop, target.start))
    values = {}
    marks = {}
    for name in VARIABLES:
        values[name] = np.full((axis.n_hours, cell.n_members), np.nan)
        marks[name] = np.zeros(axis.n_hours, np.uint8)
        if name in cell.values:
            values[name][target] = cell.values[name][source]
        if name in cell.flags:
            marks[name][target] = cell.flags[name][source]
    return replace(cell, start=axis.start, values=values, flags=marks)


def _is_known(cell: CellForecast, needed: Sequence[str]) -> NDArray[np.bool_]:
    known = [np.isfinite(cell.values[name]).all(axis=1) for name in needed]
    return np.asarray(np.all(known, axis=0))


def _replace_hours(
    ours: CellForecast, theirs: CellForecast, names: Sequence[str], hours: NDArray[np.bool_]
) -> None:
    for name in names:
        array: Array = ours.values[name]
        array[hours] = theirs.values[name][hours, :1]
        ours.flags[name][hours] = theirs.flags[name][hours] | np.uint8(
            QualityFlag.FROM_OTHER_SOURCE
        )


def _with_attribution(
    joined: CellForecast,
    first: CellForecast,
    fillers: dict[str, CellForecast],
    notes: Sequence[str],
) -> CellForecast:
    credited = dict.fromkeys(c.credit for c in (first, *fillers.values()) if c.credit)
    return replace(
        joined,
        cell_id=" + ".join((first.cell_id, *fillers)),
        stale=first.stale or any(helper.stale for helper in fillers.values()),
        notes=(*notes, *first.notes),
        credit="; ".join(credited),
    )
