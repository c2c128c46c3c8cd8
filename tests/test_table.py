"""A table of one's own: what it may hold, and what is said of what it may not."""

import os
from datetime import UTC, datetime

import numpy as np
import pytest
from helpers import service_formats
from helpers.sites import parse_sites, site_entry

from stormplan.errors import ExitCode, ForecastError, SitesError
from stormplan.service import pipeline
from stormplan.store.archive import Archive
from stormplan.weather.forecast import QualityFlag
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
            "unknown column 'snow_we_mm', now called 'snowfall_swe_mm'; accepted",
        ),
        (["time,temp"], "unknown column 'temp'; accepted: time, air_temp_c"),
        (["air_temp_c", "1"], "no column 'time'"),
        (["time,air_temp_c"], "no rows"),
        (["time,air_temp_c", "2026-01-12T06:00,1"], "row 2 needs 2 cells and a time on the whole"),
        (["time,air_temp_c", "2026-01-12T06:10Z,1"], "row 2 needs 2 cells and a time on the whole"),
        (["time,air_temp_c", "2026-01-12T06:00Z"], "row 2 needs 2 cells"),
        (["time,air_temp_c", "2026-01-12T06:00Z,cold"], "air_temp_c is 'cold' at 2026-01-12 06:00"),
        (["time,air_temp_c", "2026-01-12T06Z,1", "2027-01-12T06Z,1"], "8761 h long"),
    ],
)
def test_what_cannot_be_read_is_said(lines, message):
    with pytest.raises(ForecastError, match=message):
        read(*lines)


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
