"""Precipitation type by temperature: rain, snow, freezing rain or sleet by air and wet bulb.

A source names what falls, or does not; temperature corrects the one and decides the other, by the
same rules for every source and table. Fractions are arrays ``(hour, type)`` in the order of
``PRECIP_TYPES``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stormplan.arrays import Array, BoolArray, FlagArray
from stormplan.weather import moist_air
from stormplan.weather.forecast import PRECIP_TYPES, QualityFlag, set_flag

RAIN, SNOW, FREEZING_RAIN, SLEET = range(4)

SNOW_UNLIKELY_ABOVE_C = 2.0  # common practice, no source
MAX_FREEZING_RAIN_TEMP_C = 0.6  # freezing, and the rounding of a forecast in whole °F
ROUNDING_K = 0.28  # half a degree Fahrenheit: colder than this below 0 °C is surely freezing


@dataclass(frozen=True)
class AirState:
    """Air state that decides the precipitation type, by hour.

    Attributes
    ----------
    temp_c, wet_bulb_c : array (hour,)
        Air temperature and wet bulb at 2 m [°C].
    ice_accretion_mm : array (hour,)
        Ice accretion of the block the hour is in, NaN where the source says nothing [mm].
    """

    temp_c: Array
    wet_bulb_c: Array
    ice_accretion_mm: Array

    @classmethod
    def from_values(
        cls, values: Mapping[str, Array], ice_accretion_mm: Array | None = None
    ) -> AirState:
        """Return the state from temperature, dew point and station pressure, by name."""
        temp_c = values["air_temp_c"]
        wet_bulb_c = moist_air.wet_bulb_c(
            temp_c,
            values["dew_point_c"],
            moist_air.station_pressure_pa(values["pressure_hpa"]),
        )
        ice = np.full(temp_c.shape, np.nan) if ice_accretion_mm is None else ice_accretion_mm
        return cls(temp_c, wet_bulb_c, ice)

    def flat(self) -> AirState:
        """Return the same hours and members in one row."""
        return AirState(self.temp_c.ravel(), self.wet_bulb_c.ravel(), self.ice_accretion_mm.ravel())


def type_fracs_from_temperature(air: AirState) -> Array:
    """Shares (hour, phase) where no phase is named: rain or snow by the wet bulb, or ice."""
    snow = moist_air.snow_frac(air.wet_bulb_c)
    snow = np.where(air.temp_c < -ROUNDING_K, 1.0, snow)
    type_fracs = np.zeros((snow.size, len(PRECIP_TYPES)))
    icy = (air.ice_accretion_mm > 0.0) & (air.temp_c <= MAX_FREEZING_RAIN_TEMP_C)
    type_fracs[:, RAIN] = np.where(icy, 0.0, 1.0 - snow)
    type_fracs[:, SNOW] = np.where(icy, 0.0, snow)
    type_fracs[:, FREEZING_RAIN] = icy
    return type_fracs


def correct_by_temperature(type_fracs: Array, air: AirState) -> tuple[Array, BoolArray]:
    """Correct the shares a source gives by temperature, and fill in where it gives none.

    Parameters
    ----------
    type_fracs : array (hour, phase)
        Sum to one, or to zero where the source does not tell [-].
    air : AirState
        Temperature, wet bulb and ice accretion of each hour [°C, °C, mm].

    Returns
    -------
    type_fracs : array (hour, phase)
        Sum to one; NaN where neither source nor temperature tell [-].
    guessed : array of bool (hour,)
        Decided or corrected by temperature.

    Notes
    -----
    No snow where it is too warm for it (it becomes rain), no freezing rain above 0.6 °C, and rain
    alone below freezing is freezing rain. Rain together with snow below freezing is snow where
    the source says that no ice accretes, else freezing rain, because that is the error that hurts
    less.
    """
    temp = air.temp_c
    unnamed = type_fracs.sum(axis=1) == 0.0
    type_fracs = type_fracs.copy()
    inferred = np.zeros(temp.size, dtype=bool)

    def move(source: int, target: int, where: BoolArray) -> None:
        moved = where & (type_fracs[:, source] > 0.0)
        type_fracs[moved, target] += type_fracs[moved, source]
        type_fracs[moved, source] = 0.0
        inferred[moved] = True

    snow_melts = (temp > SNOW_UNLIKELY_ABOVE_C) & ~(moist_air.snow_frac(air.wet_bulb_c) > 0.5)
    move(SNOW, RAIN, snow_melts)
    move(FREEZING_RAIN, RAIN, temp > MAX_FREEZING_RAIN_TEMP_C)
    cold = temp < -ROUNDING_K
    move(RAIN, SNOW, cold & (type_fracs[:, SNOW] > 0.0) & (air.ice_accretion_mm == 0.0))
    move(RAIN, FREEZING_RAIN, cold)
    type_fracs[unnamed] = type_fracs_from_temperature(air)[unnamed]
    return type_fracs, inferred | unnamed


def split_by_type(
    values: dict[str, Array],
    flags: dict[str, FlagArray],
    water: Array,
    type_fracs: Array,
    inferred: BoolArray,
) -> None:
    """Split water by precipitation type, with the quality flags of the water.

    Parameters
    ----------
    values, flags : dict
        Filled under the names of ``PRECIP_TYPES`` [mm].
    water : array (hour,) or (hour, member)
        Water of all phases [mm].
    type_fracs : array (hour, phase) or (hour, member, phase)
        As from ``corrected`` [-].
    inferred : array of bool, like water
        Decided or corrected by temperature.
    """
    # where nothing falls nothing is shared: shares may be unknown there
    by_phase = np.where(water[..., None] > 0.0, water[..., None] * type_fracs, water[..., None])
    for column, name in enumerate(PRECIP_TYPES):
        values[name] = by_phase[..., column]
        flags[name] = flags["precip_mm"].copy()
        set_flag(flags, name, inferred & (water > 0.0), QualityFlag.INFERRED_PRECIP_TYPE)
