"""Python interface: sites, plans, pavement and brine for a notebook or another program.

Everything here is exported by the package, ``from stormplan import plan``. Tables are pandas
DataFrames with an aware hourly index; strengths are in percent by weight; everything else is SI,
with the unit in the name. What cannot be used is refused with an ``InputError`` that says where it
stands and what would be accepted.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from stormplan.arrays import Array, BoolArray
from stormplan.company import sites_file
from stormplan.company.catalog import Product
from stormplan.company.sites import Sites
from stormplan.errors import ForecastError, InputError, SitesError, StormplanError
from stormplan.liquids import batch as batches
from stormplan.liquids import blend as blends
from stormplan.liquids import brine, cold_storage, density, hydrometer
from stormplan.liquids.batch import Batch
from stormplan.numerics import HOUR
from stormplan.physics import station
from stormplan.physics.film_condition import FilmCondition
from stormplan.planning.plan import Plan
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.service import pipeline
from stormplan.store.archive import IN_MEMORY, Archive
from stormplan.weather import infill
from stormplan.weather.forecast import VARIABLES, CellForecast, no_flags
from stormplan.weather.hourly_csv import (
    lowest_valid,
    near_column_text,
    summarize_problems,
    valid_range_text,
)
from stormplan.weather.providers import quality_control
from stormplan.weather.providers.intervals import Notes

__all__ = [
    "Batch",
    "Blend",
    "CellForecast",
    "ForecastError",
    "InputError",
    "LiquidApplication",
    "Plan",
    "PlowPass",
    "Sites",
    "SitesError",
    "StormplanError",
    "batch",
    "blend",
    "brine_density_kg_m3",
    "brine_freeze_point_c",
    "brine_strength_pct",
    "demo_plan",
    "forecast_from_dataframe",
    "hydrometer_reading_sg",
    "load_sites",
    "plan",
    "read_plan",
    "simulate_pavement",
]

REFERENCE_TEMP_C = hydrometer.REFERENCE_C  # 60 °F, at which the trade measures volumes
EUTECTIC_PCT = 100.0 * brine.EUTECTIC_FRAC
#: A strength below this is nearly water, and more often a fraction that was meant in percent: the
#: strongest plain salt brine is 0.264 as a fraction.
MIN_PLAUSIBLE_STRENGTH_PCT = 0.3


# ------------------------------------------------------------------------------ plans


def load_sites(path: str | Path) -> Sites:
    """Read and check a sites file.

    Parameters
    ----------
    path : str or Path
        The YAML file.

    Returns
    -------
    Sites
        Company, yards, products, clients and sites, in SI.

    Raises
    ------
    InputError
        The file cannot be opened.
    SitesError
        Something in it is wrong; carries every problem found, each with its line.

    Examples
    --------
    >>> from importlib.resources import files
    >>> sites = load_sites(files("stormplan") / "demo" / "sites.yaml")
    >>> sites.company.timezone
    'America/Chicago'
    """
    return sites_file.load_sites(Path(path))


def plan(
    sites: Sites,
    forecasts: Mapping[str, CellForecast | pd.DataFrame] | None = None,
    now: datetime | None = None,
    *,
    folder: str | Path = ".",
    archive: str | Path = IN_MEMORY,
) -> Plan:
    """Plan every site as of a moment.

    Parameters
    ----------
    sites : Sites
        What ``load_sites`` returned.
    forecasts : mapping of str to CellForecast or DataFrame, optional
        By site key; a DataFrame is read as by ``forecast_from_dataframe``, at the place of its
        site. A site that is not in it is planned as one without a forecast. Without the argument
        the sources of the sites file are asked, which needs a network.
    now : datetime, optional
        Moment of planning, with its time zone; the present without it.
    folder : str or Path
        Where relative paths of the sites file start.
    archive : str or Path
        File that keeps replies of the sources, so that the next plan asks only for what is new;
        kept for this call alone without it.

    Returns
    -------
    Plan
        The record from which every report is rendered; ``model_dump_json`` writes it.

    Raises
    ------
    InputError
        No time zone, a site that is not in the sites file, or a table that cannot be used.
    ForecastError
        A forecast that does not cover the 24 h from ``now``.

    Examples
    --------
    A frost night for every site of the demo, from one table:

    >>> from importlib.resources import files
    >>> sites = load_sites(files("stormplan") / "demo" / "sites.yaml")
    >>> hours = pd.date_range("2026-01-12T12:00Z", periods=72, freq="h")
    >>> weather = pd.DataFrame(
    ...     {"air_temp_c": -3.0, "dew_point_c": -3.5, "wind_10m_ms": 2.0,
    ...      "cloud_frac": 0.0, "precip_mm": 0.0}, index=hours)
    >>> tonight = plan(sites, {key: weather for key in sites.sites}, now=hours[6])
    >>> tonight.verdict
    'go'
    """
    moment = datetime.now(UTC) if now is None else _aware_utc(now, "now")
    if forecasts is None:
        with Archive(archive) as store:
            return pipeline.fetch_and_plan(sites, store, moment, sites_folder=Path(folder))
    for key in forecasts:
        if key not in sites.sites:
            raise InputError(
                f"forecasts: no site '{key}' in the sites file; accepted: {', '.join(sites.sites)}"
            )
    cells = {key: _site_forecast(key, given, sites, moment) for key, given in forecasts.items()}
    return make_plan(sites, {key: SiteForecasts(cell) for key, cell in cells.items()}, moment)


def _site_forecast(
    key: str, given: CellForecast | pd.DataFrame, sites: Sites, now: datetime
) -> CellForecast:
    """Return a site's forecast, checked for the day ahead."""
    site = sites.sites[key]
    cell = (
        given
        if isinstance(given, CellForecast)
        else forecast_from_dataframe(
            given, site.latitude_deg, site.longitude_deg, name=key, issued_at=now
        )
    )
    return quality_control.require_plannable(cell, now)


