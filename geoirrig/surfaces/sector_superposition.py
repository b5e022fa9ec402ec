"""Wetted sectors of many heads, superposed on the grid: the inner loop of the tool.

Rows are walked between analytic chord limits, so that no cell outside a sector is touched. The
distribution is a constant plus a sum of hinges taken in pairs, evaluated over all cells of a head
in one loop that compiles to vector instructions. Every head is evaluated once, scaled so that its
cells add up to its flow, and added.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled, run_in_threads
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import hinges
from geoirrig.physics.throw_on_slope import THROW_EXPONENT
from geoirrig.records import SprinklerLayout
from geoirrig.units import MINUTES_PER_HOUR, FloatArray

EDGE_TOLERANCE_CELLS = 1e-9  # a centre this close to an edge of the sector counts as inside
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
    closes to rounding and each rate is good to about 1e-7. Heads are taken in the order of their
    place, not of their rows in the table, so that the order of the table changes no bit; the order
    is also kind to the cache and lets distant bands of heads run on different processors.
    """
    n_heads = len(sectors.col)
    rate = np.zeros(grid.shape)
    count = np.zeros(grid.shape, dtype=np.uint8)
    on_target = np.zeros(n_heads)
    if n_heads:
        reach = float(np.max(sectors.radius * _tilt(sectors) ** THROW_EXPONENT))
        order, bands = _bands_of_heads(sectors, reach)
        _superpose_bands(sectors, order, bands, reach, target, (rate, count, on_target))
    return SuperposedSectors(
        rate_mm_h=rate, heads_reaching=count, head_on_target_fraction=on_target
    )


def _tilt(sectors: SectorSet) -> FloatArray:
    """1 + the rise along the steepest bearing: what lengthens the longest throw, downhill."""
    return np.asarray(1.0 + np.hypot(sectors.rise_east, sectors.rise_north))


