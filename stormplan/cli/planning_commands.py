"""The part of the command line for what runs by itself: watch, health, replay, archive.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stormplan.errors import Exit, InputError, StormplanError

if TYPE_CHECKING:
    from stormplan.service.runner import Desk, Done

Sitesfile = Annotated[Path, typer.Option("--sites", help="The sites file.")]
Out = Annotated[Path, typer.Option(help="Folder of the sets of reports; latest is in it.")]
ArchiveFile = Annotated[
    Path | None, typer.Option("--archive", help="Archive of forecasts; default OUT/archive.sqlite.")
]
Now = Annotated[str | None, typer.Option(help="As of a moment, like 2026-01-12T10:30Z.")]

archive_app = typer.Typer(no_args_is_help=True, help="Keep house in the archive.")
notices_app = typer.Typer(no_args_is_help=True, help="Refreeze notices to clients.")


def add_to(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command()(watch)
    app.command()(health)
    app.command()(replay)
    app.add_typer(archive_app, name="archive")
    app.add_typer(notices_app, name="notices")


def moment(text: str | None) -> datetime:
    """Read a moment with its zone, ISO 8601; None is the present."""
    if text is None:
        return datetime.now(UTC)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise InputError(f"--now {text} is no moment; write it as 2026-01-12T10:30Z, with its zone")
    return moment.astimezone(UTC)


def _desk(sites: Path, out: Path, archive: Path | None, now: str | None = None) -> Desk:
    from stormplan.company import sites_file
    from stormplan.service.runner import Desk

    checked = sites_file.load(sites)
    desk = Desk(checked, out, archive or out / "archive.sqlite", folder=sites.parent)
    if now is not None:
        as_of = moment(now)
        desk.clock = lambda: as_of
    return desk


def _say_done(done: Done) -> None:
    stamp = f"{datetime.now(UTC):%Y-%m-%d %H:%M:%SZ}"
    if done.plan is not None:
        told = "announced" if done.announced else "nothing new enough to announce"
        print(f"{stamp} {done.kind}: {done.plan.verdict}, {told}", flush=True)
        for line in (*done.plan.degraded, *done.plan.troubles):
            print(f"{stamp} {line}", flush=True)
        for each in done.standings:
            said = f" ({each.said})" if each.said else ""
            print(f"{stamp} {each.channel} to {each.recipient}: {each.state}{said}", flush=True)
    for line in done.problems:
        print(f"{stamp} {line}", file=sys.stderr, flush=True)


def watch(
    sites: Sitesfile,
    out: Out = Path("briefings"),
    archive: ArchiveFile = None,
    once: Annotated[
        bool, typer.Option("--once", help="Do what is due now and end; for cron or a timer.")
    ] = False,
    now: Now = None,
) -> None:
    """Brief every morning by itself, again during a storm, and tell whoever is to be told.

    With --once, exit code 0: nothing was due, or a complete plan was made and delivered; 3:
    something is missing, stale or not delivered; 4: nothing could be planned.
    """
    from stormplan.service import runner

    if now is not None and not once:
        raise InputError("--now goes with --once")
    desk = _desk(sites, out, archive, now)
    if once:
        done = runner.step(desk)
        _say_done(done)
        raise typer.Exit(int(_code(done)))
    from stormplan.service import scheduler

    print(f"watching; briefing at {desk.sites.company.briefing_at:%H:%M}", flush=True)
    scheduler.watch(_steps(desk, sites), desk.clock)


def _code(done: Done) -> Exit:
    if done.plan is None:
        return Exit.DEGRADED if done.problems else Exit.COMPLETE
    if done.plan.exit_code != Exit.COMPLETE:
        return done.plan.exit_code
    undelivered = any(each.state != "sent" for each in done.standings)
    return Exit.DEGRADED if done.problems or undelivered else Exit.COMPLETE


def _steps(desk: Desk, sites: Path) -> Callable[[], datetime]:
    """Make the step that watch repeats: with the sites file as it is then, through any failure."""
    from stormplan.company import sites_file
    from stormplan.service import runner

    def step() -> datetime:
        try:
            desk.sites, desk.troubles = sites_file.load(sites), ()
        except StormplanError as error:
            print(f"stormplan: {error}", file=sys.stderr, flush=True)
            first = str(error).splitlines()[0]
            desk.troubles = (f"the sites file has errors; the last good one is used ({first})",)
        try:
            done = runner.step(desk)
        except StormplanError as error:
            print(f"stormplan: {error}", file=sys.stderr, flush=True)
            return desk.clock() + timedelta(minutes=1)
        _say_done(done)
        return done.next_at

    return step


def health(
    sites: Sitesfile,
    out: Out = Path("briefings"),
    archive: ArchiveFile = None,
    now: Now = None,
) -> None:
    """Say whether the routine does its work, for a monitor.

    Exit code 0: the day's briefing is there, complete and delivered; 3: it stands on less than it
    should, or did not reach everybody; 4: there is none, or it could plan nothing.
    """
    from stormplan.service.health import look

    found = look(_desk(sites, out, archive, now))
    print("\n".join(found.lines))
    raise typer.Exit(int(found.code))


def replay(
    day: Annotated[str, typer.Argument(help="A past day, 2026-01-12, or a moment with its zone.")],
    sites: Sitesfile,
    out: Out = Path("briefings"),
    archive: ArchiveFile = None,
    as_json: Annotated[bool, typer.Option("--json", help="The plan on standard output.")] = False,
) -> None:
    """Plan a past morning again from the archive, with this version and this sites file.

    The reports go to OUT/replay-DATE; nothing is sent, nothing is added to the archive. What is
    different from the plan issued then is said.
    """
    from rich.console import Console

    from stormplan.company import sites_file
    from stormplan.service import pipeline
    from stormplan.store.archive import Archive
    from stormplan.words import briefing, terminal

    checked = sites_file.load(sites)
    file = archive or out / "archive.sqlite"
    if not file.exists():
        raise InputError(f"no archive at {file}; name it with --archive")
    with Archive(file) as kept:
        plan = pipeline.replay(checked, kept, _replayed(day), sites.parent)
    written = pipeline.write(plan, out / f"replay-{plan.made_at:%Y-%m-%dT%H%MZ}")
    if as_json:
        print(pipeline.document(plan))
    else:
        Console(highlight=False).print(terminal.screen(briefing.view(plan)))
        print("\nWritten: " + ", ".join(str(path) for path in written))
    raise typer.Exit(int(plan.exit_code))


def _replayed(text: str) -> date | datetime:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return moment(text)


File = Annotated[Path, typer.Argument(help="The archive file.")]


def _existing(file: Path) -> Path:
    if not file.exists():
        raise InputError(f"no archive at {file}")
    return file


@archive_app.command()
def verify(file: File) -> None:
    """Check that the file is sound and everything in it can be read; exit code 4 if not."""
    from stormplan.store import maintenance
    from stormplan.store.archive import Archive

    with Archive(_existing(file)) as kept:
        found = maintenance.verify(kept)
    print(", ".join(f"{rows} {table}" for table, rows in found.counts.items()))
    print("\n".join(found.problems) or "sound")
    raise typer.Exit(int(Exit.NOTHING_PLANNED if found.problems else Exit.COMPLETE))


@archive_app.command()
def export(
    file: File,
    to: Annotated[Path, typer.Argument(help="New file: .sqlite for a copy, .jsonl for lines.")],
) -> None:
    """Copy the archive, or write it out as JSON lines; safe while the planner runs."""
    from stormplan.store import maintenance
    from stormplan.store.archive import Archive

    with Archive(_existing(file)) as kept:
        print(maintenance.export(kept, to))


@archive_app.command()
def prune(
    file: File,
    days: Annotated[int, typer.Option(min=1, help="Replies older than this go.")] = 400,
) -> None:
    """Remove old replies; plans, deliveries and the newest good reply of each address stay."""
    from stormplan.store import maintenance
    from stormplan.store.archive import Archive

    before = datetime.now(UTC) - timedelta(days=days)
    with Archive(_existing(file)) as kept:
        gone = maintenance.prune(kept, before)
    print(f"{gone} replies from before {before:%Y-%m-%d} removed")


@notices_app.callback()
def _notices() -> None:
    """Keep ``send`` a word of its own, so that nothing leaves by a slip."""


@notices_app.command()
def send(
    sites: Sitesfile,
    out: Out = Path("briefings"),
    drafts: Annotated[
        Path | None, typer.Option(help="Folder of drafts; default OUT/latest/notices.")
    ] = None,
    client: Annotated[
        list[str] | None, typer.Option(help="Only this draft, by its file name; repeatable.")
    ] = None,
    archive: ArchiveFile = None,
) -> None:
    """Mail the drafted notices to clients, as they are in their .eml files now.

    Nothing else in the program sends a notice. Each is sent once for a plan and an address. Exit
    code 0: every one was handed over; 3: some were not, and why.
    """
    from stormplan.company import sites_file
    from stormplan.delivery import outbox
    from stormplan.store.archive import Archive
    from stormplan.store.run_log import Ledger

    checked = sites_file.load(sites)
    if checked.delivery.mail is None:
        raise InputError("the sites file names no delivery.mail to send by")
    triples = outbox.read_drafts(drafts or out / "latest" / "notices", client)
    with Archive(_existing(archive or out / "archive.sqlite")) as kept:
        ledger = Ledger(kept)
        run = ledger.last_announced() or ledger.last_run()
        if run is None:
            raise InputError("no plan of the routine in the archive: run `stormplan watch` first")
        standings = outbox.send_notices(
            checked.delivery.mail, ledger, run.plan, triples, lambda: datetime.now(UTC)
        )
    for each in standings:
        said = f" ({each.said})" if each.said else ""
        print(f"{each.recipient}: {each.state}{said}")
    unsent = any(each.state != "sent" for each in standings)
    raise typer.Exit(int(Exit.DEGRADED if unsent else Exit.COMPLETE))
