"""The planning pipeline, from the sites file to the report files.

Gathers a forecast for every site, plans, and writes. A site without forecast does not stop the
others; what is missing stands in the plan's headline. Files appear whole or not at all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from stormplan.company import sites_file
from stormplan.company.practice_rules import Practice
from stormplan.company.sites import Sites
from stormplan.errors import ArchiveError, ForecastError, InputError
from stormplan.operations.travel import DriveTables
from stormplan.physics.ensemble import ErrorRecord
from stormplan.physics.night_error import NO_NIGHT_ERRORS, NightErrors
from stormplan.planning import plan_diff, plan_io
from stormplan.planning.diagnostics import Diagnostic, DiagnosticCode, degraded, note
from stormplan.planning.isolation import plan_isolated
from stormplan.planning.plan import Plan, current_document
from stormplan.planning.plan_lines import LINES_FILE
from stormplan.planning.planner import SiteForecasts, make_plan
from stormplan.planning.site_block import Mapper, Task
from stormplan.record.checks import check_entry
from stormplan.record.drive_history import learned_minutes
from stormplan.record.entries import (
    Entry,
    WorkEntry,
    effective_entries,
    parse_entry,
)
from stormplan.record.sprayer_positions import sprayer_positions
from stormplan.record.stock_ledger import stock_book
from stormplan.record.surface_history import surface_histories
from stormplan.service import drive_router, workers
from stormplan.store import report_folders
from stormplan.store.archive import DAMAGED_ROW_ERRORS, Archive
from stormplan.store.record_log import RecordLog
from stormplan.store.run_log import RunLog
from stormplan.store.text_chunks import Text
from stormplan.treatment.earlier_work import EarlierWork, read_earlier_work
from stormplan.verification import error_records, night_bias, reading_log
from stormplan.weather.alerts import Alert
from stormplan.weather.forecast import HISTORY_H, CellForecast
from stormplan.weather.http_client import ClientPolicy, Fetcher
from stormplan.weather.providers import (
    Location,
    LocationForecasts,
    NotServedError,
    fetch_forecasts,
    nws,
    open_sources,
    table,
)
from stormplan.weather.providers.gather_rules import GatherRules
from stormplan.weather.providers.nws_alerts import NwsAlerts
from stormplan.weather.providers.recorded import RecordedSource
from stormplan.words import calendar_entries, reports

Result = TypeVar("Result")
LOCK_TIMEOUT_S = 60.0  # how long to wait for another run in the same folder
#: Told a stage, how much of it is done and how much there is.
Progress = Callable[[str, int, int], None]
MAX_CLOCK_OFFSET = timedelta(minutes=10)  # less is no matter for hourly plans
#: Older entries of the record never count: past weather reaches no further back.
MAX_ENTRY_AGE = timedelta(hours=HISTORY_H)
DEMO_NOW = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)  # Monday, 04:30 in the demo's zone


def plan_and_store(
    sites: Sites,
    archive: Archive,
    now: datetime,
    *,
    offline: bool = False,
    client_policy: ClientPolicy | None = None,
    sites_folder: Path = Path(),
    archive_problem: str | None = None,
    progress: Progress | None = None,
    open_mapper: Callable[[], AbstractContextManager[Mapper]] = workers.open_mapper,
) -> Plan:
    """Fetch what is needed and plan every site.

    Parameters
    ----------
    sites : Sites
        The sites file.
    archive : Archive
        Where replies are kept, and the plan.
    now : datetime
        Moment of planning, aware UTC.
    offline : bool
        Ask nobody; plan from the archive alone.
    client_policy : ClientPolicy, optional
        How patiently services are asked.
    sites_folder : Path
        Where the sites file is: its relative paths start there.
    archive_problem : str, optional
        What is wrong with the archive, for the headline.
    progress : callable, optional
        Told how far asking and planning have come.
    open_mapper : callable
        Opens what plans, this process or others; it is closed before the plan is compared.

    Returns
    -------
    Plan
        Also kept in the archive.
    """
    with open_mapper() as mapper:
        plan = fetch_and_plan(
            sites,
            archive,
            now,
            offline=offline,
            client_policy=client_policy,
            sites_folder=sites_folder,
            progress=progress,
            mapper=mapper,
        )
    if archive_problem is not None:
        plan = plan.with_diagnostics(
            degraded(DiagnosticCode.ARCHIVE_FALLBACK, reason=archive_problem)
        )
    previous = archive.last_plan(now)
    if previous is not None:
        plan = with_changes(plan, previous.document, sites)
    RunLog(archive).add_run(plan_io.plan_document(plan), now, "asked", announced=False)
    return plan


def fetch_and_plan(
    sites: Sites,
    archive: Archive,
    now: datetime,
    *,
    offline: bool = False,
    client_policy: ClientPolicy | None = None,
    sites_folder: Path = Path(),
    recheck: bool = False,
    progress: Progress | None = None,
    mapper: Mapper = map,
) -> Plan:
    """Plan as ``plan_and_store`` does, but keep only the replies and compare with nothing.

    With ``recheck``, services are asked even where what is at hand is still fresh.
    """
    rules = GatherRules.from_practice(sites.practice())
    fetcher = Fetcher(
        archive,
        sites.company.contact,
        client_policy,
        offline=offline,
        budget_s=rules.budget_s,
        recheck=recheck,
    )
    try:
        sources = open_sources(sites.weather, fetcher, sites_folder, rules)
        ahead = timedelta(hours=sites.practice().number("horizon"))
        asking = partial(progress, "asking for the forecasts of sites") if progress else None
        gathered = fetch_forecasts(sources, _locations(sites), now, ahead, rules, asking)
        alerts, alert_diagnostics = _fetch_alerts(sites, fetcher, now)
    finally:
        fetcher.close()
    routed, router_diagnostics = _routed_minutes(sites, archive, now, client_policy, offline)
    record, record_diagnostics = _usable_record(sites, archive, now)
    night_errors, reading_diagnostics = _night_errors(sites, archive, now, sites_folder, record)
    source_errors = _error_records(archive, now)
    plan = plan_isolated(
        partial(
            make_plan,
            sites,
            now=now,
            night_errors=night_errors,
            error_records=source_errors,
            histories=surface_histories(record, now, oldest=now - MAX_ENTRY_AGE),
            earlier_work=_earlier_work(archive, now),
            stock=stock_book(sites, record, now),
            drives=DriveTables(learned=learned_minutes(record, sites), routed=routed),
            positions=sprayer_positions(record, sites, now),
            mapper=partial(_told, progress, mapper) if progress else mapper,
        ),
        _site_forecasts(gathered),
    )
    used = [site.source.source for site in plan.sites if site.source is not None]
    # alerts join when all is decided: they cannot have had a say
    return plan.model_copy(update={"alerts": alerts}).with_diagnostics(
        *alert_diagnostics,
        *_clock_diagnostics(fetcher.clock_offset),
        *reading_diagnostics,
        *record_diagnostics,
        *router_diagnostics,
        *error_records.used_record_diagnostics(source_errors, used),
    )


def _routed_minutes(
    sites: Sites,
    archive: Archive,
    now: datetime,
    client_policy: ClientPolicy | None,
    offline: bool,
) -> tuple[dict[tuple[str, str], float], tuple[Diagnostic, ...]]:
    """Return the driving minutes of the company's router, within the time that policy gives it."""
    if sites.company.router_url is None:
        return {}, ()
    policy = client_policy or ClientPolicy()
    # a machine of one's own need not be asked slowly, nor often where it is off
    policy = replace(policy, min_interval_s=0.0, retry=policy.retry.new(total=1))
    budget_s = 3600.0 * sites.practice().number("router_wait")
    fetcher = Fetcher(
        archive,
        sites.company.contact,
        policy,
        offline=offline,
        budget_s=budget_s,
        budget_rule="router_wait",
    )
    try:
        return drive_router.routed_minutes(sites, fetcher, now)
    finally:
        fetcher.close()


