"""Coupled simulation of pavement temperature and film through a forecast.

Two temperatures per column: the skin that meets sky and wind, and the pavement surface with its
film. Loose snow lies between them; without snow they are one. The film freezes and melts where
the pavement is, snow melts at its top as well, and the heat of both goes into the same balance in
the same step.

Readings on the spot may know that a place is warmer or colder by night than the balance says. The
film lives at the temperature so corrected; the balance itself goes on as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.numerics import HOUR_S
from stormplan.physics import night_error, pavement, phase_equilibrium
from stormplan.physics.bias_correction import night_weight
from stormplan.physics.film import (
    FULL_SNOW_COVER_MM,
    Applications,
    FilmState,
    PlowPasses,
    VaporSource,
    vapor_flux,
)
from stormplan.physics.film_condition import MIN_WET_MM, FilmHours, FilmRecorder
from stormplan.physics.forcing import DownwardRadiation, Forcing, StepForcing, steps_per_hour
from stormplan.physics.ground import GroundSolver
from stormplan.physics.pavement import (
    SURFACE_HEAT_CAPACITY_J_M2K,
    Columns,
    DepthSampler,
    Slab,
    convective_coefficient_wm2k,
)
from stormplan.physics.phase_equilibrium import LATENT_FUSION_J_KG
from stormplan.physics.radiation import STEFAN_BOLTZMANN_WM2K4
from stormplan.units import ZERO_CELSIUS_K
from stormplan.weather.forecast import Forecast
from stormplan.weather.moist_air import wet_bulb_c

WATER_HEAT_CAPACITY_J_KGK, ICE_HEAT_CAPACITY_J_KGK = 4186.0, 2090.0
WET_ALBEDO_RATIO = 0.7  # of the dry one (textbook, from memory)
SNOW_EMISSIVITY = 0.98
SNOW_WINDLESS_COEFFICIENT_WM2K = (
    1.0  # windless exchange over snow (after Jordan 1991, CRREL SR 91-16)
)


@dataclass(frozen=True)
class Precipitation:
    """Precipitation by form: arrays ``(hour, cell, member)``.

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


def split_precipitation(forecast: Forecast) -> Precipitation:
    """Return precipitation by form; a type that is not given is nil only in a dry hour.

    Parameters
    ----------
    forecast : Forecast
        Hourly weather.

    Returns
    -------
    Precipitation
        NaN where it is not known what or whether anything falls.
    """
    dry = forecast["precip_mm"] == 0.0

    def amount(name: str) -> Array:
        return np.where(np.isnan(forecast[name]) & dry, 0.0, forecast[name])

    return Precipitation(
        amount("rain_mm") + amount("freezing_rain_mm"),
        amount("snowfall_swe_mm"),
        amount("sleet_mm"),
        wet_bulb_c(forecast["air_temp_c"], forecast["dew_point_c"]),
    )


@dataclass(frozen=True)
class SurfaceBoundary:
    """Thermal boundary conditions of a film: hourly means, ``(hour, column, member)``.

    Enough to ask what another film would have done in the same place.

    Attributes
    ----------
    unfrozen_temp_c : array
        Temperature the pavement surface would go to if nothing froze or melted [°C].
    restoring_wm2k : array
        Power that moves it by one degree [W/(m² K)].
    skin_c : array
        Temperature of what meets the air [°C].
    convective_coefficient_wm2k : array
        Exchange coefficient with the air [W/(m² K)].
    top_melt_mm : array
        Snow that sun and air melt at its top in the hour [mm].
    """

    unfrozen_temp_c: Array
    restoring_wm2k: Array
    skin_c: Array
    convective_coefficient_wm2k: Array
    top_melt_mm: Array


