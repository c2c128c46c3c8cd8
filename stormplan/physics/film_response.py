"""What other films would have done in the same place: many treatments weighed in one call.

The energy balance has been run once, in ``course``; what it learnt about how firmly each place
holds its film is kept as a ``Holding``. A trial runs films alone against it, without ground and
radiation. Candidates are extra columns: ``which`` says whose place each one takes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from stormplan.physics import phase_equilibrium
from stormplan.physics.film import Applications, Film, Ploughs, vapour_flux
from stormplan.physics.film_condition import FilmHours, Recorder
from stormplan.physics.pavement import HOUR_S, Columns
from stormplan.physics.phase_equilibrium import LATENT_FUSION_J_KG
from stormplan.physics.surface_simulation import Holding, Work, falling
from stormplan.weather.forecast import Forecast
from stormplan.weather.moist_air import saturation_pa, standard_pressure_pa

Array = NDArray[np.float64]

TRIAL_STEPS_PER_HOUR = 2


def run(
    forecast: Forecast,
    columns: Columns,
    holding: Holding,
    which: NDArray[np.intp],
    applications: Applications | None = None,
    ploughs: Ploughs | None = None,
    wear_per_h: Array | float = 0.0,
    steps: int = TRIAL_STEPS_PER_HOUR,
    first: NDArray[np.intp] | None = None,
    hours: int | None = None,
    start: FilmStart | None = None,
) -> FilmHours:
    """Run films against places whose temperature is known.

    Parameters
    ----------
    forecast : Forecast
        The hourly weather ``holding`` was made from, or the same hours of it [-].
    columns : Columns
        The places [-].
    holding : Holding
        How each place holds its film, ``(hour, column, member)`` [-].
    which : array of int (candidate,)
        Whose place each candidate takes [-].
    applications, ploughs : Applications, Ploughs or None
        What crews do; their ``column`` counts candidates [-].
    wear_per_h : array (candidate,) or float
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
        What lies there at the beginning; None for bare and dry [-].

    Returns
    -------
    FilmHours
        On the axes ``(hour, candidate, member)``; NaN once the weather is unknown.

    Notes
    -----
    A film that freezes or melts warms or cools its own place as the untreated one would have;
    that the ground remembers it is neglected, which matters only for films over a millimetre.
    """
    members = forecast.members
    first = np.zeros(len(which), dtype=np.intp) if first is None else first
    if hours is None:
        hours = forecast.hours - int(first.min(initial=forecast.hours))
    film = _films(columns, which, members, wear_per_h)
    if start is not None:
        start.put_on(film)
    places = _Places(forecast, columns, holding, which, first)
    work = Work(applications, ploughs, members)
    recorder = Recorder(hours, len(which), members)
    duration = HOUR_S / steps
    film_c = np.zeros(film.water.size)
    for hour in range(hours):
        liquid, snow, sleet = (values / steps for values in places.fall(hour))
        unknown = np.isnan(liquid + snow + sleet + places.free_c(hour) + film.total)
        if unknown.any():
            film.forget(unknown)
        work.begin(hour, film, recorder)
        free, skin, heat = places.free_c(hour), places.skin_c(hour), places.heat_wm2k(hour)
        per_kg = LATENT_FUSION_J_KG / (duration * places.watts_per_k(hour))
        air_pa, pressure_pa = places.vapour_pa(hour), places.pressure_pa(hour)
        for _ in range(steps):
            exposed = film.exposed(skin)
            flux, _slope = vapour_flux(exposed, heat, skin, air_pa, pressure_pa, duration)
            film.receive(liquid, snow, sleet)
            top_melted = np.minimum(places.top_melt_mm(hour) / steps, film.snow)
            film.melt_snow(top_melted)
            before = film.water
            film.shift(
                phase_equilibrium.settle(free, per_kg, before, film.total, film.salts, film_c)
            )
            recorder.add("melted", top_melted + film.water - before)
            film_c = free - per_kg * (film.water - before)
            evaporated = np.minimum(flux * duration, np.minimum(exposed.store_kg_m2, film.total))
            film.vapour(evaporated, exposed)
            recorder.vapour(evaporated)
            recorder.add("drained", *film.drain(duration))
            if np.any(film.wear_per_h > 0.0):
                recorder.add("worn", *film.wear(duration))
            film.age(duration)
        recorder.end(hour, film)
    return recorder.film_hours()


def _films(
    columns: Columns, which: NDArray[np.intp], members: int, wear_per_h: Array | float
) -> Film:
    wear = np.broadcast_to(np.asarray(wear_per_h, dtype=float), (len(which),))
    return Film(
        np.repeat(columns.each("texture_mm")[which], members),
        np.repeat(columns.each("drain_s")[which], members),
        np.repeat(wear, members),
    )


@dataclass(frozen=True)
class FilmStart:
    """What lies on each candidate's surface when its film begins: arrays ``(candidate, member)``.

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
    def at(cls, film: FilmHours, hour: NDArray[np.intp], column: NDArray[np.intp]) -> FilmStart:
        """Take what films leave at the end of an hour, one (hour, column) for each candidate."""
        stores = {item.name: getattr(film, item.name)[..., hour, column, :] for item in fields(cls)}
        return cls(**stores)

    def repeat(self, counts: NDArray[np.intp]) -> FilmStart:
        """Repeat each candidate's so many times."""
        return FilmStart(
            **{name: np.repeat(values, counts, axis=-2) for name, values in vars(self).items()}
        )

    def put_on(self, film: Film) -> None:
        """Lay it on films that have just been made, on the flat candidate · member axis."""
        film.water, film.ice, film.frost, film.snow, film.puddle = (
            values.ravel().copy()
            for values in (self.water_mm, self.ice_mm, self.frost_mm, self.snow_mm, self.puddle_mm)
        )
        depth_m = self.snow_depth_mm.ravel() / 1000.0
        film.density = np.where(depth_m > 0.0, film.snow / np.maximum(depth_m, 1e-9), film.density)
        film.salts = self.salts_kg_m2.reshape(len(self.salts_kg_m2), -1).copy()


