"""Forecast sources, one module each: the forecast of each location, or the reason there is none.

A source is a variable map, a pure parser and a few lines of fetch. ``fetch_forecasts`` queries the
sources in order of preference for every location and fills the gaps of one from the next; a failure
at one location never stops the others, and locations in one grid cell share one object.
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

from stormplan.company.sites import SOURCE_KEYS, SourceSettings, WeatherSettings
from stormplan.errors import ForecastError, InputError
from stormplan.weather.forecast import CellForecast, QualityFlag
from stormplan.weather.http_client import Fetcher, FetchError

MAX_PREFERRED_AGE = timedelta(
    hours=12
)  # a forecast older than this yields to a fresher one of another source
KM_PER_DEG = 111.2  # a degree of latitude on a sphere of 6371 km


class NotServedError(FetchError):
    """A source does not serve a place at all; where another one does, that is no fault."""


@dataclass(frozen=True)
class Location:
    """A place that needs a forecast.

    Attributes
    ----------
    key : str
        The site it belongs to.
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
class LocationForecasts:
    """Forecasts fetched for one location.

    Attributes
    ----------
    location : Location
        The place.
    forecast : CellForecast or None
        From the first source that had one, with others stepping in where it does not know; None
        if none had.
    failure_reasons : tuple of str
        Why each source before it failed or, without forecast, why every one did, in words.
    other_forecasts : tuple of CellForecast
        From the sources after it that had one too.
    other_failures : tuple of str
        Why sources after it have none, in words.
    """

    location: Location
    forecast: CellForecast | None
    failure_reasons: tuple[str, ...] = ()
    other_forecasts: tuple[CellForecast, ...] = ()
    other_failures: tuple[str, ...] = ()


class ForecastSource(Protocol):
    """One forecast source, for one run."""

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        """Return the forecast for a location as of a moment; one object per cell.

        Raises
        ------
        ForecastError
            There is none; the text says why.
        """


def open_sources(
    weather: WeatherSettings, fetcher: Fetcher, folder: Path = Path()
) -> list[ForecastSource]:
    """Return the sources a sites file names, in its order of preference.

    Parameters
    ----------
    weather : WeatherSettings
        The part of the sites file about them.
    fetcher : Fetcher
        Asks for all of them.
    folder : Path
        Where relative paths start.

    Raises
    ------
    InputError
        A key that is not in the environment.
    ForecastError
        No recorded forecasts in their folder.
    """
    return [_open_source(name, weather, fetcher, folder) for name in weather.sources]


def _open_source(
    name: str, weather: WeatherSettings, fetcher: Fetcher, folder: Path
) -> ForecastSource:
    from stormplan.weather.providers import metno, nws, openmeteo, recorded, table

    match name:
        case "nws":
            return nws.NwsSource(fetcher, weather.nws.base_url or nws.BASE_URL)
        case "metno":
            return metno.open_source(fetcher, weather.metno.base_url or metno.BASE_URL)
        case "openmeteo" | "openmeteo_ensemble":
            service = weather.service(name)
            return openmeteo.open_source(fetcher, name, service.base_url, _key(name, service))
        case "table":
            return table.TableSource(weather.tables, folder)
        case "recorded":
            return recorded.RecordedSource(folder / str(weather.recorded))
        case _:
            raise InputError(
                f"'{name}' is not a forecast source; known sources: {', '.join(SOURCE_KEYS)}"
            )


def _key(name: str, service: SourceSettings) -> str | None:
    """Return a service's key from the environment, where the sites file names one."""
    if service.key_env is None:
        return None
    key = os.environ.get(service.key_env, "").strip()
    if not key:
        raise InputError(
            f"{name}: the environment has no {service.key_env}, which the sites file names for its "
            "key; set it, or leave the source out"
        )
    return key


