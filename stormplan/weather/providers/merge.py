"""One forecast from several: layer by layer and hour by hour, in one order of preference.

``merge_forecasts`` takes, for every layer and every hour that matters, the first of these that
knows it:

1. the newest copy of the preferred source,
2. older copies of the same source, newest first,
3. the newest copies of the other sources, in their order of preference,
4. a stated rule: a straight line over a short gap, the same hour of the days before and after
   over a longer one, published stand-ins for a layer that is absent; water from the depth of
   snow and ice; dry where the words give no precipitation,
5. nothing: the hour stays unknown (NaN), and the planner puts members in its place.

``extend_back`` puts the hours before now in front that the source does not give.

An amount and its types, or an air temperature and its dew point, never come from two copies in
one hour. Every value that was not read from the newest copy is flagged, and what stands in for it
is said.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np

from stormplan.arrays import Array, BoolArray, FlagArray
from stormplan.company.practice_rules import Practice
from stormplan.numerics import floor_hour
from stormplan.weather import infill, moist_air, precip_by_temperature
from stormplan.weather.forecast import (
    ALL_VARIABLES,
    HISTORY_H,
    PRECIP_TYPES,
    REQUIRED_VARIABLES,
    TYPE_CHANCES,
    WORD_VARIABLES,
    CellForecast,
    QualityFlag,
    Substitution,
    is_weather_known,
)
from stormplan.weather.providers import precip_type
from stormplan.weather.providers.intervals import HourAxis


@dataclass(frozen=True)
class MergeRules:
    """The rules of practice for what stands in for a value that is missing.

    Attributes
    ----------
    older_copy_max_age : timedelta
        Copies issued longer ago than this do not stand in.
    straight_line_max_h : float
        Longest gap that a straight line bridges [h].
    daily_cycle_max_h : float
        Longest gap that the same hour of neighboring days fills [h].
    dry_below_pop : float
        Where the words give no precipitation, a chance below this is dry [-].
    """

    older_copy_max_age: timedelta
    straight_line_max_h: float
    daily_cycle_max_h: float
    dry_below_pop: float

    @classmethod
    def from_practice(cls, practice: Practice) -> MergeRules:
        """Return the rules as a company has them."""
        return cls(
            timedelta(hours=practice.number("older_copy_max_age")),
            practice.number("gap_straight_line"),
            practice.number("gap_daily_cycle"),
            practice.number("unknown_dry_below"),
        )


@dataclass(frozen=True)
class Layer:
    """Variables that are taken from one copy together, and those that make the hour known."""

    label: str
    names: tuple[str, ...]
    needed: tuple[str, ...]


#: Layers without which an hour cannot be planned.
NEEDED_LAYERS = (
    Layer("temperature", ("air_temp_c", "dew_point_c", "rel_humidity_pct"), ("air_temp_c",)),
    Layer("dew point", ("dew_point_c", "rel_humidity_pct"), ("dew_point_c",)),
    Layer("wind", ("wind_10m_ms", "wind_gust_ms"), ("wind_10m_ms",)),
    Layer("cloud", ("cloud_frac", "sw_down_wm2", "lw_down_wm2"), ("cloud_frac",)),
    Layer(
        "precipitation",
        ("precip_mm", *PRECIP_TYPES, *WORD_VARIABLES),
        ("precip_mm", *PRECIP_TYPES),
    ),
)
SNOW_DEPTH = Layer("snow depth", ("snowfall_cm",), ("snowfall_cm",))
#: Layers that only an older copy of the same source stands in for.
OWN_LAYERS = (
    Layer("chance of precipitation", ("pop",), ("pop",)),
    Layer("ice accretion", ("ice_accretion_mm",), ("ice_accretion_mm",)),
    Layer("blowing snow", ("blowing_snow",), ("blowing_snow",)),
)
#: What comes along with water that is taken from another copy, where the hour has none of it.
WITH_WATER = ("pop", "snowfall_cm", "ice_accretion_mm", "blowing_snow")
#: States that a gap may be bridged in.
STATES = (*REQUIRED_VARIABLES, "rel_humidity_pct", "pressure_hpa")


def unknown_hours(cell: CellForecast, begin: datetime, until: datetime) -> dict[str, int]:
    """Return for how many hours of a period each needed layer is unknown; empty if for none."""
    hours = max(round((until - begin) / timedelta(hours=1)), 0)
    aligned = _align(cell, HourAxis(begin, hours))
    layers = (*NEEDED_LAYERS, SNOW_DEPTH)
    counts = {layer.label: int((~aligned.is_known(layer.needed)).sum()) for layer in layers}
    return {label: count for label, count in counts.items() if count}


def merge_forecasts(
    newest: CellForecast,
    older_copies: Sequence[CellForecast],
    others: Sequence[CellForecast],
    now: datetime,
    until: datetime,
    rules: MergeRules,
) -> CellForecast:
    """Return the forecast of a location from all copies at hand.

    Parameters
    ----------
    newest : CellForecast
        Newest copy of the preferred source.
    older_copies : sequence of CellForecast
        Older ones of the same source, newest first.
    others : sequence of CellForecast
        Newest copies of the other sources, in order of preference; of several members the
        control run is used.
    now, until : datetime
        The hours that matter, aware UTC.
    rules : MergeRules
        What may stand in.

    Returns
    -------
    CellForecast
        ``newest`` itself where it knows everything.
    """
    begin = floor_hour(now)
    if not unknown_hours(newest, begin, until):
        return newest
    n_hours = max(newest.n_hours, round((until - newest.start) / timedelta(hours=1)))
    axis = HourAxis(newest.start, n_hours)
    matters = np.arange(n_hours) >= axis.hour_index(begin)
    matters &= np.arange(n_hours) < axis.hour_index(until)
    merged = _align(newest, axis)
    merged.matters = matters
    usable = [copy for copy in older_copies if now - copy.issued_at <= rules.older_copy_max_age]
    for copy in usable:
        _take_from(merged, copy, axis, QualityFlag.FROM_OLDER_COPY, newest)
    for other in others:
        _take_from(merged, other, axis, QualityFlag.FROM_OTHER_SOURCE, newest)
    _fill_states(merged, rules)
    _fill_types(merged)
    _fill_water(merged, rules)
    _fill_snow_depth(merged)
    if not merged.said and not merged.changed:
        return newest
    used = merged.used.values()
    credited = dict.fromkeys(cell.credit for cell in (newest, *used) if cell.credit)
    return replace(
        newest,
        cell_id=" + ".join((newest.cell_id, *merged.used)),
        values=merged.values,
        flags=merged.flags,
        stale=newest.stale or any(cell.stale for cell in used),
        substitutions=(*newest.substitutions, *merged.said),
        credit="; ".join(credited),
    )


def is_history_known(cell: CellForecast, now: datetime) -> bool:
    """Return whether every hour of the ``HISTORY_H`` before a moment is known."""
    begin = floor_hour(now) - timedelta(hours=HISTORY_H)
    return bool(_weather_known(_align(cell, HourAxis(begin, HISTORY_H))).all())


def extend_back(
    newest: CellForecast,
    past_copies: Sequence[CellForecast],
    others: Sequence[CellForecast],
    now: datetime,
) -> CellForecast:
    """Return a forecast with the hours before now that it lacks and copies at hand tell.

    Pavement remembers days: without them the first night starts from a climate's mean.

    Parameters
    ----------
    newest : CellForecast
        The forecast of a location.
    past_copies : sequence of CellForecast
        Earlier ones of the same source, newest first.
    others : sequence of CellForecast
        Of other sources, in order of preference; of several members the control run is used.
    now : datetime
        The moment planned for, aware UTC.

    Returns
    -------
    CellForecast
        ``newest`` itself where nobody tells more. Each hour is of one copy throughout, and flagged.
    """
    if is_history_known(newest, now):
        return newest
    begin = floor_hour(now) - timedelta(hours=HISTORY_H)
    start = min(newest.start, begin)
    axis = HourAxis(start, newest.n_hours + round((newest.start - start) / timedelta(hours=1)))
    merged = _align(newest, axis)
    hour_index = np.arange(axis.n_hours) - axis.hour_index(begin)
    is_past = (hour_index >= 0) & (hour_index < HISTORY_H)
    credited = [newest.credit]
    for copy in (*past_copies, *others):
        theirs = _align(copy, axis)
        hours = is_past & ~_weather_known(merged) & _weather_known(theirs)
        if not hours.any():
            continue
        is_own = copy.source == newest.source
        flag = QualityFlag.FROM_OLDER_COPY if is_own else QualityFlag.FROM_OTHER_SOURCE
        members = slice(None) if copy.n_members == newest.n_members else slice(1)
        for name in ALL_VARIABLES:
            merged.values[name][hours] = theirs.values[name][hours, members]
            merged.flags[name][hours] = theirs.flags[name][hours] | np.uint16(flag)
        credited.append(copy.credit)
        merged.changed = True
    if not merged.changed:
        return newest
    first = min(int(np.argmax(_weather_known(merged))), axis.hour_index(newest.start))
    return replace(
        newest,
        start=axis.hour_start(first),
        values={name: array[first:] for name, array in merged.values.items()},
        flags={name: array[first:] for name, array in merged.flags.items()},
        credit="; ".join(dict.fromkeys(one for one in credited if one)),
    )


def _weather_known(aligned: _Aligned) -> BoolArray:
    return np.asarray(is_weather_known(aligned.values).all(axis=1))


# -- the forecast under construction --------------------------------------------------------------


@dataclass
class _Aligned:
    """Arrays of a forecast on a common hour axis, and what was put into them."""

    axis: HourAxis
    values: dict[str, Array]
    flags: dict[str, FlagArray]
    matters: BoolArray
    said: list[Substitution] = field(default_factory=list)
    used: dict[str, CellForecast] = field(default_factory=dict)
    changed: bool = False

    def is_known(self, names: Iterable[str]) -> BoolArray:
        """Return the hours in which every member has a value of all of some variables."""
        known = [np.isfinite(self.values[name]).all(axis=1) for name in names]
        return np.asarray(np.all(known, axis=0))

    def put(self, name: str, hours: BoolArray, values: Array, flag: QualityFlag) -> None:
        """Put values (hour, member) into some hours and flag them."""
        put = hours & np.isfinite(values).all(axis=1)
        if put.any():
            self.values[name][put] = values[put]
            self.flags[name][put] |= np.uint16(flag)
            self.changed = True

    def say(self, what: str, hours: BoolArray) -> None:
        """Say what stands in for some hours, where they matter."""
        inside = np.flatnonzero(hours & self.matters)
        if inside.size:
            first = self.axis.hour_start(int(inside[0]))
            self.said.append(Substitution(what, int(inside.size), first))


def _align(cell: CellForecast, axis: HourAxis) -> _Aligned:
    """Return a forecast's arrays on another hour axis; NaN outside its own hours."""
    shift = axis.hour_index(cell.start)
    start = min(max(shift, 0), axis.n_hours)
    stop = max(min(shift + cell.n_hours, axis.n_hours), start)
    target, source = slice(start, stop), slice(start - shift, stop - shift)
    values: dict[str, Array] = {}
    flags: dict[str, FlagArray] = {}
    for name in ALL_VARIABLES:
        values[name] = np.full((axis.n_hours, cell.n_members), np.nan)
        flags[name] = np.zeros(axis.n_hours, np.uint16)
        if name in cell.values:
            values[name][target] = cell.values[name][source]
        if name in cell.flags:
            flags[name][target] = cell.flags[name][source]
    return _Aligned(axis, values, flags, np.ones(axis.n_hours, dtype=np.bool_))


