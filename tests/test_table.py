"""A table of one's own: what it may hold, and what is said of what it may not."""

import os
from datetime import UTC, datetime

import numpy as np
import pytest
from helpers import service_formats
from helpers.sites import parse_sites, site_entry

from stormplan.cli.pavement import read_table
from stormplan.errors import ExitCode, ForecastError, InputError, SitesError
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.weather import infill
from stormplan.weather.forecast import QualityFlag
from stormplan.weather.hourly_csv import parse_hourly_csv
from stormplan.weather.providers import Location, table

LOT = Location("lot", 43.1, -89.4)
NOW = datetime(2026, 1, 12, 12, tzinfo=UTC)


def read(*lines):
    return table.parse_forecast("\n".join(lines), LOT, NOW, NOW)


def test_what_is_given_is_read_and_what_is_empty_is_unknown():
    cell = read(
        "time,air_temp_c,rel_humidity_pct,precip_mm",
        "2026-01-12T06:00-06:00,-4,80,1.0",
        "2026-01-12T08:00-06:00,,85,",
    )
    assert cell.start == NOW
    assert cell.values["air_temp_c"][:, 0] == pytest.approx([-4, np.nan, np.nan], nan_ok=True)
    assert cell.values["snowfall_swe_mm"][0, 0] == pytest.approx(1.0, abs=1e-3)
    assert cell.flags["snowfall_swe_mm"][0] & QualityFlag.INFERRED_PRECIP_TYPE
    # Magnus form: 80 % at -4 degC is a dew point of -6.9 degC
    assert cell.values["dew_point_c"][0, 0] == pytest.approx(-6.9, abs=0.05)
    assert np.isnan(cell.values["snowfall_swe_mm"][1:]).all()
    assert np.isnan(cell.values["sw_down_wm2"]).all()


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (
            ["time,snow_we_mm"],
            ":1: unknown column 'snow_we_mm'; it is now called 'snowfall_swe",
        ),
        (["time,air_temp"], r":1: unknown column 'air_temp'; did you mean 'air_temp_c'\?"),
        (["air_temp_c", "1"], ":1: no column 'time'; time and air_temp_c are needed"),
        (["time,air_temp_c"], ":2: no rows"),
        (["time,air_temp_c", "2026-01-12T06:00,1"], ":2: column 'time': .* has no zone"),
        (["time,air_temp_c", "2026-01-12T06:10Z,1"], ":2: column 'time': .* not on the whole hour"),
        (["time,air_temp_c", "2026-01-12T06:00Z"], ":2: 1 cells; the header has 2"),
        (
            ["time,air_temp_c", "", "2026-01-12T06Z,cold"],
            ":3: column 'air_temp_c': 'cold' is not a n",
        ),
        (
            ["time,air_temp_c", "2026-01-12T06Z,1", "2026-01-12T06Z,2"],
            ":3: column 'time': '2026-01-12T06Z' is not after the row before",
        ),
    ],
)
def test_what_cannot_be_read_is_said_alike_to_a_plan_and_to_the_pavement(tmp_path, lines, message):
    with pytest.raises(ForecastError, match=f"^table lot{message}"):
        read(*lines)
    file = tmp_path / "lot.csv"
    file.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError, match=f"lot.csv{message}"):
        read_table(file)


def test_a_table_longer_than_a_month_is_no_forecast():
    with pytest.raises(ForecastError, match="8761 h long"):
        read("time,air_temp_c", "2026-01-12T06Z,1", "2027-01-12T06Z,1")


def test_every_problem_comes_at_once_each_with_its_line():
    with pytest.raises(ForecastError) as told:
        read("time,air_temp_c,wind_10m_ms", "2026-01-12T06Z,cold,fast", "noon,1,1")
    assert [line.split(":")[1] for line in str(told.value).splitlines()] == ["2", "2", "3"]


