"""The decisions of a batch of sites, from forecast to treatments.

Surfaces that share forecast cell, build-up, sky, exposure and plowing share a *lane*, and cost
grows with lanes, not with sites. Pavement and film run once for all lanes, every open question is
weighed in one call, and what is chosen is run again with pavement and film coupled.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from stormplan.company.sites import Site, Sites, Surface
from stormplan.events import detection
from stormplan.events.detection import Outlook
from stormplan.events.ensemble_stats import median
from stormplan.events.hazards import HazardThresholds, SurfaceSeries
from stormplan.liquids import batch
from stormplan.physics import ensemble, surface_simulation
from stormplan.physics.bias_correction import NO_BIAS, NO_NIGHT_BIASES, NightBiases
from stormplan.physics.ensemble import NO_ERROR_RECORDS, ErrorRecord
from stormplan.physics.film import PlowPasses
from stormplan.physics.pavement import Column, Columns
from stormplan.physics.surface_simulation import RestartState, SimulationResult
from stormplan.treatment import candidates, decide, follow_up, pretreatment, screening
from stormplan.treatment.candidates import CandidateResult, CandidateSet
from stormplan.treatment.pretreatment import OpenCase
from stormplan.treatment.products import Stock
from stormplan.treatment.records import DecisionCase, FilmSeries, Treatment
from stormplan.weather.forecast import (
    PRECIP_TYPES,
    REQUIRED_VARIABLES,
    CellForecast,
    Forecast,
    stack,
)

SHELTERED_WIND_FACTOR = (
    0.6  # wind in a sheltered lot over the forecast's: 0.5-0.7, class assumption
)
HISTORY_H = 72  # hours before now that are used, where the forecast has them
MAX_BLOCK_SITES = 400  # sites decided in one pure call; large blocks suit numpy
MAX_BLOCK_COLUMNS = 4000  # about as many columns, members counted: half a gigabyte of memory
FILM_BEFORE_EVENT_H, FILM_AFTER_EVENT_H = 6, 6  # hours of film shown around an event


@dataclass(frozen=True)
class PlowedColumn:
    """A column with its plow trigger [cm] and residual snow as water [mm]."""

    column: Column
    plow_trigger_cm: float
    residual_mm: float


@dataclass(frozen=True)
class SurfaceDecision:
    """The decision on one surface: hourly id, outlook and treatments."""

    hourly_id: str
    outlook: Outlook
    treatments: tuple[Treatment, ...]


@dataclass(frozen=True)
class _BlockRun:
    """The simulation of a block without chemical.

    ``restart`` is where the hours before now left every column; what lies ahead goes on from there.

    A lane that is plowed is run twice: once with what the last plow leaves, which is what can
    freeze back, and once cleared to the pavement after each storm, which is how the next one finds
    it. ``cleared_index`` is each lane's place in that second run, or its own where it is not
    plowed.
    """

    forecast: Forecast
    forecast_from_now: Forecast
    restart: RestartState
    plowed_columns: tuple[PlowedColumn, ...]
    columns: Columns
    plow_hours: tuple[tuple[int, ...], ...]
    cleared_index: tuple[int, ...]
    simulation: SimulationResult

    def surface_series(self, column_index: int) -> SurfaceSeries:
        """Return the surface series of one column, from now on."""
        film, cleared = self.simulation.film, self.cleared_index[column_index]
        frost_mm = film.frost_mm[:, column_index]
        water_and_ice_mm = film.water_mm[:, cleared] + film.ice_mm[:, cleared]
        return SurfaceSeries(
            self.simulation.surface_c[:, column_index],
            frost_mm,
            film.ice_mm[:, column_index] - frost_mm,
            water_and_ice_mm + film.snow_mm[:, cleared],
        )


def split_sites(
    sites: Sites, keys: Sequence[str], cells: Mapping[str, CellForecast]
) -> Iterator[list[str]]:
    """Split the sites into blocks that fit into memory, by forecast cell.

    Parameters
    ----------
    sites : Sites
        The sites file.
    keys : sequence of str
        Which sites.
    cells : mapping of str to CellForecast
        By site key; a site that is absent is left out.

    Yields
    ------
    list of str
        Keys of one block.
    """
    keys_by_cell: dict[int, list[str]] = {}
    for key in keys:
        if key in cells:
            keys_by_cell.setdefault(id(cells[key]), []).append(key)
    block: list[str] = []
    column_count = 0
    for key in (key for group in keys_by_cell.values() for key in group):
        if len(block) >= MAX_BLOCK_SITES or column_count >= MAX_BLOCK_COLUMNS:
            yield block
            block, column_count = [], 0
        # surfaces of sites that share a cell mostly share their columns too
        shares_cell = bool(block) and cells[block[-1]] is cells[key]
        members = max(cells[key].n_members, ensemble.MEMBER_COUNT)
        column_count += 0 if shares_cell else members * len(sites.sites[key].surfaces)
        block.append(key)
    if block:
        yield block


def decide_sites(
    sites: Sites,
    keys: Sequence[str],
    cells: Mapping[str, CellForecast],
    now: datetime,
    offsets: NightBiases = NO_NIGHT_BIASES,
    error_records: Mapping[str, ErrorRecord] = NO_ERROR_RECORDS,
) -> dict[tuple[str, str], SurfaceDecision]:
    """Return the decision on every surface of some sites.

    Parameters
    ----------
    sites : Sites
        The sites file.
    keys : sequence of str
        Which sites.
    cells : mapping of str to CellForecast
        By site key; a site that is absent is passed over.
    now : datetime
        Moment of planning, aware UTC.
    offsets : mapping of (str, str) to NightBias
        What readings say of a site's surface by night; one that is absent has none.
    error_records : mapping of str to ErrorRecord
        How far sources of one voice were off, where that is known.

    Returns
    -------
    dict of (str, str) to SurfaceDecision
        By site and surface.
    """
    starts = {id(cell): first_known_hour(cell, now) for cell in cells.values()}
    groups: dict[tuple[datetime, int], list[str]] = {}  # arrays fit together inside a group
    for key in keys:
        if key in cells:
            group_key = starts[id(cells[key])], cells[key].n_members
            groups.setdefault(group_key, []).append(key)
    decisions: dict[tuple[str, str], SurfaceDecision] = {}
    for (start, _), group_keys in groups.items():
        decisions |= _decide_group(sites, group_keys, cells, start, now, offsets, error_records)
    return decisions


def _decide_group(
    sites: Sites,
    keys: Sequence[str],
    cells: Mapping[str, CellForecast],
    start: datetime,
    now: datetime,
    offsets: NightBiases,
    error_records: Mapping[str, ErrorRecord],
) -> dict[tuple[str, str], SurfaceDecision]:
    """Return decisions for sites with the same first hour and member count."""
    distinct = tuple({id(cells[key]): cells[key] for key in keys}.values())
    cell_index = {id(cell): column_index for column_index, cell in enumerate(distinct)}
    end = _floor_hour(now) + timedelta(hours=sites.practice().number("horizon"))
    forecast = stack(distinct, start, round((end - start) / timedelta(hours=1)))
    if forecast.n_members == 1:  # one voice: spread it by the errors that it is known to have
        issue_offset_h = [(cell.issued_at - start) / timedelta(hours=1) for cell in distinct]
        lead_h = np.arange(forecast.n_hours)[:, None] - np.array(
            issue_offset_h
        )  # an old forecast is less sure
        forecast = ensemble.make_ensemble(forecast, lead_h, error_records)
    columns_by_surface = {
        (key, surface_key): _plowed_column(
            sites, sites.sites[key], surface, cell_index[id(cells[key])],
            offsets.get((key, surface_key), NO_BIAS).offset_k,
        )
        for key in keys
        for surface_key, surface in sites.sites[key].surfaces.items()
    }  # fmt: skip
    block_run = _simulate_block(forecast, tuple(dict.fromkeys(columns_by_surface.values())), now)
    index = {plowed_column: at for at, plowed_column in enumerate(block_run.plowed_columns)}
    stocks = {key: _yard_stock(sites, key) for key in sites.yards}
    outlooks: dict[tuple[PlowedColumn, HazardThresholds, bool], Outlook] = {}
    screened: dict[tuple[str, str], list[Treatment | OpenCase]] = {}
    hourly_outlooks: dict[tuple[str, str], tuple[str, Outlook]] = {}
    for (key, surface_key), lane in columns_by_surface.items():
        site, surface = sites.sites[key], sites.sites[key].surfaces[surface_key]
        practice = sites.practice(site, surface)
        outlook_key = (lane, HazardThresholds.from_practice(practice), surface.snow_pile)
        if outlook_key not in outlooks:
            outlooks[outlook_key] = detection.build_outlook(
                block_run.forecast_from_now,
                lane.column.cell,
                block_run.surface_series(index[lane]),
                outlook_key[1],
                surface.snow_pile,
            )
        outlook = outlooks[outlook_key]
        hourly_outlooks[key, surface_key] = _hourly_id(block_run.forecast, *outlook_key), outlook
        screened[key, surface_key] = [
            decide.screen(
                DecisionCase(
                    surface, found, outlook, practice, stocks[site.yard], now,
                    sites.zone(site), site.open_hours, index[lane],
                    block_run.plow_hours[index[lane]],
                )
            )
            for found in outlook.events
            if found.end > now
        ] or [screening.no_action(outlook)]  # fmt: skip
    treatments = _decide_open_cases(block_run, screened, sites)
    return {at: SurfaceDecision(*hourly_outlooks[at], treatments[at]) for at in columns_by_surface}


# -- lining things up -----------------------------------------------------------------------------


def _floor_hour(moment: datetime) -> datetime:
    return moment.replace(minute=0, second=0, microsecond=0)


def first_known_hour(cell: CellForecast, now: datetime) -> datetime:
    """Return the first hour from which a cell's weather has no gap up to now.

    What lies on the pavement is carried from hour to hour, so a gap in the past ends all
    knowledge: hours before it are left out, and so is what is older than ``PAST_H``.
    """
    earliest = _floor_hour(now) - timedelta(hours=HISTORY_H)
    history_hours = round((_floor_hour(now) - max(cell.start, earliest)) / timedelta(hours=1))
    if history_hours <= 0:
        return _floor_hour(now)
    hours = stack([cell], _floor_hour(now) - timedelta(hours=history_hours), history_hours)
    known = np.isfinite([hours[name] for name in REQUIRED_VARIABLES]).all(axis=0)
    known_phases = np.isfinite([hours[name] for name in PRECIP_TYPES]).all(axis=0)
    known &= (hours["precip_mm"] == 0.0) | (known_phases & np.isfinite(hours["precip_mm"]))
    gaps = np.flatnonzero(~known.all(axis=(1, 2)))
    return hours.hour_start(int(gaps[-1]) + 1 if gaps.size else 0)


def _plowed_column(
    sites: Sites, site: Site, surface: Surface, cell: int, night_offset_k: float
) -> PlowedColumn:
    use = surface.surface_class.use
    practice = sites.practice(site, surface)
    return PlowedColumn(
        Column(
            cell=cell,
            build_up=surface.effective_build_up,
            sky_view_frac=surface.effective_sky_view_frac,
            wind_factor=SHELTERED_WIND_FACTOR if surface.sheltered else 1.0,
            traffic_wm2=surface.traffic_wm2,
            night_offset_k=night_offset_k,
        ),
        follow_up.plow_trigger_cm(practice, use == "pedestrian"),
        candidates.RESIDUAL_MM[use],
    )


def _simulate_block(
    forecast: Forecast, plowed_columns: tuple[PlowedColumn, ...], now: datetime
) -> _BlockRun:
    """Return the simulation without chemical, plowed at the trigger."""
    history_hours = round((_floor_hour(now) - forecast.start) / timedelta(hours=1))
    forecast_from_now = Forecast(
        forecast.hour_start(history_hours),
        forecast.cells,
        {name: array[history_hours:] for name, array in forecast.values.items()},
    )
    typical_snowfall_cm = _typical_snowfall_cm(forecast_from_now["snowfall_cm"]).T.tolist()
    plow_hours = tuple(
        follow_up.plow_hours(
            typical_snowfall_cm[plowed_column.column.cell], plowed_column.plow_trigger_cm
        )
        for plowed_column in plowed_columns
    )
    plowed_index = [at for at, hours in enumerate(plow_hours) if hours]
    second_run_index = {at: len(plowed_columns) + row for row, at in enumerate(plowed_index)}
    cleared_index = tuple(second_run_index.get(at, at) for at in range(len(plowed_columns)))
    columns = Columns.from_records(
        [lane.column for lane in (*plowed_columns, *(plowed_columns[at] for at in plowed_index))]
    )
    distinct_columns = Columns.from_records(tuple(dict.fromkeys(columns.records)))
    restart = surface_simulation.simulate(
        forecast, distinct_columns, end_hour=history_hours
    ).restart_state
    passes = _plow_passes(plowed_columns, plow_hours, cleared_index, typical_snowfall_cm)
    simulation = surface_simulation.simulate(
        forecast, columns, plow_passes=passes, restart_from=restart
    )
    return _BlockRun(
        forecast,
        forecast_from_now,
        restart,
        plowed_columns,
        columns,
        plow_hours,
        cleared_index,
        simulation,
    )


def _typical_snowfall_cm(snowfall_cm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return hourly snowfall whose sum is the median member's total, (hour, cell) [cm].

    Members agree on a storm more than on its hours: the median of each hour alone adds up to
    less than any of them.
    """
    if snowfall_cm.shape[2] == 1:
        return snowfall_cm[:, :, 0]
    median_total_cm = np.median(np.cumsum(np.nan_to_num(snowfall_cm), axis=0), axis=2)
    return np.diff(median_total_cm, axis=0, prepend=0.0)


