"""Pavement temperature, hour by hour, from a weather forecast: surface energy balance.

A surface energy balance on a conducting column: sun and sky in, own glow and wind out, the ground
underneath giving back what the last days stored. All columns step together; per column the only
unknown is the surface temperature, found by Newton's method on a scalar.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stormplan.company.catalog import BuildUp
from stormplan.errors import InputError
from stormplan.numerics import HOUR_S
from stormplan.physics.forcing import (
    STEPS_PER_HOUR,
    CellForcing,
    DownwardRadiation,
    Forcing,
    StepForcing,
)
from stormplan.physics.ground import (
    GroundSolver,
    factorize,
    initial_profile,
    layer_grid,
    typical_climate,
)
from stormplan.physics.night_error import NightError
from stormplan.physics.radiation import STEFAN_BOLTZMANN_WM2K4
from stormplan.units import ZERO_CELSIUS_K
from stormplan.weather.forecast import Forecast
from stormplan.weather.moist_air import CP_J_KG_K

Array = NDArray[np.float64]

SURFACE_HEAT_CAPACITY_J_M2K = 1000.0  # half a millimetre of pavement: keeps the surface row regular
NEWTON_ITERATIONS = 3
CLOSING_ITERATIONS = 2  # from a temperature that is all but right
ENCLOSED_LEVEL_ABOVE_AIR_K = (
    3.5  # enclosed level under a deck: 2-5 warmer than outside (class assumption)
)
SPIN_UP_H = 24  # the first day is run once beforehand, so that the upper layers know the hour
HORIZON_DIRECTIONS = 36
MAX_COLUMNS_PER_RUN = (
    10_000  # columns × members run together: more fall out of the processor's cache
)

# Wind exchange. Roughness is an effective value for pavements amid kerbs and cars: it gives the
# neutral 3.3 W/(m² K) per m/s that measured winters and the Vehrencamp & Dempsey correlation want.
VON_KARMAN = 0.4
WIND_HEIGHT_M, AIR_HEIGHT_M = 10.0, 2.0
ROUGHNESS_M = 5e-3
HEAT_ROUGHNESS_M = ROUGHNESS_M / 10.0
GRAVITY_MS2 = 9.81
GAS_CONSTANT_J_KGK = 287.05  # dry air
FREE_CONVECTION_COEFFICIENT = 1.52  # warm plate facing up: 1.52 ΔT^(1/3) W/(m² K) (McAdams 1954)
WINDLESS_COEFFICIENT_WM2K = (
    2.0  # windless exchange over pavement (after Jordan 1991, CRREL SR 91-16)
)
NEUTRAL_TRANSFER_COEFFICIENT = VON_KARMAN**2 / (
    np.log(WIND_HEIGHT_M / ROUGHNESS_M) * np.log(AIR_HEIGHT_M / HEAT_ROUGHNESS_M)
)
# Louis' functions want wind and temperature at one height. Along the logarithmic profile that the
# transfer coefficient stands on, the air's difference from the surface at 10 m is 1.194 times that
# at 2 m: the bulk Richardson number of 10 m is as with 11.9 m and the difference at 2 m.
AIR_DIFFERENCE_10M_TO_2M = np.log(WIND_HEIGHT_M / HEAT_ROUGHNESS_M) / np.log(
    AIR_HEIGHT_M / HEAT_ROUGHNESS_M
)
RICHARDSON_HEIGHT_M = WIND_HEIGHT_M * AIR_DIFFERENCE_10M_TO_2M
LOUIS_UNSTABLE_C = (
    9.4
    * 5.3
    * (NEUTRAL_TRANSFER_COEFFICIENT / AIR_DIFFERENCE_10M_TO_2M)
    * np.sqrt(WIND_HEIGHT_M / ROUGHNESS_M)
)


@dataclass(frozen=True)
class Column:
    """One distinct combination of forecast cell, build-up, sky view and exposure; hashable.

    Attributes
    ----------
    cell : int
        Place on the forecast's cell axis [-].
    build_up : BuildUp
        What it is made of and what lies under it.
    sky_view_frac : float
        Share of the sky it sees, 0 to 1 [-].
    wind_factor : float
        Wind at the surface over the forecast's; 0.5-0.7 in a sheltered lot [-].
    traffic_wm2 : float
        Heat from traffic [W/m²].
    horizon_deg : tuple of float
        Height of the skyline in equal steps of azimuth, clockwise from north; empty when open [°].
    night_error : NightError or None
        What readings on the spot say of its error at night; None where nobody has read it.
    variant : int
        Tells apart columns that are alike but for what is done on them [-].
    """

    cell: int
    build_up: BuildUp
    sky_view_frac: float = 0.9
    wind_factor: float = 1.0
    traffic_wm2: float = 0.0
    horizon_deg: tuple[float, ...] = ()
    night_error: NightError | None = None
    variant: int = 0


@dataclass(frozen=True)
class Columns:
    """Many columns as arrays ``(column,)``; build with ``Columns.from_records``."""

    records: tuple[Column, ...]
    build_ups: tuple[BuildUp, ...]
    build_up_index: NDArray[np.intp]
    cell: NDArray[np.intp]
    sky_view_frac: Array
    wind_factor: Array
    traffic_wm2: Array
    horizon_deg: Array | None

    @classmethod
    def from_records(cls, records: Sequence[Column]) -> Columns:
        """Return columns from records.

        Parameters
        ----------
        records : sequence of Column
            In the order the results will have.

        Returns
        -------
        Columns
            The same as arrays.

        Raises
        ------
        InputError
            No column, or a share outside 0 to 1.
        """
        if not records:
            raise InputError("no pavement columns to run; give at least one surface")
        for record in records:
            if not 0.0 <= record.sky_view_frac <= 1.0:
                raise InputError(f"sky view {record.sky_view_frac} is not a share from 0 to 1")
            if record.wind_factor < 0.0:
                raise InputError(f"wind factor {record.wind_factor} is negative; give 0 or more")
        build_ups = tuple(dict.fromkeys(record.build_up for record in records))
        place = {build_up: index for index, build_up in enumerate(build_ups)}
        return cls(
            records=tuple(records),
            build_ups=build_ups,
            build_up_index=np.array([place[record.build_up] for record in records], dtype=np.intp),
            cell=np.array([record.cell for record in records], dtype=np.intp),
            sky_view_frac=np.array([record.sky_view_frac for record in records], dtype=float),
            wind_factor=np.array([record.wind_factor for record in records], dtype=float),
            traffic_wm2=np.array([record.traffic_wm2 for record in records], dtype=float),
            horizon_deg=_horizons(records),
        )

    def __len__(self) -> int:
        return len(self.records)

    def build_up_values(self, name: str) -> Array:
        """Return an attribute of every column's build-up, (column,)."""
        values = np.array([getattr(build_up, name) for build_up in self.build_ups], dtype=float)
        return np.asarray(values[self.build_up_index])


