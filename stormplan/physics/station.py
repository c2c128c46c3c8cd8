"""Pavement and film hour by hour from a weather station's hourly table.

The table is CSV: ``time`` (ISO 8601) and ``air_temp_c`` at least, any other variable of the
forecast by its name. A value stands at the start of its hour; radiation and precipitation are
those of the hour that starts there. What is blank is modeled and marked. After a gap too long to
bridge the pavement starts anew.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stormplan.company.catalog import BUILD_UPS, SURFACE_CLASSES, Product
from stormplan.errors import InputError
from stormplan.liquids import brine
from stormplan.liquids.density import density_kg_m3
from stormplan.physics import ensemble, surface_simulation
from stormplan.physics.bias_correction import is_night
from stormplan.physics.film import Applications
from stormplan.physics.film_condition import MIN_FROST_MM, FilmCondition
from stormplan.physics.forcing import ClearSky, clear_sky
from stormplan.physics.pavement import Column, Columns
from stormplan.units import parse
from stormplan.weather import infill
from stormplan.weather.forecast import CellForecast, Forecast, stack
from stormplan.weather.hourly_csv import HOUR, StationTable

Array = NDArray[np.float64]
Row = dict[str, str | float | int]

OPEN_LOT_SKY_VIEW_FRAC = 0.9  # seen by a build-up that is named without a class: an open lot's
BRINE_SALTS_FRAC: tuple[float, ...] = (0.233, 0.0, 0.0, 0.0)  # plain salt brine at its eutectic


# ---------------------------------------------------------------------- what to run


@dataclass(frozen=True)
class StationSite:
    """Location and surface properties of a station.

    Attributes
    ----------
    latitude_deg, longitude_deg, elevation_m : float
        Place [°], [°], [m].
    surface : str
        A key of ``SURFACE_CLASSES`` or of ``BUILD_UPS``.
    sky_view_frac : float or None
        Share of the sky seen; None for the class's own [-].
    wind_factor : float
        Wind at the surface over the table's [-].
    depths_m : tuple of float
        Depths to report [m].
    """

    latitude_deg: float
    longitude_deg: float
    surface: str
    elevation_m: float = 0.0
    sky_view_frac: float | None = None
    wind_factor: float = 1.0
    depths_m: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not (-90.0 <= self.latitude_deg <= 90.0 and -180.0 <= self.longitude_deg <= 180.0):
            raise InputError(
                f"--lat {self.latitude_deg} --lon {self.longitude_deg} is no place; latitude is "
                "-90 to 90 and longitude -180 to 180, west negative"
            )
        accepted = dict.fromkeys((*SURFACE_CLASSES, *BUILD_UPS))
        if self.surface not in accepted:
            raise InputError(
                f"--surface {self.surface} is not known; accepted: {', '.join(accepted)}"
            )

    def columns(self) -> Columns:
        """Return the one column to simulate."""
        kind = SURFACE_CLASSES.get(self.surface)
        seen, build_up = OPEN_LOT_SKY_VIEW_FRAC, self.surface
        if kind is not None:
            seen, build_up = kind.sky_view_frac, kind.build_up
        view = seen if self.sky_view_frac is None else self.sky_view_frac
        return Columns.from_records([Column(0, BUILD_UPS[build_up], view, self.wind_factor)])


def parse_depths(text: str) -> tuple[float, ...]:
    """Parse comma-separated depths [m], such as ``0.016,0.05``.

    Raises
    ------
    InputError
        Not numbers from 0 to 2.
    """
    try:
        found = tuple(float(part) for part in text.split(",") if part.strip())
    except ValueError:
        found = (math.nan,)
    if not all(0.0 <= depth <= 2.0 for depth in found):
        raise InputError(f"--depths {text} is not usable; write meters from 0 to 2, as 0.016,0.05")
    return found


@dataclass(frozen=True)
class ProductApplication:
    """Application of a product: hour, chloride mass fractions, density, rate."""

    time: datetime
    salts_frac: tuple[float, ...]
    inert_frac: float
    density_kg_l: float
    rate_l_m2: float


def parse_application(
    text: str, products: Mapping[str, Product] | None = None
) -> ProductApplication:
    """Parse an application: ``2026-01-12T06:00Z,brine,0.5 gal/1000 ft2``.

    Parameters
    ----------
    text : str
        Hour with its zone, product and rate, with commas between.
    products : mapping of Product, optional
        Besides ``brine``, plain salt brine of 23.3 %.

    Returns
    -------
    ProductApplication
        The same as numbers.

    Raises
    ------
    InputError
        Says what would be accepted.
    """
    known = products or {}
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 3:
        raise InputError(
            f"--treatment '{text}' is no treatment; write it as "
            "'2026-01-12T06:00Z,brine,0.5 gal/1000 ft2'"
        )
    try:
        time = datetime.fromisoformat(parts[0])
    except ValueError:
        time = None
    if time is None or time.tzinfo is None:
        raise InputError(f"--treatment: '{parts[0]}' is no hour; write it as 2026-01-12T06:00Z")
    rate = parse(parts[2], "liquid rate")
    if parts[1] == "brine":
        salts_frac, inert, density = BRINE_SALTS_FRAC, 0.0, None
    elif parts[1] in known:
        product = known[parts[1]]
        salts_frac = tuple(product.chlorides.get(key, 0.0) for key in brine.CHLORIDES)
        inert, density = product.inert_frac, product.density_kg_l
    else:
        raise InputError(
            f"--treatment: no product '{parts[1]}'; accepted: {', '.join(['brine', *known])}"
        )
    if density is None:
        density = float(density_kg_m3(np.array(salts_frac), 15.56, inert)) / 1000.0
    return ProductApplication(time.astimezone(UTC), salts_frac, inert, density, rate)


# ---------------------------------------------------------------------- running


def forecast_lead_h(table: StationTable, text: str | None) -> Array:
    """Return the forecast lead of each hour of a table, (hour,) [h].

    Parameters
    ----------
    table : StationTable
        The hours.
    text : str or None
        The moment up to which they are measured and after which forecast, with its zone; None
        where all are measured.

    Raises
    ------
    InputError
        No such moment.
    """
    if text is None:
        return np.zeros(table.n_hours)
    try:
        since = datetime.fromisoformat(text)
    except ValueError:
        since = None
    if since is None or since.tzinfo is None:
        raise InputError(f"--forecast-from {text} is no moment; write it as 2026-01-12T06:00Z")
    ahead = (table.start - since) / HOUR + np.arange(table.n_hours)
    return np.asarray(np.maximum(ahead, 0.0))


def clear_sky_over(table: StationTable, site: StationSite) -> ClearSky:
    """Return clear-sky irradiance in the hours of a table, one cell."""
    return clear_sky(_forecast(table.start, {"air_temp_c": table.values["air_temp_c"]}, site))


def simulate_station(
    table: StationTable,
    site: StationSite,
    applications: Sequence[ProductApplication] = (),
    lead_h: Array | None = None,
) -> list[Row]:
    """Simulate pavement and film through a table.

    Parameters
    ----------
    table : StationTable
        Hourly weather.
    site : StationSite
        Place and surface.
    applications : sequence of ProductApplication
        Treatments to try.
    lead_h : array (hour,), optional
        How far ahead each hour was; asks how sure the surface temperature is [h].

    Returns
    -------
    list of dict
        One row for each hour, blank ("") where nothing is known.

    Raises
    ------
    InputError
        A treatment outside the table.
    """
    end = table.start + table.n_hours * HOUR
    for one in applications:
        if not table.start <= one.time < end:
            raise InputError(
                f"--treatment: {one.time:%Y-%m-%dT%H:%MZ} is outside the table, which runs from "
                f"{table.start:%Y-%m-%dT%H:%MZ} to {end:%Y-%m-%dT%H:%MZ}"
            )
    light = clear_sky_over(table, site)
    values, filled = infill.fill_missing(table.values, light.ghi_wm2[:, 0])
    unsure: Row = {} if lead_h is None else dict.fromkeys(UNCERTAINTY_COLUMNS, "")
    rows = [_blank_row(table.start + hour * HOUR, site) | unsure for hour in range(table.n_hours)]
    for first, last in _known_runs(np.isfinite(values["air_temp_c"])):
        start = table.start + first * HOUR
        part = {name: array[first:last] for name, array in values.items()}
        weather = _forecast(start, part, site)
        if lead_h is not None:
            weather = ensemble.make_ensemble(weather, lead_h[first:last])
        result = surface_simulation.simulate(
            weather, site.columns(), _applications(applications, start, last - first),
            depths_m=site.depths_m,
        )  # fmt: skip
        marks = {name: flags[first:last] for name, flags in filled.items()}
        for hour in range(last - first):
            rows[first + hour] |= _row_of(result, weather, marks, hour, site)
        if lead_h is not None:
            uncertainty = _uncertainty_columns(result, weather, site)
            for hour, row in enumerate(rows[first:last]):
                row |= {name: round(float(values[hour]), 3) for name, values in uncertainty.items()}
    return rows


def _uncertainty_columns(
    result: surface_simulation.SimulationResult, weather: Forecast, site: StationSite
) -> dict[str, Array]:
    """Return interval and probabilities of the surface temperature, each (hour,)."""
    night = is_night(weather.hour_starts, site.latitude_deg, site.longitude_deg)
    error_k = ensemble.model_error_k(night)
    told = ensemble.surface_uncertainty(
        result.surface_c[:, 0], weather["dew_point_c"][:, 0], error_k
    )
    return dict(
        zip(
            UNCERTAINTY_COLUMNS,
            (told.p10_c, told.p90_c, told.prob_below_freezing, told.prob_frost),
            strict=True,
        )
    )


def _known_runs(known: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return runs of known hours as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _forecast(start: datetime, values: dict[str, Array], site: StationSite) -> Forecast:
    arrays = {name: array[:, None] for name, array in values.items()}
    cell = CellForecast(
        "table", "table", site.latitude_deg, site.longitude_deg, site.elevation_m,
        start, start, start, arrays,
    )  # fmt: skip
    return stack([cell], start, cell.n_hours)


def _applications(
    applications: Sequence[ProductApplication], start: datetime, hours: int
) -> Applications | None:
    due = [(int((one.time - start) // HOUR), one) for one in applications]
    due = [(hour, one) for hour, one in due if 0 <= hour < hours]
    if not due:
        return None
    return Applications.from_liquid(
        np.array([hour for hour, _ in due], dtype=np.intp),
        np.zeros(len(due), dtype=np.intp),
        np.array([one.salts_frac for _, one in due]).T,
        np.array([one.rate_l_m2 for _, one in due]),
        np.array([one.density_kg_l for _, one in due]),
        np.array([one.inert_frac for _, one in due]),
    )


def _depth_name(depth_m: float) -> str:
    return f"at_{depth_m:g}m_c"


#: Weather that may have been modeled, in the order of the columns.
WEATHER_COLUMNS = (
    "air_temp_c",
    "dew_point_c",
    "wind_10m_ms",
    "cloud_frac",
    "rain_mm",
    "snowfall_swe_mm",
)
RADIATION_COLUMNS = ("sw_down_wm2", "lw_down_wm2")
#: Ends of the interval that holds four of five hours, and chances.
UNCERTAINTY_COLUMNS = ("surface_p10_c", "surface_p90_c", "prob_below_freezing", "prob_frost")
FILM_COLUMNS = ("water_mm", "ice_mm", "frost_mm", "snow_mm")


def _blank_row(time: datetime, site: StationSite) -> Row:
    names = ["surface_c", "surface_min_c", *map(_depth_name, site.depths_m), "skin_c"]
    names += [
        *WEATHER_COLUMNS,
        *RADIATION_COLUMNS,
        "modeled",
        "condition",
        "frozen",
        "freeze_point_c",
        "ice_frac",
    ]
    row: Row = {"time": f"{time:%Y-%m-%dT%H:%M:%SZ}"}
    row |= dict.fromkeys([*names, *FILM_COLUMNS, "salt_g_m2"], "")
    return row | {"condition": FilmCondition.UNKNOWN.label}


def _row_of(
    result: surface_simulation.SimulationResult,
    weather: Forecast,
    filled: dict[str, NDArray[np.bool_]],
    hour: int,
    site: StationSite,
) -> Row:
    here = (hour, 0, 0)
    film, sky = result.film, result.radiation
    row: Row = {
        "surface_c": round(float(result.surface_c[here]), 3),
        "surface_min_c": round(float(result.surface_min_c[here]), 3),
        "skin_c": round(float(result.skin_c[here]), 3),
    }
    for place, depth in enumerate(site.depths_m):
        row[_depth_name(depth)] = round(float(result.temp_at_depth_c[(place, *here)]), 3)
    row |= {name: round(float(weather[name][here]), 3) for name in WEATHER_COLUMNS}
    row |= {name: round(float(getattr(sky, name)[here]), 1) for name in RADIATION_COLUMNS}
    modeled = [name for name in WEATHER_COLUMNS if name in filled and filled[name][hour]]
    guessed = "sw_down_wm2" in filled and bool(filled["sw_down_wm2"][hour])
    modeled += ["sw_down_wm2"] * (guessed or bool(sky.sw_modeled[here]))
    modeled += ["lw_down_wm2"] * bool(sky.lw_modeled[here])
    row["modeled"] = " ".join(modeled)
    row |= {name: round(float(getattr(film, name)[here]), 4) for name in FILM_COLUMNS}
    row |= {
        "condition": FilmCondition(int(film.condition[here])).label,
        "frozen": int(film.ice_mm[here] > MIN_FROST_MM),
        "freeze_point_c": round(float(film.freeze_point_c[here]), 2),
        "ice_frac": round(float(film.ice_frac[here]), 3),
        "salt_g_m2": round(float(1000.0 * film.salts_kg_m2[(slice(None), *here)].sum()), 3),
    }
    return row


def write_csv(rows: Sequence[Row], path: Path) -> None:
    """Write rows as CSV; the first names the columns.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    except OSError as error:
        raise InputError(f"--out {path} cannot be written ({error.strerror})") from error


def summarize(rows: Sequence[Row], path: Path) -> str:
    """Return a short summary of the result and of what was modeled."""
    known = [row for row in rows if row["surface_c"] != ""]
    lines = [f"{path}: {len(rows)} hours, {len(rows) - len(known)} of them without a result."]
    counts: dict[str, int] = {}
    for row in known:
        for name in str(row["modeled"]).split():
            counts[name] = counts.get(name, 0) + 1
    if counts:
        said = ", ".join(f"{name} in {count} h" for name, count in counts.items())
        lines.append(f"Modeled because the table does not say: {said}.")
    frozen = [str(row["time"]) for row in known if row["frozen"] == 1]
    if frozen:
        lines.append(f"Ice or frost in {len(frozen)} hours, first {frozen[0]}.")
    return "\n".join(lines)
