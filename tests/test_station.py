"""A station's own table through the command line: strict reading, filling, results, repeat."""

import csv
import time as clock
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from helpers.sites import site_entry, sites_text
from helpers.weather import diurnal, forecast
from typer.testing import CliRunner

from stormplan.cli.main import app
from stormplan.cli.pavement import read_table
from stormplan.errors import InputError
from stormplan.physics.forcing import clear_sky
from stormplan.weather import infill

START = datetime(2026, 1, 10, 6, tzinfo=UTC)
PLACE = ["--lat", "42", "--lon", "-88"]


def table(path, hours=48, names=("air_temp_c",), **series):
    """Write a table; a series is a number, a list, or text by hour."""
    columns = {"air_temp_c": diurnal(hours).round(3)} | series
    lines = [",".join(["time", *columns])]
    for hour in range(hours):
        stamp = f"{START + timedelta(hours=hour):%Y-%m-%dT%H:%MZ}"
        cells = [str(np.broadcast_to(value, hours)[hour]) for value in columns.values()]
        lines.append(",".join([stamp, *cells]).replace("nan", ""))
    path.write_text("\n".join(lines) + "\n")
    return path


def rows_of(path):
    return list(csv.DictReader(path.read_text().splitlines()))


def run(*arguments):
    result = CliRunner().invoke(app, ["pavement", *map(str, arguments)])
    if isinstance(result.exception, InputError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def test_time_and_air_alone_are_enough_and_the_rest_is_marked(tmp_path):
    out = tmp_path / "temps.csv"
    words = run(
        table(tmp_path / "t.csv"), *PLACE, "--surface", "asphalt_lot", "--out", out,
        "--depths", "0.016,0.05",
    )  # fmt: skip
    rows = rows_of(out)
    assert len(rows) == 48
    assert rows[0]["time"] == "2026-01-10T06:00:00Z"
    assert {"surface_c", "surface_min_c", "at_0.016m_c", "at_0.05m_c"} <= set(rows[0])
    modeled = set(rows[20]["modeled"].split())
    assert {"dew_point_c", "wind_10m_ms", "cloud_frac", "sw_down_wm2", "lw_down_wm2"} <= modeled
    assert "air_temp_c" not in modeled
    for row in rows:
        assert float(row["surface_min_c"]) <= float(row["surface_c"]) + 1e-9
        assert -15 < float(row["surface_c"]) < 20
    assert "Modeled because the table does not say: dew_point_c in 48 h" in words


def test_what_the_table_says_is_used_and_not_marked(tmp_path):
    given = {"dew_point_c": -6.0, "wind_10m_ms": 4.0, "cloud_frac": 0.2, "precip_mm": 0.0}
    given |= {"sw_down_wm2": 0.0, "lw_down_wm2": 230.0}
    out = tmp_path / "temps.csv"
    run(table(tmp_path / "t.csv", **given), *PLACE, "--out", out)
    row = rows_of(out)[30]
    assert float(row["lw_down_wm2"]) == 230.0
    assert float(row["wind_10m_ms"]) == 4.0
    assert not {"dew_point_c", "wind_10m_ms", "sw_down_wm2", "lw_down_wm2"} & set(
        row["modeled"].split()
    )


def test_short_gaps_are_bridged_and_long_ones_stay_blank(tmp_path):
    air = diurnal(72).round(3)
    air[10:13] = np.nan
    air[30:45] = np.nan
    out = tmp_path / "temps.csv"
    run(table(tmp_path / "t.csv", 72, air_temp_c=air), *PLACE, "--out", out)
    rows = rows_of(out)
    assert rows[11]["surface_c"] != ""
    assert "air_temp_c" in rows[11]["modeled"]
    assert [row["surface_c"] for row in rows[30:45]] == [""] * 15
    assert rows[35]["condition"] == "unknown"
    assert rows[45]["surface_c"] != ""


def test_a_treatment_is_seen_to_dilute_in_snow(tmp_path):
    snow = np.where(np.arange(48) == 20, 0.3, 0.0)
    source = table(
        tmp_path / "t.csv", air_temp_c=np.full(48, -3.0), snowfall_swe_mm=snow, cloud_frac=1.0
    )
    out, plain = tmp_path / "treated.csv", tmp_path / "plain.csv"
    run(source, *PLACE, "--out", out, "--treatment", "2026-01-11T00:00Z,brine,0.5 gal/1000 ft2")
    run(source, *PLACE, "--out", plain)
    treated, untreated = rows_of(out), rows_of(plain)
    # 0.5 gal/1000 ft² of 23.3 % brine is 5.59 g/m² of salt
    assert float(treated[18]["salt_g_m2"]) == pytest.approx(5.59, abs=0.02)
    assert float(treated[21]["freeze_point_c"]) > float(treated[18]["freeze_point_c"]) + 5
    assert treated[18]["condition"] == "brine"
    assert float(treated[21]["water_mm"]) > float(untreated[21]["water_mm"])
    assert untreated[21]["condition"] == "loose snow"


def test_times_without_a_zone_need_one_and_follow_its_clock_changes(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("time,air_temp_c\n2025-11-02T00:00,1\n2025-11-02T01:00,1\n2025-11-02T01:00,0\n"
                    "2025-11-02T02:00,0\n")  # fmt: skip
    with pytest.raises(InputError, match=r"t.csv:2: column 'time': '2025-11-02T00:00' has no zone"):
        read_table(path)
    read = read_table(path, "America/Chicago")
    assert read.start == datetime(2025, 11, 2, 5, tzinfo=UTC)
    assert read.n_hours == 4
    path.write_text("time,air_temp_c\n2026-03-08T02:00,1\n")
    with pytest.raises(InputError, match="does not exist in America/Chicago"):
        read_table(path, "America/Chicago")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "time,air_temp_c,snow_depth_cm\n",
            r"t.csv:1: unknown column 'snow_depth_cm'; it is now called 'snowfall_cm'",
        ),
        ("time,air_temp\n", r"t.csv:1: unknown column 'air_temp'; did you mean 'air_temp_c'\?"),
        ("time,dew_point_c\n", "t.csv:1: no column 'air_temp_c'"),
        ("time,air_temp_c,air_temp_c\n", "t.csv:1: column 'air_temp_c' stands twice"),
        ("time,air_temp_c\n", "t.csv:2: no rows"),
        ("time,air_temp_c\nnoon,1\n", "t.csv:2: column 'time': 'noon' is not a time"),
        ("time,air_temp_c\n2026-01-10T06:30Z,1\n", "t.csv:2: .* is not on the whole hour"),
        ("time,air_temp_c\n2026-01-10T06Z,cold\n", "t.csv:2: column 'air_temp_c': 'cold' is not"),
        ("time,air_temp_c\n2026-01-10T06Z,88\n", "'air_temp_c': 88 is out of range; accepted: -60"),
        ("time,air_temp_c\n2026-01-10T06Z,1,2\n", "t.csv:2: 3 cells; the header has 2"),
        (
            "time,air_temp_c\n2026-01-10T07Z,1\n2026-01-10T06Z,1\n",
            "t.csv:3: column 'time': '2026-01-10T06Z' is not after the row before",
        ),
        (
            "time,air_temp_c\n2026-01-10T07Z,1\n2026-01-10T07Z,1\n",
            r"t.csv:3: .* is not after the row before \(2026-01-10T07:00Z\)",
        ),
    ],
)
def test_an_unusable_table_says_file_line_column_and_value(tmp_path, text, message):
    path = tmp_path / "t.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_table(path)


