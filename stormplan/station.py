"""What the pavement did, hour by hour, from a station's own table: how cold, how wet, how icy.

The same physics as a plan's, on hours that were measured. Gaps in the weather are filled and
marked; where the air temperature is missing for long, nothing is said, and the pavement starts
afresh from its climate when it is known again. Text in, text out.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from stormplan import course, gapfill, spread, units
from stormplan.benchinput import poured
from stormplan.catalog import BUILD_UPS, SURFACE_CLASSES
from stormplan.correction import is_night
from stormplan.course import Course
from stormplan.density import density_kg_m3
from stormplan.errors import InputError
from stormplan.film import Applications
from stormplan.forecast import Array, Forecast, Mark, Marks
from stormplan.gapfill import Place
from stormplan.hydrometer import REFERENCE_C
from stormplan.pavement import Column, Columns
from stormplan.providers import hourly, phase
from stormplan.providers.layers import Notes
from stormplan.providers.table import complete
from stormplan.state import FROST_MM, State
from stormplan.stationtable import Table
from stormplan.units import System

BRINE, BRINE_PERCENT = "brine", "23.3"
WEATHER = ("air_temp_c", "dew_point_c", "wind_10m_ms", "cloud_frac", "sw_down_wm2", "lw_down_wm2")
WEATHER_SHOWN = (*WEATHER, "precip_mm")
OPEN_SKY_FRAC = 0.9  # of a build-up named without a surface class: an open lot's


@dataclass(frozen=True)
class Dose:
    """A product put down at the start of an hour.

    Attributes
    ----------
    at : datetime or int
        The hour: a moment, or its place in the table from 0 [-].
    salts_frac : array (4,)
        Mass share of each chloride in the product [-].
    rate_l_m2 : float
        Application rate [L/m²].
    said : str
        As it was asked for [-].
    """

    at: datetime | int
    salts_frac: Array
    rate_l_m2: float
    said: str

    def hour(self, table: Table) -> int:
        """Place on the table's time axis; refused where it has none."""
        hour = self.at
        if isinstance(hour, datetime):
            hour = (hour - table.start) // timedelta(hours=1)
        if not 0 <= hour < table.hours:
            end = table.start + timedelta(hours=table.hours - 1)
            raise InputError(
                f"--apply: '{self.said}' is outside the table; accepted: {table.start:%Y-%m-%dT%HZ}"
                f" to {end:%Y-%m-%dT%HZ}, or hour 0 to {table.hours - 1}"
            )
        return hour


def dose(text: str, system: System = "us") -> Dose:
    """Read ``HOUR,product,rate``, as ``2026-01-12T06Z,brine,0.5`` or ``6,cacl2=32,0.3``.

    Parameters
    ----------
    text : str
        The hour is a moment in UTC unless it has an offset, or its place in the table from 0; the
        product is ``brine`` or a strength; the rate is bare or with its unit [-].
    system : str
        What a bare rate means: gal/1000 ft² or, metric, L/m² [-].

    Raises
    ------
    InputError
        A part that cannot be read; says which and what would be accepted.
    """
    parts = text.split(",")
    if len(parts) < 3:
        raise InputError(
            f"--apply: '{text}' is not an application; write HOUR,product,rate, as "
            "2026-01-12T06Z,brine,0.5"
        )
    when, rate = parts[0].strip(), parts[-1].strip()
    product = ",".join(parts[1:-1]).strip()
    bare = "gal/1000 ft2" if system == "us" else "l/m2"
    try:
        is_bare = rate.replace(".", "", 1).isdigit()
        rate_l_m2 = units.parse(f"{rate} {bare}" if is_bare else rate, "liquid rate")
    except InputError as error:
        raise InputError(f"--apply: {error}") from error
    if not rate_l_m2 >= 0.0:
        raise InputError(f"--apply: rate '{rate}' is negative; accepted: 0 or more")
    liquid, _ = poured(BRINE_PERCENT if product == BRINE else product, "--apply", {})
    return Dose(_at(when), liquid.salts_frac, rate_l_m2, text)


def _at(text: str) -> datetime | int:
    if text.isdigit():
        return int(text)
    try:
        moment = datetime.fromisoformat(text)
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError):
        raise InputError(
            f"--apply: '{text}' is no hour; accepted: a moment like 2026-01-12T06Z, or its place "
            "in the table from 0"
        ) from None


