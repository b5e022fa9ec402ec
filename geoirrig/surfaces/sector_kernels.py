"""Compiled inner loops of the superposition: the cells of a head, their rates, adding them up.

Lengths are in cells. A head's cells are gathered row by row between analytic limits, as *runs* of
neighbouring cells. Every run fills whole blocks of the workspace; what it does not need of them is
infinitely far away and gets no water.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.block_instructions import BLOCK, LONG_BLOCK
from geoirrig.compilation import compiled_in_place
from geoirrig.physics.throw_on_slope import THROW_EXPONENT
from geoirrig.throw_blocks import (
    add_scaled,
    count_first,
    count_positive,
    put_hinged_rates,
    put_line,
    put_squared_distances,
    sum_where,
)
from geoirrig.units import FloatArray

EDGE_TOLERANCE_CELLS = 1e-9  # a centre this close to an edge of the sector counts as inside
STEEPEST_UPHILL_SHARE = 0.99  # of the jet's own angle; beyond, the jet is in the bank
ROW_TOLERANCE_CELLS = 1e-6  # a row this close may have cells of the sector
ROWS_AT_ONCE = 8  # rows are limited in multiples of this, so that none is left to a scalar loop
LAST_FRACTION = np.float32(1.0 + 1e-6)  # of the throw: 1 and the rounding of single precision

SingleArray = NDArray[np.float32]


class Heads(NamedTuple):
    """Heads, arrays of (n_heads,), and the order in which they are added."""

    order: NDArray[np.int64]
    col: FloatArray
    row: FloatArray
    radius: FloatArray
    flow_mm_h: FloatArray
    arc_deg: FloatArray
    edges: FloatArray  # (n_heads, 4): first east, first north, last east, last north
    rise_east: FloatArray
    rise_north: FloatArray
    base: FloatArray
    hinge_start: NDArray[np.int64]  # (n_heads + 1,) into the two arrays below
    knots: SingleArray
    slopes: SingleArray


class Workspace(NamedTuple):
    """What one head needs at a time: its cells, the limits of its rows, its runs."""

    fraction: SingleArray  # distance over the throw
    rates: SingleArray
    gain: SingleArray
    first_west: FloatArray  # columns of each row's run, or of the first of two
    last_west: FloatArray
    first_east: FloatArray  # columns of the second run
    last_east: FloatArray
    runs: NDArray[np.int64]  # (…, 4): row, first column, number of cells, blocks


class Sums(NamedTuple):
    """What the heads are added to; cells of the grid as (n_rows · n_cols,)."""

    rate_mm_h: FloatArray
    heads_reaching: NDArray[np.uint8]  # empty where nobody counts
    target: NDArray[np.uint8]  # empty where there is no target
    n_rows: int
    n_cols: int
    on_target_fraction: FloatArray  # (n_heads,)


class Circle(NamedTuple):
    """Where a head stands and how far it reaches."""

    col: float
    row: float
    reach: float


class EdgeLimits(NamedTuple):
    """The inner side of an edge: limits for east in the row at north, and the rows with any."""

    west: float  # east ≥ west·north + west_shift
    west_shift: float
    east: float  # east ≤ east·north + east_shift
    east_shift: float
    north_low: float
    north_high: float


NO_EDGE = EdgeLimits(0.0, -math.inf, 0.0, math.inf, -math.inf, math.inf)


def workspace(longest_reach: float) -> Workspace:
    """Room for any head that reaches no farther than ``longest_reach`` cells."""
    side = 2 * math.ceil(longest_reach) + 4
    cells = (side + 1) * (side + 2 * BLOCK)
    rows = side + ROWS_AT_ONCE
    return Workspace(
        fraction=np.empty(cells, dtype=np.float32),
        rates=np.empty(cells, dtype=np.float32),
        gain=np.empty(cells, dtype=np.float32),
        first_west=np.empty(rows),
        last_west=np.empty(rows),
        first_east=np.empty(rows),
        last_east=np.empty(rows),
        runs=np.empty((2 * side, 4), dtype=np.int64),
    )


@compiled_in_place
def _blocks(n: int, size: int) -> int:
    """Blocks that hold ``n`` cells."""
    return (n + size - 1) // size


# --- the cells of a head -------------------------------------------------------------------------


@compiled_in_place
def _edge_limits(gain: float, offset: float, widen: float) -> EdgeLimits:
    """Where gain·east + offset·north ≥ 0; ``widen`` 1 takes in centres on the edge, −1 does not."""
    margin = widen * EDGE_TOLERANCE_CELLS
    if gain > 0.0:
        return EdgeLimits(-offset / gain, -margin / gain, 0.0, math.inf, -math.inf, math.inf)
    if gain < 0.0:
        return EdgeLimits(0.0, -math.inf, -offset / gain, -margin / gain, -math.inf, math.inf)
    if offset > 0.0:
        return EdgeLimits(0.0, -math.inf, 0.0, math.inf, -margin, math.inf)
    return EdgeLimits(0.0, -math.inf, 0.0, math.inf, -math.inf, margin)


@compiled_in_place
def _limit_rows(
    circle: Circle, rows: tuple[int, int], a: EdgeLimits, b: EdgeLimits, work: Workspace
) -> None:
    """First and last column of what lies in a circle and inside two edges, row by row.

    A row without any has its first column at infinity. No branches: this compiles to vectors.
    """
    first, last = work.first_west, work.last_west
    north_low, north_high = max(a.north_low, b.north_low), min(a.north_high, b.north_high)
    before = circle.col - 0.5 - EDGE_TOLERANCE_CELLS
    behind = circle.col - 0.5 + EDGE_TOLERANCE_CELLS
    for i in range(ROWS_AT_ONCE * _blocks(rows[1], ROWS_AT_ONCE)):
        north = circle.row - (rows[0] + i + 0.5)
        chord = math.sqrt(max(circle.reach * circle.reach - north * north, 0.0))
        west = max(a.west * north + a.west_shift, b.west * north + b.west_shift)
        east = min(a.east * north + a.east_shift, b.east * north + b.east_shift)
        west = west if north >= north_low else math.inf
        west = west if north <= north_high else math.inf
        first[i] = np.ceil(before + max(west, -chord))
        last[i] = np.floor(behind + min(east, chord))


@compiled_in_place
def _split_rows(
    circle: Circle, rows: tuple[int, int], a: EdgeLimits, b: EdgeLimits, work: Workspace
) -> None:
    """The same for a circle less a wedge: a run to the west and a run to the east."""
    first_west, last_west = work.first_west, work.last_west
    first_east, last_east = work.first_east, work.last_east
    north_low, north_high = max(a.north_low, b.north_low), min(a.north_high, b.north_high)
    before = circle.col - 0.5 - EDGE_TOLERANCE_CELLS
    behind = circle.col - 0.5 + EDGE_TOLERANCE_CELLS
    for i in range(ROWS_AT_ONCE * _blocks(rows[1], ROWS_AT_ONCE)):
        north = circle.row - (rows[0] + i + 0.5)
        chord = math.sqrt(max(circle.reach * circle.reach - north * north, 0.0))
        west = max(a.west * north + a.west_shift, b.west * north + b.west_shift)
        east = min(a.east * north + a.east_shift, b.east * north + b.east_shift)
        west = west if north >= north_low else math.inf
        west = west if north <= north_high else math.inf
        end = west if west <= east else math.inf  # no wedge in this row: one run, to the west
        begin = east if west <= east else math.inf
        last = np.floor(behind + min(end, chord))
        first_west[i] = np.ceil(before - chord)
        last_west[i] = last
        first_east[i] = max(np.ceil(before + max(begin, -chord)), last + 1.0)
        last_east[i] = np.floor(behind + chord)


@compiled_in_place
def _rows_of_sector(
    circle: Circle, arc_deg: float, edges: tuple[float, float, float, float]
) -> tuple[int, int]:
    """First row of a sector and the number of its rows, perhaps with one more at either end."""
    first_east, first_north, last_east, last_north = edges
    if arc_deg > 180.0:  # what is not in the wedge that is missing
        has_north = arc_deg >= 360.0 or first_east <= 0.0 or last_east >= 0.0
        has_south = arc_deg >= 360.0 or first_east >= 0.0 or last_east <= 0.0
    else:
        has_north, has_south = first_east <= 0.0 <= last_east, last_east <= 0.0 <= first_east
    north = 1.0 if has_north else max(0.0, first_north, last_north)
    south = 1.0 if has_south else max(0.0, -first_north, -last_north)
    top = math.ceil(circle.row - circle.reach * north - 0.5 - ROW_TOLERANCE_CELLS)
    bottom = math.floor(circle.row + circle.reach * south - 0.5 + ROW_TOLERANCE_CELLS)
    return top, bottom - top + 1


@compiled_in_place
def _limit_sector(
    circle: Circle, arc_deg: float, edges: tuple[float, float, float, float], work: Workspace
) -> tuple[int, int]:
    """Limit the rows of a head's sector: its first row and the number of its rows.

    Clockwise of the first edge means first_north·east − first_east·north ≥ 0; the last edge
    likewise with the sign turned. Up to a half circle the sector is what both half planes share;
    beyond, it is the circle less the wedge between the last and the first edge.
    """
    first_east, first_north, last_east, last_north = edges
    rows = _rows_of_sector(circle, arc_deg, edges)
    if arc_deg >= 360.0:
        _limit_rows(circle, rows, NO_EDGE, NO_EDGE, work)
    elif arc_deg > 180.0:
        last = _edge_limits(last_north, -last_east, -1.0)
        first = _edge_limits(-first_north, first_east, -1.0)
        _split_rows(circle, rows, last, first, work)
    else:
        first = _edge_limits(first_north, -first_east, 1.0)
        last = _edge_limits(-last_north, last_east, 1.0)
        _limit_rows(circle, rows, first, last, work)
    return rows


@compiled_in_place
def _list_runs(rows: tuple[int, int], is_split: bool, work: Workspace) -> int:
    """Write down the runs of limited rows; how many there are.

    Of a head that is not wide, all runs take as many blocks as the widest: a branch that is
    foreseen wrongly costs more than a block.
    """
    runs, n_runs = work.runs, 0
    for i in range(rows[1]):
        cells = work.last_west[i] - work.first_west[i] + 1.0
        if cells >= 1.0:
            runs[n_runs, 0], runs[n_runs, 1] = rows[0] + i, int(work.first_west[i])
            runs[n_runs, 2] = int(cells)
            n_runs += 1
        if is_split and work.first_east[i] <= work.last_east[i]:
            runs[n_runs, 0], runs[n_runs, 1] = rows[0] + i, int(work.first_east[i])
            runs[n_runs, 2] = int(work.last_east[i] - work.first_east[i] + 1.0)
            n_runs += 1
    widest = 0
    for s in range(n_runs):
        widest = max(widest, runs[s, 2])
    for s in range(n_runs):
        runs[s, 3] = _blocks(widest if widest <= LONG_BLOCK else runs[s, 2], BLOCK)
    return n_runs


# --- the rates of a head -------------------------------------------------------------------------


@compiled_in_place
def _put_level_rates(circle: Circle, heads: Heads, h: int, n_runs: int, work: Workspace) -> float:
    """Relative rates of a profile of two hinges on level ground, as most are; their sum."""
    rates, runs, k = work.rates, work.runs, heads.hinge_start[h]
    shape = (
        np.float32(1.0 / circle.reach), np.float32(heads.base[h]),
        heads.knots[k], heads.slopes[k], heads.knots[k + 1], heads.slopes[k + 1],
    )  # fmt: skip
    filled = 0
    for s in range(n_runs):
        n, north = runs[s, 2], circle.row - (runs[s, 0] + 0.5)
        east, north_squared = np.float32(runs[s, 1] + 0.5 - circle.col), np.float32(north * north)
        for _ in range(runs[s, 3]):
            put_hinged_rates(rates, filled, east, north_squared, n, shape)
            filled, n, east = filled + BLOCK, n - BLOCK, east + np.float32(BLOCK)
    total = 0.0
    for i in range(filled):
        total += float(rates[i])
    return total


@compiled_in_place
def _put_fractions(circle: Circle, n_runs: int, work: Workspace) -> int:
    """Fractions of the throw of a head's cells, on level ground; how many cells are filled."""
    fraction, gain, runs = work.fraction, work.gain, work.runs
    filled = 0
    for s in range(n_runs):
        n, north = runs[s, 2], circle.row - (runs[s, 0] + 0.5)
        east, north_squared = np.float32(runs[s, 1] + 0.5 - circle.col), np.float32(north * north)
        for _ in range(runs[s, 3]):
            put_squared_distances(fraction, filled, east, north_squared, n)
            filled, n, east = filled + BLOCK, n - BLOCK, east + np.float32(BLOCK)
    inverse, one = np.float32(1.0 / circle.reach), np.float32(1.0)
    for i in range(filled):
        fraction[i] = np.sqrt(fraction[i]) * inverse
        gain[i] = one
    return filled


