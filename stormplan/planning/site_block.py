"""A block of sites with all that their decisions need, to be planned anywhere.

A block holds nothing of other sites, so that each datum is moved once and to one place; what is
planned of it is a pure function of it. ``make_plan`` hands its blocks to a ``Mapper``: ``map``, or
one that has them done on other processes or machines. What comes back are the records of the plan
and no more: the hours of members and surfaces, which weigh most, stay where they were worked out.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, ClassVar, Protocol, TypeVar

from stormplan.company.delivery_settings import DeliverySettings
from stormplan.company.sites import Sites
from stormplan.company.validators import share_field_sets
from stormplan.physics.ensemble import ErrorRecord
from stormplan.physics.night_error import NightErrors
from stormplan.planning import forecast_diagnostics, site_batch, source_choice
from stormplan.planning.forecast_diagnostics import UnknownHours
from stormplan.planning.plan import HourlySeries, SitePlan
from stormplan.planning.plan_records import hourly_series, site_plan
from stormplan.planning.shared_hours import SharedHours
from stormplan.planning.site_batch import NO_ROUNDS, SurfaceRounds
from stormplan.planning.source_choice import SurfaceDecisions
from stormplan.record.surface_history import SurfaceHistories
from stormplan.treatment.earlier_work import EarlierWork
from stormplan.weather.forecast import CellForecast

#: The forecasts of each site, in order of preference.
SiteCells = Mapping[str, tuple[CellForecast, ...]]


class Task(Protocol):
    """One piece of work of a plan; ``stage`` says what is done in it, to whoever waits."""

    stage: ClassVar[str]

    def __len__(self) -> int:
        """Return how much of the stage it is [-]."""
        ...

    def parts(self) -> Sequence[Any]:
        """Return smaller tasks that are the same work; none where it cannot be cut."""
        ...


Known = TypeVar("Known")
#: Does what ``map`` does, in the order of the tasks.
Mapper = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]


@dataclass(frozen=True)
class SiteBlock:
    """Some sites, and all that their decisions need.

    Attributes
    ----------
    sites : Sites
        The sites file with these sites only; in a part, with their yards, and without clients and
        receivers.
    cells : mapping of str to tuple of CellForecast
        By site key, in order of preference.
    now : datetime
        Moment of planning, aware UTC.
    night_errors, error_records, histories, earlier_work, rounds : mapping
        As for ``site_batch.decide_sites``; what concerns surfaces, of these sites only.
    """

    stage: ClassVar[str] = "planning sites"

    sites: Sites
    cells: SiteCells
    now: datetime
    night_errors: NightErrors
    error_records: Mapping[str, ErrorRecord]
    histories: SurfaceHistories
    earlier_work: Mapping[tuple[str, str], EarlierWork]
    rounds: SurfaceRounds = field(default_factory=lambda: NO_ROUNDS)

    def __len__(self) -> int:
        return len(self.sites.sites)

    def of(self, keys: Iterable[str]) -> SiteBlock:
        """Return a block of some of these sites, in the order asked for."""
        sites = {key: self.sites.sites[key] for key in keys}
        surfaces = [(key, surface) for key, site in sites.items() for surface in site.surfaces]

        def known(found: Mapping[tuple[str, str], Known]) -> dict[tuple[str, str], Known]:
            return {at: found[at] for at in surfaces if at in found}

        yards = {site.yard: self.sites.yards[site.yard] for site in sites.values()}
        return SiteBlock(
            self.sites.with_drive_minutes({}).model_copy(
                update={
                    "sites": sites,
                    "yards": yards,
                    "clients": {},
                    "delivery": DeliverySettings(),
                }
            ),
            {key: self.cells[key] for key in sites},
            self.now,
            known(self.night_errors),
            dict(self.error_records),
            known(self.histories),
            known(self.earlier_work),
            known(self.rounds),
        )

    def parts(self) -> tuple[SiteBlock, ...]:
        """Return its two halves; none where it is one site."""
        keys = list(self.sites.sites)
        half = len(keys) // 2
        return () if half == 0 else (self.of(keys[:half]), self.of(keys[half:]))


def split(whole: SiteBlock, keys: Sequence[str]) -> Iterator[SiteBlock]:
    """Yield the blocks of some sites.

    Parameters
    ----------
    whole : SiteBlock
        All sites, and what is known of them.
    keys : sequence of str
        Which sites, in what order; those without forecast are left out.
    """
    for block in site_batch.split_sites(whole.sites, keys, _of_rank(whole, 0), whole.histories):
        yield whole.of(block)


@contextmanager
def without_cycle_search() -> Iterator[None]:
    """Leave Python's search for reference cycles off; it is as it was afterwards.

    The records of a plan hold no cycles, and walking a million of them again and again costs more
    than making them.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@dataclass(frozen=True)
class PlannedSite:
    """The records of one site.

    Attributes
    ----------
    plan : SitePlan
        The site, before there are rounds; its client by the key: names stay with who plans.
    rank : int
        Place of the forecast that is followed among the site's [-].
    unknown_hours : mapping of str to frozenset of datetime
        See ``forecast_diagnostics.unknown_hours``.
    hourly : mapping of str to HourlySeries
        The hours of its surfaces, by their ids; surfaces of a block with the same share them.
        None where the block has rounds: what is decided anew has the hours that it had.
    """

    plan: SitePlan
    rank: int
    unknown_hours: UnknownHours
    hourly: Mapping[str, HourlySeries]


@without_cycle_search()
def plan_block(block: SiteBlock) -> dict[str, PlannedSite]:
    """Return the records of every site of a block, by site key."""
    keys = list(block.sites.sites)
    ranks = range(max(map(len, block.cells.values()), default=0))
    by_rank = [_decisions(block, keys, _of_rank(block, rank)) for rank in ranks]
    hourly: dict[str, HourlySeries] = {}
    shared = SharedHours()
    found: dict[str, PlannedSite] = {}
    for key in keys:
        cells = block.cells[key]
        chosen = source_choice.select_source(key, block.sites, cells, by_rank)
        for decision in chosen.decisions.values():
            if decision.hourly_id not in hourly and not block.rounds:
                hourly[decision.hourly_id] = shared.hourly(hourly_series(decision.outlook))
        site = block.sites.sites[key]
        found[key] = PlannedSite(
            site_plan(key, block.sites, chosen, block.night_errors, block.histories),
            next(rank for rank, cell in enumerate(cells) if cell is chosen.cell),
            forecast_diagnostics.unknown_hours(
                (decision.outlook, block.sites.practice(site, site.surfaces[surface]))
                for (_, surface), decision in chosen.decisions.items()
            ),
            {
                one.hourly_id: hourly[one.hourly_id]
                for one in chosen.decisions.values()
                if one.hourly_id in hourly
            },
        )
        share_field_sets(found[key].plan)
    return found


def _of_rank(block: SiteBlock, rank: int) -> dict[str, CellForecast]:
    return {key: cells[rank] for key, cells in block.cells.items() if rank < len(cells)}


def _decisions(
    block: SiteBlock, keys: Sequence[str], cells: Mapping[str, CellForecast]
) -> SurfaceDecisions:
    """Return what is decided by one forecast of each site, as much at once as fits in memory."""
    return {
        at: decision
        for part in site_batch.split_sites(block.sites, keys, cells, block.histories)
        for at, decision in site_batch.decide_sites(
            block.sites,
            part,
            cells,
            block.now,
            block.night_errors,
            block.error_records,
            block.histories,
            block.earlier_work,
            block.rounds,
        ).items()
    }
