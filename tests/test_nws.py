"""The grid parser: the rules on small invented bodies, the sums on every recorded one."""

import json
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from helpers.grids import DRY, NOW, START, gridpoint_reply, interval, layer, weather_layer
from helpers.http_service import RECORDED
from hypothesis import given, settings
from hypothesis import strategies as st

from stormplan.errors import ForecastError
from stormplan.weather import forecast
from stormplan.weather.forecast import CellForecast, QualityFlag
from stormplan.weather.providers import nws


def parse(payload, now=NOW):
    return nws.parse_plannable_forecast(payload, now, now)


def at(cell: CellForecast, name, hour):
    """Value in the hour that starts at an hour of 12 January 2026."""
    index = round(
        (START.replace(hour=0) + timedelta(hours=hour) - cell.start).total_seconds() / 3600
    )
    return cell.values[name][index, 0]


# --- who, where, when


def test_the_cell_says_who_and_where_it_is():
    cell = parse(gridpoint_reply())
    assert (cell.source, cell.cell_id, cell.elevation_m) == ("nws", "XYZ/1,2", 100)
    assert cell.latitude_deg == pytest.approx(45.05)
    assert cell.longitude_deg == pytest.approx(-92.95)
    assert cell.start == START
    assert cell.n_hours == 72
    assert cell.issued_at == datetime(2026, 1, 12, 9, tzinfo=UTC)
    assert not cell.stale
    assert cell.notes == ()
    assert "National Weather Service" in cell.credit


@pytest.mark.parametrize(
    ("age_h", "stale", "said"),
    [(7, False, None), (9, False, "getting old: issued 2026-01-12 09:00Z, 9 h ago"),
     (13, True, "stale: issued 2026-01-12 09:00Z, 13 h ago")],
)  # fmt: skip
def test_the_time_of_issue_decides_the_age(age_h, stale, said):
    cell = parse(gridpoint_reply(), NOW.replace(hour=9) + timedelta(hours=age_h))
    assert cell.stale is stale
    assert cell.notes == (() if said is None else (said,))
    assert all(bool((mark & QualityFlag.STALE).all()) is stale for mark in cell.flags.values())


# --- units


@pytest.mark.parametrize("prefix", ["unit:", "wmoUnit:", "nwsUnit:", ""])
@pytest.mark.parametrize(
    ("unit", "given", "metres_per_second"),
    [("km_h-1", 36.0, 10.0), ("m_s-1", 10.0, 10.0), ("kt", 10.0, 5.1444)],
)
def test_units_in_every_spelling(prefix, unit, given, metres_per_second):
    cell = parse(gridpoint_reply(windSpeed=layer(prefix + unit, (6, "P3D", given))))
    assert at(cell, "wind_10m_ms", 12) == pytest.approx(metres_per_second, abs=1e-4)


def test_pressure_without_unit_is_in_inches_of_mercury():
    # 29.92 inHg is the standard atmosphere's 1013.25 hPa (ICAO Doc 7488), to its four figures
    cell = parse(
        gridpoint_reply(pressure={"values": [{"validTime": interval(6, "PT6H"), "value": 29.92}]})
    )
    assert at(cell, "pressure_hpa", 6) == pytest.approx(1013.2, abs=0.05)
    assert cell.flags["pressure_hpa"][0] == 0
    # afterwards that of the standard atmosphere at 100 m: 1001.3 hPa (ICAO Doc 7488), marked
    assert at(cell, "pressure_hpa", 12) == pytest.approx(1001.3, abs=0.1)
    assert cell.flags["pressure_hpa"][6] == QualityFlag.MODELED


@pytest.mark.parametrize("uom", ["wmoUnit:furlong", "other:mm", None, 7])
def test_a_layer_with_an_unknown_unit_is_dropped_and_said(uom):
    cell = parse(gridpoint_reply(quantitativePrecipitation=layer(uom, (6, "PT6H", 5))))
    assert np.isnan(cell.values["precip_mm"]).all()
    assert f"quantitativePrecipitation: unit {uom!r} is not known, layer dropped" in cell.notes


# --- intervals


@pytest.mark.parametrize(
    ("length", "hours"), [("PT1H", 1), ("P1D", 24), ("P1DT4H", 28), ("P2DT13H", 61), ("PT90M", 2)]
)
def test_intervals_of_any_length_are_half_open(length, hours):
    cell = parse(gridpoint_reply(windGust=layer("wmoUnit:km_h-1", (6, length, 36))))
    assert np.isfinite(cell.values["wind_gust_ms"]).sum() == hours
    assert at(cell, "wind_gust_ms", 6) == 10.0