def _copy_label(copy: CellForecast, newest: CellForecast) -> str:
    if copy.source == newest.source:
        earlier_h = (newest.issued_at - copy.issued_at) / timedelta(hours=1)
        return f"its own copy of {earlier_h:.0f} h before"
    return copy.source


def _take_from(
    merged: _Aligned,
    copy: CellForecast,
    axis: HourAxis,
    flag: QualityFlag,
    newest: CellForecast,
) -> None:
    """Take from a copy every layer in the hours that matter and are not known yet."""
    theirs = _align(copy, axis)
    own = flag is QualityFlag.FROM_OLDER_COPY
    for layer in (*NEEDED_LAYERS, *((SNOW_DEPTH, *OWN_LAYERS) if own else ())):
        hours = merged.matters & ~merged.is_known(layer.needed) & theirs.is_known(layer.needed)
        if layer is SNOW_DEPTH:  # a depth from other water than the hour's would contradict it
            hours &= _snows(merged) == _snows(theirs)
        if not hours.any():
            continue
        for name in layer.names:
            merged.values[name][hours] = theirs.values[name][hours, :1]
            merged.flags[name][hours] = theirs.flags[name][hours] | np.uint16(flag)
        if layer.label == "precipitation":
            _take_with_water(merged, theirs, hours, flag)
        if layer.label == "dew point":
            merged.values["dew_point_c"] = np.fmin(
                merged.values["dew_point_c"], merged.values["air_temp_c"]
            )
        if layer not in OWN_LAYERS:
            merged.say(f"{layer.label}: from {_copy_label(copy, newest)}", hours)
        merged.changed = True
        if not own:
            merged.used[f"{copy.source} {copy.cell_id}"] = copy


