"""MET Norway's Locationforecast: a second opinion for any place on earth.

``parse`` reads one body: states at a moment, water for the hour or the six hours ahead. The six
hours run along with the hourly steps, so only the hours are summed where there are hours. What
falls is named by the symbol alone, which knows no freezing rain and means rain and snow mixed by
"sleet": the wet bulb and the air temperature decide the rest. Depth of new snow is modelled.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import ROUND_DOWN, Decimal

import numpy as np
from numpy.typing import NDArray

from stormplan.errors import ForecastError
from stormplan.weather import forecast, moist_air
from stormplan.weather.forecast import CellForecast, Mark, Marks
from stormplan.weather.http_client import Fetcher, Terms
from stormplan.weather.providers import Place, precip_type, quality_control
from stormplan.weather.providers.intervals import (
    Array,
    Block,
    HourAxis,
    Notes,
    height,
    instant,
    number,
    place,
    spell,
    step,
)
from stormplan.weather.providers.single_url import Direct
from stormplan.weather.providers.unit_spellings import conversion

SOURCE = "metno"
BASE_URL = "https://api.met.no/weatherapi/locationforecast/2.0"
CREDIT = "Data from MET Norway (CC BY 4.0), brought to hours and phases here: https://api.met.no"
#: A refusal is meant: asking again after a 403 leads to a ban.
TERMS = Terms(accept="application/json", final=frozenset({403}))

#: Our states, at the start of the hour: their detail, and the kind of its unit.
STATES: Mapping[str, tuple[str, str]] = {
    "air_temp_c": ("air_temperature", "temperature"),
    "dew_point_c": ("dew_point_temperature", "temperature"),
    "rel_humidity_pct": ("relative_humidity", "percent"),
    "wind_10m_ms": ("wind_speed", "speed"),
    "wind_gust_ms": ("wind_speed_of_gust", "speed"),
    "cloud_frac": ("cloud_area_fraction", "share"),
    "pressure_hpa": ("air_pressure_at_sea_level", "pressure"),  # brought to the station below
}
#: What holds for the hours ahead: the same.
AHEAD: Mapping[str, tuple[str, str]] = {
    "precip_mm": ("precipitation_amount", "depth mm"),
    "pop": ("probability_of_precipitation", "share"),
}
SPANS = (("next_1_hours", 1), ("next_6_hours", 6))
LONGEST_GAP_H = 6  # states further apart are not joined
REACH = timedelta(days=30)

# The double s stands in the service's own list of symbols.
_SYMBOL = re.compile(r"(?:lights?|heavy)?(rain|sleet|snow)(?:showers)?(?:andthunder)?")
DRY = frozenset({"clearsky", "fair", "partlycloudy", "cloudy", "fog"})
NAMED: Mapping[str, int | None] = {
    "rain": precip_type.RAIN,
    "snow": precip_type.SNOW,
    "sleet": None,
}


@dataclass(frozen=True)
class Step:
    """One step of a body: its moment, its states, and what it says of the hours ahead."""

    time: datetime
    states: Mapping[str, object]
    ahead: Mapping[int, tuple[Mapping[str, object], str]]  # by hours: details, and symbol


@dataclass(frozen=True)
class Body:
    """A body taken apart; units by detail, as they came."""

    cell: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    issued_at: datetime
    units: Mapping[str, object]
    steps: tuple[Step, ...]


def _inner(node: object, *keys: str) -> Mapping[str, object]:
    for key in keys:
        node = node.get(key) if isinstance(node, Mapping) else None
    return node if isinstance(node, Mapping) else {}


def _steps(series: object, issued_at: datetime, notes: Notes) -> tuple[Step, ...]:
    """Read the steps on the whole hour, in order of time."""
    found: dict[datetime, Step] = {}
    for entry in series if isinstance(series, Sequence) and not isinstance(series, str) else ():
        time = instant(entry.get("time")) if isinstance(entry, Mapping) else None
        if time is None or (time.minute, time.second) != (0, 0) or abs(time - issued_at) > REACH:
            notes.add("step without a usable whole hour, dropped", f"{entry!s:.60}")
            continue
        ahead = {
            hours: (
                _inner(entry, "data", span, "details"),
                str(_inner(entry, "data", span, "summary").get("symbol_code", "")),
            )
            for span, hours in SPANS
            if _inner(entry, "data", span)
        }
        found[time] = Step(time, _inner(entry, "data", "instant", "details"), ahead)
    return tuple(found[time] for time in sorted(found))


def open_body(payload: object, notes: Notes) -> Body:
    """Take a body apart.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it [-].
    notes : Notes
        Told of steps that are dropped [-].

    Raises
    ------
    ForecastError
        Not such a forecast, or one that does not say when it was issued or where it is.
    """
    properties = _inner(payload, "properties")
    if not isinstance(properties.get("timeseries"), list):
        raise ForecastError("metno: the reply is not a forecast (it has no 'timeseries')")
    where = _inner(payload, "geometry").get("coordinates")
    given = where if isinstance(where, list) else []
    longitude, latitude, raised = (*given, None, None, None)[:3]
    found = place(latitude, longitude)
    if found is None:
        raise ForecastError("metno: the reply does not say where it is for ('geometry')")
    cell = f"{found[0]:g},{found[1]:g}"
    said = _inner(properties, "meta").get("updated_at")
    issued_at = instant(said)
    if issued_at is None:
        raise ForecastError(f"metno {cell}: 'updated_at' is {said!r:.60}, not a date and time")
    steps = _steps(properties["timeseries"], issued_at, notes)
    if not steps:
        raise ForecastError(f"metno {cell}: the reply has no forecast values at all")
    return Body(
        cell=cell,
        latitude_deg=found[0],
        longitude_deg=found[1],
        elevation_m=height(raised),
        issued_at=issued_at,
        units=_inner(properties, "meta", "units"),
        steps=steps,
    )


def _convert(body: Body, detail: str, kind: str, given: Sequence[object], notes: Notes) -> Array:
    """Turn values of a detail into our unit; NaN where null or of an unknown unit."""
    values = np.array([np.nan if (v := number(value)) is None else v for value in given])
    if np.isnan(values).all():
        return values
    unit = conversion(body.units.get(detail), kind)
    if unit is None:
        notes.add(f"{detail}: unit {body.units.get(detail)!r:.40} is not known, dropped")
        return np.full(values.shape, np.nan)
    return unit[0] * values + unit[1]


def _between(at: NDArray[np.intp], values: Array, hours: int) -> tuple[Array, NDArray[np.bool_]]:
    """Join values at some hours by straight lines, over gaps of a few hours at most.

    Returns
    -------
    joined : array (hour,)
        NaN outside and in longer gaps [unit of the values].
    read : array of bool (hour,)
        True where the value was given and not joined [-].
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
    return np.where(read | (gap <= LONGEST_GAP_H), joined, np.nan), read


