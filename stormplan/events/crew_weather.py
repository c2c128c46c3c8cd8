"""Hours of air that matter to crews and equipment rather than to pavement.

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
from stormplan.events.detection import Hour

# Wind chill index of 2001, in its metric form: defined at and below 10 °C and above 4.8 km/h.
CHILL_BELOW_C, CHILL_ABOVE_KMH = 10.0, 4.83
CHILL = (13.12, 0.6215, -11.37, 0.3965)

Watch = Literal["wind chill", "hoses freeze", "cold blend"]


class AirWindow(Record):
    """A stretch of hours that crews or equipment should know of; ``lowest_c`` is its coldest."""

    watch: Watch
    start: AwareDatetime
    end: AwareDatetime
    lowest_c: float


def wind_chill_c(air_c: float, wind_mps: float) -> float:
    """Give the wind chill.

    Parameters
    ----------
    air_c : float
        Air temperature at 2 m [°C].
    wind_mps : float
        Wind at 10 m [m/s].

    Returns
    -------
    float
        What still air would feel as cold; the air temperature itself where it is not defined [°C].

    References
    ----------
    Wind chill index of the National Weather Service and Environment Canada, 1 November 2001.
    """
    kmh = 3.6 * wind_mps
    if air_c > CHILL_BELOW_C or kmh <= CHILL_ABOVE_KMH:
        return air_c
    base, by_air, by_wind, by_both = CHILL
    power = kmh**0.16
    return float(base + by_air * air_c + (by_wind + by_both * air_c) * power)


def watch(hours: Sequence[Hour], practice: Practice) -> tuple[AirWindow, ...]:
    """Find the windows of a site's hours.

    Parameters
    ----------
    hours : sequence of Hour
        Of any of its surfaces: the air is the same [-].
    practice : Practice
        The site's rules [-].

    Returns
    -------
    tuple of AirWindow
        In order of time.
    """
    chill: Callable[[Hour], float] = lambda hour: wind_chill_c(hour.air_c, hour.wind_mps)  # noqa: E731
    air: Callable[[Hour], float] = lambda hour: hour.air_c  # noqa: E731
    wanted: tuple[tuple[Watch, str, Callable[[Hour], float]], ...] = (
        ("wind chill", "wind_chill_below", chill),
        ("hoses freeze", "hose_freezes_below", air),
        ("cold blend", "blend_cold_below", air),
    )
    found = [
        window
        for name, rule, value in wanted
        for window in _windows(hours, name, value, practice.number(rule))
    ]
    return tuple(sorted(found, key=lambda window: (window.start, window.watch)))


def _windows(
    hours: Sequence[Hour], name: Watch, value: Callable[[Hour], float], below_c: float
) -> list[AirWindow]:
    found: list[AirWindow] = []
    for hour in hours:
        felt_c = value(hour)
        if math.isnan(felt_c) or felt_c >= below_c:
            continue
        end = hour.start + timedelta(hours=1)
        if found and found[-1].end == hour.start:
            lowest = min(found[-1].lowest_c, felt_c)
            found[-1] = found[-1].model_copy(update={"end": end, "lowest_c": lowest})
        else:
            found.append(AirWindow(watch=name, start=hour.start, end=end, lowest_c=felt_c))
    return found
