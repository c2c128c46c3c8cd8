"""Open-Meteo's form: hours before their stamp, members, local times, and the recorded answers."""

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
from test_metno import JSON

from stormplan.company.sites import WeatherSettings
from stormplan.errors import ForecastError, InputError, SitesError
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.weather.forecast import QualityFlag
from stormplan.weather.http_client import Fetcher
from stormplan.weather.providers import Location, open_sources, openmeteo
from stormplan.weather.providers.intervals import Notes
from stormplan.weather.providers.openmeteo_reply import parse_reply

NOON = datetime(2026, 1, 12, 12, tzinfo=UTC)
UNITS = {
    "temperature_2m": "°C", "dew_point_2m": "°C", "wind_speed_10m": "m/s", "cloud_cover": "%",
    "precipitation": "mm", "rain": "mm", "snowfall": "cm", "weather_code": "wmo code",
    "shortwave_radiation": "W/m²",
}  # fmt: skip


def body(hours=6, units=None, **columns):
    """Some hours from noon at -3 °C, with the columns given put in."""
    quiet = {"temperature_2m": [-3.0] * hours, "dew_point_2m": [-5.0] * hours,
             "wind_speed_10m": [3.0] * hours, "cloud_cover": [100] * hours}  # fmt: skip
    columns = quiet | columns
    said = {
        name: UNITS[name.partition("_member")[0]]
        for name in columns
        if name.partition("_member")[0] in UNITS
    }
    times = [int((NOON + timedelta(hours=hour)).timestamp()) for hour in range(hours)]
    return {
        "latitude": 43.0, "longitude": -89.0, "elevation": 280.0,
        "timezone": "GMT", "utc_offset_seconds": 0,
        "hourly_units": said | (units or {}), "hourly": {"time": times} | columns,
    }  # fmt: skip


def read(**columns):
    return openmeteo.parse_forecast(body(**columns), NOON)


# --- hours and amounts


