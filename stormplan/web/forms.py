"""What a form of the pages says, as entries of the record."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from pydantic import ValidationError

from stormplan import units
from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.record.checks import check_entry
from stormplan.record.entries import (
    SALT_PILE,
    Application,
    BatchMade,
    Complaint,
    Delivery,
    Direction,
    Inspection,
    Measurement,
    PlowPass,
    Skipped,
    WorkEntry,
)
from stormplan.store.people import Role
from stormplan.treatment.records import Action

#: A key that the server made for one form; it is the id of what the form records.
FORM_KEY = re.compile("[0-9a-f]{32}")
#: What waited on a phone without coverage is taken for so long; our own choice.
LONGEST_WAIT = timedelta(days=7)
#: Who may send which form.
FORM_ROLES: Mapping[str, frozenset[Role]] = {
    "done": frozenset({Role.OWNER, Role.CREW}),
    "skipped": frozenset({Role.OWNER, Role.CREW}),
    "inspection": frozenset({Role.OWNER, Role.CREW, Role.ACCOUNT}),
    "tank": frozenset({Role.OWNER, Role.SHED, Role.CREW}),
    "batch": frozenset({Role.OWNER, Role.SHED}),
    "delivery": frozenset({Role.OWNER, Role.SHED}),
    "direction": frozenset({Role.OWNER, Role.ACCOUNT, Role.CREW}),
    "complaint": frozenset({Role.OWNER, Role.ACCOUNT}),
}
SKIP_REASONS = ("not needed", "cars parked", "no time", "no material", "client said no", "unsafe")

Fields = Mapping[str, str]


def entries_of_form(fields: Fields, sites: Sites, now: datetime, by: str) -> list[WorkEntry]:
    """Return what a form records.

    Parameters
    ----------
    fields : mapping of str to str
        The form as sent.
    sites : Sites
        The sites file.
    now : datetime
        The present, aware.
    by : str
        Who sent it.

    Returns
    -------
    list of WorkEntry
        Their ids follow from the key of the form, so that the form sent twice says the same.

    Raises
    ------
    InputError
        What is wrong, in words.
    """
    key = fields.get("key", "")
    if not FORM_KEY.fullmatch(key):
        raise InputError("this form is not one of ours; open the page again")
    read = _READERS.get(fields.get("form", ""))
    if read is None:
        raise InputError("there is no such form; open the page again")
    common = {
        "id": key,
        "at": _moment(fields, now),
        "by": by,
        "note": fields.get("note", "").strip(),
    }
    try:
        found = read(fields, common, sites)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise InputError(f"{where}: {first['msg']}" if where else str(first["msg"])) from None
    for one in found:
        check_entry(one, sites, now)
    return found


def _moment(fields: Fields, now: datetime) -> datetime:
    """Return when it was done: the phone's own time where it had to wait, else now."""
    text = fields.get("at", "")
    if not text:
        return now
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None or moment < now - LONGEST_WAIT:
        raise InputError(f"the time of this form is not one of the last {LONGEST_WAIT.days} days")
    return moment


def _decimal(fields: Fields, name: str) -> float | None:
    """Read a number; None where nothing was written."""
    text = fields.get(name, "").strip().replace(",", ".")
    if not text:
        return None
    if not re.fullmatch(r"[+-]?\d{1,7}(\.\d{1,4})?", text):
        raise InputError(f"'{text[:20]}' is not a number")
    return float(text)


def _number(fields: Fields, name: str, unit: str, kind: str) -> float | None:
    """Read a number in the unit its field shows; None where nothing was written."""
    value = _decimal(fields, name)
    return None if value is None else units.parse(f"{value} {unit}", kind)


def field_units(sites: Sites) -> Mapping[str, str]:
    """Return the unit that each field is written in, as the company writes them."""
    if sites.company.units == "us":
        return {
            "rate": "gal/1000 ft2", "solid": "lb/1000 ft2", "depth": "in", "temperature": "F",
            "volume": "gal", "mass": "lb",
        }  # fmt: skip
    return {
        "rate": "mL/m2", "solid": "g/m2", "depth": "cm", "temperature": "C", "volume": "L",
        "mass": "kg",
    }  # fmt: skip


def _place(fields: Fields) -> dict[str, str]:
    site, _, surface = fields.get("surface", "").partition("/")
    return {"site": site, "surface": surface}