def test_every_problem_of_a_table_comes_at_once(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("time,air_temp_c\n2026-01-10T06Z,x\n2026-01-10T07Z,y\n")
    with pytest.raises(InputError) as caught:
        read_table(path)
    assert str(caught.value).count("t.csv:") == 2


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ["--lat", "95", "--lon", "0"],
            "--lat, --lon: latitude 95.0, longitude 0.0 is not a place",
        ),
        (
            [*PLACE, "--surface", "ice_rink"],
            "--surface: surface .ice_rink. is not known; accepted: as",
        ),
        ([*PLACE, "--depths", "deep"], "--depths deep is not usable"),
        ([*PLACE, "--treatment", "now"], "--treatment 'now' is not a treatment"),
        ([*PLACE, "--treatment", "2026-01-10T06,brine,0.5 gal/1000 ft2"], "is not a time"),
        (
            [*PLACE, "--treatment", "2026-01-10T06Z,tar,0.5 gal/1000 ft2"],
            "no product 'tar'; accepted",
        ),
        ([*PLACE, "--treatment", "2027-01-10T06Z,brine,0.5 gal/1000 ft2"], "is outside the table"),
        ([*PLACE, "--timezone", "Mars"], "'Mars' is not a time zone"),
    ],
)
def test_unusable_options_are_refused(tmp_path, arguments, message):
    with pytest.raises(InputError, match=message):
        run(table(tmp_path / "t.csv"), "--out", tmp_path / "o.csv", *arguments)


