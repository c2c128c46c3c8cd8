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
from stormplan.weather.providers import NotServedError, Place, distance_km, nws
from stormplan.weather.providers.nws_reply import Grid, open_body

REACH_KM = 25.0


class Recorded:
    """Every gridded forecast in a folder.

    Parameters
    ----------
    folder : Path or Traversable
        Files that end in ``.json``; those that are no gridded forecast are passed over, and one
        that cannot be read is named with every forecast it may have been nearer than [-].
    credit : str
        Whom to credit, in words; nobody for an invented storm [-].

    Raises
    ------
    ForecastError
        No gridded forecast in the folder that can be read.
    """

    def __init__(self, folder: Path | Traversable, credit: str = "") -> None:
        self._credit = credit
        self._bodies: list[tuple[Grid, object]] = []
        self._cells: dict[tuple[str, datetime], CellForecast] = {}
        self._damaged: list[str] = []
        if not folder.is_dir():
            raise ForecastError(f"recorded: {folder} is not a folder")
        for file in sorted(folder.iterdir(), key=lambda file: file.name):
            if file.name.endswith(".json"):
                try:
                    payload = _load(file)
                    if _is_grid(payload):
                        self._bodies.append((open_body(payload), payload))
                except ForecastError as error:
                    self._damaged.append(f"{file.name} passed over: {error}")
        if not self._bodies:
            raise ForecastError(
                f"recorded: no gridded forecast among the files of {folder}{self._passed_over()}"
            )

    def forecast(self, place: Place, now: datetime) -> CellForecast:
        """Give the recorded forecast nearest to a place; the same object for the same cell.

        Raises
        ------
        ForecastError
            None within reach, or one that does not cover the day from ``now``.
        """
        grid, payload = min(self._bodies, key=lambda body: _away_km(place, body[0]))
        away_km = _away_km(place, grid)
        if away_km > REACH_KM:
            raise NotServedError(
                f"recorded: the nearest recorded cell, {grid.cell}, is {away_km:.0f} km away from "
                f"{place.latitude_deg}, {place.longitude_deg}; up to {REACH_KM:.0f} km is used"
                f"{self._passed_over()}"
            )
        if (grid.cell, now) not in self._cells:
            cell = nws.parse(payload, grid.issued_at, now)
            self._cells[grid.cell, now] = replace(
                cell,
                source="recorded",
                credit=self._credit,
                notes=(*cell.notes, *self._damaged),
            )
        return self._cells[grid.cell, now]

    def _passed_over(self) -> str:
        return "".join(f"; {said}" for said in self._damaged)


def _load(file: Path | Traversable) -> object:
    try:
        payload: object = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ForecastError(f"cannot be read as JSON ({error})") from error
    return payload


def _is_grid(payload: object) -> bool:
    properties = payload.get("properties") if isinstance(payload, Mapping) else None
    return isinstance(properties, Mapping) and "updateTime" in properties


def _away_km(place: Place, grid: Grid) -> float:
    return distance_km(place, grid.latitude_deg, grid.longitude_deg)
