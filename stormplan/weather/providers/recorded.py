"""Recorded forecasts: bodies of the National Weather Service's form, from a folder or a package.

Used by the bundled demonstration and for planning a storm again from files. A place gets the
cell it lies in, or else the nearest within reach; each body goes through the same parser as a
live one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from importlib.resources.abc import Traversable
from pathlib import Path

from stormplan.errors import ForecastError
from stormplan.weather.forecast import CellForecast
from stormplan.weather.providers import Location, NotServedError, distance_km, nws
from stormplan.weather.providers.nws_reply import GridpointReply, parse_reply

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

    Raises
    ------
    ForecastError
        No gridded forecast in the folder that can be read.
    """

    def __init__(self, folder: Path | Traversable, credit: str = "") -> None:
        self._credit = credit
        self._bodies: list[tuple[GridpointReply, object]] = []
        self._cells: dict[tuple[str, datetime], CellForecast] = {}
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
        grid, payload = min(self._bodies, key=lambda body: _distance_km(location, body[0]))
        nearest_km = _distance_km(location, grid)
        if nearest_km > MAX_DISTANCE_KM:
            raise NotServedError(
                f"recorded: the nearest recorded cell, {grid.cell_id}, is {nearest_km:.0f} km "
                "away from "
                f"{location.latitude_deg}, {location.longitude_deg}; up to "
                f"{MAX_DISTANCE_KM:.0f} km is used"
                f"{self._unreadable_text()}"
            )
        if (grid.cell_id, now) not in self._cells:
            cell = nws.parse_plannable_forecast(payload, grid.issued_at, now)
            self._cells[grid.cell_id, now] = replace(
                cell,
                source="recorded",
                credit=self._credit,
                notes=(*cell.notes, *self._unreadable),
            )
        return self._cells[grid.cell_id, now]

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


def _distance_km(location: Location, grid: GridpointReply) -> float:
    return distance_km(location, grid.latitude_deg, grid.longitude_deg)
