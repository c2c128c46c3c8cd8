"""When a briefing is due: one a local day, whatever the clocks do."""

from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stormplan.service.due import (
    CATCH_UP_LIMIT,
    LATE_AFTER,
    BriefingSchedule,
    Due,
    LastPlan,
    find_due_run,
    next_run_at,
)

ZONES = ("America/New_York", "America/Chicago", "America/Los_Angeles")
TIMES = (time(0, 5), time(1, 30), time(2, 30), time(4, 30), time(23, 50))
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def routine(zone="America/Chicago", at=time(4, 30), **more):
    return BriefingSchedule(at, ZoneInfo(zone), **more)


def live_through(routine, start, end, pause=7 * HOUR):
    """Sleep until the next moment or at most ``pause``, do what is due; gives each briefing."""
    briefed, made, now = set(), [], start
    while now < end:
        found = find_due_run(routine, now, briefed.__contains__, None)
        if found is not None:
            briefed.add(found.day)
            made.append((found, now))
        now = min(next_run_at(routine, now, briefed.__contains__, None), now + pause)
        now = max(now, start + timedelta(microseconds=1))
    return made


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("at", TIMES)
def test_a_year_has_one_briefing_every_local_day_at_its_local_time(zone, at):
    want = routine(zone, at, jitter=10 * MINUTE, jitter_seed="ops@test.example")
    start = datetime(2026, 7, 1, 12, tzinfo=UTC)  # both clock changes lie inside
    made = live_through(want, start, start + 365 * DAY)
    days = [found.day for found, _ in made]
    assert Counter(days).most_common(1)[0][1] == 1
    first = days[0]
    assert days == [first + offset * DAY for offset in range(len(days))]
    assert len(days) in (365, 366)
    for found, now in made[1:]:
        local = now.astimezone(ZoneInfo(zone))
        wanted = datetime.combine(found.day, at)
        early = wanted - local.replace(tzinfo=None)
        skipped = found.day == date(2027, 3, 14) and at == time(2, 30)  # 02:30 does not exist
        assert -HOUR * skipped <= early <= 10 * MINUTE
        assert found.delay == timedelta(0)


# Clock changes of the Energy Policy Act of 2005: second Sunday of March, first of November, 02:00.
CHANGES = {"spring": date(2027, 3, 14), "autumn": date(2026, 11, 1)}


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("minute_of_day", range(0, 24 * 60, 15))
def test_around_a_clock_change_every_quarter_hour_works(zone, change, minute_of_day):
    day = CHANGES[change]
    want = routine(zone, time(*divmod(minute_of_day, 60)))
    start = datetime.combine(day - 2 * DAY, time(12), ZoneInfo(zone)).astimezone(UTC)
    made = live_through(want, start, start + 4 * DAY)
    counts = Counter(found.day for found, _ in made)
    assert [counts[day + offset * DAY] for offset in (-1, 0, 1)] == [1, 1, 1]


def test_the_moment_on_a_day_whose_clock_jumps():
    # by the tables of the Act: Chicago is UTC-6 before 14 March 2027 08:00Z, UTC-5 after
    assert routine(at=time(2, 30)).due_at(date(2027, 3, 14)) == datetime(
        2027, 3, 14, 8, 30, tzinfo=UTC
    )
    # 01:30 happens twice on 1 November 2026; the first is UTC-5
    assert routine(at=time(1, 30)).due_at(date(2026, 11, 1)) == datetime(
        2026, 11, 1, 6, 30, tzinfo=UTC
    )


NOON = datetime(2026, 1, 12, 18, tzinfo=UTC)  # noon in Chicago


def test_a_missed_morning_is_caught_up_and_says_by_how_much():
    found = find_due_run(routine(), NOON, set().__contains__, None)
    assert found == Due("briefing", date(2026, 1, 12), 7.5 * HOUR)
    assert find_due_run(routine(), NOON, {date(2026, 1, 12)}.__contains__, None) is None


def test_a_morning_missed_by_half_a_day_is_left_for_the_next():
    assert find_due_run(routine(), datetime(2026, 1, 12, 10, 30, tzinfo=UTC)
               + CATCH_UP_LIMIT + MINUTE, set().__contains__, None) is None  # fmt: skip


def test_a_little_late_is_not_called_late():
    at = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)
    assert find_due_run(routine(), at + LATE_AFTER, set().__contains__, None).delay == timedelta(0)
    assert (
        find_due_run(routine(), at + LATE_AFTER + MINUTE, set().__contains__, None).delay
        == LATE_AFTER + MINUTE
    )


def test_jitter_is_early_the_same_after_a_restart_and_not_the_same_for_all():
    day = date(2026, 1, 12)
    starts = {
        seed: routine(jitter=HOUR, jitter_seed=seed).run_starts_at(day)
        for seed in map(str, range(200))
    }
    at = datetime(2026, 1, 12, 10, 30, tzinfo=UTC)
    early = sorted(at - start for start in starts.values())
    assert timedelta(0) <= early[0] < 3 * MINUTE
    assert 57 * MINUTE < early[-1] <= HOUR
    assert starts["7"] == routine(jitter=HOUR, jitter_seed="7").run_starts_at(day)


TODAY = {date(2026, 1, 12)}.__contains__


@pytest.mark.parametrize(
    ("ahead", "unplanned", "wait"),
    [
        (True, False, 3 * HOUR),
        (False, True, 30 * MINUTE),
        (True, True, 30 * MINUTE),
        (False, False, None),
    ],
)
def test_a_storm_or_a_missing_forecast_brings_another_plan(ahead, unplanned, wait):
    last = LastPlan(NOON, ahead, unplanned)
    if wait is None:
        assert next_run_at(routine(), NOON, TODAY, last) == datetime(
            2026, 1, 13, 10, 30, tzinfo=UTC
        )
        return
    assert next_run_at(routine(), NOON, TODAY, last) == NOON + wait
    assert find_due_run(routine(), NOON + wait - MINUTE, TODAY, last) is None
    assert find_due_run(routine(), NOON + wait, TODAY, last) == Due("storm")


@settings(deadline=None, max_examples=200)
@given(
    st.sampled_from(ZONES),
    st.times(),
    st.datetimes(datetime(2020, 1, 1), datetime(2037, 1, 1)),  # noqa: DTZ001
    st.integers(0, 60),
)
def test_next_due_is_when_something_is_due(zone, at, naive, jitter):
    now = naive.replace(tzinfo=UTC)
    want = routine(zone, at, jitter=jitter * MINUTE, jitter_seed="x")
    briefed = {want.briefing_day(now)}.__contains__
    then = next_run_at(want, now, briefed, None)
    assert now < then <= now + 26 * HOUR
    assert find_due_run(want, then, briefed, None).kind == "briefing"
    assert find_due_run(want, then - timedelta(seconds=1), briefed, None) is None
