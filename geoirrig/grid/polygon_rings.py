"""Rings of many polygons, from geometry objects or straight from their bytes."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.grid import ring_kernels as kernels
from geoirrig.grid.ring_kernels import Rings
from geoirrig.units import FloatArray


def polygon_rings(polygons: NDArray[np.object_]) -> Rings:
    """Rings of polygons; those of a multipolygon are the rings of all its parts.

    Parameters
    ----------
    polygons : ndarray of object
        All of shapely, or all as well-known binary, which spares the making of objects where they
        are flat polygons, as most are. None has no ring.

    Returns
    -------
    Rings
    """
    rows = polygons.tolist()
    if not all(isinstance(row, bytes) for row in rows):
        if any(isinstance(row, bytes) for row in rows):
            polygons = np.asarray(shapely.from_wkb(polygons), dtype=object)
        return _rings_of_objects(polygons)
    length = np.fromiter(map(len, rows), np.int64, len(rows))
    start = np.concatenate([[0], np.cumsum(length)])
    rings = packed_rings(np.frombuffer(b"".join(rows), np.uint8), start)
    if rings is None:
        rings = _rings_of_objects(np.asarray(shapely.from_wkb(polygons), dtype=object))
    return rings


def packed_rings(data: NDArray[np.uint8], start: NDArray[np.int64]) -> Rings | None:
    """Rings of polygons whose well-known binary lies in one piece.

    Parameters
    ----------
    data : ndarray of uint8
        The bytes of all rows.
    start : ndarray of int64, shape (n_polygons + 1,)
        Where those of each row begin; a row without any has no ring.

    Returns
    -------
    Rings or None
        None unless all are polygons or multipolygons of two coordinates, lowest byte first, with
        rings that are closed.
    """
    data, start = _read_only(data), _read_only(start)
    no_bits, none = np.empty(0, dtype=np.uint64), np.empty(0, dtype=np.int64)
    n_rings, n_points = kernels.read_rings(data, start, (no_bits, no_bits), none, none)
    if n_rings < 0:
        return None
    x, y = np.empty(n_points, dtype=np.uint64), np.empty(n_points, dtype=np.uint64)
    ring_point, polygon_ring = np.zeros(n_rings + 1, np.int64), np.zeros(len(start), np.int64)
    kernels.read_rings(data, start, (x, y), ring_point, polygon_ring)
    return Rings(x.view(np.float64), y.view(np.float64), ring_point, polygon_ring)


def polygon_boxes(rings: Rings) -> FloatArray:
    """West, south, east and north of each polygon, (n_polygons, 4).

    NaN for one without a corner, or with one that is NaN.
    """
    box = np.empty((len(rings.polygon_ring) - 1, 4))
    kernels.fill_boxes(rings, box)
    return box


def sole_ring_areas(rings: Rings) -> FloatArray:
    """Area of each polygon, (n_polygons,), in the square of the unit of length; crossings apart.

    NaN for one of several rings or none: which of them are holes is not known here.
    """
    area = np.full(len(rings.polygon_ring) - 1, np.nan)
    kernels.fill_areas(rings, area)
    return area


def _read_only(values: NDArray[Any]) -> Any:
    """The same, not to be written to: kernels are compiled for that alone."""
    values = np.ascontiguousarray(values).view()
    values.flags.writeable = False
    return values


def _rings_of_objects(polygons: NDArray[np.object_]) -> Rings:
    if not len(polygons):
        return Rings(np.zeros(0), np.zeros(0), np.zeros(1, np.int64), np.zeros(1, np.int64))
    drawn = polygons.copy()
    drawn[shapely.is_missing(drawn)] = shapely.Polygon()
    _, points, offsets = shapely.to_ragged_array(drawn, include_z=False)
    polygon_ring = offsets[1] if len(offsets) == 2 else offsets[1][offsets[2]]
    return Rings(
        points[:, 0].copy(),
        points[:, 1].copy(),
        offsets[0].astype(np.int64),
        polygon_ring.astype(np.int64),
    )