def read_plan(path: str | Path) -> Plan:
    """Read a ``plan.json`` back.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    Plan
        Equal to the plan that was written.

    Raises
    ------
    InputError
        It cannot be read, or is no plan of this version.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "plan.json"
    >>> _ = path.write_text(demo_plan().model_dump_json(), encoding="utf-8")
    >>> read_plan(path).verdict
    'go'
    """
    return pipeline.read_plan(Path(path))


def demo_plan() -> Plan:
    """Return the plan of the bundled, invented company and storm; needs no network.

    Returns
    -------
    Plan
        As of 04:30 on Monday, 12 January 2026.

    Examples
    --------
    >>> demo_plan().company
    'Quillwater Winter Care (invented demo)'
    """
    return pipeline.plan_demo()


# ------------------------------------------------------------------------------ tables


def forecast_from_dataframe(
    weather: pd.DataFrame,
    latitude: float,
    longitude: float,
    *,
    elevation_m: float | None = None,
    name: str = "table",
    issued_at: datetime | None = None,
) -> CellForecast:
    """Return the forecast of one place from a table of hours.

    Parameters
    ----------
    weather : DataFrame
        One row for each hour, stamped at its start, on an aware DatetimeIndex. Columns are
        variables of the forecast under their own names (``stormplan.weather.forecast.VARIABLES``):
        ``air_temp_c`` [°C] at least; for a plan also ``dew_point_c`` [°C] or ``rel_humidity_pct``
        [%], ``wind_10m_ms`` [m/s], ``cloud_frac`` and what falls: ``precip_mm`` [mm], or
        ``rain_mm``, ``snowfall_swe_mm``, ``freezing_rain_mm`` and ``sleet_mm`` [mm]. NaN is
        unknown, never nil.
    latitude, longitude : float
        Place, north and east positive [°].
    elevation_m : float, optional
        Height of the place, for the pressure where the table has none [m].
    name : str
        What the forecast is called in plans and messages.
    issued_at : datetime, optional
        When it was made, with its time zone; the first hour without it.

    Returns
    -------
    CellForecast
        What can be derived is, and flagged: dew point from humidity, the type of precipitation
        from the wet bulb, the depth of new snow from its water.

    Raises
    ------
    InputError
        Every problem at once, each with its column, its row and what would be accepted.

    Examples
    --------
    >>> hours = pd.date_range("2026-01-12T00:00", periods=3, freq="h", tz="America/Chicago")
    >>> weather = pd.DataFrame({"air_temp_c": [-1.0, -2.0, -3.0], "dew_point_c": -4.0}, hours)
    >>> cell = forecast_from_dataframe(weather, 43.1, -89.4)
    >>> cell.start.isoformat()
    '2026-01-12T06:00:00+00:00'
    >>> forecast_from_dataframe(weather.rename(columns={"dew_point_c": "dewpoint_c"}), 43.1, -89.4)
    Traceback (most recent call last):
    ...
    stormplan.errors.InputError: column 'dewpoint_c' is no variable; did you mean 'dew_point_c'?
    """
    station.check_place(latitude, longitude)
    start, given = _read_table(weather)
    n_hours = len(weather)
    values = dict.fromkeys(VARIABLES, np.full(n_hours, np.nan)) | given
    flags = no_flags(n_hours)
    notes = Notes()
    quality_control.reconcile_humidity(values, flags, notes)
    infill.fill_standard_pressure(values, flags, elevation_m)
    infill.derive_missing(list(given), values, flags)
    issued = start if issued_at is None else _aware_utc(issued_at, "issued_at")
    return CellForecast(
        source="table",
        cell_id=name,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation_m,
        start=start,
        issued_at=issued,
        fetched_at=issued,
        values={variable: array[:, None] for variable, array in values.items()},
        flags=flags,
        notes=notes.lines(),
    )


