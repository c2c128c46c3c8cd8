"""Entries of the record: what was done and seen on a surface, and what went through a yard.

An entry is never edited; a later one voids it or takes its place. Its ``id`` is made by whoever
made the entry, so that the same entry brought in twice is there once.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
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


class Photo(Record):
    """A photo that shows what an entry says; it stays where it is, its name and hash are kept.

    Attributes
    ----------
    name : str
        Its file's name, without a folder.
    sha256 : str
        Hash of its bytes, in hexadecimal.
    """

    name: str = Field(pattern=r"^[^/\\\x00-\x1f.][^/\\\x00-\x1f]{0,119}$")
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


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
    photos : tuple of Photo
        What shows it.
    corrects : str or None
        Id of an earlier entry in whose place this one counts.
    """

    id: str = Field(min_length=1, max_length=80)
    at: AwareDatetime
    by: str = Field(default="", max_length=120)
    note: str = Field(default="", max_length=2000)
    photos: tuple[Photo, ...] = Field(default=(), max_length=20)
    corrects: str | None = Field(default=None, min_length=1, max_length=80)


class _SurfaceEntryBase(_EntryBase):
    """What every entry about a surface says besides.

    Attributes
    ----------
    site, surface : str
        Keys of the sites file.
    pavement_temp_c : float or None
        As read there [°C].
    instrument : str
        What it was read with.
    weather : str
        What fell and blew, in words.
    plan_made_at : datetime or None
        When the plan that was followed was made, aware.
    deviation : str
        What was done otherwise than that plan asked for, and why.
    """

    site: str = Field(min_length=1)
    surface: str = Field(min_length=1)
    pavement_temp_c: float | None = Field(default=None, ge=-50.0, le=70.0)
    instrument: str = Field(default="", max_length=80)
    weather: str = Field(default="", max_length=200)
    plan_made_at: AwareDatetime | None = None
    deviation: str = Field(default="", max_length=400)


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
    sprayer : str or None
        Key of the sprayer it came out of; None takes it off the yard's tanks.
    """

    kind: Literal["application"] = "application"
    sprayer: str | None = None
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
        if self.sprayer is not None and self.rate_l_m2 == 0.0:
            raise ValueError("a sprayer puts down liquid; give the liquid's rate")
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


class Skipped(_SurfaceEntryBase):
    """Work of the plan that was not done.

    Attributes
    ----------
    reason : str
        Why.
    """

    kind: Literal["skipped"] = "skipped"
    reason: str = Field(min_length=1, max_length=200)


class Light(StrEnum):
    """Light on the spot where a temperature was read."""

    SUN = "sun"
    SHADE = "shade"


class Reading(_SurfaceEntryBase):
    """A pavement temperature that was read; plans correct the nights of the surface by it.

    Attributes
    ----------
    light : Light
        On the spot; at night it is shade.
    """

    kind: Literal["reading"] = "reading"
    light: Light = Light.SHADE

    @model_validator(mode="after")
    def _check_temperature(self) -> Reading:
        if self.pavement_temp_c is None:
            raise ValueError("a reading needs the temperature of the pavement")
        return self


class _SiteEntryBase(_EntryBase):
    """What somebody said about a site.

    Attributes
    ----------
    site : str
        Key of the sites file.
    said_by : str
        Who said it.
    said : str
        What.
    """

    site: str = Field(min_length=1)
    said_by: str = Field(min_length=1, max_length=120)
    said: str = Field(min_length=1, max_length=2000)


class Direction(_SiteEntryBase):
    """What a client asked for: "no salt on the deck"."""

    kind: Literal["direction"] = "direction"


class Complaint(_SiteEntryBase):
    """What somebody complained of, or a fall that was told."""

    kind: Literal["complaint"] = "complaint"


class NoticeSent(_EntryBase):
    """A notice that went out to a client.

    Attributes
    ----------
    client : str
        Key of the sites file.
    channel : str
        How: by mail, by text message or by phone.
    recipient : str
        Address or number.
    said : str
        Its words, the subject of a mail first.
    """

    kind: Literal["notice"] = "notice"
    client: str = Field(min_length=1)
    channel: Literal["mail", "text", "call"]
    recipient: str = Field(min_length=1, max_length=320)
    said: str = Field(min_length=1, max_length=20_000)


#: The store that is a yard's salt pile; every other one is a tank, or a product in totes.
SALT_PILE = "salt"
EntryVolume = Annotated[float, Field(gt=0.0, le=4e6)]
EntryMass = Annotated[float, Field(gt=0.0, le=1e8)]


class _YardEntryBase(_EntryBase):
    """What every entry about a yard says besides.

    Attributes
    ----------
    yard : str
        Key of the sites file.
    """

    yard: str = Field(min_length=1)


class _LiquidRead(Record):
    """How strong a liquid is, by whichever instrument, and how warm.

    Attributes
    ----------
    specific_gravity : float or None
        By hydrometer [-].
    strength_frac : float or None
        All chlorides, by weight [-].
    temp_c : float or None
        Of the liquid; None counts as 60 °F [°C].
    """

    specific_gravity: float | None = Field(default=None, ge=0.99, le=1.45)
    strength_frac: float | None = Field(default=None, ge=0.0, le=0.45)
    temp_c: float | None = Field(default=None, ge=-40.0, le=50.0)

    @model_validator(mode="after")
    def _check_instrument(self) -> _LiquidRead:
        if self.specific_gravity is not None and self.strength_frac is not None:
            raise ValueError("give the specific gravity or the strength, not both")
        if self.specific_gravity is not None and self.temp_c is None:
            raise ValueError("a hydrometer reading needs the temperature of the liquid")
        return self


class BatchMade(_YardEntryBase, _LiquidRead):
    """A batch of brine that went into a tank.

    Attributes
    ----------
    tank : str
        Where it went.
    volume_l : float
        Finished brine [L].
    salt_kg : float or None
        Salt off the pile, as delivered; None reckons it from the strength [kg].
    """

    kind: Literal["batch"] = "batch"
    tank: str = Field(min_length=1)
    volume_l: EntryVolume
    salt_kg: EntryMass | None = None


class Delivery(_YardEntryBase, _LiquidRead):
    """A liquid or salt that was delivered.

    Attributes
    ----------
    product : str
        Key of what came: a product, brine, or salt.
    store : str
        Where it went: a tank, a product in totes, or salt.
    volume_l, salt_kg : float or None
        How much, of a liquid or of salt [L], [kg].
    """

    kind: Literal["delivery"] = "delivery"
    product: str = Field(min_length=1)
    store: str = Field(min_length=1)
    volume_l: EntryVolume | None = None
    salt_kg: EntryMass | None = None

    @model_validator(mode="after")
    def _check_amount(self) -> Delivery:
        if (self.volume_l is None) is (self.salt_kg is None):
            raise ValueError("a delivery is a volume of liquid or a mass of salt, one of them")
        if (self.salt_kg is not None) is not (self.product == SALT_PILE == self.store):
            raise ValueError("salt is delivered by mass, to the pile; liquids by volume, to others")
        return self


class LoadPart(Record):
    """What a load takes from one store.

    Attributes
    ----------
    store : str
        A tank, or a product in totes.
    volume_l : float
        How much [L].
    """

    store: str = Field(min_length=1)
    volume_l: EntryVolume


class LoadDrawn(_YardEntryBase):
    """A load that a sprayer took on, from one store or blended from several.

    Attributes
    ----------
    sprayer : str
        Key of the sprayer.
    parts : tuple of LoadPart
        What it took.
    """

    kind: Literal["load"] = "load"
    sprayer: str = Field(min_length=1)
    parts: tuple[LoadPart, ...] = Field(min_length=1, max_length=8)


class LoadReturned(_YardEntryBase):
    """What a sprayer brought back, and with it the end of its round.

    Attributes
    ----------
    sprayer : str
        Key of the sprayer.
    store : str or None
        The tank it went back into; None where the sprayer was empty.
    volume_l : float
        How much was left [L].
    """

    kind: Literal["return"] = "return"
    sprayer: str = Field(min_length=1)
    store: str | None = None
    volume_l: float = Field(default=0.0, ge=0.0, le=4e6)

    @model_validator(mode="after")
    def _check_store(self) -> LoadReturned:
        if (self.store is None) is not (self.volume_l == 0.0):
            raise ValueError("what is returned goes into a tank; an empty sprayer into none")
        return self


class Transfer(_YardEntryBase):
    """A liquid pumped from one store into another: a blend made in the tank.

    Attributes
    ----------
    from_store, to_store : str
        Tanks, or products in totes.
    volume_l : float
        How much [L].
    """

    kind: Literal["transfer"] = "transfer"
    from_store: str = Field(min_length=1)
    to_store: str = Field(min_length=1)
    volume_l: EntryVolume

    @model_validator(mode="after")
    def _check_stores(self) -> Transfer:
        if self.from_store == self.to_store:
            raise ValueError("a transfer is from one store into another")
        return self


class Measurement(_YardEntryBase, _LiquidRead):
    """A tank, a tote or the pile as measured; it corrects the book.

    Attributes
    ----------
    store : str
        A tank, a product in totes, or salt.
    volume_l, salt_kg : float or None
        How much there is; None where only the strength was read [L], [kg].
    """

    kind: Literal["measurement"] = "measurement"
    store: str = Field(min_length=1)
    volume_l: float | None = Field(default=None, ge=0.0, le=4e6)
    salt_kg: float | None = Field(default=None, ge=0.0, le=1e8)

    @model_validator(mode="after")
    def _check_amount(self) -> Measurement:
        is_read = self.specific_gravity is not None or self.strength_frac is not None
        if self.store == SALT_PILE:
            if self.salt_kg is None or self.volume_l is not None or is_read:
                raise ValueError("the pile is measured by mass, and by nothing else")
        elif self.salt_kg is not None or (self.volume_l is None and not is_read):
            raise ValueError("a liquid is measured by volume, strength or both")
        return self


class LossCause(StrEnum):
    """Why something is gone."""

    SPILL = "spill"
    LEAK = "leak"
    FLUSH = "flush"
    SETTLED = "settled salt"
    EVAPORATED = "evaporated"
    OTHER = "other"


class Loss(_YardEntryBase):
    """What is gone from a store without having been used.

    Attributes
    ----------
    store : str
        A tank, a product in totes, or salt.
    cause : LossCause
        Why.
    volume_l, salt_kg : float or None
        How much [L], [kg].
    """

    kind: Literal["loss"] = "loss"
    store: str = Field(min_length=1)
    cause: LossCause
    volume_l: EntryVolume | None = None
    salt_kg: EntryMass | None = None

    @model_validator(mode="after")
    def _check_amount(self) -> Loss:
        if (self.salt_kg is None) is (self.store == SALT_PILE) or (self.volume_l is None) is not (
            self.store == SALT_PILE
        ):
            raise ValueError("salt is lost by mass off the pile, a liquid by volume")
        return self


#: What the parts of a calibration may be at most; beyond it is a slip of the pen.
NozzleFlow = Annotated[float, Field(gt=0.0, le=6_000.0)]


class Calibration(_YardEntryBase):
    """A sprayer that was calibrated, and what was found.

    Attributes
    ----------
    sprayer : str
        Key of the sprayer.
    nozzle_flows_l_h : tuple of float
        What each nozzle gave, from left to right [L/h].
    speed_ms : float or None
        Speed it was driven at [m/s].
    swath_m : float or None
        Width it wets in one pass [m].
    pressure_pa : float or None
        At the boom [Pa].
    liquid_sg : float or None
        Specific gravity of the liquid for which the rate holds [-].
    rate_l_m2 : float or None
        What it truly puts down at that speed and pressure [L/m²].
    min_rate_l_m2, max_rate_l_m2 : float or None
        Lowest and highest rate it can be set to [L/m²].
    coverage_rate_m2_h : float or None
        Area it covers in an hour while spraying [m²/h].
    worn_nozzles : tuple of int
        Nozzles to be replaced, the first is 1.
    """

    kind: Literal["calibration"] = "calibration"
    sprayer: str = Field(min_length=1)
    nozzle_flows_l_h: tuple[NozzleFlow, ...] = Field(default=(), max_length=200)
    speed_ms: float | None = Field(default=None, gt=0.0, le=30.0)
    swath_m: float | None = Field(default=None, gt=0.0, le=30.0)
    pressure_pa: float | None = Field(default=None, gt=0.0, le=2e6)
    liquid_sg: float | None = Field(default=None, ge=0.99, le=1.45)
    rate_l_m2: float | None = Field(default=None, gt=0.0, le=0.25)
    min_rate_l_m2: float | None = Field(default=None, gt=0.0, le=0.25)
    max_rate_l_m2: float | None = Field(default=None, gt=0.0, le=0.25)
    coverage_rate_m2_h: float | None = Field(default=None, gt=0.0, le=1e6)
    worn_nozzles: tuple[int, ...] = Field(default=(), max_length=100)

    @model_validator(mode="after")
    def _check_rates(self) -> Calibration:
        if (self.min_rate_l_m2 is None) is not (self.max_rate_l_m2 is None):
            raise ValueError("the lowest and the highest rate go together")
        if self.min_rate_l_m2 and self.max_rate_l_m2 and self.min_rate_l_m2 > self.max_rate_l_m2:
            raise ValueError("the lowest rate is above the highest")
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


SurfaceEntry = Application | PlowPass | Inspection | Skipped | Reading
SiteEntry = Direction | Complaint
YardEntry = (
    BatchMade | Delivery | LoadDrawn | LoadReturned | Transfer | Measurement | Loss | Calibration
)
WorkEntry = SurfaceEntry | SiteEntry | NoticeSent | YardEntry
SURFACE_ENTRIES = (Application, PlowPass, Inspection, Skipped, Reading)
SITE_ENTRIES = (Direction, Complaint)
Entry = WorkEntry | Void
_ADAPTER: TypeAdapter[Entry] = TypeAdapter(Annotated[Entry, Field(discriminator="kind")])


def parse_entry(document: str | bytes, where: str) -> Entry:
    """Read an entry from JSON.

    Raises
    ------
    InputError
        It is none: ``where``, and all that is wrong with it.

    Examples
    --------
    >>> parse_entry('{"kind": "pass", "id": "a1", "at": "2026-01-12T06:00-06:00", '
    ...             '"site": "mill-court", "surface": "lot"}', "line 1").surface
    'lot'
    """
    try:
        return _ADAPTER.validate_json(document)
    except ValidationError as error:
        raise InputError(f"{where}: {validation_problems(error, skipped=1)}") from None


def make_entry(values: Mapping[str, object]) -> Entry:
    """Make an entry of its values, ``kind`` among them.

    Raises
    ------
    InputError
        They make none: all that is wrong.
    """
    try:
        return _ADAPTER.validate_python(values)
    except ValidationError as error:
        raise InputError(validation_problems(error, skipped=1)) from None


def validation_problems(error: ValidationError, skipped: int = 0) -> str:
    """Return all that is wrong with an entry, as text.

    Parameters
    ----------
    error : ValidationError
        As pydantic has it.
    skipped : int
        Parts at the beginning of a place that readers need not see, like the kind [-].
    """
    found = []
    for one in error.errors(include_url=False, include_input=False):
        key = ".".join(str(part) for part in one["loc"][skipped:])
        said = one["msg"].removeprefix("Value error, ")
        found.append(f"{key}: {said}" if key else said)
    return "; ".join(found)


def write_entry(entry: Entry) -> str:
    """Write an entry as JSON, on one line, its time with the zone it was made in.

    What is not said is left out, so that an entry keeps its words when kinds gain fields.
    """
    told = entry.model_dump(mode="json", exclude_defaults=True)
    return json.dumps({"kind": entry.kind, **told}, ensure_ascii=False)


def effective_entries(entries: Iterable[Entry]) -> list[WorkEntry]:
    """Return the entries that count, in order of time: those that no other one voids or corrects.

    What a correction took the place of stays out, also where the correction itself is voided.
    """
    known = list(entries)
    gone = {entry.voids if isinstance(entry, Void) else entry.corrects for entry in known}
    kept = [entry for entry in known if not isinstance(entry, Void) and entry.id not in gone]
    return sorted(kept, key=lambda entry: (entry.at, entry.id))
