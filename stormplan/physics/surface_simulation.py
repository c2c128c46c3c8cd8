"""How cold and how wet, both at once: pavement and film through the hours of a forecast.

Two temperatures per column: the skin that meets sky and wind, and the pavement surface with its
film. Loose snow lies between them; without snow they are one. The film freezes and melts where
the pavement is, snow melts at its top as well, and the heat of both goes into the same balance in
the same step.

Readings on the spot may know that a place is warmer or colder by night than the balance says. The
film lives at the temperature so corrected; the balance itself goes on as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stormplan.physics import pavement, phase_equilibrium
from stormplan.physics.bias_correction import night_share
from stormplan.physics.film import COVERED_BY_MM, Applications, Exposed, Film, Ploughs, vapour_flux
from stormplan.physics.film_condition import WET_MM, FilmHours, Recorder
from stormplan.physics.forcing import Forcing, Radiation, Step, steps_per_hour
from stormplan.physics.ground import Ground
from stormplan.physics.pavement import HOUR_S, SKIN_J_M2K, Columns, Depths, Slab, exchange_wm2k
from stormplan.physics.phase_equilibrium import LATENT_FUSION_J_KG
from stormplan.physics.radiation import STEFAN_BOLTZMANN_WM2K4
from stormplan.units import KELVIN
from stormplan.weather.forecast import Forecast
from stormplan.weather.moist_air import wet_bulb_c

Array = NDArray[np.float64]

WATER_J_KGK, ICE_J_KGK = 4186.0, 2090.0
WET_ALBEDO = 0.7  # of the dry one (textbook, from memory)
SNOW_EMISSIVITY = 0.98
SNOW_FLOOR_WM2K = 1.0  # windless exchange over snow (after Jordan 1991, CRREL SR 91-16)


@dataclass(frozen=True)
class Falling:
    """Precipitation on cells by what it does on a surface: arrays ``(hour, cell, member)``.

    Attributes
    ----------
    liquid_mm, snow_mm, sleet_mm : array
        Rain and freezing rain; snow; sleet, water in the hour [mm].
    wet_bulb_c : array
        Temperature at which it falls [°C].
    """

    liquid_mm: Array
    snow_mm: Array
    sleet_mm: Array
    wet_bulb_c: Array


def falling(forecast: Forecast) -> Falling:
    """Sort precipitation; a phase the forecast is silent about is nil only in a dry hour.

    Parameters
    ----------
    forecast : Forecast
        Hourly weather [-].

    Returns
    -------
    Falling
        NaN where it is not known what or whether anything falls.
    """
    dry = forecast["precip_mm"] == 0.0

    def amount(name: str) -> Array:
        return np.where(np.isnan(forecast[name]) & dry, 0.0, forecast[name])

    return Falling(
        amount("rain_mm") + amount("frz_rain_mm"),
        amount("snow_we_mm"),
        amount("sleet_mm"),
        wet_bulb_c(forecast["air_temp_c"], forecast["dew_point_c"]),
    )


@dataclass(frozen=True)
class Holding:
    """How the surroundings hold a film: hourly means, ``(hour, column, member)``.

    Enough to ask what another film would have done in the same place.

    Attributes
    ----------
    free_c : array
        Temperature the pavement surface would go to if nothing froze or melted [°C].
    watts_per_k : array
        Power that moves it by one degree [W/(m² K)].
    skin_c : array
        Temperature of what meets the air [°C].
    heat_wm2k : array
        Exchange coefficient with the air [W/(m² K)].
    top_melt_mm : array
        Snow that sun and air melt at its top in the hour [mm].
    """

    free_c: Array
    watts_per_k: Array
    skin_c: Array
    heat_wm2k: Array
    top_melt_mm: Array


@dataclass(frozen=True)
class Course:
    """Pavement and film through the hours, ``(hour, column, member)``; NaN once unknown.

    Attributes
    ----------
    surface_c, surface_min_c : array
        Pavement surface, under snow if there is any: mean and lowest of the hour [°C].
    skin_c : array
        What sky and wind see, mean of the hour [°C].
    depth_c : array (depth, hour, column, member)
        Mean of the hour at each depth asked for [°C].
    film : FilmHours
        Water, ice, snow and salt [mm], [kg/m²].
    holding : Holding
        For trials of other films in the same place [-].
    radiation : Radiation
        Used per cell, and which of it was modelled [W/m²].
    end : End
        What the last of these hours left [-].
    """

    surface_c: Array
    surface_min_c: Array
    skin_c: Array
    depth_c: Array
    film: FilmHours
    holding: Holding
    radiation: Radiation
    end: End


@dataclass(frozen=True)
class End:
    """How the hours of a run left its columns: the place from which others may go on.

    Attributes
    ----------
    hour : int
        First hour of the forecast that was not run [-].
    wet : WetSlab
        Slab and film as they were then [-].
    """

    hour: int
    wet: WetSlab


class WetSlab:
    """A slab with its film in motion, flat arrays ``(column · member,)``.

    After each step ``heat_wm2k``, ``evaporated``, ``melted``, ``top_melted``, ``free_c`` and
    ``watts_per_k`` say what happened in it [W/(m² K)], [kg/m²] three times, [°C], [W/(m² K)].
    ``offset_dc`` is how much warmer film and snow find their place than the balance has it [K].
    """

    def __init__(self, slab: Slab, film: Film) -> None:
        self.slab = slab
        self.film = film
        self.skin_c = slab.surface_c.copy()
        nothing = np.zeros_like(self.skin_c)
        self.heat_wm2k = self.evaporated = self.melted = self.top_melted = nothing
        self.free_c = self.watts_per_k = nothing
        self.offset_dc: Array | float = 0.0

    def resume(self, left: WetSlab) -> None:
        """Take over what another run left of each of these columns, however often they stand."""
        place = {record: index for index, record in enumerate(left.slab.columns.records)}
        which = np.array([place[record] for record in self.slab.columns.records], dtype=np.intp)
        flat = flat_places(which, self.slab.members)
        self.slab.ground_c = left.slab.ground_c.take(flat, axis=1)
        self.slab.surface_c = left.slab.surface_c[flat]
        self.skin_c = left.skin_c[flat]
        self.film.resume(left.film, flat)

    def optics(self) -> tuple[Array, Array]:
        """Albedo and emissivity of what lies on top [-]."""
        film, slab = self.film, self.slab
        cover = np.minimum(film.snow / COVERED_BY_MM, 1.0)
        bare = slab.albedo * np.where(film.water > WET_MM, WET_ALBEDO, 1.0)
        albedo = bare + cover * (film.albedo - bare)
        return albedo, slab.emissivity + cover * (SNOW_EMISSIVITY - slab.emissivity)

    def step(
        self,
        ground: Ground,
        weather: Step,
        pressure_pa: Array,
        fall: tuple[Array, Array, Array],
        fall_c: Array,
    ) -> None:
        """Move on by one step.

        Parameters
        ----------
        ground : Ground
            Eliminated for the step [-].
        weather : Step
            On every column [-].
        pressure_pa : array (column,)
            Station pressure [Pa].
        fall : three arrays (column,)
            Liquid, snow and sleet that fall in the step [kg/m²].
        fall_c : array (column,)
            Temperature at which they fall [°C].
        """
        slab, film, dt = self.slab, self.film, ground.step_s
        rain_w = (WATER_J_KGK * fall[0] + ICE_J_KGK * (fall[1] + fall[2])) / dt
        snow_heat = 0.5 * ICE_J_KGK * film.snow
        film_heat = SKIN_J_M2K + WATER_J_KGK * film.water + ICE_J_KGK * film.ice + snow_heat
        top, own = snow_heat / dt, film_heat / dt
        albedo, emissivity = self.optics()
        income = (1.0 - albedo) * weather.sun_wm2 + emissivity * weather.longwave_wm2
        income += slab.traffic_wm2
        floor = np.where(film.snow > 0.5 * COVERED_BY_MM, SNOW_FLOOR_WM2K, pavement.FLOOR_WM2K)
        heat = exchange_wm2k(weather.wind_ms, self.skin_c, weather.air_c, pressure_pa, floor)
        exposed = film.exposed(self.skin_c + self.offset_dc)
        vapour, vapour_slope = vapour_flux(
            exposed, heat, self.skin_c + self.offset_dc, weather.vapour_pa, pressure_pa, dt
        )
        film.receive(*fall)

        # pavement surface, then everything below the skin, as straight lines of the skin's T
        reduced = ground.pull(slab.ground_c, weather.air_c + slab.below_dc)
        slope, pull = ground.answer(reduced, ground.top_wm2k)
        through = film.snow_conductance_wm2k()
        firm = own + slope + through
        share = through / firm
        known = own * slab.surface_c + pull
        loss = heat + rain_w + share * (own + slope)
        gain = heat * weather.air_c + rain_w * fall_c + share * known
        latent_slope = exposed.latent_j_kg * vapour_slope
        skin = pavement.solve_surface(
            top, self.skin_c, income, emissivity, loss + latent_slope,
            gain + latent_slope * self.skin_c - exposed.latent_j_kg * vapour,
        )  # fmt: skip
        glow = 4.0 * STEFAN_BOLTZMANN_WM2K4 * emissivity * (skin + KELVIN) ** 3
        stiff = top + loss + latent_slope + glow

        # snow melts at its top first; its skin cannot pass 0 °C while there is any
        snow_power = LATENT_FUSION_J_KG / dt * film.snow
        top_melt = np.minimum(stiff * np.maximum(skin + self.offset_dc, 0.0), snow_power)
        skin = skin - top_melt / stiff
        pinned = (top_melt > 0.0) & (top_melt < snow_power)
        self.top_melted = top_melt * (dt / LATENT_FUSION_J_KG)
        film.melt_snow(self.top_melted)

        # then the film freezes or melts along its ice line
        outer = stiff - share * (own + slope)
        series = np.where(pinned, through, through * outer / (through + outer))
        self.watts_per_k = own + slope + series
        self.free_c = known / firm + share * skin + self.offset_dc
        per_kg = LATENT_FUSION_J_KG / (dt * self.watts_per_k)
        before = film.water
        guess_c = slab.surface_c + self.offset_dc
        liquid = phase_equilibrium.settle(
            self.free_c, per_kg, before, film.total, film.salts, guess_c
        )
        film.shift(liquid)
        self.melted = film.water - before
        base_melt = self.melted * (LATENT_FUSION_J_KG / dt)
        cooled = np.where(pinned, 0.0, base_melt / self.watts_per_k * through / (through + outer))
        skin = skin - cooled

        # what the air takes is settled now, and the balance closed with it
        most = film.total / dt
        self._give(exposed, vapour + vapour_slope * (skin - self.skin_c), most, dt)
        self.skin_c = pavement.solve_surface(
            top, self.skin_c, income, emissivity, loss,
            gain - share * base_melt - top_melt - exposed.latent_j_kg * (self.evaporated / dt),
            guess_c=skin, rounds=2,
        )  # fmt: skip
        slab.surface_c = (known - base_melt) / firm + share * self.skin_c
        slab.ground_c = ground.settle(reduced, slab.surface_c, ground.top_wm2k)
        self.melted = self.melted + self.top_melted
        self.heat_wm2k = heat

    def _give(self, exposed: Exposed, flux: Array, most: Array, dt: float) -> None:
        """Exchange vapour with the air: dry surfaces have none to give."""
        limit = np.minimum(exposed.store_kg_m2 / dt, most)
        self.evaporated = np.minimum(flux, limit) * dt
        self.film.vapour(self.evaporated, exposed)

    def forget_unknown(self, unknown: NDArray[np.bool_]) -> None:
        """Make columns whose weather is no longer known NaN throughout."""
        unknown = unknown | np.isnan(self.skin_c) | np.isnan(self.film.total)
        if unknown.any():
            self.film.forget(unknown)
            self.slab.surface_c[unknown] = self.skin_c[unknown] = np.nan
            self.slab.ground_c[:, unknown] = np.nan


def fresh_film(columns: Columns, members: int, wear_per_h: Array | float = 0.0) -> Film:
    """Start with nothing on any column."""
    wear = np.broadcast_to(np.asarray(wear_per_h, dtype=float), (len(columns),))
    return Film(
        np.repeat(columns.each("texture_mm"), members),
        np.repeat(columns.each("drain_s"), members),
        np.repeat(wear, members),
    )


def _night_offsets_dc(forecast: Forecast, columns: Columns) -> Array | None:
    """Give what each column's offset comes to in each hour, (hour, column); None where nil."""
    if not columns.night_offset_dc.any():
        return None
    cells = ((cell.latitude_deg, cell.longitude_deg) for cell in forecast.cells)
    nights = [night_share(forecast.starts, *place) for place in cells]
    return np.stack(nights, axis=1)[:, columns.cell] * columns.night_offset_dc


