"""The command line: parses, calls, prints, exits. Nothing else in the program does.

Imports of anything heavy stand inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan import __version__
from stormplan.cli import reading_commands as cli_reading
from stormplan.cli.planning_commands import add_to, moment
from stormplan.errors import InputError, StormplanError
from stormplan.units import Speaker

if TYPE_CHECKING:
    from stormplan.cli.brine_calculator import Answer
    from stormplan.company.catalog import Product

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


def _say(answer: Answer, as_json: bool) -> None:
    print(
        json.dumps(answer.sheet, indent=2, ensure_ascii=False)
        if as_json
        else "\n".join(answer.lines)
    )


def _products(sites: Path | None) -> Mapping[str, Product]:
    if sites is None:
        return {}
    from stormplan.company import sites_file

    return sites_file.load(sites).products


Purity = Annotated[str, typer.Option(help="NaCl in the salt as delivered, %.")]
Moisture = Annotated[str, typer.Option(help="Water in the salt as delivered, %.")]
Insolubles = Annotated[str, typer.Option(help="What settles as sludge, % of the salt.")]
Treated = Annotated[bool, typer.Option("--treated-salt", help="The salt is treated.")]
Gallons = Annotated[str | None, typer.Option(help="How much, in US gallons.")]
Litres = Annotated[str | None, typer.Option(help="How much, in litres.")]
Capacity = Annotated[str | None, typer.Option(help="What the tank holds, gal (metric: L).")]
Json = Annotated[bool, typer.Option("--json", help="For programs; keys carry their unit.")]
Units = Annotated[
    str, typer.Option(help="us or metric: what bare numbers mean, and what is answered.")
]


@app.command()
def mix(
    gallons: Gallons = None,
    litres: Litres = None,
    strength: Annotated[str, typer.Option(help="Target, % NaCl by weight.")] = "23.3",
    purity: Purity = "100",
    moisture: Moisture = "0",
    insolubles: Insolubles = "0",
    treated: Treated = False,
    have: Annotated[
        str | None, typer.Option(help="What is in the tank: volume@strength, as 1000@20.")
    ] = None,
    tank_capacity: Capacity = None,
    water_temp: Annotated[
        str | None, typer.Option(help="Of the water, °F (metric: °C); 60 °F unless said.")
    ] = None,
    as_json: Json = False,
    units: Units = "us",
) -> None:
    """Say what goes into a batch of brine, or brings a tank to its strength."""
    from stormplan.cli import brine_calculator

    answer = brine_calculator.mix(
        gallons=gallons,
        litres=litres,
        strength=strength,
        purity=purity,
        moisture=moisture,
        insolubles=insolubles,
        treated=treated,
        have=have,
        tank_capacity=tank_capacity,
        water_temp=water_temp,
        units=units,
    )
    _say(answer, as_json)


@app.command()
def gauge(
    reading: Annotated[
        str | None, typer.Option(help="Specific gravity on a 60/60 °F hydrometer.")
    ] = None,
    salometer: Annotated[str | None, typer.Option(help="Or salometer degrees.")] = None,
    temp: Annotated[
        str | None, typer.Option(help="Of the brine, °F (metric: °C); 60 °F unless said.")
    ] = None,
    target: Annotated[str, typer.Option(help="Strength to aim at, %.")] = "23.3",
    accept: Annotated[str, typer.Option(help="Good from-to, %; our own choice.")] = "22.5-23.8",
    warn: Annotated[str, typer.Option(help="Usable from-to, %; our own choice.")] = "22.0-24.0",
    is_blend: Annotated[
        bool, typer.Option("--blend", help="There is additive in the tank.")
    ] = False,
    treated: Treated = False,
    gallons: Gallons = None,
    litres: Litres = None,
    purity: Purity = "100",
    moisture: Moisture = "0",
    insolubles: Insolubles = "0",
    tank_capacity: Capacity = None,
    as_json: Json = False,
    units: Units = "us",
) -> None:
    """Say how strong a tank of brine is from its hydrometer, and what to add."""
    from stormplan.cli import brine_calculator

    answer = brine_calculator.gauge(
        reading=reading,
        salometer=salometer,
        temp=temp,
        target=target,
        accept=accept,
        warn=warn,
        is_blend=is_blend,
        treated=treated,
        gallons=gallons,
        litres=litres,
        purity=purity,
        moisture=moisture,
        insolubles=insolubles,
        tank_capacity=tank_capacity,
        units=units,
    )
    _say(answer, as_json)


@app.command()
def blend(
    brine: Annotated[
        str, typer.Option(help="Base: % NaCl, or cacl2=10, or a product of the sites file.")
    ] = "23.3",
    additive: Annotated[
        str | None, typer.Option(help="cacl2=32, or a product of the sites file.")
    ] = None,
    share: Annotated[str, typer.Option(help="Additive, % of the blend by volume.")] = "0",
    dilute: Annotated[str, typer.Option(help="Volumes of water per volume of blend.")] = "0",
    at: Annotated[
        str | None, typer.Option(help="How much is ice at this, °F (metric: °C).")
    ] = None,
    temp: Annotated[
        str | None, typer.Option(help="Density at this, °F (metric: °C); 60 °F unless said.")
    ] = None,
    tank_low: Annotated[
        str | None, typer.Option(help="Coldest the tank gets, °F (metric: °C); --temp if not said.")
    ] = None,
    gallons: Gallons = None,
    litres: Litres = None,
    sites: Annotated[Path | None, typer.Option(help="Sites file, for its products.")] = None,
    as_json: Json = False,
    units: Units = "us",
) -> None:
    """Say what comes of brine and additive, and when ice and salt crystals come."""
    from stormplan.cli import brine_calculator

    answer = brine_calculator.blend_answer(
        base=brine,
        additive=additive,
        share=share,
        dilute=dilute,
        at=at,
        temp=temp,
        tank_low=tank_low,
        gallons=gallons,
        litres=litres,
        products=_products(sites),
        units=units,
    )
    _say(answer, as_json)


# -- planning -------------------------------------------------------------------------------------


@app.command()
def brief(
    sites: Annotated[Path | None, typer.Option("--sites", help="The sites file.")] = None,
    out: Annotated[Path, typer.Option(help="Folder for the reports.")] = Path("briefings"),
    now: Annotated[
        str | None, typer.Option(help="Plan as of a moment, like 2026-01-12T10:30Z.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="The plan on standard output.")] = False,
    offline: Annotated[
        bool, typer.Option(help="Ask no service; plan from the archive alone.")
    ] = False,
    archive: Annotated[
        Path | None, typer.Option(help="Archive of forecasts; default OUT/archive.sqlite.")
    ] = None,
    demo: Annotated[bool, typer.Option("--demo", help="Plan the bundled, invented storm.")] = False,
) -> None:
    """Plan the morning: who is treated, when, with what, and what to mix.

    Exit code 0: complete plan; 2: bad input; 3: plan written, but something is missing or stale
    (the headline says what); 4: nothing could be planned.
    """
    from stormplan.service import pipeline
    from stormplan.words import briefing, terminal

    if demo == (sites is not None):
        raise InputError("give either --sites FILE or --demo")
    if sites is None:
        plan = pipeline.plan_demo(pipeline.DEMO_NOW if now is None else moment(now))
    else:
        from stormplan.company import sites_file
        from stormplan.store import maintenance

        checked, as_of = sites_file.load(sites), moment(now)
        kept, wrong = maintenance.open_in_spite(archive or out / "archive.sqlite", as_of)
        with kept:
            plan = pipeline.plan_morning(
                checked, kept, as_of, offline=offline, folder=sites.parent, wrong=wrong
            )
    if as_json:
        print(pipeline.document(plan))
    else:
        from rich.console import Console

        Console(highlight=False).print(terminal.screen(briefing.view(plan)))
    written = pipeline.write(plan, out)  # after the answer: drawing charts takes a moment
    if not as_json:
        print("\nWritten: " + ", ".join(str(path) for path in written))
    raise typer.Exit(int(plan.exit_code))


@app.command()
def check(sites: Annotated[Path, typer.Argument(help="The sites file.")]) -> None:
    """Check a sites file: every error at once, with its line."""
    from stormplan.company import sites_file

    found = sites_file.load(sites)
    surfaces = [surface for site in found.sites.values() for surface in site.surfaces.values()]
    area = Speaker(found.company.units).area(sum(surface.area_m2 for surface in surfaces))
    print(
        f"{sites}: good. {len(found.sites)} sites with {len(surfaces)} surfaces, {area}; "
        f"{len(found.yards)} yards, {len(found.clients)} clients, "
        f"{len(found.products_bought)} products bought."
    )


@app.command()
def explain(
    site: Annotated[str, typer.Argument(help="Key of a site.")],
    surface: Annotated[str | None, typer.Argument(help="Key of one of its surfaces.")] = None,
    plan: Annotated[Path, typer.Option(help="The plan to explain.")] = Path("briefings/plan.json"),
) -> None:
    """Print the chain of rules behind a site's answers: practice, film model, alternatives."""
    from stormplan.service import pipeline
    from stormplan.words import decision_trace as explained

    print("\n".join(explained.lines(pipeline.read_plan(plan), site, surface)))


