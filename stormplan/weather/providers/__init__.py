"""Forecast sources, one module each: the forecast of each location, or the reason there is none.

A source is a variable map, a pure parser and a few lines of fetch. ``fetch_forecasts`` queries the
sources in order of preference for every location and fills the gaps of one from the next; a failure
at one location never stops the others, and locations in one grid cell share one object.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

import numpy as np

from stormplan.company.sites import SOURCE_KEYS, SourceSettings, WeatherSettings
from stormplan.errors import ArchiveError, ForecastError, InputError
from stormplan.numerics import floor_hour
from stormplan.weather.forecast import CellForecast, QualityFlag
from stormplan.weather.http_client import Fetcher, FetchError
from stormplan.weather.providers.archived_files import ArchivedFiles
from stormplan.weather.providers.gather_rules import DEFAULT_RULES, GatherRules
from stormplan.weather.providers.intervals import HourAxis
from stormplan.weather.providers.merge import (
    extend_back,
    is_history_known,
    merge_forecasts,
    unknown_hours,
)
from stormplan.weather.providers.quality_control import (
    MIN_COVERAGE_H,
    check_required_variables,
    disbelieve_future_issue,
    unexpected_form,
)
from stormplan.weather.redaction import remember_secret
from stormplan.weather.reply_text import parse_json

MAX_PREFERRED_AGE = timedelta(
    hours=12
)  # a forecast older than this yields to a fresher one of another source
MAX_SIDE_BY_SIDE = 8  # places asked for at once; requests to one service stay apart in time
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
                f"{self.key}: {self.latitude_deg}, {self.longitude_deg} is not a place; latitude "
                "is -90 to 90 and longitude -180 to 180 degrees, west negative"
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
        """Return the newest forecast for a location as of a moment; one object per cell.

        A source that keeps older copies of it gives them by ``older_copies(location, now)``,
        newest first, and those that tell the hours before now by ``past_copies(location, now)``.
        One that reads all places at once has ``prepare(locations, now, until)``, called before.

        Raises
        ------
        ForecastError
            There is none; the text says why.
        """


def open_sources(
    weather: WeatherSettings,
    fetcher: Fetcher,
    folder: Path = Path(),
    rules: GatherRules = DEFAULT_RULES,
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
    rules : GatherRules
        What is believed of a reply.

    Raises
    ------
    InputError
        A key that is not in the environment.
    ForecastError
        No recorded forecasts in their folder.
    """
    return [_open_source(name, weather, fetcher, folder, rules) for name in weather.sources]


def _open_source(
    name: str, weather: WeatherSettings, fetcher: Fetcher, folder: Path, rules: GatherRules
) -> ForecastSource:
    from stormplan.weather.providers import grids, metno, nws, openmeteo, recorded, table

    match name:
        case "nws":
            base_url = weather.nws.base_url or nws.BASE_URL
            return nws.NwsSource(fetcher, base_url, rules.issue_time_tolerance)
        case "metno":
            return metno.open_source(fetcher, weather.metno.base_url or metno.BASE_URL)
        case "openmeteo" | "openmeteo_ensemble":
            service = weather.service(name)
            return openmeteo.open_source(fetcher, name, service.base_url, _key(name, service))
        case "nbm":
            return grids.open_source(name, weather.nbm, fetcher, folder)
        case "hrrr":
            return grids.open_source(name, weather.hrrr, fetcher, folder)
        case "table":
            kept = ArchivedFiles(fetcher.archive, offline=fetcher.offline)
            return table.TableSource(weather.tables, folder, kept)
        case "recorded":
            kept = ArchivedFiles(fetcher.archive, offline=fetcher.offline)
            return recorded.RecordedSource(folder / str(weather.recorded), kept=kept)
        case _:
            raise InputError(
                f"'{name}' is not a forecast source; known sources: {', '.join(SOURCE_KEYS)}"
            )


