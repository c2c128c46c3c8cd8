"""Meteorological forcing: from hourly values per cell to time steps per column.

Air, wind and humidity are given at the start of the hour and run straight to the next; radiation
is the mean of its hour, and shortwave follows the clear-sky curve inside it so that sunrise is
not smeared. Shortwave and longwave the forecast lacks are modeled from cloud, air and dew point,
and said to be. Anything else that is missing stays missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.physics import radiation, sun
from stormplan.physics.hour_weather import (
    STEP_WEATHER,
    HourWeather,
    Places,
    Precipitation,
    set_step_weather,
    split_precipitation,
)
from stormplan.units import ZERO_CELSIUS_K
from stormplan.weather.forecast import Forecast
from stormplan.weather.moist_air import (
    saturation_vapor_pressure_pa,
    standard_pressure_pa,
    station_pressure_pa,
)

STEPS_PER_HOUR = 6
#: From this many members on, steps are twice as long, which halves the cost. That moves a surface
#: by 0.04-0.08 K (rms), half a per cent of its hazard hours, and no pre-treat's failure by more
#: than an hour (31 members of the bundled storm): far less than what parts the members.
LARGE_ENSEMBLE_MEMBERS = 16
LARGE_ENSEMBLE_STEPS_PER_HOUR = 3
#: What hides the sky, walls and trees, reflects about this much of the sun that falls on it (Oke
#: 1987, Boundary Layer Climates: brick and concrete walls 0.1-0.4, trees 0.05-0.2; from memory).
SURROUNDINGS_ALBEDO = 0.2
MIN_HOURLY_CLEAR_SKY_WM2 = (
    1.0  # below this hourly clear-sky mean the shape of the hour means nothing
)


def steps_per_hour(members: int) -> int:
    """Return the time steps per hour for a number of members [-]."""
    return STEPS_PER_HOUR if members < LARGE_ENSEMBLE_MEMBERS else LARGE_ENSEMBLE_STEPS_PER_HOUR


@dataclass(frozen=True)
class ClearSky:
    """Clear-sky irradiance over every cell.

    Attributes
    ----------
    step_profile : array (hour, step, cell)
        Each step's clear-sky shortwave over its hour's mean [-].
    ghi_wm2, extraterrestrial_wm2 : array (hour, cell)
        Hourly mean on the horizontal below a clear sky and above the atmosphere [W/m²].
    """

    step_profile: Array
    ghi_wm2: Array
    extraterrestrial_wm2: Array


def step_midpoints(forecast: Forecast, steps: int = STEPS_PER_HOUR) -> NDArray[np.datetime64]:
    """Return the midpoints of the time steps of every hour, (hour · step,) UTC."""
    start = np.datetime64(forecast.start.replace(tzinfo=None), "ms")
    length = 3_600_000 // steps
    return start + (np.arange(forecast.n_hours * steps) * length + length // 2).astype("m8[ms]")


def clear_sky(forecast: Forecast, steps: int = STEPS_PER_HOUR) -> ClearSky:
    """Return clear-sky irradiance for every step and cell.

    Parameters
    ----------
    forecast : Forecast
        For its hours and the places of its cells.
    steps : int
        Time steps per hour [-].

    Returns
    -------
    ClearSky
        Zero at night; ``shape`` is 1 in hours with next to no sun.
    """
    latitude = np.array([cell.latitude_deg for cell in forecast.cells])
    longitude = np.array([cell.longitude_deg for cell in forecast.cells])
    height = np.array([cell.elevation_m or 0.0 for cell in forecast.cells])
    times = step_midpoints(forecast, steps)
    sine = sun.sin_elevation(times, latitude, longitude)
    when, where = np.nonzero(sine > 0.0)
    normal = sun.extraterrestrial_normal_wm2(times)
    linke_turbidity = sun.linke_turbidity(times[:: 24 * steps], latitude)
    lit = sun.clear_sky_ghi_wm2(
        sine[when, where], normal[when], height[where], linke_turbidity[when // (24 * steps), where]
    )
    clear = np.zeros_like(sine)
    clear[when, where] = lit
    by_hour = (forecast.n_hours, steps, len(forecast.cells))
    clear = clear.reshape(by_hour)
    mean = clear.mean(axis=1)
    shape = np.ones_like(clear)
    np.divide(clear, mean[:, None], out=shape, where=(mean > MIN_HOURLY_CLEAR_SKY_WM2)[:, None])
    top = (np.maximum(sine, 0.0) * normal[:, None]).reshape(by_hour).mean(axis=1)
    return ClearSky(shape, mean, top)


def at_hour_end(values: Array) -> Array:
    """Return the value at the end of each hour: the next hour's, else the hour's own."""
    later = np.concatenate([values[1:], values[-1:]])
    return np.where(np.isnan(later), values, later)


@dataclass(frozen=True)
class DownwardRadiation:
    """Downward radiation in every hour, given or modeled: arrays ``(hour, cell, member)``.

    Attributes
    ----------
    sw_down_wm2, lw_down_wm2 : array
        Mean of the hour on an open horizontal surface [W/m²].
    sw_modeled, lw_modeled : array of bool
        True where the forecast did not give it.
    """

    sw_down_wm2: Array
    lw_down_wm2: Array
    sw_modeled: BoolArray
    lw_modeled: BoolArray


def fill_radiation(forecast: Forecast, clear: ClearSky) -> DownwardRadiation:
    """Return downward radiation, modeled from cloud, air and dew point where not given.

    Parameters
    ----------
    forecast : Forecast
        Cloud is needed for both, air and dew point for longwave.
    clear : ClearSky
        Of the same forecast.

    Returns
    -------
    DownwardRadiation
        NaN where it is neither given nor can be modeled.
    """
    middle = {
        name: 0.5 * (forecast[name] + at_hour_end(forecast[name]))
        for name in ("air_temp_c", "dew_point_c", "cloud_frac")
    }
    shortwave, longwave = forecast["sw_down_wm2"], forecast["lw_down_wm2"]
    no_sw, no_lw = np.isnan(shortwave), np.isnan(longwave)
    transmittance = radiation.cloud_transmittance(middle["cloud_frac"])
    dark = (clear.extraterrestrial_wm2 <= 0.0)[:, :, None]  # at night cloud does not matter
    from_cloud = np.where(dark, 0.0, clear.ghi_wm2[:, :, None] * transmittance)
    from_air = radiation.longwave_down_wm2(
        middle["air_temp_c"], middle["dew_point_c"], middle["cloud_frac"]
    )
    return DownwardRadiation(
        np.where(no_sw, from_cloud, shortwave),
        np.where(no_lw, from_air, longwave),
        no_sw,
        no_lw,
    )


@dataclass(frozen=True)
class StepForcing:
    """Weather on every column at the end of one time step; radiation is the step's mean.

    Attributes
    ----------
    air_c : array (column,)
        Air temperature [°C].
    wind_ms : array (column,)
        Wind at 10 m, shelter included [m/s].
    vapor_pressure_pa : array (column,)
        Vapor pressure of the air [Pa].
    shortwave_wm2 : array (column,)
        Shortwave that reaches the surface, shading included [W/m²].
    longwave_wm2 : array (column,)
        Longwave that reaches the surface from sky and surroundings [W/m²].
    """

    air_c: Array
    wind_ms: Array
    vapor_pressure_pa: Array
    shortwave_wm2: Array
    longwave_wm2: Array


@dataclass(frozen=True)
class CellForcing:
    """Forcing of every cell and hour: arrays ``(hour, cell, member)``; columns have a share of it.

    Attributes
    ----------
    forecast : Forecast
        Hourly weather per cell.
    steps : int
        Time steps per hour [-].
    clear_sky : ClearSky
        Irradiance below a clear sky, by step.
    radiation : DownwardRadiation
        From the whole sky.
    beam_wm2, diffuse_wm2, surroundings_wm2 : array
        Shortwave from the sun and from the sky; longwave from what hides the sky [W/m²].
    vapor_pressure_pa, pressure_pa : array
        Vapor pressure of the air; station pressure [Pa].
    air_end_c, wind_end_ms, vapor_pressure_end_pa : array
        Air, wind and vapor pressure at the end of the hour [°C], [m/s], [Pa].
    precip : Precipitation
        By form.
    """

    forecast: Forecast
    steps: int
    clear_sky: ClearSky
    radiation: DownwardRadiation
    beam_wm2: Array
    diffuse_wm2: Array
    surroundings_wm2: Array
    vapor_pressure_pa: Array
    pressure_pa: Array
    air_end_c: Array
    wind_end_ms: Array
    vapor_pressure_end_pa: Array
    precip: Precipitation

    @classmethod
    def from_forecast(cls, forecast: Forecast, steps: int = STEPS_PER_HOUR) -> CellForcing:
        """Return the forcing of a forecast's cells, for so many time steps per hour."""
        clear = clear_sky(forecast, steps)
        sky = fill_radiation(forecast, clear)
        shortwave = sky.sw_down_wm2
        top = np.maximum(clear.extraterrestrial_wm2, MIN_HOURLY_CLEAR_SKY_WM2)
        diffuse = shortwave * radiation.diffuse_frac(shortwave / top[:, :, None])
        air_k = forecast["air_temp_c"] + ZERO_CELSIUS_K
        vapor_pa = saturation_vapor_pressure_pa(forecast["dew_point_c"])
        heights = [cell.elevation_m or 0.0 for cell in forecast.cells]
        standard = np.array([standard_pressure_pa(height) for height in heights])
        return cls(
            forecast,
            steps,
            clear,
            sky,
            shortwave - diffuse,
            diffuse,
            radiation.STEFAN_BOLTZMANN_WM2K4 * air_k**4,
            vapor_pa,
            station_pressure_pa(forecast["pressure_hpa"], standard[:, None]),
            at_hour_end(forecast["air_temp_c"]),
            at_hour_end(forecast["wind_10m_ms"]),
            at_hour_end(vapor_pa),
            split_precipitation(forecast),
        )


