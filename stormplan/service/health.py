"""Health check: an exit code for a monitor, and its reasons.

Asks the archive, not the program that should be running: a program that died cannot say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from stormplan.delivery import outbox
from stormplan.errors import ArchiveError, ExitCode, InputError
from stormplan.planning import plan_io
from stormplan.service import due
from stormplan.service.due import BriefingSchedule
from stormplan.service.last_step import read_last_step
from stormplan.service.runner import RunnerConfig
from stormplan.store import report_folders
from stormplan.store.announced_days import telling_key
from stormplan.store.archive import Archive
from stormplan.store.run_log import DeliveryStatus, Run, RunLog
from stormplan.words import diagnostic_text

_OUTCOMES = {"handing over": "broken off, it may or may not have arrived"}


@dataclass(frozen=True)
class Health:
    """An exit code, and its reasons."""

    exit_code: ExitCode
    lines: tuple[str, ...]


def check_health(config: RunnerConfig) -> Health:
    """Check that today's briefing is there, complete and delivered.

    Parameters
    ----------
    config : RunnerConfig
        Where the routine works.

    Returns
    -------
    Health
        0 all is well; 3 the last plan stands on less than it should or did not reach everybody;
        4 there is no briefing for the day whose time has come, or it could plan nothing. At least
        3 where the routine stands still, or its last step failed.
    """
    found = _check_archive(config)
    lines = _last_step_lines(config, config.clock())
    if not lines:
        return found
    return Health(max(found.exit_code, ExitCode.DEGRADED), (*found.lines, *lines))


def _last_step_lines(config: RunnerConfig, now: datetime) -> tuple[str, ...]:
    """Return what is wrong with the routine itself: it stands still, or the program fails."""
    step = read_last_step(config.report_folder)
    if step is None:
        return ()
    ended_at = f"{step.ended_at:%Y-%m-%d %H:%M}Z"
    if step.fault is not None:
        return (f"the program failed at {ended_at} ({step.fault}); its log has more",)
    if step.next_step_at is not None and now - step.next_step_at > due.LATE_AFTER:
        due_at = f"{step.next_step_at:%Y-%m-%d %H:%M}Z"
        return (f"nothing has run since {ended_at}; the next run was due at {due_at}",)
    return ()


def _check_archive(config: RunnerConfig) -> Health:
    now = config.clock()
    try:
        if not config.archive_path.exists():
            return _without_archive(config, f"no archive at {config.archive_path}", now)
        with Archive(config.archive_path, config.archive_timeout_s) as archive:
            return _check_run(config, RunLog(archive), now)
    except ArchiveError as error:
        return _without_archive(config, str(error), now)


def _without_archive(config: RunnerConfig, reason: str, now: datetime) -> Health:
    """Return that there is no archive, and what the second memory knows of the day."""
    day = _expected_day(config.schedule, now)
    return Health(ExitCode.NOTHING_PLANNED, (reason, *_telling_lines(config, day)))


def _telling_lines(config: RunnerConfig, day: date) -> tuple[str, ...]:
    """Return how far the second memory saw the briefing of a day come; nothing if it knows none."""
    telling = config.announced_days.telling(day.isoformat())
    if telling is None:
        return ()
    if telling.state == "told":
        first = f"the briefing of {day} was told, but the archive does not know of it"
    else:
        first = f"the briefing of {day} was broken off while it was told; the next run goes on"
    outcomes = [
        f"{channel} to {recipient}: {_OUTCOMES.get(state, state)}"
        for (channel, recipient), state in telling.deliveries.items()
    ]
    return first, *(outcomes or ["no delivery of it is on record"])


def _check_run(config: RunnerConfig, run_log: RunLog, now: datetime) -> Health:
    expected_day = _expected_day(config.schedule, now)
    run = run_log.briefing_of(config.schedule.briefing_day(now)) or run_log.briefing_of(
        expected_day
    )
    if run is None:
        lines = _telling_lines(config, expected_day)
        if expected_day in config.announced_days:
            return Health(ExitCode.DEGRADED, lines)
        return Health(ExitCode.NOTHING_PLANNED, lines or (f"no briefing for {expected_day}",))
    last = run_log.last_announced() or run
    try:
        plan = plan_io.parse_plan(last.text, "the last plan")
    except InputError:
        reason = f"the plan of {last.made_at:%Y-%m-%d %H:%M}Z is of another version of stormplan"
        return Health(ExitCode.DEGRADED, (reason,))
    statuses = run_log.delivery_statuses(last.plan_id)
    undelivered = outbox.delivery_diagnostics(statuses)
    problems = [*diagnostic_text.degraded_lines(plan.with_diagnostics(*undelivered))]
    problems += _lost_delivery_lines(config, last, statuses)
    if not report_folders.is_published(
        config.report_folder, report_folders.report_set_name(last.made_at, last.document)
    ):
        latest = config.report_folder / report_folders.LATEST
        problems.append(f"{latest} is not the last plan that was announced")
    if not plan.has_forecast:
        return Health(ExitCode.NOTHING_PLANNED, tuple(problems))
    made = f"last plan {last.made_at:%Y-%m-%d %H:%M}Z, verdict {plan.verdict}"
    return Health(ExitCode.DEGRADED if problems else ExitCode.COMPLETE, (made, *problems))


def _lost_delivery_lines(
    config: RunnerConfig, run: Run, statuses: Sequence[DeliveryStatus]
) -> list[str]:
    """Return deliveries that did not come and that the archive knows nothing of any more."""
    telling = config.announced_days.telling(telling_key(run))
    if telling is None:
        return []
    known = {(one.channel, one.recipient) for one in statuses}
    return [
        f"the last plan by {channel} to {recipient}: {_OUTCOMES.get(state, state)}, by what is "
        "kept beside the archive"
        for (channel, recipient), state in telling.deliveries.items()
        if (channel, recipient) not in known and state != "sent"
    ]


def _expected_day(schedule: BriefingSchedule, now: datetime) -> date:
    """Local day whose briefing must be there by now, with some time to make it."""
    return schedule.briefing_day(now - due.LATE_AFTER)
