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

WORD = 64  # cells whose bits are in a word
_ALL, _ONE, _NONE = np.uint64(2**64 - 1), np.uint64(1), np.uint64(0)


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


class CellRuns(NamedTuple):
    """Cells of polygons in runs along rows, numbered run after run; arrays of (room,)."""

    polygon: NDArray[np.int32]  # number given to the polygon
    row: NDArray[np.int32]
    col: NDArray[np.int32]
    first: NDArray[np.int32]  # (room + 1,), the number of a run's first cell


class Crossings(NamedTuple):
    """Room for the crossings of one polygon with the rows of a window; grown where too small."""

    first: NDArray[np.int64]  # (n_rows + 1,) into the crossings
    col: FloatArray


@compiled
def words_of(n_cols: int) -> int:
    """Words for the bits of a row."""
    return (n_cols + WORD - 1) // WORD


@compiled
def crossings_room(n_rows: int, n_crossings: int) -> Crossings:
    """Room for so many rows and crossings."""
    return Crossings(np.empty(n_rows + 2, np.int64), np.empty(n_crossings))


@compiled
def runs_room(n: int) -> CellRuns:
    """Room for ``n`` runs; none is in use."""
    first = np.empty(n + 1, np.int32)
    first[0] = 0
    return CellRuns(np.empty(n, np.int32), np.empty(n, np.int32), np.empty(n, np.int32), first)


@compiled
def first_runs(runs: CellRuns, n_runs: int) -> CellRuns:
    """The first ``n_runs`` alone."""
    return CellRuns(
        runs.polygon[:n_runs], runs.row[:n_runs], runs.col[:n_runs], runs.first[: n_runs + 1]
    )


@compiled
def _room_for_runs(n_runs: int, n_stretches: int, runs: CellRuns) -> CellRuns:
    """Runs with room for what is free of some stretches.

    A stretch takes whole gaps between runs, but for one that it may leave in two: so there are no
    more new runs than runs, which end the gaps, and twice the stretches.
    """
    most = 2 * (n_runs + n_stretches)
    if most <= runs.row.shape[0]:
        return runs
    larger = runs_room(2 * most)
    larger.polygon[:n_runs], larger.row[:n_runs] = runs.polygon[:n_runs], runs.row[:n_runs]
    larger.col[:n_runs], larger.first[: n_runs + 1] = runs.col[:n_runs], runs.first[: n_runs + 1]
    return larger


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
def _add_cells(row: int, cols: tuple[int, int], number: int, runs: CellRuns, n_runs: int) -> int:
    """Append neighbouring cells to the last run where they continue it, else as a new one."""
    last, n_cells = max(0, n_runs - 1), cols[1] - cols[0]
    is_same_row = n_runs > 0 and runs.row[last] == row and runs.polygon[last] == number
    if is_same_row and runs.col[last] + runs.first[n_runs] - runs.first[last] == cols[0]:
        runs.first[n_runs] += n_cells
        return n_runs
    runs.polygon[n_runs], runs.row[n_runs], runs.col[n_runs] = number, row, cols[0]
    runs.first[n_runs + 1] = runs.first[n_runs] + n_cells
    return n_runs + 1


@compiled
def _take_stretch(
    span: tuple[float, float, int],
    number: int,
    window: CellWindow,
    taken: NDArray[np.uint64],
    runs: CellRuns,
    n_runs: int,
) -> int:
    """Give a stretch of a row, (west, east, row), to a polygon where nobody has it."""
    row, line = window.row + span[2], span[2] * words_of(window.n_cols)
    at = max(0, math.floor(span[0] + 0.5) - window.col)
    stop = min(window.n_cols, math.floor(span[1] + 0.5) - window.col)
    while at < stop:
        word, end = line + at // WORD, min(stop, WORD * (at // WORD + 1))
        wanted = (_ALL >> np.uint64(WORD - (end - at))) << np.uint64(at % WORD)
        free = wanted & ~taken[word]
        taken[word] |= wanted
        if free == wanted:
            n_runs = _add_cells(row, (window.col + at, window.col + end), number, runs, n_runs)
            at = end
        while at < end:
            if (free >> np.uint64(at % WORD)) & _ONE != _NONE:
                cols = (window.col + at, window.col + at + 1)
                n_runs = _add_cells(row, cols, number, runs, n_runs)
            at += 1
    return n_runs


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
def _take_level_edges(
    polygon: int,
    outlines: Outlines,
    number: int,
    window: CellWindow,
    taken: NDArray[np.uint64],
    runs: CellRuns,
    n_runs: int,
) -> int:
    """Take the cells along the south sides of rings that run through centres of cells."""
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
                span = (min(col[point], col[point + 1]), max(col[point], col[point + 1]), row)
                n_runs = _take_stretch(span, number, window, taken, runs, n_runs)
    return n_runs


class CoverRoom(NamedTuple):
    """What the cells of polygons are found with; grown where too small."""

    taken: NDArray[np.uint64]  # a bit for each cell; (≥ n_rows · words_of(n_cols),)
    crossings: Crossings
    runs: CellRuns


@compiled
def cover_polygon(
    polygon: int, outlines: Outlines, window: CellWindow, number: int, room: CoverRoom, n_runs: int
) -> tuple[CoverRoom, int]:
    """Append the cells of a polygon that are not taken yet to the runs.

    Parameters
    ----------
    polygon : int
        Which of the outlines.
    outlines : Outlines
        Polygons, in cells.
    window : CellWindow
        The cells to look at.
    number : int
        What the polygon is called in the runs.
    room : CoverRoom
        Cells that are taken, changed in place; the runs; and room to work in.
    n_runs : int
        How many runs there are.

    Returns
    -------
    tuple of CoverRoom and int
        The same room, or a larger one, and how many runs there are now.
    """
    taken, crossings, runs = room
    n_crossings = _count_crossings(polygon, outlines, window, crossings)
    if n_crossings > crossings.col.shape[0]:
        crossings = Crossings(crossings.first, np.empty(2 * n_crossings))
    _put_crossings(polygon, outlines, window, crossings)
    rings = outlines.polygon_ring
    n_points = outlines.ring_point[rings[polygon + 1]] - outlines.ring_point[rings[polygon]]
    runs = _room_for_runs(n_runs, n_crossings // 2 + n_points, runs)
    col, first = crossings.col, crossings.first
    for row in range(window.n_rows):
        _sort_few(col, first[row], first[row + 1])
        for place in range(first[row], first[row + 1] - 1, 2):
            span = (col[place], col[place + 1], row)
            n_runs = _take_stretch(span, number, window, taken, runs, n_runs)
    n_runs = _take_level_edges(polygon, outlines, number, window, taken, runs, n_runs)
    return CoverRoom(taken, crossings, runs), n_runs
