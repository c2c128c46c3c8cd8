"""The run that nobody starts: plan, keep, write, tell, and carry on wherever it was cut off.

``step`` does what is due and tells when to come back. It may be killed at any moment: what is
kept in the archive decides what the next step still has to do. What cannot be had or written does
not stop the rest; it is said in the plan.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from filelock import FileLock

from stormplan.company.sites import Sites
from stormplan.delivery import outbox
from stormplan.delivery.message import build_message
from stormplan.delivery.outbox import Clock
from stormplan.errors import (
    ArchiveError,
    DamagedArchiveError,
    ExitCode,
    InputError,
    StormplanError,
)
from stormplan.planning import plan_diff, plan_io
from stormplan.planning.diagnostics import Diagnostic, DiagnosticCode, degraded, note
from stormplan.planning.isolation import describe_fault
from stormplan.planning.plan import Plan, current_document
from stormplan.service import due, pipeline
from stormplan.service.due import BriefingSchedule, Due, LastPlan
from stormplan.service.last_step import LastStep, read_last_step, write_last_step
from stormplan.service.workers import open_mapper
from stormplan.store import maintenance, report_folders
from stormplan.store.announced_days import AnnouncedDays, TellingLog, state_files, telling_key
from stormplan.store.archive import IN_MEMORY, Archive
from stormplan.store.run_log import OPEN_STATES, DeliveryStatus, Run, RunLog
from stormplan.store.text_chunks import Text
from stormplan.weather.http_client import ClientPolicy
from stormplan.words.reports import render_possible_reports

MIN_FREE_BYTES = 5_000_000  # what a set of reports may need
MIN_WAIT = timedelta(seconds=1)
SENDING_RETRY = timedelta(minutes=1)  # while another run sends


def _utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass
class RunnerConfig:
    """Where the routine works.

    Attributes
    ----------
    sites : Sites
        The sites file.
    report_folder : Path
        Folder of the sets of reports.
    archive_path : Path
        The archive file.
    clock : callable
        Gives the moment, aware UTC.
    client_policy : ClientPolicy, optional
        How patiently services are asked.
    archive_timeout_s : float
        How long to wait for the archive [s].
    sites_folder : Path
        Where the sites file is: its relative paths start there.
    diagnostics : tuple of Diagnostic
        What the reader of the next plan must know about the configuration.
    fallback_archive : Archive or None
        Remembers in memory while the file cannot be written.
    keeps_running : bool
        Whether this program stays, so that its memory does; false where a timer starts it again.
    is_archive_checked : bool
        Whether the step before ended well with an archive whose pages had been checked.
    workers : int
        Processes that plan; they end with each plan [-].
    """

    sites: Sites
    report_folder: Path
    archive_path: Path
    clock: Clock = _utc_now
    client_policy: ClientPolicy | None = None
    archive_timeout_s: float = 10.0
    sites_folder: Path = Path()
    diagnostics: tuple[Diagnostic, ...] = ()
    fallback_archive: Archive | None = None
    keeps_running: bool = True
    is_archive_checked: bool = False
    workers: int = 1

    @property
    def announced_days(self) -> AnnouncedDays:
        """The second memory: what was told, and to whom."""
        return AnnouncedDays(state_files(self.archive_path))

    @property
    def schedule(self) -> BriefingSchedule:
        """The briefing schedule of this company."""
        company, watch = self.sites.company, self.sites.schedule
        return BriefingSchedule(
            briefing_time=company.briefing_at,
            zone=ZoneInfo(company.timezone),
            jitter=timedelta(hours=watch.jitter_h),
            storm_interval=timedelta(hours=watch.storm_interval_h),
            jitter_seed=company.contact,
        )


@dataclass(frozen=True)
class StepResult:
    """The result of a step.

    Attributes
    ----------
    plan : Plan or None
        The plan it made, if one was due.
    kind : str
        ``"briefing"``, ``"storm"``, or ``""``.
    announced : bool
        Whether everybody is told.
    deliveries : tuple of DeliveryStatus
        How far deliveries have come.
    problems : tuple of str
        What went wrong and could not be said in the plan itself.
    next_step_at : datetime
        When to come back, aware UTC.
    """

    next_step_at: datetime
    plan: Plan | None = None
    kind: str = ""
    announced: bool = False
    deliveries: tuple[DeliveryStatus, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass
class _RunContext:
    """The state of one step: its archive, and its problems so far."""

    config: RunnerConfig
    now: datetime
    archive: Archive
    diagnostics: list[Diagnostic] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    memory_only: bool = False  # knows of no plan made since the file became unusable
    were_pages_read: bool = False  # the archive was checked for damage when it was opened
    folder_lock: FileLock | None = None
    is_sent_elsewhere: bool = False  # another run is at the receivers just now
    is_first_run: bool = False  # neither the archive nor the report folder knows of any before

    @property
    def run_log(self) -> RunLog:
        return RunLog(self.archive)

    @property
    def is_forgotten(self) -> bool:
        """Whether the next start knows nothing of what is put into the archive now."""
        return self.archive.path == IN_MEMORY and not self.config.keeps_running

    def has_briefing(self, day: date) -> bool:
        """Return whether the archive knows a day's briefing, or the second memory its end."""
        return self.run_log.has_briefing(day) or day in self.config.announced_days

    def switch_to_memory(self, error: ArchiveError) -> None:
        """Replace the failed archive file by one in memory."""
        self.archive.close()
        self.archive = self.config.fallback_archive = maintenance.open_memory_copy(
            self.config.archive_path
        )
        reason = f"{error}; nothing learned this time will be remembered"
        self.diagnostics.append(degraded(DiagnosticCode.ARCHIVE_FALLBACK, reason=reason))


