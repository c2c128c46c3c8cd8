"""Entries of the record: what was put down, plowed or seen on a surface.

An entry is never edited; a later one voids it. Its ``id`` is made by whoever made the entry, so
that the same entry brought in twice is there once.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, TypeAdapter, ValidationError, model_validator

from stormplan.company.validators import Record
from stormplan.errors import InputError


class Condition(StrEnum):
    """What a crew sees on a surface."""

    DRY = "dry"
    DAMP = "damp"
    WET = "wet"
    FROST = "frost"
    SLUSH = "slush"
    SNOW = "snow"
    PACKED_SNOW = "packed snow"
    ICE = "ice"


#: Clocks of phones and computers are minutes apart.
CLOCK_TOLERANCE = timedelta(minutes=5)
#: Those that are told with a depth.
WITH_DEPTH = (Condition.SLUSH, Condition.SNOW, Condition.PACKED_SNOW)


class _EntryBase(Record):
    """What every entry says.

    Attributes
    ----------
    id : str
        Made by whoever made the entry.
    at : datetime
        When it was done or seen, aware.
    by, note : str
        Who, and what else is to be said.
    """

    id: str = Field(min_length=1, max_length=80)
    at: AwareDatetime
    by: str = ""
    note: str = ""


class _SurfaceEntryBase(_EntryBase):
    """What every entry about a surface says besides.

    Attributes
    ----------
    site, surface : str
        Keys of the sites file.
    """

    site: str = Field(min_length=1)
    surface: str = Field(min_length=1)


class Application(_SurfaceEntryBase):
    """A liquid or solid that was put down.

    Attributes
    ----------
    additive : str or None
        Key of the product blended in; None for straight brine or a solid.
    additive_frac : float
        Its part by volume [-].
    rate_l_m2 : float
        Liquid [L/m²].
    salt_kg_m2, sand_kg_m2 : float
        Dry salt and sand [kg/m²].
    """

    kind: Literal["application"] = "application"
    additive: str | None = None
    additive_frac: float = Field(default=0.0, ge=0.0, le=1.0)
    rate_l_m2: float = Field(default=0.0, ge=0.0, le=0.25)
    salt_kg_m2: float = Field(default=0.0, ge=0.0, le=0.25)
    sand_kg_m2: float = Field(default=0.0, ge=0.0, le=2.0)

    @model_validator(mode="after")
    def _check_amount(self) -> Application:
        if not self.rate_l_m2 + self.salt_kg_m2 + self.sand_kg_m2 > 0.0:
            raise ValueError("an application needs an amount: liquid, salt or sand")
        if (self.additive is None) is not (self.additive_frac == 0.0):
            raise ValueError("an additive and its part of the blend go together")
        if self.additive is not None and self.rate_l_m2 == 0.0:
            raise ValueError("an additive is part of a liquid; give the liquid's rate")
        return self


class PlowPass(_SurfaceEntryBase):
    """A plow, shovel or broom pass down to the pavement."""

    kind: Literal["pass"] = "pass"


class Inspection(_SurfaceEntryBase):
    """What was seen on a surface.

    Attributes
    ----------
    condition : Condition
        What lies there.
    depth_cm : float or None
        How deep, of snow and slush [cm].
    """

    kind: Literal["inspection"] = "inspection"
    condition: Condition
    depth_cm: float | None = Field(default=None, gt=0.0, le=200.0)

    @model_validator(mode="after")
    def _check_depth(self) -> Inspection:
        if (self.depth_cm is None) is (self.condition in WITH_DEPTH):
            wanted = ", ".join(WITH_DEPTH)
            raise ValueError(f"a depth goes with {wanted}, and with nothing else")
        return self


class Void(_EntryBase):
    """An earlier entry that does not count.

    Attributes
    ----------
    voids : str
        Id of that entry.
    """

    kind: Literal["void"] = "void"
    voids: str = Field(min_length=1)


SurfaceEntry = Application | PlowPass | Inspection
Entry = SurfaceEntry | Void
_ADAPTER: TypeAdapter[Entry] = TypeAdapter(Annotated[Entry, Field(discriminator="kind")])


def parse_entry(document: str | bytes, where: str) -> Entry:
    """Read an entry from JSON.

    Raises
    ------
    InputError
        It is none: ``where``, and what is wrong with it.

    Examples
    --------
    >>> parse_entry('{"kind": "pass", "id": "a1", "at": "2026-01-12T06:00-06:00", '
    ...             '"site": "mill-court", "surface": "lot"}', "line 1").surface
    'lot'
    """
    try:
        return _ADAPTER.validate_json(document)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"][1:])
        problem = f"{key}: {first['msg']}" if key else str(first["msg"])
        raise InputError(f"{where}: {problem}") from None


def write_entry(entry: Entry) -> str:
    """Write an entry as JSON, on one line, its time with the zone it was made in."""
    return entry.model_dump_json()


def effective_entries(entries: Iterable[Entry]) -> list[SurfaceEntry]:
    """Return the entries that count, in order of time: those that no other one voids."""
    known = list(entries)
    voided = {entry.voids for entry in known if isinstance(entry, Void)}
    kept = [entry for entry in known if not isinstance(entry, Void) and entry.id not in voided]
    return sorted(kept, key=lambda entry: (entry.at, entry.id))
