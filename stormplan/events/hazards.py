"""Surface hazards by hour and member: arrays ``(hour, member)``, or of many columns at once.

Each hour of each member is told its hazard, if any; each hazard its chance; and each hour, over the
members, what it is watched for. Runs of such hours become events next door.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.company.practice_rules import Practice
from stormplan.events.ensemble_stats import fill_unknown, median
from stormplan.physics import sun
from stormplan.physics.bias_correction import NIGHT_MAX_ELEVATION_DEG
from stormplan.physics.ensemble import model_error_k, surface_error_k
from stormplan.physics.normal_distribution import normal_cdf
from stormplan.weather import moist_air
from stormplan.weather.forecast import PRECIP_TYPES, Forecast


class Hazard(StrEnum):
    """Surface hazards, in order of severity."""

    FROST = "frost"
    REFREEZE = "refreeze"
    LIGHT_SNOW = "light snow"
    MODERATE_SNOW = "moderate snow"
    HEAVY_SNOW = "heavy snow"
    SLEET = "sleet"
    FREEZING_RAIN = "freezing rain"


SEVERITY_ORDER = tuple(Hazard)
FROST_CODE = SEVERITY_ORDER.index(Hazard.FROST)
SNOW_HAZARDS = (Hazard.LIGHT_SNOW, Hazard.MODERATE_SNOW, Hazard.HEAVY_SNOW)
#: Less water than this in an hour is no event [mm]: half a gridpoint's rounding, our own choice.
TRACE_PRECIP_MM = 0.05
#: Less freezing rain than this in an hour is no event [mm]: drizzle of 0.001 in/h glazes.
TRACE_GLAZE_MM = 0.01
#: Less new snow than this in an hour is no event [cm].
TRACE_SNOWFALL_CM = 0.05


@dataclass(frozen=True)
class HazardThresholds:
    """Thresholds that define an event; hashable."""

    light_snow_below_cm_h: float
    heavy_snow_above_cm_h: float
    monitor_probability: float
    event_gap_h: float
    warm_pavement_above_c: float
    hazardous_frost_mm: float
    hazardous_ice_mm: float
    pile_thaw_above_c: float
    pile_thaw_hours: float

    @classmethod
    def from_practice(cls, practice: Practice) -> HazardThresholds:
        """Return the thresholds of a surface's rules."""
        return cls(
            practice.number("light_snow_below"),
            practice.number("heavy_snow_above"),
            practice.number("monitor_probability"),
            practice.number("event_gap"),
            practice.number("warm_pavement_above"),
            1000.0 * practice.number("hazardous_frost"),
            1000.0 * practice.number("hazardous_ice"),
            practice.number("pile_thaw_above"),
            practice.number("pile_thaw_hours"),
        )


@dataclass(frozen=True)
class HazardWeather:
    """The weather that hazards are told from: arrays ``(hour, column, member)``.

    Attributes
    ----------
    precip_mm, snowfall_cm : array
        Water of all types, and new snow, in the hour; unknown counts as none [mm], [cm].
    pop : array
        Probability of precipitation; 1 where the source gives none [-].
    frost_point_c : array
        NaN where not known [°C].
    precip_hazard : array of int8
        Place in ``Hazard`` of what would fall on a cold pavement; -1 for none [-].
    """

    precip_mm: Array
    snowfall_cm: Array
    pop: Array
    frost_point_c: Array
    precip_hazard: NDArray[np.int8]

    @classmethod
    def over(
        cls, forecast: Forecast, cells: IntArray, thresholds: HazardThresholds
    ) -> HazardWeather:
        """Return that of columns, each over a cell (column,), worked out once a cell."""
        used, place = np.unique(cells, return_inverse=True)

        def of_cells(name: str) -> Array:
            return forecast[name][:, used]

        snowfall_cm, pop = of_cells("snowfall_cm"), of_cells("pop")
        each = cls(
            known_precip_mm([of_cells(name) for name in PRECIP_TYPES]),
            fill_unknown(snowfall_cm, 0.0),
            np.where(np.isfinite(pop), pop, 1.0),
            moist_air.frost_point_c(of_cells("dew_point_c")),
            _precip_hazard_codes(
                of_cells("snowfall_swe_mm"),
                snowfall_cm,
                of_cells("sleet_mm"),
                of_cells("freezing_rain_mm"),
                thresholds,
            ),
        )
        return cls(**{name: values.take(place, axis=1) for name, values in vars(each).items()})


