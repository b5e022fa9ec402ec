"""Gaps against head-to-head spacing: along the edge of the turf, between heads, and open ground.

Head-to-head spacing has each head throw as far as its neighbours. Up to a tenth more is within what
rules allow (Texas Administrative Code, title 30, 344.62(b)(1): 10 % of the published spacing); a
fifth more, 60 % of the wetted diameter, is the most that training material names.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import Delaunay, QhullError

from geoirrig.records import SprinklerLayout
from geoirrig.surfaces.head_findings import NEIGHBOUR_DISTANCE_TOLERANCE
from geoirrig.surfaces.layout_finding import LayoutFinding, severity
from geoirrig.surfaces.turf_neighbourhood import Neighbourhood
from geoirrig.units import FloatArray, length_text

SEVERITY_STEPS = (1.1, 1.2)  # distance over throw; sources above
# Judgement: a head this near to the edge, as a share of its throw, waters along the edge.
ON_EDGE_SHARE = 0.15
# A third head this near to the middle of two on an edge, as a share of half their distance, stands
# between them, as on the other side of a strip: 1 would be the corner of a square. Judgement.
BETWEEN_SHARE = 0.85
# The middle of a square of heads is its side over √2 away from them: beyond, ground is open.
SQUARE_SPACING_PER_REACH = math.sqrt(2.0)
_TOLERANCE = 1.0 + NEIGHBOUR_DISTANCE_TOLERANCE
_LONGER_WAY = 1.1  # a way along the edge longer than this times the straight line is told


def gap_findings(layout: SprinklerLayout, lawn: Neighbourhood) -> list[LayoutFinding]:
    """Gaps along the edges of a lawn, between its heads, and places too far from any head.

    Parameters
    ----------
    layout : SprinklerLayout
        All heads.
    lawn : Neighbourhood
        A connected area of turf and the heads on it or beside it.

    Returns
    -------
    list of LayoutFinding
        ``edge_gap``: two heads that follow one another along the edge, of any zone, stand farther
        apart than the mean of their throws, with none between them. ``spacing_gap``: the same of
        two neighbours of one zone inside. ``open_ground``: a place on the turf whose nearest heads
        are farther off than the middle of a square of heads would be; measured is the side of such
        a square. What the first two kinds tell is not told again.
    """
    edge = _edge_pairs(layout, lawn)
    mesh = _Mesh.of(layout, lawn)
    inside = [pair for pair in _spacing_pairs(layout, lawn, mesh) if pair not in edge]
    told = {*edge, *inside}
    return [
        *(_pair_finding("edge_gap", layout, pair, way) for pair, way in edge.items()),
        *(_pair_finding("spacing_gap", layout, pair, math.nan) for pair in inside),
        *_open_ground(layout, lawn, mesh, told),
    ]


Pair = tuple[int, int]  # numbers of two heads, the lower first


def _distance(layout: SprinklerLayout, pair: Pair) -> float:
    a, b = pair
    return math.hypot(layout.x_m[a] - layout.x_m[b], layout.y_m[a] - layout.y_m[b])


def _throw(layout: SprinklerLayout, pair: Pair) -> float:
    return float(np.mean(layout.radius_m[list(pair)]))


def _is_too_far(layout: SprinklerLayout, pair: Pair) -> bool:
    return _distance(layout, pair) > _TOLERANCE * _throw(layout, pair)


def _pair_finding(kind: str, layout: SprinklerLayout, pair: Pair, way_m: float) -> LayoutFinding:
    a, b = pair
    apart, throw = _distance(layout, pair), _throw(layout, pair)
    where = " along the edge" if kind == "edge_gap" else ""
    around = (
        f"; the edge between them is {length_text(way_m)} long"
        if way_m > _LONGER_WAY * apart
        else ""
    )
    zone = int(layout.zone_index[a])
    return LayoutFinding(
        kind=kind,
        severity=severity(apart / throw, SEVERITY_STEPS),
        x_m=float(layout.x_m[a] + layout.x_m[b]) / 2.0,
        y_m=float(layout.y_m[a] + layout.y_m[b]) / 2.0,
        measured_value=apart,
        limit_value=throw,
        value_unit="m",
        sentence=f"Heads {layout.head_id[a]} and {layout.head_id[b]} stand {length_text(apart)} "
        f"apart{where}, farther than their mean throw of {length_text(throw)}{around}.",
        head=a,
        other_head=b,
        zone=zone if zone == layout.zone_index[b] else None,
        is_on_turf=True,
    )


# --- along the edge ------------------------------------------------------------------------------


def _edge_pairs(layout: SprinklerLayout, lawn: Neighbourhood) -> dict[Pair, float]:
    """Pairs too far apart that follow one another along an edge, and the way between them."""
    points = np.asarray(shapely.points(layout.x_m[lawn.heads], layout.y_m[lawn.heads]))
    found: dict[Pair, float] = {}
    for ring in shapely.get_rings(lawn.area):
        is_near = shapely.distance(ring, points) <= ON_EDGE_SHARE * layout.radius_m[lawn.heads]
        near = np.flatnonzero(is_near)
        if len(near) < 2:
            continue
        along = shapely.line_locate_point(ring, points[near])
        order = np.argsort(along, kind="stable")
        stops = [*along[order], along[order[0]] + ring.length]
        heads = lawn.heads[near[order]].tolist()
        for (a, b), (leaves, arrives) in zip(
            pairwise([*heads, heads[0]]), pairwise(stops), strict=True
        ):
            pair = (min(a, b), max(a, b))
            if _is_too_far(layout, pair) and not _has_head_between(layout, lawn, pair):
                found[pair] = min(arrives - leaves, found.get(pair, math.inf))
    return found


def _has_head_between(layout: SprinklerLayout, lawn: Neighbourhood, pair: Pair) -> bool:
    ends, heads = list(pair), lawn.heads
    x_m, y_m = float(np.mean(layout.x_m[ends])), float(np.mean(layout.y_m[ends]))
    away = np.hypot(layout.x_m[heads] - x_m, layout.y_m[heads] - y_m)
    return bool(np.any(away < BETWEEN_SHARE * _distance(layout, pair) / 2.0))


# --- inside --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mesh:
    """Triangles between the heads of a lawn, and the pairs of heads that they join."""

    pairs: NDArray[np.int64]  # (n_pairs, 2), numbers of heads, the lower first
    triangles: NDArray[np.int64]  # (n_triangles, 3), numbers of heads

    @classmethod
    def of(cls, layout: SprinklerLayout, lawn: Neighbourhood) -> _Mesh:
        """Delaunay triangles; of heads in one line, the pairs along it."""
        heads = lawn.heads
        places = np.column_stack([layout.x_m[heads], layout.y_m[heads]])
        none = np.empty((0, 3), dtype=np.int64)
        try:
            triangles = heads[Delaunay(places).simplices] if len(heads) > 2 else none
        except QhullError:  # all in one line, or on one spot
            triangles = none
        if len(triangles):
            sides = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, ::2]])
        else:
            spread = np.ptp(places, axis=0)
            line = heads[np.lexsort((places[:, np.argmin(spread)], places[:, np.argmax(spread)]))]
            sides = np.column_stack([line[:-1], line[1:]])
        return cls(pairs=np.unique(np.sort(sides, axis=1), axis=0), triangles=triangles)


def _spacing_pairs(layout: SprinklerLayout, lawn: Neighbourhood, mesh: _Mesh) -> list[Pair]:
    """Neighbours of one zone that stand too far apart with turf all the way between them.

    Two heads are neighbours if no third is nearer to both than they are to one another: the
    relative neighbourhood graph (Toussaint, 1980, Pattern Recognition 12:261; from memory). The
    diagonal of a square is none.
    """
    a, b = mesh.pairs.T
    x, y, heads = layout.x_m, layout.y_m, lawn.heads
    apart = np.hypot(x[a] - x[b], y[a] - y[b])
    throw = (layout.radius_m[a] + layout.radius_m[b]) / 2.0
    is_far = (apart > _TOLERANCE * throw) & (layout.zone_index[a] == layout.zone_index[b])
    a, b, apart = a[is_far], b[is_far], apart[is_far]
    near = apart[:, np.newaxis] / _TOLERANCE
    from_a = np.hypot(x[a, np.newaxis] - x[heads], y[a, np.newaxis] - y[heads]) < near
    from_b = np.hypot(x[b, np.newaxis] - x[heads], y[b, np.newaxis] - y[heads]) < near
    is_pair = ~np.any(from_a & from_b, axis=1)
    a, b = a[is_pair], b[is_pair]
    ends = np.stack([np.column_stack([x[a], y[a]]), np.column_stack([x[b], y[b]])], axis=1)
    crosses = shapely.covers(lawn.area_and_beside, shapely.linestrings(ends))
    return [(int(p), int(q)) for p, q in zip(a[crosses], b[crosses], strict=True)]


def _circumcentres(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Centres (n, 2) and radii (n,) of the circles through three corners, (n, 3, 2)."""
    origin = corners[:, 0]
    p, q = corners[:, 1] - origin, corners[:, 2] - origin
    twice_area = 2.0 * (p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])
    p2, q2 = np.sum(p * p, axis=1), np.sum(q * q, axis=1)
    centre = (
        np.column_stack([q[:, 1] * p2 - p[:, 1] * q2, p[:, 0] * q2 - q[:, 0] * p2])
        / twice_area[:, np.newaxis]
    )
    return origin + centre, np.hypot(centre[:, 0], centre[:, 1])


