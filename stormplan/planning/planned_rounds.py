"""Treatments as the rounds have them: at the sprayer's time, or not at all.

A surface that no sprayer reaches is decided anew with that known: salt when it starts, or what
else practice allows, is planned with its pounds, and the pre-treat that it does without stays
named. What the rounds have for the same surface before later events is kept as they have it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from stormplan.operations.pass_schedule import PassSchedule
from stormplan.operations.sprayer_schedule import SprayerSchedule, Stop, UnservedSurface
from stormplan.planning.plan import SitePlan, SurfacePlan
from stormplan.planning.site_batch import SurfaceRounds
from stormplan.treatment import products
from stormplan.treatment.records import Action, MissedPretreat, Treatment, Visit
from stormplan.treatment.screening import ROUNDS
from stormplan.treatment.surface_case import PretreatInRounds

#: Site, surface, and the start of the event.
JobKey = tuple[str, str, datetime]


@dataclass(frozen=True)
class RoundsOutcome:
    """What the rounds make of the pre-treats that were asked for.

    Attributes
    ----------
    stops : mapping of JobKey to tuple of (str, Stop)
        Who sprays it, by name, and when.
    missed : mapping of JobKey to MissedPretreat
        What no sprayer reaches in time.
    surfaces : mapping of (str, str) to tuple of PretreatInRounds
        Every pre-treat of the surfaces with one that is missed.
    """

    stops: Mapping[JobKey, tuple[tuple[str, Stop], ...]]
    missed: Mapping[JobKey, MissedPretreat]
    surfaces: SurfaceRounds


def rounds_outcome(
    site_plans: Sequence[SitePlan], schedules: Iterable[SprayerSchedule]
) -> RoundsOutcome:
    """Return what the rounds make of every pre-treat.

    Parameters
    ----------
    site_plans : sequence of SitePlan
        As decided surface by surface, before there were rounds.
    schedules : iterable of SprayerSchedule
        The rounds of every yard.
    """
    stops: dict[JobKey, tuple[tuple[str, Stop], ...]] = {}
    unserved: dict[JobKey, UnservedSurface] = {}
    for schedule in schedules:
        for sprayer in schedule.sprayers:
            for stop in sprayer.stops:
                key = stop.site, stop.surface, stop.onset
                stops[key] = (*stops.get(key, ()), (sprayer.name, stop))
        unserved |= {(one.site, one.surface, one.onset): one for one in schedule.unserved}
    asked = {key: item for site in site_plans for key, item in _pretreats(site)}
    missed = {}
    for key, one in unserved.items():
        item = asked[key]
        assert item.latest_start is not None  # every pre-treat has one
        missed[key] = MissedPretreat(
            reason=one.reason,
            text=one.text,
            remedies=one.remedies,
            additive_name=item.additive_name,
            additive_frac=item.additive_frac,
            rate_l_m2=item.rate_l_m2,
            volume_l=item.volume_l,
            latest_start=item.latest_start,
        )
    short = {key[:2] for key in missed}
    surfaces = {
        (site.key, surface.key): tuple(
            _in_rounds(
                item.event.start, visit, missed.get((site.key, surface.key, item.event.start))
            )
            for item in surface.treatments
            for visit in item.visits
            if item.event is not None and visit.action is Action.PRETREAT
        )
        for site in site_plans
        for surface in site.surfaces
        if (site.key, surface.key) in short
    }
    return RoundsOutcome(stops, missed, surfaces)


def _pretreats(site: SitePlan) -> Iterable[tuple[JobKey, Treatment]]:
    """Yield every pre-treat of a site."""
    for surface, item in site.treatments:
        if item.action is Action.PRETREAT and item.event is not None:
            yield (site.key, surface.key, item.event.start), item


def _in_rounds(onset: datetime, visit: Visit, missed: MissedPretreat | None) -> PretreatInRounds:
    if missed is not None:
        return PretreatInRounds(onset, text=missed.text)
    return PretreatInRounds(onset, visit.at, visit.additive, visit.additive_frac, visit.rate_l_m2)


def redecided(site: SitePlan, decided: SitePlan) -> SitePlan:
    """Return a site with some of its surfaces decided anew.

    Parameters
    ----------
    site : SitePlan
        As first decided.
    decided : SitePlan
        The same with these surfaces only, and with it known that no sprayer comes.
    """
    anew = {surface.key: surface for surface in decided.surfaces}
    surfaces = tuple(
        surface.model_copy(
            update={
                "treatments": anew[surface.key].treatments,
                "refreeze_periods": anew[surface.key].refreeze_periods,
            }
        )
        if surface.key in anew
        else surface
        for surface in site.surfaces
    )
    chloride_kg = sum(item.chloride_kg for one in surfaces for item in one.treatments)
    dilution_l = products.chloride_dilution_l(chloride_kg)
    return site.model_copy(
        update={
            "surfaces": surfaces,
            "chloride_kg": chloride_kg,
            "chloride_dilution_l": dilution_l,
        }
    )


def with_rounds(site_plans: Sequence[SitePlan], outcome: RoundsOutcome) -> list[SitePlan]:
    """Return the sites with every pre-treat at its time in the rounds, and what is missed named.

    Parameters
    ----------
    site_plans : sequence of SitePlan
        Their surfaces with something missed decided anew.
    outcome : RoundsOutcome
        Of the rounds.

    Returns
    -------
    list of SitePlan
        In the same order.
    """

    def told(site: str, surface: str, item: Treatment) -> Treatment:
        if item.event is None:
            return item
        key = site, surface, item.event.start
        if item.action is Action.PRETREAT and key in outcome.stops:
            return _scheduled(item, outcome.stops[key])
        return _named_missed(item, outcome.missed.get(key))

    return _with_treatments(site_plans, told)


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


def _named_missed(item: Treatment, missed: MissedPretreat | None) -> Treatment:
    """Return a treatment with the pre-treat that it does without, if the rounds are why."""
    if missed is None or all(reason.rule != ROUNDS for reason in item.reasons):
        return item
    text = f"Not pre-treated: {missed.text}. {item.text}"
    return item.model_copy(update={"missed": missed, "text": text})


#: Site, surface, and the hour a visit was decided for.
VisitKey = tuple[str, str, datetime]


def with_passes(site_plans: Sequence[SitePlan], passes: Iterable[PassSchedule]) -> list[SitePlan]:
    """Return the sites with the visits in and after the storm at their times in the rounds.

    Parameters
    ----------
    site_plans : sequence of SitePlan
        With the visits as decided.
    passes : iterable of PassSchedule
        The rounds of the yards that have any.

    Returns
    -------
    list of SitePlan
        In the same order; what is late stays in its hour.
    """
    stops: dict[VisitKey, list[tuple[datetime, str]]] = {}
    for schedule in passes:
        for vehicle in schedule.vehicles:
            for stop in vehicle.stops:
                key = stop.site, stop.surface, stop.planned_at
                stops.setdefault(key, []).append((stop.start, vehicle.name))

    def told(site: str, surface: str, item: Treatment) -> Treatment:
        if all((site, surface, one.at) not in stops for one in item.visits):
            return item  # visits are in order of time as they were decided
        visits = [_at_stop(one, stops.get((site, surface, one.at), ())) for one in item.visits]
        return item.model_copy(update={"visits": tuple(sorted(visits, key=lambda one: one.at))})

    return _with_treatments(site_plans, told) if stops else list(site_plans)


def _at_stop(visit: Visit, stops: Sequence[tuple[datetime, str]]) -> Visit:
    if not stops or not visit.action.is_work:
        return visit
    names = " and ".join(dict.fromkeys(name for _, name in sorted(stops)))
    return visit.model_copy(update={"at": min(stops)[0], "vehicle_name": names})


def _with_treatments(
    site_plans: Sequence[SitePlan], told: Callable[[str, str, Treatment], Treatment]
) -> list[SitePlan]:
    """Return sites with every treatment as it is told by site and surface; others as they are."""

    def surface_told(site: str, surface: SurfacePlan) -> SurfacePlan:
        items = tuple(told(site, surface.key, item) for item in surface.treatments)
        if all(new is old for new, old in zip(items, surface.treatments, strict=True)):
            return surface
        return surface.model_copy(update={"treatments": items})

    def site_told(site: SitePlan) -> SitePlan:
        surfaces = tuple(surface_told(site.key, surface) for surface in site.surfaces)
        if all(new is old for new, old in zip(surfaces, site.surfaces, strict=True)):
            return site
        return site.model_copy(update={"surfaces": surfaces})

    return [site_told(site) for site in site_plans]


def kept_schedules(
    schedules: Mapping[str, SprayerSchedule], site_plans: Iterable[SitePlan]
) -> dict[str, SprayerSchedule]:
    """Return the rounds without stops, and lists without surfaces, that nothing asks for any more.

    What is done for one hazard instead of a pre-treat may do for the next.

    Parameters
    ----------
    schedules : mapping of str to SprayerSchedule
        By yard.
    site_plans : iterable of SitePlan
        With rounds.
    """
    sprayed: set[JobKey] = set()
    missed: set[JobKey] = set()
    for site in site_plans:
        sprayed |= {key for key, _ in _pretreats(site)}
        missed |= {
            (site.key, surface.key, item.event.start)
            for surface, item in site.treatments
            if item.missed is not None and item.event is not None
        }
    return {key: one.restricted_to(sprayed, missed) for key, one in schedules.items()}
