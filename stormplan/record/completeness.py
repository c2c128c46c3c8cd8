"""What the record of an event still lacks by a rule set: a statute, a program, a company's own.

A rule set is data: what it asks for, where that stands, how long records are kept. It is no legal
advice; what a court or an agency wants is for counsel to say.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from stormplan.company.practice_rules import Practice
from stormplan.company.record_rules import Item
from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.record.entries import (
    SURFACE_ENTRIES,
    Application,
    Calibration,
    Entry,
    Inspection,
    PlowPass,
    Reading,
    effective_entries,
)


@dataclass(frozen=True)
class RuleSet:
    """What somebody asks a record to hold.

    Attributes
    ----------
    key, name : str
        What it is called on the command line, and by people.
    source : str
        Where it stands, and what was seen of it.
    items : tuple of str
        What it asks for.
    years : int
        How long records are kept [-].
    """

    key: str
    name: str
    source: str
    items: tuple[Item, ...]
    years: int


RULE_SETS: Mapping[str, RuleSet] = {
    one.key: one
    for one in (
        RuleSet(
            "nh", "New Hampshire RSA 508:22",
            "RSA 508:22 II, text of 2017: type and rate of application, dates of treatment, weather"
            " conditions for each event, kept 3 years; check the current text",
            ("treatment", "rate", "weather"), 3,
        ),
        RuleSet(
            "vt", "Vermont S.218 (a bill)",
            "S.218 of 2025-26, by a published summary: type and rate, dates, weather, kept 3 years;"
            " a bill is no law",
            ("treatment", "rate", "weather"), 3,
        ),
        RuleSet(
            "wi", "Wisconsin Salt Wise documentation form",
            "the program's form: date, site, material, rate, pavement temperature, whether the"
            " equipment is calibrated, practice before the storm, result; kept: not stated, 3 years"
            " taken",
            ("treatment", "rate", "pavement temperature", "condition before", "calibration",
             "result"), 3,
        ),
        RuleSet(
            "ut", "Utah R307-307-3",
            "R307-307-3: quantity, percent of NaCl, MgCl2, CaCl2 and KCl, percent insolubles; kept"
            " 2 years",
            ("treatment", "amount", "composition"), 2,
        ),
    )
}  # fmt: skip


OWN_KEY = "own"


def rule_set(key: str | None, sites: Sites) -> RuleSet:
    """Return a rule set by its key; by default the company's own.

    Raises
    ------
    InputError
        There is none of that key.
    """
    own = sites.record_rules
    if key in (None, OWN_KEY) and own is not None:
        return RuleSet(OWN_KEY, own.name, own.source, own.items, own.years)
    if key is not None and key in RULE_SETS:
        return RULE_SETS[key]
    said = "name a rule set with --rules" if key is None else f"no rule set '{key}'"
    accepted = ", ".join(RULE_SETS)
    raise InputError(f"{said}: {accepted}, or record_rules in the sites file for your own")


@dataclass(frozen=True)
class MissingItem:
    """Something that a record lacks.

    Attributes
    ----------
    item : str
        What.
    entry : str
        Id of the entry that lacks it; empty where it is the event that does.
    """

    item: Item
    entry: str = ""


def missing_items(
    rules: RuleSet,
    entries: Iterable[Entry],
    site: str,
    start: datetime,
    end: datetime,
    *,
    practice: Practice,
    is_weather_archived: bool,
    has_composition: bool = True,
) -> list[MissingItem]:
    """Return what the record of a site's event lacks.

    Parameters
    ----------
    rules : RuleSet
        What is asked for.
    entries : iterable of Entry
        The whole record.
    site : str
        Key of the site.
    start, end : datetime
        The event, aware.
    practice : Practice
        The company's rules.
    is_weather_archived : bool
        Whether a plan with the site's forecast for that time is in the archive.
    has_composition : bool
        Whether the sites file says what salt and products are made of.

    Returns
    -------
    list of MissingItem
        In the order of the rule set.
    """
    known = effective_entries(entries)
    mine = [
        one
        for one in known
        if isinstance(one, SURFACE_ENTRIES) and one.site == site and start <= one.at < end
    ]
    applied = [one for one in mine if isinstance(one, Application)]
    looks = [one for one in mine if isinstance(one, Inspection)]
    worked = [one for one in mine if isinstance(one, Application | PlowPass)]
    found: list[MissingItem] = []
    for item in rules.items:
        match item:
            case "treatment" | "rate" | "amount":
                # an application cannot be in the record without its rate, nor a site without area
                if not any(not isinstance(one, Reading) for one in mine):
                    found.append(MissingItem(item))
            case "operator":
                found += [MissingItem(item, one.id) for one in worked if not one.by]
            case "weather":
                if not is_weather_archived and not any(one.weather for one in mine):
                    found.append(MissingItem(item))
            case "pavement temperature":
                if not any(one.pavement_temp_c is not None for one in mine):
                    found.append(MissingItem(item))
            case "condition before":
                first = min((one.at for one in worked), default=end)
                if not any(look.at <= first for look in looks):
                    found.append(MissingItem(item))
            case "result":
                last = max((one.at for one in worked), default=start)
                if not any(look.at >= last for look in looks):
                    found.append(MissingItem(item))
            case "calibration":
                lasts = timedelta(hours=practice.number("calibration_lasts"))
                found += _not_calibrated(applied, known, lasts)
            case "composition":
                if not has_composition:
                    found.append(MissingItem(item))
            case "photo":
                if not any(one.photos for one in mine):
                    found.append(MissingItem(item))
    return found


def _not_calibrated(
    applied: Sequence[Application], known: Sequence[Entry], lasts: timedelta
) -> list[MissingItem]:
    """Return sprayed applications whose sprayer is not named, or not known to be calibrated."""
    dated = [(one.sprayer, one.at) for one in known if isinstance(one, Calibration)]
    return [
        MissingItem("calibration", one.id)
        for one in applied
        if one.rate_l_m2 > 0.0
        and not any(
            sprayer == one.sprayer and one.at - lasts <= at <= one.at for sprayer, at in dated
        )
    ]
