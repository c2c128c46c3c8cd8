"""Hours in which the forecast cannot tell whether a surface gets slippery."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime

from stormplan.company.practice_rules import Practice
from stormplan.events.detection import ForecastGap, Outlook
from stormplan.events.hourly_conditions import Hour


def unknown_hazard_hours(outlook: Outlook, practice: Practice) -> Iterator[tuple[str, datetime]]:
    """Yield hours that may be slippery for all the forecast says: (what is unknown, start).

    Parameters
    ----------
    outlook : Outlook
        Hours of one surface.
    practice : Practice
        Its rules: from which chance on the pavement counts as likely cold, or an hour as wet.

    Yields
    ------
    str
        ``"pavement"`` or ``"precipitation"``.
    datetime
        Start of the hour, aware UTC.
    """
    chance = practice.number("monitor_probability")
    cold_air_c = practice.number("frost_possible_below")
    precip_gaps = [gap for gap in outlook.unknown if gap.variable == "precipitation"]
    # members stand for what it may be, cold and warm; it is not known for all that
    pavement_gaps = [gap for gap in outlook.unknown if gap.variable in ("pavement", "temperature")]
    for hour in outlook.hours:
        if hour.hazard is not None:
            continue
        if math.isnan(hour.surface_c):
            may_freeze = not hour.air_c > cold_air_c
        else:
            may_freeze = not hour.prob_below_freezing < chance
        if not may_freeze:
            continue
        if _precip_unknown(hour, precip_gaps, chance):
            yield "precipitation", hour.start
        elif math.isnan(hour.surface_c) or _is_inside(hour, pavement_gaps):
            yield "pavement", hour.start


def _is_inside(hour: Hour, gaps: Sequence[ForecastGap]) -> bool:
    return bool(gaps) and any(
        (gap.after is None or gap.after <= hour.start)
        and (gap.until is None or hour.start < gap.until)
        for gap in gaps
    )


def _precip_unknown(hour: Hour, gaps: Sequence[ForecastGap], chance: float) -> bool:
    """Return whether an hour may be wet: amount unknown, and no small chance of any."""
    if hour.pop < chance:
        return False
    return _is_inside(hour, gaps) or math.isnan(hour.precip_mm)
