"""One event as its course is decided: hours, passes, and what is asked of the film model."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass

from stormplan.events.detection import Event
from stormplan.events.hazards import SNOW_HAZARDS, Hazard
from stormplan.treatment.candidates import (
    Dose,
    FilmAnswer,
    FilmRequest,
    Service,
    SurfaceState,
)
from stormplan.treatment.planned_visits import PlannedVisit
from stormplan.treatment.surface_case import SurfaceCase

ICY_HAZARDS = (Hazard.FREEZING_RAIN, Hazard.SLEET)


@dataclass(frozen=True)
class Storm:
    """One event as its course is decided: its hours, and the passes that practice makes in it."""

    case: SurfaceCase
    event: Event
    onset: int
    end: int
    passes: tuple[int, ...]

    @classmethod
    def of(cls, case: SurfaceCase, event: Event, begin: int) -> Storm:
        """Return an event as it stands from hour ``begin`` on."""
        onset = max(case.hour_index(event.start), begin)
        end = min(case.hour_index(event.end), case.n_hours)
        passes = tuple(hour for hour in case.plow_hours if begin <= hour <= end + 1)
        return cls(case, event, onset, max(end, onset + 1), passes)

    @property
    def has_snow(self) -> bool:
        """Whether there is anything to plow, or snow to keep from bonding."""
        return bool(self.passes) or any(p.hazard in SNOW_HAZARDS for p in self.event.hazard_periods)

    @property
    def is_icy(self) -> bool:
        """Whether freezing rain or sleet is part of it."""
        return any(period.hazard in ICY_HAZARDS for period in self.event.hazard_periods)

    @property
    def next_inspection(self) -> int:
        """Hour of the look after the storm, up to which its last treatment must do."""
        after = math.ceil(self.case.practice.number("post_storm_interval"))
        return min(self.end + after, self.case.n_hours)

    def service(self, first: int, last: int) -> Service:
        """Return how service is judged from ``first`` to before ``last``."""
        case = self.case
        frozen = 0.0 if case.is_pedestrian else case.practice.number("max_ice_fraction")
        return Service(
            onset_hour=first,
            end_hour=last,
            max_frozen_frac=frozen,
            judges_bond=self.has_snow,
            mixing_frac=case.mixing_frac,
            bond=case.bond_parameters,
            is_bonded=case.is_bonded,
            member_has_event=self.event.has_event,
            confidence=case.practice.number("hold_confidence"),
        )

    def request(
        self, state: SurfaceState, doses: Sequence[tuple[Dose, ...]], first: int, last: int
    ) -> FilmRequest:
        """Ask what doses do from a state on, service judged from ``first`` to before ``last``."""
        case = self.case
        end = min(max(last, first + 1, state.hour + 1), case.n_hours)
        passes = tuple(
            (hour, case.residual_mm) for hour in case.plow_hours if state.hour <= hour < end
        )
        service = self.service(first, end)
        return FilmRequest(case.column, state, tuple(doses), passes, end, service)


def hour_service_is_lost(
    storm: Storm, state: SurfaceState, first: int
) -> Generator[FilmRequest, FilmAnswer, int | None]:
    """Return the first hour in which service is lost if nothing more is put down."""
    if first >= storm.end:
        return None
    answer = yield storm.request(state, [()], first, storm.end)
    return answer.results[0].failure_hour


def state_after(
    storm: Storm, state: SurfaceState, visit: PlannedVisit
) -> Generator[FilmRequest, FilmAnswer, SurfaceState]:
    """Return what lies there an hour after a visit began."""
    until = min(visit.hour + 1, storm.case.n_hours)
    if until <= state.hour:
        return state
    doses = () if visit.dose is None else (visit.dose,)
    answer = yield storm.request(state, [doses], state.hour, until)
    return answer.state(0, until)
