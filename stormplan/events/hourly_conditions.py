"""Conditions of the hours ahead, of many surfaces at once: arrays ``(hour, column, member)``.

What members say of each hour: its hazards and their chances, how sure the surface is known, and
what is typical of it. Events are found in these, column by column, next door.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.events.ensemble_stats import MemberSeries, fill_unknown, median
from stormplan.events.hazards import (
    FROST_CODE,
    SEVERITY_ORDER,
    Hazard,
    HazardThresholds,
    HazardWeather,
    SurfaceSeries,
    governing_hazard,
    hazard_codes,
    hazard_probability,
    member_error_k,
    refreeze_mask,
)
from stormplan.physics.ensemble import P10_P90, frost_probability
from stormplan.physics.normal_distribution import mixture_quantiles, normal_cdf
from stormplan.weather.forecast import PRECIP_TYPES, Forecast


class Hour(NamedTuple):
    """Conditions of one hour on one column; NaN where not known.

    The surface lies between ``surface_p10_c`` and ``surface_p90_c`` four times in five;
    ``prob_below_freezing`` and ``prob_frost`` are the chances that it is below freezing, and the
    frost point too.
    """

    start: datetime
    air_c: float
    dew_point_c: float
    surface_c: float
    wind_ms: float
    rain_mm: float
    snowfall_swe_mm: float
    snowfall_cm: float
    freezing_rain_mm: float
    sleet_mm: float
    pop: float
    surface_water_mm: float
    blowing_snow: bool
    surface_p10_c: float
    surface_p90_c: float
    prob_below_freezing: float
    prob_frost: float
    hazard: Hazard | None
    cloud_frac: float = math.nan
    air_mean_c: float = math.nan
    night_offset_k: float = math.nan

    @property
    def precip_mm(self) -> float:
        """Precipitation of all types as water [mm]; NaN if none is known."""
        total = self.rain_mm + self.snowfall_swe_mm + self.freezing_rain_mm + self.sleet_mm
        if total == total:  # the usual hour, in which all types are known
            return total
        parts = [self.rain_mm, self.snowfall_swe_mm, self.freezing_rain_mm, self.sleet_mm]
        known = [part for part in parts if not math.isnan(part)]
        return sum(known) if known else math.nan


def refreeze_of(
    forecast: Forecast, cells: IntArray, surface: SurfaceSeries, thresholds: HazardThresholds
) -> tuple[BoolArray, Array, Array]:
    """Return where refrozen ice lies on columns, its chance, and the error of the surface.

    Arrays ``(hour, column, member)`` twice [-], and ``(hour, column)`` [K].
    """
    weather = HazardWeather.over(forecast, cells, thresholds)
    hazards = hazard_codes(weather, surface, thresholds)
    error_k = member_error_k(forecast, cells, surface)
    icy, chance = refreeze_mask(hazards, weather, surface, error_k, thresholds.hazardous_ice_mm)
    return icy, chance, error_k


@dataclass(frozen=True)
class HourlyConditions:
    """What is known of the hours of some columns, under one set of thresholds.

    Attributes
    ----------
    error_k : array (hour, column)
        Error of a member's surface temperature [K].
    refreeze_likely, refreeze_common : array of bool (hour, column)
        Whether refrozen ice is watched for, and whether it lies in most of the members too.
    members, storm, refreeze : MemberSeries
        Of all hazards, of what falls, and of ice without precipitation; (hour, column, member).
    hours : tuple of tuple of Hour
        By column.
    """

    error_k: Array
    refreeze_likely: BoolArray
    refreeze_common: BoolArray
    members: MemberSeries
    storm: MemberSeries
    refreeze: MemberSeries
    hours: tuple[tuple[Hour, ...], ...]

    @classmethod
    def of(
        cls,
        forecast: Forecast,
        cells: IntArray,
        surface: SurfaceSeries,
        thresholds: HazardThresholds,
    ) -> HourlyConditions:
        """Return the conditions of columns, each over a cell (column,), surface stacked."""
        weather = HazardWeather.over(forecast, cells, thresholds)
        hazards = hazard_codes(weather, surface, thresholds)
        error_k = member_error_k(forecast, cells, surface)
        frost = frost_probability(surface.surface_c, weather.frost_point_c, error_k[..., None])
        chance = hazard_probability(hazards, weather.pop, frost, surface.observed.snow_seen)
        governing = governing_hazard(hazards, chance, thresholds.monitor_probability)
        members = MemberSeries(
            weather.precip_mm,
            weather.snowfall_cm,
            fill_unknown(surface.surface_c, np.inf),
            chance,
            hazards >= 0,
        )
        # a storm is as likely as what falls; frost beside it is no part of it
        falls = hazards > FROST_CODE
        storm = replace(members, hazard_probability=np.where(falls, chance, 0.0), present=falls)
        icy, chance = refreeze_mask(hazards, weather, surface, error_k, thresholds.hazardous_ice_mm)
        refreeze = replace(members, hazard_probability=chance, present=icy)
        prob_frost = frost.mean(axis=-1)
        hours = _hours(forecast, cells, surface, error_k, prob_frost, governing)
        likely = chance.mean(axis=-1) >= thresholds.monitor_probability
        common = likely & (icy.mean(axis=-1) > 0.5)
        return cls(error_k, likely, common, members, storm, refreeze, hours)


def _hours(
    forecast: Forecast,
    cells: IntArray,
    surface: SurfaceSeries,
    error_k: Array,
    prob_frost: Array,
    governing: IntArray,
) -> tuple[tuple[Hour, ...], ...]:
    """Return the hours of each column."""
    observed, none_known = surface.observed, np.full(error_k.shape, np.nan)
    spread_k = error_k[..., None]
    quantiles_c = mixture_quantiles(surface.surface_c, spread_k, P10_P90)
    of_cell = _typical_weather(forecast)
    by_column: dict[str, NDArray[Any]] = {
        **{name: values[:, cells] for name, values in of_cell.items()},
        "surface_c": median(surface.surface_c),
        "surface_water_mm": median(surface.surface_water_mm),
        "surface_p10_c": quantiles_c[0],
        "surface_p90_c": quantiles_c[1],
        "prob_below_freezing": normal_cdf(-surface.surface_c / spread_k).mean(axis=-1),
        "prob_frost": prob_frost,
        "air_mean_c": none_known if observed.air_mean_c is None else observed.air_mean_c,
        "night_offset_k": none_known
        if observed.night_offset_k is None
        else observed.night_offset_k,
    }
    lists = {name: values.T.tolist() for name, values in by_column.items()}
    lists["hazard"] = [
        [None if code < 0 else SEVERITY_ORDER[code] for code in codes]
        for codes in governing.T.tolist()
    ]
    ordered = [lists[name] for name in Hour._fields[1:]]
    return tuple(
        tuple(map(Hour._make, zip(forecast.hour_starts, *of_column, strict=True)))
        for of_column in zip(*ordered, strict=True)
    )


def _typical_weather(forecast: Forecast) -> dict[str, NDArray[Any]]:
    """Return what is typical of the weather over each cell, (hour, cell), by field of ``Hour``."""

    def known(name: str, values: Array) -> Array:
        return np.where(forecast.unknown.get(name, False), np.nan, values)

    def of_control(name: str) -> Array:  # medians by type lose water near freezing
        return known(name, forecast[name][:, :, 0])

    return {
        "air_c": median(forecast["air_temp_c"]),
        "dew_point_c": median(forecast["dew_point_c"]),
        "wind_ms": median(forecast["wind_10m_ms"]),
        "blowing_snow": median(forecast["blowing_snow"]) > 0.5,
        **{name: of_control(name) for name in (*PRECIP_TYPES, "snowfall_cm")},
        "pop": known("pop", forecast["pop"].mean(axis=2)),
        "cloud_frac": median(forecast["cloud_frac"]),
    }
