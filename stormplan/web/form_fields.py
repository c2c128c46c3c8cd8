"""Fields of a form of the pages as quantities, places and times."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime, timedelta

from stormplan import units
from stormplan.company.sites import Sites
from stormplan.errors import InputError

#: What waited on a phone without coverage is taken for so long; our own choice.
LONGEST_WAIT = timedelta(days=7)

Fields = Mapping[str, str]


def moment_of(fields: Fields, now: datetime) -> datetime:
    """Return when it was done: the phone's own time where it had to wait, else now."""
    text = fields.get("at", "")
    if not text:
        return now
    moment = parse_moment(text)
    if moment is None or moment < now - LONGEST_WAIT:
        raise InputError(f"the time of this form is not one of the last {LONGEST_WAIT.days} days")
    return moment


def parse_moment(text: str) -> datetime | None:
    """Read a moment with its zone; None where it is none."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return None if moment.tzinfo is None else moment


def decimal_of(fields: Fields, name: str) -> float | None:
    """Read a number; None where nothing was written."""
    text = fields.get(name, "").strip().replace(",", ".")
    if not text:
        return None
    if not re.fullmatch(r"[+-]?\d{1,7}(\.\d{1,4})?", text):
        raise InputError(f"'{text[:20]}' is not a number")
    return float(text)


def quantity_of(fields: Fields, name: str, unit: str, kind: str) -> float | None:
    """Read a number in the unit its field shows; None where nothing was written.

    Parameters
    ----------
    fields : mapping of str to str
        The form.
    name, unit, kind : str
        The field, its unit, and the kind of quantity.

    Returns
    -------
    float or None
        In SI.
    """
    value = decimal_of(fields, name)
    return None if value is None else units.parse(f"{value} {unit}", kind)


def field_units(sites: Sites) -> Mapping[str, str]:
    """Return the unit that each field is written in, as the company writes them."""
    if sites.company.units == "us":
        return {
            "rate": "gal/1000 ft²", "solid": "lb/1000 ft²", "depth": "in", "temperature": "°F",
            "volume": "gal", "mass": "lb",
        }  # fmt: skip
    return {
        "rate": "mL/m²", "solid": "g/m²", "depth": "cm", "temperature": "°C", "volume": "L",
        "mass": "kg",
    }  # fmt: skip


def pair_of(fields: Fields, name: str) -> tuple[str, str]:
    """Return the two keys of a choice, like site and surface; empty where there are none."""
    first, _, second = fields.get(name, "").partition("/")
    return first, second
