"""Compiled reading of outlines from well-known binary, row after row, and their boxes and areas."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled, compiled_in_place
from geoirrig.units import FloatArray

# Well-known binary, lowest byte first: byte order and kind; of a multipolygon the number of
# polygons and each with its own head; of a polygon the number of rings, and of each ring the number
# of points and the points, two coordinates each. (OGC 06-103r4, section 8.2)
_LITTLE_ENDIAN, _POLYGON, _MULTIPOLYGON = 1, 3, 6
_KIND, _HEAD_BYTES, _COUNT_BYTES, _POINT_BYTES = 1, 5, 4, 16
_FEWEST_POINTS = 4  # of a ring: three corners, and the first again
_MORE_THAN_FITS = 2**62  # rings or points: where something else stands than is read here


class Rings(NamedTuple):
    """Rings of polygons: polygon p has rings polygon_ring[p] to polygon_ring[p + 1]."""

    x: FloatArray  # (n_points,); a ring repeats its first point at its end
    y: FloatArray
    ring_point: NDArray[np.int64]  # (n_rings + 1,)
    polygon_ring: NDArray[np.int64]  # (n_polygons + 1,)


@compiled_in_place
def _count(data: NDArray[np.uint8], at: int, stop: int) -> int:
    """The number of 32 bits that begins at a byte; more than fits where the row ends before."""
    if at + _COUNT_BYTES > stop:
        return _MORE_THAN_FITS
    number = np.int64(data[at])
    for k in range(1, _COUNT_BYTES):
        number |= np.int64(data[at + k]) << 8 * k
    return int(number)


@compiled_in_place
def _bits(data: NDArray[np.uint8], at: int) -> np.uint64:
    """The 64 bits that begin at a byte."""
    bits = np.uint64(data[at])
    for k in range(1, 8):
        bits |= np.uint64(data[at + k]) << np.uint64(8 * k)
    return bits


@compiled_in_place
def _is_closed(data: NDArray[np.uint8], at: int, count: int) -> bool:
    """Whether a ring goes around something and ends where it begins."""
    last = at + _POINT_BYTES * (count - 1)
    return (
        count >= _FEWEST_POINTS
        and _bits(data, at) == _bits(data, last)
        and _bits(data, at + 8) == _bits(data, last + 8)
    )


@compiled_in_place
def _copy_points(
    data: NDArray[np.uint8],
    at: int,
    bits: tuple[NDArray[np.uint64], NDArray[np.uint64]],
    first: int,
    count: int,
) -> None:
    """The coordinates of points that begin at a byte, as the bits that they are."""
    for point in range(first, first + count):
        bits[0][point], bits[1][point] = _bits(data, at), _bits(data, at + 8)
        at += _POINT_BYTES


@compiled_in_place
def _stands_at(data: NDArray[np.uint8], at: int, stop: int, kind: int) -> bool:
    """Whether the head of a geometry of a kind stands at a byte."""
    if at + _HEAD_BYTES > stop or data[at] != _LITTLE_ENDIAN:
        return False
    return _count(data, at + _KIND, stop) == kind


@compiled
def read_rings(
    data: NDArray[np.uint8],
    start: NDArray[np.int64],
    bits: tuple[NDArray[np.uint64], NDArray[np.uint64]],
    ring_point: NDArray[np.int64],
    polygon_ring: NDArray[np.int64],
) -> tuple[int, int]:
    """Number of rings and points of all rows; (−1, −1) where one is no flat polygon.

    Nor is one whose rings are not closed, or of less than three corners. A row without bytes has no
    ring. The rings are listed too, coordinates as the bits they are,
    where there is room for them: none is asked for to count them first.
    """
    has_room = len(polygon_ring) == len(start)
    n_rings = n_points = 0
    for row in range(len(start) - 1):
        at, stop = start[row], start[row + 1]
        n_parts = int(at < stop)
        if _stands_at(data, at, stop, _MULTIPOLYGON):
            n_parts = _count(data, at + _HEAD_BYTES, stop)
            at += _HEAD_BYTES + _COUNT_BYTES
        while n_parts > 0:
            n_parts -= 1
            if not _stands_at(data, at, stop, _POLYGON):
                return -1, -1
            n_own = _count(data, at + _HEAD_BYTES, stop)
            at += _HEAD_BYTES + _COUNT_BYTES
            while n_own > 0:
                n_own -= 1
                count = _count(data, at, stop)
                at += _COUNT_BYTES
                if count > (stop - at) // _POINT_BYTES or not _is_closed(data, at, count):
                    return -1, -1
                if has_room:
                    _copy_points(data, at, bits, n_points, count)
                    ring_point[n_rings + 1] = n_points + count
                at += _POINT_BYTES * count
                n_points += count
                n_rings += 1
        if at != stop:
            return -1, -1
        if has_room:
            polygon_ring[row + 1] = n_rings
    return n_rings, n_points


@compiled
def fill_boxes(rings: Rings, box: FloatArray) -> None:
    """Write the box of each polygon; NaN without a corner, or with one that is NaN."""
    for k in range(len(box)):
        west = south = np.inf
        east = north = -np.inf
        is_known = True
        first, last = rings.polygon_ring[k], rings.polygon_ring[k + 1]
        for c in range(rings.ring_point[first], rings.ring_point[last]):
            x, y = rings.x[c], rings.y[c]
            west, east = min(west, x), max(east, x)
            south, north = min(south, y), max(north, y)
            is_known = is_known and x == x and y == y
        box[k] = np.nan
        if is_known and west <= east:
            box[k, 0], box[k, 1], box[k, 2], box[k, 3] = west, south, east, north


@compiled
def fill_areas(rings: Rings, area: FloatArray) -> None:
    """Write the area of each polygon of one ring, by its triangles around its first corner."""
    for k in range(len(area)):
        ring = rings.polygon_ring[k]
        if rings.polygon_ring[k + 1] != ring + 1:
            continue
        first, last = rings.ring_point[ring], rings.ring_point[ring + 1] - 1
        twice = 0.0
        for c in range(first + 1, last):
            twice += (rings.x[c] - rings.x[first]) * (rings.y[c + 1] - rings.y[first]) - (
                rings.x[c + 1] - rings.x[first]
            ) * (rings.y[c] - rings.y[first])
        area[k] = abs(twice) / 2.0
