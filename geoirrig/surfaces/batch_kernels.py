"""Many small sites in one compiled pass: each parcel's turf, the water of its zones, its measures.

A *group* is what can share cells: the zones and the turf of one parcel, or of a whole site. Its
turf may be watered in several *states* of the heads, each with its own zones and as if it were the
only one. Groups are taken one after another in one scratch, so that a group of a garden's size
stays in the cache. Lengths are in cells of one grid; rows run south.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.block_instructions import BLOCK
from geoirrig.cell_blocks import alike_lanes, keep_highest, lanes_before, pack
from geoirrig.compilation import compiled, compiled_in_place
from geoirrig.grid.polygon_cover_kernels import (
    CellRuns,
    CellWindow,
    CoverRoom,
    Outlines,
    cover_polygon,
    words_of,
)
from geoirrig.surfaces.low_sum_kernels import Bins, low_sums, sum_of
from geoirrig.surfaces.sector_kernels import Heads, Sums, Workspace, superpose_heads
from geoirrig.units import FloatArray

N_CLASSES = 5  # four slope classes, and slope not known
UNKNOWN_CLASS = 4

IntVector = NDArray[np.int64]


class Groups(NamedTuple):
    """Turf of each group, places start[g] to start[g + 1] of the order, and zones of its states."""

    n_states: int
    zone_start: IntVector  # (n_groups · n_states + 1,)
    zone: IntVector  # zones in running order within the state of the group
    turf_start: IntVector
    turf: IntVector  # polygons in the order of the table within the group
    window: IntVector  # (n_groups, 4) of the turf: row, column, rows, columns


class GroupState(NamedTuple):
    """A group in one of its states: the places in the orders of its zones and of its turf."""

    first_zone: int
    end_zone: int
    first_turf: int
    end_turf: int


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
    """Turf cells of one group, polygon by polygon and row by row; arrays of (room,)."""

    key: NDArray[np.int32]  # polygon within the group and slope class
    best: NDArray[np.float32]  # highest rate
    main: NDArray[np.int32]  # zone within the group that gives it; −1 is dry
    wettings: NDArray[np.uint8]  # zones that wet it, up to 255


class Strips(NamedTuple):
    """Turf cells that the zones of one group wet, zone after zone; neighbours are a strip.

    Of a zone, no cell is in two strips. A strip may have dry cells, but no block of them.
    """

    cell: NDArray[np.int32]  # first cell of each
    start: IntVector  # where its rates begin; at last, where those of the last end
    rate_mm_h: NDArray[np.float32]  # 0 where dry


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
    return Cells(
        np.empty(n, np.int32), np.empty(n, np.float32), np.empty(n, np.int32), np.empty(n, np.uint8)
    )


@compiled
def strips_room(n_strips: int, n_rates: int) -> Strips:
    """Room for strips and their rates."""
    return Strips(
        np.empty(n_strips, np.int32),
        np.zeros(n_strips + 1, np.int64),
        np.empty(n_rates, np.float32),
    )


@compiled
def _grown_strips(strips: Strips, n_strips: int, n_rates: int) -> Strips:
    """The same strips with room for as many strips and rates."""
    larger = strips_room(n_strips, n_rates)
    larger.cell[: strips.cell.shape[0]] = strips.cell
    larger.start[: strips.start.shape[0]] = strips.start
    larger.rate_mm_h[: strips.rate_mm_h.shape[0]] = strips.rate_mm_h
    return larger


@compiled_in_place
def window_of(row: IntVector) -> CellWindow:
    """A window from a row of a table."""
    return CellWindow(row[0], row[1], row[2], row[3])


@compiled_in_place
def group_state(group: int, state: int, groups: Groups) -> GroupState:
    """A state of a group."""
    place = group * groups.n_states + state
    return GroupState(
        groups.zone_start[place],
        groups.zone_start[place + 1],
        groups.turf_start[group],
        groups.turf_start[group + 1],
    )


# --- turf ----------------------------------------------------------------------------------------


@compiled
def cover_turf(
    group: int, groups: Groups, outlines: Outlines, room: CoverRoom
) -> tuple[CoverRoom, int]:
    """List the cells of a group's polygons, by their places in the group; the number of runs."""
    window, n_runs = window_of(groups.window[group]), 0
    room.taken[: window.n_rows * words_of(window.n_cols)] = 0
    first = groups.turf_start[group]
    for place in range(first, groups.turf_start[group + 1]):
        turf = groups.turf[place]
        room, n_runs = cover_polygon(turf, outlines, window, place - first, room, n_runs)
    return room, n_runs