def surface(name: str, sky_view_frac: float | None = None, wind_factor: float = 1.0) -> Column:
    """Find a surface by its class or by what it is made of.

    Parameters
    ----------
    name : str
        Key of ``SURFACE_CLASSES`` or of ``BUILD_UPS`` [-].
    sky_view_frac : float, optional
        Share of the sky it sees; its class's unless given [-].
    wind_factor : float
        Wind at the surface over the station's at 10 m [-].

    Raises
    ------
    InputError
        No such surface; says which there are.
    """
    if name in SURFACE_CLASSES:
        build_up, sky = SURFACE_CLASSES[name].build_up, SURFACE_CLASSES[name].sky_view_frac
    elif name in BUILD_UPS:
        build_up, sky = name, OPEN_SKY_FRAC
    else:
        accepted = ", ".join(dict.fromkeys((*SURFACE_CLASSES, *BUILD_UPS)))
        raise InputError(f"--surface: '{name}' is no surface; accepted: {accepted}")
    seen = sky if sky_view_frac is None else sky_view_frac
    return Column(0, BUILD_UPS[build_up], sky_view_frac=seen, wind_factor=wind_factor)


@dataclass(frozen=True)
class Hours:
    """The answer, hour by hour: arrays ``(hour,)``, NaN where nothing is known.

    Attributes
    ----------
    start : datetime
        Start of the first hour, aware UTC [-].
    surface_c, surface_min_c, skin_c : array
        Pavement surface, mean and lowest of the hour, and what sky and wind see [°C].
    depth_c : array (depth, hour)
        Mean of the hour at each depth [°C].
    weather : mapping of array
        What was used, gaps filled [unit in the name].
    marks : mapping of array
        ``Mark`` flags of each [-].
    film : mapping of array
        Masses at the end of the hour, ice share and freeze point [unit in the name].
    state : array of int8
        ``State`` codes [-].
    sure : mapping of array
        Ends of the interval that holds four of five and chances, if asked for [°C], [-].
    notes : tuple of str
        What a reader should know [-].
    """

    start: datetime
    surface_c: Array
    surface_min_c: Array
    skin_c: Array
    depth_c: Array
    weather: Mapping[str, Array]
    marks: Mapping[str, Marks]
    film: Mapping[str, Array]
    state: Array
    sure: Mapping[str, Array]
    notes: tuple[str, ...] = field(default=())

    @property
    def below_freezing(self) -> Array:
        """1 where the surface falls below the freeze point of what lies on it, else 0 [-]."""
        point = np.nan_to_num(self.film["freeze_point_c"])
        below = (self.surface_min_c < point).astype(float)
        return np.where(np.isnan(self.surface_min_c), np.nan, below)

    @property
    def icy(self) -> Array:
        """True where ice or frost lies there at the end of the hour [-]."""
        return np.asarray(np.nan_to_num(self.film["ice_mm"]) > FROST_MM)


def run(
    table: Table,
    place: Place,
    column: Column,
    depths_m: Sequence[float] = (),
    doses: Sequence[Dose] = (),
    lead_h: Array | None = None,
) -> Hours:
    """Run pavement and film through a table.

    Parameters
    ----------
    table : Table
        As read; gaps are filled here [-].
    place : Place
        Where the station stands [-].
    column : Column
        The surface [-].
    depths_m : sequence of float
        Depths to report besides the surface [m].
    doses : sequence of Dose
        What is put down [-].
    lead_h : array (hour,), optional
        How far ahead each hour was, 0 where it was measured; asks for ``sure`` [h].

    Raises
    ------
    InputError
        A negative depth, or an application outside the table.
    """
    values, marks, notes = weather(table, place)
    whole = gapfill.as_forecast(values, marks, table.start, place)
    if lead_h is not None:
        whole = spread.members(whole, lead_h)
    night = is_night(whole.starts, place.latitude_deg, place.longitude_deg)
    when = [(item.hour(table), item) for item in doses]
    columns = Columns.of([column])
    hours = table.hours
    single = {name: np.full(hours, np.nan) for name in ("mean", "lowest", "skin", "sun", "sky")}
    below = np.full((len(depths_m), hours), np.nan)
    film = {name: np.full(hours, np.nan) for name in (*_STORES, "salt_g_m2", *_DERIVED)}
    state = np.full(hours, int(State.UNKNOWN))
    sure = {} if lead_h is None else {name: np.full(hours, np.nan) for name in _SURE}
    for stretch in gapfill.runs(values["air_temp_c"]):
        inside = [(hour - stretch.start, item) for hour, item in when if _in(hour, stretch)]
        taken = course.run(_cut(whole, stretch), columns, _applications(inside), depths_m=depths_m)
        for name, array in _single(taken).items():
            single[name][stretch] = array
        below[:, stretch] = taken.depth_c[:, :, 0, 0]
        for name, array in _film(taken).items():
            film[name][stretch] = array
        state[stretch] = taken.film.state[:, 0, 0]
        if sure:
            dew_c = whole["dew_point_c"][stretch, 0]
            found = spread.sure(taken.surface_c[:, 0], dew_c, night[stretch])
            for name, attribute in _SURE.items():
                sure[name][stretch] = getattr(found, attribute)
    dry_or_not = (state == State.DRY) & ((marks["precip_mm"] & np.uint8(Mark.MODELLED)) > 0)
    state[dry_or_not] = int(State.UNKNOWN)
    for name, used in (("sw_down_wm2", "sun"), ("lw_down_wm2", "sky")):
        marks[name][np.isnan(values[name]) & np.isfinite(single[used])] |= np.uint8(Mark.MODELLED)
        values[name] = single[used]
    return Hours(
        table.start, single["mean"], single["lowest"], single["skin"], below, values, marks, film,
        state, sure, (*table.notes, *notes),
    )  # fmt: skip


