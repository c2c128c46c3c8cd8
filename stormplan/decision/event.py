"""What is coming: hazard hours, merged into events, told as records.

The hinge of the program. In come arrays ``(hour, column, member)``; out come small frozen records
about one column of hours under one set of thresholds. An event is a run of hours in which the
surface can be slippery: frost, freezing rain, sleet, snow. What a source does not say is carried
along as unknown, never as dry.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from stormplan.company.handbook import Practice
from stormplan.decision.members import Members, median
from stormplan.physics.correction import is_night
from stormplan.physics.spread import frost_chance, model_error_dc, normal, sure, surface_error_dc
from stormplan.weather import air
from stormplan.weather.forecast import PHASES, Array, Forecast


class Hazard(StrEnum):
    """What makes a surface slippery, from the mildest to the one that governs."""

    FROST = "frost"
    REFREEZE = "refreeze"
    LIGHT_SNOW = "light snow"
    MODERATE_SNOW = "moderate snow"
    HEAVY_SNOW = "heavy snow"
    SLEET = "sleet"
    FREEZING_RAIN = "freezing rain"


_ORDER = tuple(Hazard)
_FROST = _ORDER.index(Hazard.FROST)
SNOW = (Hazard.LIGHT_SNOW, Hazard.MODERATE_SNOW, Hazard.HEAVY_SNOW)
Trend = Literal["falling", "steady", "rising"]

#: Less water than this in an hour is no event [mm]: half a gridpoint's rounding, our own choice.
TRACE_MM = 0.05
#: Less new snow than this in an hour is no event [cm].
TRACE_SNOW_CM = 0.05
#: Frost that can be slippery: 10-20 g/m² (from memory) [mm of water].
FROST_MATTERS_MM = 0.01
#: Ice from water that froze, from which on it is a hazard [mm]; practice of road weather models,
#: from memory.
ICE_MATTERS_MM = 0.05
#: A surface this close to freezing or colder lets falling ice and snow stay [°C]: gridded
#: temperatures are whole °F, ±0.28 °C; our own choice.
STICKS_BELOW_C = 0.5
#: Stands in for a surface that is not known: it freezes nothing [°C].
FAR_C = 99.0
#: What the readers are told is unknown when a layer ends or is missing.
LAYERS = {
    "snow_depth_cm": "snow",
    "precip_mm": "precipitation",
    "frz_rain_mm": "freezing rain",
    "air_temp_c": "temperature",
}


class Record(BaseModel):
    """Frozen, and strict about what it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid")


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


@dataclass(frozen=True)
class Thresholds:
    """The part of practice that decides what counts as an event; hashable, so it can be shared."""

    light_snow_below_cm_h: float
    heavy_snow_above_cm_h: float
    watch_probability: float
    event_gap_h: float

    @classmethod
    def of(cls, practice: Practice) -> Thresholds:
        """Take them from the rules as they stand for a surface."""
        return cls(
            practice.number("light_snow_below"),
            practice.number("heavy_snow_above"),
            practice.number("watch_probability"),
            practice.number("event_gap"),
        )


@dataclass(frozen=True)
class Ground:
    """One surface as it would be without chemical, hour by hour: arrays ``(hour, member)``.

    Attributes
    ----------
    surface_c : array
        Temperature of the pavement, mean of the hour [°C].
    frost_mm : array
        Frost on it at the end of the hour, as water [mm].
    ice_mm : array
        Ice from water that froze there, at the end of the hour [mm].
    lies_mm : array
        Water, ice and snow that lie there at the end of the hour, as water [mm].
    """

    surface_c: Array
    frost_mm: Array
    ice_mm: Array
    lies_mm: Array


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
    error_dc = _error_dc(forecast, cell)
    chance = _chance(hazards, series, ground.surface_c, error_dc)
    governing = _governing(hazards, chance, thresholds.watch_probability)
    members = Members.of(series, ground.surface_c, chance, hazards >= 0)
    falls = hazards > _FROST  # a storm is as likely as what falls; frost beside it is no part of it
    falling = replace(members, chance=np.where(falls, chance, 0.0), there=falls)
    unknown = _unknown(forecast, cell, ground)
    icy = _refrozen(hazards, ground)
    found: list[Event] = []
    hours = _hours(forecast, series, ground, error_dc, governing)
    for run in _runs(governing, thresholds.event_gap_h):
        of_frost = {Hazard.FROST, None}.issuperset(governing[run])
        which = members if of_frost else falling
        found.append(_event(hours, which, error_dc, run, unknown))
    for source, pile in ((icy, False), (_pile_freezes(hours) if snow_pile else None, True)):
        if source is None or not source.any():
            continue
        frozen_c = np.nan_to_num(ground.surface_c, nan=FAR_C)
        likely = replace(
            members, chance=normal(-frozen_c / error_dc[:, None]), there=frozen_c <= 0.0
        )
        named = [Hazard.REFREEZE if there else None for there in source]
        frozen = tuple(h._replace(hazard=n) for h, n in zip(hours, named, strict=True))
        for run in _runs(named, thresholds.event_gap_h):
            tail = _event(frozen, likely, error_dc, run, unknown, from_pile=pile)
            _append(found, tail, timedelta(hours=thresholds.event_gap_h))
    found.sort(key=lambda event: event.start)
    snow_cm = float(median(members.snow_cm.sum(axis=0)))
    return Outlook(hours, tuple(found), unknown, snow_cm)