def _plow_passes(
    plowed_columns: Sequence[PlowedColumn],
    plow_hours: Sequence[tuple[int, ...]],
    cleared_index: Sequence[int],
    snowfall_cm: Sequence[Sequence[float]],
) -> PlowPasses | None:
    """Return the plow passes of both runs; the second is cleared after each storm."""
    rows = []
    for at, (plowed_column, hours) in enumerate(zip(plowed_columns, plow_hours, strict=True)):
        column_snowfall_cm = snowfall_cm[plowed_column.column.cell]
        for hour in hours:
            is_last = not column_snowfall_cm[hour] > 0.0
            rows.append((hour, at, plowed_column.residual_mm))
            rows.append((hour, cleared_index[at], 0.0 if is_last else plowed_column.residual_mm))
    if not rows:
        return None
    hour_index, column_index, residual_mm = zip(*rows, strict=True)
    return PlowPasses(
        np.array(hour_index, dtype=np.intp),
        np.array(column_index, dtype=np.intp),
        np.array(residual_mm),
    )


def _yard_stock(sites: Sites, yard_key: str) -> Stock:
    """Return a yard's product volumes on hand and the price of its brine."""
    yard = sites.yards[yard_key]
    stocked = dict(yard.stock_l)
    for tank in yard.tanks.values():
        usable = max(tank.on_hand_l - tank.heel_l, 0.0)
        stocked[tank.product] = stocked.get(tank.product, 0.0) + usable
    price = yard.salt.price_per_kg
    if price is not None:
        strength = sites.practice().number("brine_target")
        made = batch.make_batch(1000.0, strength, batch.Salt(yard.salt.purity_frac))
        price = price * made.salt_kg / 1000.0
    return Stock(sites.products, stocked, price)