@app.command()
def review(
    archive: Annotated[Path, typer.Option(help="Archive of forecasts.")] = Path(
        "briefings/archive.sqlite"
    ),
    sites: Annotated[
        Path | None, typer.Option("--sites", help="Sites file, for its readings: tables and log.")
    ] = None,
    state: Annotated[
        bool,
        typer.Option("--state", help="State plans' spread by these scores from now on."),
    ] = False,
    days: Annotated[int, typer.Option(min=1, help="How many days back.")] = 30,
    now: Annotated[str | None, typer.Option(help="Look back from a moment.")] = None,
    as_json: Json = False,
) -> None:
    """Say how good past forecasts were, by source and lead: error, bias, chance of freezing."""
    from datetime import timedelta

    from stormplan.company import sites_file
    from stormplan.store.archive import Archive
    from stormplan.verification import error_records
    from stormplan.verification import report as reviewed

    if not archive.exists():
        raise InputError(f"no archive at {archive}; name it with --archive")
    checked = None if sites is None else sites_file.load(sites)
    folder = Path() if sites is None else sites.parent
    with Archive(archive) as kept:
        found = reviewed.review(kept, moment(now) - timedelta(days=days), checked, folder)
        if state:
            error_records.keep(kept, found.scores, moment(now))
    if as_json:
        print(json.dumps(reviewed.sheet(found), indent=1))
    else:
        say = Speaker("us" if checked is None else checked.company.units)
        print("\n".join(reviewed.lines(found, say)))


