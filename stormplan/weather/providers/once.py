"""A result that is made once for each key, though many ask for it side by side."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from concurrent.futures import Future
from threading import Lock
from typing import Generic, TypeVar

Result = TypeVar("Result")


class OncePerKey(Generic[Result]):
    """Results by key; the first that asks makes it, the others wait for it.

    An error is a result too: it is raised again for everyone who asks.
    """

    def __init__(self) -> None:
        self._futures: dict[Hashable, Future[Result]] = {}
        self._lock = Lock()

    def get(self, key: Hashable, make: Callable[[], Result]) -> Result:
        """Return the result of a key, made by ``make`` if nobody has asked before."""
        with self._lock:
            is_first = key not in self._futures
            future = self._futures.setdefault(key, Future())
        if is_first:
            try:
                future.set_result(make())
            except BaseException as error:
                future.set_exception(error)
        return future.result()
