"""The briefing on a terminal, and the same lines as a text file or mail body.

One arrangement of rich renderables serves both: in colour for a terminal, plain and 78 columns
wide for text. Colour repeats what the words say and is never the only signal.
"""

from __future__ import annotations

import io

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from stormplan.words.briefing import Fact, View
from stormplan.words.mix_sheet import YardView
from stormplan.words.site_text import JobView, SiteView

TEXT_WIDTH = 78


def text(shown: View) -> str:
    """Render the briefing as plain text.

    Parameters
    ----------
    shown : View
        The plan in words [-].

    Returns
    -------
    str
        Lines of at most 78 characters.
    """
    out = io.StringIO()
    console = Console(
        file=out, width=TEXT_WIDTH, color_system=None, force_terminal=False, legacy_windows=False
    )
    console.print(screen(shown))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def screen(shown: View) -> RenderableType:
    """Arrange the briefing for a terminal.

    Parameters
    ----------
    shown : View
        The plan in words [-].

    Returns
    -------
    rich renderable
        In the order it is read: answer, what matters, mix, sites, what is not known, cautions.
    """
    parts: list[RenderableType] = [
        Text(f"{shown.company} · {shown.made}", style="dim"),
        Text.assemble((shown.verdict, "bold reverse"), f"  {shown.start}"),
        Text(shown.headline, style="bold"),
    ]
    if shown.degraded:
        parts.append(Text("NOT EVERYTHING IS KNOWN", style="bold red"))
        parts.append(_bullets(shown.degraded))
    parts.append(_pairs(tuple((fact.label, _fact(fact)) for fact in shown.facts)))
    if shown.matters:
        matters = tuple((name, line) for _, name, line in shown.matters)
        parts += [_heading("Sites that matter most"), _pairs(matters)]
    for title, lines in (
        ("What changed since the last plan", shown.changes),
        ("Official alerts", shown.alerts),
    ):
        if lines:
            parts += [_heading(title), _bullets(lines)]
    if shown.timeline:
        told = tuple((s.when, f"{s.hazard}. {s.says}") for s in shown.timeline)
        parts += [_heading("The storm"), _pairs(told)]
    parts.append(_heading("Mix"))
    parts += [_yard(yard) for yard in shown.yards]
    for served in shown.served:
        parts.append(_heading(f"Sites of {served.name}"))
        parts += [_site(site) for site in (*served.busy, *served.quiet)]
    parts.append(_heading("What this plan does not know"))
    parts.append(_bullets((*shown.limits, *shown.unknown, *shown.notes)))
    parts.append(_heading("Cautions"))
    parts.append(_bullets(shown.cautions))
    if shown.credits:
        parts.append(Text("; ".join(shown.credits), style="dim"))
    return Group(*parts)


def _fact(fact: Fact) -> str:
    rows = "; ".join(f"{amount} {name}" for name, amount in fact.rows)
    return f"{fact.text}: {rows}" if rows else fact.text


def _heading(words: str) -> RenderableType:
    return Group(Text(""), Text(words.upper(), style="bold underline"))


def _bullets(lines: tuple[str, ...]) -> RenderableType:
    table = _grid()
    table.add_column(width=1)
    table.add_column()
    for line in lines:
        table.add_row("-", Text(line))
    return table


def _pairs(rows: tuple[tuple[str, str], ...]) -> RenderableType:
    table = _grid()
    table.add_column(max_width=26)
    table.add_column()
    for label, value in rows:
        table.add_row(Text(label, style="bold"), Text(value))
    return table


def _grid() -> Table:
    return Table(box=None, show_header=False, padding=(0, 2, 0, 0), pad_edge=False)


def _yard(yard: YardView) -> RenderableType:
    parts: list[RenderableType] = [Text(yard.name, style="bold")]
    if yard.shortages:
        parts.append(Text(f"SHORT OF {', '.join(yard.shortages)}", style="bold red"))
    blends = tuple((name, f"{volume}, {first}") for name, volume, first in yard.blends)
    parts.append(Padding(_pairs((*blends, *yard.rows)), (0, 0, 0, 2)))
    return Group(*parts)


def _site(site: SiteView) -> RenderableType:
    title = Text(site.name, style="bold")
    title.append(f"  priority {site.priority}, {site.client}", style="dim")
    parts: list[RenderableType] = [title]
    if site.problem:
        parts.append(Text(f"  NO FORECAST: {site.problem}", style="bold red"))
    parts += [Padding(Text(line), (0, 0, 0, 2)) for line in site.nights]
    parts += [Padding(_job(job), (0, 0, 0, 2)) for job in site.jobs]
    return Group(*parts)


def _job(job: JobView) -> RenderableType:
    first = Text(f"{job.action} {job.what}".strip(), style="bold")
    if job.when:
        first.append(f", {job.when}", style="not bold")
    lines: list[RenderableType] = [
        first,
        Padding(Text(job.names), (0, 0, 0, 2)),
        Padding(Text(f"{job.says} {job.event}".strip(), style="dim"), (0, 0, 0, 2)),
    ]
    lines += [Padding(Text(line), (0, 0, 0, 2)) for line in (job.holds, job.stake) if line]
    lines += [Padding(Text(f"then {line}"), (0, 0, 0, 2)) for line in job.later]
    lines += [Padding(Text(f"Caution: {line}"), (0, 0, 0, 2)) for line in job.cautions]
    return Group(*lines)