@app.command()
def pavement(
    table: Annotated[Path, typer.Argument(help="Hourly CSV: time, air_temp_c and more.")],
    lat: Annotated[float, typer.Option(help="Latitude, degrees north.")],
    lon: Annotated[float, typer.Option(help="Longitude, degrees, west negative.")],
    out: Annotated[Path, typer.Option(help="Where the hourly result goes, CSV.")],
    surface: Annotated[str, typer.Option(help="Class of surface.")] = "asphalt_lot",
    elevation: Annotated[float, typer.Option(help="Height above the sea, m.")] = 0.0,
    timezone: Annotated[
        str | None, typer.Option(help="Zone of times without one, like America/Chicago.")
    ] = None,
    sky_view: Annotated[
        float | None, typer.Option(help="Share of the sky seen, 0-1; the class's if not said.")
    ] = None,
    wind_factor: Annotated[
        float, typer.Option(help="Wind at the surface over the table's; sheltered 0.5-0.7.")
    ] = 1.0,
    depths: Annotated[str, typer.Option(help="Depths to report, m, like 0.016,0.05.")] = "",
    apply: Annotated[
        list[str] | None,
        typer.Option(help="Try a treatment: '2026-01-12T06:00Z,brine,0.5 gal/1000 ft2'."),
    ] = None,
    spread: Annotated[
        bool, typer.Option("--spread", help="Add how sure: an interval and chances for each hour.")
    ] = False,
    forecast_from: Annotated[
        str | None,
        typer.Option(help="With --spread: measured before this moment, forecast after it."),
    ] = None,
    sites: Annotated[Path | None, typer.Option(help="Sites file, for its products.")] = None,
) -> None:
    """Run pavement and film through your own hourly weather table."""
    from stormplan.physics import station
    from stormplan.weather import hourly_csv

    setting = station.Setting(
        latitude_deg=lat,
        longitude_deg=lon,
        surface=surface,
        elevation_m=elevation,
        sky_view_frac=sky_view,
        wind_factor=wind_factor,
        depths_m=station.depths(depths),
    )
    products = _products(sites)
    doses = [station.dose(text, products) for text in apply or []]
    if forecast_from is not None and not spread:
        raise InputError("--forecast-from goes with --spread")
    given = hourly_csv.read(table, timezone)
    lead_h = station.leads(given, forecast_from) if spread else None
    rows = station.run(given, setting, doses, lead_h)
    station.write(rows, out)
    print(station.summary(rows, out))


@app.command()
def schema() -> None:
    """Print the JSON Schema of plan.json."""
    from stormplan.service import pipeline

    print(pipeline.schema())


@app.command()
def rules() -> None:
    """Print every rule of practice: its key in policy, default, standing and source."""
    from stormplan.company.practice_rules import RULES

    for rule in RULES.values():
        print(f"{rule.key}: {rule.default}\n    {rule.means}\n    {rule.standing}: {rule.source}")


add_to(app)
cli_reading.add_to(app)


def run() -> None:
    """Run the command line; turn our own errors into a sentence and an exit code."""
    try:
        app()
    except StormplanError as error:
        print(f"stormplan: {error}", file=sys.stderr)
        sys.exit(int(error.exit_code))