def _snows(aligned: _Aligned) -> BoolArray:
    with np.errstate(invalid="ignore"):
        return np.asarray((aligned.values["snowfall_swe_mm"] > 0.0).any(axis=1))


def _take_with_water(
    merged: _Aligned, theirs: _Aligned, hours: BoolArray, flag: QualityFlag
) -> None:
    """Take what belongs to water from another copy; snow and ice that are known stay."""
    for name in WITH_WATER:
        mine, given = merged.values[name], theirs.values[name][:, :1]
        larger = np.fmax(mine, given) if name != "pop" else np.where(np.isnan(mine), given, mine)
        with np.errstate(invalid="ignore"):
            taken = hours & ((larger != mine) & np.isfinite(larger)).any(axis=1)
        merged.put(name, taken, larger, flag)


# -- rules ----------------------------------------------------------------------------------------


def _fill_states(merged: _Aligned, rules: MergeRules) -> None:
    """Fill temperature, dew point, wind, cloud and pressure by the rules for gaps."""
    labels = dict(
        zip(REQUIRED_VARIABLES, ("temperature", "dew point", "wind", "cloud"), strict=True)
    )
    for name in STATES:
        steps: tuple[tuple[str, Callable[[Array], Array], QualityFlag], ...] = (
            (
                "a straight line between its neighbors",
                lambda values: _straight_line(values, rules.straight_line_max_h),
                QualityFlag.INTERPOLATED,
            ),
            (
                "the same hour of the days before and after",
                lambda values: _daily_cycle(values, rules.daily_cycle_max_h),
                QualityFlag.FROM_DAILY_CYCLE,
            ),
        )
        for words, rule, flag in steps:
            gaps = merged.matters & ~merged.is_known((name,))
            if not gaps.any():
                break
            values = _by_member(merged.values[name], rule)
            filled = gaps & np.isfinite(values).all(axis=1)
            merged.put(name, filled, values, flag)
            if name in labels:
                merged.say(f"{labels[name]}: {words}", filled)
    _fill_absent_states(merged)
    merged.values["dew_point_c"] = np.where(
        merged.values["dew_point_c"] > merged.values["air_temp_c"],
        merged.values["air_temp_c"],
        merged.values["dew_point_c"],
    )


