"""Options of the commands that plan on more than one core."""

from __future__ import annotations

from typing import Annotated

import typer

WorkersOption = Annotated[
    int,
    typer.Option(
        "--workers", min=1, help="Processes of this machine that plan; a core each. Same plan."
    ),
]
ClusterOption = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help="Plan on a Dask cluster instead: its scheduler, like tcp://10.0.0.5:8786.",
    ),
]
