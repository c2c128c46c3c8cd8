"""What a yard may come to use, as futures: the forecast's members, and its own record beyond them.

A future is one member followed by one stretch of the record as long as what is left to cover; every
pair of them counts alike. Members of unlike forecasts are taken to be large together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

import numpy as np

from stormplan.arrays import Array, BoolArray
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


class PlannedUse(NamedTuple):
    """Liquid and salt that a plan uses at one time.

    Attributes
    ----------
    hour : float
        From now [h].
    treatment : int
        Place of its treatment among all [-].
    additive : str or None
        Key of the additive; None for plain brine.
    additive_frac : float
        Its part by volume [-].
    volume_l : float or None
        Sprayed where the event comes; None: what the event takes first [L].
    prewet_l : float
        Brine that wets salt, where the event comes [L].
    salt_kg : float or None
        Salt that is spread dry where the event comes; None: what the event takes first [kg].
    """

    hour: float
    treatment: int
    additive: str | None
    additive_frac: float
    volume_l: float | None
    prewet_l: float
    salt_kg: float | None


@dataclass(frozen=True)
class PlannedUses:
    """All that a plan uses, in each future of the forecast.

    Attributes
    ----------
    hours : array (use,)
        From now, in order [h].
    additives : tuple of str or None
        Key of the additive of each use; None for plain brine.
    additive_fracs : array (use,)
        Its part by volume [-].
    volumes_l, prewet_l : array (use, future)
        Sprayed, and brine that wets salt [L].
    salt_kg : array (use, future)
        Salt that is spread dry [kg].
    """

    hours: Array
    additives: tuple[str | None, ...]
    additive_fracs: Array
    volumes_l: Array
    prewet_l: Array
    salt_kg: Array


def planned_uses(treatments: Sequence[Treatment], now: datetime) -> PlannedUses:
    """Return what a plan uses or may come to use, in each future of the forecast.

    Parameters
    ----------
    treatments : sequence of Treatment
        Of all surfaces that a yard serves.
    now : datetime
        The present, aware UTC.

    Returns
    -------
    PlannedUses
        A pre-treat takes what each member alone would, and an event that waits its usual rate at
        its onset; later visits take what is planned, in the members that bring the event, else in
        so many as its chance says.
    """
    comes, first = _in_futures(treatments)
    uses = [use for at, one in enumerate(treatments) for use in _uses(at, one, now)]
    uses.sort(key=lambda use: use.hour)
    own = [use.treatment for use in uses]
    comes, first = comes[own], first[own]

    def amounts(stated: Sequence[float | None]) -> Array:
        fixed = np.array(stated, dtype=float)[:, None]  # None becomes NaN
        return np.where(np.isnan(fixed), first, comes * fixed)

    return PlannedUses(
        hours=np.array([use.hour for use in uses], dtype=float),
        additives=tuple(use.additive for use in uses),
        additive_fracs=np.array([use.additive_frac for use in uses], dtype=float),
        volumes_l=amounts([use.volume_l for use in uses]),
        prewet_l=amounts([use.prewet_l for use in uses]),
        salt_kg=amounts([use.salt_kg for use in uses]),
    )


def _in_futures(treatments: Sequence[Treatment]) -> tuple[BoolArray, Array]:
    """Return in which futures the event of each treatment comes, and what it takes first.

    Members say what comes if it comes at all; how likely that is its chance says besides. Arrays
    (treatment, future).
    """
    level = (np.arange(FORECAST_FUTURES) + 0.5) / FORECAST_FUTURES
    chances = np.array([one.event.probability if one.event else 0.0 for one in treatments])
    comes = level > 1.0 - chances.reshape(-1, 1)
    first = np.zeros(comes.shape)
    own = [_member_amounts(one) for one in treatments]
    for size in {len(one) for one in own} - {0}:
        rows = [at for at, one in enumerate(own) if len(one) == size]
        amounts, chance = np.array([own[at] for at in rows]), chances[rows, None]
        order = amounts.cumsum(axis=0)[-1].argsort(kind="stable")
        in_members = (amounts > 0.0).mean(axis=1, keepdims=True)
        at_all = np.minimum(chance / np.where(in_members > 0.0, in_members, 1.0), 1.0)
        within = np.maximum(level - (1.0 - at_all), 0.0) / np.maximum(at_all, EMPTY_SHARE)
        member = order[np.minimum((within * size).astype(int), size - 1)]
        taken = np.take_along_axis(amounts, member, axis=1)
        first[rows] = np.where(level > 1.0 - at_all, taken, 0.0)
        comes[rows] = first[rows] > 0.0
    return comes, first


def _member_amounts(treatment: Treatment) -> Sequence[float]:
    """Return what each member takes first: liquid [L], or dry salt [kg]; empty where none does."""
    usual = treatment.usual_use
    if usual is not None:
        return usual.member_volumes_l or usual.member_salt_kg
    return treatment.member_volumes_l


def _uses(at: int, treatment: Treatment, now: datetime) -> Iterable[PlannedUse]:
    """Yield what the treatment in one place of all uses: its visits, or what it waits with."""

    def hour(moment: datetime) -> float:
        return max((moment - now) / HOUR, 0.0)

    usual = treatment.usual_use
    if usual is not None and treatment.action is Action.WAIT and treatment.event is not None:
        liquid_l, salt_kg = (0.0, None) if usual.member_salt_kg else (None, 0.0)
        blend = usual.additive, usual.additive_frac
        yield PlannedUse(hour(treatment.event.start), at, *blend, liquid_l, 0.0, salt_kg)
    for visit in treatment.visits:
        blend = visit.additive, visit.additive_frac
        if usual is not None and visit.volume_l > 0.0:
            blend = usual.additive, usual.additive_frac
        is_pretreat = visit.action is Action.PRETREAT and bool(treatment.member_volumes_l)
        volume_l = None if is_pretreat else visit.volume_l
        yield PlannedUse(hour(visit.at), at, *blend, volume_l, visit.prewet_l, visit.salt_kg)


def product_futures(uses: PlannedUses, product: str, factor: float) -> Futures:
    """Return what is used of an additive [L].

    Parameters
    ----------
    uses : PlannedUses
        Of the plan.
    product : str
        Key of the additive.
    factor : float
        On everything, for the reserve [-].
    """
    own = [at for at, additive in enumerate(uses.additives) if additive == product]
    additive_l = (factor * uses.additive_fracs[own])[:, None] * uses.volumes_l[own]
    return Futures(uses.hours[own], additive_l.T)


def salt_futures(
    uses: PlannedUses, brine_on_hand_l: float, salt_kg_l: float, factor: float
) -> Futures:
    """Return what is used of salt: spread dry, and in brine once what is in the tanks is gone [kg].

    Parameters
    ----------
    uses : PlannedUses
        Of the plan.
    brine_on_hand_l : float
        Usable [L].
    salt_kg_l : float
        Salt as delivered in a liter of brine; 0 where the yard makes none [kg/L].
    factor : float
        On everything, for the reserve [-].
    """
    plain_fracs = (1.0 - uses.additive_fracs)[:, None]
    brine_l = factor * (plain_fracs * uses.volumes_l + uses.prewet_l)
    to_make_l = np.maximum(np.cumsum(brine_l, axis=0) - brine_on_hand_l, 0.0)
    made_l = np.diff(to_make_l, axis=0, prepend=0.0)
    return Futures(uses.hours, (salt_kg_l * made_l + factor * uses.salt_kg).T)