def run_step(config: RunnerConfig) -> StepResult:
    """Do what is due now: finish what was cut off, plan if it is time, try deliveries again.

    Parameters
    ----------
    config : RunnerConfig
        Where to work.

    Returns
    -------
    StepResult
        What was done, and when to come back.

    Raises
    ------
    InputError
        Another run is at work.
    """
    try:
        return _locked_step(config)
    except DamagedArchiveError:  # met in reading: now its pages are checked, if they were not
        return _locked_step(config, _drop_damaged_fallback(config))


def _drop_damaged_fallback(config: RunnerConfig) -> tuple[Diagnostic, ...]:
    """Let go of what is held in memory if that is what is damaged; return that it was."""
    if config.fallback_archive is None:
        return ()
    try:
        maintenance.check_pages(config.fallback_archive)
    except ArchiveError as error:
        config.fallback_archive.close()
        config.fallback_archive = None
        return (degraded(DiagnosticCode.ARCHIVE_FALLBACK, reason=str(error)),)
    return ()


def _locked_step(config: RunnerConfig, known: Sequence[Diagnostic] = ()) -> StepResult:
    with _lock_report_folder(config) as (lock, diagnostics):
        before = read_last_step(config.report_folder)
        _learn_whether_archive_was_checked(config, before)
        try:
            result = _run_step(config, lock, [*known, *diagnostics], has_run=before is not None)
        except Exception as error:
            is_ours = isinstance(error, StormplanError)
            fault = str(error) if is_ours else describe_fault(error)
            _note_step(config, LastStep(config.clock(), fault=fault))
            raise
        checked = str(config.archive_path) if config.is_archive_checked else None
        _note_step(config, LastStep(config.clock(), result.next_step_at, checked_archive=checked))
        return result


def _learn_whether_archive_was_checked(config: RunnerConfig, before: LastStep | None) -> None:
    """Take over that the step before, of whatever program, ended well with a checked archive."""
    if before is not None and before.checked_archive == str(config.archive_path):
        config.is_archive_checked = True
        _note_step(config, replace(before, checked_archive=None))  # unless this one, too, ends well


def _note_step(config: RunnerConfig, step: LastStep) -> None:
    """Leave a sign of the step; where none can be left, the plan itself says why."""
    with suppress(OSError):
        write_last_step(config.report_folder, step)


def _run_step(
    config: RunnerConfig, lock: FileLock | None, diagnostics: Sequence[Diagnostic], has_run: bool
) -> StepResult:
    context = _open_context(config, config.clock())
    is_known = has_run or context.memory_only or context.run_log.last_run() is not None
    context.is_first_run = not is_known
    context.were_pages_read = not config.is_archive_checked
    context.folder_lock = lock
    context.diagnostics += [*diagnostics, *config.diagnostics]
    config.is_archive_checked = False  # unless this step, too, ends well
    try:
        result = _perform_step(context)
        config.is_archive_checked = context.archive.path != IN_MEMORY
        return result
    finally:
        if context.archive is not config.fallback_archive:
            context.archive.close()