@dataclass(frozen=True)
class SimulationResult:
    """Hourly pavement and film, ``(hour, column, member)``; NaN once unknown.

    Attributes
    ----------
    surface_c, surface_min_c : array
        Pavement surface, under snow if there is any: mean and lowest of the hour [°C].
    skin_c : array
        What sky and wind see, mean of the hour [°C].
    temp_at_depth_c : array (depth, hour, column, member)
        Mean of the hour at each depth asked for [°C].
    film : FilmHours
        Water, ice, snow and salt [mm], [kg/m²].
    boundary : SurfaceBoundary
        For trials of other films in the same place.
    radiation : DownwardRadiation
        Used per cell, and which of it was modeled [W/m²].
    restart_state : RestartState
        What the last of these hours left.
    night_offset_k : array or None
        What readings moved the surface by; None where no column has any [K].
    """

    surface_c: Array
    surface_min_c: Array
    skin_c: Array
    temp_at_depth_c: Array
    film: FilmHours
    boundary: SurfaceBoundary
    radiation: DownwardRadiation
    restart_state: RestartState
    night_offset_k: Array | None = None


@dataclass(frozen=True)
class RestartState:
    """State of the columns at the end of a run, from which another may continue.

    Attributes
    ----------
    next_hour : int
        First hour of the forecast that was not run [-].
    surface : CoupledSurface
        Slab and film as they were then.
    """

    next_hour: int
    surface: CoupledSurface

    def with_columns(self, columns: Columns) -> RestartState:
        """Return the same state of the same columns in order, of whose nights more is known."""
        surface = copy(self.surface)
        surface.slab = replace(surface.slab, columns=columns)
        return replace(self, surface=surface)

    def apply(
        self, applications: Applications | None, plow_passes: PlowPasses | None, members: int
    ) -> None:
        """Plow, then put product down, before the first hour that is run; hours count from it."""
        film = self.surface.film
        if plow_passes is not None:
            where = flat_index(plow_passes.column, members)
            film.plow(where, np.repeat(plow_passes.residual_mm, members))
        if applications is not None:
            film.apply(
                flat_index(applications.column, members),
                np.repeat(applications.salts_kg_m2, members, axis=1),
                np.repeat(applications.water_kg_m2, members),
            )


