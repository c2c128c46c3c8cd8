"""The decisions of a batch of sites, from forecast to treatments.

Surfaces that share forecast cell, build-up, sky, exposure and plowing share a plowed column, and
cost grows with those, not with sites. Pavement and film run once for all of them, every open
question is weighed in one call, and what is chosen is run again with pavement and film coupled.
"""

from __future__ import annotations

import hashlib
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from stormplan.company.sites import BRINE_KEY, Sites
from stormplan.company.yards import Yard
from stormplan.events.detection import Outlook
from stormplan.events.hazards import HazardThresholds
from stormplan.liquids import batch
from stormplan.liquids.blend import liquid_from_product
from stormplan.liquids.hydrometer import REFERENCE_C
from stormplan.numerics import floor_hour
from stormplan.physics import ensemble
from stormplan.physics.ensemble import NO_ERROR_RECORDS, ErrorRecord
from stormplan.physics.night_error import NO_NIGHT_ERRORS, NightErrors
from stormplan.planning.block_run import BlockRun, OutlookKey, find_outlooks, simulate_block
from stormplan.planning.plowed_columns import PlowedColumn, plowed_column_of
from stormplan.planning.recorded_hours import (
    NO_RECORD,
    recorded_hours,
    usable_history,
)
from stormplan.record.surface_history import (
    NO_HISTORIES,
    NO_HISTORY,
    SurfaceHistories,
    SurfaceHistory,
)
from stormplan.treatment import decide
from stormplan.treatment.candidates import FilmModel, Mixtures
from stormplan.treatment.coupled_stages import CoupledModel
from stormplan.treatment.earlier_work import EarlierWork
from stormplan.treatment.products import Stock
from stormplan.treatment.records import Treatment
from stormplan.treatment.surface_case import PretreatInRounds, SurfaceCase
from stormplan.treatment.treated_refreeze import with_refreezes
from stormplan.weather.forecast import (
    HISTORY_H,
    CellForecast,
    Forecast,
    is_weather_known,
    stack,
)

MAX_BLOCK_SITES = 400  # sites decided in one pure call; large blocks suit numpy
MAX_BLOCK_COLUMNS = 4000  # about as many columns, members counted: half a gigabyte of memory
NO_EARLIER_WORK: Mapping[tuple[str, str], EarlierWork] = {}
#: What the rounds make of pre-treats, by site and surface.
SurfaceRounds = Mapping[tuple[str, str], tuple[PretreatInRounds, ...]]
NO_ROUNDS: SurfaceRounds = {}


@dataclass(frozen=True)
class SurfaceDecision:
    """The decision on one surface: hourly id, outlook, treatments, and the entries that counted."""

    hourly_id: str
    outlook: Outlook
    treatments: tuple[Treatment, ...]
    counted: SurfaceHistory = NO_HISTORY


