"""Wakes the routine: a thin hand on the scheduler, which sleeps and is told one moment at a time.

What is due when is reckoned in ``agenda``. The scheduler gets plain UTC moments, never local times
or recurrences: those it skips or doubles around clock changes. It wakes at least every few
minutes, because a timer stands still while a laptop sleeps.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from apscheduler.schedulers.blocking import BlockingScheduler
from apscheduler.triggers.date import DateTrigger

from stormplan.service.due import LOOK

Step = Callable[[], datetime]
JOB = "step"


def watch(
    step: Step, clock: Callable[[], datetime], until: Callable[[], bool] = lambda: False
) -> None:
    """Run a step, again and again, each time at the moment the last one asked for.

    Parameters
    ----------
    step : callable
        Does what is due; gives when to come back, aware UTC. What it raises ends the watch [-].
    clock : callable
        Gives the moment, aware UTC [-].
    until : callable
        Asked after each step; true ends the watch [-].
    """
    scheduler = BlockingScheduler(timezone=UTC)
    failure: list[BaseException] = []

    def work() -> None:
        try:
            wanted = step()
            if not until():
                arm(min(wanted, clock() + LOOK))
                return
        except BaseException as error:  # handed on, in the caller's thread
            failure.append(error)
        scheduler.get_job(JOB)  # waits until the scheduler has put this job away
        scheduler.shutdown(wait=False)

    def arm(at: datetime) -> None:
        moment = max(at, clock() + timedelta(milliseconds=10))
        scheduler.add_job(
            work,
            DateTrigger(run_date=moment),
            id=JOB,
            replace_existing=True,
            max_instances=1,
            coalesce=True,
            misfire_grace_time=None,  # late is better than never, and said
        )

    arm(clock())
    scheduler.start()
    if failure:
        raise failure[0]