def _hourly_id(
    forecast: Forecast, plowed_column: PlowedColumn, thresholds: HazardThresholds, snow_pile: bool
) -> str:
    """Return the id of an hourly column, equal for equal columns of any block."""
    column = plowed_column.column
    cell = forecast.cells[column.cell]
    layers = "+".join(f"{material} {1000 * m:.0f}mm" for material, m in column.build_up.layers)
    parts = [
        f"{cell.source} {cell.cell_id}",
        f"{layers} on {column.build_up.underside}",
        f"sky {column.sky_view_frac:g} wind {column.wind_factor:g} plow "
        f"{plowed_column.plow_trigger_cm:g}cm",
        "/".join(f"{value:g}" for value in vars(thresholds).values()),
    ]
    if column.traffic_wm2:
        parts[2] += f" traffic {column.traffic_wm2:g}"
    if column.night_offset_k:
        parts[2] += f" nights {column.night_offset_k:+.2f}K"
    return " | ".join(parts) + (" pile" if snow_pile else "")


# -- the film model's word ------------------------------------------------------------------------


def _decide_open_cases(
    block_run: _BlockRun,
    screened: Mapping[tuple[str, str], list[Treatment | OpenCase]],
    sites: Sites,
) -> dict[tuple[str, str], tuple[Treatment, ...]]:
    """Return the treatments of all surfaces, open cases evaluated in one call."""
    open_cases = [q for answers in screened.values() for q in answers if isinstance(q, OpenCase)]
    results = candidates.evaluate(
        block_run.forecast_from_now,
        block_run.columns,
        block_run.simulation.boundary,
        [q.candidate_set for q in open_cases],
        sites.products,
    )
    selected = [pretreatment.select_candidate(q, results[q.candidate_set]) for q in open_cases]
    coupled_results = _confirm_coupled(block_run, open_cases, selected, results, sites)
    untreated_frozen_frac = candidates.frozen_frac(block_run.simulation.film)
    finalized = {
        id(open_case): decide.finalize(
            open_case,
            results[open_case.candidate_set],
            found.result,
            _film_series(
                open_case, found, untreated_frozen_frac[:, open_case.candidate_set.column]
            ),
        )
        for open_case, found in zip(open_cases, coupled_results, strict=True)
    }
    return {
        at: tuple(finalized[id(a)] if isinstance(a, OpenCase) else a for a in answers)
        for at, answers in screened.items()
    }