class Forcing:
    """Forcing of every column, hour by hour and step by step.

    The column axis here is flat: ``column · members + member``.

    Parameters
    ----------
    cells : CellForcing
        Of every cell.
    cell : array of int (column,)
        Each column's place on the forecast's cell axis [-].
    sky_view_frac, wind_factor : array (column,)
        Share of the sky seen; wind at the surface over the forecast's [-].
    horizon_deg : array (column, direction) or None
        Height of the skyline in equal steps of azimuth, clockwise from north [°].
    """

    def __init__(
        self,
        cells: CellForcing,
        cell: IntArray,
        sky_view_frac: Array,
        wind_factor: Array,
        horizon_deg: Array | None = None,
    ) -> None:
        self.cells = cells
        self.steps = cells.steps
        self.members = cells.forecast.n_members
        self._cell = np.repeat(cell, self.members)
        self._flat_index = (cell[:, None] * self.members + np.arange(self.members)).ravel()
        self._sky_view = np.repeat(sky_view_frac, self.members)
        self._wind_factor = np.repeat(wind_factor, self.members)
        self._sun_visible = (
            None if horizon_deg is None else self._sun_above_skyline(horizon_deg, cell)
        )

    def _sun_above_skyline(self, horizon_deg: Array, cell: IntArray) -> BoolArray:
        """Return whether the sun stands above each column's skyline, (step, column · member)."""
        latitude = np.array([cell.latitude_deg for cell in self.cells.forecast.cells])
        longitude = np.array([cell.longitude_deg for cell in self.cells.forecast.cells])
        times = step_midpoints(self.cells.forecast, self.steps)
        height = sun.elevation_deg(times, latitude, longitude)[:, cell]
        azimuth_turns = sun.azimuth_deg(times, latitude, longitude)[:, cell] / 360.0
        directions = horizon_deg.shape[1]
        index = np.rint(azimuth_turns * directions).astype(np.intp) % directions
        skyline = horizon_deg[np.arange(len(cell)), index]
        return np.repeat(height > skyline, self.members, axis=1)

    def to_columns(self, values: Array) -> Array:
        """Return one hour's ``(cell, member)`` on the flat column axis."""
        return np.asarray(values.reshape(-1)[self._flat_index])

    def pressure_pa(self, hour: int) -> Array:
        """Station pressure, flat [Pa]."""
        return self.to_columns(self.cells.pressure_pa[hour])

    def steps_of_hour(self, hour: int) -> Iterator[StepForcing]:
        """Yield the forcing of one hour, step by step.

        Parameters
        ----------
        hour : int
            Place on the forecast's hour axis [-].

        Yields
        ------
        StepForcing
            ``steps`` of them.
        """
        on_columns = np.empty((self.steps, self._cell.size), STEP_WEATHER)
        places = self.places(np.zeros(self._cell.size))
        set_step_weather(on_columns, self.hour_weather(hour), places, 0)
        for step in on_columns:
            yield StepForcing(*(step[item.name].copy() for item in fields(StepForcing)))

    def places(self, underside_air_offset_k: Array) -> Places:
        """Return what the columns see, under their slabs such air above that outside [K]."""
        return Places(
            self._cell,
            self._flat_index,
            self._sky_view,
            self._wind_factor,
            underside_air_offset_k,
            SURROUNDINGS_ALBEDO,
        )

    def hour_weather(self, hour: int) -> HourWeather:
        """Return the weather of one hour for compiled steps."""
        steps = slice(hour * self.steps, (hour + 1) * self.steps)
        visible = (
            np.ones((self.steps, 1))
            if self._sun_visible is None
            else (self._sun_visible[steps].astype(float))
        )

        def of(values: Array) -> Array:
            return np.asarray(values[hour].flatten())

        return HourWeather(
            of(self.cells.forecast["air_temp_c"]),
            of(self.cells.air_end_c),
            of(self.cells.forecast["wind_10m_ms"]),
            of(self.cells.wind_end_ms),
            of(self.cells.vapor_pressure_pa),
            of(self.cells.vapor_pressure_end_pa),
            of(self.cells.beam_wm2),
            of(self.cells.diffuse_wm2),
            of(self.cells.radiation.lw_down_wm2),
            of(self.cells.surroundings_wm2),
            self.cells.clear_sky.step_profile[hour],
            visible,
            of(self.cells.pressure_pa),
            of(self.cells.precip.liquid_mm),
            of(self.cells.precip.snow_mm),
            of(self.cells.precip.sleet_mm),
            of(self.cells.precip.wet_bulb_c),
        )