@pytest.mark.parametrize(
    "time", ["P1M", "nonsense", "2026-01-12T06:00:00/PT1H", None, interval(6, "P1Y")]
)
def test_an_entry_without_a_readable_time_is_dropped_and_said(time):
    cell = parse(
        gridpoint_reply(windGust={"uom": "unit:m_s-1", "values": [{"validTime": time, "value": 1}]})
    )
    assert np.isnan(cell.values["wind_gust_ms"]).all()
    assert any("windGust: entry without a readable time, dropped" in note for note in cell.notes)


def test_a_later_entry_wins_where_two_overlap():
    wind = layer("wmoUnit:m_s-1", (6, "P3D", 5), (8, "PT2H", 9))
    cell = parse(gridpoint_reply(windSpeed=wind))
    assert [at(cell, "wind_10m_ms", hour) for hour in (7, 8, 9, 10)] == [5, 9, 9, 5]
    assert "windSpeed: entries overlap, the later one used" in cell.notes


def test_overlapping_totals_keep_their_sums():
    water = layer("wmoUnit:mm", (6, "PT6H", 6), (11, "PT6H", 12))
    cell = parse(gridpoint_reply(quantitativePrecipitation=water))
    assert np.nansum(cell.values["precip_mm"]) == pytest.approx(18, abs=1e-9)
    assert at(cell, "precip_mm", 10) == pytest.approx(6 / 5)
    assert at(cell, "precip_mm", 11) == pytest.approx(2)


def test_a_total_that_ends_inside_an_hour_keeps_its_sum():
    water = layer("wmoUnit:mm", (6, "PT90M", 3), (7.5, "PT30M", 5))
    cell = parse(gridpoint_reply(quantitativePrecipitation=water))
    assert at(cell, "precip_mm", 6) == pytest.approx(2)
    assert at(cell, "precip_mm", 7) == pytest.approx(1 + 5)


# --- what is not known


def test_a_layer_that_ends_is_unknown_from_there_on():
    cell = parse(gridpoint_reply(quantitativePrecipitation=layer("wmoUnit:mm", (6, "PT30H", 0))))
    assert cell.known_until("precip_mm") == START + timedelta(hours=30)
    assert np.isnan(cell.values["precip_mm"][30:]).all()
    assert np.isnan(cell.values["snowfall_swe_mm"][30:]).all()
    assert (cell.values["precip_mm"][:30] == 0).all()


@pytest.mark.parametrize("empty", [{"values": []}, None, {}, {"uom": "wmoUnit:mm", "values": None}])
def test_an_empty_layer_is_unknown_not_zero(empty):
    cell = parse(gridpoint_reply(iceAccumulation=empty))
    assert np.isnan(cell.values["ice_accretion_mm"]).all()
    assert cell.known_until("ice_accretion_mm") is None
    assert any("iceAccumulation: empty, so flat ice" in note for note in cell.notes)


@pytest.mark.parametrize(
    ("name", "variable"),
    [("temperature", "air_temp_c"), ("windSpeed", "wind_10m_ms"), ("skyCover", "cloud_frac")],
)
def test_a_layer_that_has_a_hole_in_the_next_day_is_read_with_the_hole(name, variable):
    whole = gridpoint_reply()["properties"][name]
    uom, value = whole["uom"], whole["values"][0]["value"]
    holed = layer(uom, (6, "PT10H", value), (18, "P2D", value))
    known = np.isfinite(parse(gridpoint_reply(**{name: holed})).values[variable][:, 0])
    assert (~known[:48]).nonzero()[0].tolist() == [10, 11]


def test_a_plan_after_the_end_of_the_grid_is_refused():
    with pytest.raises(ForecastError, match="is not known after 2026-01-15 06:00Z"):
        parse(gridpoint_reply(), NOW + timedelta(days=9))


@pytest.mark.parametrize(
    ("payload", "said"),
    [
        ([], "not a gridded forecast"),
        ({"properties": None}, "not a gridded forecast"),
        ({"properties": {"updateTime": "yesterday"}}, "'updateTime' is 'yesterday', not a date"),
        (gridpoint_reply() | {"geometry": None}, "does not say where the cell is"),
    ],
)
def test_what_is_no_grid_is_refused_in_a_sentence(payload, said):
    with pytest.raises(ForecastError, match=re.escape(said)):
        parse(payload)