class CoupledSurface:
    """Coupled state of slab and film, flat arrays ``(column · member,)``.

    After each step ``convective_coefficient_wm2k``, ``evaporated``, ``melted``, ``top_melted``,
    ``unfrozen_temp_c`` and ``restoring_wm2k`` say what happened in it [W/(m² K)], [kg/m²] three
    times, [°C], [W/(m² K)]. ``offset_k`` is how much warmer film and snow find their place than the
    balance has it [K].
    """

    def __init__(self, slab: Slab, film: FilmState) -> None:
        self.slab = slab
        self.film = film
        self.skin_c = slab.surface_c.copy()
        nothing = np.zeros_like(self.skin_c)
        self.convective_coefficient_wm2k = self.evaporated = self.melted = self.top_melted = nothing
        self.unfrozen_temp_c = self.restoring_wm2k = nothing
        self.offset_k: Array | float = 0.0

    def restore(self, saved: CoupledSurface) -> None:
        """Restore the state another run left for each of these columns, repeated or not."""
        place = {record: index for index, record in enumerate(saved.slab.columns.records)}
        which = np.array([place[record] for record in self.slab.columns.records], dtype=np.intp)
        flat = flat_index(which, self.slab.members)
        self.slab.ground_c = saved.slab.ground_c.take(flat, axis=1)
        self.slab.surface_c = saved.slab.surface_c[flat]
        self.skin_c = saved.skin_c[flat]
        self.film.restore(saved.film, flat)

    def albedo_and_emissivity(self) -> tuple[Array, Array]:
        """Return albedo and emissivity of the uppermost material [-]."""
        film, slab = self.film, self.slab
        cover = np.minimum(film.snow / FULL_SNOW_COVER_MM, 1.0)
        bare = slab.albedo * np.where(film.water > MIN_WET_MM, WET_ALBEDO_RATIO, 1.0)
        albedo = bare + cover * (film.albedo - bare)
        return albedo, slab.emissivity + cover * (SNOW_EMISSIVITY - slab.emissivity)

    def step(
        self,
        ground: GroundSolver,
        weather: StepForcing,
        pressure_pa: Array,
        precip: tuple[Array, Array, Array],
        precip_temp_c: Array,
    ) -> None:
        """Advance by one step.

        Parameters
        ----------
        ground : GroundSolver
            Eliminated for the step.
        weather : StepForcing
            On every column.
        pressure_pa : array (column,)
            Station pressure [Pa].
        precip : three arrays (column,)
            Liquid, snow and sleet that fall in the step [kg/m²].
        precip_temp_c : array (column,)
            Temperature at which they fall [°C].
        """
        slab, film, dt = self.slab, self.film, ground.step_s
        precip_heat_wm2k = (
            WATER_HEAT_CAPACITY_J_KGK * precip[0]
            + ICE_HEAT_CAPACITY_J_KGK * (precip[1] + precip[2])
        ) / dt
        snow_heat_capacity = 0.5 * ICE_HEAT_CAPACITY_J_KGK * film.snow
        film_heat_capacity = (
            SURFACE_HEAT_CAPACITY_J_M2K
            + WATER_HEAT_CAPACITY_J_KGK * film.water
            + ICE_HEAT_CAPACITY_J_KGK * film.ice
            + snow_heat_capacity
        )
        skin_storage_wm2k, film_storage_wm2k = snow_heat_capacity / dt, film_heat_capacity / dt
        albedo, emissivity = self.albedo_and_emissivity()
        absorbed_wm2 = (1.0 - albedo) * weather.shortwave_wm2 + emissivity * weather.longwave_wm2
        absorbed_wm2 += slab.traffic_wm2
        windless_wm2k = np.where(
            film.snow > 0.5 * FULL_SNOW_COVER_MM,
            SNOW_WINDLESS_COEFFICIENT_WM2K,
            pavement.WINDLESS_COEFFICIENT_WM2K,
        )
        convective_wm2k = convective_coefficient_wm2k(
            weather.wind_ms, self.skin_c, weather.air_c, pressure_pa, windless_wm2k
        )
        source = film.vapor_source(self.skin_c + self.offset_k)
        evaporation, evaporation_slope = vapor_flux(
            source,
            convective_wm2k,
            self.skin_c + self.offset_k,
            weather.vapor_pressure_pa,
            pressure_pa,
            dt,
        )
        film.add_precipitation(*precip)

        # pavement surface, then everything below the skin, as straight lines of the skin's T
        reduced = ground.forward_elimination(
            slab.ground_c, weather.air_c + slab.underside_air_offset_k
        )
        ground_slope, ground_rhs = ground.linear_response(reduced)
        snow_conductance = film.snow_conductance_wm2k()
        total_conductance = film_storage_wm2k + ground_slope + snow_conductance
        skin_coupling = snow_conductance / total_conductance
        film_rhs = film_storage_wm2k * slab.surface_c + ground_rhs
        linear_loss = (
            convective_wm2k + precip_heat_wm2k + skin_coupling * (film_storage_wm2k + ground_slope)
        )
        skin_rhs = (
            convective_wm2k * weather.air_c
            + precip_heat_wm2k * precip_temp_c
            + skin_coupling * film_rhs
        )
        latent_slope = source.latent_heat_j_kg * evaporation_slope
        skin = pavement.solve_surface_temperature(
            skin_storage_wm2k, self.skin_c, absorbed_wm2, emissivity, linear_loss + latent_slope,
            skin_rhs + latent_slope * self.skin_c - source.latent_heat_j_kg * evaporation,
        )  # fmt: skip
        radiative_slope = 4.0 * STEFAN_BOLTZMANN_WM2K4 * emissivity * (skin + ZERO_CELSIUS_K) ** 3
        linearized_sum = skin_storage_wm2k + linear_loss + latent_slope + radiative_slope

        # snow melts at its top first; its skin cannot pass 0 °C while there is any
        snow_power = LATENT_FUSION_J_KG / dt * film.snow
        top_melt = np.minimum(linearized_sum * np.maximum(skin + self.offset_k, 0.0), snow_power)
        skin = skin - top_melt / linearized_sum
        at_melting_point = (top_melt > 0.0) & (top_melt < snow_power)
        self.top_melted = top_melt * (dt / LATENT_FUSION_J_KG)
        film.melt_snow(self.top_melted)

        # then the film freezes or melts along its ice line
        skin_to_air = linearized_sum - skin_coupling * (film_storage_wm2k + ground_slope)
        series_conductance = np.where(
            at_melting_point,
            snow_conductance,
            snow_conductance * skin_to_air / (snow_conductance + skin_to_air),
        )
        self.restoring_wm2k = film_storage_wm2k + ground_slope + series_conductance
        self.unfrozen_temp_c = film_rhs / total_conductance + skin_coupling * skin + self.offset_k
        kelvin_per_kg = LATENT_FUSION_J_KG / (dt * self.restoring_wm2k)
        liquid_before = film.water
        guess_c = slab.surface_c + self.offset_k
        liquid = phase_equilibrium.equilibrate(
            self.unfrozen_temp_c, kelvin_per_kg, liquid_before, film.total, film.salts, guess_c
        )
        film.set_liquid(liquid)
        self.melted = film.water - liquid_before
        base_melt = self.melted * (LATENT_FUSION_J_KG / dt)
        skin_cooling = np.where(
            at_melting_point,
            0.0,
            base_melt / self.restoring_wm2k * snow_conductance / (snow_conductance + skin_to_air),
        )
        skin = skin - skin_cooling

        # what the air takes is settled now, and the balance closed with it
        max_flux = film.total / dt
        self._exchange_vapor(
            source, evaporation + evaporation_slope * (skin - self.skin_c), max_flux, dt
        )
        self.skin_c = pavement.solve_surface_temperature(
            skin_storage_wm2k, self.skin_c, absorbed_wm2, emissivity, linear_loss,
            skin_rhs - skin_coupling * base_melt - top_melt
            - source.latent_heat_j_kg * (self.evaporated / dt),
            guess_c=skin, iterations=2,
        )  # fmt: skip
        slab.surface_c = (film_rhs - base_melt) / total_conductance + skin_coupling * self.skin_c
        slab.ground_c = ground.back_substitution(reduced, slab.surface_c)
        self.melted = self.melted + self.top_melted
        self.convective_coefficient_wm2k = convective_wm2k

    def _exchange_vapor(self, source: VaporSource, flux: Array, max_flux: Array, dt: float) -> None:
        """Exchange vapor with the air, limited by what is on the surface."""
        limit = np.minimum(source.available_kg_m2 / dt, max_flux)
        self.evaporated = np.minimum(flux, limit) * dt
        self.film.exchange_vapor(self.evaporated, source)

    def mark_unknown(self, unknown: BoolArray) -> None:
        """Make columns whose weather is no longer known NaN throughout."""
        unknown = unknown | np.isnan(self.skin_c) | np.isnan(self.film.total)
        if unknown.any():
            self.film.mark_unknown(unknown)
            self.slab.surface_c[unknown] = self.skin_c[unknown] = np.nan
            self.slab.ground_c[:, unknown] = np.nan