@compiled_in_place
def _tilt_fractions(
    circle: Circle, radius: float, rise: tuple[float, float], n_runs: int, work: Workspace
) -> None:
    """Turn the fractions of the longest throw into those of a throw that follows the ground.

    The rate's gain goes with it. The fourth root is `THROW_EXPONENT`, the square root its double.
    """
    fraction, gain, runs = work.fraction, work.gain, work.runs
    filled = 0
    for s in range(n_runs):
        east, north = runs[s, 1] + 0.5 - circle.col, circle.row - (runs[s, 0] + 0.5)
        for block in range(runs[s, 3]):
            uphill = ((east + block * BLOCK) * rise[0] + north * rise[1]) / circle.reach
            put_line(gain, filled, np.float32(uphill), np.float32(rise[0] / circle.reach))
            filled += BLOCK
    one, steepest = np.float32(1.0), np.float32(STEEPEST_UPHILL_SHARE)
    nearest, longest = np.float32(1e-12), np.float32(circle.reach / radius)
    for i in range(filled):
        ratio_squared = np.sqrt(one - min(gain[i] / max(fraction[i], nearest), steepest))
        fraction[i] = fraction[i] * longest / np.sqrt(ratio_squared)
        gain[i] = one / ratio_squared


@compiled_in_place
def _put_rates(heads: Heads, h: int, filled: int, work: Workspace) -> float:
    """Relative rates at fractions of the throw, 0 beyond it; their sum."""
    fraction, rates, gain = work.fraction, work.rates, work.gain
    zero, base = np.float32(0.0), np.float32(heads.base[h])
    for i in range(filled):
        rates[i] = base
    for k in range(heads.hinge_start[h], heads.hinge_start[h + 1], 2):
        knot_a, knot_b = heads.knots[k], heads.knots[k + 1]
        slope_a, slope_b = heads.slopes[k], heads.slopes[k + 1]
        for i in range(filled):
            x = fraction[i]
            rates[i] += slope_a * max(knot_a - x, zero) + slope_b * max(knot_b - x, zero)
    total = 0.0
    for i in range(filled):
        rate = rates[i] * gain[i] if fraction[i] <= LAST_FRACTION else zero
        rates[i] = rate
        total += float(rate)
    return total


