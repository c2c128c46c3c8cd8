"""What planned visits leave of a surface, one after the other, with pavement and film coupled."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from stormplan.arrays import Array
from stormplan.physics import surface_simulation
from stormplan.physics.film import PlowPasses
from stormplan.physics.film_condition import VAPOR_FLOWS, FilmHours
from stormplan.physics.pavement import Columns
from stormplan.physics.surface_simulation import Branches, RestartState
from stormplan.treatment.candidates import MAX_FILMS_PER_CALL, Dose, Mixtures
from stormplan.treatment.planned_visits import Course
from stormplan.treatment.surface_case import SurfaceCase
from stormplan.weather.forecast import Forecast

#: What stages are judged by.
STAGE_VARIABLES = (
    "surface_c", "water_mm", "ice_mm", "frost_mm", "snow_mm", "salts_kg_m2", *VAPOR_FLOWS,
)  # fmt: skip


@dataclass(frozen=True)
class CoupledModel:
    """What the coupled simulation needs: all hours, the columns, and where the past left them."""

    forecast: Forecast
    columns: Columns
    restart: RestartState


@dataclass(frozen=True)
class Stage:
    """A surface as some of its planned visits leave it if nothing follows."""

    column: int
    doses: tuple[Dose, ...]
    plow_hours: tuple[int, ...]
    residual_mm: float


@dataclass(frozen=True)
class StageRuns:
    """What becomes of stages: film, (hour, stage, member), and surface under it [°C]."""

    stages: tuple[Stage, ...]
    film: FilmHours
    surface_c: Array

    @cached_property
    def rows(self) -> dict[Stage, int]:
        """Each stage's place [-]."""
        return {stage: row for row, stage in enumerate(self.stages)}


def untreated_stage(case: SurfaceCase) -> Stage:
    """Return a surface on which nothing more is put down."""
    return Stage(case.column, (), case.plow_hours, case.residual_mm)


def stages_of(case: SurfaceCase, course: Course) -> tuple[Stage, ...]:
    """Return the stages of a course: after its first dose, after two, and so on to its last."""
    doses = sorted(
        (visit.dose for item in course for visit in item.visits if visit.dose is not None),
        key=lambda dose: dose.hour,
    )
    return tuple(
        replace(untreated_stage(case), doses=tuple(doses[: count + 1]))
        for count in range(len(doses))
    )


def run_stages(
    courses: Sequence[Sequence[Stage]], mixtures: Mixtures, coupled: CoupledModel
) -> list[StageRuns]:
    """Run all stages of some courses; each course is in one of the runs.

    Parameters
    ----------
    courses : sequence of sequence of Stage
        Of each course, one dose more from one to the next.
    mixtures : Mixtures
        For what is in the blends.
    coupled : CoupledModel
        What they are run on.

    Returns
    -------
    list of StageRuns
        Every hour ahead.
    """
    most = max(MAX_FILMS_PER_CALL // coupled.forecast.n_members, 1)
    return [_run(piece, mixtures, coupled) for piece in _pieces(courses, most)]


def _pieces(courses: Sequence[Sequence[Stage]], most: int) -> Iterator[list[Sequence[Stage]]]:
    """Cut courses into pieces of so many stages."""
    piece: list[Sequence[Stage]] = []
    for stages in courses:
        if piece and sum(map(len, piece)) + len(stages) > most:
            yield piece
            piece = []
        piece.append(stages)
    if piece:
        yield piece


def _run(
    courses: Sequence[Sequence[Stage]], mixtures: Mixtures, coupled: CoupledModel
) -> StageRuns:
    """Run each course to its end; an earlier stage is as its last one until the next dose."""
    last = {stages[-1]: None for stages in courses if stages}
    place = {stage: at for at, stage in enumerate(last)}
    earlier = {
        stage: (following.doses[-1].hour, place[stages[-1]])
        for stages in courses
        for stage, following in pairwise(stages)
        if stage not in last
    }
    branches = sorted(earlier, key=lambda stage: earlier[stage])
    hour, parent = np.array([earlier[stage] for stage in branches], dtype=np.intp).reshape(-1, 2).T
    stages = (*last, *branches)
    run = surface_simulation.simulate(
        coupled.forecast,
        Columns.from_records([coupled.columns.records[stage.column] for stage in stages]),
        mixtures.applications(
            [(dose.hour, row, dose) for row, stage in enumerate(stages) for dose in stage.doses]
        ),
        _plow_passes(stages),
        restart_from=coupled.restart,
        branches=Branches(parent, hour),
        variables=STAGE_VARIABLES,
    )
    return StageRuns(stages, run.film, run.surface_c)


def _plow_passes(stages: Sequence[Stage]) -> PlowPasses | None:
    return PlowPasses.from_rows(
        [
            (hour, row, stage.residual_mm)
            for row, stage in enumerate(stages)
            for hour in stage.plow_hours
        ]
    )
