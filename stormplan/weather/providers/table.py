"""An hourly table of one's own: a CSV file for a site, from a station, a consultant or a hunch.

The first line names the columns: ``time``, an ISO 8601 moment on the whole hour with its offset,
and any of the forecast's variables, whose names carry their unit. A cell left empty is unknown.
What can be derived is: dew point from humidity, phases from temperature, depth from snow water.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from stormplan.errors import ForecastError
from stormplan.weather import forecast, moist_air
from stormplan.weather.forecast import CellForecast, FlagArray, Substitution
from stormplan.weather.hourly_csv import RENAMED_COLUMNS
from stormplan.weather.providers import Location, NotServedError, precip_type, quality_control
from stormplan.weather.providers.archived_files import ArchivedFiles
from stormplan.weather.providers.intervals import Array, HourAxis, Notes, format_utc, parse_utc

SOURCE = "table"
MAX_HOURS = 24 * 31


def _rows(text: str, who: str) -> tuple[list[str], dict[datetime, list[str]]]:
    """Read names and rows; a time given twice keeps its later row."""
    lines = [line for line in csv.reader(io.StringIO(text)) if any(map(str.strip, line))]
    names = [name.strip() for name in lines[0]] if lines else []
    unknown = [name for name in names if name != "time" and name not in forecast.VARIABLES]
    if "time" not in names or unknown:
        wrong = f"unknown column '{unknown[0]}'" if unknown else "no column 'time'"
        if unknown and unknown[0] in RENAMED_COLUMNS:
            wrong += f", now called '{RENAMED_COLUMNS[unknown[0]]}'"
        raise ForecastError(f"{who}: {wrong}; accepted: time, {', '.join(forecast.VARIABLES)}")
    rows: dict[datetime, list[str]] = {}
    for number, line in enumerate(lines[1:], start=2):
        time_text = line[names.index("time")] if len(line) == len(names) else None
        time = parse_utc(time_text.strip()) if time_text is not None else None
        if time is None or (time.minute, time.second, time.microsecond) != (0, 0, 0):
            raise ForecastError(
                f"{who}: row {number} needs {len(names)} cells and a time on the whole hour with "
                f"its offset, like 2026-01-12T06:00-06:00; it is '{','.join(line):.60}'"
            )
        rows[time] = line
    if not rows:
        raise ForecastError(f"{who}: no rows")
    return names, rows


def _number(text: str, name: str, time: datetime, who: str) -> float:
    try:
        return float(text) if text.strip() else np.nan
    except ValueError:
        raise ForecastError(
            f"{who}: {name} is '{text:.40}' at {time:%Y-%m-%d %H:%M}Z; give a number, or nothing "
            "where it is not known"
        ) from None


def derive_missing(
    columns: Sequence[str], values: dict[str, Array], marks: dict[str, FlagArray]
) -> None:
    """Derive phases from the total, the total from phases, and the depth of snow."""
    given = [name for name in forecast.PRECIP_TYPES if name in columns]
    if given:
        parts = np.array([values[name] for name in given])
        blank = np.isnan(parts)
        for name in forecast.PRECIP_TYPES:
            if name not in columns:
                values[name] = np.where(blank.all(axis=0), np.nan, 0.0)
        # one blank among types is what is left of the total; without a total it is unknown
        rest = np.maximum(values["precip_mm"] - np.nansum(parts, axis=0), 0.0)
        share = rest / np.maximum(blank.sum(axis=0), 1)
        some = ~blank.all(axis=0)
        for name in given:
            values[name] = np.where(np.isnan(values[name]) & some, share, values[name])
        total = np.sum([values[name] for name in forecast.PRECIP_TYPES], axis=0)
        values["precip_mm"] = np.where(some, total, values["precip_mm"])
    amounts = np.stack([np.nan_to_num(values[name]) for name in forecast.PRECIP_TYPES], axis=1)
    summed = amounts.sum(axis=1, keepdims=True)
    type_fracs = np.where(summed > 0.0, amounts / np.where(summed > 0.0, summed, 1.0), 0.0)
    temp = values["air_temp_c"]
    wet_bulb = moist_air.wet_bulb_c(
        temp, values["dew_point_c"], quality_control.station_pressure_pa(values)
    )
    # the same rule as for every service: rain alone in air below freezing is freezing rain
    air = precip_type.AirState(temp, wet_bulb, values["ice_accretion_mm"])
    corrected = precip_type.correct_by_temperature(type_fracs, air)
    total = values["precip_mm"]
    partly = np.isnan(total) & (summed[:, 0] > 0.0)  # a type is blank, another is not
    unknown_types = {name: np.isnan(values[name]) for name in forecast.PRECIP_TYPES}
    water = np.where(partly, summed[:, 0], total)
    precip_type.split_by_type(values, marks, water, *corrected)
    for name, unknown in unknown_types.items():
        values[name] = np.where(partly & unknown, np.nan, values[name])
    quality_control.fill_snowfall(values, marks)


def parse_forecast(
    text: str,
    location: Location,
    issued_at: datetime,
    fetched_at: datetime,
    elevation_m: float = 0.0,
) -> CellForecast:
    """Read a table.

    Parameters
    ----------
    text : str
        The file.
    location : Location
        What it is for.
    issued_at, fetched_at : datetime
        When it was written and when it was read, aware UTC.
    elevation_m : float
        For the pressure where the table has none [m].

    Raises
    ------
    ForecastError
        A column or a row that cannot be read; says which and what would be accepted.
    """
    who = f"{SOURCE} {location.key}"
    names, rows = _rows(text, who)
    first, last = min(rows), max(rows)
    axis = HourAxis(first, round((last - first) / timedelta(hours=1)) + 1)
    if axis.n_hours > MAX_HOURS:
        raise ForecastError(f"{who}: {axis.n_hours} h long; accepted: up to {MAX_HOURS} h")
    notes, marks = Notes(), quality_control.no_flags(axis.n_hours)
    values = {name: np.full(axis.n_hours, np.nan) for name in forecast.VARIABLES}
    for time, line in rows.items():
        for name, cell in zip(names, line, strict=True):
            if name != "time":
                values[name][axis.hour_index(time)] = _number(cell, name, time, who)
    values = {
        name: quality_control.drop_out_of_range(name, array, name, notes)
        for name, array in values.items()
    }
    quality_control.reconcile_humidity(values, marks, notes)
    quality_control.fill_standard_pressure(values, marks, elevation_m)
    derive_missing(names, values, marks)
    nothing_said = np.full(axis.n_hours, np.nan)
    quality_control.reconcile_chance(values, nothing_said, marks, notes)
    quality_control.note_temp_jumps(values, axis, notes)
    return CellForecast(
        source=SOURCE,
        cell_id=location.key,
        latitude_deg=location.latitude_deg,
        longitude_deg=location.longitude_deg,
        elevation_m=elevation_m,
        start=axis.start,
        issued_at=issued_at,
        fetched_at=fetched_at,
        values={name: array[:, None] for name, array in values.items()},
        flags=marks,
        notes=notes.lines(),
        contradictions=notes.contradictions(),
        substitutions=_missing_columns(names),
    )


def _missing_columns(columns: Sequence[str]) -> tuple[Substitution, ...]:
    """Return what a table that gives precipitation by type has no column for."""
    by_type = any(name in columns for name in forecast.PRECIP_TYPES)
    has_snow = {"precip_mm", "snowfall_swe_mm", "snowfall_cm"}.intersection(columns)
    if by_type and not has_snow:
        return (Substitution("snow: the table has no column for it, so none is planned on"),)
    return ()


class TableSource:
    """The tables of a sites file.

    Parameters
    ----------
    files : mapping of str
        By site.
    folder : Path
        Where relative names start.
    kept : ArchivedFiles, optional
        Where what was read is kept; a past moment is planned from there alone.
    """

    def __init__(
        self, files: Mapping[str, str], folder: Path, kept: ArchivedFiles | None = None
    ) -> None:
        self._files = {key: folder / name for key, name in files.items()}
        self._kept = kept

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        """Read the table of a place; the file's date stands for its time of issue.

        Raises
        ------
        ForecastError
            No table for it, or one that cannot be read or knows no temperature from ``now`` on.
        """
        return quality_control.require_usable(self._read(location, now), now)

    def _read(self, location: Location, now: datetime) -> CellForecast:
        """Read the table as it was at a moment, and keep it."""
        address = f"{SOURCE}:{location.key}"
        if self._kept is None or not self._kept.offline:
            text, written = self._text(location)
            cell = parse_forecast(text, location, min(written, now), now)
            if written > now:
                note = f"the file is dated {format_utc(written)}, after the moment planned for"
                cell = replace(cell, notes=(note, *cell.notes))
            if self._kept is not None:
                self._kept.add(address, text, min(written, now), now)
            return cell
        version = self._kept.last(address, now)
        if version is None:
            raise ForecastError(
                f"{address}: nothing in the archive from before {now:%Y-%m-%d %H:%M}Z"
            )
        return parse_forecast(version.text, location, version.issued_at, version.read_at)

    def read_table(self, location: Location) -> CellForecast:
        """Read the table of a place, whatever hours it holds.

        Raises
        ------
        ForecastError
            There is none, or it cannot be read.
        """
        text, written = self._text(location)
        return parse_forecast(text, location, written, written)

    def _text(self, location: Location) -> tuple[str, datetime]:
        """Return the file's text and when it was written."""
        path = self._files.get(location.key)
        if path is None:
            raise NotServedError(f"table: none is named for {location.key} (weather.tables)")
        try:
            text = path.read_text(encoding="utf-8")
            written = datetime.fromtimestamp(path.stat().st_mtime, UTC)
        except (OSError, UnicodeDecodeError) as error:
            raise ForecastError(f"table {location.key}: {path} cannot be read ({error})") from error
        return text, written