def test_a_grid_without_any_values_is_refused():
    payload = gridpoint_reply()
    payload["properties"] = {
        key: value for key, value in payload["properties"].items() if not isinstance(value, dict)
    }
    with pytest.raises(ForecastError, match="no forecast values at all"):
        parse(payload)


# --- implausible values


def test_an_absurd_value_is_dropped_not_the_run():
    gusts = layer("wmoUnit:km_h-1", (6, "PT1H", 5000), (7, "PT1H", 36))
    cell = parse(gridpoint_reply(windGust=gusts))
    assert np.isnan(at(cell, "wind_gust_ms", 6))
    assert at(cell, "wind_gust_ms", 7) == 10
    assert (
        "windGust: value outside 0 to 110 m/s, dropped; 1388.89 at 2026-01-12 06:00Z" in cell.notes
    )


@pytest.mark.parametrize("value", ["12", True, [1], float("nan"), float("inf"), 10**400])
def test_a_value_that_is_no_number_is_dropped_and_said(value):
    cell = parse(gridpoint_reply(windGust=layer("wmoUnit:km_h-1", (6, "PT1H", value))))
    assert np.isnan(at(cell, "wind_gust_ms", 6))
    assert any("windGust: value that is not a number, dropped" in note for note in cell.notes)


def test_more_water_than_can_fall_is_dropped_and_said():
    water = layer("wmoUnit:mm", (6, "PT6H", 2000), (12, "PT6H", 3))
    cell = parse(gridpoint_reply(quantitativePrecipitation=water))
    assert np.isnan(cell.values["precip_mm"][:6]).all()
    assert cell.values["precip_mm"][6:12].sum() == pytest.approx(3)
    assert any("quantitativePrecipitation: more than can fall, dropped" in n for n in cell.notes)


def test_a_dew_point_above_the_air_is_taken_from_the_humidity():
    dew = layer("wmoUnit:degC", (6, "PT6H", 5), (12, "P3D", -1.7))
    cell = parse(gridpoint_reply(temp=-2.0, dewpoint=dew))
    # Magnus over water at -2 °C and 75 %: -5.8 °C (WMO-No. 8, annex 4.B coefficients)
    assert at(cell, "dew_point_c", 6) == pytest.approx(-5.8, abs=0.1)
    assert cell.flags["dew_point_c"][0] == QualityFlag.MODELED
    assert at(cell, "dew_point_c", 12) == -2.0  # within the rounding: cut to the air temperature
    assert cell.flags["dew_point_c"][6] == QualityFlag.CLIPPED
    assert "dew point: above the air temperature in 6 h, dropped" in cell.notes


def test_a_jump_in_temperature_is_said():
    cell = parse(
        gridpoint_reply(temperature=layer("wmoUnit:degC", (6, "PT6H", -2), (12, "P3D", 25)))
    )
    assert any("temperature: jumps by more than 15 K within an hour" in n for n in cell.notes)


# --- splitting water over hours and phases


def wet(temp, mm, words, **layers):
    """Hours 12 to 18 with a total of water and one set of words."""
    falling = [(coverage, word, "light") for coverage, word in words] or DRY
    return parse(
        gridpoint_reply(
            temp,
            quantitativePrecipitation=layer("wmoUnit:mm", (6, "PT6H", 0), (12, "PT6H", mm)),
            probabilityOfPrecipitation=layer("wmoUnit:percent", (6, "P3D", 60)),
            weather=weather_layer((6, "PT6H", DRY), (12, "PT6H", falling), (18, "P3D", DRY)),
            **layers,
        )
    )


def shares(cell):
    """Shares of rain, snow, freezing rain and sleet in the six wet hours."""
    names = ("rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm")
    sums = [float(np.nansum(cell.values[name][6:12])) for name in names]
    return [part / sum(sums) for part in sums]