def _key(name: str, service: SourceSettings) -> str | None:
    """Return a service's key from the environment, where the sites file names one."""
    if service.key_env is None:
        return None
    key = os.environ.get(service.key_env, "").strip()
    remember_secret(key)
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
    rules: GatherRules = DEFAULT_RULES,
    on_fetched: Callable[[int, int], None] | None = None,
) -> list[LocationForecasts]:
    """Get every source's forecast for every place, in order of preference.

    Parameters
    ----------
    sources : sequence of ForecastSource
        In order of preference.
    locations : iterable of Location
        In any order; the answer keeps it. They are asked for side by side.
    now : datetime
        The moment planned for, aware UTC.
    horizon : timedelta
        How far ahead hours matter: up to there an older copy, another source or a rule steps in
        where the newest copy of the first does not know.
    rules : GatherRules, optional
        What is believed, and what may stand in; the defaults of practice if not given.
    on_fetched : callable, optional
        Told how many places of how many have been asked for.

    Returns
    -------
    list of LocationForecasts
        One for each place; identical cells share one ``CellForecast`` object.
    """
    gathering = _Gathering(sources, now, now + horizon, rules)
    places = list(locations)
    gathering.prepare(places)
    fetched = []
    with ThreadPoolExecutor(MAX_SIDE_BY_SIDE) as pool:
        for found in pool.map(gathering.fetch, places):
            fetched.append(found)
            if on_fetched is not None:
                on_fetched(len(fetched), len(places))
    return [gathering.merged(found) for found in fetched]


