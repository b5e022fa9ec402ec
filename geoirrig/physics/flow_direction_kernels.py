"""Steepest way down from every pixel of a raster of elevations, compiled."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.physics.terrain_kernels import Neighbours, filled_neighbours
from geoirrig.units import FloatArray

HALF_TURN_DEG = 180.0
# Tangent of the angle below which a way is that of the neighbour beside it: smaller ones are
# rounding of the elevations, and 32-bit bearings near 360° cannot tell them apart.
SAME_WAY = 3e-7

# The eight facets: steps to their side and corner neighbours, bearing of the side, and whether the
# corner lies clockwise (+1) or against (−1) from there.
SIDE_ROW = np.array([-1, -1, 0, 0, 1, 1, 0, 0])
SIDE_COL = np.array([0, 0, 1, 1, 0, 0, -1, -1])
CORNER_ROW = np.array([-1, -1, -1, 1, 1, 1, 1, -1])
CORNER_COL = np.array([1, -1, 1, 1, 1, -1, -1, -1])
SIDE_DEG = np.array([0.0, 360.0, 90.0, 90.0, 180.0, 180.0, 270.0, 270.0])
SENSE = np.array([1.0, -1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0])


class PixelShape(NamedTuple):
    """What a raster's pixels make of distances and bearings."""

    per_width: float  # 1 over the width, 1/m
    per_height: float  # 1 over the height, 1/m
    per_diagonal: float  # 1 over the diagonal, 1/m
    corner_deg: float  # bearing of the neighbour to the north-east


class _Way(NamedTuple):
    """The steepest way found so far."""

    steepness: float  # squared fall per metre; 0 where there is no way down
    course: float  # bearing of the neighbour, or −1 − number of the facet that it crosses


@compiled
def _side(way: _Way, fall: float, per_m: float, bearing_deg: float) -> _Way:
    """The steeper of a way and that straight to a neighbour."""
    slope = fall * per_m
    steepness = slope * slope if fall > 0.0 else 0.0
    is_steeper = steepness > way.steepness
    return _Way(
        steepness if is_steeper else way.steepness, bearing_deg if is_steeper else way.course
    )


@compiled
def _facet(way: _Way, along: float, across: float, widest: float, facet: float) -> _Way:
    """The steeper of a way and that across a facet.

    ``along`` is the slope to the side neighbour, ``across`` that from there to the corner, and
    ``widest`` the tangent of the corner. A way that would leave the facet is none: the neighbours
    themselves have been looked at.
    """
    from_side = across - along * SAME_WAY
    from_corner = along * widest * (1.0 - SAME_WAY) - across
    room = from_side if from_side < from_corner else from_corner
    steepness = along * along + across * across if room > 0.0 else 0.0
    is_steeper = steepness > way.steepness
    return _Way(
        steepness if is_steeper else way.steepness, -1.0 - facet if is_steeper else way.course
    )


@compiled
def _steepest_neighbour(centre: float, around: Neighbours, shape: PixelShape) -> _Way:
    """Way to the neighbour down to which it is steepest; of equals the first from north."""
    corner = shape.corner_deg
    way = _Way(0.0, 0.0)
    way = _side(way, centre - around.north, shape.per_height, 0.0)
    way = _side(way, centre - around.north_east, shape.per_diagonal, corner)
    way = _side(way, centre - around.east, shape.per_width, 90.0)
    way = _side(way, centre - around.south_east, shape.per_diagonal, 180.0 - corner)
    way = _side(way, centre - around.south, shape.per_height, 180.0)
    way = _side(way, centre - around.south_west, shape.per_diagonal, 180.0 + corner)
    way = _side(way, centre - around.west, shape.per_width, 270.0)
    return _side(way, centre - around.north_west, shape.per_diagonal, 360.0 - corner)


@compiled
def _or_upright_facet(way: _Way, centre: float, around: Neighbours, shape: PixelShape) -> _Way:
    """The steeper of a way and those across the facets beside north and south."""
    per_w, per_h = shape.per_width, shape.per_height
    widest = per_h / per_w
    slope = (centre - around.north) * per_h
    way = _facet(way, slope, (around.north - around.north_east) * per_w, widest, 0.0)
    way = _facet(way, slope, (around.north - around.north_west) * per_w, widest, 1.0)
    slope = (centre - around.south) * per_h
    way = _facet(way, slope, (around.south - around.south_east) * per_w, widest, 4.0)
    return _facet(way, slope, (around.south - around.south_west) * per_w, widest, 5.0)


@compiled
def _or_lying_facet(way: _Way, centre: float, around: Neighbours, shape: PixelShape) -> _Way:
    """The steeper of a way and those across the facets beside east and west."""
    per_w, per_h = shape.per_width, shape.per_height
    widest = per_w / per_h
    slope = (centre - around.east) * per_w
    way = _facet(way, slope, (around.east - around.north_east) * per_h, widest, 2.0)
    way = _facet(way, slope, (around.east - around.south_east) * per_h, widest, 3.0)
    slope = (centre - around.west) * per_w
    way = _facet(way, slope, (around.west - around.south_west) * per_h, widest, 6.0)
    return _facet(way, slope, (around.west - around.north_west) * per_h, widest, 7.0)


