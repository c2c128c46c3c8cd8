"""What gridded files say at one point, as a document that is kept, and as a forecast.

``parse_forecast`` reads one document: pure, no file, no clock. States are at the moment they are
valid. Totals are for windows that may overlap (an hour, six hours, the whole run so far), and the
finest that do not are worked out. What falls is named at the end of its hour: by the model's yes or
no, or by the chance of each type where something falls.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from stormplan.arrays import Array, FlagArray
from stormplan.errors import ForecastError
from stormplan.weather import forecast, infill, precip_by_temperature
from stormplan.weather.forecast import TYPE_CHANCES, CellForecast, QualityFlag
from stormplan.weather.providers import precip_type, quality_control
from stormplan.weather.providers.grid_models import MAX_WINDOW_H, MODELS, GridModel
from stormplan.weather.providers.intervals import (
    HourAxis,
    Notes,
    TimeBlock,
    finite_or_none,
    parse_utc,
    repeat_over_hours,
    valid_coordinates,
    valid_elevation_m,
)

#: A field at one point: begin and end of its window from the cycle [h], equal for a moment; value.
Entry = tuple[int, int, float]

MAX_HOURS = 24 * 31
MAX_NOTED_PROBLEMS = 5
STATES = (
    "air_temp_c", "dew_point_c", "wind_10m_ms", "wind_gust_ms", "cloud_frac", "pressure_hpa",
    "visibility_m",
)  # fmt: skip
#: At a moment in the files, here the mean of an hour.
FLUXES = ("sw_down_wm2", "lw_down_wm2")
TOTALS = ("precip_mm", "snowfall_cm", "ice_accretion_mm")
#: Yes or no of each type, in the order of ``PRECIP_TYPES``.
TYPE_FLAGS = ("is_rain", "is_snow", "is_freezing_rain", "is_sleet")


def split_windows(windows: Iterable[Entry]) -> list[Entry]:
    """Return totals for windows that do not overlap, the finest that follow from those given.

    Parameters
    ----------
    windows : iterable of (int, int, float)
        Begin, end and total, in any order; NaN where missing [h], [unit of the total].

    Returns
    -------
    list of (int, int, float)
        In order of time. What a longer window leaves to the shorter ones inside it is the total of
        the rest, where that is one run of hours; where it is not, a window of up to six hours
        stands for all of them.
    """
    owner: dict[int, Entry] = {}
    for begin, end, total in sorted(windows, key=lambda one: (one[1] - one[0], one[1])):
        hours = range(begin, end)
        inside = {owner[hour] for hour in hours if hour in owner}
        rest = [hour for hour in hours if hour not in owner]
        overlapping = any(one[0] < begin or one[1] > end for one in inside)
        if math.isnan(total) or not rest or overlapping:
            continue
        if rest[-1] - rest[0] + 1 == len(rest):
            left = total - sum(one[2] for one in inside)
            block = rest[0], rest[-1] + 1, max(left, 0.0)
            if left < quality_control.MIN_ROUNDING_MM:
                continue  # less than its own parts: neither is believed for the rest
        elif end - begin <= MAX_WINDOW_H:
            block = begin, end, total
        else:
            continue
        owner |= dict.fromkeys(range(block[0], block[1]), block)
    return sorted(set(owner.values()))


def _entries(payload: Mapping[str, object], notes: Notes) -> dict[str, list[Entry]]:
    """Read the fields of a document."""
    fields = payload.get("fields")
    found: dict[str, list[Entry]] = {}
    for name, rows in fields.items() if isinstance(fields, Mapping) else ():
        found[str(name)] = []
        for row in rows if isinstance(rows, Sequence) else ():
            begin, end, value = row
            number = finite_or_none(value)
            if not (isinstance(begin, int) and isinstance(end, int) and 0 <= begin <= end):
                notes.add(f"{name}: entry without readable hours, dropped", f"{row!s:.60}")
            elif end <= MAX_HOURS:
                found[str(name)].append((begin, end, math.nan if number is None else number))
    return found


def _states(rows: Sequence[Entry], first_h: int, n_hours: int) -> Array:
    """Lay a state onto the hours it is valid at, (hour,); NaN where nothing is said."""
    values = np.full(n_hours, np.nan)
    for at, _, value in rows:
        values[at - first_h] = value
    return values


def _blocks(rows: Iterable[Entry], axis: HourAxis, first_h: int) -> list[TimeBlock[float]]:
    return [
        TimeBlock(axis.hour_start(begin - first_h), axis.hour_start(end - first_h), value)
        for begin, end, value in rows
    ]


def _chance(rows: Sequence[Entry], axis: HourAxis, first_h: int) -> Array:
    """Repeat chances over the hours of their windows; the shorter window decides, (hour,)."""
    longest_first = sorted(rows, key=lambda one: one[0] - one[1])
    return repeat_over_hours("chance", _blocks(longest_first, axis, first_h), axis, Notes())


def _at_hour_end(states: Sequence[Array]) -> Array:
    """Return what states say at the end of each hour or, unknown there, up to 6 h later.

    Of shape (hour, state); NaN where one of them is unknown.
    """
    rows = np.stack(states, axis=1)[1:]
    for hour in range(len(rows) - 2, -1, -1):
        ahead = rows[hour + 1 : hour + 1 + MAX_WINDOW_H]
        if np.isnan(rows[hour]).any():
            known = np.flatnonzero(np.isfinite(ahead).all(axis=1))
            rows[hour] = ahead[known[0]] if known.size else np.nan
    return np.asarray(rows)


def _fill_precip(
    values: dict[str, Array],
    marks: dict[str, FlagArray],
    entries: Mapping[str, Sequence[Entry]],
    types: Array,
    axis: HourAxis,
    first_h: int,
    notes: Notes,
) -> None:
    """Split totals over hours and types.

    ``types`` is what is named in each hour, by yes or no or by chance, (hour, type).
    """
    blocks = {name: _blocks(split_windows(entries.get(name, ())), axis, first_h) for name in TOTALS}
    named = np.nan_to_num(types)
    total = named.sum(axis=1, keepdims=True)
    shares = np.where(total > 0.0, named / np.where(total > 0.0, total, 1.0), 0.0)
    ice = repeat_over_hours("ice", blocks["ice_accretion_mm"], axis, Notes())

    def disaggregate(name: str, weights: list[Array]) -> Array:
        hourly = precip_type.disaggregate(
            name, blocks[name], axis, weights, forecast.VARIABLES[name].highest, notes
        )
        values[name] = hourly.amount
        marks[name][hourly.disaggregated] |= np.uint16(QualityFlag.DISAGGREGATED)
        return hourly.amount

    water = disaggregate("precip_mm", [values["pop"], total[:, 0]])
    precip_by_temperature.split_by_type(
        values,
        marks,
        water,
        *precip_by_temperature.correct_by_temperature(
            shares, precip_by_temperature.AirState.from_values(values, ice)
        ),
    )
    disaggregate("snowfall_cm", [values["snowfall_swe_mm"]])
    disaggregate("ice_accretion_mm", [values["freezing_rain_mm"]])


def _note_gaps(values: Mapping[str, Array], model: GridModel, notes: Notes) -> None:
    """Add a note for each amount that the model gives and that is unknown throughout."""
    for name in TOTALS:
        is_given = any(one.name == name for one in model.fields)
        if is_given and not np.isfinite(values[name]).any():
            meaning = forecast.VARIABLES[name].meaning
            notes.add(f"no field of {meaning}, so it is unknown, not zero")


def _hour_mean(states: Array) -> Array:
    """Mean of each hour from what is valid at its two ends, (hour,)."""
    return np.asarray((states[:-1] + states[1:]) / 2.0)


def parse_forecast(payload: object, fetched_at: datetime) -> CellForecast:
    """Read one document, however little it holds.

    Parameters
    ----------
    payload : object
        The document as ``json.loads`` gives it.
    fetched_at : datetime
        When the files were read, aware UTC.

    Returns
    -------
    CellForecast
        Hours from the first that a file tells of to the last, one member; NaN where unknown.

    Raises
    ------
    ForecastError
        Not such a document, or no field at all.
    """
    model, cycle, place = _head(payload)
    assert isinstance(payload, Mapping)
    notes = Notes()
    _note_problems(payload.get("problems"), notes)
    entries = _entries(payload, notes)
    cell_id = f"{payload.get('column')},{payload.get('row')}"
    timed = [one for name, rows in entries.items() if name != "elevation_m" for one in rows]
    if not timed:
        raise ForecastError(f"{model.key} {cell_id}: none of its fields could be read")
    first_h = min(begin for begin, _, _ in timed)
    n_hours = max(max(end, begin + 1) for begin, end, _ in timed) - first_h
    axis = HourAxis(cycle + timedelta(hours=first_h), n_hours)
    marks = forecast.no_flags(n_hours)
    elevation = [value for _, _, value in entries.get("elevation_m", ())]
    elevation_m = valid_elevation_m(elevation[0]) if elevation else None

    # one more hour than the axis: the end of an hour is the start of the next
    at = {name: _states(rows, first_h, n_hours + 1) for name, rows in _momentary(entries).items()}
    unknown = np.full(n_hours + 1, np.nan)
    if "wind_x_ms" in at and "wind_y_ms" in at:
        at["wind_10m_ms"] = np.hypot(at["wind_x_ms"], at["wind_y_ms"])
    values = dict.fromkeys(forecast.VARIABLES, unknown[:-1])
    for name in STATES:
        checked = quality_control.drop_out_of_range(name, at.get(name, unknown), name, notes)
        values[name] = infill.interpolate_gaps(checked)[:-1]
        joined = np.isfinite(values[name]) & np.isnan(checked[:-1])
        forecast.set_flag(marks, name, joined, QualityFlag.INTERPOLATED)
    for name in FLUXES:
        mean = _hour_mean(infill.interpolate_gaps(at.get(name, unknown)))
        values[name] = quality_control.drop_out_of_range(name, mean, name, notes)
        forecast.set_flag(marks, name, np.isfinite(mean), QualityFlag.INTERPOLATED)
    values["pop"] = _chance(entries.get("pop", ()), axis, first_h)

    quality_control.reconcile_humidity(values, marks, notes)
    infill.fill_standard_pressure(values, marks, elevation_m)
    are_flags = any(name in at for name in TYPE_FLAGS)
    names = TYPE_FLAGS if are_flags else TYPE_CHANCES
    types = _at_hour_end([at.get(name, unknown) for name in names])
    _fill_precip(values, marks, entries, types, axis, first_h, notes)
    _note_gaps(values, model, notes)
    quality_control.reconcile_chance(values, unknown[:-1], marks, notes)
    # where something falls: of a model's yes or no all of it, else its chance
    falls = np.ones(n_hours) if are_flags else values["pop"]
    for index, name in enumerate(TYPE_CHANCES):
        values[name] = np.asarray(types[:, index] * falls)
    if are_flags:
        values["words_intensity"] = types.max(axis=1)
    snow_chance = _chance(entries.get("snow_chance", ()), axis, first_h)
    values["chance_snow"] = np.fmax(values["chance_snow"], snow_chance)
    quality_control.note_temp_jumps(values, axis, notes)
    return CellForecast(
        source=model.key,
        cell_id=cell_id,
        latitude_deg=place[0],
        longitude_deg=place[1],
        elevation_m=elevation_m,
        start=axis.start,
        issued_at=cycle,
        fetched_at=fetched_at,
        values={name: array[:, None] for name, array in values.items()},
        flags=marks,
        notes=notes.lines(),
        contradictions=notes.contradictions(),
        credit=f"Forecast data: {model.title} (public domain)",
    )


def _momentary(entries: Mapping[str, list[Entry]]) -> dict[str, list[Entry]]:
    """Return the fields that are valid at a moment."""
    return {
        name: rows
        for name, rows in entries.items()
        if name != "elevation_m" and all(begin == end for begin, end, _ in rows)
    }


def _head(payload: object) -> tuple[GridModel, datetime, tuple[float, float]]:
    """Return the model, the cycle and the place of a document."""
    if not isinstance(payload, Mapping) or payload.get("model") not in MODELS:
        raise ForecastError("grids: not a document of a model that is known")
    model = MODELS[str(payload["model"])]
    cycle = parse_utc(payload.get("cycle"))
    place = valid_coordinates(payload.get("latitude_deg"), payload.get("longitude_deg"))
    if cycle is None or place is None:
        raise ForecastError(f"{model.key}: a document that does not say when or where it is for")
    return model, cycle, place


def _note_problems(problems: object, notes: Notes) -> None:
    """Note the files that could not be read, the first of many by name."""
    said = [str(one) for one in problems] if isinstance(problems, Sequence) else []
    for one in said[:MAX_NOTED_PROBLEMS]:
        notes.add(one)
    if len(said) > MAX_NOTED_PROBLEMS:
        notes.add(f"and {len(said) - MAX_NOTED_PROBLEMS} more files or messages passed over")


def parse_plannable_forecast(payload: object, fetched_at: datetime, now: datetime) -> CellForecast:
    """Read one document and refuse it if no plan can stand on it.

    Parameters
    ----------
    payload : object
        The document as ``json.loads`` gives it.
    fetched_at, now : datetime
        When the files were read, and the moment planned for, aware UTC.

    Raises
    ------
    ForecastError
        As ``parse_forecast``, or no temperature from ``now`` on.
    """
    return quality_control.require_usable(parse_forecast(payload, fetched_at), now)
