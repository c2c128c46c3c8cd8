"""Columns with the plowing they get, and how what happened before now leaves them.

What is known of the hours before now is the record where there is one; before the first entry, and
without any, a surface was plowed and cleared as practice does it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from stormplan.physics import surface_simulation
from stormplan.physics.film import SLEET_KG_M3, Applications, PlowPasses
from stormplan.physics.pavement import Column, Columns
from stormplan.physics.surface_simulation import RestartState
from stormplan.record.entries import Application
from stormplan.record.surface_history import NO_HISTORY, ObservedCondition, SurfaceHistory
from stormplan.treatment import plowing
from stormplan.treatment.candidates import Dose, Mixtures
from stormplan.weather.forecast import Forecast

MIN_SNOW_CM = 0.25  # a member with less over the horizon does not count as one that snows
MIN_SNOWING_MEMBERS = 0.25  # part of the members that must snow before passes are planned for them
NO_HISTORIES: Mapping[tuple[str, str], SurfaceHistory] = {}
HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class PlowedColumn:
    """A column, how practice plows it, and what the record says of it.

    Attributes
    ----------
    column : Column
        The column.
    plow_trigger_cm : float
        Depth of new snow that brings the plow [cm].
    residual_mm : float
        Snow left behind by a pass, as water [mm].
    final_pass_cm : float
        Depth that is still worth a last pass when it has stopped [cm].
    history : SurfaceHistory
        Entries of the record.
    history_max_age : timedelta
        Age up to which an entry counts where the weather since is not known.
    """

    column: Column
    plow_trigger_cm: float
    residual_mm: float
    final_pass_cm: float
    history: SurfaceHistory = NO_HISTORY
    history_max_age: timedelta = timedelta(0)


@dataclass(frozen=True)
class RecordedHours:
    """The entries of one column by hour of a forecast.

    Attributes
    ----------
    observed : tuple of (int, ObservedCondition)
        What was seen at the start of an hour.
    passes : tuple of int
        Hours at whose start it was plowed.
    doses : tuple of Dose
        What went down.
    seen_icy : bool
        Whether ice or frost was there when it was last seen, not long ago, and nothing went down
        since.
    """

    observed: tuple[tuple[int, ObservedCondition], ...]
    passes: tuple[int, ...]
    doses: tuple[Dose, ...]
    seen_icy: bool

    def is_pretreated(self, snow_cm: Sequence[float], n_past: int) -> bool:
        """Return whether liquid went down and no snow fell on it, and no plow took it, since."""
        sprayed = [dose.hour for dose in self.doses if dose.rate_l_m2 > 0.0]
        if not sprayed or any(hour > sprayed[-1] for hour in self.passes):
            return False
        return not any(fallen > 0.0 for fallen in snow_cm[sprayed[-1] : n_past])

    @property
    def is_bonded(self) -> bool:
        """Whether ice or packed snow stuck to it when it was last seen."""
        return bool(self.observed) and self.observed[-1][1].is_bonded

    @property
    def first_clearing(self) -> int | None:
        """First hour from which on the record says what lies there; None where it does not."""
        hours = [*(hour for hour, _ in self.observed), *self.passes]
        return min(hours) if hours else None


def recorded_hours(column: PlowedColumn, start: datetime, n_past: int) -> RecordedHours:
    """Return the entries of a column by hour of a forecast.

    Parameters
    ----------
    column : PlowedColumn
        With its record.
    start : datetime
        First hour of the forecast, aware UTC.
    n_past : int
        How many of its hours lie before now.

    Returns
    -------
    RecordedHours
        An entry from before the first hour counts from there if it is recent enough, else not.
    """
    history, oldest = column.history, start + n_past * HOUR - column.history_max_age

    def hour(moment: datetime) -> int | None:
        if moment < start and moment < oldest:
            return None
        return min(max((moment - start) // HOUR, 0), n_past)

    observed = ((hour(seen.at), seen) for seen in history.observed)
    passes = (hour(moment) for moment in history.passes)
    doses = ((hour(entry.at), entry) for entry in history.applications)
    last = history.observed[-1] if history.observed else None
    return RecordedHours(
        tuple((at, seen) for at, seen in observed if at is not None),
        tuple(at for at in passes if at is not None),
        tuple(_dose(at, entry) for at, entry in doses if at is not None),
        seen_icy=last is not None
        and last.ice_mm > 0.0
        and last.at >= oldest
        and all(entry.at < last.at for entry in history.applications),
    )


def _dose(hour: int, entry: Application) -> Dose:
    return Dose(hour, entry.additive, entry.additive_frac, entry.rate_l_m2, entry.salt_kg_m2)


def pass_hours(
    column: PlowedColumn, recorded: RecordedHours, snow_cm: Sequence[float], n_past: int
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the hours of passes before now, and from now on, each counted from its own start.

    Parameters
    ----------
    column : PlowedColumn
        The column.
    recorded : RecordedHours
        Its entries.
    snow_cm : sequence of float (hour,)
        New snow and sleet [cm].
    n_past : int
        How many of these hours lie before now.
    """
    trigger_cm, final_cm = column.plow_trigger_cm, column.final_pass_cm
    since = recorded.first_clearing
    if since is None:
        hours = plowing.plow_hours(snow_cm, trigger_cm, final_cm)
        past = tuple(hour for hour in hours if hour < n_past)
        return past, tuple(hour - n_past for hour in hours if hour >= n_past)
    before = plowing.plow_hours(snow_cm[:since], trigger_cm, final_cm)
    past = (*before, *(hour for hour in recorded.passes if hour < n_past))
    lying_cm = _lying_cm(recorded, snow_cm, n_past)
    return past, plowing.plow_hours(snow_cm[n_past:], trigger_cm, final_cm, lying_cm)


