"""Where the water of a cell goes: its neighbours downhill, their shares, and an order to follow.

The direction of steepest descent lies between two of the eight neighbours. Each gets a share by the
angle (D-infinity); a direction that points straight at one neighbour gives it all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.physics import flow_routing_kernels as kernels
from geoirrig.units import FloatArray

OUTSIDE = kernels.OUTSIDE
NOWHERE = kernels.NOWHERE


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowGraph:
    """Ways of the water from cell to cell; the cells stand in an order that goes downhill.

    Water that leaves cell c goes to ``to[c, 0]`` by the share ``first_share[c]`` and to
    ``to[c, 1]`` by the rest. Both stand later in the order, are `OUTSIDE`, or are `NOWHERE`; a
    cell whose first way is `NOWHERE` is a pit or lies level, and its water stays.
    """

    cell: NDArray[np.int64]  # (n_cells,), flat numbers in the raster
    to: NDArray[np.int32]  # (n_cells, 2), places in this order
    octant: NDArray[np.int8]  # (n_cells, 2), 0 north, 1 north-east … 7 north-west; -1 no way
    first_share: NDArray[np.float32]  # (n_cells,), (0, 1]


def flow_graph(
    bearing_deg: NDArray[np.float32], elevation_m: FloatArray, is_ground: NDArray[np.bool_]
) -> FlowGraph:
    """Ways downhill of the cells of a raster with square pixels.

    Parameters
    ----------
    bearing_deg : ndarray of float32, shape (n_rows, n_cols)
        Direction of steepest descent, [0, 360], clockwise from north; NaN where there is none.
        [°]
    elevation_m : ndarray of float64, shape (n_rows, n_cols)
        The ground from which the directions were taken; NaN is not known. [m]
    is_ground : ndarray of bool, shape (n_rows, n_cols)
        Cells whose water is followed; all others are outside.

    Returns
    -------
    FlowGraph

    Raises
    ------
    ValueError
        If the ways form a loop. They cannot, for a way is only taken to a strictly lower cell.

    Notes
    -----
    A bearing between two neighbours 45° apart is shared by the angles: each gets the share by
    which the direction is nearer to it (Tarboton 1997, Water Resour. Res. 33(2):309-319). Where
    one of the two is not strictly lower, the other gets all; where neither is, the water stays. A
    neighbour whose elevation is not known is taken as lower if it is outside.

    Examples
    --------
    >>> ground = np.ones((1, 3), dtype=bool)
    >>> east = np.full((1, 3), 90.0, dtype=np.float32)
    >>> flow_graph(east, np.array([[3.0, 2.0, 1.0]]), ground).to[:, 0].tolist()
    [1, 2, -1]
    """
    cell = np.flatnonzero(is_ground)
    n_cells = len(cell)
    number = np.full(is_ground.shape, OUTSIDE, dtype=np.int32)
    number.ravel()[cell] = np.arange(n_cells, dtype=np.int32)
    octant = np.empty((n_cells, 2), dtype=np.int8)
    to = np.empty((n_cells, 2), dtype=np.int32)
    first_share = np.empty(n_cells, dtype=np.float32)
    kernels.find_ways(bearing_deg, elevation_m, number, octant, to, first_share)
    order = np.empty(n_cells, dtype=np.int32)
    if kernels.place_downhill(to, order) < n_cells:
        raise ValueError("The ways downhill form a loop.")
    place = np.empty(n_cells, dtype=np.int32)
    place[order] = np.arange(n_cells, dtype=np.int32)
    to = to[order]
    goes_on = to >= 0
    to[goes_on] = place[to[goes_on]]
    return FlowGraph(
        cell=cell[order],
        to=to,
        octant=octant[order],
        first_share=first_share[order],
    )


def arriving_depth(graph: FlowGraph, leaving: FloatArray) -> FloatArray:
    """What arrives in each cell from the cells above it.

    Parameters
    ----------
    graph : FlowGraph
        Ways of the water.
    leaving : ndarray of float64, shape (n_cells,)
        What each cell sends on, ≥ 0, in any unit of depth.

    Returns
    -------
    ndarray of float64, shape (n_cells,)
        In the same unit.

    Examples
    --------
    >>> ground = np.ones((1, 2), dtype=bool)
    >>> east = np.full((1, 2), 90.0, dtype=np.float32)
    >>> graph = flow_graph(east, np.array([[2.0, 1.0]]), ground)
    >>> arriving_depth(graph, np.array([5.0, 7.0])).tolist()
    [0.0, 5.0]
    """
    arriving = np.zeros(len(leaving))
    kernels.push_along(graph.to, graph.first_share, leaving, arriving)
    return arriving


def neighbour_step(octant: NDArray[np.int8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows southwards and columns eastwards to the neighbour in each octant.

    Examples
    --------
    >>> [step.tolist() for step in neighbour_step(np.array([0, 3, 6], dtype=np.int8))]
    [[-1, 1, 0], [0, 1, -1]]
    """
    rows = np.array([kernels.row_step(number) for number in range(8)], dtype=np.int64)
    cols = np.array([kernels.col_step(number) for number in range(8)], dtype=np.int64)
    return rows[octant], cols[octant]
