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
    """What a crew does at one visit, or what a surface waits for.

    Unknown where the forecast does not say whether anything is coming.
    """

    PRETREAT = "pre-treat"
    POST_TREAT = "post-treat"
    SALT = "salt"
    SAND = "sand"
    PLOW = "plow"
    INSPECT = "inspect"
    WAIT = "wait"
    UNKNOWN = "unknown"
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

    Attributes
    ----------
    rule : str
        Key of the rule of practice, or name of the fact.
    effect : str
        Whether it set, warned of or refused something.
    text : str
        What it says, in words.
    quantity_kind : str or None
        Kind of quantity of the two numbers, a key of ``units.QUANTITY_KINDS``; None where the
        rule is about a fact.
    observed, limit : float or None
        Value that the rule saw and the limit it held it against, in the SI unit of the kind; None
        where the rule is about a fact.
    evidence : Evidence
        How firm the limit is.
    source : str
        Where it comes from.
    set_by : str
        Who set the limit: ``default``, or the place in the sites file.
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
    """Published rates of prewetted salt for this pavement and hazard.

    Attributes
    ----------
    low_kg_m2, high_kg_m2 : float
        Range of the published rates [kg/m²].
    source : str
        Where the range comes from.
    lot_rate_kg_m2, second_lot_rate_kg_m2 : float or None
        What the two lot charts say, which disagree; both are shown [kg/m²].
    lot_source, second_lot_source : str or None
        The two charts.
    road_rate_kg_m2 : float or None
        What the road tables put on unbonded snow or ice, beside them [kg/m²].
    road_source : str or None
        The road tables.
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

    Attributes
    ----------
    action : Action
        What is done.
    at : datetime
        Start of the hour in which it is done, or when the rounds have it begin, UTC.
    text : str
        The instruction, in words.
    plow : bool
        Whether the surface is plowed or shoveled first.
    additive, additive_name : str or None
        Key and name of the additive; None for plain brine.
    additive_frac : float
        Additive in the blend by volume [-].
    rate_l_m2 : float
        Application rate of liquid [L/m²].
    volume_l : float
        Liquid for the surface [L].
    solid_rate_kg_m2 : float
        Application rate of salt, or of sand where the action is sand [kg/m²].
    solid_kg : float
        Salt or sand for the surface [kg].
    prewet_l : float
        Brine that wets the salt [L].
    chloride_kg : float
        Chloride that goes down at this visit [kg].
    cost : float or None
        Cost of the material, in the company's currency; None where a price is missing.
    holds_until : datetime or None
        When service is expected to be lost again, UTC; None if not before the next visit.
    vehicle_name : str or None
        Who does it by the rounds of plows, spreaders and sprayers; None where there are none.
    reasons : tuple of Reason
        Why this and not something else.
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
    vehicle_name: str | None = None
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


#: No sprayer serves the surface at its rate; none could be done in time with nothing else to do;
#: or others come first.
MissedReason = Literal["no sprayer", "too late", "others first"]
#: What to do about a surface that no sprayer reaches.
Remedy = Literal["start earlier", "second sprayer", "solids"]


class MissedPretreat(Record):
    """A pre-treat that no sprayer reaches in time; it is not planned.

    Attributes
    ----------
    reason : str
        Why: no sprayer, too late, or others first.
    text : str
        Why, in words.
    remedies : tuple of str
        What can be done about it, the best first.
    additive_name : str or None
        Name of the additive; None for plain brine.
    additive_frac : float
        Additive in the blend by volume [-].
    rate_l_m2 : float
        Application rate it would have had [L/m²].
    volume_l : float
        Liquid it would have taken [L].
    latest_start : datetime
        Last hour in which it could begin, UTC.
    """

    reason: MissedReason
    text: str
    remedies: tuple[Remedy, ...]
    additive_name: str | None
    additive_frac: float
    rate_l_m2: float
    volume_l: float
    latest_start: AwareDatetime


class Alternative(Record):
    """A pre-treat that was evaluated and not chosen.

    Attributes
    ----------
    start : datetime
        When it would be sprayed, UTC.
    additive : str or None
        Key of the additive; None for plain brine.
    additive_frac : float
        Additive in the blend by volume [-].
    rate_l_m2 : float
        Application rate [L/m²].
    holds_until : datetime or None
        When its film fails, UTC; None where it holds to the target.
    chloride_kg : float
        Chloride it puts down [kg].
    cost : float or None
        What it costs, in the company's currency; None where a price is missing.
    """

    start: AwareDatetime
    additive: str | None
    additive_frac: float
    rate_l_m2: float
    holds_until: AwareDatetime | None
    chloride_kg: float
    cost: float | None


class FilmSeries(Record):
    """The film of the chosen pre-treat, hour by hour from before the event.

    Attributes
    ----------
    start : datetime
        Start of the first hour, UTC.
    freeze_point_c : tuple of float or None
        Freeze point of the treated film [°C]; None where not known.
    frozen_frac : tuple of float or None
        Frozen part of all that lies there, treated [-]; None where not known.
    untreated_frozen_frac : tuple of float or None
        The same without chemical [-]; None where not known.
    """

    start: AwareDatetime
    freeze_point_c: tuple[float | None, ...]
    frozen_frac: tuple[float | None, ...]
    untreated_frozen_frac: tuple[float | None, ...]


class UsualUse(Record):
    """What practice would put down, for orders; it is not what the plan does.

    Attributes
    ----------
    additive : str or None
        Key of the additive; None for plain brine.
    additive_frac : float
        Its part by volume [-].
    member_volumes_l, member_salt_kg : tuple of float
        Liquid [L], or dry salt before ice [kg], in each member of the forecast; nothing where the
        event does not come.
    """

    additive: str | None = None
    additive_frac: float = 0.0
    member_volumes_l: tuple[float, ...] = ()
    member_salt_kg: tuple[float, ...] = ()


class Treatment(Record):
    """The course of action of one surface for one event (or for none): its visits in order.

    Attributes
    ----------
    action : Action
        What the first visit that works does, else what is waited for or inspected.
    event : Event or None
        What it is for; None where nothing comes.
    text : str
        The instruction, in words.
    additive, additive_name : str or None
        Key and name of the additive; None for plain brine.
    additive_frac : float
        Additive in the blend by volume [-].
    rate_l_m2 : float
        Application rate [L/m²]; 0 where nothing is sprayed.
    volume_l : float
        Liquid for the surface [L].
    member_volumes_l : tuple of float
        What each member of the forecast would have sprayed by itself, in their order [L].
    earliest_start, best_start, latest_start : datetime or None
        Window in which to begin and the best moment in it, UTC; None where nothing is sprayed.
    scheduled_start, scheduled_end : datetime or None
        When the rounds have it sprayed, UTC; None where nothing is sprayed.
    sprayer_name : str or None
        Who sprays it; None where nothing is sprayed.
    missed : MissedPretreat or None
        The pre-treat that no sprayer reaches in time; None where all that is to be sprayed is.
    hold_target : datetime or None
        Moment to which the film should hold, UTC.
    holds_until : datetime or None
        Hour at which the film model has it fail, UTC; None where it holds to the target.
    hold_range : (datetime, datetime) or None
        Range in which it fails in four of five of the forecasts that bring the event, UTC.
    hold_probability : float or None
        Part of those forecasts in which it holds to the target [-].
    recheck_at : datetime or None
        When to look again, UTC.
    solid : SolidRates or None
        Published rates where solids are the tool.
    plow_by_mm : float or None
        Snow, as water, from which on it may bond under the pre-treat; None without limit [mm].
    visits : tuple of Visit
        The course of action: every visit, in order of time.
    alternatives : tuple of Alternative
        Pre-treats that were evaluated and not chosen.
    film : FilmSeries or None
        Film of the chosen pre-treat, hour by hour.
    cost : float or None
        Cost, in the company's currency; None where a price is missing.
    cost_loss : CostLoss or None
        Treatment against its miss in money; None where the owner has not said what a miss costs.
    chloride_kg : float
        Chloride put down, a sum over the visits [kg].
    usual_use : UsualUse or None
        Of an event that waits, or whose additive has run out: what orders reckon with; None where
        the visits say it, or the yard orders nothing.
    reasons : tuple of Reason
        Every rule that took part.
    cautions : tuple of str
        What to mind at this work.
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
    scheduled_start: AwareDatetime | None = None
    scheduled_end: AwareDatetime | None = None
    sprayer_name: str | None = None
    missed: MissedPretreat | None = None
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
    usual_use: UsualUse | None = None
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

    @property
    def needs_work(self) -> bool:
        """Whether crews are needed: for visits, or for what no sprayer reaches in time."""
        return self.action.is_work or self.missed is not None

    @property
    def work_due_at(self) -> datetime | None:
        """Start of the first work; the onset at the latest where no sprayer comes before it."""
        if self.missed is None or self.event is None:
            return self.first_work_at
        return min(self.event.start, self.first_work_at or self.event.start)