def test_cloud_is_read_off_the_measured_sun():
    weather = forecast(72, cloud_frac=0.0)
    clear = clear_sky(weather).ghi_wm2[:, 0]
    air, none = diurnal(72), np.full(72, np.nan)
    dull = infill.estimate_cloud_frac(air, 0.3 * clear, clear, none)
    bright = infill.estimate_cloud_frac(air, clear, clear, none)
    # Crawford & Duchon: cloud = 1 - S/S0, over 0.84
    np.testing.assert_allclose(dull, 0.7 / 0.84, atol=1e-9)
    np.testing.assert_allclose(bright, 0.0, atol=1e-9)
    # FAO 56 without sun: a range of 8 °C lets 0.16 sqrt(8) / 0.75 through
    guess = infill.estimate_cloud_frac(air, none, clear, none)
    assert guess[36] == pytest.approx((1 - 0.16 * np.sqrt(8.0) / 0.75) / 0.84, abs=0.01)


@pytest.mark.slow
def test_a_winter_of_hours_runs_in_seconds(tmp_path):
    source, out = table(tmp_path / "t.csv", 24 * 90), tmp_path / "o.csv"
    began = clock.perf_counter()
    run(source, *PLACE, "--out", out)
    assert clock.perf_counter() - began < 20.0
    assert len(rows_of(out)) == 24 * 90


def test_without_sun_and_cloud_the_range_of_temperature_dims_the_sun():
    # FAO 56: 0.16 sqrt(range) of the top of the atmosphere, a clear sky lets 0.75 through
    hours = np.arange(96)
    clear = np.where((hours % 24 > 8) & (hours % 24 < 16), 400.0, 0.0)
    for swing, share in ((9.0, 0.64), (0.0, 0.25), (40.0, 1.0)):
        air = -2.0 + 0.5 * swing * np.sin(2 * np.pi * hours / 24)
        values, filled = infill.fill_missing({"air_temp_c": air}, clear)
        np.testing.assert_allclose(values["sw_down_wm2"], share * clear, rtol=0.01)
        assert filled["sw_down_wm2"].all()
    said, _ = infill.fill_missing({"air_temp_c": air, "cloud_frac": 0.0 * air}, clear)
    assert np.isnan(said["sw_down_wm2"]).all()  # left to the cloud


def test_a_pyranometer_reads_a_little_below_nothing_at_night(tmp_path):
    source, out = tmp_path / "t.csv", tmp_path / "o.csv"
    lines = [f"2026-01-12T{hour:02d}:00Z,-3,-2.4" for hour in range(12)]
    source.write_text("\n".join(["time,air_temp_c,sw_down_wm2", *lines]), encoding="utf-8")
    assert read_table(source).values["sw_down_wm2"].max() == 0.0
    run(source, *PLACE, "--out", out, "--surface", "permeable_asphalt")
    assert {row["sw_down_wm2"] for row in rows_of(out)} == {"0.0"}
    assert "sw_down_wm2" not in rows_of(out)[3]["modeled"]
    source.write_text("time,air_temp_c,sw_down_wm2\n2026-01-12T00:00Z,-3,-50", encoding="utf-8")
    with pytest.raises(InputError, match=r"t\.csv:2: column 'sw_down_wm2': -50 is out of range"):
        read_table(source)


