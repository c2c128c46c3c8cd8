"""Members that stand for what a forecast does not say, and the chance of water on the ground."""

import numpy as np
import pytest
from helpers.weather import forecast

from stormplan.events.hazards import HazardWeather, SurfaceSeries, refreeze_mask
from stormplan.physics import ensemble
from stormplan.weather.forecast import PRECIP_TYPES

HOURS = 12
LIGHT_MM = 0.5


def members(**values):
    made = forecast(HOURS, **values)
    return ensemble.make_ensemble(made, np.arange(HOURS))


def unknown_at(hours, value=0.0):
    amounts = np.full(HOURS, value)
    amounts[hours] = np.nan
    return amounts


def bracketed(hours, **values):
    blank = dict.fromkeys(("precip_mm", *PRECIP_TYPES), unknown_at(hours))
    return ensemble.bracket_unknown(members(**blank, **values), LIGHT_MM)


def test_what_is_known_stays_as_it_is():
    made = members()
    assert ensemble.bracket_unknown(made, LIGHT_MM) is made


def test_unknown_precipitation_is_dry_in_half_of_the_members_and_wet_in_the_others():
    made = bracketed([3, 4])
    water = made["precip_mm"][:, 0]
    assert np.isfinite(water).all()
    wet = water[3] > 0.0
    assert wet.sum() in (4, 5)  # of nine
    assert (water[4] > 0.0).tolist() == wet.tolist()  # the same members throughout
    assert water[3][wet] == pytest.approx(LIGHT_MM)
    assert (water[[0, 5]] == 0.0).all()
    assert made.is_unknown("precip_mm", 0).nonzero()[0].tolist() == [3, 4]
    # neither chance nor words: no storm is made of it, and the hours stay marked as unknown
    assert (made["pop"][3:5, 0] == 0.0).all()
    assert made.is_unknown("pop", 0).nonzero()[0].tolist() == [3, 4]


def test_a_chance_that_some_members_give_is_that_of_those_that_give_it():
    given = np.full((HOURS, 9), 0.6)
    given[3, ::2] = np.nan
    blank = dict.fromkeys(("precip_mm", *PRECIP_TYPES), unknown_at([3])[:, None] * np.ones(9))
    made = ensemble.bracket_unknown(forecast(HOURS, members=9, pop=given, **blank), LIGHT_MM)
    assert made["pop"][3, 0].mean() == pytest.approx(0.6)
    assert not made.is_unknown("pop", 0)[3]


@pytest.mark.parametrize("chance", [0.05, 0.3, 0.6, 0.9, 1.0])
def test_the_mean_chance_is_the_sources_own(chance):
    made = bracketed([3], pop=chance)
    assert made["pop"][3, 0].mean() == pytest.approx(chance)
    assert (made["precip_mm"][3, 0] > 0.0).sum() >= 5


def test_the_words_give_intensity_and_type():
    """Heavy counts six times light; freezing rain is worse than the snow named beside it."""
    made = bracketed([3], words_intensity=6.0, chance_snow=0.9, chance_freezing_rain=0.2)
    assert made["freezing_rain_mm"][3, 0].max() == pytest.approx(6 * LIGHT_MM)
    assert made["snowfall_swe_mm"][3, 0].max() == 0.0


def test_without_words_the_temperature_gives_the_type():
    cold = bracketed([3], air_temp_c=-8.0, dew_point_c=-10.0)
    assert cold["snowfall_swe_mm"][3, 0].max() == pytest.approx(LIGHT_MM)
    warm = bracketed([3], air_temp_c=9.0, dew_point_c=7.0)
    assert warm["rain_mm"][3, 0].max() == pytest.approx(LIGHT_MM)
    assert warm["snowfall_swe_mm"][3, 0].max() == pytest.approx(0.0, abs=1e-4)


def test_unknown_air_is_colder_in_some_members_and_warmer_in_others():
    air = np.full(HOURS, -2.0)
    air[6:9] = np.nan
    made = ensemble.bracket_unknown(members(air_temp_c=air), LIGHT_MM)
    at_gap = made["air_temp_c"][7, 0]
    assert at_gap.min() < -5.0
    assert at_gap.max() > 1.0
    assert made.is_unknown("air_temp_c", 0).nonzero()[0].tolist() == [6, 7, 8]


def test_after_the_end_of_everything_nothing_is_invented():
    air = np.full(HOURS, -2.0)
    air[8:] = np.nan
    blank = dict.fromkeys(("precip_mm", *PRECIP_TYPES), unknown_at(slice(8, None)))
    made = ensemble.bracket_unknown(members(air_temp_c=air, **blank), LIGHT_MM)
    assert np.isnan(made["precip_mm"][8:, 0]).all()
    assert np.isnan(made["air_temp_c"][8:, 0]).all()


def test_a_type_comes_in_as_many_members_as_its_word_says():
    """Slight chance 0.2 beside definite 0.9 (forecasters' words): two of nine members."""
    made = members(
        precip_mm=2.0,
        snowfall_swe_mm=1.0,
        freezing_rain_mm=1.0,
        snowfall_cm=1.0,
        air_temp_c=-6.0,
        dew_point_c=-7.0,
        chance_snow=0.9,
        chance_freezing_rain=0.2,
    )
    ice = made["freezing_rain_mm"][5, 0] > 0.0
    assert ice.sum() == 2
    total = made["freezing_rain_mm"][5, 0] + made["snowfall_swe_mm"][5, 0]
    assert total == pytest.approx(made["precip_mm"][5, 0], abs=1e-4)


def surface(water_mm, ice_mm):
    cold = np.full((len(water_mm), 1), -5.0)
    return SurfaceSeries(
        cold, np.zeros_like(cold), np.array(ice_mm)[:, None], np.array(water_mm)[:, None]
    )


def refreeze_chance(pop, falls_mm, water_mm, ice_mm):
    falls_mm = np.array(falls_mm, dtype=float)[:, None]
    none = np.zeros_like(falls_mm)
    codes = np.full(falls_mm.shape, -1, dtype=np.int8)
    weather = HazardWeather(falls_mm, none, none + pop, none - 10.0, codes)
    error_k = np.full(len(falls_mm), 0.01)  # surely below freezing
    return refreeze_mask(codes, weather, surface(water_mm, ice_mm), error_k, 0.05)[1][:, 0]


def test_water_that_fell_at_no_chance_freezes_at_no_chance():
    chance = refreeze_chance(0.0, [0, 1, 0, 0], [0, 1, 1, 1], [0, 0, 1, 1])
    assert chance.tolist() == pytest.approx([0, 0, 0, 0])


def test_water_that_fell_freezes_as_likely_as_it_fell():
    chance = refreeze_chance(0.4, [0, 1, 0, 0], [0, 1, 1, 1], [0, 0, 1, 1])
    assert chance.tolist() == pytest.approx([0, 0, 0.4, 0.4])


def test_water_that_lay_there_before_is_certain_whatever_falls_on_it():
    chance = refreeze_chance(0.0, [0, 1, 0, 0], [1, 2, 2, 2], [0, 0, 1, 1])
    assert chance.tolist() == pytest.approx([0, 0, 1, 1])


def test_water_that_nothing_brought_was_there_before():
    chance = refreeze_chance(0.2, [0, 0, 0, 0], [1, 1, 1, 1], [0, 1, 1, 1])
    assert chance.tolist() == pytest.approx([0, 1, 1, 1])
