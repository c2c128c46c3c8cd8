"""Meteorological forcing: from hourly values per cell to time steps per column.

Air, wind and humidity are given at the start of the hour and run straight to the next; radiation
is the mean of its hour, and shortwave follows the clear-sky curve inside it so that sunrise is
not smeared. Shortwave and longwave the forecast lacks are modeled from cloud, air and dew point,
and said to be. Anything else that is missing stays missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.physics import radiation, sun
from stormplan.physics.hour_weather import SURROUNDINGS_ALBEDO, HourWeather, Places, Precipitation
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


class Forcing:
    """Forcing of every column, hour by hour and step by step.

    The column axis here is flat: ``column · members + member``.

    Parameters
    ----------
    forecast : Forecast
        Hourly weather per cell.
    cell : array of int (column,)
        Each column's place on the forecast's cell axis [-].
    sky_view_frac, wind_factor : array (column,)
        Share of the sky seen; wind at the surface over the forecast's [-].
    horizon_deg : array (column, direction) or None
        Height of the skyline in equal steps of azimuth, clockwise from north [°].
    steps : int
        Time steps per hour [-].
    """

    def __init__(
        self,
        forecast: Forecast,
        cell: IntArray,
        sky_view_frac: Array,
        wind_factor: Array,
        horizon_deg: Array | None = None,
        steps: int = STEPS_PER_HOUR,
    ) -> None:
        self.forecast = forecast
        self.steps = steps
        self.members = forecast.n_members
        self.clear_sky = clear_sky(forecast, steps)
        self.radiation = fill_radiation(forecast, self.clear_sky)
        shortwave = self.radiation.sw_down_wm2
        top = np.maximum(self.clear_sky.extraterrestrial_wm2, MIN_HOURLY_CLEAR_SKY_WM2)
        self._diffuse_wm2 = shortwave * radiation.diffuse_frac(shortwave / top[:, :, None])
        self._beam_wm2 = shortwave - self._diffuse_wm2
        self._surroundings_wm2 = (
            radiation.STEFAN_BOLTZMANN_WM2K4 * (forecast["air_temp_c"] + ZERO_CELSIUS_K) ** 4
        )
        self._cell = np.repeat(cell, self.members)
        self._flat_index = (cell[:, None] * self.members + np.arange(self.members)).ravel()
        self._sky_view = np.repeat(sky_view_frac, self.members)
        self._wind_factor = np.repeat(wind_factor, self.members)
        self._sun_visible = (
            None if horizon_deg is None else self._sun_above_skyline(horizon_deg, cell)
        )
        self._vapor_pressure = saturation_vapor_pressure_pa(forecast["dew_point_c"])
        self._hour_end = {
            "air": at_hour_end(forecast["air_temp_c"]),
            "wind": at_hour_end(forecast["wind_10m_ms"]),
            "vapor": at_hour_end(self._vapor_pressure),
        }
        heights = [cell.elevation_m or 0.0 for cell in forecast.cells]
        standard = np.array([standard_pressure_pa(height) for height in heights])
        self._pressure = station_pressure_pa(forecast["pressure_hpa"], standard[:, None])

    def _sun_above_skyline(self, horizon_deg: Array, cell: IntArray) -> BoolArray:
        """Return whether the sun stands above each column's skyline, (step, column · member)."""
        latitude = np.array([cell.latitude_deg for cell in self.forecast.cells])
        longitude = np.array([cell.longitude_deg for cell in self.forecast.cells])
        times = step_midpoints(self.forecast, self.steps)
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
        return self.to_columns(self._pressure[hour])

    def _radiation(self, hour: int) -> tuple[Array, Array, Array]:
        """Beam and diffuse shortwave and longwave at the surface, hourly means, flat [W/m²]."""
        beam, diffuse = (
            self.to_columns(self._beam_wm2[hour]),
            self.to_columns(self._diffuse_wm2[hour]),
        )
        surroundings = self.to_columns(self._surroundings_wm2[hour])
        from_sky = self.to_columns(self.radiation.lw_down_wm2[hour])
        longwave = surroundings + self._sky_view * (from_sky - surroundings)
        # the hidden part of the sky shines too: as bright as its share of the sun that it gets,
        # taken to be what an open horizontal surface gets
        reflected = SURROUNDINGS_ALBEDO * (1.0 - self._sky_view) * (beam + diffuse)
        return beam, diffuse * self._sky_view + reflected, longwave

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
        elapsed_frac = ((np.arange(self.steps) + 1.0) / self.steps)[:, None]

        def at_step_ends(at_start: Array, at_end: Array) -> Array:
            start = self.to_columns(at_start[hour])
            return start + elapsed_frac * (self.to_columns(at_end[hour]) - start)

        air_c = at_step_ends(self.forecast["air_temp_c"], self._hour_end["air"])
        wind_ms = at_step_ends(self.forecast["wind_10m_ms"], self._hour_end["wind"])
        wind_ms *= self._wind_factor
        vapor_pa = at_step_ends(self._vapor_pressure, self._hour_end["vapor"])
        beam, diffuse, longwave = self._radiation(hour)
        shortwave = np.tile(beam, (self.steps, 1))
        if np.any(beam + diffuse > 0.0):
            steps = slice(hour * self.steps, (hour + 1) * self.steps)
            visible = 1.0 if self._sun_visible is None else self._sun_visible[steps]
            profile = self.clear_sky.step_profile[hour].take(self._cell, axis=1)
            shortwave = profile * (beam * visible + diffuse)
        for step in range(self.steps):
            yield StepForcing(air_c[step], wind_ms[step], vapor_pa[step], shortwave[step], longwave)

    def places(self, underside_air_offset_k: Array) -> Places:
        """Return what the columns see, under their slabs such air above that outside [K]."""
        return Places(
            self._cell, self._flat_index, self._sky_view, self._wind_factor, underside_air_offset_k
        )

    def hour_weather(self, hour: int, precip: Precipitation) -> HourWeather:
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
            of(self.forecast["air_temp_c"]),
            of(self._hour_end["air"]),
            of(self.forecast["wind_10m_ms"]),
            of(self._hour_end["wind"]),
            of(self._vapor_pressure),
            of(self._hour_end["vapor"]),
            of(self._beam_wm2),
            of(self._diffuse_wm2),
            of(self.radiation.lw_down_wm2),
            of(self._surroundings_wm2),
            self.clear_sky.step_profile[hour],
            visible,
            of(self._pressure),
            of(precip.liquid_mm),
            of(precip.snow_mm),
            of(precip.sleet_mm),
            of(precip.wet_bulb_c),
        )
