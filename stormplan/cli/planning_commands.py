"""The part of the command line for what runs by itself: watch, health, replay, archive.

As everywhere on the command line, imports of anything heavy stand inside the commands.
"""

from __future__ import annotations

import contextlib
import sys
import traceback
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn
from zoneinfo import ZoneInfo

import typer

from stormplan.cli.sites_option import SitesOption
from stormplan.cli.workers_option import WorkersOption
from stormplan.errors import ExitCode, InputError, StormplanError

if TYPE_CHECKING:
    from rich.console import RenderableType

    from stormplan.company.sites import Sites
    from stormplan.service.runner import RunnerConfig, StepResult

OutOption = Annotated[
    Path, typer.Option(help="Report folder; the newest reports are in its subfolder latest.")
]
ArchiveOption = Annotated[
    Path | None, typer.Option("--archive", help="Archive of forecasts; default OUT/archive.sqlite.")
]
NowOption = Annotated[
    str | None, typer.Option(help="Time of the run, like 2026-01-12T10:30Z; default now.")
]

MAX_FAULT_WAIT_MIN = 5  # between tries while the program fails; the watch looks as often anyway

#: Tables of the archive for readers: what a row is, and several.
TABLE_NAMES = {
    "reply": ("forecast received", "forecasts received"),
    "confirmation": ("forecast confirmed", "forecasts confirmed"),
    "point": ("place looked up", "places looked up"),
    "delivery": ("delivery step", "delivery steps"),
    "skill": ("record of a source's errors", "records of a source's errors"),
}

archive_app = typer.Typer(no_args_is_help=True, help="Maintain the archive.")
notices_app = typer.Typer(no_args_is_help=True, help="Notices to clients.")


def register_commands(app: typer.Typer) -> None:
    """Register these commands."""
    app.command()(watch)
    app.command()(health)
    app.command()(replay)
    app.add_typer(archive_app, name="archive")
    app.add_typer(notices_app, name="notices")


def parse_moment(text: str | None, sites: Sites | None = None, what: str = "--now") -> datetime:
    """Read a moment, ISO 8601.

    Parameters
    ----------
    text : str or None
        What was typed; None is the present.
    sites : Sites or None
        Whose company's zone a time without one is in, and whose briefing a day alone means.
    what : str
        Who asks.

    Returns
    -------
    datetime
        Aware UTC.
    """
    if text is None:
        return datetime.now(UTC)
    try:
        parsed = datetime.fromisoformat(text)
    except ValueError:
        parsed = None
    if parsed is not None and parsed.tzinfo is None and sites is not None:
        if "T" not in text.upper() and " " not in text.strip():  # a day alone
            parsed = datetime.combine(parsed.date(), sites.company.briefing_at)
        parsed = parsed.replace(tzinfo=ZoneInfo(sites.company.timezone))
    if parsed is None or parsed.tzinfo is None:
        zone = "" if sites is not None else ", with its zone"
        raise InputError(f"{what} '{text}' is not a time; write it as 2026-01-12T10:30Z{zone}")
    return parsed.astimezone(UTC)


def print_screen(screen: RenderableType) -> None:
    """Print what is arranged: in color on a terminal, into a file or pipe as plain lines."""
    from rich.console import Console

    from stormplan.words import terminal

    console = Console(highlight=False)
    if console.is_terminal:
        console.print(screen)
    else:
        print(terminal.plain_text(screen, console.width), end="")


def _runner_config(
    sites: Path, out: Path, archive: Path | None, now: str | None = None
) -> RunnerConfig:
    from stormplan.company import sites_file
    from stormplan.service.runner import RunnerConfig

    checked = sites_file.load_sites(sites)
    config = RunnerConfig(
        checked, out, archive or out / "archive.sqlite", sites_folder=sites.parent
    )
    if now is not None:
        as_of = parse_moment(now, checked)
        config.clock = lambda: as_of
    return config


def _log(line: str, *, to_stderr: bool = False) -> None:
    """Print a line of the log; where that fails (a full disk, a closed pipe) nothing else does."""
    from stormplan.weather.redaction import redact_known

    line = redact_known(line)
    stream = sys.stderr if to_stderr else sys.stdout
    with contextlib.suppress(OSError, ValueError):
        encoding = getattr(stream, "encoding", None) or "utf-8"
        print(line.encode(encoding, "replace").decode(encoding), file=stream, flush=True)


