"""What each page shows, as values of its template; the pages decide nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from stormplan.company.sites import BRINE_KEY, Sites
from stormplan.planning.plan import Plan
from stormplan.record.checks import stores_of, usable_entries
from stormplan.record.entries import (
    SALT_PILE,
    Condition,
    Entry,
    Light,
    LossCause,
    Void,
    effective_entries,
)
from stormplan.record.rate_card import RateCard, rate_card
from stormplan.record.stock_ledger import stock_book
from stormplan.store.people import Person, Role
from stormplan.treatment.records import Action
from stormplan.units import UnitFormatter
from stormplan.web.form_fields import field_units
from stormplan.web.forms import FORM_ROLES
from stormplan.web.surface_forms import SKIP_REASONS
from stormplan.web.work_list import SiteWork, work_list
from stormplan.words.entry_text import entry_text
from stormplan.words.formatting import ReportFormat
from stormplan.words.stock_text import held_lines

#: Value and text of a choice.
Choice = tuple[str, str]
LAST_COUNT = 8
#: What a crew does that the plan did not ask for.
OTHER_WORK = (
    (str(Action.POST_TREAT), "brine"),
    (str(Action.SALT), "salt"),
    (str(Action.SAND), "sand"),
    (str(Action.PLOW), "plow or shovel"),
)


@dataclass(frozen=True)
class LastEntry:
    """An entry that was logged lately.

    Attributes
    ----------
    key, when, text, by : str
        Its id, and for readers when, what and who.
    may_void : bool
        Whether the reader may void it.
    """

    key: str
    when: str
    text: str
    by: str
    may_void: bool


def company_zone(sites: Sites) -> ZoneInfo:
    """Return the company's time zone."""
    return ZoneInfo(sites.company.timezone)


def company_format(sites: Sites) -> ReportFormat:
    """Return the units and the zone of the company."""
    return ReportFormat(UnitFormatter(sites.company.units), company_zone(sites))


def last_entries(record: Sequence[Entry], sites: Sites, person: Person) -> list[LastEntry]:
    """Return what was logged last, newest first, with what the reader may void."""
    fmt = company_format(sites)
    counting = {one.id for one in effective_entries(record)}
    return [
        LastEntry(
            one.id,
            fmt.day_hour(one.at),
            entry_text(one, fmt.units)
            + ("" if one.id in counting or isinstance(one, Void) else ", void"),
            one.by,
            one.id in counting and (person.role is Role.OWNER or one.by == person.name),
        )
        for one in record[-LAST_COUNT:][::-1]
    ]


def surfaces_of(sites: Sites) -> list[Choice]:
    """Return every surface to choose from."""
    return [
        (f"{key}/{surface_key}", f"{site.name}, {surface.label}")
        for key, site in sites.sites.items()
        for surface_key, surface in site.surfaces.items()
    ]


def sprayers_of(sites: Sites) -> list[Choice]:
    """Return every sprayer to choose from."""
    return [
        (f"{key}/{sprayer_key}", sprayer.name)
        for key, yard in sites.yards.items()
        for sprayer_key, sprayer in yard.sprayers.items()
    ]


def work_values(
    plan: Plan | None, record: Sequence[Entry], sites: Sites, now: datetime
) -> dict[str, Any]:
    """Return what the crew's list shows."""
    made_at = "" if plan is None else company_format(sites).day_hour(plan.made_at)
    work = () if plan is None else work_list(plan, record)
    cards = rate_cards(work, record, sites, now)
    return {
        "made_at": made_at,
        "plan_id": "" if plan is None else plan.made_at.isoformat(),
        "work": work,
        "reasons": SKIP_REASONS,
        "units": field_units(sites),
        "sprayers": {
            site: [(k, s.name) for k, s in sites.yards[one.yard].sprayers.items()]
            for site, one in sites.sites.items()
        },
        "cards": [
            _card_text(name, card, UnitFormatter(sites.company.units), company_zone(sites))
            for name, card in cards.values()
        ],
        "speeds": _speeds(work, cards, sites),
        "places": surfaces_of(sites),
        "other_work": OTHER_WORK,
    }


def to_do(work: Iterable[SiteWork]) -> list[Choice]:
    """Return what is still to do, by site."""
    return [
        (site.name, f"{site.open_count} to do" if site.open_count else "all logged")
        for site in work
    ]