# --- adding a head -------------------------------------------------------------------------------


@compiled_in_place
def _add_rates(n_runs: int, scale: float, work: Workspace, sums: Sums) -> None:
    """Add the runs of a head to the grid, block by block."""
    source = 0
    for s in range(n_runs):
        start = work.runs[s, 0] * sums.n_cols + work.runs[s, 1]
        for _ in range(work.runs[s, 3]):
            add_scaled(sums.rate_mm_h, start, work.rates, source, scale)
            start, source = start + BLOCK, source + BLOCK


@compiled_in_place
def _count_cells(n_runs: int, work: Workspace, sums: Sums) -> None:
    """Count a head in every cell of its runs."""
    for s in range(n_runs):
        start, n = work.runs[s, 0] * sums.n_cols + work.runs[s, 1], work.runs[s, 2]
        for _ in range(_blocks(n, LONG_BLOCK)):
            count_first(sums.heads_reaching, start, n)
            start, n = start + LONG_BLOCK, n - LONG_BLOCK


@compiled_in_place
def _count_wet_cells(n_runs: int, work: Workspace, sums: Sums) -> None:
    """Count a head in the cells of its runs that get any water."""
    source = 0
    for s in range(n_runs):
        start = work.runs[s, 0] * sums.n_cols + work.runs[s, 1]
        for _ in range(work.runs[s, 3]):
            count_positive(sums.heads_reaching, start, work.rates, source)
            start, source = start + BLOCK, source + BLOCK


