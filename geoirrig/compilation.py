"""Compiled kernels: one way to compile, to notice the first compilation, and to use all cores."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from typing import Any, TypeVar, cast

import numba
from numba.core import event

Function = TypeVar("Function", bound=Callable[..., Any])

_OPTIONS: dict[str, Any] = {
    "cache": True,
    "nogil": True,
    "fastmath": {"reassoc", "nsz", "contract"},
    "error_model": "numpy",
}
_IN_PLACE: dict[str, Any] = {**_OPTIONS, "forceinline": True, "_nrt": False}  # no reference counts
_helpers: list[ThreadPoolExecutor] = []  # none until first needed, then one that stays


def compiled(function: Function) -> Function:
    """Compile a function to machine code at its first call; later runs take it from the cache.

    Sums may be re-ordered and products fused with sums, so that they use vector instructions;
    nothing else about floating-point arithmetic is relaxed: NaN and infinity keep their meaning.
    The interpreter lock is released.
    """
    return cast(Function, numba.njit(**_OPTIONS)(function))


def compiled_in_place(function: Function) -> Function:
    """Compile a step that works in the arrays it is handed into the kernels that call it.

    It must neither make arrays nor return any: who uses an array is not counted, which for a step
    of each head or zone would cost as much as the step itself.
    """
    return cast(Function, numba.njit(**_IN_PLACE)(function))


class _Teller(event.Listener):
    """Tells once, at the first compilation after it was asked to."""

    def __init__(self) -> None:
        self.tell: Callable[[], None] | None = None

    def on_start(self, event: Any) -> None:
        """Tell, and forget whom."""
        tell, self.tell = self.tell, None
        if tell is not None:
            tell()

    def on_end(self, event: Any) -> None:
        """Nothing to tell."""


_teller = _Teller()
event.register("numba:compile", _teller)  # type: ignore[no-untyped-call]


def tell_when_compiling(tell: Callable[[], None]) -> None:
    """Have ``tell`` called when a kernel is next compiled instead of taken from the cache.

    It is called once, in the thread that compiles; a later call of this function replaces it.
    """
    _teller.tell = tell


def worker_count() -> int:
    """Number of threads to use: the processors this process may run on."""
    return max(1, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1)


def run_in_threads(work: Callable[[int, int], None], count: int, *, smallest: int = 1) -> None:
    """Call ``work(start, stop)`` over pieces of ``range(count)``, on all processors.

    The pieces must not share anything they write. With one processor, or fewer than two pieces of
    ``smallest`` items, the work is done in the calling thread.
    """
    pieces = min(4 * worker_count(), count // max(1, smallest))
    if pieces < 2 or worker_count() == 1:
        work(0, count)
        return
    edges = [count * piece // pieces for piece in range(pieces + 1)]
    with ThreadPoolExecutor(worker_count()) as pool:
        for _ in pool.map(work, edges[:-1], edges[1:]):
            pass


def run_on_all_processors(work: Callable[[], None], *, at_most: int) -> None:
    """Call ``work()`` on every processor, but not more than ``at_most``, and wait for all.

    One call is made in the calling thread. The others may start late, or not at all where this one
    is done before: the calls must share out their work between them as they go.
    """
    if not _helpers:
        _helpers.append(ThreadPoolExecutor(max(1, worker_count() - 1), "geoirrig"))
    others = [_helpers[0].submit(work) for _ in range(min(worker_count(), at_most) - 1)]
    try:
        work()
    finally:
        started = [other for other in others if not other.cancel()]
        wait(started)
    for other in started:
        other.result()