def lead_h(table: Table, since: datetime | None) -> Array:
    """How far ahead each hour was, if the table is measured up to a moment and forecast after [h].

    ``since`` None: all of it is measured.
    """
    if since is None:
        return np.zeros(table.hours)
    ahead = (table.start - since) / timedelta(hours=1) + np.arange(table.hours)
    return np.maximum(ahead, 0.0)


def weather(
    table: Table, place: Place
) -> tuple[dict[str, Array], dict[str, Marks], tuple[str, ...]]:
    """Fill a table's gaps: values, marks, and what to say of it.

    Precipitation that is not known counts as none, because temperature must not hang on it; it is
    marked, and a surface is then never called dry.
    """
    values, marks, notes = dict(table.values), dict(table.marks), Notes()
    hourly.agree_humidity(values, marks, notes)
    marks["dew_point_c"][:] = 0  # one measure of moisture from the other fills no gap
    gapfill.fill(values, marks, table.start, place)
    hourly.standard_pressure(values, marks, place.elevation_m)
    _phases(values, marks)
    unknown = np.isnan(values["precip_mm"])
    if unknown.any():
        much = "no hour" if unknown.all() else f"{(~unknown).sum()} of {len(unknown)} h"
        notes.add(
            f"precipitation is known in {much}: elsewhere none is assumed, and the surface is "
            "never called dry"
        )
        hourly.flag(marks, "precip_mm", unknown, Mark.MODELLED)
        for name in ("precip_mm", *phase.PHASES):
            values[name] = np.where(unknown, 0.0, values[name])
    return values, marks, notes.lines()


def _phases(values: dict[str, Array], marks: dict[str, Marks]) -> None:
    """Tell rain from snow by temperature wherever the table has only a total."""
    total_only = dict(values) | {name: values[name] * np.nan for name in phase.PHASES}
    guessed = {name: mark.copy() for name, mark in marks.items()}
    complete(total_only, guessed)
    complete(values, marks)
    for name in phase.PHASES:
        missing = np.isnan(values[name])
        values[name] = np.where(missing, total_only[name], values[name])
        marks[name] = np.where(missing, guessed[name], marks[name])
    parts = np.sum([values[name] for name in phase.PHASES], axis=0)
    values["precip_mm"] = np.where(np.isnan(parts), np.nan, parts)


# -- one stretch ----------------------------------------------------------------------------------

_STORES = ("water_mm", "ice_mm", "frost_mm", "snow_mm")
_SURE = {
    "surface_p10_c": "low_c",
    "surface_p90_c": "high_c",
    "below_freezing_prob": "below_freezing",
    "frost_prob": "frost",
}
_DERIVED = ("ice_frac", "freeze_point_c")


def _in(hour: int, stretch: slice) -> bool:
    return bool(stretch.start <= hour < stretch.stop)


def _cut(whole: Forecast, stretch: slice) -> Forecast:
    return Forecast(
        whole.time(stretch.start),
        whole.cells,
        {name: array[stretch] for name, array in whole.values.items()},
    )


