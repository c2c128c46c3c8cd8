"""Forms about surfaces and sites: work done or not, looks, readings, what a client said."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.record.entries import (
    Application,
    Complaint,
    Direction,
    Inspection,
    PlowPass,
    Reading,
    Skipped,
    WorkEntry,
)
from stormplan.treatment.records import Action
from stormplan.web.form_fields import (
    Fields,
    decimal_of,
    field_units,
    pair_of,
    parse_moment,
    quantity_of,
)

SKIP_REASONS = ("not needed", "cars parked", "no time", "no material", "client said no", "unsafe")


def about_surface(fields: Fields, sites: Sites) -> dict[str, Any]:
    """Return what every form about a surface says: where, how cold, by which plan."""
    site, surface = pair_of(fields, "surface")
    unit = field_units(sites)["temperature"]
    plan_made_at = fields.get("plan", "")
    return {
        "site": site,
        "surface": surface,
        "pavement_temp_c": quantity_of(fields, "temperature", unit, "temperature"),
        "instrument": fields.get("instrument", "").strip(),
        "plan_made_at": parse_moment(plan_made_at),
        "deviation": _deviation(fields),
    }


def _deviation(fields: Fields) -> str:
    """Return how the number differs from the plan's, and why if that was said."""
    planned, done = (decimal_of(fields, key) for key in ("planned", "rate"))
    told = f"planned {planned:g} {fields.get('unit', '')}".strip() if planned is not None else ""
    why = fields.get("why", "").strip()
    return ": ".join(filter(None, ("" if planned == done else told, why)))


def done_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return the pass, the application or both that a form says were done."""
    unit, about = field_units(sites), {**common, **about_surface(fields, sites)}
    action = fields.get("action", "")
    found: list[WorkEntry] = []
    if fields.get("plow") or action == Action.PLOW:
        found.append(PlowPass(**about | {"id": f"{common['id']}-pass", "photos": ()}))
    if action in (Action.PRETREAT, Action.POST_TREAT):
        rate = quantity_of(fields, "rate", unit["rate"], "liquid rate")
        if rate is None:
            raise InputError("how much went down? write the rate")
        additive = fields.get("additive") or None
        share = quantity_of(fields, "share", "%", "percentage") if additive else None
        found.append(
            Application(
                **about,
                rate_l_m2=rate,
                additive=additive,
                additive_frac=share or 0.0,
                sprayer=fields.get("sprayer") or None,
            )
        )
    elif action in (Action.SALT, Action.SAND):
        solid = quantity_of(fields, "rate", unit["solid"], "solid rate")
        if solid is None:
            raise InputError("how much went down? write the rate")
        name = "salt_kg_m2" if action == Action.SALT else "sand_kg_m2"
        found.append(Application(**about, **{name: solid}))
    if not found:
        raise InputError("there is no such work; open the page again")
    if not isinstance(found[-1], Application):
        found[-1] = found[-1].model_copy(update={"photos": tuple(common["photos"])})
    return found


def skipped_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return that work of the plan was not done, and why."""
    return [Skipped(**common, **about_surface(fields, sites), reason=fields.get("reason", ""))]


def inspection_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return what somebody saw on a surface."""
    depth_m = quantity_of(fields, "depth", field_units(sites)["depth"], "length")
    return [
        Inspection(
            **common,
            **about_surface(fields, sites),
            condition=fields.get("condition", ""),
            depth_cm=None if depth_m is None else 100.0 * depth_m,
        )
    ]


def reading_entries(fields: Fields, common: Mapping[str, Any], sites: Sites) -> list[WorkEntry]:
    """Return a pavement temperature that was read."""
    return [Reading(**common, **about_surface(fields, sites), light=fields.get("light", ""))]


def said_entries(fields: Fields, common: Mapping[str, Any], _sites: Sites) -> list[WorkEntry]:
    """Return what a client asked for or complained of."""
    kind = Complaint if fields["form"] == "complaint" else Direction
    about = {**common, "site": fields.get("site", "")}
    return [kind(**about, said=fields.get("said", ""), said_by=fields.get("said_by", ""))]
