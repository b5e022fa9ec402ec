"""Compiled search for the cells whose excess crosses the edge of their area."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.physics.flow_routing_kernels import col_step, row_step
from geoirrig.units import FloatArray


class Crossings(NamedTuple):
    """Water that crosses an edge, (n_crossings,)."""

    place: NDArray[np.int32]  # of the cell in the order of the flow
    slot: NDArray[np.int8]  # first or second of its ways
    to_cell: NDArray[np.int64]  # flat number of the neighbour; -1 beyond the grid
    depth_mm: FloatArray  # on the cell that it leaves


@compiled
def _neighbour(cell: int, octant: int, n_rows: int, n_cols: int) -> int:
    """Flat number of a neighbour, or −1 beyond the grid."""
    row, col = cell // n_cols + row_step(octant), cell % n_cols + col_step(octant)
    if row < 0 or col < 0 or row >= n_rows or col >= n_cols:
        return -1
    return row * n_cols + col


@compiled
def find_crossings(
    cell: NDArray[np.int64],
    octant: NDArray[np.int8],
    first_share: NDArray[np.float32],
    left_mm: FloatArray,
    area: NDArray[np.int32],
    found: Crossings,
) -> int:
    """Fill ``found`` as far as it reaches; returns how many crossings there are."""
    n_rows, n_cols = area.shape
    areas = area.ravel()
    count = 0
    for place in range(cell.shape[0]):
        own = areas[cell[place]]
        if own < 0 or not left_mm[place] > 0.0:
            continue
        share = np.float64(first_share[place])
        for slot in range(2):
            part = share if slot == 0 else 1.0 - share
            if octant[place, slot] < 0 or part <= 0.0:
                continue
            to_cell = _neighbour(cell[place], octant[place, slot], n_rows, n_cols)
            if to_cell >= 0 and areas[to_cell] == own:
                continue
            if count < found.place.shape[0]:
                found.place[count], found.slot[count] = place, slot
                found.to_cell[count] = to_cell
                found.depth_mm[count] = part * left_mm[place]
            count += 1
    return count
