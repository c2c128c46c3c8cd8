"""Weather of one hour as compiled time steps take it, and what a column sees of it.

Hourly values stand once for each cell and member; columns name their cell. Air, wind and humidity
run straight from the start of the hour to its end, radiation is its mean, and shortwave follows
the clear sky inside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from stormplan.arrays import Array, IntArray, RecordArray, record_dtype
from stormplan.compiled import compiled
from stormplan.weather.forecast import Forecast
from stormplan.weather.moist_air import wet_bulb_c


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


class HourWeather(NamedTuple):
    """Weather of one hour for compiled steps: arrays ``(cell · member,)`` unless stated.

    Attributes
    ----------
    air_c, air_end_c : array
        Air temperature at the start and at the end of the hour [°C].
    wind_ms, wind_end_ms : array
        Wind at 10 m [m/s].
    vapor_pressure_pa, vapor_pressure_end_pa : array
        Vapor pressure of the air [Pa].
    beam_wm2, diffuse_wm2, longwave_wm2, surroundings_wm2 : array
        Shortwave from the sun and from the sky, longwave from the sky and from what hides it:
        means of the hour [W/m²].
    sun_profile : array (step, cell)
        Each step's clear-sky shortwave over its hour's mean [-].
    sun_visible : array (step, column · member) or (step, 1)
        1 where the sun stands above the skyline [-].
    pressure_pa : array
        Station pressure [Pa].
    liquid_mm, snow_mm, sleet_mm : array
        What falls in the hour [mm].
    precip_temp_c : array
        Temperature at which it falls [°C].
    """

    air_c: Array
    air_end_c: Array
    wind_ms: Array
    wind_end_ms: Array
    vapor_pressure_pa: Array
    vapor_pressure_end_pa: Array
    beam_wm2: Array
    diffuse_wm2: Array
    longwave_wm2: Array
    surroundings_wm2: Array
    sun_profile: Array
    sun_visible: Array
    pressure_pa: Array
    liquid_mm: Array
    snow_mm: Array
    sleet_mm: Array
    precip_temp_c: Array


class Places(NamedTuple):
    """What columns see of the weather: arrays ``(column · member,)``.

    Attributes
    ----------
    cell, cell_member : array of int
        Place on the forecast's cell axis; on its ``cell · member`` axis [-].
    sky_view_frac, wind_factor : array
        Share of the sky seen; wind at the surface over the forecast's [-].
    underside_air_offset_k : array
        Air under a slab above the air outside [K].
    surroundings_albedo : float
        Of what hides the sky [-].
    """

    cell: IntArray
    cell_member: IntArray
    sky_view_frac: Array
    wind_factor: Array
    underside_air_offset_k: Array
    surroundings_albedo: float


class StepWeather(Protocol):
    """Weather of one step on one column, radiation its mean, the rest at its end: a record.

    Attributes
    ----------
    air_c, underside_air_c : float
        Air above a column, and under its slab [°C].
    wind_ms, vapor_pressure_pa : float
        Wind at 10 m, shelter included [m/s]; vapor pressure of the air [Pa].
    shortwave_wm2, longwave_wm2 : float
        What reaches the surface [W/m²].
    pressure_pa : float
        Station pressure [Pa].
    liquid, snow, sleet : float
        What falls in the step [kg/m²].
    precip_temp_c : float
        Temperature at which it falls [°C].
    """

    air_c: float
    underside_air_c: float
    wind_ms: float
    vapor_pressure_pa: float
    shortwave_wm2: float
    longwave_wm2: float
    pressure_pa: float
    liquid: float
    snow: float
    sleet: float
    precip_temp_c: float


STEP_WEATHER = record_dtype(StepWeather)


@compiled
def set_step_weather(out: RecordArray, weather: HourWeather, places: Places, begin: int) -> None:
    """Set the weather of every step of an hour on some columns from one on.

    A skyline hides the sun and part of the sky. What hides the sky shines too: as bright as its
    share of the sun that it gets, taken to be what an open horizontal surface gets.

    Parameters
    ----------
    out : array of STEP_WEATHER (step, column)
        Where it is put.
    weather : HourWeather
        Of the hour.
    places : Places
        Of all columns.
    begin : int
        The first of these [-].
    """
    steps, columns = out.shape
    one_sky = weather.sun_visible.shape[1] == 1
    for k in range(columns):
        i = begin + k
        at = places.cell_member[i]
        air_c, wind_ms = weather.air_c[at], weather.wind_ms[at] * places.wind_factor[i]
        vapor_pa = weather.vapor_pressure_pa[at]
        air_change_k = weather.air_end_c[at] - air_c
        wind_change_ms = weather.wind_end_ms[at] * places.wind_factor[i] - wind_ms
        vapor_change_pa = weather.vapor_pressure_end_pa[at] - vapor_pa
        sky_view_frac = places.sky_view_frac[i]
        beam, diffuse = weather.beam_wm2[at], weather.diffuse_wm2[at]
        reflected = places.surroundings_albedo * (1.0 - sky_view_frac) * (beam + diffuse)
        from_sky = diffuse * sky_view_frac + reflected
        surroundings = weather.surroundings_wm2[at]
        longwave = surroundings + sky_view_frac * (weather.longwave_wm2[at] - surroundings)
        for step in range(steps):
            on_column = out[step, k]
            elapsed_frac = (step + 1.0) / steps
            on_column.air_c = air_c + elapsed_frac * air_change_k
            on_column.underside_air_c = on_column.air_c + places.underside_air_offset_k[i]
            on_column.wind_ms = wind_ms + elapsed_frac * wind_change_ms
            on_column.vapor_pressure_pa = vapor_pa + elapsed_frac * vapor_change_pa
            visible = weather.sun_visible[step, 0 if one_sky else i]
            profile = weather.sun_profile[step, places.cell[i]]
            on_column.shortwave_wm2 = profile * (beam * visible + from_sky)
            on_column.longwave_wm2 = longwave
            on_column.pressure_pa = weather.pressure_pa[at]
            on_column.liquid = weather.liquid_mm[at] / steps
            on_column.snow = weather.snow_mm[at] / steps
            on_column.sleet = weather.sleet_mm[at] / steps
            on_column.precip_temp_c = weather.precip_temp_c[at]
