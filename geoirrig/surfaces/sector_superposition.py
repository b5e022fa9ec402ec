"""Wetted sectors of many heads, superposed on the grid.

Rows are walked between analytic chord limits, so that no cell outside a sector is evaluated. The
distribution is a constant plus a sum of hinges taken in pairs, which compiles to vector
instructions. Every head is evaluated once, scaled so that its cells add up to its flow, and added.
The loops over heads and cells are in `sector_kernels`.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from geoirrig.block_instructions import LONG_BLOCK
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import RadialProfile, hinges
from geoirrig.physics.throw_on_slope import THROW_EXPONENT
from geoirrig.processors import run_on_all_processors
from geoirrig.records import SprinklerLayout
from geoirrig.surfaces.sector_kernels import (
    Heads,
    Sums,
    Workspace,
    superpose_heads,
    workspace,
)
from geoirrig.units import MINUTES_PER_HOUR, FloatArray

MOST_BANDS = 16  # half of them may run at once; the taller they are, the fewer cells two share
FEWEST_HEADS_IN_THREADS = 200  # below, starting threads costs more than it saves
_MOST_WHOLE_DEG = 720  # a bearing and an arc

_kept_hinges = lru_cache(maxsize=1024)(hinges)  # a city asks for the same few, unit by unit


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
class Bands:
    """Heads by bands of rows, so that two bands with one between them share no cell."""

    order: NDArray[np.int64]  # numbers of the heads, band by band
    start: NDArray[np.int64]  # (n_bands + 1,) into the order
    first_row: NDArray[np.int64]  # of the grid, for bands 0, 2, 4 …: theirs as far as the next


@dataclass(frozen=True, slots=True, kw_only=True)
class SuperposedSectors:
    """Rate and number of heads of every cell of a grid, and what each head put where."""

    rate_mm_h: FloatArray  # (n_rows, n_cols)
    heads_reaching: NDArray[np.uint8]  # (n_rows, n_cols)
    head_on_target_fraction: FloatArray  # (n_heads,), share of the flow on target cells


def bearing_vector(bearing_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """East and north parts of compass bearings, exact at the quarter points."""
    with np.errstate(invalid="ignore"):  # NaN equals no whole number
        whole = np.clip(bearing_deg, 0.0, _MOST_WHOLE_DEG).astype(np.int64)
    if np.array_equal(whole, bearing_deg):  # as bearings and arcs are mostly stated
        east, north = _whole_degree_vectors()
        return east[whole], north[whole]
    return _turned_vector(bearing_deg)


@cache
def _whole_degree_vectors() -> tuple[FloatArray, FloatArray]:
    return _turned_vector(np.arange(_MOST_WHOLE_DEG + 1.0))


def _turned_vector(bearing_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    quarter = np.round(np.asarray(bearing_deg) / 90.0)
    rest = np.radians(bearing_deg - 90.0 * quarter)
    sine, cosine = np.sin(rest), np.cos(rest)
    turn = quarter.astype(np.int64)
    is_odd = turn % 2 == 1
    east = np.where(is_odd, cosine, sine) * (1 - (turn & 2))  # the bits of a whole number of turns
    north = np.where(is_odd, sine, cosine) * (1 - ((turn + 1) & 2))
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
    chosen = slice(None) if heads is None else heads
    cell = grid.cell_size_m
    bearing, arc = layout.start_bearing_deg[chosen], layout.arc_deg[chosen]
    edges = np.empty((len(bearing), 4))
    edges[:, 0], edges[:, 1] = bearing_vector(bearing)
    edges[:, 2], edges[:, 3] = bearing_vector(bearing + arc)
    rise_east = rise_north = np.zeros(len(bearing))
    if slope_ratio is not None and uphill_bearing_deg is not None:
        rise = slope_ratio[chosen] / np.tan(np.radians(layout.trajectory_deg[chosen]))
        east, north = bearing_vector(np.nan_to_num(uphill_bearing_deg[chosen]))
        known = np.isfinite(rise) & np.isfinite(uphill_bearing_deg[chosen])
        rise_east, rise_north = (
            np.where(known, rise * east, 0.0),
            np.where(known, rise * north, 0.0),
        )
    base, hinge_start, knots, slopes = _hinges_of_heads(
        layout.profiles, layout.profile_index[chosen]
    )
    return SectorSet(
        col=(layout.x_m[chosen] - grid.left_m) / cell,
        row=(grid.top_m - layout.y_m[chosen]) / cell,
        radius=layout.radius_m[chosen] / cell,
        flow_mm_h=MINUTES_PER_HOUR * layout.flow_lpm[chosen] / grid.cell_area_m2,
        arc_deg=arc,
        edges=edges,
        rise_east=rise_east,
        rise_north=rise_north,
        base=base,
        hinge_start=hinge_start,
        knots=knots,
        slopes=slopes,
    )


def _hinges_of_heads(
    profiles: tuple[RadialProfile, ...], profile: NDArray[np.int64]
) -> tuple[FloatArray, NDArray[np.int64], NDArray[np.float32], NDArray[np.float32]]:
    """Base, beginnings, knots and slopes of the profiles of heads, without a loop over heads."""
    shapes = [_kept_hinges(one) for one in profiles]
    length = np.array([len(knots) for _, knots, _ in shapes], dtype=np.int64)
    is_hinge = np.arange(np.max(length, initial=0)) < length[:, np.newaxis]
    tables = np.zeros((2, *is_hinge.shape), dtype=np.float32)
    for number, (_, knots, slopes) in enumerate(shapes):
        tables[:, number, : len(knots)] = knots, slopes
    found = tables.take(profile, axis=1)
    # Without rows of different lengths nothing has to be left out.
    knots, slopes = found.reshape(2, -1) if is_hinge.all() else found[:, is_hinge[profile]]
    start = np.concatenate([[0], np.cumsum(length[profile])])
    return np.array([base for base, _, _ in shapes])[profile], start, knots, slopes


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
        small to reach any cell centre gives all its water to the cell that it stands in. Counts
        stop at 255.

    Notes
    -----
    Relative rates are evaluated in single precision and summed in double precision, so that mass
    closes to rounding and each rate is good to about 1e-7. Heads are taken in the order of their
    place, not of their rows in the table, so that the order of the table moves a rate by rounding
    at most (by nothing, where no two heads stand on one spot); the order is also kind to the cache
    and lets distant bands of heads run on different processors.
    """
    n_heads = len(sectors.col)
    if n_heads == 0:
        return SuperposedSectors(
            rate_mm_h=np.zeros(grid.shape),
            heads_reaching=np.zeros(grid.shape, dtype=np.uint8),
            head_on_target_fraction=np.zeros(0),
        )
    surfaces = SuperposedSectors(
        rate_mm_h=np.empty(grid.shape),
        heads_reaching=np.empty(grid.shape, dtype=np.uint8),
        head_on_target_fraction=np.zeros(n_heads),
    )
    tilt = float(np.max(np.hypot(sectors.rise_east, sectors.rise_north)))
    longest_reach = float(np.max(sectors.radius)) * (1.0 + tilt) ** THROW_EXPONENT  # downhill
    bands = _bands_of_heads(sectors, longest_reach, grid)
    _superpose_bands(sectors, bands, longest_reach, target, surfaces)
    return surfaces


