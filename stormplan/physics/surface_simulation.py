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
from typing import NamedTuple

import numpy as np

from stormplan.arrays import Array, IntArray, RecordArray, RecordField, flat_index
from stormplan.numerics import HOUR_S
from stormplan.physics import night_error, pavement, surface_energy
from stormplan.physics.bias_correction import night_weight
from stormplan.physics.film import Applications, FilmState, PlowPasses
from stormplan.physics.film_condition import FILM_VARIABLES, FilmHours, FilmRecorder
from stormplan.physics.film_processes import FLOWS
from stormplan.physics.forcing import (
    CellForcing,
    DownwardRadiation,
    Forcing,
    StepForcing,
    steps_per_hour,
)
from stormplan.physics.ground import GroundSolver
from stormplan.physics.hour_weather import HourWeather, Places
from stormplan.physics.pavement import Columns, DepthSampler, Slab
from stormplan.physics.surface_energy import SURFACE, HourlyMeans
from stormplan.weather.forecast import Forecast


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
    """Hourly pavement and film, ``(hour, column, member)``.

    NaN once unknown, empty where not recorded.

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
    forcing : CellForcing
        What went on above, and goes on.
    """

    next_hour: int
    surface: CoupledSurface
    forcing: CellForcing

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
            uncounted = np.zeros(film.records.size, FLOWS)
            film.plow(where, np.repeat(plow_passes.residual_mm, members), uncounted)
        if applications is not None:
            film.apply(
                flat_index(applications.column, members),
                np.repeat(applications.salts_kg_m2, members, axis=1),
                np.repeat(applications.water_kg_m2, members),
            )


class Branches(NamedTuple):
    """Columns that are as others until an hour: arrays ``(branch,)``.

    They are the last of a run's columns, in the order of their hours; what is done to them counts
    from then on.

    Attributes
    ----------
    parent : array of int
        Place of the column that each is as before: of those that are no branch themselves [-].
    hour : array of int
        First hour in which each goes its own way, counted from the first that is run [-].
    """

    parent: IntArray
    hour: IntArray


NO_BRANCHES = Branches(np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp))


