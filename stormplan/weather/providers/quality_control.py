"""Quality control common to all sources: humidity, range, age and required variables.

A source reads its own form into arrays ``(hour,)`` or ``(hour, member)``; these functions derive
what it leaves out, drop what cannot be, mark both, and refuse hours that no plan can stand on.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import ParamSpec, TypeVar

import numpy as np

from stormplan.arrays import Array, FlagArray
from stormplan.errors import ForecastError
from stormplan.weather import forecast, moist_air
from stormplan.weather.forecast import (
    REQUIRED_VARIABLES,
    CellForecast,
    QualityFlag,
    Substitution,
    any_member,
    set_flag,
)
from stormplan.weather.providers.intervals import HourAxis, Notes, format_utc

Params = ParamSpec("Params")
Parsed = TypeVar("Parsed")

MIN_COVERAGE_H = 24
MIN_KNOWN_H = 12  # of these; with less the night is a guess, not a range
#: What a parser raises on a form it does not expect.
UNEXPECTED_FORM_ERRORS = (TypeError, ValueError, LookupError, AttributeError, ArithmeticError)
#: Less chance than this beside words that name precipitation as likely, or beside an amount: the
#: forecast contradicts itself (sanity limits of ours).
LIKELY_WORDS, LIKELY_WORDS_MAX_POP = 0.6, 0.2
CONTRADICTED_POP, CONTRADICTING_AMOUNT_MM = 0.05, 0.25
#: A model's rounding goes this far below zero; what is lower is a code for a missing value.
MIN_ROUNDING_MM = -0.5
WARN_AGE, STALE_AGE = timedelta(hours=8), timedelta(hours=12)
DEW_POINT_TOLERANCE_K = 0.6  # both are rounded to whole °F; more than this is an error
HUMIDITY_TOLERANCE_PCT = 10.0
MAX_TEMP_CHANGE_K_H = 15.0  # per hour


def drop_out_of_range(name: str, values: Array, source_name: str, notes: Notes) -> Array:
    """Drop values outside the sane range of a variable.

    Parameters
    ----------
    name : str
        Key of the forecast's ``VARIABLES``.
    values : array
        In the variable's own unit [-].
    source_name : str
        What the source calls it, for the note.
    notes : Notes
        Told of what was dropped.

    Returns
    -------
    array
        NaN where the value was out of range.
    """
    limits = forecast.VARIABLES[name]
    outside = (values < limits.lowest) | (values > limits.highest)
    if outside.any():
        notes.add(
            f"{source_name}: value outside {limits.lowest:g} to {limits.highest:g} {limits.unit}, "
            f"dropped in {any_member(outside).sum()} h",
            f"{values[outside][0]:g}",
        )
    return np.where(outside, np.nan, values)


def drop_missing_codes(rows: Array, source_name: str, notes: Notes) -> Array:
    """Drop amounts further below zero than a model's rounding, or beyond any rate that falls."""
    highest = forecast.VARIABLES["precip_mm"].highest
    with np.errstate(invalid="ignore"):
        coded = (rows < MIN_ROUNDING_MM) | (rows > highest)
    if coded.any():
        notes.add(
            f"{source_name}: a code for a missing value in {any_member(coded).sum()} h, dropped",
            f"{rows[coded][0]:g}",
        )
    return np.where(coded, np.nan, rows)


def reconcile_humidity(values: dict[str, Array], flags: dict[str, FlagArray], notes: Notes) -> None:
    """Reconcile temperature, dew point and humidity; derive the missing one."""
    temp, humid = values["air_temp_c"], values["rel_humidity_pct"]
    dew = values["dew_point_c"]
    impossible = dew > temp + DEW_POINT_TOLERANCE_K
    if impossible.any():
        hours = any_member(impossible).sum()
        notes.add(f"dew point: above the air temperature in {hours} h, dropped")
    dew = np.where(impossible, np.nan, dew)
    set_flag(flags, "dew_point_c", dew > temp, QualityFlag.CLIPPED)
    dew = np.where(dew > temp, temp, dew)
    derived = np.isnan(dew) & np.isfinite(temp) & (humid > 0.0)
    dew = np.where(derived, moist_air.dew_point_c(temp, np.where(humid > 0.0, humid, 100.0)), dew)
    set_flag(flags, "dew_point_c", derived, QualityFlag.MODELED)
    values["dew_point_c"] = dew

    from_dew = moist_air.rel_humidity_pct(temp, dew)
    apart = np.abs(humid - from_dew) > HUMIDITY_TOLERANCE_PCT
    if apart.any():
        notes.add(
            f"relative humidity: more than {HUMIDITY_TOLERANCE_PCT:g} points from that of "
            "temperature "
            f"and dew point in {any_member(apart).sum()} h; temperature and dew point are used"
        )
    set_flag(
        flags, "rel_humidity_pct", np.isnan(humid) & np.isfinite(from_dew), QualityFlag.MODELED
    )
    values["rel_humidity_pct"] = np.where(np.isnan(humid), from_dew, humid)


