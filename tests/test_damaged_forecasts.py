"""What a plan says of a damaged forecast: never calmer than the whole one, or it names the gap.

The table: every damage of ``helpers.damaged_forecasts`` with the outcome written down beside it.
The property behind it: unknown is not nothing (design: a verdict is never calmer than what is
known). Codes for missing values: -9999 (common in station tables), 9.999e20 (GRIB2 readers), and
-3276.8 (16-bit integers in tenths; Open-Meteo issue 330).
"""

import copy
import json
import re
from datetime import datetime, timedelta

import numpy as np
import pytest
from helpers import damaged_forecasts as damaged
from helpers import service_formats as formats
from helpers.damaged_forecasts import BodySource, plan_from, plan_of, said, severity
from helpers.http_service import RECORDED
from helpers.sites import parse_sites, site_entry
from hypothesis import given, settings
from hypothesis import strategies as st

from stormplan.errors import ExitCode
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.weather.forecast import QualityFlag
from stormplan.weather.providers import Location, fetch_forecasts, nws
from stormplan.weather.providers.intervals import parse_interval
from stormplan.words import briefing, terminal

NO_FORECAST = "no forecast"
LINE = "a straight line between its neighbors"
STORM = "not forecast"
BY_WORDS = "amount missing, none by the weather's own words"

#: What the plan says, by service and layer: (words of the damage, words of the plan); the first
#: that is in the damage's name counts. "" is nothing at all: the layer decides nothing there.
AIR_NWS = (
    ("ends", f"temperature {STORM}"),
    ("begins late", "temperature not forecast Mon"),
    *((word, NO_FORECAST) for word in ("all null", "empty", "layer", "unit")),
    ("", f"temperature: {LINE}"),
)
EXPECTED = {
    ("nws", "temperature"): AIR_NWS,
    **{
        ("nws", layer): (
            *((w, stand_in) for w in ("ends", "begins", "all null", "empty", "layer", "unit")),
            ("", f"{label}: {LINE}"),
        )
        for layer, label, stand_in in (
            ("dewpoint", "dew point", "dew point: the lowest temperature of the day"),
            ("windSpeed", "wind", "wind: 3 m/s, typical of open country"),
            ("skyCover", "cloud", "cloud: from the daily range of temperature"),
        )
    },
    ("nws", "quantitativePrecipitation"): (
        ("dry hour", BY_WORDS),
        ("three", BY_WORDS),
        ("begins", BY_WORDS),
        ("", "precipitation: water from the depth of snow and ice"),
    ),
    ("nws", "snowfallAmount"): (
        *((word, "") for word in ("dry hour", "null in the ice", "three", "begins")),
        ("", "snow depth: from its water and the air temperature"),
    ),
    ("nws", "iceAccumulation"): (
        ("code 9.999e+20", "more ice than water"),
        ("three", "more ice than water"),
        ("", ""),
    ),
    ("nws", "weather"): (("", ""),),
    ("metno", "air_temperature"): (
        ("ends", f"temperature {STORM}"),
        ("all", NO_FORECAST),
        ("unit", NO_FORECAST),
        ("", ""),  # steps six hours apart are joined as a matter of course
    ),
    **{
        ("metno", layer): (*((w, stand_in) for w in ("ends", "all", "unit")), ("", ""))
        for layer, stand_in in (
            ("dew_point_temperature", "dew point: the lowest temperature of the day"),
            ("wind_speed", "wind: 3 m/s"),
            ("cloud_area_fraction", "cloud: from the daily range of temperature"),
        )
    },
    ("metno", "precipitation_amount"): (
        ("dry hour", BY_WORDS),
        ("three", BY_WORDS),
        ("", f"precipitation, snow {STORM}"),
    ),
    ("openmeteo", "temperature_2m"): (
        ("ends", f"temperature {STORM}"),
        ("short", f"temperature {STORM}"),
        *((word, NO_FORECAST) for word in ("all null", "column", "unit")),
        ("", f"temperature: {LINE}"),
    ),
    **{
        ("openmeteo", layer): (
            *((w, stand_in) for w in ("ends", "short", "all null", "column", "unit")),
            ("", f"{label}: {LINE}"),
        )
        for layer, label, stand_in in (
            ("dew_point_2m", "dew point", "dew point: the lowest temperature of the day"),
            ("wind_speed_10m", "wind", "wind: 3 m/s"),
            ("cloud_cover", "cloud", "cloud: from the daily range of temperature"),
        )
    },
    # total, parts and code each say what falls: one of them may go
    **{
        ("openmeteo", layer): (("", ""),)
        for layer in ("precipitation", "rain", "snowfall", "weather_code")
    },
    ("table", "air_temp_c"): (
        ("text", "give a number"),
        ("ends", f"temperature {STORM}"),
        *((word, NO_FORECAST) for word in ("all blank", "column")),
        ("row", f"precipitation, snow {STORM}"),
        ("", f"temperature: {LINE}"),
    ),
    **{
        ("table", layer): (
            ("text", "give a number"),
            *((w, stand_in) for w in ("ends", "all blank", "column")),
            ("row", f"precipitation, snow {STORM}"),
            ("", f"{label}: {LINE}"),
        )
        for layer, label, stand_in in (
            ("dew_point_c", "dew point", "dew point: the lowest temperature of the day"),
            ("wind_10m_ms", "wind", "wind: 3 m/s"),
            ("cloud_frac", "cloud", "cloud: from the daily range of temperature"),
        )
    },
    ("table", "rain_mm"): (("text", "give a number"), ("column", ""), ("", "precipitation")),
    ("table", "snowfall_swe_mm"): (
        ("text", "give a number"),
        ("column", "the table has no column for it"),
        ("", "precipitation"),
    ),
    ("table", "freezing_rain_mm"): (
        ("text", "give a number"),
        ("column", ""),
        ("", "precipitation"),
    ),
}
CASES = [
    pytest.param(service, layer, f"case-{number}", id=f"{service}-{layer}-{name}")
    for service in damaged.DAMAGES
    for number, (layer, name, _) in enumerate(damaged.damages(service))
]