def _told(
    progress: Progress, mapper: Mapper, function: Callable[[Task], Result], tasks: Iterable[Task]
) -> Iterator[Result]:
    """Map as a mapper does, and say how much of a stage is done."""
    listed = list(tasks)
    total, done = sum(map(len, listed)), 0
    for task in listed[:1]:
        progress(task.stage, 0, total)
    for task, result in zip(listed, mapper(function, listed), strict=True):
        yield result
        done += len(task)
        progress(task.stage, done, total)


def _usable_record(
    sites: Sites, archive: Archive, now: datetime
) -> tuple[list[WorkEntry], tuple[Diagnostic, ...]]:
    """Return what counted of the record by then, and what had to be left out of it.

    Old entries about surfaces never count there, but what they used counts in the yard's stock.
    """
    entries: list[Entry] = []
    unusable: list[str] = []
    for key, document in RecordLog(archive).documents(until=now):
        try:
            entries.append(parse_entry(document, f"entry {key}"))
        except InputError as error:
            unusable.append(str(error))
    oldest = now - MAX_ENTRY_AGE
    usable: list[WorkEntry] = []
    for entry in effective_entries(entries):
        try:
            check_entry(entry, sites, now)
        except InputError as error:
            if oldest <= entry.at:
                unusable.append(str(error))
        else:
            usable.append(entry)
    reasons = Counter(unusable)
    return usable, tuple(
        degraded(DiagnosticCode.RECORD_UNUSABLE, reason=reason, entries=count)
        for reason, count in reasons.items()
    )


