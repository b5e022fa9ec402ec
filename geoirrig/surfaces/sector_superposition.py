"""Wetted sectors of many heads, superposed on the grid: the inner loop of the tool.

Rows are walked between analytic chord limits, so that no cell outside a sector is touched. Along a
row the distribution is a constant plus a sum of hinges taken in pairs, which compiles to vector
instructions. Every head is evaluated once, scaled so that its cells add up to its flow, and added.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import hinges
from geoirrig.records import SprinklerLayout
from geoirrig.units import MINUTES_PER_HOUR, FloatArray

EDGE_TOLERANCE_CELLS = 1e-9  # a centre this close to an edge of the sector counts as inside
THROW_EXPONENT = 0.25  # of the slope correction, see physics/throw_on_slope.py
STEEPEST_UPHILL_SHARE = 0.99  # of the jet's own angle; beyond, the jet is in the bank


@dataclass(frozen=True, slots=True, kw_only=True)
class SectorSet:
    """Heads as the kernel wants them: grid units, unit vectors, hinges; arrays of (n_heads,).

    Lengths are in cells. The edge vectors point along the first and the last edge of the arc,
    (east, north). ``rise_east`` and ``rise_north`` are the uphill direction times slope over the
    tangent of the trajectory; zero where the throw is taken as level.
    """

    col: FloatArray
    row: FloatArray
    radius: FloatArray
    flow_mm_h: FloatArray  # flow over one cell's area: the rate if all fell into one cell
    arc_deg: FloatArray
    edges: FloatArray  # (n_heads, 4): first east, first north, last east, last north
    rise_east: FloatArray
    rise_north: FloatArray
    base: FloatArray
    hinge_start: NDArray[np.int64]  # (n_heads + 1,) into the two arrays below
    knots: NDArray[np.float32]
    slopes: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class SuperposedSectors:
    """Rate and number of heads of every cell of a grid, and what each head put where."""

    rate_mm_h: FloatArray  # (n_rows, n_cols)
    heads_reaching: NDArray[np.uint8]  # (n_rows, n_cols)
    head_on_target_fraction: FloatArray  # (n_heads,), share of the flow on target cells


def bearing_vector(bearing_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """East and north parts of compass bearings, exact at the quarter points."""
    quarter = np.round(np.asarray(bearing_deg) / 90.0)
    rest = np.radians(bearing_deg - 90.0 * quarter)
    sine, cosine = np.sin(rest), np.cos(rest)
    turn = quarter.astype(np.int64) % 4
    east = np.choose(turn, [sine, cosine, -sine, -cosine])
    north = np.choose(turn, [cosine, -sine, -cosine, sine])
    return east, north


def sector_set(
    layout: SprinklerLayout,
    grid: RasterGrid,
    *,
    heads: NDArray[np.int64] | None = None,
    slope_ratio: FloatArray | None = None,
    uphill_bearing_deg: FloatArray | None = None,
) -> SectorSet:
    """Heads of a layout in the units of a grid.

    Parameters
    ----------
    layout : SprinklerLayout
        All heads.
    grid : RasterGrid
        The grid that the sectors will be laid on.
    heads : ndarray of int, optional
        Numbers of the heads wanted; all if absent.
    slope_ratio, uphill_bearing_deg : ndarray, shape (n_heads,), optional
        Slope (rise over run) and way uphill at every head. The throw follows the ground where both
        are given and finite and the head's trajectory is known; else it is level.

    Returns
    -------
    SectorSet
    """
    chosen = np.arange(len(layout.x_m)) if heads is None else heads
    cell = grid.cell_size_m
    bearing = layout.start_bearing_deg[chosen]
    first_east, first_north = bearing_vector(bearing)
    last_east, last_north = bearing_vector(bearing + layout.arc_deg[chosen])
    rise_east = rise_north = np.zeros(len(chosen))
    if slope_ratio is not None and uphill_bearing_deg is not None:
        rise = slope_ratio[chosen] / np.tan(np.radians(layout.trajectory_deg[chosen]))
        east, north = bearing_vector(np.nan_to_num(uphill_bearing_deg[chosen]))
        known = np.isfinite(rise) & np.isfinite(uphill_bearing_deg[chosen])
        rise_east, rise_north = np.where(known, rise * east, 0.0), np.where(known, rise * north, 0.0)
    shapes = [hinges(profile) for profile in layout.profiles]
    own = [shapes[profile] for profile in layout.profile_index[chosen]]
    return SectorSet(
        col=(layout.x_m[chosen] - grid.left_m) / cell,
        row=(grid.top_m - layout.y_m[chosen]) / cell,
        radius=layout.radius_m[chosen] / cell,
        flow_mm_h=MINUTES_PER_HOUR * layout.flow_lpm[chosen] / grid.cell_area_m2,
        arc_deg=layout.arc_deg[chosen],
        edges=np.column_stack([first_east, first_north, last_east, last_north]).astype(np.float64),
        rise_east=rise_east,
        rise_north=rise_north,
        base=np.array([base for base, _, _ in own]),
        hinge_start=np.cumsum([0] + [len(knots) for _, knots, _ in own]),
        knots=_joined([knots for _, knots, _ in own]),
        slopes=_joined([slopes for _, _, slopes in own]),
    )


def _joined(pieces: list[FloatArray]) -> NDArray[np.float32]:
    return np.concatenate([*pieces, np.empty(0)]).astype(np.float32)


def superpose_sectors(
    sectors: SectorSet,
    grid: RasterGrid,
    *,
    target: NDArray[np.bool_] | None = None,
) -> SuperposedSectors:
    """Rate of all heads running together, on the cells of a grid.

    Parameters
    ----------
    sectors : SectorSet
        The heads, in the units of ``grid``. Parts of a sector beyond the grid are left out; what
        falls inside does not depend on where the grid ends.
    grid : RasterGrid
        Where the rate is wanted.
    target : ndarray of bool, shape (n_rows, n_cols), optional
        Cells that are meant to be wetted.

    Returns
    -------
    SuperposedSectors
        The cells of each head, on an endless grid, add up to exactly the head's flow. A head too
        small to reach any cell centre gives all its water to the cell that it stands in.

    Notes
    -----
    Relative rates are evaluated in single precision and summed in double precision, so that mass
    closes to rounding and each rate is good to about 1e-7.
    """
    n_heads = len(sectors.col)
    rate = np.zeros(grid.shape)
    count = np.zeros(grid.shape, dtype=np.uint8)
    on_target = np.zeros(n_heads)
    widest = math.ceil(2.0 * (2.0**THROW_EXPONENT) * float(np.max(sectors.radius, initial=0.0))) + 3
    _superpose(
        (sectors.col, sectors.row, sectors.radius, sectors.flow_mm_h, sectors.arc_deg),
        sectors.edges,
        (sectors.rise_east, sectors.rise_north),
        (sectors.base, sectors.hinge_start, sectors.knots, sectors.slopes),
        np.ones((1, 1), dtype=np.bool_) if target is None else target,
        target is not None,
        np.empty(widest * widest, dtype=np.float32),
        (rate, count, on_target),
    )
    return SuperposedSectors(
        rate_mm_h=rate, heads_reaching=count, head_on_target_fraction=on_target
    )


@compiled
def _half_plane(gain, offset, low, high):  # type: ignore[no-untyped-def]
    """Narrow [low, high] to where gain·x + offset ≥ 0."""
    if gain > 0.0:
        return max(low, -offset / gain), high
    if gain < 0.0:
        return low, min(high, -offset / gain)
    if offset < 0.0:
        return 1.0, 0.0
    return low, high


@compiled
def _row_spans(north, chord, arc_deg, edges):  # type: ignore[no-untyped-def]
    """Where one row crosses a sector: up to two spans of eastward distance from the head.

    Clockwise of the first edge means first_north·east − first_east·north ≥ 0; the last edge
    likewise with the sign turned. Up to a half circle the sector is both half planes; beyond, it
    is the chord less the wedge between the last and the first edge.
    """
    first_east, first_north, last_east, last_north = edges[0], edges[1], edges[2], edges[3]
    nudge = EDGE_TOLERANCE_CELLS
    if arc_deg >= 360.0:
        return -chord, chord, 1.0, 0.0
    if arc_deg <= 180.0:
        low, high = _half_plane(first_north, nudge - first_east * north, -chord, chord)
        low, high = _half_plane(-last_north, nudge + last_east * north, low, high)
        return low, high, 1.0, 0.0
    low, high = _half_plane(last_north, -nudge - last_east * north, -chord, chord)
    low, high = _half_plane(-first_north, -nudge + first_east * north, low, high)
    if low > high:
        return -chord, chord, 1.0, 0.0
    return -chord, low, high, chord


@compiled
def _fill_level(values, start, n, east, north, reach, shape):  # type: ignore[no-untyped-def]
    """Relative rates of n neighbouring cells of a row, on level ground."""
    base, knots, slopes = shape
    inverse = np.float32(1.0 / reach)
    first = np.float32(east)
    north_squared = np.float32(north * north)
    zero = np.float32(0.0)
    row = values[start : start + n]
    constant = np.float32(base)
    for i in range(n):
        row[i] = constant
    for k in range(0, len(knots), 2):
        knot_a, slope_a, knot_b, slope_b = knots[k], slopes[k], knots[k + 1], slopes[k + 1]
        for i in range(n):
            dx = first + np.float32(i)
            x = np.sqrt(dx * dx + north_squared) * inverse
            row[i] += slope_a * max(knot_a - x, zero) + slope_b * max(knot_b - x, zero)


@compiled
def _fill_tilted(values, start, n, east, north, reach, shape, rise):  # type: ignore[no-untyped-def]
    """The same where the throw follows sloping ground; 0 beyond the throw of that bearing."""
    base, knots, slopes = shape
    for i in range(n):
        dx = east + i
        distance = math.sqrt(dx * dx + north * north)
        uphill = 0.0
        if distance > 0.0:
            uphill = (dx * rise[0] + north * rise[1]) / distance
        ratio = (1.0 - min(uphill, STEEPEST_UPHILL_SHARE)) ** THROW_EXPONENT
        x = distance / (reach * ratio)
        value = base
        for k in range(len(knots)):
            value += slopes[k] * max(knots[k] - x, 0.0)
        values[start + i] = value / (ratio * ratio) if x <= 1.0 else 0.0


@compiled
def _superpose(heads, edges, rises, profiles, target, has_target, scratch, out):  # type: ignore[no-untyped-def]
    cols, rows, radii, flows, arcs = heads
    bases, hinge_start, all_knots, all_slopes = profiles
    rate, count, on_target = out
    n_rows, n_cols = rate.shape
    largest = int(np.max(radii)) * 4 + 8 if len(radii) else 1
    spans = np.empty((2 * largest, 4), dtype=np.int64)  # row, first column, cells, place in scratch
    for h in range(len(cols)):
        shape = (
            bases[h],
            all_knots[hinge_start[h] : hinge_start[h + 1]],
            all_slopes[hinge_start[h] : hinge_start[h + 1]],
        )
        rise = (rises[0][h], rises[1][h])
        steep = math.sqrt(rise[0] * rise[0] + rise[1] * rise[1])
        reach = radii[h] * (1.0 + steep) ** THROW_EXPONENT if steep > 0.0 else radii[h]
        col_h, row_h = cols[h], rows[h]
        n_spans = 0
        filled = 0
        total = 0.0
        hit = 0.0
        first_row = math.ceil(row_h - reach - 0.5 - EDGE_TOLERANCE_CELLS)
        last_row = math.floor(row_h + reach - 0.5 + EDGE_TOLERANCE_CELLS)
        for r in range(first_row, last_row + 1):
            north = row_h - (r + 0.5)
            chord = math.sqrt(max(reach * reach - north * north, 0.0)) + EDGE_TOLERANCE_CELLS
            low_a, high_a, low_b, high_b = _row_spans(north, chord, arcs[h], edges[h])
            done = -(1 << 40)  # the last column taken: two spans may meet in one cell
            for piece in range(2):
                low, high = (low_a, high_a) if piece == 0 else (low_b, high_b)
                c0 = max(math.ceil(col_h + low - 0.5 - EDGE_TOLERANCE_CELLS), done + 1)
                c1 = math.floor(col_h + high - 0.5 + EDGE_TOLERANCE_CELLS)
                n = c1 - c0 + 1
                if low > high or n <= 0:
                    continue
                done = c1
                east = c0 + 0.5 - col_h
                if steep > 0.0:
                    _fill_tilted(scratch, filled, n, east, north, radii[h], shape, rise)
                else:
                    _fill_level(scratch, filled, n, east, north, radii[h], shape)
                row_sum = 0.0
                for i in range(n):
                    row_sum += scratch[filled + i]
                total += row_sum
                spans[n_spans, 0], spans[n_spans, 1] = r, c0
                spans[n_spans, 2], spans[n_spans, 3] = n, filled
                n_spans += 1
                filled += n
        if total <= 0.0:  # no cell centre in reach
            spans[0, 0], spans[0, 1] = math.floor(row_h), math.floor(col_h)
            spans[0, 2], spans[0, 3] = 1, 0
            scratch[0] = 1.0
            n_spans, total = 1, 1.0
        scale = flows[h] / total
        for s in range(n_spans):
            r = spans[s, 0]
            if r < 0 or r >= n_rows:
                continue
            i0 = max(0, -spans[s, 1])
            i1 = min(spans[s, 2], n_cols - spans[s, 1])
            if i1 <= i0:
                continue
            source = scratch[spans[s, 3] + i0 : spans[s, 3] + i1]
            c0 = spans[s, 1] + i0
            rate_row = rate[r, c0 : c0 + i1 - i0]
            count_row = count[r, c0 : c0 + i1 - i0]
            for i in range(i1 - i0):
                rate_row[i] += scale * source[i]
            if steep > 0.0:
                for i in range(i1 - i0):
                    if source[i] > 0.0 and count_row[i] < 255:
                        count_row[i] += 1
            else:
                for i in range(i1 - i0):
                    count_row[i] += np.uint8(count_row[i] < 255)
            if has_target:
                target_row = target[r, c0 : c0 + i1 - i0]
                row_hit = 0.0
                for i in range(i1 - i0):
                    row_hit += source[i] * target_row[i]
                hit += row_hit
        on_target[h] = hit / total