def _spans(body: Body, notes: Notes) -> list[tuple[Step, int]]:
    """Choose for every step the hours it speaks for, so that no hour is counted twice."""
    hourly_steps = {step.time for step in body.steps if 1 in step.ahead}
    chosen: list[tuple[Step, int]] = []
    until = body.steps[0].time
    for item in body.steps:
        length = 1 if 1 in item.ahead else 6 if 6 in item.ahead else 0
        inside = (item.time + timedelta(hours=hour) for hour in range(1, length))
        if length and item.time >= until and hourly_steps.isdisjoint(inside):
            chosen.append((item, length))
            until = item.time + timedelta(hours=length)
        elif length:
            notes.add("six hours that overlap others, passed over", spell(item.time))
    return chosen


def read_symbol(code: str) -> tuple[bool, int | None] | None:
    """Read a symbol: whether anything falls, and the phase it names, if it names one.

    None for a symbol that is not known.
    """
    bare = code.partition("_")[0]
    if bare in DRY:
        return False, None
    match = _SYMBOL.fullmatch(bare)
    return (True, NAMED[match[1]]) if match else None


def _words(chosen: Sequence[tuple[Step, int]], axis: HourAxis, notes: Notes) -> precip_type.Words:
    known = np.zeros(axis.hours, dtype=bool)
    falls = np.zeros(axis.hours)
    named = np.zeros((axis.hours, len(forecast.PHASES)), dtype=bool)
    for item, length in chosen:
        code = item.ahead[length][1]
        said = read_symbol(code)
        if said is None:
            notes.add("symbol that is not known, passed over", f"{code:.40}")
            continue
        hours = slice(axis.hour(item.time), axis.hour(item.time) + length)
        known[hours], falls[hours] = True, float(said[0])
        if said[1] is not None:
            named[hours, said[1]] = True
    return precip_type.Words(known, falls, named)


def _falling(
    values: dict[str, Array],
    marks: dict[str, Marks],
    water: list[Block[float]],
    words: precip_type.Words,
    axis: HourAxis,
    notes: Notes,
) -> None:
    """Bring water to hours and phases, and model the depth of snow."""
    highest = forecast.VARIABLES["precip_mm"].highest
    found = precip_type.split(AHEAD["precip_mm"][0], water, axis, [words.falls], highest, notes)
    values["precip_mm"] = found.amount
    marks["precip_mm"][found.shared] |= np.uint8(Mark.SPLIT)
    marks["precip_mm"][found.even & found.shared] |= np.uint8(Mark.GUESSED_PHASE)
    temp = values["air_temp_c"]
    wet_bulb = moist_air.wet_bulb_c(
        temp, values["dew_point_c"], quality_control.pressure_pa(values)
    )
    state = precip_type.Air(temp, wet_bulb, np.full(axis.hours, np.nan))
    precip_type.shared_out(values, marks, found.amount, *precip_type.phases(words, state))
    quality_control.model_snow_depth(values, marks)


