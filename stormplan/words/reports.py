"""Every report of a plan, by file name; a report that cannot be made stops no other."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from stormplan.planning.diagnostics import DiagnosticCode, degraded
from stormplan.planning.plan import Plan
from stormplan.planning.plan_io import PlanLines, plan_files
from stormplan.store.text_chunks import sha256_hex
from stormplan.words import (
    briefing,
    calendar_entries,
    exports,
    mix_sheet,
    notices,
    round_cards,
    strip_charts,
    terminal,
)

BRIEFING_TEXT = "briefing.txt"


#: Each report by file name: its text, or the lines it is written in.
Rendered = dict[str, str | PlanLines]


def render_reports(plan: Plan) -> Rendered:
    """Render every report of a plan: its text by file name, the page first."""
    return {name: text for _, render in _RENDERERS for name, text in render(plan).items()}


def _render_page(plan: Plan) -> dict[str, str]:
    strips = strip_charts.draw_strips(plan)
    more = strip_charts.count_event_columns(plan) - len(strips)
    page = briefing.render_html(briefing.build_view(plan), strips, more)
    return {"briefing.html": page, **briefing.yard_pages(plan)}


#: Each report, by the name it has for a reader: the texts of a plan by file name.
_RENDERERS: tuple[tuple[str, Callable[[Plan], Mapping[str, str | PlanLines]]], ...] = (
    ("briefing.html", _render_page),
    (
        BRIEFING_TEXT,
        lambda plan: {BRIEFING_TEXT: terminal.render_text(briefing.build_view(plan))},
    ),
    ("mixsheet.html", lambda plan: {"mixsheet.html": mix_sheet.render_html(plan)}),
    ("rounds.html", lambda plan: {"rounds.html": round_cards.render_html(plan)}),
    ("rounds.gpx", lambda plan: {"rounds.gpx": round_cards.rounds_gpx(plan)}),
    ("notices.html", lambda plan: {"notices.html": notices.render_html(plan)}),
    ("drafts of notices", lambda plan: notices.draft_files(plan)),
    ("treatments.csv", lambda plan: {"treatments.csv": exports.treatments_csv(plan)}),
    ("mix.csv", lambda plan: {"mix.csv": exports.mix_csv(plan.yards, plan.units)}),
    ("refreeze.csv", lambda plan: {"refreeze.csv": exports.refreeze_csv(plan)}),
    ("windows.ics", lambda plan: {"windows.ics": calendar_entries.treatment_windows_ics(plan)}),
    ("sites.geojson", lambda plan: {"sites.geojson": exports.sites_geojson(plan)}),
    ("plan.json", plan_files),
)


def render_possible_reports(plan: Plan) -> tuple[Plan, Rendered]:
    """Render the reports of a plan that can be made; the others are named in it and in each.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    Plan
        With a diagnostic for each report that cannot be made.
    dict of str to str or PlanLines
        The others by file name. There is always a ``briefing.txt``: where the text itself cannot be
        made, it says so, with the verdict.
    """
    failed: dict[str, str] = {}
    while True:
        reports: Rendered = {}
        found: dict[str, str] = {}
        for name, render in _RENDERERS:
            if name not in failed:
                try:
                    made = render(plan)
                    for text in made.values():
                        sha256_hex(text)  # what has no bytes cannot be written
                except Exception as error:  # of this report alone
                    found[name] = type(error).__name__
                else:
                    reports.update(made)
        if not found:
            break
        failed |= found
        plan = plan.with_diagnostics(
            *(
                degraded(DiagnosticCode.REPORT_NOT_MADE, report=name, reason=reason)
                for name, reason in found.items()
            )
        )
    if BRIEFING_TEXT in failed:
        reports[BRIEFING_TEXT] = _bare_text(plan, failed)
    return plan, reports


def _bare_text(plan: Plan, failed: Mapping[str, str]) -> str:
    """Return a briefing of what is certain where its text cannot be made."""
    others = "; ".join(f"{name} ({reason})" for name, reason in failed.items())
    return (
        f"{plan.company}\n{plan.verdict.upper()}, planned {plan.made_at:%Y-%m-%d %H:%M}Z\n\n"
        f"NOT EVERYTHING IS KNOWN: by a fault of the program these reports could not be made: "
        f"{others}. Use the other reports of this plan.\n"
    )
