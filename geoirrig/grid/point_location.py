"""Which polygon holds each of many points."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.grid import point_location_kernels as kernels
from geoirrig.grid.polygon_rings import polygon_boxes
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.grid.ring_kernels import Rings
from geoirrig.processors import run_in_threads
from geoirrig.units import FloatArray

_SMALLEST_PIECE = 20_000  # points worth a thread of their own
_MOST_BUCKETS_PER_POLYGON = 4.0
_SHARE_BEYOND = 0.01  # of the polygons on each side: one far off must not make all buckets large


@dataclass(frozen=True, slots=True, kw_only=True)
class PolygonIndex:
    """Polygons, ready to be asked which of them holds a point; see `polygon_index`."""

    edges: kernels.Edges
    buckets: kernels.Buckets


def polygon_index(rings: Rings) -> PolygonIndex:
    """Prepare polygons for `containing_polygons`; one without a ring holds no point.

    Parameters
    ----------
    rings : Rings
        Those of each polygon, see `polygon_rings`. Holes and further parts are rings like any
        other. [m]
    """
    first = np.zeros(len(rings.polygon_ring), dtype=np.int64)
    kernels.count_edges(rings, first)
    np.cumsum(first, out=first)
    low_x, low_y, high_x, high_y = np.empty((4, first[-1]))
    edges = kernels.Edges(first, low_x, low_y, high_x, high_y, polygon_boxes(rings))
    kernels.fill_edges(rings, edges)
    return PolygonIndex(edges=edges, buckets=_buckets(edges.box))


def containing_polygons(index: PolygonIndex, x_m: FloatArray, y_m: FloatArray) -> NDArray[np.int32]:
    """Number of the first polygon that holds each point; −1 for none.

    A point on the common border of two polygons belongs to exactly one of them.

    Parameters
    ----------
    index : PolygonIndex
        The polygons.
    x_m, y_m : ndarray, shape (n_points,)
        NaN lies in no polygon. [m]

    Examples
    --------
    >>> x_m, y_m = np.array([(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0), (0.0, 0.0)]).T
    >>> square = Rings(x_m.copy(), y_m.copy(), np.array([0, 5]), np.array([0, 1]))
    >>> index = polygon_index(square)
    >>> containing_polygons(index, np.array([1.0, 3.0]), np.array([1.0, 1.0])).tolist()
    [0, -1]
    """
    points = (np.ascontiguousarray(x_m, np.float64), np.ascontiguousarray(y_m, np.float64))
    found = np.empty(len(x_m), dtype=np.int32)

    def work(start: int, stop: int) -> None:
        kernels.locate(index.edges, index.buckets, points, found, (start, stop))

    run_in_threads(work, len(x_m), smallest=_SMALLEST_PIECE)
    return found


def sole_polygons(
    index: PolygonIndex, outlines: Rings, *, drawn_in_m: float = 0.0
) -> NDArray[np.int32]:
    """Number of the polygon that alone holds all corners of each outline; −1 where there is none.

    It is −1 too where another polygon holds some of the corners besides, or the outline has none.

    Parameters
    ----------
    index : PolygonIndex
        The polygons.
    outlines : Rings
        The outlines. [m]
    drawn_in_m : float
        How much nearer to the middle of the outline's box corners are taken, at most up to it.
    """
    n_corners = np.diff(outlines.ring_point[outlines.polygon_ring])
    room = np.empty((2, int(np.max(n_corners, initial=0))))
    found = np.empty(len(n_corners), dtype=np.int32)
    kernels.find_sole_polygons(
        index.edges, index.buckets, outlines, drawn_in_m, (room[0], room[1]), found
    )
    return found


def overlapping_boxes(
    index: PolygonIndex, least_m2: FloatArray
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of polygons whose boxes share more than the lesser of their ``least_m2``.

    Parameters
    ----------
    index : PolygonIndex
        The polygons.
    least_m2 : ndarray, shape (n_polygons,)
        Not below 0. A polygon without a box is in no pair.

    Returns
    -------
    tuple of two ndarrays of int, shape (n_pairs,)
        The lower number of each pair, and the higher one; rising.
    """
    n_pairs, room = 0, 4 * len(least_m2)  # most lots have fewer neighbours before them
    while True:
        pair = (np.empty(room, dtype=np.int64), np.empty(room, dtype=np.int64))
        n_pairs = kernels.list_overlapping_boxes(index.edges.box, index.buckets, least_m2, pair)
        if n_pairs <= room:
            break
        room = n_pairs
    low, high = pair[0][:n_pairs], pair[1][:n_pairs]  # a bucket lists polygons in their order
    order = np.lexsort((high, low))
    return low[order], high[order]


def polygon_of_cells(rings: Rings, grid: RasterGrid) -> NDArray[np.int32]:
    """First polygon that holds the centre of each cell, (n_rows, n_cols); −1 for none."""
    x, y = np.meshgrid(grid.cell_centre_x_m(), grid.cell_centre_y_m())
    return containing_polygons(polygon_index(rings), x.ravel(), y.ravel()).reshape(grid.shape)


def _buckets(box: FloatArray) -> kernels.Buckets:
    """Buckets about as large as a polygon, where nearly all polygons are; the rest is beyond."""
    drawn = box[box[:, 0] <= box[:, 2]]
    if not len(drawn):
        nothing = np.zeros(2, dtype=np.int64)
        return kernels.Buckets(0.0, 0.0, 1.0, 1, 1, nothing, nothing[:0])
    left, bottom = np.quantile(drawn[:, :2], _SHARE_BEYOND, axis=0).tolist()
    right, top = np.quantile(drawn[:, 2:], 1.0 - _SHARE_BEYOND, axis=0).tolist()
    width, height = right - left, top - bottom
    size = max(
        float(np.mean(np.maximum(drawn[:, 2] - drawn[:, 0], drawn[:, 3] - drawn[:, 1]))),
        math.sqrt(width * height / (_MOST_BUCKETS_PER_POLYGON * len(drawn))),
        1e-9,
    )
    n_cols, n_rows = int(width / size) + 1, int(height / size) + 1
    first = np.zeros(n_rows * n_cols + 1, dtype=np.int64)
    buckets = kernels.Buckets(left, bottom, size, n_rows, n_cols, first, first[:0])
    kernels.count_polygons(box, buckets)
    np.cumsum(first, out=first)
    buckets = buckets._replace(polygon=np.empty(first[-1], dtype=np.int64))
    kernels.fill_buckets(box, buckets, first[:-1].copy())
    return buckets
