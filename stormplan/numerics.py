"""Numerics that several rooms use: bisection, whole hours."""

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import ArrayLike

from stormplan.arrays import Array, BoolArray

HOUR = timedelta(hours=1)
HOUR_S = 3600.0


def bisect(
    is_below: Callable[[Array], BoolArray], low: ArrayLike, high: ArrayLike, rounds: int
) -> tuple[Array, Array]:
    """Halve brackets around roots, element by element.

    Parameters
    ----------
    is_below : callable
        Whether each of the points it is given lies below its root.
    low, high : array
        Ends of the brackets, of one shape.
    rounds : int
        Times a bracket is halved; what is left of it is its width over ``2**rounds`` [-].

    Returns
    -------
    (array, array)
        Ends of the brackets that are left.

    Examples
    --------
    >>> low, high = bisect(lambda x: x * x < 2.0, 1.0, 2.0, 30)
    >>> f"{low:.6f} {high:.6f}"
    '1.414214 1.414214'
    """
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    for _ in range(rounds):
        middle = 0.5 * (low + high)
        below = is_below(middle)
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return low, high


def floor_hour(moment: datetime) -> datetime:
    """Return the whole hour at or before a moment.

    Examples
    --------
    >>> floor_hour(datetime(2026, 1, 5, 4, 30)).isoformat()
    '2026-01-05T04:00:00'
    """
    return moment.replace(minute=0, second=0, microsecond=0)