def _earlier_work(archive: Archive, now: datetime) -> dict[tuple[str, str], EarlierWork]:
    """Return what the plan announced last has crews do; nothing where it cannot be read."""
    announced = RunLog(archive).last_announced(now)
    if announced is None:
        return {}
    try:
        document = current_document(announced.text)
        return {} if document is None else read_earlier_work(document)
    except (*DAMAGED_ROW_ERRORS, LookupError):
        archive.note_damage("plan", announced.plan_id)
        return {}


def replay(
    sites: Sites,
    archive: Archive,
    day: date | datetime,
    sites_folder: Path = Path(),
    mapper: Mapper = map,
) -> Plan:
    """Plan a past morning again from the archive, and compare with the plan issued then.

    Parameters
    ----------
    sites : Sites
        The sites file of today.
    archive : Archive
        What was known then; nothing is added to it.
    day : date or datetime
        A local day, whose briefing (or else the company's time) gives the moment; or that moment
        itself, aware.
    sites_folder : Path
        Where the sites file is.
    mapper : callable
        ``map``, or one that plans elsewhere: ``workers.open_mapper``.

    Returns
    -------
    Plan
        As of that moment. Its changes are against what was issued then, if anything was.
    """
    run_log = RunLog(archive)
    if isinstance(day, datetime):
        now, issued = day, run_log.run_made_at(day)
    else:
        issued = run_log.briefing_of(day) or run_log.last_run_on(
            day, ZoneInfo(sites.company.timezone)
        )
        local = datetime.combine(day, sites.company.briefing_at, ZoneInfo(sites.company.timezone))
        now = local.astimezone(UTC) if issued is None else issued.made_at
    plan = fetch_and_plan(
        sites, archive, now, offline=True, sites_folder=sites_folder, mapper=mapper
    )
    return plan if issued is None else with_changes(plan, issued.text, sites)


def with_changes(plan: Plan, previous_document: str, sites: Sites) -> Plan:
    """Return the plan with its differences from an earlier one, given as JSON."""
    document = current_document(previous_document)
    if document is None:
        return plan.with_diagnostics(note(DiagnosticCode.PLAN_NOT_COMPARED))
    old = plan_diff.summarize_plan(document, plan.made_at)
    made = {
        **plan.model_dump(mode="json", include={"verdict", "first_start"}),
        "sites": (site.model_dump(mode="json") for site in plan.sites),
    }
    new = plan_diff.summarize_plan(made, plan.made_at)

    def practice_of(site: str, surface: str) -> Practice:
        return sites.practice(sites.sites[site], sites.sites[site].surfaces[surface])

    found = plan_diff.compare_plans(old, new, sites.practice(), practice_of)
    plan = plan.model_copy(update={"changes": found})
    try:
        previous = plan_io.parse_plan(
            previous_document, "the plan before", reduce_site=calendar_entries.with_entries_only
        )
    except InputError:  # comparable, and yet of another release
        return plan.with_diagnostics(note(DiagnosticCode.PLAN_NOT_COMPARED))
    cancelled = calendar_entries.cancelled_entries(plan, previous)
    return plan.model_copy(update={"cancelled_entries": cancelled})


