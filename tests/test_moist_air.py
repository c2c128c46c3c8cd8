"""Psychrometry against published tables and closed forms."""

import numpy as np
import pytest

from stormplan.weather import moist_air


@pytest.mark.parametrize(
    ("temp_c", "over_ice", "pressure_pa"),
    [
        # WMO-No. 8 (Guide to Instruments), saturation tables: 6.11, 12.27, 2.86 hPa over water,
        # 2.60 and 1.03 hPa over ice (to 0.3 %, the Magnus form's own error)
        (0, False, 611),
        (10, False, 1227),
        (-10, False, 286.5),
        (-10, True, 259.9),
        (-20, True, 103.2),
    ],
)
def test_saturation_pressure(temp_c, over_ice, pressure_pa):
    assert moist_air.saturation_vapor_pressure_pa(temp_c, over_ice) == pytest.approx(
        pressure_pa, rel=3e-3
    )


@pytest.mark.parametrize(
    ("temp_c", "dew_c", "wet_c"),
    # solved by hand from the psychrometric equation at 1013.25 hPa
    [(0, 0, 0.0), (2, -2, 0.433), (5, -5, 1.242), (20, 10, 14.17), (-5, -8, -5.90)],
)
def test_wet_bulb(temp_c, dew_c, wet_c):
    assert moist_air.wet_bulb_c(temp_c, dew_c) == pytest.approx(wet_c, abs=0.006)


def test_frost_point_lies_above_the_dew_point_below_freezing():
    # ice holds less vapor than water: 0.2 / 0.6 / 1.1 K at -2 / -5 / -10 °C (Magnus forms)
    gap = moist_air.frost_point_c([-2, -5, -10, 3]) - np.array([-2, -5, -10, 3])
    np.testing.assert_allclose(gap, [0.2, 0.6, 1.1, 0.0], atol=0.08)


def test_humidity_round_trips_and_missing_stays_missing():
    dew = moist_air.dew_point_c([5.0, -10.0, np.nan], [80.0, 55.0, 60.0])
    np.testing.assert_allclose(moist_air.rel_humidity_pct([5.0, -10.0], dew[:2]), [80.0, 55.0])
    assert np.isnan(dew[2])


def test_half_of_it_is_snow_at_the_published_wet_bulb():
    # Wang et al. 2019, Geophys. Res. Lett. 46: 50 % at about 0.8 °C
    assert moist_air.snow_frac(0.81) == pytest.approx(0.5, abs=0.01)
    assert moist_air.snow_frac(-5) > 0.99
    assert moist_air.snow_frac(4) < 0.01


def test_standard_pressure():
    # ISO 2533 table: 898.76 hPa at 1000 m, 794.96 hPa at 2000 m
    assert moist_air.standard_pressure_pa(1000) == pytest.approx(89_876, rel=2e-4)
    assert moist_air.standard_pressure_pa(2000) == pytest.approx(79_496, rel=2e-4)
