"""Treatments as the rounds have them: at the sprayer's time, or not at all.

A pre-treat that no sprayer reaches is not planned as if it could: its liquid, chloride and cost are
taken out of the plan, and in its place stand why, what can be done, and a look when it starts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from stormplan.company.practice_rules import Evidence
from stormplan.numerics import floor_hour
from stormplan.operations.sprayer_schedule import SprayerSchedule, Stop, UnservedSurface
from stormplan.planning.plan import SitePlan
from stormplan.treatment import products
from stormplan.treatment.reasons import fact_reason
from stormplan.treatment.records import Action, MissedPretreat, Treatment, Visit

#: Site, surface, and the start of the event.
JobKey = tuple[str, str, datetime]

LOOK_TEXT = "Look when it starts: not pre-treated; salt what bonds"
NOT_PLANNED = "Later visits were chosen for a treated surface: expect to come sooner."


def with_rounds(
    site_plans: Sequence[SitePlan], schedules: Iterable[SprayerSchedule]
) -> list[SitePlan]:
    """Return the sites with every pre-treat at its time in the rounds.

    Parameters
    ----------
    site_plans : sequence of SitePlan
        As decided surface by surface.
    schedules : iterable of SprayerSchedule
        The rounds of every yard.

    Returns
    -------
    list of SitePlan
        In the same order.
    """
    stops: dict[JobKey, list[tuple[str, Stop]]] = {}
    unserved: dict[JobKey, UnservedSurface] = {}
    for schedule in schedules:
        for sprayer in schedule.sprayers:
            for stop in sprayer.stops:
                key = stop.site, stop.surface, stop.onset
                stops.setdefault(key, []).append((sprayer.name, stop))
        unserved |= {(one.site, one.surface, one.onset): one for one in schedule.unserved}
    return [_site_with_rounds(site, stops, unserved) for site in site_plans]


def _site_with_rounds(
    site: SitePlan,
    stops: Mapping[JobKey, Sequence[tuple[str, Stop]]],
    unserved: Mapping[JobKey, UnservedSurface],
) -> SitePlan:
    surfaces = []
    for surface in site.surfaces:
        treatments: list[Treatment] = []
        for item in surface.treatments:
            if treatments and any(before.missed is not None for before in treatments):
                item = _uncounted(item)
            if item.action is Action.PRETREAT and item.event is not None:
                key = site.key, surface.key, item.event.start
                if key in stops:
                    item = _scheduled(item, stops[key])
                elif key in unserved:
                    item = _missed(item, unserved[key])
            treatments.append(item)
        surfaces.append(surface.model_copy(update={"treatments": tuple(treatments)}))
    chloride_kg = sum(item.chloride_kg for one in surfaces for item in one.treatments)
    return site.model_copy(
        update={
            "surfaces": tuple(surfaces),
            "chloride_kg": chloride_kg,
            "chloride_dilution_l": products.chloride_dilution_l(chloride_kg),
        }
    )


def _scheduled(item: Treatment, stops: Sequence[tuple[str, Stop]]) -> Treatment:
    start = min(stop.start for _, stop in stops)
    return item.model_copy(
        update={
            "scheduled_start": start,
            "scheduled_end": max(stop.end for _, stop in stops),
            "sprayer_name": " and ".join(dict.fromkeys(name for name, _ in stops)),
            "visits": tuple(
                visit.model_copy(update={"at": start}) if visit.action is Action.PRETREAT else visit
                for visit in item.visits
            ),
        }
    )


def _uncounted(item: Treatment) -> Treatment:
    """Return a later treatment, with a caution that it was chosen for a treated surface."""
    cautions = tuple(dict.fromkeys((*item.cautions, NOT_PLANNED)))
    if item.action is not Action.INSPECT or item.event is None:
        return item.model_copy(update={"cautions": cautions})
    text = f"Look before {item.event.hazard}: what it was to be protected by is not put down."
    return item.model_copy(update={"cautions": cautions, "text": text})


def _missed(item: Treatment, unserved: UnservedSurface) -> Treatment:
    """Return the treatment without its pre-treat."""
    pretreats = [visit for visit in item.visits if visit.action is Action.PRETREAT]
    visits = list(item.follow_up)
    onset_hour = floor_hour(unserved.onset)
    if all(floor_hour(visit.at) != onset_hour for visit in visits):
        visits.append(Visit(action=Action.INSPECT, at=unserved.onset, text=LOOK_TEXT))
        visits.sort(key=lambda visit: visit.at)
    first = next((visit.action for visit in visits if visit.action.is_work), Action.INSPECT)
    assert item.latest_start is not None  # every pre-treat has one
    reason = fact_reason(
        "rounds", "refuses", unserved.text, Evidence.OWN_CHOICE, "the rounds of the yard's sprayers"
    )
    costs = [visit.cost for visit in visits if visit.action.is_work]
    return Treatment(
        action=first,
        event=item.event,
        text=f"Not pre-treated: {unserved.text}",
        missed=MissedPretreat(
            reason=unserved.reason,
            text=unserved.text,
            remedies=unserved.remedies,
            additive_name=item.additive_name,
            additive_frac=item.additive_frac,
            rate_l_m2=item.rate_l_m2,
            volume_l=item.volume_l,
            latest_start=item.latest_start,
        ),
        recheck_at=unserved.onset,
        solid=item.solid,
        visits=tuple(visits),
        cost=None if item.cost is None or None in costs else sum(c for c in costs if c is not None),
        chloride_kg=item.chloride_kg - sum(visit.chloride_kg for visit in pretreats),
        reasons=(*item.reasons, reason),
        cautions=(*item.cautions, NOT_PLANNED),
    )
