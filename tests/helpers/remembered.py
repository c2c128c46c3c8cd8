"""Pure functions that are worked out once for the same arguments, and kept in a folder.

For tests of what becomes of a plan: mails, archives, folders. They make the same few plans hundreds
of times, and look at them, but not at how they are made. A result is given as a copy, as a worker
process gives it. Not for tests that put a fault into what is remembered.
"""

import hashlib
import pickle
import tempfile
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

from stormplan.planning import planner
from stormplan.words import strip_charts

#: Decisions of a block, and a chart: most of what a plan costs.
_REMEMBERED = ((planner, "plan_block"), (strip_charts, "_draw"))
_ORIGINALS = tuple(getattr(module, name) for module, name in _REMEMBERED)


def remembered(function: Callable[..., Any], folder: Path) -> Callable[..., Any]:
    """Return a pure function that keeps its results in a folder, by the bytes of its arguments."""

    @wraps(function)
    def answer(*args: Any) -> Any:
        key = pickle.dumps((function.__qualname__, args))
        file = folder / hashlib.sha256(key).hexdigest()
        try:
            result = file.read_bytes()
        except FileNotFoundError:
            result = pickle.dumps(function(*args))
            with tempfile.NamedTemporaryFile(dir=folder, delete=False) as whole:
                whole.write(result)
            Path(whole.name).replace(file)  # a process that is killed leaves no half of one
        return pickle.loads(result)

    return answer


def remember_plans(replace: Callable[[object, str, object], None], folder: Path) -> None:
    """Have decisions and charts remembered; ``replace`` is ``setattr`` or a test's own."""
    folder.mkdir(exist_ok=True)
    for (module, name), original in zip(_REMEMBERED, _ORIGINALS, strict=True):
        replace(module, name, remembered(original, folder))