def _done(fields: Fields, common: dict[str, Any], sites: Sites) -> list[WorkEntry]:
    unit, about = field_units(sites), common | _place(fields)
    action = fields.get("action", "")
    found: list[WorkEntry] = []
    if fields.get("plow") or action == Action.PLOW:
        found.append(PlowPass(**about | {"id": f"{common['id']}-pass"}))
    if action in (Action.PRETREAT, Action.POST_TREAT):
        rate = _number(fields, "rate", unit["rate"], "liquid rate")
        if rate is None:
            raise InputError("how much went down? write the rate")
        additive = fields.get("additive") or None
        share = 0.0
        if additive:
            share = _number(fields, "share", "%", "percentage") or 0.0
        sprayer = fields.get("sprayer") or None
        found.append(
            Application(
                **about, rate_l_m2=rate, additive=additive, additive_frac=share, sprayer=sprayer
            )
        )
    elif action in (Action.SALT, Action.SAND):
        solid = _number(fields, "rate", unit["solid"], "solid rate")
        if solid is None:
            raise InputError("how much went down? write the rate")
        name = "salt_kg_m2" if action == Action.SALT else "sand_kg_m2"
        found.append(Application(**about, **{name: solid}))
    if not found:
        raise InputError("there is no such work; open the page again")
    return found


def _skipped(fields: Fields, common: dict[str, Any], _sites: Sites) -> list[WorkEntry]:
    return [Skipped(**common, **_place(fields), reason=fields.get("reason", ""))]


def _inspection(fields: Fields, common: dict[str, Any], sites: Sites) -> list[WorkEntry]:
    unit = field_units(sites)
    depth_m = _number(fields, "depth", unit["depth"], "length")
    return [
        Inspection(
            **common,
            **_place(fields),
            condition=fields.get("condition", ""),
            depth_cm=None if depth_m is None else 100.0 * depth_m,
            pavement_temp_c=_number(fields, "temperature", unit["temperature"], "temperature"),
        )
    ]


def _liquid_read(fields: Fields, unit: Mapping[str, str]) -> dict[str, float | None]:
    return {
        "specific_gravity": _decimal(fields, "gravity"),
        "temp_c": _number(fields, "temperature", unit["temperature"], "temperature"),
    }


def _store(fields: Fields) -> tuple[str, str]:
    yard, _, store = fields.get("store", "").partition("/")
    return yard, store


def _tank(fields: Fields, common: dict[str, Any], sites: Sites) -> list[WorkEntry]:
    unit, (yard, store) = field_units(sites), _store(fields)
    about = common | {"yard": yard, "store": store}
    if store == SALT_PILE:
        return [Measurement(**about, salt_kg=_number(fields, "amount", unit["mass"], "mass"))]
    volume_l = _number(fields, "amount", unit["volume"], "volume")
    return [Measurement(**about, **_liquid_read(fields, unit), volume_l=volume_l)]


def _batch(fields: Fields, common: dict[str, Any], sites: Sites) -> list[WorkEntry]:
    unit, (yard, tank) = field_units(sites), _store(fields)
    volume_l = _number(fields, "amount", unit["volume"], "volume")
    salt_kg = _number(fields, "salt", unit["mass"], "mass")
    read = _liquid_read(fields, unit)
    return [
        BatchMade(**common, **read, yard=yard, tank=tank, volume_l=volume_l or 0.0, salt_kg=salt_kg)
    ]


def _delivery(fields: Fields, common: dict[str, Any], sites: Sites) -> list[WorkEntry]:
    unit, (yard, store) = field_units(sites), _store(fields)
    about = common | {"yard": yard, "store": store}
    if store == SALT_PILE:
        salt_kg = _number(fields, "amount", unit["mass"], "mass")
        return [Delivery(**about, product=SALT_PILE, salt_kg=salt_kg)]
    tank = sites.yards[yard].tanks.get(store) if yard in sites.yards else None
    volume_l = _number(fields, "amount", unit["volume"], "volume")
    product = store if tank is None else tank.product
    return [Delivery(**about, **_liquid_read(fields, unit), product=product, volume_l=volume_l)]


def _direction(fields: Fields, common: dict[str, Any], _sites: Sites) -> list[WorkEntry]:
    kind = Complaint if fields["form"] == "complaint" else Direction
    about = common | {"site": fields.get("site", "")}
    return [kind(**about, said=fields.get("said", ""), said_by=fields.get("said_by", ""))]


_READERS: Mapping[str, Callable[[Fields, dict[str, Any], Sites], list[WorkEntry]]] = {
    "done": _done,
    "skipped": _skipped,
    "inspection": _inspection,
    "tank": _tank,
    "batch": _batch,
    "delivery": _delivery,
    "direction": _direction,
    "complaint": _direction,
}
