"""Open-Meteo: forecasts with shortwave from many models, and ensembles with all their members.

``parse`` reads one hourly body. Sums, means and codes of a row are for the hour before it, so they
move up one row; states stay. Its snow depth is its snow water at a fixed seven to one: taken back
to water, and the depth modeled. Rain and snow come as amounts; freezing rain only as a code.
The free service is for non-commercial use alone; a company needs a key.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from functools import partial
from urllib.parse import urlencode

import numpy as np

from stormplan.arrays import Array, BoolArray, FlagArray
from stormplan.weather import forecast, infill, precip_by_temperature
from stormplan.weather.forecast import PRECIP_TYPES, TYPE_CHANCES, CellForecast, QualityFlag
from stormplan.weather.http_client import Fetcher, ServiceTerms
from stormplan.weather.providers import Location, quality_control
from stormplan.weather.providers.intervals import HourAxis, Notes
from stormplan.weather.providers.openmeteo_reply import OpenMeteoReply, check_hourly, parse_reply
from stormplan.weather.providers.single_url import SingleUrlSource

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
COORDINATE_DECIMALS: Mapping[str, int] = {SOURCE: 4, ENSEMBLE: 1}
PAST_DAYS, FORECAST_DAYS = 3, 8
DEFAULT_MAX_AGE = timedelta(
    hours=1
)  # the service says nothing about freshness; models run every 1-6 h

#: States at the stamp of the row: name, and the kind of its unit.
INSTANT_VARIABLES: Mapping[str, tuple[str, str]] = {
    "air_temp_c": ("temperature_2m", "temperature"),
    "dew_point_c": ("dew_point_2m", "temperature"),
    "rel_humidity_pct": ("relative_humidity_2m", "percent"),
    "wind_10m_ms": ("wind_speed_10m", "speed"),
    "cloud_frac": ("cloud_cover", "fraction"),
    "pressure_hpa": ("surface_pressure", "pressure"),
    "visibility_m": ("visibility", "length"),
}
#: Mean, highest, sum or chance of the hour before the stamp: the same.
PRECEDING_HOUR_VARIABLES: Mapping[str, tuple[str, str]] = {
    "wind_gust_ms": ("wind_gusts_10m", "speed"),
    "sw_down_wm2": ("shortwave_radiation", "flux"),
    "pop": ("precipitation_probability", "fraction"),
    "precip_mm": ("precipitation", "depth mm"),
}
PRECIP_COMPONENTS: Mapping[str, str] = {
    "rain": "depth mm",
    "showers": "depth mm",
    "snowfall": "depth cm",
}
WEATHER_CODE = "weather_code"
NOT_IN_ENSEMBLES = frozenset({"precipitation_probability", "showers", "visibility"})

WATER_MM_PER_SNOW_CM = 1.0 / 0.7  # the service makes depth from water at this fixed ratio
TRACE_MM = 1e-9

# WMO code table 4677 as the service uses it; thunderstorms name no phase.
FREEZING_CODES = (56, 57, 66, 67)
RAIN_CODES = (51, 53, 55, 61, 63, 65, 80, 81, 82)
SNOW_CODES = (71, 73, 75, 77, 85, 86)
THUNDER_CODES = (95, 96, 99)


def _shift_to_hour_start(rows: Array) -> Array:
    """Shift preceding-hour values to the hour that starts the interval."""
    return np.concatenate([rows[1:], np.full((1, rows.shape[1]), np.nan)])


def _known_sum(*parts: Array) -> Array:
    """Sum of what is known; NaN where nothing is."""
    known = np.any([np.isfinite(part) for part in parts], axis=0)
    return np.where(known, np.nansum(parts, axis=0), np.nan)


def _shifted_amount(
    name: str, rows: Array, marks: Mapping[str, FlagArray], variable: str, notes: Notes
) -> Array:
    """Shift an amount to its hour; small negative amounts of models count as zero.

    What is lower than rounding is a code for a missing value, such as -3276.8.
    """
    rows = _shift_to_hour_start(rows)
    rows = quality_control.drop_missing_codes(rows, name, notes)
    below = rows < 0.0
    if below.any():
        notes.add(f"{name}: negative in {forecast.any_member(below).sum()} h, taken as none")
    forecast.set_flag(marks, variable, below, QualityFlag.CLIPPED)
    return np.where(below, 0.0, rows)


def _type_fracs(rain: Array, snow: Array, code: Array) -> Array:
    """Share of each phase (hour, member, phase): by amounts, else by the code, else zero."""
    total = _known_sum(rain, snow)
    by_amount = total > TRACE_MM
    type_fracs = np.zeros((*rain.shape, len(PRECIP_TYPES)))
    type_fracs[..., precip_by_temperature.SNOW] = np.where(
        by_amount, np.nan_to_num(snow) / np.where(by_amount, total, 1.0), np.isin(code, SNOW_CODES)
    )
    freezing = np.isin(code, FREEZING_CODES)
    wet = np.where(
        by_amount,
        1.0 - type_fracs[..., precip_by_temperature.SNOW],
        freezing | np.isin(code, RAIN_CODES),
    )
    type_fracs[..., precip_by_temperature.FREEZING_RAIN] = np.where(freezing, wet, 0.0)
    type_fracs[..., precip_by_temperature.RAIN] = np.where(freezing, 0.0, wet)
    return type_fracs


def _fill_precip(
    values: dict[str, Array], marks: dict[str, FlagArray], reply: OpenMeteoReply, notes: Notes
) -> None:
    """Split water by precipitation type; model the snowfall depth."""
    parts = {
        name: _shifted_amount(name, reply.values(name, kind, notes), marks, "precip_mm", notes)
        for name, kind in PRECIP_COMPONENTS.items()
    }
    rain = _known_sum(parts["rain"], parts["showers"])
    snow = parts["snowfall"] * WATER_MM_PER_SNOW_CM
    stated = _shifted_amount("precipitation", values["precip_mm"], marks, "precip_mm", notes)
    stated = quality_control.drop_out_of_range("precip_mm", stated, "precipitation", notes)
    water = np.where(np.isnan(stated), rain + snow, stated)  # of one part alone: unknown
    inconsistent = np.abs(water - rain - snow) > 0.2 + 0.2 * water
    if inconsistent.any():
        hours = forecast.any_member(inconsistent).sum()
        notes.add(
            f"precipitation: not the sum of rain and snow in {hours} h; their shares are used"
        )
    values["precip_mm"] = water
    code = _shift_to_hour_start(reply.values(WEATHER_CODE, "code", notes))
    nothing = np.zeros(code.shape)
    coded = _type_fracs(nothing, nothing, code)
    type_fracs, inferred = _correct_by_temperature(_type_fracs(rain, snow, code), values)
    precip_by_temperature.split_by_type(values, marks, water, type_fracs, inferred)
    infill.fill_snowfall(values, marks)
    nothing_said = np.full(water.shape, np.nan)
    quality_control.reconcile_chance(values, nothing_said, marks, notes)
    values["words_intensity"] = np.where(
        np.isnan(code),
        np.nan,
        np.isin(code, (*FREEZING_CODES, *RAIN_CODES, *SNOW_CODES, *THUNDER_CODES)),
    )
    for index, name in enumerate(TYPE_CHANCES):
        values[name] = np.where(np.isnan(code), np.nan, coded[..., index])


def _correct_by_temperature(
    type_fracs: Array, values: Mapping[str, Array]
) -> tuple[Array, BoolArray]:
    """Correct shares by temperature, all members at once."""
    temp = values["air_temp_c"]
    air = precip_by_temperature.AirState.from_values(values).flat()
    flat, inferred = precip_by_temperature.correct_by_temperature(
        type_fracs.reshape(temp.size, -1), air
    )
    return flat.reshape(type_fracs.shape), inferred.reshape(temp.shape)


def parse_forecast(payload: object, fetched_at: datetime, source: str = SOURCE) -> CellForecast:
    """Read one body, however little it holds.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.
    fetched_at : datetime
        When it was received, aware UTC; stands for the time of issue, which is not said.
    source : str
        ``SOURCE`` or ``ENSEMBLE``.

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
    reply = parse_reply(payload)
    check_hourly(reply)
    axis = HourAxis(reply.times[0], len(reply.times))
    marks = forecast.no_flags(axis.n_hours)
    values: dict[str, Array] = {}
    for name, (service_name, kind) in {**INSTANT_VARIABLES, **PRECEDING_HOUR_VARIABLES}.items():
        rows = reply.values(service_name, kind, notes)
        if name == "precip_mm":  # moved and checked with its parts
            values[name] = rows
            continue
        rows = _shift_to_hour_start(rows) if name in PRECEDING_HOUR_VARIABLES else rows
        values[name] = quality_control.drop_out_of_range(name, rows, service_name, notes)
    quality_control.reconcile_humidity(values, marks, notes)
    infill.fill_standard_pressure(values, marks, reply.elevation_m)
    _fill_precip(values, marks, reply, notes)
    quality_control.note_temp_jumps(values, axis, notes)
    notes.add("the service does not say when the model ran; the time of receipt is used")
    return CellForecast(
        source=source,
        cell_id=f"{reply.latitude_deg:g},{reply.longitude_deg:g}",
        latitude_deg=reply.latitude_deg,
        longitude_deg=reply.longitude_deg,
        elevation_m=reply.elevation_m,
        start=axis.start,
        issued_at=fetched_at,
        fetched_at=fetched_at,
        values=values,
        flags={name: marks[name] for name in values if name in marks},
        notes=notes.lines(),
        contradictions=notes.contradictions(),
        credit=CREDIT,
    )


