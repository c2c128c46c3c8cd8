"""Ways in which a service's reply comes damaged, and the plan that is made of it.

The bodies are those of ``service_formats``: an invented storm of rain, freezing rain and snow. A
damage is a function that changes a copy of a body in place.
"""

import copy
import json
from datetime import timedelta

import numpy as np

from helpers import service_formats as formats
from helpers.sites import parse_sites, site_entry
from stormplan.planning.forecast_diagnostics import plan_verdict
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.weather.forecast import CellForecast
from stormplan.weather.providers import Location, fetch_forecasts, metno, nws, openmeteo, table
from stormplan.words.diagnostic_text import problem_lines

HORIZON = timedelta(hours=36)  # to the end of the storm; a plan of it takes half the time
PLACE = Location("a", formats.LATITUDE, formats.LONGITUDE)
SITES = parse_sites(
    {
        "a": site_entry(
            formats.LATITUDE,
            formats.LONGITUDE,
            {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}},
        )
    },
    policy={"horizon": "36 h"},
)
CALM = {"nothing": 0, "unknown": 1, "hold": 1, "go": 2}

#: Hours of the body: long before the storm, in its rain, ice and snow, and after it.
DRY_HOUR, RAIN_HOUR, ICE_HOUR, SNOW_HOUR, LATE_HOUR = 20, 31, 35, 42, 60
#: The first hour that matters is 16 (10:00 UTC); the rest of the day is before the storm.
STORM_HOURS = range(30, 48)
CODES = (-9999.0, 9.999e20, -3276.8)


class BodySource:
    """Bodies of a service read by its own parser, without the way over the network."""

    def __init__(self, parse, *bodies, at=(formats.NOW, formats.NOW)):
        self._parse = parse
        self._bodies = bodies
        self._fetched_at, self._now = at

    def forecast(self, location, now):
        return self._read(location, self._bodies[0])

    def older_copies(self, location, now):
        return [self._read(location, body) for body in self._bodies[1:]]

    def _read(self, location, body) -> CellForecast:
        if isinstance(body, str):
            return table.parse_forecast(body, location, self._fetched_at, self._now, 280.0)
        return self._parse(body, self._fetched_at, self._now)


PARSERS = {
    "nws": nws.parse_plannable_forecast,
    "metno": metno.parse_plannable_forecast,
    "openmeteo": openmeteo.parse_plannable_forecast,
    "table": None,
}
BODIES = {
    "nws": formats.nws_reply,
    "metno": formats.metno_reply,
    "openmeteo": formats.openmeteo_reply,
    "table": formats.table_csv,
}


def plan_of(service, *bodies, now=formats.NOW, sites=SITES):
    """Plan the one lot from bodies of a service, newest first."""
    return plan_from([BodySource(PARSERS[service], *bodies)], now, sites)


def plan_from(sources, now=formats.NOW, sites=SITES):
    (found,) = fetch_forecasts(sources, [PLACE], now, HORIZON)
    reasons = "; ".join(found.failure_reasons) or None
    answer = SiteForecasts(
        found.forecast, reasons, found.other_forecasts, other_failures=found.other_failures
    )
    return make_plan(sites, {"a": answer}, now)


def plans_of(service, bodies):
    """Plan the one lot from each of many bodies, by name, all in one go.

    Every body has a site of its own in one plan, which is then read site by site.
    """
    sites = parse_sites(
        {
            name: site_entry(
                formats.LATITUDE,
                formats.LONGITUDE,
                {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}},
            )
            for name in bodies
        },
        policy={"horizon": "36 h"},
    )
    answers = {}
    for name, body in bodies.items():
        source = BodySource(PARSERS[service], body)
        (found,) = fetch_forecasts([source], [PLACE], formats.NOW, HORIZON)
        reasons = "; ".join(found.failure_reasons) or None
        answers[name] = SiteForecasts(found.forecast, reasons)
    plan = make_plan(sites, answers, formats.NOW)
    return {site.key: _plan_of_site(plan, site) for site in plan.sites}


