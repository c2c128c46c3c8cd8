"""The crew's list: what is to be done today, where, how much, and what is done already."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

from stormplan import units
from stormplan.planning.plan import Plan, SitePlan, SurfacePlan
from stormplan.record.entries import (
    SURFACE_ENTRIES,
    Application,
    Entry,
    PlowPass,
    Skipped,
    SurfaceEntry,
    effective_entries,
)
from stormplan.treatment.records import Action, Visit
from stormplan.units import UnitFormatter
from stormplan.words.entry_text import entry_text
from stormplan.words.formatting import ReportFormat, blend_name

#: The list reaches so far ahead; work that is done may be logged so long before it was due.
AHEAD, EARLY = timedelta(hours=24), timedelta(hours=3)


@dataclass(frozen=True)
class WorkItem:
    """One visit to one surface, as text and as the values of its form.

    Attributes
    ----------
    surface : str
        Site and surface, as keys.
    name, when, text, amount : str
        Where, when, what, how much of what.
    action, additive, share, rate, unit : str
        What the form carries; ``rate`` and ``unit`` are empty where nothing goes down.
    is_plowed : bool
        Whether a pass goes first.
    done : str
        What the record says of it; empty while it is to be done.
    """

    surface: str
    name: str
    when: str
    text: str
    amount: str
    action: str
    additive: str
    share: str
    rate: str
    unit: str
    is_plowed: bool
    done: str


@dataclass(frozen=True)
class SiteWork:
    """The work at one site, and how much of it is still to be done."""

    name: str
    items: tuple[WorkItem, ...]

    @property
    def open_count(self) -> int:
        """Visits nobody has logged [-]."""
        return sum(not item.done for item in self.items)


def work_list(plan: Plan, entries: Sequence[Entry]) -> tuple[SiteWork, ...]:
    """Return the crew's list of a plan.

    Parameters
    ----------
    plan : Plan
        The newest.
    entries : sequence of Entry
        The record.

    Returns
    -------
    tuple of SiteWork
        In the order of the plan; sites without work in the next day are left out.
    """
    logged = [one for one in effective_entries(entries) if isinstance(one, SURFACE_ENTRIES)]
    found = []
    for site in plan.sites:
        fmt = ReportFormat(UnitFormatter(plan.units), ZoneInfo(site.timezone))
        items = tuple(
            _work_item(site, surface, visit, logged, fmt)
            for surface, treatment in site.treatments
            for visit in treatment.visits
            if visit.action.is_work and visit.at < plan.made_at + AHEAD
        )
        if items:
            found.append(SiteWork(site.name, items))
    return tuple(found)


def _work_item(
    site: SitePlan,
    surface: SurfacePlan,
    visit: Visit,
    logged: Sequence[SurfaceEntry],
    fmt: ReportFormat,
) -> WorkItem:
    us = fmt.units.is_us
    rate, unit = "", ""
    if visit.action.is_liquid:
        scale, unit = (units.L_M2_PER_GAL_KFT2, "gal/1000 ft²") if us else (1e-3, "mL/m²")
        rate = f"{visit.rate_l_m2 / scale:.2f}" if us else f"{visit.rate_l_m2 / scale:.0f}"
    elif visit.action in (Action.SALT, Action.SAND):
        scale, unit = (units.KG_M2_PER_LB_KFT2, "lb/1000 ft²") if us else (1e-3, "g/m²")
        rate = f"{visit.solid_rate_kg_m2 / scale:.1f}"
    return WorkItem(
        surface=f"{site.key}/{surface.key}",
        name=surface.name,
        when=fmt.day_hour(visit.at),
        text=visit.text,
        amount=_amount_text(visit, fmt.units),
        action=str(visit.action),
        additive=visit.additive or "",
        share=f"{100 * visit.additive_frac:.4g}" if visit.additive else "",
        rate=rate,
        unit=unit,
        is_plowed=visit.plow,
        done=_done_text(site.key, surface.key, visit, logged, fmt),
    )


def _amount_text(visit: Visit, fmt: UnitFormatter) -> str:
    if visit.volume_l > 0.0:
        blend = blend_name(visit.additive_name, visit.additive_frac)
        return f"{fmt.precise_volume(visit.volume_l)} of {blend}"
    return f"{fmt.mass(visit.solid_kg)} of {visit.action}" if visit.solid_kg > 0.0 else ""


def _done_text(
    site: str, surface: str, visit: Visit, logged: Sequence[SurfaceEntry], fmt: ReportFormat
) -> str:
    """Return what the record says of a visit: what was logged from shortly before it was due."""
    kind = PlowPass if visit.action is Action.PLOW else Application
    for one in reversed(logged):
        is_here = (one.site, one.surface) == (site, surface)
        if is_here and one.at >= visit.at - EARLY and isinstance(one, kind | Skipped):
            what = entry_text(one, fmt.units).partition(": ")[2]
            return f"{fmt.day_hour(one.at)}: {what}" + (f", {one.by}" if one.by else "")
    return ""
