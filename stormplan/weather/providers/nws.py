"""The US National Weather Service's gridded forecast: what an hour will be at a place.

``parse_forecast`` turns one ``/gridpoints`` body into a ``CellForecast``: pure, no request, no
clock. ``NwsSource`` asks the service: first which grid cell a place is in, which is remembered,
then for the cell. The grid is edited by forecasters, carries snow, ice and weather in words, and is
free for any use. It has no radiation and no amount by phase: phases come from the words (see
``precip_type``), and a layer that ends or comes empty is unknown from there on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from stormplan.arrays import Array, FlagArray
from stormplan.errors import ForecastError
from stormplan.numerics import floor_hour
from stormplan.store.archive import StoredReply
from stormplan.weather import forecast, infill, precip_by_temperature
from stormplan.weather.forecast import CellForecast, QualityFlag
from stormplan.weather.http_client import Fetcher, FetchError, Reply
from stormplan.weather.http_policy import origin
from stormplan.weather.providers import (
    Location,
    NotServedError,
    flag_stale,
    precip_type,
    quality_control,
)
from stormplan.weather.providers.gather_rules import DEFAULT_RULES
from stormplan.weather.providers.intervals import (
    HourAxis,
    Notes,
    TimeBlock,
    format_utc,
    repeat_over_hours,
)
from stormplan.weather.providers.nws_reply import GridpointReply, convert_entries, parse_reply
from stormplan.weather.providers.older_copies import read_older_copies, read_past_copies
from stormplan.weather.providers.once import OncePerKey
from stormplan.weather.providers.quality_control import refuse_unexpected_form
from stormplan.weather.reply_text import parse_json

SOURCE = "nws"
BASE_URL = "https://api.weather.gov"
CREDIT = "Forecast data: US National Weather Service (public domain)"

#: Our states (a value holds for the hour): the layer of the grid, and the kind of its unit.
INSTANT_VARIABLES: Mapping[str, tuple[str, str]] = {
    "air_temp_c": ("temperature", "temperature"),
    "dew_point_c": ("dewpoint", "temperature"),
    "rel_humidity_pct": ("relativeHumidity", "percent"),
    "wind_10m_ms": ("windSpeed", "speed"),
    "wind_gust_ms": ("windGust", "speed"),
    "cloud_frac": ("skyCover", "fraction"),
    "pop": ("probabilityOfPrecipitation", "fraction"),
    "pressure_hpa": ("pressure", "pressure"),
    "visibility_m": ("visibility", "length"),
}
#: Our totals (an amount for a block of hours, to be split): the same.
ACCUMULATED_VARIABLES: Mapping[str, tuple[str, str]] = {
    "precip_mm": ("quantitativePrecipitation", "depth mm"),
    "snowfall_cm": ("snowfallAmount", "depth cm"),
    "ice_accretion_mm": ("iceAccumulation", "depth mm"),
}
SOURCE_VARIABLES: Mapping[str, tuple[str, str]] = {**INSTANT_VARIABLES, **ACCUMULATED_VARIABLES}
WEATHER_LAYER = "weather"

POINT_MAX_AGE = timedelta(days=7)  # the service moves places to other cells without notice


def _axis(blocks: Iterable[TimeBlock[object]], grid: GridpointReply) -> HourAxis:
    """Whole hours from the earliest entry to the end of the latest."""
    spans = [(block.start, block.end) for block in blocks]
    if not spans:
        raise ForecastError(f"nws {grid.cell_id}: the reply has no forecast values at all")
    first = floor_hour(min(start for start, _ in spans))
    last = max(end for _, end in spans)
    return HourAxis(first, -((first - last) // timedelta(hours=1)))


def _valid_range(name: str) -> forecast.Variable:
    """Range for a value as given; that of a total is for one hour and is checked when split."""
    limits = forecast.VARIABLES[name]
    return limits if name in INSTANT_VARIABLES else replace(limits, highest=math.inf)


def _precip_words(
    blocks: Sequence[TimeBlock[object]], axis: HourAxis, notes: Notes
) -> tuple[precip_type.PrecipWords, Array]:
    """Parse the weather layer: precipitation words, and blowing snow (hour,)."""
    rows = np.zeros(
        (len(blocks) + 1, 4 + len(forecast.PRECIP_TYPES))
    )  # known, falls, blowing, intensity, chance of each phase
    for row, block in zip(rows, blocks, strict=False):
        if not isinstance(block.value, Sequence) or isinstance(block.value, str):
            continue
        row[0] = 1.0
        for entry in block.value:
            if isinstance(entry, Mapping) and entry.get("weather") is not None:
                _parse_weather_entry(entry, row, notes)
    places = [TimeBlock(block.start, block.end, float(i)) for i, block in enumerate(blocks)]
    index = np.nan_to_num(
        repeat_over_hours(WEATHER_LAYER, places, axis, notes), nan=len(blocks)
    ).astype(int)
    by_hour = rows[index]
    known = by_hour[:, 0] > 0.0
    words = precip_type.PrecipWords(
        known, by_hour[:, 1], by_hour[:, 4:] > 0.0, by_hour[:, 3], by_hour[:, 4:]
    )
    return words, np.where(known, by_hour[:, 2], np.nan)


def _parse_weather_entry(entry: Mapping[str, object], row: Array, notes: Notes) -> None:
    word = str(entry["weather"])
    if word == "blowing_snow":
        row[2] = 1.0
    if word not in precip_type.PRECIP_WEATHER:
        if word not in precip_type.NON_PRECIP_WEATHER:
            notes.add("weather: word that is not known, passed over", f"{word:.40}")
        return
    intensity = precip_type.INTENSITY_WEIGHT.get(str(entry.get("intensity")), 1.0)
    coverage = precip_type.COVERAGE_PROBABILITY.get(
        str(entry.get("coverage")), precip_type.DEFAULT_COVERAGE_PROBABILITY
    )
    row[1] = max(row[1], intensity * coverage)
    row[3] = max(row[3], intensity)
    precip_type_index = precip_type.PRECIP_WEATHER[word]
    if precip_type_index is not None:
        row[4 + precip_type_index] = max(row[4 + precip_type_index], coverage)


def _fill_precip(
    values: dict[str, Array],
    marks: dict[str, FlagArray],
    totals: Mapping[str, list[TimeBlock[float]]],
    words: precip_type.PrecipWords,
    axis: HourAxis,
    notes: Notes,
) -> None:
    """Split water, snow and ice over hours and phases, and doubt what does not fit."""
    ice_block = repeat_over_hours("iceAccumulation", totals["ice_accretion_mm"], axis, Notes())
    weight = words.weight * np.fmax(np.nan_to_num(values["pop"], nan=1.0), precip_type.MIN_POP)

    def disaggregate_layer(name: str, weights: list[Array]) -> precip_type.HourlyTotals:
        layer = ACCUMULATED_VARIABLES[name][0]
        hourly = precip_type.disaggregate(
            layer, totals[name], axis, weights, forecast.VARIABLES[name].highest, notes
        )
        values[name] = hourly.amount
        marks[name][hourly.disaggregated] |= np.uint16(QualityFlag.DISAGGREGATED)
        marks[name][hourly.timing_unknown] |= np.uint16(QualityFlag.INFERRED_PRECIP_TYPE)
        return hourly

    water = disaggregate_layer("precip_mm", [weight]).amount
    type_fracs, inferred = precip_type.type_fracs_from_words(
        words, precip_by_temperature.AirState.from_values(values, ice_block)
    )
    precip_by_temperature.split_by_type(values, marks, water, type_fracs, inferred)
    named = words.weight[:, None] * words.types
    disaggregate_layer(
        "snowfall_cm", [values["snowfall_swe_mm"], named[:, precip_by_temperature.SNOW]]
    )
    disaggregate_layer(
        "ice_accretion_mm",
        [values["freezing_rain_mm"], named[:, precip_by_temperature.FREEZING_RAIN]],
    )
    precip_type.check_consistency(values, totals, words, axis, notes)
    quality_control.reconcile_chance(values, words.chance, marks, notes)
    values |= words.variables()


def parse_forecast(payload: object, fetched_at: datetime) -> CellForecast:
    """Read one ``/gridpoints`` body, however little it holds.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.
    fetched_at : datetime
        When it was received, aware UTC.

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
    grid = parse_reply(payload)
    notes = Notes()
    layers = [layer for layer, _ in SOURCE_VARIABLES.values()]
    raw = {layer: grid.entries(layer, notes) for layer in (*layers, WEATHER_LAYER)}
    axis = _axis((block for blocks in raw.values() for block in blocks), grid)
    numbers = {
        name: convert_entries(grid, layer, kind, raw[layer], _valid_range(name), notes)
        for name, (layer, kind) in SOURCE_VARIABLES.items()
    }
    values = {
        name: repeat_over_hours(INSTANT_VARIABLES[name][0], numbers[name], axis, notes)
        for name in INSTANT_VARIABLES
    }
    marks = forecast.no_flags(axis.n_hours)
    words, values["blowing_snow"] = _precip_words(raw[WEATHER_LAYER], axis, notes)

    quality_control.reconcile_humidity(values, marks, notes)
    infill.fill_standard_pressure(values, marks, grid.elevation_m)
    _fill_precip(
        values, marks, {name: numbers[name] for name in ACCUMULATED_VARIABLES}, words, axis, notes
    )
    _note_gaps(values, notes)
    quality_control.note_temp_jumps(values, axis, notes)
    return CellForecast(
        source=SOURCE,
        cell_id=grid.cell_id,
        latitude_deg=grid.latitude_deg,
        longitude_deg=grid.longitude_deg,
        elevation_m=grid.elevation_m,
        start=axis.start,
        issued_at=grid.issued_at,
        fetched_at=fetched_at,
        values={name: array[:, None] for name, array in values.items()},
        flags={name: marks[name] for name in values if name in marks},
        notes=notes.lines(),
        contradictions=notes.contradictions(),
        credit=CREDIT,
    )


