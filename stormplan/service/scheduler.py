"""Scheduler: runs the step at the moment the last one returned.

``due`` computes what is due when. The scheduler gets plain UTC moments, never local times
or recurrences: those it skips or doubles around clock changes. It wakes at least every few
minutes, because a timer stands still while a laptop sleeps.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from apscheduler.schedulers.blocking import BlockingScheduler
from apscheduler.triggers.date import DateTrigger

from stormplan.service.due import MAX_SLEEP

StepFunction = Callable[[], datetime]
JOB_ID = "step"


def run_scheduler(
    step: StepFunction,
    clock: Callable[[], datetime],
    should_stop: Callable[[], bool] = lambda: False,
) -> None:
    """Run a step, again and again, each time at the moment the last one asked for.

    Parameters
    ----------
    step : callable
        Does what is due; gives when to come back, aware UTC. What it raises ends the watch.
    clock : callable
        Gives the moment, aware UTC.
    should_stop : callable
        Asked after each step; true ends the watch.
    """
    scheduler = BlockingScheduler(timezone=UTC)
    failure: list[BaseException] = []

    def run_once() -> None:
        try:
            next_step_at = step()
            if not should_stop():
                schedule_run(min(next_step_at, clock() + MAX_SLEEP))
                return
        except BaseException as error:  # handed on, in the caller's thread
            failure.append(error)
        scheduler.get_job(JOB_ID)  # waits until the scheduler has put this job away
        scheduler.shutdown(wait=False)

    def schedule_run(at: datetime) -> None:
        moment = max(at, clock() + timedelta(milliseconds=10))
        scheduler.add_job(
            run_once,
            DateTrigger(run_date=moment),
            id=JOB_ID,
            replace_existing=True,
            max_instances=1,
            coalesce=True,
            misfire_grace_time=None,  # late is better than never, and said
        )

    schedule_run(clock())
    scheduler.start()
    if failure:
        raise failure[0]
