"""Planning on several processes of this machine, or on a cluster: the same plan, sooner.

Tasks go out a few at a time, so that memory is bounded by tasks and not by sites; results come
back in the order of the tasks. What a worker had when it was lost is done again. A task that loses
its worker every time is cut until its site is known, and only that site is left out.
"""

from __future__ import annotations

import multiprocessing
import signal
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, cast

from stormplan.errors import InputError, StormplanError
from stormplan.planning.isolation import SiteFaultsError, TaskFaultError, describe_fault
from stormplan.planning.site_block import Mapper, SiteBlock, Task

MAX_LOSSES = 2  # workers that may be lost beside others' tasks before a task is tried alone
TASKS_PER_WORKER = 2  # handed out at a time: none waits for work, and few lie in memory
WORKER_LOST = "the worker that planned it was lost every time"
CONNECT_TIMEOUT_S = 10.0  # for a cluster's scheduler


class WorkerLostError(Exception):
    """A task that cannot be cut loses every worker that it is given to."""


@dataclass
class WorkerPool:
    """Workers, opened when they are first needed and again when one of them is lost.

    Attributes
    ----------
    open_executor : callable
        Opens an executor of so many workers.
    count : int
        Workers [-].
    losses : tuple of type
        What a future raises whose worker was lost.
    """

    open_executor: Callable[[int], Executor]
    count: int
    losses: tuple[type[BaseException], ...]
    _executor: Executor | None = field(default=None, init=False)

    def map(self, function: Callable[[Any], Any], tasks: Iterable[Any]) -> Iterator[Any]:
        """Do what ``map`` does, on the workers.

        Parameters
        ----------
        function : callable
            Of a module, so that a worker finds it by its name.
        tasks : iterable of Task
            What is done.

        Yields
        ------
        object
            Each result, in the order of the tasks.

        Raises
        ------
        SiteFaultsError
            In the end, if sites lose every worker that they are given to.
        WorkerLostError
            As that, where a task cannot be cut.
        TaskFaultError
            What the function fails with on a worker.
        """
        faults: dict[str, str] = {}
        ready: dict[int, Any] = {}
        listed = list(tasks)
        given = 0
        for at, result in self._results(function, listed):
            ready[at] = self._cut(function, listed[at], faults) if result is None else result
            while given in ready:
                yield ready.pop(given)
                given += 1
        if faults:
            raise SiteFaultsError(faults)

    def close(self) -> None:
        """Let the workers go; what waits for them is not done."""
        if self._executor is not None:
            self._executor.shutdown(wait=False)
            self._executor = None

    def _results(
        self, function: Callable[[Any], Any], tasks: Sequence[Any]
    ) -> Iterator[tuple[int, Any]]:
        """Yield place and result of each task when done; None for one that loses its workers."""
        lost: Counter[int] = Counter()
        waiting = deque(range(len(tasks)))
        running: dict[Future[Any], int] = {}
        try:
            while waiting or running:
                is_broken = not self._hand_out(function, tasks, waiting, running)
                done, _ = wait(running, return_when=FIRST_COMPLETED)
                if is_broken or any(self._is_lost(future) for future in done):
                    done, _ = wait(running)  # the others have lost theirs too, or soon end
                    is_broken = True
                for future in done:
                    at = running.pop(future)
                    if not self._is_lost(future):
                        yield at, future.result()
                    elif lost[at] < MAX_LOSSES:
                        lost[at] += 1
                        waiting.appendleft(at)
                    else:
                        yield at, None
                if is_broken:
                    self.close()
        finally:
            for future in running:
                future.cancel()

    def _hand_out(
        self,
        function: Callable[[Any], Any],
        tasks: Sequence[Any],
        waiting: deque[int],
        running: dict[Future[Any], int],
    ) -> bool:
        """Hand tasks out while there is room; returns whether the workers still take them."""
        try:
            while waiting and len(running) < TASKS_PER_WORKER * self.count:
                running[self._submit(function, tasks[waiting[0]])] = waiting[0]
                waiting.popleft()
        except self.losses:
            return False
        return True

    def _is_lost(self, future: Future[Any]) -> bool:
        """Whether the worker of a future that is done was lost."""
        if future.cancelled():
            raise StormplanError("the workers ended before the plan was made; start it again")
        return isinstance(future.exception(), self.losses)

    def _submit(self, function: Callable[[Any], Any], task: Any) -> Future[Any]:
        if self._executor is None:
            self._executor = self.open_executor(self.count)
        return self._executor.submit(run_task, function, task)

    def _cut(self, function: Callable[[Any], Any], task: Task, faults: dict[str, str]) -> Any:
        """Return the result of a task alone; of its parts, where it loses a worker even so."""
        self.close()
        try:
            return self._submit(function, task).result()
        except self.losses:
            parts = task.parts()
        found: dict[Any, Any] = {}
        for part in parts:
            found |= self._cut(function, part, faults)
        if not parts:
            if not isinstance(task, SiteBlock):
                raise WorkerLostError(WORKER_LOST)
            faults |= dict.fromkeys(task.sites.sites, WORKER_LOST)
        return found


def run_task(function: Callable[[Any], Any], task: Any) -> Any:
    """Return what a function makes of a task; a fault is named where it happens.

    Raises
    ------
    StormplanError
        As the function does.
    TaskFaultError
        What else it fails with: its traceback does not leave the worker.
    """
    try:
        return function(task)
    except StormplanError:
        raise
    except Exception as error:
        raise TaskFaultError(describe_fault(error)) from None


@contextmanager
def open_mapper(workers: int = 1, cluster: str | None = None) -> Iterator[Mapper]:
    """Return, as a context, the mapper that a plan is made with; its workers end with it.

    Parameters
    ----------
    workers : int
        Processes of this machine; with one, everything is done in this process [-].
    cluster : str or None
        Address of the scheduler of a Dask cluster, like ``tcp://10.0.0.5:8786``; its machines
        have the same version of stormplan installed.

    Raises
    ------
    InputError
        Both are asked for, the extra ``cluster`` is missing, or the scheduler does not answer.
    """
    if cluster is not None:
        if workers > 1:
            raise InputError("give either workers or a cluster")
        with _cluster_pool(cluster) as pool:
            yield pool.map
    elif workers > 1:
        pool = process_pool(workers)
        try:
            yield pool.map
        finally:
            pool.close()
    else:
        yield map


def process_pool(workers: int) -> WorkerPool:
    """Return processes of this machine: started anew, with nothing of this one's state."""
    from concurrent.futures.process import BrokenProcessPool

    def open_executor(count: int) -> Executor:
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(count, context, initializer=_leave_interrupts_to_parent)

    return WorkerPool(open_executor, workers, (BrokenProcessPool,))


def _leave_interrupts_to_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _cluster_pool(address: str) -> Iterator[WorkerPool]:
    """Yield the workers of a Dask cluster, which itself repeats what a lost worker had."""
    try:
        from distributed import Client, KilledWorker
    except ImportError:
        raise InputError("--cluster needs the extra: pip install 'stormplan[cluster]'") from None
    try:
        client: Any = cast(Any, Client)(address, timeout=CONNECT_TIMEOUT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(f"no cluster answers at {address}: {error}") from error
    with client:
        count = max(len(client.scheduler_info()["workers"]), 1)
        yield WorkerPool(lambda _: client.get_executor(pure=False), count, (KilledWorker,))
