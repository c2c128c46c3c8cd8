"""Sun and clear sky against pvlib, which implements the NREL solar position algorithm."""

import numpy as np
import pandas as pd
import pvlib
import pytest

from stormplan.company.skyline import WallGeometry, horizon_deg, sky_view_frac
from stormplan.physics import sun

YEAR = pd.date_range("2026-01-01T00:30", "2026-12-31T23:30", freq="1h", tz="UTC")
TIMES = YEAR.tz_localize(None).to_numpy()
PLACES = [(29.4, -98.5), (37.7, -105.9), (43.7, -79.4), (61.2, -149.9), (-33.9, 151.2)]


@pytest.mark.parametrize(("latitude", "longitude"), PLACES)
def test_sun_position_over_a_year_matches_the_reference(latitude, longitude):
    expected = pvlib.solarposition.get_solarposition(YEAR, latitude, longitude, method="nrel_numpy")
    elevation = sun.elevation_deg(TIMES, latitude, longitude)[:, 0]
    assert np.abs(elevation - expected["elevation"]).max() < 0.05
    azimuth = sun.azimuth_deg(TIMES, latitude, longitude)[:, 0]
    turn = (azimuth - expected["azimuth"] + 180) % 360 - 180
    low = (expected["elevation"] < 80).to_numpy()  # near the zenith azimuth means little
    assert np.abs(turn[low]).max() < 0.15


def test_many_places_at_once_are_the_places_one_by_one():
    latitude, longitude = np.array(PLACES).T
    together = sun.elevation_deg(TIMES[:48], latitude, longitude)
    for index, (lat, lon) in enumerate(PLACES):
        np.testing.assert_allclose(
            together[:, index], sun.elevation_deg(TIMES[:48], lat, lon)[:, 0], atol=1e-12
        )


def test_top_of_atmosphere_matches_the_reference():
    expected = pvlib.irradiance.get_extra_radiation(YEAR, solar_constant=1361.0, method="nrel")
    np.testing.assert_allclose(sun.extraterrestrial_normal_wm2(TIMES), expected, rtol=1e-3)


@pytest.mark.parametrize("height", [0.0, 2317.0])
@pytest.mark.parametrize("haze", [2.5, 4.0])
def test_clear_sky_is_the_published_model(height, haze):
    zenith = np.array([10.0, 45.0, 70.0, 85.0])
    pressure = pvlib.atmosphere.alt2pres(height)
    mass = pvlib.atmosphere.get_relative_airmass(zenith, model="kastenyoung1989")
    mass = pvlib.atmosphere.get_absolute_airmass(mass, pressure)
    expected = pvlib.clearsky.ineichen(zenith, mass, haze, height, dni_extra=1400.0)["ghi"]
    got = sun.clear_sky_ghi_wm2(np.cos(np.radians(zenith)), 1400.0, height, haze)
    np.testing.assert_allclose(got, expected, rtol=0.005, atol=0.5)
    assert sun.clear_sky_ghi_wm2(-0.1, 1400.0, height, haze) == 0.0


def test_turbidity_is_near_the_climatology_of_eight_cities_in_winter():
    # monthly climatology of Remund et al. 2003 for 15 January, as shipped with pvlib
    january = {29.6: 3.0, 43.7: 2.95, 41.9: 2.7, 42.4: 2.45, 45.0: 2.7, 39.7: 2.8, 38.6: 2.65}
    when = np.array(["2026-01-15T12:00"], dtype="datetime64[ms]")
    ours = sun.linke_turbidity(when, np.array(list(january)))[0]
    assert np.abs(ours - np.array(list(january.values()))).max() < 0.35
    assert sun.linke_turbidity(when, -35.0)[0, 0] > 4.0  # summer there


@pytest.mark.parametrize("distance_m", [1.0, 5.0, 20.0])
@pytest.mark.parametrize("bearing_deg", [0.0, 45.0, 180.0, 270.0])
def test_a_long_wall_hides_its_closed_form_of_the_sky(bearing_deg, distance_m):
    # view factor of an infinite strip (crossed strings; Howell catalog C-1, from memory): a wall of
    # height h at distance d hides (1 - d / sqrt(d² + h²)) / 2 of the sky of a flat surface
    height_m = 8.0
    skyline = horizon_deg([WallGeometry(bearing_deg, distance_m, height_m)])
    expected = 1.0 - (1.0 - distance_m / np.hypot(distance_m, height_m)) / 2.0
    assert sky_view_frac(skyline) == pytest.approx(expected, abs=1e-3)
    # plane trigonometry: straight at the wall its height is atan(h / d), along it nothing
    step = round(bearing_deg / 5) % 72
    assert skyline[step] == pytest.approx(np.degrees(np.arctan2(height_m, distance_m)))
    assert skyline[(step + 18) % 72] == skyline[(step + 36) % 72] == pytest.approx(0.0, abs=1e-6)


def test_a_street_between_two_walls_sees_its_closed_form_of_the_sky():
    # Oke, Boundary Layer Climates (from memory): the floor of a canyon of height h and width w sees
    # cos(atan(2 h / w)) of the sky; the higher of two walls on one side counts alone
    street = [WallGeometry(90.0, 6.0, 9.0), WallGeometry(270.0, 6.0, 9.0)]
    expected = np.cos(np.arctan(2 * 9.0 / 12.0))
    assert sky_view_frac(horizon_deg(street)) == pytest.approx(expected, abs=2e-3)
    lower = WallGeometry(90.0, 20.0, 9.0)
    assert horizon_deg([*street, lower]) == horizon_deg(street)
    assert sky_view_frac(horizon_deg([])) == 1.0
