"""What readings say of a surface's nights: closed forms, a Kalman filter, and a synthetic truth."""

import numpy as np
import pytest

from stormplan.errors import InputError
from stormplan.physics import ensemble, night_error
from stormplan.physics.night_error import ReadErrors, error_sd_k, expected_error_k, learn
from stormplan.physics.normal_distribution import normal_cdf

WEIGHTS = np.array([1.0, -0.8, 0.2, 0.1])
NOTHING = ReadErrors(np.zeros(0), np.zeros((0, 4)), np.zeros(0))


def weather_features(rng, n):
    return night_error.night_features(
        rng.beta(0.5, 0.5, n), rng.normal(-1.5, 2.0, n), rng.normal(0.0, 5.0, n)
    )


def true_errors(rng, time_h, features, weights=WEIGHTS):
    """Errors with the structure that is assumed: weights, a night's part that fades, the hour's."""
    night = np.zeros(time_h.size)
    own = rng.normal(0.0, night_error.NIGHT_SD_K)
    for place in range(time_h.size):
        if place:
            kept = np.exp(-(time_h[place] - time_h[place - 1]) / night_error.NIGHT_MEMORY_H)
            own = kept * own + rng.normal(0.0, night_error.NIGHT_SD_K * np.sqrt(1.0 - kept**2))
        night[place] = own
    return features @ weights + night + rng.normal(0.0, night_error.HOUR_SD_K, time_h.size)


def test_without_a_reading_the_model_is_off_by_what_pavements_had():
    # RMSE by night of four measured pavements and three winters: 1.9 K (docs/model/index.md)
    rng = np.random.default_rng(1)
    nothing = learn(NOTHING, 0.0)
    usual = weather_features(rng, 4000)
    assert (expected_error_k(nothing, np.zeros(4000), usual) == 0.0).all()
    variance = error_sd_k(nothing, np.zeros(4000), usual) ** 2
    assert np.sqrt(variance.mean()) == pytest.approx(ensemble.MODEL_ERROR_NIGHT_K, abs=0.1)


def test_a_mean_of_far_nights_is_shrunk_as_ridge_regression_has_it():
    # ridge on a constant alone: n / (n + λ) of the mean, λ = error variance over the prior's
    # (Hoerl & Kennard 1970, Technometrics 12, 55)
    n = 12
    time_h = np.arange(n) * 24.0
    features = np.tile([1.0, 0.0, 0.0, 0.0], (n, 1))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night_error, "NIGHT_MEMORY_H", 1e-3)
        patch.setattr(night_error, "WEIGHT_MEMORY_H", 1e9)
        found = learn(ReadErrors(time_h, features, np.full(n, 1.4)), time_h[-1] + 12.0)
    ridge = (1.2**2 + 0.7**2 + 0.5**2) / 1.1**2
    assert found.mean[0] == pytest.approx(n / (n + ridge) * 1.4, rel=1e-6)
    assert found.mean[1:4] == pytest.approx([0.0] * 3, abs=1e-9)


def test_all_at_once_is_what_a_kalman_filter_has_one_by_one():
    # Kalman 1960, J. Basic Eng. 82, 35, with states that decay towards the prior
    rng = np.random.default_rng(3)
    time_h = np.cumsum(rng.exponential(30.0, 40))
    features = weather_features(rng, 40)
    error_k = true_errors(rng, time_h, features)
    prior = np.diag(np.append(night_error.WEIGHT_SD, night_error.NIGHT_SD_K) ** 2)
    memory = np.array([night_error.WEIGHT_MEMORY_H] * 4 + [night_error.NIGHT_MEMORY_H])
    mean, covariance, before = np.zeros(5), prior.copy(), time_h[0]

    def forward(mean, covariance, elapsed_h):
        left = np.diag(np.exp(-elapsed_h / memory))
        return left @ mean, left @ covariance @ left + prior - left @ prior @ left

    for now, feature, error in zip(time_h, features, error_k, strict=True):
        mean, covariance = forward(mean, covariance, now - before)
        seen = np.append(feature, 1.0)
        gain = covariance @ seen / (seen @ covariance @ seen + 0.7**2 + 0.5**2)
        mean = mean + gain * (error - seen @ mean)
        covariance, before = covariance - np.outer(gain, seen) @ covariance, now
    mean, covariance = forward(mean, covariance, 5.0)
    found = learn(ReadErrors(time_h, features, error_k), time_h[-1] + 5.0)
    np.testing.assert_allclose(found.mean, mean, atol=1e-9)
    np.testing.assert_allclose(np.reshape(found.covariance, (5, 5)), covariance, atol=1e-9)
    # and on from there without a reading
    later = weather_features(rng, 1)
    seen, (mean, covariance) = np.append(later[0], 1.0), forward(mean, covariance, 20.0)
    at_h = np.array([time_h[-1] + 25.0])
    assert expected_error_k(found, at_h, later)[0] == pytest.approx(seen @ mean)
    one_by_one = seen @ covariance @ seen + 0.49
    assert error_sd_k(found, at_h, later)[0] ** 2 == pytest.approx(found.size * one_by_one)