def flat_places(column: NDArray[np.intp], members: int) -> NDArray[np.intp]:
    """Find all members of some columns on the flat axis."""
    return (column[:, None] * members + np.arange(members)).ravel()


class Work:
    """Hands out what crews do, hour by hour, on the flat column axis."""

    def __init__(
        self, applications: Applications | None, ploughs: Ploughs | None, members: int
    ) -> None:
        self._applications = applications
        self._ploughs = ploughs
        self._members = members

    def begin(self, hour: int, film: Film, recorder: Recorder) -> None:
        """Plough, then put product down, at the start of an hour."""
        if self._ploughs is not None:
            now = self._ploughs.hour == hour
            if now.any():
                where = flat_places(self._ploughs.column[now], self._members)
                residual = np.repeat(self._ploughs.residual_mm[now], self._members)
                recorder.add("cleared", *film.plough(where, residual))
        if self._applications is not None:
            now = self._applications.hour == hour
            if now.any():
                film.apply(
                    flat_places(self._applications.column[now], self._members),
                    np.repeat(self._applications.salts_kg_m2[:, now], self._members, axis=1),
                    np.repeat(self._applications.water_kg_m2[now], self._members),
                )


class _Means:
    """Trapezium means over the hour of quantities that live on the flat axis."""

    def __init__(self, hours: int, steps: int, shape: tuple[int, int]) -> None:
        self.steps = steps
        self.shape = shape
        self.out = {
            name: np.empty((hours, *shape))
            for name in ("surface", "skin", "free", "watts", "heat", "top")
        }
        self.lowest = np.empty((hours, *shape))

    def begin(self, wet: WetSlab) -> None:
        self._ends = (wet.slab.surface_c, wet.skin_c)
        self._sum = {name: np.zeros_like(wet.skin_c) for name in self.out}
        self._low = wet.slab.surface_c

    def add(self, wet: WetSlab) -> None:
        self._sum["surface"] += wet.slab.surface_c
        self._sum["skin"] += wet.skin_c
        self._sum["free"] += wet.free_c
        self._sum["watts"] += wet.watts_per_k
        self._sum["heat"] += wet.heat_wm2k
        self._sum["top"] += self.steps * wet.top_melted
        self._low = np.minimum(self._low, wet.slab.surface_c)

    def end(self, hour: int, wet: WetSlab) -> None:
        """Close the hour; what is reported is the place as its film finds it."""
        self._sum["surface"] += 0.5 * (self._ends[0] - wet.slab.surface_c)
        self._sum["skin"] += 0.5 * (self._ends[1] - wet.skin_c)
        for name, total in self._sum.items():
            offset = wet.offset_dc if name in ("surface", "skin") else 0.0
            self.out[name][hour] = (total / self.steps + offset).reshape(self.shape)
        self.lowest[hour] = (self._low + wet.offset_dc).reshape(self.shape)


