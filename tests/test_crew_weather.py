"""Crew and equipment windows against the published wind chill chart."""

from datetime import timedelta

import pytest
from helpers.one_surface import LOT, plan_surface

from stormplan import units
from stormplan.events.crew_weather import wind_chill_c


@pytest.mark.parametrize(
    ("air_f", "wind_mph", "chill_f"),
    # NWS wind chill chart (2001), whole degrees
    [
        (0, 15, -19),
        (30, 10, 21),
        (5, 30, -19),
        (-20, 25, -51),
        (40, 5, 36),
        (20, 3, 20),
        (55, 20, 55),
    ],
)
def test_wind_chill_chart(air_f, wind_mph, chill_f):
    chill = wind_chill_c(units.f_to_c(air_f), wind_mph * 0.44704)
    assert units.c_to_f(chill) == pytest.approx(chill_f, abs=0.51)


def test_a_bitter_night_is_named_for_crews_and_hoses():
    plan = plan_surface(
        LOT, air_temp_c={0: -4.0, 10: -25.0, 16: -4.0}, wind_10m_ms=9.0, dew_point_c=-30
    )
    windows = {window.hazard: window for window in plan.sites[0].crew_weather}
    assert set(windows) == {"wind chill", "hoses freeze", "cold blend"}
    assert windows["hoses freeze"].end - windows["hoses freeze"].start == timedelta(hours=6)
    # NWS chart at 20 mph: -35 at -10 °F, -42 at -15 °F; -13 °F lies between
    assert units.c_to_f(windows["wind chill"].min_temp_c) == pytest.approx(-39.2, abs=1)
    assert plan_surface(LOT).sites[0].crew_weather == ()