def _print_step_result(result: StepResult) -> None:
    stamp = f"{datetime.now(UTC):%Y-%m-%d %H:%M:%SZ}"
    if result.plan is not None:
        outcome = "announced" if result.announced else "nothing new enough to announce"
        _log(f"{stamp} {result.kind}: {result.plan.verdict}, {outcome}")
        from stormplan.words import diagnostic_text

        for line in diagnostic_text.problem_lines(result.plan):
            _log(f"{stamp} {line}")
        for each in result.deliveries:
            response = f" ({each.detail})" if each.detail else ""
            _log(f"{stamp} {each.channel} to {each.recipient}: {each.state}{response}")
    for line in result.problems:
        _log(f"{stamp} {line}", to_stderr=True)


def watch(
    sites: SitesOption,
    out: OutOption = Path("briefings"),
    archive: ArchiveOption = None,
    once: Annotated[
        bool, typer.Option("--once", help="Run once and exit, for cron or a systemd timer.")
    ] = False,
    now: NowOption = None,
    workers: WorkersOption = 1,
) -> None:
    """Plan every morning and during storms, and deliver the reports.

    With --once, exit code 0: nothing was due, or a complete plan was made and delivered; 3:
    something is missing, stale or not delivered; 4: nothing could be planned.
    """
    from stormplan.service import runner

    if now is not None and not once:
        raise InputError("--now goes with --once")
    config = _runner_config(sites, out, archive, now)
    config.workers = workers
    if once:
        config.keeps_running = False
        result = runner.run_step(config)
        _print_step_result(result)
        raise typer.Exit(int(_exit_code(result)))
    from stormplan.service import scheduler

    company = config.sites.company
    _log(
        f"watching; briefing every morning at {company.briefing_at:%H:%M}, {company.timezone}; the"
        " lines below begin with the time in UTC (Z)"
    )
    scheduler.run_scheduler(_repeated_step(config, sites), config.clock)


def _exit_code(result: StepResult) -> ExitCode:
    if result.plan is None:
        return ExitCode.DEGRADED if result.problems else ExitCode.COMPLETE
    if result.plan.exit_code != ExitCode.COMPLETE:
        return result.plan.exit_code
    undelivered = any(each.state != "sent" for each in result.deliveries)
    return ExitCode.DEGRADED if result.problems or undelivered else ExitCode.COMPLETE


def _repeated_step(config: RunnerConfig, sites: Path) -> Callable[[], datetime]:
    """Return the step that watch repeats; it reloads the sites file and survives failures."""
    from stormplan.company import sites_file
    from stormplan.planning.diagnostics import DiagnosticCode, degraded
    from stormplan.service import runner

    def step() -> datetime:
        try:
            config.sites, config.diagnostics = sites_file.load_sites(sites), ()
        except StormplanError as error:
            _log(f"stormplan: {error}", to_stderr=True)
            first = str(error).splitlines()[0]
            config.diagnostics = (degraded(DiagnosticCode.SITES_FILE_FALLBACK, reason=first),)
        done = runner.run_step(config)
        _print_step_result(done)
        return done.next_step_at

    failures = 0

    def guarded_step() -> datetime:
        nonlocal failures
        try:
            next_step_at = step()
        except StormplanError as error:
            _log(f"stormplan: {error}", to_stderr=True)
            return config.clock() + timedelta(minutes=1)
        except Exception:  # nobody restarts a program that ended at night
            wait_min = min(2**failures, MAX_FAULT_WAIT_MIN)
            failures += 1
            _log(traceback.format_exc(), to_stderr=True)
            again = f"trying again in {wait_min} min"
            _log(f"stormplan: a fault of the program; {again}", to_stderr=True)
            return config.clock() + timedelta(minutes=wait_min)
        failures = 0
        return next_step_at

    return guarded_step


def health(
    sites: SitesOption,
    out: OutOption = Path("briefings"),
    archive: ArchiveOption = None,
    now: NowOption = None,
) -> None:
    """Check that the service works, for a monitor.

    Exit code 0: the day's briefing is there, complete and delivered; 3: it stands on less than it
    should, or did not reach everybody; 4: there is none, or it could plan nothing.
    """
    from stormplan.service.health import check_health

    found = check_health(_runner_config(sites, out, archive, now))
    print("\n".join(found.lines))
    raise typer.Exit(int(found.exit_code))


