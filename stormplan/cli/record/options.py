"""Arguments and options that several record commands share, and how their texts are read."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.cli.sites_option import find_sites_file
from stormplan.errors import InputError

if TYPE_CHECKING:
    from stormplan.company.sites import Site

OUT = Path("briefings")
OutOption = Annotated[Path, typer.Option("--out", help="Folder of the briefings.")]
ArchiveOption = Annotated[
    Path | None, typer.Option("--archive", help="Archive; default OUT/archive.sqlite.")
]


def _site_keys(ctx: typer.Context, incomplete: str) -> list[str]:
    return [key for key in _sites_of(ctx) if key.startswith(incomplete)]


def _surface_keys(ctx: typer.Context, incomplete: str) -> list[str]:
    site = _sites_of(ctx).get(ctx.params.get("site", ""))
    return [] if site is None else [key for key in site.surfaces if key.startswith(incomplete)]


def _sites_of(ctx: typer.Context) -> dict[str, Site]:
    """Return the sites that a command being typed works on; none where the file has errors."""
    from stormplan.company import sites_file

    try:
        return sites_file.load_sites(ctx.params.get("sites") or find_sites_file()).sites
    except InputError:
        return {}


SiteArgument = Annotated[
    str, typer.Argument(help="The site: its key, or how it begins.", autocompletion=_site_keys)
]
SurfaceArgument = Annotated[
    str,
    typer.Argument(help="The surface: its key, or how it begins.", autocompletion=_surface_keys),
]
DayArgument = Annotated[str, typer.Argument(help="Local day, like 2026-01-12.")]
YardArgument = Annotated[str, typer.Argument(help="Key of the yard.")]
StoreArgument = Annotated[
    str, typer.Argument(help="Tank, or product in totes, or salt for the pile.")
]
AmountArgument = Annotated[str, typer.Argument(help="Volume like 500gal; of salt, like 12ton.")]
SprayerArgument = Annotated[str, typer.Argument(help="Key of the sprayer.")]

AtOption = Annotated[
    str | None, typer.Option("--at", help="When, like 2026-01-12T05:30-06:00; default now.")
]
ByOption = Annotated[str, typer.Option("--by", help="Who did or saw it.")]
NoteOption = Annotated[str, typer.Option("--note", help="What else is to be said.")]
PhotosOption = Annotated[
    list[Path] | None,
    typer.Option("--photo", help="Photo that shows it; a copy is kept. Repeat it for more."),
]
CorrectsOption = Annotated[
    str | None,
    typer.Option("--corrects", help="Id of an earlier entry in whose place this one counts."),
]

PavementOption = Annotated[
    str | None, typer.Option("--pavement", help="Temperature of the pavement, like 28F.")
]
InstrumentOption = Annotated[str, typer.Option("--instrument", help="What it was read with.")]
WeatherOption = Annotated[str, typer.Option("--weather", help="What fell and blew, in words.")]
PlanOption = Annotated[
    str | None,
    typer.Option("--plan", help="When the plan that was followed was made, with its zone."),
]
DeviationOption = Annotated[
    str, typer.Option("--deviation", help="What was done otherwise than it asked for, and why.")
]

GravityOption = Annotated[
    float | None, typer.Option("--sg", help="Hydrometer reading, like 1.176; with --temperature.")
]
StrengthOption = Annotated[str | None, typer.Option(help="Known strength, like 23.1%.")]
TemperatureOption = Annotated[
    str | None, typer.Option(help="Of the liquid, like 40F; brine shrinks in the cold.")
]
RulesOption = Annotated[
    str | None,
    typer.Option("--rules", help="nh, vt, wi, ut, or own for record_rules of the sites file."),
]


def archive_path(out: Path, archive: Path | None) -> Path:
    """Return the archive: as named, else that of the briefings."""
    return archive or out / "archive.sqlite"


def parse_given(text: str | None, kind: str) -> float | None:
    """Read a quantity where one is given.

    Parameters
    ----------
    text : str or None
        As written, with its unit.
    kind : str
        A key of ``units.QUANTITY_KINDS``.
    """
    from stormplan.units import parse

    return None if text is None else parse(text, kind)


def parse_local_moment(text: str | None, option: str = "--at") -> datetime:
    """Read a moment and keep its zone; now is in the zone of this machine."""
    from datetime import UTC

    if text is None:
        return datetime.now(UTC).astimezone()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise InputError(
            f"{option}: '{text}' is not a time; accepted: 2026-01-12T05:30-06:00, with its zone"
        )
    return moment


def parse_day(text: str) -> date:
    """Read a local day."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"'{text}' is not a day; accepted: 2026-01-12") from None
