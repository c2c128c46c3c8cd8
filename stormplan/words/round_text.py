"""How long rounds take, how much time is left before the storm, what driving times rest on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from stormplan.operations.pass_schedule import PassSchedule
from stormplan.operations.sprayer_schedule import SprayerSchedule
from stormplan.operations.travel import TravelBasis
from stormplan.units import UnitFormatter
from stormplan.words.formatting import (
    format_working_time,
)


def rounds_text(schedules: Sequence[SprayerSchedule]) -> str:
    """Return how long rounds of some yards take, and how long before a storm its stop is done."""
    needed_h = sum(one.hours_needed for one in schedules)
    available_h = sum(one.hours_available for one in schedules)
    text = f"rounds take {format_working_time(needed_h)} of {available_h:.0f} h"
    slacks_h = [one.slack_h for one in schedules if one.slack_h is not None]
    if not slacks_h:
        return text
    return f"{text}; tightest stop: {format_working_time(min(slacks_h))} to spare"


def short_slack_text(schedule: SprayerSchedule) -> str:
    """Return that little time is left before the storm; empty where there is enough."""
    if schedule.slack_h is None or not schedule.is_slack_short:
        return ""
    left = format_working_time(schedule.slack_h)
    return f"ONLY {left} from the tightest stop to the storm: leave earlier, or send one more"


def travel_text(schedule: SprayerSchedule, formatter: UnitFormatter) -> str:
    """Return where driving times come from; empty where nobody drives."""
    basis = schedule.travel
    if basis is None or basis.pair_count == 0:
        return ""
    driving_h = sum(one.driving_h for one in schedule.sprayers)
    parts = [f"{format_working_time(driving_h)} of it driving", *basis_texts(basis, formatter)]
    if schedule.ordered_by == "greedy" and sum(len(one.stops) for one in schedule.sprayers) > 1:
        parts.append("stops in order of deadline and priority, no better order was looked for")
    return ", ".join(parts)


def basis_texts(basis: TravelBasis, formatter: UnitFormatter) -> Iterable[str]:
    """Yield what driving times rest on, each source with its number of drives if there are more.

    Parameters
    ----------
    basis : TravelBasis
        With the drives of each source.
    formatter : UnitFormatter
        Units of the reader.
    """
    estimate = (
        f"by distance ({basis.circuity:.3g} times the straight line at"
        f" {formatter.speed(basis.speed_ms)})"
    )
    sources = [
        (basis.listed_count, "drives from your table"),
        (basis.learned_count, "learned from the record"),
        (basis.routed_count, "by your router"),
        (basis.estimated_count, estimate),
    ]
    used = [(count, text) for count, text in sources if count]
    for count, text in used:
        is_plain = len(used) == 1 and text == estimate
        yield text if is_plain else f"{count} {text}"
    if basis.on_snow_frac < 1.0:
        yield f"all at {100.0 * basis.on_snow_frac:.0f} % of the speed on dry roads"


def passes_text(schedules: Sequence[PassSchedule]) -> str:
    """Return how long plows, spreaders and sprayers are out in and after the storm."""
    hours: dict[str, float] = {}
    for vehicle in (one for schedule in schedules for one in schedule.vehicles if one.stops):
        hours[vehicle.kind] = hours.get(vehicle.kind, 0.0) + vehicle.working_h
    return ", ".join(f"{PASS_NOUNS[kind]} {hour:.1f} h" for kind, hour in hours.items())


#: Kinds of work in and after a storm, as they are counted.
PASS_NOUNS: Mapping[str, str] = {
    "plow": "plowing",
    "spread": "spreading",
    "post-treat": "post-treating",
}