def _horizons(records: Sequence[Column]) -> Array | None:
    if not any(record.horizon_deg for record in records):
        return None
    wanted = np.arange(HORIZON_DIRECTIONS) / HORIZON_DIRECTIONS
    rows = []
    for record in records:
        skyline = record.horizon_deg or (0.0,)
        given = np.arange(len(skyline)) / len(skyline)
        rows.append(np.interp(wanted, given, skyline, period=1.0))
    return np.array(rows)


@dataclass(frozen=True)
class PavementResult:
    """Pavement temperatures, ``(hour, column, member)``; NaN once the weather is unknown.

    Attributes
    ----------
    surface_c, surface_min_c : array
        Mean and lowest of the hour [°C].
    temp_at_depth_c : array (depth, hour, column, member)
        Mean of the hour at each depth asked for [°C].
    radiation : DownwardRadiation
        Shortwave and longwave used per cell, and which of it was modeled [W/m²].
    """

    surface_c: Array
    surface_min_c: Array
    temp_at_depth_c: Array
    radiation: DownwardRadiation


def convective_coefficient_cubed(
    wind_ms: Array, surface_c: Array, air_c: Array, pressure_pa: Array
) -> Array:
    """Return the third power of ``convective_coefficient_wm2k``, without its floor."""
    # ufuncs only: compiled as it stands, this is also a function of numbers
    air_k = air_c + ZERO_CELSIUS_K
    air_minus_surface_k = air_c - surface_c  # surface colder than the air: stable
    effective_wind = np.maximum(wind_ms, 0.3)
    richardson = GRAVITY_MS2 * RICHARDSON_HEIGHT_M * air_minus_surface_k
    richardson = richardson / (air_k * effective_wind * effective_wind)
    stable = 1.0 + 4.7 * np.minimum(np.maximum(richardson, 0.0), 1.0)
    unstable = np.minimum(np.maximum(-richardson, 0.0), 5.0)
    stability_factor = 1.0 / (stable * stable) + 9.4 * unstable / (
        1.0 + LOUIS_UNSTABLE_C * np.sqrt(unstable)
    )
    forced = (
        (CP_J_KG_K * NEUTRAL_TRANSFER_COEFFICIENT / GAS_CONSTANT_J_KGK)
        * (pressure_pa / air_k)
        * wind_ms
        * stability_factor
    )
    free_cubed = FREE_CONVECTION_COEFFICIENT**3 * np.maximum(-air_minus_surface_k, 0.0)
    cubed: Array = forced * forced * forced + free_cubed
    return cubed