@compiled
def _bearing_deg(
    elevation: NDArray[Any], row: int, col: int, course: float, shape: PixelShape
) -> float:
    """Compass bearing of the way that a pixel's water takes."""
    if course >= 0.0:
        return course
    facet = int(-1.0 - course)
    side = np.float64(elevation[row + SIDE_ROW[facet], col + SIDE_COL[facet]])
    corner = np.float64(elevation[row + CORNER_ROW[facet], col + CORNER_COL[facet]])
    is_upright = SIDE_COL[facet] == 0
    along = (elevation[row, col] - side) * (shape.per_height if is_upright else shape.per_width)
    across = (side - corner) * (shape.per_width if is_upright else shape.per_height)
    angle = np.arctan(across / along) * (HALF_TURN_DEG / np.pi)
    return float(SIDE_DEG[facet] + SENSE[facet] * angle)


@compiled
def _bearing_beside_gap_deg(
    elevation: NDArray[Any], row: int, col: int, shape: PixelShape, has_facets: bool
) -> float:
    """Bearing for a pixel that misses some neighbours; NaN where it has no elevation itself."""
    centre = np.float64(elevation[row, col])
    if np.isnan(centre):
        return float(np.nan)
    around = filled_neighbours(elevation, row, col)
    way = _steepest_neighbour(centre, around, shape)
    if has_facets:
        way = _or_upright_facet(way, centre, around, shape)
        way = _or_lying_facet(way, centre, around, shape)
    window = np.empty((3, 3))
    window[0] = around.north_west, around.north, around.north_east
    window[1] = around.west, centre, around.east
    window[2] = around.south_west, around.south, around.south_east
    return _bearing_deg(window, 1, 1, way.course, shape) if way.steepness > 0.0 else np.nan


@compiled
def _window(elevation: NDArray[Any], row: int, col: int) -> tuple[float, Neighbours, float]:
    """A pixel off the border, its neighbours, and 0, or NaN where one of the nine misses."""
    above, own, below = elevation[row - 1], elevation[row], elevation[row + 1]
    around = Neighbours(
        np.float64(above[col]),
        np.float64(above[col + 1]),
        np.float64(own[col + 1]),
        np.float64(below[col + 1]),
        np.float64(below[col]),
        np.float64(below[col - 1]),
        np.float64(own[col - 1]),
        np.float64(above[col - 1]),
    )
    centre = np.float64(own[col])
    sides = around.north + around.east + around.south + around.west
    corners = around.north_east + around.south_east + around.south_west + around.north_west
    return centre, around, 0.0 * (centre + sides + corners)


@compiled
def _ways_inside(
    elevation: NDArray[Any],
    row: int,
    shape: PixelShape,
    has_facets: bool,
    ways: tuple[FloatArray, FloatArray],
) -> None:
    """Steepness and course of a row but for its ends; NaN steepness where a pixel misses.

    Without branches inside the loops, and of functions small enough to be put in place there, so
    that the compiler turns them into vectors.
    """
    steepness, course = ways
    last = elevation.shape[1] - 1
    if has_facets:
        for col in range(1, last):
            centre, around, hole = _window(elevation, row, col)
            way = _steepest_neighbour(centre, around, shape)
            way = _or_upright_facet(way, centre, around, shape)
            way = _or_lying_facet(way, centre, around, shape)
            steepness[col], course[col] = way.steepness + hole, way.course
    else:
        for col in range(1, last):
            centre, around, hole = _window(elevation, row, col)
            way = _steepest_neighbour(centre, around, shape)
            steepness[col], course[col] = way.steepness + hole, way.course


@compiled
def bearing_rows(
    span: tuple[int, int],
    elevation: NDArray[Any],
    shape: PixelShape,
    has_facets: bool,
    bearing_deg: NDArray[np.float32],
) -> None:
    """Bearing of the steepest way down, rows span[0] to span[1]; NaN where there is none."""
    n_rows, n_cols = elevation.shape
    steepness, course = np.full(n_cols, np.nan), np.empty(n_cols)
    for row in range(span[0], span[1]):
        is_inside = 0 < row < n_rows - 1
        if is_inside:
            _ways_inside(elevation, row, shape, has_facets, (steepness, course))
        for col in range(n_cols):
            if not is_inside or np.isnan(steepness[col]):  # as it always is at the ends
                bearing_deg[row, col] = _bearing_beside_gap_deg(
                    elevation, row, col, shape, has_facets
                )
            elif steepness[col] > 0.0:
                bearing_deg[row, col] = _bearing_deg(elevation, row, col, course[col], shape)
            else:
                bearing_deg[row, col] = np.nan
