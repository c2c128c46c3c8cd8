"""The crew's list: what is to be done today, where, how much, and what is done already."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
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
    done_key, skip_key : str
        Keys of its two forms: the same on every phone, so that a visit is logged once, until what
        was logged of the surface is voided.
    surface : str
        Site and surface, as keys.
    sprayer : str
        The one that the plan sends, as its key; empty for none.
    at : datetime
        Start of the hour in which it is due, aware.
    name, when, text, amount : str
        Where, when, what, how much of what.
    action, additive, share, rate, unit : str
        What the form carries; ``rate`` and ``unit`` are empty where nothing goes down.
    rate_l_m2 : float
        Of a liquid [L/m²].
    is_plowed : bool
        Whether a pass goes first.
    done : str
        What the record says of it; empty while it is to be done.
    """

    done_key: str
    skip_key: str
    surface: str
    sprayer: str
    at: datetime
    name: str
    when: str
    text: str
    amount: str
    action: str
    additive: str
    share: str
    rate: str
    unit: str
    rate_l_m2: float
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
        Sites in the order of the plan, visits by time; without work in the next day a site is left
        out.
    """
    logged = [one for one in effective_entries(entries) if isinstance(one, SURFACE_ENTRIES)]
    counting = {one.id for one in logged}
    gone = Counter(
        (one.site, one.surface)
        for one in entries
        if isinstance(one, SURFACE_ENTRIES) and one.id not in counting
    )
    found = []
    sent = {
        (stop.site, stop.surface): sprayer.sprayer
        for yard in plan.yards
        for sprayer in yard.sprayer_schedule.sprayers
        for stop in sprayer.stops
    }
    for site in plan.sites:
        fmt = ReportFormat(UnitFormatter(plan.units), ZoneInfo(site.timezone))
        due = [
            (surface, visit)
            for surface, treatment in site.treatments
            for visit in treatment.visits
            if visit.action.is_work and visit.at < plan.made_at + AHEAD
        ]
        items = tuple(
            _work_item(
                site,
                surface,
                visit,
                logged,
                fmt,
                sprayer=sent.get((site.key, surface.key), ""),
                identity=f"{plan.made_at.isoformat()} {gone[site.key, surface.key]}",
            )
            for surface, visit in sorted(due, key=lambda one: one[1].at)
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
    *,
    sprayer: str,
    identity: str,
) -> WorkItem:
    us = fmt.units.is_us
    rate, unit = "", ""
    if visit.action.is_liquid:
        scale, unit = (units.L_M2_PER_GAL_KFT2, "gal/1000 ft²") if us else (1e-3, "mL/m²")
        rate = f"{visit.rate_l_m2 / scale:.2f}" if us else f"{visit.rate_l_m2 / scale:.0f}"
    elif visit.action in (Action.SALT, Action.SAND):
        scale, unit = (units.KG_M2_PER_LB_KFT2, "lb/1000 ft²") if us else (1e-3, "g/m²")
        rate = f"{visit.solid_rate_kg_m2 / scale:.1f}"
    visit_id = f"{identity} {site.key}/{surface.key} {visit.at.isoformat()} {visit.action}"
    return WorkItem(
        done_key=_form_key(f"done {visit_id}"),
        skip_key=_form_key(f"skipped {visit_id}"),
        surface=f"{site.key}/{surface.key}",
        sprayer=sprayer if visit.action.is_liquid else "",
        at=visit.at,
        name=surface.name,
        when=fmt.day_hour(visit.at),
        text=visit.text,
        amount=_amount_text(visit, fmt.units),
        action=str(visit.action),
        additive=visit.additive or "",
        share=f"{100 * visit.additive_frac:.4g}" if visit.additive else "",
        rate=rate,
        unit=unit,
        rate_l_m2=visit.rate_l_m2,
        is_plowed=visit.plow,
        done=_done_text(site.key, surface.key, visit, logged, fmt),
    )


def _form_key(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:32]


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
