"""The JSON Schema of the sites file, against the reference library `jsonschema` (draft 2020-12)."""

import copy
import json
import re
from datetime import date, datetime
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest
from helpers.command_line import stormplan
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from stormplan import units
from stormplan.company.sites_schema import sites_schema
from stormplan.company.validators import quantity

ROOT = Path(__file__).parent.parent
SCHEMA = sites_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
EXAMPLE = ROOT / "sites.example.yaml"
DEMO = Path(str(files("stormplan") / "demo" / "sites.yaml"))


def as_an_editor_reads_it(path):
    """YAML as JSON; what has no JSON, like a day, is a text."""

    def plain(node):
        if isinstance(node, dict):
            return {key: plain(value) for key, value in node.items()}
        if isinstance(node, list):
            return [plain(value) for value in node]
        return node.isoformat() if isinstance(node, (date, datetime)) else node

    return plain(YAML(typ="safe").load(path.read_text(encoding="utf-8")))


def errors(document):
    return [error.json_path for error in VALIDATOR.iter_errors(document)]


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("path", [EXAMPLE, DEMO], ids=["example", "demo"])
def test_good_files_validate(path):
    assert errors(as_an_editor_reads_it(path)) == []


def as_dotted(json_path):
    without_index = re.sub(r"\[\d+\]$", "", json_path)
    return re.sub(r"\['([^']+)'\]", r".\1", without_index)


LOT = ("sites", "mill-court", "surfaces", "lot")


@pytest.mark.parametrize(
    ("place", "written"),
    [
        pytest.param((*LOT, "area"), 62000, id="a number without unit"),
        pytest.param((*LOT, "area"), "62000", id="a number without unit, as text"),
        pytest.param((*LOT, "area"), "62000 gal", id="a unit of another kind"),
        pytest.param((*LOT, "class"), "asfalt_lot", id="a misspelt class"),
        pytest.param((*LOT, "areas"), "62000 ft2", id="an unknown key"),
        pytest.param(("sites", "mill-court", "latitude"), 143.07, id="a latitude beyond the pole"),
        pytest.param(("sites", "mill-court", "priority"), 0, id="a priority that is none"),
        pytest.param(("sites", "mill-court", "open_hours"), "6am to 10pm", id="hours in words"),
        pytest.param(("sites", "Mill Court"), None, id="a name for a key"),
        pytest.param(("policy", "max_wind"), "15", id="a rule without unit"),
        pytest.param(("policy", "when_sources_differ"), "best", id="a choice that is none"),
        pytest.param(("company", "units"), "imperial", id="units nobody uses here"),
        pytest.param(("clients", "harbor-trust", "contact_by"), "fax", id="a way to tell"),
        pytest.param(("weather", "sources"), ["noaa"], id="a source that is none"),
        pytest.param(("yards", "north", "salt", "bag"), 50, id="a bag without unit"),
    ],
)
def test_typical_mistakes_are_found_where_they_stand(place, written):
    document = copy.deepcopy(as_an_editor_reads_it(EXAMPLE))
    node = document
    for step in place[:-1]:
        node = node[step]
    node[place[-1]] = written
    found = errors(document)
    assert found
    # an unknown key is reported for the record it stands in
    wanted = {".".join(("$", *place)), ".".join(("$", *place[:-1]))}
    assert {as_dotted(path) for path in found} <= wanted


@pytest.mark.parametrize(
    "missing", [("company",), ("sites", "mill-court", "yard"), (*LOT, "area"), (*LOT, "class")]
)
def test_a_key_that_must_be_there_is_missed(missing):
    document = as_an_editor_reads_it(EXAMPLE)
    node = document
    for step in missing[:-1]:
        node = node[step]
    del node[missing[-1]]
    assert len(errors(document)) == 1


def properties(node, place="$"):
    if isinstance(node, dict):
        for key, described in node.get("properties", {}).items():
            yield f"{place}.{key}", described
        for key, value in node.items():
            yield from properties(value, f"{place}.{key}")


def test_every_key_is_described_in_words_without_the_units_inside():
    described = dict(properties(SCHEMA))
    assert len(described) > 150
    for place, one in described.items():
        assert one.get("description"), place
        assert "[" not in one["description"], place


@given(
    st.sampled_from(sorted(units.QUANTITY_KINDS)),
    st.decimals(0, 9999, places=2),
    st.data(),
)
def test_a_quantity_the_schema_takes_is_one_the_reader_takes(kind, number, data):
    schema = quantity(kind).json_schema_input_type.__metadata__[0].json_schema
    spelling = data.draw(st.sampled_from(sorted(units.QUANTITY_KINDS[kind].units)))
    text = f"{number}{data.draw(st.sampled_from(['', ' ', ' °']))}{spelling}"
    text = data.draw(st.sampled_from([text, text.upper()]))
    units.parse(text, kind)
    jsonschema.validate(text, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(str(number), schema)
    for other in ("furlong", spelling + "x"):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(f"{number} {other}", schema)


def test_the_command_prints_it():
    assert json.loads(stormplan("sites", "schema").stdout) == SCHEMA
