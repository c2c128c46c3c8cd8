"""Writes the page of plan.json from its JSON Schema."""

import re
from collections.abc import Mapping
from typing import Any

HEAD = """# plan.json, field by field

The plan is one JSON document, schema version {version}: SI units, times in ISO 8601 UTC. `null`, in
the descriptions None, stands where something is not known or there is none. `stormplan schema`
prints its JSON Schema (draft 2020-12); the descriptions below are the schema's own. Read it from
Python with {{py:func}}`stormplan.api.read_plan`. Of more than 500 sites the document is a head, and
the file that `lines_file` names holds a `PlanPart` in each line.
"""


def page(schema: Mapping[str, Any]) -> str:
    """Return the page: the plan first, then every record and every list of words."""
    version = schema["properties"]["schema_version"]["default"]
    parts = [HEAD.format(version=version), _record("Plan", schema)]
    for name, one in schema["$defs"].items():
        parts.append(_record(name, one) if "properties" in one else _words(name, one))
    return "\n".join(parts)


def _record(name: str, one: Mapping[str, Any]) -> str:
    rows = [
        f"| `{key}` | {_kind(field)} | {_text(field['description'])} |"
        for key, field in one["properties"].items()
    ]
    head = "| field | kind | meaning |\n| --- | --- | --- |"
    return "\n".join([f"## {name}\n", _text(one["description"]), "", head, *rows, ""])


def _words(name: str, one: Mapping[str, Any]) -> str:
    words = ", ".join(f"`{word}`" for word in one["enum"])
    return f"## {name}\n\n{_text(one.get('description', ''))}\n\nOne of {words}.\n"


def _text(text: str) -> str:
    """Return a docstring's text as Markdown in one cell of a table."""
    return re.sub(r"``(.+?)``", r"`\1`", " ".join(text.split())).replace("|", "\\|")


def _kind(field: Mapping[str, Any]) -> str:
    if "$ref" in field:
        name = field["$ref"].rsplit("/", 1)[-1]
        return f"[{name}](#{name.lower()})"
    if "anyOf" in field:
        return " or ".join(dict.fromkeys(_kind(one) for one in field["anyOf"]))
    if "enum" in field:
        return ", ".join(f"`{word}`" for word in field["enum"])
    if "const" in field:
        return f"`{field['const']}`"
    if field.get("type") == "array":
        items = field.get("items") or {"anyOf": field.get("prefixItems", [])}
        return f"list of {_kind(items)}" if items != {"anyOf": []} else "list"
    if field.get("type") == "object":
        return f"object of {_kind(field['additionalProperties'])}"
    if field.get("format") == "date-time":
        return "time"
    return str(field.get("type", "any"))
