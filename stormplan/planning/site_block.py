"""A block of sites with all that its decisions need, to be decided anywhere.

A block holds nothing of other sites, so that each datum is moved once and to one place; its
decisions are a pure function of it. ``make_plan`` hands its blocks to a ``Mapper``: ``map``, or
one that has them done on other processes or machines.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, ClassVar, Protocol, TypeVar

from stormplan.company.delivery_settings import DeliverySettings
from stormplan.company.sites import Sites
from stormplan.physics.ensemble import ErrorRecord
from stormplan.physics.night_error import NightErrors
from stormplan.planning import site_batch
from stormplan.planning.site_batch import NO_ROUNDS, SurfaceDecision, SurfaceRounds
from stormplan.record.surface_history import SurfaceHistories
from stormplan.treatment.earlier_work import EarlierWork
from stormplan.weather.forecast import CellForecast

BlockDecisions = dict[tuple[str, str], SurfaceDecision]


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
        The sites file with these sites only; in a part, without clients and receivers.
    cells : mapping of str to CellForecast
        By site key.
    now : datetime
        Moment of planning, aware UTC.
    night_errors, error_records, histories, earlier_work, rounds : mapping
        As for ``site_batch.decide_sites``; what concerns surfaces, of these sites only.
    """

    stage: ClassVar[str] = "planning sites"

    sites: Sites
    cells: Mapping[str, CellForecast]
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

        return SiteBlock(
            self.sites.with_drive_minutes({}).model_copy(
                update={"sites": sites, "clients": {}, "delivery": DeliverySettings()}
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
    for block in site_batch.split_sites(whole.sites, keys, whole.cells, whole.histories):
        yield whole.of(block)


def decide_block(block: SiteBlock) -> BlockDecisions:
    """Return the decision on every surface of a block, by site and surface."""
    return site_batch.decide_sites(
        block.sites,
        list(block.sites.sites),
        block.cells,
        block.now,
        block.night_errors,
        block.error_records,
        block.histories,
        block.earlier_work,
        block.rounds,
    )
