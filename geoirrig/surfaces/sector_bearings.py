"""Which way a sector may be turned: along the turf edges that a head stands on."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike

from geoirrig.surfaces.sector_superposition import bearing_vector
from geoirrig.units import FloatArray

AT_EDGE_M = 0.5  # judgement: a head this near to a turf edge is meant to stand on it
_WHOLE_TURN_DEG = 360.0
_SAME_DEG = 1.0  # bearings nearer than this are one


def edge_bearings_deg(turf: shapely.Geometry, x_m: float, y_m: float) -> FloatArray:
    """Bearings in which turf edges lead away from a head that stands on them.

    Parameters
    ----------
    turf : shapely geometry
        All turf, as one polygon or multipolygon. [m]
    x_m, y_m : float
        The head. [m]

    Returns
    -------
    ndarray of float64
        Rising, in [0, 360): two for a head on a straight edge or in a corner, none for one inside
        the turf. [degree]
    """
    head = shapely.Point(x_m, y_m)
    rings = shapely.get_parts(shapely.boundary(turf))
    found: list[float] = []
    for ring in rings:
        corners = shapely.get_coordinates(ring)
        edges = np.asarray(shapely.linestrings(np.stack([corners[:-1], corners[1:]], axis=1)))
        for edge in edges[shapely.distance(edges, head) <= AT_EDGE_M]:
            ends = shapely.get_coordinates(edge)
            for start, end in (ends, ends[::-1]):
                if np.hypot(end[0] - x_m, end[1] - y_m) > AT_EDGE_M:
                    east, north = end - start
                    found.append(float(np.degrees(np.arctan2(east, north)) % _WHOLE_TURN_DEG))
    return _without_doubles(np.sort(np.array(found)))


def _without_doubles(bearings: FloatArray) -> FloatArray:
    if len(bearings) < 2:
        return bearings
    to_next = np.diff(np.append(bearings, bearings[0] + _WHOLE_TURN_DEG))
    kept = bearings[to_next > _SAME_DEG]
    return kept if len(kept) else bearings[:1]


def with_sector_sides(edge_deg: FloatArray, arc_deg: float, start_bearing_deg: float) -> FloatArray:
    """Bearings of edges and of both sides of a sector.

    Edges within a degree of a side are left out: a sector is set by eye, and to turn it by less is
    no change.
    """
    sides = np.array([start_bearing_deg, start_bearing_deg + arc_deg]) % _WHOLE_TURN_DEG
    apart = np.abs((edge_deg[:, np.newaxis] - sides + 180.0) % _WHOLE_TURN_DEG - 180.0)
    return np.append(edge_deg[np.all(apart > _SAME_DEG, axis=1)], sides)


def sector_bearings_deg(arc_deg: float, edge_deg: FloatArray, *, step_deg: float) -> FloatArray:
    """Start bearings for an arc: one side of the sector along an edge, and all round in steps.

    Parameters
    ----------
    arc_deg : float
        In (0, 360]; a full circle has one bearing, 0. [degree]
    edge_deg : ndarray
        Bearings of edges. [degree]
    step_deg : float
        Step all round, > 0; infinite: only along edges. [degree]
    """
    if arc_deg >= _WHOLE_TURN_DEG:
        return np.zeros(1)
    steps = np.arange(0.0, _WHOLE_TURN_DEG, step_deg) if np.isfinite(step_deg) else np.empty(0)
    both_sides = np.concatenate([edge_deg, edge_deg - arc_deg, steps]) % _WHOLE_TURN_DEG
    return np.unique(both_sides.round(6))


def share_on_turf(
    turf: shapely.Geometry,
    x_m: float,
    y_m: float,
    *,
    radius_m: ArrayLike,
    arc_deg: ArrayLike,
    start_bearing_deg: ArrayLike,
) -> FloatArray:
    """Share of sectors that lies on the turf, from 32 sample points of equal area each.

    Parameters
    ----------
    turf : shapely geometry
        All turf. [m]
    x_m, y_m : float
        Where the head stands. [m]
    radius_m, arc_deg, start_bearing_deg : array_like, shape (n,)
        The sectors. [m], [degree], [degree]
    """
    radius, arc, start = (
        np.asarray(values, dtype=np.float64)[:, np.newaxis, np.newaxis]
        for values in (radius_m, arc_deg, start_bearing_deg)
    )
    away = np.sqrt((np.arange(4)[:, np.newaxis] + 0.5) / 4.0)
    east, north = bearing_vector(start + arc * (np.arange(8) + 0.5) / 8.0)
    inside = shapely.contains_xy(turf, x_m + radius * away * east, y_m + radius * away * north)
    return np.asarray(np.mean(inside, axis=(1, 2)), dtype=np.float64)
