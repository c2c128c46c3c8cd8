"""Measured longwave from the sky: SURFRAD, San Luis Valley, one cold clear day (public domain)."""

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from stormplan import air, sky


@pytest.fixture
def day():
    folder = os.environ.get("STORMPLAN_PAVEMENT")
    if not folder:
        pytest.skip("STORMPLAN_PAVEMENT names no folder of measured surfaces")
    path = Path(folder) / "surfrad_san_luis_valley_2016-01-01_10min.csv"
    rows = list(csv.DictReader(path.read_text().splitlines()))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0] if name}


def test_clear_cold_longwave_is_within_five_watts_of_the_measured_mean(day):
    dew = air.dew_point_c(day["temp_air"], day["relative_humidity"])
    modelled = sky.longwave_down_wm2(day["temp_air"], dew, 0.0)
    assert modelled.mean() == pytest.approx(day["dw_ir"].mean(), abs=5.0)
    error = modelled - day["dw_ir"]
    assert np.sqrt((error**2).mean()) < 16.0  # 14.5 W/m² over the day
