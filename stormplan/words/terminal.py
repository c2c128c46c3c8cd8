"""The briefing on a terminal, and the same lines as a text file or mail body.

One arrangement of rich renderables serves both: in color for a terminal, plain and 78 columns
wide for text. Color repeats what the words say and is never the only signal.
"""

from __future__ import annotations

import io
from typing import Any

from rich.console import Console, Group, RenderableType
from rich.containers import Lines
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from stormplan.words.briefing import View, YardLine
from stormplan.words.first_screen import SummaryRow, WorkLine
from stormplan.words.formatting import NUMBER_UNIT_SPACE
from stormplan.words.site_text import SiteView, TaskView
from stormplan.words.yard_mix_text import YardMixView

TEXT_WIDTH = 78
#: Stands for a space while lines are cut: rich cuts at a no-break space too.
HELD_SPACE = "\ue000"


class ReportText(Text):
    """Text of which no line ends between a number and its unit."""

    def wrap(self, *arguments: Any, **options: Any) -> Lines:
        """Return the lines as rich cuts them, those spaces held together meanwhile."""
        held = self.copy()
        held.plain = NUMBER_UNIT_SPACE.sub(HELD_SPACE, held.plain)
        lines = held.wrap(*arguments, **options)
        for line in lines:
            line.plain = line.plain.replace(HELD_SPACE, " ")
        return lines


def render_text(view: View) -> str:
    """Render the briefing as plain text.

    Parameters
    ----------
    view : View
        The plan in words.

    Returns
    -------
    str
        Lines of at most 78 characters.
    """
    return plain_text(render_screen(view), TEXT_WIDTH)


def plain_text(screen: RenderableType, width: int) -> str:
    """Return what is arranged as lines without color, and without spaces at their ends.

    Parameters
    ----------
    screen : rich renderable
        What is shown.
    width : int
        Characters of a line at most.

    Returns
    -------
    str
        Lines.
    """
    out = io.StringIO()
    console = Console(
        file=out, width=width, color_system=None, force_terminal=False, legacy_windows=False,
        highlight=False,
    )  # fmt: skip
    console.print(screen)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def render_first_screen(view: View) -> RenderableType:
    """Arrange the answer and what comes, which is what a terminal shows without scrolling.

    Parameters
    ----------
    view : View
        The plan in words.

    Returns
    -------
    rich renderable
        Verdict, work, what is not known, sites that matter, changes, alerts and the storm.
    """
    return Group(*_first_screen(view))


def render_screen(view: View) -> RenderableType:
    """Arrange the whole briefing for a terminal.

    Parameters
    ----------
    view : View
        The plan in words.

    Returns
    -------
    rich renderable
        In the order it is read: answer, what matters, mix, sites, what is not known, cautions.
    """
    parts = _first_screen(view)
    if view.yard_index:
        parts.append(_heading("Yards"))
        parts += [_yard_line(yard) for yard in view.yard_index]
    else:
        parts.append(_heading("Mix"))
        parts += [_yard_mix(yard) for yard in view.yard_mixes]
    for yard_sites in view.sites_by_yard:
        parts.append(_heading(f"Sites of {yard_sites.name}"))
        parts += [_site(site) for site in (*yard_sites.detailed, *yard_sites.uneventful)]
    parts.append(_heading("What this plan does not know"))
    parts.append(_bullets((*view.model_limitations, *view.unknown, *view.notes)))
    parts.append(_heading("Cautions"))
    parts.append(_bullets(view.cautions))
    if view.credits:
        parts.append(ReportText("; ".join(view.credits), style="dim"))
    return Group(*parts)


def _first_screen(view: View) -> list[RenderableType]:
    parts: list[RenderableType] = [
        ReportText(f"{view.company} · {view.made_at}", style="dim"),
        Text.assemble((view.verdict, "bold reverse"), f"  {view.start}"),
    ]
    if view.work:
        parts.append(_work_lines(view.work))
        if view.not_known:
            parts.append(ReportText(view.not_known, style="bold"))
    else:
        parts.append(ReportText(view.headline, style="bold"))
    if view.problems:
        parts.append(ReportText("NOT EVERYTHING IS KNOWN", style="bold red"))
        parts.append(_bullets(view.problems))
    parts.append(
        _two_columns(tuple((fact.label, _summary_text(fact)) for fact in view.summary_rows))
    )
    if view.priority_sites:
        priority_sites = tuple((name, line) for _, name, line in view.priority_sites)
        parts += [_heading("Sites to do first"), _two_columns(priority_sites)]
    for title, lines in (
        ("What changed since the last plan", view.changes),
        ("Official alerts", view.alerts),
    ):
        if lines:
            parts += [_heading(title), _bullets(lines)]
    if view.timeline:
        periods = tuple((s.when, f"{s.hazard}. {s.text}") for s in view.timeline)
        parts += [_heading("The storm"), _two_columns(periods)]
    return parts


