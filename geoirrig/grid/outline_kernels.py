"""Compiled proofs about outlines that settle most of them; what they leave open is for shapely."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled, compiled_in_place
from geoirrig.grid.point_location_kernels import Edges
from geoirrig.grid.ring_kernels import Rings
from geoirrig.units import FloatArray

_ROUNDING = 1e-15  # of a difference of two products of differences, as a share of their sum
_ROUNDING_M = 1e-6  # far more than a distance of two corners in one city is off by
_MOST_EDGES = 40  # of a polygon whose edges are tried: more follow a curve, and would take long


@compiled
def find_convex(rings: Rings, is_convex: NDArray[np.bool_]) -> None:
    """Write whether each polygon is surely one strictly convex ring."""
    for k in range(len(is_convex)):
        ring = rings.polygon_ring[k]
        is_convex[k] = rings.polygon_ring[k + 1] == ring + 1 and _is_convex(
            rings, rings.ring_point[ring], rings.ring_point[ring + 1] - 1
        )


@compiled_in_place
def _is_convex(rings: Rings, first: int, last: int) -> bool:
    """Whether corners turn to one side throughout, and around once; two rings turn around twice."""
    x, y = rings.x, rings.y
    if last <= first or x[first] != x[last] or y[first] != y[last]:
        return False
    before_x, before_y = x[last] - x[last - 1], y[last] - y[last - 1]
    goes_east = before_x > 0.0
    n_reversals = n_left = 0
    for c in range(first, last):
        step_x, step_y = x[c + 1] - x[c], y[c + 1] - y[c]
        left, right = before_x * step_y, before_y * step_x
        if not abs(left - right) > _ROUNDING * (abs(left) + abs(right)):
            return False
        n_left += left > right
        if step_x != 0.0 and (step_x > 0.0) != goes_east:
            goes_east = not goes_east
            n_reversals += 1
        before_x, before_y = step_x, step_y
    return (n_left == 0 or n_left == last - first) and n_reversals <= 2


@compiled
def share_little(
    edges: Edges,
    pairs: tuple[NDArray[np.int64], NDArray[np.int64]],
    most_m2: FloatArray,
    is_little: NDArray[np.bool_],
) -> None:
    """Write whether the polygons of each pair, each with a box, surely share at most ``most_m2``.

    All that they share lies in both boxes and, for any direction, in the strip of that direction
    which both reach into. Directions of edges are tried: neighbours most often share no more than
    a strip along their lot line that is as narrow as the line is straight.
    """
    for p in range(len(most_m2)):
        a, b = pairs[0][p], pairs[1][p]
        west, south = max(edges.box[a, 0], edges.box[b, 0]), max(edges.box[a, 1], edges.box[b, 1])
        east, north = min(edges.box[a, 2], edges.box[b, 2]), min(edges.box[a, 3], edges.box[b, 3])
        common = (west, south, east, north)
        width_m = most_m2[p] / math.hypot(east - west, north - south) - _ROUNDING_M
        is_little[p] = _share_a_strip(edges, (a, b), common, width_m) or _share_a_strip(
            edges, (b, a), common, width_m
        )


@compiled_in_place
def _share_a_strip(
    edges: Edges,
    pair: tuple[int, int],
    common: tuple[float, float, float, float],
    width_m: float,
) -> bool:
    """Whether both polygons reach into a strip no wider than this, along an edge of the first.

    Only edges that may touch the common part of the boxes are worth a try.
    """
    west, south, east, north = common
    start, stop = edges.first[pair[0]], edges.first[pair[0] + 1]
    if stop - start > _MOST_EDGES:
        return False
    for e in range(start, stop):
        if edges.high_y[e] < south or edges.low_y[e] > north:
            continue
        if max(edges.low_x[e], edges.high_x[e]) < west:
            continue
        if min(edges.low_x[e], edges.high_x[e]) > east:
            continue
        if _share_no_more_along(edges, pair, e, width_m):
            return True
    return False


@compiled_in_place
def _share_no_more_along(edges: Edges, pair: tuple[int, int], e: int, width_m: float) -> bool:
    """Whether the strip along edge ``e`` that both polygons reach into is no wider than this."""
    x, y = edges.low_x[e], edges.low_y[e]
    along_x, along_y = edges.high_x[e] - x, edges.high_y[e] - y
    width = width_m * math.hypot(along_x, along_y)
    # Reach to the left of the edge and, negative, to its right: of the second polygon, the first.
    right, left, own_right, own_left = np.inf, -np.inf, 0.0, 0.0
    for k in range(edges.first[pair[1]], edges.first[pair[1] + 1]):
        low = along_x * (edges.low_y[k] - y) - along_y * (edges.low_x[k] - x)
        high = along_x * (edges.high_y[k] - y) - along_y * (edges.high_x[k] - x)
        right, left = min(right, low, high), max(left, low, high)
    for k in range(edges.first[pair[0]], edges.first[pair[0] + 1]):
        low = along_x * (edges.low_y[k] - y) - along_y * (edges.low_x[k] - x)
        high = along_x * (edges.high_y[k] - y) - along_y * (edges.high_x[k] - x)
        own_right, own_left = min(own_right, low, high), max(own_left, low, high)
        if not min(left, own_left) - max(right, own_right) <= width:
            return False
    return True