def _to_station(values: dict[str, Array], marks: dict[str, Marks], height_m: float | None) -> None:
    """Bring pressure from sea level to the station, by the standard atmosphere."""
    drop = moist_air.standard_pressure_pa(height_m or 0.0) / moist_air.STANDARD_PRESSURE_PA
    quality_control.flag(marks, "pressure_hpa", np.isfinite(values["pressure_hpa"]), Mark.MODELLED)
    values["pressure_hpa"] = values["pressure_hpa"] * drop


def read(payload: object, fetched_at: datetime) -> CellForecast:
    """Read one body, however little it holds.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it [-].
    fetched_at : datetime
        When it was received, aware UTC [-].

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
    body = open_body(payload, notes)
    chosen = _spans(body, notes)
    ends = [item.time + timedelta(hours=length) for item, length in chosen]
    first, last = body.steps[0].time, max(*ends, body.steps[-1].time + timedelta(hours=1))
    axis = HourAxis(first, round((last - first) / timedelta(hours=1)))
    marks = quality_control.unmarked(axis.hours)
    at = np.array([axis.hour(item.time) for item in body.steps])
    values: dict[str, Array] = {}
    for name, (detail, kind) in STATES.items():
        given = [item.states.get(detail) for item in body.steps]
        sane = quality_control.within(
            name, _convert(body, detail, kind, given, notes), detail, notes
        )
        values[name], was_read = _between(at, sane, axis.hours)
        quality_control.flag(marks, name, np.isfinite(values[name]) & ~was_read, Mark.INTERPOLATED)
    blocks = {name: _blocks(body, chosen, name, notes) for name in AHEAD}
    values["pop"] = step("pop", blocks["pop"], axis, notes)

    _to_station(values, marks, body.elevation_m)
    quality_control.agree_humidity(values, marks, notes)
    quality_control.standard_pressure(values, marks, body.elevation_m)
    _falling(values, marks, blocks["precip_mm"], _words(chosen, axis, notes), axis, notes)
    quality_control.note_jumps(values, axis, notes)
    return CellForecast(
        source=SOURCE,
        cell=body.cell,
        latitude_deg=body.latitude_deg,
        longitude_deg=body.longitude_deg,
        elevation_m=body.elevation_m,
        start=axis.start,
        issued_at=body.issued_at,
        fetched_at=fetched_at,
        values={name: array[:, None] for name, array in values.items()},
        marks={name: marks[name] for name in values},
        notes=notes.lines(),
        credit=CREDIT,
    )


def _blocks(
    body: Body, chosen: Sequence[tuple[Step, int]], name: str, notes: Notes
) -> list[Block[float]]:
    detail, kind = AHEAD[name]
    given = [item.ahead[length][0].get(detail) for item, length in chosen]
    values = _convert(body, detail, kind, given, notes)
    values = np.where(values < 0.0, np.nan, values)
    return [
        Block(item.time, item.time + timedelta(hours=length), float(value))
        for (item, length), value in zip(chosen, values, strict=True)
    ]


def parse(payload: object, fetched_at: datetime, now: datetime) -> CellForecast:
    """Read one body and refuse it if no plan can stand on it.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it [-].
    fetched_at, now : datetime
        When it was received, and the moment planned for, aware UTC [-].

    Raises
    ------
    ForecastError
        As ``read``, or a required variable unknown in one of the 24 h from ``now``.
    """
    return quality_control.fit(read(payload, fetched_at), now)


def truncated(degrees: float) -> str:
    """Write a coordinate as the service wants it: cut, not rounded, to four decimals."""
    cut = Decimal(repr(float(degrees))).quantize(Decimal("0.0001"), ROUND_DOWN)
    text = f"{cut:f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def source(fetcher: Fetcher, base_url: str = BASE_URL) -> Direct:
    """Make the source for one run.

    Parameters
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes [-].
    base_url : str
        Where the service is [-].
    """

    def address(where: Place) -> str:
        latitude, longitude = truncated(where.latitude_deg), truncated(where.longitude_deg)
        return f"{base_url.rstrip('/')}/complete?lat={latitude}&lon={longitude}"

    return Direct(fetcher, address, parse, TERMS)
