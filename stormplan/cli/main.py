"""The command line: parses, calls, prints, exits. Nothing else in the program does.

Imports of anything heavy stand inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import json
import sys
import traceback
from collections.abc import Mapping, Sequence
from functools import partial
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.cli import (
    acceptance,
    buying,
    calibration,
    order,
    reading_commands,
    record,
    serve_commands,
    sites_commands,
)
from stormplan.cli.planning_commands import parse_moment, print_screen, register_commands
from stormplan.cli.progress import ProgressLine
from stormplan.cli.sites_option import SITES_FILE, SitesArgument, find_sites_file
from stormplan.cli.workers_option import ClusterOption, WorkersOption
from stormplan.errors import ExitCode, InputError, StormplanError
from stormplan.units import UnitFormatter
from stormplan.version import __version__
from stormplan.weather.redaction import redact_known

if TYPE_CHECKING:
    from stormplan.cli.brine_calculator import CalculatorResult
    from stormplan.cli.pavement import TableSurface
    from stormplan.company.catalog import Product

app = typer.Typer(
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    help="Storm-event planner for snow-and-ice contractors with a liquids program.",
)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"stormplan {__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[
        bool,
        typer.Option("-V", "--version", callback=_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Plan storm events for parking lots, lanes, walks, entries, ramps and decks."""


def _print_result(result: CalculatorResult, as_json: bool) -> None:
    print(
        json.dumps(result.values, indent=2, ensure_ascii=False)
        if as_json
        else "\n".join(result.lines)
    )


def _products(sites: Path | None, names: Sequence[str]) -> Mapping[str, Product]:
    """Return the products to look names up in; of this folder's sites file where one is named."""
    if sites is None:
        is_named = any(name[:1].isalpha() and "=" not in name for name in names)
        if not is_named or not SITES_FILE.is_file():
            return {}
        sites = SITES_FILE
    from stormplan.company import sites_file

    return sites_file.load_sites(sites).products


def _own_surface(sites: Path | None, of: str) -> tuple[TableSurface, Mapping[str, Product]]:
    """Return a surface of the sites file, ``SITE/SURFACE``, and the products of that file."""
    if sites is None and not SITES_FILE.is_file():
        raise InputError("--of goes with --sites FILE")
    from stormplan.cli.pavement import surface_of_site
    from stormplan.company import sites_file

    path = sites or SITES_FILE
    checked = sites_file.load_sites(path)
    return surface_of_site(checked, path, of), checked.products