def empty_film(
    columns: Columns, members: int, traffic_loss_per_h: Array | float = 0.0
) -> FilmState:
    """Return a film with nothing on any column."""
    traffic_loss = np.broadcast_to(np.asarray(traffic_loss_per_h, dtype=float), (len(columns),))
    return FilmState(
        np.repeat(columns.build_up_values("texture_mm"), members),
        np.repeat(columns.build_up_values("drain_time_s"), members),
        np.repeat(traffic_loss, members),
    )


class NightOffsets:
    """What readings move the columns by in each hour, on the flat axis ``column · members``.

    Parameters
    ----------
    forecast : Forecast
        Hourly weather.
    columns : Columns
        Some of which were read.
    """

    def __init__(self, forecast: Forecast, columns: Columns) -> None:
        read = [at for at, record in enumerate(columns.records) if record.night_error is not None]
        self._read = np.array(read, dtype=np.intp)
        self._members = forecast.n_members
        self._size = len(columns) * self._members
        if not read:
            return
        cell = columns.cell[self._read]
        places = [(one.latitude_deg, one.longitude_deg) for one in forecast.cells]
        nights = np.stack([night_weight(forecast.hour_starts, *place) for place in places], axis=1)
        self._night = nights[:, cell]
        self._air_c = forecast["air_temp_c"][:, cell]
        mean_c = night_error.air_mean_c(forecast["air_temp_c"])[:, cell]
        self._features = night_error.night_features(
            forecast["cloud_frac"][:, cell], np.zeros(()), self._air_c - mean_c
        )
        time_h = np.array([start.timestamp() / HOUR_S for start in forecast.hour_starts])
        errors = [columns.records[at].night_error for at in read]
        self._weights = np.stack(
            [night_error.expected_weights(one, time_h) for one in errors if one is not None],
            axis=1,
        )

    def at_hour(self, hour: int, surface_c: Array) -> Array | float:
        """Return the offset of an hour from the surface at its start, without any [°C], [K]."""
        if not self._read.size or not self._night[hour].any():
            return 0.0
        flat = flat_index(self._read, self._members)
        features = self._features[hour].copy()
        surface_minus_air_k = surface_c[flat].reshape(features.shape[:2]) - self._air_c[hour]
        features[..., 2] = np.nan_to_num(surface_minus_air_k)
        expected = night_error.weighted(self._weights[hour][:, None], features)
        offset = np.zeros(self._size)
        offset[flat] = (self._night[hour][:, None] * expected).ravel()
        return offset


