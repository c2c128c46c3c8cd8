"""What practice would have plowed: the snow that its passes are counted from."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.one_surface import LOT
from helpers.published_tables import NOON, forecast_cell
from helpers.sites import parse_sites, site_entry
from helpers.weather import ASPHALT, forecast

from stormplan.physics.pavement import Column
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.planning.plowed_columns import PlowedColumn, pass_hours, typical_snow_cm


def test_a_single_forecast_is_plowed_by_its_own_snow():
    snow_cm = np.zeros(12)
    snow_cm[3:6] = 1.5, 2.0, 0.5
    found = typical_snow_cm(forecast(12, snowfall_cm=snow_cm), 0.25)
    np.testing.assert_allclose(found[:, 0], snow_cm)


def test_sleet_counts_by_the_depth_it_lies_at():
    # sleet lies at about 0.9 of the density of ice packed at 0.6, some 500 kg/m3 and far above new
    # snow (from memory): a millimeter of it is 1.5 to 3.5 mm deep, never the centimeter of snow
    sleet_mm = np.full(12, 1.0)
    found = typical_snow_cm(forecast(12, sleet_mm=sleet_mm, snowfall_cm=0.0), 0.25)
    assert 0.15 < found[5, 0] < 0.35


def test_members_are_plowed_by_the_median_storm_and_not_by_the_median_hour():
    # three members bring 4 cm each, every one in hours of its own: no hour snows in most of them
    snow_cm = np.zeros((12, 3))
    for member, first in enumerate((1, 5, 9)):
        snow_cm[first : first + 2, member] = 2.0
    found = typical_snow_cm(forecast(12, members=3, snowfall_cm=snow_cm), 0.25)[:, 0]
    assert np.median(snow_cm, axis=1).sum() == 0.0
    assert found.sum() == pytest.approx(4.0)


def test_passes_are_planned_for_the_part_that_snows_if_it_counts():
    snow_cm = np.zeros((12, 10))
    snow_cm[4:6, :3] = 2.0  # three of ten, above the quarter
    enough = typical_snow_cm(forecast(12, members=10, snowfall_cm=snow_cm), 0.25)[:, 0]
    snow_cm[:, 2] = 0.0  # two of ten
    few = typical_snow_cm(forecast(12, members=10, snowfall_cm=snow_cm), 0.25)[:, 0]
    assert enough.sum() == pytest.approx(4.0)
    assert few.sum() == 0.0


@pytest.mark.parametrize(("share", "plows"), [("40 %", True), ("50 %", False)])
def test_the_share_that_must_snow_before_a_pass_is_planned_is_a_rule(share, plows):
    # an inch an hour in four of ten forecasts; 2-in trigger (contract term)
    cell = forecast_cell(air_temp_c=-3.0, dew_point_c=-5.0, pop=1.0)
    values = {name: np.repeat(one, 10, axis=1) for name, one in cell.values.items()}
    for name, amount in (("snowfall_cm", 2.54), ("snowfall_swe_mm", 2.54), ("precip_mm", 2.54)):
        values[name][12:18, :4] = amount
    sites = parse_sites(
        {"a": site_entry(43.1, -89.4, {"here": LOT})}, policy={"plow_probability": share}
    )
    plan = make_plan(sites, {"a": SiteForecasts(replace(cell, values=values))}, NOON)
    visits = [visit for _, treatment in plan.sites[0].treatments for visit in treatment.visits]
    assert any(visit.plow for visit in visits) is plows


def test_passes_before_now_are_done_and_later_ones_are_counted_from_now():
    # 1.25 in an hour against a trigger of 2 in: a pass every other hour, and one when it stops
    column = PlowedColumn(Column(0, ASPHALT), 5.08, 2.0, 1.27)
    snow_cm = [0.0, *[3.175] * 6, 0.0, 0.0]
    every = pass_hours(column, snow_cm, 0)[1]
    assert len(every) >= 3
    past, ahead = pass_hours(column, snow_cm, 4)
    assert past == tuple(hour for hour in every if hour < 4)
    assert ahead == tuple(hour - 4 for hour in every if hour >= 4)
    assert past
    assert ahead
