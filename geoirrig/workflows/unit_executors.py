"""Who works the units: processes of this machine, or a cluster that is there already."""

from __future__ import annotations

import multiprocessing
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from functools import partial
from itertools import islice
from typing import Any, Protocol

from geoirrig.child_processes import begin_child, copies_are_safe, copying
from geoirrig.city_records import WorkUnit
from geoirrig.errors import GeoirrigError
from geoirrig.processors import at_most_processors, processor_count
from geoirrig.workflows.kept_memory import keep_freed_memory
from geoirrig.workflows.shared_room import (
    SharedRecord,
    SharedRoom,
    opened_record,
    shared_room,
)
from geoirrig.workflows.work_units import UnitSource, UnitTask, Worked, unit_task

# Tasks that are handed out and not yet back, per worker: enough that none waits for work, few
# enough that memory does not grow with the city.
TASKS_AHEAD = 3
SECONDS_TO_CONNECT = 10.0


class UnitExecutor(Protocol):
    """What works units: it takes them as it needs them and gives results as they come."""

    def results(
        self, source: UnitSource, units: Sequence[WorkUnit]
    ) -> Iterator[tuple[int, Worked]]:
        """Number and measures of each unit, in the order in which they are done."""

    def aside(self, work: Callable[..., None], *arguments: Any) -> Callable[[], None]:
        """Have something else done meanwhile, if it can be; call what is returned to wait for it.

        The arguments are records that can be sent to another process.
        """


class ThisProcess:
    """Works units one after another, here."""

    def results(
        self, source: UnitSource, units: Sequence[WorkUnit]
    ) -> Iterator[tuple[int, Worked]]:
        """Number and measures of each unit."""
        for unit in units:
            yield _worked(unit_task(source, unit))

    def aside(self, work: Callable[..., None], *arguments: Any) -> Callable[[], None]:
        """Nothing can be done meanwhile: it is done when it is waited for."""
        return partial(work, *arguments)


class ProcessPool:
    """Works units in this process and in others of this machine."""

    def __init__(self, others: ProcessPoolExecutor, count: int) -> None:
        self._others, self._count = others, count

    def results(
        self, source: UnitSource, units: Sequence[WorkUnit]
    ) -> Iterator[tuple[int, Worked]]:
        """Number and measures of each unit, in the order in which they are done.

        The others are served first; while nothing comes back from them, units are worked here.
        """
        to_do, free = deque(units), list[SharedRoom]()
        waiting: dict[Future[tuple[int, Worked]], SharedRoom] = {}
        with _told_where_a_worker_ends(), ExitStack() as until_done:
            while to_do or waiting:
                # The last units go to whoever is free first.
                while len(waiting) < self._count * min(TASKS_AHEAD, len(to_do)):
                    room = free.pop() if free else until_done.enter_context(shared_room())
                    laid_out = room.lay_out(unit_task(source, to_do.popleft()))
                    waiting[self._others.submit(_worked_from, laid_out)] = room
                if to_do:
                    yield _worked(unit_task(source, to_do.popleft()))
                done, _ = wait(waiting, 0 if to_do else None, FIRST_COMPLETED)
                for future in done:
                    free.append(waiting.pop(future))
                    yield future.result()
        with suppress(BrokenProcessPool):  # they may draw later, and can be done without
            for _ in range(self._count):  # while this process thinks about what was found
                self._others.submit(_load_what_draws)

    def aside(self, work: Callable[..., None], *arguments: Any) -> Callable[[], None]:
        """Have something else done by one of the processes."""
        try:
            done = self._others.submit(_alone, work, *arguments)
        except BrokenProcessPool:  # nobody is left: it is done here
            return partial(work, *arguments)

        def wait_for_it() -> None:
            with _told_where_a_worker_ends():
                done.result()

        return wait_for_it


