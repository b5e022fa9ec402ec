"""Compiled kernels: one way to compile, and to notice the first compilation."""

from __future__ import annotations

from collections.abc import Callable
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