def _confirm_coupled(
    block_run: _BlockRun,
    open_cases: Sequence[OpenCase],
    selected: Sequence[CandidateResult],
    results: Mapping[CandidateSet, tuple[CandidateResult, ...]],
    sites: Sites,
) -> list[candidates.CoupledResult]:
    """Return coupled results; a film that fails is retried at higher rates.

    First one rate up, then two more, then four: each round is a run of its own.
    """
    coupled_results: dict[int, candidates.CoupledResult] = {}
    pending = dict(enumerate(selected))
    steps = 1
    while pending:
        film_end_hour = max(_film_end_hour(open_cases[at]) for at in pending)
        pairs = [(open_cases[at].candidate_set, result) for at, result in pending.items()]
        confirmed = candidates.run_coupled(
            block_run.forecast,
            block_run.columns,
            block_run.restart,
            film_end_hour,
            pairs,
            sites.products,
        )
        coupled_results |= zip(pending, confirmed, strict=True)
        retries = {
            at: pretreatment.next_higher_rate(outcome, results[open_cases[at].candidate_set], steps)
            for at, outcome in pending.items()
            if outcome.failure_hour is None and coupled_results[at].result.failure_hour is not None
        }
        pending = {at: outcome for at, outcome in retries.items() if outcome is not None}
        steps *= 2
    return [coupled_results[at] for at in range(len(open_cases))]


def _film_end_hour(open_case: OpenCase) -> int:
    return open_case.case.hour_index(open_case.case.event.end) + FILM_AFTER_EVENT_H


def _film_series(
    open_case: OpenCase,
    coupled_result: candidates.CoupledResult,
    untreated_frozen_frac: NDArray[np.float64],
) -> FilmSeries:
    """Return the film series around the event."""
    candidate_set: CandidateSet = open_case.candidate_set
    result: CandidateResult = coupled_result.result
    first = max(min(result.candidate.start_hour, candidate_set.onset_hour - FILM_BEFORE_EVENT_H), 0)
    last = _film_end_hour(open_case)

    return decide.film_series(
        open_case.case.hour_start(first),
        *(
            median(a[first:last])
            for a in (
                coupled_result.freeze_point_c,
                coupled_result.frozen_frac,
                untreated_frozen_frac,
            )
        ),
    )