def _open_context(config: RunnerConfig, now: datetime) -> _RunContext:
    """Open the archive, or go on with what is remembered while it cannot be used."""
    archive, problem = maintenance.open_or_fall_back(
        config.archive_path,
        now,
        config.archive_timeout_s,
        reads_pages=not config.is_archive_checked,
    )
    diagnostics = [degraded(DiagnosticCode.ARCHIVE_FALLBACK, reason=problem)] if problem else []
    if archive.path != IN_MEMORY:
        if config.fallback_archive is not None:
            maintenance.merge_fallback(config.fallback_archive, archive)
            config.fallback_archive.close()
            config.fallback_archive = None
        return _RunContext(config, now, archive, diagnostics)
    if config.fallback_archive is not None:
        archive.close()
        return _RunContext(config, now, config.fallback_archive, diagnostics)
    config.fallback_archive = archive
    return _RunContext(config, now, archive, diagnostics, memory_only=True)


@contextmanager
def _lock_report_folder(
    config: RunnerConfig,
) -> Iterator[tuple[FileLock | None, list[Diagnostic]]]:
    """Lock the report folder for one run; yield the lock, or the problem if there is none."""
    try:
        config.report_folder.mkdir(parents=True, exist_ok=True)
        usable = os.access(config.report_folder, os.W_OK)
    except OSError:
        usable = False
    if not usable:
        folder = str(config.report_folder)
        yield None, [degraded(DiagnosticCode.REPORTS_NOT_WRITTEN, folder=folder)]
        return
    with ExitStack() as held:
        lock, problems = None, []
        try:
            lock = held.enter_context(
                report_folders.exclusive_lock(config.report_folder, pipeline.LOCK_TIMEOUT_S)
            )
        except report_folders.LockUnusableError as error:  # said, and the mail still goes
            problems = [degraded(DiagnosticCode.LOCK_UNUSABLE, reason=str(error))]
        yield lock, problems


@contextmanager
def _sending(context: _RunContext) -> Iterator[bool]:
    """Let others plan while receivers are waited for; yield whether this run may send.

    Only one run sends at a time, and who comes second finds what was sent. It does not wait: what
    is still open is tried at its next step.
    """
    if context.folder_lock is None:  # nothing keeps other runs out, and the plan says so
        yield True
        return
    with ExitStack() as held:
        try:
            held.enter_context(
                report_folders.exclusive_lock(
                    context.config.report_folder, 0.0, report_folders.SENDING_LOCK
                )
            )
        except report_folders.LockUnusableError as error:
            context.problems.append(f"nothing keeps a second run from sending: {error}")
        except InputError:
            context.is_sent_elsewhere = True
        else:
            context.folder_lock.release()
        yield not context.is_sent_elsewhere


def _perform_step(context: _RunContext) -> StepResult:
    config = context.config
    due_run = _due_run(context)
    if due_run is None:
        run = context.run_log.last_announced()
        deliveries = _write_and_send(context, run) if run is not None else ()
        return StepResult(
            _next_step_at(context, run), deliveries=deliveries, problems=tuple(context.problems)
        )
    plan = _plan_run(context, due_run)
    is_new_briefing = due_run.kind == "briefing" and not due_run.repeated
    if due_run.kind == "briefing":
        offset = _clock_offset(one.model_dump() for one in plan.diagnostics)
        if due.is_borne_out(config.schedule, context.now, offset):
            is_new_briefing = True
        else:  # told, but the day of that name may still be to come, and has its briefing then
            due_run = Due("storm")
    announced = is_new_briefing or plan_diff.any_material(plan.changes)
    plan, reports = render_possible_reports(plan)
    run = _record_run(context, plan, due_run, announced)
    deliveries = ()
    announced = announced and _may_announce(context, run)
    if announced:
        outbox.supersede(context.run_log, run.plan_id, config.clock)
        deliveries = _write_and_send(context, run, plan, reports)
    else:
        _publish_reports(context, plan, run.document, reports)
    _write_heartbeat(context, plan, due_run)
    return StepResult(
        _next_step_at(context, run),
        plan,
        due_run.kind,
        announced,
        deliveries,
        tuple(context.problems),
    )


def _may_announce(context: _RunContext, run: Run) -> bool:
    """Remember that a plan is about to be told; false where the next start would tell it again."""
    is_remembered = context.config.announced_days.begin(telling_key(run))
    if is_remembered or not context.is_forgotten:
        return True
    what = f"plan of {run.made_at:%Y-%m-%d %H:%M}Z" if run.day is None else f"briefing of {run.day}"
    context.problems.append(
        f"the {what} is written but not sent: neither the archive nor a file beside it or in the "
        "state folder can be written, so nobody could tell later that it was sent"
    )
    return False


