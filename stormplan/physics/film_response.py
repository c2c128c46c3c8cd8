"""What other films would have done in the same place: many treatments weighed in one call.

The energy balance has been run once, in ``course``; what it learnt about how firmly each place
holds its film is kept as a ``Holding``. A trial runs films alone against it, without ground and
radiation. Candidates are extra columns: ``which`` says whose place each one takes.
"""

from __future__ import annotations

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

    Returns
    -------
    FilmHours
        On the axes ``(hour, candidate, member)``; NaN once the weather is unknown.

    Notes
    -----
    A film that freezes or melts warms or cools its own place as the untreated one would have;
    that the ground remembers it is neglected, which matters only for films over a millimetre.
    """
    members, hours = forecast.members, forecast.hours
    film = _films(columns, which, members, wear_per_h)
    places = _Places(forecast, columns, holding, which)
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


class _Places:
    """Hands out a place's hours to its candidates on the flat ``candidate · member`` axis."""

    def __init__(
        self, forecast: Forecast, columns: Columns, holding: Holding, which: NDArray[np.intp]
    ) -> None:
        self._which = which
        self._cell = columns.cell[which]
        self._holding = holding
        falls = falling(forecast)
        self._falls = (falls.liquid_mm, falls.snow_mm, falls.sleet_mm)
        self._vapour = saturation_pa(forecast["dew_point_c"])
        heights = [cell.elevation_m or 0.0 for cell in forecast.cells]
        standard = np.array([standard_pressure_pa(height) for height in heights])
        given = forecast["pressure_hpa"] * 100.0
        self._pressure = np.where(np.isnan(given), standard[:, None], given)

    def fall(self, hour: int) -> tuple[Array, ...]:
        return tuple(values[hour][self._cell].ravel() for values in self._falls)

    def vapour_pa(self, hour: int) -> Array:
        return np.asarray(self._vapour[hour][self._cell].ravel())

    def pressure_pa(self, hour: int) -> Array:
        return np.asarray(self._pressure[hour][self._cell].ravel())

    def free_c(self, hour: int) -> Array:
        return np.asarray(self._holding.free_c[hour][self._which].ravel())

    def watts_per_k(self, hour: int) -> Array:
        return np.asarray(self._holding.watts_per_k[hour][self._which].ravel())

    def skin_c(self, hour: int) -> Array:
        return np.asarray(self._holding.skin_c[hour][self._which].ravel())

    def top_melt_mm(self, hour: int) -> Array:
        return np.asarray(self._holding.top_melt_mm[hour][self._which].ravel())

    def heat_wm2k(self, hour: int) -> Array:
        return np.asarray(self._holding.heat_wm2k[hour][self._which].ravel())
