"""The commands of a buyer: offers compared, and what of them holds a winter at least cost.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.cli.sites_option import SITES_FILE
from stormplan.errors import ExitCode, InputError

if TYPE_CHECKING:
    from stormplan.company.offers import Offers
    from stormplan.company.practice_rules import Practice
    from stormplan.company.sites import Sites
    from stormplan.planning.sprayed_events import SprayedEvent
    from stormplan.units import UnitFormatter

SEASON = timedelta(days=240)  # back from now: a winter, whenever in the year it is asked
PLANS_APART = timedelta(hours=6)  # those between tell hardly more of the events, and take long


def register_commands(app: typer.Typer) -> None:
    """Register the commands."""
    app.command()(offers)
    app.command("least-cost")(least_cost)


OffersArgument = Annotated[
    Path | None, typer.Argument(help="File of offers, YAML.", metavar="OFFERS.yaml")
]
DemoOption = Annotated[bool, typer.Option("--demo", help="Take the bundled, invented offers.")]
SitesOption = Annotated[
    Path | None,
    typer.Option(
        "--sites",
        show_default=f"{SITES_FILE} if there is one",
        help="Sites file, for its policy and units.",
    ),
]
ArchiveOption = Annotated[
    Path, typer.Option(help="Archive, whose plans say what your own sites were to be sprayed for.")
]
MetricOption = Annotated[bool, typer.Option("--metric", help="Answer in metric units.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON; keys carry their unit.")]


def offers(
    offers_file: OffersArgument = None,
    demo: DemoOption = False,
    sites: SitesOption = None,
    at: Annotated[
        str | None,
        typer.Option(help="Pavement temperatures to compare at, like 28F,20F."),
    ] = None,
    archive: ArchiveOption = Path("briefings/archive.sqlite"),
    page: Annotated[Path | None, typer.Option(help="Write them as a page too, HTML.")] = None,
    metric: MetricOption = False,
    as_json: JsonOption = False,
) -> None:
    """Rank offers of salt, brine and additive by water kept liquid for the money.

    Compared at the temperatures of --at, else of the file, else of the events your own sites were
    sprayed for since last winter. Says what a cheap offer lacks, and how firm that is.
    """
    from stormplan.liquids.offer_value import rank_offers
    from stormplan.words import offers_text

    found = _load_offers(offers_file, demo)
    own_sites = _own_sites(sites)
    temps_c, temps_from = _working_temps(at, found, archive)
    ranking = rank_offers(found, temps_c, _practice(own_sites))
    formatter = _formatter(metric, own_sites)
    if page is not None:
        _write(page, offers_text.render_html(ranking, found, formatter, temps_from))
    if as_json:
        print(json.dumps(offers_text.offer_values(ranking, found), indent=1, ensure_ascii=False))
    else:
        print("\n".join(offers_text.offer_lines(ranking, found, formatter, temps_from)))


def least_cost(
    offers_file: OffersArgument = None,
    demo: DemoOption = False,
    sites: SitesOption = None,
    without: Annotated[
        list[str] | None,
        typer.Option(help="Key of a product that is not to be used; repeatable."),
    ] = None,
    archive: ArchiveOption = Path("briefings/archive.sqlite"),
    page: Annotated[Path | None, typer.Option(help="Write it as a page too, HTML.")] = None,
    metric: MetricOption = False,
    as_json: JsonOption = False,
) -> None:
    """Compute what to buy so that the needs in a file of offers are held at least cost.

    A linear program over products, temperatures and months, within rates, highest shares, stock,
    chloride and whole totes; checked for cold tanks and the rules of surfaces, beside the
    contractors' ladder. Where the file's needs have no cases, they are what your plans' pre-treats
    were to hold since last winter. Needs the extra `buying`.

    Exit code 3: no blend does it, and which limits clash is said.
    """
    from stormplan.operations.blend_purchase import plan_purchase
    from stormplan.words import purchase_text

    own_sites = _own_sites(sites)
    found = _with_own_needs(_load_offers(offers_file, demo), own_sites, archive)
    purchase = plan_purchase(found, _practice(own_sites), without or ())
    formatter = _formatter(metric, own_sites)
    if page is not None:
        _write(page, purchase_text.render_html(purchase, found, formatter))
    if as_json:
        values = purchase_text.purchase_values(purchase, found)
        print(json.dumps(values, indent=1, ensure_ascii=False))
    else:
        print("\n".join(purchase_text.purchase_lines(purchase, found, formatter)))
    if purchase.clash is not None:
        raise typer.Exit(int(ExitCode.DEGRADED))


def _formatter(metric: bool, sites: Sites | None) -> UnitFormatter:
    from stormplan.units import UnitFormatter

    is_metric = metric or (sites is not None and sites.company.units == "metric")
    return UnitFormatter("metric" if is_metric else "us")


def _load_offers(path: Path | None, demo: bool) -> Offers:
    from stormplan.company.offers import parse_offers

    if (path is None) is not demo:
        raise InputError("give either OFFERS.yaml or --demo")
    if path is None:
        bundled = files("stormplan") / "demo" / "offers.yaml"
        return parse_offers(bundled.read_text(encoding="utf-8"))
    try:
        text = path.read_text(encoding="utf-8-sig")  # some editors begin a file with a mark
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"cannot read the offers {path}: {error}") from error
    return parse_offers(text, path.name)


def _own_sites(path: Path | None) -> Sites | None:
    from stormplan.company import sites_file

    if path is None and not SITES_FILE.is_file():
        return None
    return sites_file.load_sites(path or SITES_FILE)


def _practice(sites: Sites | None) -> Practice:
    from stormplan.company.practice_rules import Practice

    return Practice() if sites is None else sites.practice()


def _working_temps(at: str | None, offers: Offers, archive: Path) -> tuple[tuple[float, ...], str]:
    """Return the temperatures to compare at [°C], and where they come from."""
    if at is not None:
        return tuple(_parse_working_temp(one) for one in at.split(",")), "as given"
    if offers.working_temps_c:
        return offers.working_temps_c, "of the file"
    from stormplan.planning.sprayed_events import working_temps_c

    remedy = "say at which pavement temperatures to compare: --at 28F,20F, or working_temperatures"
    found = working_temps_c(_sprayed_events(archive, remedy))
    if found is None:
        raise InputError(f"too few events that you sprayed for are in {archive}; {remedy}")
    return found, "mild, usual and cold among the events your sites were to be sprayed for"


def _sprayed_events(archive: Path, remedy: str) -> list[SprayedEvent]:
    """Return the events since last winter that plans of the archive were to spray for."""
    from stormplan.planning.plan import current_document
    from stormplan.planning.sprayed_events import sprayed_events
    from stormplan.store.archive import Archive

    if not archive.exists():
        raise InputError(f"no archive at {archive}; {remedy}")
    with Archive(archive) as kept:
        stored = kept.plans_since(datetime.now(UTC) - SEASON, PLANS_APART)
        return sprayed_events(
            plan for one in stored if (plan := current_document(one.document)) is not None
        )


def _with_own_needs(offers: Offers, sites: Sites | None, archive: Path) -> Offers:
    """Return the offers with what one's own plans were to hold, where the file has no cases."""
    from stormplan.company.sites import BRINE_KEY
    from stormplan.planning.sprayed_events import blend_needs

    needs = offers.needs
    if needs is None or needs.cases:
        return offers
    remedy = "say what is to be held: cases, under 'needs'"
    if sites is None:
        raise InputError(f"what your plans were to hold needs the sites file (--sites); {remedy}")
    events = _sprayed_events(archive, remedy)
    products = sites.products
    cases = blend_needs(events, needs.surface, products, products[BRINE_KEY])
    if not cases:
        raise InputError(f"no pre-treat of a {needs.surface} surface is in {archive}; {remedy}")
    return offers.model_copy(update={"needs": needs.model_copy(update={"cases": cases})})


def _parse_working_temp(typed: str) -> float:
    from stormplan.company.offers import WORKING_TEMP_LIMITS
    from stormplan.units import parse

    lowest, highest = (parse(one, "temperature") for one in WORKING_TEMP_LIMITS)
    try:
        found = parse(typed, "temperature")
    except InputError as error:
        raise InputError(f"--at: {error}") from error
    if not lowest <= found <= highest:
        accepted = " to ".join(WORKING_TEMP_LIMITS)
        raise InputError(f"--at: '{typed}' is out of range; accepted: {accepted}")
    return found


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"cannot write {path}: {error.strerror}") from error
