"""A station's own table: reading, filling of gaps, restarts, treatments, and the file written."""

import csv
import io
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from typer.testing import CliRunner
from weather import diurnal

from stormplan import gapfill, pavement, station, stationtable
from stormplan.cli import app
from stormplan.errors import InputError
from stormplan.forecast import Mark
from stormplan.gapfill import Place
from stormplan.state import State

START = datetime(2026, 1, 10, tzinfo=UTC)
HERE = Place(43.0, -89.0, 260.0)
LOT = station.surface("asphalt_lot")


def text(hours=72, start=START, **columns) -> str:
    """A table as CSV; each column a number or an array (hour,), NaN written as nothing."""
    columns = {"air_temp_c": diurnal(hours)} | columns
    arrays = {name: np.broadcast_to(value, (hours,)) for name, value in columns.items()}
    lines = [",".join(["time", *arrays])]
    for hour in range(hours):
        cells = [f"{array[hour]:.3f}".replace("nan", "") for array in arrays.values()]
        lines.append(",".join([f"{start + timedelta(hours=hour):%Y-%m-%dT%H:%MZ}", *cells]))
    return "\n".join(lines)


def run(source, place=HERE, column=LOT, depths=(), doses=()):
    return station.run(stationtable.read(source, "t.csv"), place, column, depths, doses)


def rows(hours, depths=()):
    return list(csv.DictReader(io.StringIO(station.write(hours, depths))))


FULL = {"dew_point_c": -6.0, "wind_10m_ms": 3.0, "cloud_frac": 0.4, "precip_mm": 0.0}


# -- reading --------------------------------------------------------------------------------------


