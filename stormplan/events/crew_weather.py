"""Air weather that concerns crews and equipment: wind chill, frozen hoses, cold blends.

Wind chill for the people outside, freezing of pumps and hoses, and the air temperatures at which
the yard changes its blend.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record
from stormplan.events.hourly_conditions import Hour

# Wind chill index of 2001, in its metric form: defined at and below 10 °C and above 4.8 km/h.
WIND_CHILL_MAX_AIR_C, WIND_CHILL_MIN_WIND_KMH = 10.0, 4.83
WIND_CHILL_COEFFICIENTS = (13.12, 0.6215, -11.37, 0.3965)

CrewHazard = Literal["wind chill", "hoses freeze", "cold blend"]


class CrewWeatherWindow(Record):
    """A stretch of hours that crews or equipment should know of.

    Attributes
    ----------
    hazard : str
        What is to be minded.
    start, end : datetime
        First moment and end, UTC.
    min_temp_c : float
        Coldest in it: wind chill where that is meant, else air [°C].
    """

    hazard: CrewHazard
    start: AwareDatetime
    end: AwareDatetime
    min_temp_c: float


def wind_chill_c(air_c: float, wind_ms: float) -> float:
    """Return the wind chill temperature.

    Parameters
    ----------
    air_c : float
        Air temperature at 2 m [°C].
    wind_ms : float
        Wind at 10 m [m/s].

    Returns
    -------
    float
        What still air would feel as cold; the air temperature itself where it is not defined [°C].

    References
    ----------
    Wind chill index of the National Weather Service and Environment Canada, 1 November 2001.
    """
    kmh = 3.6 * wind_ms
    if air_c > WIND_CHILL_MAX_AIR_C or kmh <= WIND_CHILL_MIN_WIND_KMH:
        return air_c
    base, by_air, by_wind, by_both = WIND_CHILL_COEFFICIENTS
    power = kmh**0.16
    return float(base + by_air * air_c + (by_wind + by_both * air_c) * power)


def find_windows(hours: Sequence[Hour], practice: Practice) -> tuple[CrewWeatherWindow, ...]:
    """Return the crew-weather windows of a site's hours.

    Parameters
    ----------
    hours : sequence of Hour
        Of any of its surfaces: the air is the same.
    practice : Practice
        The site's rules.

    Returns
    -------
    tuple of CrewWeatherWindow
        In order of time.
    """
    chill: Callable[[Hour], float] = lambda hour: wind_chill_c(hour.air_c, hour.wind_ms)  # noqa: E731
    air: Callable[[Hour], float] = lambda hour: hour.air_c  # noqa: E731
    wanted: tuple[tuple[CrewHazard, str, Callable[[Hour], float]], ...] = (
        ("wind chill", "wind_chill_below", chill),
        ("hoses freeze", "hose_freeze_below", air),
        ("cold blend", "additive_cold_below", air),
    )
    found = [
        window
        for name, rule, value in wanted
        for window in _windows(hours, name, value, practice.number(rule))
    ]
    return tuple(sorted(found, key=lambda window: (window.start, window.hazard)))


def _windows(
    hours: Sequence[Hour], name: CrewHazard, value: Callable[[Hour], float], below_c: float
) -> list[CrewWeatherWindow]:
    found: list[CrewWeatherWindow] = []
    for hour in hours:
        felt_c = value(hour)
        if math.isnan(felt_c) or felt_c >= below_c:
            continue
        end = hour.start + timedelta(hours=1)
        if found and found[-1].end == hour.start:
            lowest = min(found[-1].min_temp_c, felt_c)
            found[-1] = found[-1].model_copy(update={"end": end, "min_temp_c": lowest})
        else:
            found.append(
                CrewWeatherWindow(hazard=name, start=hour.start, end=end, min_temp_c=felt_c)
            )
    return found
