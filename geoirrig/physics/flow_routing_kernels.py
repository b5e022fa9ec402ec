"""Compiled passes over a flow graph of cells: ways down, their order, and one push along them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.units import FloatArray

OUTSIDE = -1  # the way ends at a place that is not one of the cells
NOWHERE = -2  # there is no such way

_PLACED = 255  # more than any cell has ways in


@compiled
def row_step(octant: int) -> int:
    """Rows southwards to the neighbour in an octant, counted clockwise from north."""
    if 3 <= octant <= 5:
        return 1
    return 0 if octant == 2 or octant == 6 else -1


@compiled
def col_step(octant: int) -> int:
    """Columns eastwards to the neighbour in an octant, counted clockwise from north."""
    if 1 <= octant <= 3:
        return 1
    return 0 if octant == 0 or octant == 4 else -1


@compiled
def _end_of_way(
    row: int, col: int, octant: int, elevation: FloatArray, number: NDArray[np.int32]
) -> int:
    """Number of the neighbour, OUTSIDE, or NOWHERE where it is not strictly lower."""
    to_row, to_col = row + row_step(octant), col + col_step(octant)
    if to_row < 0 or to_col < 0 or to_row >= number.shape[0] or to_col >= number.shape[1]:
        return OUTSIDE
    to, height = number[to_row, to_col], elevation[to_row, to_col]
    if np.isnan(height):
        return NOWHERE if to >= 0 else OUTSIDE
    if not height < elevation[row, col]:
        return NOWHERE
    return to if to >= 0 else OUTSIDE


@compiled
def find_ways(
    bearing: NDArray[np.float32],
    elevation: FloatArray,
    number: NDArray[np.int32],
    octant: NDArray[np.int8],
    to: NDArray[np.int32],
    first_share: NDArray[np.float32],
) -> None:
    """Fill the one or two ways of every numbered cell."""
    for row in range(number.shape[0]):
        for col in range(number.shape[1]):
            own = number[row, col]
            if own < 0:
                continue
            octant[own, 0], octant[own, 1] = -1, -1
            to[own, 0], to[own, 1] = NOWHERE, NOWHERE
            first_share[own] = 1.0
            if np.isnan(bearing[row, col]):
                continue
            place = np.float64(bearing[row, col]) / 45.0
            whole = int(place)
            part = place - whole
            before, after = whole % 8, (whole + 1) % 8
            first = _end_of_way(row, col, before, elevation, number)
            second = NOWHERE
            if part > 0.0:
                second = _end_of_way(row, col, after, elevation, number)
            if first == NOWHERE:
                first, second, before = second, NOWHERE, after
            if first == NOWHERE:
                continue
            octant[own, 0], to[own, 0] = before, first
            if second != NOWHERE:
                octant[own, 1], to[own, 1] = after, second
                first_share[own] = 1.0 - part


@compiled
def place_downhill(to: NDArray[np.int32], order: NDArray[np.int32]) -> int:
    """Order the cells so that every way leads to a later one; how many could be placed.

    Paths are followed down as far as all their tributaries are known, so that a cell and the one
    below it mostly lie close together.
    """
    n_cells = to.shape[0]
    waiting_for = np.zeros(n_cells, np.uint8)
    for cell in range(n_cells):
        for slot in range(2):
            if to[cell, slot] >= 0:
                waiting_for[to[cell, slot]] += 1
    stack = np.empty(n_cells, np.int32)
    placed = 0
    for start in range(n_cells):
        if waiting_for[start] != 0:
            continue
        stack[0], height = start, 1
        while height > 0:
            height -= 1
            cell = stack[height]
            order[placed] = cell
            waiting_for[cell] = _PLACED
            placed += 1
            for slot in range(2):
                below = to[cell, slot]
                if below >= 0:
                    waiting_for[below] -= 1
                    if waiting_for[below] == 0:
                        stack[height] = below
                        height += 1
    return placed


@compiled
def push_along(
    to: NDArray[np.int32],
    first_share: NDArray[np.float32],
    leaving: FloatArray,
    arriving: FloatArray,
) -> None:
    """Add to ``arriving`` what each cell sends to the cells below it."""
    for cell in range(to.shape[0]):
        if leaving[cell] > 0.0:
            first = first_share[cell] * leaving[cell]
            if to[cell, 0] >= 0:
                arriving[to[cell, 0]] += first
            if to[cell, 1] >= 0:
                arriving[to[cell, 1]] += leaving[cell] - first
