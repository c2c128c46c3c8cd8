"""How sure: members with the spread of known errors, chances, and intervals that cover."""

import math

import numpy as np
import pytest
from helpers.weather import diurnal, forecast, single_column

from stormplan.physics import bias_correction, ensemble, pavement
from stormplan.physics.normal_distribution import mixture_quantiles, normal_cdf


def test_members_have_the_mean_and_the_variance_of_the_errors():
    lead = np.array([0.0, 12.0, 36.0, 60.0, 200.0])
    many = ensemble.make_ensemble(forecast(5, cloud_frac=0.5), lead)
    # about 1, 2 and 3 K on the first, second and third day
    for name, mean, sd in (
        ("air_temp_c", -2.0, [0.5, 1.0, 2.0, 3.0, 4.0]),
        ("dew_point_c", -5.0, [0.5, 1.0, 2.0, 3.0, 4.0]),
    ):
        np.testing.assert_allclose(many[name][:, 0].mean(axis=1), mean, atol=1e-12)
        np.testing.assert_allclose(many[name][:, 0].std(axis=1), sd, atol=1e-12)
    assert many.n_members == 9
    assert many["cloud_frac"].min() >= 0.0
    assert many["cloud_frac"].max() <= 1.0
    assert many["wind_10m_ms"].min() > 0.0
    for name, array in forecast(5, cloud_frac=0.5).values.items():
        np.testing.assert_array_equal(many[name][:, :, 0], array[:, :, 0])


def test_an_own_record_scales_the_published_growth_within_a_factor_of_two():
    own = ensemble.ErrorRecord((12.0, 36.0), (2.0, 2.0), 900)  # published: 1 K and 2 K
    lead = np.array([0.0, 12.0, 24.0, 36.0, 60.0])
    # twice at 12 h and before, once at 36 h and after, halfway between in between
    np.testing.assert_allclose(ensemble.air_error_k(lead, own), [1.0, 2.0, 1.5 * 1.5, 2.0, 3.0])
    # common verification figures (from memory): 1 K at 12 h, 2 K at 36 h, 3 K at 60 h, a straight
    # line; a record that is far off moves them by a factor of two at most
    published_k = np.array([0.5, 1.0, 1.5, 2.0, 3.0])
    np.testing.assert_allclose(ensemble.air_error_k(lead), published_k)
    far_off = ensemble.ErrorRecord((12.0,), (20.0,), 900)
    np.testing.assert_allclose(ensemble.air_error_k(lead, far_off), 2.0 * published_k)
    too_good = ensemble.ErrorRecord((12.0,), (0.01,), 900)
    np.testing.assert_allclose(ensemble.air_error_k(lead, too_good), 0.5 * published_k)


def test_no_two_errors_go_together_and_each_goes_both_ways():
    air, cloud, wind, water = ensemble.MEMBER_OFFSETS
    np.testing.assert_allclose(
        ensemble.MEMBER_OFFSETS @ ensemble.MEMBER_OFFSETS.T / 9, np.eye(4), atol=1e-12
    )
    for steps in (air, cloud, wind, water):
        assert len(np.unique(steps.round(9))) == 9
        np.testing.assert_allclose(np.sort(steps), np.sort(-steps), atol=1e-12)


def test_what_falls_turns_with_the_air_and_keeps_its_water():
    def falls(air_c, **phases):
        weather = forecast(3, air_temp_c=air_c, dew_point_c=air_c - 0.5, **phases,
                           precip_mm=sum(phases.values()), snowfall_cm=0.0)  # fmt: skip
        many = ensemble.make_ensemble(weather, [24.0] * 3)
        names = ("rain_mm", "snowfall_swe_mm", "freezing_rain_mm", "sleet_mm")
        total = sum(many[name] for name in names)
        np.testing.assert_allclose(total, many["precip_mm"])
        np.testing.assert_allclose(  # as much more in one member as less in its opposite
            many["precip_mm"][:, :, 1:5] * many["precip_mm"][:, :, 5:9],
            many["precip_mm"][:, :, :1] ** 2 + np.zeros(4),
        )
        return {name: many[name][0, 0] / many["precip_mm"][0, 0] for name in names}, many

    # air 1.5 K either way, times the member's step of up to 1.7
    rain, _ = falls(1.8, rain_mm=1.0)
    assert rain["rain_mm"][0] == 1.0
    assert rain["rain_mm"][1] == 1.0  # warmer
    assert rain["snowfall_swe_mm"][5] > 0.5  # 2.6 K colder
    assert rain["freezing_rain_mm"][5] > 0.0  # what is not yet snow freezes
    snow, many = falls(-0.5, snowfall_swe_mm=1.0)
    assert snow["snowfall_swe_mm"][5] == 1.0
    assert snow["rain_mm"][1] > 0.5
    assert many["snowfall_cm"][0, 0, 1] == 0.0  # no depth was said, and none is made up
    glaze, _ = falls(-2.0, freezing_rain_mm=1.0)
    assert glaze["freezing_rain_mm"][5] > 0.97  # rain in the cold knows of warm air above
    assert glaze["rain_mm"][1] == 0.0  # still below freezing
    glaze, _ = falls(-0.5, freezing_rain_mm=1.0)
    assert glaze["rain_mm"][1] == 1.0


