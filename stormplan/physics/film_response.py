"""Response of films to treatments at known surface boundaries, vectorized over candidates.

``surface_simulation`` runs the coupled energy balance once and returns a ``SurfaceBoundary`` for
each column. Films of candidate treatments are then run alone against it, without ground and
radiation. Each candidate names the column whose boundary it takes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from stormplan.arrays import Array, IntArray
from stormplan.numerics import HOUR_S
from stormplan.physics import phase_equilibrium
from stormplan.physics.film import Applications, FilmState, PlowPasses, vapor_flux
from stormplan.physics.film_condition import FilmHours, FilmRecorder
from stormplan.physics.pavement import Columns
from stormplan.physics.phase_equilibrium import LATENT_FUSION_J_KG
from stormplan.physics.surface_simulation import Operations, SurfaceBoundary, split_precipitation
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

    Returns
    -------
    FilmHours
        On the axes ``(hour, candidate, member)``; NaN once the weather is unknown.

    Notes
    -----
    A film that freezes or melts warms or cools its own place as the untreated one would have;
    that the ground remembers it is neglected, which matters only for films over a millimetre.
    """
    members = forecast.n_members
    first = np.zeros(len(column_index), dtype=np.intp) if first is None else first
    if hours is None:
        hours = forecast.n_hours - int(first.min(initial=forecast.n_hours))
    film = _candidate_films(columns, column_index, members, traffic_loss_per_h)
    if start is not None:
        start.initialize(film)
    site_forcing = _CandidateForcing(forecast, columns, boundary, column_index, first)
    operations = Operations(applications, plow_passes, members)
    recorder = FilmRecorder(hours, len(column_index), members)
    duration = HOUR_S / steps
    film_c = np.zeros(film.water.size)
    for hour in range(hours):
        liquid, snow, sleet = (values / steps for values in site_forcing.precip_mm(hour))
        unknown = np.isnan(liquid + snow + sleet + site_forcing.unfrozen_temp_c(hour) + film.total)
        if unknown.any():
            film.mark_unknown(unknown)
        operations.begin_hour(hour, film, recorder)
        unfrozen_temp_c, skin, convective_wm2k = (
            site_forcing.unfrozen_temp_c(hour),
            site_forcing.skin_c(hour),
            site_forcing.convective_coefficient_wm2k(hour),
        )
        kelvin_per_kg = LATENT_FUSION_J_KG / (duration * site_forcing.restoring_wm2k(hour))
        air_pa, pressure_pa = site_forcing.vapor_pressure_pa(hour), site_forcing.pressure_pa(hour)
        for _ in range(steps):
            source = film.vapor_source(skin)
            flux, _slope = vapor_flux(source, convective_wm2k, skin, air_pa, pressure_pa, duration)
            film.add_precipitation(liquid, snow, sleet)
            top_melted = np.minimum(site_forcing.top_melt_mm(hour) / steps, film.snow)
            film.melt_snow(top_melted)
            before = film.water
            film.set_liquid(
                phase_equilibrium.equilibrate(
                    unfrozen_temp_c, kelvin_per_kg, before, film.total, film.salts, film_c
                )
            )
            recorder.add("melted", top_melted + film.water - before)
            film_c = unfrozen_temp_c - kelvin_per_kg * (film.water - before)
            evaporated = np.minimum(flux * duration, np.minimum(source.available_kg_m2, film.total))
            film.exchange_vapor(evaporated, source)
            recorder.add_vapor(evaporated)
            recorder.add("drained", *film.drain(duration))
            if np.any(film.traffic_loss_per_h > 0.0):
                recorder.add("traffic_loss", *film.remove_by_traffic(duration))
            film.age_snow(duration)
        recorder.end_hour(hour, film)
    return recorder.film_hours()


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

        depth_mm = 1000.0 * film.snow / film.density
        return cls(
            one(film.water), one(film.ice), one(film.frost), one(film.snow), one(depth_mm),
            one(film.puddle), one(film.salts),
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


class _CandidateForcing:
    """Hourly forcing of each candidate on the flat ``candidate · member`` axis."""

    def __init__(
        self,
        forecast: Forecast,
        columns: Columns,
        boundary: SurfaceBoundary,
        column_index: IntArray,
        first: IntArray,
    ) -> None:
        self._column_index = column_index
        self._first = first
        self._last = forecast.n_hours - 1
        self._cell = columns.cell[column_index]
        self._boundary = boundary
        falls = split_precipitation(forecast)
        self._precip = (falls.liquid_mm, falls.snow_mm, falls.sleet_mm)
        self._vapor_pressure = saturation_vapor_pressure_pa(forecast["dew_point_c"])
        heights = [cell.elevation_m or 0.0 for cell in forecast.cells]
        standard = np.array([standard_pressure_pa(height) for height in heights])
        self._pressure = station_pressure_pa(forecast["pressure_hpa"], standard[:, None])

    def _at(self, hour: int) -> IntArray:
        return np.minimum(self._first + hour, self._last)

    def _cells(self, values: Array, hour: int) -> Array:
        return np.asarray(values[self._at(hour), self._cell].ravel())

    def _columns(self, values: Array, hour: int) -> Array:
        return np.asarray(values[self._at(hour), self._column_index].ravel())

    def precip_mm(self, hour: int) -> tuple[Array, ...]:
        return tuple(self._cells(values, hour) for values in self._precip)

    def vapor_pressure_pa(self, hour: int) -> Array:
        return self._cells(self._vapor_pressure, hour)

    def pressure_pa(self, hour: int) -> Array:
        return self._cells(self._pressure, hour)

    def unfrozen_temp_c(self, hour: int) -> Array:
        return self._columns(self._boundary.unfrozen_temp_c, hour)

    def restoring_wm2k(self, hour: int) -> Array:
        return self._columns(self._boundary.restoring_wm2k, hour)

    def skin_c(self, hour: int) -> Array:
        return self._columns(self._boundary.skin_c, hour)

    def top_melt_mm(self, hour: int) -> Array:
        return self._columns(self._boundary.top_melt_mm, hour)

    def convective_coefficient_wm2k(self, hour: int) -> Array:
        return self._columns(self._boundary.convective_coefficient_wm2k, hour)