@pytest.fixture(scope="module")
def damaged_plans():
    """The plan of every damaged body, by service and case."""
    return {
        service: damaged.plans_of(
            service,
            {
                f"case-{number}": damaged.damaged(service, damage)
                for number, (_, _, damage) in enumerate(damaged.damages(service))
            },
        )
        for service in damaged.DAMAGES
    }


@pytest.fixture(scope="module")
def whole_severity():
    return {
        service: severity(plan_of(service, damaged.whole(service))) for service in damaged.BODIES
    }


def test_the_table_has_sixty_bodies_of_every_service():
    for service in damaged.DAMAGES:
        assert sum(case.values[0] == service for case in CASES) >= 60


@pytest.mark.parametrize(("service", "layer", "case"), CASES)
def test_a_damaged_body_is_planned_and_named(
    service, layer, case, request, whole_severity, damaged_plans
):
    name = request.node.callspec.id.removeprefix(f"{service}-{layer}-")
    words = next(words for part, words in EXPECTED[service, layer] if part in name)
    plan = damaged_plans[service][case]
    diagnostics = said(plan)
    if words:
        assert words in diagnostics
        assert plan.exit_code in (ExitCode.DEGRADED, ExitCode.NOTHING_PLANNED)
    else:
        assert severity(plan) == whole_severity[service]
    calmer = severity(plan) < whole_severity[service]
    assert not calmer or diagnostics
    if plan.sites[0].source is not None:
        assert plan.verdict != "nothing"


