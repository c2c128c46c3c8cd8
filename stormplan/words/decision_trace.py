"""Why: the chain of rules behind each answer, practice first, then what the film model says.

Practice and physics are shown side by side and never blended into one number.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import TypeVar
from zoneinfo import ZoneInfo

from stormplan.errors import InputError
from stormplan.planning.plan import Plan, SitePlan, SurfacePlan
from stormplan.treatment.records import Action, Treatment
from stormplan.units import Speaker
from stormplan.words.formatting import (
    Words,
    blend_name,
    night_line,
    percent,
    reason_line,
    solid_lines,
    stake_line,
)


def lines(plan: Plan, site_key: str, surface_key: str | None = None) -> list[str]:
    """Explain every answer for a site, or for one of its surfaces.

    Parameters
    ----------
    plan : Plan
        The record [-].
    site_key : str
        Key of the site [-].
    surface_key : str or None
        Key of one surface; None for all [-].

    Returns
    -------
    list of str
        One line each.

    Raises
    ------
    InputError
        No such site or surface; names the nearest.
    """
    site = _find(plan.sites, site_key, "site")
    words = Words(Speaker(plan.units), ZoneInfo(site.timezone))
    said = [f"{site.name}, priority {site.priority}, planned {words.full(plan.made_at)}"]
    if site.source is None:
        return [*said, f"No forecast: {site.problem}"]
    said.append(
        f"Forecast: {site.source.source} cell {site.source.cell}, issued"
        f" {words.full(site.source.issued_at)}"
    )
    chosen = site.surfaces if surface_key is None else (
        _find(site.surfaces, surface_key, "surface"),
    )  # fmt: skip
    for surface in chosen:
        said += ["", f"{surface.name} ({surface.key}), {words.say.area(surface.area_m2)}"]
        if surface.night is not None and surface.night.n > 0:
            said.append(f"  Own readings: {night_line(surface.night, words.say)}")
        for treatment in surface.treatments:
            said += [f"  {line}" for line in _treatment(treatment, words)]
            if treatment.stake is not None and treatment.event is not None:
                chance = treatment.event.probability
                said.append(f"  {stake_line(treatment.stake, chance, plan.currency)}")
    return said


Keyed = TypeVar("Keyed", SitePlan, SurfacePlan)


def _find(records: Iterable[Keyed], key: str, what: str) -> Keyed:
    known = {record.key: record for record in records}
    if key not in known:
        near = difflib.get_close_matches(key, known, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"there are: {', '.join(known)}"
        raise InputError(f"no {what} '{key}' in this plan; {hint}")
    return known[key]


def _treatment(item: Treatment, words: Words) -> list[str]:
    said = [item.says]
    if item.event is not None:
        event = item.event
        said.append(
            f"Event: {event.hazard}, {words.span(event.start, event.end)},"
            f" {percent(event.probability)}; pavement {words.say.temp(event.coldest_surface_c)}"
            f" at {words.day(event.coldest_surface_at)}, {event.trend}"
        )
    if item.reasons:
        said.append("Practice:")
        said += [
            f"  {r.effect}: {reason_line(r, words.say)} ({r.standing}: {r.source})"
            for r in item.reasons
        ]
    if item.solid is not None:
        said.append("Published rates of prewetted salt, which disagree; policy and crew pick:")
        said += [f"  {line}" for line in solid_lines(item.solid, words.say)]
    if item.action is Action.PRETREAT:
        said.append("Film model:")
        said += [f"  {line}" for line in _film(item, words)]
    if item.alternatives:
        said.append("Also weighed:")
        for other in item.alternatives:
            until = "to the target" if other.holds_until is None else words.day(other.holds_until)
            said.append(
                f"  {blend_name(other.additive, other.additive_share)} at"
                f" {words.say.liquid_rate(other.rate_l_m2)} from {words.day(other.start)}:"
                f" holds until {until}, {words.say.mass(other.chloride_kg)} of chloride"
            )
    return said


def _film(item: Treatment, words: Words) -> list[str]:
    assert item.target is not None  # every pre-treat has one
    if item.holds_until is None:
        said = [f"holds to the target, {words.day(item.target)}"]
    else:
        said = [f"fails at {words.day(item.holds_until)}, target {words.day(item.target)}"]
    if item.film is not None:
        coldest = [point for point in item.film.freeze_point_c if point is not None]
        if coldest:
            said.append(
                f"its freeze point goes from {words.say.temp(min(coldest))} to"
                f" {words.say.temp(max(coldest))} as it dilutes"
            )
    return said
