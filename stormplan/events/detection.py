"""Events: hazard hours merged into records.

The hinge of the program. In come arrays ``(hour, column, member)``; out come small frozen records
about one column of hours under one set of thresholds. An event is a run of hours in which the
surface can be slippery: frost, freezing rain, sleet, snow. What a source does not say is carried
along as unknown, never as dry.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import groupby
from operator import attrgetter
from typing import Literal

import numpy as np
from pydantic import AwareDatetime, Field

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.company.validators import Record
from stormplan.events.ensemble_stats import MemberSeries, fill_unknown, median
from stormplan.events.hazards import (
    SEVERITY_ORDER,
    Hazard,
    HazardThresholds,
    SurfaceSeries,
    known_precip_mm,
)
from stormplan.events.hourly_conditions import Hour, HourlyConditions, refreeze_of
from stormplan.physics.normal_distribution import normal_cdf
from stormplan.weather.forecast import PRECIP_TYPES, Forecast

#: Hours in which a pile's thaw counts: half a day, so that a night follows its own afternoon.
PILE_HISTORY_H = 12
Trend = Literal["falling", "steady", "rising"]
#: Stands in for a surface that is not known: it freezes nothing [°C].
UNKNOWN_SURFACE_C = 99.0
NONE = np.zeros((1, 1), dtype=np.bool_)
#: What the readers are told is unknown when a layer ends or is missing.
UNKNOWN_LABELS = {
    "snowfall_cm": "snow",
    "precip_mm": "precipitation",
    "freezing_rain_mm": "freezing rain",
    "air_temp_c": "temperature",
}


class HazardPeriod(Record):
    """Period of one hazard inside an event.

    Attributes
    ----------
    hazard : Hazard
        The hazard.
    start, end : datetime
        Its first moment and its end, UTC.
    precip_mm : float
        Precipitation of all types, as water [mm].
    snowfall_cm : float
        New snow [cm].
    """

    hazard: Hazard
    start: AwareDatetime
    end: AwareDatetime
    precip_mm: float
    snowfall_cm: float


class Event(Record):
    """A run of hazard hours on one surface.

    Of several members, water, snow and cold are what is typical (the median) of those in which
    the event comes, and the probability counts those in which it comes at any of its hours.

    Attributes
    ----------
    hazard : Hazard
        The one that governs the decision.
    start, end : datetime
        First moment and end, UTC.
    hazard_periods : tuple of HazardPeriod
        Its hazards in order of time.
    pavement_temp_at_start_c : float
        Bare pavement when it begins [°C].
    min_pavement_temp_c : float
        Lowest temperature of the bare pavement in it [°C].
    min_pavement_temp_range_c : (float, float) or None
        Range that holds the lowest pavement four times in five, the pavement model's own error
        counted [°C]; None where few members have the event.
    start_range, end_range : (datetime, datetime) or None
        Range that holds its first and its last hour in four of five members, UTC.
    min_pavement_temp_at : datetime
        When the pavement is coldest, UTC.
    min_air_temp_c : float
        Lowest air temperature in it [°C].
    trend : str
        Where the pavement goes from its start: falling, steady or rising.
    precip_mm : float
        Precipitation of all types, as water [mm].
    snowfall_cm : float
        New snow [cm].
    max_snowfall_rate_cm_h : float
        Heaviest snowfall of an hour [cm/h].
    max_wind_ms : float
        Strongest wind at 10 m [m/s].
    blowing_snow : bool
        Whether snow is blown about.
    from_pile : bool
        A refreeze of water that runs off a snow pile.
    ice_until : datetime or None
        Until when ice lies there afterwards if nothing is done, or at any stage of what is
        planned, UTC.
    ice_probability : float or None
        Probability of that ice; None without any [-].
    probability : float
        Probability that it comes; of a refreeze the highest of the surface untreated, and as any
        of the planned visits leaves it [-].
    probability_as_planned : float or None
        Of a refreeze, or else of the ice afterwards: probability once all that is planned is done;
        None where nothing is put down [-].
    chance_given : bool
        Whether the source gives a chance for it; without one the probability only says that its
        amounts have it fall.
    unknown : tuple of str
        What the forecast does not say of it, in words.
    has_event : tuple of bool
        In which members it comes, in their order; not in the document.
    """

    hazard: Hazard
    start: AwareDatetime
    end: AwareDatetime
    hazard_periods: tuple[HazardPeriod, ...]
    pavement_temp_at_start_c: float
    min_pavement_temp_c: float
    min_pavement_temp_range_c: tuple[float, float] | None = None
    start_range: tuple[AwareDatetime, AwareDatetime] | None = None
    end_range: tuple[AwareDatetime, AwareDatetime] | None = None
    min_pavement_temp_at: AwareDatetime
    min_air_temp_c: float
    trend: Trend
    precip_mm: float
    snowfall_cm: float
    max_snowfall_rate_cm_h: float
    max_wind_ms: float
    blowing_snow: bool
    from_pile: bool
    ice_until: AwareDatetime | None
    ice_probability: float | None = None
    probability: float
    probability_as_planned: float | None = None
    chance_given: bool = True
    unknown: tuple[str, ...]
    has_event: tuple[bool, ...] = Field(
        default=(), exclude=True
    )  # for the decision, not the reader


class ForecastGap(Record):
    """Period in which a forecast variable is missing.

    Attributes
    ----------
    variable : str
        The variable, in words.
    after : datetime or None
        From when it is not known, UTC; None: not at all.
    until : datetime or None
        From when it is known again, UTC; None: not inside the horizon.
    """

    variable: str
    after: AwareDatetime | None  # None: not at all
    until: AwareDatetime | None = None  # None: not again inside the horizon


@dataclass(frozen=True)
class Outlook:
    """Hours, events and gaps of one column, under one set of thresholds."""

    hours: tuple[Hour, ...]
    events: tuple[Event, ...]
    unknown: tuple[ForecastGap, ...]
    snowfall_cm: float = 0.0  # new snow over the horizon, as far as known [cm]

    @property
    def min_pavement_temp_c(self) -> float:
        """Coldest known surface [°C]; NaN if none is known."""
        return min(
            (h.surface_c for h in self.hours if not math.isnan(h.surface_c)), default=math.nan
        )


def build_outlooks(
    forecast: Forecast,
    cells: Sequence[int],
    surfaces: SurfaceSeries,
    thresholds: HazardThresholds,
    snow_piles: Sequence[bool],
) -> list[Outlook]:
    """Return the outlook of each of some columns.

    Parameters
    ----------
    forecast : Forecast
        The hours ahead.
    cells : sequence of int
        Place of each column on the forecast's cell axis [-].
    surfaces : SurfaceSeries
        Without chemical, for the same hours.
    thresholds : HazardThresholds
        What counts as an event.
    snow_piles : sequence of bool
        Whether melt water from a pile runs across it.

    Returns
    -------
    list of Outlook
        Hours, events in order of time, and what is not known.
    """
    places = np.array(cells, dtype=np.intp)
    conditions = HourlyConditions.of(forecast, places, surfaces, thresholds)
    known = {
        what: hours
        for what, hours in _known_hours(forecast, places, surfaces).items()
        if not hours.all()
    }
    snowfall_cm = _known_snowfall_cm(forecast)[places].tolist()
    return [
        _outlook(conditions, thresholds, at, pile,
                 _forecast_gaps(forecast, {what: hours[:, at] for what, hours in known.items()}),
                 snowfall_cm[at])
        for at, pile in enumerate(snow_piles)
    ]  # fmt: skip


def _outlook(
    conditions: HourlyConditions,
    thresholds: HazardThresholds,
    at: int,
    snow_pile: bool,
    unknown: tuple[ForecastGap, ...],
    snowfall_cm: float,
) -> Outlook:
    """Return the outlook of one column of the conditions."""
    hours, error_k = conditions.hours[at], conditions.error_k[:, at]
    members, refreeze_members = conditions.members.column(at), conditions.refreeze.column(at)
    gap_h = thresholds.event_gap_h
    found: list[Event] = []
    governing = [hour.hazard for hour in hours]
    for run in _runs([index for index, hazard in enumerate(governing) if hazard], gap_h):
        of_frost = {Hazard.FROST, None}.issuperset(governing[run])
        which = members if of_frost else conditions.storm.column(at)
        found.append(_event(hours, governing, which, error_k, run, unknown))

    def refreezes(freezes: BoolArray, which: MemberSeries, pile: bool) -> Iterator[Event]:
        return _refreezes(hours, freezes, which, error_k, unknown, gap_h, pile)

    likely, common = conditions.refreeze_likely[:, at], conditions.refreeze_common[:, at]
    gap = timedelta(hours=gap_h)
    for refreeze in refreezes(common, refreeze_members, False):
        _add_refreeze(found, refreeze, gap)
    if snow_pile:
        frozen_c = np.where(np.isinf(members.surface_c), UNKNOWN_SURFACE_C, members.surface_c)
        below = normal_cdf(-frozen_c / error_k[:, None])
        pile_melt = replace(members, hazard_probability=below, present=frozen_c <= 0.0)
        for refreeze in refreezes(_pile_refreeze_mask(hours, thresholds), pile_melt, True):
            _add_refreeze(found, refreeze, gap)
    # what few members have stands alone: no consequence of a storm that all of them have
    found += refreezes(_isolated_runs(likely, common, gap_h), refreeze_members, False)
    found.sort(key=lambda event: event.start)
    return Outlook(hours, tuple(found), unknown, snowfall_cm)


def _refreezes(
    hours: tuple[Hour, ...],
    freezes: BoolArray,
    members: MemberSeries,
    error_k: Array,
    unknown: tuple[ForecastGap, ...],
    gap_h: float,
    pile: bool = False,
) -> Iterator[Event]:
    """Yield an event for each run of hours in which it freezes back, (hour,)."""
    runs = _runs(np.flatnonzero(freezes).tolist(), gap_h)
    named = [Hazard.REFREEZE if there else None for there in freezes.tolist()] if runs else []
    for run in runs:
        yield _event(hours, named, members, error_k, run, unknown, from_pile=pile)


@dataclass(frozen=True)
class Refreeze:
    """Where refrozen ice lies on a surface, and how likely that is.

    Attributes
    ----------
    icy, chance : array (hour, member)
        Whether it lies there; its probability [-].
    error_k : array (hour,)
        Error of a member's surface temperature [K].
    """

    icy: BoolArray
    chance: Array
    error_k: Array

    @classmethod
    def of_each(
        cls,
        forecast: Forecast,
        cells: IntArray,
        surfaces: SurfaceSeries,
        thresholds: HazardThresholds,
    ) -> list[Refreeze]:
        """Return that of several columns, each over a cell (column,), treated or not."""
        icy, chance, error_k = refreeze_of(forecast, cells, surfaces, thresholds)
        return [cls(icy[:, at], chance[:, at], error_k[:, at]) for at in range(len(cells))]

    def or_else(self, other: Refreeze) -> Refreeze:
        """Return the worse of two states of a surface, hour by hour and member by member."""
        return replace(self, icy=self.icy | other.icy, chance=np.maximum(self.chance, other.chance))

    def probability(self, hours: slice) -> float:
        """Return the probability that it lies there in any of some hours [-]."""
        return float(self.chance[hours].max(axis=0).mean())

    def likely(self, thresholds: HazardThresholds) -> BoolArray:
        """Return the hours in which it is watched for, (hour,)."""
        return np.asarray(self.chance.mean(axis=1) >= thresholds.monitor_probability)

    def events(
        self,
        forecast: Forecast,
        cell: int,
        surface_c: Array,
        thresholds: HazardThresholds,
        outlook: Outlook,
    ) -> tuple[Event, ...]:
        """Return an event for each run of hours in which it is watched for.

        Parameters
        ----------
        forecast : Forecast
            The hours ahead.
        cell : int
            Place of the column on the forecast's cell axis [-].
        surface_c : array (hour, member)
            The surface untreated [°C].
        thresholds : HazardThresholds
            What counts as an event.
        outlook : Outlook
            Of that surface.
        """
        likely = self.likely(thresholds)
        if not likely.any():
            return ()
        members = MemberSeries(
            known_precip_mm([forecast[name][:, cell] for name in PRECIP_TYPES]),
            fill_unknown(forecast["snowfall_cm"][:, cell], 0.0),
            fill_unknown(surface_c, np.inf),
            self.chance,
            self.icy,
        )
        return tuple(
            _refreezes(
                outlook.hours, likely, members, self.error_k, outlook.unknown,
                thresholds.event_gap_h,
            )
        )  # fmt: skip


def _isolated_runs(likely: BoolArray, common: BoolArray, gap_h: float) -> BoolArray:
    """Return the likely hours of runs in which no hour is common, (hour,)."""
    kept = np.zeros_like(likely)
    for run in _runs(np.flatnonzero(likely).tolist(), gap_h):
        kept[run] = likely[run] & ~common[run].any()
    return kept


def _add_refreeze(found: list[Event], refreeze: Event, gap: timedelta) -> None:
    """Add a refreeze, or note it as the aftermath of the event that it follows at once.

    What few members have is no reason for ice that most of them have.
    """
    for index, event in enumerate(found):
        follows = event.start <= refreeze.start <= event.end + gap
        if follows and 2 * sum(event.has_event) > len(event.has_event):
            if not refreeze.from_pile and refreeze.end > event.end:
                ice = {"ice_until": refreeze.end, "ice_probability": refreeze.probability}
                found[index] = event.model_copy(update=ice)
            return
    found.append(refreeze)


def _pile_refreeze_mask(hours: Sequence[Hour], thresholds: HazardThresholds) -> BoolArray:
    """Return hours in which water off a pile refreezes: enough thaw in the last twelve hours."""
    thaw = [hour.air_c > thresholds.pile_thaw_above_c for hour in hours]
    return np.array(
        [
            hour.surface_c <= 0.0
            and hour.hazard is None
            and sum(thaw[max(i - PILE_HISTORY_H, 0) : i]) >= thresholds.pile_thaw_hours
            for i, hour in enumerate(hours)
        ]
    )


def _runs(hazard_hours: Sequence[int], gap_h: float) -> list[slice]:
    """Return runs of hazard hours, given in order of time, merged across gaps up to a limit."""
    runs: list[slice] = []
    for index in hazard_hours:
        if runs and index - runs[-1].stop <= gap_h:
            runs[-1] = slice(runs[-1].start, index + 1)
        else:
            runs.append(slice(index, index + 1))
    return runs


def _event(
    hours: tuple[Hour, ...],
    hazards: Sequence[Hazard | None],
    members: MemberSeries,
    error_k: Array,
    run: slice,
    unknown: tuple[ForecastGap, ...],
    from_pile: bool = False,
) -> Event:
    """Return the event of a run of hours, by the hazard of each hour."""
    inside = hours[run]
    before = hours[max(run.start - 3, 0) : run.start + 1]
    with_surface = [hour for hour in inside if not math.isnan(hour.surface_c)]
    coldest = min(with_surface, key=attrgetter("surface_c"), default=inside[0])
    totals = members.totals(run)
    typical = median(totals).tolist()
    water_mm, snow_cm, most_snow_cm, coldest_c = typical
    end = inside[-1].start + timedelta(hours=1)
    ends = members.start_end_ranges(run)
    first, last = (None, None) if ends is None else (
        tuple(hours[0].start + timedelta(hours=hour) for hour in pair) for pair in ends
    )  # fmt: skip
    return Event(
        hazard=max((one for one in hazards[run] if one), key=SEVERITY_ORDER.index),
        start=inside[0].start,
        end=end,
        hazard_periods=_hazard_periods(hours, hazards, members, run, typical),
        pavement_temp_at_start_c=inside[0].surface_c,
        min_pavement_temp_c=math.nan if math.isinf(coldest_c) else coldest_c,
        min_pavement_temp_range_c=members.min_pavement_temp_range_c(
            totals[-1], float(error_k[run].mean())
        ),
        start_range=first,
        end_range=last,
        min_pavement_temp_at=coldest.start,
        min_air_temp_c=min(_known([hour.air_c for hour in inside]), default=math.inf),
        trend=_trend(before[0].surface_c, coldest_c),
        precip_mm=water_mm,
        snowfall_cm=snow_cm,
        max_snowfall_rate_cm_h=most_snow_cm,
        max_wind_ms=max(_known([hour.wind_ms for hour in inside]), default=0.0),
        blowing_snow=any(hour.blowing_snow for hour in inside),
        from_pile=from_pile,
        ice_until=None,
        probability=members.probability(run),
        chance_given=_chance_given(inside, hazards[run]),
        has_event=tuple(members.has_event(run).tolist()),
        unknown=tuple(
            dict.fromkeys(
                item.variable
                for item in unknown
                if (item.after is None or item.after < end)
                and (item.until is None or item.until > inside[0].start)
            )
        ),
    )


def _chance_given(hours: Sequence[Hour], hazards: Sequence[Hazard | None]) -> bool:
    """Return whether the source gives a chance in the hours in which something falls."""
    dry = (None, Hazard.FROST, Hazard.REFREEZE)
    pops = [hour.pop for hour, hazard in zip(hours, hazards, strict=True) if hazard not in dry]
    return not pops or not all(math.isnan(pop) for pop in pops)


def _hazard_periods(
    hours: tuple[Hour, ...],
    hazards: Sequence[Hazard | None],
    members: MemberSeries,
    run: slice,
    typical: Sequence[float],
) -> tuple[HazardPeriod, ...]:
    """Return the hazard periods of an event, whose own typical totals are given."""
    found = []
    at = run.start
    for hazard, hours_of_it in groupby(hazards[run]):
        part = slice(at, at + len(list(hours_of_it)))
        at = part.stop
        if hazard is not None:
            water_mm, snow_cm, *_ = (
                typical if part == run else median(members.totals(part)).tolist()
            )
            found.append(
                HazardPeriod(
                    hazard=hazard,
                    start=hours[part.start].start,
                    end=hours[part.stop - 1].start + timedelta(hours=1),
                    precip_mm=water_mm,
                    snowfall_cm=snow_cm,
                )
            )
    return tuple(found)


def _trend(before_c: float, coldest_c: float) -> Trend:
    if math.isnan(before_c):
        return "falling"  # the cautious reading of the handbooks' tables
    if coldest_c < before_c - 1.0:
        return "falling"
    return "rising" if coldest_c > before_c + 1.0 else "steady"


def _known(values: Sequence[float]) -> list[float]:
    return [value for value in values if not math.isnan(value)]


def _known_hours(
    forecast: Forecast, cells: IntArray, surface: SurfaceSeries
) -> dict[str, BoolArray]:
    """Return in which hours what the readers are told of is known, (hour, column).

    The pavement carries its heat from hour to hour: after a pause of the temperature it stays
    unknown, and that is said beside the pause itself.
    """
    known = {
        what: (_all_members_known(forecast[name]) & ~forecast.unknown.get(name, NONE))[:, cells]
        for name, what in UNKNOWN_LABELS.items()
    }
    lost = ~_all_members_known(surface.surface_c) & known["temperature"]
    # where members stand for the temperature, a range of the pavement is known
    in_range = ~np.broadcast_to(forecast.unknown.get("air_temp_c", NONE),
                                forecast["air_temp_c"].shape[:2])[:, cells]  # fmt: skip
    return known | {"pavement": ~np.logical_or.accumulate(lost) & in_range}


def _known_snowfall_cm(forecast: Forecast) -> Array:
    """Return the typical new snow over the horizon of each cell, as far as known, (cell,) [cm]."""
    snowfall_cm = fill_unknown(forecast["snowfall_cm"], 0.0)
    unknown = forecast.unknown.get("snowfall_cm", NONE)[..., None]
    return median(np.where(unknown, 0.0, snowfall_cm).sum(axis=0))


def _forecast_gaps(forecast: Forecast, known: Mapping[str, BoolArray]) -> tuple[ForecastGap, ...]:
    """Return the variables that end, pause or are missing inside the horizon."""
    found = []
    for what, hours in known.items():
        if hours.all():
            continue
        if not hours.any():
            found.append(ForecastGap(variable=what, after=None))
            continue
        turns = np.flatnonzero(np.diff(hours.astype(int), prepend=1, append=1))
        for first, last in turns.reshape(-1, 2):
            until = forecast.hour_start(int(last)) if last < forecast.n_hours else None
            found.append(
                ForecastGap(variable=what, after=forecast.hour_start(int(first)), until=until)
            )
    return tuple(found)


def _all_members_known(values: Array) -> BoolArray:
    """Return the hours in which every member has a value, (hour, column)."""
    return np.asarray(np.isfinite(values).all(axis=-1), dtype=np.bool_)