def test_how_sure_is_said_when_asked_and_less_so_further_ahead(tmp_path):
    source, out = table(tmp_path / "t.csv", 72, dew_point_c=-6, cloud_frac=0.4), tmp_path / "o.csv"
    run(source, *PLACE, "--out", out)
    plain = rows_of(out)
    assert "prob_frost" not in plain[0]
    run(source, *PLACE, "--out", out, "--uncertainty", "--forecast-from", "2026-01-11T06:00Z")
    rows = rows_of(out)
    wide = [float(row["surface_p90_c"]) - float(row["surface_p10_c"]) for row in rows]
    for before, row in zip(plain, rows, strict=True):
        # a sum over members is rounded in another order
        assert float(row["surface_c"]) == pytest.approx(float(before["surface_c"]), abs=0.002)
        assert float(row["surface_p10_c"]) < float(row["surface_c"]) < float(row["surface_p90_c"])
        assert 0.0 <= float(row["prob_frost"]) <= float(row["prob_below_freezing"]) <= 1.0
    # 20 to 02 local: measured, then 0 to 1 day and 1 to 2 days ahead
    assert np.mean(wide[21:27]) < np.mean(wide[45:51]) - 0.5
    # 1.9 K in perfect weather at night is 2 · 1.28 · 1.9 = 4.9 from tenth to nine tenths
    assert np.mean(wide[21:24]) == pytest.approx(5.1, abs=0.4)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--forecast-from", "2026-01-11T06:00Z"], "--forecast-from goes with --uncertainty"),
        (
            ["--uncertainty", "--forecast-from", "2026-01-11"],
            "--forecast-from 2026-01-11 is not a time",
        ),
    ],
)
def test_how_sure_needs_a_moment_it_can_read(tmp_path, options, message):
    with pytest.raises(InputError, match=message):
        run(table(tmp_path / "t.csv"), *PLACE, "--out", tmp_path / "o.csv", *options)


def test_columns_of_other_things_are_passed_over(tmp_path):
    table = tmp_path / "t.csv"
    table.write_text(
        "time,operator,air_temp_c,src,quality\n"
        "2026-01-12T00:00Z,North,-2,x,\n2026-01-12T01:00Z,North,-3,x,\n"
    )
    found = read_table(table)
    assert found.values["air_temp_c"].tolist() == [-2.0, -3.0]
    assert "src" not in found.values


def test_a_table_whose_sun_cannot_be_is_run_and_told(tmp_path):
    # at 42° north the January sun gives no 900 W/m² (Long & Dutton 2002: at most 600 or so)
    sun = np.zeros(48)
    sun[[12, 36]] = 900.0
    words = run(
        table(tmp_path / "t.csv", sw_down_wm2=sun), *PLACE, "--surface", "asphalt_lot",
        "--out", tmp_path / "temps.csv",
    )  # fmt: skip
    assert "in 2 hours it is more than the sun can give, first 2026-01-10T18:00Z" in words
    assert len(rows_of(tmp_path / "temps.csv")) == 48


# ------------------------------------------------------------------- a surface of the sites file

MILL = {
    "lot": {"class": "asphalt_lot", "area": "20000 ft2"},
    "court": {
        "class": "asphalt_lot", "area": "2000 ft2", "sheltered": True,
        "walls": [{"side": "S", "distance": "10 ft", "height": "20 ft"}],
    },
    "slab": {
        "class": "asphalt_lot", "area": "2000 ft2",
        "build_up": {
            "layers": [{"material": "concrete", "thickness": "8 in"}], "below": "open air",
            "surface_properties_of": "concrete",
        },
    },
}  # fmt: skip


@pytest.fixture
def mill(tmp_path):
    """A sites file with a log of readings, and clear winter weather over it."""
    file = tmp_path / "sites.yaml"
    text = sites_text({"mill": site_entry(42.0, -88.0, MILL)}, readings="gun.jsonl")
    file.write_text(text)
    table(tmp_path / "t.csv", 144, cloud_frac=0.1, wind_10m_ms=2.5)

    def surface(key, *more):
        out = tmp_path / f"{key}.csv"
        run(tmp_path / "t.csv", "--sites", file, "--of", f"mill/{key}", "--out", out, *more)
        return rows_of(out)

    return file, surface


def column_of(rows, name):
    return np.array([float(row[name]) for row in rows])


def log_reading(sites, hour, surface_c):
    at = f"{START + timedelta(hours=hour, minutes=30):%Y-%m-%dT%H:%MZ}"
    logged = CliRunner().invoke(
        app,
        ["reading", "add", "mill", "lot", f"{surface_c}C", "--at", at, "--sites", str(sites)],
    )
    assert logged.exit_code == 0, logged.output


