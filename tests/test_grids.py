"""Gridded files: the values ecCodes' own search finds; what is missing or damaged is named."""

import json
import math
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path

import eccodes
import eccodeslib
import numpy as np
import pytest
from helpers import grib_grids, service_formats
from helpers.grib_grids import AT_2M, Field, file_and_index, message, slope, uniform
from helpers.http_service import ScriptedReply
from helpers.sites import parse_sites, site_entry

from stormplan.company.sites import GridSettings
from stormplan.errors import ForecastError, InputError, SitesError
from stormplan.service import pipeline
from stormplan.store.archive import IN_MEMORY, Archive
from stormplan.weather.forecast import QualityFlag
from stormplan.weather.http_client import ClientPolicy, Fetcher
from stormplan.weather.providers import (
    Location,
    NotServedError,
    fetch_forecasts,
    grid_document,
    parse_stored_reply,
)
from stormplan.weather.providers.grib_fields import PointReader
from stormplan.weather.providers.grib_index import byte_ranges, parse_index
from stormplan.weather.providers.grib_messages import read_fields
from stormplan.weather.providers.grid_document import split_windows
from stormplan.weather.providers.grid_models import HRRR, MODELS, NBM, GridField
from stormplan.weather.providers.grids import open_source
from stormplan.words.reports import render_reports

LOT = Location("lot", service_formats.LATITUDE, service_formats.LONGITUDE)
CYCLE = service_formats.START
NOW = CYCLE + timedelta(minutes=70)
HASTY = ClientPolicy(min_interval_s=0.0, min_throttle_wait_s=0.0, sleep=lambda _: None)
#: Towns and corners of the contiguous United States (latitude, longitude), from memory.
PLACES = (
    (42.89, -78.88), (44.98, -93.27), (39.74, -104.99), (41.26, -95.93), (47.61, -122.33),
    (25.76, -80.19), (32.72, -117.16), (46.87, -68.01), (48.2, -101.3), (29.95, -90.07),
    (35.2, -111.65), (40.71, -74.01), (38.9, -77.04), (45.68, -111.04), (36.17, -86.78),
    (33.45, -112.07), (43.62, -116.2), (46.79, -92.1), (39.1, -84.51), (30.27, -97.74),
)  # fmt: skip
RECORDED = (
    "nbm_co_f001_TMP2m_20250901T00Z.grib2",  # every second row backward
    "nbm_co_f001_TCDC_20260616T12Z.grib2",
    "nbm_co_f001_ASNOWprob_20260616T12Z.grib2",  # the first of three thresholds
    "hrrr_sfc_f01_TMPsurface_20230722T06Z.grib2",
    "hrrr_sfc_f01_CFRZR_20230722T06Z.grib2",  # a constant field
)


def as_it_is(content):
    """The first field of a file, whatever it is, in the unit of its code table."""
    first = next(read_fields(BytesIO(content), []))
    handle = eccodes.codes_new_from_message(first.message)
    kind = {
        "template": eccodes.codes_get(handle, "productDefinitionTemplateNumber", int),
        "surface": (
            eccodes.codes_get(handle, "typeOfFirstFixedSurface", int),
            eccodes.codes_get(handle, "scaledValueOfFirstFixedSurface", int),
        ),
    }
    if kind["template"] == 9:
        kind |= {"process": 1, "limits": (None, 0.00254)}
    return first, GridField("any", (first.parameter,), index_name="", index_level="", **kind)


def values_at(content, places):
    first, kind = as_it_is(content)
    north, east = np.array(places).T
    return PointReader(north, east, (kind,)).read(first)


# -- against ecCodes' own tools --------------------------------------------------------------------


@pytest.mark.samples
@pytest.mark.slow
@pytest.mark.parametrize("name", RECORDED)
def test_values_at_twenty_places_are_those_of_the_nearest_points(samples, name):
    """Nearest on the sphere among all points, as ecCodes' iterator gives them with their values."""
    content = (samples / "grib" / name).read_bytes()
    found = values_at(content, PLACES).values
    handle = eccodes.codes_new_from_message(next(read_fields(BytesIO(content), [])).message)
    north, east, values = eccodes.codes_get_array(handle, "latLonValues").reshape(-1, 3).T
    points = on_sphere(north, east)
    nearest = [values[(points @ on_sphere(*place)).argmax()] for place in PLACES]
    assert found == pytest.approx(nearest, abs=1e-6)
    assert np.isfinite(found).all()


def on_sphere(latitude_deg, longitude_deg):
    north, east = np.radians(latitude_deg), np.radians(longitude_deg)
    parts = np.cos(north) * np.cos(east), np.cos(north) * np.sin(east), np.sin(north)
    return np.stack(parts, axis=-1)


