"""How many processors this process uses, and how work is shared out among them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from typing import Any, TypeVar

Result = TypeVar("Result")

_helpers: list[ThreadPoolExecutor] = []  # none until first needed, then one that stays
_limits: list[int] = []  # the lowest holds


def processor_count() -> int:
    """Processors to use: those this process may run on, or fewer within `at_most_processors`."""
    return min([_processors_there(), *_limits])


def _processors_there() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1


@contextmanager
def at_most_processors(count: int) -> Iterator[None]:
    """Within it, this process uses no more processors than these.

    Parameters
    ----------
    count : int
        At least 1.
    """
    _limits.append(count)
    try:
        yield
    finally:
        _limits.remove(count)


def run_in_threads(work: Callable[[int, int], None], count: int, *, smallest: int = 1) -> None:
    """Call ``work(start, stop)`` over pieces of ``range(count)``, on all processors.

    The pieces must not share anything they write. With one processor, or fewer than two pieces of
    ``smallest`` items, the work is done in the calling thread.
    """
    pieces = min(4 * processor_count(), count // max(1, smallest))
    if pieces < 2 or processor_count() == 1:
        work(0, count)
        return
    edges = [count * piece // pieces for piece in range(pieces + 1)]
    with ThreadPoolExecutor(processor_count()) as pool:
        for _ in pool.map(work, edges[:-1], edges[1:]):
            pass


def run_on_all_processors(work: Callable[[], None], *, at_most: int) -> None:
    """Call ``work()`` on every processor, but not more than ``at_most``, and wait for all.

    One call is made in the calling thread. The others may start late, or not at all where this one
    is done before: the calls must share out their work between them as they go.
    """
    if not _helpers:
        _helpers.append(ThreadPoolExecutor(max(1, _processors_there() - 1), "geoirrig"))
    others = [_helpers[0].submit(work) for _ in range(min(processor_count(), at_most) - 1)]
    try:
        work()
    finally:
        started = [other for other in others if not other.cancel()]
        wait(started)
    for other in started:
        other.result()


def threads_beside(most: int) -> Executor:
    """Threads for what can be done beside the calling one; with one processor, that does it all.

    A task may wait for another only if that was handed in before it.

    Parameters
    ----------
    most : int
        Number of threads.
    """
    return _InTurn() if processor_count() == 1 else ThreadPoolExecutor(most)


def submit_after(
    executor: Executor, work: Callable[..., Result], /, *arguments: Any, **named: Any
) -> Future[Result]:
    """Hand in a task that gets, for each argument that is a task itself, what that one found.

    Parameters
    ----------
    executor : Executor
        The tasks among the arguments were handed in to it before.
    work : callable
        The task.
    *arguments, **named
        What it is called with.
    """

    def found(argument: Any) -> Any:
        return argument.result() if isinstance(argument, Future) else argument

    return executor.submit(lambda: work(*(found(argument) for argument in arguments), **named))


class _InTurn(Executor):
    """Does what it is handed at once, in the calling thread."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """What the call found, or the error that it raised."""
        done: Future[Any] = Future()
        try:
            done.set_result(fn(*args, **kwargs))
        except Exception as error:  # as a thread would: it is raised where the result is asked for
            done.set_exception(error)
        return done
