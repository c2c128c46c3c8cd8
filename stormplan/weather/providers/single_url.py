"""Services that answer for a place at one address: the few lines of fetch they share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime

from stormplan.errors import ForecastError
from stormplan.store.archive import StoredReply
from stormplan.weather.forecast import CellForecast
from stormplan.weather.http_client import DEFAULT_TERMS, Fetcher, Reply, ServiceTerms
from stormplan.weather.http_policy import origin
from stormplan.weather.providers import Location, flag_stale
from stormplan.weather.providers.older_copies import read_older_copies, read_past_copies
from stormplan.weather.providers.once import OncePerKey
from stormplan.weather.providers.quality_control import refuse_unexpected_form
from stormplan.weather.reply_text import parse_json

ParseFunction = Callable[[object, datetime, datetime], CellForecast]
NON_AUTHORITATIVE = 203


def _named(url: str) -> tuple[str, str]:
    """Return the service and the place of an address, for the reason of a reply not read."""
    return origin(url)[1], url.partition("?")[2].partition("&hourly")[0]


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
    _cells: OncePerKey[CellForecast] = field(default_factory=OncePerKey)
    _copies: OncePerKey[list[CellForecast]] = field(default_factory=OncePerKey)
    _past: OncePerKey[list[CellForecast]] = field(default_factory=OncePerKey)

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        """Return the forecast for a location as of a moment; one object per address.

        Raises
        ------
        ForecastError
            Nothing usable now nor in the archive.
        """
        url = self.url_for(location)
        return self._cells.get((url, now), lambda: self._fetch(url, now))

    def older_copies(self, location: Location, now: datetime) -> list[CellForecast]:
        """Return the older copies of the forecast for a location, newest first."""
        url = self.url_for(location)
        return self._copies.get(
            (url, now),
            lambda: read_older_copies(self.fetcher.archive, url, now, self.parse, origin(url)[1]),
        )

    def past_copies(self, location: Location, now: datetime) -> list[CellForecast]:
        """Return the copies that tell a location's hours before now, newest first."""
        url = self.url_for(location)
        guarded = refuse_unexpected_form(self.parse, *_named(url))

        def parse(stored: StoredReply) -> CellForecast:
            return guarded(parse_json(stored.body), stored.fetched_at, stored.fetched_at)

        return self._past.get(
            (url, now), lambda: read_past_copies(self.fetcher.archive, url, now, parse)
        )

    def _fetch(self, url: str, now: datetime) -> CellForecast:
        def check(payload: object) -> None:
            refuse_unexpected_form(self.parse, *_named(url))(payload, now, now)

        return self._read(self.fetcher.get(url, now, check, terms=self.terms), url, now)

    def _read(self, reply: Reply, url: str, now: datetime) -> CellForecast:
        try:
            cell = refuse_unexpected_form(self.parse, *_named(url))(
                reply.payload, reply.fetched_at, now
            )
        except ForecastError as error:
            raise (
                ForecastError(f"{reply.reason}; but {error}") if reply.reason else error
            ) from error
        if reply.status == NON_AUTHORITATIVE:
            warning = "the service says this version is deprecated or in trial (203): update soon"
            cell = replace(cell, notes=(warning, *cell.notes))
        return flag_stale(cell, reply.reason) if reply.state == "stale" else cell