def replay(
    day: Annotated[str, typer.Argument(help="A past day, 2026-01-12, or a moment with its zone.")],
    sites: SitesOption,
    out: OutOption = Path("briefings"),
    archive: ArchiveOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="The plan on standard output.")] = False,
    until: Annotated[
        str | None,
        typer.Option(metavar="DAY", help="Every morning up to this day: a line each, and sums."),
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(help="With --until: another sites file, with other rules, to compare with."),
    ] = None,
    csv: Annotated[
        Path | None, typer.Option("--csv", help="With --until: the lines as a table, to a file.")
    ] = None,
    workers: WorkersOption = 1,
) -> None:
    """Plan a past morning again from the archive, with this version and this sites file.

    The reports go to OUT/replay-DATE; nothing is sent, nothing is added to the archive. What is
    different from the plan issued then is said.

    With --until, every morning from the day to that one is planned again, and no reports are
    written: a line tells what each morning's plan sends out in the 24 hours after it, and the sums
    of two sites files tell what a change of rules comes to over a season. Exit code 3: some of the
    mornings lack something; 4: none could be planned.
    """
    from stormplan.company import sites_file
    from stormplan.planning import plan_io
    from stormplan.service import pipeline
    from stormplan.service.workers import open_mapper
    from stormplan.store.archive import Archive
    from stormplan.words import briefing, terminal

    checked = sites_file.load_sites(sites)
    file = archive or out / "archive.sqlite"
    if not file.exists():
        raise InputError(f"no archive at {file}; name it with --archive")
    if until is not None:
        _replay_season(sites, checked, file, day, until, against, csv, workers)
    if against is not None or csv is not None:
        raise InputError("--against and --csv go with --until")
    with Archive(file) as kept, open_mapper(workers) as mapper:
        plan = pipeline.replay(checked, kept, _parse_day(day), sites.parent, mapper)
    written = pipeline.write_reports(plan, out / f"replay-{plan.made_at:%Y-%m-%dT%H%MZ}")
    if as_json:
        print(plan_io.plan_json(plan))
    else:
        print_screen(terminal.render_screen(briefing.build_view(plan)))
        print("\nWritten: " + ", ".join(str(path) for path in written))
    raise typer.Exit(int(plan.exit_code))


def _replay_season(
    sites: Path,
    checked: Sites,
    archive: Path,
    first: str,
    last: str,
    against: Path | None,
    table: Path | None,
    workers: int,
) -> NoReturn:
    """Print what every morning of a season sends out, by one sites file or by two."""
    from stormplan.company import sites_file
    from stormplan.service.season import replay_season
    from stormplan.service.workers import open_mapper
    from stormplan.store.report_folders import write_atomic
    from stormplan.words import season_text

    begin, end = _parse_day_alone(first), _parse_day_alone(last)
    files = [(sites, checked)]
    if against is not None:
        files.append((against, sites_file.load_sites(against)))
    units = checked.company.units
    seasons = []
    with open_mapper(workers) as mapper:
        for path, rules in files:
            print(f"{path}:\n{season_text.heading_line(units)}")
            mornings = []
            for work in replay_season(rules, archive, begin, end, path.parent, mapper):
                print(season_text.morning_line(work, units), flush=True)
                mornings.append(work)
            seasons.append((str(path), mornings))
    ours, *others = (mornings for _, mornings in seasons)
    print("\n".join(["", *season_text.summary_lines(ours, others[0] if others else [], units)]))
    if table is not None:
        try:
            write_atomic(table, season_text.season_csv(seasons, units))
        except OSError as error:
            raise InputError(f"cannot write {table}: {error.strerror}") from error
    codes = {work.exit_code for _, mornings in seasons for work in mornings}
    if codes == {ExitCode.NOTHING_PLANNED}:
        raise typer.Exit(int(ExitCode.NOTHING_PLANNED))
    raise typer.Exit(int(ExitCode.COMPLETE if codes <= {ExitCode.COMPLETE} else ExitCode.DEGRADED))


def _parse_day_alone(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"'{text}' is not a day; write it as 2026-01-12") from None


def _parse_day(text: str) -> date | datetime:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return parse_moment(text, what="day")


ArchiveArgument = Annotated[Path, typer.Argument(help="The archive file.")]


def _existing_file(file: Path) -> Path:
    if not file.exists():
        raise InputError(f"no archive at {file}")
    return file


@archive_app.command()
def verify(file: ArchiveArgument) -> None:
    """Check that the file is sound and everything in it can be read; exit code 4 if not."""
    from stormplan.store import maintenance
    from stormplan.store.archive import Archive
    from stormplan.words.formatting import join_names, pluralize

    with Archive(_existing_file(file)) as kept:
        found = maintenance.check_integrity(kept)
    counted = [
        pluralize(rows, *TABLE_NAMES.get(table, (table,)))
        for table, rows in found.counts.items()
        if rows
    ]
    print("\n".join(found.problems) or f"OK: {join_names(counted) or 'empty'}")
    raise typer.Exit(int(ExitCode.NOTHING_PLANNED if found.problems else ExitCode.COMPLETE))


