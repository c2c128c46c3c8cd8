"""Driving times from a router of one's own: the table service of OSRM over HTTP.

``GET {router_url}/table/v1/driving/{lon},{lat};...`` answers with seconds from each place to each
other one (OSRM's HTTP API, table service). The server is the owner's, named by ``router_url`` of
the company; a table is kept for a month. What is not exactly such a table counts as none, and
distances stand in.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from stormplan.company.sites import Sites
from stormplan.errors import ForecastError
from stormplan.planning.diagnostics import Diagnostic, DiagnosticCode, degraded
from stormplan.weather.http_client import Fetcher, ServiceTerms

#: Coordinates of one request: OSRM takes 100 by default, and blocks pair two halves.
MAX_PLACES = 100
MAX_DRIVE_S = 36_000.0  # ten hours, as in a table of one's own
TERMS = ServiceTerms(accept="application/json", default_max_age=timedelta(days=30))

Place = tuple[str, tuple[float, float]]  # key; latitude north, longitude east [°]


class RouterError(ForecastError):
    """The router gave no table of driving times."""


def routed_minutes(
    sites: Sites, fetcher: Fetcher, now: datetime
) -> tuple[dict[tuple[str, str], float], tuple[Diagnostic, ...]]:
    """Return the driving minutes that the company's router knows.

    Parameters
    ----------
    sites : Sites
        The sites file, with ``router_url``.
    fetcher : Fetcher
        Asks, keeps replies, and has its own budget of time.
    now : datetime
        Moment of planning, aware UTC.

    Returns
    -------
    dict of (str, str) to float
        Minutes by pair of keys of yards and sites, each way by itself; pairs without a road are
        absent [min].
    tuple of Diagnostic
        Why there are none, or fewer than there should be.
    """
    url = sites.company.router_url
    if url is None:
        return {}, ()
    found: dict[tuple[str, str], float] = {}
    by_yard: dict[str, list[Place]] = {
        key: [(key, (yard.latitude_deg, yard.longitude_deg))] for key, yard in sites.yards.items()
    }
    for key, site in sorted(sites.sites.items()):
        by_yard[site.yard].append((key, (site.latitude_deg, site.longitude_deg)))
    for places in by_yard.values():
        try:
            for origins, destinations in _blocks(places):
                found |= _block_minutes(url, origins, destinations, fetcher, now)
        except ForecastError as error:
            return found, (degraded(DiagnosticCode.ROUTER_UNUSABLE, reason=str(error)),)
    return found, ()


def _blocks(places: Sequence[Place]) -> list[tuple[Sequence[Place], Sequence[Place]]]:
    """Return pairs of groups that together have every pair of places, few enough for a request."""
    if len(places) <= MAX_PLACES:
        return [(places, places)]
    half = MAX_PLACES // 2
    groups = [places[at : at + half] for at in range(0, len(places), half)]
    return [(one, other) for one in groups for other in groups]


def _block_minutes(
    url: str,
    origins: Sequence[Place],
    destinations: Sequence[Place],
    fetcher: Fetcher,
    now: datetime,
) -> dict[tuple[str, str], float]:
    same = origins is destinations
    asked = origins if same else (*origins, *destinations)
    path = ";".join(f"{lon:.6f},{lat:.6f}" for _, (lat, lon) in asked)
    address = f"{url}/table/v1/driving/{path}"
    if not same:
        count = len(origins)
        sources = ";".join(str(at) for at in range(count))
        targets = ";".join(str(at) for at in range(count, len(asked)))
        address += f"?sources={sources}&destinations={targets}"
    shape = len(origins), len(destinations)

    def check(payload: object) -> None:
        parse_table(payload, shape)

    try:
        reply = fetcher.get(address, now, check, terms=TERMS)
    except ForecastError as error:  # two kilobytes of coordinates tell a reader nothing
        raise RouterError(str(error).replace(address, f"{url}/table")) from error
    rows = parse_table(reply.payload, shape)
    return {
        (origin, destination): seconds / 60.0
        for (origin, _), row in zip(origins, rows, strict=True)
        for (destination, _), seconds in zip(destinations, row, strict=True)
        if seconds is not None and origin != destination
    }


def parse_table(payload: object, shape: tuple[int, int]) -> list[list[float | None]]:
    """Read the answer of an OSRM table service.

    Parameters
    ----------
    payload : object
        JSON of the answer.
    shape : (int, int)
        How many origins and destinations were asked for [-].

    Returns
    -------
    list of list of float or None
        Seconds from each origin to each destination; None where there is no road [s].

    Raises
    ------
    RouterError
        It is no such table.
    """
    if not isinstance(payload, Mapping) or payload.get("code") != "Ok":
        code = payload.get("code") if isinstance(payload, Mapping) else None
        raise RouterError(
            f"the router says {code if isinstance(code, str) else 'nothing of use'!r}"
        )
    rows = payload.get("durations")
    if not isinstance(rows, list) or len(rows) != shape[0]:
        raise RouterError(f"the router's table has not {shape[0]} rows")
    found: list[list[float | None]] = []
    for row in rows:
        if not isinstance(row, list) or len(row) != shape[1]:
            raise RouterError(f"a row of the router's table has not {shape[1]} times")
        found.append([_seconds(value) for value in row])
    return found


def _seconds(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise RouterError("a time of the router's table is no number")
    if not math.isfinite(value) or not 0.0 <= value <= MAX_DRIVE_S:
        raise RouterError(f"{value} s is no driving time; accepted: 0 to {MAX_DRIVE_S:.0f} s")
    return float(value)