Purity = Annotated[str, typer.Option(help="NaCl in the salt as delivered, %.")]
Moisture = Annotated[str, typer.Option(help="Water in the salt as delivered, %.")]
Insolubles = Annotated[str, typer.Option(help="Insoluble matter in the salt, %.")]
Treated = Annotated[bool, typer.Option("--treated-salt", help="The salt is treated.")]
Gallons = Annotated[str | None, typer.Option(help="Volume, US gallons.")]
Liters = Annotated[str | None, typer.Option(help="Volume, liters.")]
Capacity = Annotated[str | None, typer.Option(help="Capacity of the tank, gal (metric: L).")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON; keys carry their unit.")]
ProductSitesOption = Annotated[
    Path | None,
    typer.Option(
        "--sites",
        show_default=f"{SITES_FILE} if there is one",
        help="Sites file, for its products.",
    ),
]
Units = Annotated[str, typer.Option(help="Units of bare numbers and of the answer: us or metric.")]


@app.command()
def mix(
    gallons: Gallons = None,
    liters: Liters = None,
    strength: Annotated[str, typer.Option(help="Target, % NaCl by weight.")] = "23.3",
    purity: Purity = "100",
    moisture: Moisture = "0",
    insolubles: Insolubles = "0",
    treated: Treated = False,
    tank: Annotated[
        str | None, typer.Option(help="Contents of the tank: volume@strength, as 1000@20.")
    ] = None,
    tank_capacity: Capacity = None,
    water_temp: Annotated[
        str | None, typer.Option(help="Water temperature, °F (metric: °C); default 60 °F.")
    ] = None,
    mixer_rate: Annotated[
        str | None, typer.Option(help="What the brine maker makes, like 2500gal/h.")
    ] = None,
    as_json: Json = False,
    units: Units = "us",
) -> None:
    """Compute a batch of brine, or the correction of a tank."""
    from stormplan.cli import brine_calculator

    result = brine_calculator.compute_mix(
        gallons=gallons,
        liters=liters,
        strength=strength,
        purity=purity,
        moisture=moisture,
        insolubles=insolubles,
        treated=treated,
        tank=tank,
        tank_capacity=tank_capacity,
        water_temp=water_temp,
        mixer_rate=mixer_rate,
        units=units,
    )
    _print_result(result, as_json)


@app.command()
def hydrometer(
    reading: Annotated[
        str | None, typer.Option(help="Specific gravity on a 60/60 °F hydrometer.")
    ] = None,
    salometer: Annotated[
        str | None, typer.Option(help="Salometer degrees, instead of --reading.")
    ] = None,
    temp: Annotated[
        str | None, typer.Option(help="Brine temperature, °F (metric: °C); default 60 °F.")
    ] = None,
    target: Annotated[str, typer.Option(help="Target strength, %.")] = "23.3",
    accept: Annotated[
        str, typer.Option(help="Accepted band, %; default our own choice.")
    ] = "22.5-23.8",
    usable: Annotated[
        str, typer.Option(help="Usable band, %; default our own choice.")
    ] = "22.0-24.0",
    is_blend: Annotated[bool, typer.Option("--blend", help="The tank holds a blend.")] = False,
    treated: Treated = False,
    gallons: Gallons = None,
    liters: Liters = None,
    purity: Purity = "100",
    moisture: Moisture = "0",
    insolubles: Insolubles = "0",
    tank_capacity: Capacity = None,
    as_json: Json = False,
    units: Units = "us",
) -> None:
    """Compute the strength of a tank from a hydrometer reading, and its correction."""
    from stormplan.cli import brine_calculator

    result = brine_calculator.read_hydrometer(
        reading=reading,
        salometer=salometer,
        temp=temp,
        target=target,
        accept=accept,
        usable=usable,
        is_blend=is_blend,
        treated=treated,
        gallons=gallons,
        liters=liters,
        purity=purity,
        moisture=moisture,
        insolubles=insolubles,
        tank_capacity=tank_capacity,
        units=units,
    )
    _print_result(result, as_json)


@app.command()
def blend(
    brine: Annotated[
        str, typer.Option(help="Base: % NaCl, or cacl2=10, or a product of the sites file.")
    ] = "23.3",
    additive: Annotated[
        str | None, typer.Option(help="cacl2=32, or a product of the sites file.")
    ] = None,
    share: Annotated[
        str, typer.Option(help="Additive, % of the blend by volume, or 80/20 for 20 %.")
    ] = "0",
    water_parts: Annotated[
        str, typer.Option(help="Parts of water per part of blend, by volume.")
    ] = "0",
    ice_at: Annotated[
        str | None, typer.Option(help="Temperature for the ice fraction, °F (metric: °C).")
    ] = None,
    temp: Annotated[
        str | None,
        typer.Option(help="Temperature for the density, °F (metric: °C); default 60 °F."),
    ] = None,
    tank_min_temp: Annotated[
        str | None, typer.Option(help="Lowest tank temperature, °F (metric: °C); default --temp.")
    ] = None,
    gallons: Gallons = None,
    liters: Liters = None,
    sites: ProductSitesOption = None,
    as_json: Json = False,
    units: Units = "us",
) -> None:
    """Compute a blend of brine and additive: freeze point, salt crystals, density."""
    from stormplan.cli import brine_calculator

    result = brine_calculator.compute_blend(
        base=brine,
        additive=additive,
        share=share,
        water_parts=water_parts,
        ice_at=ice_at,
        temp=temp,
        tank_min_temp=tank_min_temp,
        gallons=gallons,
        liters=liters,
        products=_products(sites, (brine, additive or "")),
        units=units,
    )
    _print_result(result, as_json)


# -- planning -------------------------------------------------------------------------------------


@app.command()
def brief(
    sites: Annotated[
        Path | None,
        typer.Option("--sites", show_default=str(SITES_FILE), help="The sites file."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            show_default="briefings; with --demo demo-output",
            help="Report folder; the newest reports are in its subfolder latest.",
        ),
    ] = None,
    now: Annotated[
        str | None,
        typer.Option(
            help="Planning time, like 2026-01-12T04:30, in the company's zone; default now."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the plan as JSON.")] = False,
    offline: Annotated[bool, typer.Option(help="Use the archive only, no network.")] = False,
    archive: Annotated[
        Path | None, typer.Option(help="Archive of forecasts; default OUT/archive.sqlite.")
    ] = None,
    demo: Annotated[bool, typer.Option("--demo", help="Plan the bundled, invented storm.")] = False,
    full: Annotated[
        bool, typer.Option("--full", help="Print every surface, the mix and the cautions too.")
    ] = False,
    quiet: Annotated[
        bool, typer.Option("--quiet", "-q", help="Print the answer in one line, and no progress.")
    ] = False,
    verbose: Annotated[
        bool, typer.Option("--verbose", "-v", help="Leave a line for each step, with its time.")
    ] = False,
    workers: WorkersOption = 1,
    cluster: ClusterOption = None,
) -> None:
    """Plan the morning: who is treated, when, with what, and what to mix.

    Exit code 0: complete plan; 2: bad input; 3: plan written, but something is missing or stale
    (the headline says what); 4: nothing could be planned.
    """
    from stormplan.company.delivery_settings import DeliverySettings
    from stormplan.compiled import has_kept_code
    from stormplan.planning import plan_io
    from stormplan.service import pipeline
    from stormplan.service.workers import open_mapper
    from stormplan.words import briefing, terminal

    if demo and sites is not None:
        raise InputError("give either --sites FILE or --demo")
    out = out or Path("demo-output" if demo else "briefings")
    keep_reports = DeliverySettings().keep_reports
    first = "" if has_kept_code() else " (the first run compiles the physics)"
    progress = ProgressLine(quiet, verbose, first)
    if demo:
        plan = pipeline.plan_demo(pipeline.DEMO_NOW if now is None else parse_moment(now))
    else:
        from stormplan.company import sites_file
        from stormplan.store import maintenance

        sites = sites or find_sites_file()
        checked = sites_file.load_sites(sites)
        as_of = parse_moment(now, checked)
        kept, wrong = maintenance.open_or_fall_back(archive or out / "archive.sqlite", as_of)
        with kept:
            plan = pipeline.plan_and_store(
                checked,
                kept,
                as_of,
                offline=offline,
                sites_folder=sites.parent,
                archive_problem=wrong,
                progress=progress,
                open_mapper=partial(open_mapper, workers, cluster),
            )
        keep_reports = checked.delivery.keep_reports
    view = briefing.build_view(plan)
    if as_json:
        print(plan_io.plan_json(plan))
    elif quiet:
        print(view.subject)
    else:
        render = terminal.render_screen if full else terminal.render_first_screen
        print_screen(render(view))
    # after the answer: drawing charts takes a moment
    progress("writing reports", 0, 1)
    folder, written = pipeline.publish_reports(plan, out, keep_reports, is_newest=now is None)
    progress("writing reports", 1, 1)
    if not as_json and not quiet:
        _print_written(folder, written)
    raise typer.Exit(int(plan.exit_code))


def _print_written(out: Path, written: Sequence[Path]) -> None:
    """Print where the reports are, those that people open first by what they hold."""
    names = [str(path.relative_to(out)) for path in written]
    print(f"\nWritten to {out}:")
    for name, holds in (
        ("briefing.html", "every surface with its reasons, and the cautions"),
        ("mixsheet.html", "what to make, load and put down, for the shed"),
        ("rounds.html", "each sprayer's round, for its crew"),
        ("notices.html", "drafts of what to tell clients"),
    ):
        print(f"  {name:14s} {holds}")
        names.remove(name)
    print(f"  {', '.join(names)}")


@app.command()
def check(sites: SitesArgument) -> None:
    """Check a sites file: every error at once, with its line; then places that are hardly meant.

    Exit code 0: good; 2: bad input; 3: it can be used, but a site or yard lies oddly far away, or
    outside what its weather service covers, or a forecast file it names is not there.
    """
    from stormplan.company import sites_file
    from stormplan.words.formatting import pluralize

    found, asked = sites_file.load_with_questions(sites)
    for question in asked:
        print(question)
    verdict = f"look at {pluralize(len(asked), 'line')} above" if asked else "good"
    surfaces = [surface for site in found.sites.values() for surface in site.surfaces.values()]
    area = UnitFormatter(found.company.units).area(sum(surface.area_m2 for surface in surfaces))
    print(
        f"{sites}: {verdict}. {pluralize(len(found.sites), 'site')} with "
        f"{pluralize(len(surfaces), 'surface')}, {area}; {pluralize(len(found.yards), 'yard')}, "
        f"{pluralize(len(found.clients), 'client')}, "
        f"{pluralize(len(found.purchased_products), 'product')} bought."
    )
    if asked:
        raise typer.Exit(int(ExitCode.DEGRADED))


@app.command()
def explain(
    site: Annotated[str, typer.Argument(help="Key of a site.")],
    surface: Annotated[str | None, typer.Argument(help="Key of one of its surfaces.")] = None,
    plan: Annotated[Path, typer.Option(help="The plan to explain.")] = Path(
        "briefings/latest/plan.json"
    ),
) -> None:
    """Print the chain of rules behind a site's answers: practice, film model, alternatives."""
    from stormplan.service import pipeline
    from stormplan.words import decision_trace

    print("\n".join(decision_trace.trace_lines(pipeline.read_plan(plan), site, surface)))


@app.command()
def verify_forecasts(
    archive: Annotated[Path, typer.Option(help="Archive of forecasts.")] = Path(
        "briefings/archive.sqlite"
    ),
    sites: Annotated[
        Path | None,
        typer.Option(
            "--sites",
            show_default=f"{SITES_FILE} if there is one",
            help="Sites file, for its readings: tables and log.",
        ),
    ] = None,
    use_in_plans: Annotated[
        bool,
        typer.Option("--use-in-plans", help="Use these scores for the uncertainty of later plans."),
    ] = False,
    days: Annotated[int, typer.Option(min=1, help="Days to verify, counted back.")] = 30,
    now: Annotated[str | None, typer.Option(help="End of the period; default now.")] = None,
    as_json: Json = False,
) -> None:
    """Score past forecasts by source and lead: error, bias, probability of freezing."""
    from datetime import timedelta

    from stormplan.company import sites_file
    from stormplan.store.archive import Archive
    from stormplan.verification import error_records, report

    if not archive.exists():
        raise InputError(f"no archive at {archive}; name it with --archive")
    sites = sites or (SITES_FILE if SITES_FILE.is_file() else None)
    checked = None if sites is None else sites_file.load_sites(sites)
    folder = Path() if sites is None else sites.parent
    until = parse_moment(now, checked)
    with Archive(archive) as kept:
        found = report.verify_forecasts(kept, until - timedelta(days=days), checked, folder)
        if use_in_plans:
            error_records.save_scores(kept, found.scores, until)
    if as_json:
        print(json.dumps(report.to_dict(found), indent=1))
    else:
        formatter = UnitFormatter("us" if checked is None else checked.company.units)
        print("\n".join(report.report_lines(found, formatter)))


@app.command()
def pavement(
    table: Annotated[Path, typer.Argument(help="Hourly CSV: time, air_temp_c and more.")],
    out: Annotated[Path, typer.Option(help="Output file, CSV.")],
    lat: Annotated[float | None, typer.Option(help="Latitude, degrees north.")] = None,
    lon: Annotated[float | None, typer.Option(help="Longitude, degrees, west negative.")] = None,
    surface: Annotated[
        str | None, typer.Option(help="Class of surface.", show_default="asphalt_lot")
    ] = None,
    of: Annotated[
        str | None,
        typer.Option(
            metavar="SITE/SURFACE",
            help="A surface of the sites file, with its place, build-up, walls and readings.",
        ),
    ] = None,
    elevation: Annotated[float, typer.Option(help="Height above the sea, m.")] = 0.0,
    timezone: Annotated[
        str | None, typer.Option(help="Time zone of times without one, like America/Chicago.")
    ] = None,
    sky_view: Annotated[
        float | None, typer.Option(help="Sky view factor, 0-1; default by surface class.")
    ] = None,
    wind_factor: Annotated[
        float, typer.Option(help="Ratio of wind at the surface to the table's; sheltered 0.5-0.7.")
    ] = 1.0,
    depths: Annotated[str, typer.Option(help="Depths to report, m, like 0.016,0.05.")] = "",
    treatment: Annotated[
        list[str] | None,
        typer.Option(
            help="Treatment to simulate: '2026-01-12T06:00Z,brine,0.5 gal/1000 ft2'; repeatable."
        ),
    ] = None,
    uncertainty: Annotated[
        bool,
        typer.Option(
            "--uncertainty", help="Add hourly uncertainty: an interval and probabilities."
        ),
    ] = False,
    forecast_from: Annotated[
        str | None,
        typer.Option(help="With --uncertainty: end of the measurements, start of the forecast."),
    ] = None,
    sites: Annotated[
        Path | None,
        typer.Option(
            "--sites",
            show_default=f"{SITES_FILE} if there is one",
            help="Sites file, for its products and for --of.",
        ),
    ] = None,
) -> None:
    """Run pavement and film through your own hourly weather table."""
    from stormplan.cli.pavement import run_pavement, surface_of_class

    if of is not None:
        if (lat, lon, surface, sky_view) != (None,) * 4 or wind_factor != 1.0:
            raise InputError(
                "--of takes place and surface from the sites file; leave out --lat, --lon, "
                "--surface, --sky-view and --wind-factor"
            )
        simulated, products = _own_surface(sites, of)
    elif lat is None or lon is None:
        raise InputError("give --lat and --lon, or --sites FILE with --of SITE/SURFACE")
    else:
        simulated = surface_of_class(lat, lon, surface or "asphalt_lot", sky_view, wind_factor)
        names = [text.split(",")[1] for text in treatment or [] if "," in text]
        products = _products(sites, names)
    lines = run_pavement(
        table,
        out,
        simulated,
        elevation_m=elevation,
        timezone=timezone,
        depths=depths,
        treatments=treatment or [],
        uncertainty=uncertainty,
        forecast_from=forecast_from,
        products=products,
    )
    print("\n".join(lines))


@app.command()
def schema() -> None:
    """Print the JSON Schema of plan.json."""
    from stormplan.planning import plan_io

    print(plan_io.plan_schema())


@app.command()
def policy() -> None:
    """Print every rule of practice: its key in policy, default, evidence and source."""
    from stormplan.company.practice_rules import RULES, SCOPES

    for rule in RULES.values():
        print(f"{rule.key}: {rule.default}\n    {rule.meaning}")
        levels = " or ".join(SCOPES[: SCOPES.index(rule.scope) + 1])
        print(f"    may be set for: {levels}\n    {rule.evidence}: {rule.source}")


register_commands(app)
reading_commands.register_commands(app)
record.register_commands(app)
calibration.register_commands(app)
buying.register_commands(app)
acceptance.register_commands(app)
order.register_commands(app)
sites_commands.register_commands(app)
serve_commands.register_commands(app)


def run() -> None:
    """Run the command line; turn our own errors into a sentence and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without some letter ends no command
    try:
        app()
    except StormplanError as error:
        print(f"stormplan: {redact_known(str(error))}", file=sys.stderr)
        sys.exit(int(error.exit_code))
    except Exception:  # a fault of ours: its traceback may quote a secret
        print(redact_known(traceback.format_exc()), file=sys.stderr, end="")
        sys.exit(1)