def test_a_time_is_the_start_of_its_hour_in_utc_unless_it_has_an_offset():
    lines = ["time,air_temp_c", "2026-01-12 06:00,1", "2026-01-12T02:00-05:00,2", "2026-01-12T09Z,"]
    table = stationtable.read("\n".join(lines), "t.csv")
    assert table.start == datetime(2026, 1, 12, 6, tzinfo=UTC)
    np.testing.assert_array_equal(table.values["air_temp_c"], [1, 2, np.nan, np.nan])


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (["time,temp", "2026-01-12T06Z,1"], "t.csv:1: no column 'air_temp_c' among time, temp; "),
        (["time,air_temp_c"], "t.csv: no rows; accepted: a line of names"),
        (["time,air_temp_c", "2026-01-12T06Z"], "t.csv:2: 1 cells; accepted: 2"),
        (["time,air_temp_c", "", "2026-01-12T06:10Z,1"], "t.csv:3: time is '2026-01-12T06:10Z'; "),
        (["time,air_temp_c", "12/01/2026 06:00,1"], "accepted: the start of a whole hour, ISO"),
        (["time,air_temp_c", "2026-01-12T06Z,cold"], "t.csv:2: air_temp_c is 'cold'; accepted: a"),
        (["time,air_temp_c", "2026-01-12T06Z,"], "air_temp_c has no value"),
        (["time,air_temp_c,air_temp_c", "2026-01-12T06Z,1,1"], "'air_temp_c' stands there twice"),
        (["time,air_temp_c", "1026-01-12T06Z,1", "2026-01-12T06Z,1"], "accepted: up to 175680"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_with_file_line_column_and_value(lines, message):
    with pytest.raises(InputError) as caught:
        stationtable.read("\n".join(lines), "t.csv")
    assert message in str(caught.value)


def test_what_is_not_used_or_dropped_is_said():
    lines = [
        "time,air_temp_c,wind_ms,sw_down_wm2",
        "2026-01-12T06Z,-999,4,-3",
        "2026-01-12T07Z,1,,",
    ]
    table = stationtable.read("\n".join(lines), "t.csv")
    assert any("column 'wind_ms' is not used; did you mean wind" in note for note in table.notes)
    assert any("air_temp_c: value outside -60 to 60 °C, dropped" in note for note in table.notes)
    np.testing.assert_array_equal(table.values["sw_down_wm2"], [0.0, np.nan])


# -- gaps -----------------------------------------------------------------------------------------


def test_a_short_gap_runs_straight_and_a_long_one_stays():
    values = np.array([np.nan, 1.0, np.nan, 3.0, *[np.nan] * 7, 9.0])
    filled, new = gapfill.across(values, 6)
    np.testing.assert_array_equal(filled[:4], [np.nan, 1, 2, 3])
    assert np.isnan(filled[4:11]).all()
    assert np.flatnonzero(new).tolist() == [2]


def test_air_temperature_alone_is_enough_and_all_else_is_named_as_filled():
    hours = run(text())
    assert np.isfinite(hours.surface_c).all()
    first = rows(hours)[30]
    assert first["modelled"] == (
        "dew_point_c wind_10m_ms cloud_frac sw_down_wm2 lw_down_wm2 precip_mm"
    )
    assert float(first["wind_10m_ms"]) == gapfill.TYPICAL_WIND_MS
    # Kimball et al. 1997: night air cools to about its dew point
    assert float(first["dew_point_c"]) == pytest.approx(-2.0 - 4.0 - 2.0, abs=0.1)
    # FAO-56 eq. 50: sqrt(8) · 0.16 of the top of the atmosphere, a clear sky lets 0.75 through
    assert float(first["cloud_frac"]) == pytest.approx(1 - 0.16 * 8**0.5 / 0.75, abs=0.02)
    assert (hours.state != State.DRY).all()


def test_what_is_given_is_used_and_nothing_is_said_of_it():
    dry = {"dew_point_c": -20.0, "wind_10m_ms": 5.5}
    given = FULL | dry | {"sw_down_wm2": 0.0, "lw_down_wm2": 250.0}
    hours = run(text(**given))
    row = rows(hours)[40]
    assert (row["modelled"], row["film"]) == ("", "dry")
    assert (row["wind_10m_ms"], row["lw_down_wm2"], row["sw_down_wm2"]) == ("5.50", "250.0", "0.0")
    from_humidity = {key: value for key, value in given.items() if key != "dew_point_c"}
    assert rows(run(text(**from_humidity, rel_humidity_pct=20.0)))[40]["modelled"] == ""


def test_cloud_is_told_from_the_sun_by_day_and_held_through_the_night():
    table = stationtable.read(text(96), "t.csv")
    clear = gapfill.clear_sky(dict(table.values), START, HERE).clear_wm2[:, 0]
    share = np.where(np.arange(96) < 45, 0.3, 0.9)  # a bright day after a dull one
    hours = run(text(96, sw_down_wm2=share * clear, wind_10m_ms=3.0, dew_point_c=-8.0))
    cloud = hours.weather["cloud_frac"]
    sunny = clear > gapfill.SUNNY_WM2
    # Crawford & Duchon 1999: cloud is one less the share of clear-sky sun
    np.testing.assert_allclose(cloud[sunny], 1 - share[sunny], atol=0.01)
    night = slice(25, 36)
    assert (np.diff(cloud[47:61]) <= 1e-9).all()
    np.testing.assert_allclose(cloud[night], 0.7, atol=0.01)
    assert (hours.marks["cloud_frac"] == Mark.MODELLED).all()
    assert (hours.marks["sw_down_wm2"] == 0).all()


def test_a_short_gap_in_the_sun_keeps_its_clearness():
    table = stationtable.read(text(48), "t.csv")
    clear = gapfill.clear_sky(dict(table.values), START, HERE).clear_wm2[:, 0]
    sun = 0.5 * clear
    sun[17:20] = np.nan
    hours = run(text(48, sw_down_wm2=sun, **FULL))
    np.testing.assert_allclose(hours.weather["sw_down_wm2"][17:20], 0.5 * clear[17:20], rtol=0.01)
    assert (hours.marks["sw_down_wm2"][17:20] == Mark.INTERPOLATED).all()


def test_given_cloud_dims_the_sun_as_gridded_cloud_does():
    # 1 - 0.45 c^3.4 of a clear day's sun
    overcast = run(text(48, **FULL | {"cloud_frac": 1.0})).weather["sw_down_wm2"]
    clear = run(text(48, **FULL | {"cloud_frac": 0.0})).weather["sw_down_wm2"]
    noon = clear > 200
    np.testing.assert_allclose(overcast[noon] / clear[noon], 0.55, atol=0.001)


def test_a_long_gap_is_unknown_and_the_pavement_starts_afresh_after_it():
    air = diurnal(240)
    air[60:90] = np.nan
    air[150:153] = np.nan
    holed = run(text(240, air_temp_c=air, **FULL), depths=(0.05,))
    gap = np.isnan(holed.surface_c)
    assert np.flatnonzero(gap).tolist() == list(range(60, 90))
    assert np.isnan(holed.depth_c[0][gap]).all()
    assert (holed.state[gap] == State.UNKNOWN).all()
    empty = rows(holed, ["0.05"])[70]
    assert (empty["surface_c"], empty["water_mm"], empty["film"]) == ("", "", "unknown")
    whole = run(text(240, **FULL), depths=(0.05,))
    assert np.abs(holed.surface_c - whole.surface_c)[100:].max() < 0.5
    assert np.abs(holed.surface_c - whole.surface_c)[200:].max() < 0.1
    # what comes after the gap is what a table that begins there would have
    later = run(text(150, start=START + timedelta(hours=90), air_temp_c=air[90:], **FULL))
    np.testing.assert_allclose(holed.surface_c[90:], later.surface_c, atol=1e-3)


def test_rain_and_snow_are_told_apart_by_temperature_and_unknown_hours_are_marked():
    precip = np.zeros(48)
    precip[20:24] = 0.5
    precip[30:] = np.nan
    cold = run(text(48, **FULL | {"air_temp_c": -8.0, "dew_point_c": -9.0, "precip_mm": precip}))
    assert cold.film["snow_mm"][23] == pytest.approx(2.0, abs=0.15)
    assert cold.state[23] == State.LOOSE_SNOW
    assert np.isfinite(cold.surface_c).all()
    assert (cold.marks["precip_mm"][30:] == Mark.MODELLED).all()
    mild = run(text(48, **FULL | {"air_temp_c": 6.0, "dew_point_c": 2.0, "precip_mm": precip}))
    assert mild.film["snow_mm"].max() == 0.0
    assert mild.state[23] == State.WET


# -- the answer -----------------------------------------------------------------------------------


def test_hours_and_depths_are_those_of_the_pavement_model():
    given = FULL | {"sw_down_wm2": 0.0, "lw_down_wm2": 230.0, "dew_point_c": -20.0}
    table = stationtable.read(text(**given), "t.csv")
    hours = station.run(table, HERE, LOT, (0.016, 0.05))
    values, marks, _ = station.weather(table, HERE)
    direct = pavement.run(
        gapfill.as_forecast(values, marks, START, HERE), pavement.Columns.of([LOT]), (0.016, 0.05)
    )
    np.testing.assert_allclose(hours.surface_c, direct.surface_c[:, 0, 0], atol=0.02)
    np.testing.assert_allclose(hours.surface_min_c, direct.surface_min_c[:, 0, 0], atol=0.02)
    np.testing.assert_allclose(hours.depth_c, direct.depth_c[:, :, 0, 0], atol=0.02)
    row = rows(hours, ["0.016", "0.05"])[5]
    assert list(row)[:5] == ["time", "surface_c", "surface_min_c", "at_0.016m_c", "at_0.05m_c"]
    assert row["time"] == "2026-01-10T05:00:00Z"
    assert float(row["at_0.05m_c"]) == pytest.approx(hours.depth_c[1, 5], abs=0.005)


def test_a_treatment_is_put_down_at_its_hour_and_dilutes():
    rain = np.where((np.arange(72) >= 30) & (np.arange(72) < 40), 0.2, 0.0)
    source = text(72, **FULL | {"air_temp_c": 1.0, "dew_point_c": 0.0, "precip_mm": rain})
    doses = [station.dose("2026-01-11T02:00Z,brine,0.5"), station.dose("28, cacl2=32, 10 ml/m2")]
    hours = run(source, doses=doses)
    salt, point = hours.film["salt_g_m2"], hours.film["freeze_point_c"]
    assert salt[25] == 0.0
    # 0.5 gal/1000 ft² is 20.37 mL/m²; 23.3 % brine has 0.2747 kg/L of salt
    assert salt[26] == pytest.approx(20.37 * 0.2747, abs=0.05)
    # 32 % calcium chloride weighs 1.31 kg/L (published tables)
    assert salt[28] - salt[27] == pytest.approx(10 * 1.31 * 0.32, rel=0.01)
    assert point[29] < -5.0 < point[40]
    assert salt[40] < 0.9 * salt[29]


@pytest.mark.parametrize(
    ("said", "message"),
    [
        ("6,brine", "'6,brine' is not an application; write HOUR,product,rate"),
        ("soon,brine,0.5", "'soon' is no hour; accepted: a moment like 2026-01-12T06Z"),
        ("6,salt,0.5", "'salt' is no liquid known here"),
        ("6,brine,0.5 mph", "--apply: "),
        ("6,brine,-0.5 gal/1000 ft2", "rate '-0.5 gal/1000 ft2' is negative"),
        ("72,brine,0.5", "'72,brine,0.5' is outside the table; accepted: 2026-01-10T00Z"),
    ],
)
def test_an_application_that_cannot_be_is_refused(said, message):
    with pytest.raises(InputError) as caught:
        run(text(), doses=[station.dose(said)])
    assert message in str(caught.value)


def test_surfaces_go_by_class_or_by_build_up():
    assert station.surface("concrete_walk").sky_view_frac == 0.8
    assert station.surface("permeable_asphalt", 0.5).sky_view_frac == 0.5
    with pytest.raises(InputError, match="'gravel' is no surface; accepted: asphalt_lot, "):
        station.surface("gravel")


def test_the_command_writes_the_file_and_says_what_is_in_it(tmp_path):
    source, out = tmp_path / "t.csv", tmp_path / "temps.csv"
    source.write_text(text(), encoding="utf-8")
    where = ["--lat", "43", "--lon", "-89", "--surface", "asphalt_lot", "--out", str(out)]
    done = CliRunner().invoke(app, ["pavement", str(source), *where, "--depths", "0.016,0.05"])
    assert done.exit_code == 0, done.output
    assert "72 of 72 hours, 2026-01-10 00:00Z to 2026-01-13 00:00Z" in done.output
    assert "wind_10m_ms: filled in 72 h" in done.output
    answer = list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8"))))
    assert len(answer) == 72
    assert {"at_0.016m_c", "at_0.05m_c", "film", "modelled"} <= set(answer[0])
    for wrong in (["--depths", "deep"], ["--units", "old"], ["--surface", "grass"]):
        refused = CliRunner().invoke(app, ["pavement", str(source), *where, *wrong])
        assert isinstance(refused.exception, InputError)
    absent = CliRunner().invoke(app, ["pavement", str(tmp_path / "no.csv"), *where])
    assert "no.csv: cannot be read (No such file" in str(absent.exception)


def test_how_sure_is_said_when_asked_and_less_so_further_ahead(tmp_path):
    table = stationtable.read(text(72, **FULL), "t.csv")
    plain = station.run(table, HERE, LOT)
    lead = station.lead_h(table, START + timedelta(hours=24))
    np.testing.assert_array_equal(lead, np.maximum(np.arange(72) - 24.0, 0.0))
    sure = station.run(table, HERE, LOT, lead_h=lead)
    np.testing.assert_allclose(sure.surface_c, plain.surface_c, atol=1e-9)
    low, high = sure.sure["surface_p10_c"], sure.sure["surface_p90_c"]
    assert (low < sure.surface_c).all()
    assert (sure.surface_c < high).all()
    night = slice(49, 55), slice(1, 7)
    assert ((high - low)[night[0]] > (high - low)[night[1]] + 0.5).all()
    row = rows(sure)[6]
    assert 0.5 < float(row["below_freezing_prob"]) <= 1.0
    assert 0.0 <= float(row["frost_prob"]) <= float(row["below_freezing_prob"])
    assert "frost_prob" not in rows(plain)[6]

    source = tmp_path / "t.csv"
    source.write_text(text(), encoding="utf-8")
    where = ["--lat", "43", "--lon", "-89", "--out", str(tmp_path / "o.csv")]
    command = ["pavement", str(source), *where, "--forecast-from", "2026-01-11T00Z"]
    refused = CliRunner().invoke(app, command)
    assert "--forecast-from goes with --spread" in str(refused.exception)
    done = CliRunner().invoke(app, [*command, "--spread"])
    assert done.exit_code == 0, done.exception
    assert "surface_p90_c" in (tmp_path / "o.csv").read_text(encoding="utf-8").splitlines()[0]
