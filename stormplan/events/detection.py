"""Events: hazard hours merged into records.

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
from pydantic import AwareDatetime, Field

from stormplan.arrays import Array, BoolArray
from stormplan.company.validators import Record
from stormplan.events.ensemble_stats import MemberSeries, median
from stormplan.events.hazards import (
    FROST_CODE,
    SEVERITY_ORDER,
    Hazard,
    HazardThresholds,
    SurfaceSeries,
    governing_hazard,
    hazard_codes,
    hazard_probability,
    member_error_k,
    refreeze_mask,
)
from stormplan.numerics import normal_cdf
from stormplan.physics.ensemble import surface_uncertainty
from stormplan.weather.forecast import PRECIP_TYPES, Forecast

#: Hours in which a pile's thaw counts: half a day, so that a night follows its own afternoon.
PILE_HISTORY_H = 12
Trend = Literal["falling", "steady", "rising"]
#: Stands in for a surface that is not known: it freezes nothing [°C].
UNKNOWN_SURFACE_C = 99.0
#: What the readers are told is unknown when a layer ends or is missing.
UNKNOWN_LABELS = {
    "snowfall_cm": "snow",
    "precip_mm": "precipitation",
    "freezing_rain_mm": "freezing rain",
    "air_temp_c": "temperature",
}


class Hour(NamedTuple):
    """Conditions of one hour on one column; NaN where not known.

    The surface lies between ``surface_p10_c`` and ``surface_p90_c`` four times in five;
    ``prob_below_freezing`` and ``prob_frost`` are the chances that it is below freezing, and the
    frost point too.
    """

    start: datetime
    air_c: float
    dew_point_c: float
    surface_c: float
    wind_ms: float
    rain_mm: float
    snowfall_swe_mm: float
    snowfall_cm: float
    freezing_rain_mm: float
    sleet_mm: float
    pop: float
    surface_water_mm: float
    blowing_snow: bool
    surface_p10_c: float
    surface_p90_c: float
    prob_below_freezing: float
    prob_frost: float
    hazard: Hazard | None
    cloud_frac: float = math.nan
    air_mean_c: float = math.nan
    night_offset_k: float = math.nan

    @property
    def precip_mm(self) -> float:
        """Precipitation of all types as water [mm]; NaN if none is known."""
        parts = [self.rain_mm, self.snowfall_swe_mm, self.freezing_rain_mm, self.sleet_mm]
        known = [part for part in parts if not math.isnan(part)]
        return sum(known) if known else math.nan


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
        Until when ice lies there afterwards if nothing is done, UTC.
    probability : float
        Probability that it comes [-].
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
    probability: float
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


def build_outlook(
    forecast: Forecast,
    cell: int,
    surface: SurfaceSeries,
    thresholds: HazardThresholds,
    snow_pile: bool = False,
) -> Outlook:
    """Return the outlook of one surface.

    Parameters
    ----------
    forecast : Forecast
        The hours ahead.
    cell : int
        Place of the column on the forecast's cell axis [-].
    surface : SurfaceSeries
        The surface without chemical, for the same hours.
    thresholds : HazardThresholds
        What counts as an event.
    snow_pile : bool
        Whether melt water from a pile runs across it.

    Returns
    -------
    Outlook
        Hours, events in order of time, and what is not known.
    """
    series = {
        name: forecast[name][:, cell, :]
        for name in (
            *("air_temp_c", "dew_point_c", "wind_10m_ms", "pop", "blowing_snow"),
            *PRECIP_TYPES,
            "snowfall_cm",
        )
    }
    hazards = hazard_codes(series, surface, thresholds)
    error_k = member_error_k(forecast, cell, surface)
    chance = hazard_probability(hazards, series, surface, error_k)
    governing = governing_hazard(hazards, chance, thresholds.monitor_probability)
    members = MemberSeries.from_series(series, surface.surface_c, chance, hazards >= 0)
    precipitating = (
        hazards > FROST_CODE
    )  # a storm is as likely as what falls; frost beside it is no part of it
    storm_members = replace(
        members, hazard_probability=np.where(precipitating, chance, 0.0), present=precipitating
    )
    unknown = _forecast_gaps(forecast, cell, surface)
    found: list[Event] = []
    hours = _hours(forecast, cell, series, surface, error_k, governing)
    for run in _runs(governing, thresholds.event_gap_h):
        of_frost = {Hazard.FROST, None}.issuperset(governing[run])
        which = members if of_frost else storm_members
        found.append(_event(hours, which, error_k, run, unknown))
    icy, chance = refreeze_mask(hazards, series, surface, error_k, thresholds.hazardous_ice_mm)
    refreezing = replace(members, hazard_probability=chance, present=icy)
    likely = chance.mean(axis=1) >= thresholds.monitor_probability
    common = likely & (icy.mean(axis=1) > 0.5)
    gap = timedelta(hours=thresholds.event_gap_h)

    def refreezes(freezes: BoolArray, which: MemberSeries, pile: bool) -> Iterator[Event]:
        if not freezes.any():
            return
        named = [Hazard.REFREEZE if there else None for there in freezes.tolist()]
        frozen = tuple(h._replace(hazard=n) for h, n in zip(hours, named, strict=True))
        for run in _runs(named, thresholds.event_gap_h):
            yield _event(frozen, which, error_k, run, unknown, from_pile=pile)

    for refreeze in refreezes(common, refreezing, False):
        _add_refreeze(found, refreeze, gap)
    if snow_pile:
        frozen_c = np.nan_to_num(surface.surface_c, nan=UNKNOWN_SURFACE_C)
        below = normal_cdf(-frozen_c / error_k[:, None])
        pile_melt = replace(members, hazard_probability=below, present=frozen_c <= 0.0)
        for refreeze in refreezes(_pile_refreeze_mask(hours, thresholds), pile_melt, True):
            _add_refreeze(found, refreeze, gap)
    # what few members have stands alone: no consequence of a storm that all of them have
    found += refreezes(_isolated_runs(likely, common, thresholds.event_gap_h), refreezing, False)
    found.sort(key=lambda event: event.start)
    is_known = ~forecast.is_unknown("snowfall_cm", cell)
    snow_cm = float(median(members.snowfall_cm[is_known].sum(axis=0)))
    return Outlook(hours, tuple(found), unknown, snow_cm)


def _isolated_runs(likely: BoolArray, common: BoolArray, gap_h: float) -> BoolArray:
    """Return the likely hours of runs in which no hour is common, (hour,)."""
    kept = np.zeros_like(likely)
    for run in _runs([there or None for there in likely.tolist()], gap_h):
        kept[run] = likely[run] & ~common[run].any()
    return kept


def _add_refreeze(found: list[Event], refreeze: Event, gap: timedelta) -> None:
    """Add a refreeze, or note it as the aftermath of the event that it follows at once.

    What few members have is no reason for ice that most of them have.
    """
    for index, event in enumerate(found):
        follows = event.start <= refreeze.start <= event.end + gap
        if follows and 2 * sum(event.has_event) > len(event.has_event):
            if not refreeze.from_pile:
                found[index] = event.model_copy(update={"ice_until": refreeze.end})
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


def _hours(
    forecast: Forecast,
    cell: int,
    series: dict[str, Array],
    surface_series: SurfaceSeries,
    error_k: Array,
    governing: Sequence[Hazard | None],
) -> tuple[Hour, ...]:
    both = {
        **series,
        "surface_c": surface_series.surface_c,
        "surface_water_mm": surface_series.surface_water_mm,
    }
    medians = dict(zip(both, median(np.array(list(both.values()))), strict=True))
    for name in (*PRECIP_TYPES, "snowfall_cm"):  # medians by type lose water near freezing
        medians[name] = np.where(forecast.is_unknown(name, cell), np.nan, series[name][:, 0])
    medians["pop"] = np.where(forecast.is_unknown("pop", cell), np.nan, series["pop"].mean(axis=1))
    columns = [
        medians["air_temp_c"],
        medians["dew_point_c"],
        medians["surface_c"],
        medians["wind_10m_ms"],
        medians["rain_mm"],
        medians["snowfall_swe_mm"],
        medians["snowfall_cm"],
        medians["freezing_rain_mm"],
        medians["sleet_mm"],
        medians["pop"],
        medians["surface_water_mm"],
    ]
    median_lists = [column.tolist() for column in columns]
    blowing = (medians["blowing_snow"] > 0.5).tolist()
    surface = surface_uncertainty(surface_series.surface_c, series["dew_point_c"], error_k)
    spreads = (surface.p10_c, surface.p90_c, surface.prob_below_freezing, surface.prob_frost)
    uncertainty_lists = [values.tolist() for values in spreads]
    unread = np.full(forecast.n_hours, np.nan)
    nightly = (
        np.median(forecast["cloud_frac"][:, cell], axis=1),
        unread if surface_series.air_mean_c is None else surface_series.air_mean_c,
        unread if surface_series.night_offset_k is None else surface_series.night_offset_k,
    )
    return tuple(
        map(
            Hour, forecast.hour_starts, *median_lists, blowing, *uncertainty_lists, governing,
            *(values.tolist() for values in nightly),
        )
    )  # fmt: skip


def _runs(governing: Sequence[object | None], gap_h: float) -> list[slice]:
    """Return runs of hazard hours, merged across gaps up to a limit."""
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
    members: MemberSeries,
    error_k: Array,
    run: slice,
    unknown: tuple[ForecastGap, ...],
    from_pile: bool = False,
) -> Event:
    inside = hours[run]
    before = hours[max(run.start - 3, 0) : run.start + 1]
    coldest = min(inside, key=lambda hour: _nan_to_inf(hour.surface_c))
    coldest_c = members.typical_total(members.surface_c, run, np.min)
    end = inside[-1].start + timedelta(hours=1)
    ends = members.start_end_ranges(run)
    first, last = (None, None) if ends is None else (
        tuple(hours[0].start + timedelta(hours=hour) for hour in pair) for pair in ends
    )  # fmt: skip
    return Event(
        hazard=max((h.hazard for h in inside if h.hazard), key=SEVERITY_ORDER.index),
        start=inside[0].start,
        end=end,
        hazard_periods=_hazard_periods(hours, members, run),
        pavement_temp_at_start_c=inside[0].surface_c,
        min_pavement_temp_c=math.nan if math.isinf(coldest_c) else coldest_c,
        min_pavement_temp_range_c=members.min_pavement_temp_range_c(
            run, float(error_k[run].mean())
        ),
        start_range=first,
        end_range=last,
        min_pavement_temp_at=coldest.start,
        min_air_temp_c=min(_nan_to_inf(hour.air_c) for hour in inside),
        trend=_trend(before[0].surface_c, coldest_c),
        precip_mm=members.typical_total(members.precip_mm, run, np.sum),
        snowfall_cm=members.typical_total(members.snowfall_cm, run, np.sum),
        max_snowfall_rate_cm_h=members.typical_total(members.snowfall_cm, run, np.max),
        max_wind_ms=max(_nan_to_zero(hour.wind_ms) for hour in inside),
        blowing_snow=any(hour.blowing_snow for hour in inside),
        from_pile=from_pile,
        ice_until=None,
        probability=members.probability(run),
        chance_given=_chance_given(inside),
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


def _chance_given(hours: Sequence[Hour]) -> bool:
    """Return whether the source gives a chance in the hours in which something falls."""
    falling = [hour for hour in hours if hour.hazard not in (None, Hazard.FROST, Hazard.REFREEZE)]
    return not falling or any(not math.isnan(hour.pop) for hour in falling)


def _hazard_periods(
    hours: tuple[Hour, ...], members: MemberSeries, run: slice
) -> tuple[HazardPeriod, ...]:
    """Return the hazard periods of an event."""
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
        HazardPeriod(
            hazard=hours[part.start].hazard or Hazard.FROST,
            start=hours[part.start].start,
            end=hours[part.stop - 1].start + timedelta(hours=1),
            precip_mm=members.typical_total(members.precip_mm, part, np.sum),
            snowfall_cm=members.typical_total(members.snowfall_cm, part, np.sum),
        )
        for part in stretches
    )


def _trend(before_c: float, coldest_c: float) -> Trend:
    if math.isnan(before_c):
        return "falling"  # the cautious reading of the handbooks' tables
    if coldest_c < before_c - 1.0:
        return "falling"
    return "rising" if coldest_c > before_c + 1.0 else "steady"


def _nan_to_inf(value: float) -> float:
    return math.inf if math.isnan(value) else value


def _nan_to_zero(value: float) -> float:
    return 0.0 if math.isnan(value) else value


def _forecast_gaps(
    forecast: Forecast, cell: int, surface: SurfaceSeries
) -> tuple[ForecastGap, ...]:
    """Return the variables that end, pause or are missing inside the horizon.

    The pavement carries its heat from hour to hour: after a pause of the temperature it stays
    unknown, and that is said beside the pause itself.
    """
    known = {
        what: _all_members_known(forecast[name][:, cell, :]) & ~forecast.is_unknown(name, cell)
        for name, what in UNKNOWN_LABELS.items()
    }
    in_range = ~forecast.is_unknown("air_temp_c", cell)  # members stand for it: a range is known
    lost = ~_all_members_known(surface.surface_c) & known["temperature"]
    known["pavement"] = ~np.logical_or.accumulate(lost) & in_range
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
    """Return the hours in which every member has a value."""
    return np.asarray(np.isfinite(values).all(axis=1), dtype=np.bool_)