def _lying_cm(recorded: RecordedHours, snow_cm: Sequence[float], n_past: int) -> float:
    """Return how deep snow lies now: what was seen last, or left by a pass, and what fell since."""
    seen = [(hour, 0, item.snow_depth_cm) for hour, item in recorded.observed]
    hour, _, depth_cm = max([*seen, *((hour, 1, 0.0) for hour in recorded.passes)])
    return depth_cm + sum(fallen for fallen in snow_cm[hour:n_past] if fallen > 0.0)


def simulate_history(
    forecast: Forecast,
    plowed_columns: Sequence[PlowedColumn],
    recorded: Sequence[RecordedHours],
    past_passes: Sequence[tuple[int, ...]],
    snow_cm: Sequence[Sequence[float]],
    n_past: int,
    mixtures: Mixtures,
) -> RestartState:
    """Return how the hours before now leave the columns.

    Parameters
    ----------
    forecast : Forecast
        From the first hour that is known.
    plowed_columns : sequence of PlowedColumn
        The columns.
    recorded : sequence of RecordedHours
        Their entries.
    past_passes : sequence of tuple of int
        Hours of their passes before now.
    snow_cm : sequence of sequence of float
        New snow and sleet of each cell, (cell, hour) [cm].
    n_past : int
        Hours before now.
    mixtures : Mixtures
        For what is in the blends that went down.
    """
    columns = Columns.from_records(
        [replace(item.column, variant=at) for at, item in enumerate(plowed_columns)]
    )
    passes = [
        (hour, at, 0.0 if not snow_cm[item.column.cell][hour] > 0.0 else item.residual_mm)
        for at, (item, hours) in enumerate(zip(plowed_columns, past_passes, strict=True))
        for hour in hours
    ]
    doses = [(dose, at) for at, hours in enumerate(recorded) for dose in hours.doses]
    seen = [(hour, at, item) for at, hours in enumerate(recorded) for hour, item in hours.observed]
    restart: RestartState | None = None
    first = 0
    for end in sorted({*(hour for hour, _, _ in seen), n_past}):
        if restart is None or end > first:
            restart = surface_simulation.simulate(
                forecast,
                columns,
                applications=_applications(doses, first, end, mixtures),
                plow_passes=as_passes(
                    [(hour - first, at, mm) for hour, at, mm in passes if first <= hour < end]
                ),
                restart_from=restart,
                end_hour=end,
            ).restart_state
        for hour, at, item in seen:
            if hour == end:
                _observe(restart, at, item, forecast.n_members)
        first = end
    assert restart is not None  # n_past is always among the hours
    return restart


def _applications(
    doses: Sequence[tuple[Dose, int]], first: int, end: int, mixtures: Mixtures
) -> Applications | None:
    """Return what went down from an hour to before another, hours counted from the first."""
    rows = [(dose, at) for dose, at in doses if first <= dose.hour < end]
    if not rows:
        return None
    amounts = [mixtures.salts_and_water(dose) for dose, _ in rows]
    return Applications(
        np.array([dose.hour - first for dose, _ in rows], dtype=np.intp),
        np.array([at for _, at in rows], dtype=np.intp),
        np.array([salts for salts, _, _ in amounts]).T,
        np.array([water for _, water, _ in amounts]),
    )


def _observe(restart: RestartState, at: int, seen: ObservedCondition, n_members: int) -> None:
    """Let what somebody saw overrule the model for what lies on a column."""
    flat = np.arange(at * n_members, (at + 1) * n_members)
    restart.surface.film.observe(
        flat, seen.water_mm, seen.ice_mm, seen.snow_mm, seen.snow_depth_cm / 100.0
    )


def typical_snow_cm(forecast: Forecast) -> NDArray[np.float64]:
    """Return hourly snow and sleet whose sum is the median member's total, (hour, cell) [cm].

    Members agree on a storm more than on its hours: the median of each hour alone adds up to
    less than any of them. Only members that snow at all are asked, if they are a part that counts:
    passes are for the forecasts that bring the snow.
    """
    sleet_cm = 100.0 * np.nan_to_num(forecast["sleet_mm"]) / SLEET_KG_M3
    fallen = np.cumsum(np.nan_to_num(forecast["snowfall_cm"]) + sleet_cm, axis=0)
    if fallen.shape[2] == 1:
        total = fallen[:, :, 0]
    else:
        snows = fallen[-1] > MIN_SNOW_CM
        counts = snows.mean(axis=1) >= MIN_SNOWING_MEMBERS
        asked = np.where(snows | ~counts[:, None], fallen, np.nan)
        total = np.nanmedian(asked, axis=2)
    return np.diff(total, axis=0, prepend=0.0)


def as_passes(rows: Sequence[tuple[int, int, float]]) -> PlowPasses | None:
    """Return passes given as hour, column and snow left behind as water [mm]."""
    if not rows:
        return None
    hours, places, residual_mm = zip(*rows, strict=True)
    return PlowPasses(
        np.array(hours, dtype=np.intp),
        np.array(places, dtype=np.intp),
        np.array(residual_mm, dtype=float),
    )