def _fill_absent_states(merged: _Aligned) -> None:
    """Fill dew point, wind and cloud by published stand-ins where the temperature is known."""
    air = merged.values["air_temp_c"]
    stand_ins: Mapping[str, tuple[str, Callable[[], Array]]] = {
        "dew_point_c": (
            "dew point: the lowest temperature of the day",
            lambda: _by_member(air, infill.dew_point_from_daily_min),
        ),
        "wind_10m_ms": (
            f"wind: {infill.DEFAULT_WIND_MS:g} m/s, typical of open country",
            lambda: np.full(air.shape, infill.DEFAULT_WIND_MS),
        ),
        "cloud_frac": (
            "cloud: from the daily range of temperature",
            lambda: _by_member(air, _cloud_from_range),
        ),
    }
    for name, (words, stand_in) in stand_ins.items():
        gaps = merged.matters & ~merged.is_known((name,)) & merged.is_known(("air_temp_c",))
        if gaps.any():
            merged.put(name, gaps, stand_in(), QualityFlag.MODELED)
            merged.say(words, gaps)


def _cloud_from_range(air_temp_c: Array) -> Array:
    dimming = 1.0 - infill.clearsky_index(air_temp_c)
    return np.clip(dimming / infill.LONGWAVE_CLOUD_COEFFICIENT, 0.0, 1.0)


def _by_member(values: Array, rule: Callable[[Array], Array]) -> Array:
    return np.stack([rule(values[:, member]) for member in range(values.shape[1])], axis=1)


def _straight_line(values: Array, max_gap_h: float) -> Array:
    return infill.interpolate_gaps(values, int(max_gap_h))


