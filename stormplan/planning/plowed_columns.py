"""Columns with the plowing they get, and how what happened before now leaves them.

What is known of the hours before now is the record where there is one; before the first entry, and
without any, a surface was plowed and cleared as practice does it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stormplan.arrays import Array
from stormplan.company.sites import Site, Sites, Surface
from stormplan.physics import surface_simulation
from stormplan.physics.film import Applications, PlowPasses
from stormplan.physics.film_processes import SLEET_KG_M3
from stormplan.physics.night_error import NightError
from stormplan.physics.pavement import Column, Columns
from stormplan.physics.surface_simulation import RestartState
from stormplan.planning.recorded_hours import NO_RECORD, RecordedHours
from stormplan.record.surface_history import ObservedCondition
from stormplan.treatment import plowing
from stormplan.treatment.candidates import Dose, Mixtures
from stormplan.weather.forecast import Forecast

SHELTERED_WIND_FACTOR = (
    0.6  # wind in a sheltered lot over the forecast's: 0.5-0.7, class assumption
)
MIN_SNOW_CM = 0.25  # a member with less over the horizon does not count as one that snows


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
    recorded : RecordedHours
        What counts of its record.
    """

    column: Column
    plow_trigger_cm: float
    residual_mm: float
    final_pass_cm: float
    recorded: RecordedHours = NO_RECORD


