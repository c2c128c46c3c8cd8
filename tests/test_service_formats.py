"""The same storm in the forms of several services: the plan must not depend on the form."""

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from helpers import grib_grids, service_formats
from helpers.sites import parse_sites, site_entry

from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.store.archive import IN_MEMORY, Archive
from stormplan.weather.forecast import stack
from stormplan.weather.providers import Location, grid_models, metno, nws, openmeteo, table
from stormplan.weather.providers.archived_files import ArchivedFiles
from stormplan.weather.providers.grid_files import FolderFiles
from stormplan.weather.providers.grids import GridSource
from stormplan.weather.providers.recorded import RecordedSource

LOT = Location("lot", service_formats.LATITUDE, service_formats.LONGITUDE)


@cache
def read_grids():
    """The storm as gridded files, under the time of issue that the other forms give."""
    with TemporaryDirectory() as folder, Archive(IN_MEMORY) as archive:
        grib_grids.write_hrrr(Path(folder))
        files = FolderFiles(Path(folder), grid_models.HRRR)
        source = GridSource(grid_models.HRRR, files, ArchivedFiles(archive))
        cell = source.forecast(LOT, service_formats.START)
    assert cell.notes == ()
    return replace(cell, issued_at=service_formats.ISSUED, fetched_at=service_formats.ISSUED)


READ = {
    "nws": lambda: nws.parse_plannable_forecast(
        service_formats.nws_reply(), service_formats.ISSUED, service_formats.NOW
    ),
    "metno": lambda: metno.parse_plannable_forecast(
        service_formats.metno_reply(), service_formats.ISSUED, service_formats.NOW
    ),
    "openmeteo": lambda: openmeteo.parse_plannable_forecast(
        service_formats.openmeteo_reply(), service_formats.ISSUED, service_formats.NOW
    ),
    "table": lambda: table.parse_forecast(
        service_formats.table_csv(),
        LOT,
        service_formats.ISSUED,
        service_formats.ISSUED,
        service_formats.ELEVATION_M,
    ),
    "hrrr": read_grids,
}
FALLS = {"rain": "rain_mm", "freezing": "freezing_rain_mm", "snow": "snowfall_swe_mm"}


@pytest.mark.parametrize("form", READ)
def test_every_form_gives_the_hours_it_was_made_from(form):
    read = stack([READ[form]()], service_formats.START, service_formats.HOURS)
    for hour, (_, air, dew, wind, cloud, kind, water) in enumerate(service_formats.TABLE):
        got = {name: array[hour, 0, 0] for name, array in read.values.items()}
        assert got["air_temp_c"] == pytest.approx(air)
        assert got["dew_point_c"] == pytest.approx(dew)
        assert got["wind_10m_ms"] == pytest.approx(wind)
        assert got["cloud_frac"] == pytest.approx(cloud)
        for falls, name in FALLS.items():
            assert got[name] == pytest.approx(water if falls == kind else 0.0, abs=1e-9), hour
        depth = service_formats.CM_PER_MM * water if kind == "snow" else 0.0
        assert got["snowfall_cm"] == pytest.approx(depth, rel=2e-3)


def planned(form):
    sites = parse_sites({"a": site_entry(service_formats.LATITUDE, service_formats.LONGITUDE)})
    return make_plan(sites, {"a": SiteForecasts(READ[form]())}, service_formats.NOW)


def bare(record):
    """Everything a plan says but where it came from; numbers to three digits."""
    if isinstance(record, dict):
        left_out = {
            *("source", "hourly_id", "hourly", "forecasts"),
            *("cell", "made_at", "diagnostics"),
        }
        return {key: bare(value) for key, value in record.items() if key not in left_out}
    if isinstance(record, list):
        return [bare(value) for value in record]
    if isinstance(record, float):
        return 0.0 if record == 0.0 else float(np.format_float_scientific(record, precision=2))
    return record


@pytest.mark.parametrize("form", ["metno", "openmeteo", "table", "hrrr"])
def test_every_form_gives_the_same_plan(form):
    ours, theirs = (planned(one).model_dump(mode="json") for one in ("nws", form))
    assert ours["verdict"] == "go"
    assert bare(theirs) == bare(ours)


def test_a_recorded_reply_gives_the_same_plan_as_the_service(tmp_path):
    (tmp_path / "storm.json").write_text(json.dumps(service_formats.nws_reply()))
    cell = RecordedSource(tmp_path).forecast(LOT, service_formats.NOW)
    assert cell.source == "recorded"
    sites = parse_sites({"a": site_entry(service_formats.LATITUDE, service_formats.LONGITUDE)})
    plan = make_plan(sites, {"a": SiteForecasts(cell)}, service_formats.NOW)
    assert bare(plan.model_dump(mode="json")) == bare(planned("nws").model_dump(mode="json"))
