"""Many small sites in one compiled pass: each parcel's turf, the water of its zones, its measures.

A *group* is what can share cells: the zones and the turf of one parcel, or of a whole site. Groups
are taken one after another in one scratch, so that a group of a garden's size stays in the cache.
Lengths are in cells of one grid; rows run south.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.grid.polygon_cover_kernels import (
    CellWindow,
    Crossings,
    Outlines,
    cover_polygon,
)
from geoirrig.surfaces.sector_kernels import Heads, Sums, Workspace, superpose_heads
from geoirrig.units import FloatArray

N_CLASSES = 5  # four slope classes, and slope not known
UNKNOWN_CLASS = 4
_BINS = 256

IntVector = NDArray[np.int64]


class Groups(NamedTuple):
    """Zones and turf of each group: places start[g] to start[g + 1] of the orders."""

    zone_start: IntVector
    zone: IntVector  # zones in running order within the group
    turf_start: IntVector
    turf: IntVector  # polygons in the order of the table within the group
    window: IntVector  # (n_groups, 4) of the turf: row, column, rows, columns


class ZoneHeads(NamedTuple):
    """Heads of each zone, and the window that holds all that they wet."""

    head_start: IntVector  # (n_zones + 1,) into the order of the heads
    window: IntVector  # (n_zones, 4)
    flow_mm_h: FloatArray  # (n_zones,), the rate if all fell into one cell


class SlopeClasses(NamedTuple):
    """Class of each polygon's slope, or of each cell's where there is a raster."""

    of_turf: NDArray[np.int8]
    of_cell: NDArray[np.int8]  # (n_rows, n_cols); empty where there is none
    row: int
    col: int


class Cells(NamedTuple):
    """Turf cells of one group; arrays of (room,)."""

    key: NDArray[np.int32]  # polygon within the group and slope class
    best: NDArray[np.float32]  # highest rate
    main: NDArray[np.int32]  # zone within the group that gives it; −1 is dry


class Entries(NamedTuple):
    """Turf cells that the zones of one group wet, zone after zone."""

    cell: NDArray[np.int32]
    rate_mm_h: NDArray[np.float32]


class Served(NamedTuple):
    """Rates on the turf cells of one group, by the zone that serves them."""

    start: IntVector  # (room + 1,)
    rate_mm_h: NDArray[np.float32]


class Bins(NamedTuple):
    """Room to find low sums in."""

    members: IntVector
    total: FloatArray
    spare: NDArray[np.float32]


class ZoneSums(NamedTuple):
    """What is known of every zone; arrays of (n_zones,)."""

    cells: IntVector
    total: FloatArray  # of the rates on the cells that it serves
    low_half: FloatArray  # of the lowest half of these
    low_quarter: FloatArray
    on_turf: FloatArray  # of the rates on all turf of its group


@compiled
def cells_room(n: int) -> Cells:
    """Room for ``n`` turf cells."""
    return Cells(np.empty(n, np.int32), np.empty(n, np.float32), np.empty(n, np.int32))


@compiled
def entries_room(n: int) -> Entries:
    """Room for ``n`` wetted cells."""
    return Entries(np.empty(n, np.int32), np.empty(n, np.float32))


@compiled
def served_room(n_zones: int, n: int) -> Served:
    """Room for ``n`` turf cells and so many zones."""
    return Served(np.empty(n_zones + 2, np.int64), np.empty(n, np.float32))


@compiled
def bins_room(n: int) -> Bins:
    """Room to find the low sums of ``n`` values."""
    return Bins(np.empty(_BINS, np.int64), np.empty(_BINS), np.empty(n, np.float32))


@compiled
def _grown_entries(entries: Entries, n: int) -> Entries:
    """The same entries with room for ``n``."""
    larger = entries_room(n)
    kept = entries.cell.shape[0]
    larger.cell[:kept] = entries.cell
    larger.rate_mm_h[:kept] = entries.rate_mm_h
    return larger


@compiled
def window_of(row: IntVector) -> CellWindow:
    """A window from a row of a table."""
    return CellWindow(row[0], row[1], row[2], row[3])


# --- turf ----------------------------------------------------------------------------------------


@compiled
def cover_turf(
    group: int, groups: Groups, outlines: Outlines, cover: NDArray[np.int32], room: Crossings
) -> Crossings:
    """Write the polygon of every cell of a group's window, by its place in the group."""
    window = window_of(groups.window[group])
    cover[: window.n_rows * window.n_cols] = -1
    first = groups.turf_start[group]
    for place in range(first, groups.turf_start[group + 1]):
        turf = groups.turf[place]
        room = cover_polygon(turf, outlines, window, place - first, cover, room)
    return room