def parse_plannable_forecast(payload: object, fetched_at: datetime, now: datetime) -> CellForecast:
    """Read one body and refuse it if no plan can stand on it.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.
    fetched_at, now : datetime
        When it was received, and the moment planned for, aware UTC: decides its age, and which
        hours must be known.

    Raises
    ------
    ForecastError
        As ``parse_forecast``, or no temperature from ``now`` on.
    """
    return quality_control.require_usable(parse_forecast(payload, fetched_at), now)


def _note_gaps(values: Mapping[str, Array], notes: Notes) -> None:
    """Add a note for each amount that is unknown throughout."""
    for name, (layer, _) in ACCUMULATED_VARIABLES.items():
        if not np.isfinite(values[name]).any():
            notes.add(f"{layer}: empty, so {forecast.VARIABLES[name].meaning} is unknown, not zero")


def format_coordinate(degrees: float) -> str:
    """Write a coordinate as the service wants it: four decimals at most, none of them padding."""
    text = f"{degrees:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _parse_fetched(reply: Reply, now: datetime) -> CellForecast:
    """Read a reply; a stale one is marked so, and says why it stands in if it is no use either."""
    if reply.state != "stale":
        return parse_plannable_forecast(reply.payload, reply.fetched_at, now)
    try:
        return flag_stale(
            parse_plannable_forecast(reply.payload, reply.fetched_at, now), reply.reason
        )
    except ForecastError as error:
        raise ForecastError(f"{reply.reason}; but {error}") from error


