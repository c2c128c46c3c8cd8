"""Sentences of the diagnostics of a plan."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from stormplan.company.places import far_sentence
from stormplan.planning.diagnostics import (
    LAYER_CODES,
    UNKNOWN_HAZARD_CODES,
    Diagnostic,
    DiagnosticCode,
    Severity,
)
from stormplan.record.entries import SALT_PILE
from stormplan.words.formatting import ReportFormat, format_age, join_names, plan_format, pluralize

if TYPE_CHECKING:
    from stormplan.planning.plan import Plan

MAX_SITES = 3  # names in one line before the rest is counted


def problem_lines(plan: Plan, fmt: ReportFormat | None = None) -> tuple[str, ...]:
    """Return what the plan stands on less than it should, and what to be warned of.

    Parameters
    ----------
    plan : Plan
        The plan.
    fmt : ReportFormat, optional
        Its readers; the company's by default.

    Returns
    -------
    tuple of str
        Degrading ones first; one line for several sites where they have the same.
    """
    shown = [one for one in plan.diagnostics if one.severity.rank >= Severity.WARNING.rank]
    shown.sort(key=lambda one: not one.is_degrading)
    return _lines(plan, shown, fmt)


def degraded_lines(plan: Plan, fmt: ReportFormat | None = None) -> tuple[str, ...]:
    """Return what the plan stands on less than it should."""
    return _lines(plan, [one for one in plan.diagnostics if one.is_degrading], fmt)


def note_lines(plan: Plan, fmt: ReportFormat | None = None) -> tuple[str, ...]:
    """Return what is only mentioned, layers that end left out."""
    shown = [one for one in plan.diagnostics if one.severity is Severity.INFO]
    return _lines(plan, [one for one in shown if one.code not in LAYER_CODES], fmt)


def layer_lines(plan: Plan, fmt: ReportFormat | None = None) -> tuple[str, ...]:
    """Return what the forecasts do not say: sites without one, layers that end or pause."""
    codes = (DiagnosticCode.NO_FORECAST, *LAYER_CODES)
    return _lines(plan, [one for one in plan.diagnostics if one.code in codes], fmt)


def site_problem(plan: Plan, site: str, fmt: ReportFormat) -> tuple[str, str] | None:
    """Return why "nothing to do" is not known for a site: (label, text); None where it is.

    Parameters
    ----------
    plan : Plan
        The plan.
    site : str
        Key of the site.
    fmt : ReportFormat
        Its readers.
    """
    reason = plan.no_forecast_reason(site)
    if reason is not None:
        return "No forecast", reason
    texts = [
        _forecast_sentence(one, (), fmt)
        for one in plan.diagnostics
        if one.site == site and one.code in UNKNOWN_HAZARD_CODES
    ]
    return ("Not known", "; ".join(texts)) if texts else None


def _lines(plan: Plan, shown: Iterable[Diagnostic], fmt: ReportFormat | None) -> tuple[str, ...]:
    used = fmt or plan_format(plan)
    return diagnostic_lines(shown, used, {site.key: site.name for site in plan.sites})


def diagnostic_lines(
    diagnostics: Iterable[Diagnostic], fmt: ReportFormat, names: Mapping[str, str]
) -> tuple[str, ...]:
    """Return diagnostics as lines.

    Parameters
    ----------
    diagnostics : iterable of Diagnostic
        In the order they are shown.
    fmt : ReportFormat
        The reader's units and zone.
    names : mapping of str to str
        Names of sites by their keys.

    Returns
    -------
    tuple of str
        Sites with the same sentence share a line, as do layers of one site with the same hours.
    """
    merged = _merge_layers(diagnostics)
    sites_by_text: dict[str, list[str]] = {}
    for diagnostic, variables in merged:
        sites = sites_by_text.setdefault(_sentence(diagnostic, variables, fmt), [])
        if diagnostic.site is not None:
            sites.append(names.get(diagnostic.site, diagnostic.site))
    return tuple(
        f"{join_names(list(dict.fromkeys(sites)), MAX_SITES)}: {text}" if sites else text
        for text, sites in sites_by_text.items()
    )


def _merge_layers(diagnostics: Iterable[Diagnostic]) -> list[tuple[Diagnostic, list[str]]]:
    """Return diagnostics with their variables, those of one site and the same hours joined."""
    merged: dict[object, tuple[Diagnostic, list[str]]] = {}
    for at, diagnostic in enumerate(diagnostics):
        key: object = at
        if diagnostic.code in LAYER_CODES:
            values = {name: v for name, v in diagnostic.values.items() if name != "variable"}
            key = (diagnostic.code, diagnostic.site, *sorted(values.items(), key=str))
        merged.setdefault(key, (diagnostic, []))[1].append(diagnostic.text("variable"))
    return [(diagnostic, sorted(variables)) for diagnostic, variables in merged.values()]


def _sentence(one: Diagnostic, variables: Sequence[str], fmt: ReportFormat) -> str:
    """Return the sentence of one diagnostic, without its site."""
    if one.code in _FORECAST_CODES:
        return _forecast_sentence(one, variables, fmt)
    if one.code in _DELIVERY_OUTCOMES:
        return _delivery_sentence(one)
    return _run_sentence(one, fmt)


_FORECAST_CODES = frozenset(
    {
        DiagnosticCode.NO_FORECAST,
        DiagnosticCode.STALE_FORECAST,
        DiagnosticCode.FALLBACK_SOURCE,
        DiagnosticCode.OTHER_SOURCE_FAILED,
        DiagnosticCode.CONTRADICTION,
        DiagnosticCode.SUBSTITUTED,
        DiagnosticCode.LAYER_MISSING,
        DiagnosticCode.LAYER_ENDS,
        DiagnosticCode.LAYER_GAP,
        DiagnosticCode.PAVEMENT_KNOWN_UNTIL,
        DiagnosticCode.HAZARD_UNKNOWN,
        DiagnosticCode.FORECAST_NOTE,
        DiagnosticCode.ERROR_RECORD_USED,
    }
)


def _substitution(one: Diagnostic, fmt: ReportFormat) -> str:
    """Return what stands in, in how many hours and from when in the reader's time."""
    first = one.text("first")
    if not first:
        return one.text("text")
    when = fmt.day_hour(datetime.fromisoformat(first))
    return f"{one.text('text')}, {pluralize(round(one.quantity('hours')), 'hour')} from {when}"