def convective_coefficient_wm2k(
    wind_ms: Array,
    surface_c: Array,
    air_c: Array,
    pressure_pa: Array,
    windless_wm2k: Array | float = WINDLESS_COEFFICIENT_WM2K,
) -> Array:
    """Return the convective heat transfer coefficient between a surface and the air.

    Parameters
    ----------
    wind_ms : array
        Wind at 10 m [m/s].
    surface_c, air_c : array
        Surface, and air at 2 m [°C].
    pressure_pa : array
        Station pressure [Pa].
    windless_wm2k : array
        Windless exchange [W/(m² K)].

    Returns
    -------
    array
        Forced and free convection joined by cubes, not below the floor [W/(m² K)].

    References
    ----------
    Stability after Louis 1979, Boundary-Layer Meteorol. 17, 187.
    """
    cubed = convective_coefficient_cubed(wind_ms, surface_c, air_c, pressure_pa)
    coefficient: Array = np.maximum(np.cbrt(cubed), windless_wm2k)
    return coefficient


def solve_surface_temperature(
    storage_wm2k: Array | float,
    start_c: Array,
    absorbed_wm2: Array | float,
    emissivity: Array | float,
    linear_loss_wm2k: Array | float,
    rhs_wm2: Array | float,
    guess_c: Array | None = None,
    iterations: int = NEWTON_ITERATIONS,
) -> Array:
    """Return the surface temperature at the end of a step, by Newton's method per column.

    Parameters
    ----------
    storage_wm2k : array (column,)
        Heat capacity of the surface node over the step [W/(m² K)].
    start_c : array (column,)
        Surface temperature at the start of the step [°C].
    absorbed_wm2 : array (column,)
        Radiation and other heat taken in [W/m²].
    emissivity : array (column,)
        Of the surface [-].
    linear_loss_wm2k, rhs_wm2 : array (column,)
        Everything that is linear in the surface temperature: ``loss · surface_c − pull``
        [W/(m² K)], [W/m²].
    guess_c : array (column,) or None
        Where to begin; None for the start of the step [°C].
    iterations : int
        Newton steps; the second is good to 0.02 °C, the third to rounding [-].

    Returns
    -------
    array (column,)
        Where income, storage, own glow and linear losses balance [°C].
    """
    # in kelvin a step of Newton is (rhs + 3 ε σ T⁴) / (loss + 4 ε σ T³)
    linear_sum_wm2k = storage_wm2k + linear_loss_wm2k
    total_rhs_wm2 = storage_wm2k * start_c + absorbed_wm2 + rhs_wm2
    total_rhs_wm2 = total_rhs_wm2 + linear_sum_wm2k * ZERO_CELSIUS_K
    four_emissivity_sigma = 4.0 * STEFAN_BOLTZMANN_WM2K4 * emissivity
    kelvin = (start_c if guess_c is None else guess_c) + ZERO_CELSIUS_K
    for _ in range(iterations):
        slope = four_emissivity_sigma * kelvin * kelvin * kelvin
        kelvin = (total_rhs_wm2 + 0.75 * slope * kelvin) / (linear_sum_wm2k + slope)
    return kelvin - ZERO_CELSIUS_K


