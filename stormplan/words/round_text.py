"""How long rounds take, how much time is left before the storm, what driving times rest on."""

from __future__ import annotations

from collections.abc import Sequence

from stormplan.operations.sprayer_schedule import SprayerSchedule
from stormplan.units import UnitFormatter
from stormplan.words.formatting import (
    format_working_time,
)


def rounds_text(schedules: Sequence[SprayerSchedule]) -> str:
    """Return how long the rounds of some yards take, and how long before it starts they end."""
    needed_h = sum(one.hours_needed for one in schedules)
    available_h = sum(one.hours_available for one in schedules)
    text = f"rounds take {format_working_time(needed_h)} of {available_h:.0f} h"
    slacks_h = [one.slack_h for one in schedules if one.slack_h is not None]
    if not slacks_h:
        return text
    return f"{text}; tightest stop {format_working_time(min(slacks_h))} before it starts"


def short_slack_text(schedule: SprayerSchedule) -> str:
    """Return that little time is left before the storm; empty where there is enough."""
    if schedule.slack_h is None or not schedule.is_slack_short:
        return ""
    left = format_working_time(schedule.slack_h)
    return f"ONLY {left} from the tightest stop to the storm: leave earlier, or send one more"


def travel_text(schedule: SprayerSchedule, formatter: UnitFormatter) -> str:
    """Return where driving times come from; empty where nobody drives."""
    basis = schedule.travel
    if basis is None or basis.listed_count + basis.estimated_count == 0:
        return ""
    driving_h = sum(one.driving_h for one in schedule.sprayers)
    total = f"{format_working_time(driving_h)} of it driving"
    estimate = (
        f"by distance ({basis.circuity:.3g} times the straight line at"
        f" {formatter.speed(basis.speed_ms)})"
    )
    parts = [total]
    if basis.listed_count:
        parts.append(f"{basis.listed_count} drives from your table")
    if basis.estimated_count:
        parts.append(f"{basis.estimated_count} {estimate}" if basis.listed_count else estimate)
    if schedule.ordered_by == "greedy" and sum(len(one.stops) for one in schedule.sprayers) > 1:
        parts.append("stops in order of deadline and priority, no better order was looked for")
    return ", ".join(parts)
