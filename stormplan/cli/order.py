"""The command ``order``: what to order today, and the figures behind it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register_commands(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(order)


def order(
    plan: Annotated[Path, typer.Option(help="The plan whose forecast and stock count.")] = Path(
        "briefings/latest/plan.json"
    ),
) -> None:
    """Print how much salt and additive to order by when: whole lots, against many futures.

    Futures are the members of the forecast, followed by stretches of your own record. Lead time,
    lot, room and price at once stand under a yard's `supply` in the sites file.
    """
    from stormplan.service import pipeline
    from stormplan.words.formatting import plan_format
    from stormplan.words.order_text import order_lines

    found = pipeline.read_plan(plan)
    for line in order_lines(found, plan_format(found)):
        print(line)
