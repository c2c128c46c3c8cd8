"""Several forecasts of one storm: what is typical of it, how far they spread, how likely it is.

Members agree on a storm more than on its hours. What is typical of each hour, summed up, is less
than a typical storm: so each member is summed up first, and only then compared with the others.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stormplan.physics.ensemble import FOUR_OF_FIVE, quantiles
from stormplan.weather.forecast import PHASES, Array

#: Fewer members than this say little of a tenth at either end.
FEWEST_FOR_RANGE = 9
#: Hours around an event in which a member's own may begin or end.
EDGE_H = 6


def median(values: Array) -> Array:
    """Median over the last axis, NaN where any value is: for short axes, many times.

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


@dataclass(frozen=True)
class Members:
    """One column's members beside each other: arrays ``(hour, member)``, unknown as nothing.

    Attributes
    ----------
    water_mm, snow_cm : array
        Water of all phases, and new snow, in the hour [mm], [cm].
    surface_c : array
        Bare surface, infinite where not known [°C].
    chance : array
        Of the hazard that is summed up [-].
    there : array of bool
        Whether it is there [-].
    """

    water_mm: Array
    snow_cm: Array
    surface_c: Array
    chance: Array
    there: NDArray[np.bool_]

    @classmethod
    def of(
        cls,
        series: Mapping[str, Array],
        surface_c: Array,
        chance: Array,
        there: NDArray[np.bool_],
    ) -> Members:
        """Take them from forecast variables, a surface, chances and hazards, all (hour, member)."""
        return cls(
            np.nansum([series[name] for name in PHASES], axis=0),
            np.nan_to_num(series["snow_depth_cm"]),
            np.where(np.isnan(surface_c), np.inf, surface_c),
            chance,
            there,
        )

    def typical(self, values: Array, run: slice, total: Callable[..., Any]) -> float:
        """Median of a sum or extreme over some hours, of the members in which it comes."""
        return float(median(self._totals(values, run, total)))

    def coldest_range_c(self, run: slice, error_dc: float) -> tuple[float, float] | None:
        """Interval that holds the coldest pavement of some hours four times in five [°C].

        The truth is taken to be one of the members in which it comes, but for an error of the
        pavement model [K].
        """
        coldest_c = self._totals(self.surface_c, run, np.min)
        if len(coldest_c) < FEWEST_FOR_RANGE or not np.isfinite(coldest_c).all():
            return None
        low, high = quantiles(coldest_c, np.array([error_dc]), FOUR_OF_FIVE)
        return float(low), float(high)

    def comes(self, run: slice) -> NDArray[np.bool_]:
        """Tell in which members it comes in any of some hours, (member,)."""
        return np.asarray(self.there[run].any(axis=0))

    def _totals(self, values: Array, run: slice, total: Callable[..., Any]) -> Array:
        """One sum or extreme over some hours for each member in which it comes."""
        chosen = values[run]
        if chosen.shape[1] > 1:
            comes = self.comes(run)
            chosen = chosen[:, comes] if comes.any() else chosen
        return np.asarray(total(chosen, axis=0))

    def ends(self, run: slice) -> tuple[tuple[int, int], tuple[int, int]] | None:
        """First hour and hour after the last, of four members in five in which it comes.

        A member's own event may begin or end some hours outside the common one.
        """
        around = slice(max(run.start - EDGE_H, 0), run.stop + EDGE_H)
        there = self.there[around]
        there = there[:, there.any(axis=0)]
        if there.shape[1] < FEWEST_FOR_RANGE:
            return None
        first = np.sort(there.argmax(axis=0)) + around.start
        after = around.start + len(there) - np.sort(there[::-1].argmax(axis=0))[::-1]
        low, high = (math.ceil(share * there.shape[1] - 1) for share in (0.1, 0.9))
        return (int(first[low]), int(first[high])), (int(after[low]), int(after[high]))

    def probability(self, run: slice) -> float:
        """Chance that it comes in any of some hours [-]."""
        return float(self.chance[run].max(axis=0).mean())
