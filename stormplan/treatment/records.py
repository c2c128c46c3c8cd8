"""Records of the treatment of one surface and event, with its reasons.

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

from stormplan.company.practice_rules import Evidence, Practice
from stormplan.company.sites import Surface
from stormplan.company.validators import Record
from stormplan.events.detection import Event, Outlook
from stormplan.treatment.cost_loss import CostLoss
from stormplan.treatment.products import Stock


class Action(StrEnum):
    """What a crew does about an event; unknown where the forecast does not say what is coming."""

    PRETREAT = "pre-treat"
    HOLD = "hold"
    SOLIDS = "solids"
    PLOW = "plow"
    UNKNOWN = "unknown"
    NOTHING = "nothing"


Effect = Literal["sets", "warns", "refuses"]


class Reason(Record):
    """One rule that took part in a decision: value, limit, evidence, source.

    ``observed`` and ``limit`` are in the SI unit of ``quantity_kind`` (a key of
    ``units.QUANTITY_KINDS``); None where the rule is about a fact and not a number.
    """

    rule: str
    effect: Effect
    text: str
    quantity_kind: str | None = None
    observed: float | None = None
    limit: float | None = None
    evidence: Evidence
    source: str
    set_by: str = "default"


class SolidRates(Record):
    """Published rates of prewetted salt for this pavement and hazard [kg/m²].

    ``lot_rate_kg_m2`` and ``second_lot_rate_kg_m2`` are the two lot charts, which disagree; both
    are shown, and ``road_rate_kg_m2`` beside them is what the road tables put on unbonded snow or
    ice.
    """

    low_kg_m2: float
    high_kg_m2: float
    source: str
    lot_rate_kg_m2: float | None = None
    lot_source: str | None = None
    second_lot_rate_kg_m2: float | None = None
    second_lot_source: str | None = None
    road_rate_kg_m2: float | None = None
    road_source: str | None = None


class FollowUpVisit(Record):
    """A later visit: plow, post-treat, solids or inspection."""

    kind: Literal["plow", "post-treat", "solids", "inspect"]
    at: AwareDatetime
    text: str
    additive: str | None = None
    additive_name: str | None = None
    additive_frac: float = 0.0
    rate_l_m2: float = 0.0
    volume_l: float = 0.0
    solid_rate_kg_m2: float = 0.0


class Alternative(Record):
    """A pre-treat that was evaluated and not chosen."""

    start: AwareDatetime
    additive: str | None
    additive_frac: float
    rate_l_m2: float
    holds_until: AwareDatetime | None
    chloride_kg: float
    cost: float | None


class FilmSeries(Record):
    """The film of the chosen pre-treat, hour by hour from before the event.

    ``freeze_point_c`` is that of the film treated [°C], ``frozen_frac`` the frozen part of all that
    lies there treated and ``untreated_frozen_frac`` without chemical [-]; None where not known.
    """

    start: AwareDatetime
    freeze_point_c: tuple[float | None, ...]
    frozen_frac: tuple[float | None, ...]
    untreated_frozen_frac: tuple[float | None, ...]


class Treatment(Record):
    """The treatment of one surface for one event (or for none).

    Shares are by volume [-], rates [L/m²], volumes [L]; times are aware UTC. ``best_start`` lies in
    ``earliest_start``..``latest_start``; all three are None where nothing is sprayed.
    ``hold_target`` is the moment to which the film should hold, ``holds_until`` the hour at which
    the film model has it fail; None where it holds to the target; it fails within ``hold_range``,
    or not before the target, in four of five of the forecasts that bring the event. ``cost`` is in
    the company's currency, None where a price is missing; ``chloride_kg`` is chloride put down,
    later passes included. ``member_volumes_l`` is what each member of the forecast would have
    sprayed by itself, in their order; ``cost_loss`` is there where the owner has said what a miss
    costs.
    """

    action: Action
    event: Event | None
    text: str
    additive: str | None = None
    additive_name: str | None = None
    additive_frac: float = 0.0
    rate_l_m2: float = 0.0
    volume_l: float = 0.0
    member_volumes_l: tuple[float, ...] = ()
    earliest_start: AwareDatetime | None = None
    best_start: AwareDatetime | None = None
    latest_start: AwareDatetime | None = None
    hold_target: AwareDatetime | None = None
    holds_until: AwareDatetime | None = None
    hold_range: tuple[AwareDatetime, AwareDatetime] | None = None
    hold_probability: float | None = None
    recheck_at: AwareDatetime | None = None
    solid: SolidRates | None = None
    follow_up: tuple[FollowUpVisit, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    film: FilmSeries | None = None
    cost: float | None = None
    cost_loss: CostLoss | None = None
    chloride_kg: float = 0.0
    reasons: tuple[Reason, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def brine_l(self) -> float:
        """Volume of plain brine [L]."""
        return self.volume_l * (1.0 - self.additive_frac)

    @property
    def additive_l(self) -> float:
        """Volume of additive [L]."""
        return self.volume_l * self.additive_frac


@dataclass
class DecisionCase:
    """One surface and one event under decision, with the reasons so far."""

    surface: Surface
    event: Event
    outlook: Outlook
    practice: Practice
    stock: Stock
    now: datetime
    zone: ZoneInfo
    open_hours: tuple[time, time] | None
    column: int = 0
    plow_hours: tuple[int, ...] = ()
    reasons: list[Reason] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)

    @property
    def is_pedestrian(self) -> bool:
        """Whether the surface is for pedestrians."""
        return self.surface.surface_class.use == "pedestrian"

    def hour_index(self, moment: datetime) -> int:
        """Return the index of the outlook hour that contains a time."""
        return int((moment - self.outlook.hours[0].start) / timedelta(hours=1))

    def hour_start(self, hour: int) -> datetime:
        """Return the start of an outlook hour."""
        return self.outlook.hours[0].start + timedelta(hours=hour)

    def local_date(self, moment: datetime) -> date:
        """Return the local date at the site."""
        return moment.astimezone(self.zone).date()

    def is_open(self, moment: datetime) -> bool:
        """Return whether the site is open at a time."""
        if self.open_hours is None:
            return False
        opens, closes = self.open_hours
        local = moment.astimezone(self.zone).time()
        return opens <= local < closes if opens < closes else local >= opens or local < closes

    def add_rule_reason(
        self, rule: str, effect: Effect, text: str, observed: float | None = None
    ) -> None:
        """Add a reason from a rule of practice."""
        setting = self.practice.rule_value(rule)
        limit = setting.value if isinstance(setting.value, float) else None
        self.reasons.append(
            Reason(
                rule=rule,
                effect=effect,
                text=text,
                quantity_kind=setting.rule.kind if limit is not None else None,
                observed=observed,
                limit=limit,
                evidence=setting.rule.evidence,
                source=setting.rule.source,
                set_by=setting.set_by,
            )
        )

    def add_fact_reason(
        self, rule: str, effect: Effect, text: str, evidence: Evidence, source: str
    ) -> None:
        """Add a reason that is not a rule of practice."""
        self.reasons.append(
            Reason(rule=rule, effect=effect, text=text, evidence=evidence, source=source)
        )

    def to_treatment(self, action: Action, text: str, **fields: object) -> Treatment:
        """Return the treatment with the reasons and cautions collected."""
        return Treatment.model_validate(
            {
                "action": action,
                "event": self.event,
                "text": text,
                "reasons": tuple(self.reasons),
                "cautions": tuple(self.cautions),
                **fields,
            }
        )

    def recheck_at(self) -> datetime:
        """Return when to recheck: halfway to onset, at most six hours ahead."""
        lead = max(self.event.start - self.now, timedelta(hours=1))
        step = min(lead / 2, timedelta(hours=6))
        current_hour = (self.now + step).replace(minute=0, second=0, microsecond=0)
        return current_hour + timedelta(hours=1)
