"""What is coming: hazard hours, merged into events, told as records.

The hinge of the program. In come arrays ``(hour, column, member)``; out come small frozen records
about one column of hours under one set of thresholds. An event is a run of hours in which the
surface can be slippery: frost, freezing rain, sleet, snow. What a source does not say is carried
along as unknown, never as dry.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import AwareDatetime, Field

from stormplan.company.validators import Record
from stormplan.events.ensemble_stats import Members, median
from stormplan.events.hazards import (
    FROST,
    ORDER,
    Ground,
    Hazard,
    Thresholds,
    chances,
    classify,
    member_error_dc,
    refrozen,
    watched,
)
from stormplan.physics.ensemble import normal, sure
from stormplan.weather.forecast import PHASES, Array, Forecast

Trend = Literal["falling", "steady", "rising"]
#: Stands in for a surface that is not known: it freezes nothing [°C].
FAR_C = 99.0
#: What the readers are told is unknown when a layer ends or is missing.
LAYERS = {
    "snow_depth_cm": "snow",
    "precip_mm": "precipitation",
    "frz_rain_mm": "freezing rain",
    "air_temp_c": "temperature",
}


class Hour(NamedTuple):
    """One hour over one column: NaN where not known.

    The surface lies between ``surface_low_c`` and ``surface_high_c`` four times in five;
    ``freezes`` and ``frosts`` are the chances that it is below freezing, and the frost point too.
    """

    start: datetime
    air_c: float
    dew_point_c: float
    surface_c: float
    wind_mps: float
    rain_mm: float
    snow_we_mm: float
    snow_cm: float
    frz_rain_mm: float
    sleet_mm: float
    pop: float
    lies_mm: float
    blowing_snow: bool
    surface_low_c: float
    surface_high_c: float
    freezes: float
    frosts: float
    hazard: Hazard | None

    @property
    def water_mm(self) -> float:
        """Water of all phases, NaN if none of them is known."""
        parts = [self.rain_mm, self.snow_we_mm, self.frz_rain_mm, self.sleet_mm]
        known = [part for part in parts if not math.isnan(part)]
        return sum(known) if known else math.nan


class Phase(Record):
    """A stretch of one hazard inside an event."""

    hazard: Hazard
    start: AwareDatetime
    end: AwareDatetime
    water_mm: float
    snow_cm: float


class Event(Record):
    """A run of hazard hours on one surface.

    ``hazard`` is the phase that governs the decision. Temperatures are of the bare pavement [°C],
    water and snow are sums over the event [mm], [cm], ``probability`` is the highest of its
    hours [-]. Of several members, water, snow and cold are what is typical (the median) of those
    in which it comes, and the probability counts those in which it comes at any of its hours.
    ``start_range`` and ``end_range`` hold its first and last hour in four of five members.
    ``coldest_range_c`` holds the coldest pavement four times in five, the pavement model's own
    error counted [°C]; None where few members have it. ``comes`` tells in which it does, in
    their order. ``from_pile`` is a refreeze of water that runs off a snow pile.
    ``ice_until`` is until when ice lies there afterwards, if nothing is done.
    """

    hazard: Hazard
    start: AwareDatetime
    end: AwareDatetime
    phases: tuple[Phase, ...]
    surface_at_start_c: float
    coldest_surface_c: float
    coldest_range_c: tuple[float, float] | None = None
    start_range: tuple[AwareDatetime, AwareDatetime] | None = None
    end_range: tuple[AwareDatetime, AwareDatetime] | None = None
    coldest_surface_at: AwareDatetime
    coldest_air_c: float
    trend: Trend
    water_mm: float
    snow_cm: float
    heaviest_snow_cm_h: float
    strongest_wind_mps: float
    blowing_snow: bool
    from_pile: bool
    ice_until: AwareDatetime | None
    probability: float
    unknown: tuple[str, ...]
    comes: tuple[bool, ...] = Field(default=(), exclude=True)  # for the decision, not the reader


class Unknown(Record):
    """Something the forecast does not say, from when, and until when."""

    what: str
    after: AwareDatetime | None  # None: not at all
    until: AwareDatetime | None = None  # None: not again inside the horizon


@dataclass(frozen=True)
class Outlook:
    """What one column of hours holds, under one set of thresholds."""

    hours: tuple[Hour, ...]
    events: tuple[Event, ...]
    unknown: tuple[Unknown, ...]
    snow_cm: float = 0.0  # new snow over the horizon, as far as known [cm]

    @property
    def coldest_surface_c(self) -> float:
        """Coldest known surface [°C]; NaN if none is known."""
        return min(
            (h.surface_c for h in self.hours if not math.isnan(h.surface_c)), default=math.nan
        )


def outlook(
    forecast: Forecast,
    cell: int,
    ground: Ground,
    thresholds: Thresholds,
    snow_pile: bool = False,
) -> Outlook:
    """Find the events of one surface.

    Parameters
    ----------
    forecast : Forecast
        The hours ahead [-].
    cell : int
        Place of the column on the forecast's cell axis [-].
    ground : Ground
        The surface without chemical, for the same hours [-].
    thresholds : Thresholds
        What counts as an event [-].
    snow_pile : bool
        Whether melt water from a pile runs across it [-].

    Returns
    -------
    Outlook
        Hours, events in order of time, and what is not known.
    """
    series = {
        name: forecast[name][:, cell, :]
        for name in (
            *("air_temp_c", "dew_point_c", "wind_10m_ms", "pop", "blowing_snow"),
            *PHASES,
            "snow_depth_cm",
        )
    }
    hazards = classify(series, ground, thresholds)
    error_dc = member_error_dc(forecast, cell)
    chance = chances(hazards, series, ground.surface_c, error_dc)
    governing = watched(hazards, chance, thresholds.watch_probability)
    members = Members.of(series, ground.surface_c, chance, hazards >= 0)
    falls = hazards > FROST  # a storm is as likely as what falls; frost beside it is no part of it
    falling = replace(members, chance=np.where(falls, chance, 0.0), there=falls)
    unknown = _unknown(forecast, cell, ground)
    found: list[Event] = []
    hours = _hours(forecast, series, ground, error_dc, governing)
    for run in _runs(governing, thresholds.event_gap_h):
        of_frost = {Hazard.FROST, None}.issuperset(governing[run])
        which = members if of_frost else falling
        found.append(_event(hours, which, error_dc, run, unknown))
    icy, chance = refrozen(hazards, series, ground, error_dc)
    wet = replace(members, chance=chance, there=icy)
    likely = chance.mean(axis=1) >= thresholds.watch_probability
    common = likely & (icy.mean(axis=1) > 0.5)
    gap = timedelta(hours=thresholds.event_gap_h)

    def refreezes(freezes: NDArray[np.bool_], which: Members, pile: bool) -> Iterator[Event]:
        if not freezes.any():
            return
        named = [Hazard.REFREEZE if there else None for there in freezes.tolist()]
        frozen = tuple(h._replace(hazard=n) for h, n in zip(hours, named, strict=True))
        for run in _runs(named, thresholds.event_gap_h):
            yield _event(frozen, which, error_dc, run, unknown, from_pile=pile)

    for refreeze in refreezes(common, wet, False):
        _append(found, refreeze, gap)
    if snow_pile:
        frozen_c = np.nan_to_num(ground.surface_c, nan=FAR_C)
        below = normal(-frozen_c / error_dc[:, None])
        dripping = replace(members, chance=below, there=frozen_c <= 0.0)
        for refreeze in refreezes(_pile_freezes(hours), dripping, True):
            _append(found, refreeze, gap)
    # what few members have stands alone: no consequence of a storm that all of them have
    found += refreezes(_apart(likely, common, thresholds.event_gap_h), wet, False)
    found.sort(key=lambda event: event.start)
    snow_cm = float(median(members.snow_cm.sum(axis=0)))
    return Outlook(hours, tuple(found), unknown, snow_cm)


def _apart(likely: NDArray[np.bool_], common: NDArray[np.bool_], gap_h: float) -> NDArray[np.bool_]:
    """Keep the likely hours of runs in which no hour is common, (hour,)."""
    kept = np.zeros_like(likely)
    for run in _runs([there or None for there in likely.tolist()], gap_h):
        kept[run] = likely[run] & ~common[run].any()
    return kept


def _append(found: list[Event], refreeze: Event, gap: timedelta) -> None:
    """Add a refreeze, or note it as the aftermath of the event that it follows at once.

    What few members have is no reason for ice that most of them have.
    """
    for index, event in enumerate(found):
        follows = event.start <= refreeze.start <= event.end + gap
        if follows and 2 * sum(event.comes) > len(event.comes):
            if not refreeze.from_pile:
                found[index] = event.model_copy(update={"ice_until": refreeze.end})
            return
    found.append(refreeze)


def _pile_freezes(hours: Sequence[Hour]) -> NDArray[np.bool_]:
    """Hours in which water off a pile freezes: a thaw of two hours within the last twelve.

    A pile drips while the air is above freezing; common practice, no source for the numbers.
    """
    thaw = [hour.air_c > 1.0 for hour in hours]
    return np.array(
        [
            hour.surface_c <= 0.0 and hour.hazard is None and sum(thaw[max(i - 12, 0) : i]) >= 2
            for i, hour in enumerate(hours)
        ]
    )


def _hours(
    forecast: Forecast,
    series: dict[str, Array],
    ground: Ground,
    error_dc: Array,
    governing: Sequence[Hazard | None],
) -> tuple[Hour, ...]:
    both = {**series, "surface_c": ground.surface_c, "lies_mm": ground.lies_mm}
    middle = dict(zip(both, median(np.array(list(both.values()))), strict=True))
    columns = [
        middle["air_temp_c"],
        middle["dew_point_c"],
        middle["surface_c"],
        middle["wind_10m_ms"],
        middle["rain_mm"],
        middle["snow_we_mm"],
        middle["snow_depth_cm"],
        middle["frz_rain_mm"],
        middle["sleet_mm"],
        middle["pop"],
        middle["lies_mm"],
    ]
    told = [column.tolist() for column in columns]
    blowing = (middle["blowing_snow"] > 0.5).tolist()
    surface = sure(ground.surface_c, series["dew_point_c"], error_dc)
    spreads = (surface.low_c, surface.high_c, surface.below_freezing, surface.frost)
    sured = [values.tolist() for values in spreads]
    return tuple(map(Hour, forecast.starts, *told, blowing, *sured, governing))


def _runs(governing: Sequence[object | None], gap_h: float) -> list[slice]:
    """Stretches of hazard hours; quiet spells up to the gap do not part them."""
    runs: list[slice] = []
    for index, hazard in enumerate(governing):
        if hazard is None:
            continue
        if runs and index - runs[-1].stop <= gap_h:
            runs[-1] = slice(runs[-1].start, index + 1)
        else:
            runs.append(slice(index, index + 1))
    return runs


def _event(
    hours: tuple[Hour, ...],
    members: Members,
    error_dc: Array,
    run: slice,
    unknown: tuple[Unknown, ...],
    from_pile: bool = False,
) -> Event:
    inside = hours[run]
    before = hours[max(run.start - 3, 0) : run.start + 1]
    coldest = min(inside, key=lambda hour: _or_inf(hour.surface_c))
    coldest_c = members.typical(members.surface_c, run, np.min)
    end = inside[-1].start + timedelta(hours=1)
    ends = members.ends(run)
    first, last = (None, None) if ends is None else (
        tuple(hours[0].start + timedelta(hours=hour) for hour in pair) for pair in ends
    )  # fmt: skip
    return Event(
        hazard=max((h.hazard for h in inside if h.hazard), key=ORDER.index),
        start=inside[0].start,
        end=end,
        phases=_phases(hours, members, run),
        surface_at_start_c=inside[0].surface_c,
        coldest_surface_c=math.nan if math.isinf(coldest_c) else coldest_c,
        coldest_range_c=members.coldest_range_c(run, float(error_dc[run].mean())),
        start_range=first,
        end_range=last,
        coldest_surface_at=coldest.start,
        coldest_air_c=min(_or_inf(hour.air_c) for hour in inside),
        trend=_trend(before[0].surface_c, coldest_c),
        water_mm=members.typical(members.water_mm, run, np.sum),
        snow_cm=members.typical(members.snow_cm, run, np.sum),
        heaviest_snow_cm_h=members.typical(members.snow_cm, run, np.max),
        strongest_wind_mps=max(_zero(hour.wind_mps) for hour in inside),
        blowing_snow=any(hour.blowing_snow for hour in inside),
        from_pile=from_pile,
        ice_until=None,
        probability=members.probability(run),
        comes=tuple(members.comes(run).tolist()),
        unknown=tuple(
            dict.fromkeys(
                item.what
                for item in unknown
                if (item.after is None or item.after < end)
                and (item.until is None or item.until > inside[0].start)
            )
        ),
    )


def _phases(hours: tuple[Hour, ...], members: Members, run: slice) -> tuple[Phase, ...]:
    """Stretches of one hazard each inside an event."""
    stretches: list[slice] = []
    for index in range(run.start, run.stop):
        hazard = hours[index].hazard
        if hazard is None:
            continue
        last = stretches[-1] if stretches else slice(-1, -1)
        if last.stop == index and hours[last.start].hazard is hazard:
            stretches[-1] = slice(last.start, index + 1)
        else:
            stretches.append(slice(index, index + 1))
    return tuple(
        Phase(
            hazard=hours[part.start].hazard or Hazard.FROST,
            start=hours[part.start].start,
            end=hours[part.stop - 1].start + timedelta(hours=1),
            water_mm=members.typical(members.water_mm, part, np.sum),
            snow_cm=members.typical(members.snow_cm, part, np.sum),
        )
        for part in stretches
    )


def _trend(before_c: float, coldest_c: float) -> Trend:
    if math.isnan(before_c):
        return "falling"  # the cautious reading of the handbooks' tables
    if coldest_c < before_c - 1.0:
        return "falling"
    return "rising" if coldest_c > before_c + 1.0 else "steady"


def _or_inf(value: float) -> float:
    return math.inf if math.isnan(value) else value


def _zero(value: float) -> float:
    return 0.0 if math.isnan(value) else value


def _unknown(forecast: Forecast, cell: int, ground: Ground) -> tuple[Unknown, ...]:
    """List the layers that end or pause inside the horizon, or are missing altogether.

    The pavement carries its heat from hour to hour: after a pause of the temperature it stays
    unknown, and that is said beside the pause itself.
    """
    known = {what: _known(forecast[name][:, cell, :]) for name, what in LAYERS.items()}
    lost = ~_known(ground.surface_c) & known["temperature"]
    known["pavement"] = ~np.logical_or.accumulate(lost)
    found = []
    for what, hours in known.items():
        if hours.all():
            continue
        if not hours.any():
            found.append(Unknown(what=what, after=None))
            continue
        turns = np.flatnonzero(np.diff(hours.astype(int), prepend=1, append=1))
        for first, last in turns.reshape(-1, 2):
            until = forecast.time(int(last)) if last < forecast.hours else None
            found.append(Unknown(what=what, after=forecast.time(int(first)), until=until))
    return tuple(found)


def _known(values: Array) -> NDArray[np.bool_]:
    """Say for which hours every member has a value."""
    return np.asarray(np.isfinite(values).all(axis=1), dtype=np.bool_)
