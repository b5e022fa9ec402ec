"""Which polygon holds each of many points."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.compilation import run_in_threads
from geoirrig.grid import point_location_kernels as kernels
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.units import FloatArray

_SMALLEST_PIECE = 20_000  # points worth a thread of their own
_MOST_BUCKETS_PER_POLYGON = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PolygonIndex:
    """Polygons, ready to be asked which of them holds a point; see `polygon_index`."""

    edges: kernels.Edges
    buckets: kernels.Buckets


def polygon_index(
    coordinates_m: FloatArray, ring: NDArray[np.int64], polygon: NDArray[np.int64], n_polygons: int
) -> PolygonIndex:
    """Prepare polygons for `containing_polygons`.

    Parameters
    ----------
    coordinates_m : ndarray, shape (n, 2)
        Corners of all rings, each closed, ring after ring. [m]
    ring : ndarray of int, shape (n,)
        Number of the ring of each corner, rising.
    polygon : ndarray of int, shape (n_rings,)
        Polygon of each ring, rising. Holes and further parts are rings like any other.
    n_polygons : int
        Number of polygons; one without a ring holds no point.
    """
    same = ring[1:] == ring[:-1]
    start, end = coordinates_m[:-1][same], coordinates_m[1:][same]
    owner = polygon[ring[1:][same]] if len(polygon) else np.empty(0, dtype=np.int64)
    box = np.full((n_polygons, 4), np.nan)
    box[:, :2], box[:, 2:] = np.inf, -np.inf
    if len(owner):
        heads = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]])
        box[owner[heads], 0] = np.minimum.reduceat(start[:, 0], heads)
        box[owner[heads], 1] = np.minimum.reduceat(start[:, 1], heads)
        box[owner[heads], 2] = np.maximum.reduceat(start[:, 0], heads)
        box[owner[heads], 3] = np.maximum.reduceat(start[:, 1], heads)
    rises = start[:, 1] < end[:, 1]
    tilted = start[:, 1] != end[:, 1]
    low = np.where(rises[:, np.newaxis], start, end)[tilted]
    high = np.where(rises[:, np.newaxis], end, start)[tilted]
    first = np.searchsorted(owner[tilted], np.arange(n_polygons + 1))
    edges = kernels.Edges(
        first=first.astype(np.int64),
        low_x=np.ascontiguousarray(low[:, 0]),
        low_y=np.ascontiguousarray(low[:, 1]),
        high_x=np.ascontiguousarray(high[:, 0]),
        high_y=np.ascontiguousarray(high[:, 1]),
        box=box,
    )
    return PolygonIndex(edges=edges, buckets=_buckets(box))


def index_of_polygons(geometry: NDArray[np.object_]) -> PolygonIndex:
    """The same from shapely polygons and multipolygons; None holds no point."""
    parts, owner = shapely.get_parts(geometry, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    coordinates, ring = shapely.get_coordinates(rings, return_index=True)
    return polygon_index(coordinates, ring, owner[part], len(geometry))


def containing_polygons(
    index: PolygonIndex, x_m: FloatArray, y_m: FloatArray
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Number of the first and of the second polygon that holds each point; −1 for none.

    A point on the common border of two polygons belongs to exactly one of them.

    Parameters
    ----------
    index : PolygonIndex
        The polygons.
    x_m, y_m : ndarray, shape (n_points,)
        NaN lies in no polygon. [m]

    Examples
    --------
    >>> square = np.array([(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0), (0.0, 0.0)])
    >>> index = polygon_index(square, np.zeros(5, dtype=np.int64), np.zeros(1, dtype=np.int64), 1)
    >>> containing_polygons(index, np.array([1.0, 3.0]), np.array([1.0, 1.0]))[0].tolist()
    [0, -1]
    """
    points = (np.ascontiguousarray(x_m, np.float64), np.ascontiguousarray(y_m, np.float64))
    found = (np.empty(len(x_m), dtype=np.int32), np.empty(len(x_m), dtype=np.int32))

    def work(start: int, stop: int) -> None:
        kernels.locate(index.edges, index.buckets, points, found, (start, stop))

    run_in_threads(work, len(x_m), smallest=_SMALLEST_PIECE)
    return found


def polygon_of_cells(geometry: NDArray[np.object_], grid: RasterGrid) -> NDArray[np.int32]:
    """First polygon that holds the centre of each cell, (n_rows, n_cols); −1 for none."""
    x, y = np.meshgrid(grid.cell_centre_x_m(), grid.cell_centre_y_m())
    polygon, _ = containing_polygons(index_of_polygons(geometry), x.ravel(), y.ravel())
    return polygon.reshape(grid.shape)


def _buckets(box: FloatArray) -> kernels.Buckets:
    """Buckets about as large as a polygon."""
    is_drawn = box[:, 0] <= box[:, 2]
    drawn = box[is_drawn]
    if not len(drawn):
        nothing = np.zeros(2, dtype=np.int64)
        return kernels.Buckets(0.0, 0.0, 1.0, 1, 1, nothing, nothing[:0])
    left, bottom = float(np.min(drawn[:, 0])), float(np.min(drawn[:, 1]))
    width = float(np.max(drawn[:, 2])) - left
    height = float(np.max(drawn[:, 3])) - bottom
    size = max(
        float(np.mean(np.maximum(drawn[:, 2] - drawn[:, 0], drawn[:, 3] - drawn[:, 1]))),
        math.sqrt(width * height / (_MOST_BUCKETS_PER_POLYGON * len(drawn))),
        1e-9,
    )
    n_cols, n_rows = int(width / size) + 1, int(height / size) + 1
    first = np.zeros(n_rows * n_cols + 1, dtype=np.int64)
    kernels.count_polygons(box, left, bottom, size, n_cols, first)
    np.cumsum(first, out=first)
    buckets = kernels.Buckets(
        left, bottom, size, n_rows, n_cols, first, np.empty(first[-1], dtype=np.int64)
    )
    kernels.fill_buckets(box, buckets, first[:-1].copy())
    return buckets