def fetch_forecasts(
    sources: Sequence[ForecastSource],
    locations: Iterable[Location],
    now: datetime,
    horizon: timedelta = timedelta(0),
) -> list[LocationForecasts]:
    """Get every source's forecast for every place, in order of preference.

    Parameters
    ----------
    sources : sequence of ForecastSource
        In order of preference.
    locations : iterable of Location
        In any order; the answer keeps it.
    now : datetime
        The moment planned for, aware UTC.
    horizon : timedelta
        How far ahead hours matter: up to there another source steps in where the first does not
        know.

    Returns
    -------
    list of LocationForecasts
        One for each place; identical cells share one ``CellForecast`` object.
    """
    from stormplan.weather.providers.merge import fill_gaps

    filled: dict[tuple[int, ...], CellForecast] = {}
    gathered = []
    for location in locations:
        fetched = _fetch_one(sources, location, now)
        if fetched.forecast is not None and fetched.other_forecasts:
            cells = (fetched.forecast, *fetched.other_forecasts)
            key = tuple(map(id, cells))
            if key not in filled:
                filled[key] = fill_gaps(
                    fetched.forecast, fetched.other_forecasts, now, now + horizon
                )
            fetched = replace(fetched, forecast=filled[key])
        gathered.append(fetched)
    return gathered


def _fetch_one(
    sources: Sequence[ForecastSource], location: Location, now: datetime
) -> LocationForecasts:
    cells: list[CellForecast] = []
    failure_reasons: list[str] = []  # before the first that had one
    unserved: list[str] = []
    other_failures: list[str] = []  # after it
    for source in sources:
        try:
            cells.append(source.forecast(location, now))
        except NotServedError as error:
            unserved.append(str(error))
        except ForecastError as error:
            (other_failures if cells else failure_reasons).append(str(error))
    if not cells:
        return LocationForecasts(location, None, (*unserved, *failure_reasons))
    fresh = next((cell for cell in cells if now - cell.issued_at <= MAX_PREFERRED_AGE), cells[0])
    for cell in _cells_before(cells, fresh):
        hours = (now - cell.issued_at) / timedelta(hours=1)
        failure_reasons.append(f"{cell.source}: its last forecast is {hours:.0f} h old")
    others = tuple(cell for cell in cells if cell is not fresh)
    return LocationForecasts(location, fresh, tuple(failure_reasons), others, tuple(other_failures))


def _cells_before(cells: Sequence[CellForecast], cell_after: CellForecast) -> list[CellForecast]:
    """Return the forecasts before one, compared by identity: they hold arrays."""
    return list(takewhile(lambda cell: cell is not cell_after, cells))


def parse_stored_reply(url: str, body: bytes, fetched_at: datetime) -> CellForecast | None:
    """Read a kept reply again; the address tells whose it is.

    Parameters
    ----------
    url : str
        Address it answered.
    body : bytes
        As received.
    fetched_at : datetime
        When it was received, aware UTC.

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
        return nws.parse_forecast(json.loads(body), fetched_at)
    if parts.path.endswith("/complete"):
        return metno.parse_forecast(json.loads(body), fetched_at)
    for name, endpoint in openmeteo.ENDPOINTS.items():
        if parts.path.endswith(endpoint):
            return openmeteo.parse_forecast(json.loads(body), fetched_at, name)
    return None


def distance_km(location: Location, latitude_deg: float, longitude_deg: float) -> float:
    """Distance on the flat; good to a percent over tens of kilometers."""
    north = location.latitude_deg - latitude_deg
    east = (location.longitude_deg - longitude_deg) * math.cos(math.radians(latitude_deg))
    return KM_PER_DEG * math.hypot(north, east)


def flag_stale(cell: CellForecast, reason: str) -> CellForecast:
    """Mark a forecast that stands in for one that could not be had, with the reason."""
    return replace(
        cell,
        stale=True,
        notes=(reason, *cell.notes),
        flags={name: mark | np.uint8(QualityFlag.STALE) for name, mark in cell.flags.items()},
    )
