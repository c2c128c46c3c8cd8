"""The part of the command line for a site's own surface readings.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.cli.sites_option import SITES_FILE, find_sites_file
from stormplan.errors import InputError

if TYPE_CHECKING:
    from stormplan.company.practice_rules import Practice
    from stormplan.physics.bias_correction import PavementReading


def register_commands(app: typer.Typer) -> None:
    """Register the reading commands."""
    app.add_typer(reading_app, name="reading")


reading_app = typer.Typer(no_args_is_help=True, help="Log surface temperature readings.")

SitesOption = Annotated[
    Path | None,
    typer.Option(
        "--sites",
        show_default=str(SITES_FILE),
        help="Sites file; its key readings names the log.",
    ),
]
LogOption = Annotated[
    Path | None, typer.Option("--log", help="Log of readings, instead of the sites file's.")
]


# a temperature below zero begins like an option
@reading_app.command("add", context_settings={"ignore_unknown_options": True})
def reading_add(
    site: Annotated[str, typer.Argument(help="Key of the site.")],
    surface: Annotated[str, typer.Argument(help="Key of the surface.")],
    temperature: Annotated[str, typer.Argument(help="As read, with its unit: 28.5F or -2C.")],
    at: Annotated[
        str | None,
        typer.Option(help="Time of the reading, like 2026-01-12T05:30-06:00; default now."),
    ] = None,
    light: Annotated[
        str, typer.Option(help="Light on the spot: sun or shade; shade at night.")
    ] = "shade",
    sites: SitesOption = None,
    log: LogOption = None,
) -> None:
    """Add a surface temperature reading, from an infrared thermometer or a pavement probe.

    Plans correct the nights of a surface by the night readings in the log that the sites file names
    (readings: FILE): few of them by little, one of tonight for the rest of the night.
    """
    from stormplan.physics.bias_correction import PavementReading
    from stormplan.record.entries import Light
    from stormplan.units import parse
    from stormplan.verification import reading_log

    if light not in tuple(Light):
        raise InputError(f"--light: '{light}' is neither; accepted: sun, shade")
    surface_c = parse(temperature, "temperature")
    if not -60.0 <= surface_c <= 80.0:
        raise InputError(
            f"'{temperature}' is not a pavement temperature; accepted: -76 to 176 °F (-60 to 80 °C)"
        )
    reading = PavementReading(
        time=_reading_time(at), site=site, surface=surface, surface_c=surface_c, light=Light(light)
    )
    reading_log.append_reading(_log_path(log, sites, site, surface), reading)
    print(_reading_line(reading))


def _log_path(
    log: Path | None, sites: Path | None, site: str | None = None, surface: str | None = None
) -> Path:
    """Return the log: as given, else the one plans read, whose sites have this surface."""
    if log is not None:
        if sites is not None:
            raise InputError("give --sites FILE, whose key readings names the log, or --log FILE")
        return log
    from stormplan.company import sites_file

    sites = sites or find_sites_file()
    checked = sites_file.load_sites(sites)
    if checked.readings is None:
        raise InputError(f"{sites} names no log of readings; add: readings: readings.jsonl")
    if site is not None and site not in checked.sites:
        raise InputError(f"no site '{site}' in {sites}; accepted: {', '.join(checked.sites)}")
    if site is not None and surface is not None and surface not in checked.sites[site].surfaces:
        known = ", ".join(checked.sites[site].surfaces)
        raise InputError(f"no surface '{surface}' at {site}; accepted: {known}")
    return sites.parent / checked.readings


def _reading_time(text: str | None) -> datetime:
    from stormplan.cli.planning_commands import parse_moment

    try:
        return parse_moment(text)
    except InputError:
        raise InputError(
            f"--at: '{text}' is not a time; accepted: 2026-01-12T05:30-06:00, with its zone"
        ) from None


@reading_app.command("list")
def reading_list(
    site: Annotated[str | None, typer.Argument(help="Only this site.")] = None,
    surface: Annotated[str | None, typer.Argument(help="Only this surface.")] = None,
    sites: SitesOption = None,
    log: LogOption = None,
    archive: Annotated[
        Path | None, typer.Option(help="Archive of past plans, for the night bias of each surface.")
    ] = None,
) -> None:
    """List readings in order of time, and with --archive the night bias of each surface."""
    from stormplan.verification import reading_log

    path = _log_path(log, sites, site, surface)
    found = reading_log.load_readings(path, site, surface)
    print("\n".join(map(_reading_line, found)) or f"no readings in {path}")
    if archive is None:
        return
    from stormplan.store.archive import Archive
    from stormplan.verification import night_bias

    if not archive.exists():
        raise InputError(f"no archive at {archive}")
    with Archive(archive) as kept:
        last = max((one.time for one in found), default=datetime.now(UTC))
        practice = _practice(log, sites)
        max_error_k = practice.number("reading_max_error")
        for at, known in night_bias.night_errors(kept, found, last, max_error_k).items():
            print("\n".join(night_bias.error_lines(at, known, max_error_k)))
        for at, score in night_bias.correction_scores(kept, found, max_error_k).items():
            print(night_bias.score_line(at, score))
        for line in night_bias.neighbor_lines(kept, found, practice.number("reading_neighbor_max")):
            print(line)


def _practice(log: Path | None, sites: Path | None) -> Practice:
    """Return the company's rules, or the defaults for a log without a sites file."""
    from stormplan.company import sites_file
    from stormplan.company.practice_rules import Practice

    if log is not None:
        return Practice()
    return sites_file.load_sites(sites or find_sites_file()).practice()


def _reading_line(reading: PavementReading) -> str:
    celsius = reading.surface_c
    return (
        f"{reading.time:%Y-%m-%d %H:%M%z}  {reading.site} {reading.surface}  "
        f"{1.8 * celsius + 32:.1f} °F ({celsius:.1f} °C)  {reading.light}"
    )
