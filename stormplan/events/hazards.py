"""What makes a surface slippery, hour by hour and member by member: arrays ``(hour, member)``.

Each hour of each member is told its hazard, if any; each hazard its chance; and each hour, over the
members, what it is watched for. Runs of such hours become events next door.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stormplan.company.practice_rules import Practice
from stormplan.physics.bias_correction import is_night
from stormplan.physics.ensemble import frost_chance, model_error_dc, normal, surface_error_dc
from stormplan.weather import moist_air
from stormplan.weather.forecast import PHASES, Array, Forecast


class Hazard(StrEnum):
    """What makes a surface slippery, from the mildest to the one that governs."""

    FROST = "frost"
    REFREEZE = "refreeze"
    LIGHT_SNOW = "light snow"
    MODERATE_SNOW = "moderate snow"
    HEAVY_SNOW = "heavy snow"
    SLEET = "sleet"
    FREEZING_RAIN = "freezing rain"


ORDER = tuple(Hazard)
FROST = ORDER.index(Hazard.FROST)
SNOW = (Hazard.LIGHT_SNOW, Hazard.MODERATE_SNOW, Hazard.HEAVY_SNOW)
#: Less water than this in an hour is no event [mm]: half a gridpoint's rounding, our own choice.
TRACE_MM = 0.05
#: Less new snow than this in an hour is no event [cm].
TRACE_SNOW_CM = 0.05
#: Frost that can be slippery: 10-20 g/m² (from memory) [mm of water].
FROST_MATTERS_MM = 0.01
#: Ice from water that froze, from which on it is a hazard [mm]; practice of road weather models,
#: from memory.
ICE_MATTERS_MM = 0.05
#: A surface this close to freezing or colder lets falling ice and snow stay [°C]: gridded
#: temperatures are whole °F, ±0.28 °C; our own choice.
STICKS_BELOW_C = 0.5


@dataclass(frozen=True)
class Thresholds:
    """The part of practice that decides what counts as an event; hashable, so it can be shared."""

    light_snow_below_cm_h: float
    heavy_snow_above_cm_h: float
    watch_probability: float
    event_gap_h: float

    @classmethod
    def of(cls, practice: Practice) -> Thresholds:
        """Take them from the rules as they stand for a surface."""
        return cls(
            practice.number("light_snow_below"),
            practice.number("heavy_snow_above"),
            practice.number("watch_probability"),
            practice.number("event_gap"),
        )


@dataclass(frozen=True)
class Ground:
    """One surface as it would be without chemical, hour by hour: arrays ``(hour, member)``.

    Attributes
    ----------
    surface_c : array
        Temperature of the pavement, mean of the hour [°C].
    frost_mm : array
        Frost on it at the end of the hour, as water [mm].
    ice_mm : array
        Ice from water that froze there, at the end of the hour [mm].
    lies_mm : array
        Water, ice and snow that lie there at the end of the hour, as water [mm].
    """

    surface_c: Array
    frost_mm: Array
    ice_mm: Array
    lies_mm: Array


def classify(series: dict[str, Array], ground: Ground, thresholds: Thresholds) -> NDArray[np.int8]:
    """Tell each hour's hazard.

    Parameters
    ----------
    series : dict of array (hour, member)
        Forecast variables of one cell; unknown (NaN) makes no hazard by itself [-].
    ground : Ground
        The surface without chemical [-].
    thresholds : Thresholds
        Snowfall rates that part light, moderate and heavy [-].

    Returns
    -------
    array of int8 (hour, member)
        -1 for none, else the place in ``Hazard`` [-].

    References
    ----------
    NCHRP Report 526, p. 6: frost when the pavement is at or below freezing and below the dew
    point (here the frost point, which is the dew point's partner over ice), once enough lies.
    FHWA-RD-95-202, App. C: light snow is less than half an inch an hour.
    """
    surface_c = ground.surface_c
    code = np.full(surface_c.shape, -1, dtype=np.int8)
    with np.errstate(invalid="ignore"):
        cold = surface_c <= STICKS_BELOW_C
        falling = np.nansum([series[name] for name in PHASES], axis=0) > TRACE_MM
        forms = (surface_c <= 0.0) & (surface_c < moist_air.frost_point_c(series["dew_point_c"]))
        frost = forms & (ground.frost_mm > FROST_MATTERS_MM) & ~falling
        rate = series["snow_depth_cm"]
        # a source may give the depth and no water, or the water and no depth
        snow = cold & ((series["snow_we_mm"] > TRACE_MM) | (rate > TRACE_SNOW_CM))
        code[frost] = FROST
        code[snow] = ORDER.index(Hazard.LIGHT_SNOW)
        code[snow & (rate >= thresholds.light_snow_below_cm_h)] = ORDER.index(Hazard.MODERATE_SNOW)
        code[snow & (rate > thresholds.heavy_snow_above_cm_h)] = ORDER.index(Hazard.HEAVY_SNOW)
        code[cold & (series["sleet_mm"] > TRACE_MM)] = ORDER.index(Hazard.SLEET)
        code[cold & (series["frz_rain_mm"] > TRACE_MM)] = ORDER.index(Hazard.FREEZING_RAIN)
    return code


def member_error_dc(forecast: Forecast, cell: int) -> Array:
    """Error of a member's surface temperatures, (hour,) [K].

    Of one member alone all that is known of such errors, which grow with the lead; several have
    the weather's between them, and what is left is the pavement model's own.
    """
    place = forecast.cells[cell]
    night = _nights(forecast.start, forecast.hours, place.latitude_deg, place.longitude_deg)
    if forecast.members > 1:
        return model_error_dc(night)
    return surface_error_dc(np.arange(forecast.hours), night)


@lru_cache(maxsize=1)  # the surfaces of a site come one after the other
def _nights(
    start: datetime, hours: int, latitude_deg: float, longitude_deg: float
) -> NDArray[np.bool_]:
    starts = [start + timedelta(hours=hour) for hour in range(hours)]
    return is_night(starts, latitude_deg, longitude_deg)


def chances(
    hazards: NDArray[np.int8], series: dict[str, Array], surface_c: Array, error_dc: Array
) -> Array:
    """Probability of any hazard in each hour of each member (hour, member).

    Falling hazards: the source's own probability of precipitation, which is
    taken as certain where the source does not give one. Frost: the chance that the surface is
    below both freezing and the frost point, given its error.
    """
    falls = hazards > FROST
    pop = np.where(np.isfinite(series["pop"]), series["pop"], 1.0)
    frost = frost_chance(surface_c, series["dew_point_c"], error_dc[:, None])
    return np.where(falls, pop, np.nan_to_num(frost))


def watched(
    hazards: NDArray[np.int8], chance: Array, watch_probability: float
) -> list[Hazard | None]:
    """Tell what each hour is watched for: the commonest that falls, else frost, else nothing."""
    falls = hazards > FROST
    storm = np.where(falls, chance, 0.0).mean(axis=1) >= watch_probability
    frost = np.where(falls, 0.0, chance).mean(axis=1) >= watch_probability
    counts = np.stack([(hazards == code).sum(axis=1) for code in range(len(ORDER))], axis=1)
    frost &= counts[:, FROST] > 0
    counts[:, FROST] = 0
    codes = np.where(storm & falls.any(axis=1), counts.argmax(axis=1), np.where(frost, FROST, -1))
    return [None if code < 0 else ORDER[code] for code in codes.tolist()]


def refrozen(
    hazards: NDArray[np.int8], series: dict[str, Array], ground: Ground, error_dc: Array
) -> tuple[NDArray[np.bool_], Array]:
    """Tell where ice from water lies while nothing falls, and how likely it is.

    Parameters
    ----------
    hazards : array of int8 (hour, member)
        Of each hour [-].
    series : dict of array (hour, member)
        Forecast variables of one cell [-].
    ground : Ground
        The surface without chemical [-].
    error_dc : array (hour,)
        Error of a member's surface temperature [K].

    Returns
    -------
    array of bool (hour, member)
        Whether it lies there.
    array (hour, member)
        That the surface is below freezing, and that the water fell at all [-].
    """
    icy = (ground.ice_mm > ICE_MATTERS_MM) & (hazards < 0)
    water_mm = np.nansum([series[name] for name in PHASES], axis=0)
    pop = np.where(np.isfinite(series["pop"]), series["pop"], 1.0)
    fell = np.maximum.accumulate(np.where(water_mm > 0.0, pop, 0.0), axis=0)
    fell = np.where(fell > 0.0, fell, 1.0)  # water that was there before is there
    frozen = np.nan_to_num(normal(-ground.surface_c / error_dc[:, None]))
    return icy, np.where(icy, fell * frozen, 0.0)
