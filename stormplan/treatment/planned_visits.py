"""What is planned for one surface: visits and treatments, amounts per area."""

from __future__ import annotations

from dataclasses import dataclass

from stormplan.events.detection import Event
from stormplan.treatment.candidates import (
    Dose,
    DoseResult,
    FilmRequest,
)
from stormplan.treatment.pretreatment import Window
from stormplan.treatment.records import Action, Reason, SolidRates

Reasons = tuple[Reason, ...]


@dataclass(frozen=True)
class PlannedVisit:
    """One visit, amounts per area: see ``records.Visit``. ``hour`` counts from now [h]."""

    hour: int
    action: Action
    text: str
    plow: bool = False
    dose: Dose | None = None
    sand_kg_m2: float = 0.0
    failure_hour: int | None = None
    reasons: Reasons = ()


@dataclass(frozen=True)
class PlannedPretreat:
    """The liquid ahead of an event, with all that was weighed and what was asked of it."""

    request: FilmRequest
    result: DoseResult
    results: tuple[DoseResult, ...]
    window: Window
    target_hour: int
    plow_by_mm: float | None


@dataclass(frozen=True)
class PlannedTreatment:
    """The course of action for one event, amounts per area."""

    event: Event
    action: Action
    text: str
    visits: tuple[PlannedVisit, ...] = ()
    pretreat: PlannedPretreat | None = None
    solid: SolidRates | None = None
    reasons: Reasons = ()
    cautions: tuple[str, ...] = ()


Course = tuple[PlannedTreatment, ...]
