"""Validated types of the sites file: quantities, times, names, addresses.

Each checks one thing and says in a sentence what was written and what would be accepted.
"""

from __future__ import annotations

import inspect
import re
import unicodedata
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, time
from functools import cache
from typing import Annotated, Any, Self, TypeVar
from zoneinfo import available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    WithJsonSchema,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from stormplan import units as unit
from stormplan.errors import InputError

_ATTRIBUTES_HEADING = "\nAttributes\n----------\n"
RecordType = TypeVar("RecordType", bound=BaseModel)


def attribute_descriptions(docstring: str) -> dict[str, str]:
    """Return the description of each attribute in a numpydoc docstring, by name."""
    section = inspect.cleandoc(docstring).partition(_ATTRIBUTES_HEADING)[2]
    found: dict[str, str] = {}
    for entry in re.split(r"\n(?=\S)", section):
        head, _, text = entry.partition("\n")
        description = " ".join(text.split())
        found |= dict.fromkeys(head.partition(" : ")[0].split(", "), description)
    return found


#: The set of field names that records were given, one object for all that were given the same.
_FIELD_SETS: dict[frozenset[str], set[str]] = {}
#: Types of values that hold no records.
_LEAVES = frozenset({bool, int, float, str, datetime, type(None)})


class Record(BaseModel):
    """Frozen, and strict about what it does not know.

    The descriptions in its JSON Schema are those of the docstring's Attributes section.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """Return a copy, as pydantic's, that shares its set of given fields with its like."""
        return share_field_set(super().model_copy(update=update, deep=deep))

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Return the JSON Schema with every attribute described."""
        schema = handler.resolve_ref_schema(handler(core_schema))
        docstring = inspect.cleandoc(cls.__doc__ or "")
        schema["description"] = docstring.partition(_ATTRIBUTES_HEADING)[0].strip()
        properties = schema.get("properties", {})
        for name, text in attribute_descriptions(docstring).items():
            field = cls.model_fields.get(name)
            key = name if field is None or field.alias not in properties else field.alias
            if key in properties:
                properties[key]["description"] = text
        return schema


def share_field_set(record: RecordType) -> RecordType:
    """Return the record itself, its set of given fields shared with records given the same.

    A set of thirty names takes 2 kB, more than what most records hold; nothing changes it in a
    frozen record.
    """
    given = record.__pydantic_fields_set__
    shared = _FIELD_SETS.setdefault(frozenset(given), given)
    object.__setattr__(record, "__pydantic_fields_set__", shared)
    return record


def share_field_sets(value: object) -> None:
    """Share the sets of given fields of every record in a value: a record, tuple or mapping."""
    if isinstance(value, Record):
        share_field_set(value)
        inside: Iterable[object] = value.__dict__.values()
    elif isinstance(value, tuple):
        inside = value
    elif isinstance(value, dict):
        inside = value.values()
    else:
        return
    for one in inside:
        if type(one) not in _LEAVES:  # most are; asking pydantic's classes takes ten times as long
            share_field_sets(one)


def written_as(pattern: str, hint: str, *examples: str) -> Any:
    """Return the type of a text in the JSON Schema of the sites file, for editors.

    ``patternErrorMessage`` is no word of JSON Schema; editors show it, validators pass over it.
    """
    schema = {"type": "string", "pattern": pattern, "patternErrorMessage": hint}
    return Annotated[str, WithJsonSchema(schema | {"examples": list(examples)})]


def _unit_pattern(spelling: str) -> str:
    """Return a pattern for a unit, however it is capitalized and spaced between its words."""
    words = re.findall(r"[a-z]+|[0-9]+|[^a-z0-9]", spelling)
    return r"\s*".join(map(_any_case, words))


def _any_case(word: str) -> str:
    powers = {"2": "[2²]", "3": "[3³]"}
    letters = (f"[{one}{one.upper()}]" if one.isalpha() else re.escape(one) for one in word)
    return powers.get(word) or "".join(letters)


def quantity(kind: str, lowest: str | None = None, highest: str | None = None) -> BeforeValidator:
    """Check a float that is written with its unit, within limits written the same way."""
    low = None if lowest is None else unit.parse(lowest, kind)
    high = None if highest is None else unit.parse(highest, kind)

    def read(text: object) -> float:
        try:
            value = unit.parse(text, kind)
        except InputError as error:
            raise ValueError(str(error)) from None
        if (low is not None and value < low) or (high is not None and value > high):
            accepted = f"{lowest or '…'} to {highest or '…'}"
            raise ValueError(f"'{text}' is out of range; accepted: {accepted}")
        return value

    quantity_kind = unit.QUANTITY_KINDS[kind]
    example, spellings = quantity_kind.example, quantity_kind.units
    number = r"\s*[+-]?(\d[\d,]*\.?\d*|\.\d+)([eE][+-]?\d+)?"
    limits = "" if lowest is highest is None else f"; {lowest or '…'} to {highest or '…'}"
    written = written_as(
        rf"^{number}[\s°]*({'|'.join(map(_unit_pattern, spellings))})\s*$",
        f"write a {kind} with its unit, like {example} (units: {', '.join(spellings)}{limits})",
        example,
    )
    return BeforeValidator(read, json_schema_input_type=written)


@dataclass(frozen=True)
class _Choice(AfterValidator):
    """Checks a word against the ones that exist, in the JSON Schema too."""

    names: tuple[str, ...] = ()

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return handler(core_schema) | {"enum": list(self.names)}


def one_of(what: str, names: Mapping[str, object] | tuple[str, ...]) -> AfterValidator:
    """Check a word against the ones that exist."""

    def check(value: str) -> str:
        if value not in names:
            raise ValueError(f"'{value}' is not a {what}; accepted: {', '.join(names)}")
        return value

    return _Choice(check, tuple(names))


#: Names of the database that know no daylight saving, and those that a US company means by them.
FIXED_ZONES = {
    "EST": "America/New_York",
    "MST": "America/Denver, or America/Phoenix where there is no daylight saving",
    "HST": "Pacific/Honolulu",
}


@cache
def _time_zone_names() -> frozenset[str]:
    """Return the names of the database, whose folders are read for them once."""
    return frozenset(available_timezones())


def time_zone(name: str) -> str:
    """Return a name of the IANA time zone database that keeps a place's daylight saving."""
    if name in FIXED_ZONES:
        raise ValueError(
            f"'{name}' has no daylight saving: an hour off in summer; write {FIXED_ZONES[name]}"
        )
    if name not in _time_zone_names():
        raise ValueError(
            f"'{name}' is not a time zone; accepted: an IANA name like America/Chicago"
        )
    return name