@pytest.mark.samples
@pytest.mark.slow
def test_the_value_at_buffalo_is_the_one_grib_get_prints(samples):
    """On an odd row, where rows read the wrong way round are 10 K off."""
    file = samples / "grib" / RECORDED[0]
    tool = Path(eccodeslib.__file__).parent / "bin" / "grib_get"
    said = subprocess.run(
        [tool, "-l", "42.89,-78.88,1", "-F", "%.6g", file],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert values_at(file.read_bytes(), PLACES[:1]).values == pytest.approx([float(said.stdout)])


@pytest.mark.parametrize("mode", range(0, 256, 16))
def test_every_scanning_mode_gives_the_same_values(mode):
    values = np.arange(np.prod(grib_grids.SHAPE), dtype=float).reshape(grib_grids.SHAPE)
    kind = grib_grids.uniform_field()
    plain, scanned = (
        message(Field(kind.parameter, AT_2M, "", 1, 1, values), CYCLE, one)
        for one in (grib_grids.NORTHWARD, mode)
    )
    rng = np.random.default_rng(1)
    places = np.column_stack([rng.uniform(43.0, 43.12, 20), rng.uniform(-89.5, -89.3, 20)])
    handle = eccodes.codes_new_from_message(plain)
    nearest = [eccodes.codes_grib_find_nearest(handle, *place)[0].value for place in places]
    assert values_at(scanned, places).values == pytest.approx(nearest, abs=1e-4)


def test_a_place_off_the_grid_has_no_value():
    content = message(grib_grids.uniform_field(), CYCLE)
    places = [(40.0, -89.4), (43.1, -80.0), (-90.0, 0.0)]  # the pole that the map has nowhere, too
    assert np.isnan(values_at(content, places).values).all()


# -- fields ----------------------------------------------------------------------------------------


@pytest.mark.samples
def test_which_recorded_fields_are_used(samples):
    """The cloud at the local surface type 195 is no total cloud, and is not taken for it."""

    def names(file, key):
        model = MODELS[key]
        reader = PointReader(*np.array(PLACES[:1]).T, model.fields)
        fields = read_fields(BytesIO((samples / "grib" / file).read_bytes()), [])
        return [None if (one := reader.read(each)) is None else one.name for each in fields]

    assert names(RECORDED[0], "nbm") == ["air_temp_c"]
    assert names(RECORDED[1], "nbm") == [None]
    assert names(RECORDED[2], "nbm") == ["snow_chance", None, None]
    assert names(RECORDED[3], "hrrr") == [None]  # of the ground, not of the air
    assert names(RECORDED[4], "hrrr") == ["is_freezing_rain"]


# codes: WMO Code tables 4.1 and 4.2, NCEP's local table 4.2-0-1 for 228; 4.5 surfaces; the value as
# the code table's unit has it, and in our unit by hand
@pytest.mark.parametrize(
    ("key", "parameter", "surface", "window", "limits", "given", "name", "ours"),
    [
        ("nbm", (0, 0, 0), (103, 2), 0, None, 268.15, "air_temp_c", -5.0),
        ("nbm", (0, 0, 6), (103, 2), 0, None, 263.15, "dew_point_c", -10.0),
        ("nbm", (0, 2, 1), (103, 10), 0, None, 4.5, "wind_10m_ms", 4.5),
        ("nbm", (0, 2, 22), (103, 10), 0, None, 9.0, "wind_gust_ms", 9.0),
        ("nbm", (0, 6, 1), (1, 0), 0, None, 75.0, "cloud_frac", 0.75),
        ("nbm", (0, 19, 0), (1, 0), 0, None, 16000.0, "visibility_m", 16000.0),
        ("nbm", (0, 4, 192), (1, 0), 0, None, 300.0, "sw_down_wm2", 300.0),
        ("nbm", (0, 1, 8), (1, 0), 1, None, 2.5, "precip_mm", 2.5),
        ("nbm", (0, 1, 8), (1, 0), 6, None, 2.5, "precip_mm", 2.5),
        ("nbm", (0, 1, 29), (1, 0), 1, None, 0.03, "snowfall_cm", 3.0),
        ("nbm", (0, 1, 228), (1, 0), 1, None, 0.6, "ice_accretion_mm", 0.6),
        ("nbm", (0, 1, 8), (1, 0), 1, (None, 0.254), 40.0, "pop", 0.4),
        ("nbm", (0, 1, 29), (1, 0), 1, (None, 0.00254), 30.0, "snow_chance", 0.3),
        ("nbm", (0, 1, 19), (1, 0), 0, (1, 2), 20.0, "chance_rain", 0.2),
        ("nbm", (0, 1, 19), (1, 0), 0, (3, 4), 20.0, "chance_freezing_rain", 0.2),
        ("nbm", (0, 1, 19), (1, 0), 0, (5, 7), 20.0, "chance_snow", 0.2),
        ("nbm", (0, 1, 19), (1, 0), 0, (8, 9), 20.0, "chance_sleet", 0.2),
        ("hrrr", (0, 2, 2), (103, 10), 0, None, -3.0, "wind_x_ms", -3.0),
        ("hrrr", (0, 2, 3), (103, 10), 0, None, 4.0, "wind_y_ms", 4.0),
        ("hrrr", (0, 2, 22), (1, 0), 0, None, 12.0, "wind_gust_ms", 12.0),
        ("hrrr", (0, 6, 1), (10, 0), 0, None, 50.0, "cloud_frac", 0.5),
        ("hrrr", (0, 3, 0), (1, 0), 0, None, 98000.0, "pressure_hpa", 980.0),
        ("hrrr", (0, 3, 5), (1, 0), 0, None, 280.0, "elevation_m", 280.0),
        ("hrrr", (0, 5, 3), (1, 0), 0, None, 250.0, "lw_down_wm2", 250.0),
        ("hrrr", (0, 4, 7), (1, 0), 0, None, 250.0, "sw_down_wm2", 250.0),
        ("hrrr", (0, 1, 33), (1, 0), 0, None, 1.0, "is_rain", 1.0),
        ("hrrr", (0, 1, 194), (1, 0), 0, None, 1.0, "is_sleet", 1.0),
        ("hrrr", (0, 1, 195), (1, 0), 0, None, 1.0, "is_snow", 1.0),
        # what is like them and is not: level, threshold, kind, and the total of no time
        ("nbm", (0, 0, 0), (1, 0), 0, None, 268.15, None, 0),
        ("nbm", (0, 2, 1), (103, 80), 0, None, 4.5, None, 0),
        ("nbm", (0, 1, 8), (1, 0), 0, None, 2.5, None, 0),
        ("nbm", (0, 1, 8), (1, 0), 1, (None, 2.54), 40.0, None, 0),
        ("nbm", (0, 1, 19), (1, 0), 0, (5, 6), 20.0, None, 0),
        ("hrrr", (0, 1, 8), (1, 0), 1, (None, 0.254), 40.0, None, 0),
        ("hrrr", (0, 6, 1), (1, 0), 0, None, 50.0, None, 0),
    ],
)
def test_every_field_is_known_by_its_codes_and_brought_to_our_unit(
    key, parameter, surface, window, limits, given, name, ours
):
    end = 12
    field = Field(parameter, surface, "", end - window, end, uniform(given), limits)
    (found,) = read_fields(BytesIO(message(field, CYCLE)), [])
    got = PointReader(*np.array([(43.1, -89.4)]).T, MODELS[key].fields).read(found)
    if name is None:
        assert got is None
        return
    assert (got.name, got.start_h, got.end_h) == (name, end - window, end)
    assert got.values == pytest.approx([ours], abs=1e-4)


def test_the_deviation_and_the_highest_of_the_hour_are_no_temperature():
    """Templates 4.2 (ensemble statistics) and 4.8 with process 2 (highest)."""
    kind = grib_grids.uniform_field()
    spread = {"productDefinitionTemplateNumber": 2, "derivedForecast": 2}
    highest = {"typeOfStatisticalProcessing": 2}
    for begin, keys in ((12, spread), (11, highest)):
        field = Field(kind.parameter, AT_2M, "", begin, 12, uniform(280.0), keys=keys)
        (found,) = read_fields(BytesIO(message(field, CYCLE)), [])
        assert PointReader(*np.array([(43.1, -89.4)]).T, NBM.fields).read(found) is None


def test_damaged_bytes_are_named_or_read_and_raise_nothing_else():
    content = file_and_index(grib_grids.hrrr_fields(33)[:4], CYCLE)[0]
    rng = np.random.default_rng(3)
    outcomes = set()
    for _ in range(100):
        damaged = bytearray(content)
        for at in rng.integers(len(content), size=4):
            damaged[at] = rng.integers(256)
        problems = []
        for one in read_fields(BytesIO(damaged), problems):
            try:
                PointReader(*np.array([(43.1, -89.4)]).T, HRRR.fields).read(one)
                outcomes.add("read")
            except ForecastError:
                outcomes.add("refused")
        outcomes.update("passed over" for _ in problems)
    assert outcomes == {"read", "refused", "passed over"}


def test_a_damaged_size_does_not_fill_the_memory():
    content = bytearray(message(grib_grids.uniform_field(), CYCLE))
    place = 16
    while content[place + 4] != 3:
        place += int.from_bytes(content[place : place + 4])
    content[place + 30] = 0x70  # the first octet of Nx: some two thousand million
    (found,) = read_fields(BytesIO(content), [])
    with pytest.raises(ForecastError, match="sizes or places that cannot be"):
        PointReader(*np.array([(43.1, -89.4)]).T, NBM.fields).read(found)


@pytest.mark.parametrize(
    "keys",
    [
        {"bitmapPresent": 1, "missingValue": 9999},
        {"packingType": "grid_complex", "missingValue": 9999, "bitmapPresent": 1},
    ],
)
def test_a_missing_value_is_unknown(keys):
    values = uniform(280.0)
    values[:, 3:] = 285.0
    values[2, 4] = 9999.0
    kind = grib_grids.uniform_field()
    content = message(Field(kind.parameter, AT_2M, "", 1, 1, values, keys=keys), CYCLE)
    handle = eccodes.codes_new_from_message(content)
    latitudes, longitudes = (
        eccodes.codes_get_array(handle, name).reshape(grib_grids.SHAPE)[2, 3:6]
        for name in ("latitudes", "longitudes")
    )
    found = values_at(content, np.column_stack([latitudes, longitudes])).values
    assert found == pytest.approx([285.0, np.nan, 285.0], nan_ok=True)


def test_a_message_of_two_fields_gives_both():
    """UGRD and VGRD of older models share a message: sections 4 to 7 are repeated."""
    one, two = (
        message(Field((0, 2, number), grib_grids.AT_10M, "", 1, 1, slope(3.0, number)), CYCLE)
        for number in (2, 3)
    )
    place, length = 16, 0
    while two[place + 4] != 4:  # where section 4 begins
        place += int.from_bytes(two[place : place + 4])
    joined = one[:-4] + two[place:]
    length = len(joined).to_bytes(8, "big")
    fields = list(read_fields(BytesIO(joined[:8] + length + joined[16:]), problems := []))
    assert problems == []
    assert [one.message for one in fields] == [
        one.message for one in fields if one.parameter[1] == 2
    ]
    assert [one.parameter for one in fields] == [(0, 2, 2), (0, 2, 3)]
    assert [one.message for one in fields] == [one, two]


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        # a run's total grows; each hour is what it grew by
        ([(0, 1, 1.0), (0, 2, 1.5), (0, 3, 4.0)], [(0, 1, 1.0), (1, 2, 0.5), (2, 3, 2.5)]),
        # one file of the run is missing: two hours share what it grew by
        ([(0, 1, 1.0), (0, 3, 4.0)], [(0, 1, 1.0), (1, 3, 3.0)]),
        # six hours, five of them known: the sixth is the rest
        (
            [(0, 6, 9.0), *((hour, hour + 1, 1.0) for hour in range(5))],
            [*((hour, hour + 1, 1.0) for hour in range(5)), (5, 6, 4.0)],
        ),
        # six hours, two of them known, apart: the six stand
        ([(0, 6, 9.0), (2, 3, 1.0), (5, 6, 1.0)], [(0, 6, 9.0)]),
        # all hours known: the longer window adds nothing, whatever it says
        ([(0, 2, 9.0), (0, 1, 1.0), (1, 2, 1.0)], [(0, 1, 1.0), (1, 2, 1.0)]),
        # a missing value is no total
        ([(0, 1, math.nan), (0, 2, 3.0)], [(0, 2, 3.0)]),
        # rounding of the packing does not give rain below zero
        ([(0, 1, 1.0), (0, 2, 0.999)], [(0, 1, 1.0), (1, 2, 0.0)]),
        # a total that shrinks is not believed
        ([(0, 1, 5.0), (0, 2, 1.0)], [(0, 1, 5.0)]),
    ],
)
def test_totals_are_split_into_the_finest_windows_that_follow(given, expected):
    assert np.array(split_windows(given)) == pytest.approx(np.array(expected))


