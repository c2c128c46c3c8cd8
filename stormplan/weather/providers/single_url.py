"""Services that answer for a place at one address: the few lines of fetch they share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime

from stormplan.errors import ForecastError
from stormplan.weather.forecast import CellForecast
from stormplan.weather.http_client import USUAL, Fetcher, Reply, Terms
from stormplan.weather.providers import Place, mark_stale

Parse = Callable[[object, datetime, datetime], CellForecast]
NON_AUTHORITATIVE = 203


@dataclass
class Direct:
    """A service for one run; each address is asked once.

    Attributes
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes [-].
    address : callable
        Gives the address for a place; equal addresses share one forecast [-].
    parse : callable
        Reads a body, given when it was received and the moment planned for [-].
    terms : Terms
        How the service is asked [-].
    """

    fetcher: Fetcher
    address: Callable[[Place], str]
    parse: Parse
    terms: Terms = USUAL
    _known: dict[tuple[str, datetime], CellForecast | ForecastError] = field(default_factory=dict)

    def forecast(self, place: Place, now: datetime) -> CellForecast:
        """Give the forecast for a place as of a moment; the same object for the same address.

        Raises
        ------
        ForecastError
            Nothing usable now nor in the archive.
        """
        url = self.address(place)
        known = self._known.get((url, now))
        if known is None:
            try:
                known = self._ask(url, now)
            except ForecastError as error:
                known = error
            self._known[url, now] = known
        if isinstance(known, ForecastError):
            raise known
        return known

    def _ask(self, url: str, now: datetime) -> CellForecast:
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
        return mark_stale(cell, reply.reason) if reply.state == "stale" else cell
