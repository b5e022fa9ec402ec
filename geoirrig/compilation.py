"""Compiled kernels: one way to compile, to notice the first compilation, and to use all cores."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])

_kernels: list[Any] = []


def compiled(function: Function) -> Function:
    """Compile a function to machine code at its first call; later runs take it from the cache.

    Sums may be re-ordered and products fused with sums, so that they use vector instructions;
    nothing else about floating-point arithmetic is relaxed: NaN and infinity keep their meaning.
    The interpreter lock is released.
    """
    kernel = numba.njit(
        cache=True, nogil=True, fastmath={"reassoc", "nsz", "contract"}, error_model="numpy"
    )(function)
    _kernels.append(kernel)
    return cast(Function, kernel)


def needs_compiling() -> bool:
    """Whether a kernel has no cached machine code yet, so that this run will take longer."""
    return any(
        not any(Path(kernel.stats.cache_path).glob(f"{_cache_stem(kernel)}*.nbi"))
        for kernel in _kernels
    )


def _cache_stem(kernel: Any) -> str:
    module = Path(kernel.py_func.__code__.co_filename).stem
    return f"{module}.{kernel.py_func.__qualname__}-"


def worker_count() -> int:
    """Number of threads to use: the processors this process may run on."""
    return max(1, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1)


def run_in_threads(work: Callable[[int, int], None], count: int, *, smallest: int = 1) -> None:
    """Call ``work(start, stop)`` over pieces of ``range(count)``, on all processors.

    The pieces must not share anything they write. With one processor, with fewer than two pieces of
    ``smallest`` items, or from within such a piece, the work is done in the calling thread.
    """
    pieces = min(4 * worker_count(), count // max(1, smallest))
    if pieces < 2 or worker_count() == 1 or getattr(_thread, "is_worker", False):
        work(0, count)
        return
    edges = [count * piece // pieces for piece in range(pieces + 1)]
    for _ in _workers().map(work, edges[:-1], edges[1:]):
        pass


_thread = threading.local()


def _become_worker() -> None:
    _thread.is_worker = True


@cache
def _workers() -> ThreadPoolExecutor:
    """The threads of this process; starting them anew each time would cost half a millisecond."""
    return ThreadPoolExecutor(worker_count(), initializer=_become_worker)


if hasattr(os, "register_at_fork"):  # a forked process inherits no threads
    os.register_at_fork(after_in_child=_workers.cache_clear)
