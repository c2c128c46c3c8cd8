"""MET Norway's form: steps to hours, symbols to phases, and the recorded answers."""

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from helpers import service_formats
from helpers.http_service import ScriptedReply
from helpers.sites import parse_sites, site_entry
from hypothesis import given, settings
from hypothesis import strategies as st
from test_http_client import BRISK, CONTACT

from stormplan.errors import ForecastError
from stormplan.events.hazards import SNOW_HAZARDS
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.weather import precip_by_temperature
from stormplan.weather.forecast import QualityFlag
from stormplan.weather.http_client import Fetcher
from stormplan.weather.providers import Location, metno

NOON = datetime(2026, 1, 12, 12, tzinfo=UTC)
UNITS = {"air_temperature": "celsius", "relative_humidity": "%", "wind_speed": "m/s",
         "cloud_area_fraction": "%", "precipitation_amount": "mm",
         "air_pressure_at_sea_level": "hPa"}  # fmt: skip


def step(hour, temp, one=None, six=None, symbol="cloudy", humid=90.0):
    """A step some hours after noon, with the water of the hours ahead."""
    data = {"instant": {"details": {
        "air_temperature": temp, "relative_humidity": humid, "wind_speed": 3.0,
        "cloud_area_fraction": 80.0, "air_pressure_at_sea_level": 1013.25}}}  # fmt: skip
    for name, water in (("next_1_hours", one), ("next_6_hours", six)):
        if water is not None:
            details = {"precipitation_amount": water}
            data[name] = {"summary": {"symbol_code": symbol}, "details": details}
    return {"time": f"{NOON + timedelta(hours=hour):%Y-%m-%dT%H:%M:%SZ}", "data": data}


def body(*steps, units=UNITS):
    return {
        "geometry": {"coordinates": [10.0, 60.0, 100]},
        "properties": {"meta": {"updated_at": "2026-01-12T11:40:00Z", "units": units},
                       "timeseries": list(steps)},
    }  # fmt: skip


def read(*steps, **more):
    return metno.parse_forecast(body(*steps, **more), NOON)


def total(cell, name):
    return float(np.nansum(cell.values[name]))


# --- the form


def test_six_hours_are_counted_only_where_there_is_no_hour():
    # the six hours run along with the hourly steps: 1 + 1 in the hours, 3 in the six after them
    cell = read(step(0, -2, 1.0, 9.0), step(1, -2, 1.0, 9.0), step(2, -2, None, 3.0), step(8, -2))
    assert total(cell, "precip_mm") == pytest.approx(5.0)
    assert cell.values["precip_mm"][:8, 0] == pytest.approx([1, 1, *[0.5] * 6])
    assert cell.flags["precip_mm"][2] & QualityFlag.DISAGGREGATED
    assert not cell.flags["precip_mm"][0] & QualityFlag.DISAGGREGATED
    assert np.isnan(cell.values["precip_mm"][8, 0])  # the last step has only its state


def test_a_block_that_runs_into_others_is_passed_over_and_said():
    cell = read(step(0, -2, None, 6.0), step(3, -2, None, 6.0), step(9, -2))
    assert total(cell, "precip_mm") == pytest.approx(6.0)
    assert any("overlap" in note for note in cell.notes)
    assert np.isnan(cell.values["precip_mm"][6:, 0]).all()


def test_states_six_hours_apart_are_joined_and_marked_and_longer_gaps_are_not():
    cell = read(step(0, 0.0, None, 0.0), step(6, -6.0, None, 0.0), step(18, -6.0))
    assert cell.values["air_temp_c"][:7, 0] == pytest.approx(range(0, -7, -1))
    marks = cell.flags["air_temp_c"]
    assert not marks[0] & QualityFlag.INTERPOLATED
    assert (marks[1:6] & QualityFlag.INTERPOLATED).all()
    assert np.isnan(cell.values["air_temp_c"][7:18, 0]).all()


def test_dew_point_comes_from_humidity_where_it_is_not_given():
    # WMO No. 8 (Annex 4.B) by way of the Magnus form: 80 % at 0 degC is a dew point of -3.0 degC
    cell = read(step(0, 0.0, 0.0, humid=80.0), step(1, 0.0))
    assert cell.values["dew_point_c"][0, 0] == pytest.approx(-3.03, abs=0.05)
    assert cell.flags["dew_point_c"][0] & QualityFlag.MODELED


def test_pressure_is_brought_from_the_sea_to_the_station():
    # ISO 2533: 1001.3 hPa at 100 m where it is 1013.25 at the sea
    cell = read(step(0, 0.0, 0.0), step(1, 0.0))
    assert cell.values["pressure_hpa"][0, 0] == pytest.approx(1001.3, abs=0.1)


