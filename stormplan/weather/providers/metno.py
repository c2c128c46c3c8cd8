"""MET Norway's Locationforecast: a second opinion for any place on earth.

``parse`` reads one body: states at a moment, water for the hour or the six hours ahead. The six
hours run along with the hourly steps, so only the hours are summed where there are hours. What
falls is named by the symbol alone, which knows no freezing rain and means rain and snow mixed by
"sleet": the wet bulb and the air temperature decide the rest. Depth of new snow is modeled.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import ROUND_DOWN, Decimal

import numpy as np

from stormplan.arrays import Array, BoolArray, FlagArray, IntArray
from stormplan.errors import ForecastError
from stormplan.weather import forecast, infill, moist_air, precip_by_temperature
from stormplan.weather.forecast import CellForecast, QualityFlag
from stormplan.weather.http_client import Fetcher, ServiceTerms
from stormplan.weather.providers import Location, precip_type, quality_control
from stormplan.weather.providers.intervals import (
    HourAxis,
    Notes,
    TimeBlock,
    finite_or_none,
    format_utc,
    parse_utc,
    repeat_over_hours,
    valid_coordinates,
    valid_elevation_m,
)
from stormplan.weather.providers.single_url import SingleUrlSource
from stormplan.weather.providers.unit_spellings import conversion

SOURCE = "metno"
BASE_URL = "https://api.met.no/weatherapi/locationforecast/2.0"
CREDIT = "Data from MET Norway (CC BY 4.0), brought to hours and phases here: https://api.met.no"
#: A refusal is meant: asking again after a 403 leads to a ban.
TERMS = ServiceTerms(accept="application/json", final_statuses=frozenset({403}))

#: Our states, at the start of the hour: their detail, and the kind of its unit.
INSTANT_VARIABLES: Mapping[str, tuple[str, str]] = {
    "air_temp_c": ("air_temperature", "temperature"),
    "dew_point_c": ("dew_point_temperature", "temperature"),
    "rel_humidity_pct": ("relative_humidity", "percent"),
    "wind_10m_ms": ("wind_speed", "speed"),
    "wind_gust_ms": ("wind_speed_of_gust", "speed"),
    "cloud_frac": ("cloud_area_fraction", "fraction"),
    "pressure_hpa": ("air_pressure_at_sea_level", "pressure"),  # brought to the station below
}
#: What holds for the hours ahead: the same.
PERIOD_VARIABLES: Mapping[str, tuple[str, str]] = {
    "precip_mm": ("precipitation_amount", "depth mm"),
    "pop": ("probability_of_precipitation", "fraction"),
}
PERIODS = (("next_1_hours", 1), ("next_6_hours", 6))
MAX_GAP_H = 6  # states further apart are not joined
MAX_TIME_FROM_ISSUE = timedelta(days=30)

# The double s stands in the service's own list of symbols.
_SYMBOL = re.compile(r"(?:lights?|heavy)?(rain|sleet|snow)(?:showers)?(?:andthunder)?")
DRY_SYMBOLS = frozenset({"clearsky", "fair", "partlycloudy", "cloudy", "fog"})
TYPE_BY_SYMBOL: Mapping[str, int | None] = {
    "rain": precip_by_temperature.RAIN,
    "snow": precip_by_temperature.SNOW,
    "sleet": None,
}


@dataclass(frozen=True)
class TimeStep:
    """One step of a body: its moment, its states, and what it says of the hours ahead."""

    time: datetime
    instant: Mapping[str, object]
    periods: Mapping[int, tuple[Mapping[str, object], str]]  # by hours: details, and symbol


@dataclass(frozen=True)
class MetnoReply:
    """A body taken apart; units by detail, as they came."""

    cell_id: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    issued_at: datetime
    units: Mapping[str, object]
    steps: tuple[TimeStep, ...]


def _nested(node: object, *keys: str) -> Mapping[str, object]:
    for key in keys:
        node = node.get(key) if isinstance(node, Mapping) else None
    return node if isinstance(node, Mapping) else {}


def _parse_steps(series: object, issued_at: datetime, notes: Notes) -> tuple[TimeStep, ...]:
    """Read the steps on the whole hour, in order of time."""
    steps_by_time: dict[datetime, TimeStep] = {}
    for entry in series if isinstance(series, Sequence) and not isinstance(series, str) else ():
        time = parse_utc(entry.get("time")) if isinstance(entry, Mapping) else None
        if (
            time is None
            or (time.minute, time.second) != (0, 0)
            or abs(time - issued_at) > MAX_TIME_FROM_ISSUE
        ):
            notes.add("step without a usable whole hour, dropped", f"{entry!s:.60}")
            continue
        periods = {
            hours: (
                _nested(entry, "data", span, "details"),
                str(_nested(entry, "data", span, "summary").get("symbol_code", "")),
            )
            for span, hours in PERIODS
            if _nested(entry, "data", span)
        }
        steps_by_time[time] = TimeStep(time, _nested(entry, "data", "instant", "details"), periods)
    return tuple(steps_by_time[time] for time in sorted(steps_by_time))


def parse_reply(payload: object, notes: Notes) -> MetnoReply:
    """Parse a reply.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.
    notes : Notes
        Told of steps that are dropped.

    Raises
    ------
    ForecastError
        Not such a forecast, or one that does not say when it was issued or where it is.
    """
    properties = _nested(payload, "properties")
    if not isinstance(properties.get("timeseries"), list):
        raise ForecastError("metno: the reply is not a forecast (it has no 'timeseries')")
    geometry_coordinates = _nested(payload, "geometry").get("coordinates")
    given = geometry_coordinates if isinstance(geometry_coordinates, list) else []
    longitude, latitude, elevation = (*given, None, None, None)[:3]
    coordinates = valid_coordinates(latitude, longitude)
    if coordinates is None:
        raise ForecastError("metno: the reply does not say where it is for ('geometry')")
    cell = f"{coordinates[0]:g},{coordinates[1]:g}"
    updated_text = _nested(properties, "meta").get("updated_at")
    issued_at = parse_utc(updated_text)
    if issued_at is None:
        raise ForecastError(
            f"metno {cell}: 'updated_at' is {updated_text!r:.60}, not a date and time"
        )
    steps = _parse_steps(properties["timeseries"], issued_at, notes)
    if not steps:
        raise ForecastError(f"metno {cell}: the reply has no forecast values at all")
    return MetnoReply(
        cell_id=cell,
        latitude_deg=coordinates[0],
        longitude_deg=coordinates[1],
        elevation_m=valid_elevation_m(elevation),
        issued_at=issued_at,
        units=_nested(properties, "meta", "units"),
        steps=steps,
    )


def _convert(
    body: MetnoReply, detail: str, kind: str, given: Sequence[object], notes: Notes
) -> Array:
    """Convert values of a detail to the internal unit; NaN where null or of unknown unit."""
    values = np.array([np.nan if (v := finite_or_none(value)) is None else v for value in given])
    if np.isnan(values).all():
        return values
    unit = conversion(body.units.get(detail), kind)
    if unit is None:
        notes.add(f"{detail}: unit {body.units.get(detail)!r:.40} is not known, dropped")
        return np.full(values.shape, np.nan)
    return unit[0] * values + unit[1]


def _interpolate(at: IntArray, values: Array, hours: int) -> tuple[Array, BoolArray]:
    """Join values at some hours by straight lines, over gaps of a few hours at most.

    Returns
    -------
    joined : array (hour,)
        NaN outside and in longer gaps [unit of the values].
    read : array of bool (hour,)
        True where the value was given and not joined.
    """
    known = np.isfinite(values)
    every, read = np.arange(hours), np.zeros(hours, dtype=bool)
    if not known.any():
        return np.full(hours, np.nan), read
    at, values = at[known], values[known]
    read[at] = True
    after = np.minimum(np.searchsorted(at, every), len(at) - 1)
    gap = at[after] - at[np.maximum(after - 1, 0)]
    joined = np.interp(every, at, values, left=np.nan, right=np.nan)
    return np.where(read | (gap <= MAX_GAP_H), joined, np.nan), read


def _select_periods(body: MetnoReply, notes: Notes) -> list[tuple[TimeStep, int]]:
    """Select for every step the period it covers, so that no hour is counted twice."""
    hourly_steps = {step.time for step in body.steps if 1 in step.periods}
    chosen: list[tuple[TimeStep, int]] = []
    until = body.steps[0].time
    for time_step in body.steps:
        length = 1 if 1 in time_step.periods else 6 if 6 in time_step.periods else 0
        inside = (time_step.time + timedelta(hours=hour) for hour in range(1, length))
        if length and time_step.time >= until and hourly_steps.isdisjoint(inside):
            chosen.append((time_step, length))
            until = time_step.time + timedelta(hours=length)
        elif length:
            notes.add("six hours that overlap others, passed over", format_utc(time_step.time))
    return chosen


def parse_symbol(code: str) -> tuple[bool, int | None] | None:
    """Read a symbol: whether anything falls, and the phase it names, if it names one.

    None for a symbol that is not known.
    """
    bare = code.partition("_")[0]
    if bare in DRY_SYMBOLS:
        return False, None
    match = _SYMBOL.fullmatch(bare)
    return (True, TYPE_BY_SYMBOL[match[1]]) if match else None


def _precip_words(
    chosen: Sequence[tuple[TimeStep, int]], axis: HourAxis, notes: Notes
) -> precip_type.PrecipWords:
    known = np.zeros(axis.n_hours, dtype=bool)
    weight = np.zeros(axis.n_hours)
    types = np.zeros((axis.n_hours, len(forecast.PRECIP_TYPES)), dtype=bool)
    for item, length in chosen:
        code = item.periods[length][1]
        symbol = parse_symbol(code)
        if symbol is None:
            notes.add("symbol that is not known, passed over", f"{code:.40}")
            continue
        hours = slice(axis.hour_index(item.time), axis.hour_index(item.time) + length)
        known[hours], weight[hours] = True, float(symbol[0])
        if symbol[1] is not None:
            types[hours, symbol[1]] = True
    return precip_type.PrecipWords(known, weight, types)


def _fill_precip(
    values: dict[str, Array],
    marks: dict[str, FlagArray],
    water: list[TimeBlock[float]],
    words: precip_type.PrecipWords,
    axis: HourAxis,
    notes: Notes,
) -> None:
    """Disaggregate water to hours and precipitation types; model the snowfall depth."""
    highest = forecast.VARIABLES["precip_mm"].highest
    totals = precip_type.disaggregate(
        PERIOD_VARIABLES["precip_mm"][0], water, axis, [words.weight], highest, notes
    )
    values["precip_mm"] = totals.amount
    marks["precip_mm"][totals.disaggregated] |= np.uint16(QualityFlag.DISAGGREGATED)
    marks["precip_mm"][totals.timing_unknown & totals.disaggregated] |= np.uint16(
        QualityFlag.INFERRED_PRECIP_TYPE
    )
    air = precip_by_temperature.AirState.from_values(values)
    precip_by_temperature.split_by_type(
        values, marks, totals.amount, *precip_type.type_fracs_from_words(words, air)
    )
    infill.fill_snowfall(values, marks)
    nothing_said = np.full(axis.n_hours, np.nan)
    quality_control.reconcile_chance(values, nothing_said, marks, notes)
    values |= words.variables()


def _reduce_to_station_pressure(
    values: dict[str, Array], marks: dict[str, FlagArray], elevation_m: float | None
) -> None:
    """Reduce sea-level pressure to station pressure by the standard atmosphere."""
    drop = moist_air.standard_pressure_pa(elevation_m or 0.0) / moist_air.STANDARD_PRESSURE_PA
    forecast.set_flag(
        marks, "pressure_hpa", np.isfinite(values["pressure_hpa"]), QualityFlag.MODELED
    )
    values["pressure_hpa"] = values["pressure_hpa"] * drop


def parse_forecast(payload: object, fetched_at: datetime) -> CellForecast:
    """Read one body, however little it holds.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.
    fetched_at : datetime
        When it was received, aware UTC.

    Returns
    -------
    CellForecast
        Hours from the first step to the end of the last, one member; NaN where unknown.

    Raises
    ------
    ForecastError
        Not such a forecast, or no time of issue or place.
    """
    notes = Notes()
    body = parse_reply(payload, notes)
    selected_periods = _select_periods(body, notes)
    ends = [item.time + timedelta(hours=length) for item, length in selected_periods]
    first, last = body.steps[0].time, max([*ends, body.steps[-1].time + timedelta(hours=1)])
    axis = HourAxis(first, round((last - first) / timedelta(hours=1)))
    marks = forecast.no_flags(axis.n_hours)
    at = np.array([axis.hour_index(item.time) for item in body.steps])
    values: dict[str, Array] = {}
    for name, (detail, kind) in INSTANT_VARIABLES.items():
        given = [item.instant.get(detail) for item in body.steps]
        checked = quality_control.drop_out_of_range(
            name, _convert(body, detail, kind, given, notes), detail, notes
        )
        values[name], was_read = _interpolate(at, checked, axis.n_hours)
        forecast.set_flag(
            marks, name, np.isfinite(values[name]) & ~was_read, QualityFlag.INTERPOLATED
        )
    blocks = {name: _blocks(body, selected_periods, name, notes) for name in PERIOD_VARIABLES}
    values["pop"] = repeat_over_hours("pop", blocks["pop"], axis, notes)

    _reduce_to_station_pressure(values, marks, body.elevation_m)
    quality_control.reconcile_humidity(values, marks, notes)
    infill.fill_standard_pressure(values, marks, body.elevation_m)
    _fill_precip(
        values,
        marks,
        blocks["precip_mm"],
        _precip_words(selected_periods, axis, notes),
        axis,
        notes,
    )
    quality_control.note_temp_jumps(values, axis, notes)
    return CellForecast(
        source=SOURCE,
        cell_id=body.cell_id,
        latitude_deg=body.latitude_deg,
        longitude_deg=body.longitude_deg,
        elevation_m=body.elevation_m,
        start=axis.start,
        issued_at=body.issued_at,
        fetched_at=fetched_at,
        values={name: array[:, None] for name, array in values.items()},
        flags={name: marks[name] for name in values if name in marks},
        notes=notes.lines(),
        contradictions=notes.contradictions(),
        credit=CREDIT,
    )


def _blocks(
    body: MetnoReply, chosen: Sequence[tuple[TimeStep, int]], name: str, notes: Notes
) -> list[TimeBlock[float]]:
    detail, kind = PERIOD_VARIABLES[name]
    given = [item.periods[length][0].get(detail) for item, length in chosen]
    values = _convert(body, detail, kind, given, notes)
    values = np.where(values < 0.0, np.nan, values)
    return [
        TimeBlock(item.time, item.time + timedelta(hours=length), float(value))
        for (item, length), value in zip(chosen, values, strict=True)
    ]


def parse_plannable_forecast(payload: object, fetched_at: datetime, now: datetime) -> CellForecast:
    """Read one body and refuse it if no plan can stand on it.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.
    fetched_at, now : datetime
        When it was received, and the moment planned for, aware UTC.

    Raises
    ------
    ForecastError
        As ``parse_forecast``, or no temperature from ``now`` on.
    """
    return quality_control.require_usable(parse_forecast(payload, fetched_at), now)


def truncate_coordinate(degrees: float) -> str:
    """Write a coordinate as the service wants it: cut, not rounded, to four decimals."""
    cut = Decimal(repr(float(degrees))).quantize(Decimal("0.0001"), ROUND_DOWN)
    text = f"{cut:f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def open_source(fetcher: Fetcher, base_url: str = BASE_URL) -> SingleUrlSource:
    """Return the source for one run.

    Parameters
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes.
    base_url : str
        Where the service is.
    """

    def url_for(location: Location) -> str:
        latitude, longitude = (
            truncate_coordinate(location.latitude_deg),
            truncate_coordinate(location.longitude_deg),
        )
        return f"{base_url.rstrip('/')}/complete?lat={latitude}&lon={longitude}"

    return SingleUrlSource(fetcher, url_for, parse_plannable_forecast, TERMS)
