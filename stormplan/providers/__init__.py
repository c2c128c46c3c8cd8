"""Forecast sources, one module each: which forecast does each place get, and if none, why not.

A source is a variable map, a pure parser and a few lines of fetch. ``gather`` asks the sources in
order of preference for every place; what goes wrong at one place never stops the others, and
places in the same grid cell get the same object.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Protocol

import numpy as np

from stormplan.errors import ForecastError, InputError
from stormplan.fetch import Fetcher
from stormplan.forecast import CellForecast, Mark

#: Names a sites file may list, in the order in which they are tried if it lists none.
NAMES = ("nws",)


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
        From the first source that had one; None if none had [-].
    reasons : tuple of str
        Why each source before it, or every source, had none, in words [-].
    """

    place: Place
    forecast: CellForecast | None
    reasons: tuple[str, ...] = ()


class Source(Protocol):
    """One forecast source, for one run."""

    def forecast(self, place: Place, now: datetime) -> CellForecast:
        """Give the forecast for a place as of a moment; the same object for the same cell.

        Raises
        ------
        ForecastError
            There is none; the text says why.
        """


def open_sources(
    names: Sequence[str], fetcher: Fetcher, base_urls: Mapping[str, str] | None = None
) -> list[Source]:
    """Make the sources a sites file names.

    Parameters
    ----------
    names : sequence of str
        In order of preference, each one of ``NAMES`` [-].
    fetcher : Fetcher
        Asks for all of them [-].
    base_urls : mapping of str, optional
        Addresses to use instead of the public ones, by name of the source [-].

    Raises
    ------
    InputError
        A name that is no source.
    """
    sources: list[Source] = []
    for name in names:
        match name:
            case "nws":
                from stormplan.providers import nws

                sources.append(nws.Nws(fetcher, (base_urls or {}).get(name, nws.BASE_URL)))
            case _:
                raise InputError(
                    f"'{name}' is not a forecast source; known sources: {', '.join(NAMES)}"
                )
    return sources


def gather(sources: Sequence[Source], places: Iterable[Place], now: datetime) -> list[Gathered]:
    """Get a forecast for every place, from the first source that has one.

    Parameters
    ----------
    sources : sequence of Source
        In order of preference [-].
    places : iterable of Place
        In any order; the answer keeps it [-].
    now : datetime
        The moment planned for, aware UTC [-].

    Returns
    -------
    list of Gathered
        One for each place; identical cells share one ``CellForecast`` object.
    """
    return [_gather_one(sources, place, now) for place in places]


def _gather_one(sources: Sequence[Source], place: Place, now: datetime) -> Gathered:
    reasons: list[str] = []
    for source in sources:
        try:
            return Gathered(place, source.forecast(place, now), tuple(reasons))
        except ForecastError as error:
            reasons.append(str(error))
    return Gathered(place, None, tuple(reasons))


def mark_stale(cell: CellForecast, reason: str) -> CellForecast:
    """Mark a forecast that stands in for one that could not be had, with the reason."""
    return replace(
        cell,
        stale=True,
        notes=(reason, *cell.notes),
        marks={name: mark | np.uint8(Mark.STALE) for name, mark in cell.marks.items()},
    )
