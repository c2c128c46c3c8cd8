"""Radiation from the sky against published values."""

import numpy as np
import pvlib
import pytest

from stormplan.physics import radiation
from stormplan.weather.moist_air import MAGNUS_WATER


def _dew_point(vapor_hpa: float) -> float:
    base, slope, shift = MAGNUS_WATER
    log_ratio = np.log(100 * vapor_hpa / base)
    return shift * log_ratio / (slope - log_ratio)


def test_dry_cold_air_has_the_published_emissivity():
    # Prata 1996 at -20 °C and 0.8 hPa, and under full cloud after Unsworth & Monteith 1975
    dew = _dew_point(0.8)
    assert radiation.clear_sky_emissivity(-20.0, dew) == pytest.approx(0.681, abs=5e-4)
    black = radiation.STEFAN_BOLTZMANN_WM2K4 * 253.15**4
    assert radiation.longwave_down_wm2(-20.0, dew, 1.0) / black == pytest.approx(0.949, abs=5e-4)


def test_longwave_grows_with_cloud_and_moisture():
    cloud = np.linspace(0, 1, 11)
    assert (np.diff(radiation.longwave_down_wm2(-5.0, -8.0, cloud)) > 0).all()
    dew = np.linspace(-30, -5, 11)
    assert (np.diff(radiation.longwave_down_wm2(-5.0, dew, 0.3)) > 0).all()


def test_cloud_and_transmission_are_inverse():
    cloud = np.linspace(0.2, 1.0, 9)
    through = radiation.cloud_transmittance(cloud)
    np.testing.assert_allclose(radiation.cloud_from_transmittance(through), cloud, atol=1e-12)
    assert radiation.cloud_from_transmittance(1.3) == 0.0


def test_diffuse_share_matches_the_reference():
    # pvlib's Erbs model wants the horizontal itself, so the sun stands at 60° from the zenith
    clearness = np.array([0.1, 0.3, 0.5, 0.7, 0.85])
    day_of_year = np.full(5, 100)
    top = pvlib.irradiance.get_extra_radiation(100) * 0.5
    expected = pvlib.irradiance.erbs(clearness * top, np.full(5, 60.0), day_of_year)
    np.testing.assert_allclose(
        radiation.diffuse_frac(clearness), expected["dhi"] / (clearness * top), rtol=1e-6
    )
