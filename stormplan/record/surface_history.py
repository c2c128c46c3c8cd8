"""What the record says of each surface before a plan: what was seen, plowed and put down."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from stormplan.record.entries import (
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
    """

    at: datetime
    water_mm: float = 0.0
    ice_mm: float = 0.0
    snow_mm: float = 0.0
    snow_depth_cm: float = 0.0
    is_bonded: bool = False

    @classmethod
    def from_inspection(cls, entry: Inspection) -> ObservedCondition:
        """Return the amounts behind a word; all but the depth are our own choice.

        Examples
        --------
        >>> from datetime import UTC
        >>> seen = Inspection(id="a", at=datetime(2026, 1, 12, tzinfo=UTC), site="s",
        ...                   surface="lot", condition="snow", depth_cm=5.0)
        >>> ObservedCondition.from_inspection(seen).snow_mm
        5.0
        """
        depth_cm = entry.depth_cm or 0.0
        match entry.condition:
            case Condition.DRY:
                return cls(entry.at)
            case Condition.DAMP:
                return cls(entry.at, water_mm=0.05)
            case Condition.WET:
                return cls(entry.at, water_mm=0.5)
            case Condition.FROST:
                return cls(entry.at, ice_mm=0.1)
            case Condition.ICE:
                return cls(entry.at, ice_mm=0.3, is_bonded=True)
            case Condition.SLUSH:
                snow_mm = depth_cm * SNOW_KG_M3 / 100.0
                return cls(entry.at, water_mm=snow_mm, snow_mm=snow_mm, snow_depth_cm=depth_cm)
            case Condition.SNOW:
                snow_mm = depth_cm * SNOW_KG_M3 / 100.0
                return cls(entry.at, snow_mm=snow_mm, snow_depth_cm=depth_cm)
            case Condition.PACKED_SNOW:
                snow_mm = depth_cm * PACKED_SNOW_KG_M3 / 100.0
                return cls(entry.at, snow_mm=snow_mm, snow_depth_cm=depth_cm, is_bonded=True)


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
    """

    observed: tuple[ObservedCondition, ...] = ()
    passes: tuple[datetime, ...] = ()
    applications: tuple[Application, ...] = ()


NO_HISTORY = SurfaceHistory()

#: By site and surface; a surface without entries is absent.
SurfaceHistories = Mapping[tuple[str, str], SurfaceHistory]


def surface_histories(
    entries: Iterable[Entry], now: datetime
) -> dict[tuple[str, str], SurfaceHistory]:
    """Return what was known of each surface at a moment.

    Parameters
    ----------
    entries : iterable of Entry
        The record.
    now : datetime
        The moment, aware; later entries are left out.

    Returns
    -------
    dict of (str, str) to SurfaceHistory
        By site and surface.
    """
    found: dict[tuple[str, str], SurfaceHistory] = {}
    for entry in effective_entries(one for one in entries if one.at <= now):
        before = found.get((entry.site, entry.surface), NO_HISTORY)
        observed, passes, applications = before.observed, before.passes, before.applications
        match entry:
            case Inspection():
                observed = (*observed, ObservedCondition.from_inspection(entry))
            case PlowPass():
                passes = (*passes, entry.at)
            case Application():
                applications = (*applications, entry)
        found[entry.site, entry.surface] = SurfaceHistory(observed, passes, applications)
    return found