def _forecast_sentence(one: Diagnostic, variables: Sequence[str], fmt: ReportFormat) -> str:
    layers = ", ".join(variables)
    match one.code:
        case DiagnosticCode.NO_FORECAST:
            return f"no forecast ({one.text('reason')})"
        case DiagnosticCode.STALE_FORECAST:
            return f"forecast is {one.quantity('age_h'):.0f} h old"
        case DiagnosticCode.FALLBACK_SOURCE:
            return f"planned from {one.source} ({one.text('reason')})"
        case DiagnosticCode.OTHER_SOURCE_FAILED:
            return f"no forecast to compare with ({one.text('reason')})"
        case DiagnosticCode.CONTRADICTION:
            return f"the forecast contradicts itself ({'; '.join(one.texts('findings'))})"
        case DiagnosticCode.SUBSTITUTED:
            return _substitution(one, fmt)
        case DiagnosticCode.LAYER_MISSING:
            return f"{layers} not forecast at all"
        case DiagnosticCode.LAYER_ENDS:
            when = f"{layers} not forecast beyond {fmt.day_hour(_time(one, 'after'))}"
            return f"{when}, before the storm is over" if one.text("during") else when
        case DiagnosticCode.LAYER_GAP:
            hours = fmt.time_range(_time(one, "after"), _time(one, "until"))
            return f"{layers} not forecast {hours}"
        case DiagnosticCode.PAVEMENT_KNOWN_UNTIL:
            return (
                f"the pavement is known for the next {one.quantity('known_h'):.0f} h only,"
                f" until {fmt.day_hour(_time(one, 'until'))}"
            )
        case DiagnosticCode.HAZARD_UNKNOWN:
            hours = fmt.time_range(_time(one, "after"), _time(one, "until"))
            count = pluralize(round(one.quantity("hours")), "hour")
            return (
                f"{one.text('variable')} not known in {count} of {hours} in which the pavement may"
                " be below freezing: look at it"
            )
        case DiagnosticCode.FORECAST_NOTE:
            others = one.texts("other_cells")
            more = f" and {pluralize(len(others), 'other cell')}" if others else ""
            return f"{one.source} {one.text('cell')}{more}: {one.text('text')}"
        case _:
            return (
                f"how far {one.source} may be off is stated from its own record of"
                f" {one.quantity('hours'):,.0f} h"
            )


def _far_sentence(one: Diagnostic, fmt: ReportFormat) -> str:
    yard, section = one.text("yard"), "sites" if one.site else "yards"
    said = far_sentence(
        section, one.text("other"), one.quantity("distance_km"), one.text("mistake"), fmt.units
    )
    return said if one.site else f"{yard}: {said}"


