"""Records of the treatment of one surface and event, with its reasons.

Every step that decides leaves a ``Reason``: the rule, the value it saw, the limit, and how firm
that limit is. Practice (the blend ladder, the published rates) and physics (how long the film
holds) stand side by side and are never blended into one number.
"""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Literal

from pydantic import AwareDatetime

from stormplan.company.practice_rules import Evidence
from stormplan.company.validators import Record
from stormplan.events.detection import Event
from stormplan.treatment.cost_loss import CostLoss


class Action(StrEnum):
    """What a crew does at one visit, or what a surface waits for."""

    PRETREAT = "pre-treat"
    POST_TREAT = "post-treat"
    SALT = "salt"
    SAND = "sand"
    PLOW = "plow"
    INSPECT = "inspect"
    WAIT = "wait"
    NOTHING = "nothing"

    @property
    def is_work(self) -> bool:
        """Whether a crew goes out to do it."""
        return self in WORK

    @property
    def is_liquid(self) -> bool:
        """Whether it is sprayed."""
        return self in (Action.PRETREAT, Action.POST_TREAT)


WORK = frozenset({Action.PRETREAT, Action.POST_TREAT, Action.SALT, Action.SAND, Action.PLOW})

Effect = Literal["sets", "warns", "refuses"]


class Reason(Record):
    """One rule that took part in a decision: value, limit, evidence, source.

    ``observed`` and ``limit`` are in the SI unit of ``quantity_kind`` (a key of ``units.KINDS``);
    None where the rule is about a fact and not a number.
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


class Visit(Record):
    """One visit to a surface: one instruction, with all that goes down and what it is good for.

    ``plow`` says that the surface is plowed or shoveled first. Liquids by rate [L/m²] and volume
    [L], ``additive_frac`` by volume [-]; ``solid_rate_kg_m2`` and ``solid_kg`` are salt, or sand
    where the action is sand, and ``prewet_l`` the brine that wets the salt [L]. ``chloride_kg`` is
    what goes down at this visit; ``cost`` is None where a price is missing. ``holds_until`` is when
    service is expected to be lost again, None if not before the next visit.
    """

    action: Action
    at: AwareDatetime
    text: str
    plow: bool = False
    additive: str | None = None
    additive_name: str | None = None
    additive_frac: float = 0.0
    rate_l_m2: float = 0.0
    volume_l: float = 0.0
    solid_rate_kg_m2: float = 0.0
    solid_kg: float = 0.0
    prewet_l: float = 0.0
    chloride_kg: float = 0.0
    cost: float | None = None
    holds_until: AwareDatetime | None = None
    reasons: tuple[Reason, ...] = ()

    @property
    def brine_l(self) -> float:
        """Plain brine, that which wets salt included [L]."""
        return self.volume_l * (1.0 - self.additive_frac) + self.prewet_l

    @property
    def additive_l(self) -> float:
        """Additive [L]."""
        return self.volume_l * self.additive_frac

    @property
    def salt_kg(self) -> float:
        """Dry salt that is spread [kg]."""
        return self.solid_kg if self.action is Action.SALT else 0.0

    @property
    def sand_kg(self) -> float:
        """Sand that is spread [kg]."""
        return self.solid_kg if self.action is Action.SAND else 0.0


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
    """The course of action of one surface for one event (or for none): its visits in order.

    ``action`` is that of the first visit that works, else what is waited for or inspected. What the
    pre-treat is, when it may start and how long it holds stands beside it: rates [L/m²], volumes
    [L], ``additive_frac`` by volume [-]; ``best_start`` lies in ``earliest_start`` ..
    ``latest_start``; all three are None where nothing is sprayed ahead. ``hold_target`` is the
    moment up to which it should keep the surface in service, ``holds_until`` the hour at which the
    model has service lost, None where it holds to the target; it is lost within ``hold_range``,
    or not before the target, in four of five of the forecasts that bring the event. ``plow_by_mm``
    is the snow, as water, from which on it may bond under the pre-treat [mm]. ``cost`` and
    ``chloride_kg`` are sums over the visits; ``member_volumes_l`` is what each member of the
    forecast would have pre-treated by itself; ``cost_loss`` is there where the owner has said what
    a miss costs.
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
    plow_by_mm: float | None = None
    recheck_at: AwareDatetime | None = None
    solid: SolidRates | None = None
    visits: tuple[Visit, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    film: FilmSeries | None = None
    cost: float | None = None
    cost_loss: CostLoss | None = None
    chloride_kg: float = 0.0
    reasons: tuple[Reason, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def brine_l(self) -> float:
        """Volume of plain brine in the pre-treat [L]."""
        return self.volume_l * (1.0 - self.additive_frac)

    @property
    def additive_l(self) -> float:
        """Volume of additive in the pre-treat [L]."""
        return self.volume_l * self.additive_frac

    @property
    def follow_up(self) -> tuple[Visit, ...]:
        """The visits after the pre-treat, or all where there is none."""
        return tuple(visit for visit in self.visits if visit.action is not Action.PRETREAT)

    @property
    def first_work_at(self) -> datetime | None:
        """Start of the first visit that works."""
        return next((visit.at for visit in self.visits if visit.action.is_work), None)
