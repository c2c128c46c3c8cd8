"""Open-Meteo: forecasts with shortwave from many models, and ensembles with all their members.

``parse`` reads one hourly body. Sums, means and codes of a row are for the hour before it, so they
move up one row; states stay. Its snow depth is its snow water at a fixed seven to one: taken back
to water, and the depth modelled. Rain and snow come as amounts; freezing rain only as a code.
The free service is for non-commercial use alone; a company needs a key.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from functools import partial
from urllib.parse import urlencode

import numpy as np
from numpy.typing import NDArray

from stormplan.weather import moist_air
from stormplan.weather.forecast import PHASES, CellForecast, Mark, Marks
from stormplan.weather.http_client import Fetcher, Terms
from stormplan.weather.providers import Place, precip_type, quality_control
from stormplan.weather.providers.intervals import Array, HourAxis, Notes
from stormplan.weather.providers.openmeteo_reply import Table, check_hourly, open_table
from stormplan.weather.providers.single_url import Direct

SOURCE, ENSEMBLE = "openmeteo", "openmeteo_ensemble"
CREDIT = "Weather data by Open-Meteo.com (CC BY 4.0), brought to hours and phases here"
BASE_URLS: Mapping[str, tuple[str, str]] = {  # free, and with a key
    SOURCE: ("https://api.open-meteo.com", "https://customer-api.open-meteo.com"),
    ENSEMBLE: (
        "https://ensemble-api.open-meteo.com",
        "https://customer-ensemble-api.open-meteo.com",
    ),
}
ENDPOINTS = {SOURCE: "/v1/forecast", ENSEMBLE: "/v1/ensemble"}
ENSEMBLE_MODEL = "gfs_seamless"  # a control run and 30 members
#: Ensembles are asked on a lattice of a tenth of a degree, well inside the model's own quarter, so
#: that sites near each other share one request and one set of columns.
DECIMALS: Mapping[str, int] = {SOURCE: 4, ENSEMBLE: 1}
PAST_DAYS, AHEAD_DAYS = 3, 8
LASTS = timedelta(hours=1)  # the service says nothing about freshness; models run every 1-6 h

#: States at the stamp of the row: name, and the kind of its unit.
STATES: Mapping[str, tuple[str, str]] = {
    "air_temp_c": ("temperature_2m", "temperature"),
    "dew_point_c": ("dew_point_2m", "temperature"),
    "rel_humidity_pct": ("relative_humidity_2m", "percent"),
    "wind_10m_ms": ("wind_speed_10m", "speed"),
    "cloud_frac": ("cloud_cover", "share"),
    "pressure_hpa": ("surface_pressure", "pressure"),
    "visibility_m": ("visibility", "length"),
}
#: Mean, highest, sum or chance of the hour before the stamp: the same.
BEFORE: Mapping[str, tuple[str, str]] = {
    "wind_gust_ms": ("wind_gusts_10m", "speed"),
    "sw_down_wm2": ("shortwave_radiation", "flux"),
    "pop": ("precipitation_probability", "share"),
    "precip_mm": ("precipitation", "depth mm"),
}
PARTS: Mapping[str, str] = {"rain": "depth mm", "showers": "depth mm", "snowfall": "depth cm"}
CODE = "weather_code"
NOT_IN_ENSEMBLES = frozenset({"precipitation_probability", "showers", "visibility"})

WATER_MM_PER_SNOW_CM = 1.0 / 0.7  # the service makes depth from water at this fixed ratio
TRACE_MM = 1e-9

# WMO code table 4677 as the service uses it; thunderstorms name no phase.
FREEZING_CODES = (56, 57, 66, 67)
RAIN_CODES = (51, 53, 55, 61, 63, 65, 80, 81, 82)
SNOW_CODES = (71, 73, 75, 77, 85, 86)


def _hour_before(rows: Array) -> Array:
    """Move values that are for the hour before their stamp to the hour that starts it."""
    return np.concatenate([rows[1:], np.full((1, rows.shape[1]), np.nan)])


def _known_sum(*parts: Array) -> Array:
    """Sum of what is known; NaN where nothing is."""
    known = np.any([np.isfinite(part) for part in parts], axis=0)
    return np.where(known, np.nansum(parts, axis=0), np.nan)


def _amount(name: str, rows: Array, marks: Mapping[str, Marks], into: str, notes: Notes) -> Array:
    """Bring an amount to its hour; models give small negative ones, which are nothing."""
    rows = _hour_before(rows)
    below = rows < 0.0
    if below.any():
        notes.add(f"{name}: negative in {quality_control.any_member(below).sum()} h, taken as none")
    quality_control.flag(marks, into, below, Mark.CLIPPED)
    return np.where(below, 0.0, rows)


def _shares(rain: Array, snow: Array, code: Array) -> Array:
    """Share of each phase (hour, member, phase): by amounts, else by the code, else zero."""
    total = _known_sum(rain, snow)
    by_amount = total > TRACE_MM
    shares = np.zeros((*rain.shape, len(PHASES)))
    shares[..., precip_type.SNOW] = np.where(
        by_amount, np.nan_to_num(snow) / np.where(by_amount, total, 1.0), np.isin(code, SNOW_CODES)
    )
    freezing = np.isin(code, FREEZING_CODES)
    wet = np.where(
        by_amount, 1.0 - shares[..., precip_type.SNOW], freezing | np.isin(code, RAIN_CODES)
    )
    shares[..., precip_type.FREEZING] = np.where(freezing, wet, 0.0)
    shares[..., precip_type.RAIN] = np.where(freezing, 0.0, wet)
    return shares


def _falling(values: dict[str, Array], marks: dict[str, Marks], table: Table, notes: Notes) -> None:
    """Bring water to phases, and model the depth of snow."""
    parts = {
        name: _amount(name, table.values(name, kind, notes), marks, "precip_mm", notes)
        for name, kind in PARTS.items()
    }
    rain = _known_sum(parts["rain"], parts["showers"])
    snow = parts["snowfall"] * WATER_MM_PER_SNOW_CM
    said = _amount("precipitation", values["precip_mm"], marks, "precip_mm", notes)
    said = quality_control.within("precip_mm", said, "precipitation", notes)
    water = np.where(np.isnan(said), _known_sum(rain, snow), said)
    apart = np.abs(water - rain - snow) > 0.2 + 0.2 * water
    if apart.any():
        hours = quality_control.any_member(apart).sum()
        notes.add(
            f"precipitation: not the sum of rain and snow in {hours} h; their shares are used"
        )
    values["precip_mm"] = water
    code = _hour_before(table.values(CODE, "code", notes))
    shares, guessed = _corrected(_shares(rain, snow, code), values)
    precip_type.shared_out(values, marks, water, shares, guessed)
    quality_control.model_snow_depth(values, marks)


def _corrected(shares: Array, values: Mapping[str, Array]) -> tuple[Array, NDArray[np.bool_]]:
    """Correct shares by temperature, all members at once."""
    temp = values["air_temp_c"]
    wet_bulb = moist_air.wet_bulb_c(
        temp, values["dew_point_c"], quality_control.pressure_pa(values)
    )
    state = precip_type.Air(temp.ravel(), wet_bulb.ravel(), np.full(temp.size, np.nan))
    flat, guessed = precip_type.corrected(shares.reshape(temp.size, -1), state)
    return flat.reshape(shares.shape), guessed.reshape(temp.shape)


def read(payload: object, fetched_at: datetime, source: str = SOURCE) -> CellForecast:
    """Read one body, however little it holds.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it [-].
    fetched_at : datetime
        When it was received, aware UTC; stands for the time of issue, which is not said [-].
    source : str
        ``SOURCE`` or ``ENSEMBLE`` [-].

    Returns
    -------
    CellForecast
        As many members as the body has; the control run is the first.

    Raises
    ------
    ForecastError
        Not such a body, or one that does not say where and when.
    """
    notes = Notes()
    table = open_table(payload)
    check_hourly(table)
    axis = HourAxis(table.times[0], len(table.times))
    marks = quality_control.unmarked(axis.hours)
    values: dict[str, Array] = {}
    for name, (said, kind) in {**STATES, **BEFORE}.items():
        rows = table.values(said, kind, notes)
        if name == "precip_mm":  # moved and checked with its parts
            values[name] = rows
            continue
        rows = _hour_before(rows) if name in BEFORE else rows
        values[name] = quality_control.within(name, rows, said, notes)
    quality_control.agree_humidity(values, marks, notes)
    quality_control.standard_pressure(values, marks, table.elevation_m)
    _falling(values, marks, table, notes)
    quality_control.note_jumps(values, axis, notes)
    notes.add("the service does not say when the model ran; the time of receipt is used")
    return CellForecast(
        source=source,
        cell=f"{table.latitude_deg:g},{table.longitude_deg:g}",
        latitude_deg=table.latitude_deg,
        longitude_deg=table.longitude_deg,
        elevation_m=table.elevation_m,
        start=axis.start,
        issued_at=fetched_at,
        fetched_at=fetched_at,
        values=values,
        marks={name: marks[name] for name in values},
        notes=notes.lines(),
        credit=CREDIT,
    )


def parse(
    payload: object, fetched_at: datetime, now: datetime, source: str = SOURCE
) -> CellForecast:
    """Read one body and refuse it if no plan can stand on it.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it [-].
    fetched_at, now : datetime
        When it was received, and the moment planned for, aware UTC [-].
    source : str
        ``SOURCE`` or ``ENSEMBLE`` [-].

    Raises
    ------
    ForecastError
        As ``read``, or a required variable unknown in one of the 24 h from ``now``.
    """
    return quality_control.fit(read(payload, fetched_at, source), now)


def columns(source: str) -> list[str]:
    """List the variables to ask for."""
    names = [said for said, _ in {**STATES, **BEFORE}.values()] + [*PARTS, CODE]
    left_out = NOT_IN_ENSEMBLES if source == ENSEMBLE else frozenset()
    return [name for name in names if name not in left_out]


def source(
    fetcher: Fetcher, name: str = SOURCE, base_url: str | None = None, key: str | None = None
) -> Direct:
    """Make the source for one run.

    Parameters
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes [-].
    name : str
        ``SOURCE`` or ``ENSEMBLE`` [-].
    base_url : str, optional
        Where the service is; the public one, or the one for customers with a key, if not said [-].
    key : str, optional
        Sent with every request, neither kept nor said [-].
    """
    base = base_url or BASE_URLS[name][1 if key else 0]
    asked = {
        "hourly": ",".join(columns(name)),
        **({"models": ENSEMBLE_MODEL} if name == ENSEMBLE else {}),
        "past_days": PAST_DAYS,
        "forecast_days": AHEAD_DAYS,
        "timezone": "GMT",
        "timeformat": "unixtime",
        "wind_speed_unit": "ms",
    }
    rest = urlencode(asked, safe=",")

    def address(place: Place) -> str:
        digits = DECIMALS[name]
        latitude, longitude = round(place.latitude_deg, digits), round(place.longitude_deg, digits)
        where = f"latitude={latitude:.{digits}f}&longitude={longitude:.{digits}f}"
        return f"{base.rstrip('/')}{ENDPOINTS[name]}?{where}&{rest}"

    secret = {"apikey": key} if key else {}
    terms = Terms(accept="application/json", lasts=LASTS, secret=secret)
    return Direct(fetcher, address, partial(parse, source=name), terms)