def _read_table(weather: pd.DataFrame) -> tuple[datetime, dict[str, Array]]:
    """Return the first hour of a table and its columns as arrays, or raise for every problem."""
    start = _check_index(weather.index)
    problems: list[str] = []
    columns: dict[str, Array] = {}
    for name in weather.columns:
        if name not in VARIABLES:
            problems.append(f"column '{name}' is no variable; {near_column_text(str(name))}")
        elif isinstance(weather[name], pd.DataFrame):
            problems.append(f"column '{name}' stands more than once; give each once")
        else:
            columns[name] = _read_column(name, weather[name], problems)
    if "air_temp_c" not in columns:
        problems.append("no column 'air_temp_c'; the air temperature is needed [°C]")
    elif "dew_point_c" in columns:
        tolerance_k = quality_control.DEW_POINT_TOLERANCE_K
        too_moist = columns["dew_point_c"] > columns["air_temp_c"] + tolerance_k
        for row in np.flatnonzero(too_moist)[:1]:
            problems.append(
                f"column 'dew_point_c', row {weather.index[row]}: "
                f"{columns['dew_point_c'][row]:g} °C is above the air temperature of "
                f"{columns['air_temp_c'][row]:g} °C; accepted is up to it"
            )
    if problems:
        raise InputError(summarize_problems(list(dict.fromkeys(problems))))
    return start, columns


def _check_index(index: pd.Index[Any]) -> datetime:
    """Return the first hour of an index, aware UTC, or raise if it is not hour after hour."""
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None:
        raise InputError(
            "the index must be a DatetimeIndex with a time zone; set one with "
            "df.tz_localize('America/Chicago') or pd.to_datetime(..., utc=True)"
        )
    if index.empty or index.hasnans:
        raise InputError("the index has no hours, or one that is no time (NaT); give every hour")
    utc = index.tz_convert("UTC")
    off_hour = np.flatnonzero(utc != utc.floor("h"))
    if off_hour.size:
        raise InputError(
            f"row {index[off_hour[0]]} is not on a whole hour of UTC; resample to hours first"
        )
    uneven = np.flatnonzero(np.diff(utc.as_unit("ns").asi8) != 3_600 * 10**9)
    if uneven.size:
        before, after = index[uneven[0]], index[uneven[0] + 1]
        raise InputError(
            f"row {after} does not follow {before} by one hour; sort the rows, give each hour "
            "once, and leave hours that are not known as NaN: df.asfreq('h')"
        )
    first = utc[0].to_pydatetime()
    return first.astimezone(UTC)