@pytest.mark.parametrize(
    ("code", "said"),
    [
        # the service's list of symbols; two of them are spelled with a double s there
        ("clearsky_day", (False, None)),
        ("fog", (False, None)),
        ("lightsnowshowers_polartwilight", (True, precip_by_temperature.SNOW)),
        ("lightssnowshowersandthunder_day", (True, precip_by_temperature.SNOW)),
        ("lightssleetshowersandthunder_night", (True, None)),
        ("heavyrainandthunder", (True, precip_by_temperature.RAIN)),
        ("sleet", (True, None)),
        ("hailstorm", None),
        ("", None),
    ],
)
def test_symbols(code, said):
    assert metno.parse_symbol(code) == said


@pytest.mark.parametrize(
    ("symbol", "temp", "phase_name"),
    [
        ("snow", -4.0, "snowfall_swe_mm"),
        ("rain", 5.0, "rain_mm"),
        ("rain", -2.0, "freezing_rain_mm"),  # there is no symbol for it: rain into freezing air
        (
            "sleet",
            -4.0,
            "snowfall_swe_mm",
        ),  # rain and snow mixed in the service's words, not pellets
        ("sleet", 6.0, "rain_mm"),
        ("snow", 7.0, "rain_mm"),
        ("cloudy", -4.0, "snowfall_swe_mm"),  # the symbol says dry, the amount does not
    ],
)
def test_what_falls(symbol, temp, phase_name):
    cell = read(step(0, temp, 1.0, symbol=symbol), step(1, temp))
    assert cell.values[phase_name][0, 0] == pytest.approx(1.0, abs=2e-3)
    assert np.isnan(cell.values[phase_name][1, 0])


def test_new_snow_is_as_deep_as_its_water_and_the_air_say():
    # Hedstrom & Pomeroy 1998: 119.2 kg/m3 at 0 degC, 75.4 at -5 degC
    for temp, density in ((0.0, 119.17), (-5.0, 75.36)):
        cell = read(step(0, temp, 2.0, symbol="snow"), step(1, temp))
        snow_mm = cell.values["snowfall_swe_mm"][0, 0]
        assert cell.values["snowfall_cm"][0, 0] == pytest.approx(100 * snow_mm / density, rel=1e-3)
        assert cell.flags["snowfall_cm"][0] & QualityFlag.MODELED


def test_an_unknown_unit_drops_its_detail_and_says_so():
    cell = read(step(0, 30.0, 0.0), step(1, 30.0), units=UNITS | {"air_temperature": "degree"})
    assert np.isnan(cell.values["air_temp_c"]).all()
    assert any("air_temperature: unit 'degree' is not known" in note for note in cell.notes)


@pytest.mark.parametrize(
    ("payload", "message"),
    [
        ([], "it has no 'timeseries'"),
        ({"properties": {"timeseries": []}}, "does not say where it is for"),
        (body(), "no forecast values at all"),
        (body(step(0, 1)) | {"properties": {"timeseries": [step(0, 1)]}}, "'updated_at' is None"),
    ],
)
def test_what_is_no_forecast_is_refused(payload, message):
    with pytest.raises(ForecastError, match=message):
        metno.parse_forecast(payload, NOON)


def test_a_day_without_humidity_is_read_with_its_dew_point_unknown():
    cell = metno.parse_plannable_forecast(
        body(*(step(h, 0.0, 0.0, humid=None) for h in range(30))), NOON, NOON
    )
    assert np.isnan(cell.values["dew_point_c"]).all()


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=12,
)


@settings(deadline=None, max_examples=60)
@given(JSON, st.sampled_from(["time", "data", "instant", "next_1_hours"]))
def test_garbage_raises_only_our_own_error(noise, key):
    steps = [step(hour, -1.0, 0.2) for hour in range(3)]
    (steps[1] if key in ("time", "data") else steps[1]["data"])[key] = noise
    for payload in (noise, body(*steps), body(noise)):
        try:
            metno.parse_forecast(payload, NOON)
        except ForecastError as error:
            assert str(error).startswith("metno")  # noqa: PT017


# --- the recorded answers

#: From the records themselves: hours with an hourly amount, sum over those and over the six-hour
#: steps after them, coldest [degC], last stamp.
RECORDED = {
    "compact_oslo_20260206.json": (51, 3.8, 0.0, -11.8, "2026-02-16T18"),
    "complete_51.5_-0.1_cachefile.json": (55, 0.0, 2.5, 10.9, "2020-07-29T06"),
    "compact_40.7_-74.0_cachefile.json": (55, 0.0, 9.2, 21.8, "2020-07-29T06"),
}


def recorded(samples, name):
    payload = json.loads((samples / "metno" / name).read_text(encoding="utf-8"))
    return payload.get("data", payload), payload.get("headers", {})


@pytest.mark.samples
@pytest.mark.parametrize("name", RECORDED)
def test_recorded_answers(samples, name):
    hours, first_mm, later_mm, coldest, last = RECORDED[name]
    cell = metno.parse_forecast(recorded(samples, name)[0], NOON)
    water = cell.values["precip_mm"][:, 0]
    assert water[:hours].sum() == pytest.approx(first_mm)
    assert np.nansum(water[hours:]) == pytest.approx(later_mm)
    assert np.nanmin(cell.values["air_temp_c"]) == coldest
    assert f"{cell.start + timedelta(hours=cell.n_hours - 1):%Y-%m-%dT%H}" == last
    assert np.isnan(water[-1])  # the last step has no hours ahead: unknown, not dry
    assert np.isfinite(cell.values["dew_point_c"]).all()
    marks = cell.flags["air_temp_c"]
    assert not (marks[:hours] & QualityFlag.INTERPOLATED).any()
    assert (marks[hours + 6 :] & QualityFlag.INTERPOLATED).sum() > 0.75 * len(marks[hours + 6 :])