def test_a_surface_of_the_sites_file_brings_its_place_build_up_and_walls(
    mill, tmp_path, monkeypatch
):
    _, surface = mill
    plain = tmp_path / "plain.csv"
    run(tmp_path / "t.csv", *PLACE, "--surface", "asphalt_lot", "--out", plain)
    lot, court, slab = (column_of(surface(key), "surface_c") for key in ("lot", "court", "slab"))
    np.testing.assert_array_equal(lot, column_of(rows_of(plain), "surface_c"))
    noon, dawn = 24 * 3 + 12, 24 * 4 + 6  # from midnight of the sun on, third day
    assert court[noon] < lot[noon] - 3.0  # the wall takes the beam
    assert court[dawn] > lot[dawn]  # and gives back some of the sky's cold
    assert np.abs(slab - lot).max() > 1.0
    with pytest.raises(InputError, match=r"no surface 'mill/roof' .*; accepted: mill/lot, "):
        surface("roof")
    with pytest.raises(InputError, match=r"leave out --lat, --lon"):
        surface("lot", "--lat", "42")
    with pytest.raises(InputError, match="--of goes with --sites"):
        run(tmp_path / "t.csv", "--of", "mill/lot", "--out", plain)
    monkeypatch.chdir(tmp_path)
    run("t.csv", "--of", "mill/lot", "--out", plain)  # the sites file of this folder
    np.testing.assert_array_equal(lot, column_of(rows_of(plain), "surface_c"))
    with pytest.raises(InputError, match="give --lat and --lon, or --sites FILE with --of"):
        run(tmp_path / "t.csv", "--out", plain)


def test_readings_of_the_surface_correct_the_hours_after_them(mill, tmp_path):
    file, surface = mill
    before = column_of(surface("lot"), "surface_c")
    # the place is 2 K warmer by night than modeled; read at 2 and 5 in the first four nights, and
    # once by day, which says nothing of nights
    read = [24 * night + hour for night in range(4) for hour in (2, 5)] + [24 + 13]
    for hour in read:
        log_reading(file, hour, before[hour] + (2.0 if hour != 37 else 9.0))
    rows = surface("lot", "--uncertainty")
    moved, told = column_of(rows, "surface_c"), column_of(rows, "night_offset_k")
    assert (told[:3] == 0.0).all()  # nothing was known yet, nor is the hour of the reading itself
    assert 0.5 < told[4] < 2.0
    np.testing.assert_allclose((moved - before)[:3], 0.0, atol=0.4)  # members' median, not control
    assert (told[24 * 2 + 12 :][8:14] >= 0.0).all()
    assert told[[24 * day + 13 for day in range(5)]] == pytest.approx([0.0] * 5)  # not by day
    last_night = 24 * 4 + np.arange(1, 6)
    assert (np.abs(told[last_night] - 2.0) < 0.7).all()
    width = column_of(rows, "surface_p90_c") - column_of(rows, "surface_p10_c")
    assert (width[last_night] < 0.75 * width[:3].mean()).all()
    # a reading of hours that were forecast is not known yet
    late = surface("lot", "--uncertainty", "--forecast-from", "2026-01-10T08:00Z")
    assert (column_of(late, "night_offset_k") == 0.0).all()


def test_readings_that_find_the_model_right_change_nothing(mill, tmp_path):
    # across a gap, in rain that freezes, with brine put down after a reading
    file, surface = mill
    air, hours = diurnal(144).round(3), np.arange(144)
    air[60:72] = np.nan
    rain = np.where(hours % 24 == 4, 0.2, 0.0)
    table(tmp_path / "t.csv", 144, air_temp_c=air, cloud_frac=0.1, freezing_rain_mm=rain)
    treated = ("--treatment", "2026-01-14T08:00Z,brine,0.5 gal/1000 ft2")
    before = surface("lot", *treated)
    for hour in (2, 27, 51, 97):
        log_reading(file, hour, before[hour]["surface_c"])
    after = surface("lot", *treated)
    assert float(after[98]["salt_g_m2"]) > 5.0
    assert after[65]["night_offset_k"] == ""
    text = ("time", "modeled", "condition")
    assert [[row[key] for key in text] for row in after] == [
        [row[key] for key in text] for row in before
    ]
    for name in set(before[0]) - {*text}:
        said, was = ([float(row[name] or "nan") for row in rows] for rows in (after, before))
        np.testing.assert_allclose(said, was, atol=0.01, err_msg=name)