def flat_index(column: IntArray, members: int) -> IntArray:
    """Return the flat indices of all members of some columns."""
    return (column[:, None] * members + np.arange(members)).ravel()


class Operations:
    """Plow passes and applications, hour by hour, on the flat column axis."""

    def __init__(
        self, applications: Applications | None, plow_passes: PlowPasses | None, members: int
    ) -> None:
        self._applications = applications
        self._plow_passes = plow_passes
        self._members = members

    def begin_hour(self, hour: int, film: FilmState, recorder: FilmRecorder) -> None:
        """Plow, then apply product, at the start of an hour."""
        if self._plow_passes is not None:
            now = self._plow_passes.hour == hour
            if now.any():
                where = flat_index(self._plow_passes.column[now], self._members)
                residual = np.repeat(self._plow_passes.residual_mm[now], self._members)
                recorder.add("plowed", *film.plow(where, residual))
        if self._applications is not None:
            now = self._applications.hour == hour
            if now.any():
                film.apply(
                    flat_index(self._applications.column[now], self._members),
                    np.repeat(self._applications.salts_kg_m2[:, now], self._members, axis=1),
                    np.repeat(self._applications.water_kg_m2[now], self._members),
                )


class HourlyMeans:
    """Hourly means by the trapezoidal rule, on the flat axis."""

    def __init__(
        self, hours: int, steps: int, shape: tuple[int, int], has_offsets: bool = False
    ) -> None:
        self.steps = steps
        self.shape = shape
        self.out = {
            name: np.empty((hours, *shape))
            for name in ("surface", "skin", "free", "watts", "heat", "top")
        }
        self.lowest = np.empty((hours, *shape))
        self.offset_k = np.empty((hours, *shape)) if has_offsets else None

    def begin(self, surface: CoupledSurface) -> None:
        """Start an hour."""
        self._ends = (surface.slab.surface_c, surface.skin_c)
        self._sum = {name: np.zeros_like(surface.skin_c) for name in self.out}
        self._low = surface.slab.surface_c

    def add(self, surface: CoupledSurface) -> None:
        """Add the state after a time step."""
        self._sum["surface"] += surface.slab.surface_c
        self._sum["skin"] += surface.skin_c
        self._sum["free"] += surface.unfrozen_temp_c
        self._sum["watts"] += surface.restoring_wm2k
        self._sum["heat"] += surface.convective_coefficient_wm2k
        self._sum["top"] += self.steps * surface.top_melted
        self._low = np.minimum(self._low, surface.slab.surface_c)

    def end(self, hour: int, surface: CoupledSurface) -> None:
        """Store the hour's means, night offset included."""
        self._sum["surface"] += 0.5 * (self._ends[0] - surface.slab.surface_c)
        self._sum["skin"] += 0.5 * (self._ends[1] - surface.skin_c)
        for name, total in self._sum.items():
            offset = surface.offset_k if name in ("surface", "skin") else 0.0
            self.out[name][hour] = (total / self.steps + offset).reshape(self.shape)
        self.lowest[hour] = (self._low + surface.offset_k).reshape(self.shape)
        if self.offset_k is not None:
            offset_k = np.broadcast_to(surface.offset_k, self._low.shape)
            self.offset_k[hour] = offset_k.reshape(self.shape)


