"""The record of one surface by hour of a forecast: what counts, in order of time.

Whatever was plowed or put down before somebody looked, in the same hour, is in what was seen. An
entry from before the first known hour counts from there if it is recent enough, else not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from stormplan.numerics import HOUR
from stormplan.record.entries import Application
from stormplan.record.surface_history import ObservedCondition, SurfaceHistory
from stormplan.treatment.candidates import Dose


@dataclass(frozen=True)
class RecordedHours:
    """What counts of a surface's record, by hour of a forecast; equal for equal hours.

    Attributes
    ----------
    observed : tuple of (int, ObservedCondition)
        What was seen at the start of an hour, last thing in it.
    passes : tuple of int
        Hours at whose start it was plowed.
    doses : tuple of Dose
        Chloride that went down at the start of an hour.
    lying : (int, float) or None
        Hour of the last look or pass, and the depth of snow after it [cm]; None without any.
    is_bonded : bool
        Ice or packed snow stuck to it when it was last seen, and no pass came since.
    seen_icy, seen_snowy : bool
        Ice or snow was there when it was last seen, and no pass came since.
    seen_just_now : bool
        It was seen within the hour before now, and no chloride went down since.
    pretreated_from : int or None
        Hour of the last liquid, if no pass came since.
    """

    observed: tuple[tuple[int, ObservedCondition], ...] = ()
    passes: tuple[int, ...] = ()
    doses: tuple[Dose, ...] = ()
    lying: tuple[int, float] | None = None
    is_bonded: bool = False
    seen_icy: bool = False
    seen_snowy: bool = False
    seen_just_now: bool = False
    pretreated_from: int | None = None

    @property
    def first_clearing(self) -> int | None:
        """First hour from which on the record says what lies there; None where it does not."""
        hours = [*(hour for hour, _ in self.observed), *self.passes]
        return min(hours) if hours else None


NO_RECORD = RecordedHours()


def usable_history(
    history: SurfaceHistory, start: datetime, now: datetime, max_age: timedelta
) -> SurfaceHistory:
    """Return the entries that count.

    Parameters
    ----------
    history : SurfaceHistory
        The record of a surface.
    start : datetime
        First hour that is known, aware UTC.
    now : datetime
        Time of planning, aware UTC.
    max_age : timedelta
        Age up to which an entry counts where the weather since is not known.
    """
    oldest = min(start, now - max_age)
    return SurfaceHistory(
        tuple(seen for seen in history.observed if seen.at >= oldest),
        tuple(moment for moment in history.passes if moment >= oldest),
        tuple(entry for entry in history.applications if entry.at >= oldest),
    )


def recorded_hours(history: SurfaceHistory, start: datetime, now: datetime) -> RecordedHours:
    """Return entries that count by hour of a forecast.

    Parameters
    ----------
    history : SurfaceHistory
        As ``usable_history`` gives it.
    start : datetime
        First hour of the forecast, aware UTC.
    now : datetime
        Time of planning, aware UTC.
    """
    if history == SurfaceHistory():
        return NO_RECORD
    last_hour = (now - start) // HOUR

    def hour(moment: datetime) -> int:
        return min(max((moment - start) // HOUR, 0), last_hour)

    last_look_in = {hour(seen.at): seen for seen in history.observed}  # of an hour the last

    def is_after_looks(moment: datetime) -> bool:
        seen = last_look_in.get(hour(moment))
        return seen is None or moment > seen.at

    passes = [moment for moment in history.passes if is_after_looks(moment)]
    chlorides = [entry for entry in history.applications if entry.rate_l_m2 or entry.salt_kg_m2]
    doses = [entry for entry in chlorides if is_after_looks(entry.at)]
    seen = history.observed[-1] if history.observed else None
    last_pass = history.passes[-1] if history.passes else None
    stands = seen is not None and (last_pass is None or last_pass <= seen.at)
    liquids = [entry.at for entry in history.applications if entry.rate_l_m2 > 0.0]
    return RecordedHours(
        observed=tuple(
            (at, replace(look, at=start + at * HOUR)) for at, look in sorted(last_look_in.items())
        ),
        passes=tuple(hour(moment) for moment in passes),
        doses=tuple(_dose(hour(entry.at), entry) for entry in doses),
        lying=_lying(seen if stands else None, last_pass, hour),
        is_bonded=seen is not None and stands and seen.is_bonded,
        seen_icy=seen is not None and stands and (seen.ice_mm > 0.0 or seen.is_bonded),
        seen_snowy=seen is not None and stands and seen.snow_mm > 0.0,
        seen_just_now=seen is not None
        and now - seen.at <= HOUR
        and not any(entry.at >= seen.at for entry in chlorides),
        pretreated_from=hour(liquids[-1])
        if liquids and (last_pass is None or last_pass < liquids[-1])
        else None,
    )


def _lying(
    seen: ObservedCondition | None, last_pass: datetime | None, hour: Callable[[datetime], int]
) -> tuple[int, float] | None:
    if seen is not None:
        return hour(seen.at), seen.snow_depth_cm
    return None if last_pass is None else (hour(last_pass), 0.0)


def _dose(hour: int, entry: Application) -> Dose:
    return Dose(hour, entry.additive, entry.additive_frac, entry.rate_l_m2, entry.salt_kg_m2)
