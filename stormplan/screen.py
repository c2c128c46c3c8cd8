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

from stormplan.briefing import ActionView, SiteView, View
from stormplan.mixsheet import YardView

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
        Text(shown.verdict, style="bold reverse"),
        Text(shown.headline, style="bold"),
    ]
    if shown.degraded:
        parts.append(Text("NOT EVERYTHING IS KNOWN", style="bold red"))
        parts.append(_bullets(shown.degraded))
    parts.append(_pairs(shown.facts))
    if shown.matters:
        parts += [_heading("Sites that matter most"), _pairs(shown.matters)]
    if shown.changes:
        parts += [_heading("What changed since the last plan"), _bullets(shown.changes)]
    if shown.alerts:
        parts += [_heading("Official alerts"), _bullets(shown.alerts)]
    parts.append(_heading("Mix"))
    parts += [_yard(yard) for yard in shown.yards]
    parts.append(_heading("Every site"))
    parts += [_site(site) for site in shown.sites]
    parts.append(_heading("What this plan does not know"))
    parts.append(_bullets((*shown.limits, *shown.unknown, *shown.notes)))
    parts.append(_heading("Cautions"))
    parts.append(_bullets(shown.cautions))
    if shown.credits:
        parts.append(Text("; ".join(shown.credits), style="dim"))
    return Group(*parts)


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
    for surface in site.surfaces:
        for item in surface.actions:
            parts.append(Padding(_action(surface.name, item), (0, 0, 0, 2)))
    return Group(*parts)


def _action(surface: str, item: ActionView) -> RenderableType:
    first = Text(f"{surface}: {item.action}", style="bold")
    if item.when:
        first.append(f", {item.when}", style="not bold")
    lines: list[RenderableType] = [first]
    if item.what:
        lines.append(Padding(Text(item.what), (0, 0, 0, 2)))
    lines.append(Padding(Text(f"{item.says} {item.event}".strip(), style="dim"), (0, 0, 0, 2)))
    lines += [Padding(Text(f"Caution: {line}"), (0, 0, 0, 2)) for line in item.cautions]
    return Group(*lines)
