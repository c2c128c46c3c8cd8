"""Diagnostics of the forecast of each site, and the verdict of a plan."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Literal

from stormplan.company.practice_rules import Practice
from stormplan.events.detection import ForecastGap, Outlook
from stormplan.events.unknown_hazards import unknown_hazard_hours
from stormplan.numerics import HOUR
from stormplan.physics.forcing import clear_sky
from stormplan.physics.station_checks import SunEnvelope, table_warnings
from stormplan.planning.diagnostics import (
    UNKNOWN_HAZARD_CODES,
    Diagnostic,
    DiagnosticCode,
    Severity,
    degraded,
    note,
)
from stormplan.treatment.records import Treatment
from stormplan.weather.forecast import CellForecast, stack

PlanVerdict = Literal["go", "wait", "nothing", "unknown"]


#: Starts of the hours in which it is not known whether a site is slippery, by what is unknown.
UnknownHours = Mapping[str, frozenset[datetime]]


def source_diagnostics(
    site: str,
    forecast: CellForecast | None,
    unavailable_reason: str | None,
    other_failures: Sequence[str],
    now: datetime,
    practice: Practice,
) -> Iterator[Diagnostic]:
    """Yield what is to be said of the forecast a site is planned from.

    Parameters
    ----------
    site : str
        Key of the site.
    forecast : CellForecast or None
        None where no source has one.
    unavailable_reason : str or None
        Why a preferred source, or every source, has none.
    other_failures : sequence of str
        Why sources after the one that is used have none.
    now : datetime
        Time of planning, aware UTC.
    practice : Practice
        The company's rules.
    """
    if forecast is None:
        yield Diagnostic(
            code=DiagnosticCode.NO_FORECAST,
            severity=Severity.FAILED,
            site=site,
            values={"reason": unavailable_reason or "no forecast"},
        )
        return
    source = forecast.source
    age_h = (now - forecast.issued_at) / HOUR
    if forecast.stale or age_h > practice.number("stale_after"):
        yield degraded(
            DiagnosticCode.STALE_FORECAST, site=site, source=source, age_h=round(age_h, 1)
        )
    if unavailable_reason is not None:
        yield degraded(
            DiagnosticCode.FALLBACK_SOURCE, site=site, source=source, reason=unavailable_reason
        )
    for reason in other_failures:
        yield Diagnostic(
            code=DiagnosticCode.OTHER_SOURCE_FAILED,
            severity=Severity.WARNING,
            site=site,
            values={"reason": reason},
        )
    for one in forecast.substitutions:
        yield degraded(
            DiagnosticCode.SUBSTITUTED,
            site=site,
            source=source,
            text=one.text,
            hours=one.hours,
            first=None if one.first is None else one.first.isoformat(),
        )
    if forecast.contradictions:
        yield degraded(
            DiagnosticCode.CONTRADICTION,
            site=site,
            source=source,
            findings=tuple(forecast.contradictions),
        )
    if source == "table":
        for line in table_warnings(
            forecast.start,
            {name: values[:, 0] for name, values in forecast.values.items()},
            clear_sky(stack([forecast], forecast.start, forecast.n_hours)),
            SunEnvelope.from_practice(practice),
        ):
            yield Diagnostic(
                code=DiagnosticCode.FORECAST_NOTE,
                severity=Severity.WARNING,
                site=site,
                source=source,
                values={"cell": forecast.cell_id, "text": line.removesuffix(".")},
            )


def layer_diagnostics(
    site: str,
    forecast_gaps: Iterable[ForecastGap],
    treatments: Iterable[Treatment],
    unknown_hours: UnknownHours,
    now: datetime,
    practice: Practice,
) -> Iterator[Diagnostic]:
    """Yield what the forecast of a site leaves unknown, without repetition over its surfaces.

    Parameters
    ----------
    site : str
        Key of the site.
    forecast_gaps : iterable of ForecastGap
        Of all its surfaces.
    treatments : iterable of Treatment
        Of all its surfaces.
    unknown_hours : mapping of str to frozenset of datetime
        As ``unknown_hours`` finds them.
    now : datetime
        Time of planning, aware UTC.
    practice : Practice
        The company's rules.
    """
    in_event = {
        what for item in treatments if item.event is not None for what in item.event.unknown
    }
    gaps = dict.fromkeys(forecast_gaps)
    for gap in gaps:
        if gap.variable == "pavement" and gap.after is not None:
            continue  # said with its hours below
        yield _layer_diagnostic(site, gap, gap.variable in in_event)
    ends = [
        gap.after
        for gap in gaps
        if gap.variable in ("pavement", "temperature")
        and gap.after is not None
        and gap.until is None
    ]
    if ends:
        known_until = min(ends)
        known_h = max((known_until - now) / HOUR, 0.0)
        report = degraded if known_h < practice.number("pavement_horizon") else note
        yield report(
            DiagnosticCode.PAVEMENT_KNOWN_UNTIL,
            site=site,
            until=known_until.isoformat(),
            known_h=round(known_h, 1),
        )
    yield from _unknown_hazards(site, unknown_hours)


def _layer_diagnostic(site: str, gap: ForecastGap, in_event: bool) -> Diagnostic:
    if gap.after is None:
        return degraded(DiagnosticCode.LAYER_MISSING, site=site, variable=gap.variable)
    if gap.until is not None:
        return degraded(
            DiagnosticCode.LAYER_GAP,
            site=site,
            variable=gap.variable,
            after=gap.after.isoformat(),
            until=gap.until.isoformat(),
        )
    report = degraded if in_event else note
    return report(
        DiagnosticCode.LAYER_ENDS,
        site=site,
        variable=gap.variable,
        after=gap.after.isoformat(),
        during="event" if in_event else None,
    )


def unknown_hours(surfaces: Iterable[tuple[Outlook, Practice]]) -> UnknownHours:
    """Return the likely-cold hours of a site in which precipitation or pavement is unknown.

    Parameters
    ----------
    surfaces : iterable of (Outlook, Practice)
        The outlook of each surface of the site, and its rules.
    """
    unknown: dict[str, set[datetime]] = {}
    distinct = {
        (id(outlook), practice.number("monitor_probability")): (outlook, practice)
        for outlook, practice in surfaces
    }
    for outlook, practice in distinct.values():
        for what, start in unknown_hazard_hours(outlook, practice):
            unknown.setdefault(what, set()).add(start)
    return {what: frozenset(starts) for what, starts in unknown.items()}


def _unknown_hazards(site: str, unknown_hours: UnknownHours) -> Iterator[Diagnostic]:
    for what, starts in unknown_hours.items():
        yield degraded(
            DiagnosticCode.HAZARD_UNKNOWN,
            site=site,
            variable=what,
            after=min(starts).isoformat(),
            until=(max(starts) + HOUR).isoformat(),
            hours=len(starts),
        )


def cell_notes(cells: Iterable[CellForecast]) -> Iterator[Diagnostic]:
    """Yield what parsers dropped, clipped or guessed; what is said of several cells, once."""
    said: dict[tuple[str, str], dict[str, None]] = {}
    for cell in cells:
        for text in cell.notes:
            said.setdefault((cell.source, text), {})[cell.cell_id] = None
    for (source, text), (first, *others) in said.items():
        yield note(
            DiagnosticCode.FORECAST_NOTE,
            source=source,
            cell=first,
            other_cells=tuple(others),
            text=text,
        )


def plan_verdict(
    is_work_due: bool, has_event: bool, diagnostics: Iterable[Diagnostic]
) -> PlanVerdict:
    """Return the verdict of a plan; never calmer than what is known.

    Parameters
    ----------
    is_work_due : bool
        Whether a crew is to go out within a day.
    has_event : bool
        Whether any surface has an event ahead.
    diagnostics : iterable of Diagnostic
        What the plan stands on.

    Examples
    --------
    >>> plan_verdict(False, False, [])
    'nothing'
    """
    if is_work_due:
        return "go"
    if has_event:
        return "wait"
    if any(diagnostic.code in UNKNOWN_HAZARD_CODES for diagnostic in diagnostics):
        return "unknown"
    return "nothing"