def _append(found: list[Event], refreeze: Event, gap: timedelta) -> None:
    """Add a refreeze, or note it as the aftermath of the event that it follows at once.

    What only few members have is no reason for ice that most of them have.
    """
    for index, event in enumerate(found):
        follows = event.start <= refreeze.start <= event.end + gap
        if follows and 2 * sum(event.comes) > len(event.comes):
            if not refreeze.from_pile:
                found[index] = event.model_copy(update={"ice_until": refreeze.end})
            return
    found.append(refreeze)


def _refrozen(hazards: NDArray[np.int8], ground: Ground) -> NDArray[np.bool_]:
    """Hours in which most members have ice from water on the ground and nothing falls, (hour,)."""
    there = (ground.ice_mm > ICE_MATTERS_MM) & (hazards < 0)
    return np.asarray(there.mean(axis=1) > 0.5)


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


def _error_dc(forecast: Forecast, cell: int) -> Array:
    """Error of a member's surface temperatures, (hour,) [K].

    Of one member alone all that is known of such errors, which grow with the lead; several have
    the weather's between them, and what is left is the pavement model's own.
    """
    place = forecast.cells[cell]
    night = _nights(forecast.start, forecast.hours, place.latitude_deg, place.longitude_deg)
    if forecast.members > 1:
        return model_error_dc(night)
    return surface_error_dc(np.arange(forecast.hours), night)


@lru_cache(maxsize=1)  # the surfaces of a site come one after the other
def _nights(
    start: datetime, hours: int, latitude_deg: float, longitude_deg: float
) -> NDArray[np.bool_]:
    starts = [start + timedelta(hours=hour) for hour in range(hours)]
    return is_night(starts, latitude_deg, longitude_deg)


def classify(series: dict[str, Array], ground: Ground, thresholds: Thresholds) -> NDArray[np.int8]:
    """Tell each hour's hazard.

    Parameters
    ----------
    series : dict of array (hour, member)
        Forecast variables of one cell; unknown (NaN) makes no hazard by itself [-].
    ground : Ground
        The surface without chemical [-].
    thresholds : Thresholds
        Snowfall rates that part light, moderate and heavy [-].

    Returns
    -------
    array of int8 (hour, member)
        -1 for none, else the place in ``Hazard`` [-].

    References
    ----------
    NCHRP Report 526, p. 6: frost when the pavement is at or below freezing and below the dew
    point (here the frost point, which is the dew point's partner over ice), once enough lies.
    FHWA-RD-95-202, App. C: light snow is less than half an inch an hour.
    """
    surface_c = ground.surface_c
    code = np.full(surface_c.shape, -1, dtype=np.int8)
    with np.errstate(invalid="ignore"):
        cold = surface_c <= STICKS_BELOW_C
        falling = np.nansum([series[name] for name in PHASES], axis=0) > TRACE_MM
        forms = (surface_c <= 0.0) & (surface_c < air.frost_point_c(series["dew_point_c"]))
        frost = forms & (ground.frost_mm > FROST_MATTERS_MM) & ~falling
        rate = series["snow_depth_cm"]
        # a source may give the depth and no water, or the water and no depth
        snow = cold & ((series["snow_we_mm"] > TRACE_MM) | (rate > TRACE_SNOW_CM))
        code[frost] = _FROST
        code[snow] = _ORDER.index(Hazard.LIGHT_SNOW)
        code[snow & (rate >= thresholds.light_snow_below_cm_h)] = _ORDER.index(Hazard.MODERATE_SNOW)
        code[snow & (rate > thresholds.heavy_snow_above_cm_h)] = _ORDER.index(Hazard.HEAVY_SNOW)
        code[cold & (series["sleet_mm"] > TRACE_MM)] = _ORDER.index(Hazard.SLEET)
        code[cold & (series["frz_rain_mm"] > TRACE_MM)] = _ORDER.index(Hazard.FREEZING_RAIN)
    return code


def _chance(
    hazards: NDArray[np.int8], series: dict[str, Array], surface_c: Array, error_dc: Array
) -> Array:
    """Probability of any hazard in each hour of each member (hour, member).

    Falling hazards: the source's own probability of precipitation, which is
    taken as certain where the source does not give one. Frost: the chance that the surface is
    below both freezing and the frost point, given its error.
    """
    falls = hazards > _FROST
    pop = np.where(np.isfinite(series["pop"]), series["pop"], 1.0)
    frost = frost_chance(surface_c, series["dew_point_c"], error_dc[:, None])
    return np.where(falls, pop, np.nan_to_num(frost))


def _governing(
    hazards: NDArray[np.int8], chance: Array, watch_probability: float
) -> list[Hazard | None]:
    """Tell what each hour is watched for: the commonest that falls, else frost, else nothing."""
    falls = hazards > _FROST
    storm = np.where(falls, chance, 0.0).mean(axis=1) >= watch_probability
    frost = np.where(falls, 0.0, chance).mean(axis=1) >= watch_probability
    counts = np.stack([(hazards == code).sum(axis=1) for code in range(len(_ORDER))], axis=1)
    frost &= counts[:, _FROST] > 0
    counts[:, _FROST] = 0
    codes = np.where(storm & falls.any(axis=1), counts.argmax(axis=1), np.where(frost, _FROST, -1))
    return [None if code < 0 else _ORDER[code] for code in codes.tolist()]


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


def _runs(governing: Sequence[Hazard | None], gap_h: float) -> list[slice]:
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
        hazard=max((h.hazard for h in inside if h.hazard), key=_ORDER.index),
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
    known["pavement"] = _known(ground.surface_c) | ~known["temperature"]
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