def parse_plannable_forecast(
    payload: object, fetched_at: datetime, now: datetime, source: str = SOURCE
) -> CellForecast:
    """Read one body and refuse it if no plan can stand on it.

    Parameters
    ----------
    payload : object
        The body as ``json.loads`` gives it.
    fetched_at, now : datetime
        When it was received, and the moment planned for, aware UTC.
    source : str
        ``SOURCE`` or ``ENSEMBLE``.

    Raises
    ------
    ForecastError
        As ``parse_forecast``, or no temperature from ``now`` on.
    """
    return quality_control.require_usable(parse_forecast(payload, fetched_at, source), now)


def hourly_variables(source: str) -> list[str]:
    """List the variables to ask for."""
    names = [said for said, _ in {**INSTANT_VARIABLES, **PRECEDING_HOUR_VARIABLES}.values()] + [
        *PRECIP_COMPONENTS,
        WEATHER_CODE,
    ]
    left_out = NOT_IN_ENSEMBLES if source == ENSEMBLE else frozenset()
    return [name for name in names if name not in left_out]


def open_source(
    fetcher: Fetcher, name: str = SOURCE, base_url: str | None = None, key: str | None = None
) -> SingleUrlSource:
    """Return the source for one run.

    Parameters
    ----------
    fetcher : Fetcher
        Asks, and keeps what comes.
    name : str
        ``SOURCE`` or ``ENSEMBLE``.
    base_url : str, optional
        Where the service is; the public one, or the one for customers with a key, if not said.
    key : str, optional
        Sent with every request, neither kept nor said.
    """
    base = base_url or BASE_URLS[name][1 if key else 0]
    query = {
        "hourly": ",".join(hourly_variables(name)),
        **({"models": ENSEMBLE_MODEL} if name == ENSEMBLE else {}),
        "past_days": PAST_DAYS,
        "forecast_days": FORECAST_DAYS,
        "timezone": "GMT",
        "timeformat": "unixtime",
        "wind_speed_unit": "ms",
    }
    rest = urlencode(query, safe=",")

    def url_for(location: Location) -> str:
        digits = COORDINATE_DECIMALS[name]
        latitude, longitude = (
            round(location.latitude_deg, digits),
            round(location.longitude_deg, digits),
        )
        where = f"latitude={latitude:.{digits}f}&longitude={longitude:.{digits}f}"
        return f"{base.rstrip('/')}{ENDPOINTS[name]}?{where}&{rest}"

    secret = {"apikey": key} if key else {}
    terms = ServiceTerms(
        accept="application/json", default_max_age=DEFAULT_MAX_AGE, secret_params=secret
    )
    return SingleUrlSource(fetcher, url_for, partial(parse_plannable_forecast, source=name), terms)
