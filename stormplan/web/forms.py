"""What a form of the pages says, as entries of the record, and who may send which."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import Any

from pydantic import ValidationError

from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.record.checks import check_entry
from stormplan.record.entries import Entry, Photo, Void, WorkEntry, validation_problems
from stormplan.store.people import Person, Role
from stormplan.web import surface_forms, yard_forms
from stormplan.web.form_fields import Fields, moment_of

#: A key that was made for one form; it is the id of what the form records.
FORM_KEY = re.compile("[0-9a-f]{32}")
OWNER, SHED, CREW, ACCOUNT = Role.OWNER, Role.SHED, Role.CREW, Role.ACCOUNT
#: Who may send which form.
FORM_ROLES: Mapping[str, frozenset[Role]] = {
    "done": frozenset({OWNER, CREW}),
    "skipped": frozenset({OWNER, CREW}),
    "inspection": frozenset({OWNER, CREW, ACCOUNT}),
    "reading": frozenset({OWNER, SHED, CREW}),
    "tank": frozenset({OWNER, SHED, CREW}),
    "load": frozenset({OWNER, SHED, CREW}),
    "return": frozenset({OWNER, SHED, CREW}),
    "batch": frozenset({OWNER, SHED}),
    "delivery": frozenset({OWNER, SHED}),
    "transfer": frozenset({OWNER, SHED}),
    "loss": frozenset({OWNER, SHED, CREW}),
    "direction": frozenset({OWNER, ACCOUNT, CREW}),
    "complaint": frozenset({OWNER, ACCOUNT}),
    "void": frozenset(Role),
}
_READERS: Mapping[str, Callable[[Fields, Mapping[str, Any], Sites], list[WorkEntry]]] = {
    "done": surface_forms.done_entries,
    "skipped": surface_forms.skipped_entries,
    "inspection": surface_forms.inspection_entries,
    "reading": surface_forms.reading_entries,
    "direction": surface_forms.said_entries,
    "complaint": surface_forms.said_entries,
    "tank": yard_forms.tank_entries,
    "batch": yard_forms.batch_entries,
    "delivery": yard_forms.delivery_entries,
    "load": yard_forms.load_entries,
    "return": yard_forms.return_entries,
    "transfer": yard_forms.transfer_entries,
    "loss": yard_forms.loss_entries,
}


def entries_of_form(
    fields: Fields, sites: Sites, now: datetime, by: str, photos: Iterable[Photo] = ()
) -> list[WorkEntry]:
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
    photos : iterable of Photo
        What came with it.

    Returns
    -------
    list of WorkEntry
        Their ids follow from the key of the form, so that the form sent twice says the same.

    Raises
    ------
    InputError
        What is wrong, in words.
    """
    read = _READERS.get(fields.get("form", ""))
    if read is None:
        raise InputError("there is no such form; open the page again")
    common = {
        "id": form_key(fields),
        "at": moment_of(fields, now),
        "by": by,
        "note": fields.get("note", "").strip(),
        "photos": tuple(photos),
    }
    try:
        found = read(fields, common, sites)
    except ValidationError as error:
        raise InputError(validation_problems(error)) from None
    for one in found:
        check_entry(one, sites, now)
    return found


def form_key(fields: Fields) -> str:
    """Return the key of a form.

    Raises
    ------
    InputError
        It is none of ours.
    """
    key = fields.get("key", "")
    if not FORM_KEY.fullmatch(key):
        raise InputError("this form is not one of ours; open the page again")
    return key


def void_of_form(fields: Fields, record: Iterable[Entry], now: datetime, person: Person) -> Void:
    """Return the void that a form asks for: everybody's own entries, the owner's any.

    Raises
    ------
    InputError
        There is no such entry, or it is somebody else's.
    """
    about = next((one for one in record if one.id == fields.get("about", "")), None)
    if about is None or isinstance(about, Void):
        raise InputError("there is no such entry; open the page again")
    if about.by != person.name and person.role is not Role.OWNER:
        raise InputError("only the owner and whoever logged it can void it")
    note = fields.get("note", "").strip()
    return Void(id=form_key(fields), at=now, by=person.name, note=note, voids=about.id)