def _open_ground(
    layout: SprinklerLayout, lawn: Neighbourhood, mesh: _Mesh, told: set[Pair]
) -> list[LayoutFinding]:
    """Largest empty circles between heads whose centre lies on the turf."""
    if not len(mesh.triangles):
        return []
    corners = np.stack([layout.x_m[mesh.triangles], layout.y_m[mesh.triangles]], axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):  # a sliver: three heads in a line
        centre, reach = _circumcentres(corners)
    throw = np.mean(layout.radius_m[mesh.triangles], axis=1)
    spacing = SQUARE_SPACING_PER_REACH * reach
    rows = np.flatnonzero(np.isfinite(reach) & (spacing > _TOLERANCE * throw))
    rows = rows[shapely.contains_xy(lawn.area, *centre[rows].T)]
    found: list[LayoutFinding] = []
    for row in rows[np.argsort(-reach[rows], kind="stable")]:
        x_m, y_m = centre[row].tolist()
        away = np.hypot(layout.x_m[lawn.heads] - x_m, layout.y_m[lawn.heads] - y_m)
        around = set(lawn.heads[away <= _TOLERANCE * reach[row]].tolist())
        if any(around.issuperset(pair) for pair in told) or any(
            math.hypot(f.x_m - x_m, f.y_m - y_m) < reach[row] for f in found
        ):
            continue
        zones = set(layout.zone_index[list(around)].tolist())
        found.append(
            LayoutFinding(
                kind="open_ground",
                severity=severity(spacing[row] / throw[row], SEVERITY_STEPS),
                x_m=x_m,
                y_m=y_m,
                measured_value=float(spacing[row]),
                limit_value=float(throw[row]),
                value_unit="m",
                sentence=f"The nearest heads are {length_text(reach[row])} away, as in a square of "
                f"heads {length_text(spacing[row])} apart; they throw {length_text(throw[row])}.",
                zone=zones.pop() if len(zones) == 1 else None,
                is_on_turf=True,
            )
        )
    return found
