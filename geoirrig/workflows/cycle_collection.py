"""Leave out the search for cycles of unused objects while millions of objects are made."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def without_cycle_collection() -> Iterator[None]:
    """Do without the search for cycles, in the whole process, until it is left; or decorate.

    Outlines, ids and columns of a city are let go when they are no longer referred to; none is part
    of a cycle, and searching among them again and again takes longer than making some of them.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