@compiled_in_place
def class_cells(
    group: int,
    groups: Groups,
    classes: SlopeClasses,
    runs: CellRuns,
    cells: Cells,
    turf_cells: IntVector,
) -> None:
    """Give the turf cells their keys.

    ``turf_cells``, (n_turf, N_CLASSES), counts them by polygon and slope class.
    """
    n_runs, has_raster = runs.row.shape[0], classes.of_cell.shape[0] > 0
    for run in range(n_runs):
        local, start, stop = runs.polygon[run], runs.first[run], runs.first[run + 1]
        turf = groups.turf[groups.turf_start[group] + local]
        if not has_raster:
            turf_cells[turf, classes.of_turf[turf]] += stop - start
            cells.key[start:stop] = local * N_CLASSES + classes.of_turf[turf]
            continue
        for cell in range(start, stop):
            rank = _class_at(runs.row[run], runs.col[run] + cell - start, classes)
            turf_cells[turf, rank] += 1
            cells.key[cell] = local * N_CLASSES + rank


@compiled_in_place
def _class_at(row: int, col: int, classes: SlopeClasses) -> int:
    """Slope class of a cell of the grid."""
    own_row, own_col = row - classes.row, col - classes.col
    n_rows, n_cols = classes.of_cell.shape
    if 0 <= own_row < n_rows and 0 <= own_col < n_cols:
        return int(classes.of_cell[own_row, own_col])
    return UNKNOWN_CLASS


# --- water ---------------------------------------------------------------------------------------


@compiled_in_place
def dry_cells(n_cells: int, cells: Cells) -> None:
    """Take the water from the turf cells of a group."""
    cells.best[:n_cells] = 0.0
    cells.main[:n_cells] = -1
    cells.wettings[:n_cells] = 0


@compiled_in_place
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


@compiled_in_place
def gather_zone(
    local: int,
    own: CellWindow,
    rate: FloatArray,
    runs: CellRuns,
    cells: Cells,
    strips: Strips,
    n: int,
) -> int:
    """Append the strips of turf that a zone wets to ``n``, and keep what is highest.

    Returns
    -------
    int
        How many strips there are now.
    """
    wetted = (cells.best, cells.main, cells.wettings)
    for run in range(runs.row.shape[0]):
        row, first, end = runs.row[run] - own.row, runs.first[run], runs.first[run + 1]
        shift = runs.col[run] - own.col - first  # from a cell's number to its column
        first, end = max(first, -shift), min(end, own.n_cols - shift)
        if not 0 <= row < own.n_rows or first >= end:
            continue
        at, source = strips.start[n], row * own.n_cols + shift
        begin, was_wet = first, 0
        # No branches: the next block overwrites what is written of a dry one.
        for cell in range(first, end, BLOCK):
            wet = int(
                keep_highest(
                    strips.rate_mm_h, at, rate, source + cell, wetted, (cell, end - cell, local)
                )
                != 0
            )
            n += was_wet & (1 - wet)
            begin = begin if was_wet else cell
            at += wet * min(BLOCK, end - cell)
            strips.cell[n], strips.start[n + 1] = begin, at
            was_wet = wet
        n += was_wet
    return n


@compiled
def room_for_zone(zone: int, zones: ZoneHeads, n: int, runs: CellRuns, strips: Strips) -> Strips:
    """Strips with room for all that a zone may add to ``n``, and a block beyond them."""
    window, n_runs = window_of(zones.window[zone]), runs.row.shape[0]
    n_cells = min(int(runs.first[n_runs]), window.n_rows * window.n_cols)
    n_strips = n + n_runs + n_cells // (2 * BLOCK) + 1  # of two blocks one may be dry
    n_rates = strips.start[n] + n_cells + BLOCK
    had_strips, had_rates = strips.cell.shape[0], strips.rate_mm_h.shape[0]
    if n_strips <= had_strips and n_rates <= had_rates:
        return strips
    return _grown_strips(strips, max(2 * n_strips, had_strips), max(2 * n_rates, had_rates))


# --- evenness ------------------------------------------------------------------------------------


@compiled
def sum_zones(
    own: GroupState,
    groups: Groups,
    cells: Cells,
    strips: Strips,
    strip_start: IntVector,
    bins: Bins,
    sums: ZoneSums,
) -> None:
    """Fill the sums of the zones of a group in one state."""
    for place in range(own.first_zone, own.end_zone):
        local, zone, n = place - own.first_zone, groups.zone[place], 0
        first, end = strip_start[local], strip_start[local + 1]
        for strip in range(first, end):
            n = _gather_served(local, strip, strips, cells.main, bins.served, n)
        sums.on_turf[zone] = sum_of(strips.rate_mm_h[strips.start[first] : strips.start[end]])
        sums.cells[zone] = n
        quarter, half, total = low_sums(bins.served[:n], bins)
        sums.low_quarter[zone], sums.low_half[zone], sums.total[zone] = quarter, half, total


@compiled_in_place
def _gather_served(
    local: int,
    strip: int,
    strips: Strips,
    main: NDArray[np.int32],
    served: NDArray[np.float32],
    n: int,
) -> int:
    """Append the rates of the cells of a strip that a zone serves to ``n``; how many there are."""
    start, end = strips.start[strip], strips.start[strip + 1]
    shift = strips.cell[strip] - start
    for at in range(start, end, BLOCK):
        lanes = alike_lanes(main, at + shift, local) & lanes_before(end - at)
        n = pack(served, n, strips.rate_mm_h, at, lanes)
    return n