def _last_plan(run: Run | None) -> LastPlan | None:
    if run is None:
        return None
    document = current_document(run.text)
    if document is None:  # of another version: what it had ahead is not known, so look again
        return LastPlan(run.made_at, storm_ahead=True, has_unplanned_site=False)
    return LastPlan(
        made_at=run.made_at,
        storm_ahead=document["verdict"] != "nothing",
        has_unplanned_site=any(site["source"] is None for site in document["sites"]),
        clock_offset=_clock_offset(document["diagnostics"]),
    )


def _clock_offset(diagnostics: Iterable[Mapping[str, Any]]) -> timedelta:
    """By how much the clock was ahead when a plan was made, as the plan itself says."""
    hours = [
        one["values"]["offset_h"]
        for one in diagnostics
        if one["code"] == DiagnosticCode.CLOCK_OFFSET
    ]
    return timedelta(hours=hours[0]) if hours else timedelta(0)


def _due_run(context: _RunContext) -> Due | None:
    run_log = context.run_log
    found = due.find_due_run(
        context.config.schedule, context.now, context.has_briefing, _last_plan(run_log.last_run())
    )
    if not context.memory_only or found is None or (found.kind == "briefing" and not found.delay):
        return found
    # it may well have been made: only one that is just due, or was broken off, is worth a second
    was_begun = (
        found.day is not None
        and context.config.announced_days.telling(found.day.isoformat()) is not None
    )
    return found if was_begun else None


def _next_step_at(context: _RunContext, run: Run | None) -> datetime:
    run_log, now = context.run_log, context.now
    moments = [
        due.next_run_at(
            context.config.schedule, now, context.has_briefing, _last_plan(run_log.last_run())
        )
    ]
    announced = run_log.last_announced() if run is None or not run.announced else run
    if announced is not None:
        again = outbox.next_retry_at(run_log, announced.plan_id)
        moments += [again] if again is not None else []
    return max(min(moments), now + (SENDING_RETRY if context.is_sent_elsewhere else MIN_WAIT))


# -- planning -------------------------------------------------------------------------------------


def _fetch_and_plan(config: RunnerConfig, archive: Archive, now: datetime, due_run: Due) -> Plan:
    with open_mapper(config.workers) as mapper:
        return pipeline.fetch_and_plan(
            config.sites,
            archive,
            now,
            client_policy=config.client_policy,
            sites_folder=config.sites_folder,
            recheck=due_run.repeated,  # only an answer of now tells whether the clock is right now
            mapper=mapper,
        )


def _plan_run(context: _RunContext, due_run: Due) -> Plan:
    """Plan, and put beside it what the reader must know about the run itself."""
    config, now = context.config, context.now
    try:
        plan = _fetch_and_plan(config, context.archive, now, due_run)
    except ArchiveError as error:
        if isinstance(error, DamagedArchiveError) and not context.were_pages_read:
            raise  # the step is done again, and then they are
        context.switch_to_memory(error)
        plan = _fetch_and_plan(config, context.archive, now, due_run)
    previous = context.run_log.last_announced()
    found = [*context.diagnostics, *_report_folder_diagnostics(context)]
    if due_run.delay and context.is_first_run:
        found.append(note(DiagnosticCode.FIRST_RUN))
    elif due_run.delay:
        delay_h = round(due_run.delay / timedelta(hours=1), 3)
        found.append(degraded(DiagnosticCode.RUN_LATE, delay_h=delay_h))
    if previous is not None:
        if previous.made_at - now > due.MAX_CLOCK_REVERSAL:
            found.append(
                degraded(
                    DiagnosticCode.CLOCK_REVERSED,
                    now=now.isoformat(),
                    previous=previous.made_at.isoformat(),
                )
            )
        found += outbox.delivery_diagnostics(context.run_log.delivery_statuses(previous.plan_id))
    damaged = tuple(context.archive.damaged_rows)
    if damaged:
        found.append(degraded(DiagnosticCode.ARCHIVE_ROWS_DAMAGED, rows=damaged))
    plan = plan.with_diagnostics(*found)
    if previous is None:
        return plan
    return pipeline.with_changes(plan, previous.text, config.sites)


def _report_folder_diagnostics(context: _RunContext) -> list[Diagnostic]:
    """Find out before planning whether the reports can be written, so that the plan can say so."""
    out = context.config.report_folder
    if not out.is_dir() or not os.access(out, os.W_OK):
        return []  # said already
    try:
        report_folders.check_disk_space(out, MIN_FREE_BYTES)
    except InputError as error:
        return [degraded(DiagnosticCode.DISK_FULL, reason=str(error))]
    return []


