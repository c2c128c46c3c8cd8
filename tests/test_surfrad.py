"""Measured longwave and ground temperature: SURFRAD, San Luis Valley, one day (public domain)."""

import csv
import os
from pathlib import Path

import numpy as np
import pytest
from winter import forecast, one

from stormplan import air, pavement, sky
from stormplan.catalog import MATERIALS
from stormplan.forcing import Step
from stormplan.ground import cut, eliminate


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


def test_natural_ground_follows_its_measured_skin_temperature(day):
    # upwelling infrared, less the sky's reflected in it: a skin of emissivity 0.98
    emitted = (day["uw_ir"] - 0.02 * day["dw_ir"]) / (0.98 * sky.STEFAN_BOLTZMANN_WM2K4)
    measured = emitted**0.25 - 273.15
    slab = pavement.start(one(), forecast())
    # bare soil (it reflects 19 % of the sun): the catalogue's subgrade, nothing fitted
    grid = cut(np.array([0.0, 1.0]), [MATERIALS["subgrade"]], 0.0)
    ground = eliminate([grid], np.zeros(1, dtype=np.intp), 600.0)
    slab.ground_c = np.full((len(grid.centre_m), 1), measured.mean())
    slab.surface_c, slab.emissivity, slab.albedo = measured[:1], np.full(1, 0.98), np.zeros(1)
    dew = air.dew_point_c(day["temp_air"], day["relative_humidity"])
    absorbed = np.maximum(day["ghi"] - day["uw_solar"], 0.0)
    drivers = np.stack(
        [day["temp_air"], day["wind_speed"], air.saturation_pa(dew), absorbed, day["dw_ir"]]
    )
    modelled = []
    for _ in range(6):  # the same day again and again, until the ground knows it
        modelled.clear()
        for now in range(measured.size):
            weather = Step(*drivers[:, now : now + 1])
            slab.step(ground, weather, 100.0 * day["pressure"][now : now + 1])
            modelled.append(slab.surface_c[0])
    error = np.array(modelled) - measured
    night = day["ghi"] < 1.0

    def rmse(values):
        return np.sqrt(np.mean(values**2))

    assert rmse(error) < 1.9  # 1.8 K over the day; air as surface: 4.2 K
    assert rmse(error[night]) < 1.8  # 1.7 K
    assert rmse(day["temp_air"] - measured) > 4.0
