"""The part of the command line for the record: what was put down, plowed and seen.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from stormplan.cli.sites_option import SitesOption
from stormplan.errors import InputError

if TYPE_CHECKING:
    from datetime import date, datetime

    from stormplan.record.entries import Entry

record_app = typer.Typer(
    no_args_is_help=True, help="Keep the record of what was done; plans start from it."
)
add_app = typer.Typer(no_args_is_help=True, help="Add an entry to the record.")
record_app.add_typer(add_app, name="add")

SiteArgument = Annotated[str, typer.Argument(help="Key of the site.")]
SurfaceArgument = Annotated[str, typer.Argument(help="Key of the surface.")]
OutOption = Annotated[Path, typer.Option("--out", help="Folder of the briefings.")]
ArchiveOption = Annotated[
    Path | None, typer.Option("--archive", help="Archive; default OUT/archive.sqlite.")
]
AtOption = Annotated[
    str | None, typer.Option("--at", help="When, like 2026-01-12T05:30-06:00; default now.")
]
ByOption = Annotated[str, typer.Option("--by", help="Who did or saw it.")]
NoteOption = Annotated[str, typer.Option("--note", help="What else is to be said.")]
OUT = Path("briefings")


def register_commands(app: typer.Typer) -> None:
    """Register the record commands."""
    app.add_typer(record_app, name="record")


@add_app.command("pass")
def add_pass(
    site: SiteArgument,
    surface: SurfaceArgument,
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add a plow, shovel or broom pass down to the pavement."""
    from stormplan.record.entries import PlowPass

    entry = PlowPass(**_common(at, by, note), site=site, surface=surface)
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("application")
def add_application(
    site: SiteArgument,
    surface: SurfaceArgument,
    rate: Annotated[
        str, typer.Argument(help="What went down: 0.5gal/1000ft2 of liquid, 4lb/1000ft2 of solid.")
    ],
    sites: SitesOption,
    additive: Annotated[
        str | None, typer.Option(help="Key of the product blended into the brine.")
    ] = None,
    share: Annotated[str | None, typer.Option(help="Its part by volume, like 5%.")] = None,
    sand: Annotated[bool, typer.Option("--sand", help="The solid is sand, not salt.")] = False,
    sprayer: Annotated[
        str | None, typer.Option(help="Sprayer it came out of; its loads then account for it.")
    ] = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add a liquid, salt or sand that was put down."""
    from stormplan.record.entries import Application
    from stormplan.units import parse

    if (additive is None) is not (share is None):
        raise InputError("--additive and --share go together, like --additive calcium --share 5%")
    amounts: dict[str, Any]
    try:
        amounts = {"rate_l_m2": parse(rate, "liquid rate")}
    except InputError as not_liquid:
        if additive is not None:
            raise
        try:
            solid = parse(rate, "solid rate")
        except InputError:
            raise InputError(f"{not_liquid}; or of solids as '4 lb/1000 ft2'") from None
        amounts = {"sand_kg_m2" if sand else "salt_kg_m2": solid}
    if sand and "sand_kg_m2" not in amounts:
        raise InputError(f"--sand is a solid; write its rate as '4 lb/1000 ft2', not '{rate}'")
    if sprayer is not None:
        amounts |= {"sprayer": sprayer}
    if share is not None:
        amounts |= {"additive": additive, "additive_frac": parse(share, "percentage")}
    entry = _validated(Application, **_common(at, by, note), site=site, surface=surface, **amounts)
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("inspection")
def add_inspection(
    site: SiteArgument,
    surface: SurfaceArgument,
    condition: Annotated[
        str,
        typer.Argument(help="dry, damp, wet, frost, slush, snow, 'packed snow' or ice."),
    ],
    sites: SitesOption,
    depth: Annotated[
        str | None, typer.Option(help="How deep, of slush and snow, like 2in.")
    ] = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add what was seen on a surface; the next plan starts from it.

    It counts for as long as the weather since is known, else for the rule record_max_age.
    """
    from stormplan.record.entries import WITH_DEPTH, Condition, Inspection
    from stormplan.units import parse

    if condition not in tuple(Condition):
        raise InputError(f"'{condition}' is no condition; accepted: {', '.join(Condition)}")
    seen = Condition(condition)
    if seen in WITH_DEPTH and depth is None:
        raise InputError(f"how deep is the {seen}? add --depth, like --depth 2in")
    depth_cm = None if depth is None else 100.0 * parse(depth, "length")
    entry = _validated(
        Inspection,
        **_common(at, by, note),
        site=site,
        surface=surface,
        condition=seen,
        depth_cm=depth_cm,
    )
    _add(entry, sites, archive or out / "archive.sqlite")


YardArgument = Annotated[str, typer.Argument(help="Key of the yard.")]
StoreArgument = Annotated[
    str, typer.Argument(help="Tank, or product in totes, or salt for the pile.")
]
AmountArgument = Annotated[str, typer.Argument(help="Volume like 500gal; of salt, like 12ton.")]
SprayerArgument = Annotated[str, typer.Argument(help="Key of the sprayer.")]
GravityOption = Annotated[
    float | None, typer.Option("--sg", help="Hydrometer reading, like 1.176; with --temperature.")
]
StrengthOption = Annotated[str | None, typer.Option(help="Known strength, like 23.1%.")]
TemperatureOption = Annotated[
    str | None, typer.Option(help="Of the liquid, like 40F; brine shrinks in the cold.")
]


@add_app.command("batch")
def add_batch(
    yard: YardArgument,
    tank: Annotated[str, typer.Argument(help="Tank it went into.")],
    volume: Annotated[str, typer.Argument(help="Finished brine, like 2000gal.")],
    sites: SitesOption,
    salt: Annotated[str | None, typer.Option(help="Salt off the pile, like 4000lb.")] = None,
    sg: GravityOption = None,
    strength: StrengthOption = None,
    temperature: TemperatureOption = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add a batch of brine that was made, with its reading."""
    from stormplan.record.entries import BatchMade
    from stormplan.units import parse

    entry = _validated(
        BatchMade,
        **_common(at, by, note),
        **_liquid_read(sg, strength, temperature),
        yard=yard,
        tank=tank,
        volume_l=parse(volume, "volume"),
        salt_kg=None if salt is None else parse(salt, "mass"),
    )
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("delivery")
def add_delivery(
    yard: YardArgument,
    product: Annotated[str, typer.Argument(help="What came: a product, brine, or salt.")],
    amount: AmountArgument,
    sites: SitesOption,
    into: Annotated[
        str | None, typer.Option(help="Tank it went into; default totes, or the pile.")
    ] = None,
    sg: GravityOption = None,
    strength: StrengthOption = None,
    temperature: TemperatureOption = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add a liquid or salt that was delivered."""
    from stormplan.record.entries import Delivery

    entry = _validated(
        Delivery,
        **_common(at, by, note),
        **_liquid_read(sg, strength, temperature),
        **_amount(product, amount),
        yard=yard,
        product=product,
        store=into or product,
    )
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("load")
def add_load(
    yard: YardArgument,
    sprayer: SprayerArgument,
    parts: Annotated[list[str], typer.Argument(help="From which store how much: t1=450gal.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add a load that a sprayer took on; what it sprays from now on comes out of it."""
    from stormplan.record.entries import LoadDrawn
    from stormplan.units import parse

    drawn = []
    for part in parts:
        store, is_split, volume = part.partition("=")
        if not is_split:
            raise InputError(f"'{part}' is no part of a load; accepted: t1=450gal")
        drawn.append({"store": store, "volume_l": parse(volume, "volume")})
    common = _common(at, by, note)
    entry = _validated(LoadDrawn, **common, yard=yard, sprayer=sprayer, parts=tuple(drawn))
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("return")
def add_return(
    yard: YardArgument,
    sprayer: SprayerArgument,
    sites: SitesOption,
    volume: Annotated[str, typer.Option(help="What was left in it, like 40gal.")] = "0 gal",
    into: Annotated[str | None, typer.Option(help="Tank it went back into.")] = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add that a sprayer is back, and what it brought: its round ends."""
    from stormplan.record.entries import LoadReturned
    from stormplan.units import parse

    entry = _validated(
        LoadReturned,
        **_common(at, by, note),
        yard=yard,
        sprayer=sprayer,
        store=into,
        volume_l=parse(volume, "volume"),
    )
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("transfer")
def add_transfer(
    yard: YardArgument,
    from_store: StoreArgument,
    to_store: Annotated[str, typer.Argument(help="Where to.")],
    volume: Annotated[str, typer.Argument(help="How much, like 100gal.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add a liquid pumped from one store into another, as for a blend in the tank."""
    from stormplan.record.entries import Transfer
    from stormplan.units import parse

    entry = _validated(
        Transfer,
        **_common(at, by, note),
        yard=yard,
        from_store=from_store,
        to_store=to_store,
        volume_l=parse(volume, "volume"),
    )
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("measurement")
def add_measurement(
    yard: YardArgument,
    store: StoreArgument,
    sites: SitesOption,
    amount: Annotated[
        str | None, typer.Argument(help="What is there: 1800gal; of salt, 30ton.")
    ] = None,
    sg: GravityOption = None,
    strength: StrengthOption = None,
    temperature: TemperatureOption = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add what a tank, totes or the pile were measured to hold; it corrects the book."""
    from stormplan.record.entries import Measurement

    entry = _validated(
        Measurement,
        **_common(at, by, note),
        **_liquid_read(sg, strength, temperature),
        **({} if amount is None else _amount(store, amount)),
        yard=yard,
        store=store,
    )
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("loss")
def add_loss(
    yard: YardArgument,
    store: StoreArgument,
    amount: AmountArgument,
    cause: Annotated[
        str, typer.Argument(help="spill, leak, flush, 'settled salt', evaporated or other.")
    ],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add what is gone without having been used, and why."""
    from stormplan.record.entries import Loss, LossCause

    if cause not in tuple(LossCause):
        raise InputError(f"'{cause}' is no cause; accepted: {', '.join(LossCause)}")
    common = _common(at, by, note)
    entry = _validated(
        Loss, **common, **_amount(store, amount), yard=yard, store=store, cause=cause
    )
    _add(entry, sites, archive or out / "archive.sqlite")


def _amount(store: str, text: str) -> dict[str, float]:
    """Read the amount of what is in a store: a mass of salt, a volume of anything else."""
    from stormplan.record.entries import SALT_PILE
    from stormplan.units import parse

    if store == SALT_PILE:
        return {"salt_kg": parse(text, "mass")}
    return {"volume_l": parse(text, "volume")}


def _liquid_read(
    sg: float | None, strength: str | None, temperature: str | None
) -> dict[str, float | None]:
    from stormplan.units import parse

    return {
        "specific_gravity": sg,
        "strength_frac": None if strength is None else parse(strength, "percentage"),
        "temp_c": None if temperature is None else parse(temperature, "temperature"),
    }


@add_app.command("skipped")
def add_skipped(
    site: SiteArgument,
    surface: SurfaceArgument,
    reason: Annotated[str, typer.Argument(help="Why, like 'cars parked'.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add work of the plan that was not done, and why."""
    from stormplan.record.entries import Skipped

    common = _common(at, by, note)
    entry = _validated(Skipped, **common, site=site, surface=surface, reason=reason)
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("direction")
def add_direction(
    site: SiteArgument,
    said: Annotated[str, typer.Argument(help="What the client asked for.")],
    said_by: Annotated[str, typer.Argument(help="Who asked, and how, like 'J. Doe by phone'.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add what a client asked for, like no salt on the deck."""
    from stormplan.record.entries import Direction

    entry = _validated(Direction, **_common(at, by, note), site=site, said=said, said_by=said_by)
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("complaint")
def add_complaint(
    site: SiteArgument,
    said: Annotated[str, typer.Argument(help="What somebody complained of.")],
    said_by: Annotated[str, typer.Argument(help="Who.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add a complaint, or a fall that was told."""
    from stormplan.record.entries import Complaint

    entry = _validated(Complaint, **_common(at, by, note), site=site, said=said, said_by=said_by)
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("calibration")
def add_calibration(
    yard: YardArgument,
    sprayer: SprayerArgument,
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add that a sprayer was calibrated."""
    from stormplan.record.entries import Calibration

    entry = _validated(Calibration, **_common(at, by, note), yard=yard, sprayer=sprayer)
    _add(entry, sites, archive or out / "archive.sqlite")


@add_app.command("void")
def add_void(
    voids: Annotated[str, typer.Argument(help="Id of the entry that does not count.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    at: AtOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Void an entry: it stays in the record and counts no more."""
    from stormplan.record.entries import Void

    _add(Void(**_common(at, by, note), voids=voids), sites, archive or out / "archive.sqlite")


@record_app.command("list")
def list_entries(
    site: Annotated[str | None, typer.Argument(help="Only this site, or this yard.")] = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON, one entry a line.")] = False,
) -> None:
    """List the record in the order it was written."""
    from stormplan.record.entries import Void, effective_entries, parse_entry

    documents = _log_documents(archive or out / "archive.sqlite")
    entries = [parse_entry(document, f"entry {key}") for key, document in documents]
    counting = {entry.id for entry in effective_entries(entries)}
    of_site = {
        entry.id
        for entry in entries
        if not isinstance(entry, Void)
        and site in (getattr(entry, "site", ""), getattr(entry, "yard", ""))
    }
    for entry, (_, document) in zip(entries, documents, strict=True):
        about = entry.voids if isinstance(entry, Void) else entry.id
        if site is None or about in of_site:
            is_void = not isinstance(entry, Void) and entry.id not in counting
            print(document if as_json else _entry_line(entry) + ("; VOID" if is_void else ""))


@record_app.command("stock")
def show_stock(
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    until: Annotated[
        str | None, typer.Option("--at", help="As of when, like 2026-01-12T05:30-06:00.")
    ] = None,
) -> None:
    """Show what the yards hold by the record, book against measured, and loads against services."""
    from stormplan.cli.planning_commands import parse_moment
    from stormplan.company import sites_file
    from stormplan.record.checks import check_entry
    from stormplan.record.entries import parse_entry
    from stormplan.record.stock import stock_book
    from stormplan.words.stock_text import stock_lines

    checked = sites_file.load_sites(sites)
    now = parse_moment(None) if until is None else _moment(until)
    entries = []
    for key, document in _log_documents(archive or out / "archive.sqlite"):
        entry = parse_entry(document, f"entry {key}")
        try:
            check_entry(entry, checked, parse_moment(None))
        except InputError as error:
            print(f"left out: {error}")
        else:
            entries.append(entry)
    for line in stock_lines(stock_book(checked, entries, now), checked):
        print(line)


DayArgument = Annotated[str, typer.Argument(help="Local day, like 2026-01-12.")]
RulesOption = Annotated[
    str | None,
    typer.Option("--rules", help="nh, vt, wi, ut, or own for record_rules of the sites file."),
]


@record_app.command("missing")
def show_missing(
    site: SiteArgument,
    day: DayArgument,
    sites: SitesOption,
    rules: RulesOption = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
) -> None:
    """Print what the record of a site's day still lacks by a rule set; exit code 3 if anything.

    No legal advice: what the law asks for is for counsel to say.
    """
    from stormplan.company import sites_file
    from stormplan.errors import ExitCode
    from stormplan.record.completeness import rule_set
    from stormplan.service.record_packet import day_missing, day_of_site
    from stormplan.store.archive import Archive

    checked = sites_file.load_sites(sites)
    asked, path = rule_set(rules, checked), archive or out / "archive.sqlite"
    record = _record(path)
    with Archive(path) as kept:
        found = day_missing(day_of_site(checked, kept, record, site, _day(day)), asked, record)
    print(f"{asked.name} ({asked.source})")
    for one in found:
        print(f"missing: {one.item}" + (f", entry {one.entry}" if one.entry else ""))
    print("No legal advice; defer to counsel.")
    if found:
        raise typer.Exit(int(ExitCode.DEGRADED))
    print("nothing these rules ask for is missing")


@record_app.command("packet")
def write_day_packet(
    site: SiteArgument,
    day: DayArgument,
    sites: SitesOption,
    to: Annotated[Path | None, typer.Option("--to", help="Folder; default OUT/packets.")] = None,
    rules: RulesOption = None,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
) -> None:
    """Write one folder for a claim or a client: forecast, plan, entries, hashes, chain.

    No legal advice: what the law asks for is for counsel to say.
    """
    from stormplan.company import sites_file
    from stormplan.record.completeness import rule_set
    from stormplan.service.record_packet import day_of_site, write_packet
    from stormplan.store.archive import Archive

    checked = sites_file.load_sites(sites)
    is_asked = rules is not None or checked.record_rules is not None
    asked, path = rule_set(rules, checked) if is_asked else None, archive or out / "archive.sqlite"
    record = _record(path)
    folder = to or out / "packets" / f"{site}-{_day(day)}"
    with Archive(path) as kept:
        found = day_of_site(checked, kept, record, site, _day(day))
        paths = write_packet(checked, kept, record, found, asked, folder, sites.parent)
    print(f"{len(found.entries)} entries: {', '.join(map(str, paths))}")


def _day(text: str) -> date:
    from datetime import date

    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"'{text}' is no day; accepted: 2026-01-12") from None


def _record(archive: Path) -> list[Entry]:
    from stormplan.record.entries import parse_entry

    return [parse_entry(document, f"entry {key}") for key, document in _log_documents(archive)]


@record_app.command("export")
def export_record(
    file: Annotated[Path, typer.Argument(help="FILE.csv, FILE.jsonl or FILE.xlsx.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
) -> None:
    """Write the whole record for spreadsheets and other programs, in local time with offset."""
    from stormplan.company import sites_file
    from stormplan.words import record_export

    checked, record = sites_file.load_sites(sites), _record(archive or out / "archive.sqlite")
    match file.suffix.lower():
        case ".csv":
            content = record_export.entries_csv(record, checked).encode()
        case ".jsonl":
            content = record_export.entries_jsonl(record, checked).encode()
        case ".xlsx":
            content = record_export.entries_workbook(record, checked)
        case _:
            raise InputError(f"{file}: accepted: a name that ends in .csv, .jsonl or .xlsx")
    try:
        file.write_bytes(content)
    except OSError as error:
        raise InputError(f"cannot write {file}: {error.strerror}") from error
    print(f"{len(record)} entries: {file}")


@record_app.command("import")
def import_entries(
    file: Annotated[Path, typer.Argument(help="JSON lines, one entry each.")],
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
) -> None:
    """Add the entries of a file, all or none; a second time adds nothing."""
    from stormplan.cli.planning_commands import parse_moment
    from stormplan.company import sites_file
    from stormplan.record.checks import check_entry, check_void
    from stormplan.record.entries import Void, parse_entry, write_entry
    from stormplan.store.archive import Archive
    from stormplan.store.record_log import RecordLog

    path = _announced_path(archive or out / "archive.sqlite")
    checked, now = sites_file.load_sites(sites), parse_moment(None)
    known = [parse_entry(document, f"entry {key}") for key, document in _known_documents(path)]
    try:
        lines = file.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file} cannot be read ({error})") from error
    entries, problems = [], []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            entry = parse_entry(line, f"{file}:{number}")
            check_entry(entry, checked, now)
            if isinstance(entry, Void):
                check_void(entry, known)
            known.append(entry)
        except InputError as error:
            text = str(error)
            problems.append(text if text.startswith(str(file)) else f"{file}:{number}: {text}")
            continue
        entries.append((entry.id, write_entry(entry)))
    if problems:
        raise InputError("\n".join([*problems, "nothing was added"]))
    with Archive(path) as kept:
        added = RecordLog(kept).add(entries, now)
    print(f"{added} added, {len(entries) - added} there already")


@record_app.command("verify")
def verify_record(out: OutOption = OUT, archive: ArchiveOption = None) -> None:
    """Check that no entry was changed, slipped in, or taken out before another; else exit code 3.

    Write the last link down: against it shows later that entries were taken off the end.
    """
    from stormplan.errors import ExitCode
    from stormplan.store.archive import Archive
    from stormplan.store.record_log import RecordLog

    path = archive or out / "archive.sqlite"
    count = len(_log_documents(path))
    with Archive(path) as kept:
        broken = RecordLog(kept).first_broken_link()
        last = RecordLog(kept).last_link()
    if broken is not None:
        print(f"the chain breaks at entry {broken}")
        raise typer.Exit(int(ExitCode.DEGRADED))
    print(f"the chain holds over {count} entries; the last link is {last}")


def _common(at: str | None, by: str, note: str) -> dict[str, Any]:
    import uuid

    return {"id": uuid.uuid4().hex[:12], "at": _moment(at), "by": by, "note": note}


def _moment(text: str | None) -> datetime:
    """Read a moment and keep its zone; now is in the zone of this machine."""
    from datetime import UTC, datetime

    if text is None:
        return datetime.now(UTC).astimezone()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise InputError(
            f"--at: '{text}' is not a time; accepted: 2026-01-12T05:30-06:00, with its zone"
        )
    return moment


def _validated(kind: type[Any], **values: object) -> Any:
    from pydantic import ValidationError

    try:
        return kind(**values)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise InputError(f"{where}: {first['msg']}" if where else str(first["msg"])) from None


def _add(entry: Entry, sites: Path, archive: Path) -> None:
    from stormplan.cli.planning_commands import parse_moment
    from stormplan.company import sites_file
    from stormplan.record.checks import check_entry, check_void
    from stormplan.record.entries import Void, parse_entry, write_entry
    from stormplan.store.archive import Archive
    from stormplan.store.record_log import RecordLog

    checked, now = sites_file.load_sites(sites), parse_moment(None)
    check_entry(entry, checked, now)
    if isinstance(entry, Void):
        documents = _known_documents(archive)
        check_void(entry, [parse_entry(document, f"entry {key}") for key, document in documents])
    with Archive(_announced_path(archive)) as kept:
        RecordLog(kept).add([(entry.id, write_entry(entry))], now)
    print(_entry_line(entry, checked.company.units))


def _announced_path(archive: Path) -> Path:
    """Return the archive, and say so where it is a new one: plans may read another."""
    if not archive.exists():
        print(f"a new archive begins at {archive}; plan with the same --out or --archive")
    return archive


def _known_documents(archive: Path) -> list[tuple[str, str]]:
    return _log_documents(archive) if archive.exists() else []


def _log_documents(archive: Path) -> list[tuple[str, str]]:
    from stormplan.store.archive import Archive
    from stormplan.store.record_log import RecordLog

    if not archive.exists():
        raise InputError(f"no archive at {archive}")
    with Archive(archive) as kept:
        return RecordLog(kept).documents()


def _entry_line(entry: Entry, units: Literal["us", "metric"] = "us") -> str:
    from stormplan.units import UnitFormatter
    from stormplan.words.entry_text import entry_text

    tail = "".join(f"; {part}" for part in (entry.by, entry.note) if part)
    what = entry_text(entry, UnitFormatter(units))
    return f"{entry.id}  {entry.at:%Y-%m-%d %H:%M%z}  {what}{tail}"
