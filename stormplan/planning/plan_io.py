"""A plan as text, and back; the JSON Schema of that text.

The plan of very many sites is written as it comes: a head, and JSON lines beside it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from pydantic import Field, ValidationError

from stormplan.company.validators import Record, share_field_sets
from stormplan.errors import InputError
from stormplan.planning.plan import MANY_SITES, ForecastSeries, HourlySeries, Plan, SitePlan
from stormplan.planning.plan_lines import LINES_FILE, SITE_PREFIX, split_document
from stormplan.planning.shared_hours import SharedHours


class PlanPart(Record):
    """One line of the file that a plan of more than 500 sites names in ``lines_file``.

    Each field adds to the plan's field of that name, in the order of the lines.

    Attributes
    ----------
    sites : tuple of SitePlan
        One site, or none.
    hourly : mapping of str to HourlySeries
        The hours of one column, or none.
    forecasts : mapping of str to ForecastSeries
        The hours of one forecast, or none.
    """

    sites: tuple[SitePlan, ...] = ()
    hourly: dict[str, HourlySeries] = Field(default_factory=dict)
    forecasts: dict[str, ForecastSeries] = Field(default_factory=dict)


def plan_json(plan: Plan) -> str:
    """Serialize a plan; unknown numbers become null."""
    return plan.model_dump_json(indent=1)


@dataclass(frozen=True)
class PlanLines:
    """The lines of a plan of very many sites, made as they are gone through.

    Attributes
    ----------
    plan : Plan
        The record.
    with_head : bool
        Whether the head is the first line; beside a ``plan.json`` it is not.
    """

    plan: Plan
    with_head: bool = True

    def __iter__(self) -> Iterator[str]:
        if self.with_head:
            yield _head(self.plan).model_dump_json() + "\n"
        for site in self.plan.sites:
            yield f"{SITE_PREFIX}[{site.model_dump_json()}]}}\n"
        for section in ("hourly", "forecasts"):
            for key, series in getattr(self.plan, section).items():
                yield f'{{"{section}":{{{json.dumps(key)}:{series.model_dump_json()}}}}}\n'


def _head(plan: Plan) -> Plan:
    """Return the plan without what its lines hold."""
    count = len(plan.sites) + len(plan.hourly) + len(plan.forecasts)
    return plan.model_copy(
        update={
            "sites": (),
            "hourly": {},
            "forecasts": {},
            "lines_file": LINES_FILE,
            "line_count": count,
        }
    )


def plan_document(plan: Plan) -> str | PlanLines:
    """Return the text of a plan for keeping: its JSON, or its lines where it has many sites."""
    return PlanLines(plan) if len(plan.sites) > MANY_SITES else plan_json(plan)


def plan_files(plan: Plan) -> dict[str, str | PlanLines]:
    """Return ``plan.json``, and what belongs beside it, by file name."""
    if len(plan.sites) <= MANY_SITES:
        return {"plan.json": plan_json(plan)}
    lines = PlanLines(plan, with_head=False)
    return {"plan.json": plan_json(_head(plan)), LINES_FILE: lines}


def parse_plan(
    document: str,
    label: str,
    lines: Iterable[str] = (),
    reduce_site: Callable[[SitePlan], SitePlan] | None = None,
) -> Plan:
    """Return the plan that a JSON text holds.

    Parameters
    ----------
    document : str
        The JSON, or all lines of a plan of very many sites.
    label : str
        What to call it in messages.
    lines : iterable of str
        What stands beside a head.
    reduce_site : callable, optional
        What is kept of each site of very many; their hours are left out then.

    Raises
    ------
    InputError
        It is no plan of this version, or some of its lines are missing.
    """
    text, parts = split_document(document)
    try:
        head = Plan.model_validate_json(text)
        if head.lines_file is None:
            return head
        plan, count = _joined(head, parts or lines, reduce_site)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = [".".join(map(str, first["loc"]))] if first["loc"] else []
        message = ": ".join([f"{label} is not a plan of this version", *place, first["msg"]])
        raise InputError(message) from error
    if count != head.line_count:
        raise InputError(
            f"{label} is not whole: {count} of {head.line_count} lines are in {head.lines_file}"
        )
    return plan


def _joined(
    head: Plan, lines: Iterable[str], reduce_site: Callable[[SitePlan], SitePlan] | None
) -> tuple[Plan, int]:
    """Return a plan with its parts, and how many there are."""
    sites: list[SitePlan] = []
    hourly: dict[str, HourlySeries] = {}
    forecasts: dict[str, ForecastSeries] = {}
    shared = SharedHours()
    count = 0
    for line in lines:
        count += 1
        if reduce_site is not None and not line.startswith(SITE_PREFIX):
            continue
        part = PlanPart.model_validate_json(line)
        share_field_sets(part)
        sites += part.sites if reduce_site is None else map(reduce_site, part.sites)
        hourly |= {key: shared.hourly(one) for key, one in part.hourly.items()}
        forecasts |= {key: shared.forecast(one) for key, one in part.forecasts.items()}
    whole = {"sites": tuple(sites), "hourly": hourly, "forecasts": forecasts}
    return head.model_copy(update=whole | {"lines_file": None, "line_count": 0}), count


def plan_schema() -> str:
    """Return the JSON Schema of a plan (draft 2020-12), that of its lines among its parts."""
    template = "#/$defs/{model}"
    described = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Plan.model_json_schema(mode="serialization", ref_template=template),
    }
    part = PlanPart.model_json_schema(mode="serialization", ref_template=template)
    del part["$defs"]
    described["$defs"]["PlanPart"] = part
    return json.dumps(described, indent=1)
