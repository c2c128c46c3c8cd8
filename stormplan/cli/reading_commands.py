"""The part of the command line for a site's own surface readings.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.errors import InputError

if TYPE_CHECKING:
    from stormplan.physics.bias_correction import Reading


def add_to(app: typer.Typer) -> None:
    """Add this command to the command line."""
    app.add_typer(reading_app, name="reading")


reading_app = typer.Typer(no_args_is_help=True, help="Log what a surface was read at.")

Log = Annotated[Path, typer.Option(help="The log of readings; JSON lines.")]
LOG = Path("briefings/readings.jsonl")


# a temperature below zero begins like an option
@reading_app.command("add", context_settings={"ignore_unknown_options": True})
def reading_add(
    site: Annotated[str, typer.Argument(help="Key of the site.")],
    surface: Annotated[str, typer.Argument(help="Key of the surface.")],
    temperature: Annotated[str, typer.Argument(help="As read, with its unit: 28.5F or -2C.")],
    at: Annotated[
        str | None, typer.Option(help="When, like 2026-01-12T05:30-06:00; now unless said.")
    ] = None,
    light: Annotated[
        str, typer.Option(help="sun or shade on the spot; at night it is shade.")
    ] = "shade",
    log: Log = LOG,
) -> None:
    """Log a surface temperature, from an infrared gun or a probe in the pavement.

    From five night readings on, list tells how far off past plans were at a surface by night, and
    plans correct its nights by that, where the sites file names the log (readings: FILE).
    """
    from stormplan.physics.bias_correction import Light, Reading
    from stormplan.units import parse
    from stormplan.verification import reading_log

    if light not in tuple(Light):
        raise InputError(f"--light: '{light}' is neither; accepted: sun, shade")
    surface_c = parse(temperature, "temperature")
    if not -60.0 <= surface_c <= 80.0:
        raise InputError(f"'{temperature}' is no surface's; accepted: -60 to 80 °C (-76 to 176 °F)")
    reading = Reading(
        time=_when(at), site=site, surface=surface, surface_c=surface_c, light=Light(light)
    )
    reading_log.add(log, reading)
    print(_said(reading))


def _when(text: str | None) -> datetime:
    from stormplan.cli.planning_commands import moment

    try:
        return moment(text)
    except InputError:
        raise InputError(
            f"--at: '{text}' is no moment; accepted: 2026-01-12T05:30-06:00, with its zone"
        ) from None


@reading_app.command("list")
def reading_list(
    site: Annotated[str | None, typer.Argument(help="Only this site.")] = None,
    surface: Annotated[str | None, typer.Argument(help="Only this surface.")] = None,
    log: Log = LOG,
    archive: Annotated[
        Path | None, typer.Option(help="Archive of past plans: say how far off they were.")
    ] = None,
) -> None:
    """List the readings in order of time, and what they say of past plans' nights."""
    from stormplan.verification import reading_log

    found = reading_log.read(log, site, surface)
    print("\n".join(map(_said, found)) or f"no readings in {log}")
    if archive is None:
        return
    from stormplan.store.archive import Archive
    from stormplan.verification import night_bias

    if not archive.exists():
        raise InputError(f"no archive at {archive}")
    with Archive(archive) as kept:
        for at, offset in night_bias.offsets(kept, found).items():
            print(night_bias.words(at, offset))


def _said(reading: Reading) -> str:
    celsius = reading.surface_c
    return (
        f"{reading.time:%Y-%m-%d %H:%M%z}  {reading.site} {reading.surface}  "
        f"{1.8 * celsius + 32:.1f} °F ({celsius:.1f} °C)  {reading.light}"
    )
