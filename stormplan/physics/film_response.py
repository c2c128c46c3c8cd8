"""Response of films to treatments at known surface boundaries, vectorized over candidates.

``surface_simulation`` runs the coupled energy balance once and returns a ``SurfaceBoundary`` for
each column. Films of candidate treatments are then run alone against it, without ground and
radiation. Each candidate names the column whose boundary it takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from stormplan.arrays import Array, IntArray, flat_index
from stormplan.physics.film import Applications, FilmState, PlowPasses
from stormplan.physics.film_condition import FILM_VARIABLES, FilmHours, FilmRecorder
from stormplan.physics.film_processes import FilmForcing, advance_films
from stormplan.physics.hour_weather import split_precipitation
from stormplan.physics.pavement import Columns
from stormplan.physics.surface_simulation import (
    Operations,
    SurfaceBoundary,
)
from stormplan.weather.forecast import Forecast
from stormplan.weather.moist_air import (
    saturation_vapor_pressure_pa,
    standard_pressure_pa,
    station_pressure_pa,
)

FILM_STEPS_PER_HOUR = 2


def simulate_films(
    forecast: Forecast,
    columns: Columns,
    boundary: SurfaceBoundary,
    column_index: IntArray,
    applications: Applications | None = None,
    plow_passes: PlowPasses | None = None,
    traffic_loss_per_h: Array | float = 0.0,
    steps: int = FILM_STEPS_PER_HOUR,
    first: IntArray | None = None,
    hours: int | None = None,
    start: FilmStart | None = None,
    spans: FilmSpans | None = None,
    variables: Sequence[str] = FILM_VARIABLES,
    weather: FilmWeather | None = None,
) -> FilmHours:
    """Simulate films on columns whose boundary conditions are known.

    Parameters
    ----------
    forecast : Forecast
        The hourly weather ``boundary`` was made from, or the same hours of it.
    columns : Columns
        The places.
    boundary : SurfaceBoundary
        How each place holds its film, ``(hour, column, member)``.
    column_index : array of int (candidate,)
        Whose place each candidate takes [-].
    applications, plow_passes : Applications, PlowPasses or None
        What crews do; their ``column`` counts candidates.
    traffic_loss_per_h : array (candidate,) or float
        Share of film and salt that traffic carries off in an hour [1/h].
    steps : int
        Time steps per hour [-].
    first : array of int (candidate,) or None
        Hour of the forecast in which each film begins; hours of applications and passes count from
        there, and so do those of the result. None for the first hour of all [h].
    hours : int or None
        How many hours are run; None for all that the forecast has from the earliest ``first`` on.
        A film that would run past the forecast's end stays in its last hour [h].
    start : FilmStart or None
        What lies there at the beginning; None for bare and dry.
    spans : FilmSpans or None
        In which hours each film is run by itself; None for all.
    variables : sequence of str
        Which attributes of the result are recorded; the others are empty.
    weather : FilmWeather or None
        Made of ``forecast`` before, where many calls share it.

    Returns
    -------
    FilmHours
        On the axes ``(hour, candidate, member)``; NaN once the weather is unknown, 0 after a span.

    Notes
    -----
    A film that freezes or melts warms or cools its own place as the untreated one would have;
    that the ground remembers it is neglected, which matters only for films over a millimetre.
    """
    members = forecast.n_members
    first = np.zeros(len(column_index), dtype=np.intp) if first is None else first
    if hours is None:
        hours = forecast.n_hours - int(first.min(initial=forecast.n_hours))
    spans = FilmSpans.all_hours(len(column_index), hours) if spans is None else spans
    films = _candidate_films(columns, column_index, members, traffic_loss_per_h)
    if start is not None:
        start.initialize(films)
    weather = FilmWeather.from_forecast(forecast) if weather is None else weather
    around = (*vars(weather).values(), *vars(boundary).values())
    forcing = FilmForcing(
        first, columns.cell[column_index], column_index,
        *(np.require(values, float, ["C", "W"]) for values in around),
    )  # fmt: skip
    recorder = FilmRecorder(hours, len(column_index), members, variables)
    operations = Operations(applications, plow_passes, members)
    film_c = np.zeros(films.water.size)
    for hour in range(hours):
        own, parent = (flat_index(at, members) for at in spans.parting(hour))
        films.records[own], film_c[own] = films.records[parent], film_c[parent]
        active = spans.active(hour)
        operations.begin_hour(hour, films, recorder, active)
        advance_films(films.records, film_c, active, forcing, hour, steps, recorder.flows)
        recorder.end_hour(hour, films, active)
    recorder.copy_hours(np.arange(len(column_index)), spans.parent, spans.begin)
    return recorder.film_hours()


@dataclass(frozen=True)
class FilmSpans:
    """The hours in which films are run by themselves, from the first: arrays ``(candidate,)``.

    Candidates that differ only from some hour on are one film until then, run once.

    Attributes
    ----------
    begin : array of int
        Hour from which a film is its own [h].
    end : array of int
        First hour that is not run [h].
    parent : array of int
        Which candidate's film it is before it begins, for all of that time [-].
    """

    begin: IntArray
    end: IntArray
    parent: IntArray

    @classmethod
    def all_hours(cls, count: int, hours: int) -> FilmSpans:
        """Return spans of films that are all run from the first hour to the last."""
        return cls(np.zeros(count, dtype=np.intp), np.full(count, hours), np.arange(count))

    def active(self, hour: int) -> IntArray:
        """Return which films are run in an hour."""
        return np.flatnonzero((self.begin <= hour) & (hour < self.end))

    def parting(self, hour: int) -> tuple[IntArray, IntArray]:
        """Return which films begin in an hour, and which they were before."""
        own = np.flatnonzero(self.begin == hour)
        return own, self.parent[own]


def _candidate_films(
    columns: Columns,
    column_index: IntArray,
    members: int,
    traffic_loss_per_h: Array | float,
) -> FilmState:
    traffic_loss = np.broadcast_to(
        np.asarray(traffic_loss_per_h, dtype=float), (len(column_index),)
    )
    return FilmState(
        np.repeat(columns.build_up_values("texture_mm")[column_index], members),
        np.repeat(columns.build_up_values("drain_time_s")[column_index], members),
        np.repeat(traffic_loss, members),
    )


@dataclass(frozen=True)
class FilmStart:
    """Initial film of each candidate: arrays ``(candidate, member)``.

    Attributes
    ----------
    water_mm, ice_mm, frost_mm, snow_mm, snow_depth_mm, puddle_mm : array
        As in ``FilmHours`` [mm].
    salts_kg_m2 : array (4, candidate, member)
        Each chloride [kg/m²].
    """

    water_mm: Array
    ice_mm: Array
    frost_mm: Array
    snow_mm: Array
    snow_depth_mm: Array
    puddle_mm: Array
    salts_kg_m2: Array

    @classmethod
    def from_films(cls, film: FilmHours, hour: IntArray, column: IntArray) -> FilmStart:
        """Return the stores at the end of an hour, one (hour, column) for each candidate."""
        stores = {item.name: getattr(film, item.name)[..., hour, column, :] for item in fields(cls)}
        return cls(**stores)

    @classmethod
    def from_film(cls, film: FilmState, column: int, n_members: int) -> FilmStart:
        """Return the stores of one column of a film in motion, (1, member)."""
        flat = slice(column * n_members, (column + 1) * n_members)

        def one(values: Array) -> Array:
            return values[..., None, flat].copy()

        snow_mm = one(film.snow)
        return cls(
            one(film.water), one(film.ice), one(film.frost), snow_mm,
            1000.0 * snow_mm / one(film.density), one(film.puddle), one(film.salts),
        )  # fmt: skip

    def repeat(self, counts: IntArray) -> FilmStart:
        """Repeat each candidate's so many times."""
        return FilmStart(
            **{name: np.repeat(values, counts, axis=-2) for name, values in vars(self).items()}
        )

    def initialize(self, film: FilmState) -> None:
        """Set the stores of new films, on the flat candidate · member axis."""
        film.water, film.ice, film.frost, film.snow, film.puddle = (
            values.ravel().copy()
            for values in (self.water_mm, self.ice_mm, self.frost_mm, self.snow_mm, self.puddle_mm)
        )
        depth_m = self.snow_depth_mm.ravel() / 1000.0
        film.density = np.where(depth_m > 0.0, film.snow / np.maximum(depth_m, 1e-9), film.density)
        film.salts = self.salts_kg_m2.reshape(len(self.salts_kg_m2), -1).copy()


@dataclass(frozen=True)
class FilmWeather:
    """What the air does to films: arrays ``(hour, cell, member)``.

    Attributes
    ----------
    liquid_mm, snow_mm, sleet_mm : array
        What falls in the hour [mm].
    vapor_pressure_pa, pressure_pa : array
        Vapor pressure of the air; station pressure [Pa].
    """

    liquid_mm: Array
    snow_mm: Array
    sleet_mm: Array
    vapor_pressure_pa: Array
    pressure_pa: Array

    @classmethod
    def from_forecast(cls, forecast: Forecast) -> FilmWeather:
        """Return what the hours of a forecast do to films."""
        falls = split_precipitation(forecast)
        heights = [cell.elevation_m or 0.0 for cell in forecast.cells]
        standard = np.array([standard_pressure_pa(height) for height in heights])
        return cls(
            falls.liquid_mm,
            falls.snow_mm,
            falls.sleet_mm,
            saturation_vapor_pressure_pa(forecast["dew_point_c"]),
            station_pressure_pa(forecast["pressure_hpa"], standard[:, None]),
        )