class CoupledSurface:
    """Coupled state of slab and film, flat arrays ``(column · member,)``.

    Attributes
    ----------
    slab, film : Slab, FilmState
        Ground and what lies on it.
    records : array of SURFACE
        Surface and skin, and what the last step did; every other attribute is a view of it.
    """

    surface_c, skin_c, offset_k = RecordField(), RecordField(), RecordField()
    albedo, emissivity, traffic_wm2 = RecordField(), RecordField(), RecordField()
    convective_coefficient_wm2k, evaporated, melted = RecordField(), RecordField(), RecordField()
    top_melted, unfrozen_temp_c, restoring_wm2k = RecordField(), RecordField(), RecordField()

    def __init__(self, slab: Slab, film: FilmState) -> None:
        self.slab = slab
        self.film = film
        self.records = np.zeros(slab.surface_c.size, dtype=SURFACE)
        self.surface_c = self.skin_c = slab.surface_c
        self.albedo, self.emissivity = slab.albedo, slab.emissivity
        self.traffic_wm2 = slab.traffic_wm2
        slab.surface_c = self.surface_c  # one and the same from here on

    def restore(self, saved: CoupledSurface) -> None:
        """Restore the state another run left for each of these columns, repeated or not."""
        place = {record: index for index, record in enumerate(saved.slab.columns.records)}
        which = np.array([place[record] for record in self.slab.columns.records], dtype=np.intp)
        flat = flat_index(which, self.slab.members)
        self.slab.ground_c = saved.slab.ground_c.take(flat, axis=1)
        self.surface_c, self.skin_c = saved.surface_c[flat], saved.skin_c[flat]
        self.film.restore(saved.film, flat)

    def step(
        self,
        ground: GroundSolver,
        weather: StepForcing,
        pressure_pa: Array,
        precip: tuple[Array, Array, Array],
        precip_temp_c: Array,
    ) -> None:
        """Advance by one step, every column in a weather of its own.

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
        size = self.records.size
        ones = np.ones(size)
        air_c, wind_ms, vapor_pa, shortwave_wm2, longwave_wm2 = (
            np.array(values, dtype=float) for values in vars(weather).values()
        )
        each = np.arange(size)
        alone = Places(each, each, ones, ones, self.slab.underside_air_offset_k, 0.0)
        hour = HourWeather(
            air_c, air_c, wind_ms, wind_ms, vapor_pa, vapor_pa, shortwave_wm2, 0.0 * ones,
            longwave_wm2, longwave_wm2, np.ones((1, size)), np.ones((1, 1)), pressure_pa, *precip,
            precip_temp_c,
        )  # fmt: skip
        self.advance(ground, alone, hour, np.zeros(size, FLOWS), HourlyMeans.empty(1, size), 0)

    def advance(
        self,
        ground: GroundSolver,
        places: Places,
        weather: HourWeather,
        flows: RecordArray,
        means: HourlyMeans,
        hour: int,
        ground_mean_c: Array | None = None,
        count: int | None = None,
    ) -> None:
        """Advance by one hour, as ``surface_energy.advance_surfaces`` has it; all, or the first."""
        surface_energy.advance_surfaces(
            self.film.records, self.records, self.slab.ground_c, ground.weights, places, weather,
            ground.step_s, flows, means, hour, self.records.size if count is None else count,
            np.empty((0, 0)) if ground_mean_c is None else ground_mean_c,
        )  # fmt: skip

    def branch(self, columns: IntArray, parents: IntArray) -> None:
        """Set the state of columns to that of others."""
        members = self.slab.members
        to, of = flat_index(columns, members), flat_index(parents, members)
        self.records[to] = self.records[of]
        self.film.records[to] = self.film.records[of]
        self.slab.ground_c[:, to] = self.slab.ground_c[:, of]


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

    def at_hour(self, hour: int, surface_c: Array) -> Array:
        """Return the offset of an hour from the surface at its start, without any [°C], [K]."""
        offset = np.zeros(self._size)
        if not self._read.size or not self._night[hour].any():
            return offset
        flat = flat_index(self._read, self._members)
        features = self._features[hour].copy()
        surface_minus_air_k = surface_c[flat].reshape(features.shape[:2]) - self._air_c[hour]
        features[..., 2] = np.nan_to_num(surface_minus_air_k)
        expected = night_error.weighted(self._weights[hour][:, None], features)
        offset[flat] = (self._night[hour][:, None] * expected).ravel()
        return offset


class Operations:
    """Plow passes and applications, hour by hour, on the flat column axis."""

    def __init__(
        self, applications: Applications | None, plow_passes: PlowPasses | None, members: int
    ) -> None:
        self._applications = applications
        self._plow_passes = plow_passes
        self._members = members

    def begin_hour(
        self, hour: int, film: FilmState, recorder: FilmRecorder, columns: IntArray | None = None
    ) -> None:
        """Plow, then apply product, at the start of an hour; only on some columns, if given."""
        passes, applications = self._plow_passes, self._applications
        if passes is not None and (now := _rows_of(passes, hour, columns)).size:
            where = flat_index(passes.column[now], self._members)
            residual_mm = np.repeat(passes.residual_mm[now], self._members)
            film.plow(where, residual_mm, recorder.flows)
        if applications is not None and (now := _rows_of(applications, hour, columns)).size:
            film.apply(
                flat_index(applications.column[now], self._members),
                np.repeat(applications.salts_kg_m2[:, now], self._members, axis=1),
                np.repeat(applications.water_kg_m2[now], self._members),
            )


def _rows_of(work: Applications | PlowPasses, hour: int, columns: IntArray | None) -> IntArray:
    """Return which rows of what crews do are of an hour, and on some columns if given."""
    rows = np.flatnonzero(work.hour == hour)
    if columns is None or not rows.size:
        return rows
    return rows[np.isin(work.column[rows], columns)]


def _cell_forcing(forecast: Forecast, restart_from: RestartState | None) -> CellForcing:
    """Return the forcing of a forecast, that of the earlier run if it was of the same."""
    if restart_from is not None and restart_from.forcing.forecast is forecast:
        return restart_from.forcing
    return CellForcing.from_forecast(forecast, steps_per_hour(forecast.n_members))


def simulate(
    forecast: Forecast,
    columns: Columns,
    applications: Applications | None = None,
    plow_passes: PlowPasses | None = None,
    depths_m: Sequence[float] = (),
    traffic_loss_per_h: Array | float = 0.0,
    restart_from: RestartState | None = None,
    end_hour: int | None = None,
    branches: Branches = NO_BRANCHES,
    variables: Sequence[str] = (*HourlyMeans._fields, *FILM_VARIABLES),
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
    branches : Branches
        Columns that begin as others do.
    variables : sequence of str
        Which hourly attributes of the film, and which ``HourlyMeans``, are recorded; the others
        are empty. Temperatures at ``depths_m`` need ``surface_c``.

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
    cells = _cell_forcing(forecast, restart_from)
    forcing = Forcing(
        cells, columns.cell, columns.sky_view_frac, columns.wind_factor, columns.horizon_deg
    )
    slab = pavement.initial_slab(columns, forecast)
    depths = DepthSampler(slab, depths_m)
    if restart_from is None:
        pavement.spin_up(slab, forcing)
    surface = CoupledSurface(slab, empty_film(columns, members, traffic_loss_per_h))
    if restart_from is not None:
        surface.restore(restart_from.surface)
    ground = slab.ground_solver(HOUR_S / cells.steps)
    places = forcing.places(slab.underside_air_offset_k)
    operations = Operations(applications, plow_passes, members)
    of_surface = [name for name in variables if name in HourlyMeans._fields]
    of_film = [name for name in variables if name not in of_surface]
    recorder = FilmRecorder(hours, len(columns), members, of_film)
    means = HourlyMeans.empty(hours, len(columns) * members, of_surface)
    ground_mean_c = np.empty_like(slab.ground_c) if depths_m else None
    shape = (hours, len(columns), members)
    temp_at_depth_c = np.empty((len(depths_m), hours, len(columns) * members))
    offsets = NightOffsets(forecast, columns)
    has_offsets = any(record.night_error is not None for record in columns.records)
    night_offset_k = np.empty((hours, len(columns) * members)) if has_offsets else None
    branch_columns = np.arange(len(columns) - branches.hour.size, len(columns))
    for hour in range(hours):
        begins, waits = branches.hour == hour, branches.hour > hour
        surface.branch(branch_columns[begins], branches.parent[begins])
        surface.offset_k = offsets.at_hour(first + hour, slab.surface_c)
        if night_offset_k is not None:
            night_offset_k[hour] = surface.offset_k
        going = np.arange(len(columns) - int(waits.sum()))
        operations.begin_hour(hour, surface.film, recorder, going)
        weather = forcing.hour_weather(first + hour)
        surface.advance(
            ground, places, weather, recorder.flows, means, hour, ground_mean_c,
            going.size * members,
        )  # fmt: skip
        recorder.end_hour(hour, surface.film, going)
        if ground_mean_c is not None:
            uncorrected_c = means.surface_c[hour] - surface.offset_k
            temp_at_depth_c[:, hour] = depths.sample(uncorrected_c, ground_mean_c)
    recorder.copy_hours(branch_columns, branches.parent, branches.hour)
    hourly = HourlyMeans(
        *(values.reshape(shape if values.shape[1] else (0, 0, 0)) for values in means)
    )
    at_depth_c = temp_at_depth_c.reshape(len(depths_m), *shape)
    offset_k = None if night_offset_k is None else night_offset_k.reshape(shape)
    recorded = [values for values in hourly if values.size]
    for values in (*recorded, *at_depth_c, *([] if offset_k is None else [offset_k])):
        for column, parent, hour in zip(branch_columns, *branches, strict=True):
            values[:hour, column] = values[:hour, parent]
    boundary = SurfaceBoundary(
        hourly.unfrozen_temp_c, hourly.restoring_wm2k, hourly.skin_c,
        hourly.convective_coefficient_wm2k, hourly.top_melt_mm,
    )  # fmt: skip
    return SimulationResult(
        hourly.surface_c, hourly.surface_min_c, hourly.skin_c,
        at_depth_c, recorder.film_hours(), boundary,
        cells.radiation, RestartState(first + hours, surface, cells), offset_k,
    )  # fmt: skip