def test_a_code_for_a_missing_value_is_a_gap_in_a_plan_and_an_error_in_a_measured_table(tmp_path):
    # -9999: the missing-value code of the US station archives (ISD, GHCN)
    lines = "time,air_temp_c\n2026-01-12T06Z,-4\n2026-01-12T07Z,-9999\n2026-01-12T08Z,-5"
    cell = read(*lines.splitlines())
    assert np.isnan(cell.values["air_temp_c"][1, 0])
    assert any("dropped in 1 h, first in line 3: -9999" in note for note in cell.notes)
    file = tmp_path / "lot.csv"
    file.write_text(lines, encoding="utf-8")
    with pytest.raises(InputError, match=r"lot\.csv:3: column 'air_temp_c': -9999 is out of range"):
        read_table(file)


def test_a_column_of_something_else_is_passed_over_and_named():
    cell = read("time,operator,air_temp_c", "2026-01-12T06Z,North,-4")
    assert cell.notes == ("columns passed over: operator",)


def test_snow_whose_depth_alone_is_given_is_water_by_the_density_of_new_snow():
    cell = read(
        "time,air_temp_c,dew_point_c,snowfall_cm",
        "2026-01-12T06Z,-8,-9,2",
        "2026-01-12T07Z,-8,-9,0",
        "2026-01-12T08Z,-8,-9,",
    )
    # Hedstrom & Pomeroy 1998: 67.92 + 51.25 exp(-8 / 2.59) = 70.3 kg/m3, 20 mm of it 1.41 mm
    assert cell.values["snowfall_swe_mm"][0, 0] == pytest.approx(1.41, abs=0.01)
    assert cell.flags["snowfall_swe_mm"][0] & QualityFlag.MODELED
    # no new snow does not say that no rain fell
    assert np.isnan(cell.values["precip_mm"][1:, 0]).all()


def test_a_plan_and_the_pavement_take_the_same_water_from_the_same_table():
    lines = (
        "time,air_temp_c,dew_point_c,precip_mm,snowfall_cm",
        "2026-01-12T06Z,-3,-4,1.2,",
        "2026-01-12T07Z,1.5,1,0.6,",
        "2026-01-12T08Z,-3,-4,,3",
        "2026-01-12T09Z,3,2,2.0,0",
    )
    cell = read(*lines)
    given = parse_hourly_csv("\n".join(lines), "lot").values
    filled, _ = infill.fill_missing(given, np.zeros(4))
    for name in ("rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm", "snowfall_cm"):
        known = np.isfinite(cell.values[name][:, 0])
        assert known.any()
        np.testing.assert_array_equal(filled[name][known], cell.values[name][known, 0])


def test_a_site_is_planned_from_its_own_table_beside_the_sites_file(tmp_path):
    (tmp_path / "lot.csv").write_text(service_formats.table_csv(), encoding="utf-8")
    os.utime(tmp_path / "lot.csv", (service_formats.ISSUED.timestamp(),) * 2)
    sites = parse_sites(
        {"lot": site_entry(43.1, -89.4), "other": site_entry(43.2, -89.4)},
        weather={"sources": ["table"], "tables": {"lot": "lot.csv"}},
    )
    with Archive(tmp_path / "archive.sqlite") as archive:
        plan = pipeline.plan_and_store(sites, archive, service_formats.NOW, sites_folder=tmp_path)
    by_key = {planned.key: planned for planned in plan.sites}
    assert by_key["lot"].source.source == "table"
    assert by_key["lot"].source.issued_at == service_formats.ISSUED
    assert "none is named for other" in plan.no_forecast_reason("other")
    assert plan.exit_code is ExitCode.DEGRADED


def test_sources_without_what_they_need_are_refused():
    for name, message in (("table", "needs 'tables'"), ("recorded", "needs 'recorded'")):
        with pytest.raises(SitesError, match=message):
            parse_sites({"a": site_entry(43.1, -89.4)}, weather={"sources": [name]})
    with pytest.raises(SitesError, match="listed twice"):
        parse_sites({"a": site_entry(43.1, -89.4)}, weather={"sources": ["nws", "nws"]})