def _fetch_alerts(
    sites: Sites, fetcher: Fetcher, now: datetime
) -> tuple[tuple[Alert, ...], tuple[Diagnostic, ...]]:
    """Return official alerts where a source has them, and what is not known of them."""
    if "nws" not in sites.weather.sources:
        return (), ()
    service = NwsAlerts(fetcher, sites.weather.nws.base_url or nws.BASE_URL)
    try:
        found = service.active(_locations(sites), now)
    except ForecastError as error:
        return (), (degraded(DiagnosticCode.ALERTS_UNKNOWN, reason=str(error)),)
    except ArchiveError:
        raise
    except Exception as error:  # alerts decide nothing: what fails with them is theirs alone
        reason = f"they cannot be read ({type(error).__name__})"
        return (), (degraded(DiagnosticCode.ALERTS_UNKNOWN, reason=reason),)
    return found, (
        *(degraded(DiagnosticCode.ALERTS_STALE, reason=why) for why in service.stale_reasons),
        *(degraded(DiagnosticCode.ALERT_UNREADABLE, reason=why) for why in service.unreadable),
    )


def _night_errors(
    sites: Sites, archive: Archive, now: datetime, sites_folder: Path, record: Sequence[WorkEntry]
) -> tuple[NightErrors, tuple[Diagnostic, ...]]:
    """Return what readings say of each surface's nights, else the reason there is nothing.

    Those of the log that the sites file names count, and those of the record.
    """
    known = reading_log.readings_of_record(record)
    if sites.readings is None and not known:
        return NO_NIGHT_ERRORS, ()
    try:
        if sites.readings is not None:
            known += reading_log.load_readings(sites_folder / sites.readings)
        taken = sorted((one for one in known if one.time < now), key=lambda one: one.time)
        max_error_k = sites.practice().number("reading_max_error")
        return night_bias.night_errors(archive, taken, now, max_error_k), ()
    except InputError as error:
        return NO_NIGHT_ERRORS, (degraded(DiagnosticCode.READINGS_UNUSABLE, reason=str(error)),)


def _error_records(archive: Archive, now: datetime) -> dict[str, ErrorRecord]:
    """Return each source's own record; none where the row that holds them is damaged."""
    try:
        return error_records.load_error_records(archive, now)
    except (*DAMAGED_ROW_ERRORS, LookupError):
        archive.note_damage("skill", 0)
        return {}


def _clock_diagnostics(clock_offset: timedelta | None) -> tuple[Diagnostic, ...]:
    if clock_offset is None or abs(clock_offset) < MAX_CLOCK_OFFSET:
        return ()
    offset_h = round(clock_offset / timedelta(hours=1), 3)
    return (degraded(DiagnosticCode.CLOCK_OFFSET, offset_h=offset_h),)