def _run_sentence(one: Diagnostic, fmt: ReportFormat) -> str:
    reason = one.text("reason")
    match one.code:
        case DiagnosticCode.PLACE_FAR:
            return _far_sentence(one, fmt)
        case DiagnosticCode.READINGS_UNUSABLE:
            return f"nights are not corrected by readings: {reason}"
        case DiagnosticCode.RECORD_UNUSABLE:
            count = pluralize(round(one.quantity("entries")), "recent entry", "recent entries")
            return f"{count} of the record left out: {reason}"
        case DiagnosticCode.ROUTER_UNUSABLE:
            return f"driving times by distance, the router gave none: {reason}"
        case (
            DiagnosticCode.STOCK_BELOW_EMPTY
            | DiagnosticCode.STOCK_DIFFERENCE
            | DiagnosticCode.LOAD_DIFFERENCE
        ):
            return _stock_sentence(one, fmt)
        case DiagnosticCode.ALERTS_UNKNOWN:
            return f"official alerts are not known: {reason}"
        case DiagnosticCode.ALERTS_STALE:
            return f"official alerts may be old: {reason}"
        case DiagnosticCode.ALERT_UNREADABLE:
            return f"an official alert cannot be read and is not shown: {reason}"
        case DiagnosticCode.PLAN_NOT_COMPARED:
            return "the plan before is of another version and was not compared"
        case DiagnosticCode.ARCHIVE_ROWS_DAMAGED:
            rows = join_names(list(one.texts("rows")), MAX_SITES)
            return f"damaged in the archive and left out, with the one before used: {rows}"
        case DiagnosticCode.SITES_FILE_FALLBACK:
            return f"the sites file has errors; the last good one is used ({reason})"
        case DiagnosticCode.PLANNING_FAULT:
            faults = join_names(list(one.texts("faults")), MAX_SITES)
            sites = pluralize(len(one.texts("sites")), "site")
            return f"stormplan itself failed at {sites}, look at them yourself ({faults})"
        case DiagnosticCode.REPORT_NOT_MADE:
            return f"by a fault of the program, there is no {one.text('report')} ({reason})"
        case DiagnosticCode.REPORTS_NOT_WRITTEN:
            return f"cannot write to {one.text('folder')}: the reports are in the mail only"
        case DiagnosticCode.DISK_FULL:
            return (
                f"{reason}: the reports are in the mail only, and an older set stays in the folder"
            )
        case DiagnosticCode.LOCK_UNUSABLE:
            return f"nothing keeps a second run out: {reason}"
        case DiagnosticCode.RUN_LATE:
            minutes = round(60.0 * one.quantity("delay_h"))
            return (
                f"late by {minutes // 60} h {minutes % 60:02d} min: the program was not running,"
                " or the computer asleep"
            )
        case DiagnosticCode.FIRST_RUN:
            return "this is the first run; from now on the briefing comes at its own time"
        case DiagnosticCode.CLOCK_OFFSET:
            offset_h = one.quantity("offset_h")
            size = format_age(timedelta(hours=abs(offset_h)))
            return (
                f"this computer's clock is {size} {'ahead of' if offset_h > 0.0 else 'behind'} the"
                " weather service's; every time in this plan is off by as much"
            )
        case DiagnosticCode.CLOCK_REVERSED:
            return (
                f"the clock says {fmt.full_datetime(_time(one, 'now'))}, but the plan before was"
                f" made at {fmt.full_datetime(_time(one, 'previous'))}; one of them is wrong"
            )
        case _:  # the archive
            return reason


def _stock_sentence(one: Diagnostic, fmt: ReportFormat) -> str:
    yard, store = one.text("yard"), one.text("store")
    place = "salt pile" if store == SALT_PILE else store
    if one.code is DiagnosticCode.STOCK_BELOW_EMPTY:
        return f"{yard}, {place}: by the record more was taken than was there; measure it"
    when = fmt.full_datetime(_time(one, "at"))
    if one.code is DiagnosticCode.LOAD_DIFFERENCE:
        off_l, loaded = one.quantity("difference"), fmt.units.volume(one.quantity("loaded"))
        verb = "more" if off_l > 0.0 else "less"
        return (
            f"{yard}, {one.text('sprayer')}, back {when}: {fmt.units.volume(abs(off_l))} {verb} of"
            f" {loaded} went out than its services say; it was shared among them"
        )
    say = fmt.units.mass if one.text("unit") == "kg" else fmt.units.volume
    booked, measured = one.quantity("booked"), one.quantity("measured")
    verb = "missing" if booked > measured else "over"
    return (
        f"{yard}, {place}: {say(abs(booked - measured))} {verb} when measured {when}, more than"
        f" the {say(one.quantity('limit'))} that gauges explain; log the loss with its cause"
    )


_DELIVERY_OUTCOMES = {
    DiagnosticCode.DELIVERY_FAILED: "not delivered",
    DiagnosticCode.DELIVERY_REFUSED: "refused",
    DiagnosticCode.DELIVERY_UNCONFIRMED: "broken off, it may or may not have arrived",
    DiagnosticCode.DELIVERY_NOT_TRIED: "not tried",
    DiagnosticCode.DELIVERY_DELAYED: "delivered after failing",
}


def _delivery_sentence(one: Diagnostic) -> str:
    what = f"the last plan by {one.text('channel')} to {one.text('recipient')}"
    said = f"{what}: {_DELIVERY_OUTCOMES[one.code]}"
    if one.code is DiagnosticCode.DELIVERY_DELAYED:
        failures = round(one.quantity("failures"))
        return f"{said} {'once' if failures == 1 else f'{failures} times'}"
    return f"{said} ({one.text('reason')})" if one.text("reason") else said


def _time(one: Diagnostic, name: str) -> datetime:
    return datetime.fromisoformat(one.text(name))
