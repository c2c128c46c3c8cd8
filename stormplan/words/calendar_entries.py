"""Rounds and re-checks as calendar entries (RFC 5545) that keep their identity from plan to plan.

The same work of the same day, and of the same sprayer before the events of the same day, is the
same entry in the next plan, and replaces it. What the plan before told of and this one does not
want any more is cancelled, and stays so until its hours are over.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from stormplan.numerics import HOUR
from stormplan.planning.plan import CancelledEntry, Plan, SitePlan
from stormplan.treatment.records import Treatment
from stormplan.words.formatting import blend_name, plan_format


@dataclass(frozen=True)
class CalendarEntry:
    """One entry, as text.

    Attributes
    ----------
    uid : str
        Its identity; has what does not move with the hours.
    summary : str
        What is done where.
    start, end : datetime
        Its hours, aware UTC.
    site : SitePlan
        Where.
    lines : tuple of str
        One a surface.
    """

    uid: str
    summary: str
    start: datetime
    end: datetime
    site: SitePlan
    lines: tuple[str, ...]


def treatment_windows_ics(plan: Plan) -> str:
    """Write rounds and re-checks as a calendar, and cancel what an earlier plan told of.

    Parameters
    ----------
    plan : Plan
        The record.

    Returns
    -------
    str
        iCalendar; surfaces of a site that share a window share an entry. Equal plans give equal
        files: stamp and sequence are the plan's own moment, so that those of a later plan are
        higher, cancellations too (RFC 5545, 3.8.7.4 and 3.8.1.11).
    """
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", "-//stormplan//windows//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", _line(f"{plan.company}: storm plan"))

    def event(uid: str, summary: str, start: datetime, end: datetime) -> Event:
        entry = Event()
        entry.add("uid", uid)
        entry.add("sequence", int(plan.made_at.timestamp() // 60))
        entry.add("dtstamp", plan.made_at)
        entry.add("dtstart", start)
        entry.add("dtend", end)
        entry.add("summary", _line(summary))
        calendar.add_component(entry)
        return entry

    for one in calendar_entries(plan):
        entry = event(one.uid, one.summary, one.start, one.end)
        entry.add("description", "\n".join(map(_line, one.lines)))
        entry.add("geo", (one.site.latitude_deg, one.site.longitude_deg))
    for gone in plan.cancelled_entries:
        event(gone.uid, gone.summary, gone.start, gone.end).add("status", "CANCELLED")
    return str(calendar.to_ical(), "utf-8")


def _line(text: str) -> str:
    return " ".join(text.split())


def cancelled_entries(plan: Plan, previous: Plan) -> tuple[CancelledEntry, ...]:
    """Return what a plan before told of that is still to come and not wanted any more.

    Parameters
    ----------
    plan : Plan
        The record.
    previous : Plan
        The plan that calendars have, with what it cancelled itself.
    """
    wanted = {one.uid for one in calendar_entries(plan)}
    told = [
        CancelledEntry(uid=one.uid, summary=one.summary, start=one.start, end=one.end)
        for one in calendar_entries(previous)
    ]
    return tuple(
        one
        for one in (*told, *previous.cancelled_entries)
        if one.end > plan.made_at and one.uid not in wanted
    )


def with_entries_only(site: SitePlan) -> SitePlan:
    """Return a site with those of its treatments only that calendars have."""
    surfaces = (
        surface.model_copy(
            update={
                "treatments": tuple(
                    item
                    for item in surface.treatments
                    if item.scheduled_start is not None or item.recheck_at is not None
                )
            }
        )
        for surface in site.surfaces
    )
    return site.model_copy(update={"surfaces": tuple(one for one in surfaces if one.treatments)})


def calendar_entries(plan: Plan) -> list[CalendarEntry]:
    """Return the entries of a plan, in order of time.

    Parameters
    ----------
    plan : Plan
        The record.
    """
    fmt = plan_format(plan)
    looks: dict[tuple[datetime, str], list[str]] = {}
    rounds: dict[tuple[str, str, date], list[tuple[datetime, datetime, str]]] = {}
    sites_by_key = {site.key: site for site in plan.sites}
    for site in plan.sites:
        for surface, item in site.treatments:
            if item.scheduled_start is not None and item.scheduled_end is not None:
                at = fmt.in_zone(site.timezone).time_of_day(item.scheduled_start)
                blend = blend_name(item.additive_name, item.additive_frac)
                line = f"{at} {surface.name}: {fmt.units.volume(item.volume_l)} {blend}"
                rounds.setdefault(
                    (site.key, item.sprayer_name or "", _onset_day(item, site)), []
                ).append((item.scheduled_start, item.scheduled_end, line))
            elif item.recheck_at is not None:
                said = f"{surface.name}: {item.text}"
                looks.setdefault((item.recheck_at, site.key), []).append(said)
    found: list[tuple[str, str, datetime, datetime, SitePlan, list[str]]] = []
    for (site_key, sprayer, day), stops in rounds.items():
        start, end = min(start for start, *_ in stops), max(end for _, end, _ in stops)
        lines = [f"{sprayer}:", *(line for *_, line in sorted(stops))]
        who = re.sub(r"[^a-z0-9]+", "-", sprayer.casefold()).strip("-")
        name = f"{day:%Y%m%d}-spray-{site_key}-{who}"
        found.append((name, "Spray", start, end, sites_by_key[site_key], lines))
    for (at_moment, site_key), lines in looks.items():
        site = sites_by_key[site_key]
        local_day = at_moment.astimezone(ZoneInfo(site.timezone)).date()
        name = f"{local_day:%Y%m%d}-look-again-{site_key}"
        found.append((name, "Look again", at_moment, at_moment + HOUR / 2, site, lines))
    found.sort(key=lambda one: (one[2], one[1], one[4].key, one[0]))
    numbers: Counter[str] = Counter()
    entries = []
    for name, what, start, end, site, lines in found:
        numbers[name] += 1
        uid = f"{name}-{numbers[name]}@stormplan.invalid"
        summary = f"{what}: {site.name}"
        entries.append(CalendarEntry(uid, summary, start, end, site, tuple(lines)))
    return entries


def _onset_day(item: Treatment, site: SitePlan) -> date:
    """Return the day on which the event of a treatment begins at the site."""
    assert item.event is not None  # what is sprayed is sprayed for one
    return item.event.start.astimezone(ZoneInfo(site.timezone)).date()
