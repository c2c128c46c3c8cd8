"""The weather as a surface feels it: from hourly values per cell to time steps per column.

Air, wind and humidity are given at the start of the hour and run straight to the next; radiation
is the mean of its hour, and shortwave follows the clear-sky curve inside it so that sunrise is
not smeared. Shortwave and longwave the forecast lacks are modelled from cloud, air and dew point,
and said to be. Anything else that is missing stays missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stormplan.physics import radiation, sun
from stormplan.units import KELVIN
from stormplan.weather.forecast import Forecast
from stormplan.weather.moist_air import saturation_pa, standard_pressure_pa

Array = NDArray[np.float64]

STEPS_PER_HOUR = 6
#: From this many members on, steps are twice as long, which halves the cost. That moves a surface
#: by 0.04-0.08 K (rms), half a per cent of its hazard hours, and no pre-treat's failure by more
#: than an hour (31 members of the bundled storm): far less than what parts the members.
MANY_MEMBERS = 16
STEPS_PER_HOUR_OF_MANY = 3
FAINT_WM2 = 1.0  # below this hourly clear-sky mean the shape of the hour means nothing


def steps_per_hour(members: int) -> int:
    """Choose the time steps per hour for a run with some members [-]."""
    return STEPS_PER_HOUR if members < MANY_MEMBERS else STEPS_PER_HOUR_OF_MANY


@dataclass(frozen=True)
class Sunlight:
    """Clear sky over every cell.

    Attributes
    ----------
    shape : array (hour, step, cell)
        Each step's clear-sky shortwave over its hour's mean [-].
    clear_wm2, top_wm2 : array (hour, cell)
        Hourly mean on the horizontal below a clear sky and above the atmosphere [W/m²].
    """

    shape: Array
    clear_wm2: Array
    top_wm2: Array


def step_times(forecast: Forecast, steps: int = STEPS_PER_HOUR) -> NDArray[np.datetime64]:
    """Middles of the time steps of every hour, (hour · step,) UTC."""
    start = np.datetime64(forecast.start.replace(tzinfo=None), "ms")
    length = 3_600_000 // steps
    return start + (np.arange(forecast.hours * steps) * length + length // 2).astype("m8[ms]")


def sunlight(forecast: Forecast, steps: int = STEPS_PER_HOUR) -> Sunlight:
    """Work out clear-sky shortwave for every step and cell.

    Parameters
    ----------
    forecast : Forecast
        For its hours and the places of its cells [-].
    steps : int
        Time steps per hour [-].

    Returns
    -------
    Sunlight
        Zero at night; ``shape`` is 1 in hours with next to no sun.
    """
    latitude = np.array([cell.latitude_deg for cell in forecast.cells])
    longitude = np.array([cell.longitude_deg for cell in forecast.cells])
    height = np.array([cell.elevation_m or 0.0 for cell in forecast.cells])
    times = step_times(forecast, steps)
    sine = sun.sin_elevation(times, latitude, longitude)
    when, where = np.nonzero(sine > 0.0)
    normal = sun.top_of_atmosphere_wm2(times)
    hazy = sun.turbidity(times[:: 24 * steps], latitude)
    lit = sun.clear_sky_wm2(
        sine[when, where], normal[when], height[where], hazy[when // (24 * steps), where]
    )
    clear = np.zeros_like(sine)
    clear[when, where] = lit
    by_hour = (forecast.hours, steps, len(forecast.cells))
    clear = clear.reshape(by_hour)
    mean = clear.mean(axis=1)
    shape = np.ones_like(clear)
    np.divide(clear, mean[:, None], out=shape, where=(mean > FAINT_WM2)[:, None])
    top = (np.maximum(sine, 0.0) * normal[:, None]).reshape(by_hour).mean(axis=1)
    return Sunlight(shape, mean, top)


def at_hour_end(values: Array) -> Array:
    """Value at the end of each hour: the next hour's, or the hour's own where that is unknown."""
    later = np.concatenate([values[1:], values[-1:]])
    return np.where(np.isnan(later), values, later)


@dataclass(frozen=True)
class Radiation:
    """Radiation from the sky in every hour, given or modelled: arrays ``(hour, cell, member)``.

    Attributes
    ----------
    sw_down_wm2, lw_down_wm2 : array
        Mean of the hour on an open horizontal surface [W/m²].
    sw_modelled, lw_modelled : array of bool
        True where the forecast did not give it [-].
    """

    sw_down_wm2: Array
    lw_down_wm2: Array
    sw_modelled: NDArray[np.bool_]
    lw_modelled: NDArray[np.bool_]


def complete_radiation(forecast: Forecast, light: Sunlight) -> Radiation:
    """Fill what the forecast does not say about radiation from cloud, air and dew point.

    Parameters
    ----------
    forecast : Forecast
        Cloud is needed for both, air and dew point for longwave [-].
    light : Sunlight
        Of the same forecast [-].

    Returns
    -------
    Radiation
        NaN where it is neither given nor can be modelled.
    """
    middle = {
        name: 0.5 * (forecast[name] + at_hour_end(forecast[name]))
        for name in ("air_temp_c", "dew_point_c", "cloud_frac")
    }
    shortwave, longwave = forecast["sw_down_wm2"], forecast["lw_down_wm2"]
    no_sw, no_lw = np.isnan(shortwave), np.isnan(longwave)
    through = radiation.cloud_transmission(middle["cloud_frac"])
    dark = (light.top_wm2 <= 0.0)[:, :, None]  # at night cloud does not matter
    from_cloud = np.where(dark, 0.0, light.clear_wm2[:, :, None] * through)
    from_air = radiation.longwave_down_wm2(
        middle["air_temp_c"], middle["dew_point_c"], middle["cloud_frac"]
    )
    return Radiation(
        np.where(no_sw, from_cloud, shortwave),
        np.where(no_lw, from_air, longwave),
        no_sw,
        no_lw,
    )


@dataclass(frozen=True)
class Step:
    """Weather on every column at the end of one time step; radiation is the step's mean.

    Attributes
    ----------
    air_c : array (column,)
        Air temperature [°C].
    wind_ms : array (column,)
        Wind at 10 m, shelter included [m/s].
    vapour_pa : array (column,)
        Vapour pressure of the air [Pa].
    sun_wm2 : array (column,)
        Shortwave that reaches the surface, shading included [W/m²].
    longwave_wm2 : array (column,)
        Longwave that reaches the surface from sky and surroundings [W/m²].
    """

    air_c: Array
    wind_ms: Array
    vapour_pa: Array
    sun_wm2: Array
    longwave_wm2: Array


class Forcing:
    """Hands out the weather of every column, hour by hour and step by step.

    The column axis here is flat: ``column · members + member``.

    Parameters
    ----------
    forecast : Forecast
        Hourly weather per cell [-].
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
        cell: NDArray[np.intp],
        sky_view_frac: Array,
        wind_factor: Array,
        horizon_deg: Array | None = None,
        steps: int = STEPS_PER_HOUR,
    ) -> None:
        self.forecast = forecast
        self.steps = steps
        self.members = forecast.members
        self.light = sunlight(forecast, steps)
        self.radiation = complete_radiation(forecast, self.light)
        self._cell = np.repeat(cell, self.members)
        self._flat = (cell[:, None] * self.members + np.arange(self.members)).ravel()
        self._sky_view = np.repeat(sky_view_frac, self.members)
        self._wind_factor = np.repeat(wind_factor, self.members)
        self._horizon = None if horizon_deg is None else self._shade(horizon_deg, cell)
        self._vapour = saturation_pa(forecast["dew_point_c"])
        self._next = {
            "air": at_hour_end(forecast["air_temp_c"]),
            "wind": at_hour_end(forecast["wind_10m_ms"]),
            "vapour": at_hour_end(self._vapour),
        }
        heights = [cell.elevation_m or 0.0 for cell in forecast.cells]
        standard = np.array([standard_pressure_pa(height) for height in heights])
        given = forecast["pressure_hpa"] * 100.0
        self._pressure = np.where(np.isnan(given), standard[:, None], given)

    def _shade(self, horizon_deg: Array, cell: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Whether the sun's disc clears each column's skyline, (step, column · member)."""
        latitude = np.array([cell.latitude_deg for cell in self.forecast.cells])
        longitude = np.array([cell.longitude_deg for cell in self.forecast.cells])
        times = step_times(self.forecast, self.steps)
        height = sun.elevation_deg(times, latitude, longitude)[:, cell]
        turn = sun.azimuth_deg(times, latitude, longitude)[:, cell] / 360.0
        directions = horizon_deg.shape[1]
        index = np.rint(turn * directions).astype(np.intp) % directions
        skyline = horizon_deg[np.arange(len(cell)), index]
        return np.repeat(height > skyline, self.members, axis=1)

    def gather(self, values: Array) -> Array:
        """Spread one hour's ``(cell, member)`` over the flat column axis."""
        return np.asarray(values.reshape(-1)[self._flat])

    def pressure_pa(self, hour: int) -> Array:
        """Station pressure, flat [Pa]."""
        return self.gather(self._pressure[hour])

    def _radiation(self, hour: int) -> tuple[Array, Array, Array]:
        """Beam and diffuse shortwave and longwave at the surface, hourly means, flat [W/m²]."""
        shortwave = self.radiation.sw_down_wm2[hour]
        top = np.maximum(self.light.top_wm2[hour], FAINT_WM2)[:, None]
        diffuse = self.gather(shortwave * radiation.diffuse_share(shortwave / top))
        beam = self.gather(shortwave) - diffuse
        air_k = self.gather(self.forecast["air_temp_c"][hour]) + KELVIN
        around = radiation.STEFAN_BOLTZMANN_WM2K4 * air_k**4
        from_sky = self.gather(self.radiation.lw_down_wm2[hour])
        longwave = self._sky_view * from_sky + (1.0 - self._sky_view) * around
        return beam, diffuse * self._sky_view, longwave

    def hour(self, hour: int) -> Iterator[Step]:
        """Weather of one hour, step by step.

        Parameters
        ----------
        hour : int
            Place on the forecast's hour axis [-].

        Yields
        ------
        Step
            ``steps`` of them.
        """
        now = {
            "air": self.gather(self.forecast["air_temp_c"][hour]),
            "wind": self.gather(self.forecast["wind_10m_ms"][hour]),
            "vapour": self.gather(self._vapour[hour]),
        }
        rise = {name: self.gather(self._next[name][hour]) - now[name] for name in now}
        beam, diffuse, longwave = self._radiation(hour)
        lit = bool(np.any(beam + diffuse > 0.0))
        for step in range(self.steps):
            part = (step + 1) / self.steps
            sunny = beam
            if lit:
                clears = 1.0 if self._horizon is None else self._horizon[hour * self.steps + step]
                sunny = self.light.shape[hour, step][self._cell] * (beam * clears + diffuse)
            yield Step(
                now["air"] + part * rise["air"],
                self._wind_factor * (now["wind"] + part * rise["wind"]),
                now["vapour"] + part * rise["vapour"],
                sunny,
                longwave,
            )