# -- the index -------------------------------------------------------------------------------------


@pytest.mark.samples
def test_a_recorded_index_gives_the_bytes_of_its_messages(samples):
    lines = parse_index((samples / "grib" / "gfswave_example.idx").read_text())
    assert len(lines) == 19
    first = lines[0]
    assert (first.first, first.last) == (0, 41722)  # the second line begins at 41723
    assert (first.name, first.level, first.time) == ("WIND", "surface", "1 hour fcst")
    assert (lines[-1].first, lines[-1].last) == (657151, None)
    ranges = byte_ranges(lines, lambda line: line.name in ("WIND", "WDIR", "HTSGW"))
    assert ranges == [(0, 100526), (184546, lines[4].last)]


def test_one_range_does_not_grow_beyond_what_a_reply_may_hold():
    each = 5_000_000
    text = "\n".join(f"{at}:{each * at}:d=2026011118:TMP:surface:1 hour fcst:" for at in range(4))
    ranges = byte_ranges(parse_index(text), lambda line: line.last is not None)
    assert ranges == [(each * at, each * (at + 1) - 1) for at in range(3)]


def test_submessages_share_their_bytes():
    lines = parse_index(
        "1.1:0:d=2026011118:UGRD:10 m above ground:1 hour fcst:\n"
        "1.2:0:d=2026011118:VGRD:10 m above ground:1 hour fcst:\n"
        "2:500:d=2026011118:TMP:surface:1 hour fcst:\n"
    )
    assert byte_ranges(lines, lambda line: line.name == "VGRD") == [(0, 499)]


