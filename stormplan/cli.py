"""The command line: parses, calls, prints, exits. Nothing else in the program does.

Imports of anything heavy stand inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from stormplan import __version__
from stormplan.errors import StormplanError

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="From the open weather forecast to a decision for every surface.",
)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"stormplan {__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Plan storm events for car parks, lanes, walks, entries, ramps and decks."""


def run() -> None:
    """Run the command line; turn our own errors into a sentence and an exit code."""
    try:
        app()
    except StormplanError as error:
        print(f"stormplan: {error}", file=sys.stderr)
        sys.exit(int(error.exit_code))
