"""Loops of a plan: loose lines joined where their ends meet, loops nested into polygons."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geoirrig.records import IntArray, ObjectArray
from geoirrig.units import FloatArray

_SAME_POINT = 1e-9  # of the coordinates' size
_OUTER_STYLE, _IGNORE_STYLE = 1, 2  # hatch styles; 0 fills every second level


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenEnds:
    """A line that does not close: its two ends, in plan coordinates."""

    start: tuple[float, float]
    end: tuple[float, float]

    @property
    def gap(self) -> float:
        """Distance of the ends, [plan units]."""
        return math.dist(self.start, self.end)


def joined_lines(
    lines: Sequence[FloatArray], *, max_gap: float
) -> tuple[list[FloatArray], list[FloatArray]]:
    """Lines joined where their ends meet, and which of them close.

    Ends at one point are joined first, so that a curve drawn as many short lines is one line
    before any gap is looked at. Then ends no farther apart than the gap become one point, their
    mean. Where more than two meet, nothing is joined.

    Parameters
    ----------
    lines : sequence of ndarray, shape (n, 2)
        Open or closed.
    max_gap : float
        Largest distance of ends that count as one. [plan units]

    Returns
    -------
    closed, open : lists of ndarray, shape (n, 2)
        A closed line ends on its first point.
    """
    size = max((float(np.abs(line).max()) for line in lines), default=1.0)
    closed, rest = _joined(lines, _SAME_POINT * max(size, 1.0))
    if max_gap > 0.0:
        more, rest = _joined(rest, max_gap)
        closed += more
    return closed, rest


def _joined(lines: Sequence[FloatArray], near: float) -> tuple[list[FloatArray], list[FloatArray]]:
    closed = [line for line in lines if _is_closed(line)]
    rest = [line.copy() for line in lines if not _is_closed(line)]
    if not rest:
        return closed, []
    ends = np.concatenate([[line[0], line[-1]] for line in rest])
    pairs = cKDTree(ends).query_pairs(near, output_type="ndarray")
    link = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(ends),) * 2)
    _, cluster = connected_components(link, directed=False)
    weight = np.bincount(cluster)
    place = np.column_stack([np.bincount(cluster, ends[:, k]) / weight for k in (0, 1)])[cluster]
    for number, line in enumerate(rest):
        line[0], line[-1] = place[2 * number], place[2 * number + 1]
    drawn = [shapely.LineString(line) for line in rest if np.ptp(line, axis=0).any()]
    merged = shapely.line_merge(shapely.MultiLineString(drawn))
    open_: list[FloatArray] = []
    for part in shapely.get_parts(merged):
        points = shapely.get_coordinates(part)
        (closed if _is_closed(points) else open_).append(points)
    return closed, open_


def _is_closed(line: FloatArray) -> bool:
    return len(line) > 3 and bool(np.array_equal(line[0], line[-1]))


def open_ends(line: FloatArray) -> OpenEnds:
    """Ends of an open line."""
    return OpenEnds(start=(line[0, 0], line[0, 1]), end=(line[-1, 0], line[-1, 1]))


def nested_polygons(loops: Sequence[FloatArray], *, style: int = 0) -> list[shapely.Polygon]:
    """Polygons of loops that lie inside one another.

    Parameters
    ----------
    loops : sequence of ndarray, shape (n, 2)
        Closed lines.
    style : int
        0: every second level is a hole, what lies in a hole is a polygon again. 1: the outermost
        and their holes only. 2: the outermost without holes. (Hatch style of the DXF reference.)
    """
    rings: ObjectArray = np.array([shapely.Polygon(loop) for loop in loops], dtype=object)
    order = np.argsort([-ring.area for ring in rings], kind="stable")
    parents = _parents(rings, order)
    depth = np.zeros(len(rings), dtype=int)
    for row in order:
        depth[row] = 0 if parents[row] < 0 else depth[parents[row]] + 1
    found = []
    for row, ring in enumerate(rings):
        if depth[row] % 2 or (style in (_OUTER_STYLE, _IGNORE_STYLE) and depth[row] > 0):
            continue
        holes = np.flatnonzero(parents == row)[: 0 if style == _IGNORE_STYLE else None]
        found.append(
            shapely.Polygon(ring.exterior.coords, [rings[hole].exterior.coords for hole in holes])
        )
    return found


def _parents(rings: ObjectArray, order: IntArray) -> IntArray:
    """Smallest ring around each, -1 where there is none."""
    parents = np.full(len(rings), -1, dtype=np.int64)
    if len(rings) < 2:
        return parents
    valid = shapely.make_valid(rings)
    inside = shapely.point_on_surface(valid)
    outer, inner = shapely.STRtree(inside).query(valid, predicate="contains")
    area = shapely.area(valid)
    for around, within in zip(outer, inner, strict=True):
        known = parents[within]
        if area[around] > area[within] and (known < 0 or area[around] < area[known]):
            parents[within] = around
    return parents
