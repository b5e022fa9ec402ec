"""Polygons of one role of a plan: outlines, hatches with holes, loose lines joined."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geoirrig.errors import ProblemList
from geoirrig.io.plan_entities import PlacedEntity
from geoirrig.io.plan_loops import joined_lines, nested_polygons, open_ends
from geoirrig.io.plan_roles import PlanRole
from geoirrig.io.plan_shapes import HATCH_KINDS, LINE_KINDS, hatch_loops, line_points
from geoirrig.units import FloatArray

_TEXT_KINDS = ("TEXT", "MTEXT", "ATTDEF")
# An outline that differs by less of its area from a hatch's edge is that edge drawn twice.
_SAME_OUTLINE_FRACTION = 0.01
_NAMED_AT_MOST = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanArea:
    """A polygon of the plan, in plan coordinates, and the thing it was drawn as."""

    thing: PlacedEntity
    role: PlanRole
    polygon: shapely.Polygon


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleAreas:
    """Polygons of a role; kinds that have no outline, by count; whether a line stays open."""

    areas: tuple[PlanArea, ...]
    unread: Mapping[str, int]
    has_fault: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Outline:
    order: int
    thing: PlacedEntity
    loop: FloatArray


def role_areas(
    things: Sequence[PlacedEntity],
    role: PlanRole,
    *,
    tolerance: float,
    closing_gap: float,
    metres_per_plan_unit: float,
    place: str,
    problems: ProblemList,
) -> RoleAreas:
    """Polygons that a role takes from the plan, in the order of the drawing.

    Parameters
    ----------
    things : sequence of PlacedEntity
        What is on its layers and in its blocks.
    role : PlanRole
        The role.
    tolerance : float
        Largest distance of a chord from its arc. [plan units]
    closing_gap : float
        Largest gap that is closed. [plan units]
    metres_per_plan_unit : float
        Scale, for messages. [m]
    place : str
        "Plan 'court.dxf'", for messages.
    problems : ProblemList
        Takes lines that stay open.
    """
    unread = Counter(
        thing.kind
        for thing in things
        if thing.kind not in (*LINE_KINDS, *HATCH_KINDS, *_TEXT_KINDS, "INSERT", "POINT")
    )
    hatched, loops, loose = _hatches(things, role, tolerance)
    outlines, still_open, without_extent = _outlines(things, tolerance, closing_gap)
    unread.update(f"{kind} without extent" for kind in without_extent)
    start = f"{place}, {role.layer}"
    _note_open(loose + still_open, start, closing_gap, metres_per_plan_unit, problems)
    kept = _without_hatch_edges(outlines, loops)
    if len(kept) < len(outlines):
        problems.warn(
            f"{start}: closed lines that are the edge of a hatch too: "
            f"{len(outlines) - len(kept)}. The hatch counts."
        )
    drawn = _polygons(kept, role, start, problems)
    areas = sorted([*hatched, *drawn], key=lambda item: item[0])
    return RoleAreas(
        areas=tuple(area for _, area in areas),
        unread=unread,
        has_fault=bool(loose or still_open),
    )


def _hatches(
    things: Sequence[PlacedEntity], role: PlanRole, tolerance: float
) -> tuple[list[tuple[int, PlanArea]], list[FloatArray], list[tuple[PlacedEntity, FloatArray]]]:
    """Areas of hatches with their order, all their loops, and pieces that close to no loop."""
    areas: list[tuple[int, PlanArea]] = []
    loops: list[FloatArray] = []
    loose: list[tuple[PlacedEntity, FloatArray]] = []
    for order, thing in enumerate(things):
        if thing.kind not in HATCH_KINDS:
            continue
        entity: Any = thing.entity
        own, open_pieces = hatch_loops(entity, tolerance=tolerance)
        loops += own
        loose += [(thing, piece) for piece in open_pieces]
        style = int(entity.dxf.get("hatch_style", 0))
        areas += [
            (order, PlanArea(thing=thing, role=role, polygon=polygon))
            for polygon in nested_polygons(own, style=style)
        ]
    return areas, loops, loose


def _outlines(
    things: Sequence[PlacedEntity], tolerance: float, closing_gap: float
) -> tuple[list[_Outline], list[tuple[PlacedEntity, FloatArray]], list[str]]:
    """Closed lines in order, those that stay open, and kinds of those without extent.

    Lines of one layer and insert are joined.
    """
    outlines: list[_Outline] = []
    without_extent: list[str] = []
    groups: dict[tuple[str, tuple[str, ...], str], list[_Outline]] = defaultdict(list)
    for order, thing in enumerate(things):
        if thing.kind not in LINE_KINDS:
            continue
        points = line_points(thing.entity, tolerance=tolerance)
        if points is None:
            without_extent.append(thing.kind)
            continue
        line = _Outline(order=order, thing=thing, loop=points)
        if len(points) > 3 and np.array_equal(points[0], points[-1]):
            outlines.append(line)
        else:
            in_block = thing.handle if thing.blocks else ""
            groups[(thing.layer, thing.blocks, in_block)].append(line)
    still_open: list[tuple[PlacedEntity, FloatArray]] = []
    for lines in groups.values():
        closed, open_ = joined_lines([line.loop for line in lines], max_gap=closing_gap)
        nearest = shapely.STRtree([shapely.LineString(line.loop) for line in lines])

        def source(points: FloatArray, lines: list[_Outline] = lines, tree: Any = nearest) -> Any:
            middle = points[len(points) // 2]
            return lines[int(tree.nearest(shapely.Point(middle)))]

        for points in closed:
            first = source(points)
            outlines.append(_Outline(order=first.order, thing=first.thing, loop=points))
        still_open += [(source(points).thing, points) for points in open_]
    outlines.sort(key=lambda outline: outline.order)
    return outlines, still_open, without_extent


def _note_open(
    lines: Sequence[tuple[PlacedEntity, FloatArray]],
    start: str,
    closing_gap: float,
    metres_per_plan_unit: float,
    problems: ProblemList,
) -> None:
    if not lines:
        return
    named = []
    for thing, points in lines[:_NAMED_AT_MOST]:
        ends = open_ends(points)
        (x0, y0), (x1, y1) = ends.start, ends.end
        named.append(
            f"{thing.kind} (handle {thing.handle}) on layer {thing.layer!r} from ({x0:.6g}, "
            f"{y0:.6g}) to ({x1:.6g}, {y1:.6g}), gap {ends.gap * metres_per_plan_unit:.3f} m"
        )
    rest = len(lines) - _NAMED_AT_MOST
    problems.add(
        f"{start}: lines that do not close: {len(lines)}: {'; '.join(named)}"
        f"{f' and {rest} more' if rest > 0 else ''}. Close them on the plan; gaps of up to "
        f"closing_gap_m = {closing_gap * metres_per_plan_unit:g} m are closed in reading."
    )


def _without_hatch_edges(
    outlines: Sequence[_Outline], loops: Sequence[FloatArray]
) -> list[_Outline]:
    """Outlines that are no edge of a hatch; drawn twice, an edge of a hole would be turf again."""
    if not loops or not outlines:
        return list(outlines)
    edges = shapely.make_valid(np.array([shapely.Polygon(loop) for loop in loops], dtype=object))
    rings = shapely.make_valid(
        np.array([shapely.Polygon(outline.loop) for outline in outlines], dtype=object)
    )
    ring, edge = shapely.STRtree(edges).query(rings, predicate="intersects")
    area = shapely.area(rings)
    similar = np.abs(area[ring] - shapely.area(edges)[edge]) <= _SAME_OUTLINE_FRACTION * area[ring]
    ring, edge = ring[similar], edge[similar]
    off = shapely.area(shapely.symmetric_difference(rings[ring], edges[edge]))
    same = set(ring[off <= _SAME_OUTLINE_FRACTION * area[ring]].tolist())
    return [outline for row, outline in enumerate(outlines) if row not in same]


def _polygons(
    outlines: Sequence[_Outline], role: PlanRole, start: str, problems: ProblemList
) -> list[tuple[int, PlanArea]]:
    """Areas of closed lines, with or without what lies in them cut out."""
    polygons = [shapely.Polygon(outline.loop) for outline in outlines]
    if role.inner_lines == "holes" and outlines:
        kept = nested_polygons([outline.loop for outline in outlines])
        by_edge = {_key(polygon): row for row, polygon in enumerate(polygons)}
        rows = [by_edge[_key(polygon)] for polygon in kept]
        return [
            (outlines[row].order, PlanArea(thing=outlines[row].thing, role=role, polygon=polygon))
            for row, polygon in zip(rows, kept, strict=True)
        ]
    _warn_of_inner_lines(polygons, outlines, start, problems)
    return [
        (outline.order, PlanArea(thing=outline.thing, role=role, polygon=polygon))
        for outline, polygon in zip(outlines, polygons, strict=True)
    ]


def _key(polygon: shapely.Polygon) -> bytes:
    return bytes(np.asarray(polygon.exterior.coords).tobytes())


def _warn_of_inner_lines(
    polygons: Sequence[shapely.Polygon],
    outlines: Sequence[_Outline],
    start: str,
    problems: ProblemList,
) -> None:
    nested = len(polygons) - len(nested_polygons([outline.loop for outline in outlines]))
    if nested > 0:
        problems.warn(
            f"{start}: closed lines inside another one: {nested}. Each is a polygon of its own and "
            'overlaps it. Set inner_lines = "holes" in the roles file to cut them out.'
        )
