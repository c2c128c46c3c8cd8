"""How a company's readers are spoken to: local times, ages, blends, reasons, in their units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from stormplan.company import practice_rules
from stormplan.physics.bias_correction import FEWEST_READINGS
from stormplan.planning.plan import Night
from stormplan.treatment.cost_loss import Stake
from stormplan.treatment.records import Reason, Solid
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
    """Say one reason: what decided, what it saw, the limit, and who set it.

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
        limit = practice_rules.speak(reason.kind, reason.limit, say)
        if reason.saw is None:
            text += f": {limit}"
        else:
            text += f": {practice_rules.speak(reason.kind, reason.saw, say)} against {limit}"
    return text if reason.set_by == "default" else f"{text} (set by {reason.set_by})"


def stake_line(stake: Stake, probability: float, currency: str) -> str:
    """Say from which chance on a treatment pays by the owner's own costs, and whether it does.

    Parameters
    ----------
    stake : Stake
        Of the treatment [-].
    probability : float
        Of the event [-].
    currency : str
        The company's [-].

    Returns
    -------
    str
        One line.
    """
    costs = (
        f"In money: {currency} {stake.treat_cost:,.0f} to treat against {currency}"
        f" {stake.miss_cost:,.0f} for a miss, by your policy"
    )
    if stake.flips_at >= 1.0:
        return f"{costs}; the time its film lasts does not pay for it (bonding is not counted)"
    covers = "" if stake.averts == 1.0 else f"covering {percent(stake.averts)} of the time "
    pays = "it does" if stake.pays(probability) else "it does not"
    share = max(100.0 * stake.flips_at, 0.1)
    from_there = f"it pays from a chance of {share:.2g} % on"
    return f"{costs}; {covers}{from_there}: at {percent(probability)} {pays}"


def night_line(night: Night, say: Speaker) -> str:
    """Say what a surface's own readings do to its nights, and how many they are."""
    if night.n < FEWEST_READINGS:
        return (
            f"{count(night.n, 'night reading')} of its own; {FEWEST_READINGS} are needed before"
            " nights are corrected"
        )
    way = "warmer" if night.offset_dc > 0.0 else "colder"
    size = say.degrees(abs(night.offset_dc), 1)
    return f"nights taken {size} {way} than the model has them, from {night.n} own night readings"


def capital(text: str) -> str:
    """Begin a sentence; the rest stays as it is."""
    return text[:1].upper() + text[1:]


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


def listed(things: Sequence[str], at_most: int | None = None) -> str:
    """Say several things in a row, and how many more there are."""
    shown = list(things if at_most is None else things[:at_most])
    more = len(things) - len(shown)
    if more:
        return f"{', '.join(shown)} and {more} more"
    return ", ".join(shown[:-1]) + " and " + shown[-1] if len(shown) > 1 else "".join(shown)


def solid_lines(solid: Solid, say: Speaker) -> list[str]:
    """Say every published rate of prewetted salt side by side: the handbooks disagree.

    Parameters
    ----------
    solid : Solid
        The rates [-].
    say : Speaker
        The reader's units [-].

    Returns
    -------
    list of str
        One line a handbook.
    """
    low, high = say.solid_rate(solid.low_kg_m2), say.solid_rate(solid.high_kg_m2)
    lines = [f"{low if low == high else f'{low} to {high}'} ({solid.source})"]
    for rate, source in (
        (solid.lot_kg_m2, solid.lot_source),
        (solid.other_lot_kg_m2, solid.other_lot_source),
        (solid.road_kg_m2, solid.road_source),
    ):
        if rate is not None:
            lines.append(f"{say.solid_rate(rate)} ({source})")
    return lines
