"""Have a process keep the memory that it no longer uses, for what it does next."""

from __future__ import annotations

import ctypes
import sys

import pyarrow as pa

# Parameters of the allocator of the GNU C library: mallopt(3).
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _MOST_ARENAS = -1, -3, -8
_LARGEST_PIECE_BYTES = 32 * 2**20  # larger ones are never kept
_MOST_KEPT_BYTES = 512 * 2**20  # at the end of its memory; more goes back to the system


def keep_freed_memory() -> None:
    """Do not hand memory back to the system, for the rest of the process: it is soon wanted again.

    Pages that come back are new ones, which the system has to clear, while all threads wait; on a
    virtual machine it may have to fetch them first. What one thread frees, another takes, and
    tables of Arrow have no store of their own. Other C libraries than that of GNU do as they are
    used to.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if mallopt is not None:
        mallopt(_MMAP_THRESHOLD, _LARGEST_PIECE_BYTES)
        mallopt(_TRIM_THRESHOLD, _MOST_KEPT_BYTES)
        mallopt(_MOST_ARENAS, 1)
        pa.set_memory_pool(pa.system_memory_pool())