@compiled
def count_cells(group: int, groups: Groups, cover: NDArray[np.int32]) -> int:
    """Number of turf cells of a group."""
    window, n = window_of(groups.window[group]), 0
    for cell in range(window.n_rows * window.n_cols):
        n += cover[cell] >= 0
    return n


@compiled
def number_cells(
    group: int,
    groups: Groups,
    classes: SlopeClasses,
    cover: NDArray[np.int32],
    cells: Cells,
    turf_cells: IntVector,
) -> None:
    """Number the turf cells, by rows; ``cover`` then holds the numbers.

    ``turf_cells``, (n_turf, N_CLASSES), counts them by polygon and slope class.
    """
    window = window_of(groups.window[group])
    first, number, has_raster = groups.turf_start[group], 0, classes.of_cell.shape[0] > 0
    key, best, main = cells.key, cells.best, cells.main
    for row in range(window.n_rows):
        for col in range(window.n_cols):
            local = cover[row * window.n_cols + col]
            if local < 0:
                continue
            turf = groups.turf[first + local]
            rank = int(classes.of_turf[turf])
            if has_raster:
                rank = _class_at(window.row + row, window.col + col, classes)
            turf_cells[turf, rank] += 1
            key[number], best[number], main[number] = local * N_CLASSES + rank, np.float32(0.0), -1
            cover[row * window.n_cols + col] = number
            number += 1


@compiled
def _class_at(row: int, col: int, classes: SlopeClasses) -> int:
    """Slope class of a cell of the grid."""
    own_row, own_col = row - classes.row, col - classes.col
    n_rows, n_cols = classes.of_cell.shape
    if 0 <= own_row < n_rows and 0 <= own_col < n_cols:
        return int(classes.of_cell[own_row, own_col])
    return UNKNOWN_CLASS


# --- water ---------------------------------------------------------------------------------------


@compiled
def lay_zone(
    zone: int, zones: ZoneHeads, heads: Heads, work: Workspace, rate: FloatArray, ones: Sums
) -> None:
    """Rates of a zone on its own window, written from the start of ``rate``."""
    window = window_of(zones.window[zone])
    area = window.n_rows * window.n_cols
    rate[:area] = 0.0
    sums = Sums(
        rate[:area],
        ones.heads_reaching,
        ones.target,
        window.n_rows,
        window.n_cols,
        ones.on_target_fraction,
    )
    superpose_heads(zones.head_start[zone], zones.head_start[zone + 1], heads, work, sums)


@compiled
def gather_zone(
    local: int,
    windows: tuple[CellWindow, CellWindow],
    rate: FloatArray,
    cover: NDArray[np.int32],
    cells: Cells,
    entries: Entries,
    n: int,
) -> tuple[int, float]:
    """Append the turf cells that a zone wets, and keep each cell's highest rate.

    Returns
    -------
    tuple of int and float
        Number of entries now, and the sum of the zone's rates on the turf.
    """
    own, turf = windows
    north, south = max(own.row, turf.row), min(own.row + own.n_rows, turf.row + turf.n_rows)
    west, east = max(own.col, turf.col), min(own.col + own.n_cols, turf.col + turf.n_cols)
    on_turf = 0.0
    for row in range(north, south):
        source = (row - own.row) * own.n_cols - own.col
        place = (row - turf.row) * turf.n_cols - turf.col
        for col in range(west, east):
            value, number = rate[source + col], cover[place + col]
            if number < 0 or value <= 0.0:
                continue
            on_turf += value
            single = np.float32(value)
            if single <= np.float32(0.0):
                continue
            entries.cell[n], entries.rate_mm_h[n] = number, single
            n += 1
            if single > cells.best[number]:
                cells.best[number], cells.main[number] = single, local
    return n, on_turf