class NwsSource:
    """The service at one address, for one run; each cell is asked for once.

    Parameters
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes.
    base_url : str
        Where the service is; the grid of a place must be on the same host.
    issue_time_tolerance : timedelta
        How far ahead of its receipt a time of issue is believed.
    """

    def __init__(
        self,
        fetcher: Fetcher,
        base_url: str = BASE_URL,
        issue_time_tolerance: timedelta = DEFAULT_RULES.issue_time_tolerance,
    ) -> None:
        self._fetcher = fetcher
        self._base_url = base_url.rstrip("/")
        self._issue_time_tolerance = issue_time_tolerance
        self._cells: OncePerKey[CellForecast] = OncePerKey()
        self._copies: OncePerKey[list[CellForecast]] = OncePerKey()
        self._past: OncePerKey[list[CellForecast]] = OncePerKey()

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        """Return the forecast of the cell a location is in; one object per cell.

        Parameters
        ----------
        location : Location
            Where [°].
        now : datetime
            The moment planned for, aware UTC.

        Raises
        ------
        ForecastError
            Outside coverage, or nothing usable now nor in the archive.
        """
        grid_url = self._grid_url(location, now)
        try:
            return self._fetch_cell(grid_url, now)
        except FetchError as error:
            if error.status != 404:
                raise
            return self._refetch_moved_location(location, grid_url, now, error)

    def older_copies(self, location: Location, now: datetime) -> list[CellForecast]:
        """Return the older copies of the cell a location is in, newest first."""
        grid_url = self._grid_url(location, now)
        return self._copies.get(
            (grid_url, now),
            lambda: read_older_copies(
                self._fetcher.archive, grid_url, now, parse_plannable_forecast, SOURCE
            ),
        )

    def past_copies(self, location: Location, now: datetime) -> list[CellForecast]:
        """Return the copies that tell the hours before now of a location's cell, newest first."""
        grid_url = self._grid_url(location, now)
        guarded = refuse_unexpected_form(parse_plannable_forecast, SOURCE, grid_url)

        def parse(stored: StoredReply) -> CellForecast:
            return guarded(parse_json(stored.body), stored.fetched_at, stored.fetched_at)

        return self._past.get(
            (grid_url, now), lambda: read_past_copies(self._fetcher.archive, grid_url, now, parse)
        )

    def _grid_url(self, location: Location, now: datetime, *, recheck: bool = False) -> str:
        """Address of the grid a place is in: remembered for a week, else looked up."""
        latitude, longitude = (
            format_coordinate(location.latitude_deg),
            format_coordinate(location.longitude_deg),
        )
        url = f"{self._base_url}/points/{latitude},{longitude}"
        point = self._fetcher.archive.last_grid_lookup(url, now)
        if point is not None and now - point.looked_up_at < POINT_MAX_AGE and not recheck:
            return point.grid_url
        try:
            reply = self._fetcher.get(url, now, self._grid_url_in, recheck=recheck)
        except FetchError as error:
            if error.status == 404:
                raise NotServedError(
                    f"nws: {location.latitude_deg}, {location.longitude_deg} is outside the "
                    "area the "
                    "service covers; check the coordinates (latitude first, west is negative)",
                    404,
                ) from error
            if point is None:
                raise
            return point.grid_url  # older than a week is better than none
        grid_url = self._grid_url_in(reply.payload)
        if reply.state != "stale" and not self._fetcher.offline:
            self._fetcher.archive.add_grid_lookup(url, grid_url, now)
        return grid_url

    def _grid_url_in(self, payload: object) -> str:
        """Address of the grid that the body of a point names; refused on another host."""
        properties = payload.get("properties") if isinstance(payload, Mapping) else None
        grid_url = properties.get("forecastGridData") if isinstance(properties, Mapping) else None
        if not isinstance(grid_url, str):
            raise ForecastError("nws: the reply for a place names no grid ('forecastGridData')")
        if origin(grid_url) != origin(self._base_url):
            raise ForecastError(
                f"nws: the grid of a place is said to be at {grid_url}, which is not on the "
                "host of "
                f"{self._base_url}; refused"
            )
        return grid_url

    def _fetch_cell(self, grid_url: str, now: datetime) -> CellForecast:
        """Get and read one cell, or fail as before: each is asked for once."""
        return self._cells.get(
            (grid_url, now), lambda: _parse_fetched(self._fetch_reply(grid_url, now), now)
        )

    def _refetch_moved_location(
        self, location: Location, old_grid_url: str, now: datetime, error: FetchError
    ) -> CellForecast:
        """Fetch a location's new grid; without one, use the archived copy of the old."""
        grid_url = self._grid_url(location, now, recheck=True)
        if grid_url != old_grid_url:
            return self._fetch_cell(grid_url, now)
        stored = self._fetcher.archive.last_good_reply(old_grid_url, now)
        if stored is None:
            raise error
        stale = self._fetcher.use_stale_copy(stored, now, str(error))
        return self._cells.get(("stale", old_grid_url, now), lambda: _parse_fetched(stale, now))

    def _fetch_reply(self, grid_url: str, now: datetime) -> Reply:
        """Fetch a grid; a body that is older or cannot be planned from is rejected."""
        stored = self._fetcher.archive.last_good_reply(grid_url, now)

        def believed(issued_at: datetime, received_at: datetime) -> datetime:
            """Return a time of issue that says nothing against later ones if it is impossible."""
            in_future = issued_at > received_at + self._issue_time_tolerance
            return received_at if in_future else issued_at

        def check(payload: object) -> None:
            parse = refuse_unexpected_form(parse_plannable_forecast, SOURCE, grid_url)
            cell = parse(payload, now, now)
            if stored is not None:
                stored_issued_at = parse_reply(parse_json(stored.body)).issued_at
                stored_issued_at = believed(stored_issued_at, stored.fetched_at)
                if believed(cell.issued_at, now) < stored_issued_at:
                    raise ForecastError(
                        f"nws {cell.cell_id}: answered with an older forecast, issued "
                        f"{format_utc(cell.issued_at)}, than the one at hand"
                    )

        return self._fetcher.get(grid_url, now, check)
