"""The mornings of a season, planned again: a table for the screen, and one for a spreadsheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stormplan import units
from stormplan.errors import ExitCode
from stormplan.planning.morning_work import MorningWork, total_work
from stormplan.words.exports import csv_text
from stormplan.words.formatting import pluralize

#: How complete a plan is, in a word.
COMPLETENESS = {
    ExitCode.COMPLETE: "",
    ExitCode.DEGRADED: "incomplete",
    ExitCode.NOTHING_PLANNED: "no forecast",
}
NUMBERS = ("surfaces", "pre-treats", "missed", "liquid", "salt", "chloride", "cost", "changes")


def _numbers(work: MorningWork, unit_system: str) -> list[float | None]:
    us = unit_system == "us"
    volume_l, mass_kg = (units.L_PER_GAL, units.KG_PER_LB) if us else (1.0, 1.0)
    return [
        work.surface_count,
        work.pretreat_count,
        work.missed_count,
        round(work.liquid_l / volume_l),
        round(work.salt_kg / mass_kg),
        round(work.chloride_kg / mass_kg),
        None if work.cost is None else round(work.cost),
        work.change_count,
    ]


def heading_line(unit_system: str) -> str:
    """Return the heading of the table, its units in a second line."""
    volume, mass = ("gal", "lb") if unit_system == "us" else ("L", "kg")
    of = {"liquid": volume, "salt": mass, "chloride": mass}
    first = f"{'morning':10s}  {'verdict':8s}" + "".join(f"{name:>11s}" for name in NUMBERS)
    return f"{first}\n{'':20s}" + "".join(f"{of.get(name, ''):>11s}" for name in NUMBERS)


def morning_line(work: MorningWork, unit_system: str) -> str:
    """Return the line of a morning: what goes out in the 24 hours after its plan."""
    is_planned = work.exit_code is not ExitCode.NOTHING_PLANNED
    cells = _cells(_numbers(work, unit_system)) if is_planned else ""
    return f"{work.day}  {work.verdict:8s}{cells}  {COMPLETENESS[work.exit_code]}".rstrip()


def _cells(numbers: Iterable[float | None]) -> str:
    return "".join(f"{'?' if one is None else format(one, ',.0f'):>11s}" for one in numbers)


def summary_lines(
    mornings: Sequence[MorningWork], others: Sequence[MorningWork], unit_system: str
) -> list[str]:
    """Return the sums of a season, and how those of another sites file differ.

    Parameters
    ----------
    mornings : sequence of MorningWork
        At least one.
    others : sequence of MorningWork
        The same mornings by the other sites file; empty where there is none.
    unit_system : str
        ``"us"`` or ``"metric"``.
    """
    ours = _numbers(total_work(mornings), unit_system)
    lines = [f"{'together':20s}{_cells(ours)}"]
    if others:
        theirs = _numbers(total_work(others), unit_system)
        more = [
            None if a is None or b is None else b - a for a, b in zip(ours, theirs, strict=True)
        ]
        differing = sum(
            _numbers(a, unit_system)[:-1] != _numbers(b, unit_system)[:-1]
            for a, b in zip(mornings, others, strict=True)
        )
        lines += [f"{'against':20s}{_cells(theirs)}", f"{'difference':20s}{_cells(more)}"]
        lines += [f"{pluralize(differing, 'morning')} of {len(mornings)} would have differed"]
    unplanned = sum(one.exit_code is ExitCode.NOTHING_PLANNED for one in mornings)
    short = sum(one.exit_code is ExitCode.DEGRADED for one in mornings)
    if unplanned:
        lines += [f"{pluralize(unplanned, 'morning')} had no forecast in the archive"]
    if short:
        lines += [f"{pluralize(short, 'morning')} had less than a plan asks for"]
    if any(one.cost is None for one in (*mornings, *others)):
        lines += ["?: a price is missing in the sites file"]
    return lines


def season_csv(seasons: Iterable[tuple[str, Sequence[MorningWork]]], unit_system: str) -> str:
    """Write one row for each morning and sites file.

    Parameters
    ----------
    seasons : iterable of (str, sequence of MorningWork)
        Name of each sites file, and what its mornings come to.
    unit_system : str
        ``"us"`` or ``"metric"``.
    """
    volume, mass = ("gal", "lb") if unit_system == "us" else ("L", "kg")
    heading = [
        *("sites_file", "morning", "verdict", "plan", "surfaces", "pretreats", "missed"),
        *(f"liquid_{volume}", f"salt_{mass}", f"chloride_{mass}", "cost", "changes"),
    ]
    return csv_text(
        heading,
        (
            [
                *(name, work.day.isoformat(), work.verdict),
                COMPLETENESS[work.exit_code] or "complete",
                *(
                    _numbers(work, unit_system)
                    if work.exit_code is not ExitCode.NOTHING_PLANNED
                    else [None] * len(NUMBERS)
                ),
            ]
            for name, mornings in seasons
            for work in mornings
        ),
    )
