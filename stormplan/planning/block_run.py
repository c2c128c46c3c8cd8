"""A block of surfaces without chemical: pavement and film of its columns, and what comes on them.

Surfaces that share a plowed column are run once. What lies there at an hour, what falls on it and
which events are ahead is read from one run by all that is decided afterwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from typing import NamedTuple

import numpy as np

from stormplan.arrays import Array, BoolArray
from stormplan.events import detection
from stormplan.events.detection import Outlook
from stormplan.events.ensemble_stats import median
from stormplan.events.hazards import (
    NO_OBSERVATIONS,
    HazardThresholds,
    SurfaceObservations,
    SurfaceSeries,
    nights,
)
from stormplan.numerics import floor_hour
from stormplan.physics import night_error, night_readings, surface_simulation
from stormplan.physics.film import PlowPasses
from stormplan.physics.film_condition import STORES, VAPOR_FLOWS
from stormplan.physics.film_response import FilmStart
from stormplan.physics.night_error import NightError
from stormplan.physics.pavement import Columns
from stormplan.physics.surface_energy import HourlyMeans
from stormplan.physics.surface_simulation import Branches, RestartState, SimulationResult
from stormplan.planning.plowed_columns import (
    PlowedColumn,
    is_pretreated,
    pass_hours,
    simulate_history,
    typical_snow_cm,
)
from stormplan.treatment.candidates import Mixtures, SurfaceState
from stormplan.treatment.surface_case import ColumnHours
from stormplan.treatment.treated_refreeze import treated_series
from stormplan.weather.forecast import PRECIP_TYPES, Forecast


@dataclass(frozen=True)
class BlockRun:
    """The simulation of a block without chemical.

    ``restart`` is where the hours before now left every column; what lies ahead goes on from there.

    A column that is plowed is run twice: once with what the last plow leaves, which is what can
    freeze back, and once cleared to the pavement after each storm, which is how the next one finds
    it. ``cleared_index`` is each column's place in that second run, or its own where it is not
    plowed.
    """

    forecast: Forecast
    forecast_from_now: Forecast
    restart: RestartState
    plowed_columns: tuple[PlowedColumn, ...]
    is_pretreated: tuple[bool, ...]
    columns: Columns
    plow_hours: tuple[tuple[int, ...], ...]
    cleared_index: tuple[int, ...]
    simulation: SimulationResult

    @cached_property
    def surface_series(self) -> SurfaceSeries:
        """The series of every column, from now on."""
        film, count = self.simulation.film, len(self.plowed_columns)
        surface_c = self.simulation.surface_c[:, :count]
        frost_mm = film.frost_mm[:, :count]
        ice_mm = film.ice_mm[:, :count] - frost_mm
        lying_mm = (film.water_mm + film.ice_mm + film.snow_mm)[:, np.array(self.cleared_index)]
        held_mm = None
        salted = np.flatnonzero([bool(item.recorded.doses) for item in self.plowed_columns])
        if salted.size:
            treated = treated_series(film.columns(salted), surface_c[:, salted], NO_OBSERVATIONS)
            frost_mm, held_mm = frost_mm.copy(), np.zeros(surface_c.shape)
            frost_mm[:, salted], ice_mm[:, salted] = treated.frost_mm, treated.ice_mm
            held_mm[:, salted] = treated.held_water_mm
        return SurfaceSeries(surface_c, frost_mm, ice_mm, lying_mm, held_mm, self._observed())

    def _observed(self) -> SurfaceObservations:
        """Return what was seen on each column and lies there still, and what readings say."""
        recorded = [item.recorded for item in self.plowed_columns]
        just_now = np.array([[one.seen_just_now] for one in recorded])
        icy = np.array([[one.seen_icy] for one in recorded])
        snowy = np.array([[one.seen_snowy] for one in recorded])
        cells = np.array([item.column.cell for item in self.plowed_columns])
        air_mean_c = self._typical_air_mean_c[:, cells]
        offset_k, error_k = np.full((2, *air_mean_c.shape), np.nan)
        if self.simulation.night_offset_k is not None:
            for at, item in enumerate(self.plowed_columns):
                if item.column.night_error is not None:
                    offset_k[:, at], error_k[:, at] = self._night_series(
                        at, item.column.night_error, self.simulation.night_offset_k
                    )
        return SurfaceObservations(
            icy & (just_now | self._lies("ice")),
            snowy & (just_now | self._lies("snow")),
            just_now,
            air_mean_c,
            offset_k,
            error_k,
        )

    @cached_property
    def _typical_air_mean_c(self) -> Array:
        """The mean air of the five days before each hour from now on, (hour, cell) [°C]."""
        first = self.forecast.n_hours - self.forecast_from_now.n_hours
        return median(night_error.air_mean_c(self.forecast["air_temp_c"])[first:])

    def _night_series(
        self, column_index: int, known: NightError, offset_k: Array
    ) -> tuple[Array, Array]:
        """Return the offset and the error that readings give a column, by hour from now on [K]."""
        cell = self.plowed_columns[column_index].column.cell
        ahead = self.forecast_from_now
        modeled_c = (self.simulation.surface_c - offset_k)[:, column_index]
        features = night_readings.median_features(
            ahead["cloud_frac"][:, cell],
            modeled_c,
            ahead["air_temp_c"][:, cell],
            self._typical_air_mean_c[:, cell],
        )
        place = ahead.cells[cell]
        error_k = night_readings.read_model_error_k(
            known, ahead.hour_starts, place.latitude_deg, place.longitude_deg, features
        )
        return np.median(offset_k[:, column_index], axis=1), error_k

    def _lies(self, store: str) -> BoolArray:
        """Return in which members some of a store of the film lies now, (column, member)."""
        lying = getattr(self.restart.surface.film, store) > 0.0
        return np.asarray(lying.reshape(-1, self.forecast.n_members)[: len(self.plowed_columns)])

    def surface_state(self, column_index: int, hour: int) -> SurfaceState:
        """Return what lies on a column at the start of an hour from now on."""
        if hour > 0:
            at, column = np.array([hour - 1]), np.array([column_index])
            return SurfaceState(hour, FilmStart.from_films(self.simulation.film, at, column))
        return SurfaceState(0, FilmStart.from_film(self.restart.surface.film, column_index,
                                                   self.forecast.n_members))  # fmt: skip

    def column_hours(self) -> list[ColumnHours]:
        """Return what falls on each column, and how cold it is, from now on."""
        forecast = self.forecast_from_now
        falls_mm = {name: np.nan_to_num(forecast[name]) for name in PRECIP_TYPES}
        night = nights(forecast)
        return [
            ColumnHours(
                pavement_c=self.simulation.surface_c[:, at],
                night=night[:, item.column.cell],
                **{name: values[:, item.column.cell] for name, values in falls_mm.items()},
            )
            for at, item in enumerate(self.plowed_columns)
        ]


def simulate_block(
    forecast: Forecast,
    plowed_columns: tuple[PlowedColumn, ...],
    now: datetime,
    mixtures: Mixtures,
    plow_probability: float,
) -> BlockRun:
    """Return the simulation without further chemical, plowed at the trigger."""
    n_past = round((floor_hour(now) - forecast.start) / timedelta(hours=1))
    forecast_from_now = forecast.from_hour(n_past)
    snow_cm = typical_snow_cm(forecast, plow_probability).T.tolist()
    past_passes, passes = zip(
        *(pass_hours(item, snow_cm[item.column.cell], n_past) for item in plowed_columns),
        strict=True,
    )
    own = [replace(item.column, variant=at) for at, item in enumerate(plowed_columns)]
    restart = simulate_history(forecast, plowed_columns, past_passes, snow_cm, n_past, mixtures)
    ahead_cm = [snow_cm[item.column.cell][n_past:] for item in plowed_columns]
    clearings = [
        (hour, at)
        for at, (hours, series) in enumerate(zip(passes, ahead_cm, strict=True))
        if (hour := next((hour for hour in hours if _is_last_pass(series, hour)), None)) is not None
    ]
    first_hours, cleared = np.array(sorted(clearings), dtype=np.intp).reshape(-1, 2).T
    second_row = {at: len(own) + row for row, at in enumerate(cleared.tolist())}
    cleared_index = tuple(second_row.get(at, at) for at in range(len(own)))
    columns = Columns.from_records([*own, *(own[at] for at in second_row)])
    simulation = surface_simulation.simulate(
        forecast,
        columns,
        plow_passes=_plow_passes(plowed_columns, passes, cleared_index, ahead_cm),
        restart_from=restart,
        branches=Branches(cleared, first_hours),
        variables=(*HourlyMeans._fields, *STORES, *VAPOR_FLOWS),
    )
    return BlockRun(
        forecast,
        forecast_from_now,
        restart,
        plowed_columns,
        tuple(is_pretreated(item, snow_cm[item.column.cell], n_past) for item in plowed_columns),
        columns,
        tuple(passes),
        cleared_index,
        simulation,
    )


class OutlookKey(NamedTuple):
    """What an outlook depends on: its column, what counts as an event, and a pile's melt water."""

    plowed_column: PlowedColumn
    thresholds: HazardThresholds
    snow_pile: bool


