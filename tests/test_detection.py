"""Events: what counts as a hazard, how hours join, and what stays unknown."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.published_tables import NOON, between_hours, forecast_cell, hourly

from stormplan import units
from stormplan.company import catalog, practice_rules
from stormplan.events import detection
from stormplan.events.ensemble_stats import MemberSeries, median
from stormplan.events.hazards import Hazard, HazardThresholds, SurfaceSeries
from stormplan.physics import pavement
from stormplan.physics.pavement import Column, Columns
from stormplan.weather.forecast import stack

F = units.f_to_c
THRESHOLDS = HazardThresholds.from_practice(practice_rules.Practice())


def build_outlook(forecast, cell, surface, thresholds, snow_pile=False):
    (only,) = detection.build_outlooks(forecast, [cell], surface, thresholds, [snow_pile])
    return only


def outlook(surface_c, hours=48, **series):
    forecast = stack([forecast_cell(hours=hours, **series)], NOON, hours)
    return build_outlook(forecast, 0, ground(hourly(surface_c, hours)[:, None]), THRESHOLDS)


def column(surface_c, frost_mm, ice_mm):
    """One column, of arrays (hour, member); no water lies there but its ice."""
    return SurfaceSeries(*(one[:, None] for one in (surface_c, frost_mm, ice_mm, ice_mm)))


def ground(surface_c, ice_mm=0.0):
    """A surface with frost wherever it can be, and so much ice."""
    full = np.ones_like(surface_c)
    return column(surface_c, 0.1 * full, ice_mm * full)


def side_by_side(columns):
    """Several columns as one."""
    return SurfaceSeries(
        *(
            np.concatenate([getattr(one, name) for one in columns], axis=1)
            for name in ("surface_c", "frost_mm", "ice_mm", "surface_water_mm")
        )
    )


@pytest.mark.parametrize(
    ("pavement_f", "dew_f", "hazard"),
    [
        # NCHRP Report 526, p. 6: at or below 32 °F and below the dew point is frost; above 32 °F
        # and below the dew point is condensation, which is no hazard
        (30, 31, Hazard.FROST),
        (34, 35, None),
        (30, 24, None),
    ],
)
def test_frost_and_condensation(pavement_f, dew_f, hazard):
    found = outlook(F(pavement_f), dew_point_c=F(dew_f), air_temp_c=F(dew_f + 3))
    assert [e.hazard for e in found.events] == ([hazard] if hazard else [])


def test_a_surface_is_told_the_same_whatever_surfaces_stand_beside_it():
    snow = between_hours(9, 14, 2.0)
    cells = [
        forecast_cell(hours=48, snowfall_swe_mm=snow, snowfall_cm=snow, pop=0.7),
        forecast_cell(hours=48, dew_point_c=-1.0),
        forecast_cell(hours=48, freezing_rain_mm=hourly({0: np.nan, 6: 0.5, 9: 0.0}, 48), pop=0.9),
    ]
    forecast = stack(cells, NOON, 48)
    places, piles = [2, 0, 2, 1], [False, True, False, False]
    surfaces = [
        ground(hourly({0: 1.0, 4: lowest_c}, 48)[:, None], ice_mm=ice_mm)
        for lowest_c, ice_mm in ((-1.0, 0.0), (-3.0, 0.6), (-6.0, 0.6), (-9.0, 0.0))
    ]
    together = detection.build_outlooks(forecast, places, side_by_side(surfaces), THRESHOLDS, piles)
    each = zip(places, surfaces, piles, strict=True)
    alone = [build_outlook(forecast, at, one, THRESHOLDS, pile) for at, one, pile in each]
    assert [[event.hazard for event in one.events] for one in alone] == [
        [Hazard.FREEZING_RAIN],
        [Hazard.REFREEZE, Hazard.MODERATE_SNOW],
        [Hazard.REFREEZE, Hazard.FREEZING_RAIN],
        [Hazard.FROST],
    ]
    assert [bool(one.unknown) for one in alone] == [True, False, True, False]
    assert list(map(repr, together)) == list(map(repr, alone))


@pytest.mark.parametrize(
    ("inches_an_hour", "hazard"),
    [
        # FHWA-RD-95-202, App. C: light is less than half an inch an hour
        (0.2, Hazard.LIGHT_SNOW),
        (0.49, Hazard.LIGHT_SNOW),
        (0.51, Hazard.MODERATE_SNOW),
        (1.5, Hazard.HEAVY_SNOW),  # above 1 in/h: our own split
    ],
)
def test_snow_is_graded_by_its_rate(inches_an_hour, hazard):
    found = outlook(
        -2.0,
        snowfall_swe_mm=between_hours(10, 14, 2.54 * inches_an_hour),
        snowfall_cm=between_hours(10, 14, 2.54 * inches_an_hour),
        pop=0.8,
    )
    assert [e.hazard for e in found.events] == [hazard]
    assert found.events[0].snowfall_cm == pytest.approx(4 * 2.54 * inches_an_hour)
    assert found.events[0].probability == pytest.approx(0.8)


def test_the_worst_phase_governs_and_every_phase_is_kept():
    found = outlook(
        -1.0,
        snowfall_swe_mm=between_hours(10, 13, 0.5),
        snowfall_cm=between_hours(10, 13, 0.5),
        freezing_rain_mm=between_hours(13, 16, 0.6),
        pop=0.9,
    )
    (only,) = found.events
    assert only.hazard is Hazard.FREEZING_RAIN
    assert [p.hazard for p in only.hazard_periods] == [Hazard.LIGHT_SNOW, Hazard.FREEZING_RAIN]
    assert only.precip_mm == pytest.approx(3 * 0.5 + 3 * 0.6)
    assert (only.end - only.start).total_seconds() == 6 * 3600


@pytest.mark.parametrize(("gap_h", "events"), [(3, 1), (4, 1), (5, 2)])
def test_a_quiet_spell_longer_than_the_gap_parts_two_events(gap_h, events):
    second = 12 + gap_h
    water = {0: 0.0, 10: 0.4, 12: 0.0, second: 0.4, second + 2: 0.0}
    found = outlook(-2.0, snowfall_swe_mm=water, snowfall_cm=water, pop=0.9)
    assert len(found.events) == events


def test_snow_on_warm_pavement_is_no_hazard():
    # common practice, no source: the first snow melts on pavement above freezing
    found = outlook(
        3.0,
        snowfall_swe_mm=between_hours(10, 14, 0.5),
        snowfall_cm=between_hours(10, 14, 0.4),
        pop=0.9,
    )
    assert found.events == ()


def test_what_is_unlikely_is_not_an_event():
    found = outlook(
        -2.0,
        snowfall_swe_mm=between_hours(9, 12, 1.0),
        snowfall_cm=between_hours(9, 12, 1.0),
        pop=0.1,
    )
    assert found.events == ()


def test_a_layer_that_ends_is_unknown_and_not_dry():
    depth = hourly(between_hours(10, 30, 0.5), 48)
    depth[20:] = np.nan
    found = outlook(-2.0, snowfall_swe_mm=between_hours(10, 30, 0.5), snowfall_cm=depth, pop=0.9)
    assert found.unknown == (detection.ForecastGap(variable="snow", after=found.hours[20].start),)
    assert found.events[0].unknown == ("snow",)
    nothing = outlook(-2.0, freezing_rain_mm=np.full(48, np.nan))
    assert nothing.unknown == (
        detection.ForecastGap(variable="precipitation", after=None),  # a part of the sum is missing
        detection.ForecastGap(variable="freezing rain", after=None),
    )


def test_a_pause_in_the_forecast_is_said_and_so_is_what_it_takes_from_the_pavement():
    air, pavement = np.full((2, 48), -2.0)
    air[20:26] = np.nan
    pavement[20:] = np.nan
    found = outlook(pavement, air_temp_c=air)
    assert set(found.unknown) == {
        detection.ForecastGap(
            variable="temperature", after=found.hours[20].start, until=found.hours[26].start
        ),
        detection.ForecastGap(variable="pavement", after=found.hours[26].start),
    }


def test_members_vote_and_give_the_chance():
    hours = 24
    one = forecast_cell(hours=hours, pop=1.0)
    members = {name: np.repeat(array, 4, axis=1) for name, array in one.values.items()}
    members["snowfall_swe_mm"][5:8, :3] = 1.0
    members["snowfall_cm"][5:8, :3] = 1.0
    forecast = stack([one], NOON, hours)
    forecast = type(forecast)(
        forecast.start,
        forecast.cells,
        {n: members.get(n, np.full((hours, 4), np.nan))[:, None, :] for n in forecast.values},
    )
    found = build_outlook(forecast, 0, ground(np.full((hours, 4), -2.0)), THRESHOLDS)
    assert found.events[0].hazard is Hazard.LIGHT_SNOW
    assert found.events[0].probability == pytest.approx(0.75)


def test_frost_is_a_chance_and_never_certain_at_the_threshold():
    # surface, dew point and freezing all at one point: as likely as not, by symmetry
    found = outlook(-1e-6, dew_point_c=0.0, air_temp_c=1.0)
    assert found.events[0].probability == pytest.approx(0.5, abs=0.01)
    colder = outlook(-4.0, dew_point_c=0.0, air_temp_c=1.0)
    assert 0.95 < colder.events[0].probability < 1.0


def test_the_same_margin_is_less_certain_further_ahead():
    def chance(first):
        dew = np.full(60, -20.0)
        dew[first : first + 3] = -1.0
        surface = np.full(60, 3.0)
        surface[first : first + 3] = -3.0
        found = outlook(surface, 60, dew_point_c=dew, air_temp_c=0.0)
        return found.events[0].probability

    # both at night there: errors of 2.1 and 3.0 K, so margins of two degrees are 0.83 and 0.75
    assert chance(8) == pytest.approx(0.83, abs=0.03)
    assert chance(56) < chance(32) < chance(8)


def with_members(hours, count, **series):
    """One cell with members: arrays (hour, member), or numbers."""
    one = forecast_cell(hours=hours)
    values = {name: np.repeat(array, count, axis=1) for name, array in one.values.items()}
    for name, given in series.items():
        values[name] = np.broadcast_to(given, (hours, count)).copy()
    return stack([replace(one, values=values)], NOON, hours)


def test_members_that_differ_in_their_hours_still_add_up_to_the_storm_each_of_them_has():
    # five members, each with 6 h of 0.5 cm/h and 1 mm/h, two hours apart: 3 cm and 6 mm in every
    # one of them, though in no hour does more than half of them have snow
    hours = np.arange(48)[:, None]
    falls = (hours >= 10 + 4 * np.arange(5)) & (hours < 16 + 4 * np.arange(5))
    forecast = with_members(48, 5, snowfall_swe_mm=1.0 * falls, snowfall_cm=0.5 * falls, pop=1.0)
    found = build_outlook(forecast, 0, ground(np.full((48, 5), -2.0)), THRESHOLDS)
    (only,) = found.events
    assert only.snowfall_cm == pytest.approx(3.0)
    assert only.precip_mm == pytest.approx(6.0)
    assert only.probability == pytest.approx(1.0)
    assert found.snowfall_cm == pytest.approx(3.0)


def test_a_storm_in_some_members_is_told_as_it_is_in_those():
    falls = np.zeros((48, 4))
    falls[10:14, 0] = 1.0
    forecast = with_members(48, 4, snowfall_swe_mm=falls, snowfall_cm=falls, pop=1.0)
    found = build_outlook(forecast, 0, ground(np.full((48, 4), -2.0)), THRESHOLDS)
    assert found.events[0].probability == pytest.approx(0.25)
    assert found.events[0].snowfall_cm == pytest.approx(4.0)
    assert found.snowfall_cm == 0.0  # of the horizon, whatever comes: most members have none
    assert found.events[0].min_pavement_temp_range_c is None  # one member of four is no range


def test_pavement_that_ends_before_the_temperature_ends_for_good():
    # another layer that the pavement needs ended at hour 20, the temperature at hour 30
    air, pavement = np.full((2, 48), -2.0)
    pavement[20:], air[30:] = np.nan, np.nan
    found = outlook(pavement, air_temp_c=air)
    assert set(found.unknown) == {
        detection.ForecastGap(variable="pavement", after=found.hours[20].start),
        detection.ForecastGap(variable="temperature", after=found.hours[30].start),
    }


@pytest.mark.parametrize(("claimed", "low", "high"), [(1.0, 0.75, 0.85), (0.4, 0.0, 0.7)])
def test_four_in_five_of_the_truths_lie_in_the_range(claimed, low, high):
    # truth and members are drawn from one distribution of errors of the air, through the pavement
    # model, and the truth has that model's own error besides; members that claim too small an
    # error must be caught out
    hours, places, count = 36, 600, 31
    rng = np.random.default_rng(7)

    def draw(width, members):
        """Errors of the air that last for hours: autoregressive, 0.9 an hour."""
        error = np.empty((hours, places, members))
        error[0] = rng.normal(0.0, width, (places, members))
        for hour in range(1, hours):
            step = rng.normal(0.0, width * np.sqrt(1 - 0.9**2), (places, members))
            error[hour] = 0.9 * error[hour - 1] + step
        return error

    falls = ((np.arange(hours) >= 20) & (np.arange(hours) < 30))[:, None, None]
    air_c = -15.0 + np.concatenate([draw(claimed * 4.0, count), draw(4.0, 1)], axis=2)
    cells = tuple(
        replace(forecast_cell(hours=hours), latitude_deg=40 + n / 100) for n in range(places)
    )
    base = stack(cells, NOON, hours)
    values = {name: np.repeat(array, count + 1, axis=2) for name, array in base.values.items()}
    values |= {"air_temp_c": air_c, "dew_point_c": air_c - 20.0, "pop": np.ones_like(air_c)}
    values |= {name: falls * np.ones_like(air_c) for name in ("snowfall_swe_mm", "snowfall_cm")}
    forecast = replace(base, values=values)
    columns = Columns.from_records([Column(n, catalog.BUILD_UPS["asphalt"]) for n in range(places)])
    surface_c = pavement.simulate_dry(forecast, columns).surface_c

    members = replace(forecast, values={n: a[:, :, :count] for n, a in values.items()})
    inside = 0
    untreated = [ground(surface_c[:, place, :count]) for place in range(places)]
    outlooks = detection.build_outlooks(
        members, range(places), side_by_side(untreated), THRESHOLDS, [False] * places
    )
    for place, seen in enumerate(outlooks):
        (only,) = seen.events
        truth_c = surface_c[20:30, place, count].min() + rng.normal(0.0, 1.5)  # by day
        inside += only.min_pavement_temp_range_c[0] <= truth_c <= only.min_pavement_temp_range_c[1]
    assert low <= inside / places <= high


def test_members_that_come_early_and_late_spread_start_and_end():
    # ten members whose snow begins at hours 8..17 and lasts three hours: four in five lie inside
    # the second and the second last
    hours, count = 36, 10
    one = forecast_cell(hours=hours, pop=1.0)
    members = {name: np.repeat(array, count, axis=1) for name, array in one.values.items()}
    for member in range(count):
        for name in ("snowfall_swe_mm", "snowfall_cm"):
            members[name][8 + member : 11 + member, member] = 1.0
    ensemble = type(one)(**{**vars(one), "values": members})
    forecast = stack([ensemble], NOON, hours)
    (only,) = build_outlook(forecast, 0, ground(np.full((hours, count), -2.0)), THRESHOLDS).events
    first, last = only.start_range
    assert (first - NOON).total_seconds() / 3600 == pytest.approx(8.5, abs=1)
    assert (last - NOON).total_seconds() / 3600 == pytest.approx(16.5, abs=1)
    assert only.end_range[0] > first
    assert (
        outlook(-2.0, snowfall_swe_mm=between_hours(9, 12, 1.0), pop=1.0).events[0].start_range
        is None
    )


def test_the_quick_median_is_the_median():
    rng = np.random.default_rng(0)
    for members in (1, 2, 7, 30, 31):
        values = rng.normal(size=(50, members))
        values[3, 0], values[4, 0] = np.nan, np.inf
        np.testing.assert_array_equal(median(values), np.median(values, axis=1))


def test_ranges_and_ends_are_quantiles_over_the_members_in_which_it_comes():
    rng = np.random.default_rng(1)
    for members in (9, 30, 32):  # one fewer has the event
        values = rng.normal(size=(40, members))
        chance = 1.0 * (rng.random((40, members)) < 0.2)
        chance[:, 0], chance[20, 1:] = 0.0, 1.0
        found = MemberSeries(values, values, values, chance, chance > 0.0)
        run = slice(10, 25)
        coldest = values[run].min(axis=0)[1:]
        assert found.has_event(run).tolist() == [False] + [True] * (members - 1)
        if members > 9:
            expected = np.quantile(coldest, (0.1, 0.9), method="inverted_cdf")
            assert found.min_pavement_temp_range_c(coldest, 1e-3) == pytest.approx(
                tuple(expected), abs=0.03
            )
            there = chance[4:31, 1:] > 0.0
            first, last = there.argmax(axis=0) + 4, 31 - there[::-1].argmax(axis=0)
            shares = {"q": (0.1, 0.9), "method": "inverted_cdf"}
            assert found.start_end_ranges(run) == (
                tuple(np.quantile(first, **shares)),
                tuple(np.quantile(last, **shares)),
            )
        else:
            assert found.min_pavement_temp_range_c(coldest, 1e-3) is None
            assert found.start_end_ranges(run) is None


def test_ice_in_a_third_of_the_members_is_watched_with_its_chance():
    # wet pavement that freezes in three of nine members, after rain that is 90 % likely
    hours, count = 36, 9
    surface = np.full((hours, count), 3.0)
    surface[20:26, :3] = -4.0
    ice = np.zeros((hours, count))
    ice[20:26, :3] = 0.3
    rain = np.zeros((hours, count))
    rain[8:11] = 1.0
    forecast = with_members(hours, count, rain_mm=rain, pop=0.9, air_temp_c=1.0)
    wet = column(surface, 0.0 * ice, ice)
    (only,) = build_outlook(forecast, 0, wet, THRESHOLDS).events
    assert only.hazard is Hazard.REFREEZE
    # 0.9 of three ninths; that a surface at -4 °C known to 1.6 K is below freezing: 0.995
    assert only.probability == pytest.approx(0.9 / 3 * 0.995, abs=0.003)
    assert only.has_event == (True,) * 3 + (False,) * 6
    assert only.min_pavement_temp_c == pytest.approx(-4.0)
    one = column(surface[:, :1], 0.0 * ice[:, :1], ice[:, :1])
    alone = with_members(hours, 1, rain_mm=rain[:, :1], pop=0.9, air_temp_c=1.0)
    (sole,) = build_outlook(alone, 0, one, THRESHOLDS).events
    assert sole.probability > 0.8


def test_ice_that_few_members_keep_is_no_aftermath_of_a_storm_that_all_have():
    hours, count = 40, 9
    falls = np.zeros((hours, count))
    falls[8:12] = 1.0
    ice = np.zeros((hours, count))
    ice[12:20, :3] = 0.5
    forecast = with_members(hours, count, snowfall_swe_mm=falls, snowfall_cm=falls, pop=1.0)
    frozen = np.full((hours, count), -3.0)
    few = build_outlook(forecast, 0, column(frozen, 0 * ice, ice), THRESHOLDS).events
    assert [e.hazard for e in few] == [Hazard.LIGHT_SNOW, Hazard.REFREEZE]
    assert few[0].ice_until is None
    ice[12:20] = 0.5
    (all_have,) = build_outlook(forecast, 0, column(frozen, 0 * ice, ice), THRESHOLDS).events
    assert all_have.ice_until == few[1].end


def test_water_off_a_pile_freezes_from_the_hour_in_which_the_surface_does():
    # thaw by day, then a night of frost: runoff of a pile refreezes once the surface is at 0 °C
    is_day = np.arange(24) < 10
    surface_c, air_c = np.where(is_day, 2.0, -3.0), np.where(is_day, 3.0, -4.0)
    forecast = stack([forecast_cell(hours=24, air_temp_c=air_c, dew_point_c=-12.0)], NOON, 24)
    found = build_outlook(forecast, 0, ground(surface_c[:, None]), THRESHOLDS, snow_pile=True)
    (event,) = found.events
    assert event.from_pile
    assert event.hazard is Hazard.REFREEZE
    assert event.start == found.hours[10].start
