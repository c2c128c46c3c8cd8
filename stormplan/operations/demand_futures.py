"""What a yard may come to use, as futures: the forecast's members, and its own record beyond them.

A future is one member followed by one stretch of the record as long as what is left to cover; every
pair of them counts alike. Members of unlike forecasts are taken to be large together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from stormplan.arrays import Array
from stormplan.numerics import HOUR
from stormplan.treatment.records import Action, Treatment

MIN_MEMBERS = 20  # where no forecast has more: chances to the twentieth; our own choice
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
    """Return what the visits of a plan use, in each future of the forecast.

    Parameters
    ----------
    treatments : sequence of Treatment
        Of all surfaces that a yard serves.
    now : datetime
        The present, aware UTC.

    Returns
    -------
    tuple of PlannedUse
        In order of time. A pre-treat takes what each member alone would; later visits take what is
        planned, in the members that bring the event, else in so many as its chance says.
    """
    groups: dict[int, Array] = {}
    for one in treatments:
        if one.member_volumes_l:
            size = len(one.member_volumes_l)
            groups[size] = groups.get(size, np.zeros(size)) + np.asarray(one.member_volumes_l)
    count = max([MIN_MEMBERS, *groups])
    level = (np.arange(count) + 0.5) / count
    member = {size: total.argsort()[(level * size).astype(int)] for size, total in groups.items()}
    uses = []
    for one in treatments:
        volumes = np.zeros(count)
        comes = np.zeros(count, dtype=bool)
        if one.member_volumes_l:
            volumes = np.asarray(one.member_volumes_l)[member[len(one.member_volumes_l)]]
            comes = volumes > 0.0
        elif one.event is not None:
            comes = level > 1.0 - one.event.probability
        for visit in one.visits:
            is_pretreat = visit.action is Action.PRETREAT and bool(one.member_volumes_l)
            uses.append(
                PlannedUse(
                    hour=max((visit.at - now) / HOUR, 0.0),
                    additive=visit.additive,
                    additive_frac=visit.additive_frac,
                    volume_l=volumes if is_pretreat else comes * visit.volume_l,
                    prewet_l=comes * visit.prewet_l,
                    salt_kg=comes * visit.salt_kg,
                )
            )
    return tuple(sorted(uses, key=lambda use: use.hour))


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
    return _futures(uses, own, [factor * use.additive_frac * use.volume_l for use in own])


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
        return _futures(uses, [], [])
    brine_l = factor * np.array(
        [(1.0 - use.additive_frac) * use.volume_l + use.prewet_l for use in uses]
    )
    to_make_l = np.maximum(np.cumsum(brine_l, axis=0) - brine_on_hand_l, 0.0)
    made_l = np.diff(to_make_l, axis=0, prepend=0.0)
    spread_kg = factor * np.array([use.salt_kg for use in uses])
    return _futures(uses, uses, list(salt_kg_l * made_l + spread_kg))


def _futures(
    uses: Sequence[PlannedUse], own: Sequence[PlannedUse], amounts: Sequence[Array]
) -> Futures:
    count = len(uses[0].volume_l) if uses else MIN_MEMBERS
    table = np.array(amounts).T if own else np.zeros((count, 0))
    return Futures(np.array([use.hour for use in own], dtype=float), table)
