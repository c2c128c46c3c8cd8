"""Services that answer for a place at one address: the few lines of fetch they share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime

from stormplan.errors import ForecastError
from stormplan.weather.forecast import CellForecast
from stormplan.weather.http_client import DEFAULT_TERMS, Fetcher, Reply, ServiceTerms
from stormplan.weather.providers import Location, flag_stale

ParseFunction = Callable[[object, datetime, datetime], CellForecast]
NON_AUTHORITATIVE = 203


@dataclass
class SingleUrlSource:
    """A service for one run; each address is asked once.

    Attributes
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes.
    url_for : callable
        Gives the address for a place; equal addresses share one forecast.
    parse : callable
        Reads a body, given when it was received and the moment planned for.
    terms : ServiceTerms
        How the service is asked.
    """

    fetcher: Fetcher
    url_for: Callable[[Location], str]
    parse: ParseFunction
    terms: ServiceTerms = DEFAULT_TERMS
    _cache: dict[tuple[str, datetime], CellForecast | ForecastError] = field(default_factory=dict)

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        """Return the forecast for a location as of a moment; one object per address.

        Raises
        ------
        ForecastError
            Nothing usable now nor in the archive.
        """
        url = self.url_for(location)
        cached = self._cache.get((url, now))
        if cached is None:
            try:
                cached = self._fetch(url, now)
            except ForecastError as error:
                cached = error
            self._cache[url, now] = cached
        if isinstance(cached, ForecastError):
            raise cached
        return cached

    def _fetch(self, url: str, now: datetime) -> CellForecast:
        def check(payload: object) -> None:
            self.parse(payload, now, now)

        return self._read(self.fetcher.get(url, now, check, terms=self.terms), now)

    def _read(self, reply: Reply, now: datetime) -> CellForecast:
        try:
            cell = self.parse(reply.payload, reply.fetched_at, now)
        except ForecastError as error:
            raise (
                ForecastError(f"{reply.reason}; but {error}") if reply.reason else error
            ) from error
        if reply.status == NON_AUTHORITATIVE:
            warning = "the service says this version is deprecated or in trial (203): update soon"
            cell = replace(cell, notes=(warning, *cell.notes))
        return flag_stale(cell, reply.reason) if reply.state == "stale" else cell
