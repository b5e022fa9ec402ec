"""Have a process keep the memory that it no longer uses, for what it does next."""

from __future__ import annotations

import ctypes
import sys

# Parameters of the allocator of the GNU C library: mallopt(3).
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
_LARGEST_PIECE_BYTES = 32 * 2**20  # larger ones are never kept
_MOST_KEPT_BYTES = 512 * 2**20  # at the end of its memory; more goes back to the system


def keep_freed_memory() -> None:
    """Do not hand memory back to the system between units: the next needs as much.

    Pages that come back are new ones, which the system has to clear. Other C libraries than that of
    GNU do as they are used to.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if mallopt is not None:
        mallopt(_MMAP_THRESHOLD, _LARGEST_PIECE_BYTES)
        mallopt(_TRIM_THRESHOLD, _MOST_KEPT_BYTES)