def known_precip_mm(by_type: Sequence[Array]) -> Array:
    """Return the water of all types of precipitation, unknown ones as none [mm]."""
    return reduce(np.add, [fill_unknown(amount_mm, 0.0) for amount_mm in by_type])


def _precip_hazard_codes(
    snowfall_swe_mm: Array,
    snowfall_cm: Array,
    sleet_mm: Array,
    freezing_rain_mm: Array,
    thresholds: HazardThresholds,
) -> NDArray[np.int8]:
    """Return the hazard code of what falls, were the pavement cold; -1 for none.

    Light snow is less than half an inch an hour (FHWA-RD-95-202, App. C).
    """
    code = np.full(snowfall_cm.shape, -1, dtype=np.int8)
    with np.errstate(invalid="ignore"):
        # a source may give the depth and no water, or the water and no depth
        snow = (snowfall_swe_mm > TRACE_PRECIP_MM) | (snowfall_cm > TRACE_SNOWFALL_CM)
        for hazard, falls in (
            (Hazard.LIGHT_SNOW, snow),
            (Hazard.MODERATE_SNOW, snow & (snowfall_cm >= thresholds.light_snow_below_cm_h)),
            (Hazard.HEAVY_SNOW, snow & (snowfall_cm > thresholds.heavy_snow_above_cm_h)),
            (Hazard.SLEET, sleet_mm > TRACE_PRECIP_MM),
            (Hazard.FREEZING_RAIN, freezing_rain_mm > TRACE_GLAZE_MM),
        ):
            code[falls] = SEVERITY_ORDER.index(hazard)
    return code


@dataclass(frozen=True)
class SurfaceObservations:
    """What people saw on some columns, and what readings say of them.

    Attributes
    ----------
    ice_seen, snow_seen : array of bool (column, member) or bool
        In which members ice, or snow, that somebody saw lies there now.
    seen_just_now : array of bool (column, 1) or bool
        Whether that was within the hour before now, and nothing was put down since.
    air_mean_c : array (hour, column) or None
        Mean air of the five days before [°C].
    night_offset_k : array (hour, column) or None
        What readings moved the surface by; NaN where nobody has read it [K].
    model_error_k : array (hour, column) or None
        Standard deviation of the truth around a member that readings leave; NaN for a column
        without any [K].
    """

    ice_seen: BoolArray | bool = False
    snow_seen: BoolArray | bool = False
    seen_just_now: BoolArray | bool = False
    air_mean_c: Array | None = None
    night_offset_k: Array | None = None
    model_error_k: Array | None = None

    def columns(self, which: IntArray) -> SurfaceObservations:
        """Return those of some of the columns."""

        def some(values: Any, axis: int) -> Any:
            return values.take(which, axis) if isinstance(values, np.ndarray) else values

        return SurfaceObservations(
            some(self.ice_seen, 0),
            some(self.snow_seen, 0),
            some(self.seen_just_now, 0),
            some(self.air_mean_c, 1),
            some(self.night_offset_k, 1),
            some(self.model_error_k, 1),
        )


NO_OBSERVATIONS = SurfaceObservations()