@dataclass(frozen=True)
class CardText:
    """A rate card for readers.

    Attributes
    ----------
    name, heading : str
        Whose, and what it stands on.
    is_alarming : bool
        Whether that is nothing, or is long ago.
    rows : tuple of tuple of str
        Rate, speed, flow of the boom.
    """

    name: str
    heading: str
    is_alarming: bool
    rows: tuple[tuple[str, str, str], ...]


def rate_cards(
    work: Iterable[SiteWork], record: Sequence[Entry], sites: Sites, now: datetime
) -> dict[tuple[str, str], tuple[str, RateCard]]:
    """Return name and rate card of every sprayer, by yard and key, for the rates of the list."""
    rates = [item.rate_l_m2 for site in work for item in site.items if item.rate_l_m2 > 0.0]
    return {
        (yard_key, key): (
            sprayer.name,
            rate_card(yard_key, key, sprayer, record, rates, sites.practice(), now),
        )
        for yard_key, yard in sites.yards.items()
        for key, sprayer in yard.sprayers.items()
    }


def _speeds(
    work: Iterable[SiteWork],
    cards: Mapping[tuple[str, str], tuple[str, RateCard]],
    sites: Sites,
) -> dict[str, str]:
    """Return how fast the sprayer that the plan sends drives at each visit, by the visit's key."""
    fmt, found = UnitFormatter(sites.company.units), {}
    for item in (item for site in work for item in site.items if item.sprayer):
        yard = sites.sites[item.surface.split("/")[0]].yard
        if (yard, item.sprayer) not in cards:
            continue
        name, card = cards[yard, item.sprayer]
        (row,) = (one for one in card.rows if one.rate_l_m2 == item.rate_l_m2)
        if row.speed_ms is not None and row.is_within:
            found[item.done_key] = f"{name}: drive {fmt.driving_speed(row.speed_ms)}"
    return found


def _card_text(name: str, card: RateCard, fmt: UnitFormatter, zone: ZoneInfo) -> CardText:
    last = card.calibration
    if last is None:
        heading = "no calibration on record: the speed for a rate is not known"
    else:
        heading = f"calibrated {last.at.astimezone(zone):%Y-%m-%d}"
        heading += " - too long ago, calibrate it again" if card.is_old else ""
        heading += "" if last.pressure_pa is None else f"; hold {fmt.pressure(last.pressure_pa)}"
    rows: dict[str, tuple[str, str]] = {}
    for row in card.rows:
        if not row.is_within:
            rows[fmt.liquid_rate(row.rate_l_m2)] = "out of its range", ""
        elif row.speed_ms is not None:
            flow = "" if row.flow_l_h is None else fmt.flow(row.flow_l_h)
            rows[fmt.liquid_rate(row.rate_l_m2)] = fmt.driving_speed(row.speed_ms), flow
    told = tuple((rate, *how) for rate, how in rows.items())
    return CardText(name, heading, last is None or card.is_old, told)


def look_values(sites: Sites, role: Role) -> dict[str, Any]:
    """Return what the page for looks and readings shows."""
    return {
        "places": surfaces_of(sites),
        "conditions": [str(one) for one in Condition],
        "lights": [(str(one), str(one)) for one in (Light.SHADE, Light.SUN)],
        "units": field_units(sites),
        "may_look": role in FORM_ROLES["inspection"],
        "may_read": role in FORM_ROLES["reading"],
    }


def yard_values(record: Sequence[Entry], sites: Sites, role: Role, now: datetime) -> dict[str, Any]:
    """Return what the yard's page shows."""
    book = stock_book(sites, usable_entries(record, sites, now), now)
    stores = [
        (f"{key}/{store}", f"{yard.name}, {'salt pile' if store == SALT_PILE else store}")
        for key, yard in sites.yards.items()
        for store in stores_of(yard, sites)
    ]
    return {
        "stores": stores,
        "liquids": [one for one in stores if not one[0].endswith(f"/{SALT_PILE}")],
        "sprayers": sprayers_of(sites),
        "brine": [
            (f"{key}/{tank_key}", f"{yard.name}, {tank_key}")
            for key, yard in sites.yards.items()
            for tank_key, tank in yard.tanks.items()
            if tank.product == BRINE_KEY
        ],
        "causes": [(str(one), str(one)) for one in LossCause],
        "units": field_units(sites),
        "held": held_lines(book, sites),
        "may_make": role in FORM_ROLES["batch"],
    }


def say_values(sites: Sites, role: Role) -> dict[str, Any]:
    """Return what the page for what clients said shows."""
    return {
        "places": [(key, site.name) for key, site in sites.sites.items()],
        "may_complain": role in FORM_ROLES["complaint"],
    }