def test_weights_of_a_known_structure_are_recovered():
    rng = np.random.default_rng(7)
    found = []
    for _ in range(20):
        time_h = np.repeat(np.arange(60) * 24.0, 3) + np.tile([0.0, 3.0, 6.0], 60)
        features = weather_features(rng, 180)
        read = true_errors(rng, time_h, features) + rng.normal(0.0, 0.5, 180)
        found.append(learn(ReadErrors(time_h, features, read), time_h[-1] + 12.0))
    means = np.array([one.mean[:4] for one in found])
    # three readings a night for sixty nights: on average within a quarter of the truth, which is
    # what the prior and forgetting take off
    np.testing.assert_allclose(means.mean(axis=0), WEIGHTS, rtol=0.25)
    sd = np.sqrt([np.diag(np.reshape(one.covariance, (5, 5)))[:4] for one in found])
    assert 0.6 < np.mean(np.abs(means - WEIGHTS) < 1.2816 * sd) <= 1.0
    assert (sd < 0.5 * night_error.WEIGHT_SD).all()


def test_stated_intervals_and_chances_come_true_by_the_hour_of_the_day():
    # many sites whose weights are drawn as stated, read twice in each of ten nights; then the
    # eleventh night and day, the night's later hours with a reading of its evening
    rng = np.random.default_rng(11)
    hours = np.arange(24)
    night_weight = np.clip(np.interp(hours, [5, 8, 16, 19], [1.0, 0.0, 0.0, 1.0]), 0.0, 1.0)
    inside, chances, frozen = np.zeros((400, 24), bool), np.zeros((400, 24)), np.zeros((400, 24))
    for site in range(400):
        weights = rng.normal(0.0, night_error.WEIGHT_SD)
        read_h = np.sort(np.concatenate([np.arange(11) * 24.0 - 4.0, np.arange(10) * 24.0 + 4.0]))
        # the day that is judged begins at midnight of the eleventh night
        all_h = np.concatenate([read_h, 240.0 + hours])
        features = weather_features(rng, all_h.size)
        truth = true_errors(rng, all_h, features, weights)
        n = read_h.size
        known = learn(ReadErrors(
            read_h, features[:n], truth[:n] + rng.normal(0.0, 0.5, n)
        ), 240.0)  # fmt: skip
        ahead = features[n:]
        expected = night_weight * expected_error_k(known, all_h[n:], ahead)
        day_k = ensemble.day_error_k(8.0 * np.sin(np.pi * np.clip((hours - 7) / 10, 0.0, 1.0)))
        sd = ensemble.corrected_error_k(night_weight, error_sd_k(known, all_h[n:], ahead), day_k)
        by_day = day_k * rng.normal(0.0, 1.0, 24)
        actual = night_weight * truth[n:] + np.sqrt(1.0 - night_weight**2) * by_day
        modeled = rng.normal(0.0, 2.5)
        inside[site] = np.abs(actual - expected) < 1.2816 * sd
        chances[site] = normal_cdf(-(modeled + expected) / sd)
        frozen[site] = modeled + actual < 0.0
    assert (np.abs(inside.mean(axis=0) - 0.80) < 0.05).all()
    slope = np.polyfit(chances.ravel(), frozen.ravel(), 1)[0]
    assert 0.9 < slope < 1.1


@pytest.mark.parametrize("size", [0.5, 1.0, 1.5])
def test_a_site_with_smaller_or_larger_errors_gets_its_own_interval(size):
    rng = np.random.default_rng(13)
    inside, widths = [], []
    for _ in range(60):
        time_h = np.repeat(np.arange(31) * 24.0, 2) + np.tile([0.0, 5.0], 31)
        features = weather_features(rng, 62)
        truth = size * true_errors(rng, time_h, features, rng.normal(0.0, night_error.WEIGHT_SD))
        read = ReadErrors(time_h[:60], features[:60], truth[:60] + rng.normal(0.0, 0.5 * size, 60))
        known = learn(read, time_h[60] - 6.0)
        sd = error_sd_k(known, time_h[60:], features[60:])
        expected = expected_error_k(known, time_h[60:], features[60:])
        inside.extend(np.abs(truth[60:] - expected) < 1.2816 * sd)
        widths.append(known.size)
    assert abs(np.mean(inside) - 0.80) < 0.1  # 120 hours: a standard error of 0.04
    assert np.mean(widths) == pytest.approx(size**2, abs=0.35)


