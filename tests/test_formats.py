"""The same storm in the forms of several services: the plan must not depend on the form."""

import json

import formats
import numpy as np
import pytest
from company import company, site

from stormplan.decision.planner import Answer, make_plan
from stormplan.weather.forecast import stack
from stormplan.weather.providers import Place, metno, nws, openmeteo, table
from stormplan.weather.providers.recorded import Recorded

LOT = Place("lot", formats.LATITUDE, formats.LONGITUDE)
READ = {
    "nws": lambda: nws.parse(formats.nws(), formats.ISSUED, formats.NOW),
    "metno": lambda: metno.parse(formats.metno(), formats.ISSUED, formats.NOW),
    "openmeteo": lambda: openmeteo.parse(formats.openmeteo(), formats.ISSUED, formats.NOW),
    "table": lambda: table.read(
        formats.table(), LOT, formats.ISSUED, formats.ISSUED, formats.ELEVATION_M
    ),
}
FALLS = {"rain": "rain_mm", "freezing": "frz_rain_mm", "snow": "snow_we_mm"}


@pytest.mark.parametrize("form", READ)
def test_every_form_gives_the_hours_it_was_made_from(form):
    read = stack([READ[form]()], formats.START, formats.HOURS)
    for hour, (_, air, dew, wind, cloud, kind, water) in enumerate(formats.TABLE):
        got = {name: array[hour, 0, 0] for name, array in read.values.items()}
        assert got["air_temp_c"] == pytest.approx(air)
        assert got["dew_point_c"] == pytest.approx(dew)
        assert got["wind_10m_ms"] == pytest.approx(wind)
        assert got["cloud_frac"] == pytest.approx(cloud)
        for falls, name in FALLS.items():
            assert got[name] == pytest.approx(water if falls == kind else 0.0, abs=1e-9), hour
        depth = formats.CM_PER_MM * water if kind == "snow" else 0.0
        assert got["snow_depth_cm"] == pytest.approx(depth, rel=2e-3)


def planned(form):
    sites = company({"a": site(formats.LATITUDE, formats.LONGITUDE)})
    return make_plan(sites, {"a": Answer(READ[form]())}, formats.NOW)


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
    (tmp_path / "storm.json").write_text(json.dumps(formats.nws()))
    cell = Recorded(tmp_path).forecast(LOT, formats.NOW)
    assert cell.source == "recorded"
    sites = company({"a": site(formats.LATITUDE, formats.LONGITUDE)})
    plan = make_plan(sites, {"a": Answer(cell)}, formats.NOW)
    assert bare(plan.model_dump(mode="json")) == bare(planned("nws").model_dump(mode="json"))
