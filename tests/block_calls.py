"""Operations on blocks, called as kernels call them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba


def called(operation: Callable[..., Any], *arguments: Any) -> Any:
    """Result of an operation, called as kernels call it: from compiled code."""
    names = ", ".join(f"a{number}" for number in range(len(arguments)))
    scope = {"operation": operation}
    exec(f"def call({names}): return operation({names})", scope)
    return numba.njit(scope["call"])(*arguments)