@dataclass
class Slab:
    """State of the columns: ground and surface temperatures on the flat axis, and constants.

    Attributes
    ----------
    ground_c : array (layer, column · member)
        Ground temperatures [°C].
    surface_c : array (column · member,)
        Surface temperatures [°C].
    """

    columns: Columns
    members: int
    center_m: Array
    ground_c: Array
    surface_c: Array
    albedo: Array
    emissivity: Array
    traffic_wm2: Array
    underside_air_offset_k: Array

    def ground_solver(self, step_s: float) -> GroundSolver:
        """Return the factorized ground for a time step."""
        grids = [layer_grid(build_up) for build_up in self.columns.build_ups]
        return factorize(grids, np.repeat(self.columns.build_up_index, self.members), step_s)

    def step(self, ground: GroundSolver, weather: StepForcing, pressure_pa: Array) -> None:
        """Advance dry, bare columns by one step."""
        reduced = ground.forward_elimination(
            self.ground_c, weather.air_c + self.underside_air_offset_k
        )
        ground_slope, ground_rhs = ground.linear_response(reduced)
        convective_wm2k = convective_coefficient_wm2k(
            weather.wind_ms, self.surface_c, weather.air_c, pressure_pa
        )
        absorbed_wm2 = (
            (1.0 - self.albedo) * weather.shortwave_wm2
            + self.emissivity * weather.longwave_wm2
            + self.traffic_wm2
        )
        self.surface_c = solve_surface_temperature(
            SURFACE_HEAT_CAPACITY_J_M2K / ground.step_s,
            self.surface_c,
            absorbed_wm2,
            self.emissivity,
            ground_slope + convective_wm2k,
            ground_rhs + convective_wm2k * weather.air_c,
        )
        self.ground_c = ground.back_substitution(reduced, self.surface_c)


def initial_slab(columns: Columns, forecast: Forecast) -> Slab:
    """Return the initial state of columns, from the climate and the first day's air.

    Parameters
    ----------
    columns : Columns
        What to run.
    forecast : Forecast
        Whose first hours are the most recent weather known.

    Returns
    -------
    Slab
        Surface at the temperature of the uppermost ground.
    """
    members = forecast.n_members
    day = forecast.start.timetuple().tm_yday
    first_day = forecast["air_temp_c"][:SPIN_UP_H]
    known = np.isfinite(first_day)
    total = np.where(known, first_day, 0.0).sum(axis=0)
    count = known.sum(axis=0)
    recent = np.where(count > 0, total / np.maximum(count, 1), np.nan)[columns.cell]
    climates = [
        typical_climate(cell.latitude_deg, cell.elevation_m or 0.0) for cell in forecast.cells
    ]
    grids = [layer_grid(build_up) for build_up in columns.build_ups]
    center = np.stack([g.center_m for g in grids], axis=1).take(columns.build_up_index, axis=1)
    profile = initial_profile(center, [climates[cell] for cell in columns.cell], day, recent)
    flat = profile.reshape(len(center), -1)

    def per_member(values: Array) -> Array:
        return np.repeat(values, members)

    underside_offset_k = {
        "ground": 0.0,
        "open air": 0.0,
        "heated room": ENCLOSED_LEVEL_ABOVE_AIR_K,
    }
    offsets = np.array([underside_offset_k[build_up.underside] for build_up in columns.build_ups])
    return Slab(
        columns=columns,
        members=members,
        center_m=center,
        ground_c=flat,
        surface_c=flat[0].copy(),
        albedo=per_member(columns.build_up_values("albedo")),
        emissivity=per_member(columns.build_up_values("emissivity")),
        traffic_wm2=per_member(columns.traffic_wm2),
        underside_air_offset_k=per_member(offsets[columns.build_up_index]),
    )


def spin_up(slab: Slab, forcing: Forcing) -> None:
    """Run the first day once in hourly steps, so that the upper layers know the time of day."""
    hours = min(SPIN_UP_H, forcing.cells.forecast.n_hours)
    if hours < SPIN_UP_H:
        return
    ground = slab.ground_solver(HOUR_S)
    for hour in range(hours):
        *_, last = forcing.steps_of_hour(hour)
        slab.step(ground, last, forcing.pressure_pa(hour))