def note_temp_jumps(values: Mapping[str, Array], axis: HourAxis, notes: Notes) -> None:
    """Add a note where the temperature changes implausibly fast."""
    jumps = np.flatnonzero(
        any_member(np.abs(np.diff(values["air_temp_c"], axis=0)) > MAX_TEMP_CHANGE_K_H)
    )
    if jumps.size:
        notes.add(
            f"temperature: jumps by more than {MAX_TEMP_CHANGE_K_H:g} K within an hour",
            format_utc(axis.hour_start(int(jumps[0]))),
        )


def check_required_variables(
    label: str, values: Mapping[str, Array], axis: HourAxis, now: datetime
) -> None:
    """Raise if too little is known of the next 24 hours to plan on.

    The temperature must be known in half of them, and it or precipitation in the last.

    Parameters
    ----------
    label : str
        Source and cell, for the message.
    values : mapping of array (hour,) or (hour, member)
        By name of the forecast's variables [-].
    axis : HourAxis
        The hours of the arrays.
    now : datetime
        The moment planned for, aware UTC.

    Raises
    ------
    ForecastError
        Says which variable is missing, for how many hours, and from when.
    """
    first = axis.hour_index(now)

    def missing(names: Sequence[str]) -> list[int]:
        known = np.all([~any_member(~np.isfinite(values[name])) for name in names], axis=0)
        day = range(first, first + MIN_COVERAGE_H)
        return [hour for hour in day if not (0 <= hour < axis.n_hours and known[hour])]

    no_air, no_water = missing(REQUIRED_VARIABLES), missing(("precip_mm",))
    last = first + MIN_COVERAGE_H - 1
    if len(no_air) > MIN_COVERAGE_H - MIN_KNOWN_H or (last in no_air and last in no_water):
        lead_h = no_air[0] - first
        since = f"{lead_h} h from now" if lead_h else "this hour"
        raise ForecastError(
            f"{label}: {forecast.VARIABLES['air_temp_c'].meaning} is not known for {len(no_air)} "
            f"of the next {MIN_COVERAGE_H} h (the first of them {since}); a "
            f"plan needs it for {MIN_KNOWN_H} of them, and a forecast that reaches their end"
        )


def reconcile_chance(
    values: dict[str, Array], chance_of_words: Array, flags: Mapping[str, FlagArray], notes: Notes
) -> None:
    """Plan on the likelier side where the chance contradicts the words or the amounts.

    Parameters
    ----------
    values : dict of array (hour,) or (hour, member)
        ``pop`` is raised to the chance of the words, or unknown where an amount contradicts it [-].
    chance_of_words : array, like them
        Chance the words give to precipitation, NaN where they say nothing [-].
    flags : mapping of array (hour,)
        Where the chance was changed is flagged [-].
    notes : Notes
        Told of the contradiction.
    """
    pop, water = values["pop"], values["precip_mm"]
    with np.errstate(invalid="ignore"):
        by_words = (pop <= LIKELY_WORDS_MAX_POP) & (chance_of_words >= LIKELY_WORDS)
        by_amount = (pop < CONTRADICTED_POP) & (water >= CONTRADICTING_AMOUNT_MM) & ~by_words
    for contradicted, beside in ((by_words, "words that call it likely"), (by_amount, "amounts")):
        if contradicted.any():
            notes.add(
                f"chance of precipitation near 0 % beside {beside} in "
                f"{any_member(contradicted).sum()} h; the {beside.split()[0]} are planned on",
                is_contradiction=True,
            )
            set_flag(flags, "pop", contradicted, QualityFlag.CLIPPED)
    pop = np.where(by_words, chance_of_words, pop)
    values["pop"] = np.where(by_amount, np.nan, pop)


