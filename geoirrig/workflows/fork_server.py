"""A small process that others are forked from: it loads the compiled kernels once for all of them.

Workers are not forked from the process that reads: the reading libraries have threads, and a fork
would hold on to all that was read. The server is started before anything large is imported, so
that it is ready when the city is read.
"""

from __future__ import annotations

import multiprocessing
from multiprocessing import forkserver
from multiprocessing.context import ForkServerContext

_LOADED = "geoirrig.workflows.loaded_kernels"
_TELLING = "geoirrig.workflows.tell_of_compiling"


def fork_server(*, tells_of_compiling: bool = False) -> ForkServerContext:
    """Where processes come from; the server starts with the first call.

    Parameters
    ----------
    tells_of_compiling : bool
        Whether it is said on standard error when kernels are compiled for the processes.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([_TELLING, _LOADED] if tells_of_compiling else [_LOADED])
    forkserver.ensure_running()
    return context