@st.composite
def damaged_bodies(draw):
    """The public service's body with any value, entry, layer or tail removed or made absurd."""
    body = formats.nws_reply()
    layer = draw(st.sampled_from(damaged.NWS_LAYERS))
    values = damaged.nws_values(body, layer)
    hour = draw(st.integers(16, formats.HOURS - 1))
    match draw(st.sampled_from(["value", "entry", "layer", "tail"])):
        case "value":
            absurd = [None, "x", True, [], {}, -9999.0, 9.999e20, 1e308, -1e308, float("nan")]
            values[hour]["value"] = draw(st.sampled_from(absurd))
        case "entry":
            del values[hour]
        case "layer":
            body["properties"][layer] = draw(st.sampled_from([None, "x", 3, [], {}]))
        case "tail":
            del values[hour:]
    return body


@settings(max_examples=3, deadline=None)
@given(st.lists(damaged_bodies(), min_size=20, max_size=20))
def test_no_single_damage_makes_a_plan_calmer_without_a_word(bodies):
    """Each body is of a site of its own in one plan."""
    plans = damaged.plans_of("nws", {f"body-{at}": body for at, body in enumerate(bodies)})
    for plan in plans.values():
        assert plan.verdict == "go" or said(plan)


# -- contradictions and chances -------------------------------------------------------------------


def with_chance(body, percent):
    body["properties"]["probabilityOfPrecipitation"] = {
        "uom": "wmoUnit:percent",
        "values": [
            {"validTime": f"{formats.hour_start(0).isoformat()}/P4D", "value": percent},
        ],
    }
    return body


def test_no_chance_beside_definite_snow_is_named_and_the_snow_is_planned():
    plan = plan_of("nws", with_chance(formats.nws_reply(), 0))
    assert plan.verdict == "go"
    assert "chance of precipitation near 0 % beside words that call it likely" in said(plan)


def test_no_chance_beside_amounts_without_words_is_named_and_the_amounts_are_planned():
    body = with_chance(formats.nws_reply(), 0)
    del body["properties"]["weather"]
    plan = plan_of("nws", body)
    assert plan.verdict == "go"
    assert "chance of precipitation near 0 % beside amounts" in said(plan)


def test_a_small_chance_that_nothing_contradicts_stands():
    body = with_chance(formats.nws_reply(), 10)
    for entry in damaged.nws_values(body, "weather"):
        for word in entry["value"]:
            word["coverage"] = word["coverage"] and "slight_chance"
    storms = [t for _, t in plan_of("nws", body).sites[0].treatments if t.event is not None]
    assert all(str(t.event.hazard) == "frost" for t in storms)


def test_each_type_has_the_chance_of_its_own_word():
    """Slight chance (20 %) of freezing rain beside definite (90 %) snow: a quarter as likely."""
    body = formats.nws_reply()
    for hour in range(38, 48):
        named = damaged.nws_values(body, "weather")[hour]["value"]
        named.append(
            {"coverage": "slight_chance", "weather": "freezing_rain", "intensity": "light"}
        )
    for hour in range(34, 38):  # no other ice
        damaged.nws_values(body, "quantitativePrecipitation")[hour]["value"] = 0.0
        damaged.nws_values(body, "iceAccumulation")[hour]["value"] = 0.0
    (event, *_) = [
        t.event
        for _, t in plan_of("nws", body).sites[0].treatments
        if t.event is not None and str(t.event.hazard) != "frost"
    ]
    hazards = {str(period.hazard) for period in event.hazard_periods}
    assert "freezing rain" not in hazards


# -- older copies, other sources ------------------------------------------------------------------


