"""Cells whose centre lies in a polygon, compiled: scan lines through the rows of cell centres.

Coordinates are in cells: columns to the east, rows to the south, whole numbers on cell edges. The
rule is the even-odd rule over all rings of a polygon, as raster libraries have it: a crossing with
the row of centres belongs to the upper end of an edge; a centre on an east side is inside, one on a
west side is not; one on a level south side of a ring is inside.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.units import FloatArray


class Outlines(NamedTuple):
    """Rings of polygons: polygon p has rings polygon_ring[p] to polygon_ring[p + 1]."""

    col: FloatArray  # (n_points,); a ring repeats its first point at its end
    row: FloatArray
    ring_point: NDArray[np.int64]  # (n_rings + 1,)
    polygon_ring: NDArray[np.int64]  # (n_polygons + 1,)


class CellWindow(NamedTuple):
    """A rectangle of cells."""

    row: int
    col: int
    n_rows: int
    n_cols: int


class Crossings(NamedTuple):
    """Room for the crossings of one polygon with the rows of a window; grown where too small."""

    first: NDArray[np.int64]  # (n_rows + 1,) into the crossings
    col: FloatArray


@compiled
def crossings_room(n_rows: int, n_crossings: int) -> Crossings:
    """Room for so many rows and crossings."""
    return Crossings(np.empty(n_rows + 2, np.int64), np.empty(n_crossings))


@compiled
def _rows_of_edge(top: float, bottom: float, window: CellWindow) -> tuple[int, int]:
    """First row of the window whose centres an edge crosses, and the first that it does not."""
    first = max(0, math.ceil(top - 0.5) - window.row)
    return first, max(first, min(window.n_rows, math.ceil(bottom - 0.5) - window.row))


@compiled
def _count_crossings(polygon: int, outlines: Outlines, window: CellWindow, room: Crossings) -> int:
    """Write where each row's crossings begin, one place late; how many there are."""
    first = room.first
    first[: window.n_rows + 2] = 0
    rings = outlines.polygon_ring
    for ring in range(rings[polygon], rings[polygon + 1]):
        for point in range(outlines.ring_point[ring], outlines.ring_point[ring + 1] - 1):
            a, b = outlines.row[point], outlines.row[point + 1]
            start, stop = _rows_of_edge(min(a, b), max(a, b), window)
            for row in range(start, stop):
                first[row + 2] += 1
    for row in range(window.n_rows):
        first[row + 2] += first[row + 1]
    return int(first[window.n_rows + 1])


@compiled
def _put_crossings(polygon: int, outlines: Outlines, window: CellWindow, room: Crossings) -> None:
    """Write the crossings of each row; what said where a row begins then says where it ends."""
    first, rings = room.first, outlines.polygon_ring
    for ring in range(rings[polygon], rings[polygon + 1]):
        for point in range(outlines.ring_point[ring], outlines.ring_point[ring + 1] - 1):
            upper, lower = point, point + 1
            if outlines.row[upper] > outlines.row[lower]:
                upper, lower = lower, upper
            top, bottom = outlines.row[upper], outlines.row[lower]
            start, stop = _rows_of_edge(top, bottom, window)
            across = outlines.col[lower] - outlines.col[upper]
            for row in range(start, stop):
                down = window.row + row + 0.5 - top
                room.col[first[row + 1]] = down * across / (bottom - top) + outlines.col[upper]
                first[row + 1] += 1


@compiled
def _sort_few(values: FloatArray, start: int, stop: int) -> None:
    """Sort a short stretch in place."""
    for place in range(start + 1, stop):
        value, at = values[place], place
        while at > start and values[at - 1] > value:
            values[at] = values[at - 1]
            at -= 1
        values[at] = value


@compiled
def _fill_row(
    span: tuple[float, float], row: int, window: CellWindow, number: int, cover: NDArray[np.int32]
) -> None:
    """Give a stretch of a row to a polygon where nobody has it."""
    start = max(0, math.floor(span[0] + 0.5) - window.col)
    stop = min(window.n_cols, math.floor(span[1] + 0.5) - window.col)
    for cell in range(row * window.n_cols + start, row * window.n_cols + stop):
        if cover[cell] < 0:
            cover[cell] = number


@compiled
def _turn(start: int, stop: int, outlines: Outlines) -> float:
    """Above 0 for a ring that runs clockwise on a map with north up, below 0 for the other way."""
    col, row, doubled = outlines.col, outlines.row, 0.0
    for point in range(start, stop - 1):
        east, south = col[point] - col[start], row[point] - row[start]
        next_east, next_south = col[point + 1] - col[start], row[point + 1] - row[start]
        doubled += east * next_south - next_east * south
    return doubled


@compiled
def _fill_level_edges(
    polygon: int, outlines: Outlines, window: CellWindow, number: int, cover: NDArray[np.int32]
) -> None:
    """Fill along the south sides of rings that run through centres of cells."""
    col, row_of, rings = outlines.col, outlines.row, outlines.polygon_ring
    for ring in range(rings[polygon], rings[polygon + 1]):
        start, stop = outlines.ring_point[ring], outlines.ring_point[ring + 1]
        turn = 0.0
        for point in range(start, stop - 1):
            at = row_of[point]
            if at != row_of[point + 1] or at - math.floor(at) != 0.5:
                continue
            row = math.floor(at) - window.row
            turn = _turn(start, stop, outlines) if turn == 0.0 else turn
            if 0 <= row < window.n_rows and turn * (col[point] - col[point + 1]) > 0.0:
                span = (min(col[point], col[point + 1]), max(col[point], col[point + 1]))
                _fill_row(span, row, window, number, cover)


@compiled
def cover_polygon(
    polygon: int,
    outlines: Outlines,
    window: CellWindow,
    number: int,
    cover: NDArray[np.int32],
    room: Crossings,
) -> Crossings:
    """Write ``number`` into the cells of a polygon that are still below 0.

    Parameters
    ----------
    polygon : int
        Which of the outlines.
    outlines : Outlines
        Polygons, in cells.
    window : CellWindow
        The cells that ``cover`` stands for.
    number : int
        What is written, ≥ 0.
    cover : ndarray of int32, shape (≥ n_rows · n_cols,)
        Changed in place.
    room : Crossings
        Room to work in, at least the rows of the window.

    Returns
    -------
    Crossings
        The same room, or a larger one.
    """
    n_crossings = _count_crossings(polygon, outlines, window, room)
    if n_crossings > room.col.shape[0]:
        room = Crossings(room.first, np.empty(2 * n_crossings))
    _put_crossings(polygon, outlines, window, room)
    for row in range(window.n_rows):
        _sort_few(room.col, room.first[row], room.first[row + 1])
        for place in range(room.first[row], room.first[row + 1] - 1, 2):
            span = (room.col[place], room.col[place + 1])
            _fill_row(span, row, window, number, cover)
    _fill_level_edges(polygon, outlines, window, number, cover)
    return room
