"""The JSON Schema of a plan: every field described, in the words of its record."""

import json
import re

import jsonschema
import pytest

from stormplan.company.validators import Record, attribute_descriptions
from stormplan.planning import plan_io

SCHEMA = json.loads(plan_io.plan_schema())
RECORDS = {"Plan": SCHEMA} | SCHEMA["$defs"]
OBJECTS = {name: one for name, one in RECORDS.items() if "properties" in one}
# Suffixes that are units, and what the description has to say in brackets
UNITS = {
    "_c": "°C", "_k": "K", "_mm": "mm", "_cm": "cm", "_cm_h": "cm/h", "_ms": "m/s", "_m2": "m²",
    "_l": "L", "_kg": "kg", "_h": "h", "_l_m2": "L/m²", "_kg_m2": "kg/m²", "_deg": "°",
    "_frac": "-", "_sg": "-",
}  # fmt: skip


@pytest.mark.parametrize("name", OBJECTS)
def test_every_property_has_a_description(name):
    silent = [key for key, one in OBJECTS[name]["properties"].items() if not one.get("description")]
    assert silent == []
    assert OBJECTS[name]["description"]
    assert "Attributes" not in OBJECTS[name]["description"]


@pytest.mark.parametrize("name", OBJECTS)
def test_a_unit_in_the_name_is_in_the_description(name):
    for key, one in OBJECTS[name]["properties"].items():
        suffixes = [suffix for suffix in UNITS if key.endswith(suffix)]
        if suffixes and "mapping" not in one["description"]:
            unit = UNITS[max(suffixes, key=len)]
            assert f"[{unit}]" in one["description"], f"{name}.{key}: {one['description']}"


def records(of: type[Record] = Record):
    for one in of.__subclasses__():
        yield one
        yield from records(one)


@pytest.mark.parametrize("record", list(records()), ids=lambda record: record.__name__)
def test_no_record_describes_an_attribute_it_does_not_have(record):
    described = set(attribute_descriptions(record.__doc__ or "")) - {""}
    assert described - set(record.model_fields) - set(dir(record)) == set()


def test_attributes_named_together_share_their_description():
    docstring = """A thing.

    Attributes
    ----------
    a, b : float
        Two
        lines [m].
    c : str
        One.
    """
    assert attribute_descriptions(docstring) == {"a": "Two lines [m].", "b": "Two lines [m].",
                                                 "c": "One."}  # fmt: skip
    assert attribute_descriptions("Nothing to say.") == {"": ""}


def test_the_demo_is_valid_by_its_schema(demo_plan):
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(json.loads(plan_io.plan_json(demo_plan)), SCHEMA)


def test_descriptions_are_sentences():
    for one in OBJECTS.values():
        for description in (field["description"] for field in one["properties"].values()):
            assert re.match(r"[A-Z`]", description), description
            assert description.endswith("."), description