def _read_column(name: str, column: pd.Series[Any], problems: list[str]) -> Array:
    """Return a column as numbers; what is none or out of range is added to the problems."""
    variable = VARIABLES[name]
    accepted = valid_range_text(name, missing="NaN")
    numbers = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    wrong = np.isnan(numbers) & column.notna().to_numpy()
    wrong |= numbers < lowest_valid(name)
    wrong |= numbers > variable.highest
    rows = np.flatnonzero(wrong)
    for row in rows[:1]:
        more = f" (and {rows.size - 1} more rows)" if rows.size > 1 else ""
        problems.append(
            f"column '{name}', row {column.index[row]}: {column.iloc[row]!r} is not usable{more}; "
            f"{accepted}"
        )
    return np.asarray(np.maximum(numbers, variable.lowest))


def _aware_utc(moment: datetime, what: str) -> datetime:
    if moment.tzinfo is None:
        raise InputError(f"{what} {moment} has no time zone; write 2026-01-12T06:00Z or -06:00")
    if isinstance(moment, pd.Timestamp):
        moment = moment.to_pydatetime()
    return moment.astimezone(UTC)


# ------------------------------------------------------------------------------ pavement


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
        given = {name: array[:, None] for name, array in _read_table(weather)[1].items()}
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
            f"treatments: {one!r} is no treatment; accepted: LiquidApplication, PlowPass"
        )
    label = f"treatments: {type(one).__name__} at {one.time}"
    hour = int((_aware_utc(one.time, "treatments:") - cell.start) // HOUR)
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


# ------------------------------------------------------------------------------ brine


def brine_freeze_point_c(
    wt_pct: ArrayLike | None = None,
    *,
    nacl: ArrayLike = 0.0,
    cacl2: ArrayLike = 0.0,
    mgcl2: ArrayLike = 0.0,
    kcl: ArrayLike = 0.0,
    inert: ArrayLike = 0.0,
) -> Any:
    """Return the freeze point of a brine: where its first solid forms, ice or salt crystal.

    Below the eutectic strength that is ice, as in a film on the pavement; above it salt crystals
    come first and warmer, as in a tank of overmade brine.

    Parameters
    ----------
    wt_pct : number, array or Series, optional
        Strength of plain salt brine by weight; the same as ``nacl`` [%].
    nacl, cacl2, mgcl2, kcl, inert : number, array or Series
        Each chloride, and solids with no freeze-point credit, by weight of the liquid [%].

    Returns
    -------
    float, array or Series
        Freeze point, in the form of the input [°C].

    Raises
    ------
    InputError
        A strength that is negative, unknown or more than water holds.

    Warns
    -----
    UserWarning
        Every strength is so low that a fraction seems to be meant.

    References
    ----------
    Zdanovskii's rule over ice lines fitted to Toner & Catling 2017 (J. Chem. Eng. Data 62, 995)
    and Marion & Kargel 2008; see ``stormplan.liquids.brine``.

    Examples
    --------
    The eutectic of salt and water, −21.1 °C at 23.3 %:

    >>> round(brine_freeze_point_c(23.3), 1)
    -21.1
    >>> brine_freeze_point_c([5.0, 10.0, 20.0]).round(1)
    array([ -3.1,  -6.6, -16.7])
    >>> round(brine_freeze_point_c(nacl=20.74, cacl2=3.51), 1)
    -15.7
    """
    composition = _Composition.read(wt_pct, nacl, cacl2, mgcl2, kcl, inert)
    point = cold_storage.first_solid_c(brine.molality(composition.salts, composition.inert))
    if np.isinf(point).any():
        raise InputError(
            "salt drops out of a solution that strong at any temperature of a tank; take less of "
            "the salts together"
        )
    return composition.like_input(point)


def brine_density_kg_m3(
    wt_pct: ArrayLike | None = None,
    temp_c: ArrayLike = REFERENCE_TEMP_C,
    *,
    nacl: ArrayLike = 0.0,
    cacl2: ArrayLike = 0.0,
    mgcl2: ArrayLike = 0.0,
    kcl: ArrayLike = 0.0,
    inert: ArrayLike = 0.0,
) -> Any:
    """Return the density of a brine.

    Parameters
    ----------
    wt_pct : number, array or Series, optional
        Strength of plain salt brine by weight; the same as ``nacl`` [%].
    temp_c : number or array
        Temperature, −30 to 50; 60 °F without it [°C].
    nacl, cacl2, mgcl2, kcl, inert : number, array or Series
        Each chloride, and solids with no freeze-point credit, by weight of the liquid [%].

    Returns
    -------
    float, array or Series
        Density, in the form of the input [kg/m³].

    Raises
    ------
    InputError
        A strength or temperature that no brine has.

    References
    ----------
    Laliberté 2009, J. Chem. Eng. Data 54, 1725.

    Examples
    --------
    >>> round(brine_density_kg_m3(23.3))
    1177
    """
    composition = _Composition.read(wt_pct, nacl, cacl2, mgcl2, kcl, inert)
    _check_temp(temp_c)
    found = density.density_kg_m3(composition.salts, np.asarray(temp_c), composition.inert)
    return composition.like_input(found)


@dataclass(frozen=True)
class _Composition:
    """Composition by mass fraction, and the form it was given in."""

    salts: Array
    inert: Array
    index: pd.Index[Any] | None

    @classmethod
    def read(cls, wt_pct: ArrayLike | None, *parts: ArrayLike) -> _Composition:
        """Return the composition of chlorides and inert solids given in percent by weight."""
        if wt_pct is not None:
            if np.any(np.asarray(parts[0])):
                raise InputError("wt_pct and nacl are the same thing; give one of them")
            parts = (wt_pct, *parts[1:])
        indexes = [part.index for part in parts if isinstance(part, pd.Series)]
        for index in indexes[1:]:
            if not index.equals(indexes[0]):
                raise InputError("the strengths are Series of different index; align them first")
        names = (*brine.CHLORIDES, "inert")
        arrays = [_percent(name, part) for name, part in zip(names, parts, strict=True)]
        *salts, inert = np.broadcast_arrays(*arrays)
        total = np.sum(salts, axis=0) + inert
        if np.any(total >= 1.0):
            raise InputError(
                f"solids of {100 * np.max(total):g} % by weight leave no water; accepted is below "
                "100 % together"
            )
        if 0.0 < 100.0 * np.max(total) < MIN_PLAUSIBLE_STRENGTH_PCT:
            warnings.warn(
                f"{100 * np.max(total):g} % by weight is nearly water; strengths are in percent, "
                f"a brine of {EUTECTIC_PCT:g} % is {EUTECTIC_PCT:g}",
                UserWarning,
                stacklevel=3,
            )
        return cls(np.stack(salts), inert, indexes[0] if indexes else None)

    def like_input(self, values: Array) -> Any:
        """Return values in the form of the input: a number, an array or a Series."""
        if self.index is not None:
            return pd.Series(values, index=self.index)
        return float(values) if np.ndim(values) == 0 else values


def _percent(name: str, given: ArrayLike) -> Array:
    """Return a percentage by weight as a fraction, or raise if no solution has it."""
    try:
        pct = np.asarray(given, dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{name} {given!r} is no number; give percent by weight") from None
    strongest = 100.0 * cold_storage.SATURATION_FRAC.get(name, 1.0)  # type: ignore[call-overload]
    wrong = ~((pct >= 0.0) & (pct <= strongest))
    if np.any(wrong):
        raise InputError(
            f"{name} of {np.ravel(pct)[np.argmax(wrong)]:g} % by weight is no solution; accepted "
            f"is 0 to {strongest:.4g} %"
        )
    return np.asarray(pct / 100.0)


def _check_temp(temp_c: ArrayLike) -> None:
    temp = np.asarray(temp_c, dtype=float)
    lowest, highest = hydrometer.MIN_READING_TEMP_C, hydrometer.MAX_READING_TEMP_C
    wrong = ~((temp >= lowest) & (temp <= highest))
    if np.any(wrong):
        raise InputError(
            f"a brine temperature of {np.ravel(temp)[np.argmax(wrong)]:g} °C is not usable; "
            f"accepted is {lowest:g} to {highest:g} °C"
        )


def hydrometer_reading_sg(wt_pct: float, temp_c: float = REFERENCE_TEMP_C) -> float:
    """Return what a glass 60/60 °F hydrometer shows in plain salt brine.

    Parameters
    ----------
    wt_pct : float
        NaCl by weight [%].
    temp_c : float
        Of brine and float [°C].

    Returns
    -------
    float
        Specific gravity as read [-].

    Raises
    ------
    InputError
        A strength or temperature that no brine has.

    Examples
    --------
    Cold brine reads high: 23.3 % at 15 °F shows what 24.7 % shows at 60 °F.

    >>> round(hydrometer_reading_sg(23.3), 4), round(hydrometer_reading_sg(23.3, -9.44), 4)
    (1.1782, 1.1894)
    """
    _check_temp(temp_c)
    return float(hydrometer.reading_sg(_percent("nacl", wt_pct), temp_c))


def brine_strength_pct(reading_sg: float, temp_c: float = REFERENCE_TEMP_C) -> float:
    """Return the strength of plain salt brine from a hydrometer reading.

    Parameters
    ----------
    reading_sg : float
        Reading of a glass 60/60 °F hydrometer [-].
    temp_c : float
        Of brine and float [°C].

    Returns
    -------
    float
        NaCl by weight [%].

    Raises
    ------
    InputError
        A temperature no float is read at, or a reading no salt brine gives.

    Examples
    --------
    >>> round(brine_strength_pct(1.1894, -9.44), 1)
    23.3
    """
    return 100.0 * hydrometer.interpret_reading(reading_sg, temp_c).strength_frac


@dataclass(frozen=True)
class Blend:
    """A blend of base brine and an additive, volumes measured at 60 °F.

    Attributes
    ----------
    nacl_pct, cacl2_pct, mgcl2_pct, kcl_pct, inert_pct : float
        Composition by weight [%].
    density_kg_m3 : float
        At 60 °F [kg/m³].
    ice_onset_c : float
        Where ice first forms, as long as no salt crystal has [°C].
    crystal_onset_c : float
        Where salt crystals first form; −60 where none do above it [°C].
    first_solid_c : float
        The warmer of the two [°C].
    warn_below_c : float
        What a tank of it should stay above, a margin for the crystals' own error included [°C].
    contraction_pct : float
        How much less volume it has than its parts [%].
    """

    nacl_pct: float
    cacl2_pct: float
    mgcl2_pct: float
    kcl_pct: float
    inert_pct: float
    density_kg_m3: float
    ice_onset_c: float
    crystal_onset_c: float
    first_solid_c: float
    warn_below_c: float
    contraction_pct: float


def blend(
    base_wt_pct: float, additive: Mapping[str, float] | Product, additive_vol_pct: float
) -> Blend:
    """Return what becomes of salt brine and an additive poured together.

    Parameters
    ----------
    base_wt_pct : float
        NaCl of the base brine by weight [%].
    additive : mapping of str to float, or Product
        Chlorides ``nacl``, ``cacl2``, ``mgcl2``, ``kcl`` and ``inert`` solids of the additive by
        weight [%]; or a product of the sites file.
    additive_vol_pct : float
        Part of the additive in the blend, by volume [%].

    Returns
    -------
    Blend
        Its composition, density and behavior in the cold.

    Raises
    ------
    InputError
        Strengths that no solution has, or a part of additive that is out of range.

    Examples
    --------
    Nine parts of 23.3 % brine and one of 32 % calcium chloride:

    >>> made = blend(23.3, {"cacl2": 32}, 10)
    >>> round(made.nacl_pct, 2), round(made.cacl2_pct, 2)
    (20.74, 3.51)
    >>> round(made.ice_onset_c, 1)
    -23.6
    """
    product = additive if isinstance(additive, Product) else None
    blends.check_additive_vol_frac(additive_vol_pct / 100.0, product)
    base = blends.make_liquid({"nacl": float(_percent("nacl", base_wt_pct))})
    poured = _additive(additive)
    part = additive_vol_pct / 100.0
    mixed, contraction_frac = blends.mix_liquids([(1.0 - part, base), (part, poured)])
    cold = blends.cold_behavior(mixed)
    shares = {f"{name}_pct": 100.0 * mixed.mass_frac(name) for name in brine.CHLORIDES}
    return Blend(
        **shares,
        inert_pct=100.0 * mixed.inert_frac,
        density_kg_m3=mixed.density_kg_m3(REFERENCE_TEMP_C),
        ice_onset_c=cold.ice_onset_c,
        crystal_onset_c=cold.crystal_onset_c,
        first_solid_c=cold.first_solid_c,
        warn_below_c=cold.warn_below_c,
        contraction_pct=100.0 * contraction_frac,
    )


def _additive(additive: Mapping[str, float] | Product) -> blends.Liquid:
    if isinstance(additive, Product):
        return blends.liquid_from_product(additive)
    accepted = (*brine.CHLORIDES, "inert")
    for name in additive:
        if name not in accepted:
            raise InputError(f"additive: no part '{name}'; accepted: {', '.join(accepted)}")
    inert_frac = float(_percent("inert", additive.get("inert", 0.0)))
    return blends.make_liquid(
        {name: float(_percent(name, additive.get(name, 0.0))) for name in brine.CHLORIDES},
        inert_frac,
    )


def batch(
    volume_l: float,
    wt_pct: float = EUTECTIC_PCT,
    *,
    purity_pct: float = 100.0,
    moisture_pct: float = 0.0,
    insolubles_pct: float = 0.0,
    water_temp_c: float = REFERENCE_TEMP_C,
) -> Batch:
    """Return the salt and water that make a batch of plain salt brine.

    Parameters
    ----------
    volume_l : float
        Finished brine wanted, at 60 °F [L].
    wt_pct : float
        NaCl by weight [%].
    purity_pct, moisture_pct, insolubles_pct : float
        The salt as delivered: NaCl with the moisture counted in, water, and what settles [%].
    water_temp_c : float
        Of water and salt [°C].

    Returns
    -------
    Batch
        Salt as delivered [kg], water to run in [L], sludge [kg], the hydrometer reading to expect
        [-] and how far the batch cools itself [K].

    Raises
    ------
    InputError
        A volume, strength or salt that cannot be.

    Examples
    --------
    A thousand liters of 23.3 % brine from salt of 95 % purity:

    >>> made = batch(1000.0, 23.3, purity_pct=95.0)
    >>> round(made.salt_kg), round(made.water_l)
    (289, 904)
    """
    salt = batches.Salt(purity_pct / 100.0, moisture_pct / 100.0, insolubles_pct / 100.0)
    _check_temp(water_temp_c)
    return batches.make_batch(volume_l, float(_percent("nacl", wt_pct)), salt, water_temp_c)
