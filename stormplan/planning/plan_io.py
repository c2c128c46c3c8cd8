"""A plan as text, and back; the JSON Schema of that text."""

from __future__ import annotations

import json

from pydantic import ValidationError

from stormplan.errors import InputError
from stormplan.planning.plan import Plan


def plan_json(plan: Plan) -> str:
    """Serialize a plan; unknown numbers become null."""
    return plan.model_dump_json(indent=1)


def parse_plan(document: str, label: str) -> Plan:
    """Return the plan that a JSON text holds.

    Parameters
    ----------
    document : str
        The JSON.
    label : str
        What to call it in messages.

    Raises
    ------
    InputError
        It is no plan of this version.
    """
    try:
        return Plan.model_validate_json(document)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = [".".join(map(str, first["loc"]))] if first["loc"] else []
        message = ": ".join([f"{label} is not a plan of this version", *place, first["msg"]])
        raise InputError(message) from error


def plan_schema() -> str:
    """Return the JSON Schema of a plan (draft 2020-12)."""
    described = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Plan.model_json_schema(mode="serialization"),
    }
    return json.dumps(described, indent=1)