def _summary_text(fact: SummaryRow) -> str:
    rows = "; ".join(f"{amount} {name}" for name, amount in fact.breakdown)
    return f"{fact.text}: {rows}" if rows else fact.text


def _heading(title: str) -> RenderableType:
    return Group(ReportText(""), ReportText(title.upper(), style="bold underline"))


def _bullets(lines: tuple[str, ...]) -> RenderableType:
    table = _borderless_table()
    table.add_column(width=1)
    table.add_column()
    for line in lines:
        table.add_row("-", ReportText(line))
    return table


def _two_columns(rows: tuple[tuple[str, str], ...]) -> RenderableType:
    table = _borderless_table()
    table.add_column(max_width=26)
    table.add_column()
    for label, value in rows:
        table.add_row(ReportText(label, style="bold"), ReportText(value))
    return table


def _work_lines(work: tuple[WorkLine, ...]) -> RenderableType:
    table = _borderless_table()
    for _ in range(3):
        table.add_column(no_wrap=len(table.columns) < 2)
    for line in work:
        table.add_row(
            ReportText(line.kind, style="bold"),
            ReportText(line.start, style="bold"),
            ReportText(f"{line.surfaces} at {line.sites}; {line.against}"),
        )
    return table


def _borderless_table() -> Table:
    return Table(box=None, show_header=False, padding=(0, 2, 0, 0), pad_edge=False)


def _yard_line(yard: YardLine) -> RenderableType:
    title = ReportText(yard.name, style="bold")
    title.append(f"  {yard.sites}, {yard.page}", style="dim")
    parts: list[RenderableType] = [title]
    if yard.problem:
        parts.append(Padding(ReportText(yard.problem, style="bold red"), (0, 0, 0, 2)))
    parts.append(Padding(ReportText(yard.work), (0, 0, 0, 2)))
    return Group(*parts)


def _yard_mix(yard: YardMixView) -> RenderableType:
    parts: list[RenderableType] = [ReportText(yard.name, style="bold")]
    if yard.shortages:
        parts.append(ReportText(f"SHORT OF {', '.join(yard.shortages)}", style="bold red"))
    blends = tuple((name, f"{volume}, {first}") for name, volume, first in yard.blends)
    parts.append(Padding(_two_columns((*blends, *yard.rows)), (0, 0, 0, 2)))
    return Group(*parts)


def _site(site: SiteView) -> RenderableType:
    title = ReportText(site.name, style="bold")
    title.append(f"  priority {site.priority}, {site.client}", style="dim")
    parts: list[RenderableType] = [title]
    if site.problem:
        label, text = site.problem
        parts.append(ReportText(f"  {label.upper()}: {text}", style="bold red"))
    said = (*site.night_biases, *site.record_lines)
    parts += [Padding(ReportText(line), (0, 0, 0, 2)) for line in said]
    parts += [Padding(_task(job), (0, 0, 0, 2)) for job in site.tasks]
    return Group(*parts)


def _task(job: TaskView) -> RenderableType:
    first = ReportText(f"{job.action} {job.treatment}".strip(), style="bold")
    if job.when:
        first.append(f", {job.when}", style="not bold")
    lines: list[RenderableType] = [
        first,
        Padding(ReportText(job.surface_names), (0, 0, 0, 2)),
        Padding(ReportText(f"{job.text} {job.event}".strip(), style="dim"), (0, 0, 0, 2)),
    ]
    lines += [
        Padding(ReportText(line), (0, 0, 0, 2))
        for line in (job.hold_duration, job.cost_loss)
        if line
    ]
    lines += [Padding(ReportText(f"then {line}"), (0, 0, 0, 2)) for line in job.follow_up]
    lines += [Padding(ReportText(f"Caution: {line}"), (0, 0, 0, 2)) for line in job.cautions]
    return Group(*lines)
