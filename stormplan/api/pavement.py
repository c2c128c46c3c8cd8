"""Pavement temperature and film of one surface, as a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from stormplan.api.liquids import EUTECTIC_PCT
from stormplan.api.weather_table import aware_utc, forecast_from_dataframe, read_table
from stormplan.arrays import BoolArray
from stormplan.errors import InputError
from stormplan.liquids import blend as blends
from stormplan.numerics import HOUR
from stormplan.physics import station
from stormplan.physics.film_condition import FilmCondition
from stormplan.weather.forecast import VARIABLES, CellForecast


@dataclass(frozen=True)
class LiquidApplication:
    """Application of a liquid to the pavement, at the start of the hour it falls in.

    Attributes
    ----------
    time : datetime
        Moment, with its time zone.
    rate_l_m2 : float
        Application rate; 0.5 gal/1000 ft² is 0.0204 [L/m²].
    nacl_pct, cacl2_pct, mgcl2_pct, kcl_pct, inert_pct : float
        What is in it, by weight [%].
    """

    time: datetime
    rate_l_m2: float
    nacl_pct: float = EUTECTIC_PCT
    cacl2_pct: float = 0.0
    mgcl2_pct: float = 0.0
    kcl_pct: float = 0.0
    inert_pct: float = 0.0


@dataclass(frozen=True)
class PlowPass:
    """Pass of a plow, shovel or broom, at the start of the hour it falls in.

    Attributes
    ----------
    time : datetime
        Moment, with its time zone.
    residual_mm : float
        Snow left behind, as water: 1 to 3 behind a blade, 0.5 behind a broom [mm].
    """

    time: datetime
    residual_mm: float = 2.0


def simulate_pavement(
    weather: pd.DataFrame,
    latitude: float,
    longitude: float,
    surface: str = "asphalt_lot",
    treatments: Sequence[LiquidApplication | PlowPass] = (),
    *,
    elevation_m: float = 0.0,
    sky_view_frac: float | None = None,
    wind_factor: float = 1.0,
    depths_m: Sequence[float] = (),
    fill_missing: bool = False,
) -> pd.DataFrame:
    """Simulate the temperature of a pavement and what lies on it, hour by hour.

    Parameters
    ----------
    weather : DataFrame
        Hourly weather as ``forecast_from_dataframe`` takes it. The pavement starts bare and dry;
        three days of weather before the hours of interest make it forget its start.
    latitude, longitude : float
        Place, north and east positive [°].
    surface : str
        A key of ``stormplan.company.catalog.SURFACE_CLASSES`` or of ``BUILD_UPS``.
    treatments : sequence of LiquidApplication or PlowPass
        What crews do.
    elevation_m : float
        Height of the place [m].
    sky_view_frac : float, optional
        Fraction of the sky that the surface sees; the class's own without it [-].
    wind_factor : float
        Wind at the surface over that of the table [-].
    depths_m : sequence of float
        Depths to report besides the surface, 0 to 2 [m].
    fill_missing : bool
        Model what the table lacks from published stand-ins (``stormplan.weather.infill``), blank
        precipitation counted as none, and say so in the column ``modeled``.

    Returns
    -------
    DataFrame
        On the index of ``weather``. ``surface_c``, ``surface_min_c`` and ``skin_c``: pavement
        surface, mean and lowest of the hour, and what meets the air [°C]; ``at_0.05m_c`` and so on
        at each depth [°C]; ``water_mm``, ``ice_mm``, ``frost_mm``, ``snow_mm``: on it at the end
        of the hour, as water [mm]; ``salt_g_m2`` [g/m²]; ``ice_frac`` of the film [-];
        ``freeze_point_c`` of the film [°C]; ``condition`` by its common name; ``sw_down_wm2`` and
        ``lw_down_wm2`` as used [W/m²]; ``modeled``, the variables that were. NaN where the weather
        is not known; after such a gap the pavement starts anew.

    Raises
    ------
    InputError
        A table, place, surface or treatment that cannot be used.

    Examples
    --------
    A clear, calm night under air of −2 °C: the surface cools below it and gathers frost.

    >>> hours = pd.date_range("2026-01-10T12:00", periods=48, freq="h", tz="America/Chicago")
    >>> weather = pd.DataFrame(
    ...     {"air_temp_c": -2.0, "dew_point_c": -3.0, "wind_10m_ms": 1.5,
    ...      "cloud_frac": 0.0, "precip_mm": 0.0}, index=hours)
    >>> result = simulate_pavement(weather, 43.1, -89.4)
    >>> result.index.equals(weather.index)
    True
    >>> bool(result["surface_min_c"].iloc[40] < -4.0)
    True
    >>> result["condition"].iloc[-6]
    'frost'
    """
    column = station.class_column(surface, sky_view_frac, wind_factor)
    station.check_depths(depths_m)
    cell = forecast_from_dataframe(weather, latitude, longitude, elevation_m=elevation_m)
    arrays = dict(cell.values)
    modeled = {
        name: (flags > 0) & np.isfinite(arrays[name][:, 0]) for name, flags in cell.flags.items()
    }
    if fill_missing:
        given = {name: array[:, None] for name, array in read_table(weather)[1].items()}
        cell, modeled = station.fill_missing(replace(cell, values=given))
    known = station.known_hours(cell)
    if not known.any():
        raise InputError(
            "no hour has all that the pavement needs: air_temp_c, dew_point_c or "
            "rel_humidity_pct, wind_10m_ms, cloud_frac (or sw_down_wm2 and lw_down_wm2), and "
            "precip_mm or its parts; fill_missing=True models all but the first"
        )
    due = [_treatment_at(one, weather.index, cell, known) for one in treatments]
    result = station.simulate_station(cell, modeled, column, due, depths_m=depths_m)
    return _result_table(result, weather.index, depths_m)


def _treatment_at(
    one: LiquidApplication | PlowPass,
    index: pd.Index[Any],
    cell: CellForecast,
    known: BoolArray,
) -> station.LiquidDose | station.PlowPassAt:
    """Return a treatment at its hour, or raise if it is none, or in no hour that is known."""
    if not isinstance(one, (LiquidApplication, PlowPass)):
        raise InputError(
            f"treatments: {one!r} is not a treatment; accepted: LiquidApplication, PlowPass"
        )
    label = f"treatments: {type(one).__name__} at {one.time}"
    hour = int((aware_utc(one.time, "treatments:") - cell.start) // HOUR)
    if not 0 <= hour < cell.n_hours:
        raise InputError(f"{label} is outside the table, which runs from {index[0]} to {index[-1]}")
    amount = one.rate_l_m2 if isinstance(one, LiquidApplication) else one.residual_mm
    if not 0.0 <= amount <= 100.0:
        raise InputError(f"{label}: an amount of {amount} is not usable; accepted: 0 to 100")
    if not known[hour]:
        raise InputError(f"{label} falls in an hour whose weather is not known")
    if isinstance(one, PlowPass):
        return station.PlowPassAt(hour, one.residual_mm)
    liquid = blends.make_liquid(
        {
            "nacl": one.nacl_pct / 100.0,
            "cacl2": one.cacl2_pct / 100.0,
            "mgcl2": one.mgcl2_pct / 100.0,
            "kcl": one.kcl_pct / 100.0,
        },
        one.inert_pct / 100.0,
    )
    return station.LiquidDose(hour, liquid, one.rate_l_m2)


def _result_table(
    result: station.StationResult, index: pd.Index[Any], depths_m: Sequence[float]
) -> pd.DataFrame:
    """Return a result as a table on the index of its weather."""
    arrays = dict(result.values)
    columns: dict[str, Any] = {name: arrays[name] for name in station.TEMPERATURES}
    for place, depth in enumerate(depths_m):
        columns[f"at_{depth:g}m_c"] = result.temp_at_depth_c[place]
    columns |= {name: arrays[name] for name in (*station.FILM_VARIABLES, "salt_g_m2")}
    columns["condition"] = [FilmCondition(int(code)).label for code in result.condition]
    columns |= {name: arrays[name] for name in station.RADIATION_VARIABLES}
    columns["modeled"] = [
        " ".join(name for name in VARIABLES if result.modeled[name][hour])
        for hour in range(len(index))
    ]
    return pd.DataFrame(columns, index=index)