@dataclass(frozen=True)
class SurfaceSeries:
    """Some columns left to themselves: arrays ``(hour, column, member)``.

    Attributes
    ----------
    surface_c : array
        Temperature of the pavement, mean of the hour [°C].
    frost_mm : array
        Frost on it at the end of the hour, as water [mm].
    ice_mm : array
        Ice from water that froze there, at the end of the hour [mm].
    surface_water_mm : array
        Water, ice and snow that lie there at the end of the hour, as water [mm].
    held_water_mm : array or None
        Part of it that salt keeps liquid down to the coldest hour; None without salt [mm].
    observed : SurfaceObservations
        Of the columns.
    """

    surface_c: Array
    frost_mm: Array
    ice_mm: Array
    surface_water_mm: Array
    held_water_mm: Array | None = None
    observed: SurfaceObservations = NO_OBSERVATIONS

    def columns(self, which: IntArray) -> SurfaceSeries:
        """Return those of some of the columns."""
        held_mm = self.held_water_mm
        return SurfaceSeries(
            self.surface_c.take(which, axis=1),
            self.frost_mm.take(which, axis=1),
            self.ice_mm.take(which, axis=1),
            self.surface_water_mm.take(which, axis=1),
            None if held_mm is None else held_mm.take(which, axis=1),
            self.observed.columns(which),
        )


def hazard_codes(
    weather: HazardWeather, surface: SurfaceSeries, thresholds: HazardThresholds
) -> NDArray[np.int8]:
    """Return the hazard code of each hour.

    Parameters
    ----------
    weather : HazardWeather
        Over each surface; unknown (NaN) makes no hazard by itself.
    surface : SurfaceSeries
        The surface without chemical.
    thresholds : HazardThresholds
        How warm a pavement is too warm, and how much frost is a hazard.

    Returns
    -------
    array of int8 (hour, ..., member)
        -1 for none, else the place in ``Hazard`` [-].

    References
    ----------
    NCHRP Report 526, p. 6: frost when the pavement is at or below freezing and below the dew
    point (here the frost point, which is the dew point's partner over ice), once enough lies.
    """
    surface_c = surface.surface_c
    with np.errstate(invalid="ignore"):
        cold = surface_c <= thresholds.warm_pavement_above_c
        forms = (surface_c <= 0.0) & (surface_c < weather.frost_point_c)
        frost = forms & (surface.frost_mm > thresholds.hazardous_frost_mm)
    frost &= weather.precip_mm <= TRACE_PRECIP_MM
    code = np.where(cold, weather.precip_hazard, np.int8(-1))
    code[frost & (code < 0)] = FROST_CODE
    code[0][(code[0] < 0) & surface.observed.snow_seen] = SEVERITY_ORDER.index(Hazard.LIGHT_SNOW)
    return code


def nights(forecast: Forecast) -> BoolArray:
    """Return in which hours the sun is down over each cell, (hour, cell)."""
    starts = [start.replace(tzinfo=None) for start in forecast.hour_starts]
    elevation_deg = sun.elevation_deg(
        np.array(starts, dtype="datetime64[ms]"),
        [cell.latitude_deg for cell in forecast.cells],
        [cell.longitude_deg for cell in forecast.cells],
    )
    return np.asarray(elevation_deg < NIGHT_MAX_ELEVATION_DEG)


def member_error_k(forecast: Forecast, cells: IntArray, surface: SurfaceSeries) -> Array:
    """Return the standard error of a member's surface temperature, (hour, column) [K].

    Of one member alone all that is known of such errors, which grow with the lead; several have
    the weather's between them, and what is left is the pavement model's own, as far as readings
    leave it.
    """
    night = nights(forecast)[:, cells]
    above_air_k = np.nan_to_num(
        median(surface.surface_c - forecast["air_temp_c"].take(cells, axis=1))
    )
    if forecast.n_members == 1:
        return surface_error_k(np.arange(forecast.n_hours)[:, None], night, above_air_k)
    unread_k = model_error_k(night, above_air_k)
    read_k = surface.observed.model_error_k
    return unread_k if read_k is None else np.where(np.isnan(read_k).all(axis=0), unread_k, read_k)


def hazard_probability(
    hazards: NDArray[np.int8], pop: Array, frost: Array, snow_seen: BoolArray | bool
) -> Array:
    """Return the probability of a hazard in each hour of each member, (hour, ..., member).

    Falling hazards: the source's own probability of precipitation; snow that was seen is certain.
    Frost: the chance that the surface is below both freezing and the frost point, given its error.
    """
    falls = hazards > FROST_CODE
    chance = np.where(falls, pop, np.nan_to_num(frost))
    chance[0] = np.where(snow_seen, 1.0, chance[0])
    return chance


