"""The command ``pavement``: its options, and the result as CSV and in a few lines."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from stormplan.arrays import Array
from stormplan.company.catalog import Product
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.liquids.blend import liquid_from_product, make_liquid
from stormplan.liquids.brine import EUTECTIC_FRAC
from stormplan.numerics import HOUR
from stormplan.physics import station, station_checks
from stormplan.physics.bias_correction import PavementReading
from stormplan.physics.film_condition import MIN_FROST_MM, FilmCondition
from stormplan.physics.pavement import Column
from stormplan.physics.station import LiquidDose, StationResult
from stormplan.planning.plowed_columns import surface_column
from stormplan.units import parse
from stormplan.verification import reading_log
from stormplan.weather import hourly_csv
from stormplan.weather.forecast import CellForecast
from stormplan.weather.hourly_csv import HourlyTable

Row = dict[str, str | float | int]

#: Weather as used, in the order of the columns, and the decimals of each.
WEATHER_COLUMNS = {
    "air_temp_c": 3,
    "dew_point_c": 3,
    "wind_10m_ms": 3,
    "cloud_frac": 3,
    "rain_mm": 3,
    "snowfall_swe_mm": 3,
    "freezing_rain_mm": 3,
    "sleet_mm": 3,
}
RADIATION_COLUMNS = {"sw_down_wm2": 1, "lw_down_wm2": 1}
FILM_COLUMNS = {
    "freeze_point_c": 2,
    "ice_frac": 3,
    "water_mm": 4,
    "ice_mm": 4,
    "frost_mm": 4,
    "snow_mm": 4,
    "salt_g_m2": 3,
}
#: Ends of the interval that holds four of five hours, and chances.
UNCERTAINTY_COLUMNS = ("surface_p10_c", "surface_p90_c", "prob_below_freezing", "prob_frost")


@dataclass(frozen=True)
class TableSurface:
    """Surface to run a table through.

    Attributes
    ----------
    latitude_deg, longitude_deg : float
        Place [°].
    column : Column
        What it is made of and what it is exposed to.
    readings : sequence of PavementReading
        Taken there, in order of time.
    practice : Practice
        The company's rules.
    """

    latitude_deg: float
    longitude_deg: float
    column: Column
    readings: Sequence[PavementReading] = ()
    practice: Practice = field(default_factory=Practice)


def surface_of_class(
    latitude: float,
    longitude: float,
    surface: str,
    sky_view_frac: float | None = None,
    wind_factor: float = 1.0,
) -> TableSurface:
    """Return a surface of a class, or a build-up, at a place [°].

    Raises
    ------
    InputError
        By the option's name on the command line.
    """
    _check_option("--lat, --lon", lambda: station.check_place(latitude, longitude))
    _check_option("--surface", lambda: station.class_column(surface))
    column = station.class_column(surface, sky_view_frac, wind_factor)
    return TableSurface(latitude, longitude, column)


def _check_option(option: str, check: Callable[[], object]) -> None:
    try:
        check()
    except InputError as error:
        raise InputError(f"{option}: {error}") from error


def surface_of_site(sites: Sites, path: Path, of: str) -> TableSurface:
    """Return a surface of the sites file, named ``SITE/SURFACE``, with its readings.

    Parameters
    ----------
    sites : Sites
        The file.
    path : Path
        Where it is; its log of readings is beside it.
    of : str
        Keys of site and surface.

    Raises
    ------
    InputError
        No such surface, or a log that cannot be read.
    """
    surfaces = {
        f"{site_key}/{key}": (site_key, key)
        for site_key, site in sites.sites.items()
        for key in site.surfaces
    }
    if of not in surfaces:
        raise InputError(f"--of: no surface '{of}' in {path}; accepted: {', '.join(surfaces)}")
    site_key, key = surfaces[of]
    site = sites.sites[site_key]
    readings: list[PavementReading] = []
    if sites.readings is not None:
        readings = reading_log.load_readings(path.parent / sites.readings, site_key, key)
    column = surface_column(site.surfaces[key])
    return TableSurface(site.latitude_deg, site.longitude_deg, column, readings, sites.practice())


def run_pavement(
    table: Path,
    out: Path,
    surface: TableSurface,
    *,
    elevation_m: float = 0.0,
    timezone: str | None = None,
    depths: str = "",
    treatments: Sequence[str] = (),
    uncertainty: bool = False,
    forecast_from: str | None = None,
    products: Mapping[str, Product] | None = None,
) -> list[str]:
    """Simulate pavement and film through a table, write the result, and summarize it.

    Parameters
    ----------
    table, out : Path
        The hourly CSV to read, and the one to write.
    surface : TableSurface
        Where, what, and what was read there.
    elevation_m : float
        Height of the place above the sea [m].
    timezone : str, optional
        Zone of times that carry none.
    depths : str
        Depths to report, with commas between [m].
    treatments : sequence of str
        Each ``2026-01-12T06:00Z,brine,0.5 gal/1000 ft2``.
    uncertainty : bool
        Whether to add an interval and probabilities.
    forecast_from : str, optional
        Moment from which on the table is a forecast.
    products : mapping of Product, optional
        Liquids besides plain brine.

    Returns
    -------
    list of str
        Lines for the terminal.

    Raises
    ------
    InputError
        An option or the table cannot be used, or the result not be written.
    """
    if forecast_from is not None and not uncertainty:
        raise InputError("--forecast-from goes with --uncertainty")
    depths_m = parse_depths(depths)
    parsed = [parse_treatment(text, products or {}) for text in treatments]
    hourly = read_table(table, timezone)
    given = _cell(hourly, surface.latitude_deg, surface.longitude_deg, elevation_m)
    cell, modeled = station.fill_missing(given)
    result = station.simulate_station(
        cell,
        modeled,
        surface.column,
        [_dose(one, hourly) for one in parsed],
        depths_m=depths_m,
        lead_h=forecast_lead_h(hourly, forecast_from) if uncertainty else None,
        readings=surface.readings,
        max_reading_error_k=surface.practice.number("reading_max_error"),
    )
    write_csv(result_rows(cell, result, depths_m), out)
    odd = station_checks.table_warnings(
        hourly.start,
        hourly.values,
        station.clear_sky_over(given),
        station_checks.SunEnvelope.from_practice(surface.practice),
    )
    return [*summary_lines(cell, result, out), *(f"{note}." for note in hourly.notes), *odd]


def read_table(path: Path, timezone: str | None = None) -> HourlyTable:
    """Read an hourly table from a file.

    Raises
    ------
    InputError
        Every problem with its file and line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error}); give a CSV file in UTF-8") from error
    return hourly_csv.parse_hourly_csv(text, str(path), timezone)