def test_an_older_whole_copy_beats_a_newer_broken_layer():
    broken = formats.nws_reply()
    for entry in damaged.nws_values(broken, "quantitativePrecipitation"):
        entry["value"] = None
    older = formats.nws_reply()
    older["properties"]["updateTime"] = (formats.ISSUED - timedelta(hours=2)).isoformat()
    plan = plan_of("nws", broken, older)
    whole_plan = plan_of("nws", formats.nws_reply())
    planned = slice(0, 36)  # up to the horizon
    expected = damaged.water_mm(whole_plan)[planned]
    assert damaged.water_mm(plan)[planned] == pytest.approx(expected)
    assert "precipitation: from its own copy of 2 h before, 36 hours from Mon 4 AM" in said(plan)
    flags = next(iter(plan.forecasts.values())).flags["precip_mm"]
    assert flags[20] == ("from_older_copy",)


def test_a_copy_older_than_practice_allows_does_not_stand_in():
    broken = formats.nws_reply()
    for name in ("quantitativePrecipitation", "snowfallAmount", "iceAccumulation", "weather"):
        del broken["properties"][name]
    older = formats.nws_reply()
    older["properties"]["updateTime"] = (formats.ISSUED - timedelta(hours=40)).isoformat()
    plan = plan_of("nws", broken, older)
    assert "older copy" not in said(plan)
    assert plan.verdict != "nothing"
    assert f"precipitation, snow {STORM}" in said(plan)


def test_another_source_steps_in_by_layer_and_hour_and_known_snow_stays():
    broken = formats.nws_reply()
    damaged.nws_values(broken, "quantitativePrecipitation")[damaged.SNOW_HOUR]["value"] = None
    damaged.nws_values(broken, "skyCover")[damaged.DRY_HOUR]["value"] = None
    plan = plan_from(
        [
            BodySource(damaged.PARSERS["nws"], broken),
            BodySource(damaged.PARSERS["metno"], formats.metno_reply()),
        ]
    )
    (series,) = [s for key, s in plan.forecasts.items() if key.startswith("nws")]
    taken = [h for h, f in enumerate(series.flags["precip_mm"]) if "from_other_source" in f]
    first = round((series.start - formats.START) / timedelta(hours=1))
    assert taken == [damaged.SNOW_HOUR - first]
    assert "precipitation: from metno, 1 hour from" in said(plan)
    assert "cloud: from metno, 1 hour from" in said(plan)
    whole_snow = 0.1 * 1000 / 84.0 * 0.5  # Hedstrom & Pomeroy 1998 at -3 °C, by hand
    assert series.values["snowfall_cm"][taken[0]] == pytest.approx(whole_snow, abs=1e-4)


def test_the_second_sources_own_failure_is_said():
    sources = [
        BodySource(damaged.PARSERS["nws"], formats.nws_reply()),
        BodySource(damaged.PARSERS["metno"], {"nonsense": 1}),
    ]
    plan = plan_from(sources)
    reasons = [one.text("reason") for one in plan.diagnostics if one.code == "other_source_failed"]
    assert any("metno" in reason for reason in reasons)


def test_a_broken_form_costs_its_own_source_and_says_where():
    class Broken:
        def forecast(self, location, now):
            return {"no": "forecast"}["cell"]

    sources = [Broken(), BodySource(damaged.PARSERS["nws"], formats.nws_reply())]
    plan = plan_from(sources)
    assert plan.verdict == "go"
    assert "Broken a: the reply has a form that cannot be read (KeyError: 'cell'" in said(plan)


def test_steps_without_any_period_are_no_crash():
    body = formats.metno_reply()
    for step in body["properties"]["timeseries"]:
        for period in ("next_1_hours", "next_6_hours"):
            del step["data"][period]
    plan = plan_of("metno", body)
    assert plan.verdict == "unknown"
    assert f"precipitation, snow {STORM}" in said(plan)


def test_a_cell_far_from_the_site_is_refused():
    body = formats.nws_reply()
    body["geometry"]["coordinates"] = [formats.LONGITUDE, formats.LATITUDE - 13.5]
    plan = plan_of("nws", body)
    assert plan.sites[0].source is None
    assert "the cell is 1501 km from a" in said(plan)  # 13.5 degrees of 111.2 km


# -- times of issue -------------------------------------------------------------------------------


