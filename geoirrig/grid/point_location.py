"""Which polygon holds each of many points."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.grid import point_location_kernels as kernels
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.processors import run_in_threads
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
    first = np.zeros(n_polygons + 1, dtype=np.int64)
    box = np.tile((np.inf, np.inf, -np.inf, -np.inf), (n_polygons, 1))
    kernels.count_edges(coordinates_m, ring, polygon, first, box)
    np.cumsum(first, out=first)
    low_x, low_y, high_x, high_y = np.empty((4, first[-1]))
    edges = kernels.Edges(first, low_x, low_y, high_x, high_y, box)
    kernels.fill_edges(coordinates_m, ring, edges)
    return PolygonIndex(edges=edges, buckets=_buckets(box))


def index_of_polygons(geometry: NDArray[np.object_]) -> PolygonIndex:
    """The same from shapely polygons and multipolygons; None holds no point."""
    coordinates, owner = shapely.get_coordinates(geometry, return_index=True)
    begins = np.ones(len(owner), dtype=bool)  # a ring, at each corner
    begins[1:] = owner[1:] != owner[:-1]
    is_many = shapely.get_type_id(geometry) == shapely.GeometryType.MULTIPOLYGON
    is_many |= shapely.get_num_interior_rings(geometry) > 0
    if is_many.any():
        rings = shapely.get_rings(shapely.get_parts(geometry[is_many]))
        length = shapely.get_num_coordinates(rings)
        length = length[length > 0]
        begins[np.flatnonzero(is_many[owner])[np.cumsum(length) - length]] = True
    ring = np.cumsum(begins) - 1
    return polygon_index(coordinates, ring, owner[begins], len(geometry))


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


def sole_polygons(
    index: PolygonIndex,
    x_m: FloatArray,
    y_m: FloatArray,
    group: NDArray[np.int64],
    n_groups: int,
) -> NDArray[np.int32]:
    """Number of the polygon that alone holds all points of a group; −1 where there is none.

    It is −1 too where another polygon holds some of the points besides, or the group has none.

    Parameters
    ----------
    index : PolygonIndex
        The polygons.
    x_m, y_m : ndarray, shape (n_points,)
        [m]
    group : ndarray of int, shape (n_points,)
        Group of each point, rising.
    n_groups : int
        Number of groups.
    """
    points = (np.ascontiguousarray(x_m, np.float64), np.ascontiguousarray(y_m, np.float64))
    found = np.full(n_groups, -1, dtype=np.int32)
    kernels.locate_groups(index.edges, index.buckets, points, group, found)
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