@pytest.mark.parametrize(
    ("temp", "words", "rain", "snow", "freezing", "sleet"),
    [
        (5, ["rain"], 1, 0, 0, 0),
        (-5, ["snow"], 0, 1, 0, 0),
        (-1, ["freezing_rain"], 0, 0, 1, 0),
        (-1, ["freezing_drizzle"], 0, 0, 1, 0),
        (-1, ["sleet"], 0, 0, 0, 1),
        (0, ["sleet", "freezing_rain"], 0, 0, 0.5, 0.5),
        (0, ["rain", "snow"], 0.5, 0.5, 0, 0),
        (0, ["rain", "snow", "sleet", "freezing_rain"], 0.25, 0.25, 0.25, 0.25),
        (0, ["thunderstorms", "snow"], 0, 1, 0, 0),  # thunder names no phase
        # corrected by temperature
        (-2, ["rain"], 0, 0, 1, 0),
        (-0.2, ["rain"], 1, 0, 0, 0),  # within the rounding of freezing
        (1, ["freezing_rain"], 1, 0, 0, 0),
        (6, ["snow"], 1, 0, 0, 0),
        (-2, ["rain", "snow"], 0, 1, 0, 0),  # the ice layer says none grows
        # nothing named: wet bulb
        (10, [], 1, 0, 0, 0),
        (-6, [], 0, 1, 0, 0),
    ],
)
def test_phases_from_words_and_temperature(temp, words, rain, snow, freezing, sleet):
    cell = wet(temp, 6.0, [("likely", word) for word in words])
    expected = [rain, snow, freezing, sleet]
    assert shares(cell) == pytest.approx(expected, abs=1e-9 if words else 0.02)


def test_rain_and_snow_below_freezing_is_ice_unless_the_source_denies_it():
    words = [("likely", "rain"), ("likely", "snow")]
    unknown = wet(-2, 6.0, words, iceAccumulation={"values": []})
    assert shares(unknown) == pytest.approx([0, 0.5, 0.5, 0])
    said = wet(-2, 6.0, words, iceAccumulation=layer("wmoUnit:mm", (12, "PT6H", 1.0)))
    assert shares(said) == pytest.approx([0, 0.5, 0.5, 0])


def test_a_phase_that_temperature_decided_is_marked():
    said = wet(-5, 6.0, [("likely", "snow")])
    turned = wet(-2, 6.0, [("likely", "rain")])
    assert (said.flags["snowfall_swe_mm"][6:12] == QualityFlag.DISAGGREGATED).all()
    assert (
        turned.flags["freezing_rain_mm"][6:12]
        == QualityFlag.DISAGGREGATED | QualityFlag.INFERRED_PRECIP_TYPE
    ).all()
    assert (turned.flags["freezing_rain_mm"][:6] == 0).all()


def test_water_falls_when_the_words_and_the_probability_say_so():
    water = layer("wmoUnit:mm", (6, "PT6H", 0), (12, "PT6H", 8.0))
    chance = layer("wmoUnit:percent", (6, "PT9H", 50), (15, "P3D", 25))
    words = weather_layer(
        (6, "PT7H", DRY),
        (13, "PT1H", [("likely", "snow", "light")]),
        (14, "PT1H", [("likely", "snow", "moderate")]),
        (15, "PT1H", [("likely", "snow", "heavy")]),
        (16, "P3D", DRY),
    )
    cell = parse(
        gridpoint_reply(
            -5, quantitativePrecipitation=water, probabilityOfPrecipitation=chance, weather=words
        )
    )
    # light 1, moderate 3, heavy 6, the last at half the probability: 1 : 3 : 3
    assert cell.values["precip_mm"][6:12, 0] == pytest.approx(
        np.array([0, 1, 3, 3, 0, 0]) * 8 / 7, abs=1e-9
    )


def test_water_in_a_dry_block_is_spread_evenly_and_said():
    cell = wet(-6, 6.0, [])
    assert cell.values["precip_mm"][6:12, 0] == pytest.approx([1.0] * 6)
    assert any("nothing says in which hours it falls, spread evenly" in n for n in cell.notes)
    assert "water in 6 h in which the words say nothing falls" in cell.notes


def test_snow_lies_in_the_hours_with_snow_water_and_keeps_its_own_block():
    words = weather_layer(
        (6, "PT8H", [("likely", "rain", "light")]), (14, "P3D", [("likely", "snow", "light")])
    )
    cell = parse(
        gridpoint_reply(
            1.0,
            quantitativePrecipitation=layer("wmoUnit:mm", (12, "PT6H", 6), (18, "PT6H", 6)),
            snowfallAmount=layer("wmoUnit:mm", (6, "PT6H", 0), (12, "PT12H", 50)),
            weather=words,
        )
    )
    depth = cell.values["snowfall_cm"][:, 0]
    assert depth[:8] == pytest.approx(0)
    assert depth[8:18] == pytest.approx(5.0 / 10)
    assert np.isnan(depth[18:]).all()