def test_a_time_of_issue_days_ahead_is_not_believed():
    body = formats.nws_reply()
    body["properties"]["updateTime"] = (formats.NOW + timedelta(days=3)).isoformat()
    plan = plan_of("nws", body)
    assert plan.sites[0].source.issued_at <= formats.NOW
    assert "says it was issued 2026-01-15 10:30Z, after it was received: not believed" in said(plan)
    assert plan.verdict == "go"


def test_a_time_of_issue_minutes_ahead_is_a_clock():
    body = formats.nws_reply()
    body["properties"]["updateTime"] = (formats.NOW + timedelta(minutes=20)).isoformat()
    assert said(plan_of("nws", body)) == ""


# -- sums -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("service", ["nws", "metno", "openmeteo", "table"])
def test_the_hours_in_the_plan_keep_the_sums_of_the_body(service):
    (series,) = plan_of(service, damaged.whole(service)).forecasts.values()
    first = round((series.start - formats.START) / timedelta(hours=1))
    given = sum(row[6] for row in formats.TABLE[first:])
    assert sum(v or 0.0 for v in series.values["precip_mm"]) == pytest.approx(given, abs=1e-3)
    assert len(series.values["precip_mm"]) >= formats.HOURS - first - 1  # beyond the horizon too


@pytest.mark.parametrize("service", ["nws", "openmeteo", "table"])
def test_the_series_of_a_surface_keep_the_sums_of_the_forecast(service):
    plan = plan_of(service, damaged.whole(service))
    (series,) = plan.hourly.values()
    first = round((series.start - formats.START) / timedelta(hours=1))
    hours = range(first, first + len(series.rain_mm))
    for name, kind in (
        ("rain_mm", "rain"),
        ("snowfall_swe_mm", "snow"),
        ("freezing_rain_mm", "freezing"),
    ):
        given = sum(formats.TABLE[hour][6] for hour in hours if formats.TABLE[hour][5] == kind)
        assert sum(getattr(series, name)) == pytest.approx(given, abs=1e-3)


@pytest.mark.parametrize("office", ["RAH", "FGZ", "AFG", "TAE"])
def test_recorded_grids_keep_the_total_of_every_block(samples, office):
    """Blocks of quantitativePrecipitation are totals (NWS, weather-gov/api issue 21)."""
    body = json.loads((samples / "nws" / RECORDED[office].grid).read_text(encoding="utf-8"))
    cell = nws.parse_forecast(body, datetime.fromisoformat(body["properties"]["updateTime"]))
    now = cell.issued_at
    place = Location("a", cell.latitude_deg, cell.longitude_deg)
    (found,) = fetch_forecasts(
        [BodySource(damaged.PARSERS["nws"], body, at=(now, now))], [place], now, damaged.HORIZON
    )
    sites = parse_sites({"a": site_entry(cell.latitude_deg, cell.longitude_deg)})
    plan = make_plan(sites, {"a": SiteForecasts(found.forecast)}, now)
    (series,) = plan.forecasts.values()
    hourly = series.values["precip_mm"]
    checked = 0
    for entry in body["properties"]["quantitativePrecipitation"]["values"]:
        start, end = parse_interval(entry["validTime"])
        first, last = ((moment - series.start) / timedelta(hours=1) for moment in (start, end))
        if first >= 0 and first == int(first) and last <= len(hourly):
            assert sum(hourly[int(first) : int(last)]) == pytest.approx(entry["value"], abs=1e-3)
            checked += 1
    assert checked > 5