@compiled
def room_for_zone(zone: int, zones: ZoneHeads, n: int, n_cells: int, entries: Entries) -> Entries:
    """Entries with room for all cells that a zone may add to ``n``."""
    window = window_of(zones.window[zone])
    most = n + min(n_cells, window.n_rows * window.n_cols)
    return entries if most <= entries.cell.shape[0] else _grown_entries(entries, 2 * most)


@compiled
def sort_served(n_zones: int, n_cells: int, cells: Cells, served: Served) -> None:
    """List the rates on the turf cells of a group by the zone that serves them."""
    start, main, best, rate = served.start, cells.main, cells.best, served.rate_mm_h
    start[: n_zones + 2] = 0
    for cell in range(n_cells):
        start[main[cell] + 2] += main[cell] >= 0
    for zone in range(n_zones):
        start[zone + 2] += start[zone + 1]
    for cell in range(n_cells):
        zone = main[cell]
        if zone >= 0:
            rate[start[zone + 1]] = best[cell]
            start[zone + 1] += 1


# --- evenness ------------------------------------------------------------------------------------


@compiled
def _bin_of(value: float, lowest: float, scale: float) -> int:
    return min(_BINS - 1, int((value - lowest) * scale))


@compiled
def _low_sum(
    values: NDArray[np.float32], share: float, line: tuple[float, float], bins: Bins
) -> float:
    """Sum of the lowest ``share`` values, the last in part; the bins are filled."""
    whole = int(share)
    reached, total, at = 0, 0.0, 0
    while reached + bins.members[at] <= whole:
        reached, total, at = reached + bins.members[at], total + bins.total[at], at + 1
    n = 0
    for value in values:
        if _bin_of(value, line[0], line[1]) == at:
            bins.spare[n] = value
            n += 1
    bins.spare[:n].sort()
    for place in range(whole - reached):
        total += float(bins.spare[place])
    return total + (share - whole) * float(bins.spare[whole - reached])


@compiled
def low_sums(values: NDArray[np.float32], bins: Bins) -> tuple[float, float, float]:
    """Sums of the lowest quarter, of the lowest half and of all of some values.

    Values go into bins, and only the bin with the limit in it is sorted. Exactly a quarter and a
    half count, of the last value a part.
    """
    n = values.shape[0]
    lowest, highest = values.min(), values.max()
    if lowest == highest:
        total = n * float(lowest)
        return 0.25 * total, 0.5 * total, total
    line = (float(lowest), _BINS / (float(highest) - float(lowest)))
    bins.members[:] = 0
    bins.total[:] = 0.0
    for value in values:
        at = _bin_of(value, line[0], line[1])
        bins.members[at] += 1
        bins.total[at] += float(value)
    quarter, half = _low_sum(values, 0.25 * n, line, bins), _low_sum(values, 0.5 * n, line, bins)
    return quarter, half, bins.total.sum()


@compiled
def sum_zones(group: int, groups: Groups, served: Served, bins: Bins, sums: ZoneSums) -> None:
    """Fill the sums of the zones of a group."""
    first = groups.zone_start[group]
    for place in range(first, groups.zone_start[group + 1]):
        local, zone = place - first, groups.zone[place]
        start, stop = served.start[local], served.start[local + 1]
        sums.cells[zone] = stop - start
        sums.total[zone] = sums.low_half[zone] = sums.low_quarter[zone] = 0.0
        if stop > start:
            quarter, half, total = low_sums(served.rate_mm_h[start:stop], bins)
            sums.low_quarter[zone], sums.low_half[zone] = quarter, half
            sums.total[zone] = total
