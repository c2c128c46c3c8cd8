"""What the record says of each surface before a plan: what was seen, plowed and put down."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from stormplan.record.entries import (
    CLOCK_TOLERANCE,
    Application,
    Condition,
    Entry,
    Inspection,
    PlowPass,
    effective_entries,
)

#: New snow has about a tenth of the density of water, packed snow about half: common practice, no
#: source; slush is snow soaked with as much water again.
SNOW_KG_M3, PACKED_SNOW_KG_M3 = 100.0, 500.0


@dataclass(frozen=True)
class ObservedCondition:
    """What somebody saw on a surface: it overrules the model for what lies there.

    Attributes
    ----------
    at : datetime
        When, aware.
    water_mm, ice_mm, snow_mm : float
        Liquid, ice, and loose or packed snow, as water [mm].
    snow_depth_cm : float
        How deep the snow lies [cm].
    is_bonded : bool
        Whether ice or packed snow sticks to the pavement.
    condition : str
        The word for it; empty where amounts alone are known.
    at_least : tuple of str
        Those of ``water``, ``ice`` and ``snow`` of which there may be more than was told.
    """

    at: datetime
    water_mm: float = 0.0
    ice_mm: float = 0.0
    snow_mm: float = 0.0
    snow_depth_cm: float = 0.0
    is_bonded: bool = False
    condition: str = ""
    at_least: tuple[str, ...] = ()

    @classmethod
    def from_inspection(cls, entry: Inspection) -> ObservedCondition:
        """Return the amounts behind a word; all but the depth are our own choice.

        A word rules out what is worse to walk on than what it names, and no more of what it names
        nor what may lie under it.

        Examples
        --------
        >>> from datetime import UTC
        >>> seen = Inspection(id="a", at=datetime(2026, 1, 12, tzinfo=UTC), site="s",
        ...                   surface="lot", condition="snow", depth_cm=5.0)
        >>> ObservedCondition.from_inspection(seen).snow_mm
        5.0
        """
        depth_cm = entry.depth_cm or 0.0
        snow_mm = depth_cm * SNOW_KG_M3 / 100.0
        told: dict[str, Any]
        match entry.condition:
            case Condition.DRY:
                told = {}
            case Condition.DAMP:
                told = {"water_mm": 0.05, "at_least": ("water",)}
            case Condition.WET:
                told = {"water_mm": 0.5, "at_least": ("water",)}
            case Condition.FROST:
                told = {"ice_mm": 0.1, "at_least": ("water", "ice")}
            case Condition.ICE:
                told = {"ice_mm": 0.3, "is_bonded": True, "at_least": ("water", "ice", "snow")}
            case Condition.SLUSH:
                told = {"water_mm": snow_mm, "snow_mm": snow_mm, "at_least": ("water", "ice")}
            case Condition.SNOW:
                told = {"snow_mm": snow_mm, "at_least": ("water", "ice")}
            case Condition.PACKED_SNOW:
                packed_mm = depth_cm * PACKED_SNOW_KG_M3 / 100.0
                told = {"snow_mm": packed_mm, "is_bonded": True, "at_least": ("water", "ice")}
        return cls(entry.at, snow_depth_cm=depth_cm, condition=str(entry.condition), **told)


@dataclass(frozen=True)
class SurfaceHistory:
    """What the record says of one surface, each in order of time.

    Attributes
    ----------
    observed : tuple of ObservedCondition
        What was seen.
    passes : tuple of datetime
        When it was plowed or shoveled, aware.
    applications : tuple of Application
        What was put down.
    last_treated_at : datetime or None
        When salt or liquid was put down last, however long ago; None where the record has none.
    """

    observed: tuple[ObservedCondition, ...] = ()
    passes: tuple[datetime, ...] = ()
    applications: tuple[Application, ...] = ()
    last_treated_at: datetime | None = None

    @property
    def moments(self) -> tuple[datetime, ...]:
        """When its entries were made, aware."""
        seen = (look.at for look in self.observed)
        return (*seen, *self.passes, *(entry.at for entry in self.applications))


NO_HISTORY = SurfaceHistory()

#: By site and surface; a surface without entries is absent.
SurfaceHistories = Mapping[tuple[str, str], SurfaceHistory]
NO_HISTORIES: SurfaceHistories = {}


def surface_histories(
    entries: Iterable[Entry], now: datetime, oldest: datetime | None = None
) -> dict[tuple[str, str], SurfaceHistory]:
    """Return what was known of each surface at a moment.

    Parameters
    ----------
    entries : iterable of Entry
        The record.
    now : datetime
        The moment, aware; an entry that a fast clock put a little later counts, later ones do not.

    oldest : datetime or None
        Of earlier entries only the last treatment counts, aware; None counts all.

    Returns
    -------
    dict of (str, str) to SurfaceHistory
        By site and surface.
    """
    found: dict[tuple[str, str], SurfaceHistory] = {}
    for entry in effective_entries(one for one in entries if one.at <= now + CLOCK_TOLERANCE):
        if not isinstance(entry, Inspection | PlowPass | Application):
            continue
        before = found.get((entry.site, entry.surface), NO_HISTORY)
        observed, passes, applications = before.observed, before.passes, before.applications
        treated_at = before.last_treated_at
        if isinstance(entry, Application) and (entry.rate_l_m2 or entry.salt_kg_m2):
            treated_at = entry.at
        match entry:
            case _ if oldest is not None and entry.at < oldest:
                pass
            case Inspection():
                observed = (*observed, ObservedCondition.from_inspection(entry))
            case PlowPass():
                passes = (*passes, entry.at)
            case Application():
                applications = (*applications, entry)
        found[entry.site, entry.surface] = SurfaceHistory(
            observed, passes, applications, treated_at
        )
    return found
