"""The liquid that each ensemble member would need, and quantiles of the total.

A plan sprays what holds on most of the forecasts that bring the storm. It may ask for more where it
grows or new places come in, and brine is made before that is known: the yard mixes for what a share
of the members, named by policy, would need at most.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from stormplan.arrays import Array
from stormplan.company.validators import Record
from stormplan.treatment.candidates import Dose, DoseResult


class EnsembleVolume(Record):
    """What the members of the forecast would spray in all.

    Attributes
    ----------
    median_l : float
        Median of the members [L].
    quantile_l : float
        What ``quantile_level`` of them need at most [L].
    max_l : float
        What the largest needs [L].
    quantile_level : float
        Part of the members that policy wants met [-].
    """

    median_l: float
    quantile_l: float
    max_l: float
    quantile_level: float


def member_volumes_l(
    results: Sequence[DoseResult],
    chosen: Dose,
    member_has_event: Sequence[bool],
    area_m2: float,
) -> tuple[float, ...]:
    """Return the volume that each member alone would need of a blend.

    Parameters
    ----------
    results : sequence of DoseResult
        How every candidate did.
    chosen : Dose
        Whose blend and start are meant.
    member_has_event : sequence of bool (member,)
        In which members the event comes.
    area_m2 : float
        To be sprayed [m²].

    Returns
    -------
    tuple of float (member,)
        The least that holds there, or the most that practice allows; nothing where the event does
        not come [L].
    """
    same_blend = sorted(
        (
            result
            for result in results
            if _blend_and_start(result.doses[0]) == _blend_and_start(chosen)
        ),
        key=lambda result: result.doses[0].rate_l_m2,
    )
    holds = np.array([list(result.member_holds) for result in same_blend], dtype=np.bool_)
    holds[-1] = True  # there is no more than the most
    rates = np.array([result.doses[0].rate_l_m2 for result in same_blend])[holds.argmax(axis=0)]
    return tuple((np.where(member_has_event, rates, 0.0) * area_m2).tolist())


def _blend_and_start(dose: Dose) -> tuple[str | None, float, int]:
    return dose.additive, dose.additive_frac, dose.hour


def aggregate(
    member_volumes: Iterable[Sequence[float]], quantile_level: float
) -> EnsembleVolume | None:
    """Return quantiles of the summed volume of many surfaces.

    Parameters
    ----------
    member_volumes : iterable of sequence of float
        Of each surface, by member [L].
    quantile_level : float
        Of the members that is to get by [-].

    Returns
    -------
    Demand or None
        None where nobody needs anything. Forecasts of different sources have no members in
        common: theirs are taken to be large together.
    """
    groups: dict[int, Array] = {}
    for row in member_volumes:
        groups[len(row)] = groups.get(len(row), np.zeros(len(row))) + np.asarray(row, dtype=float)
    if not groups:
        return None

    def summed_quantile_l(level: float) -> float:
        return sum(
            float(np.quantile(total, level, method="inverted_cdf")) for total in groups.values()
        )

    return EnsembleVolume(
        median_l=summed_quantile_l(0.5),
        quantile_l=summed_quantile_l(quantile_level),
        max_l=summed_quantile_l(1.0),
        quantile_level=quantile_level,
    )
