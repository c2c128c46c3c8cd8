"""Decision trace: the rules behind each answer, then the result of the film model.

Practice and physics are shown side by side and never blended into one number.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import TypeVar

from stormplan.errors import InputError
from stormplan.planning.plan import Plan, SitePlan, SurfacePlan
from stormplan.treatment.records import Action, Treatment
from stormplan.words.formatting import (
    ReportFormat,
    blend_name,
    capitalize_first,
    cost_loss_line,
    format_percent,
    format_working_time,
    night_bias_line,
    plan_format,
    reason_line,
    solid_rate_lines,
)
from stormplan.words.ice_text import ice_clause


def trace_lines(plan: Plan, site_key: str, surface_key: str | None = None) -> list[str]:
    """Explain every answer for a site, or for one of its surfaces.

    Parameters
    ----------
    plan : Plan
        The record.
    site_key : str
        Key of the site.
    surface_key : str or None
        Key of one surface; None for all.

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
    fmt = plan_format(plan).in_zone(site.timezone)
    trace = [f"{site.name}, priority {site.priority}, planned {fmt.full_datetime(plan.made_at)}"]
    if site.source is None:
        return [*trace, f"No forecast: {plan.no_forecast_reason(site.key)}"]
    trace.append(
        f"Forecast: {site.source.source} cell {site.source.cell}, issued"
        f" {fmt.full_datetime(site.source.issued_at)}"
    )
    chosen = site.surfaces if surface_key is None else (
        _find(site.surfaces, surface_key, "surface"),
    )  # fmt: skip
    for surface in chosen:
        trace += ["", f"{surface.name} ({surface.key}), {fmt.units.area(surface.area_m2)}"]
        if surface.night_bias is not None and surface.night_bias.reading_count > 0:
            trace.append(f"  Own readings: {night_bias_line(surface.night_bias, fmt.units)}")
        for treatment in surface.treatments:
            trace += [f"  {line}" for line in _treatment_lines(treatment, fmt)]
            trace += [f"  {line}" for line in _round_lines(plan, site, surface, treatment, fmt)]
            if treatment.cost_loss is not None and treatment.event is not None:
                chance = treatment.event.probability
                trace.append(f"  {cost_loss_line(treatment.cost_loss, chance, plan.currency)}")
    return trace


KeyedRecord = TypeVar("KeyedRecord", SitePlan, SurfacePlan)


def _find(records: Iterable[KeyedRecord], key: str, what: str) -> KeyedRecord:
    known = {record.key: record for record in records}
    if key not in known:
        near = difflib.get_close_matches(key, known, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"there are: {', '.join(known)}"
        raise InputError(f"no {what} '{key}' in this plan; {hint}")
    return known[key]


def _treatment_lines(item: Treatment, fmt: ReportFormat) -> list[str]:
    trace = [item.text]
    if item.event is not None:
        event = item.event
        trace.append(
            f"Event: {event.hazard}, {fmt.time_range(event.start, event.end)},"
            f" {format_percent(event.probability)}; pavement "
            f"{fmt.units.temperature(event.min_pavement_temp_c)}"
            f" at {fmt.day_hour(event.min_pavement_temp_at)}, {event.trend}"
        )
        if ice := ice_clause(event, fmt):
            trace.append(capitalize_first(ice))
    if item.reasons:
        trace.append("Practice:")
        trace += [
            f"  {r.effect}: {reason_line(r, fmt.units)} ({r.evidence}: {r.source})"
            for r in item.reasons
        ]
    if item.solid is not None:
        trace.append("Published rates of prewetted salt, which disagree; policy and crew pick:")
        trace += [f"  {line}" for line in solid_rate_lines(item.solid, fmt.units)]
    if item.action is Action.PRETREAT:
        trace.append("Film model:")
        trace += [f"  {line}" for line in _film_lines(item, fmt)]
    if item.alternatives:
        trace.append("Also weighed:")
        for other in item.alternatives:
            until = (
                "to the target"
                if other.holds_until is None
                else f"until {fmt.day_hour(other.holds_until)}"
            )
            trace.append(
                f"  {blend_name(other.additive, other.additive_frac)} at"
                f" {fmt.units.liquid_rate(other.rate_l_m2)} from {fmt.day_hour(other.start)}:"
                f" good {until}, {fmt.units.mass(other.chloride_kg)} of chloride"
            )
    return trace


def _round_lines(
    plan: Plan, site: SitePlan, surface: SurfacePlan, item: Treatment, fmt: ReportFormat
) -> Iterable[str]:
    """Yield when the rounds have a surface sprayed, or why not and what one more would change."""
    (schedule,) = [one.sprayer_schedule for one in plan.yards if one.yard == site.yard]
    if item.missed is not None:
        missed = item.missed
        blend = blend_name(missed.additive_name, missed.additive_frac)
        yield (
            f"Left out of the rounds: {missed.text}; {fmt.units.volume(missed.volume_l)} of {blend}"
            f" at {fmt.units.liquid_rate(missed.rate_l_m2)} by {fmt.day_hour(missed.latest_start)}"
        )
    elif item.scheduled_start is not None and item.event is not None:
        for sprayer in schedule.sprayers:
            for stop in sprayer.stops:
                where = stop.site, stop.surface, stop.onset
                if where == (site.key, surface.key, item.event.start):
                    yield (
                        f"Rounds: {sprayer.name}, load {stop.load},"
                        f" {fmt.time_range(stop.start, stop.end)} after a drive of"
                        f" {format_working_time(stop.drive_h)}; done"
                        f" {format_working_time(stop.slack_h)} before it starts"
                    )
    yield from _pass_lines(plan, site, surface, item, fmt)
    more = schedule.one_more
    if more is not None and item.missed is not None:
        yield (
            f"One more sprayer like {more.name} would reach {more.reached_count} of the"
            f" {more.reached_count + more.left_count} surfaces left out"
        )


def _pass_lines(
    plan: Plan, site: SitePlan, surface: SurfacePlan, item: Treatment, fmt: ReportFormat
) -> Iterable[str]:
    """Yield who does the visits in and after the storm, and which are late."""
    where = site.key, surface.key
    begins = {visit.at for visit in item.visits}
    for schedule in plan.passes:
        for vehicle in schedule.vehicles:
            for stop in vehicle.stops:
                if (stop.site, stop.surface) == where and begins & {stop.start, stop.planned_at}:
                    when = fmt.time_range(stop.start, stop.end)
                    drive = format_working_time(stop.drive_h)
                    yield f"Rounds: {vehicle.name}, {stop.kind}, {when} after a drive of {drive}"
        for late in schedule.late:
            if (late.site, late.surface) == where and late.planned_at in begins:
                yield (
                    f"Late: {late.kind} of {fmt.day_hour(late.planned_at)}, due by"
                    f" {fmt.day_hour(late.due_by)}: {late.text}"
                )


def _film_lines(item: Treatment, fmt: ReportFormat) -> list[str]:
    assert item.hold_target is not None  # every pre-treat has one
    if item.holds_until is None:
        trace = [f"good to the target, {fmt.day_hour(item.hold_target)}"]
    else:
        trace = [
            f"fails at {fmt.day_hour(item.holds_until)}, target {fmt.day_hour(item.hold_target)}"
        ]
    if item.film is not None:
        coldest = [point for point in item.film.freeze_point_c if point is not None]
        if coldest:
            trace.append(
                f"its freeze point goes from {fmt.units.temperature(min(coldest))} to"
                f" {fmt.units.temperature(max(coldest))} as it dilutes"
            )
    return trace