def split_sites(
    sites: Sites,
    keys: Sequence[str],
    cells: Mapping[str, CellForecast],
    histories: SurfaceHistories = NO_HISTORIES,
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
    histories : mapping of (str, str) to SurfaceHistory
        What the record says: surfaces with entries have columns of their own.

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
        surfaces = sites.sites[key].surfaces
        with_entries = sum(
            bool(histories.get((key, surface), NO_HISTORY).moments) for surface in surfaces
        )
        column_count += members * (with_entries if shares_cell else len(surfaces))
        block.append(key)
    if block:
        yield block


def decide_sites(
    sites: Sites,
    keys: Sequence[str],
    cells: Mapping[str, CellForecast],
    now: datetime,
    night_errors: NightErrors = NO_NIGHT_ERRORS,
    error_records: Mapping[str, ErrorRecord] = NO_ERROR_RECORDS,
    histories: SurfaceHistories = NO_HISTORIES,
    earlier_work: Mapping[tuple[str, str], EarlierWork] = NO_EARLIER_WORK,
    rounds: SurfaceRounds = NO_ROUNDS,
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
    night_errors : mapping of (str, str) to NightError
        What readings say of a site's surface by night; one that is absent has none.
    error_records : mapping of str to ErrorRecord
        How far sources of one voice were off, where that is known.
    histories : mapping of (str, str) to SurfaceHistory
        What the record says of surfaces.
    earlier_work : mapping of (str, str) to tuple of EarlierTreatment
        What the plan announced before has crews do.
    rounds : mapping of (str, str) to tuple of PretreatInRounds
        What the rounds make of pre-treats; one that is absent is free to be pre-treated.

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
        decisions |= _decide_group(
            sites,
            group_keys,
            cells,
            start,
            now,
            night_errors,
            error_records,
            histories,
            earlier_work,
            rounds,
        )
    return decisions


def _decide_group(
    sites: Sites,
    keys: Sequence[str],
    cells: Mapping[str, CellForecast],
    start: datetime,
    now: datetime,
    night_errors: NightErrors,
    error_records: Mapping[str, ErrorRecord],
    histories: SurfaceHistories,
    earlier_work: Mapping[tuple[str, str], EarlierWork],
    rounds: SurfaceRounds,
) -> dict[tuple[str, str], SurfaceDecision]:
    """Return decisions for sites with the same first hour and member count."""
    distinct = tuple({id(cells[key]): cells[key] for key in keys}.values())
    cell_index = {id(cell): column_index for column_index, cell in enumerate(distinct)}
    end = floor_hour(now) + timedelta(hours=sites.practice().number("horizon"))
    forecast = stack(distinct, start, round((end - start) / timedelta(hours=1)))
    if forecast.n_members == 1:  # one voice: spread it by the errors that it is known to have
        issue_offset_h = [(cell.issued_at - start) / timedelta(hours=1) for cell in distinct]
        lead_h = np.arange(forecast.n_hours)[:, None] - np.array(
            issue_offset_h
        )  # an old forecast is less sure
        forecast = ensemble.make_ensemble(forecast, lead_h, error_records)
    light_precip_mm = 1000.0 * sites.practice().number("unknown_snowfall_water")
    forecast = ensemble.bracket_unknown(forecast, light_precip_mm)
    counted = {
        (key, surface_key): usable_history(
            histories.get((key, surface_key), NO_HISTORY),
            start,
            now,
            timedelta(hours=sites.practice(sites.sites[key], surface).number("record_max_age")),
        )
        for key in keys
        for surface_key, surface in sites.sites[key].surfaces.items()
    }
    columns_by_surface = {
        (key, surface_key): plowed_column_of(
            sites, sites.sites[key], surface, cell_index[id(cells[key])],
            night_errors.get((key, surface_key)),
            recorded_hours(counted[key, surface_key], start, now),
        )
        for key in keys
        for surface_key, surface in sites.sites[key].surfaces.items()
    }  # fmt: skip
    mixtures = Mixtures(sites.products)
    distinct_columns = tuple(dict.fromkeys(columns_by_surface.values()))
    plow_probability = sites.practice().number("plow_probability")
    block_run = simulate_block(forecast, distinct_columns, now, mixtures, plow_probability)
    index = {plowed_column: at for at, plowed_column in enumerate(block_run.plowed_columns)}
    stocks = {key: _yard_stock(sites, key) for key in sites.yards}
    outlook_keys = {
        (key, surface_key): OutlookKey(
            plowed_column,
            HazardThresholds.from_practice(
                sites.practice(sites.sites[key], sites.sites[key].surfaces[surface_key])
            ),
            sites.sites[key].surfaces[surface_key].snow_pile,
        )
        for (key, surface_key), plowed_column in columns_by_surface.items()
    }
    outlooks = find_outlooks(block_run, list(outlook_keys.values()))
    column_hours = block_run.column_hours()
    cases: dict[tuple[str, str], SurfaceCase] = {}
    hourly_outlooks: dict[tuple[str, str], tuple[str, Outlook]] = {}
    for (key, surface_key), plowed_column in columns_by_surface.items():
        site, surface = sites.sites[key], sites.sites[key].surfaces[surface_key]
        practice = sites.practice(site, surface)
        outlook_key = outlook_keys[key, surface_key]
        outlook = outlooks[outlook_key]
        hourly_outlooks[key, surface_key] = _hourly_id(block_run.forecast, *outlook_key), outlook
        cases[key, surface_key] = SurfaceCase(
            surface,
            practice,
            stocks[site.yard],
            now,
            sites.zone(site),
            site.open_hours,
            outlook,
            index[plowed_column],
            column_hours[index[plowed_column]],
            block_run.plow_hours[index[plowed_column]],
            plowed_column.residual_mm,
            is_bonded=plowed_column.recorded.is_bonded,
            is_treated=bool(plowed_column.recorded.doses),
            is_pretreated=block_run.is_pretreated[index[plowed_column]],
            earlier_work=earlier_work.get((key, surface_key), ()),
            last_treated_at=histories.get((key, surface_key), NO_HISTORY).last_treated_at,
            rounds=rounds.get((key, surface_key)),
        )
    treatments = _decide(block_run, cases, sites, mixtures)
    return {
        at: SurfaceDecision(*hourly_outlooks[at], treatments[at], counted[at])
        for at in columns_by_surface
    }


# -- lining things up -----------------------------------------------------------------------------


def first_known_hour(cell: CellForecast, now: datetime) -> datetime:
    """Return the first hour from which a cell's weather has no gap up to now.

    What lies on the pavement is carried from hour to hour, so a gap in the past ends all
    knowledge: hours before it are left out, and so is what is older than ``HISTORY_H``.
    """
    earliest = floor_hour(now) - timedelta(hours=HISTORY_H)
    history_hours = round((floor_hour(now) - max(cell.start, earliest)) / timedelta(hours=1))
    if history_hours <= 0:
        return floor_hour(now)
    hours = stack([cell], floor_hour(now) - timedelta(hours=history_hours), history_hours)
    gaps = np.flatnonzero(~is_weather_known(hours.values).all(axis=(1, 2)))
    return hours.hour_start(int(gaps[-1]) + 1 if gaps.size else 0)


def _yard_stock(sites: Sites, yard_key: str) -> Stock:
    """Return a yard's product volumes on hand and the price of its brine."""
    yard = sites.yards[yard_key]
    stocked = dict(yard.stock_l)
    for tank in yard.tanks.values():
        usable = max(tank.on_hand_l - tank.heel_l, 0.0)
        stocked[tank.product] = stocked.get(tank.product, 0.0) + usable
    price = _brine_price_per_l(yard, sites.practice().number("brine_target"))
    brine = liquid_from_product(sites.products[BRINE_KEY])
    nacl_kg_l = brine.mass_frac("nacl") * brine.density_kg_m3(REFERENCE_C) / 1000.0
    supply = yard.supply
    ordered = tuple(supply.products) if supply.products or supply.salt else None
    return Stock(sites.products, stocked, price, yard.salt.price_per_kg, nacl_kg_l, ordered)


def _brine_price_per_l(yard: Yard, strength_frac: float) -> float | None:
    """Return what a yard's brine costs, bought or in salt [1/L]; None where it has no price."""
    if yard.mixer is None:
        return None if yard.brine_supply is None else yard.brine_supply.price_per_l
    if yard.salt.price_per_kg is None:
        return None
    made = batch.make_batch(1000.0, strength_frac, batch.Salt(yard.salt.purity_frac))
    return yard.salt.price_per_kg * made.salt_kg / 1000.0


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
    if column.horizon_deg:
        parts[2] += f" skyline {hash(column.horizon_deg):x}"
    if column.traffic_wm2:
        parts[2] += f" traffic {column.traffic_wm2:g}"
    if plowed_column.recorded != NO_RECORD:
        digest = hashlib.sha256(repr(plowed_column.recorded).encode()).hexdigest()
        parts.append(f"record {digest[:12]}")
    if column.night_error is not None:
        digest = hashlib.sha256(repr(column.night_error).encode()).hexdigest()
        parts.append(f"readings {digest[:12]}")
    return " | ".join(parts) + (" pile" if snow_pile else "")


# -- decisions ------------------------------------------------------------------------------------


def _decide(
    block_run: BlockRun,
    cases: Mapping[tuple[str, str], SurfaceCase],
    sites: Sites,
    mixtures: Mixtures,
) -> dict[tuple[str, str], tuple[Treatment, ...]]:
    """Return all surfaces' treatments; those alike but for their area are decided once."""
    film = block_run.simulation.film
    model = FilmModel(
        block_run.forecast_from_now,
        block_run.columns,
        block_run.simulation.boundary,
        block_run.simulation.surface_c,
        mixtures,
    )
    coupled = CoupledModel(block_run.forecast, block_run.columns, block_run.restart)
    alike = {at: _likeness(at, case, sites) for at, case in cases.items()}
    distinct = {alike[at]: case for at, case in cases.items()}
    courses = decide.decide(list(distinct.values()), model, coupled, block_run.surface_state, film)
    told = with_refreezes(courses, model, coupled, block_run.surface_series)
    decided = dict(zip(distinct, told, strict=True))
    return {
        at: decide.finalize(decided[alike[at]], case.surface.area_m2, model)
        for at, case in cases.items()
    }


def _likeness(at: tuple[str, str], case: SurfaceCase, sites: Sites) -> Hashable:
    """Return what decides a course besides its hours: all of a surface but its name and area."""
    site = sites.sites[at[0]]
    surface = case.surface.model_copy(update={"name": None, "area_m2": 1.0})
    return (
        case.column, site.yard, str(case.zone), case.open_hours, id(case.outlook),
        surface.model_dump_json(), site.policy.model_dump_json(), case.earlier_work,
        case.rounds,
    )  # fmt: skip
