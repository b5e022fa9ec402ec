"""Who works the units: processes of this machine, or a cluster that is there already."""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import AbstractContextManager, contextmanager
from itertools import islice
from typing import Any, Protocol

from geoirrig.compilation import worker_count
from geoirrig.errors import GeoirrigError
from geoirrig.workflows.unit_measures import Worked, worked_unit
from geoirrig.workflows.work_units import UnitTask

# Tasks that are handed out and not yet back, per worker: enough that none waits for work, few
# enough that memory does not grow with the city.
TASKS_AHEAD = 3
SECONDS_TO_CONNECT = 10.0
_PRELOADED = "geoirrig.workflows.unit_measures"


class UnitExecutor(Protocol):
    """What works units: it takes tasks as it needs them and gives results as they come."""

    def results(self, tasks: Iterable[UnitTask]) -> Iterator[tuple[int, Worked]]:
        """Number and measures of each unit, in the order in which they are done."""


class ThisProcess:
    """Works units one after another, here."""

    def results(self, tasks: Iterable[UnitTask]) -> Iterator[tuple[int, Worked]]:
        """Number and measures of each unit."""
        for task in tasks:
            yield task.number, worked_unit(task)


class ProcessPool:
    """Works units in processes of this machine."""

    def __init__(self, pool: ProcessPoolExecutor, workers: int) -> None:
        self._pool, self._workers = pool, workers

    def results(self, tasks: Iterable[UnitTask]) -> Iterator[tuple[int, Worked]]:
        """Number and measures of each unit, in the order in which they are done."""
        waiting: set[Future[tuple[int, Worked]]] = set()
        source = iter(tasks)
        while True:
            while len(waiting) < TASKS_AHEAD * self._workers:
                task = next(source, None)
                if task is None:
                    break
                waiting.add(self._pool.submit(_numbered, task))
            if not waiting:
                return
            done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in done:
                yield future.result()


class Cluster:
    """Works units on a cluster of Dask workers that runs already."""

    def __init__(self, client: Any) -> None:
        self._client = client

    def results(self, tasks: Iterable[UnitTask]) -> Iterator[tuple[int, Worked]]:
        """Number and measures of each unit, in the order in which they are done."""
        from distributed import as_completed

        source = iter(tasks)
        ahead = TASKS_AHEAD * max(1, sum(self._client.nthreads().values()))
        first = [self._submit(task) for task in islice(source, ahead)]
        running: Any = as_completed(first, loop=self._client.loop)  # type: ignore[no-untyped-call]
        for future in running:
            yield future.result()
            future.release()
            following = next(source, None)
            if following is not None:
                running.add(self._submit(following))

    def _submit(self, task: UnitTask) -> Any:
        return self._client.submit(_numbered, task, pure=False, key=f"geoirrig-{task.number}")


def _numbered(task: UnitTask) -> tuple[int, Worked]:
    return task.number, worked_unit(task)


def unit_executor(
    *, workers: int | None = None, scheduler: str | None = None
) -> AbstractContextManager[UnitExecutor]:
    """Who works the units.

    The workers are started here and warm up while the city is read.

    Parameters
    ----------
    workers : int, optional
        Processes of this machine; as many as processors if absent. With 1, the units are worked in
        one process beside this one.
    scheduler : str, optional
        Address of a Dask scheduler, ``tcp://host:port``, whose workers are taken instead.

    Raises
    ------
    GeoirrigError
        If the scheduler cannot be reached, or its library is not installed.
    """
    if scheduler is not None:
        return _cluster(scheduler)
    return _process_pool(worker_count() if workers is None else workers)


@contextmanager
def _process_pool(workers: int) -> Iterator[UnitExecutor]:
    # Not forked from this process: the reading libraries have threads, and a fork would hold on
    # to all that was read.
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([_PRELOADED])
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_warm_up)
    try:
        for _ in range(workers):
            pool.submit(_nothing)
        yield ProcessPool(pool, workers)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _nothing() -> None:
    """A task that only starts a worker."""


def _warm_up() -> None:
    """Load the compiled kernels on a garden of nothing, while the city is still being read."""
    from geoirrig.workflows.warm_up import work_smallest_unit

    threading.Thread(target=_leave_with_the_parent, daemon=True).start()
    work_smallest_unit()


def _leave_with_the_parent() -> None:
    """End this worker when the process that it works for is gone, killed without a word."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _cluster(address: str) -> Iterator[UnitExecutor]:
    try:
        from distributed import Client
    except ImportError as error:
        raise GeoirrigError(
            "--scheduler needs the library of the cluster, which is not installed. Install it "
            "with: pip install 'geoirrig[cluster]'."
        ) from error
    try:
        client: Any = Client(address, timeout=SECONDS_TO_CONNECT, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise GeoirrigError(
            f"The scheduler at {address!r} cannot be reached: {error}. Give its address as "
            "tcp://HOST:PORT, as it prints it when it starts."
        ) from error
    try:
        if not client.nthreads():
            raise GeoirrigError(
                f"The scheduler at {address!r} has no workers. Start some, then run again."
            )
        yield Cluster(client)
    finally:
        client.close()
