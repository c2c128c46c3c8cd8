"""Whole-table checks on measured tables: Payerne as it is passes, shifted, copied or lifted not."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from helpers.measured import HEIGHT_M, LATITUDE, LONGITUDE, read_payerne
from helpers.weather import DRY

from stormplan.company.practice_rules import Practice
from stormplan.physics import station_checks
from stormplan.physics.forcing import clear_sky
from stormplan.weather.forecast import CellForecast, stack

START = datetime(2016, 6, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def month():
    """BSRN Payerne, June 2016 (shipped with pvlib): hourly means, and a clear sky over it."""
    measured = read_payerne()
    hourly = measured.minutes["ghi"].resample("h").mean().to_numpy()
    air = pd.Series(measured.air_c).to_numpy().reshape(-1, 6).mean(axis=1)
    values = {name: np.full((air.size, 1), value) for name, value in DRY.items()}
    cell = CellForecast(
        "test", "0", LATITUDE, LONGITUDE, HEIGHT_M, START, START, START,
        values | {"air_temp_c": air[:, None]},
    )  # fmt: skip
    return air, hourly, clear_sky(stack([cell], START, air.size))


def warnings(month, air=None, shortwave=None):
    measured_air, measured_sun, light = month
    values = {
        "air_temp_c": measured_air if air is None else air,
        "sw_down_wm2": measured_sun if shortwave is None else shortwave,
    }
    return station_checks.table_warnings(START, values, light)


def test_a_month_as_it_was_measured_is_not_doubted(month):
    assert warnings(month) == []
    # the air of a valley in summer follows the sun by a few hours
    assert 2.0 < station_checks.air_lag_h(month[0], month[2].ghi_wm2[:, 0]) < 5.0


@pytest.mark.parametrize("shift_h", [-6, -2, -1, 1, 2, 6])
def test_stamps_that_are_shifted_are_found_with_their_hours(month, shift_h):
    (line,) = [
        line for line in warnings(month, shortwave=np.roll(month[1], shift_h))
        if line.startswith("Check the times")
    ]  # fmt: skip
    assert f"comes {abs(shift_h)} h {'later' if shift_h > 0 else 'earlier'}" in line


@pytest.mark.parametrize("shift_h", [-6, 6])
def test_air_that_does_not_follow_the_sun_is_found(month, shift_h):
    (line,) = warnings(month, air=np.roll(month[0], shift_h))
    assert "the mean day's air follows the sun by" in line


def test_a_sensor_that_reads_twice_the_sun_is_found_and_one_with_a_tenth_more_is_not(month):
    (line,) = warnings(month, shortwave=2.0 * month[1])
    assert "more than the sun can give" in line
    assert warnings(month, shortwave=1.1 * month[1]) == []


def test_the_physical_limit_is_the_published_one():
    # Long & Dutton 2002: sun overhead 1.5 · 1361 + 100; below the horizon 100
    np.testing.assert_allclose(
        station_checks.physical_limit_wm2(np.array([1361.0, 0.0, 680.5])),
        [2141.5, 100.0, 1.5 * 1361.0 * 0.5**1.2 + 100.0],
    )


def test_a_day_copied_over_another_is_found_and_even_air_is_not(month):
    air = month[0].copy()
    air[24 * 9 : 24 * 10] = air[24 * 4 : 24 * 5]
    (line,) = warnings(month, air=air)
    assert "1 day repeats an earlier one" in line
    assert "the day from 2016-06-10T00:00Z that from 2016-06-05T00:00Z" in line
    assert station_checks.repeated_days(np.zeros(240)) == []


def test_short_tables_and_blanks_are_not_doubted(month):
    blank = np.full(month[0].size, np.nan)
    assert warnings(month, air=blank, shortwave=blank) == []
    assert station_checks.air_lag_h(month[0][:48], month[2].ghi_wm2[:48, 0]) is None


@pytest.mark.parametrize(("factor", "told"), [(1.2, "1.3"), (0.7, "0.8"), (0.3, "0.3")])
def test_a_sensor_that_is_scaled_wrongly_is_found_by_its_sunniest_hours(month, factor, told):
    # as measured the envelope is 1.09: a first-class pyranometer is within 5 % (ISO 9060:1990)
    assert 0.95 < station_checks.clear_sky_index(month[1], month[2].ghi_wm2[:, 0]) < 1.15
    found = [line for line in warnings(month, shortwave=factor * month[1]) if "sunniest" in line]
    assert len(found) == 1
    assert f"have {told} times the sun of a clear sky" in found[0]


def test_few_days_may_all_be_overcast_and_are_not_doubted(month):
    days = slice(0, 24 * 15)
    air, sun, light = month
    dim = {"air_temp_c": air[days], "sw_down_wm2": 0.4 * sun[days]}
    cut = replace(
        light,
        step_profile=light.step_profile[days],
        ghi_wm2=light.ghi_wm2[days],
        extraterrestrial_wm2=light.extraterrestrial_wm2[days],
    )
    assert not any("sunniest" in line for line in station_checks.table_warnings(START, dim, cut))


#: Mean pavement temperature from midnight to 6 AM on 24 and 25 February 2020 [°C]: City of Seattle
#: open data (public domain), road weather stations. The first and seventh report the air.
SEATTLE = {
    "35th Ave SW": (6.1, 6.3), "Albro Place": (3.3, 2.3), "Aurora Bridge": (6.8, 7.0),
    "Harbor Ave": (4.6, 5.3), "Magnolia Bridge": (5.9, 6.1), "NE 45th St": (6.0, 5.5),
    "Roosevelt Way": (5.2, 5.3), "Spokane St": (4.9, 6.0),
}  # fmt: skip


def read_in_seattle(off_k, station="Magnolia Bridge"):
    read = {("seattle", name): dict(enumerate(both)) for name, both in SEATTLE.items()}
    for night in read["seattle", station]:
        read["seattle", station][night] += off_k
    apart = station_checks.differences_from_neighbors_k(read)
    limit = Practice().number("reading_neighbor_max")
    return {name for (_, name), value in apart.items() if abs(value) > limit}


def test_pavements_of_one_city_are_not_doubted_and_one_that_is_read_wrong_is():
    assert read_in_seattle(0.0) == set()
    assert read_in_seattle(5.0) == read_in_seattle(-5.0) == {"Magnolia Bridge"}
    assert read_in_seattle(1.8 * 6.0 + 26.0) == {"Magnolia Bridge"}  # °F for °C


def test_a_surface_without_neighbors_or_common_nights_is_not_judged():
    def judged(*surfaces):
        read = {("a", str(at)): nights for at, nights in enumerate(surfaces)}
        return station_checks.differences_from_neighbors_k(read)

    assert judged({0: 9.0, 1: 9.0}, {0: 0.0, 1: 0.0}) == {}  # one neighbor: which is wrong?
    assert judged({0: 9.0}, {0: 0.0}, {0: 0.0}) == {}  # one night
    assert judged({0: 9.0, 1: 9.0}, {2: 0.0, 3: 0.0}, {2: 0.0, 3: 0.0}) == {}
    assert judged({0: 9.0, 1: 9.0}, {0: 1.0, 1: 1.0}, {0: 0.0, 1: 0.0})["a", "0"] == 8.0
