"""Ensemble statistics of one event: median, interval and probability.

Members agree on a storm more than on its hours. What is typical of each hour, summed up, is less
than a typical storm: so each member is summed up first, and only then compared with the others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from stormplan.arrays import Array, BoolArray
from stormplan.physics.ensemble import P10_P90
from stormplan.physics.normal_distribution import mixture_quantiles

#: Fewer members than this say little of a tenth at either end.
MIN_MEMBERS_FOR_RANGE = 9
#: Hours around an event in which a member's own may begin or end.
EVENT_EDGE_H = 6


def median(values: Array) -> Array:
    """Return the median over the last axis; NaN where any value is.

    Parameters
    ----------
    values : array (..., member)
        Of any unit [-].

    Returns
    -------
    array (...)
        The same unit [-].
    """
    count = values.shape[-1]
    if count == 1:
        return values[..., 0]
    ordered = np.sort(values, axis=-1)  # NaN comes last
    middle = 0.5 * (ordered[..., (count - 1) // 2] + ordered[..., count // 2])
    return np.where(np.isnan(ordered[..., -1]), np.nan, middle)


def fill_unknown(values: Array, fill: float) -> Array:
    """Return values with one in place of each that is unknown."""
    return np.where(np.isnan(values), fill, values)


@dataclass(frozen=True)
class MemberSeries:
    """Series by member: arrays ``(hour, member)``; unknown counts as none.

    Of many columns at once they are ``(hour, column, member)``, and ``column`` takes one of them
    out.

    Attributes
    ----------
    precip_mm, snowfall_cm : array
        Water of all phases, and new snow, in the hour [mm], [cm].
    surface_c : array
        Bare surface, infinite where not known [°C].
    hazard_probability : array
        Of the hazard that is summed up [-].
    present : array of bool
        Whether it is there.
    """

    precip_mm: Array
    snowfall_cm: Array
    surface_c: Array
    hazard_probability: Array
    present: BoolArray

    def column(self, at: int) -> MemberSeries:
        """Return the series of one column of many."""
        return MemberSeries(**{name: values[:, at] for name, values in vars(self).items()})

    def totals(self, run: slice) -> Array:
        """Return totals and extremes over some hours of each member in which it comes.

        Water and new snow [mm], [cm]; the most snow of an hour [cm]; and the lowest surface [°C]:
        (4, member).
        """
        snowfall_cm = self.snowfall_cm[run]
        found = np.array(
            [
                self.precip_mm[run].sum(axis=0),
                snowfall_cm.sum(axis=0),
                snowfall_cm.max(axis=0),
                self.surface_c[run].min(axis=0),
            ]
        )
        comes = self.has_event(run)
        return found[:, comes] if len(comes) > 1 and comes.any() else found

    def min_pavement_temp_range_c(
        self, coldest_c: Array, error_k: float
    ) -> tuple[float, float] | None:
        """Return the p10-p90 interval of the lowest pavement temperature of some hours [°C].

        The truth is taken to be one of the members in which it comes, (member,) [°C], but for an
        error of the pavement model [K].
        """
        if len(coldest_c) < MIN_MEMBERS_FOR_RANGE or not np.isfinite(coldest_c).all():
            return None
        low, high = mixture_quantiles(coldest_c, np.array([error_k]), P10_P90)
        return float(low), float(high)

    def has_event(self, run: slice) -> BoolArray:
        """Return which members have the event in any of some hours, (member,)."""
        return np.asarray(self.present[run].any(axis=0))

    def start_end_ranges(self, run: slice) -> tuple[tuple[int, int], tuple[int, int]] | None:
        """Return p10-p90 ranges of the first hour and of the hour after the last.

        A member's own event may begin or end some hours outside the common one.
        """
        around = slice(max(run.start - EVENT_EDGE_H, 0), run.stop + EVENT_EDGE_H)
        there = self.present[around]
        there = there[:, there.any(axis=0)]
        if there.shape[1] < MIN_MEMBERS_FOR_RANGE:
            return None
        first = np.sort(there.argmax(axis=0)) + around.start
        after = around.start + len(there) - np.sort(there[::-1].argmax(axis=0))[::-1]
        low, high = (math.ceil(share * there.shape[1] - 1) for share in (0.1, 0.9))
        return (int(first[low]), int(first[high])), (int(after[low]), int(after[high]))

    def probability(self, run: slice) -> float:
        """Return the probability of the event in any of some hours [-]."""
        return float(self.hazard_probability[run].max(axis=0).mean())
