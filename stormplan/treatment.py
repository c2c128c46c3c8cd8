"""What to do on one surface about one event: when, which blend, what rate, and when not to.

Reads like a foreman with the handbooks open. Every step that decides leaves a ``Reason``: the rule,
the value it saw, the limit, and how firm that limit is. "Nothing" and "liquid is the wrong tool
here" are answers, with the published solid alternative beside them.

A pre-treat prevents bonding and buys time. It does not melt a storm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from enum import StrEnum
from typing import Literal
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime

from stormplan import handbook
from stormplan.catalog import Product
from stormplan.event import SNOW, Event, Hazard, Hour, Outlook, Record
from stormplan.handbook import Practice, Standing
from stormplan.sites import BRINE, Surface


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
    """Published range of prewetted salt for this pavement and hazard [kg/m²]."""

    low_kg_m2: float
    high_kg_m2: float
    source: str


class Treatment(Record):
    """The answer for one surface and one event (or for none).

    Shares are by volume [-], rates [L/m²], volumes [L]; times are aware UTC. ``best_start`` lies
    in ``earliest``..``latest``; all three are None where nothing is sprayed.
    """

    action: Action
    event: Event | None
    says: str
    additive: str | None = None
    additive_name: str | None = None
    additive_share: float = 0.0
    rate_l_m2: float = 0.0
    volume_l: float = 0.0
    earliest: AwareDatetime | None = None
    best_start: AwareDatetime | None = None
    latest: AwareDatetime | None = None
    look_again: AwareDatetime | None = None
    solid: Solid | None = None
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


@dataclass(frozen=True)
class Bench:
    """What a decision may draw on: the products, and which of them the yard has.

    ``stocked_l`` is what is on hand of each bought product [L].
    """

    products: Mapping[str, Product]
    stocked_l: Mapping[str, float]


@dataclass
class _Case:
    """One surface and one event on the foreman's desk, collecting reasons as it goes."""

    surface: Surface
    event: Event
    outlook: Outlook
    practice: Practice
    bench: Bench
    now: datetime
    zone: ZoneInfo
    open_hours: tuple[time, time] | None
    reasons: list[Reason] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)

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

    def fact(self, rule: str, says: str, standing: Standing, source: str) -> None:
        """Note a fact that refuses liquid and is no number of policy."""
        self.reasons.append(
            Reason(rule=rule, effect="refuses", says=says, standing=standing, source=source)
        )

    def warn(self, rule: str, says: str) -> None:
        """Note a fact of the yard that changes the answer without refusing it."""
        self.reasons.append(
            Reason(
                rule=rule,
                effect="warns",
                says=says,
                standing=Standing.COMMON_PRACTICE,
                source="sites file: products, and what the yard has of them",
            )
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


def decide(
    surface: Surface,
    outlook: Outlook,
    practice: Practice,
    bench: Bench,
    now: datetime,
    zone: ZoneInfo,
    open_hours: tuple[time, time] | None,
) -> tuple[Treatment, ...]:
    """Decide what to do on a surface.

    Parameters
    ----------
    surface : Surface
        What is treated [-].
    outlook : Outlook
        Its column's hours and events [-].
    practice : Practice
        The rules as they stand for it [-].
    bench : Bench
        Products and what is on hand [-].
    now : datetime
        Moment of planning, aware UTC [-].
    zone : ZoneInfo
        The site's zone, for its opening hours [-].
    open_hours : tuple of time or None
        When the site is busy, local time [-].

    Returns
    -------
    tuple of Treatment
        One per event still ahead or under way; a single "nothing" where there is none.
    """
    ahead = [event for event in outlook.events if event.end > now]
    if not ahead:
        return (_nothing(outlook),)
    return tuple(
        _decide_event(_Case(surface, event, outlook, practice, bench, now, zone, open_hours))
        for event in ahead
    )


def _nothing(outlook: Outlook) -> Treatment:
    if math.isnan(outlook.coldest_surface_c):
        says = "No forecast of the pavement here: look at the site."
    elif outlook.coldest_surface_c > 0.0:
        says = "Pavement stays above freezing as far as the forecast reaches."
    else:
        says = "Pavement gets below freezing, but neither precipitation nor frost is forecast."
    return Treatment(action=Action.NOTHING, event=None, says=says)


def _decide_event(case: _Case) -> Treatment:
    """Ask the questions in the order a foreman would; the first that settles it answers."""
    for question in (_chance_too_small, _no_chemical_here, _liquid_is_wrong, _too_late):
        settled = question(case)
        if settled is not None:
            return settled
    return _pretreat(case)


# -- questions that settle it ---------------------------------------------------------------------


def _chance_too_small(case: _Case) -> Treatment | None:
    if case.event.probability >= case.practice.number("act_probability"):
        return None
    case.because(
        "act_probability", "refuses", "the chance is too small to go", case.event.probability
    )
    return case.answer(
        Action.HOLD,
        f"Hold: {_percent(case.event.probability)} chance of {case.event.hazard}.",
        look_again=_look_again(case),
    )


def _no_chemical_here(case: _Case) -> Treatment | None:
    surface = case.surface
    until = surface.new_concrete_until
    if surface.no_chlorides:
        case.fact(
            "no_chlorides",
            "the owner allows no chlorides here, or it is an airfield surface",
            Standing.PUBLISHED,
            "sites file; FAA AC 150/5200-30 for airfields, from memory",
        )
    elif (
        until is not None
        and case.event.start.astimezone(case.zone).date() < until
        and case.practice.choice("new_concrete") == "refuse"
    ):
        case.because("new_concrete", "refuses", f"new concrete until {until.isoformat()}")
    else:
        return None
    return case.answer(Action.PLOW, "No chemical here: plow or sweep, sand for grip.", solid=None)


def _liquid_is_wrong(case: _Case) -> Treatment | None:
    event, practice = case.event, case.practice
    if event.hazard is Hazard.FREEZING_RAIN:
        case.fact(
            "freezing_rain",
            "rain dilutes a liquid faster than it can work",
            Standing.PUBLISHED,
            f"{handbook.NHDES}: not advised; {handbook.FHWA}, Table 12: solids only",
        )
        return _solids(case, "No liquid before freezing rain.")
    if event.hazard is Hazard.SLEET:
        case.fact(
            "sleet",
            "sleet is treated with prewetted solids",
            Standing.FROM_MEMORY,
            f"{handbook.FHWA}, Table 13",
        )
        return _solids(case, "No liquid before sleet.")
    if event.coldest_surface_c < practice.number("liquid_stop_below"):
        case.because(
            "liquid_stop_below", "refuses", "too cold for liquid salt", event.coldest_surface_c
        )
        return _solids(case, "Too cold for liquid.")
    if event.hazard is Hazard.HEAVY_SNOW and practice.choice("heavy_snow_pretreat") == "refuse":
        case.because("heavy_snow_pretreat", "refuses", "no lot handbook prints a rate")
        return _solids(case, "No published pre-treat rate before heavy snow: plow first.")
    return None


def _too_late(case: _Case) -> Treatment | None:
    shortest_h = case.practice.number("lead_shortest")
    lead_h = (case.event.start - case.now) / timedelta(hours=1)
    if lead_h >= shortest_h:
        return None
    case.because("lead_shortest", "refuses", "it starts before a pre-treat could dry", lead_h)
    return _solids(case, "Too late to pre-treat.")


def _solids(case: _Case, why: str) -> Treatment:
    """Fall back on the published solid for this pavement, or on plow and sand."""
    event = case.event
    band = handbook.solid_rate(str(event.hazard), event.coldest_surface_c)
    if event.coldest_surface_c < case.practice.number("solid_stop_below") or band is None:
        case.because(
            "solid_stop_below", "refuses", "too cold for salt of any kind", event.coldest_surface_c
        )
        sweep = "Plow; sand for grip." if event.hazard in SNOW else "No salt: sand for grip."
        return case.answer(Action.PLOW, f"{why} {sweep}")
    plow = "Plow, then prewetted" if event.hazard in SNOW else "Prewetted"
    return case.answer(
        Action.SOLIDS,
        f"{why} {plow} salt.",
        solid=Solid(
            low_kg_m2=band.low_kg_m2, high_kg_m2=band.high_kg_m2, source=handbook.SOLID_SOURCE
        ),
        look_again=_look_again(case),
    )


# -- the pre-treat --------------------------------------------------------------------------------


def _pretreat(case: _Case) -> Treatment:
    window = _window(case)
    if window is None:
        if any(reason.rule == "rain_washes_off" for reason in case.reasons):
            return _solids(case, "Rain first would wash a pre-treat off.")
        return case.answer(
            Action.HOLD, "Hold: no dry, calm hour before it starts.", look_again=_look_again(case)
        )
    rate_l_m2 = _rate(case)
    additive, share = _blend(case)
    _warn(case, additive, window)
    best = _best(case, window)
    return case.answer(
        Action.PRETREAT,
        f"Pre-treat before {case.event.hazard}.",
        additive=additive,
        additive_name=case.bench.products[additive].name if additive else None,
        additive_share=share,
        rate_l_m2=rate_l_m2,
        volume_l=rate_l_m2 * case.surface.area_m2,
        earliest=window[0].start,
        best_start=best,
        latest=window[-1].start,
        look_again=_look_again(case),
    )


def _window(case: _Case) -> list[Hour] | None:
    """Find the last stretch of hours in which the surface is dry, calm and not washed off."""
    event, practice = case.event, case.practice
    frost = event.hazard is Hazard.FROST
    longest = "lead_longest_frost" if frost else "lead_longest"
    first = max(case.now, event.start - timedelta(hours=practice.number(longest)))
    last = event.start - timedelta(hours=practice.number("lead_shortest"))
    before = [h for h in case.outlook.hours if h.start < event.start]
    washes_mm = 1000.0 * practice.number("rain_washes_off")
    rain_to_come, calm_and_dry = 0.0, []
    windiest = 0.0
    for hour in reversed(before):
        water = hour.water_mm
        rain_to_come += 0.0 if math.isnan(water) else water
        if rain_to_come > washes_mm:
            break
        if not first <= hour.start <= last:
            continue
        windiest = max(windiest, hour.wind_mps)
        if hour.wind_mps <= practice.number("wind_hold"):
            calm_and_dry.append(hour)
        elif calm_and_dry:
            break
    calm_and_dry.reverse()
    if calm_and_dry:
        return calm_and_dry
    if rain_to_come > washes_mm:
        case.because(
            "rain_washes_off", "refuses", "rain between treatment and onset", rain_to_come / 1000.0
        )
    else:
        case.because("wind_hold", "refuses", "too windy to spray in every hour left", windiest)
    return None


def _best(case: _Case, window: Sequence[Hour]) -> datetime:
    """Pick the hour nearest the best lead, outside opening hours where there is a choice."""
    wanted = case.event.start - timedelta(hours=case.practice.number("lead_best"))
    case.because("lead_best", "sets", "best start before onset")

    def inconvenience(hour: Hour) -> tuple[bool, timedelta]:
        return _is_open(case, hour.start) and case.surface.surface_class.use == "vehicle", abs(
            hour.start - wanted
        )

    # hours within six of the best lead are as good as it; further out, lead matters more
    near = [h for h in window if abs(h.start - wanted) <= timedelta(hours=6)] or list(window)
    return min(near, key=inconvenience).start


def _is_open(case: _Case, moment: datetime) -> bool:
    if case.open_hours is None:
        return False
    opens, closes = case.open_hours
    local = moment.astimezone(case.zone).time()
    return opens <= local < closes if opens < closes else local >= opens or local < closes


def _rate(case: _Case) -> float:
    """Look the published rate up, halved after a dry spell."""
    by_hazard = {
        Hazard.FROST: "frost_rate",
        Hazard.LIGHT_SNOW: "pretreat_rate_usual",
        Hazard.MODERATE_SNOW: "pretreat_rate_strong",
        Hazard.HEAVY_SNOW: "pretreat_rate_high",
    }
    rule = by_hazard[case.event.hazard]
    case.because(rule, "sets", f"rate before {case.event.hazard}")
    rate = case.practice.number(rule)
    treated = case.surface.last_treated
    if treated is not None:
        dry_h = 24.0 * (case.now.astimezone(case.zone).date() - treated).days
        if dry_h > case.practice.number("dry_spell"):
            case.because("dry_spell", "sets", "first treatment after a long dry spell", dry_h)
            case.because("first_storm_share", "sets", "part of the rate: oil makes dry lots slick")
            rate *= case.practice.number("first_storm_share")
    highest = case.practice.number("pretreat_rate_high")
    if rate > highest:
        case.because("pretreat_rate_high", "sets", "held to the highest published rate", rate)
    return min(rate, highest)


def _blend(case: _Case) -> tuple[str | None, float]:
    """Choose the additive and its share by the ladder of common practice."""
    practice, event = case.practice, case.event
    rule = "blend_usual"
    if event.coldest_surface_c < practice.number("blend_cold_below"):
        case.because("blend_cold_below", "sets", "cold blend", event.coldest_surface_c)
        rule = "blend_cold"
    if case.surface.is_sensitive:
        rule = "blend_sensitive"
    share = min(practice.number(rule), practice.number("blend_highest"))
    case.because(rule, "sets", "share of additive")
    product = _additive(case)
    if share == 0.0 or product is None:
        if share > 0.0:
            case.warn("no_additive", "no additive in the yard is allowed here: straight brine")
        return None, 0.0
    return product.key, min(share, product.highest_share_frac)


def _additive(case: _Case) -> Product | None:
    """Find the cheapest additive in stock that this surface allows."""
    indoors = case.surface.surface_class.use == "pedestrian"
    allowed = [
        product
        for product in case.bench.products.values()
        if product.key != BRINE
        and case.bench.stocked_l.get(product.key, 0.0) > 0.0
        and not (indoors and (product.smells or product.tracks_indoors))
    ]
    if not allowed:
        return None
    return min(allowed, key=lambda product: (product.price_per_l or math.inf, product.key))


def _warn(case: _Case, additive: str | None, window: Sequence[Hour]) -> None:
    """Add what the crew must know beside the answer."""
    event, practice = case.event, case.practice
    if event.coldest_surface_c < practice.number("liquid_warn_below"):
        case.because(
            "liquid_warn_below",
            "warns",
            "liquid salt is doubtful this cold",
            event.coldest_surface_c,
        )
    if additive is not None:
        product = case.bench.products[additive]
        attracts = product.chlorides.get("mgcl2", 0.0) + product.chlorides.get("cacl2", 0.0) > 0.0
        warmest = max((hour.surface_c for hour in window), default=math.nan)
        if attracts and warmest > practice.number("residue_slips_above"):
            case.because(
                "residue_slips_above", "warns", "warm pavement: residue may be slick", warmest
            )
        if product.is_straight_chloride:
            case.cautions.append(
                f"{product.name} carries no inhibitor or binder: it can dilute and flash-freeze;"
                " look again within the hour after precipitation starts."
            )
    if case.surface.reinforced or case.surface.over_room:
        case.cautions.append(
            "Chlorides attack reinforcing steel: least that holds, no piles on the deck,"
            " and the structure's engineer has the last word."
        )


def _look_again(case: _Case) -> datetime:
    """Tell when the decision is due: halfway to onset, at most six hours on."""
    lead = max(case.event.start - case.now, timedelta(hours=1))
    step = min(lead / 2, timedelta(hours=6))
    return (case.now + step).replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