def _bands_of_heads(
    sectors: SectorSet, reach: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Heads in order of place, and where each band of rows starts in that order.

    A band is taller than the widest sector, so that two bands with one between them share no cell.
    """
    band = np.floor(sectors.row / (2.0 * reach + 4.0)).astype(np.int64)
    order = np.lexsort((sectors.row, sectors.col, band))
    starts = np.flatnonzero(np.diff(band[order], prepend=band[order[0]] - 1))
    return order, np.append(starts, len(order))


def _superpose_bands(
    sectors: SectorSet,
    order: NDArray[np.int64],
    bands: NDArray[np.int64],
    reach: float,
    target: NDArray[np.bool_] | None,
    out: tuple[FloatArray, NDArray[np.uint8], FloatArray],
) -> None:
    heads = (sectors.col, sectors.row, sectors.radius, sectors.flow_mm_h, sectors.arc_deg)
    profiles = (sectors.base, sectors.hinge_start, sectors.knots, sectors.slopes)
    rises = (sectors.rise_east, sectors.rise_north)
    edges = np.ascontiguousarray(sectors.edges)
    wanted = np.zeros((1, 1), dtype=np.bool_) if target is None else target
    side = 2 * math.ceil(reach) + 4

    def run(first_band: int) -> None:
        def work(start: int, stop: int) -> None:
            scratch = np.empty(side * side, dtype=np.float32)
            spans = np.empty((2 * side, 3), dtype=np.int64)
            for band in range(first_band + 2 * start, first_band + 2 * stop, 2):
                chosen = order[bands[band] : bands[band + 1]]
                _superpose(chosen, heads, edges, rises, profiles, wanted, scratch, spans, out)

        run_in_threads(work, len(range(first_band, len(bands) - 1, 2)), smallest=4)

    for first_band in (0, 1):
        run(first_band)


@compiled
def _edge(gain, offset, widen):  # type: ignore[no-untyped-def]
    """Where a row meets the line gain·east + offset·north = 0: side, limit per north, margin.

    Side 1 keeps what lies east of the limit, −1 what lies west of it, 0 is a line along the row.
    """
    if gain > 0.0:
        return 1, -offset / gain, widen * EDGE_TOLERANCE_CELLS / gain, offset
    if gain < 0.0:
        return -1, -offset / gain, -widen * EDGE_TOLERANCE_CELLS / gain, offset
    return 0, 0.0, 0.0, offset


@compiled
def _narrowed(low, high, north, edge):  # type: ignore[no-untyped-def]
    """The part of [low, high] on the inner side of an edge, in the row at ``north``."""
    side, limit, margin, offset = edge
    if side > 0:
        return max(low, limit * north - margin), high
    if side < 0:
        return low, min(high, limit * north + margin)
    if offset * north < -EDGE_TOLERANCE_CELLS:
        return 1.0, 0.0
    return low, high


@compiled
def _list_spans(place, reach, arc_deg, edges, scratch, spans):  # type: ignore[no-untyped-def]
    """Runs of cells inside a sector, row by row, with the squared distance of every cell.

    Clockwise of the first edge means first_north·east − first_east·north ≥ 0; the last edge
    likewise with the sign turned. Up to a half circle the sector is what both half planes share;
    beyond, it is the chord less the wedge between the last and the first edge.
    """
    col_h, row_h = place
    convex = arc_deg <= 180.0
    if convex:
        edge_a, edge_b = _edge(edges[1], -edges[0], 1.0), _edge(-edges[3], edges[2], 1.0)
    else:
        edge_a, edge_b = _edge(edges[3], -edges[2], -1.0), _edge(-edges[1], edges[0], -1.0)
    n_spans, filled = 0, np.uint64(0)
    first_row = math.ceil(row_h - reach - 0.5 - EDGE_TOLERANCE_CELLS)
    last_row = math.floor(row_h + reach - 0.5 + EDGE_TOLERANCE_CELLS)
    for r in range(first_row, last_row + 1):
        north = row_h - (r + 0.5)
        north_squared = np.float32(north * north)
        chord = math.sqrt(max(reach * reach - north * north, 0.0))
        low_a, high_a, low_b, high_b = -chord, chord, 1.0, 0.0
        if arc_deg < 360.0:
            low, high = _narrowed(-chord, chord, north, edge_a)
            low, high = _narrowed(low, high, north, edge_b)
            if convex:
                low_a, high_a = low, high
            elif low <= high:
                low_a, high_a, low_b, high_b = -chord, low, high, chord
        done = -(1 << 40)  # the last column taken: two spans may meet in one cell
        for piece in range(2):
            low, high = (low_a, high_a) if piece == 0 else (low_b, high_b)
            if low > high:
                continue
            c0 = max(math.ceil(col_h + low - 0.5 - EDGE_TOLERANCE_CELLS), done + 1)
            c1 = math.floor(col_h + high - 0.5 + EDGE_TOLERANCE_CELLS)
            if c1 < c0:
                continue
            done = c1
            east = np.float32(c0 + 0.5 - col_h)
            for i in range(np.uint64(c1 - c0 + 1)):
                dx = east + np.float32(i)
                scratch[filled + i] = dx * dx + north_squared
            spans[n_spans, 0], spans[n_spans, 1], spans[n_spans, 2] = r, c0, c1 - c0 + 1
            n_spans += 1
            filled += np.uint64(c1 - c0 + 1)
    return n_spans, filled


@compiled
def _rates_on_level_ground(scratch, n, reach, shape):  # type: ignore[no-untyped-def]
    """Squared distances turned into relative rates, in place; their sum."""
    base, knots, slopes = shape
    inverse, constant, zero = np.float32(1.0 / reach), np.float32(base), np.float32(0.0)
    total = 0.0
    if len(knots) == 2:  # most profiles: one loop
        knot_a, slope_a, knot_b, slope_b = knots[0], slopes[0], knots[1], slopes[1]
        for i in range(n):
            x = np.sqrt(scratch[i]) * inverse
            value = constant + slope_a * max(knot_a - x, zero) + slope_b * max(knot_b - x, zero)
            scratch[i] = value
            total += value
        return total
    for i in range(n):
        x = np.sqrt(scratch[i]) * inverse
        value = constant
        for k in range(len(knots)):
            value += slopes[k] * max(knots[k] - x, zero)
        scratch[i] = value
        total += value
    return total


@compiled
def _rates_on_a_slope(scratch, spans, place, radius, shape, rise):  # type: ignore[no-untyped-def]
    """The same where the throw follows sloping ground; 0 beyond the throw of that bearing."""
    base, knots, slopes = shape
    total, filled = 0.0, 0
    for s in range(len(spans)):
        north = place[1] - (spans[s, 0] + 0.5)
        for i in range(spans[s, 2]):
            east = spans[s, 1] + i + 0.5 - place[0]
            distance = math.sqrt(east * east + north * north)
            uphill = 0.0
            if distance > 0.0:
                uphill = (east * rise[0] + north * rise[1]) / distance
            ratio = (1.0 - min(uphill, STEEPEST_UPHILL_SHARE)) ** THROW_EXPONENT
            x = distance / (radius * ratio)
            value = 0.0
            if x <= 1.0:
                value = base
                for k in range(len(knots)):
                    value += slopes[k] * max(knots[k] - x, 0.0)
                value /= ratio * ratio
            scratch[filled] = value
            total += scratch[filled]
            filled += 1
    return total


@compiled
def _superpose(chosen, heads, edges, rises, profiles, target, scratch, spans, out):  # type: ignore[no-untyped-def]
    cols, rows, radii, flows, arcs = heads
    bases, hinge_start, all_knots, all_slopes = profiles
    rate, count, on_target = out
    n_rows, n_cols = rate.shape
    flat_rate, flat_count, flat_target = rate.ravel(), count.ravel(), target.ravel()
    has_target = target.shape == rate.shape
    for h in chosen:
        hinges_h = slice(hinge_start[h], hinge_start[h + 1])
        shape = (bases[h], all_knots[hinges_h], all_slopes[hinges_h])
        place = (cols[h], rows[h])
        rise = (rises[0][h], rises[1][h])
        tilt = math.sqrt(rise[0] * rise[0] + rise[1] * rise[1])
        reach = radii[h] * (1.0 + tilt) ** THROW_EXPONENT if tilt > 0.0 else radii[h]
        n_spans, filled = _list_spans(place, reach, arcs[h], edges[h], scratch, spans)
        if tilt > 0.0:
            total = _rates_on_a_slope(scratch, spans[:n_spans], place, radii[h], shape, rise)
        else:
            total = _rates_on_level_ground(scratch, filled, radii[h], shape)
        if total <= 0.0:  # no cell centre in reach: all into the head's own cell
            spans[0, 0], spans[0, 1], spans[0, 2] = math.floor(rows[h]), math.floor(cols[h]), 1
            scratch[0] = 1.0
            n_spans, total = 1, 1.0
        scale, source, hit = flows[h] / total, 0, 0.0
        for s in range(n_spans):
            r, c0, n = spans[s, 0], spans[s, 1], spans[s, 2]
            skip = max(0, -c0)
            kept = min(n, n_cols - c0) - skip
            if 0 <= r < n_rows and kept > 0:
                start, place_in = np.uint64(r * n_cols + c0 + skip), np.uint64(source + skip)
                cells = np.uint64(kept)
                for i in range(cells):
                    flat_rate[start + i] += scale * scratch[place_in + i]
                if tilt > 0.0:
                    for i in range(cells):
                        flat_count[start + i] += np.uint8(scratch[place_in + i] > 0.0)
                else:
                    for i in range(cells):
                        flat_count[start + i] += np.uint8(1)
                if has_target:
                    for i in range(cells):
                        hit += scratch[place_in + i] * flat_target[start + i]
            source += n
        on_target[h] = hit / total