@dataclass
class _Gathering:
    """One gathering: what every source has for a place, and the one forecast made of it."""

    sources: Sequence[ForecastSource]
    now: datetime
    until: datetime
    rules: GatherRules
    _merged: dict[tuple[int, ...], CellForecast | ForecastError] = field(default_factory=dict)
    _believed: dict[int, tuple[CellForecast, CellForecast]] = field(default_factory=dict)

    def prepare(self, places: Sequence[Location]) -> None:
        """Let the sources that read all places at once do so."""
        for source in self.sources:
            prepare = getattr(source, "prepare", None)
            if prepare is not None:
                prepare(places, self.now, self.until)

    def fetch(self, location: Location) -> _Fetched:
        """Ask every source for a place; one source's fault is that source's."""
        found = _Fetched(location)
        for source in self.sources:
            try:
                cell = source.forecast(location, self.now)
                self._check_place(cell, location)
                copies = [cell, *self._older_copies(source, cell, location)]
                past = self._past_copies(source, cell, location)
            except NotServedError as error:
                found.unserved.append(str(error))
            except ForecastError as error:
                found.failures.append((len(found.copies), str(error)))
            except ArchiveError:
                raise
            except Exception as error:  # whatever it is, the other sources have no part in it
                text = str(unexpected_form(type(source).__name__, location.key, error))
                found.failures.append((len(found.copies), text))
            else:
                found.copies.append([self._believe(copy) for copy in copies])
                found.past.append([self._believe(copy) for copy in past])
        return found

    def merged(self, found: _Fetched) -> LocationForecasts:
        """Return the forecasts of a place, each merged from what is at hand."""
        newest = [copies[0] for copies in found.copies]
        if not newest:
            reasons = (*found.unserved, *(text for _, text in found.failures))
            return LocationForecasts(found.location, None, reasons)
        preferred = next(
            (
                at
                for at, cell in enumerate(newest)
                if self.now - cell.issued_at <= MAX_PREFERRED_AGE
            ),
            0,
        )
        order = [preferred, *(at for at in range(len(newest)) if at != preferred)]
        failures = [text for before, text in found.failures if before <= preferred]
        later = [text for before, text in found.failures if before > preferred]
        for cell in newest[:preferred]:
            hours = (self.now - cell.issued_at) / timedelta(hours=1)
            failures.append(f"{cell.source}: its last forecast is {hours:.0f} h old")
        plannable: list[CellForecast] = []
        for rank, at in enumerate(order):
            others = [newest[other] for other in order if other != at] if rank == 0 else []
            try:
                plannable.append(self._merge(found.copies[at], found.past[at], others))
            except ForecastError as error:
                (later if plannable else failures).append(str(error))
        if not plannable:
            return LocationForecasts(found.location, None, (*found.unserved, *failures))
        return LocationForecasts(
            found.location, plannable[0], tuple(failures), tuple(plannable[1:]), tuple(later)
        )

    def _older_copies(
        self, source: ForecastSource, cell: CellForecast, location: Location
    ) -> Sequence[CellForecast]:
        """Return older copies where the newest lacks something that matters."""
        begin = floor_hour(self.now)
        lacking = unknown_hours(cell, begin, self.until)
        older = getattr(source, "older_copies", None)
        return older(location, self.now) if lacking and older is not None else ()

    def _past_copies(
        self, source: ForecastSource, cell: CellForecast, location: Location
    ) -> Sequence[CellForecast]:
        """Return copies that tell the hours before now, where the newest does not."""
        past = getattr(source, "past_copies", None)
        if past is None or is_history_known(cell, self.now):
            return ()
        copies: Sequence[CellForecast] = past(location, self.now)
        return copies

    def _check_place(self, cell: CellForecast, location: Location) -> None:
        away_km = distance_km(location, cell.latitude_deg, cell.longitude_deg)
        if away_km > self.rules.max_cell_distance_km:
            raise ForecastError(
                f"{cell.source} {cell.cell_id}: the cell is {away_km:.0f} km from {location.key} "
                f"at {location.latitude_deg}, {location.longitude_deg}; refused, up to "
                f"{self.rules.max_cell_distance_km:.0f} km is used (rule max_cell_distance)"
            )

    def _believe(self, cell: CellForecast) -> CellForecast:
        """Return a copy with a time of issue that can be believed; one object per cell."""
        known = self._believed.setdefault(
            id(cell),
            (cell, disbelieve_future_issue(cell, self.now, self.rules.issue_time_tolerance)),
        )
        return known[1]

    def _merge(
        self,
        copies: Sequence[CellForecast],
        past: Sequence[CellForecast],
        others: Sequence[CellForecast],
    ) -> CellForecast:
        key = tuple(map(id, (*copies, *past, *others)))
        if key not in self._merged:
            self._merged[key] = self._merge_once(copies, past, others)
        merged = self._merged[key]
        if isinstance(merged, ForecastError):
            raise merged
        return merged

    def _merge_once(
        self,
        copies: Sequence[CellForecast],
        past: Sequence[CellForecast],
        others: Sequence[CellForecast],
    ) -> CellForecast | ForecastError:
        newest, *older = copies
        until = max(self.until, self.now + timedelta(hours=MIN_COVERAGE_H))
        merged = merge_forecasts(newest, older, others, self.now, until, self.rules.merge)
        label = f"{newest.source} {newest.cell_id}"
        axis = HourAxis(merged.start, merged.n_hours)
        try:
            check_required_variables(label, merged.values, axis, self.now)
        except ForecastError as error:
            return error
        return extend_back(merged, past, others, self.now)


@dataclass
class _Fetched:
    """What the sources gave for a place: copies of each, newest first, and failures.

    ``past`` are those that tell the hours before now.

    A failure stands with the number of sources before it that had a forecast.
    """

    location: Location
    copies: list[list[CellForecast]] = field(default_factory=list)
    past: list[list[CellForecast]] = field(default_factory=list)
    failures: list[tuple[int, str]] = field(default_factory=list)
    unserved: list[str] = field(default_factory=list)


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
    from stormplan.weather.providers import grid_document, metno, nws, openmeteo
    from stormplan.weather.providers.grid_models import MODELS

    parts = urlsplit(url)
    if parts.scheme in MODELS:
        return grid_document.parse_forecast(parse_json(body), fetched_at)
    if "/gridpoints/" in parts.path:
        return nws.parse_forecast(parse_json(body), fetched_at)
    if parts.path.endswith("/complete"):
        return metno.parse_forecast(parse_json(body), fetched_at)
    for name, endpoint in openmeteo.ENDPOINTS.items():
        if parts.path.endswith(endpoint):
            return openmeteo.parse_forecast(parse_json(body), fetched_at, name)
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
        flags={name: mark | np.uint16(QualityFlag.STALE) for name, mark in cell.flags.items()},
    )
