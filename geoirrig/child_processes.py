"""Processes that are copies of this one, and end with it."""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import sys
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from multiprocessing.context import ForkContext


def copies_are_safe() -> bool:
    """Whether a process may be copied here; on other systems than Linux, libraries forbid it."""
    return sys.platform == "linux"


def copying() -> ForkContext:
    """What starts processes as copies of this one, to be begun with `begin_child`.

    Start them while there are no threads, or none that are at work.
    """
    return multiprocessing.get_context("fork")


def begin_child() -> None:
    """What a copy does first: from then on it takes no signals, and leaves with its parent."""
    gc.freeze()  # what it came with stays: looking through it would make pages its own
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that it works for decides
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    threading.Thread(target=_leave_with_the_parent, daemon=True).start()


def _leave_with_the_parent() -> None:
    """End this process when the one that it works for is gone, killed without a word."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
