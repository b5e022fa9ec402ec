"""Walks over a raster of elevations, row by row, for slope and gradient, compiled."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled


class Neighbours(NamedTuple):
    """Elevations of the eight pixels around one, named by the compass."""

    north: float
    north_east: float
    east: float
    south_east: float
    south: float
    south_west: float
    west: float
    north_west: float


class Stencil(NamedTuple):
    """Weights of a gradient from the 3 × 3 pixels around each pixel."""

    corner: float  # weight of a corner over that of a side
    east: float  # 1 over the sum of weights times the pixel's width, 1/m
    north: float  # the same with its height, 1/m


@compiled
def _elevation_at(elevation: NDArray[Any], row: int, col: int) -> float:
    """Elevation of a pixel; NaN beyond the edge."""
    if row < 0 or col < 0 or row >= elevation.shape[0] or col >= elevation.shape[1]:
        return float(np.nan)
    return float(elevation[row, col])


@compiled
def _filled(value: float, opposite: float, centre: float, last_resort: float) -> float:
    """The value itself, else extrapolated from its opposite, else the last resort."""
    if not np.isnan(value):
        return value
    return last_resort if np.isnan(opposite) else 2.0 * centre - opposite


@compiled
def filled_neighbours(elevation: NDArray[Any], row: int, col: int) -> Neighbours:
    """The eight neighbours of a pixel, with those that are missing filled in.

    A missing neighbour is extrapolated through the pixel from its opposite. Where that is missing
    too, a side is the pixel itself, and a corner lies in the plane through the pixel and its two
    sides.
    """
    centre = np.float64(elevation[row, col])
    north, south = _elevation_at(elevation, row - 1, col), _elevation_at(elevation, row + 1, col)
    west, east = _elevation_at(elevation, row, col - 1), _elevation_at(elevation, row, col + 1)
    nw = _elevation_at(elevation, row - 1, col - 1)
    ne = _elevation_at(elevation, row - 1, col + 1)
    sw = _elevation_at(elevation, row + 1, col - 1)
    se = _elevation_at(elevation, row + 1, col + 1)
    n, s = _filled(north, south, centre, centre), _filled(south, north, centre, centre)
    w, e = _filled(west, east, centre, centre), _filled(east, west, centre, centre)
    return Neighbours(
        n,
        _filled(ne, sw, centre, n + e - centre),
        e,
        _filled(se, nw, centre, s + e - centre),
        s,
        _filled(sw, ne, centre, s + w - centre),
        w,
        _filled(nw, se, centre, n + w - centre),
    )


@compiled
def _rise(around: Neighbours, stencil: Stencil) -> tuple[float, float]:
    """Gradient to the east and to the north."""
    falling = around.north_east - around.south_west  # shared by both
    rising = around.south_east - around.north_west
    east = (around.east - around.west) + stencil.corner * (falling + rising)
    north = (around.north - around.south) + stencil.corner * (falling - rising)
    return east * stencil.east, north * stencil.north


@compiled
def _gradient_row(
    elevation: NDArray[Any], row: int, stencil: Stencil, east: NDArray[Any], north: NDArray[Any]
) -> None:
    """Gradient of one row of pixels."""
    n_rows, n_cols = elevation.shape
    if 0 < row < n_rows - 1:
        above, own, below = elevation[row - 1], elevation[row], elevation[row + 1]
        for col in range(1, n_cols - 1):  # no branch: the compiler turns it into vectors
            falling = np.float64(above[col + 1]) - np.float64(below[col - 1])
            rising = np.float64(below[col + 1]) - np.float64(above[col - 1])
            across = np.float64(own[col + 1]) - np.float64(own[col - 1])
            along = np.float64(above[col]) - np.float64(below[col])
            # Nothing but a gap at the pixel itself makes this term other than 0.
            hole = 0.0 if own[col] == own[col] else np.nan
            east[col] = (across + stencil.corner * (falling + rising)) * stencil.east + hole
            north[col] = (along + stencil.corner * (falling - rising)) * stencil.north
    for col in range(n_cols):
        is_inside = 0 < row < n_rows - 1 and 0 < col < n_cols - 1
        if is_inside and not (np.isnan(east[col]) or np.isnan(north[col])):
            continue
        if np.isnan(elevation[row, col]):
            east[col], north[col] = np.nan, np.nan
        else:
            east[col], north[col] = _rise(filled_neighbours(elevation, row, col), stencil)


@compiled
def gradient_rows(
    span: tuple[int, int],
    elevation: NDArray[Any],
    stencil: Stencil,
    east: NDArray[Any],
    north: NDArray[Any],
) -> None:
    """Gradient of the rows from span[0] to span[1]."""
    for row in range(span[0], span[1]):
        _gradient_row(elevation, row, stencil, east[row], north[row])


@compiled
def slope_rows(
    span: tuple[int, int], elevation: NDArray[Any], stencil: Stencil, slope_pct: NDArray[Any]
) -> None:
    """Slope of the rows from span[0] to span[1], in percent."""
    n_cols = elevation.shape[1]
    east, north = np.empty(n_cols), np.empty(n_cols)
    for row in range(span[0], span[1]):
        _gradient_row(elevation, row, stencil, east, north)
        for col in range(n_cols):
            slope_pct[row, col] = 100.0 * np.sqrt(east[col] * east[col] + north[col] * north[col])