def _clock_span(text: object) -> tuple[time, time]:
    if isinstance(text, str) and (match := re.fullmatch(r"(\d\d?:\d\d)\s*-\s*(\d\d?:\d\d)", text)):
        with suppress(ValueError):
            return time.fromisoformat(match[1].zfill(5)), time.fromisoformat(match[2].zfill(5))
    raise ValueError(
        f"'{text}' is not a span of hours; write it as '06:00-22:00', or leave it out for always"
        " open"
    )


def _clock(text: object) -> time:
    if isinstance(text, time):
        return text
    if isinstance(text, str) and re.fullmatch(r"\d\d?:\d\d", text):
        with suppress(ValueError):
            return time.fromisoformat(text.zfill(5))
    raise ValueError(f"'{text}' is not a time of day; write it as '04:30'")


def _key(value: str) -> str:
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", value):
        raise ValueError(f"key '{value}' must be lower-case letters, digits, - or _, at most 40")
    return value


def _is_control(char: str) -> bool:
    """Whether a terminal would obey a character, or the writing direction turn at it."""
    return unicodedata.category(char) in ("Cc", "Cs") or "\u202a" <= char <= "\u202e"


def printable_name(text: str) -> str:
    """Return a name of one line without what a terminal would obey."""
    if not text.strip() or len(text) > 120 or any(map(_is_control, text)):
        raise ValueError("must be 1 to 120 printable characters on one line")
    return text.strip()