@archive_app.command()
def export(
    file: ArchiveArgument,
    to: Annotated[Path, typer.Argument(help="New file: .sqlite for a copy, .jsonl for lines.")],
) -> None:
    """Copy the archive, or write it out as JSON lines; safe while the planner runs."""
    from stormplan.store import maintenance
    from stormplan.store.archive import Archive

    with Archive(_existing_file(file)) as kept:
        print(maintenance.export(kept, to))


@archive_app.command()
def prune(
    file: ArchiveArgument,
    days: Annotated[int, typer.Option(min=1, help="Age of the replies to remove, days.")] = 400,
) -> None:
    """Remove old replies; plans, deliveries and the newest good reply of each address stay."""
    from stormplan.store import maintenance
    from stormplan.store.archive import Archive

    before = datetime.now(UTC) - timedelta(days=days)
    with Archive(_existing_file(file)) as kept:
        gone = maintenance.prune(kept, before)
    print(f"{gone} replies from before {before:%Y-%m-%d} removed")


DraftsOption = Annotated[
    Path | None, typer.Option("--drafts", help="Folder of drafts; default OUT/latest/notices.")
]
ClientOption = Annotated[
    list[str] | None,
    typer.Option("--client", help="Only this draft, by its file name; repeatable."),
]


@notices_app.command()
def preview(
    sites: SitesOption,
    out: OutOption = Path("briefings"),
    drafts: DraftsOption = None,
    client: ClientOption = None,
) -> None:
    """Print what `notices send` would send, to whom and how, and whom it would skip."""
    from stormplan.company import sites_file
    from stormplan.delivery import outbox
    from stormplan.store import report_folders

    transports = outbox.notice_transports(sites_file.load_sites(sites).delivery)
    folder = drafts or out / report_folders.LATEST / "notices"
    found = outbox.read_drafts(folder, client)
    for draft in found:
        reason = outbox.skip_reason(draft, transports)
        to = ", ".join(draft.recipients)
        print(f"== {draft.name}: " + (f"{draft.channel} to {to}" if reason is None else reason))
        if reason is None:
            print("\n\n".join(filter(None, (draft.subject, *draft.messages))) + "\n")
    print("\n".join(_not_drafted(out, folder, client)))


def _not_drafted(out: Path, folder: Path, only: Sequence[str] | None) -> Iterator[str]:
    """Yield clients who are called, not written to; their words are in their text file."""
    from stormplan.service import pipeline
    from stormplan.store import report_folders

    if only:
        return
    plan = pipeline.read_plan(out / report_folders.LATEST / "plan.json")
    for one in plan.clients:
        words = folder / f"{one.key}.txt"
        if one.contact_by == "call" and words.exists():
            yield f"{one.key}: call {one.phone or '(no number on file)'}; the words are in {words}"


@notices_app.command()
def send(
    sites: SitesOption,
    out: OutOption = Path("briefings"),
    drafts: DraftsOption = None,
    client: ClientOption = None,
    archive: ArchiveOption = None,
    by: Annotated[str, typer.Option("--by", help="Who sends them, for the record.")] = "",
) -> None:
    """Send the drafted notices to clients, by mail and text message, as their files are now.

    Nothing else sends a notice but the pages, on a second tap; `notices preview` shows what would
    go out. Each is sent once for a plan and an address, and stands in the record then. A client
    without an address is skipped and named. Exit code 0: every one was handed over; 3: some were
    not, and why.
    """
    from stormplan.company import sites_file
    from stormplan.delivery import outbox
    from stormplan.service.client_notices import send_drafts
    from stormplan.store import report_folders
    from stormplan.units import UnitFormatter
    from stormplan.words.formatting import ReportFormat

    checked = sites_file.load_sites(sites)
    folder = drafts or out / report_folders.LATEST / "notices"
    found = outbox.read_drafts(folder, client)
    file = _existing_file(archive or out / "archive.sqlite")
    sent = send_drafts(checked, out, file, found, by, lambda: datetime.now(UTC))
    fmt = ReportFormat(UnitFormatter(checked.company.units), ZoneInfo(checked.company.timezone))
    for each in sent.outcomes:
        status = each.status
        response = f" ({status.detail})" if status.detail else ""
        if each.was_sent_before:
            response = f" {fmt.dated_hour(status.recorded_at)}, not again"
        said = "already sent" if each.was_sent_before else status.state
        print(f"{each.draft.name}: {status.recipient}: {said}{response}")
    for draft, reason in sent.skipped:
        print(f"{draft.name}: skipped, {reason}")
    print("\n".join(_not_drafted(out, folder, client)))
    is_short = sent.skipped or any(each.status.state != "sent" for each in sent.outcomes)
    raise typer.Exit(int(ExitCode.DEGRADED if is_short else ExitCode.COMPLETE))
