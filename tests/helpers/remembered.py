"""Pure functions that a test process works out once for the same arguments.

For tests of what becomes of a plan: mails, archives, folders. They make the same few plans hundreds
of times, and look at them, but not at how they are made. A result is given as a copy, as a worker
process gives it. Not for tests that put a fault into what is remembered.
"""

import hashlib
import pickle
from collections.abc import Callable
from functools import wraps
from typing import Any

import pytest

from stormplan.planning import planner
from stormplan.words import strip_charts


def remembered(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a pure function that remembers its results by the bytes of its arguments."""
    results: dict[bytes, bytes] = {}

    @wraps(function)
    def answer(*args: Any) -> Any:
        key = hashlib.sha256(pickle.dumps(args)).digest()
        if key not in results:
            results[key] = pickle.dumps(function(*args))
        return pickle.loads(results[key])

    return answer


_plan_block = remembered(planner.plan_block)
_draw = remembered(strip_charts._draw)


def remember_plans(patch: pytest.MonkeyPatch) -> None:
    """Have decisions and charts remembered by this process until the patch is undone."""
    patch.setattr(planner, "plan_block", _plan_block)
    patch.setattr(strip_charts, "_draw", _draw)
