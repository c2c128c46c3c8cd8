"""The scheduler by the real clock: a step at the asked moment, in turn, until it ends or fails."""

import itertools
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from stormplan.service import scheduler


def now():
    return datetime.now(UTC)


def test_a_step_is_run_at_once_and_then_when_it_asked_for():
    ran = []

    def step():
        ran.append(now())
        return now() + timedelta(milliseconds=150)

    scheduler.run_scheduler(step, now, should_stop=lambda: len(ran) == 4)
    gaps = [(after - before).total_seconds() for before, after in itertools.pairwise(ran)]
    assert all(0.14 < gap < 1.5 for gap in gaps)


def test_a_moment_gone_by_is_now_and_steps_never_overlap():
    running, ran = threading.Lock(), []

    def step():
        assert running.acquire(blocking=False)
        time.sleep(0.05)
        running.release()
        ran.append(now())
        return now() - timedelta(days=1)

    scheduler.run_scheduler(step, now, should_stop=lambda: len(ran) == 5)
    assert len(ran) == 5


def test_it_wakes_in_between_because_timers_stand_still_while_a_laptop_sleeps(monkeypatch):
    monkeypatch.setattr(scheduler, "MAX_SLEEP", timedelta(milliseconds=50))
    ran = []

    def step():
        ran.append(now())
        return now() + timedelta(days=1)

    scheduler.run_scheduler(step, now, should_stop=lambda: len(ran) == 3)
    assert ran[-1] - ran[0] < timedelta(seconds=2)


def test_a_failure_nobody_foresaw_ends_the_watch_loudly():
    def step():
        raise ZeroDivisionError("one of ours")

    with pytest.raises(ZeroDivisionError, match="one of ours"):
        scheduler.run_scheduler(step, now)


def test_a_clock_set_back_while_it_waits_makes_no_wait_longer(monkeypatch):
    monkeypatch.setattr(scheduler, "MAX_SLEEP", timedelta(milliseconds=100))
    ran, back = [], []

    def clock():
        return now() - (timedelta(days=2) if back else timedelta(0))

    def step():
        ran.append(time.monotonic())
        asked = clock() + timedelta(milliseconds=50)
        back.append(True)
        return asked

    scheduler.run_scheduler(step, clock, should_stop=lambda: len(ran) == 3)
    assert ran[-1] - ran[0] < 2.0


def test_a_computer_that_wakes_up_late_runs_the_step_soon(monkeypatch):
    """Its clock jumps while the timer stands still."""
    monkeypatch.setattr(scheduler, "LOOK_EVERY_S", 0.02)
    ran, looks = [], itertools.count()

    def clock():
        return now() + (timedelta(hours=8) if next(looks) > 5 else timedelta(0))

    def step():
        ran.append(time.monotonic())
        return now() + timedelta(minutes=4)

    scheduler.run_scheduler(step, clock, should_stop=lambda: len(ran) == 2)
    assert ran[-1] - ran[0] < 2.0