def test_ice_grows_in_the_hours_with_freezing_rain():
    words = weather_layer(
        (6, "PT8H", DRY), (14, "PT2H", [("definite", "freezing_rain", "light")]), (16, "P3D", DRY)
    )
    cell = parse(
        gridpoint_reply(
            -1.0,
            quantitativePrecipitation=layer("wmoUnit:mm", (12, "PT6H", 4)),
            iceAccumulation=layer("wmoUnit:mm", (12, "PT6H", 2)),
            weather=words,
        )
    )
    assert cell.values["ice_accretion_mm"][6:12, 0] == pytest.approx([0, 0, 1, 1, 0, 0])


@pytest.mark.parametrize(
    ("said", "temp", "water_mm", "words", "layers"),
    [
        ("snow forecast without snow water", -5, 0.0, [], {"snowfallAmount": 30}),
        ("snow water forecast that does not lie", -5, 2.0, ["snow"], {"snowfallAmount": 0}),
        ("snow depth outside 3 to 30 times its water", -5, 1.0, ["snow"], {"snowfallAmount": 90}),
        ("snow forecast to lie in 6 h with air above 2 °C", 9, 3.0, ["snow"],
         {"snowfallAmount": 30}),
        ("ice forecast to grow in 6 h with air above freezing", 5, 3.0, ["rain"],
         {"iceAccumulation": 2}),
        ("more ice than water to make it", -1, 1.0, ["freezing_rain"], {"iceAccumulation": 9}),
    ],
)  # fmt: skip
def test_amounts_that_do_not_fit_are_kept_and_said(said, temp, water_mm, words, layers):
    given = {name: layer("wmoUnit:mm", (12, "PT6H", mm)) for name, mm in layers.items()}
    cell = wet(temp, water_mm, [("likely", word) for word in words], **given)
    assert [note for note in cell.notes if note.startswith(said)]
    name, scale = ("snowfall_cm", 10) if "snowfallAmount" in layers else ("ice_accretion_mm", 1)
    assert np.nansum(cell.values[name]) * scale == pytest.approx(next(iter(layers.values())))


def test_blowing_snow_is_said_or_denied_or_unknown():
    words = weather_layer((6, "PT1H", [("patchy", "blowing_snow", None)]), (7, "PT29H", DRY))
    cell = parse(gridpoint_reply(weather=words))
    assert at(cell, "blowing_snow", 6) == 1
    assert at(cell, "blowing_snow", 7) == 0
    assert np.isnan(cell.values["blowing_snow"][30:]).all()


def test_a_word_never_seen_is_said():
    cell = wet(5, 0.0, [("likely", "frogs")])
    assert "weather: word that is not known, passed over; frogs" in cell.notes


# --- recorded bodies


@pytest.fixture
def recorded(samples):
    def read(office):
        payload = json.loads((samples / "nws" / RECORDED[office].grid).read_text())
        now = datetime.fromisoformat(payload["properties"]["updateTime"])
        return payload, parse(payload, now)

    return read


def amounts(payload, name):
    return [entry["value"] for entry in payload["properties"][name]["values"]]


@pytest.mark.samples
@pytest.mark.parametrize("office", RECORDED)
@pytest.mark.parametrize(
    ("name", "layer_name", "scale"),
    [("precip_mm", "quantitativePrecipitation", 1), ("snowfall_cm", "snowfallAmount", 10),
     ("ice_accretion_mm", "iceAccumulation", 1)],
)  # fmt: skip
def test_recorded_sums_are_those_of_the_body(recorded, office, name, layer_name, scale):
    payload, cell = recorded(office)
    given = amounts(payload, layer_name)
    assert np.nansum(cell.values[name]) * scale == pytest.approx(sum(given), abs=1e-6)
    for entry in payload["properties"][layer_name]["values"]:
        start = datetime.fromisoformat(entry["validTime"].split("/")[0])
        first = round((start - cell.start).total_seconds() / 3600)
        days, hours = re.fullmatch(
            r"P(?:(\d+)D)?(?:T(\d+)H)?", entry["validTime"].split("/")[1]
        ).groups()
        block = cell.values[name][first : first + 24 * int(days or 0) + int(hours or 0), 0]
        assert block.sum() * scale == pytest.approx(entry["value"], abs=1e-6)


@pytest.mark.samples
@pytest.mark.parametrize("office", RECORDED)
def test_recorded_phases_add_up_to_the_water(recorded, office):
    _, cell = recorded(office)
    parts = sum(
        cell.values[n] for n in ("rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm")
    )
    assert parts == pytest.approx(cell.values["precip_mm"], abs=1e-9, nan_ok=True)