def test_a_reading_of_tonight_corrects_the_rest_of_the_night_and_narrows_it():
    one = ReadErrors(np.array([100.0]), np.array([[1.0, 0.0, 0.0, 0.0]]), np.array([2.0]))
    known, nothing = learn(one, 100.0), learn(NOTHING, 100.0)
    usual = np.tile([1.0, 0.0, 0.0, 0.0], (3, 1))
    at_h = np.array([101.0, 108.0, 124.0])  # the next hour, the morning, the next night
    moved = expected_error_k(known, at_h, usual)
    assert moved[0] > moved[1] > moved[2] > 0.0
    assert moved[0] == pytest.approx(2.0 * (1.21 + 1.44 * np.exp(-1 / 16)) / 3.39, rel=1e-3)
    sd = error_sd_k(known, at_h, usual)
    assert sd[0] < 0.7 * error_sd_k(nothing, at_h, usual)[0]
    assert (np.diff(sd) > 0.0).all()
    # after a year without a reading little is left of it
    assert abs(expected_error_k(known, np.array([100.0 + 24 * 365]), usual[:1])[0]) < 0.2


def test_other_nights_tell_how_much_a_correction_is_worth():
    rng = np.random.default_rng(5)
    gains = []
    for _ in range(30):
        time_h = np.repeat(np.arange(10) * 24.0, 2) + np.tile([0.0, 6.0], 10)
        features = weather_features(rng, 20)
        read = ReadErrors(time_h, features, true_errors(rng, time_h, features, 1.6 * WEIGHTS))
        score = night_error.leave_one_night_out(read, np.repeat(np.arange(10), 2))
        believed = read.error_k[read.is_plausible(night_error.DEFAULT_MAX_ERROR_K)]
        assert score.nights == 10
        assert score.model_rmse_k == pytest.approx(np.sqrt(np.mean(believed**2)))
        gains.append(score.model_rmse_k - score.corrected_rmse_k)
    assert np.mean(gains) > 0.3
    one_night = ReadErrors(np.arange(3.0), weather_features(rng, 3), np.ones(3))
    assert night_error.leave_one_night_out(one_night, np.zeros(3, dtype=int)) is None


def test_air_is_compared_with_the_five_days_before():
    air = np.arange(200.0)[:, None]
    mean = night_error.air_mean_c(air)
    assert np.isnan(mean[:24]).all()
    assert mean[24, 0] == pytest.approx(np.arange(24).mean())
    assert mean[150, 0] == pytest.approx(np.arange(30, 150).mean())
    air[100:110] = np.nan
    assert night_error.air_mean_c(air)[120, 0] == pytest.approx(
        np.concatenate([np.arange(0, 100), np.arange(110, 120)]).mean()
    )


def test_a_reading_that_cannot_be_of_this_surface_is_counted_and_not_learned_from():
    # a gun set to °F logged as °C, say: 28 for -2
    usual = np.tile([1.0, 0.0, 0.0, 0.0], (4, 1))
    time_h = np.arange(4) * 24.0
    blunder = ReadErrors(time_h, usual, np.array([1.0, 30.0, 1.0, -9.0]))
    believed = blunder.select(np.array([True, False, True, False]))
    found, expected = learn(blunder, 80.0), learn(believed, 80.0)
    assert (found.reading_count, found.implausible_count) == (2, 2)
    assert found.mean == expected.mean
    assert found.covariance == expected.covariance
    nights = np.arange(4)
    of_all, of_believed = (
        night_error.leave_one_night_out(*each)
        for each in ((blunder, nights), (believed, nights[[0, 2]]))
    )
    assert of_all == of_believed
    assert learn(blunder.select(np.array([False, True, False, False])), 80.0).reading_count == 0


def test_readings_without_their_weather_are_refused():
    with pytest.raises(InputError, match="give 4 features and one error for each time"):
        ReadErrors(np.zeros(2), np.zeros((2, 3)), np.zeros(2))