def simulate(
    forecast: Forecast,
    columns: Columns,
    applications: Applications | None = None,
    plow_passes: PlowPasses | None = None,
    depths_m: Sequence[float] = (),
    traffic_loss_per_h: Array | float = 0.0,
    restart_from: RestartState | None = None,
    end_hour: int | None = None,
) -> SimulationResult:
    """Simulate pavement and film, two-way coupled, through a forecast or some hours of it.

    Parameters
    ----------
    forecast : Forecast
        Hourly weather; everything is bare and dry at its start.
    columns : Columns
        Surfaces to run.
    applications, plow_passes : Applications, PlowPasses or None
        What crews do, on every member alike; hours count from the first one run.
    depths_m : sequence of float
        Depths to report besides the surface [m].
    traffic_loss_per_h : array (column,) or float
        Share of film and salt that traffic carries off in an hour [1/h].
    restart_from : RestartState or None
        Where an earlier run of the same forecast ended, on all these columns; None to begin at its
        start.
    end_hour : int or None
        First hour of the forecast that is not run; None to go on to its end [-].

    Returns
    -------
    SimulationResult
        Hourly results on the axes ``(hour, column, member)``, from the first hour run.

    Raises
    ------
    InputError
        A negative depth.
    """
    members, first = forecast.n_members, 0 if restart_from is None else restart_from.next_hour
    hours = (forecast.n_hours if end_hour is None else min(end_hour, forecast.n_hours)) - first
    steps = steps_per_hour(members)
    forcing = Forcing(
        forecast, columns.cell, columns.sky_view_frac, columns.wind_factor, columns.horizon_deg,
        steps,
    )  # fmt: skip
    slab = pavement.initial_slab(columns, forecast)
    depths = DepthSampler(slab, depths_m)
    if restart_from is None:
        pavement.spin_up(slab, forcing)
    surface = CoupledSurface(slab, empty_film(columns, members, traffic_loss_per_h))
    if restart_from is not None:
        surface.restore(restart_from.surface)
    ground = slab.ground_solver(HOUR_S / steps)
    precip = split_precipitation(forecast)
    operations = Operations(applications, plow_passes, members)
    recorder = FilmRecorder(hours, len(columns), members)
    has_offsets = any(record.night_error is not None for record in columns.records)
    means = HourlyMeans(hours, steps, (len(columns), members), has_offsets)
    temp_at_depth_c = np.empty((len(depths_m), hours, len(columns), members))
    offsets = NightOffsets(forecast, columns)
    for hour in range(hours):
        surface.offset_k = offsets.at_hour(first + hour, slab.surface_c)
        amounts = [
            forcing.to_columns(a[first + hour]) / steps
            for a in (precip.liquid_mm, precip.snow_mm, precip.sleet_mm)
        ]
        precip_per_step = (amounts[0], amounts[1], amounts[2])
        surface.mark_unknown(np.isnan(sum(amounts)))
        operations.begin_hour(hour, surface.film, recorder)
        pressure = forcing.pressure_pa(first + hour)
        precip_temp_c = forcing.to_columns(precip.wet_bulb_c[first + hour])
        means.begin(surface)
        deep_sum = 0.5 * depths.sample(slab) if depths_m else None
        for weather in forcing.steps_of_hour(first + hour):
            surface.step(ground, weather, pressure, precip_per_step, precip_temp_c)
            recorder.add_vapor(surface.evaporated)
            recorder.add("melted", surface.melted)
            recorder.add("drained", *surface.film.drain(ground.step_s))
            if np.any(surface.film.traffic_loss_per_h > 0.0):
                recorder.add("traffic_loss", *surface.film.remove_by_traffic(ground.step_s))
            surface.film.age_snow(ground.step_s)
            means.add(surface)
            if deep_sum is not None:
                deep_sum += depths.sample(slab)
        means.end(hour, surface)
        recorder.end_hour(hour, surface.film)
        if deep_sum is not None:
            deep_sum -= 0.5 * depths.sample(slab)
            temp_at_depth_c[:, hour] = (
                deep_sum.reshape(len(depths_m), len(columns), members) / steps
            )
    out = means.out
    holding = SurfaceBoundary(out["free"], out["watts"], out["skin"], out["heat"], out["top"])
    return SimulationResult(
        out["surface"], means.lowest, out["skin"], temp_at_depth_c, recorder.film_hours(), holding,
        forcing.radiation, RestartState(first + hours, surface), means.offset_k,
    )  # fmt: skip
