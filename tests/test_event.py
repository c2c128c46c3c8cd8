"""Events: what counts as a hazard, how hours join, and what stays unknown."""

import numpy as np
import pytest
from tables import NOON, cell, hourly, spell

from stormplan import event, handbook, units
from stormplan.event import Hazard, Thresholds
from stormplan.forecast import stack

F = units.f_to_c
THRESHOLDS = Thresholds.of(handbook.Practice())


def outlook(surface_c, hours=48, **series):
    forecast = stack([cell(hours=hours, **series)], NOON, hours)
    return event.outlook(forecast, 0, hourly(surface_c, hours)[:, None], THRESHOLDS)


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
        snow_we_mm=spell(10, 14, 2.54 * inches_an_hour),
        snow_depth_cm=spell(10, 14, 2.54 * inches_an_hour),
        pop=0.8,
    )
    assert [e.hazard for e in found.events] == [hazard]
    assert found.events[0].snow_cm == pytest.approx(4 * 2.54 * inches_an_hour)
    assert found.events[0].probability == pytest.approx(0.8)


def test_the_worst_phase_governs_and_every_phase_is_kept():
    found = outlook(
        -1.0,
        snow_we_mm=spell(10, 13, 0.5),
        snow_depth_cm=spell(10, 13, 0.5),
        frz_rain_mm=spell(13, 16, 0.6),
        pop=0.9,
    )
    (only,) = found.events
    assert only.hazard is Hazard.FREEZING_RAIN
    assert [p.hazard for p in only.phases] == [Hazard.LIGHT_SNOW, Hazard.FREEZING_RAIN]
    assert only.water_mm == pytest.approx(3 * 0.5 + 3 * 0.6)
    assert (only.end - only.start).total_seconds() == 6 * 3600


@pytest.mark.parametrize(("gap_h", "events"), [(3, 1), (4, 1), (5, 2)])
def test_a_quiet_spell_longer_than_the_gap_parts_two_events(gap_h, events):
    second = 12 + gap_h
    water = {0: 0.0, 10: 0.4, 12: 0.0, second: 0.4, second + 2: 0.0}
    found = outlook(-2.0, snow_we_mm=water, snow_depth_cm=water, pop=0.9)
    assert len(found.events) == events


def test_snow_on_warm_pavement_is_no_hazard():
    # common practice, no source: the first snow melts on pavement above freezing
    found = outlook(3.0, snow_we_mm=spell(10, 14, 0.5), snow_depth_cm=spell(10, 14, 0.4), pop=0.9)
    assert found.events == ()


def test_what_is_unlikely_is_not_an_event():
    found = outlook(-2.0, snow_we_mm=spell(9, 12, 1.0), snow_depth_cm=spell(9, 12, 1.0), pop=0.1)
    assert found.events == ()


def test_a_layer_that_ends_is_unknown_and_not_dry():
    depth = hourly(spell(10, 30, 0.5), 48)
    depth[20:] = np.nan
    found = outlook(-2.0, snow_we_mm=spell(10, 30, 0.5), snow_depth_cm=depth, pop=0.9)
    assert found.unknown == (event.Unknown(what="snow", after=found.hours[20].start),)
    assert found.events[0].unknown == ("snow",)
    nothing = outlook(-2.0, frz_rain_mm=np.full(48, np.nan))
    assert nothing.unknown == (event.Unknown(what="freezing rain", after=None),)


def test_members_vote_and_give_the_chance():
    hours = 24
    one = cell(hours=hours, pop=1.0)
    members = {name: np.repeat(array, 4, axis=1) for name, array in one.values.items()}
    members["snow_we_mm"][5:8, :3] = 1.0
    members["snow_depth_cm"][5:8, :3] = 1.0
    forecast = stack([one], NOON, hours)
    forecast = type(forecast)(
        forecast.start,
        forecast.cells,
        {n: members.get(n, np.full((hours, 4), np.nan))[:, None, :] for n in forecast.values},
    )
    found = event.outlook(forecast, 0, np.full((hours, 4), -2.0), THRESHOLDS)
    assert found.events[0].hazard is Hazard.LIGHT_SNOW
    assert found.events[0].probability == pytest.approx(0.75)


def test_frost_is_a_chance_and_never_certain_at_the_threshold():
    # surface, dew point and freezing all at one point: as likely as not, by symmetry
    found = outlook(-1e-6, dew_point_c=0.0, air_temp_c=1.0)
    assert found.events[0].probability == pytest.approx(0.5, abs=0.01)
    colder = outlook(-4.0, dew_point_c=0.0, air_temp_c=1.0)
    assert 0.95 < colder.events[0].probability < 1.0
