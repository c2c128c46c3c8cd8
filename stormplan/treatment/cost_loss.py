"""Cost-loss analysis: cost of treating, cost of a miss, break-even probability.

The owner says what a miss costs; nobody else can. A treatment that costs C and averts a part of a
loss L is worth its money from a chance of C / (part · L) on (the cost-loss ratio; Murphy 1977, Mon.
Weather Rev. 105, 803). The part is taken to be that of the time in which the film holds: that it
also keeps snow from bonding is not counted. It is a view beside the decision and changes none.
"""

from __future__ import annotations

from stormplan.company.practice_rules import Practice
from stormplan.company.validators import Record


class CostLoss(Record):
    """The cost-loss analysis of one treatment, in the company's currency.

    Attributes
    ----------
    treatment_cost : float
        Liquid and pass.
    miss_cost : float
        What a miss costs, by policy.
    loss_avoided_frac : float
        Part of it that the film averts if the event comes [-].
    break_even_probability : float
        Probability of the event from which on treating is the cheaper; above 1 it never is [-].
    """

    treatment_cost: float
    miss_cost: float
    loss_avoided_frac: float
    break_even_probability: float

    def is_cheaper(self, probability: float) -> bool:
        """Return whether treating is cheaper at a probability of the event [-]."""
        return probability > self.break_even_probability


def from_practice(
    practice: Practice, liquid_cost: float | None, loss_avoided_frac: float
) -> CostLoss | None:
    """Return the cost-loss analysis of a treatment.

    Parameters
    ----------
    practice : Practice
        The rules as they stand for the surface.
    liquid_cost : float or None
        Of the liquid, in the company's currency; None where a price is missing [-].
    loss_avoided_frac : float
        Part of the time, if the event comes, for which the film holds [-].

    Returns
    -------
    Stake or None
        None where the owner has not said what a miss costs, or a price is missing.
    """
    miss_cost = practice.number("miss_cost")
    if miss_cost <= 0.0 or liquid_cost is None:
        return None
    treatment_cost = liquid_cost + practice.number("pass_cost")
    loss_avoided = loss_avoided_frac * miss_cost
    break_even_probability = treatment_cost / loss_avoided if loss_avoided > 0.0 else float("inf")
    # JSON has no infinity; twice certain is as good as never
    return CostLoss(
        treatment_cost=treatment_cost,
        miss_cost=miss_cost,
        loss_avoided_frac=loss_avoided_frac,
        break_even_probability=min(break_even_probability, 2.0),
    )
