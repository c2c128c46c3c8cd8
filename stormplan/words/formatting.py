"""Formatting for readers: local times, ages, blends and reasons in the company's units."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from stormplan.company import practice_rules
from stormplan.units import UnitFormatter

if TYPE_CHECKING:  # `check` and others write sentences without a plan
    from stormplan.planning.plan import NightBiasRecord, Plan
    from stormplan.treatment.cost_loss import CostLoss
    from stormplan.treatment.records import Reason, SolidRates

#: The space between a number and its unit, at which no line should end.
NUMBER_UNIT_SPACE = re.compile(
    r"(?<=\d) (?=[%°]|(?:gal|L|lb|kg|in|ft|mi|mm|cm|m|km|h|min|mph|AM|PM)\b)"
)
MIN_STATED_CHANCE, MAX_STATED_CHANCE = 0.045, 0.955  # round to 4 and 96 %; our own choice


@dataclass(frozen=True)
class ReportFormat:
    """Says times and quantities the way this company's readers do.

    Attributes
    ----------
    units : UnitFormatter
        The reader's units.
    zone : ZoneInfo
        The zone times are said in.
    shows_zone : bool
        Whether each time carries its zone: where the plan has more than one.
    """

    units: UnitFormatter
    zone: ZoneInfo
    shows_zone: bool = False

    def in_zone(self, timezone: str) -> ReportFormat:
        """Return the same for another zone, by its IANA name."""
        return replace(self, zone=ZoneInfo(timezone))

    def _zone_of(self, moment: datetime) -> str:
        return f" {moment.astimezone(self.zone):%Z}" if self.shows_zone else ""

    def _day_clock(self, moment: datetime) -> str:
        return f"{moment.astimezone(self.zone):%a} {self.time_of_day(moment)}"

    def day_hour(self, moment: datetime) -> str:
        """Return weekday and hour, like ``Mon 6 PM`` or ``Mon 18:00 CST``."""
        return self._day_clock(moment) + self._zone_of(moment)

    def time_of_day(self, moment: datetime) -> str:
        """Return the local time of day."""
        local = moment.astimezone(self.zone)
        if not self.units.is_us:
            return f"{local:%H:%M}"
        minutes = f":{local:%M}" if local.minute else ""
        return f"{local.hour % 12 or 12}{minutes} {'AM' if local.hour < 12 else 'PM'}"

    def time_range(self, start: datetime, end: datetime) -> str:
        """Return a time range, with the day once where it does not change."""
        same = start.astimezone(self.zone).date() == end.astimezone(self.zone).date()
        last = self.time_of_day(end) if same else self._day_clock(end)
        return f"{self._day_clock(start)} – {last}{self._zone_of(end)}"

    def dated_hour(self, moment: datetime) -> str:
        """Return weekday, date, hour and zone, like ``Mon Jan 12, 3 PM CST``."""
        local = moment.astimezone(self.zone)
        day = f"{local:%b} {local.day}" if self.units.is_us else f"{local.day} {local:%b}"
        return f"{local:%a} {day}, {self.time_of_day(moment)} {local:%Z}"

    def dated_range(self, start: datetime, end: datetime) -> str:
        """Return a time range with dates and zone, like ``Tue Jan 13, 7 AM to 11 AM CST``."""
        first = self.dated_hour(start).rsplit(" ", 1)[0]
        same = start.astimezone(self.zone).date() == end.astimezone(self.zone).date()
        last = self.dated_hour(end)
        return f"{first} to {last.split(', ', 1)[1] if same else last}"

    def full_datetime(self, moment: datetime) -> str:
        """Return date, time and zone in full."""
        local = moment.astimezone(self.zone)
        clock = f"{local.hour % 12 or 12}:{local:%M %p}" if self.units.is_us else f"{local:%H:%M}"
        return f"{local:%a} {local.day} {local:%b %Y}, {clock} {local:%Z}"


def plan_format(plan: Plan) -> ReportFormat:
    """Return the format of a plan's company, with zones where the plan has more than one."""
    zones = {plan.timezone, *(site.timezone for site in plan.sites)}
    return ReportFormat(UnitFormatter(plan.units), ZoneInfo(plan.timezone), len(zones) > 1)


def reason_line(reason: Reason, formatter: UnitFormatter) -> str:
    """Return a reason as a line: rule, observed value, limit, and who set it.

    Parameters
    ----------
    reason : Reason
        Part of a treatment.
    formatter : UnitFormatter
        The reader's units.

    Returns
    -------
    str
        One line.
    """
    text = reason.text
    if reason.quantity_kind is not None and reason.limit is not None:
        limit = practice_rules.format_rule_value(reason.quantity_kind, reason.limit, formatter)
        if reason.observed is None:
            text += f": {limit}"
        else:
            kind, value = reason.quantity_kind, reason.observed
            observed = practice_rules.format_rule_value(kind, value, formatter)
            text += f": {observed} against {limit}"
    return text if reason.set_by == "default" else f"{text} (set by {reason.set_by})"