def test_what_is_no_index_is_named():
    with pytest.raises(ForecastError, match="no line that can be read"):
        parse_index("<html>Not here</html>")


# the forms of lines are those of the publishers' files, as users of them show them in public
@pytest.mark.parametrize(
    ("model", "line", "needed"),
    [
        (NBM, "TMP:2 m above ground:5 hour fcst:", True),
        (NBM, "TMP:2 m above ground:5 hour fcst:ens std dev", False),
        (NBM, "APCP:surface:4-5 hour acc fcst:", True),
        (NBM, "APCP:surface:4-5 hour acc fcst:prob >0.254:prob fcst 255/255", True),
        (NBM, "APCP:surface:4-5 hour acc fcst:prob >2.54:prob fcst 255/255", False),
        (NBM, "ASNOW:surface:4-5 hour acc fcst:50% level", False),
        (NBM, "ASNOW:surface:29-53 hour acc fcst:", False),
        (NBM, "ASNOW:surface:47-53 hour acc fcst:", True),
        (NBM, "PTYPE:surface:5 hour fcst:prob >=5 <7:prob fcst 1/1", True),
        (NBM, "TCDC:surface:5 hour fcst:", True),
        (NBM, "TCDC:reserved:5 hour fcst:", False),
        (HRRR, "TCDC:entire atmosphere:5 hour fcst:", True),
        (HRRR, "APCP:surface:0-0 day acc fcst:", False),
        (HRRR, "WIND:10 m above ground:4-5 hour max fcst:", False),
        (HRRR, "DLWRF:surface:anl:", True),
    ],
)
def test_only_the_messages_needed_are_asked_for(model, line, needed):
    lines = parse_index(f"1:0:d=2026011118:{line}")
    assert model.needs(lines, lines[0], is_first=True) is needed


def test_a_total_of_the_run_is_asked_for_only_where_the_hour_has_none():
    head, text = (
        "d=2026011118:APCP:surface",
        "1:0:{0}:0-5 hour acc fcst:\n2:9:{0}:4-5 hour acc fcst:",
    )
    lines = parse_index(text.format(head))
    assert [HRRR.needs(lines, one, is_first=False) for one in lines] == [False, True]
    assert HRRR.needs(lines[:1], lines[0], is_first=False)


# -- from a folder ---------------------------------------------------------------------------------