def plan_demo(now: datetime = DEMO_NOW) -> Plan:
    """Plan the bundled, invented storm; no network, nothing kept.

    From the second morning on it stands on the bundled record of what the crews did, and on the
    same forecast, taken as issued again each morning.
    """
    folder = files("stormplan") / "demo"
    sites = sites_file.parse_sites((folder / "sites.yaml").read_text(encoding="utf-8"))
    recorded = RecordedSource(folder, credit="Invented forecast, for demonstration only")
    days = timedelta(days=max((now - DEMO_NOW) // timedelta(days=1), 0))
    tables = _BundledTables(folder, sites.weather.tables)
    gathered = fetch_forecasts([recorded, tables], _locations(sites), now - days)
    lines = (folder / "record.jsonl").read_text(encoding="utf-8").splitlines()
    entries = [parse_entry(line, f"record.jsonl:{n}") for n, line in enumerate(lines, start=1)]
    done = [one for one in entries if one.at <= now]
    return make_plan(
        sites,
        _site_forecasts([_reissued(found, days) for found in gathered]),
        now,
        histories=surface_histories(done, now),
        stock=stock_book(sites, done, now),
    )


@dataclass(frozen=True)
class _BundledTables:
    """The demo's second opinion: hourly tables, an hour old whenever they are read."""

    folder: Traversable
    names: Mapping[str, str]

    def forecast(self, location: Location, now: datetime) -> CellForecast:
        if location.key not in self.names:
            raise NotServedError(f"table: there is none for {location.key}")
        text = (self.folder / self.names[location.key]).read_text(encoding="utf-8")
        return table.parse_forecast(text, location, now - timedelta(hours=1), now)


def _reissued(found: LocationForecasts, days: timedelta) -> LocationForecasts:
    """Return the demo's forecasts as issued again, unchanged, days later."""

    def again(cell: CellForecast) -> CellForecast:
        return replace(cell, issued_at=cell.issued_at + days, fetched_at=cell.fetched_at + days)

    return replace(
        found,
        forecast=None if found.forecast is None else again(found.forecast),
        other_forecasts=tuple(map(again, found.other_forecasts)),
    )


def _locations(sites: Sites) -> list[Location]:
    return [
        Location(key, site.latitude_deg, site.longitude_deg) for key, site in sites.sites.items()
    ]


def _site_forecasts(gathered: list[LocationForecasts]) -> dict[str, SiteForecasts]:
    return {
        found.location.key: SiteForecasts(
            found.forecast,
            "; ".join(found.failure_reasons) or None,
            found.other_forecasts,
            found.other_failures,
        )
        for found in gathered
    }


def read_plan(path: Path) -> Plan:
    """Read a plan back from its file.

    Raises
    ------
    InputError
        It cannot be read, or is no plan of this version.
    """
    try:
        document = path.read_text(encoding="utf-8")
        beside = path.parent / LINES_FILE
        if not beside.exists():
            return plan_io.parse_plan(document, str(path))
        with beside.open(encoding="utf-8") as lines:
            return plan_io.parse_plan(document, str(path), lines)
    except OSError as error:
        raise InputError(f"cannot read the plan {path}: {error.strerror}") from error


def write_reports(plan: Plan, folder: Path) -> list[Path]:
    """Write the reports of a plan.

    Parameters
    ----------
    plan : Plan
        The record.
    folder : Path
        Where to; made if it is not there.

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    return write_rendered(reports.render_reports(plan), folder)


def publish_reports(
    plan: Plan, root: Path, keep_reports: int, *, is_newest: bool
) -> tuple[Path, list[Path]]:
    """Write the reports of a plan that was asked for as a set of its own, as the routine does.

    Parameters
    ----------
    plan : Plan
        The record.
    root : Path
        Folder of all sets.
    keep_reports : int
        How many sets stay [-].
    is_newest : bool
        Whether the plan was made just now: ``latest`` never goes back to an older one.

    Returns
    -------
    Path
        The folder to open: ``latest`` if it is this set.
    list of Path
        What is in it, the page first.

    Raises
    ------
    InputError
        It cannot be written, or another run is at work in the folder for too long.
    """
    texts = reports.render_reports(plan)
    with report_folders.exclusive_lock(root, LOCK_TIMEOUT_S):
        name = report_folders.report_set_name(plan.made_at, plan_io.plan_document(plan))
        folder = report_folders.publish(
            root,
            name,
            lambda folder: write_rendered(texts, folder),
            keep_reports,
            is_newest=is_newest,
            replace=True,
        )
        latest = root / report_folders.LATEST
        folder = latest if latest.resolve() == folder.resolve() else folder
    return folder, [folder / report for report in texts]


def write_rendered(texts: Mapping[str, Text], folder: Path) -> list[Path]:
    """Write reports that are made already, as ``write`` does."""
    try:
        for name in texts:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
        return [report_folders.write_atomic(folder / name, text) for name, text in texts.items()]
    except OSError as error:
        raise InputError(f"cannot write to {folder}: {error.strerror}") from error
