"""What a compiled library prints by itself: it must not reach the answer on standard output."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

_STANDARD_OUTPUT = 1


@contextmanager
def libraries_silenced() -> Iterator[None]:
    """Throw away what is written to standard output past Python while the block runs.

    The solver of the mixed-integer programs prints a line of its own now and then, also when told
    to be silent; another program that reads our JSON would stumble over it. What Python itself
    prints, such as our steps as JSON lines, still arrives.
    """
    sys.stdout.flush()
    kept = os.dup(_STANDARD_OUTPUT)
    ours = sys.stdout
    encoding, errors = ours.encoding, ours.errors
    if ours is not None and ours is sys.__stdout__:
        sys.stdout = os.fdopen(kept, "w", encoding=encoding, errors=errors, closefd=False)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, _STANDARD_OUTPUT)
        yield
    finally:
        with suppress(TypeError, OSError, AttributeError):  # a system without a C library to name
            ctypes.CDLL(None).fflush(None)  # the line may lie in a buffer still
        sys.stdout.flush()
        sys.stdout = ours
        os.dup2(kept, _STANDARD_OUTPUT)
        os.close(nowhere)
        os.close(kept)
