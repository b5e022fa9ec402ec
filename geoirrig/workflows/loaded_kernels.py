"""Importing this loads the compiled kernels of a work unit, on a garden of nothing.

The server that processes are forked from imports it, so that each of them has the kernels ready.
"""

from geoirrig.workflows.warm_up import work_smallest_unit

work_smallest_unit()
