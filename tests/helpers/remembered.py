"""Pure functions that are worked out once for the same arguments, and kept in a folder.

For tests of what becomes of a plan: mails, archives, folders. They make the same few plans hundreds
of times, and look at them, but not at how they are made. A result is given as a copy, as a worker
process gives it. Not for tests that put a fault into what is remembered.
"""

import hashlib
import pickle
import tempfile
from collections.abc import Callable
from copy import copy
from pathlib import Path
from typing import Any

from stormplan.planning import planner
from stormplan.words import strip_charts

#: Decisions of a block, and a chart: most of what a plan costs.
_REMEMBERED = ((planner, "plan_block"), (strip_charts, "_draw"))
_ORIGINALS = tuple(getattr(module, name) for module, name in _REMEMBERED)


class Remembered:
    """A pure function that keeps its results in a folder, by the bytes of its arguments.

    To a worker process it goes as the function that it stands for.
    """

    def __init__(self, function: Callable[..., Any], folder: Path) -> None:
        self._function = function
        self._folder = folder

    def __reduce__(self) -> tuple:
        return copy, (self._function,)  # a copy of a function is the function

    def __call__(self, *args: Any) -> Any:
        key = pickle.dumps((self._function.__qualname__, args))
        file = self._folder / hashlib.sha256(key).hexdigest()
        try:
            result = file.read_bytes()
        except FileNotFoundError:
            result = pickle.dumps(self._function(*args))
            with tempfile.NamedTemporaryFile(dir=self._folder, delete=False) as whole:
                whole.write(result)
            Path(whole.name).replace(file)  # a process that is killed leaves no half of one
        return pickle.loads(result)


def remember_plans(replace: Callable[[object, str, object], None], folder: Path) -> None:
    """Have decisions and charts remembered; ``replace`` is ``setattr`` or a test's own."""
    folder.mkdir(exist_ok=True)
    for (module, name), original in zip(_REMEMBERED, _ORIGINALS, strict=True):
        replace(module, name, Remembered(original, folder))