@compiled_in_place
def _sum_on_target(n_runs: int, work: Workspace, sums: Sums) -> float:
    """Relative rate of a head that falls on target cells."""
    source, hit = 0, 0.0
    for s in range(n_runs):
        start = work.runs[s, 0] * sums.n_cols + work.runs[s, 1]
        for _ in range(work.runs[s, 3]):
            hit += sum_where(sums.target, start, work.rates, source)
            start, source = start + BLOCK, source + BLOCK
    return hit


@compiled_in_place
def _add_blocks(n_runs: int, scale: float, is_tilted: bool, work: Workspace, sums: Sums) -> float:
    """Add a head whose blocks all lie on the grid; its relative rate on target cells."""
    _add_rates(n_runs, scale, work, sums)
    if len(sums.heads_reaching) > 0 and is_tilted:
        _count_wet_cells(n_runs, work, sums)
    elif len(sums.heads_reaching) > 0:
        _count_cells(n_runs, work, sums)
    return _sum_on_target(n_runs, work, sums) if len(sums.target) > 0 else 0.0


@compiled_in_place
def _add_cells(n_runs: int, scale: float, is_tilted: bool, work: Workspace, sums: Sums) -> float:
    """The same cell by cell, for a head near the edge of the grid."""
    source, hit, is_counted = 0, 0.0, len(sums.heads_reaching) > 0
    for s in range(n_runs):
        row, col, n = work.runs[s, 0], work.runs[s, 1], work.runs[s, 2]
        stop = min(sums.n_cols, col + n) if 0 <= row < sums.n_rows else 0
        for c in range(max(0, col), stop):
            cell, rate = row * sums.n_cols + c, work.rates[source + c - col]
            sums.rate_mm_h[cell] += scale * rate
            is_reached = is_counted and (rate > 0.0 or not is_tilted)
            if is_reached and sums.heads_reaching[cell] < 255:
                sums.heads_reaching[cell] += np.uint8(1)
            if len(sums.target) > 0 and sums.target[cell] != 0:
                hit += rate
        source += BLOCK * work.runs[s, 3]
    return hit