def source_of(folder, archive, model="hrrr", *, offline=False):
    fetcher = Fetcher(archive, "ops@example.invalid", HASTY, offline=offline)
    return open_source(model, GridSettings(folder=str(folder)), fetcher)


def hours_of(cell, name):
    return cell.values[name][:, 0]


@pytest.fixture(scope="module")
def storm(tmp_path_factory):
    """The first 36 hours of the invented storm, an hour a file."""
    folder = tmp_path_factory.mktemp("storm")
    grib_grids.write_hrrr(folder, hours=36)
    return folder


def copy_of(storm, folder):
    folder.mkdir(exist_ok=True)
    for file in storm.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    return folder


def test_a_damaged_file_is_named_and_the_rest_is_used(storm, tmp_path):
    folder = copy_of(storm, tmp_path / "grids")
    whole = sorted(folder.glob("*.grib2"))
    half = whole[5].read_bytes()
    whole[5].write_bytes(half[: len(half) // 2])
    whole[6].write_bytes(b"")
    whole[7].write_bytes(b"<html>503</html>")
    garbled = bytearray(whole[8].read_bytes())
    garbled[37:41] = b"\xff\xff\xff\xff"  # the length of section 3
    whole[8].write_bytes(bytes(garbled))
    with Archive(IN_MEMORY) as archive:
        cell = source_of(folder, archive).forecast(LOT, NOW)
    said = " ".join(cell.notes)
    assert "wrfsfcf05.grib2: message at byte" in said
    assert "ends early" in said
    assert "wrfsfcf06.grib2: holds no GRIB message" in said
    assert "wrfsfcf07.grib2: holds no GRIB message" in said
    assert "wrfsfcf08.grib2: message at byte" in said
    air = hours_of(cell, "air_temp_c")
    # temperature comes first in each file: that of the half file is there; gaps are bridged
    expected = [service_formats.hour_values(hour)[0] for hour in range(37)]
    assert air == pytest.approx(expected, abs=0.15)
    assert [bool(mark & QualityFlag.INTERPOLATED) for mark in cell.flags["air_temp_c"][4:10]] == [
        False, False, True, True, True, False,
    ]  # fmt: skip
    # snow comes last in each file, as the total of the run: what the files lost is one block
    assert np.isfinite(hours_of(cell, "snowfall_cm")[:36]).all()


def test_a_file_that_is_written_anew_while_it_is_read_is_named(storm, tmp_path):
    path = tmp_path / "one.grib2"
    path.write_bytes((storm / "hrrr.t18z.wrfsfcf03.grib2").read_bytes())
    problems = []
    with path.open("rb", buffering=0) as file:
        fields = read_fields(file, problems)
        assert next(fields).parameter == (0, 0, 0)
        path.write_bytes(b"")  # a download begins again
        assert list(fields) == []
    assert problems == ["became shorter while it was read"]


def test_a_field_that_no_file_has_is_unknown_and_not_zero(tmp_path):
    for hour in range(30):
        fields = [one for one in grib_grids.hrrr_fields(hour) if one.parameter[1] != 1]
        (tmp_path / f"{hour}.grib2").write_bytes(file_and_index(fields, CYCLE)[0])
    with Archive(IN_MEMORY) as archive:
        cell = source_of(tmp_path, archive).forecast(LOT, NOW)
    for name in ("precip_mm", "rain_mm", "snowfall_swe_mm", "snowfall_cm"):
        assert np.isnan(cell.values[name]).all()
    assert any(
        "water of all phases in the hour, so it is unknown, not zero" in n for n in cell.notes
    )


def test_an_empty_folder_and_a_grid_that_is_not_read_are_named(tmp_path):
    with Archive(IN_MEMORY) as archive:
        with pytest.raises(ForecastError, match="no GRIB2 file that can be read in"):
            source_of(tmp_path, archive).forecast(LOT, NOW)
        handle = eccodes.codes_grib_new_from_samples("regular_ll_sfc_grib2")
        keys = {
            "dataDate": 20260111,
            "dataTime": 1800,
            "typeOfFirstFixedSurface": 103,
            "scaleFactorOfFirstFixedSurface": 0,
            "scaledValueOfFirstFixedSurface": 2,
            "forecastTime": 2,
        }
        for key, value in keys.items():
            eccodes.codes_set(handle, key, value)
        (tmp_path / "flat.grib2").write_bytes(eccodes.codes_get_message(handle))
        with pytest.raises(
            ForecastError, match=r"flat.grib2: .*template 0 is not read; accepted: 30"
        ):
            source_of(tmp_path, archive).forecast(LOT, NOW)


def test_a_place_off_the_grid_is_not_served(storm):
    with Archive(IN_MEMORY) as archive:
        source = source_of(storm, archive)
        with pytest.raises(NotServedError, match="off the grid of the NOAA High-Resolution"):
            source.forecast(Location("far", 40.0, -89.4), NOW)


def test_sites_in_one_cell_share_one_forecast_and_each_file_is_read_once(storm):
    near = [Location(str(at), LOT.latitude_deg + 1e-4 * at, LOT.longitude_deg) for at in range(3)]
    with Archive(IN_MEMORY) as archive:
        found = fetch_forecasts([source_of(storm, archive)], near, NOW, timedelta(hours=24))
        documents = archive.fetch_all("SELECT url FROM reply")
    assert len({id(one.forecast) for one in found}) == 1
    assert len(documents) == 1


def test_a_past_moment_is_planned_from_the_archive_alone(storm):
    with Archive(IN_MEMORY) as archive:
        live = source_of(storm, archive).forecast(LOT, NOW)
        later = NOW + timedelta(days=2)
        offline = source_of("nowhere", archive, offline=True)
        again = offline.forecast(LOT, NOW)
        with pytest.raises(ForecastError, match="nothing in the archive from before"):
            offline.forecast(LOT, NOW - timedelta(hours=1))
        (stored,) = archive.good_replies(NOW - timedelta(days=1))
        scored = parse_stored_reply(stored.url, stored.body, stored.fetched_at)
        past = source_of("nowhere", archive, offline=True).past_copies(LOT, later)
    for name, array in live.values.items():
        assert np.array_equal(array, again.values[name], equal_nan=True)
        assert np.array_equal(array, scored.values[name], equal_nan=True)
    assert again.issued_at == live.issued_at == CYCLE
    assert [cell.start for cell in past] == [live.start]


def test_files_that_are_gone_leave_the_last_reading_flagged_as_stale(storm, tmp_path):
    with Archive(IN_MEMORY) as archive:
        source_of(storm, archive).forecast(LOT, NOW)
        cell = source_of(tmp_path, archive).forecast(LOT, NOW + timedelta(hours=1))
    assert cell.stale
    assert "no GRIB2 file that can be read" in cell.notes[0]
    assert "stands in, 1 h old" in cell.notes[0]


def test_the_plan_of_a_folder_and_its_replay_agree(storm, tmp_path):
    places = {"a": site_entry(service_formats.LATITUDE, service_formats.LONGITUDE)}
    weather = {"sources": ["hrrr"], "hrrr": {"folder": str(storm)}}
    sites = parse_sites(places, weather=weather)
    with Archive(tmp_path / "archive.sqlite") as archive:
        plan = pipeline.plan_and_store(sites, archive, NOW)
        again = pipeline.fetch_and_plan(sites, archive, NOW, offline=True)
    assert plan.sites[0].source.source == "hrrr"
    assert [one.model_dump_json() for one in again.sites] == [
        one.model_dump_json() for one in plan.sites
    ]


def test_a_damaged_file_is_told_once_for_all_cells(storm, tmp_path):
    folder = copy_of(storm, tmp_path / "grids")
    file = sorted(folder.glob("*.grib2"))[4]
    file.write_bytes(file.read_bytes()[:-10])
    places = {
        key: site_entry(43.1, east) for key, east in {"a": -89.4, "b": -89.45, "c": -89.5}.items()
    }
    weather = {"sources": ["hrrr"], "hrrr": {"folder": str(folder)}}
    with Archive(IN_MEMORY) as archive:
        plan = pipeline.plan_and_store(parse_sites(places, weather=weather), archive, NOW)
    briefing = " ".join(render_reports(plan)["briefing.txt"].split())
    assert briefing.count("wrfsfcf04.grib2: message at byte") == 1
    assert "and 2 other cells: hrrr.t18z.wrfsfcf04.grib2: message at byte" in briefing


def test_a_folder_and_an_address_together_are_refused():
    weather = {"nbm": {"folder": "grids", "base_url": "https://example.invalid"}}
    with pytest.raises(SitesError, match="both base_url and folder are given"):
        parse_sites({"a": site_entry(43.1, -89.4)}, weather=weather)


# -- the National Blend of Models ------------------------------------------------------------------


def nbm_cell(fields):
    """A forecast from the fields of one cycle, by hand: (name, begin, end, value)."""
    document = {
        "model": "nbm", "column": 1, "row": 2, "cycle": CYCLE.isoformat(), "problems": [],
        "latitude_deg": 43.1, "longitude_deg": -89.4, "fields": {},
    }  # fmt: skip
    for name, begin, end, value in fields:
        document["fields"].setdefault(name, []).append([begin, end, value])
    return grid_document.parse_forecast(json.loads(json.dumps(document)), CYCLE)


def test_hours_behind_the_hourly_files_are_joined_by_straight_lines_and_flagged():
    cell = nbm_cell([("air_temp_c", at, at, -0.5 * at) for at in (1, 2, 3, 6, 9)])
    assert hours_of(cell, "air_temp_c") == pytest.approx([-0.5 * at for at in range(1, 10)])
    flagged = [bool(one & QualityFlag.INTERPOLATED) for one in cell.flags["air_temp_c"]]
    assert flagged == [False, False, False, True, True, False, True, True, False]


def test_six_hours_of_water_are_spread_by_the_chance_of_each_hour():
    cell = nbm_cell(
        [(name, at, at, 8.0) for at in range(7) for name in ("air_temp_c", "dew_point_c")]
        + [("precip_mm", 0, 6, 6.0)]
        + [("pop", at, at + 1, 0.6 if at < 3 else 0.0) for at in range(6)]
        + [("pop", 0, 6, 0.9)]  # the longer window does not hide the shorter ones
    )
    assert hours_of(cell, "precip_mm")[:6] == pytest.approx([2, 2, 2, 0, 0, 0])
    assert hours_of(cell, "rain_mm")[:6] == pytest.approx([2, 2, 2, 0, 0, 0])
    assert hours_of(cell, "pop")[:6] == pytest.approx([0.6, 0.6, 0.6, 0, 0, 0])
    assert cell.flags["precip_mm"][0] & QualityFlag.DISAGGREGATED


def test_types_share_what_falls_by_their_chances_at_the_end_of_the_hour():
    """At -1 °C with dew point -1.5 °C no type is corrected by temperature but rain."""
    types = (("chance_snow", 0.6), ("chance_sleet", 0.3), ("chance_freezing_rain", 0.1))
    cell = nbm_cell(
        [(name, at, at, value) for at in range(3) for name, value in (
            ("air_temp_c", -1.0), ("dew_point_c", -1.5))]
        + [(name, 2, 2, chance) for name, chance in (*types, ("chance_rain", 0.0))]
        + [("precip_mm", at, at + 1, 1.0) for at in range(2)]
        + [("pop", 1, 2, 0.5), ("snow_chance", 1, 2, 0.4)]
    )  # fmt: skip
    got = {name: hours_of(cell, name)[1] for name in ("snowfall_swe_mm", "sleet_mm")}
    assert got == pytest.approx({"snowfall_swe_mm": 0.6, "sleet_mm": 0.3})
    assert hours_of(cell, "freezing_rain_mm")[1] == pytest.approx(0.1)
    # a chance of snow that the model gives by itself is not lowered by that of its type
    assert hours_of(cell, "chance_snow")[1] == pytest.approx(0.4)
    assert hours_of(cell, "chance_sleet")[1] == pytest.approx(0.5 * 0.3)


def test_radiation_at_both_ends_of_an_hour_is_its_mean():
    cell = nbm_cell([("sw_down_wm2", at, at, 100.0 * at) for at in range(3)])
    assert hours_of(cell, "sw_down_wm2") == pytest.approx([50.0, 150.0, np.nan], nan_ok=True)


# -- from a server ---------------------------------------------------------------------------------


def publish(server, hours, cycle=CYCLE):
    """Publish a run of the storm; gives the bytes of what is needed, by path."""
    for hour in hours:
        content, index = file_and_index(grib_grids.hrrr_fields(hour), cycle)
        path = f"/{HRRR.path(cycle, hour)}"
        server.files |= {path: content, f"{path}.idx": index.encode()}


def server_source(server, archive):
    fetcher = Fetcher(archive, "ops@example.invalid", HASTY)
    return open_source("hrrr", GridSettings(base_url=server.base_url), fetcher)


def spans(server, path):
    texts = [one.headers["range"] for one in server.requests if one.path == path]
    pairs = [text.removeprefix("bytes=").split("-") for text in texts]
    return sorted((int(first), int(last) if last else None) for first, last in pairs)


def test_only_the_bytes_of_the_messages_needed_are_asked_for(replay):
    publish(replay, range(30))
    with Archive(IN_MEMORY) as archive:
        source = server_source(replay, archive)
        source.prepare([LOT], NOW, NOW + timedelta(hours=12))
        cell = source.forecast(LOT, NOW)
        paths = {one.path for one in replay.requests if "t19z" not in one.path}  # not out yet
        assert archive.fetch_all("SELECT count(*) FROM reply") == [(1,)]
    # from the hour that has begun; six hours more than asked for, that a window may end in
    steps = range(1, 1 + 12 + 6 + 1)
    files = {f"/{HRRR.path(CYCLE, step)}" for step in steps}
    assert paths == files | {f"{path}.idx" for path in files}
    path = f"/{HRRR.path(CYCLE, 3)}"
    fields = grib_grids.hrrr_fields(3)
    sizes = np.cumsum([0] + [len(message(one, CYCLE)) for one in fields])
    # temperature; not the one at 500 hPa; dew point to cloud; not the height, which the first file
    # had; the types and the water of the hour; not the run's; snow of the run; not 500 hPa
    assert spans(replay, path) == [
        (sizes[first], sizes[end] - 1) for first, end in ((0, 1), (2, 6), (7, 12), (13, 14))
    ]
    for hour in (1, 10):
        assert cell.values["air_temp_c"][hour - 1 + 1, 0] == pytest.approx(
            service_formats.hour_values(hour)[0], abs=1e-3
        )
    agents = {one.headers["user-agent"] for one in replay.requests}
    assert len(agents) == 1
    assert agents.pop().startswith("stormplan/")


def test_a_cycle_that_was_read_whole_is_not_asked_for_again(replay):
    publish(replay, range(30))
    with Archive(IN_MEMORY) as archive:
        first = fetch_forecasts([server_source(replay, archive)], [LOT], NOW, timedelta(hours=20))
        asked = len(replay.requests)
        again = fetch_forecasts([server_source(replay, archive)], [LOT], NOW, timedelta(hours=20))
    newest = f"/{HRRR.path(CYCLE + timedelta(hours=1), 0)}.idx"  # is it out now?
    assert [one.path for one in replay.requests[asked:]] == [newest]
    assert np.array_equal(
        first[0].forecast.values["air_temp_c"], again[0].forecast.values["air_temp_c"],
        equal_nan=True,
    )  # fmt: skip


def test_the_newest_cycle_that_is_published_is_taken(replay):
    publish(replay, range(30))
    now = NOW + timedelta(hours=2)
    with Archive(IN_MEMORY) as archive:
        cell = server_source(replay, archive).forecast(LOT, now)
    assert cell.issued_at == CYCLE
    missing = [path for path in replay.counts() if "t20z" in path or "t19z" in path]
    assert sorted(missing) == sorted(
        f"/{HRRR.path(CYCLE + timedelta(hours=ahead), 2 - ahead + 1)}.idx" for ahead in (1, 2)
    )


def test_where_the_newest_cycle_ends_an_older_one_that_reaches_further_goes_on(replay):
    """The run of 18 UTC reaches 48 h, that of 19 UTC only 18 h."""
    publish(replay, range(49))
    publish(replay, range(19), CYCLE + timedelta(hours=1))
    now = NOW + timedelta(hours=1)
    with Archive(IN_MEMORY) as archive:
        source = server_source(replay, archive)
        (found,) = fetch_forecasts([source], [LOT], now, timedelta(hours=36))
        offline = Fetcher(archive, "ops@example.invalid", HASTY, offline=True)
        again = open_source("hrrr", GridSettings(), offline)
        (replayed,) = fetch_forecasts([again], [LOT], now, timedelta(hours=36))
    cell = found.forecast
    assert cell.issued_at == CYCLE + timedelta(hours=1)
    flags = cell.flags["air_temp_c"]
    begin = round((now.replace(minute=0) - cell.start) / timedelta(hours=1))
    is_older = [bool(one & QualityFlag.FROM_OLDER_COPY) for one in flags[begin : begin + 36]]
    assert is_older == [False] * 18 + [True] * 18
    assert np.isfinite(cell.values["air_temp_c"][begin : begin + 36]).all()
    assert np.array_equal(
        cell.values["air_temp_c"], replayed.forecast.values["air_temp_c"], equal_nan=True
    )


def test_a_file_that_fails_is_named_and_the_rest_is_used(replay):
    publish(replay, range(30))
    broken = f"/{HRRR.path(CYCLE, 4)}"
    content = replay.files.pop(broken)
    replay.script(broken, ScriptedReply(content, 200, {"Content-Type": "application/octet-stream"}))
    replay.files[f"/{HRRR.path(CYCLE, 6)}"] = b"x" * 9000
    replay.files[f"/{HRRR.path(CYCLE, 8)}.idx"] = b"<html>"
    with Archive(IN_MEMORY) as archive:
        source = server_source(replay, archive)
        source.prepare([LOT], NOW, NOW + timedelta(hours=24))
        cell = source.forecast(LOT, NOW)
        asked = len(replay.requests)
        fetch_forecasts([server_source(replay, archive)], [LOT], NOW, timedelta(hours=20))
        assert len(replay.requests) > asked  # what had problems is tried again
    said = " ".join(cell.notes)
    assert "gives whole files only, no part of one" in said
    assert "f06.grib2: holds no GRIB message" in said
    assert "f08.grib2: the index beside it has no line that can be read" in said
    assert np.isfinite(cell.values["air_temp_c"][1:]).all()


def test_where_the_run_that_goes_on_fails_the_newest_is_used_and_says_so(replay):
    publish(replay, range(19), CYCLE + timedelta(hours=1))
    for hour in range(17, 30):  # whatever is asked of it first
        busy = ScriptedReply("busy", 503, {"Content-Type": "text/plain"})
        replay.script(f"/{HRRR.path(CYCLE, hour)}.idx", busy)
    now = NOW + timedelta(hours=1)
    with Archive(IN_MEMORY) as archive:
        for ahead_h, fails in ((17, False), (20, True)):  # read from the server, then kept
            source = server_source(replay, archive)
            source.prepare([LOT], now, now + timedelta(hours=ahead_h))
            cell = source.forecast(LOT, now)
            assert any("f19.grib2.idx: 503" in note for note in cell.notes) is fails
            assert not cell.stale
            assert cell.issued_at == CYCLE + timedelta(hours=1)
        again = source_of("nowhere", archive, offline=True).forecast(LOT, now)
        assert again.notes == cell.notes


def test_a_part_that_came_short_is_asked_for_again(replay):
    publish(replay, range(30))
    path = f"/{HRRR.path(CYCLE, 3)}"
    whole = replay.files[path]
    short = ScriptedReply(whole[:40], 206, {"Content-Type": "application/octet-stream"})
    with Archive(IN_MEMORY) as archive:
        fetcher = Fetcher(archive, "ops@example.invalid", HASTY)
        replay.script(path, short, ScriptedReply(whole[:100], 206, short.headers))
        assert fetcher.get_file(replay.base_url + path, (0, 99)) == whole[:100]
        replay.script(path, short)
        with pytest.raises(ForecastError, match=r"40 bytes of 100 \(5 times\)"):
            fetcher.get_file(replay.base_url + path, (0, 99))


def test_without_the_library_the_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "eccodes", None)
    with Archive(IN_MEMORY) as archive, pytest.raises(InputError, match=r"stormplan\[grids\]"):
        source_of("grids", archive)


def test_a_server_that_is_down_is_named(replay):
    url = f"/{HRRR.path(CYCLE + timedelta(hours=1), 0)}.idx"
    replay.script(url, ScriptedReply("busy", 503, {"Content-Type": "text/plain"}))
    with Archive(IN_MEMORY) as archive, pytest.raises(ForecastError, match=r"idx: 503 \(5 times\)"):
        server_source(replay, archive).forecast(LOT, NOW)


def test_the_steps_of_a_cycle():
    """As users of the files report: hourly, then 3-hourly and 6-hourly on the clock in UTC."""
    cycle = datetime(2026, 1, 12, 13, tzinfo=UTC)
    steps = NBM.steps(cycle, cycle, cycle + timedelta(days=20))
    assert steps[:48] == list(range(1, 49))
    assert steps[48:51] == [50, 53, 56]
    assert steps[-2:] == [257, 263]
    short = NBM.steps(cycle - timedelta(hours=3), cycle, cycle + timedelta(days=20))
    assert short[0] == 3
    assert short[-1] == 48
