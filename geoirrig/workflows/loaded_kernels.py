"""Importing this loads what a worker needs, before it is forked.

That is the compiled kernels of a work unit, on a garden of nothing, and what draws the results.
The server that processes are forked from imports it, so that each of them has it ready.
"""

import gc

from geoirrig.workflows.cycle_collection import without_cycle_collection

with without_cycle_collection():
    from geoirrig.workflows.warm_up import work_smallest_unit

    work_smallest_unit()

    import geoirrig.maps.screening_sheet
    import geoirrig.workflows.screening_picture  # noqa: F401 - for the workers

gc.freeze()  # all of this stays: no worker need search it for what can be let go
