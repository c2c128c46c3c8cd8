"""Scheduler: runs the step at the moment the last one returned.

``due`` computes what is due when; here is nothing but waiting. It is done in short steps, each
bounded by monotonic time: a computer that was asleep is noticed soon, and a clock that is set back
makes no wait longer.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime, timedelta

from stormplan.service.due import MAX_SLEEP

StepFunction = Callable[[], datetime]
LOOK_EVERY_S = 10.0  # a timer stands still while a laptop sleeps
MIN_WAIT = timedelta(milliseconds=10)


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
    while True:
        next_step_at = step()
        if should_stop():
            return
        _wait_until(max(next_step_at, clock() + MIN_WAIT), clock)


def _wait_until(moment: datetime, clock: Callable[[], datetime]) -> None:
    """Wait for a moment, but never longer than ``MAX_SLEEP``."""
    latest_s = time.monotonic() + MAX_SLEEP.total_seconds()
    while True:
        left_s = min((moment - clock()).total_seconds(), latest_s - time.monotonic())
        if left_s <= 0.0:
            return
        time.sleep(min(left_s, LOOK_EVERY_S))