@pytest.mark.samples
def test_the_recorded_winter_snows(samples):
    cell = metno.parse_forecast(recorded(samples, "compact_oslo_20260206.json")[0], NOON)
    assert total(cell, "snowfall_swe_mm") == pytest.approx(3.8)
    assert total(cell, "rain_mm") == total(cell, "freezing_rain_mm") == 0.0


@pytest.mark.samples
def test_the_recorded_winter_plans_from_end_to_end(samples, replay, tmp_path):
    # 3.8 mm of water fall as snow in the first hours of the record, at -6 to -8 degC
    payload, _ = recorded(samples, "compact_oslo_20260206.json")
    replay.serve("/complete?lat=59.9139&lon=10.7522", payload)
    sites = parse_sites(
        {"a": site_entry(59.9139, 10.7522)},
        weather={"sources": ["metno"], "metno": {"base_url": replay.base_url}},
    )
    with Archive(tmp_path / "archive.sqlite") as kept:
        plan = pipeline.plan_and_store(sites, kept, datetime(2026, 2, 6, 21, 10, tzinfo=UTC))
    assert plan.verdict == "go"
    event = plan.sites[0].surfaces[0].treatments[0].event
    assert event.hazard in SNOW_HAZARDS
    assert event.precip_mm == pytest.approx(3.8, abs=0.11)  # but for hours of next to nothing
    assert "MET Norway" in plan.sites[0].source.credit


# --- the service


@pytest.mark.parametrize(
    ("degrees", "text"),
    [
        # cut, not rounded; more than four decimals are refused by the service
        (59.91389999, "59.9138"),
        (-89.44999, "-89.4499"),
        (10.0, "10"),
        (59.9139, "59.9139"),
        (-0.00001, "0"),
    ],
)
def test_coordinates_are_cut(degrees, text):
    assert metno.truncate_coordinate(degrees) == text


@pytest.fixture
def service(tmp_path, replay):
    with Archive(tmp_path / "archive.sqlite") as archive:
        fetcher = Fetcher(archive, CONTACT, BRISK)
        yield lambda: metno.open_source(fetcher, replay.base_url)
        fetcher.close()


PLACE = Location("lot", 43.10004, -89.40009)
PATH = "/complete?lat=43.1&lon=-89.4"
CHANGED = "Mon, 12 Jan 2026 09:05:07 GMT"


def test_not_asked_before_it_expires_then_with_the_exact_string(service, replay):
    headers = {
        "Content-Type": "application/json",
        "Date": "Mon, 12 Jan 2026 10:30:00 GMT",
        "Expires": "Mon, 12 Jan 2026 11:00:30 GMT",
        "Last-Modified": CHANGED,
    }
    replay.script(
        PATH,
        ScriptedReply(service_formats.metno_reply(), 200, headers),
        ScriptedReply(b"", 304, headers),
    )
    first = service().forecast(PLACE, service_formats.NOW)
    again = service().forecast(PLACE, service_formats.NOW + timedelta(minutes=30))
    assert len(replay.requests) == 1
    later = service().forecast(PLACE, service_formats.NOW + timedelta(minutes=31))
    assert [r.headers.get("if-modified-since") for r in replay.requests] == [None, CHANGED]
    assert CONTACT in replay.requests[0].headers["user-agent"]
    assert (first.values["air_temp_c"] == again.values["air_temp_c"]).all()
    assert not later.stale
    assert "MET Norway" in first.credit


def test_a_version_on_its_way_out_is_used_and_said(service, replay):
    json_type = {"Content-Type": "application/json"}
    replay.script(PATH, ScriptedReply(service_formats.metno_reply(), 203, json_type))
    cell = service().forecast(PLACE, service_formats.NOW)
    assert "deprecated or in trial (203)" in cell.notes[0]


def test_a_refusal_is_not_asked_again(service, replay):
    replay.script(PATH, ScriptedReply("<html>", 403, {"Content-Type": "text/html"}))
    with pytest.raises(ForecastError, match="403"):
        service().forecast(PLACE, service_formats.NOW)
    assert len(replay.requests) == 1


def test_an_outage_leaves_the_copy_standing_in(service, replay):
    json_type = {"Content-Type": "application/json"}
    replay.script(
        PATH,
        ScriptedReply(service_formats.metno_reply(), 200, json_type),
        ScriptedReply("", 500, json_type),
    )
    service().forecast(PLACE, service_formats.NOW)
    cell = service().forecast(PLACE, service_formats.NOW + timedelta(hours=2))
    assert cell.stale
    assert "the copy of 2026-01-12 10:30Z stands in, 2 h old" in cell.notes[0]