def _bands_of_heads(sectors: SectorSet, longest_reach: float, grid: RasterGrid) -> Bands:
    """Heads in order of place, in bands taller than the widest sector.

    A band is so tall that sectors on either side of it stay apart, with what a block carries
    beyond the end of its row. The bands do not depend on the number of processors, so that neither
    do the sums.
    """
    top = float(sectors.row.min())
    below_top = sectors.row - top
    least_height = 2.0 * (longest_reach + 3.0 + LONG_BLOCK / grid.n_cols)
    height = max(least_height, float(below_top.max()) / (MOST_BANDS - 0.5))
    band = np.floor(below_top / height)
    across = sectors.col - sectors.col.min()
    place = band * (across.max() + 1.0) + across
    order = np.argsort(place)
    if np.any(np.diff(place[order]) == 0.0):
        order = np.lexsort((sectors.row, place))
    start = np.flatnonzero(np.diff(band[order], prepend=-1.0))
    every_other = band[order][start[::2]]
    halfway = top + height * 0.5 * (every_other[:-1] + 1.0 + every_other[1:])
    first_row = np.clip(np.floor(halfway), 0, grid.n_rows).astype(np.int64)
    return Bands(
        order=order,
        start=np.append(start, len(order)),
        first_row=np.concatenate([[0], first_row, [grid.n_rows]]),
    )


def _superpose_bands(
    sectors: SectorSet,
    bands: Bands,
    longest_reach: float,
    target: NDArray[np.bool_] | None,
    surfaces: SuperposedSectors,
) -> None:
    """Fill the surfaces: every other band, and each between when its two neighbours are done.

    A cell's heads are so added in the same order, whichever processor takes which band. Half of the
    bands clear the rows that they share with nobody, just before they are wanted.
    """
    heads = _heads_for_kernels(sectors, bands.order)
    sums = _sums_for_kernels(surfaces, target)
    n_bands = len(bands.start) - 1
    done = [threading.Event() for _ in range(n_bands)]
    waiting = iter([*range(0, n_bands, 2), *range(1, n_bands, 2)])
    takes = threading.Lock()

    def next_band() -> int | None:
        with takes:
            return next(waiting, None)

    def add_band(band: int, room: Workspace) -> None:
        if band % 2:
            for neighbour in done[band - 1 : band + 2 : 2]:  # both have been taken before
                neighbour.wait()
        else:
            own = slice(*bands.first_row[band // 2 : band // 2 + 2])
            surfaces.rate_mm_h[own], surfaces.heads_reaching[own] = 0.0, 0
        superpose_heads(bands.start[band], bands.start[band + 1], heads, room, sums)

    def work() -> None:
        room = workspace(longest_reach)
        while (band := next_band()) is not None:
            try:
                add_band(band, room)
            finally:
                done[band].set()

    is_small = len(bands.order) < FEWEST_HEADS_IN_THREADS
    run_on_all_processors(work, at_most=1 if is_small else (n_bands + 1) // 2)


def _heads_for_kernels(sectors: SectorSet, order: NDArray[np.int64]) -> Heads:
    return Heads(
        order=order,
        col=sectors.col,
        row=sectors.row,
        radius=sectors.radius,
        flow_mm_h=sectors.flow_mm_h,
        arc_deg=sectors.arc_deg,
        edges=np.ascontiguousarray(sectors.edges),
        rise_east=sectors.rise_east,
        rise_north=sectors.rise_north,
        base=sectors.base,
        hinge_start=sectors.hinge_start,
        knots=sectors.knots,
        slopes=sectors.slopes,
    )


def _sums_for_kernels(surfaces: SuperposedSectors, target: NDArray[np.bool_] | None) -> Sums:
    n_rows, n_cols = surfaces.rate_mm_h.shape
    wanted = np.zeros(0, dtype=np.bool_) if target is None else np.ascontiguousarray(target)
    return Sums(
        rate_mm_h=surfaces.rate_mm_h.ravel(),
        heads_reaching=surfaces.heads_reaching.ravel(),
        target=wanted.view(np.uint8).ravel(),
        n_rows=n_rows,
        n_cols=n_cols,
        on_target_fraction=surfaces.head_on_target_fraction,
    )
