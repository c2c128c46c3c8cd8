"""Recorded forecasts: bodies of the National Weather Service's form, from a folder or a package.

Used by the bundled demonstration and for planning a storm again from files. A place gets the
cell it lies in, or else the nearest within reach; each body goes through the same parser as a
live one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from importlib.resources.abc import Traversable
from pathlib import Path

from stormplan.errors import ForecastError
from stormplan.weather.forecast import CellForecast
from stormplan.weather.providers import Location, NotServedError, distance_km, nws
from stormplan.weather.providers.archived_files import ArchivedFiles
from stormplan.weather.providers.intervals import format_utc
from stormplan.weather.providers.nws_reply import GridpointReply, parse_reply
from stormplan.weather.providers.older_copies import select_past
from stormplan.weather.providers.once import OncePerKey
from stormplan.weather.providers.quality_control import refuse_unexpected_form

SOURCE = "recorded"
MAX_DISTANCE_KM = 25.0


class RecordedSource:
    """Every gridded forecast in a folder.

    Parameters
    ----------
    folder : Path or Traversable
        Files that end in ``.json``; those that are no gridded forecast are passed over, and one
        that cannot be read is named with every forecast it may have been nearer than.
    credit : str
        Whom to credit, in words; nobody for an invented storm.
    kept : ArchivedFiles, optional
        Where what was used is kept.

    Raises
    ------
    ForecastError
        No gridded forecast in the folder that can be read.
    """

    def __init__(
        self, folder: Path | Traversable, credit: str = "", kept: ArchivedFiles | None = None
    ) -> None:
        self._credit = credit
        self._kept = kept
        self._bodies: list[tuple[GridpointReply, object]] = []
        self._cells: OncePerKey[CellForecast] = OncePerKey()
        self._unreadable: list[str] = []
        if not folder.is_dir():
            raise ForecastError(f"recorded: {folder} is not a folder")
        for file in sorted(folder.iterdir(), key=lambda file: file.name):
            if file.name.endswith(".json"):
                try:
                    payload = _load(file)
                    if _is_grid(payload):
                        self._bodies.append((parse_reply(payload), payload))
                except ForecastError as error:
                    self._unreadable.append(f"{file.name} passed over: {error}")
        if not self._bodies:
            raise ForecastError(
                "recorded: no gridded forecast among the files of "
                f"{folder}{self._unreadable_text()}"
            )

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        """Return the recorded forecast nearest to a location; one object per cell.

        Raises
        ------
        ForecastError
            None within reach, or one that does not cover the day from ``now``.
        """
        bodies = self._issued_by(now)
        if not bodies:
            first = min(grid.issued_at for grid, _ in self._bodies)
            raise ForecastError(
                f"recorded: every recorded forecast was issued after {format_utc(now)} (the first "
                f"{format_utc(first)}); nothing from after the moment planned for is used"
            )
        grid, payload = _nearest(bodies, location)[0]
        nearest_km = _distance_km(location, grid)
        if nearest_km > MAX_DISTANCE_KM:
            raise NotServedError(
                f"recorded: the nearest recorded cell, {grid.cell_id}, is {nearest_km:.0f} km "
                "away from "
                f"{location.latitude_deg}, {location.longitude_deg}; up to "
                f"{MAX_DISTANCE_KM:.0f} km is used"
                f"{self._unreadable_text()}"
            )
        key = grid.cell_id, grid.issued_at, now
        return self._cells.get(key, lambda: self._parse(grid, payload, now))

    def past_copies(self, location: Location, now: datetime) -> list[CellForecast]:
        """Return the recorded forecasts that tell a location's hours before now, newest first."""
        bodies = _nearest(self._issued_by(now), location)
        chosen = select_past([grid.issued_at for grid, _ in bodies], now)

        def read(grid: GridpointReply, payload: object) -> CellForecast:
            key = grid.cell_id, grid.issued_at, grid.issued_at
            return self._cells.get(key, lambda: self._parse(grid, payload, grid.issued_at))

        return [read(*bodies[at]) for at in chosen]

    def _issued_by(self, now: datetime) -> list[tuple[GridpointReply, object]]:
        return [body for body in self._bodies if body[0].issued_at <= now]

    def _parse(self, grid: GridpointReply, payload: object, now: datetime) -> CellForecast:
        parse = refuse_unexpected_form(nws.parse_plannable_forecast, SOURCE, grid.cell_id)
        cell = parse(payload, grid.issued_at, now)
        if self._kept is not None and not self._kept.offline:
            self._kept.add(f"{SOURCE}:{grid.cell_id}", json.dumps(payload), grid.issued_at, now)
        notes = (*cell.notes, *self._unreadable)
        return replace(cell, source=SOURCE, credit=self._credit, notes=notes)

    def _unreadable_text(self) -> str:
        return "".join(f"; {said}" for said in self._unreadable)


def _load(file: Path | Traversable) -> object:
    try:
        payload: object = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ForecastError(f"cannot be read as JSON ({error})") from error
    return payload


def _is_grid(payload: object) -> bool:
    properties = payload.get("properties") if isinstance(payload, Mapping) else None
    return isinstance(properties, Mapping) and "updateTime" in properties


def _nearest(
    bodies: Sequence[tuple[GridpointReply, object]], location: Location
) -> list[tuple[GridpointReply, object]]:
    """Return the bodies of the nearest cell, newest first."""
    nearest_km = min((_distance_km(location, grid) for grid, _ in bodies), default=0.0)
    near = [body for body in bodies if _distance_km(location, body[0]) <= nearest_km + 1e-9]
    return sorted(near, key=lambda body: body[0].issued_at, reverse=True)


def _distance_km(location: Location, grid: GridpointReply) -> float:
    return distance_km(location, grid.latitude_deg, grid.longitude_deg)
