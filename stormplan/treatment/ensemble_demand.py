"""How much the members of a forecast would spray: the middle of them, and what most get by with.

A plan sprays what holds on most of the forecasts that bring the storm. It may ask for more where it
grows or new places come in, and brine is made before that is known: the yard mixes for what a share
of the members, named by policy, would need at most.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from stormplan.company.validators import Record
from stormplan.treatment.candidates import Candidate, Outcome


class Demand(Record):
    """What the members would spray in all [L]: the median, and what ``share`` of them need at most.

    ``most_l`` is what the thirstiest would.
    """

    median_l: float
    high_l: float
    most_l: float
    share: float


def needs_l(
    outcomes: Sequence[Outcome], chosen: Candidate, comes: Sequence[bool], area_m2: float
) -> tuple[float, ...]:
    """Tell what each member would have sprayed of a blend, had it been the only forecast.

    Parameters
    ----------
    outcomes : sequence of Outcome
        How every candidate did [-].
    chosen : Candidate
        Whose blend and start are meant [-].
    comes : sequence of bool
        In which members the event comes [-].
    area_m2 : float
        To be sprayed [m²].

    Returns
    -------
    tuple of float (member,)
        The least that holds there, or the most that practice allows; nothing where the event does
        not come [L].
    """
    alike = sorted(
        (o for o in outcomes if _blend_and_start(o.candidate) == _blend_and_start(chosen)),
        key=lambda outcome: outcome.candidate.rate_l_m2,
    )
    held = np.array([list(outcome.held_in) for outcome in alike], dtype=np.bool_)
    held[-1] = True  # there is no more than the most
    rates = np.array([outcome.candidate.rate_l_m2 for outcome in alike])[held.argmax(axis=0)]
    return tuple((np.where(comes, rates, 0.0) * area_m2).tolist())


def _blend_and_start(candidate: Candidate) -> tuple[str | None, float, int]:
    return candidate.additive, candidate.share, candidate.start


def add_up(needs: Iterable[Sequence[float]], share: float) -> Demand | None:
    """Add the needs of many surfaces up, member by member.

    Parameters
    ----------
    needs : iterable of sequence of float
        Of each surface, by member [L].
    share : float
        Of the members that is to get by [-].

    Returns
    -------
    Demand or None
        None where nobody needs anything. Forecasts of different sources have no members in
        common: theirs are taken to be large together.
    """
    groups: dict[int, NDArray[np.float64]] = {}
    for row in needs:
        groups[len(row)] = groups.get(len(row), np.zeros(len(row))) + np.asarray(row, dtype=float)
    if not groups:
        return None

    def together(level: float) -> float:
        return sum(
            float(np.quantile(total, level, method="inverted_cdf")) for total in groups.values()
        )

    return Demand(median_l=together(0.5), high_l=together(share), most_l=together(1.0), share=share)