class _Places:
    """Hands out a place's hours to its candidates on the flat ``candidate · member`` axis."""

    def __init__(
        self,
        forecast: Forecast,
        columns: Columns,
        holding: Holding,
        which: NDArray[np.intp],
        first: NDArray[np.intp],
    ) -> None:
        self._which = which
        self._first = first
        self._last = forecast.hours - 1
        self._cell = columns.cell[which]
        self._holding = holding
        falls = falling(forecast)
        self._falls = (falls.liquid_mm, falls.snow_mm, falls.sleet_mm)
        self._vapour = saturation_pa(forecast["dew_point_c"])
        heights = [cell.elevation_m or 0.0 for cell in forecast.cells]
        standard = np.array([standard_pressure_pa(height) for height in heights])
        given = forecast["pressure_hpa"] * 100.0
        self._pressure = np.where(np.isnan(given), standard[:, None], given)

    def _at(self, hour: int) -> NDArray[np.intp]:
        return np.minimum(self._first + hour, self._last)

    def _cells(self, values: Array, hour: int) -> Array:
        return np.asarray(values[self._at(hour), self._cell].ravel())

    def _columns(self, values: Array, hour: int) -> Array:
        return np.asarray(values[self._at(hour), self._which].ravel())

    def fall(self, hour: int) -> tuple[Array, ...]:
        return tuple(self._cells(values, hour) for values in self._falls)

    def vapour_pa(self, hour: int) -> Array:
        return self._cells(self._vapour, hour)

    def pressure_pa(self, hour: int) -> Array:
        return self._cells(self._pressure, hour)

    def free_c(self, hour: int) -> Array:
        return self._columns(self._holding.free_c, hour)

    def watts_per_k(self, hour: int) -> Array:
        return self._columns(self._holding.watts_per_k, hour)

    def skin_c(self, hour: int) -> Array:
        return self._columns(self._holding.skin_c, hour)

    def top_melt_mm(self, hour: int) -> Array:
        return self._columns(self._holding.top_melt_mm, hour)

    def heat_wm2k(self, hour: int) -> Array:
        return self._columns(self._holding.heat_wm2k, hour)