def run(
    forecast: Forecast,
    columns: Columns,
    applications: Applications | None = None,
    ploughs: Ploughs | None = None,
    depths_m: Sequence[float] = (),
    wear_per_h: Array | float = 0.0,
    after: End | None = None,
    until: int | None = None,
) -> Course:
    """Run pavement and film, two-way, through a forecast or some hours of it.

    Parameters
    ----------
    forecast : Forecast
        Hourly weather; everything is bare and dry at its start [-].
    columns : Columns
        Surfaces to run [-].
    applications, ploughs : Applications, Ploughs or None
        What crews do, on every member alike; hours count from the first one run [-].
    depths_m : sequence of float
        Depths to report besides the surface [m].
    wear_per_h : array (column,) or float
        Share of film and salt that traffic carries off in an hour [1/h].
    after : End or None
        Where an earlier run of the same forecast ended, on all these columns; None to begin at its
        start [-].
    until : int or None
        First hour of the forecast that is not run; None to go on to its end [-].

    Returns
    -------
    Course
        Hourly results on the axes ``(hour, column, member)``, from the first hour run.

    Raises
    ------
    InputError
        A negative depth.
    """
    members, first = forecast.members, 0 if after is None else after.hour
    hours = (forecast.hours if until is None else min(until, forecast.hours)) - first
    steps = steps_per_hour(members)
    forcing = Forcing(
        forecast, columns.cell, columns.sky_view_frac, columns.wind_factor, columns.horizon_deg,
        steps,
    )  # fmt: skip
    slab = pavement.start(columns, forecast)
    depths = Depths(slab, depths_m)
    if after is None:
        pavement.spin_up(slab, forcing)
    wet = WetSlab(slab, fresh_film(columns, members, wear_per_h))
    if after is not None:
        wet.resume(after.wet)
    ground = slab.eliminated(HOUR_S / steps)
    fall = falling(forecast)
    work = Work(applications, ploughs, members)
    recorder = Recorder(hours, len(columns), members)
    means = _Means(hours, steps, (len(columns), members))
    deep = np.empty((len(depths_m), hours, len(columns), members))
    offsets = _night_offsets_dc(forecast, columns)
    for hour in range(hours):
        if offsets is not None:
            wet.offset_dc = np.repeat(offsets[first + hour], members)
        amounts = [
            forcing.gather(a[first + hour]) / steps
            for a in (fall.liquid_mm, fall.snow_mm, fall.sleet_mm)
        ]
        each = (amounts[0], amounts[1], amounts[2])
        wet.forget_unknown(np.isnan(sum(amounts)))
        work.begin(hour, wet.film, recorder)
        pressure = forcing.pressure_pa(first + hour)
        fall_c = forcing.gather(fall.wet_bulb_c[first + hour])
        means.begin(wet)
        deep_sum = 0.5 * depths.read(slab) if depths_m else None
        for weather in forcing.hour(first + hour):
            wet.step(ground, weather, pressure, each, fall_c)
            recorder.vapour(wet.evaporated)
            recorder.add("melted", wet.melted)
            recorder.add("drained", *wet.film.drain(ground.step_s))
            if np.any(wet.film.wear_per_h > 0.0):
                recorder.add("worn", *wet.film.wear(ground.step_s))
            wet.film.age(ground.step_s)
            means.add(wet)
            if deep_sum is not None:
                deep_sum += depths.read(slab)
        means.end(hour, wet)
        recorder.end(hour, wet.film)
        if deep_sum is not None:
            deep_sum -= 0.5 * depths.read(slab)
            deep[:, hour] = deep_sum.reshape(len(depths_m), len(columns), members) / steps
    out = means.out
    holding = Holding(out["free"], out["watts"], out["skin"], out["heat"], out["top"])
    return Course(
        out["surface"], means.lowest, out["skin"], deep, recorder.film_hours(), holding,
        forcing.radiation, End(first + hours, wet),
    )  # fmt: skip