class Cluster:
    """Works units on a cluster of Dask workers that runs already."""

    def __init__(self, client: Any) -> None:
        self._client = client

    def results(
        self, source: UnitSource, units: Sequence[WorkUnit]
    ) -> Iterator[tuple[int, Worked]]:
        """Number and measures of each unit, in the order in which they are done."""
        from distributed import as_completed

        to_do = iter(units)
        ahead = TASKS_AHEAD * max(1, sum(self._client.nthreads().values()))
        first = [self._submit(source, unit) for unit in islice(to_do, ahead)]
        running: Any = as_completed(first, loop=self._client.loop)  # type: ignore[no-untyped-call]
        for future in running:
            yield future.result()
            future.release()
            for unit in islice(to_do, 1):
                running.add(self._submit(source, unit))

    def aside(self, work: Callable[..., None], *arguments: Any) -> Callable[[], None]:
        """Done here when it is waited for: the workers may be on other machines."""
        return partial(work, *arguments)

    def _submit(self, source: UnitSource, unit: WorkUnit) -> Any:
        task, key = unit_task(source, unit), f"geoirrig-{unit.number}"
        return self._client.submit(_worked, task, pure=False, key=key)


def _worked_from(laid_out: SharedRecord) -> tuple[int, Worked]:
    return _worked(opened_record(laid_out))


def _alone(work: Callable[..., None], *arguments: Any) -> None:
    with at_most_processors(1):  # the others go on
        work(*arguments)


def _worked(task: UnitTask) -> tuple[int, Worked]:
    # what works takes long to load, and not every process works
    from geoirrig.workflows.unit_measures import worked_unit

    with at_most_processors(1):  # the others have units of their own
        return task.number, worked_unit(task)


def unit_executor(
    *,
    workers: int | None = None,
    scheduler: str | None = None,
) -> AbstractContextManager[UnitExecutor]:
    """Who works the units.

    Enter it before anything is read: the other workers are copies of this process as it is then.
    From here on, it keeps the memory that it frees: see `keep_freed_memory`. Within the context,
    unless a scheduler is given, `processor_count` is at most the number of workers, for reading and
    writing too.

    Parameters
    ----------
    workers : int, optional
        Processors of this machine, each with a process that works units, of which this is one; all
        of them if absent. With 1, no other process is started; nor is one on systems where copies
        of a process are not safe (all but Linux).
    scheduler : str, optional
        Address of a Dask scheduler, ``tcp://host:port``, whose workers are taken instead.

    Raises
    ------
    GeoirrigError
        If the scheduler cannot be reached, or its library is not installed.
    """
    keep_freed_memory()
    if scheduler is not None:
        return _cluster(scheduler)
    count = processor_count() if workers is None else workers
    if count == 1 or not copies_are_safe():
        return _this_process(count)
    return _process_pool(count)


@contextmanager
def _this_process(processors: int) -> Iterator[UnitExecutor]:
    with at_most_processors(processors):
        yield ThisProcess()


@contextmanager
def _process_pool(workers: int) -> Iterator[UnitExecutor]:
    """The others are forked at once, with the compiled kernels loaded once for all of them.

    Where nothing was read before, there are no threads yet. Else those of the reading libraries are
    idle, and the others call none of these but what reads rasters.
    """
    from geoirrig.workflows.warm_up import work_smallest_unit

    work_smallest_unit()
    others = workers - 1
    pool = ProcessPoolExecutor(others, mp_context=copying(), initializer=begin_child)
    try:
        _start(pool, others)
        with at_most_processors(workers):
            yield ProcessPool(pool, others)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _start(pool: ProcessPoolExecutor, count: int) -> None:
    """Start all workers; where one cannot be, the others are ended."""
    before = {child.pid for child in multiprocessing.active_children()}
    try:
        pool.submit(_nothing)  # with the first task, all are started
    except BaseException as error:
        for child in multiprocessing.active_children():
            if child.pid not in before:
                child.kill()
                child.join()
        if isinstance(error, OSError):
            raise GeoirrigError(
                f"{count} more working processes cannot be started: {error.strerror}. "
                "Give fewer --workers."
            ) from error
        raise


@contextmanager
def _told_where_a_worker_ends() -> Iterator[None]:
    try:
        yield
    except BrokenProcessPool as error:
        raise GeoirrigError(
            "A working process was ended from outside, most often because memory ran out. "
            "Continue with --resume and fewer --workers."
        ) from error


def _nothing() -> None:
    """A task that only starts the workers."""


def _load_what_draws() -> None:
    """What one of them will need at last."""
    import geoirrig.maps.screening_sheet  # noqa: F401 - it takes long


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