def test_what_is_known_of_the_snow_stays_known_where_its_water_is_not():
    # sources may give the depth and no water, or one phase and not the others
    unknown = np.full(3, np.nan)
    many = ensemble.make_ensemble(forecast(3, air_temp_c=-3.0, snowfall_swe_mm=unknown,
                                   precip_mm=unknown, snowfall_cm=2.0), [24.0] * 3)  # fmt: skip
    depth = many["snowfall_cm"][0, 0]
    assert depth[0] == 2.0
    assert np.isfinite(depth).all()
    many = ensemble.make_ensemble(forecast(3, air_temp_c=0.5, freezing_rain_mm=unknown,
                                   snowfall_swe_mm=1.0, snowfall_cm=1.0), [24.0] * 3)  # fmt: skip
    assert many["snowfall_swe_mm"][0, 0, 0] == 1.0
    assert np.isfinite(many["snowfall_swe_mm"]).all()
    assert np.isnan(many["freezing_rain_mm"]).all()


def test_normal_and_quantiles_are_those_of_published_tables():
    # Abramowitz & Stegun Table 26.1
    table = {0.0: 0.5, 1.0: 0.8413447, -1.0: 0.1586553, 1.96: 0.9750021, -3.0: 0.0013499}
    np.testing.assert_allclose(normal_cdf(np.array(list(table))), list(table.values()), atol=2e-7)
    alone = np.full((1, 1), 5.0)
    assert mixture_quantiles(alone, np.full((1, 1), 2.0), [0.9])[0, 0] == pytest.approx(
        5 + 2 * 1.2815516, abs=1e-3
    )
    # two far members of equal weight: a tenth of all is a fifth of the lower one
    apart = np.array([[-50.0, 50.0]])
    assert mixture_quantiles(apart, np.ones((1, 1)), [0.1])[0, 0] == pytest.approx(
        -50.8416, abs=0.03
    )


def test_a_quantile_has_its_chance_below_it_whatever_stands_beside_it():
    rng = np.random.default_rng(3)
    middle_c = rng.normal(-3.0, 4.0, (5, 3, 9))
    middle_c[2, 1, 4] = np.nan
    sd_k = rng.uniform(0.5, 3.0, (5, 3, 1))
    found = mixture_quantiles(middle_c, sd_k, (0.1, 0.5, 0.9))
    assert found.shape == (3, 5, 3)
    assert np.isnan(found[:, 2, 1]).all()
    assert np.isnan(found).sum() == 3
    for share, quantile_c in zip((0.1, 0.5, 0.9), found, strict=True):
        for off_k, is_above in ((-0.03, False), (0.03, True)):  # erf of the standard library
            z = ((quantile_c + off_k)[..., None] - middle_c) / (sd_k * math.sqrt(2.0))
            below = np.vectorize(lambda of_z: 0.5 * (1.0 + math.erf(of_z)))(z).mean(axis=-1)
            assert ((below > share) == is_above)[~np.isnan(below)].all()
    for column in range(3):
        alone = mixture_quantiles(middle_c[:, column], sd_k[:, column], (0.1, 0.5, 0.9))
        np.testing.assert_array_equal(alone, found[:, :, column])


