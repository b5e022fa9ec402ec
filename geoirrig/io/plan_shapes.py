"""Outlines of a plan as points: arcs and curves flattened to a tolerance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.interpolate import BSpline

from geoirrig.io.plan_loops import joined_lines
from geoirrig.units import FloatArray

if TYPE_CHECKING:
    from ezdxf.entities.dxfgfx import DXFGraphic

LINE_KINDS = ("LWPOLYLINE", "POLYLINE", "LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE")
HATCH_KINDS = ("HATCH", "MPOLYGON")
SOLID_KINDS = ("3DSOLID", "BODY", "REGION", "SURFACE", "MESH", "3DFACE", "PLANESURFACE",
               "EXTRUDEDSURFACE", "LOFTEDSURFACE", "REVOLVEDSURFACE", "SWEPTSURFACE")  # fmt: skip
_HALVINGS_AT_MOST = 12  # of the stretch between two knots of a spline
_FINEST = 1e-7  # height of a chord over the radius: finer helps nobody, and fills the memory
_STRAIGHT = 1e-6  # an arc whose height is this small a share of the tolerance is a line
_TEXT_BOX = 8  # a loop that only leaves room for a text


def line_points(entity: DXFGraphic, *, tolerance: float) -> FloatArray | None:
    """Points along a line, arc or curve, shape (n, 2); None for a mesh or what has no extent.

    A closed line ends on its first point. Arcs are replaced by chords whose height is at most the
    tolerance.

    Parameters
    ----------
    entity : DXFGraphic
        One of `LINE_KINDS`.
    tolerance : float
        Largest distance of chord and arc. [plan units]
    """
    found = _RAW_POINTS[entity.dxftype()](entity, tolerance)
    if found is None:
        return None
    points = np.array([(p[0], p[1]) for p in found], dtype=np.float64).reshape(-1, 2)
    if len(points) > 1:
        is_new = np.ones(len(points), dtype=bool)
        is_new[1:] = np.any(points[1:] != points[:-1], axis=1)
        points = points[is_new]
    return points if len(points) > 1 and np.isfinite(points).all() else None


def _polyline(entity: Any, tolerance: float) -> Any:
    if entity.dxftype() == "LWPOLYLINE":
        corners = [(x, y, bulge) for x, y, bulge in entity.get_points("xyb")]
        return entity.ocs().points_to_wcs(
            (x, y, 0.0) for x, y in bulge_points(corners, entity.closed, tolerance)
        )
    if entity.is_2d_polyline:
        # the frame of a fitted curve is kept beside the curve: flag 16
        used = [v for v in entity.vertices if not v.dxf.get("flags", 0) & 16]
        corners = [(v.dxf.location.x, v.dxf.location.y, v.dxf.get("bulge", 0.0)) for v in used]
        return entity.ocs().points_to_wcs(
            (x, y, 0.0) for x, y in bulge_points(corners, entity.is_closed, tolerance)
        )
    if entity.is_3d_polyline:
        places = [v.dxf.location for v in entity.vertices if not v.dxf.get("flags", 0) & 16]
        return [*places, places[0]] if entity.is_closed and places else places
    return None


def _line(entity: Any, _: float) -> Iterable[Any]:
    return (entity.dxf.start, entity.dxf.end)


def _arc(entity: Any, tolerance: float) -> Iterable[Any] | None:
    radius = float(entity.dxf.radius)
    if radius <= 0.0:
        return None
    return list(entity.flattening(_chord_height(tolerance, radius)))


def _chord_height(tolerance: float, radius: float) -> float:
    """The tolerance, within what a circle of that radius can do with some 10 to 7000 chords."""
    return min(max(tolerance, _FINEST * radius), radius / 4.0)


def _ellipse(entity: Any, tolerance: float) -> Iterable[Any]:
    # the library bisects until the midpoint is this near
    return list(entity.flattening(_chord_height(tolerance, entity.dxf.major_axis.magnitude)))


def _spline(entity: Any, tolerance: float) -> Iterable[Any]:
    points = spline_points(entity.construction_tool(), tolerance)
    return [*points, points[0]] if entity.closed else points


def spline_points(spline: Any, tolerance: float) -> list[tuple[float, float]]:
    """Points along a B-spline, rational or not, over the range in which it is defined.

    That is from the knot of the degree's number to the one that many before the last; a periodic
    spline has knots beyond it, at which the DXF library would go on.

    Parameters
    ----------
    spline : ezdxf.math.BSpline
        The curve.
    tolerance : float
        Largest distance of the curve from the middle of a chord.
    """
    degree, count = int(spline.degree), int(spline.count)
    knots = np.asarray(spline.knots(), dtype=np.float64)
    weights = np.asarray(spline.weights() or np.ones(count), dtype=np.float64)
    control = np.array([(p.x, p.y, 1.0) for p in spline.control_points]) * weights[:, np.newaxis]
    curve = BSpline(knots, control, degree)
    spans = np.unique(knots[degree : count + 1])

    def at(parameter: FloatArray) -> FloatArray:
        homogeneous = curve(parameter)
        return np.asarray(homogeneous[:, :2] / homogeneous[:, 2:])

    for halvings in range(1, _HALVINGS_AT_MOST):
        share = np.arange(2**halvings) / 2**halvings
        inner = (spans[:-1, np.newaxis] + np.diff(spans)[:, np.newaxis] * share).ravel()
        points = at(np.append(inner, spans[-1]))
        # every second point is the middle of a chord between its neighbours
        off = points[1::2] - (points[:-2:2] + points[2::2]) / 2.0
        if np.hypot(*off.T).max(initial=0.0) <= tolerance:
            break
    return [(float(x), float(y)) for x, y in points]


_RAW_POINTS: dict[str, Any] = {
    "LWPOLYLINE": _polyline,
    "POLYLINE": _polyline,
    "LINE": _line,
    "ARC": _arc,
    "CIRCLE": _arc,
    "ELLIPSE": _ellipse,
    "SPLINE": _spline,
}


def bulge_points(
    corners: Sequence[tuple[float, float, float]], is_closed: bool, tolerance: float
) -> Iterator[tuple[float, float]]:
    """Points of a polyline with arcs; a closed one ends where it begins.

    Parameters
    ----------
    corners : sequence of (x, y, bulge)
        The bulge is the tangent of a quarter of the angle of the arc to the next corner, positive
        where it runs counter-clockwise (DXF reference).
    is_closed : bool
        Whether the last corner goes on to the first.
    tolerance : float
        Largest height of a chord's arc.
    """
    if not corners:
        return
    ends = (*corners, corners[0]) if is_closed else tuple(corners)
    yield ends[0][:2]
    for (x0, y0, bulge), (x1, y1, _) in pairwise(ends):
        if bulge:
            yield from _between(x0, y0, x1, y1, bulge, tolerance)
        yield x1, y1


def _between(
    x0: float, y0: float, x1: float, y1: float, bulge: float, tolerance: float
) -> Iterator[tuple[float, float]]:
    """Points on an arc between its ends, which are left out."""
    chord = math.hypot(x1 - x0, y1 - y0)
    angle = 4.0 * math.atan(bulge)
    if not math.isfinite(chord * angle) or abs(bulge) * chord / 2.0 <= tolerance * _STRAIGHT:
        return
    radius = chord / 2.0 / abs(math.sin(angle / 2.0))
    # centre: from the chord's middle to the left, by the apothem with its sign
    apothem = chord / 2.0 / math.tan(angle / 2.0)
    centre_x = (x0 + x1) / 2.0 - (y1 - y0) / chord * apothem
    centre_y = (y0 + y1) / 2.0 + (x1 - x0) / chord * apothem
    step = 2.0 * math.acos(max(0.5, 1.0 - max(tolerance / radius, _FINEST)))
    count = max(2, math.ceil(abs(angle) / step))
    first = math.atan2(y0 - centre_y, x0 - centre_x)
    for number in range(1, count):
        turn = first + angle * number / count
        yield centre_x + radius * math.cos(turn), centre_y + radius * math.sin(turn)


def hatch_loops(entity: Any, *, tolerance: float) -> tuple[list[FloatArray], list[FloatArray]]:
    """Loops of a hatch, each a closed line, and pieces of an edge list that close to none.

    Returns
    -------
    loops, open_pieces : lists of ndarray, shape (n, 2)
    """
    loops: list[FloatArray] = []
    loose: list[FloatArray] = []
    ocs = entity.ocs()
    for boundary in entity.paths:
        if boundary.path_type_flags & _TEXT_BOX:
            continue
        if hasattr(boundary, "vertices"):
            drawn = [list(bulge_points(boundary.vertices, True, tolerance))]
        else:
            drawn = [list(_edge_points(edge, tolerance)) for edge in boundary.edges]
        pieces = [
            np.array([(p.x, p.y) for p in ocs.points_to_wcs((x, y, 0.0) for x, y in points)])
            for points in drawn
            if len(points) > 1
        ]
        # edges are written end to end; a millionth of the extent is rounding
        size = max((float(np.ptp(piece, axis=0).max()) for piece in pieces), default=0.0)
        closed, open_ = joined_lines(pieces, max_gap=1e-6 * size)
        loops += closed
        loose += open_
    return loops, loose


def _edge_points(edge: Any, tolerance: float) -> Iterator[tuple[float, float]]:
    points: Iterable[Any]
    if hasattr(edge, "control_points"):
        points = spline_points(edge.construction_tool(), tolerance)
    elif hasattr(edge, "ratio"):
        ellipse = edge.construction_tool()
        points = ellipse.flattening(_chord_height(tolerance, ellipse.major_axis.magnitude))
    elif hasattr(edge, "radius"):
        points = edge.construction_tool().flattening(_chord_height(tolerance, float(edge.radius)))
    else:
        points = (edge.start, edge.end)
    for point in points:
        yield float(point[0]), float(point[1])
