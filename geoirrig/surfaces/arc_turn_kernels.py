"""Compiled inner loops of the advice on arcs: what lies around a head, by direction.

Angles are degrees of the compass. A direction stands for the degree around it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.units import FloatArray

DIRECTIONS = 360  # one for each degree
_IN_LINE = 1e-12  # of the radius squared: an edge that points at the head hides nothing from it


class ThrownWater(NamedTuple):
    """Heads as the kernels want them; arrays of (n_heads,)."""

    x: FloatArray
    y: FloatArray  # northwards
    radius: FloatArray
    base: FloatArray
    hinge_start: NDArray[np.int64]  # (n_heads + 1,) into the two arrays below
    knots: NDArray[np.float32]
    slopes: NDArray[np.float32]


class TurfEdges(NamedTuple):
    """Edges of polygons with turf to their right, and the polygons near each head."""

    near_start: NDArray[np.int64]  # (n_heads + 1,) into ``near``
    near: NDArray[np.int64]  # numbers of polygons
    edge_start: NDArray[np.int64]  # (n_polygons + 1,) into the edges
    ends: FloatArray  # (n_edges, 4): x and y of the first and the last point


class Arcs(NamedTuple):
    """Arcs as they are; arrays of (n_heads,)."""

    start_bearing_deg: FloatArray
    arc_deg: FloatArray
    depth_mm: FloatArray  # of one event, mean over the head's own sector


@compiled
def _water_within(heads: ThrownWater, h: int, x: float) -> float:
    """∫ u·f(u) du from 0 to a fraction x of the radius, f being the relative rate."""
    x = min(x, 1.0)
    water: float = heads.base[h] * x * x / 2.0
    for k in range(heads.hinge_start[h], heads.hinge_start[h + 1]):
        knot = float(heads.knots[k])
        inner = min(x, knot)
        water += heads.slopes[k] * (knot * inner * inner / 2.0 - inner * inner * inner / 3.0)
    return water


@compiled
def sum_turf_water(
    first: int, end: int, heads: ThrownWater, edges: TurfEdges, turf_water: FloatArray
) -> None:
    """Share of what a head throws in each direction that falls on turf; (n_heads, 360), zeros.

    Along a ray, the water within every place where it leaves turf counts for it, that within every
    place where it enters against it. The edges may therefore come in any order.
    """
    for h in range(first, end):
        radius, whole = heads.radius[h], _water_within(heads, h, 1.0)
        for n in range(edges.near_start[h], edges.near_start[h + 1]):
            polygon = edges.near[n]
            for e in range(edges.edge_start[polygon], edges.edge_start[polygon + 1]):
                x1 = (edges.ends[e, 0] - heads.x[h]) / radius
                y1 = (edges.ends[e, 1] - heads.y[h]) / radius
                x2 = (edges.ends[e, 2] - heads.x[h]) / radius
                y2 = (edges.ends[e, 3] - heads.y[h]) / radius
                across = x1 * y2 - y1 * x2
                if abs(across) <= _IN_LINE:
                    continue
                from_deg, to_deg = (
                    math.degrees(math.atan2(x1, y1)),
                    math.degrees(math.atan2(x2, y2)),
                )
                # Clockwise around the head the ray leaves turf, counter-clockwise it enters.
                sign = 1.0 if across < 0.0 else -1.0
                low, high = (from_deg, to_deg) if sign > 0.0 else (to_deg, from_deg)
                if high < low:
                    high += DIRECTIONS
                for d in range(math.ceil(low - 0.5), math.ceil(high - 0.5)):
                    bearing = math.radians(d + 0.5)
                    aside = math.sin(bearing) * (y2 - y1) - math.cos(bearing) * (x2 - x1)
                    water = _water_within(heads, h, max(across / aside, 0.0))
                    turf_water[h, d % DIRECTIONS] += sign * water / whole


@compiled
def count_needing_cells(
    first: int,
    end: int,
    heads: ThrownWater,
    arcs: Arcs,
    spare_mm: NDArray[np.float32],
    needing: FloatArray,
) -> None:
    """Cells in each direction that would be dry without this head; (n_heads, 360), zeros.

    Lengths are in cells, y being 0 at the top of the grid. ``spare_mm`` is how much every turf cell
    gets beyond what would make it dry: NaN off the turf, negative where it is dry. A cell needs the
    head where it has less to spare than the head gives.
    """
    n_rows, n_cols = spare_mm.shape
    for h in range(first, end):
        x, top, radius = heads.x[h], -heads.y[h], heads.radius[h]
        for r in range(max(0, math.floor(top - radius)), min(n_rows, math.ceil(top + radius))):
            north = top - (r + 0.5)
            for c in range(max(0, math.floor(x - radius)), min(n_cols, math.ceil(x + radius))):
                east = c + 0.5 - x
                fraction = math.sqrt(east * east + north * north) / radius
                spare = spare_mm[r, c]
                if fraction > 1.0 or not spare >= 0.0:
                    continue
                rate = heads.base[h]
                for k in range(heads.hinge_start[h], heads.hinge_start[h + 1]):
                    rate += heads.slopes[k] * max(heads.knots[k] - fraction, 0.0)
                bearing = math.degrees(math.atan2(east, north)) % DIRECTIONS
                swept = (bearing - arcs.start_bearing_deg[h]) % DIRECTIONS
                if spare < arcs.depth_mm[h] * rate and swept <= arcs.arc_deg[h]:
                    needing[h, int(bearing) % DIRECTIONS] += 1.0
