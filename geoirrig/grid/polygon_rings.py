"""Rings of many polygons, from geometry objects or straight from their bytes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.units import FloatArray

# Well-known binary of a polygon of two coordinates, lowest byte first: byte order, kind and number
# of rings, and of each ring the number of points and the points.
_LITTLE_ENDIAN, _POLYGON = 1, 3
_KIND, _N_RINGS, _FIRST_RING, _COUNT_BYTES, _POINT_BYTES = 1, 5, 9, 4, 16


class Rings(NamedTuple):
    """Rings of polygons: polygon p has rings polygon_ring[p] to polygon_ring[p + 1]."""

    x: FloatArray  # (n_points,); a ring repeats its first point at its end
    y: FloatArray
    ring_point: NDArray[np.int64]  # (n_rings + 1,)
    polygon_ring: NDArray[np.int64]  # (n_polygons + 1,)


def polygon_rings(polygons: NDArray[np.object_]) -> Rings:
    """Rings of polygons; those of a multipolygon are the rings of all its parts.

    Parameters
    ----------
    polygons : ndarray of object
        All of shapely, or all as well-known binary, which spares the making of objects where they
        are flat polygons, as most are. None may be missing.

    Returns
    -------
    Rings
    """
    if len(polygons) == 0:
        none = np.zeros(1, dtype=np.int64)
        return Rings(np.zeros(0), np.zeros(0), none, none)
    if isinstance(polygons[0], bytes):
        rings = _rings_of_bytes(polygons.tolist())
        if rings is not None:
            return rings
        polygons = np.asarray(shapely.from_wkb(polygons), dtype=object)
    _, points, offsets = shapely.to_ragged_array(polygons, include_z=False)
    polygon_ring = offsets[1] if len(offsets) == 2 else offsets[1][offsets[2]]
    return Rings(
        points[:, 0], points[:, 1], offsets[0].astype(np.int64), polygon_ring.astype(np.int64)
    )


def _rings_of_bytes(polygons: list[bytes]) -> Rings | None:
    """None unless all are flat polygons; ring after ring is looked for in all of them at once."""
    raw = b"".join(polygons)
    count = np.ndarray(len(raw) - 3, "<u4", raw, strides=(1,))  # that which begins at each byte
    coordinate = np.ndarray(len(raw) - 7, "<f8", raw, strides=(1,))
    length = np.fromiter(map(len, polygons), np.int64, len(polygons))
    start = np.cumsum(length) - length
    order = np.frombuffer(raw, np.uint8)[start]
    if np.any(order != _LITTLE_ENDIAN) or np.any(count[start + _KIND] != _POLYGON):
        return None
    n_rings = count[start + _N_RINGS].astype(np.int64)
    polygon_ring = np.concatenate([[0], np.cumsum(n_rings)])
    first, n_points = np.empty((2, polygon_ring[-1]), dtype=np.int64)
    place = start + _FIRST_RING
    for number in range(int(n_rings.max())):
        some = np.flatnonzero(n_rings > number)
        ring = polygon_ring[some] + number
        n_points[ring] = count[place[some]]
        first[ring] = place[some] + _COUNT_BYTES
        place[some] = first[ring] + _POINT_BYTES * n_points[ring]
    ring_point = np.concatenate([[0], np.cumsum(n_points)])
    at = np.repeat(first - _POINT_BYTES * ring_point[:-1], n_points)
    at += _POINT_BYTES * np.arange(len(at))
    return Rings(coordinate[at], coordinate[at + 8], ring_point, polygon_ring)