@pytest.mark.samples
def test_recorded_raleigh_has_old_units_and_long_blocks(recorded):
    _, cell = recorded("RAH")
    assert cell.values["pressure_hpa"][0, 0] == pytest.approx(1013.2, abs=0.05)  # 29.92 inHg
    assert cell.values["wind_10m_ms"][0, 0] == pytest.approx(1.543332)  # m/s, as given
    known = cell.known_until("snowfall_cm")
    assert known == datetime(2019, 1, 23, 17, tzinfo=UTC) + timedelta(days=5, hours=8)
    assert np.nansum(cell.values["snowfall_cm"]) == 0
    # rain to +103 h; wind and cloud stop 12 h before temperature
    assert cell.known_until("precip_mm") == cell.start + timedelta(hours=103)
    gap = cell.known_until("air_temp_c") - cell.known_until("cloud_frac")
    assert gap == timedelta(hours=12)


@pytest.mark.samples
def test_recorded_flagstaff_has_unknown_ice_and_blowing_snow(recorded):
    _, cell = recorded("FGZ")
    assert np.isnan(cell.values["ice_accretion_mm"]).all()
    assert any(note.startswith("iceAccumulation: empty") for note in cell.notes)
    assert np.nansum(cell.values["blowing_snow"]) == 7 + 4  # two runs of hours in the words
    assert np.nansum(cell.values["snowfall_swe_mm"]) > 0


@pytest.mark.samples
def test_recorded_little_rock_was_edited_by_hand_and_is_flagged(recorded):
    _, cell = recorded("LZK")
    for said in (
        "windGust: entries overlap",
        "snow forecast to lie",
        "snow forecast without snow water",
        "ice forecast to grow",
        "more ice than water to make it",
        "words say nothing falls",
    ):
        assert any(said in note for note in cell.notes), said


@pytest.mark.samples
def test_recorded_tallahassee_is_warm_and_only_rains(recorded):
    _, cell = recorded("TAE")
    assert cell.values["precip_mm"] == pytest.approx(cell.values["rain_mm"], nan_ok=True)
    assert np.nanmin(cell.values["air_temp_c"]) > 3
    assert cell.known_until("snowfall_cm") == cell.start + timedelta(hours=99)
    assert cell.notes == ()


@pytest.mark.samples
def test_recorded_north_slope_is_snow(recorded):
    _, cell = recorded("AFG")
    assert np.nansum(cell.values["snowfall_swe_mm"]) == pytest.approx(0.508, abs=1e-3)
    assert cell.known_until("precip_mm") == cell.start + timedelta(hours=158)


# --- anything at all

SCRAPS = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=12)
    | st.sampled_from([interval(6, "PT6H"), interval(8, "P9999D"), "0001-01-01T00:00:00+14:00/P1D",
                       "wmoUnit:degC", "9999-12-31T23:00:00+00:00/PT6H"]),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(["values", "value", "uom", "validTime", "weather",
                                       "coverage", "intensity"]), inner, max_size=4),
    max_leaves=12,
)  # fmt: skip


def places(node, path=()):
    """Every place in a body that can be damaged."""
    yield path
    items = node.items() if isinstance(node, dict) else enumerate(node)
    for key, child in items:
        if isinstance(child, dict | list):
            yield from places(child, (*path, key))
        else:
            yield (*path, key)


SOUND = gridpoint_reply(
    1.0,
    quantitativePrecipitation=layer("wmoUnit:mm", (12, "PT6H", 6), (18, "PT6H", 6)),
    weather=weather_layer((6, "P3D", [("likely", "snow", "light"), ("chance", "rain", None)])),
)


@settings(deadline=None, max_examples=300)
@given(st.data())
def test_a_damaged_body_gives_a_forecast_or_our_own_error(data):
    payload = json.loads(json.dumps(SOUND))
    everywhere = [path for path in places(payload) if path]
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(everywhere))
        node = payload
        try:
            for key in path[:-1]:
                node = node[key]
            node[path[-1]] = data.draw(SCRAPS)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier wound took this place away
    try:
        cell = parse(payload)
    except ForecastError:
        return  # any other error fails the test
    for name, array in cell.values.items():
        known = array[np.isfinite(array)]
        assert (known >= forecast.ALL_VARIABLES[name].lowest).all()
        assert (
            name not in nws.INSTANT_VARIABLES or (known <= forecast.VARIABLES[name].highest).all()
        )
