"""The same storm in the forms of several services: the plan must not depend on the form."""

import json

import numpy as np
import pytest
from helpers import service_formats
from helpers.sites import company, site

from stormplan.planning.planner import Answer, make_plan
from stormplan.weather.forecast import stack
from stormplan.weather.providers import Place, metno, nws, openmeteo, table
from stormplan.weather.providers.recorded import Recorded

LOT = Place("lot", service_formats.LATITUDE, service_formats.LONGITUDE)
READ = {
    "nws": lambda: nws.parse(service_formats.nws(), service_formats.ISSUED, service_formats.NOW),
    "metno": lambda: metno.parse(
        service_formats.metno(), service_formats.ISSUED, service_formats.NOW
    ),
    "openmeteo": lambda: openmeteo.parse(
        service_formats.openmeteo(), service_formats.ISSUED, service_formats.NOW
    ),
    "table": lambda: table.read(
        service_formats.table(),
        LOT,
        service_formats.ISSUED,
        service_formats.ISSUED,
        service_formats.ELEVATION_M,
    ),
}
FALLS = {"rain": "rain_mm", "freezing": "frz_rain_mm", "snow": "snow_we_mm"}


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
        assert got["snow_depth_cm"] == pytest.approx(depth, rel=2e-3)


def planned(form):
    sites = company({"a": site(service_formats.LATITUDE, service_formats.LONGITUDE)})
    return make_plan(sites, {"a": Answer(READ[form]())}, service_formats.NOW)


def bare(record):
    """Everything a plan says but where it came from; numbers to three digits."""
    if isinstance(record, dict):
        left_out = {"source", "column", "columns", "cell", "made_at"}
        return {key: bare(value) for key, value in record.items() if key not in left_out}
    if isinstance(record, list):
        return [bare(value) for value in record]
    if isinstance(record, float):
        return 0.0 if record == 0.0 else float(np.format_float_scientific(record, precision=2))
    return record


@pytest.mark.parametrize("form", ["metno", "openmeteo", "table"])
def test_every_form_gives_the_same_plan(form):
    ours, theirs = (planned(one).model_dump(mode="json") for one in ("nws", form))
    assert ours["verdict"] == "go"
    assert bare(theirs) == bare(ours)


def test_a_recorded_reply_gives_the_same_plan_as_the_service(tmp_path):
    (tmp_path / "storm.json").write_text(json.dumps(service_formats.nws()))
    cell = Recorded(tmp_path).forecast(LOT, service_formats.NOW)
    assert cell.source == "recorded"
    sites = company({"a": site(service_formats.LATITUDE, service_formats.LONGITUDE)})
    plan = make_plan(sites, {"a": Answer(cell)}, service_formats.NOW)
    assert bare(plan.model_dump(mode="json")) == bare(planned("nws").model_dump(mode="json"))
