"""The part of the command line that writes a sites file: a first one, and sites from a file.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from stormplan.cli.sites_option import SITES_FILE, SitesOption
from stormplan.errors import InputError, SitesError

if TYPE_CHECKING:
    from stormplan.words.new_sites_file import NewAdditive, NewMixer, NewSitesFile, NewSurface

Answer = TypeVar("Answer")

sites_app = typer.Typer(no_args_is_help=True, help="Sites of the sites file.")


def register_commands(app: typer.Typer) -> None:
    """Register these commands."""
    app.command()(init)
    app.add_typer(sites_app, name="sites")


def init(
    sites: Annotated[Path, typer.Argument(help="The sites file to write.")] = SITES_FILE,
) -> None:
    """Ask for company, yard and first site; write a sites file with comments and usual values.

    Nothing is written before the last answer, and no file is replaced.
    """
    from stormplan.company import sites_file
    from stormplan.words import new_sites_file

    if sites.exists():
        raise InputError(f"{sites} is there already; name another file, or change it by hand")
    answers = _ask_all()
    text = new_sites_file.sites_file_text(answers, sites.name, date.today())  # noqa: DTZ011 - the user's day
    found = sites_file.parse_sites(text, sites.name)
    _write_new(sites, text)
    surfaces = sum(len(site.surfaces) for site in found.sites.values())
    usual = text.count("# USUAL")
    option = "" if sites == SITES_FILE else f" --sites {sites}"
    for question in sites_file.load_with_questions(sites)[1]:
        typer.echo(f"Look at this line: {question}")
    typer.echo(
        f"\n{sites} written, {surfaces} surface{'s' * (surfaces != 1)}. {usual} lines marked USUAL"
        " hold values nobody gave: look at them.\n"
        f"Your first plan:      stormplan brief{option}\n"
        f"More sites:           stormplan sites import FILE.csv{option}"
    )


def _write_new(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}") from None


def _ask_all() -> NewSitesFile:
    from stormplan.company.coordinates import parse_coordinates
    from stormplan.words.new_sites_file import NewSitesFile

    typer.echo("Answers in [brackets] are taken with Enter; everything can be changed later.\n")
    company = _ask("Company", _name)
    contact = _ask("Your mail address, which the weather services ask for", _contact)
    timezone = _ask("Time zone, like America/Chicago", _timezone, os.environ.get("TZ") or None)
    yard_place = _ask("The yard: coordinates or a map link", parse_coordinates)
    in_states = timezone.startswith(("America/", "US/", "Pacific/Honolulu"))
    source = _ask(
        "Weather service: nws (United States) or metno", _one_of("nws", "metno"),
        "nws" if in_states else "metno",
    )  # fmt: skip
    salt = _ask("Salt on the pile", _quantity("mass"), "40 ton")
    mixer, order_ahead = _ask_brine_source()
    tank_capacity = _ask("Brine tank holds", _quantity("volume"))
    tank_on_hand = _ask("Brine in it now", _quantity("volume"), "0 gal")
    salometer = _ask("Salometer reading of it, degrees, or none", _salometer, "none")
    temperature = "60 F"
    if salometer is not None:
        temperature = _ask("Temperature of the brine", _quantity("temperature"), "40 F")
    return NewSitesFile(
        company=company,
        contact=contact,
        timezone=timezone,
        source=source,
        yard_name="Yard",
        yard_place=yard_place,
        salt=salt,
        mixer=mixer,
        order_ahead=order_ahead,
        tank_capacity=tank_capacity,
        tank_on_hand=tank_on_hand,
        salometer=salometer,
        tank_temperature=temperature,
        additive=_ask_additive(),
        sprayer_tank=_ask("Sprayer tank holds", _quantity("volume"), "500 gal"),
        client=_ask("First client", _name),
        site=_ask("First site", _name),
        site_place=_ask("The site: coordinates or a map link", parse_coordinates),
        surfaces=_ask_surfaces(),
    )


def _ask_brine_source() -> tuple[NewMixer | None, str]:
    """Ask for the brine maker; where there is none, how long before to order brine."""
    from stormplan.words.new_sites_file import NewMixer

    def rate_or_none(text: str) -> str:
        return text if text == "none" else _quantity("pumping rate")(text)

    question = "Brine maker, gallons an hour, or none (you buy your brine)"
    production_rate = _ask(question, rate_or_none, "2000 gal/h")
    if production_rate == "none":
        return None, _ask("Brine is ordered how long ahead", _quantity("duration"), "24 h")
    return NewMixer(production_rate, _ask("Largest batch", _quantity("volume"), "2000 gal")), ""


def _ask_additive() -> NewAdditive | None:
    from stormplan.words.new_sites_file import NewAdditive

    name = _ask("Additive you buy, by its name on the drum, or none", _name, "none")
    if name == "none":
        return None
    chloride = _ask("Its chloride: cacl2 or mgcl2", _one_of("cacl2", "mgcl2"))
    percent = _ask("How much of it, by weight, from the supplier's sheet", _quantity("percentage"))
    inhibited = _ask("Inhibited, y or n", _one_of("y", "n"), "y") == "y"
    smells = _ask("Does it smell or track indoors, y or n", _one_of("y", "n"), "n") == "y"
    on_hand = _ask("On hand", _quantity("volume"))
    return NewAdditive(name, chloride, percent, inhibited, smells, on_hand)


def _ask_surfaces() -> list[NewSurface]:
    from stormplan.company.catalog import SURFACE_CLASSES
    from stormplan.company.coordinates import ACCEPTED_AREA, parse_area
    from stormplan.units import M2_PER_FT2
    from stormplan.words.new_sites_file import NewSurface

    classes = tuple(SURFACE_CLASSES)
    typer.echo(f"Classes of surface: {', '.join(classes)}")
    typer.echo(f"Areas: {ACCEPTED_AREA}")
    found: dict[str, NewSurface] = {}
    while True:
        choices = classes if not found else (*classes, "done")
        default = classes[0] if not found else "done"
        surface_class = _ask("Class of the next surface", _one_of(*choices), default)
        if surface_class == "done":
            return list(found.values())
        area_m2 = _ask("Its area", parse_area)
        key = surface_class.rsplit("_", 1)[-1]
        number = sum(each == key or each.startswith(f"{key}-") for each in found)
        key = f"{key}-{number + 1}" if number else key
        found[key] = NewSurface(key, surface_class, f"{area_m2 / M2_PER_FT2:.0f} ft2")


def _ask(question: str, read: Callable[[str], Answer], default: str | None = None) -> Answer:
    """Ask until the answer can be read; each time say what would be accepted."""
    while True:
        text = typer.prompt(question, default=default, type=str)
        try:
            return read(text.strip())
        except (ValueError, InputError) as error:
            typer.echo(f"  {error}", err=True)


def _name(text: str) -> str:
    from stormplan.company.validators import printable_name

    return printable_name(text)


def _contact(text: str) -> str:
    from stormplan.company.validators import contact

    return contact(text)


def _timezone(text: str) -> str:
    from stormplan.company.validators import time_zone

    return time_zone(text)


def _one_of(*choices: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in choices:
            raise InputError(f"'{text}' is none of {', '.join(choices)}")
        return text

    return read


def _quantity(kind: str) -> Callable[[str], str]:
    """Check a quantity and keep it as it was written."""

    def read(text: str) -> str:
        from stormplan import units

        units.parse(text, kind)
        return text

    return read


def _salometer(text: str) -> float | None:
    if text == "none":
        return None
    degrees = float(text) if text.replace(".", "", 1).isdigit() else -1.0
    if not 0.0 <= degrees <= 100.0:
        raise InputError(f"'{text}' is not a salometer reading; accepted: 0 to 100, or none")
    return degrees


@sites_app.command("import")
def import_sites(
    file: Annotated[Path, typer.Argument(help="Surfaces: a .csv table or a .geojson drawing.")],
    sites: SitesOption,
) -> None:
    """Add sites and surfaces from a table or a drawn map: all of them, or none and why.

    What is there already is left alone, so that a second import changes nothing.
    """
    from stormplan.company import site_import, sites_file
    from stormplan.words.formatting import pluralize

    readers = {".csv": site_import.read_csv, ".geojson": site_import.read_geojson}
    read = readers.get(file.suffix.lower())
    if read is None:
        raise InputError(f"{file} is not a list of surfaces; accepted: {', '.join(readers)}")
    try:
        imported = read(file.read_text(encoding="utf-8-sig"), file.name)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file} cannot be read: {error}") from None
    sites_file.load_sites(sites)
    before = sites.read_text(encoding="utf-8-sig")
    text, site_count, surface_count = site_import.add_sites(before, imported, file.name)
    try:
        sites_file.parse_sites(text, sites.name)
    except SitesError as error:  # the file was good: what is wrong came with the import
        raise SitesError(site_import.problems_at_source(error, imported, file.name)) from None
    if text != before:
        _replace(sites, text)
    typer.echo(
        f"{sites}: {pluralize(site_count, 'site')} and {pluralize(surface_count, 'surface')} added."
    )


def _replace(path: Path, text: str) -> None:
    """Replace a file's text whole or not at all; who may read it stays as it was."""
    from stormplan.store.report_folders import write_atomic

    target = path.resolve()  # a link stays a link
    mode = target.stat().st_mode
    try:
        write_atomic(target, text).chmod(mode)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}") from None


@sites_app.command()
def schema() -> None:
    """Print the JSON Schema of the sites file, so that an editor checks it while it is typed."""
    import json

    from stormplan.company.sites_schema import sites_schema

    typer.echo(json.dumps(sites_schema(), indent=1, ensure_ascii=False))
