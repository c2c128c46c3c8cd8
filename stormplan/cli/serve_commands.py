"""The part of the command line for the yard's pages: who may open them, and serving them.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stormplan.cli.record.options import OUT, ArchiveOption, OutOption
from stormplan.cli.sites_option import SitesOption
from stormplan.errors import InputError

people_app = typer.Typer(no_args_is_help=True, help="Say who may open the pages, and as what.")
BaseOption = Annotated[
    str, typer.Option("--base", help="Address of the pages, as a phone reaches them.")
]
HERE = "http://127.0.0.1:8321"
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")


def register_commands(app: typer.Typer) -> None:
    """Register the commands of the pages."""
    app.add_typer(people_app, name="people")
    app.command("serve")(serve)


@people_app.command("add")
def add_person(
    name: Annotated[str, typer.Argument(help="Who it is; entries carry the name.")],
    role: Annotated[str, typer.Argument(help="owner, shed, crew or account.")],
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    base: BaseOption = HERE,
) -> None:
    """Make a link for one person; it is shown once and kept nowhere."""
    from datetime import UTC, datetime

    from stormplan.company.validators import printable_name
    from stormplan.store.archive import Archive
    from stormplan.store.people import PeopleLog, Role

    if role not in tuple(Role):
        raise InputError(f"'{role}' is not a role; accepted: {', '.join(Role)}")
    try:
        checked = printable_name(name)
    except ValueError as error:
        raise InputError(f"the name {error}") from None
    path = archive or out / "archive.sqlite"
    path.parent.mkdir(parents=True, exist_ok=True)
    with Archive(path) as kept:
        secret = PeopleLog(kept).add_person(checked, Role(role), datetime.now(UTC))
    print(f"{checked}, {role}: {base.rstrip('/')}/open/{secret}")
    print("Whoever has this link is taken for them: send it to nobody else.")


@people_app.command("list")
def list_people(out: OutOption = OUT, archive: ArchiveOption = None) -> None:
    """List everybody who has or had a link."""
    from stormplan.store.archive import Archive
    from stormplan.store.people import PeopleLog

    with Archive(_existing(archive or out / "archive.sqlite")) as kept:
        for one in PeopleLog(kept).people():
            print(f"{one.name}, {one.role}" + (", revoked" if one.is_revoked else ""))


@people_app.command("revoke")
def revoke_person(
    name: Annotated[str, typer.Argument(help="Whose link ends, on every phone.")],
    out: OutOption = OUT,
    archive: ArchiveOption = None,
) -> None:
    """End a person's link and every session begun with it."""
    from datetime import UTC, datetime

    from stormplan.store.archive import Archive
    from stormplan.store.people import PeopleLog

    with Archive(_existing(archive or out / "archive.sqlite")) as kept:
        PeopleLog(kept).revoke(name, datetime.now(UTC))
    print(f"{name}: revoked")


def _existing(archive: Path) -> Path:
    if not archive.exists():
        raise InputError(f"no archive at {archive}")
    return archive


def serve(
    sites: SitesOption,
    out: OutOption = OUT,
    archive: ArchiveOption = None,
    host: Annotated[str, typer.Option(help="Where to listen; default this machine only.")] = (
        "127.0.0.1"
    ),
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port.")] = 8321,
    name: Annotated[
        list[str] | None, typer.Option("--name", help="Host name that phones ask for; repeat it.")
    ] = None,
) -> None:
    """Serve the pages: the newest briefing, the crew's list, and forms that log what was done.

    Put a reverse proxy with TLS before it where phones reach it over a network.
    """
    from datetime import UTC, datetime

    from stormplan.company import sites_file

    try:
        import uvicorn

        from stormplan.web.app import PagesSettings, make_app
    except ModuleNotFoundError as error:
        raise InputError("the pages need the extra: pip install 'stormplan[pages]'") from error
    sites_file.load_sites(sites)  # errors are told here, not on a phone
    hosts = tuple(dict.fromkeys((*LOOPBACK, host, *(name or ()))))
    settings = PagesSettings(sites, out, archive or out / "archive.sqlite", hosts)
    settings.archive.parent.mkdir(parents=True, exist_ok=True)
    print(f"http://{host}:{port}; links are made by: stormplan people add NAME ROLE", flush=True)
    uvicorn.run(  # no access log: addresses of links hold secrets
        make_app(settings, lambda: datetime.now(UTC)), host=host, port=port, access_log=False,
        log_level="warning", server_header=False,
    )  # fmt: skip