def _record_run(context: _RunContext, plan: Plan, due_run: Due, announced: bool) -> Run:
    """Store the plan and its queued deliveries in one transaction."""
    sites = context.config.sites
    document = plan_io.plan_document(plan)
    is_briefing = due_run.kind == "briefing"
    queue = outbox.list_deliveries(sites.delivery, sites.schedule, is_briefing=is_briefing)
    if plan.exit_code == ExitCode.NOTHING_PLANNED:  # the watcher is to miss its sign
        queue = [(channel, to) for channel, to in queue if channel != "heartbeat"]

    def record() -> int:
        return context.run_log.add_run(
            document,
            context.now,
            due_run.kind,
            day=due_run.day,
            announced=announced,
            deliveries=queue if announced else (),
        )

    try:
        row = record()
    except ArchiveError as error:
        context.problems.append(str(error))
        context.switch_to_memory(error)
        row = record()
    return Run(row, due_run.kind, due_run.day, announced, context.now, document)


# -- telling --------------------------------------------------------------------------------------


def _write_and_send(
    context: _RunContext,
    run: Run,
    plan: Plan | None = None,
    reports: Mapping[str, Text] | None = None,
) -> tuple[DeliveryStatus, ...]:
    """Write what is not written, send what is not sent; plan and reports made again if need be."""
    run_log = TellingLog(
        context.archive, context.config.announced_days, run, must_be_kept=context.is_forgotten
    )
    run_log.add_known_deliveries(context.now)
    _finish_run(context, run, plan, reports, run_log)
    run_log.finish_telling()
    return tuple(run_log.delivery_statuses(run.plan_id))


def _finish_run(
    context: _RunContext,
    run: Run,
    plan: Plan | None,
    reports: Mapping[str, Text] | None,
    run_log: TellingLog,
) -> None:
    config, is_newest = context.config, plan is not None
    name = report_folders.report_set_name(run.made_at, run.document)
    is_open = any(status.state in OPEN_STATES for status in run_log.delivery_statuses(run.plan_id))
    if plan is None:
        if report_folders.is_published(config.report_folder, name) and not is_open:
            return
        plan = _stored_plan(context, run)
        if plan is None:
            return
    if reports is None:
        plan, reports = render_possible_reports(plan)
    folder = _publish_reports(context, plan, run.document, reports, is_newest=is_newest)
    if is_open and (is_newest or _may_announce(context, run)):
        transports = outbox.open_transports(config.sites.delivery, config.sites.schedule)
        message = build_message(plan, run.document, reports, folder)
        with _sending(context) as may_send:
            if may_send:
                run_log.add_known_deliveries(context.now)
                outbox.send_due(run_log, run.plan_id, message, transports, config.clock)


def _stored_plan(context: _RunContext, run: Run) -> Plan | None:
    try:
        return plan_io.parse_plan(run.text, "the stored plan")
    except InputError:
        context.problems.append(
            f"the plan of {run.made_at:%Y-%m-%d %H:%M}Z is of another version of stormplan; "
            "it is not sent any more"
        )
        for status in context.run_log.delivery_statuses(run.plan_id):
            if status.state in OPEN_STATES:
                context.run_log.add_delivery(
                    run.plan_id,
                    status.channel,
                    status.recipient,
                    "gave up",
                    "the plan is of another version of stormplan",
                    context.now,
                )
        return None


def _publish_reports(
    context: _RunContext,
    plan: Plan,
    document: Text,
    reports: Mapping[str, Text],
    *,
    is_newest: bool = True,
) -> Path | None:
    config = context.config
    try:
        return report_folders.publish(
            config.report_folder,
            report_folders.report_set_name(plan.made_at, document),
            lambda folder: pipeline.write_rendered(reports, folder),
            config.sites.delivery.keep_reports,
            is_newest=is_newest,
        )
    except InputError as error:
        context.problems.append(str(error))
        return None


def _write_heartbeat(context: _RunContext, plan: Plan, due_run: Due) -> None:
    """Write a heartbeat file, for a monitor on this machine."""
    sign = {
        "made_at": plan.made_at.isoformat(),
        "kind": due_run.kind,
        "day": None if due_run.day is None else due_run.day.isoformat(),
        "verdict": plan.verdict,
        "exit_code": int(plan.exit_code),
    }
    try:
        report_folders.write_atomic(
            context.config.report_folder / "heartbeat.json", json.dumps(sign) + "\n"
        )
    except OSError as error:
        context.problems.append(
            f"no heartbeat in {context.config.report_folder}: {error.strerror or error}"
        )