def _cell(
    table: HourlyTable, latitude: float, longitude: float, elevation_m: float
) -> CellForecast:
    return CellForecast(
        "table", "table", latitude, longitude, elevation_m, table.start, table.start, table.start,
        {name: array[:, None] for name, array in table.values.items()},
    )  # fmt: skip


def parse_depths(text: str) -> tuple[float, ...]:
    """Parse comma-separated depths [m], such as ``0.016,0.05``."""
    try:
        found = tuple(float(part) for part in text.split(",") if part.strip())
        station.check_depths(found)
    except (ValueError, InputError):
        raise InputError(
            f"--depths {text} is not usable; write meters from 0 to 2, as 0.016,0.05"
        ) from None
    return found


def _parse_moment(text: str) -> datetime | None:
    """Return a moment that carries its zone; None for anything else."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return None if moment.tzinfo is None else moment.astimezone(UTC)


def parse_treatment(text: str, products: Mapping[str, Product]) -> tuple[datetime, LiquidDose]:
    """Parse a treatment: ``2026-01-12T06:00Z,brine,0.5 gal/1000 ft2``.

    Parameters
    ----------
    text : str
        Hour with its zone, product and rate, with commas between.
    products : mapping of Product
        Besides ``brine``, plain salt brine of 23.3 %.

    Returns
    -------
    datetime, LiquidDose
        Its moment, and what is put down in hour 0.
    """
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 3:
        raise InputError(
            f"--treatment '{text}' is not a treatment; write it as "
            "'2026-01-12T06:00Z,brine,0.5 gal/1000 ft2'"
        )
    time = _parse_moment(parts[0])
    if time is None:
        raise InputError(f"--treatment: '{parts[0]}' is not a time; write it as 2026-01-12T06:00Z")
    rate = parse(parts[2], "liquid rate")
    if parts[1] == "brine":
        liquid = make_liquid({"nacl": EUTECTIC_FRAC})
    elif parts[1] in products:
        liquid = liquid_from_product(products[parts[1]])
    else:
        accepted = ", ".join(["brine", *products])
        raise InputError(f"--treatment: no product '{parts[1]}'; accepted: {accepted}")
    return time, LiquidDose(0, liquid, rate)


def _dose(treatment: tuple[datetime, LiquidDose], table: HourlyTable) -> LiquidDose:
    """Return a treatment at its hour of the table."""
    time, dose = treatment
    end = table.start + table.n_hours * HOUR
    if not table.start <= time < end:
        raise InputError(
            f"--treatment: {time:%Y-%m-%dT%H:%MZ} is outside the table, which runs from "
            f"{table.start:%Y-%m-%dT%H:%MZ} to {end:%Y-%m-%dT%H:%MZ}"
        )
    return LiquidDose(int((time - table.start) // HOUR), dose.liquid, dose.rate_l_m2)


def forecast_lead_h(table: HourlyTable, text: str | None) -> Array:
    """Return the forecast lead of each hour of a table, (hour,) [h].

    Parameters
    ----------
    table : HourlyTable
        The hours.
    text : str or None
        The moment up to which they are measured and after which forecast, with its zone; None
        where all are measured.
    """
    if text is None:
        return np.zeros(table.n_hours)
    since = _parse_moment(text)
    if since is None:
        raise InputError(f"--forecast-from {text} is not a time; write it as 2026-01-12T06:00Z")
    ahead = (table.start - since) / HOUR + np.arange(table.n_hours)
    return np.asarray(np.maximum(ahead, 0.0))


def result_rows(
    cell: CellForecast, result: StationResult, depths_m: Sequence[float] = ()
) -> list[Row]:
    """Return one row for each hour, blank ("") where nothing is known."""
    return [_row(cell, result, hour, depths_m) for hour in range(cell.n_hours)]


def _row(cell: CellForecast, result: StationResult, hour: int, depths_m: Sequence[float]) -> Row:
    known = bool(result.known[hour])

    def rounded(value: float, decimals: int) -> float | str:
        return round(float(value), decimals) if known and not math.isnan(value) else ""

    values = result.values
    row: Row = {"time": f"{cell.start + hour * HOUR:%Y-%m-%dT%H:%M:%SZ}"}
    row |= {name: rounded(values[name][hour], 3) for name in ("surface_c", "surface_min_c")}
    for place, depth_m in enumerate(depths_m):
        row[f"at_{depth_m:g}m_c"] = rounded(result.temp_at_depth_c[place, hour], 3)
    row["skin_c"] = rounded(values["skin_c"][hour], 3)
    row |= {
        name: rounded(cell.values[name][hour, 0], decimals)
        for name, decimals in WEATHER_COLUMNS.items()
    }
    row |= {name: rounded(values[name][hour], n) for name, n in RADIATION_COLUMNS.items()}
    row["modeled"] = " ".join(_modeled_names(result, hour))
    row["condition"] = FilmCondition(int(result.condition[hour])).label
    row["frozen"] = int(_is_frozen(result, hour)) if known else ""
    row |= {name: rounded(values[name][hour], n) for name, n in FILM_COLUMNS.items()}
    if result.uncertainty is not None:
        told = result.uncertainty
        each = (told.p10_c, told.p90_c, told.prob_below_freezing, told.prob_frost)
        row |= {
            name: rounded(array[hour], 3)
            for name, array in zip(UNCERTAINTY_COLUMNS, each, strict=True)
        }
    if result.night_offset_k is not None:
        row["night_offset_k"] = rounded(result.night_offset_k[hour], 3)
    return row


def _modeled_names(result: StationResult, hour: int) -> list[str]:
    return [name for name in (*WEATHER_COLUMNS, *RADIATION_COLUMNS) if result.modeled[name][hour]]


def _is_frozen(result: StationResult, hour: int) -> bool:
    return bool(result.values["ice_mm"][hour] > MIN_FROST_MM)


def write_csv(rows: Sequence[Row], path: Path) -> None:
    """Write rows as CSV; the first names the columns."""
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    except OSError as error:
        raise InputError(f"--out {path} cannot be written ({error.strerror})") from error


def summary_lines(cell: CellForecast, result: StationResult, path: Path) -> list[str]:
    """Return a short summary of the result and of what was modeled."""
    unknown = int((~result.known).sum())
    lines = [f"{path}: {cell.n_hours} hours, {unknown} of them without a result."]
    counts = {
        name: int(result.modeled[name].sum()) for name in (*WEATHER_COLUMNS, *RADIATION_COLUMNS)
    }
    said = ", ".join(f"{name} in {count} h" for name, count in counts.items() if count)
    if said:
        lines.append(f"Modeled because the table does not say: {said}.")
    frozen = [hour for hour in range(cell.n_hours) if _is_frozen(result, hour)]
    if frozen:
        first = cell.start + frozen[0] * HOUR
        lines.append(f"Ice or frost in {len(frozen)} hours, first {first:%Y-%m-%dT%H:%M:%SZ}.")
    return lines