def find_outlooks(block_run: BlockRun, wanted: Sequence[OutlookKey]) -> dict[OutlookKey, Outlook]:
    """Return the outlooks of columns, those with the same thresholds worked out together."""
    index = {plowed_column: at for at, plowed_column in enumerate(block_run.plowed_columns)}
    by_thresholds: dict[HazardThresholds, dict[OutlookKey, None]] = {}
    for key in wanted:
        by_thresholds.setdefault(key.thresholds, {})[key] = None
    found: dict[OutlookKey, Outlook] = {}
    for thresholds, keys in by_thresholds.items():
        outlooks = detection.build_outlooks(
            block_run.forecast_from_now,
            [key.plowed_column.column.cell for key in keys],
            block_run.surface_series.columns(
                np.array([index[key.plowed_column] for key in keys], dtype=np.intp)
            ),
            thresholds,
            [key.snow_pile for key in keys],
        )
        found |= zip(keys, outlooks, strict=True)
    return found


def _is_last_pass(snow_cm: Sequence[float], hour: int) -> bool:
    """Return whether a pass comes after the snow, and is the one that clears."""
    return not snow_cm[hour] > 0.0


def _plow_passes(
    plowed_columns: Sequence[PlowedColumn],
    plow_hours: Sequence[tuple[int, ...]],
    cleared_index: Sequence[int],
    snow_cm: Sequence[Sequence[float]],
) -> PlowPasses | None:
    """Return the plow passes of both runs; the second is cleared after each storm."""
    rows = []
    for at, (column, hours, series) in enumerate(
        zip(plowed_columns, plow_hours, snow_cm, strict=True)
    ):
        for hour in hours:
            rows.append((hour, at, column.residual_mm))
            if cleared_index[at] != at:
                residual_mm = 0.0 if _is_last_pass(series, hour) else column.residual_mm
                rows.append((hour, cleared_index[at], residual_mm))
    return PlowPasses.from_rows(rows)
