"""An hourly table of one's own as a forecast of a site; ``hourly_csv`` has its columns.

What follows from what is given is derived and flagged (``infill.derive_missing``); what does not
stays unknown. A number that no weather can be, such as a code for a missing value, is unknown too,
and noted: a plan must not fall with one reading.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from stormplan.errors import ForecastError, InputError
from stormplan.weather import forecast, infill
from stormplan.weather.forecast import CellForecast, Substitution
from stormplan.weather.hourly_csv import parse_hourly_csv
from stormplan.weather.http_client import NotArchivedError
from stormplan.weather.providers import Location, NotServedError, quality_control
from stormplan.weather.providers.archived_files import ArchivedFiles
from stormplan.weather.providers.intervals import HourAxis, Notes, format_utc

SOURCE = "table"
MAX_HOURS = 24 * 31


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
        Columns or rows that cannot be read: every one with its line and what would be accepted.
    """
    label = f"{SOURCE} {location.key}"
    try:
        table = parse_hourly_csv(text, label, drop_out_of_range=True)
    except InputError as error:
        raise ForecastError(str(error)) from error
    if table.n_hours > MAX_HOURS:
        raise ForecastError(f"{label}: {table.n_hours} h long; accepted: up to {MAX_HOURS} h")
    axis = HourAxis(table.start, table.n_hours)
    notes, marks = Notes(), forecast.no_flags(axis.n_hours)
    for note in table.notes:
        notes.add(note)
    values = dict.fromkeys(forecast.VARIABLES, np.full(axis.n_hours, np.nan)) | table.values
    quality_control.reconcile_humidity(values, marks, notes)
    infill.fill_standard_pressure(values, marks, elevation_m)
    infill.derive_missing(list(table.values), values, marks)
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
        substitutions=_missing_columns(list(table.values)),
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
            raise NotArchivedError(SOURCE)
        return parse_forecast(version.text, location, version.issued_at, version.read_at)

    def past_copies(self, location: Location, now: datetime) -> list[CellForecast]:
        """Return earlier versions of the table that tell a place's hours before now."""
        if self._kept is None:
            return []

        def parse(text: str, written: datetime, read_at: datetime) -> CellForecast:
            return parse_forecast(text, location, written, read_at)

        return self._kept.past_copies(f"{SOURCE}:{location.key}", now, parse)

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
