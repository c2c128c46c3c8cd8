"""Several forecasts of one storm: what is typical of it, how far they spread, how likely it is.

Members agree on a storm more than on its hours. What is typical of each hour, summed up, is less
than a typical storm: so each member is summed up first, and only then compared with the others.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from stormplan.forecast import PHASES, Array

#: Fewer members than this have no ranks a tenth from their ends.
FEWEST_FOR_RANGE = 9
#: Hours around an event in which a member's own may begin or end.
EDGE_H = 6


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
    """

    water_mm: Array
    snow_cm: Array
    surface_c: Array
    chance: Array

    @classmethod
    def of(cls, series: Mapping[str, Array], surface_c: Array, chance: Array) -> Members:
        """Take them from forecast variables, a surface and chances, all (hour, member)."""
        return cls(
            np.nansum([series[name] for name in PHASES], axis=0),
            np.nan_to_num(series["snow_depth_cm"]),
            np.where(np.isnan(surface_c), np.inf, surface_c),
            chance,
        )

    def typical(self, values: Array, run: slice, total: Callable[..., Any]) -> float:
        """Median of a sum or extreme over some hours, of the members in which it comes."""
        return float(np.median(self._totals(values, run, total)))

    def range(
        self, values: Array, run: slice, total: Callable[..., Any]
    ) -> tuple[float, float] | None:
        """Interval that holds the truth four times in five, if it is one more such member.

        By ranks: the truth falls between any two neighbours of n members, or outside, with equal
        chance 1/(n+1) (Weibull's plotting positions).
        """
        totals = self._totals(values, run, total)
        if len(totals) < FEWEST_FOR_RANGE or not np.isfinite(totals).all():
            return None
        low, high = np.quantile(totals, (0.1, 0.9), method="weibull")
        return float(low), float(high)

    def _totals(self, values: Array, run: slice, total: Callable[..., Any]) -> Array:
        """One sum or extreme over some hours for each member in which it comes."""
        comes = (self.chance[run] > 0.0).any(axis=0)
        chosen = values[run][:, comes] if comes.any() else values[run]
        return np.asarray(total(chosen, axis=0))

    def ends(self, run: slice) -> tuple[tuple[int, int], tuple[int, int]] | None:
        """First hour and hour after the last, of four members in five in which it comes.

        A member's own event may begin or end some hours outside the common one.
        """
        around = slice(max(run.start - EDGE_H, 0), run.stop + EDGE_H)
        there = self.chance[around] > 0.0
        there = there[:, there.any(axis=0)]
        if there.shape[1] < FEWEST_FOR_RANGE:
            return None
        first = there.argmax(axis=0) + around.start
        after = around.start + len(there) - there[::-1].argmax(axis=0)
        early, late = np.quantile(first, (0.1, 0.9), method="inverted_cdf")
        soon, long = np.quantile(after, (0.1, 0.9), method="inverted_cdf")
        return (int(early), int(late)), (int(soon), int(long))

    def probability(self, run: slice) -> float:
        """Chance that it comes in any of some hours [-]."""
        return float(self.chance[run].max(axis=0).mean())
