"""A month of measured sky and ground: BSRN Payerne, Switzerland, June 2016, as shipped with pvlib.

What lies under the radiometers is cultivated ground, green in a wet June. It gives off water, so a
dry slab is far too warm there by day. Between ground and skin are leaves: the skin's conductance to
the soil is ECMWF's for short grass. The month holds the balance to three things: grass kept wet
follows the skin, by day it is that of wet and not of dry ground, and dry grass that starts every
night from measured evenings comes through it. Nothing is fitted.
"""

import numpy as np
import pandas as pd
import pvlib
import pytest
from helpers.measured import (
    HEIGHT_M,
    LATITUDE,
    LONGITUDE,
    call_pvlib,
    follow_payerne,
    read_payerne,
    rmse,
)

from stormplan.physics import night_error, radiation, sun

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def month():
    return read_payerne()


@pytest.fixture(scope="module")
def kept_wet(month):
    return follow_payerne(month, wet=True)


def test_grass_kept_wet_follows_its_measured_skin_temperature(month, kept_wet):
    error, as_air, night = kept_wet - month.skin_c, month.air_c - month.skin_c, month.night
    # all hours 0.92 K, 0.2 too warm; air as surface 2.85 K, 1.2 too cold
    assert rmse(error) < 1.05
    assert abs(error.mean()) < 0.3
    assert rmse(error) < 0.4 * rmse(as_air)
    assert rmse(error[~night]) < 1.2  # 1.08 K, 0.2 too warm; air as surface 3.37 K
    assert rmse(error[night]) < 0.55  # 0.50 K, mean error 0.0; air as surface 1.44 K
    assert abs(error[night].mean()) < 0.2


def test_under_a_high_sun_the_skin_is_that_of_wet_ground_and_not_of_dry(month, kept_wet):
    high = month.height_deg > 30.0
    dry, skin, wet = (each[high].mean() for each in (follow_payerne(month), month.skin_c, kept_wet))
    # 30.9, 22.7 and 23.0 °C; air 19.1 °C: a green June is nearly wet
    assert skin < dry
    assert abs(skin - wet) < 0.1 * (dry - skin)


def test_nights_from_measured_evenings_cool_as_measured(month):
    night = month.night
    error = (follow_payerne(month, evenings_given=True) - month.skin_c)[night]
    sundown = np.maximum.accumulate(np.where(night, 0, np.arange(night.size)))
    stays = (month.skin_c[sundown] - month.skin_c)[night]
    # 0.61 K, 0.1 too cold; staying as at sundown 3.05 K; air as surface 1.44 K, 0.8 too warm
    assert rmse(error) < 0.7
    assert rmse(error) < 0.25 * rmse(stays)


def clear_by_day(month):
    """Ten minutes in each of which the sun shone as through a cloudless sky.

    Reno & Hansen 2016, Renewable Energy 90, 520, on the minutes, with the limits pvlib infers.
    """
    shone = month.minutes["ghi"].interpolate().tz_localize(None)
    minutes = shone.index.to_numpy()
    sine = sun.sin_elevation(minutes, LATITUDE, LONGITUDE)[:, 0]
    top, haze = (
        sun.extraterrestrial_normal_wm2(minutes),
        sun.linke_turbidity(minutes, LATITUDE)[:, 0],
    )
    cloudless = pd.Series(sun.clear_sky_ghi_wm2(sine, top, HEIGHT_M, haze), shone.index)
    clear = call_pvlib(pvlib.clearsky.detect_clearsky, shone, cloudless, infer_limits=True)
    return clear.resample("10min").min().to_numpy(dtype=bool) & (month.height_deg > 5.0)