def cost_loss_line(cost_loss: CostLoss, probability: float, currency: str) -> str:
    """Return the break-even probability of a treatment by the policy's costs, as a line.

    Parameters
    ----------
    cost_loss : CostLoss
        Of the treatment.
    probability : float
        Of the event [-].
    currency : str
        The company's.

    Returns
    -------
    str
        One line.
    """
    costs = (
        f"In money: {currency} {cost_loss.treatment_cost:,.0f} to treat against {currency}"
        f" {cost_loss.miss_cost:,.0f} for a miss, by your policy"
    )
    if cost_loss.break_even_probability >= 1.0:
        return f"{costs}; the time its film lasts does not pay for it (bonding is not counted)"
    covers = (
        ""
        if cost_loss.loss_avoided_frac == 1.0
        else f"covering {format_percent(cost_loss.loss_avoided_frac)} of the time "
    )
    pays = "it does" if cost_loss.is_cheaper(probability) else "it does not"
    from_there = f"it pays from a chance of {format_break_even(cost_loss)} on"
    return f"{costs}; {covers}{from_there}: at {format_percent(probability)} {pays}"


def format_break_even(cost_loss: CostLoss) -> str:
    """Return the chance from which on treating pays, in whole percent where it is not small."""
    percent = max(100.0 * cost_loss.break_even_probability, 0.1)
    return f"{percent:.0f} %" if percent >= 9.5 else f"{percent:.2g} %"


def night_bias_line(bias: NightBiasRecord, formatter: UnitFormatter) -> str:
    """Return the night bias of a surface and its number of readings, as a line."""
    way = "warmer" if bias.offset_k > 0.0 else "colder"
    size = formatter.temperature_difference(abs(bias.offset_k), 1)
    return (
        f"nights taken {size} {way} than the model has them, from "
        f"{pluralize(bias.reading_count, 'own night reading')}"
    )


def capitalize_first(text: str) -> str:
    """Return the text with its first letter in upper case."""
    return text[:1].upper() + text[1:]


def format_percent(fraction: float) -> str:
    """Return a fraction [-] as a whole percentage."""
    return f"{100 * fraction:.0f} %"


def format_chance(probability: float) -> str:
    """Return a chance [-] in percent; nobody is surer of the weather than 95 %, either way.

    Examples
    --------
    >>> format_chance(0.714), format_chance(1.0), format_chance(0.0)
    ('71 %', 'over 95 %', 'under 5 %')
    """
    if probability < MIN_STATED_CHANCE:
        return "under 5 %"
    return "over 95 %" if probability > MAX_STATED_CHANCE else format_percent(probability)


def format_age(elapsed: timedelta) -> str:
    """Return an elapsed time in hours and minutes."""
    minutes = round(elapsed / timedelta(minutes=1))
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def format_working_time(hours: float) -> str:
    """Return how long work takes: minutes under an hour, whole ones rounded up.

    Examples
    --------
    >>> format_working_time(0.04), format_working_time(3.26)
    ('3 min', '3.3 h')
    """
    return f"{math.ceil(60.0 * hours):.0f} min" if hours < 1.0 else f"{hours:.1f} h"


def pluralize(number: int, noun: str, plural: str | None = None) -> str:
    """Return a number with its noun, in the plural where needed."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def blend_name(additive: str | None, additive_vol_frac: float) -> str:
    """Return a blend as brine share / additive share and additive, like ``90/10 calcium``."""
    if additive is None:
        return "straight brine"
    return f"{100 - 100 * additive_vol_frac:.0f}/{100 * additive_vol_frac:.0f} {additive}"


def join_names(names: Sequence[str], limit: int | None = None) -> str:
    """Return names joined by commas, with a count of those left out."""
    shown = list(names if limit is None else names[:limit])
    more = len(names) - len(shown)
    if more:
        return f"{', '.join(shown)} and {more} more"
    return ", ".join(shown[:-1]) + " and " + shown[-1] if len(shown) > 1 else "".join(shown)


def solid_rate_lines(solid: SolidRates, formatter: UnitFormatter) -> list[str]:
    """Return every published rate of prewetted salt as a line; the handbooks disagree.

    Parameters
    ----------
    solid : SolidRates
        The rates.
    formatter : UnitFormatter
        The reader's units.

    Returns
    -------
    list of str
        One line a handbook.
    """
    low, high = formatter.solid_rate(solid.low_kg_m2), formatter.solid_rate(solid.high_kg_m2)
    lines = [f"{low if low == high else f'{low} to {high}'} ({solid.source})"]
    for rate, source in (
        (solid.lot_rate_kg_m2, solid.lot_source),
        (solid.second_lot_rate_kg_m2, solid.second_lot_source),
        (solid.road_rate_kg_m2, solid.road_source),
    ):
        if rate is not None:
            lines.append(f"{formatter.solid_rate(rate)} ({source})")
    return lines
