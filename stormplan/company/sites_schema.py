"""JSON Schema of the sites file, for editors: keys, words, and quantities with their unit.

What needs the whole file (a client that exists, rules that agree) is left to ``sites_file``.
"""

from __future__ import annotations

import re
from typing import Any

from stormplan.company.sites import Sites


def sites_schema() -> dict[str, Any]:
    """Return the JSON Schema of a sites file as written (draft 2020-12)."""
    described = Sites.model_json_schema(by_alias=True, mode="validation")
    schema: dict[str, Any] = _as_written(described)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "stormplan sites file",
    } | schema


def _as_written(node: Any) -> Any:
    """Return a schema without what is true only inside: SI units, parsed defaults."""
    if isinstance(node, list):
        return [_as_written(each) for each in node]
    if not isinstance(node, dict):
        return node
    found = {key: _as_written(value) for key, value in node.items() if key != "title"}
    if isinstance(found.get("description"), str):
        found["description"] = re.sub(r" \[[^]]*\](?=[.;]|$)", "", found["description"])
    branches = [found, *found.get("anyOf", ())]
    is_parsed = any("pattern" in branch for branch in branches if isinstance(branch, dict))
    if is_parsed or isinstance(found.get("default"), (dict, list, type(None))):
        found.pop("default", None)
    if "patternProperties" in found:
        found["additionalProperties"] = False
    return found
