"""Compiled walks through a lattice of buckets: to the polygons at a point, to neighbours."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled, compiled_in_place
from geoirrig.grid.ring_kernels import Rings
from geoirrig.units import FloatArray


class Edges(NamedTuple):
    """Edges of all polygons, each from its lower to its upper end; level edges are left out.

    The edges of polygon k have the numbers ``first[k]`` to ``first[k + 1]``, its box is
    ``box[k]`` (west, south, east, north).
    """

    first: NDArray[np.int64]  # (n_polygons + 1,)
    low_x: FloatArray
    low_y: FloatArray
    high_x: FloatArray
    high_y: FloatArray
    box: FloatArray  # (n_polygons, 4)


class Buckets(NamedTuple):
    """Square buckets in rows; bucket b lists the polygons ``polygon[first[b]:first[b + 1]]``.

    Those at the edge hold all that lies beyond.
    """

    left: float
    bottom: float
    size: float
    n_rows: int
    n_cols: int
    first: NDArray[np.int64]
    polygon: NDArray[np.int64]


@compiled
def count_edges(rings: Rings, first: NDArray[np.int64]) -> None:
    """Add to ``first[k + 1]`` how many edges of polygon k are not level."""
    for k in range(len(first) - 1):
        for ring in range(rings.polygon_ring[k], rings.polygon_ring[k + 1]):
            for c in range(rings.ring_point[ring], rings.ring_point[ring + 1] - 1):
                first[k + 1] += rings.y[c] != rings.y[c + 1]


@compiled
def fill_edges(rings: Rings, edges: Edges) -> None:
    """List the edges that are not level, in the order of the corners."""
    e = 0
    for ring in range(len(rings.ring_point) - 1):
        for c in range(rings.ring_point[ring], rings.ring_point[ring + 1] - 1):
            if rings.y[c] == rings.y[c + 1]:
                continue
            low, high = (c, c + 1) if rings.y[c] < rings.y[c + 1] else (c + 1, c)
            edges.low_x[e], edges.low_y[e] = rings.x[low], rings.y[low]
            edges.high_x[e], edges.high_y[e] = rings.x[high], rings.y[high]
            e += 1


@compiled
def count_polygons(box: FloatArray, buckets: Buckets) -> None:
    """Add to ``first[b + 1]`` how many polygons have their box in bucket b."""
    for k in range(len(box)):
        if not box[k, 0] <= box[k, 2]:
            continue
        first_row, first_col = _nearest_bucket(buckets, box[k, 0], box[k, 1])
        last_row, last_col = _nearest_bucket(buckets, box[k, 2], box[k, 3])
        for row in range(first_row, last_row + 1):
            for col in range(first_col, last_col + 1):
                buckets.first[row * buckets.n_cols + col + 1] += 1


@compiled
def fill_buckets(box: FloatArray, buckets: Buckets, free: NDArray[np.int64]) -> None:
    """List every polygon in the buckets of its box, in the order of the polygons."""
    for k in range(len(box)):
        if not box[k, 0] <= box[k, 2]:
            continue
        first_row, first_col = _nearest_bucket(buckets, box[k, 0], box[k, 1])
        last_row, last_col = _nearest_bucket(buckets, box[k, 2], box[k, 3])
        for row in range(first_row, last_row + 1):
            for col in range(first_col, last_col + 1):
                bucket = row * buckets.n_cols + col
                buckets.polygon[free[bucket]] = k
                free[bucket] += 1


@compiled_in_place
def holds(edges: Edges, k: int, x: float, y: float) -> bool:
    """Whether polygon k holds a point, by the number of edges west of it.

    Of a common border of two polygons each point belongs to exactly one of them, since both work
    with the same numbers of the same edge.
    """
    inside = False
    for e in range(edges.first[k], edges.first[k + 1]):
        if edges.low_y[e] <= y < edges.high_y[e]:
            share = (y - edges.low_y[e]) / (edges.high_y[e] - edges.low_y[e])
            if edges.low_x[e] + share * (edges.high_x[e] - edges.low_x[e]) <= x:
                inside = not inside
    return inside


@compiled
def locate(
    edges: Edges,
    buckets: Buckets,
    points: tuple[FloatArray, FloatArray],
    found: NDArray[np.int32],
    piece: tuple[int, int],
) -> None:
    """Write the first polygon that holds each point of a piece; −1 for none."""
    x, y = points
    for p in range(piece[0], piece[1]):
        found[p] = -1
        if x[p] != x[p] or y[p] != y[p]:
            continue
        row, col = _nearest_bucket(buckets, x[p], y[p])
        bucket = row * buckets.n_cols + col
        for at in range(buckets.first[bucket], buckets.first[bucket + 1]):
            k = buckets.polygon[at]
            if x[p] < edges.box[k, 0] or x[p] > edges.box[k, 2]:
                continue
            if y[p] < edges.box[k, 1] or y[p] > edges.box[k, 3]:
                continue
            if holds(edges, k, x[p], y[p]):
                found[p] = k
                break


@compiled
def find_sole_polygons(
    edges: Edges,
    buckets: Buckets,
    outlines: Rings,
    drawn_in: float,
    corner: tuple[FloatArray, FloatArray],
    found: NDArray[np.int32],
) -> None:
    """Write the polygon that holds all corners of each outline while no other holds any, or −1.

    Corners are taken ``drawn_in`` nearer to the middle of the outline's box; ``corner`` is room for
    those of one outline.
    """
    x, y = corner
    for k in range(len(found)):
        start = outlines.ring_point[outlines.polygon_ring[k]]
        stop = outlines.ring_point[outlines.polygon_ring[k + 1]]
        west, south, east, north = _box_of(outlines.x, outlines.y, start, stop)
        for c in range(start, stop):
            x[c - start], y[c - start] = outlines.x[c], outlines.y[c]
            if drawn_in > 0.0:
                inward_x = (west + east) / 2.0 - outlines.x[c]
                inward_y = (south + north) / 2.0 - outlines.y[c]
                share = min(1.0, drawn_in / max(math.hypot(inward_x, inward_y), drawn_in))
                x[c - start] += share * inward_x
                y[c - start] += share * inward_y
        found[k] = -1
        if stop > start:
            found[k] = _sole_polygon(edges, buckets, corner, 0, stop - start)


@compiled
def list_overlapping_boxes(
    box: FloatArray,
    buckets: Buckets,
    least: FloatArray,
    pair: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> int:
    """Number of pairs whose boxes share more than ``least`` of either; those that fit are listed.

    Of two polygons in several common buckets, that one tells in which the lower left corner of what
    their boxes share lies.
    """
    n_pairs = 0
    for bucket in range(len(buckets.first) - 1):
        row, col = bucket // buckets.n_cols, bucket % buckets.n_cols
        for at in range(buckets.first[bucket], buckets.first[bucket + 1]):
            a = buckets.polygon[at]
            for other in range(at + 1, buckets.first[bucket + 1]):
                b = buckets.polygon[other]
                west, south = max(box[a, 0], box[b, 0]), max(box[a, 1], box[b, 1])
                width = min(box[a, 2], box[b, 2]) - west
                height = min(box[a, 3], box[b, 3]) - south
                if width < 0.0 or not width * height > min(least[a], least[b]):
                    continue
                meet = _nearest_bucket(buckets, west, south)
                if row != meet[0] or col != meet[1]:
                    continue
                if n_pairs < len(pair[0]):
                    pair[0][n_pairs], pair[1][n_pairs] = a, b
                n_pairs += 1
    return n_pairs


@compiled_in_place
def _sole_polygon(
    edges: Edges, buckets: Buckets, points: tuple[FloatArray, FloatArray], start: int, stop: int
) -> int:
    """Polygon that holds all points while no other holds any; −1 for none."""
    x, y = points
    west, south, east, north = _box_of(x, y, start, stop)
    first_row, first_col = _nearest_bucket(buckets, west, south)
    last_row, last_col = _nearest_bucket(buckets, east, north)
    sole = -1
    for row in range(first_row, last_row + 1):
        for col in range(first_col, last_col + 1):
            bucket = row * buckets.n_cols + col
            for at in range(buckets.first[bucket], buckets.first[bucket + 1]):
                k = buckets.polygon[at]
                if east < edges.box[k, 0] or west > edges.box[k, 2]:
                    continue
                if north < edges.box[k, 1] or south > edges.box[k, 3]:
                    continue
                meet = _nearest_bucket(
                    buckets, max(west, edges.box[k, 0]), max(south, edges.box[k, 1])
                )
                if row != meet[0] or col != meet[1]:
                    continue  # both lie in several buckets, and meet in that one
                n_held = _count_held(edges, k, points, start, stop)
                if n_held > 0 and (n_held < stop - start or sole >= 0):
                    return -1
                if n_held > 0:
                    sole = k
    return sole


@compiled_in_place
def _count_held(
    edges: Edges, k: int, points: tuple[FloatArray, FloatArray], start: int, stop: int
) -> int:
    """How many of some points polygon k holds."""
    x, y = points
    n_held = 0
    for p in range(start, stop):
        if edges.box[k, 0] <= x[p] <= edges.box[k, 2]:
            n_held += holds(edges, k, x[p], y[p])
    return n_held


@compiled_in_place
def _box_of(
    x: FloatArray, y: FloatArray, start: int, stop: int
) -> tuple[float, float, float, float]:
    """West, south, east and north of some points."""
    west = south = np.inf
    east = north = -np.inf
    for p in range(start, stop):
        west, east = min(west, x[p]), max(east, x[p])
        south, north = min(south, y[p]), max(north, y[p])
    return west, south, east, north


@compiled_in_place
def _nearest_bucket(buckets: Buckets, x: float, y: float) -> tuple[int, int]:
    """Row and column of the bucket at a place, or of that nearest to it."""
    row, col = (y - buckets.bottom) / buckets.size, (x - buckets.left) / buckets.size
    return int(min(max(0.0, row), buckets.n_rows - 1.0)), int(
        min(max(0.0, col), buckets.n_cols - 1.0)
    )