def _applications(doses: Sequence[tuple[int, Dose]]) -> Applications | None:
    if not doses:
        return None
    salts = np.stack([item.salts_frac for _, item in doses], axis=1)
    return Applications.of_liquid(
        np.array([hour for hour, _ in doses]),
        np.zeros(len(doses), dtype=np.intp),
        salts,
        np.array([item.rate_l_m2 for _, item in doses]),
        density_kg_m3(salts, REFERENCE_C) / 1000.0,
    )


def _single(taken: Course) -> dict[str, Array]:
    return {
        "mean": taken.surface_c[:, 0, 0],
        "lowest": taken.surface_min_c[:, 0, 0],
        "skin": taken.skin_c[:, 0, 0],
        "sun": taken.radiation.sw_down_wm2[:, 0, 0],
        "sky": taken.radiation.lw_down_wm2[:, 0, 0],
    }


def _film(taken: Course) -> dict[str, Array]:
    film = {name: getattr(taken.film, name)[:, 0, 0] for name in (*_STORES, *_DERIVED)}
    return film | {"salt_g_m2": 1000.0 * taken.film.salts_kg_m2.sum(axis=0)[:, 0, 0]}


# -- words and columns ----------------------------------------------------------------------------

_PLACES = {"_c": 2, "_frac": 3, "_wm2": 1, "_mm": 3, "_ms": 2, "_m2": 2, "freezing": 0, "_prob": 3}


def write(hours: Hours, depths: Sequence[str]) -> str:
    """Write the answer as CSV, one row per hour; a cell is empty where nothing is known.

    Parameters
    ----------
    hours : Hours
        The answer [-].
    depths : sequence of str
        Depths as they were asked for, for the names of their columns [m].

    Returns
    -------
    str
        ``time`` is the start of the hour, ISO 8601 in UTC; ``modelled`` names what was filled.
    """
    columns = table_columns(hours, depths)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["time", *columns, "film", "modelled"])
    told = [_told(name, values) for name, values in columns.items()]
    shown = {name: marks for name, marks in hours.marks.items() if name in WEATHER_SHOWN}
    for hour, cells in enumerate(zip(*told, strict=True)):
        time = hours.start + timedelta(hours=hour)
        modelled = " ".join(name for name in WEATHER_SHOWN if shown[name][hour])
        words = State(int(hours.state[hour])).words
        writer.writerow([f"{time:%Y-%m-%dT%H:%M:%SZ}", *cells, words, modelled])
    return out.getvalue()


def table_columns(hours: Hours, depths: Sequence[str]) -> dict[str, Array]:
    """Lay out the columns that hold numbers, by name."""
    at_depth = {f"at_{said}m_c": row for said, row in zip(depths, hours.depth_c, strict=True)}
    return (
        {"surface_c": hours.surface_c, "surface_min_c": hours.surface_min_c}
        | at_depth
        | {"skin_c": hours.skin_c}
        | {name: hours.weather[name] for name in WEATHER_SHOWN}
        | dict(hours.film)
        | {"below_freezing": hours.below_freezing}
        | dict(hours.sure)
    )


def _told(name: str, values: Array) -> list[str]:
    places = next(digits for end, digits in _PLACES.items() if name.endswith(end))
    return ["" if text == "nan" else text for text in np.char.mod(f"%.{places}f", values).tolist()]


def summary(hours: Hours) -> list[str]:
    """Say in a few lines what is in the answer."""
    known = np.isfinite(hours.surface_c)
    lines = [
        f"{known.sum()} of {known.size} hours, {hours.start:%Y-%m-%d %H:%M}Z to "
        f"{hours.start + timedelta(hours=known.size):%Y-%m-%d %H:%M}Z"
    ]
    if known.any():
        coldest = int(np.nanargmin(hours.surface_min_c))
        when = hours.start + timedelta(hours=coldest)
        frozen = np.flatnonzero(hours.icy)
        first = hours.start + timedelta(hours=int(frozen[0])) if frozen.size else None
        lines += [
            f"coldest surface {hours.surface_min_c[coldest]:.1f} °C, {when:%Y-%m-%d %H:%M}Z; "
            f"below its freeze point in {int(np.nansum(hours.below_freezing))} h",
            "no ice or frost" if first is None
            else f"ice or frost in {frozen.size} h, first {first:%Y-%m-%d %H:%M}Z",
        ]  # fmt: skip
    lines += [
        f"{name}: filled in {int((hours.marks[name] > 0).sum())} h"
        for name in WEATHER_SHOWN
        if (hours.marks[name] > 0).any()
    ]
    return lines + list(hours.notes)