def test_rain_below_freezing_in_a_table_is_freezing_rain_as_of_any_service():
    """Rain alone in air below -0.28 °C (half a °F of rounding) freezes: weather.md, rule 6.1."""
    text = formats.table_csv().replace("freezing_rain_mm", "sleet_mm")
    lines = text.splitlines()
    for hour in range(34, 38):  # the ice written as rain
        cells = lines[hour + 1].split(",")
        cells[5], cells[7] = cells[7], "0.0"
        lines[hour + 1] = ",".join(cells)
    plan = plan_of("table", "\n".join(lines))
    (series,) = plan.forecasts.values()
    assert sum(series.values["freezing_rain_mm"]) == pytest.approx(4 * 0.6)
    assert "freezing rain" in {
        str(t.event.hazard) for _, t in plan.sites[0].treatments if t.event is not None
    }


def test_flags_and_the_rest_of_the_weather_are_in_the_plan():
    body = with_chance(formats.nws_reply(), 80)
    (series,) = plan_of("nws", body).forecasts.values()
    for name in ("pop", "ice_accretion_mm", "cloud_frac", "rel_humidity_pct", "pressure_hpa"):
        assert name in series.values
    assert set(np.ravel(series.flags["rel_humidity_pct"])) == {"modeled"}


# -- unknown in members ---------------------------------------------------------------------------


def test_missing_snow_depth_is_modeled_with_a_range_and_plowed():
    """Snow layer absent: depth from water and temperature, so a plow and not salt alone."""
    body = formats.nws_reply()
    for hour in range(30, 38):  # snow alone
        damaged.nws_values(body, "quantitativePrecipitation")[hour]["value"] = 0.0
        damaged.nws_values(body, "iceAccumulation")[hour]["value"] = 0.0
    for hour in range(38, 48):  # heavy: 2 mm an hour is about an inch
        damaged.nws_values(body, "quantitativePrecipitation")[hour]["value"] = 2.0
    del body["properties"]["snowfallAmount"]
    plan = plan_of("nws", body)
    (event,) = [
        t.event
        for _, t in plan.sites[0].treatments
        if t.event is not None and t.event.snowfall_cm > 0.0
    ]
    assert event.snowfall_cm == pytest.approx(20.0 * formats.CM_PER_MM, rel=0.25)
    visits = ["plow" for _, t in plan.sites[0].treatments for v in t.visits if v.plow]
    assert "plow" in visits


def test_identical_cells_share_one_merged_forecast():
    body = formats.nws_reply()
    damaged.nws_values(body, "temperature")[damaged.DRY_HOUR]["value"] = None
    cell = damaged.PARSERS["nws"](body, formats.ISSUED, formats.NOW)

    class OneCell:
        def forecast(self, location, now):
            return cell

    places = [Location(key, formats.LATITUDE, formats.LONGITUDE) for key in "abc"]
    found = fetch_forecasts([OneCell()], places, formats.NOW, damaged.HORIZON)
    assert len({id(one.forecast) for one in found}) == 1
    assert found[0].forecast.flags["air_temp_c"][damaged.DRY_HOUR] & QualityFlag.INTERPOLATED
    assert np.isnan(cell.values["air_temp_c"][damaged.DRY_HOUR]).all()  # the copy stays as read


def test_a_body_is_not_changed_by_reading_it():
    body = formats.nws_reply()
    before = copy.deepcopy(body)
    plan_of("nws", body)
    assert body == before


def test_an_absent_chance_is_absent_in_the_words():
    plan = plan_of("nws", formats.nws_reply())
    text = terminal.render_text(briefing.build_view(plan))
    assert "freezing rain by its amount, Site 43.1; the source gives no chance" in text
    # what freezes back afterward is a share of the forecasts, and has a chance all the same
    (event,) = [t.event for _, t in plan.sites[0].treatments if t.event is not None]
    of_ice = {
        f"{100 * chance:.0f}" for chance in (event.ice_probability, event.probability_as_planned)
    }
    assert set(re.findall(r"(\d+) %", text.split("MIX")[0])) == of_ice
    given_chance = plan_of("nws", with_chance(formats.nws_reply(), 70))
    assert "freezing rain 70 %" in terminal.render_text(briefing.build_view(given_chance))