def pass_hours(
    column: PlowedColumn, snow_cm: Sequence[float], n_past: int
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the hours of passes before now, and from now on, each counted from its own start.

    Parameters
    ----------
    column : PlowedColumn
        The column.
    snow_cm : sequence of float (hour,)
        New snow and sleet [cm].
    n_past : int
        How many of these hours lie before now; a pass in the hour that has begun is one of them.
    """
    recorded, trigger_cm, final_cm = column.recorded, column.plow_trigger_cm, column.final_pass_cm
    if recorded.lying is None or recorded.first_clearing is None:
        hours = plowing.plow_hours(snow_cm, trigger_cm, final_cm)
        past = tuple(hour for hour in hours if hour < n_past)
        return past, tuple(hour - n_past for hour in hours if hour >= n_past)
    before = plowing.plow_hours(snow_cm[: recorded.first_clearing], trigger_cm, final_cm)
    since, depth_cm = recorded.lying
    lying_cm = depth_cm + sum(fallen for fallen in snow_cm[since:n_past] if fallen > 0.0)
    ahead = plowing.plow_hours(snow_cm[n_past:], trigger_cm, final_cm, lying_cm)
    return (*before, *recorded.passes), ahead


def is_pretreated(column: PlowedColumn, snow_cm: Sequence[float], n_past: int) -> bool:
    """Return whether liquid went down and no snow fell on it, and no plow took it, since."""
    since = column.recorded.pretreated_from
    return since is not None and not any(fallen > 0.0 for fallen in snow_cm[since:n_past])


def simulate_history(
    forecast: Forecast,
    plowed_columns: Sequence[PlowedColumn],
    past_passes: Sequence[tuple[int, ...]],
    snow_cm: Sequence[Sequence[float]],
    n_past: int,
    mixtures: Mixtures,
) -> RestartState:
    """Return how the hours before now, and what was done in the hour that has begun, leave columns.

    Parameters
    ----------
    forecast : Forecast
        From the first hour that is known.
    plowed_columns : sequence of PlowedColumn
        The columns.
    past_passes : sequence of tuple of int
        Hours of their passes, the hour that has begun among them.
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
    doses = [(dose, at) for at, item in enumerate(plowed_columns) for dose in item.recorded.doses]
    seen = [
        (hour, at, look)
        for at, item in enumerate(plowed_columns)
        for hour, look in item.recorded.observed
    ]
    restart: RestartState | None = None
    first = 0
    for end in sorted({*(hour for hour, _, _ in seen), n_past}):
        if restart is None or end > first:
            restart = surface_simulation.simulate(
                forecast,
                columns,
                applications=_applications(doses, first, end, mixtures),
                plow_passes=_passes_between(passes, first, end),
                restart_from=restart,
                end_hour=end,
                variables=(),
            ).restart_state
        for hour, at, look in seen:
            if hour == end:
                _observe(restart, at, look, forecast.n_members)
        first = end
    assert restart is not None  # n_past is always among the hours
    restart.apply(
        _applications(doses, n_past, n_past + 1, mixtures),
        _passes_between(passes, n_past, n_past + 1),
        forecast.n_members,
    )
    return restart


def _passes_between(
    passes: Sequence[tuple[int, int, float]], first: int, end: int
) -> PlowPasses | None:
    """Return the passes of some hours, counted from the first."""
    return PlowPasses.from_rows(
        [(hour - first, at, mm) for hour, at, mm in passes if first <= hour < end]
    )


def _applications(
    doses: Sequence[tuple[Dose, int]], first: int, end: int, mixtures: Mixtures
) -> Applications | None:
    """Return what went down from an hour to before another, hours counted from the first."""
    return mixtures.applications(
        [(dose.hour - first, at, dose) for dose, at in doses if first <= dose.hour < end]
    )


def _observe(restart: RestartState, at: int, seen: ObservedCondition, n_members: int) -> None:
    """Let what somebody saw overrule the model for what lies on a column."""
    flat = np.arange(at * n_members, (at + 1) * n_members)
    restart.surface.film.observe(
        flat,
        seen.water_mm,
        seen.ice_mm,
        seen.snow_mm,
        seen.snow_depth_cm / 100.0,
        at_least=seen.at_least,
    )


def typical_snow_cm(forecast: Forecast, min_snowing_frac: float) -> Array:
    """Return hourly snow and sleet whose sum is the median member's total, (hour, cell) [cm].

    Members agree on a storm more than on its hours: the median of each hour alone adds up to
    less than any of them. Only members that snow at all are asked, if they are at least
    ``min_snowing_frac`` of all [-]: passes are for the forecasts that bring the snow.
    """
    sleet_cm = 100.0 * np.nan_to_num(forecast["sleet_mm"]) / SLEET_KG_M3
    fallen = np.cumsum(np.nan_to_num(forecast["snowfall_cm"]) + sleet_cm, axis=0)
    if fallen.shape[2] == 1:
        total = fallen[:, :, 0]
    else:
        snows = fallen[-1] > MIN_SNOW_CM
        counts = snows.mean(axis=1) >= min_snowing_frac
        asked = np.where(snows | ~counts[:, None], fallen, np.nan)
        total = np.nanmedian(asked, axis=2)
    return np.diff(total, axis=0, prepend=0.0)


def surface_column(
    surface: Surface, cell: int = 0, night_error: NightError | None = None
) -> Column:
    """Return the column of a surface of the sites file over a cell of a forecast."""
    return Column(
        cell=cell,
        build_up=surface.effective_build_up,
        sky_view_frac=surface.effective_sky_view_frac,
        wind_factor=SHELTERED_WIND_FACTOR if surface.sheltered else 1.0,
        traffic_wm2=surface.traffic_wm2,
        horizon_deg=surface.skyline_deg,
        night_error=night_error,
    )


def plowed_column_of(
    sites: Sites,
    site: Site,
    surface: Surface,
    cell: int,
    night_error: NightError | None,
    recorded: RecordedHours,
) -> PlowedColumn:
    """Return the column of a surface with the plowing that its rules ask for, and its record."""
    use = surface.surface_class.use
    practice = sites.practice(site, surface)
    return PlowedColumn(
        surface_column(surface, cell, night_error),
        plowing.plow_trigger_cm(practice, use == "pedestrian"),
        1000.0 * practice.number(f"plow_residual_{use}"),
        100.0 * practice.number("final_pass_snow"),
        recorded,
    )
