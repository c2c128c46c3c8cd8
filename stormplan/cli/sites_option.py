"""Which sites file a command works on: the one named, else the one in this folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stormplan.errors import InputError

SITES_FILE = Path("sites.yaml")


def find_sites_file() -> Path:
    """Return the sites file of this folder.

    Raises
    ------
    InputError
        There is none; the message has both ways to give one.
    """
    if not SITES_FILE.is_file():
        raise InputError(
            f"no {SITES_FILE} in {Path.cwd()}: go to the folder that has it, or name the file "
            "(--sites FILE; check FILE). `stormplan init` writes a first one"
        )
    return SITES_FILE


SitesOption = Annotated[
    Path,
    typer.Option(
        "--sites",
        default_factory=find_sites_file,
        show_default=str(SITES_FILE),
        help="The sites file.",
    ),
]
SitesArgument = Annotated[
    Path,
    typer.Argument(
        default_factory=find_sites_file, show_default=str(SITES_FILE), help="The sites file."
    ),
]
