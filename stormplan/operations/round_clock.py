"""The clock of a yard's rounds: whole seconds, and the stretches in which a vehicle is free."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from stormplan.operations.round_problem import DEPARTURE_STEP_S

#: A stretch of seconds; without end where nothing ends it [s].
Span = tuple[int, int | None]


@dataclass(frozen=True)
class RoundClock:
    """Whole seconds after a moment that departures are rounded from.

    Attributes
    ----------
    zero : datetime
        That moment, aware UTC.
    """

    zero: datetime

    @classmethod
    def of(cls, now: datetime) -> RoundClock:
        """Return the clock of a plan made at some moment."""
        return cls(now - timedelta(seconds=now.timestamp() % DEPARTURE_STEP_S))

    def seconds(self, moment: datetime) -> float:
        """Return the time of a moment [s]."""
        return (moment - self.zero) / timedelta(seconds=1)

    def moment(self, seconds: int) -> datetime:
        """Return the moment of a time."""
        return self.zero + timedelta(seconds=seconds)


def shift_spans(
    shift: tuple[time, time] | None, free_s: int, last_s: int, clock: RoundClock, zone: tzinfo
) -> list[Span]:
    """Return when a crew is there: always, or in each of its shifts up to a last deadline.

    Parameters
    ----------
    shift : (time, time) or None
        Hours of the day, over midnight where the second is the earlier; None for always.
    free_s : int
        From when on [s].
    last_s : int
        Up to when shifts are asked for [s].
    clock : RoundClock
        Of the rounds.
    zone : tzinfo
        In which shifts are written.
    """
    if shift is None:
        return [(free_s, None)]
    begin, end = shift
    first_day = clock.moment(free_s).astimezone(zone).date() - timedelta(days=1)
    days = [first_day + timedelta(days=n) for n in range((last_s - free_s) // 86_400 + 3)]
    shifts = [
        (
            round(clock.seconds(_local(day, begin, zone))),
            round(clock.seconds(_local(day + timedelta(days=end <= begin), end, zone))),
        )
        for day in days
    ]
    return [
        (max(first_s, free_s), over_s)
        for first_s, over_s in shifts
        if over_s > free_s and first_s < last_s
    ]


def _local(day: date, at: time, zone: tzinfo) -> datetime:
    return datetime.combine(day, at, zone)


def free_spans(spans: Sequence[Span], busy: Sequence[tuple[int, int]]) -> list[Span]:
    """Return what is left of some stretches beside others.

    Parameters
    ----------
    spans : sequence of (int, int or None)
        When a crew is there [s].
    busy : sequence of (int, int)
        When its vehicle is out already [s].

    Examples
    --------
    >>> free_spans([(0, None)], [(10, 20), (15, 30)])
    [(0, 10), (30, None)]
    """
    left = list(spans)
    for first_s, over_s in busy:
        pieces: list[Span] = []
        for start_s, end_s in left:
            if over_s <= start_s or (end_s is not None and end_s <= first_s):
                pieces.append((start_s, end_s))
                continue
            if start_s < first_s:
                pieces.append((start_s, first_s))
            if end_s is None or over_s < end_s:
                pieces.append((over_s, end_s))
        left = pieces
    return left
