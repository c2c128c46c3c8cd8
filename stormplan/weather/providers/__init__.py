"""Forecast sources, one module each: which forecast does each place get, and if none, why not.

A source is a variable map, a pure parser and a few lines of fetch. ``gather`` asks the sources in
order of preference for every place, and lets the next step in where one stops knowing; what goes
wrong at one place never stops the others, and places in the same grid cell share one object.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import takewhile
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

import numpy as np

from stormplan.company.sites import SOURCES, Weather, WeatherSource
from stormplan.errors import ForecastError, InputError
from stormplan.weather.forecast import CellForecast, Mark
from stormplan.weather.http_client import Fetcher, FetchError

OLD = timedelta(hours=12)  # a forecast older than this yields to a fresher one of another source
KM_PER_DEG = 111.2  # a degree of latitude on a sphere of 6371 km


class NotServedError(FetchError):
    """A source does not serve a place at all; where another one does, that is no fault."""


@dataclass(frozen=True)
class Place:
    """A place that needs a forecast.

    Attributes
    ----------
    key : str
        The site it belongs to [-].
    latitude_deg, longitude_deg : float
        North and east positive [°].
    """

    key: str
    latitude_deg: float
    longitude_deg: float

    def __post_init__(self) -> None:
        if not (-90.0 <= self.latitude_deg <= 90.0 and -180.0 <= self.longitude_deg <= 180.0):
            raise InputError(
                f"{self.key}: {self.latitude_deg}, {self.longitude_deg} is no place; latitude is "
                "-90 to 90 and longitude -180 to 180 degrees, west negative"
            )


@dataclass(frozen=True)
class Gathered:
    """What could be had for a place.

    Attributes
    ----------
    place : Place
        The place [-].
    forecast : CellForecast or None
        From the first source that had one, with others stepping in where it does not know; None
        if none had [-].
    reasons : tuple of str
        Why each source before it failed or, without forecast, why every one did, in words [-].
    others : tuple of CellForecast
        From the sources after it that had one too [-].
    """

    place: Place
    forecast: CellForecast | None
    reasons: tuple[str, ...] = ()
    others: tuple[CellForecast, ...] = ()


class Source(Protocol):
    """One forecast source, for one run."""

    def forecast(self, place: Place, now: datetime) -> CellForecast:
        """Give the forecast for a place as of a moment; the same object for the same cell.

        Raises
        ------
        ForecastError
            There is none; the text says why.
        """


def open_sources(weather: Weather, fetcher: Fetcher, folder: Path = Path()) -> list[Source]:
    """Make the sources a sites file names, in its order of preference.

    Parameters
    ----------
    weather : Weather
        The part of the sites file about them [-].
    fetcher : Fetcher
        Asks for all of them [-].
    folder : Path
        Where relative paths start [-].

    Raises
    ------
    InputError
        A key that is not in the environment.
    ForecastError
        No recorded forecasts in their folder.
    """
    return [_open(name, weather, fetcher, folder) for name in weather.sources]


def _open(name: str, weather: Weather, fetcher: Fetcher, folder: Path) -> Source:
    from stormplan.weather.providers import metno, nws, openmeteo, recorded, table

    match name:
        case "nws":
            return nws.Nws(fetcher, weather.nws.base_url or nws.BASE_URL)
        case "metno":
            return metno.source(fetcher, weather.metno.base_url or metno.BASE_URL)
        case "openmeteo" | "openmeteo_ensemble":
            service = weather.service(name)
            return openmeteo.source(fetcher, name, service.base_url, _key(name, service))
        case "table":
            return table.Tables(weather.tables, folder)
        case "recorded":
            return recorded.Recorded(folder / str(weather.recorded))
        case _:
            raise InputError(
                f"'{name}' is not a forecast source; known sources: {', '.join(SOURCES)}"
            )


def _key(name: str, service: WeatherSource) -> str | None:
    """Take the key of a service from the environment, where the sites file names one."""
    if service.key_env is None:
        return None
    key = os.environ.get(service.key_env, "").strip()
    if not key:
        raise InputError(
            f"{name}: the environment has no {service.key_env}, which the sites file names for its "
            "key; set it, or leave the source out"
        )
    return key


def gather(
    sources: Sequence[Source],
    places: Iterable[Place],
    now: datetime,
    ahead: timedelta = timedelta(0),
) -> list[Gathered]:
    """Get every source's forecast for every place, in order of preference.

    Parameters
    ----------
    sources : sequence of Source
        In order of preference [-].
    places : iterable of Place
        In any order; the answer keeps it [-].
    now : datetime
        The moment planned for, aware UTC [-].
    ahead : timedelta
        How far ahead hours matter: up to there another source steps in where the first does not
        know [-].

    Returns
    -------
    list of Gathered
        One for each place; identical cells share one ``CellForecast`` object.
    """
    from stormplan.weather.providers.merge import fill

    filled: dict[tuple[int, ...], CellForecast] = {}
    gathered = []
    for place in places:
        found = _gather_one(sources, place, now)
        if found.forecast is not None and found.others:
            cells = (found.forecast, *found.others)
            key = tuple(map(id, cells))
            if key not in filled:
                filled[key] = fill(found.forecast, found.others, now, now + ahead)
            found = replace(found, forecast=filled[key])
        gathered.append(found)
    return gathered


def _gather_one(sources: Sequence[Source], place: Place, now: datetime) -> Gathered:
    cells: list[CellForecast] = []
    failed: list[str] = []  # before the first that had one
    unserved: list[str] = []
    for source in sources:
        try:
            cells.append(source.forecast(place, now))
        except NotServedError as error:
            unserved.append(str(error))
        except ForecastError as error:
            if not cells:
                failed.append(str(error))
    if not cells:
        return Gathered(place, None, (*unserved, *failed))
    fresh = next((cell for cell in cells if now - cell.issued_at <= OLD), cells[0])
    for cell in _before(cells, fresh):
        hours = (now - cell.issued_at) / timedelta(hours=1)
        failed.append(f"{cell.source}: its last forecast is {hours:.0f} h old")
    others = tuple(cell for cell in cells if cell is not fresh)
    return Gathered(place, fresh, tuple(failed), others)


def _before(cells: Sequence[CellForecast], one: CellForecast) -> list[CellForecast]:
    """Give the forecasts that stand before one, by identity: they hold arrays."""
    return list(takewhile(lambda cell: cell is not one, cells))


def reread(url: str, body: bytes, fetched_at: datetime) -> CellForecast | None:
    """Read a kept reply again; the address tells whose it is.

    Parameters
    ----------
    url : str
        Address it answered [-].
    body : bytes
        As received [-].
    fetched_at : datetime
        When it was received, aware UTC [-].

    Returns
    -------
    CellForecast or None
        None where the address is not that of a forecast.

    Raises
    ------
    ForecastError
        It cannot be read by this version.
    """
    from stormplan.weather.providers import metno, nws, openmeteo

    parts = urlsplit(url)
    if "/gridpoints/" in parts.path:
        return nws.read(json.loads(body), fetched_at)
    if parts.path.endswith("/complete"):
        return metno.read(json.loads(body), fetched_at)
    for name, endpoint in openmeteo.ENDPOINTS.items():
        if parts.path.endswith(endpoint):
            return openmeteo.read(json.loads(body), fetched_at, name)
    return None


def distance_km(place: Place, latitude_deg: float, longitude_deg: float) -> float:
    """Distance on the flat; good to a percent over tens of kilometres."""
    north = place.latitude_deg - latitude_deg
    east = (place.longitude_deg - longitude_deg) * math.cos(math.radians(latitude_deg))
    return KM_PER_DEG * math.hypot(north, east)


def mark_stale(cell: CellForecast, reason: str) -> CellForecast:
    """Mark a forecast that stands in for one that could not be had, with the reason."""
    return replace(
        cell,
        stale=True,
        notes=(reason, *cell.notes),
        marks={name: mark | np.uint8(Mark.STALE) for name, mark in cell.marks.items()},
    )
