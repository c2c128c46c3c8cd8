"""What is at stake: the cost of treating against the cost of a miss, and where the choice flips.

The owner says what a miss costs; nobody else can. A treatment that costs C and averts a part of a
loss L is worth its money from a chance of C / (part · L) on (the cost-loss ratio; Murphy 1977, Mon.
Weather Rev. 105, 803). The part is taken to be that of the time in which the film holds: that it
also keeps snow from bonding is not counted. It is a view beside the decision and changes none.
"""

from __future__ import annotations

from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record


class Stake(Record):
    """One treatment in money, in the company's currency.

    ``treat_cost`` is liquid and pass, ``miss_cost`` what a miss costs by policy; ``averts`` is the
    part of it that the film averts if the event comes [-], and ``flips_at`` the chance of the event
    from which on treating is the cheaper [-]: above 1 it never is.
    """

    treat_cost: float
    miss_cost: float
    averts: float
    flips_at: float

    def pays(self, probability: float) -> bool:
        """Tell whether treating is the cheaper at a chance of the event [-]."""
        return probability > self.flips_at


def of(practice: Practice, liquid_cost: float | None, averts: float) -> Stake | None:
    """Set the cost of a treatment against that of a miss.

    Parameters
    ----------
    practice : Practice
        The rules as they stand for the surface [-].
    liquid_cost : float or None
        Of the liquid, in the company's currency; None where a price is missing [-].
    averts : float
        Part of the time, if the event comes, for which the film holds [-].

    Returns
    -------
    Stake or None
        None where the owner has not said what a miss costs, or a price is missing.
    """
    miss = practice.number("miss_cost")
    if miss <= 0.0 or liquid_cost is None:
        return None
    cost = liquid_cost + practice.number("pass_cost")
    averted = averts * miss
    flips_at = cost / averted if averted > 0.0 else float("inf")
    # JSON has no infinity; twice certain is as good as never
    return Stake(treat_cost=cost, miss_cost=miss, averts=averts, flips_at=min(flips_at, 2.0))
