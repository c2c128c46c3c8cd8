"""The mornings of a season planned again from the archive, on as many workers as there are.

Each morning is a task of its own and opens the archive for itself; what it comes to is the same as
alone, and only its totals come back.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import ClassVar

from stormplan.company.delivery_settings import DeliverySettings
from stormplan.company.sites import Sites
from stormplan.errors import InputError
from stormplan.planning.morning_work import MorningWork, morning_work
from stormplan.planning.site_block import Mapper
from stormplan.service import pipeline
from stormplan.store.archive import Archive


@dataclass(frozen=True)
class Morning:
    """One morning to be planned again.

    Attributes
    ----------
    sites : Sites
        The sites file; its passwords are not needed.
    archive : Path
        What was known then.
    day : date
        Its local day.
    sites_folder : Path
        Where the sites file is.
    """

    stage: ClassVar[str] = "planning mornings"

    sites: Sites
    archive: Path
    day: date
    sites_folder: Path

    def __len__(self) -> int:
        return 1

    def parts(self) -> tuple[()]:
        """Return nothing: a morning is planned as a whole."""
        return ()


def replay_morning(morning: Morning) -> MorningWork:
    """Return the work of a morning, planned again."""
    with Archive(morning.archive) as kept:
        plan = pipeline.replay(morning.sites, kept, morning.day, morning.sites_folder)
    return morning_work(plan, morning.day)


def replay_season(
    sites: Sites,
    archive: Path,
    first: date,
    last: date,
    sites_folder: Path = Path(),
    mapper: Mapper = map,
) -> Iterator[MorningWork]:
    """Return the work of every morning from a day to another.

    Parameters
    ----------
    sites : Sites
        The sites file: that of today, or one with other rules.
    archive : Path
        What was known then; nothing is added to it.
    first, last : date
        Local days, both included.
    sites_folder : Path
        Where the sites file is.
    mapper : callable
        ``map``, or one that plans elsewhere: ``workers.open_mapper``.

    Yields
    ------
    MorningWork
        In order of time, each as soon as it and those before it are done.

    Raises
    ------
    InputError
        The last day is before the first.
    """
    if last < first:
        raise InputError(f"{last} is before {first}; give the first morning, then the last")
    sent = sites.model_copy(update={"delivery": DeliverySettings()})
    days = (first + timedelta(days=n) for n in range((last - first).days + 1))
    mornings = [Morning(sent, archive, day, sites_folder) for day in days]
    yield from mapper(replay_morning, mornings)
