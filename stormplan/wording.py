"""How a company's readers are spoken to: local times, ages, blends, reasons, in their units."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from stormplan import handbook
from stormplan.treatment import Reason
from stormplan.units import Speaker


@dataclass(frozen=True)
class Words:
    """Says times and quantities the way this company's readers do."""

    say: Speaker
    zone: ZoneInfo

    def day(self, moment: datetime) -> str:
        """Say a day and hour, like ``Mon 6 PM`` or ``Mon 18:00``."""
        local = moment.astimezone(self.zone)
        return f"{local:%a} {self.hour(moment)}"

    def hour(self, moment: datetime) -> str:
        """Say an hour of the day."""
        local = moment.astimezone(self.zone)
        if not self.say.is_us:
            return f"{local:%H:%M}"
        minutes = f":{local:%M}" if local.minute else ""
        return f"{local.hour % 12 or 12}{minutes} {'AM' if local.hour < 12 else 'PM'}"

    def span(self, start: datetime, end: datetime) -> str:
        """Say a stretch of time, the day once where it does not change."""
        same = start.astimezone(self.zone).date() == end.astimezone(self.zone).date()
        return f"{self.day(start)} – {self.hour(end) if same else self.day(end)}"

    def full(self, moment: datetime) -> str:
        """Say a date, hour and zone in full."""
        local = moment.astimezone(self.zone)
        clock = f"{local.hour % 12 or 12}:{local:%M %p}" if self.say.is_us else f"{local:%H:%M}"
        return f"{local:%a} {local.day} {local:%b %Y}, {clock} {local:%Z}"


def reason_line(reason: Reason, say: Speaker) -> str:
    """Say one reason: what decided, what it saw, the limit, and how firm it is.

    Parameters
    ----------
    reason : Reason
        Part of a treatment [-].
    say : Speaker
        The reader's units [-].

    Returns
    -------
    str
        One line.
    """
    text = reason.says
    if reason.kind is not None and reason.limit is not None:
        limit = handbook.speak(reason.kind, reason.limit, say)
        if reason.saw is None:
            text += f": {limit}"
        else:
            text += f": {handbook.speak(reason.kind, reason.saw, say)} against {limit}"
    set_by = "" if reason.set_by == "default" else f", set by {reason.set_by}"
    return f"{text} ({reason.standing}{set_by}: {reason.source})"


def percent(share: float) -> str:
    """Say a share [-] as a whole percentage."""
    return f"{100 * share:.0f} %"


def age(span: timedelta) -> str:
    """Say how old something is."""
    minutes = round(span / timedelta(minutes=1))
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def count(number: int, what: str) -> str:
    """Say a number of things."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def blend_name(additive: str | None, share: float) -> str:
    """Say a blend the trade's way: brine share, additive share, additive."""
    if additive is None:
        return "straight brine"
    return f"{100 - 100 * share:.0f}/{100 * share:.0f} {additive}"