def test_the_analytic_error_is_what_the_members_come_to():
    weather = forecast(72, air_temp_c=diurnal(72), cloud_frac=0.5)
    lead = np.arange(72)
    surface = pavement.simulate_dry(
        ensemble.make_ensemble(weather, lead), single_column()
    ).surface_c[:, 0]
    night = bias_correction.is_night(weather.hour_starts, 42.0, -88.0)
    above_air_k = np.median(surface, axis=1) - diurnal(72)
    model_k = ensemble.model_error_k(night, above_air_k)
    total = np.hypot(surface.std(axis=1), model_k)
    expected = ensemble.surface_error_k(lead, night, above_air_k)
    np.testing.assert_allclose(total[12:], expected[12:], rtol=0.15)
    assert (np.diff(ensemble.surface_error_k(lead, True, 0.0)) > 0).all()
    assert ensemble.surface_error_k(0, True, 0.0) == pytest.approx(2.0, abs=0.1)


def test_chances_follow_the_margin_and_the_moisture():
    surface = np.array([[-8.0] * 9, [0.0] * 9, [8.0] * 9, [-2.0] * 9])
    dew = np.array([[-3.0] * 9, [-3.0] * 9, [-3.0] * 9, [-20.0] * 9])
    told = ensemble.surface_uncertainty(
        surface, dew, ensemble.model_error_k(np.ones(4, dtype=bool), np.zeros(4))
    )
    assert told.prob_below_freezing[0] > 0.999
    assert told.prob_below_freezing[1] == pytest.approx(0.5)
    assert told.prob_below_freezing[2] < 0.001
    assert told.prob_below_freezing[3] == pytest.approx(0.5 * math.erfc(-2 / 1.9 / math.sqrt(2)))
    assert told.prob_frost[0] > 0.9
    assert told.prob_frost[3] < 1e-6
    assert (told.prob_frost <= told.prob_below_freezing + 1e-9).all()
    np.testing.assert_allclose(told.p90_c - told.p10_c, 2 * 1.2815516 * 1.9, atol=5e-3)
    unknown = ensemble.surface_uncertainty(surface * np.nan, dew, np.full(4, 1.9))
    assert np.isnan(unknown.prob_below_freezing).all()


def test_four_of_five_true_hours_lie_inside_the_interval():
    # the truth: weather whose errors wander over a day, and a pavement that is off by its own
    rng = np.random.default_rng(11)
    hours, cases = 72, 60
    lead = np.arange(hours)
    air = diurnal(hours)
    weather = forecast(hours, air_temp_c=air, dew_point_c=air - 3.0, cloud_frac=0.5)
    night = bias_correction.is_night(weather.hour_starts, 42.0, -88.0)
    runs = pavement.simulate_dry(ensemble.make_ensemble(weather, lead), single_column()).surface_c[
        :, 0
    ]
    model_k = ensemble.model_error_k(night, np.median(runs, axis=1) - air)
    told = ensemble.surface_uncertainty(
        runs,
        ensemble.make_ensemble(weather, lead)["dew_point_c"][:, 0],
        model_k,
    )

    def wander(sd):
        keep = math.exp(-1 / 36)
        noise = rng.normal(size=(hours, cases))
        for hour in range(1, hours):
            noise[hour] = keep * noise[hour - 1] + math.sqrt(1 - keep**2) * noise[hour]
        return sd * noise

    off = wander(ensemble.air_error_k(lead)[:, None])
    truth = forecast(
        hours,
        members=cases,
        air_temp_c=air[:, None] + off,
        dew_point_c=air[:, None] - 3.0 + off,
        cloud_frac=np.clip(0.5 + wander(ensemble.cloud_error_frac(lead)[:, None]), 0, 1),
        wind_10m_ms=3.0 * np.exp(wander(ensemble.WIND_ERROR_LN)),
    )
    model_error = wander(model_k[:, None])
    surface = pavement.simulate_dry(truth, single_column()).surface_c[:, 0] + model_error
    inside = (surface >= told.p10_c[:, None]) & (surface <= told.p90_c[:, None])
    assert 0.75 <= inside.mean() <= 0.85
    for day in range(3):
        assert 0.72 <= inside[24 * day : 24 * day + 24].mean() <= 0.88
    # and the chances are honest: of hours told p, about p come
    chance = told.prob_below_freezing[:, None] + np.zeros(cases)
    for low, high in ((0.2, 0.5), (0.5, 0.8)):
        chosen = (chance >= low) & (chance < high)
        assert chosen.sum() > 300
        assert (surface < 0.0)[chosen].mean() == pytest.approx(chance[chosen].mean(), abs=0.1)