def _plan_of_site(plan, site):
    """The plan as if there were no other site; the verdict by the plan's own function."""
    diagnostics = tuple(one for one in plan.diagnostics if one.site == site.key)
    work = [t.first_work_at for _, t in site.treatments if t.action.is_work]
    is_due = any(start < plan.made_at + timedelta(hours=24) for start in work if start is not None)
    has_event = any(t.event is not None for _, t in site.treatments)
    verdict = plan_verdict(is_due, has_event, diagnostics)
    return plan.model_copy(
        update={"sites": (site,), "diagnostics": diagnostics, "verdict": verdict}
    )


def whole(service):
    return BODIES[service]()


def said(plan) -> str:
    """Everything the plan stands on less than it should, and what contradicts itself."""
    return "; ".join(problem_lines(plan))


# -- nws ------------------------------------------------------------------------------------------

NWS_LAYERS = (
    *("temperature", "dewpoint", "windSpeed", "skyCover"),
    *("quantitativePrecipitation", "snowfallAmount", "iceAccumulation", "weather"),
)


def nws_layer(body, name):
    return body["properties"][name]


def nws_values(body, name):
    return body["properties"][name]["values"]


def _nws_damages(name):
    def each(make):
        def damage(body):
            make(nws_values(body, name))

        return damage

    def at(hour, value):
        return each(lambda values: values[hour].__setitem__("value", value))

    def drop(hours):
        def make(values):
            for hour in sorted(hours, reverse=True):
                del values[hour]

        return each(make)

    def null_all(body):
        for entry in nws_values(body, name):
            entry["value"] = None

    yield "null in a dry hour", at(DRY_HOUR, None)
    yield "null in the storm", at(SNOW_HOUR, None)
    yield "null in the ice", at(ICE_HOUR, None)
    yield "text for a number", at(SNOW_HOUR, "4.2 or so")
    for code in CODES if name != "weather" else ():
        yield f"code {code:g}", at(SNOW_HOUR, code)
    yield (
        "three impossible",
        each(lambda values: [values[hour].__setitem__("value", 5000.0) for hour in (20, 21, 22)]),
    )
    yield "entry gone in a dry hour", drop([DRY_HOUR])
    yield "entry gone in the storm", drop([SNOW_HOUR])
    yield "ends before the storm", drop(range(28, formats.HOURS))
    yield "ends in the storm", drop(range(40, formats.HOURS))
    yield "begins late", drop(range(24))
    yield "all null", null_all
    yield "empty", each(lambda values: values.clear())
    yield "layer gone", lambda body: body["properties"].pop(name)
    yield "layer is null", lambda body: body["properties"].__setitem__(name, None)
    yield "layer is text", lambda body: body["properties"].__setitem__(name, "garbled")
    if name != "weather":
        yield (
            "unit unknown",
            lambda body: nws_layer(body, name).__setitem__("uom", "wmoUnit:furlong"),
        )


# -- metno ----------------------------------------------------------------------------------------

METNO_INSTANT = (
    "air_temperature", "dew_point_temperature", "wind_speed", "cloud_area_fraction",
)  # fmt: skip


def _steps(body):
    return body["properties"]["timeseries"]


def _metno_damages(name):
    def details(step):
        data = step["data"]
        if name in METNO_INSTANT:
            return [data["instant"]["details"]]
        return [
            data[period]["details"] for period in ("next_1_hours", "next_6_hours") if period in data
        ]

    def at(hours, value):
        def damage(body):
            for hour in hours:
                for detail in details(_steps(body)[hour]):
                    detail[name] = value

        return damage

    def without(hours):
        def damage(body):
            for hour in hours:
                for detail in details(_steps(body)[hour]):
                    del detail[name]

        return damage

    every = range(formats.HOURS)
    yield "null in a dry hour", at([DRY_HOUR], None)
    yield "null in the storm", at([SNOW_HOUR], None)
    yield "null in the ice", at([ICE_HOUR], None)
    yield "text for a number", at([SNOW_HOUR], "much")
    for code in CODES:
        yield f"code {code:g}", at([SNOW_HOUR], code)
    yield "three impossible", at([20, 21, 22], 5000.0)
    yield "gone in a dry hour", without([DRY_HOUR])
    yield "gone in the storm", without([SNOW_HOUR])
    yield "ends before the storm", without(range(28, formats.HOURS))
    yield "ends in the storm", without(range(40, formats.HOURS))
    yield "all null", at(every, None)
    yield "all gone", without(every)
    yield "unit unknown", lambda body: body["properties"]["meta"]["units"].__setitem__(name, "?")