def test_what_is_for_the_hour_before_its_stamp_is_given_to_that_hour():
    cell = read(
        precipitation=[9.0, 0.0, 0.0, 1.0, 0.0, 0.0],
        rain=[9.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        snowfall=[0.0, 0.0, 0.0, 0.7, 0.0, 0.0],
        shortwave_radiation=[0, 0, 0, 50, 80, None],
        temperature_2m=[-3, -4, -5, -6, -7, -8],
    )
    # the first row tells of an hour before the table; the last hour's row is yet to come
    assert cell.values["snowfall_swe_mm"][:, 0] == pytest.approx(
        [0, 0, 1, 0, 0, np.nan], nan_ok=True
    )
    assert cell.values["sw_down_wm2"][:, 0] == pytest.approx(
        [0, 0, 50, 80, np.nan, np.nan], nan_ok=True
    )
    assert cell.values["air_temp_c"][:, 0] == pytest.approx([-3, -4, -5, -6, -7, -8])


def test_snow_comes_back_to_water_and_its_depth_is_modeled():
    # the service makes 0.7 cm of 1 mm; Hedstrom & Pomeroy 1998: 84.0 kg/m3 at -3 degC
    cell = read(precipitation=[0, 2, 0, 0, 0, 0], snowfall=[0, 1.4, 0, 0, 0, 0], rain=[0.0] * 6)
    assert cell.values["snowfall_swe_mm"][0, 0] == pytest.approx(2.0)
    assert cell.values["snowfall_cm"][0, 0] == pytest.approx(2.0 * 100 / 84.0, rel=1e-3)
    assert cell.flags["snowfall_cm"][0] & QualityFlag.MODELED


def test_negative_amounts_are_nothing_and_said():
    cell = read(precipitation=[0, -0.1, 0.3, 0, 0, 0], snowfall=[0, -0.07, 0.21, 0, 0, 0])
    assert cell.values["precip_mm"][:2, 0] == pytest.approx([0.0, 0.3])
    assert cell.flags["precip_mm"][0] & QualityFlag.CLIPPED
    assert any("precipitation: negative in 1 h" in note for note in cell.notes)


@pytest.mark.parametrize(
    ("temp", "rain", "snowfall", "code", "name"),
    [
        (3.0, 1.0, 0.0, 61, "rain_mm"),
        (-1.0, 1.0, 0.0, 66, "freezing_rain_mm"),  # WMO code 66: freezing rain
        (-1.0, 1.0, 0.0, 61, "freezing_rain_mm"),  # rain into freezing air, whatever the code
        (3.0, 1.0, 0.0, 66, "rain_mm"),  # too warm to freeze
        (-3.0, 0.0, 0.7, 73, "snowfall_swe_mm"),
        (-3.0, None, None, 71, "snowfall_swe_mm"),  # no amounts by phase: the code
        (-3.0, None, None, 3, "snowfall_swe_mm"),  # nor a code: the air
        (7.0, None, None, None, "rain_mm"),
    ],
)
def test_what_falls(temp, rain, snowfall, code, name):
    cell = read(
        temperature_2m=[temp] * 6, dew_point_2m=[temp - 1] * 6, precipitation=[1.0] * 6,
        rain=[rain] * 6, snowfall=[snowfall] * 6, weather_code=[code] * 6,
    )  # fmt: skip
    assert cell.values[name][0, 0] == pytest.approx(1.0, abs=2e-3)


def test_a_sentinel_is_dropped_and_a_null_tail_stays_unknown():
    cell = read(
        temperature_2m=[-3.0, -3276.8, -3.0, -3.0, None, None], precipitation=[0.0] * 4 + [None] * 2
    )
    assert np.isnan(cell.values["air_temp_c"][[1, 4, 5], 0]).all()
    assert any("temperature_2m: value outside" in note for note in cell.notes)
    assert np.isnan(cell.values["precip_mm"][3:, 0]).all()
    with pytest.raises(ForecastError, match=r"air temperature at 2 m, .* is not known at all"):
        openmeteo.parse_plannable_forecast(body(temperature_2m=[None] * 6), NOON, NOON)


def test_members_stand_beside_the_control_run_and_what_has_none_is_shared():
    cell = read(
        temperature_2m_member02=[-1.0] * 6,
        temperature_2m_member01=[-2.0] * 6,
        snowfall=[0.7] * 6,
        snowfall_member01=[0.0] * 6,
        snowfall_member02=[1.4] * 6,
        precipitation=[1.0] * 6,
        precipitation_member01=[0.0] * 6,
        precipitation_member02=[2.0] * 6,
    )
    assert cell.n_members == 3
    assert cell.values["air_temp_c"][0] == pytest.approx([-3, -2, -1])
    assert cell.values["snowfall_swe_mm"][0] == pytest.approx([1, 0, 2])
    assert cell.values["wind_10m_ms"][0] == pytest.approx([3, 3, 3])


# --- times


def local(zone, offset, *stamps):
    count = len(stamps)
    return {
        "latitude": 43.0, "longitude": -89.0, "elevation": 1.0, "timezone": zone,
        "utc_offset_seconds": offset, "hourly_units": {"temperature_2m": "°C"},
        "hourly": {"time": list(stamps), "temperature_2m": [0.0] * count},
    }  # fmt: skip


def test_local_times_are_resolved_by_the_offset_of_the_answer():
    payload = local("America/Chicago", -21600, "2026-01-12T00:00", "2026-01-12T01:00")
    assert openmeteo.parse_forecast(payload, NOON).start == datetime(2026, 1, 12, 6, tzinfo=UTC)


def test_local_times_across_a_change_of_the_clock_are_refused():
    # clocks go forward in Chicago on 8 March 2026 at 02:00
    stamps = ["2026-03-08T01:00", "2026-03-08T03:00"]
    for offset in (-21600, -18000, None, "-21600", 1e308, 10**400):
        with pytest.raises(ForecastError, match=r"local \(America/Chicago\).* the clock changes; "):
            parse_reply(local("America/Chicago", offset, *stamps))
    with pytest.raises(ForecastError, match="'Nowhere/At_all' is not a time zone"):
        parse_reply(local("Nowhere/At_all", 0, *stamps))
    for odd in ("A" * 5000, "../../etc/passwd", "", "\0", "America"):
        with pytest.raises(ForecastError, match="is not a time zone"):
            parse_reply(local(odd, 0, *stamps))


@pytest.mark.parametrize(
    ("times", "message"),
    [
        (["then"], "'then' is not a time"),
        ([0], "0 is not a time"),
        ([1768219200, 1768219200], "do not rise"),
        ([], "do not rise"),
        ([1768219200, 1768230000], "not whole hours one after the other"),
    ],
)
def test_hours_that_are_none_are_refused(times, message):
    payload = local("GMT", 0)
    payload["hourly"] = {"time": times, "temperature_2m": [0.0] * len(times)}
    with pytest.raises(ForecastError, match=message):
        openmeteo.parse_forecast(payload, NOON)


@settings(deadline=None, max_examples=60)
@given(JSON, st.sampled_from(["time", "temperature_2m", "precipitation"]))
def test_garbage_raises_only_our_own_error(noise, column):
    damaged = body()
    damaged["hourly"][column] = noise
    for payload in (noise, damaged, body() | {"hourly": noise}, body() | {"elevation": noise}):
        try:
            openmeteo.parse_forecast(payload, NOON)
        except ForecastError as error:
            assert str(error).startswith("openmeteo")  # noqa: PT017


# --- the recorded answers


def recorded(samples, name):
    return json.loads((samples / "openmeteo" / name).read_text(encoding="utf-8"))


@pytest.mark.samples
def test_the_recorded_week_in_local_time(samples):
    # from the record: 168 h from local midnight at UTC-5, 3.0 mm in all, coldest -21.5 degC
    cell = openmeteo.parse_forecast(recorded(samples, "forecast_nyc_20260206.json"), NOON)
    assert cell.start == datetime(2026, 2, 6, 5, tzinfo=UTC)
    assert cell.n_hours == 168
    assert np.nanmin(cell.values["air_temp_c"]) == -21.5
    assert np.nansum(cell.values["precip_mm"]) == pytest.approx(3.0)
    assert np.isnan(cell.values["precip_mm"][-1, 0])
    assert np.isnan(cell.values["cloud_frac"]).all()  # was not asked for: unknown


@pytest.mark.samples
def test_the_recorded_ensemble_has_a_control_run_and_twenty_members(samples):
    cell = openmeteo.parse_forecast(recorded(samples, "ensemble_icon_d2_trimmed.json"), NOON)
    assert cell.n_members == 21
    first = cell.values["air_temp_c"][0]
    # from the record: control, first and last member at its first hour
    assert (first[0], first[1], first[20]) == (10.5, 10.1, 11.1)


@pytest.mark.samples
def test_the_recorded_radiation_peaks_near_noon_by_the_sun(samples):
    # 6.86 degrees east: the sun is highest at 11:45 UTC in late February
    table = parse_reply(
        recorded(samples, "forecast_montblanc_minutely15_radiation_20250224.json"), "minutely_15"
    )
    assert table.times[0] == datetime(2025, 2, 23, 23, tzinfo=UTC)  # local midnight, UTC+1
    assert len(table.times) == 288
    sun = table.values("shortwave_radiation_instant", "flux", Notes())[:, 0]
    highest = table.times[int(np.nanargmax(sun))]
    assert abs(highest - highest.replace(hour=11, minute=45)) <= timedelta(minutes=15)
    night = [value for value, time in zip(sun, table.times, strict=True) if time.hour < 5]
    assert max(night) == 0.0


@pytest.mark.samples
def test_recorded_units_of_another_system_are_converted(samples):
    exchange = recorded(samples, "http_200_client_current.json")[0]["response"]["body"]
    cell = openmeteo.parse_forecast(exchange, NOON)
    fahrenheit = np.array(exchange["hourly"]["temperature_2m"])
    assert cell.values["air_temp_c"][:, 0] == pytest.approx((fahrenheit - 32) * 5 / 9)
    mph = np.array(exchange["hourly"]["wind_speed_10m"])
    assert cell.values["wind_10m_ms"][:, 0] == pytest.approx(mph * 0.44704)


# --- the service

KEY = "k3y-0f-0urs"
PLACE = Location("lot", service_formats.LATITUDE, service_formats.LONGITUDE)
JSON_TYPE = {"Content-Type": "application/json"}


def weather(name="openmeteo", **settings):
    return WeatherSettings.model_validate({"sources": [name], name: settings})


@pytest.fixture
def ask(tmp_path):
    """Ask as of a moment; gives the forecast, and keeps the archive in one file."""

    def forecast(settings, now=service_formats.NOW):
        with Archive(tmp_path / "archive.sqlite") as archive:
            fetcher = Fetcher(archive, CONTACT, BRISK)
            try:
                (source,) = open_sources(settings, fetcher)
                return source.forecast(PLACE, now)
            finally:
                fetcher.close()

    return forecast


def scripted(replay, *answers):
    """Answer whatever address is asked."""
    replay.next_reply = lambda request, left=list(answers): (
        replay.requests.append(request) or (left.pop(0) if len(left) > 1 else left[0])
    )


def test_the_key_is_sent_and_neither_kept_nor_said(replay, ask, monkeypatch, tmp_path):
    monkeypatch.setenv("WEATHER_KEY", KEY)
    scripted(
        replay,
        ScriptedReply(service_formats.openmeteo_reply(), 200, JSON_TYPE),
        ScriptedReply("", 500, JSON_TYPE),
    )
    settings = weather(base_url=replay.base_url, key_env="WEATHER_KEY")
    cell = ask(settings)
    assert f"apikey={KEY}" in replay.requests[0].path
    assert "timezone=GMT&timeformat=unixtime" in replay.requests[0].path
    stale = ask(settings, service_formats.NOW + timedelta(hours=3))
    assert stale.stale
    everything = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert KEY.encode() not in everything
    assert KEY not in "".join((*cell.notes, *stale.notes))


def test_a_redirect_that_repeats_the_key_does_not_say_it(replay, ask, monkeypatch):
    monkeypatch.setenv("WEATHER_KEY", KEY)
    away = JSON_TYPE | {"Location": f"https://example.invalid/?apikey={KEY}"}
    scripted(replay, ScriptedReply("", 302, away))
    with pytest.raises(ForecastError, match="sent on to another host") as raised:
        ask(weather(base_url=replay.base_url, key_env="WEATHER_KEY"))
    assert KEY not in str(raised.value)


def test_asked_once_an_hour_since_the_service_does_not_say(replay, ask):
    scripted(replay, ScriptedReply(service_formats.openmeteo_reply(), 200, JSON_TYPE))
    settings = weather(base_url=replay.base_url)
    for minutes in (0, 30, 59):
        ask(settings, service_formats.NOW + timedelta(minutes=minutes))
    assert len(replay.requests) == 1
    ask(settings, service_formats.NOW + timedelta(minutes=61))
    assert len(replay.requests) == 2


def test_the_services_own_words_for_a_mistake_are_passed_on(replay, ask):
    reason = {"error": True, "reason": "Latitude must be in range of -90 to 90°. Given: 200.0."}
    scripted(replay, ScriptedReply(reason, 400, JSON_TYPE))
    with pytest.raises(ForecastError, match="400 Latitude must be in range"):
        ask(weather(base_url=replay.base_url))
    assert len(replay.requests) == 1


@pytest.mark.parametrize("name", ["openmeteo", "openmeteo_ensemble"])
def test_a_company_does_not_use_the_free_service(name):
    places = {"a": site_entry(43.1, -89.4)}
    with pytest.raises(SitesError, match=f"{name} is free for non-commercial use only; accepted"):
        parse_sites(places, weather={"sources": [name]})
    public = {"base_url": "https://api.open-meteo.com"}
    with pytest.raises(SitesError, match="non-commercial use only"):
        parse_sites(places, weather={"sources": [name], name: public})
    for how in (
        {"non_commercial": True},
        {"key_env": "WEATHER_KEY"},
        {"base_url": "https://weather.example/own"},
    ):
        parse_sites(places, weather={"sources": [name], name: how})


def test_a_key_that_is_not_in_the_environment_is_said(ask, monkeypatch):
    monkeypatch.delenv("WEATHER_KEY", raising=False)
    with pytest.raises(InputError, match="openmeteo: the environment has no WEATHER_KEY"):
        ask(weather(key_env="WEATHER_KEY"))


@pytest.mark.parametrize(
    ("key", "host"),
    [(None, "https://ensemble-api.open-meteo.com/v1/ensemble?"),
     (KEY, "https://customer-ensemble-api.open-meteo.com/v1/ensemble?")],
)  # fmt: skip
def test_the_address_follows_the_key_and_ensembles_ask_for_their_own(key, host):
    with Archive(":memory:") as archive:
        source = openmeteo.open_source(Fetcher(archive, CONTACT), "openmeteo_ensemble", key=key)
        url = source.url_for(PLACE)
    assert url.startswith(host)
    assert KEY not in url
    assert "precipitation_probability" not in url
    assert "temperature_2m,dew_point_2m" in url


def test_sites_near_each_other_share_the_members_of_one_request(replay, tmp_path):
    scripted(replay, ScriptedReply(service_formats.openmeteo_reply(), 200, JSON_TYPE))
    with Archive(":memory:") as archive:
        fetcher = Fetcher(archive, CONTACT, BRISK)
        source = openmeteo.open_source(fetcher, "openmeteo_ensemble", replay.base_url)
        near = [
            Location("a", 43.11, -89.38),
            Location("b", 43.07, -89.42),
            Location("c", 43.21, -89.4),
        ]
        first, second, third = (source.forecast(place, service_formats.NOW) for place in near)
        fetcher.close()
    assert first is second
    assert third is not first
    assert [r.path.partition("&hourly")[0] for r in replay.requests] == [
        "/v1/ensemble?latitude=43.1&longitude=-89.4",
        "/v1/ensemble?latitude=43.2&longitude=-89.4",
    ]


def test_members_reach_the_plan_as_chances_and_ranges(replay, tmp_path):
    # ten of twenty-one members have the storm, the others are dry: the chance is 10/21
    payload = service_formats.openmeteo_reply()
    hourly, units = payload["hourly"], payload["hourly_units"]
    rng = np.random.default_rng(1)
    for name in [name for name in hourly if name != "time"]:
        for member in range(1, 21):
            column = list(hourly[name])
            if name in ("precipitation", "rain", "showers", "snowfall") and member >= 10:
                column = [None if value is None else 0.0 for value in column]
            if name == "weather_code" and member >= 10:
                column = [3] * len(column)
            hourly[f"{name}_member{member:02d}"] = column
            units[f"{name}_member{member:02d}"] = units[name]
    for name in [name for name in hourly if name.startswith("temperature_2m_")]:
        shift = rng.normal(0.0, 0.3)
        hourly[name] = [value + shift for value in hourly[name]]
    scripted(replay, ScriptedReply(payload, 200, JSON_TYPE))
    sites = parse_sites(
        {"a": site_entry(43.1, -89.4, {"lot": {"class": "asphalt_lot", "area": "20000 ft2"}})},
        weather={
            "sources": ["openmeteo_ensemble"],
            "openmeteo_ensemble": {"base_url": replay.base_url},
        },
    )
    with Archive(tmp_path / "archive.sqlite") as kept:
        plan = pipeline.plan_and_store(sites, kept, service_formats.NOW, client_policy=BRISK)
    events = [t.event for t in plan.sites[0].surfaces[0].treatments if t.event is not None]
    storm = max(events, key=lambda event: event.precip_mm)
    assert storm.probability == pytest.approx(10 / 21, abs=1 / 21)
    low, high = storm.min_pavement_temp_range_c
    assert low < storm.min_pavement_temp_c < high
