"""The answer for one surface and one event, and the reasons that led to it: records.

Every step that decides leaves a ``Reason``: the rule, the value it saw, the limit, and how firm
that limit is. Practice (the blend ladder, the published rates) and physics (how long the film
holds) stand side by side and are never blended into one number.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from typing import Literal
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime

from stormplan.company.practice_rules import Practice, Standing
from stormplan.company.sites import Surface
from stormplan.company.validators import Record
from stormplan.events.detection import Event, Outlook
from stormplan.treatment.cost_loss import Stake
from stormplan.treatment.products import Stock


class Action(StrEnum):
    """What a crew does about an event."""

    PRETREAT = "pre-treat"
    HOLD = "hold"
    SOLIDS = "solids"
    PLOW = "plow"
    NOTHING = "nothing"


Effect = Literal["sets", "warns", "refuses"]


class Reason(Record):
    """One rule that had a say: what it saw, its limit, and how firm it is.

    ``saw`` and ``limit`` are in the SI unit of ``kind`` (a key of ``units.KINDS``); None where the
    rule is about a fact and not a number.
    """

    rule: str
    effect: Effect
    says: str
    kind: str | None = None
    saw: float | None = None
    limit: float | None = None
    standing: Standing
    source: str
    set_by: str = "default"


class Solid(Record):
    """Published ranges of prewetted salt for this pavement and hazard [kg/m²].

    ``lot_kg_m2`` and ``other_lot_kg_m2`` are the two lot charts, which disagree; both are shown,
    and ``road_kg_m2`` beside them is what the road tables put on unbonded snow or ice.
    """

    low_kg_m2: float
    high_kg_m2: float
    source: str
    lot_kg_m2: float | None = None
    lot_source: str | None = None
    other_lot_kg_m2: float | None = None
    other_lot_source: str | None = None
    road_kg_m2: float | None = None
    road_source: str | None = None


class Pass(Record):
    """A later pass: plow in the storm, or what is put down after it. Rates [L/m²], [kg/m²]."""

    kind: Literal["plow", "post-treat", "solids", "look"]
    at: AwareDatetime
    says: str
    additive: str | None = None
    additive_name: str | None = None
    additive_share: float = 0.0
    rate_l_m2: float = 0.0
    volume_l: float = 0.0
    solid_kg_m2: float = 0.0


class Alternative(Record):
    """Another pre-treat that was weighed: what it costs and how long its film holds."""

    start: AwareDatetime
    additive: str | None
    additive_share: float
    rate_l_m2: float
    holds_until: AwareDatetime | None
    chloride_kg: float
    cost: float | None


class Film(Record):
    """What the film model says of the chosen pre-treat, hour by hour from the event's approach.

    ``freeze_point_c`` is that of the film treated [°C], ``frozen_frac`` the frozen part of all that
    lies there treated and ``untreated_frozen_frac`` without chemical [-]; None where not known.
    """

    start: AwareDatetime
    freeze_point_c: tuple[float | None, ...]
    frozen_frac: tuple[float | None, ...]
    untreated_frozen_frac: tuple[float | None, ...]


class Treatment(Record):
    """The answer for one surface and one event (or for none).

    Shares are by volume [-], rates [L/m²], volumes [L]; times are aware UTC. ``best_start`` lies
    in ``earliest``..``latest``; all three are None where nothing is sprayed. ``target`` is the
    moment to which the film should hold, ``holds_until`` the hour at which the film model has it
    fail; None where it holds to the target; it fails within ``holds_range``, or not before the
    target, in four of five of the forecasts that bring the event. ``cost`` is in the company's
    currency, None where a price is missing; ``chloride_kg`` is chloride put down, later passes
    included. ``needs_l`` is what each member of the forecast would have sprayed by itself, in
    their order; ``stake`` is there where the owner has said what a miss costs.
    """

    action: Action
    event: Event | None
    says: str
    additive: str | None = None
    additive_name: str | None = None
    additive_share: float = 0.0
    rate_l_m2: float = 0.0
    volume_l: float = 0.0
    needs_l: tuple[float, ...] = ()
    earliest: AwareDatetime | None = None
    best_start: AwareDatetime | None = None
    latest: AwareDatetime | None = None
    target: AwareDatetime | None = None
    holds_until: AwareDatetime | None = None
    holds_range: tuple[AwareDatetime, AwareDatetime] | None = None
    held_probability: float | None = None
    look_again: AwareDatetime | None = None
    solid: Solid | None = None
    later: tuple[Pass, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    film: Film | None = None
    cost: float | None = None
    stake: Stake | None = None
    chloride_kg: float = 0.0
    reasons: tuple[Reason, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def brine_l(self) -> float:
        """Plain brine in the volume."""
        return self.volume_l * (1.0 - self.additive_share)

    @property
    def additive_l(self) -> float:
        """Additive in the volume."""
        return self.volume_l * self.additive_share


@dataclass
class Case:
    """One surface and one event on the foreman's desk, collecting reasons as it goes."""

    surface: Surface
    event: Event
    outlook: Outlook
    practice: Practice
    stock: Stock
    now: datetime
    zone: ZoneInfo
    open_hours: tuple[time, time] | None
    column: int = 0
    plows: tuple[int, ...] = ()
    reasons: list[Reason] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)

    @property
    def is_pedestrian(self) -> bool:
        """Whether people walk here."""
        return self.surface.surface_class.use == "pedestrian"

    def hour(self, moment: datetime) -> int:
        """Hour of the outlook that a moment lies in."""
        return int((moment - self.outlook.hours[0].start) / timedelta(hours=1))

    def time(self, hour: int) -> datetime:
        """Start of an hour of the outlook."""
        return self.outlook.hours[0].start + timedelta(hours=hour)

    def local_day(self, moment: datetime) -> date:
        """Day at the site."""
        return moment.astimezone(self.zone).date()

    def is_open(self, moment: datetime) -> bool:
        """Whether the site is busy at a moment."""
        if self.open_hours is None:
            return False
        opens, closes = self.open_hours
        local = moment.astimezone(self.zone).time()
        return opens <= local < closes if opens < closes else local >= opens or local < closes

    def because(self, rule: str, effect: Effect, says: str, saw: float | None = None) -> None:
        """Note a rule that had a say."""
        setting = self.practice.setting(rule)
        number = setting.value if isinstance(setting.value, float) else None
        self.reasons.append(
            Reason(
                rule=rule,
                effect=effect,
                says=says,
                kind=setting.rule.kind if number is not None else None,
                saw=saw,
                limit=number,
                standing=setting.rule.standing,
                source=setting.rule.source,
                set_by=setting.set_by,
            )
        )

    def fact(self, rule: str, effect: Effect, says: str, standing: Standing, source: str) -> None:
        """Note something that decides and is no number of policy."""
        self.reasons.append(
            Reason(rule=rule, effect=effect, says=says, standing=standing, source=source)
        )

    def answer(self, action: Action, says: str, **more: object) -> Treatment:
        """Close the case."""
        return Treatment.model_validate(
            {
                "action": action,
                "event": self.event,
                "says": says,
                "reasons": tuple(self.reasons),
                "cautions": tuple(self.cautions),
                **more,
            }
        )

    def look_again(self) -> datetime:
        """Tell when the decision is due: halfway to onset, at most six hours on."""
        lead = max(self.event.start - self.now, timedelta(hours=1))
        step = min(lead / 2, timedelta(hours=6))
        floor = (self.now + step).replace(minute=0, second=0, microsecond=0)
        return floor + timedelta(hours=1)
