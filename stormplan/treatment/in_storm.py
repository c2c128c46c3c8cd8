"""The visits of a storm, from onset to its end: passes, and salt or sand where service needs it."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence

from stormplan.events.hazards import Hazard
from stormplan.treatment import screening
from stormplan.treatment.after_storm import final_pass
from stormplan.treatment.candidates import (
    FilmAnswer,
    FilmRequest,
    SurfaceState,
)
from stormplan.treatment.planned_visits import PlannedPretreat, PlannedVisit
from stormplan.treatment.records import Action, SolidRates
from stormplan.treatment.solid_visits import plow_visit, solid_visit
from stormplan.treatment.storm import Storm, hour_service_is_lost, state_after


def visits_in_storm(
    storm: Storm, state: SurfaceState, pretreat: PlannedPretreat | None, is_served: bool
) -> Generator[FilmRequest, FilmAnswer, tuple[list[PlannedVisit], SurfaceState, SolidRates | None]]:
    """Decide the visits from onset to the end: passes, and salt or sand where service needs it.

    ``is_served`` says that what went down before keeps service to the first pass.
    """
    case = storm.case
    visits: list[PlannedVisit] = []
    rates: SolidRates | None = None
    cycle = max(math.ceil(case.practice.number("cycle_time")), 1)
    last_pass = storm.passes[-1] if storm.passes else None
    hour = None if is_served else _first_visit(storm, pretreat)
    if hour is None and storm.is_icy:
        hour = yield from hour_service_is_lost(storm, state, storm.onset)
    for _ in range(case.n_hours):
        pass_hour = next((p for p in storm.passes if p >= state.hour), None)
        due = [at for at in (hour, pass_hour) if at is not None]
        if not due:
            break
        at = max(min(due), state.hour)
        plow = at in storm.passes
        if at == last_pass and storm.has_snow:
            visit, found = yield from final_pass(storm, state, at)
        elif (hour is not None and hour <= at) or (
            case.is_pedestrian and _is_due(visits, at, cycle)
        ):
            visit, found = yield from solid_visit(storm, state, at, plow)
        else:
            visit, found = plow_visit(storm, at), None
        rates = rates or found
        visits.append(visit)
        state = yield from state_after(storm, state, visit)
        hour = None
        if visit.action is Action.SALT and not storm.is_icy and not storm.has_snow:
            more = _more_water_than_salt(storm, visit, cycle)
            if more is not None:
                visits.append(more)
                break
        is_refreeze = storm.event.hazard is Hazard.REFREEZE and visit.action is Action.SALT
        if (storm.is_icy or is_refreeze) and state.hour < storm.end:
            lost = yield from hour_service_is_lost(storm, state, state.hour)
            hour = None if lost is None else max(lost, at + cycle)
            if hour is not None and (hour >= storm.end or _near_pass(storm, hour, cycle)):
                hour = None
    return visits, state, rates


def _more_water_than_salt(storm: Storm, visit: PlannedVisit, cycle: int) -> PlannedVisit | None:
    """Return a look where the most salt that practice allows does not last to the next pass."""
    lost = visit.failure_hour
    if lost is None or lost >= min(visit.hour + cycle, storm.end):
        return None
    text = "more water than salt can hold: sand it, mark it or close it, and drain it"
    return PlannedVisit(max(lost, visit.hour + 1), Action.INSPECT, text)


def _is_due(visits: Sequence[PlannedVisit], hour: int, cycle: int) -> bool:
    """Whether the last time something was put down is a cycle ago."""
    put_down = [v.hour for v in visits if v.dose is not None or v.action is Action.SAND]
    return not put_down or hour - put_down[-1] >= cycle


def _near_pass(storm: Storm, hour: int, cycle: int) -> bool:
    """Whether a pass comes soon enough after an hour to do its work."""
    return any(hour <= pass_hour < hour + cycle for pass_hour in storm.passes)


def _first_visit(storm: Storm, pretreat: PlannedPretreat | None) -> int | None:
    """Return the hour of the first visit that no pass makes: where nothing lies there ahead."""
    case = storm.case
    if pretreat is not None:
        return None
    if storm.event.hazard is Hazard.REFREEZE:
        return max(storm.onset - 1, case.hour_index(case.now), 0)
    if not storm.has_snow:
        return storm.onset
    has_begun = storm.event.start <= case.now
    refused = screening.chemical_refusal(case, storm.onset) or screening.salt_too_cold(
        case, storm.onset, storm.event
    )
    if refused is not None or (has_begun and not storm.is_icy):
        return None  # snow is plowed first, and what is left treated
    return storm.onset