def test_longwave_of_clear_days_is_as_much_too_high_as_such_formulas_are_by_day(month):
    # from what the air is like at 2 m, formulas are good at night and too high by day (1993,
    # Theor. Appl. Climatol. 48, 127): 309 times ten minutes, 16.5 W/m² too high, 17.4 in all
    clear = clear_by_day(month)
    assert clear.sum() > 250
    measured = month.down[clear]
    error = radiation.longwave_down_wm2(month.air_c, month.dew_c, 0.0)[clear] - measured
    assert 0.0 < error.mean() < 18.5
    assert rmse(error) < 19.5
    assert rmse(error) < 0.7 * measured.std()  # their own mean throughout: 29.0 W/m²


def test_longwave_of_clear_nights_and_of_overcast_is_as_measured(month):
    def error(which, cloud_frac):
        modeled = radiation.longwave_down_wm2(month.air_c[which], month.dew_c[which], cloud_frac)
        return modeled - month.down[which]

    # an observer saw at most an eighth of cloud: 10 nights, 8.2 W/m², 6.5 too low
    clear = month.at_synop[(month.cloud <= 1) & month.night[month.at_synop]]
    assert clear.size == 10
    assert rmse(error(clear, 0.0)) < 9.3
    assert abs(error(clear, 0.0).mean()) < 7.4
    # eight eighths: 61 times, 12.2 W/m², 8.8 too high; air as a black body 21.8, clear sky 51.0
    overcast = month.at_synop[month.cloud == 8]
    assert overcast.size == 61
    assert rmse(error(overcast, 1.0)) < 13.7
    black = 5.670374e-8 * (month.air_c[overcast] + 273.15) ** 4
    assert rmse(error(overcast, 1.0)) < 0.65 * rmse(black - month.down[overcast])
    assert rmse(error(overcast, 1.0)) < 0.3 * rmse(error(overcast, 0.0))


def read_nights(month, modeled_c, of_tonight):
    """Errors of night hours corrected by two readings a night, and the intervals they were given.

    Read at 22 and 2 UTC; an hour is corrected by the readings of earlier nights, or of its own too.
    """
    hourly = slice(0, None, 6)
    air_c, model_c, skin_c = (each[hourly] for each in (month.air_c, modeled_c, month.skin_c))
    time_h = np.arange(air_c.size, dtype=float)
    cloud = np.interp(time_h * 6, month.at_synop, np.minimum(month.cloud, 8) / 8.0)
    features = night_error.night_features(
        cloud, model_c - air_c, air_c - night_error.air_mean_c(air_c)
    )
    error_k, night = skin_c - model_c, month.night[hourly]
    of_night = np.floor((time_h + 12.0) / 24.0)
    read = night & np.isin(time_h % 24, (2, 22))
    left, sd = np.full(time_h.size, np.nan), np.full(time_h.size, np.nan)
    for now in np.flatnonzero(night):
        before = time_h < now if of_tonight else of_night < of_night[now]
        taken = night_error.ReadErrors(time_h, features, error_k).select(read & before)
        known = night_error.learn(taken, time_h[now])
        at = slice(now, now + 1)
        left[at] = error_k[at] - night_error.expected_error_k(known, time_h[at], features[at])
        sd[at] = night_error.error_sd_k(known, time_h[at], features[at])
    return left[night], sd[night]


def test_readings_correct_the_nights_of_a_model_that_is_wrong_about_moisture(month, kept_wet):
    dry = follow_payerne(month)
    assert rmse((dry - month.skin_c)[month.night]) > 1.7  # 1.84 K
    for of_tonight, bound in ((False, 1.0), (True, 0.9)):
        left, sd = read_nights(month, dry, of_tonight)
        assert rmse(left) < bound  # 0.9 and 0.8 K
        later = slice(left.size // 2, None)
        assert 0.7 < np.mean(np.abs(left[later]) < 1.2816 * sd[later]) <= 0.95
        assert sd[later].mean() < 0.75 * sd[0]
        # a model that is right is left alone
        left, _ = read_nights(month, kept_wet, of_tonight)
        assert rmse(left) < rmse((kept_wet - month.skin_c)[month.night]) + 0.05
