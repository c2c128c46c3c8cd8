"""How a command adds one entry: what it says itself, and what every entry can say besides.

A command of its own kind only returns values of an entry; who, when, where the archive is and what
else goes with each entry is added here, once for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

import typer

from stormplan.cli.record.options import (
    OUT,
    ArchiveOption,
    AtOption,
    ByOption,
    CorrectsOption,
    DeviationOption,
    InstrumentOption,
    NoteOption,
    OutOption,
    PavementOption,
    PhotosOption,
    PlanOption,
    WeatherOption,
    archive_path,
    parse_given,
    parse_local_moment,
)
from stormplan.cli.sites_option import SitesOption
from stormplan.errors import InputError

if TYPE_CHECKING:
    from stormplan.record.entries import Entry, Photo

#: Values of an entry by field; ``kind`` is among them.
EntryValues = Mapping[str, object]
#: Makes the values of an entry from what its command was given.
EntryFunction = Callable[..., EntryValues]

add_app = typer.Typer(no_args_is_help=True, help="Add an entry to the record.")


def _option(name: str, kind: Any, default: Any = Parameter.empty) -> Parameter:
    return Parameter(name, Parameter.KEYWORD_ONLY, default=default, annotation=kind)


#: What every entry can say, and where it goes.
ENTRY_OPTIONS = (
    _option("sites", SitesOption),
    _option("out", OutOption, OUT),
    _option("archive", ArchiveOption, None),
    _option("at", AtOption, None),
    _option("by", ByOption, ""),
    _option("note", NoteOption, ""),
    _option("photos", PhotosOption, None),
    _option("corrects", CorrectsOption, None),
)
#: What every entry about a surface can say besides.
SURFACE_OPTIONS = (
    _option("pavement", PavementOption, None),
    _option("instrument", InstrumentOption, ""),
    _option("weather", WeatherOption, ""),
    _option("plan", PlanOption, None),
    _option("deviation", DeviationOption, ""),
)


def entry_command(
    name: str, *, about_surface: bool = False
) -> Callable[[EntryFunction], EntryFunction]:
    """Make a command of a function that returns the values of an entry.

    Parameters
    ----------
    name : str
        What it is called after ``record add``.
    about_surface : bool
        Whether the entry is about a surface, and can say what such entries can.

    Returns
    -------
    callable
        Registers the function; its arguments and docstring are those of the command.
    """
    more = SURFACE_OPTIONS if about_surface else ()

    def register(make_values: EntryFunction) -> EntryFunction:
        shared = {one.name for one in ENTRY_OPTIONS}
        own = tuple(signature(make_values, eval_str=True).parameters.values())

        def command(**given: Any) -> None:
            common = {key: given.pop(key) for key in shared}
            about = {one.name: given.pop(one.name) for one in more}
            said = dict(make_values(**given)) | (_about_surface(**about) if more else {})
            path = archive_path(common.pop("out"), common.pop("archive"))
            add_entry(said, archive=path, **common)

        parameters = (*own, *more, *ENTRY_OPTIONS)
        command.__signature__ = Signature(parameters)  # type: ignore[attr-defined]
        command.__annotations__ = {one.name: one.annotation for one in parameters}
        command.__doc__ = make_values.__doc__
        add_app.command(name)(command)
        return make_values

    return register


def _about_surface(
    pavement: str | None, instrument: str, weather: str, plan: str | None, deviation: str
) -> dict[str, object]:
    return {
        "pavement_temp_c": parse_given(pavement, "temperature"),
        "instrument": instrument,
        "weather": weather,
        "plan_made_at": None if plan is None else parse_local_moment(plan, "--plan"),
        "deviation": deviation,
    }


def add_entry(
    said: EntryValues,
    *,
    sites: Path,
    archive: Path,
    at: str | None = None,
    by: str = "",
    note: str = "",
    photos: list[Path] | None = None,
    corrects: str | None = None,
) -> None:
    """Check an entry against the sites file and the record, add it and say so."""
    import uuid

    from stormplan.cli.planning_commands import parse_moment
    from stormplan.company import sites_file
    from stormplan.record.checks import check_entry, check_reference, complete_keys
    from stormplan.record.entries import make_entry, write_entry
    from stormplan.store.archive import Archive
    from stormplan.store.record_log import RecordLog

    checked, now = sites_file.load_sites(sites), parse_moment(None)
    common = {
        "id": uuid.uuid4().hex[:12],
        "at": parse_local_moment(at),
        "by": by,
        "note": note,
        "photos": tuple(_kept_photos(photos or (), archive)),
        "corrects": corrects,
    }
    entry = make_entry(common | complete_keys(said, checked))
    check_entry(entry, checked, now)
    check_reference(entry, record_of(archive) if archive.exists() else ())
    with Archive(announce_new(archive)) as kept:
        RecordLog(kept).add([(entry.id, write_entry(entry))], now)
    print(entry_line(entry, checked.company.units, ZoneInfo(checked.company.timezone)))


def _kept_photos(files: Iterable[Path], archive: Path) -> Iterable[Photo]:
    from stormplan.record.entries import Photo
    from stormplan.store.photos import keep_photo, photo_folder

    for file in files:
        try:
            content = file.read_bytes()
        except OSError as error:
            raise InputError(f"--photo: {file} cannot be read ({error.strerror})") from error
        name, sha256 = keep_photo(photo_folder(archive), file.name, content)
        yield Photo(name=name, sha256=sha256)


def announce_new(archive: Path) -> Path:
    """Return the archive, and say so where it is a new one: plans may read another."""
    if not archive.exists():
        print(f"a new archive begins at {archive}; plan with the same --out or --archive")
    return archive


def record_documents(archive: Path) -> list[tuple[str, str]]:
    """Return id and JSON of every entry of an archive that is there."""
    from stormplan.store.archive import Archive
    from stormplan.store.record_log import RecordLog

    if not archive.exists():
        raise InputError(f"no archive at {archive}")
    with Archive(archive) as kept:
        return RecordLog(kept).documents()


def record_of(archive: Path) -> list[Entry]:
    """Return the record of an archive that is there."""
    from stormplan.record.entries import parse_entry

    return [parse_entry(document, f"entry {key}") for key, document in record_documents(archive)]


def entry_line(
    entry: Entry, units: Literal["us", "metric"] = "us", zone: ZoneInfo | None = None
) -> str:
    """Return an entry as one line: its id, when (in a zone, else as logged), what, and who."""
    from stormplan.units import UnitFormatter
    from stormplan.words.entry_text import entry_text

    tail = "".join(f"; {part}" for part in (entry.by, entry.note) if part)
    what = entry_text(entry, UnitFormatter(units))
    at = entry.at if zone is None else entry.at.astimezone(zone)
    return f"{entry.id}  {at:%Y-%m-%d %H:%M%z}  {what}{tail}"