def governing_hazard(
    hazards: NDArray[np.int8], probability: Array, monitor_probability: float
) -> IntArray:
    """Return each hour's governing hazard: most frequent precipitation, else frost, else none.

    As codes, (hour, ...): -1 for none, else the place in ``Hazard`` [-].
    """
    falls = hazards > FROST_CODE
    storm = np.where(falls, probability, 0.0).mean(axis=-1) >= monitor_probability
    frost = np.where(falls, 0.0, probability).mean(axis=-1) >= monitor_probability
    counts = np.stack(
        [(hazards == code).sum(axis=-1) for code in range(len(SEVERITY_ORDER))], axis=-1
    )
    frost &= counts[..., FROST_CODE] > 0
    counts[..., FROST_CODE] = 0
    return np.where(
        storm & falls.any(axis=-1), counts.argmax(axis=-1), np.where(frost, FROST_CODE, -1)
    )


def _chance_of_water(
    water_mm: Array, pop: Array, surface_water_mm: Array, hazardous_ice_mm: float
) -> Array:
    """Return the chance that the water on the surface is there, (hour, ..., member).

    Water that nothing brought in these hours, or that lay there when the first of it fell, was
    there before and is certain; what falls on a dry surface is as likely as it falls, also where
    that is not at all.
    """
    falls = water_mm > 0.0
    before_mm = np.vstack([surface_water_mm[:1] - water_mm[:1], surface_water_mm[:-1]])
    fell = np.logical_or.accumulate(falls, axis=0)
    is_first = falls & ~np.vstack([np.zeros_like(fell[:1]), fell[:-1]])
    lay_there = np.logical_or.accumulate(is_first & (before_mm > hazardous_ice_mm), axis=0)
    brought = np.maximum.accumulate(np.where(falls, pop, 0.0), axis=0)
    return np.where(fell & ~lay_there, brought, 1.0)


def refreeze_mask(
    hazards: NDArray[np.int8],
    weather: HazardWeather,
    surface: SurfaceSeries,
    error_k: Array,
    hazardous_ice_mm: float,
) -> tuple[BoolArray, Array]:
    """Return where refrozen ice lies without precipitation, and its probability.

    Parameters
    ----------
    hazards : array of int8 (hour, ..., member)
        Of each hour [-].
    weather : HazardWeather
        Over each surface.
    surface : SurfaceSeries
        The surface without chemical.
    error_k : array (hour, ...)
        Error of a member's surface temperature [K].
    hazardous_ice_mm : float
        Ice from which on it is a hazard, as water [mm].

    Returns
    -------
    array of bool (hour, ..., member)
        Whether it lies there.
    array (hour, ..., member)
        That the surface is below freezing, and that the water fell at all; 1 for ice that was
        seen, while it lies there [-].
    """
    icy = (surface.ice_mm > hazardous_ice_mm) & (hazards < 0)
    lying_mm = surface.surface_water_mm
    if surface.held_water_mm is not None:  # brine by itself does not freeze: what falls on it may
        lying_mm = lying_mm - surface.held_water_mm
    fell = _chance_of_water(weather.precip_mm, weather.pop, lying_mm, hazardous_ice_mm)
    frozen = np.nan_to_num(normal_cdf(-surface.surface_c / error_k[..., None]))
    chance = np.where(icy, fell * frozen, 0.0)
    # ice that was seen is there now if the model's own error lets it be, and is certain for as long
    # as the model has it lie there
    may_be_frozen = surface.observed.seen_just_now | (surface.surface_c[0] <= error_k[0][..., None])
    icy[0] |= surface.observed.ice_seen & may_be_frozen & (hazards[0] < 0)
    chance[np.logical_and.accumulate(icy, axis=0) & surface.observed.ice_seen] = 1.0
    return icy, chance
