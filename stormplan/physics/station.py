"""Pavement and film hour by hour from the hourly weather of one place.

A value stands at the start of its hour; radiation and precipitation are those of the hour that
starts there. After a gap in what drives the pavement it starts anew, bare and dry.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise

import numpy as np

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.company.catalog import BUILD_UPS, SURFACE_CLASSES
from stormplan.errors import InputError
from stormplan.liquids.blend import Liquid
from stormplan.liquids.hydrometer import REFERENCE_C
from stormplan.numerics import HOUR
from stormplan.physics import ensemble, night_error, night_readings, surface_simulation
from stormplan.physics.bias_correction import PavementReading, is_night
from stormplan.physics.ensemble import SurfaceUncertainty
from stormplan.physics.film import Applications, PlowPasses
from stormplan.physics.film_condition import FilmCondition
from stormplan.physics.forcing import ClearSky, clear_sky
from stormplan.physics.hour_weather import split_precipitation
from stormplan.physics.night_error import NightError, ReadErrors
from stormplan.physics.pavement import Column, Columns
from stormplan.weather import infill
from stormplan.weather.forecast import VARIABLES, CellForecast, Forecast, stack

#: Seen by a build-up that is named without a class: an open lot's.
OPEN_LOT_SKY_VIEW_FRAC = SURFACE_CLASSES["asphalt_lot"].sky_view_frac
MAX_DEPTH_M = 2.0
TEMPERATURES = ("surface_c", "surface_min_c", "skin_c")
FILM_VARIABLES = ("water_mm", "ice_mm", "frost_mm", "snow_mm", "ice_frac", "freeze_point_c")
RADIATION_VARIABLES = ("sw_down_wm2", "lw_down_wm2")


@dataclass(frozen=True)
class LiquidDose:
    """Liquid put down at the start of an hour of the table [L/m²]."""

    hour: int
    liquid: Liquid
    rate_l_m2: float


@dataclass(frozen=True)
class PlowPassAt:
    """Pass of a plow at the start of an hour of the table; snow left behind, as water [mm]."""

    hour: int
    residual_mm: float


@dataclass(frozen=True)
class StationResult:
    """Pavement and film of one place, hour by hour; NaN where the weather is not known.

    Attributes
    ----------
    values : dict of array (hour,)
        By the names of ``TEMPERATURES``, ``FILM_VARIABLES`` and ``RADIATION_VARIABLES``, and
        ``salt_g_m2`` of all chlorides [unit of the name].
    temp_at_depth_c : array (depth, hour)
        Temperature at the depths asked for [°C].
    condition : array of int (hour,)
        A ``FilmCondition``.
    modeled : dict of array of bool (hour,)
        By name of ``VARIABLES``: where a value that was used is modeled.
    known : array of bool (hour,)
        Where everything that drives the pavement is known.
    uncertainty : SurfaceUncertainty or None
        Each array (hour,); None where no leads were given.
    night_offset_k : array (hour,) or None
        What readings of earlier hours moved the surface by; None without any reading [K].
    """

    values: dict[str, Array]
    temp_at_depth_c: Array
    condition: IntArray
    modeled: dict[str, BoolArray]
    known: BoolArray
    uncertainty: SurfaceUncertainty | None = None
    night_offset_k: Array | None = None


def class_column(
    surface: str, sky_view_frac: float | None = None, wind_factor: float = 1.0
) -> Column:
    """Return the column of a class of surface.

    Parameters
    ----------
    surface : str
        A key of ``SURFACE_CLASSES`` or of ``BUILD_UPS``.
    sky_view_frac : float, optional
        Fraction of the sky that the surface sees; the class's own without it [-].
    wind_factor : float
        Wind at the surface over that of the weather [-].

    Raises
    ------
    InputError
        No such surface, or a number that cannot be.
    """
    if surface not in SURFACE_CLASSES and surface not in BUILD_UPS:
        accepted = ", ".join(dict.fromkeys((*SURFACE_CLASSES, *BUILD_UPS)))
        raise InputError(f"surface '{surface}' is not known; accepted: {accepted}")
    seen, build_up = OPEN_LOT_SKY_VIEW_FRAC, surface
    if surface in SURFACE_CLASSES:
        seen, build_up = SURFACE_CLASSES[surface].sky_view_frac, SURFACE_CLASSES[surface].build_up
    seen = seen if sky_view_frac is None else sky_view_frac
    if not 0.0 < seen <= 1.0:
        raise InputError(f"sky_view_frac {seen} is not usable; accepted: above 0, up to 1")
    if not 0.0 <= wind_factor <= 2.0:
        raise InputError(f"wind_factor {wind_factor} is not usable; accepted: 0 to 2")
    return Column(0, BUILD_UPS[build_up], seen, wind_factor)


def check_place(latitude_deg: float, longitude_deg: float) -> None:
    """Raise ``InputError`` where a latitude and longitude [°] are no place."""
    if not (-90.0 <= latitude_deg <= 90.0 and -180.0 <= longitude_deg <= 180.0):
        raise InputError(
            f"latitude {latitude_deg}, longitude {longitude_deg} is not a place; accepted: -90 to "
            "90 and -180 to 180, west negative"
        )


def check_depths(depths_m: Sequence[float]) -> None:
    """Raise ``InputError`` where a depth [m] is none the pavement model reaches."""
    for depth in depths_m:
        if not 0.0 <= depth <= MAX_DEPTH_M:
            raise InputError(f"depths_m: {depth} is not usable; accepted: 0 to {MAX_DEPTH_M:g} m")


def clear_sky_over(cell: CellForecast) -> ClearSky:
    """Return clear-sky irradiance in the hours of a forecast, one cell."""
    return clear_sky(stack([cell], cell.start, cell.n_hours))


def fill_missing(cell: CellForecast) -> tuple[CellForecast, dict[str, BoolArray]]:
    """Return a forecast with stand-ins for what it lacks, and where they are, each (hour,).

    Parameters
    ----------
    cell : CellForecast
        Of one member, as given: nothing derived.
    """
    given = {name: array[:, 0] for name, array in cell.values.items()}
    values, filled = infill.fill_missing(given, clear_sky_over(cell).ghi_wm2[:, 0])
    return replace(
        cell, values={name: array[:, None] for name, array in values.items()}, flags={}
    ), filled


def known_hours(cell: CellForecast) -> BoolArray:
    """Return whether everything that drives the pavement is known, (hour,)."""
    weather = stack([cell], cell.start, cell.n_hours)
    here = {name: weather[name][:, 0, 0] for name in VARIABLES}
    falls = split_precipitation(weather)
    drivers = [here["air_temp_c"], here["dew_point_c"], here["wind_10m_ms"]]
    drivers += [a[:, 0, 0] for a in (falls.liquid_mm, falls.snow_mm, falls.sleet_mm)]
    radiation = np.isfinite(here["cloud_frac"])
    radiation |= np.isfinite(here["sw_down_wm2"]) & np.isfinite(here["lw_down_wm2"])
    return np.asarray(np.isfinite(drivers).all(axis=0) & radiation)


def simulate_station(
    cell: CellForecast,
    modeled: dict[str, BoolArray],
    column: Column,
    treatments: Sequence[LiquidDose | PlowPassAt] = (),
    *,
    depths_m: Sequence[float] = (),
    lead_h: Array | None = None,
    readings: Sequence[PavementReading] = (),
    max_reading_error_k: float = night_error.DEFAULT_MAX_ERROR_K,
) -> StationResult:
    """Simulate pavement and film through the hours of one place.

    Parameters
    ----------
    cell : CellForecast
        Hourly weather of one member.
    modeled : dict of array of bool (hour,)
        By name of ``VARIABLES``: where its values are modeled.
    column : Column
        The surface.
    treatments : sequence of LiquidDose or PlowPassAt
        What is done, in hours whose weather is known.
    depths_m : sequence of float
        Depths to report [m].
    lead_h : array (hour,), optional
        How far ahead each hour was forecast; asks for the uncertainty [h].
    readings : sequence of PavementReading
        Of the surface; those by night, in shade and in measured hours correct the hours after
        theirs.
    max_reading_error_k : float
        A reading further from the model is not learned from [K].
    """
    known = known_hours(cell)
    result = _blank_result(
        known,
        modeled,
        len(depths_m),
        with_uncertainty=lead_h is not None,
        with_readings=bool(readings),
    )
    counted = night_readings.select_night_readings(
        readings, cell.latitude_deg, cell.longitude_deg, _measured_until(cell, lead_h)
    )
    read_errors = night_error.NO_READ_ERRORS
    for first, last in known_runs(known):
        hours = slice(first, last)
        weather = stack([cell], cell.start + first * HOUR, last - first)
        if lead_h is not None:
            weather = ensemble.make_ensemble(weather, lead_h[hours])
        due = _due_within(treatments, first, last)
        for part in _simulate_parts(
            weather, column, due, depths_m, counted, read_errors, max_reading_error_k
        ):
            part_hours = slice(first + part.hours.start, first + part.hours.stop)
            _record(result, part_hours, part)
            if result.uncertainty is not None:
                _record_uncertainty(result.uncertainty, part_hours, weather, part)
            read_errors = part.read_errors
    return result


def _measured_until(cell: CellForecast, lead_h: Array | None) -> datetime:
    """Return the moment from which on hours are forecast, or their end."""
    if lead_h is None or not (lead_h > 0.0).any():
        return cell.start + cell.n_hours * HOUR
    first = int(np.argmax(lead_h > 0.0))
    return cell.start + (first - float(lead_h[first])) * HOUR


@dataclass(frozen=True)
class StationPart:
    """Hours simulated with the same knowledge of the surface's nights.

    Attributes
    ----------
    hours : slice
        Of the weather.
    simulation : SimulationResult
        From its first hour on.
    known : NightError or None
        What readings before it say; None before any.
    features : array (hour, feature)
        As ``night_error.night_features`` has them.
    read_errors : ReadErrors
        Errors that readings found up to its end.
    """

    hours: slice
    simulation: surface_simulation.SimulationResult
    known: NightError | None
    features: Array
    read_errors: ReadErrors


def _simulate_parts(
    weather: Forecast,
    column: Column,
    due: Sequence[LiquidDose | PlowPassAt],
    depths_m: Sequence[float],
    readings: Sequence[PavementReading],
    read_errors: ReadErrors,
    max_error_k: float,
) -> Iterator[StationPart]:
    """Yield the parts of a run of hours, each corrected by the readings of hours before it."""
    air_mean_c = np.median(night_error.air_mean_c(weather["air_temp_c"][:, 0]), axis=1)
    read_hours = night_readings.hours_since(weather.start, readings)
    ends = {hour + 1 for hour in read_hours if 0 <= hour < weather.n_hours}
    restart = None
    for first, last in pairwise(sorted({0, *ends, weather.n_hours})):
        hours, start = slice(first, last), weather.hour_start(first)
        known = night_readings.learn_by(start, read_errors, max_error_k)
        columns = Columns.from_records([replace(column, night_error=known)])
        inside = _due_within(due, first, last)
        simulation = surface_simulation.simulate(
            weather, columns, _applications(inside), _plow_passes(inside),
            depths_m=tuple(depths_m),
            restart_from=None if restart is None else restart.with_columns(columns),
            end_hour=last,
        )  # fmt: skip
        restart = simulation.restart_state
        modeled_c = simulation.surface_c[:, 0] - _night_offset_k(simulation)
        features = night_readings.median_features(
            weather["cloud_frac"][hours, 0], modeled_c, weather["air_temp_c"][hours, 0],
            air_mean_c[hours],
        )  # fmt: skip
        read_errors = read_errors.append(
            night_readings.find_errors(readings, start, np.median(modeled_c, axis=1), features)
        )
        yield StationPart(hours, simulation, known, features, read_errors)


def _night_offset_k(simulation: surface_simulation.SimulationResult) -> Array:
    """Return what readings moved the one column by, (hour, member) [K]."""
    if simulation.night_offset_k is None:
        return np.zeros_like(simulation.surface_c[:, 0])
    return simulation.night_offset_k[:, 0]


def _due_within(
    treatments: Sequence[LiquidDose | PlowPassAt], first: int, last: int
) -> list[LiquidDose | PlowPassAt]:
    """Return the treatments of some hours, counted from the first of them."""
    return [replace(one, hour=one.hour - first) for one in treatments if first <= one.hour < last]


def _blank_result(
    known: BoolArray,
    modeled: dict[str, BoolArray],
    n_depths: int,
    *,
    with_uncertainty: bool,
    with_readings: bool,
) -> StationResult:
    def blank() -> Array:
        return np.full(known.size, np.nan)

    none = np.zeros(known.size, dtype=bool)
    names = (*TEMPERATURES, *FILM_VARIABLES, *RADIATION_VARIABLES, "salt_g_m2")
    return StationResult(
        values={name: blank() for name in names},
        temp_at_depth_c=np.full((n_depths, known.size), np.nan),
        condition=np.full(known.size, int(FilmCondition.UNKNOWN), dtype=np.intp),
        modeled={name: modeled.get(name, none) & known for name in VARIABLES},
        known=known,
        uncertainty=SurfaceUncertainty(blank(), blank(), blank(), blank())
        if with_uncertainty
        else None,
        night_offset_k=blank() if with_readings else None,
    )


def _record(result: StationResult, hours: slice, part: StationPart) -> None:
    """Write a part, of its control member, into hours of a result."""
    here, in_weather = (slice(None), 0, 0), (part.hours, 0, 0)
    simulation = part.simulation
    film, radiation = simulation.film, simulation.radiation
    for name in TEMPERATURES:
        result.values[name][hours] = getattr(simulation, name)[here]
    for name in FILM_VARIABLES:
        result.values[name][hours] = getattr(film, name)[here]
    for name in RADIATION_VARIABLES:
        result.values[name][hours] = getattr(radiation, name)[in_weather]
    result.values["salt_g_m2"][hours] = 1000.0 * film.salts_kg_m2[(slice(None), *here)].sum(axis=0)
    for place in range(result.temp_at_depth_c.shape[0]):
        result.temp_at_depth_c[place, hours] = simulation.temp_at_depth_c[(place, *here)]
    result.condition[hours] = film.condition[here]
    result.modeled["sw_down_wm2"][hours] |= radiation.sw_modeled[in_weather]
    result.modeled["lw_down_wm2"][hours] |= radiation.lw_modeled[in_weather]
    if result.night_offset_k is not None:
        result.night_offset_k[hours] = np.median(_night_offset_k(simulation), axis=1)


def _record_uncertainty(
    uncertainty: SurfaceUncertainty,
    hours: slice,
    weather: Forecast,
    part: StationPart,
) -> None:
    """Write interval and probabilities of a part's surface temperature into hours of a result."""
    (cell,) = weather.cells
    starts, place = weather.hour_starts[part.hours], (cell.latitude_deg, cell.longitude_deg)
    error_k = (
        ensemble.model_error_k(
            is_night(starts, *place), part.features[:, night_error.SURFACE_MINUS_AIR]
        )
        if part.known is None
        else night_readings.read_model_error_k(part.known, starts, *place, part.features)
    )
    found = ensemble.surface_uncertainty(
        part.simulation.surface_c[:, 0], weather["dew_point_c"][part.hours, 0], error_k
    )
    uncertainty.p10_c[hours] = found.p10_c
    uncertainty.p90_c[hours] = found.p90_c
    uncertainty.prob_below_freezing[hours] = found.prob_below_freezing
    uncertainty.prob_frost[hours] = found.prob_frost


def known_runs(known: BoolArray) -> list[tuple[int, int]]:
    """Return runs of known hours as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    return [(int(first), int(last)) for first, last in edges.reshape(-1, 2)]


def _applications(due: Sequence[LiquidDose | PlowPassAt]) -> Applications | None:
    doses = [one for one in due if isinstance(one, LiquidDose)]
    if not doses:
        return None
    return Applications.from_liquid(
        np.array([one.hour for one in doses], dtype=np.intp),
        np.zeros(len(doses), dtype=np.intp),
        np.array([one.liquid.salts_frac for one in doses]).T,
        np.array([one.rate_l_m2 for one in doses]),
        np.array([one.liquid.density_kg_m3(REFERENCE_C) / 1000.0 for one in doses]),
        np.array([one.liquid.inert_frac for one in doses]),
    )


def _plow_passes(due: Sequence[LiquidDose | PlowPassAt]) -> PlowPasses | None:
    return PlowPasses.from_rows(
        [(one.hour, 0, one.residual_mm) for one in due if isinstance(one, PlowPassAt)]
    )
