"""What a yard may come to use, as futures: the forecast's members, and its own record beyond them.

A future is one member followed by one stretch of the record as long as what is left to cover; every
pair of them counts alike. Members of unlike forecasts are taken to be large together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from stormplan.arrays import Array, BoolArray, IntArray
from stormplan.numerics import HOUR
from stormplan.treatment.records import Action, Treatment

FORECAST_FUTURES = 100  # of the forecast: chances to the hundredth; our own choice
EMPTY_SHARE = 1e-9  # of what is there; less is rounding


@dataclass(frozen=True)
class Futures:
    """Amounts used by time, in each future.

    Attributes
    ----------
    hours : array (step,)
        From now to each use, in order [h].
    amounts : array (future, step)
        What it takes, in any one unit.
    """

    hours: Array
    amounts: Array

    def used_before(self, hours: float) -> Array:
        """Return what each future has used before a time from now [h]."""
        return np.asarray(self.amounts[:, self.hours < hours].sum(axis=1))

    def run_out_hours(self, on_hand: float) -> Array:
        """Return when what is on hand no longer does [h]; infinite where it does throughout."""
        used = np.cumsum(self.amounts, axis=1)
        is_out = used > on_hand * (1.0 + EMPTY_SHARE) + EMPTY_SHARE
        first = is_out.argmax(axis=1) if self.hours.size else np.zeros(len(used), dtype=int)
        hours = np.append(self.hours, np.inf)
        return np.asarray(np.where(is_out.any(axis=1), hours[first], np.inf))

    def followed_by(self, start_h: float, stretches: Array) -> Futures:
        """Return every future followed by every stretch of days from a time on.

        Parameters
        ----------
        start_h : float
            When the stretches begin [h].
        stretches : array (stretch, day)
            What each day takes, in the same unit.
        """
        days_h = start_h + 24.0 * np.arange(stretches.shape[1])
        known = np.repeat(self.amounts, len(stretches), axis=0)
        beyond = np.tile(stretches, (len(self.amounts), 1))
        return Futures(
            np.concatenate([self.hours, days_h]), np.concatenate([known, beyond], axis=1)
        )


@dataclass(frozen=True)
class PlannedUse:
    """Liquid and salt that a plan uses at one time, in each future of the forecast.

    Attributes
    ----------
    hour : float
        From now [h].
    additive : str or None
        Key of the additive; None for plain brine.
    additive_frac : float
        Its part by volume [-].
    volume_l, prewet_l : array (future,)
        Sprayed, and brine that wets salt [L].
    salt_kg : array (future,)
        Salt that is spread dry [kg].
    """

    hour: float
    additive: str | None
    additive_frac: float
    volume_l: Array
    prewet_l: Array
    salt_kg: Array


def planned_uses(treatments: Sequence[Treatment], now: datetime) -> tuple[PlannedUse, ...]:
    """Return what a plan uses or may come to use, in each future of the forecast.

    Parameters
    ----------
    treatments : sequence of Treatment
        Of all surfaces that a yard serves.
    now : datetime
        The present, aware UTC.

    Returns
    -------
    tuple of PlannedUse
        In order of time. A pre-treat takes what each member alone would, and an event that waits
        its usual rate at its onset; later visits take what is planned, in the members that bring
        the event, else in so many as its chance says.
    """
    amounts = [_member_amounts(one) for one in treatments]
    groups: dict[int, Array] = {}
    for one in amounts:
        if one.size:
            groups[one.size] = groups.get(one.size, np.zeros(one.size)) + one
    order = {size: total.argsort(kind="stable") for size, total in groups.items()}
    uses: list[PlannedUse] = []
    for treatment, own in zip(treatments, amounts, strict=True):
        comes, amount = _in_futures(treatment, own, order.get(own.size))
        uses += _uses(treatment, amount, comes, now)
    return tuple(sorted(uses, key=lambda use: use.hour))


def _in_futures(
    treatment: Treatment, own: Array, order: IntArray | None
) -> tuple[BoolArray, Array]:
    """Return in which futures the event of a treatment comes, and what it takes first.

    Members say what comes if it comes at all; how likely that is its chance says besides.
    """
    level = (np.arange(FORECAST_FUTURES) + 0.5) / FORECAST_FUTURES
    if treatment.event is None:
        return np.zeros(level.size, dtype=np.bool_), np.zeros(level.size)
    chance = treatment.event.probability
    if not own.size or order is None:
        return level > 1.0 - chance, np.zeros(level.size)
    in_members = float((own > 0.0).mean())
    at_all = min(chance / in_members, 1.0) if in_members > 0.0 else chance
    within = np.maximum(level - (1.0 - at_all), 0.0) / max(at_all, EMPTY_SHARE)
    member = order[np.minimum((within * own.size).astype(int), own.size - 1)]
    volume_l = np.where(level > 1.0 - at_all, own[member], 0.0)
    return volume_l > 0.0, volume_l


def _member_amounts(treatment: Treatment) -> Array:
    """Return what each member takes first: liquid [L], or dry salt [kg]; empty where none does."""
    usual = treatment.usual_use
    if usual is not None:
        return np.asarray(usual.member_volumes_l or usual.member_salt_kg)
    return np.asarray(treatment.member_volumes_l)


def _uses(
    treatment: Treatment, amount: Array, comes: BoolArray, now: datetime
) -> Iterable[PlannedUse]:
    """Yield what one treatment uses, in each future: its visits, or what it waits with."""

    def hour(at: datetime) -> float:
        return max((at - now) / HOUR, 0.0)

    none, usual = np.zeros(len(amount)), treatment.usual_use
    counted = comes.astype(float)
    if usual is not None and treatment.action is Action.WAIT and treatment.event is not None:
        liquid_l, salt_kg = (none, amount) if usual.member_salt_kg else (amount, none)
        blend = usual.additive, usual.additive_frac
        yield PlannedUse(hour(treatment.event.start), *blend, liquid_l, none, salt_kg)
    for visit in treatment.visits:
        blend = visit.additive, visit.additive_frac
        if usual is not None and visit.volume_l > 0.0:
            blend = usual.additive, usual.additive_frac
        is_pretreat = visit.action is Action.PRETREAT and bool(treatment.member_volumes_l)
        yield PlannedUse(
            hour(visit.at),
            *blend,
            amount if is_pretreat else counted * visit.volume_l,
            counted * visit.prewet_l,
            counted * visit.salt_kg,
        )


def product_futures(uses: Sequence[PlannedUse], product: str, factor: float) -> Futures:
    """Return what is used of an additive [L].

    Parameters
    ----------
    uses : sequence of PlannedUse
        Of the plan.
    product : str
        Key of the additive.
    factor : float
        On everything, for the reserve [-].
    """
    own = [use for use in uses if use.additive == product]
    return _futures(own, [factor * use.additive_frac * use.volume_l for use in own])


def salt_futures(
    uses: Sequence[PlannedUse], brine_on_hand_l: float, salt_kg_l: float, factor: float
) -> Futures:
    """Return what is used of salt: spread dry, and in brine once what is in the tanks is gone [kg].

    Parameters
    ----------
    uses : sequence of PlannedUse
        Of the plan.
    brine_on_hand_l : float
        Usable [L].
    salt_kg_l : float
        Salt as delivered in a liter of brine; 0 where the yard makes none [kg/L].
    factor : float
        On everything, for the reserve [-].
    """
    if not uses:
        return _futures([], [])
    brine_l = factor * np.array(
        [(1.0 - use.additive_frac) * use.volume_l + use.prewet_l for use in uses]
    )
    to_make_l = np.maximum(np.cumsum(brine_l, axis=0) - brine_on_hand_l, 0.0)
    made_l = np.diff(to_make_l, axis=0, prepend=0.0)
    spread_kg = factor * np.array([use.salt_kg for use in uses])
    return _futures(uses, list(salt_kg_l * made_l + spread_kg))


def _futures(own: Sequence[PlannedUse], amounts: Sequence[Array]) -> Futures:
    table = np.array(amounts).T if own else np.zeros((FORECAST_FUTURES, 0))
    return Futures(np.array([use.hour for use in own], dtype=float), table)