@compiled_in_place
def _is_inside(circle: Circle, sums: Sums) -> bool:
    """Whether every block of a head lies on the grid, also where it runs on into later rows."""
    near, below = circle.reach + 1.0, circle.reach + 2.0 + LONG_BLOCK / sums.n_cols
    is_across = near <= circle.col <= sums.n_cols - near
    return is_across and near <= circle.row <= sums.n_rows - below


@compiled_in_place
def superpose_heads(first: int, end: int, heads: Heads, work: Workspace, sums: Sums) -> None:
    """Add the heads of a stretch of the order to the sums, one by one."""
    for place in range(first, end):
        h = heads.order[place]
        radius, rise = heads.radius[h], (heads.rise_east[h], heads.rise_north[h])
        tilt = math.sqrt(rise[0] * rise[0] + rise[1] * rise[1])
        is_tilted = tilt > 0.0
        reach = radius * (1.0 + tilt) ** THROW_EXPONENT if is_tilted else radius
        circle = Circle(heads.col[h], heads.row[h], reach)
        edges = (heads.edges[h, 0], heads.edges[h, 1], heads.edges[h, 2], heads.edges[h, 3])
        rows = _limit_sector(circle, heads.arc_deg[h], edges, work)
        n_runs = _list_runs(rows, 180.0 < heads.arc_deg[h] < 360.0, work)
        if heads.hinge_start[h + 1] - heads.hinge_start[h] == 2 and not is_tilted:
            total = _put_level_rates(circle, heads, h, n_runs, work)
        else:
            filled = _put_fractions(circle, n_runs, work)
            if is_tilted:
                _tilt_fractions(circle, radius, rise, n_runs, work)
            total = _put_rates(heads, h, filled, work)
        if total <= 0.0:  # no cell centre in reach: all into the head's own cell
            work.runs[0, 0], work.runs[0, 1] = math.floor(circle.row), math.floor(circle.col)
            work.runs[0, 2] = work.runs[0, 3] = 1
            work.rates[:BLOCK] = 0.0
            work.rates[0] = 1.0
            n_runs, total = 1, 1.0
        scale = heads.flow_mm_h[h] / total
        if _is_inside(circle, sums):
            hit = _add_blocks(n_runs, scale, is_tilted, work, sums)
        else:
            hit = _add_cells(n_runs, scale, is_tilted, work, sums)
        sums.on_target_fraction[h] = hit / total