# -- openmeteo ------------------------------------------------------------------------------------

OPENMETEO_COLUMNS = (
    *("temperature_2m", "dew_point_2m", "wind_speed_10m", "cloud_cover"),
    *("precipitation", "rain", "snowfall", "weather_code"),
)


def _openmeteo_damages(name):
    later = 1 if name in ("precipitation", "rain", "snowfall", "weather_code") else 0

    def at(hours, value):
        def damage(body):
            for hour in hours:
                body["hourly"][name][hour + later] = value

        return damage

    yield "null in a dry hour", at([DRY_HOUR], None)
    yield "null in the storm", at([SNOW_HOUR], None)
    yield "null in the ice", at([ICE_HOUR], None)
    yield "text for a number", at([SNOW_HOUR], "much")
    for code in CODES:
        yield f"code {code:g}", at([SNOW_HOUR], code)
    yield "three impossible", at([20, 21, 22], 5000.0)
    yield "ends before the storm", at(range(28, formats.HOURS), None)
    yield "ends in the storm", at(range(40, formats.HOURS), None)
    yield "short column", lambda body: body["hourly"].__setitem__(name, body["hourly"][name][:40])
    yield "all null", at(range(-later, formats.HOURS), None)
    yield "column gone", lambda body: body["hourly"].pop(name)
    yield "column is text", lambda body: body["hourly"].__setitem__(name, "garbled")
    if name != "weather_code":
        yield "unit unknown", lambda body: body["hourly_units"].__setitem__(name, "furlong")


# -- table ----------------------------------------------------------------------------------------

TABLE_COLUMNS = (
    *("air_temp_c", "dew_point_c", "wind_10m_ms", "cloud_frac"),
    *("rain_mm", "snowfall_swe_mm", "freezing_rain_mm"),
)


def _table_damages(name):
    def at(hours, value):
        def damage(lines):
            place = lines[0].split(",").index(name)
            for hour in hours:
                cells = lines[hour + 1].split(",")
                cells[place] = value
                lines[hour + 1] = ",".join(cells)

        return damage

    def rows_gone(hours):
        def damage(lines):
            for hour in sorted(hours, reverse=True):
                del lines[hour + 1]

        return damage

    def column_gone(lines):
        place = lines[0].split(",").index(name)
        lines[:] = [
            ",".join(cell for i, cell in enumerate(line.split(",")) if i != place) for line in lines
        ]

    yield "blank in a dry hour", at([DRY_HOUR], "")
    yield "blank in the storm", at([SNOW_HOUR], "")
    yield "blank in the ice", at([ICE_HOUR], "")
    yield "text for a number", at([SNOW_HOUR], "much")
    yield "nan", at([SNOW_HOUR], "nan")
    for code in CODES:
        yield f"code {code:g}", at([SNOW_HOUR], f"{code:g}")
    yield "three impossible", at([20, 21, 22], "5000")
    yield "ends before the storm", at(range(28, formats.HOURS), "")
    yield "ends in the storm", at(range(40, formats.HOURS), "")
    yield "all blank", at(range(formats.HOURS), "")
    yield "column gone", column_gone
    yield "row gone", rows_gone([SNOW_HOUR])


DAMAGES = {
    "nws": (NWS_LAYERS, _nws_damages),
    "metno": ((*METNO_INSTANT, "precipitation_amount"), _metno_damages),
    "openmeteo": (OPENMETEO_COLUMNS, _openmeteo_damages),
    "table": (TABLE_COLUMNS, _table_damages),
}


def damages(service):
    """Yield (layer, damage, function) of a service."""
    layers, make = DAMAGES[service]
    for layer in layers:
        for name, damage in make(layer):
            yield layer, name, damage


def damaged(service, damage):
    """Return a whole body with a damage done to it."""
    body = whole(service)
    if isinstance(body, str):
        lines = body.splitlines()
        damage(lines)
        return "\n".join(lines) + "\n"
    body = copy.deepcopy(body)
    damage(body)
    return json.loads(json.dumps(body))


def severity(plan) -> int:
    return CALM[plan.verdict]


def water_mm(plan) -> np.ndarray:
    """Water of every hour of the plan's one forecast, control member [mm]."""
    (series,) = plan.forecasts.values()
    return np.array([np.nan if v is None else v for v in series.values["precip_mm"]])
