"""Compiled walk from points to the polygons that hold them, through a lattice of buckets."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
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
    """Square buckets in rows; bucket b lists the polygons ``polygon[first[b]:first[b + 1]]``."""

    left: float
    bottom: float
    size: float
    n_rows: int
    n_cols: int
    first: NDArray[np.int64]
    polygon: NDArray[np.int64]


@compiled
def count_polygons(
    box: FloatArray, left: float, bottom: float, size: float, n_cols: int, first: NDArray[np.int64]
) -> None:
    """Add to ``first[b + 1]`` how many polygons have their box in bucket b."""
    for k in range(len(box)):
        if not box[k, 0] <= box[k, 2]:
            continue
        for row in range(int((box[k, 1] - bottom) / size), int((box[k, 3] - bottom) / size) + 1):
            for col in range(int((box[k, 0] - left) / size), int((box[k, 2] - left) / size) + 1):
                first[row * n_cols + col + 1] += 1


@compiled
def fill_buckets(box: FloatArray, buckets: Buckets, free: NDArray[np.int64]) -> None:
    """List every polygon in the buckets of its box, in the order of the polygons."""
    size = buckets.size
    for k in range(len(box)):
        if not box[k, 0] <= box[k, 2]:
            continue
        first_row = int((box[k, 1] - buckets.bottom) / size)
        last_row = int((box[k, 3] - buckets.bottom) / size)
        first_col = int((box[k, 0] - buckets.left) / size)
        last_col = int((box[k, 2] - buckets.left) / size)
        for row in range(first_row, last_row + 1):
            for col in range(first_col, last_col + 1):
                bucket = row * buckets.n_cols + col
                buckets.polygon[free[bucket]] = k
                free[bucket] += 1


@compiled
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
    found: tuple[NDArray[np.int32], NDArray[np.int32]],
    piece: tuple[int, int],
) -> None:
    """Write the first and the second polygon that holds each point of a piece; −1 for none."""
    x, y = points
    first, second = found
    for p in range(piece[0], piece[1]):
        first[p] = second[p] = -1
        row = math.floor((y[p] - buckets.bottom) / buckets.size) if y[p] == y[p] else -1.0
        col = math.floor((x[p] - buckets.left) / buckets.size) if x[p] == x[p] else -1.0
        if row < 0 or row >= buckets.n_rows or col < 0 or col >= buckets.n_cols:
            continue
        bucket = int(row) * buckets.n_cols + int(col)
        for at in range(buckets.first[bucket], buckets.first[bucket + 1]):
            k = buckets.polygon[at]
            box = edges.box[k]
            if x[p] < box[0] or x[p] > box[2] or y[p] < box[1] or y[p] > box[3]:
                continue
            if holds(edges, k, x[p], y[p]):
                if first[p] < 0:
                    first[p] = k
                else:
                    second[p] = k
                    break
