"""Which pits of a raster of elevations hold water, and how the others are made to drain, compiled.

Pixels are numbered row by row. The eight neighbours of a pixel are numbered clockwise from north,
so that k and (k + 4) % 8 are opposite.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.units import FloatArray

ROW_STEP = np.array([-1, -1, 0, 1, 1, 1, 0, -1])
COL_STEP = np.array([0, 1, 1, 1, 0, -1, -1, -1])


@compiled
def _neighbour(elevation: FloatArray, row: int, col: int, k: int) -> int:
    """Number of a neighbour; -1 where there is none or it has no elevation."""
    r, c = row + ROW_STEP[k], col + COL_STEP[k]
    if r < 0 or c < 0 or r >= elevation.shape[0] or c >= elevation.shape[1]:
        return -1
    return -1 if np.isnan(elevation[r, c]) else r * elevation.shape[1] + c


@compiled
def _has_way_out(elevation: FloatArray, row: int, col: int) -> bool:
    """Whether the ground, carried on through the pixel, falls towards where nothing is known."""
    centre, heights = elevation[row, col], elevation.ravel()
    for k in range(8):
        if _neighbour(elevation, row, col, k) < 0:
            opposite = _neighbour(elevation, row, col, (k + 4) % 8)
            if opposite >= 0 and heights[opposite] > centre:
                return True
    return False


@compiled
def find_ways_out(elevation: FloatArray, is_outlet: NDArray[np.bool_]) -> int:
    """Mark the pixels at the border of what is known where water leaves; how many others are pits.

    Level ground counts as a pit here.
    """
    heights, n_pits = elevation.ravel(), 0
    n_rows, n_cols = elevation.shape
    for row in range(n_rows):
        for col in range(n_cols):
            centre = elevation[row, col]
            if np.isnan(centre):
                continue
            is_border, is_pit = False, True
            for k in range(8):
                other = _neighbour(elevation, row, col, k)
                is_border |= other < 0
                is_pit &= other < 0 or heights[other] >= centre
            if is_border and _has_way_out(elevation, row, col):
                is_outlet[row * n_cols + col] = True
            elif is_pit:
                n_pits += 1
    return n_pits


@compiled
def _root(parent: NDArray[np.int64], cell: int) -> int:
    """Lowest pixel of the basin that a pixel belongs to."""
    while parent[cell] != cell:
        parent[cell] = parent[parent[cell]]
        cell = parent[cell]
    return cell


@compiled
def _join(
    basins: tuple[int, int],
    saddle: float,
    deepest: float,
    heights: FloatArray,
    parent: NDArray[np.int64],
    is_outlet: NDArray[np.bool_],
    is_sink: NDArray[np.bool_],
) -> int:
    """Join two basins that meet at a saddle; the one with the higher bottom spills there.

    If that takes more than the greatest depth, its bottom holds water. Returns the other bottom.
    """
    first, second = basins
    second_stays = not is_outlet[first] and (is_outlet[second] or heights[second] < heights[first])
    stays, spills = (second, first) if second_stays else (first, second)
    if not is_outlet[spills] and saddle - heights[spills] > deepest:
        is_sink[spills] = True
    parent[spills] = stays
    return stays


@compiled
def find_sinks(
    elevation: FloatArray,
    rising: NDArray[np.int64],
    deepest: float,
    is_outlet: NDArray[np.bool_],
    is_sink: NDArray[np.bool_],
) -> None:
    """Mark one pixel of the bottom of every depression that does not drain.

    Basins grow from their bottoms as the pixels are taken in ``rising`` order of elevation.
    """
    heights, n_cols = elevation.ravel(), elevation.shape[1]
    parent = np.full(heights.shape[0], -1)
    for place in range(rising.shape[0]):
        cell = rising[place]
        parent[cell] = cell
        basin = -1
        for k in range(8):
            other = _neighbour(elevation, cell // n_cols, cell % n_cols, k)
            if other < 0 or parent[other] < 0:
                continue
            found = _root(parent, other)
            if basin < 0:
                basin = found
            elif found != basin:
                pair = (basin, found)
                basin = _join(pair, heights[cell], deepest, heights, parent, is_outlet, is_sink)
        if basin < 0:
            continue
        if is_outlet[cell]:
            _join((basin, cell), heights[cell], deepest, heights, parent, is_outlet, is_sink)
        else:
            parent[cell] = basin
    for place in range(rising.shape[0]):
        cell = rising[place]
        if parent[cell] == cell and not is_outlet[cell]:
            is_sink[cell] = True


@compiled
def spread_sinks(
    elevation: FloatArray, queue: NDArray[np.int64], is_sink: NDArray[np.bool_]
) -> None:
    """Mark all of a level bottom of which one pixel is marked."""
    heights, n_cols = elevation.ravel(), elevation.shape[1]
    last = 0
    for cell in range(heights.shape[0]):
        if is_sink[cell]:
            queue[last] = cell
            last += 1
    first = 0
    while first < last:
        cell = queue[first]
        first += 1
        for k in range(8):
            other = _neighbour(elevation, cell // n_cols, cell % n_cols, k)
            if other >= 0 and not is_sink[other] and heights[other] == heights[cell]:
                is_sink[other] = True
                queue[last] = other
                last += 1


@compiled
def _push(
    levels: FloatArray, cells: NDArray[np.int64], count: int, level: float, cell: int
) -> None:
    """Put a pixel on a heap of ``count``, lowest level on top."""
    place = count
    while place > 0:
        above = (place - 1) // 2
        if levels[above] <= level:
            break
        levels[place], cells[place] = levels[above], cells[above]
        place = above
    levels[place], cells[place] = level, cell


@compiled
def _pop(levels: FloatArray, cells: NDArray[np.int64], count: int) -> int:
    """Take the lowest pixel off a heap of ``count``."""
    top, level, cell = cells[0], levels[count - 1], cells[count - 1]
    place, below, size = 0, 1, count - 1
    while below < size:
        if below + 1 < size and levels[below + 1] < levels[below]:
            below += 1
        if level <= levels[below]:
            break
        levels[place], cells[place] = levels[below], cells[below]
        place, below = below, 2 * below + 1
    levels[place], cells[place] = level, cell
    return int(top)


@compiled
def flood(
    elevation: FloatArray,
    n_known: int,
    step: float,
    is_done: NDArray[np.bool_],
    drained: FloatArray,
) -> None:
    """Raise what is lower than its way to the pixels done, which keep their elevation.

    ``drained`` starts as the elevations, one row after the other. Pixels that are raised come up in
    rising order and wait in a plain queue, the others on a heap (after Barnes et al. 2014,
    algorithm 3). The lower of the two is always next, so that level ground drains by the shortest
    way.
    """
    n_cols = elevation.shape[1]
    levels, cells = np.empty(n_known), np.empty(n_known, dtype=np.int64)
    queue = np.empty(n_known, dtype=np.int64)
    size, first, last = 0, 0, 0
    for cell in range(drained.shape[0]):
        if is_done[cell]:
            _push(levels, cells, size, drained[cell], cell)
            size += 1
    while size > 0 or first < last:
        if first < last and (size == 0 or drained[queue[first]] < levels[0]):
            cell = queue[first]
            first += 1
        else:
            cell = _pop(levels, cells, size)
            size -= 1
        level = drained[cell] + step
        for k in range(8):
            other = _neighbour(elevation, cell // n_cols, cell % n_cols, k)
            if other < 0 or is_done[other]:
                continue
            is_done[other] = True
            if drained[other] <= level:
                drained[other] = level
                queue[last] = other
                last += 1
            else:
                _push(levels, cells, size, drained[other], other)
                size += 1