def _daily_cycle(values: Array, max_gap_h: float) -> Array:
    """Fill gaps up to a length with the mean of the same hour the day before and after."""
    known = np.isfinite(values)
    padded = np.pad(values, 24, constant_values=np.nan)
    pair = np.stack([padded[:-48], padded[48:]])
    count = np.isfinite(pair).sum(axis=0)
    mean = np.where(count > 0, np.nansum(pair, axis=0) / np.maximum(count, 1), np.nan)
    edges = np.flatnonzero(np.diff(known.astype(int), prepend=1, append=1))
    filled = values.copy()
    for first, last in edges.reshape(-1, 2):
        if last - first <= max_gap_h:
            filled[first:last] = mean[first:last]
    return filled


def _fill_types(merged: _Aligned) -> None:
    """Split water whose type is not known, by the words and the temperature that is known now."""
    water = merged.values["precip_mm"]
    hours = merged.matters & merged.is_known(("precip_mm", "air_temp_c", "dew_point_c"))
    hours &= ~merged.is_known(PRECIP_TYPES)
    if not hours.any():
        return
    named = np.stack([merged.values[name][:, 0] > 0.0 for name in TYPE_CHANCES], axis=1)
    words = precip_type.PrecipWords(hours, named.any(axis=1).astype(float), named)
    fracs = []
    for member in range(water.shape[1]):
        at_member = {name: merged.values[name][:, member] for name in STATES}
        air = precip_by_temperature.AirState.from_values(
            at_member, merged.values["ice_accretion_mm"][:, member]
        )
        fracs.append(precip_type.type_fracs_from_words(words, air)[0])
    shares = np.stack(fracs, axis=1)
    for index, name in enumerate(PRECIP_TYPES):
        amount = np.where(water > 0.0, water * shares[..., index], water)
        merged.put(name, hours, amount, QualityFlag.INFERRED_PRECIP_TYPE)
    merged.say("precipitation type: from words and temperature", hours)


def _fill_water(merged: _Aligned, rules: MergeRules) -> None:
    """Fill water that is not known from snow depth and ice, or as none where words say so."""
    values = merged.values
    unknown = merged.matters & ~merged.is_known(("precip_mm", *PRECIP_TYPES))
    if not unknown.any():
        return
    with np.errstate(invalid="ignore"):
        snow_mm = (
            10.0 * values["snowfall_cm"] / moist_air.snow_to_liquid_ratio(values["air_temp_c"])
        )
        ice_mm = values["ice_accretion_mm"]
        falls = (np.nan_to_num(snow_mm) > 0.0) | (np.nan_to_num(ice_mm) > 0.0)
        dry = (values["words_intensity"] == 0.0) & ~(values["pop"] >= rules.dry_below_pop)
    from_depth = unknown & falls.any(axis=1) & merged.is_known(("air_temp_c",))
    parts = {
        "rain_mm": np.zeros_like(snow_mm),
        "snowfall_swe_mm": np.nan_to_num(snow_mm),
        "freezing_rain_mm": np.nan_to_num(ice_mm),
        "sleet_mm": np.zeros_like(snow_mm),
    }
    parts["precip_mm"] = parts["snowfall_swe_mm"] + parts["freezing_rain_mm"]
    for name, amount in parts.items():
        merged.put(name, from_depth, amount, QualityFlag.MODELED)
    merged.say("precipitation: water from the depth of snow and ice", from_depth)
    said_dry = unknown & ~from_depth & dry.all(axis=1)
    for name in parts:
        merged.put(name, said_dry, np.zeros_like(snow_mm), QualityFlag.MODELED)
    merged.say("precipitation: amount missing, none by the weather's own words", said_dry)


def _fill_snow_depth(merged: _Aligned) -> None:
    """Model the depth of snow from its water and the air temperature where it is not given."""
    unknown = merged.matters & ~merged.is_known(("snowfall_cm",))
    unknown &= merged.is_known(("snowfall_swe_mm", "air_temp_c"))
    if not unknown.any():
        return
    snow_mm = merged.values["snowfall_swe_mm"]
    depth_cm = 0.1 * snow_mm * moist_air.snow_to_liquid_ratio(merged.values["air_temp_c"])
    merged.put("snowfall_cm", unknown, depth_cm, QualityFlag.DEPTH_FROM_WATER)
    merged.say(
        "snow depth: from its water and the air temperature", unknown & (snow_mm > 0.0).any(axis=1)
    )