def contact(text: str) -> str:
    """Return a mail address or a web address."""
    if not re.fullmatch(r"[\w.+-]+@[\w.-]+\.\w+|https?://[\w./~-]+", text):
        raise ValueError(f"'{text}' is not a contact; accepted: a mail address or an https URL")
    return text


def phone_number(text: str) -> str:
    """Return a telephone number: seven digits, and at most the fifteen of ITU-T E.164."""
    digits = re.sub(r"[\s().-]", "", text)
    if not re.fullmatch(r"\+?\d{7,15}", digits):
        raise ValueError(f"'{text}' is not a phone number; write it as '+1 406 555 0100'")
    return text.strip()


def _mail_address(text: str) -> str:
    if not re.fullmatch(r"[\w.+-]+@[\w-]+(\.[\w-]+)*", text, re.ASCII):
        raise ValueError(f"'{text}' is not a mail address; accepted: name@host.example")
    return text


def _url(text: str) -> str:
    if not re.fullmatch(r"https?://[\w.:-]+(/[^\s#]*)?", text, re.ASCII):
        raise ValueError(  # what was written may hold a password, and is not repeated
            "not an address; accepted: https://host/path, with no name or password before the host"
        )
    return text


def _host(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?", text):
        raise ValueError(f"'{text}' is not a host; accepted: a name like mail.example")
    return text


def _environment_variable(text: str) -> str:
    if not re.fullmatch(r"[A-Z][A-Z0-9_]*", text):
        raise ValueError(
            "must name an environment variable in capitals, such as STORMPLAN_MAIL_PASSWORD; "
            "the secret itself stays out of this file"
        )
    return text


def _base_url(text: str) -> str:
    if not re.fullmatch(r"https?://[\w.:-]+(/[\w./-]*)?", text):
        raise ValueError(  # as above
            "not a base URL; accepted: https://host[/path], without a name, password or key; a key "
            "is named by key_env"
        )
    return text.rstrip("/")


def _degrees(value: object) -> object:
    if isinstance(value, bool):
        shown = str(value).lower()
        raise ValueError(f"'{shown}' is not a coordinate; write degrees like 43.16")  # noqa: TRY004
    return value


TimeZoneName = Annotated[str, AfterValidator(time_zone)]
Key = Annotated[
    str,
    AfterValidator(_key),
    WithJsonSchema({"type": "string", "pattern": "^[a-z0-9][a-z0-9_-]{0,39}$"}),
]
Name = Annotated[str, AfterValidator(printable_name)]
PhoneNumber = Annotated[
    str,
    AfterValidator(phone_number),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": r"^\s*\+?[\s().-]*(\d[\s().-]*){7,15}$",
            "examples": ["+1 406 555 0100"],
        }
    ),
]
Contact = Annotated[str, AfterValidator(contact)]
BaseUrl = Annotated[str, AfterValidator(_base_url)]
MailAddress = Annotated[str, AfterValidator(_mail_address)]
Url = Annotated[str, AfterValidator(_url)]
Host = Annotated[str, AfterValidator(_host)]
EnvironmentVariable = Annotated[str, AfterValidator(_environment_variable)]
TimeOfDay = Annotated[
    time,
    BeforeValidator(
        _clock,
        json_schema_input_type=written_as(
            r"^\d\d?:\d\d$", 'write a time of day like "04:30"', "04:30"
        ),
    ),
]
HoursOfDay = Annotated[
    tuple[time, time],
    BeforeValidator(
        _clock_span,
        json_schema_input_type=written_as(
            r"^\d\d?:\d\d\s*-\s*\d\d?:\d\d$", "write hours like 06:00-22:00", "06:00-22:00"
        ),
    ),
]
Latitude = Annotated[float, Field(ge=-90, le=90), BeforeValidator(_degrees)]
Longitude = Annotated[float, Field(ge=-180, le=180), BeforeValidator(_degrees)]
Percentage = Annotated[float, quantity("percentage", "0 %", "100 %")]
Volume = Annotated[float, quantity("volume", "0 gal", "1000000 gal")]
Mass = Annotated[float, quantity("mass", "0 lb")]
