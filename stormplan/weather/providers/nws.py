"""The US National Weather Service's gridded forecast: what an hour will be at a place.

``parse`` turns one ``/gridpoints`` body into a ``CellForecast``: pure, no request, no clock.
``Nws`` asks the service: first which grid cell a place is in, which is remembered, then for the
cell. The grid is edited by forecasters, carries snow, ice and weather in words, and is free for
any use. It has no radiation and no amount by phase: phases come from the words (see ``phase``),
and a layer that ends or comes empty is unknown from there on.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from stormplan.errors import ForecastError
from stormplan.weather import forecast, moist_air
from stormplan.weather.forecast import CellForecast, Mark, Marks
from stormplan.weather.http_client import Fetcher, FetchError, Reply
from stormplan.weather.http_policy import origin
from stormplan.weather.providers import (
    NotServedError,
    Place,
    mark_stale,
    precip_type,
    quality_control,
)
from stormplan.weather.providers.intervals import Array, Block, HourAxis, Notes, spell, step
from stormplan.weather.providers.nws_reply import Grid, numbers_in, open_body

SOURCE = "nws"
BASE_URL = "https://api.weather.gov"
CREDIT = "Forecast data: US National Weather Service (public domain)"

#: Our states (a value holds for the hour): the layer of the grid, and the kind of its unit.
STATES: Mapping[str, tuple[str, str]] = {
    "air_temp_c": ("temperature", "temperature"),
    "dew_point_c": ("dewpoint", "temperature"),
    "rel_humidity_pct": ("relativeHumidity", "percent"),
    "wind_10m_ms": ("windSpeed", "speed"),
    "wind_gust_ms": ("windGust", "speed"),
    "cloud_frac": ("skyCover", "share"),
    "pop": ("probabilityOfPrecipitation", "share"),
    "pressure_hpa": ("pressure", "pressure"),
    "visibility_m": ("visibility", "length"),
}
#: Our totals (an amount for a block of hours, to be split): the same.
TOTALS: Mapping[str, tuple[str, str]] = {
    "precip_mm": ("quantitativePrecipitation", "depth mm"),
    "snow_depth_cm": ("snowfallAmount", "depth cm"),
    "ice_accr_mm": ("iceAccumulation", "depth mm"),
}
VARIABLES: Mapping[str, tuple[str, str]] = {**STATES, **TOTALS}
WEATHER = "weather"

POINT_LASTS = timedelta(days=7)  # the service moves places to other cells without notice


def _axis(blocks: Iterable[Block[object]], grid: Grid) -> HourAxis:
    """Whole hours from the earliest entry to the end of the latest."""
    spans = [(block.start, block.end) for block in blocks]
    if not spans:
        raise ForecastError(f"nws {grid.cell}: the reply has no forecast values at all")
    first = min(start for start, _ in spans).replace(minute=0, second=0, microsecond=0)
    last = max(end for _, end in spans)
    return HourAxis(first, -((first - last) // timedelta(hours=1)))


def _limits(name: str) -> forecast.Variable:
    """Range for a value as given; that of a total is for one hour and is checked when split."""
    limits = forecast.VARIABLES[name]
    return limits if name in STATES else replace(limits, highest=math.inf)


def _words(
    blocks: Sequence[Block[object]], axis: HourAxis, notes: Notes
) -> tuple[precip_type.Words, Array]:
    """Read what the weather layer says falls, and whether it says blowing snow (hour,) [-]."""
    rows = np.zeros((len(blocks) + 1, 3 + len(forecast.PHASES)))  # known, falls, blowing, phases
    for row, block in zip(rows, blocks, strict=False):
        if not isinstance(block.value, Sequence) or isinstance(block.value, str):
            continue
        row[0] = 1.0
        for entry in block.value:
            if isinstance(entry, Mapping) and entry.get("weather") is not None:
                _read_word(entry, row, notes)
    places = [Block(block.start, block.end, float(i)) for i, block in enumerate(blocks)]
    index = np.nan_to_num(step(WEATHER, places, axis, notes), nan=len(blocks)).astype(int)
    by_hour = rows[index]
    known = by_hour[:, 0] > 0.0
    words = precip_type.Words(known, by_hour[:, 1], by_hour[:, 3:] > 0.0)
    return words, np.where(known, by_hour[:, 2], np.nan)


def _read_word(entry: Mapping[str, object], row: Array, notes: Notes) -> None:
    word = str(entry["weather"])
    if word == "blowing_snow":
        row[2] = 1.0
    if word not in precip_type.FALLING:
        if word not in precip_type.NOT_FALLING:
            notes.add("weather: word that is not known, passed over", f"{word:.40}")
        return
    hard = precip_type.INTENSITY.get(str(entry.get("intensity")), 1.0)
    wide = precip_type.COVERAGE.get(str(entry.get("coverage")), precip_type.UNSAID_COVERAGE)
    row[1] = max(row[1], hard * wide)
    named = precip_type.FALLING[word]
    if named is not None:
        row[3 + named] = 1.0


def _falling(
    values: dict[str, Array],
    marks: dict[str, Marks],
    totals: Mapping[str, list[Block[float]]],
    words: precip_type.Words,
    axis: HourAxis,
    notes: Notes,
) -> None:
    """Split water, snow and ice over hours and phases, and doubt what does not fit."""
    temp = values["air_temp_c"]
    wet_bulb = moist_air.wet_bulb_c(
        temp, values["dew_point_c"], quality_control.pressure_pa(values)
    )
    ice_block = step("iceAccumulation", totals["ice_accr_mm"], axis, Notes())
    weight = words.falls * np.fmax(np.nan_to_num(values["pop"], nan=1.0), precip_type.LEAST_POP)

    def share_out(name: str, weights: list[Array]) -> precip_type.Totals:
        layer = TOTALS[name][0]
        found = precip_type.split(
            layer, totals[name], axis, weights, forecast.VARIABLES[name].highest, notes
        )
        values[name] = found.amount
        marks[name][found.shared] |= np.uint8(Mark.SPLIT)
        marks[name][found.even] |= np.uint8(Mark.GUESSED_PHASE)
        return found

    water = share_out("precip_mm", [weight]).amount
    shares, guessed = precip_type.phases(words, precip_type.Air(temp, wet_bulb, ice_block))
    precip_type.shared_out(values, marks, water, shares, guessed)
    named = words.falls[:, None] * words.named
    share_out("snow_depth_cm", [values["snow_we_mm"], named[:, precip_type.SNOW]])
    share_out("ice_accr_mm", [values["frz_rain_mm"], named[:, precip_type.FREEZING]])
    precip_type.doubt(values, totals, words, axis, notes)


def read(payload: object, fetched_at: datetime) -> CellForecast:
    """Read one ``/gridpoints`` body, however little it holds.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it [-].
    fetched_at : datetime
        When it was received, aware UTC [-].

    Returns
    -------
    CellForecast
        Hours from the earliest entry of the body to the latest, one member. Every variable the
        source could give is present, NaN where unknown.

    Raises
    ------
    ForecastError
        Not a gridded forecast, or no time of issue or place.
    """
    grid = open_body(payload)
    notes = Notes()
    layers = [layer for layer, _ in VARIABLES.values()]
    raw = {layer: grid.entries(layer, notes) for layer in (*layers, WEATHER)}
    axis = _axis((block for blocks in raw.values() for block in blocks), grid)
    numbers = {
        name: numbers_in(grid, layer, kind, raw[layer], _limits(name), notes)
        for name, (layer, kind) in VARIABLES.items()
    }
    values = {name: step(STATES[name][0], numbers[name], axis, notes) for name in STATES}
    marks = quality_control.unmarked(axis.hours)
    words, values["blowing_snow"] = _words(raw[WEATHER], axis, notes)

    quality_control.agree_humidity(values, marks, notes)
    quality_control.standard_pressure(values, marks, grid.elevation_m)
    _falling(values, marks, {name: numbers[name] for name in TOTALS}, words, axis, notes)
    _note_gaps(values, notes)
    quality_control.note_jumps(values, axis, notes)
    return CellForecast(
        source=SOURCE,
        cell=grid.cell,
        latitude_deg=grid.latitude_deg,
        longitude_deg=grid.longitude_deg,
        elevation_m=grid.elevation_m,
        start=axis.start,
        issued_at=grid.issued_at,
        fetched_at=fetched_at,
        values={name: array[:, None] for name, array in values.items()},
        marks={name: marks[name] for name in values},
        notes=notes.lines(),
        contradictions=notes.impossible(),
        credit=CREDIT,
    )


def parse(payload: object, fetched_at: datetime, now: datetime) -> CellForecast:
    """Read one body and refuse it if no plan can stand on it.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it [-].
    fetched_at, now : datetime
        When it was received, and the moment planned for, aware UTC: decides its age, and which
        hours must be known [-].

    Raises
    ------
    ForecastError
        As ``read``, or a required variable unknown in one of the 24 h from ``now``.
    """
    return quality_control.fit(read(payload, fetched_at), now)


def _note_gaps(values: Mapping[str, Array], notes: Notes) -> None:
    """Say which amounts are unknown throughout."""
    for name, (layer, _) in TOTALS.items():
        if not np.isfinite(values[name]).any():
            notes.add(f"{layer}: empty, so {forecast.VARIABLES[name].meaning} is unknown, not zero")


def coordinate(degrees: float) -> str:
    """Write a coordinate as the service wants it: four decimals at most, none of them padding."""
    text = f"{degrees:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _opened(reply: Reply, now: datetime) -> CellForecast:
    """Read a reply; a stale one is marked so, and says why it stands in if it is no use either."""
    if reply.state != "stale":
        return parse(reply.payload, reply.fetched_at, now)
    try:
        return mark_stale(parse(reply.payload, reply.fetched_at, now), reply.reason)
    except ForecastError as error:
        raise ForecastError(f"{reply.reason}; but {error}") from error


class Nws:
    """The service at one address, for one run; each cell is asked for once.

    Parameters
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes [-].
    base_url : str
        Where the service is; the grid of a place must be on the same host [-].
    """

    def __init__(self, fetcher: Fetcher, base_url: str = BASE_URL) -> None:
        self._fetcher = fetcher
        self._base_url = base_url.rstrip("/")
        self._cells: dict[tuple[str, datetime], CellForecast | ForecastError] = {}

    def forecast(self, place: Place, now: datetime) -> CellForecast:
        """Give the forecast of the cell a place is in; the same object for the same cell.

        Parameters
        ----------
        place : Place
            Where [°].
        now : datetime
            The moment planned for, aware UTC [-].

        Raises
        ------
        ForecastError
            Outside coverage, or nothing usable now nor in the archive.
        """
        grid_url = self._grid_url(place, now)
        try:
            return self._cell(grid_url, now)
        except FetchError as error:
            if error.status != 404:
                raise
            return self._moved(place, grid_url, now, error)

    def _grid_url(self, place: Place, now: datetime, *, recheck: bool = False) -> str:
        """Address of the grid a place is in: remembered for a week, else looked up."""
        latitude, longitude = coordinate(place.latitude_deg), coordinate(place.longitude_deg)
        url = f"{self._base_url}/points/{latitude},{longitude}"
        point = self._fetcher.archive.point(url, now)
        if point is not None and now - point.looked_up_at < POINT_LASTS and not recheck:
            return point.grid_url
        try:
            reply = self._fetcher.get(url, now, self._named_grid, recheck=recheck)
        except FetchError as error:
            if error.status == 404:
                raise NotServedError(
                    f"nws: {place.latitude_deg}, {place.longitude_deg} is outside the area the "
                    "service covers; check the coordinates (latitude first, west is negative)",
                    404,
                ) from error
            if point is None:
                raise
            return point.grid_url  # older than a week is better than none
        grid_url = self._named_grid(reply.payload)
        if reply.state != "stale" and not self._fetcher.offline:
            self._fetcher.archive.remember_point(url, grid_url, now)
        return grid_url

    def _named_grid(self, payload: object) -> str:
        """Address of the grid that the body of a point names; refused on another host."""
        properties = payload.get("properties") if isinstance(payload, Mapping) else None
        named = properties.get("forecastGridData") if isinstance(properties, Mapping) else None
        if not isinstance(named, str):
            raise ForecastError("nws: the reply for a place names no grid ('forecastGridData')")
        if origin(named) != origin(self._base_url):
            raise ForecastError(
                f"nws: the grid of a place is said to be at {named}, which is not on the host of "
                f"{self._base_url}; refused"
            )
        return named

    def _cell(self, grid_url: str, now: datetime) -> CellForecast:
        """Get and read one cell, or fail as before: each is asked for once."""
        known = self._cells.get((grid_url, now))
        if known is None:
            try:
                known = _opened(self._reply(grid_url, now), now)
            except ForecastError as error:
                known = error
            self._cells[grid_url, now] = known
        if isinstance(known, ForecastError):
            raise known
        return known

    def _moved(self, place: Place, gone: str, now: datetime, error: FetchError) -> CellForecast:
        """Follow a place to its new grid; else let the old copy stand in."""
        grid_url = self._grid_url(place, now, recheck=True)
        if grid_url != gone:
            return self._cell(grid_url, now)
        kept = self._fetcher.archive.last_good(gone, now)
        if kept is None:
            raise error
        cell = _opened(self._fetcher.stand_in(kept, now, str(error)), now)
        self._cells[gone, now] = cell
        return cell

    def _reply(self, grid_url: str, now: datetime) -> Reply:
        """Ask for a grid; a body that cannot be planned from, or an older one, is no good."""
        kept = self._fetcher.archive.last_good(grid_url, now)

        def check(payload: object) -> None:
            cell = parse(payload, now, now)
            if kept is not None:
                known = open_body(json.loads(kept.body)).issued_at
                if cell.issued_at < known:
                    raise ForecastError(
                        f"nws {cell.cell}: answered with an older forecast, issued "
                        f"{spell(cell.issued_at)}, than the one at hand"
                    )

        return self._fetcher.get(grid_url, now, check)