def disbelieve_future_issue(
    cell: CellForecast, now: datetime, tolerance: timedelta
) -> CellForecast:
    """Return a forecast whose time of issue lies ahead of its receipt as issued at its receipt.

    Parameters
    ----------
    cell : CellForecast
        As read.
    now : datetime
        The moment planned for, aware UTC.
    tolerance : timedelta
        How far ahead is believed.
    """
    known_at = min(cell.fetched_at, now)
    if cell.issued_at <= known_at + tolerance:
        return cell
    text = (
        f"says it was issued {format_utc(cell.issued_at)}, after it was received: not believed, "
        "the time of receipt is used"
    )
    return replace(
        cell, issued_at=known_at,
        substitutions=(*cell.substitutions, Substitution(f"time of issue: {text}")),
    )  # fmt: skip


def note_age(issued_at: datetime, now: datetime, notes: Notes) -> bool:
    """Add a note for an old forecast; return whether it is stale."""
    age = now - issued_at
    hours = abs(age) / timedelta(hours=1)
    if age > STALE_AGE:
        notes.add(f"stale: issued {format_utc(issued_at)}, {hours:.0f} h ago")
    elif age > WARN_AGE:
        notes.add(f"getting old: issued {format_utc(issued_at)}, {hours:.0f} h ago")
    return age > STALE_AGE


def unexpected_form(source: str, place: str, error: BaseException) -> ForecastError:
    """Return a parser's error as that of one reply, with its place and the key it stumbled at."""
    where = traceback.extract_tb(error.__traceback__)[-1]
    return ForecastError(
        f"{source} {place}: the reply has a form that cannot be read "
        f"({type(error).__name__}: {str(error)[:80]}, at '{(where.line or '')[:60]}')"
    )


def refuse_unexpected_form(
    parse: Callable[Params, Parsed], source: str, place: str
) -> Callable[Params, Parsed]:
    """Return a parser whose unexpected errors are those of the one reply it reads."""

    def guarded(*args: Params.args, **kwargs: Params.kwargs) -> Parsed:
        try:
            return parse(*args, **kwargs)
        except UNEXPECTED_FORM_ERRORS as error:
            raise unexpected_form(source, place, error) from error

    return guarded


def flag_age(cell: CellForecast, now: datetime) -> CellForecast:
    """Note a forecast's age, and flag it where it is stale."""
    notes = Notes()
    stale = note_age(cell.issued_at, now, notes)
    aged = replace(cell, notes=(*cell.notes, *notes.lines()))
    if not stale:
        return aged
    return replace(
        aged,
        stale=True,
        flags={name: mark | np.uint16(QualityFlag.STALE) for name, mark in cell.flags.items()},
    )


def require_usable(cell: CellForecast, now: datetime) -> CellForecast:
    """Raise if a reply knows no temperature from the moment planned for on.

    Everything else that it lacks may come from an older copy, another source or a rule.

    Raises
    ------
    ForecastError
        Says what is missing.
    """
    known_until = cell.known_until("air_temp_c")
    if known_until is None or known_until <= now:
        until = "at all" if known_until is None else f"after {format_utc(known_until)}"
        raise ForecastError(
            f"{cell.source} {cell.cell_id}: {forecast.VARIABLES['air_temp_c'].meaning} is not "
            f"known {until}"
        )
    return flag_age(cell, now)


def require_plannable(cell: CellForecast, now: datetime) -> CellForecast:
    """Raise if no plan can be made from a forecast; flag it where it is stale.

    Parameters
    ----------
    cell : CellForecast
        As read.
    now : datetime
        The moment planned for, aware UTC.

    Raises
    ------
    ForecastError
        A required variable is unknown in one of the 24 h from ``now``.
    """
    check_required_variables(
        f"{cell.source} {cell.cell_id}", cell.values, HourAxis(cell.start, cell.n_hours), now
    )
    return flag_age(cell, now)