class DepthSampler:
    """Sampler of temperatures at given depths, interpolated between layer centers."""

    def __init__(self, slab: Slab, depths_m: Sequence[float]) -> None:
        for depth in depths_m:
            if not depth >= 0.0:
                raise InputError(f"depth {depth} m is above the surface; give 0 or more")
        center = np.repeat(slab.center_m, slab.members, axis=1)
        nodes = np.concatenate([np.zeros((1, center.shape[1])), center])
        self._column_index = np.arange(center.shape[1])
        self._upper: list[NDArray[np.intp]] = []
        self._weight: list[Array] = []
        for depth in depths_m:
            above = np.clip((nodes <= depth).sum(axis=0) - 1, 0, len(nodes) - 2)
            top, bottom = nodes[above, self._column_index], nodes[above + 1, self._column_index]
            self._upper.append(above)
            self._weight.append(np.clip((depth - top) / (bottom - top), 0.0, 1.0))

    def sample(self, surface_c: Array, ground_c: Array) -> Array:
        """Return temperatures at the depths, (depth, column · member) [°C].

        ``surface_c`` (column · member,) and ``ground_c`` (layer, column · member) are those of a
        moment, or means of the same time.
        """
        nodes = np.concatenate([surface_c[None], ground_c])
        rows = [
            (1.0 - share) * nodes[above, self._column_index]
            + share * nodes[above + 1, self._column_index]
            for above, share in zip(self._upper, self._weight, strict=True)
        ]
        return np.array(rows).reshape(len(rows), len(self._column_index))


def simulate_dry(
    forecast: Forecast, columns: Columns, depths_m: Sequence[float] = ()
) -> PavementResult:
    """Simulate temperatures of dry, bare pavement through a forecast.

    Parameters
    ----------
    forecast : Forecast
        Hourly weather; the earlier it starts before the hours of interest the better.
    columns : Columns
        Surfaces to run.
    depths_m : sequence of float
        Depths to report besides the surface [m].

    Returns
    -------
    PavementResult
        Hourly results on the axes ``(hour, column, member)``.

    Raises
    ------
    InputError
        A negative depth.
    """
    size = max(MAX_COLUMNS_PER_RUN // forecast.n_members, 1)
    if len(columns) > size:
        parts = [
            simulate_dry(forecast, Columns.from_records(columns.records[at : at + size]), depths_m)
            for at in range(0, len(columns), size)
        ]
        return PavementResult(
            np.concatenate([part.surface_c for part in parts], axis=1),
            np.concatenate([part.surface_min_c for part in parts], axis=1),
            np.concatenate([part.temp_at_depth_c for part in parts], axis=2),
            parts[0].radiation,
        )
    cells = CellForcing.from_forecast(forecast)
    forcing = Forcing(
        cells, columns.cell, columns.sky_view_frac, columns.wind_factor, columns.horizon_deg
    )
    slab = initial_slab(columns, forecast)
    depths = DepthSampler(slab, depths_m)
    spin_up(slab, forcing)
    ground = slab.ground_solver(HOUR_S / STEPS_PER_HOUR)
    shape = (forecast.n_hours, len(columns), forecast.n_members)
    mean, lowest = np.empty(shape), np.empty(shape)
    at_depth = np.empty((len(depths_m), *shape))
    for hour in range(forecast.n_hours):
        pressure = forcing.pressure_pa(hour)
        # trapezium over the hour: the mean of what was at the ends of each step
        total, minimum = 0.5 * slab.surface_c, slab.surface_c
        depth_sum = 0.5 * depths.sample(slab.surface_c, slab.ground_c) if depths_m else None
        for weather in forcing.steps_of_hour(hour):
            slab.step(ground, weather, pressure)
            total = total + slab.surface_c
            minimum = np.minimum(minimum, slab.surface_c)
            if depth_sum is not None:
                depth_sum += depths.sample(slab.surface_c, slab.ground_c)
        mean[hour] = ((total - 0.5 * slab.surface_c) / STEPS_PER_HOUR).reshape(shape[1:])
        lowest[hour] = minimum.reshape(shape[1:])
        if depth_sum is not None:
            depth_sum -= 0.5 * depths.sample(slab.surface_c, slab.ground_c)
            at_depth[:, hour] = depth_sum.reshape(len(depths_m), *shape[1:]) / STEPS_PER_HOUR
    return PavementResult(mean, lowest, at_depth, cells.radiation)
