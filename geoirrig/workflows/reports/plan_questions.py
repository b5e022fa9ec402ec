"""What to ask of a plan that lies on the map: places where it is unlikely to be as it was meant."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.records import ObjectArray, ResultTable
from geoirrig.surfaces.sector_superposition import bearing_vector
from geoirrig.units import FloatArray, length_text, to_si, unit_of_column
from geoirrig.workflows.place_plan import MOST_RMS_M, PlanPlacement

QUESTIONS = "questions"
# Judgements, no source.
BESIDE_TURF_M = 1.0  # a head farther off stands beside no turf
AHEAD_M = 1.0  # so near the head an arc is held against the turf; farther, it may throw too far
MOST_OFF_FRACTION = 0.25  # of the sector to there that may lie off the turf
_ALIKE_FRACTION = 0.75  # of part circles that point off: one mistake for all, not one for each
_ALIKE_AT_LEAST = 3
NOMINAL_RADIUS_M = 2.0  # of an arc whose radius the plan does not state
_STEP_DEG = 5.0  # between corners of a drawn arc
_FULL_CIRCLE_DEG = 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanHeads:
    """Heads of a plan on the map; arrays of shape (n_heads,), NaN where the plan does not say."""

    head_id: ObjectArray
    point: ObjectArray
    arc_deg: FloatArray  # 360 where the plan does not say
    start_bearing_deg: FloatArray
    radius_m: FloatArray

    @property
    def is_part_circle(self) -> NDArray[np.bool_]:
        """Whether the arc has a direction that is known."""
        return (self.arc_deg < _FULL_CIRCLE_DEG) & np.isfinite(self.start_bearing_deg)


def plan_heads(tables: Mapping[str, ResultTable]) -> PlanHeads | None:
    """Heads among the layers of an import, by name; None where there are none."""
    table = tables.get("heads")
    if table is None or table.geometry is None:
        return None
    n_heads = len(table.geometry)
    columns = table.columns
    arc = _numbers(columns.get("arc_deg"), n_heads)
    return PlanHeads(
        head_id=np.asarray(columns["head_id"], dtype=object),
        point=table.geometry,
        arc_deg=np.where(np.isnan(arc), _FULL_CIRCLE_DEG, arc),
        start_bearing_deg=_numbers(columns.get("start_bearing_deg"), n_heads),
        radius_m=_radius_m(columns, n_heads),
    )


def _radius_m(columns: Mapping[str, Any], n_heads: int) -> FloatArray:
    for name, values in columns.items():
        quantity, unit = unit_of_column(name)
        if quantity == "radius" and unit is not None:
            return to_si(_numbers(values, n_heads), unit)
    return np.full(n_heads, np.nan)


def _numbers(values: Any, count: int) -> FloatArray:
    if values is None:
        return np.full(count, np.nan)
    return np.array(
        [float(v) if isinstance(v, int | float) else np.nan for v in values], dtype=np.float64
    )


def sectors(heads: PlanHeads) -> ObjectArray:
    """Sector of every head with a direction, as a polygon of chords; None for the others."""
    found: ObjectArray = np.full(len(heads.head_id), None, dtype=object)
    radius_m = np.where(np.isnan(heads.radius_m), NOMINAL_RADIUS_M, heads.radius_m)
    for number in np.flatnonzero(heads.is_part_circle):
        arc = heads.arc_deg[number]
        steps = np.linspace(0.0, arc, max(2, int(np.ceil(arc / _STEP_DEG)) + 1))
        east, north = bearing_vector(heads.start_bearing_deg[number] + steps)
        centre = shapely.get_coordinates(heads.point[number])
        rim = centre + radius_m[number] * np.column_stack([east, north])
        found[number] = shapely.Polygon(np.vstack([centre, rim]))
    return found


def plan_questions(tables: Mapping[str, ResultTable], placement: PlanPlacement) -> ResultTable:
    """Questions, each with its place on the map.

    Parameters
    ----------
    tables : mapping of str to ResultTable
        Layers of an import, in the working plane, by name.
    placement : PlanPlacement
        Where the plan lies.

    Returns
    -------
    ResultTable
        ``finding_id``, ``item_id`` and ``finding``, with points. Asked of are control points that
        disagree with the others, heads that stand beside no turf or throw away from it, and turf
        without a head.
    """
    found = [*_of_points(placement), *_of_ground(tables)]
    return ResultTable(
        name=QUESTIONS,
        columns={
            "finding_id": np.arange(1, len(found) + 1),
            "item_id": np.array([item for item, _, _ in found], dtype=object),
            "finding": np.array([text for _, text, _ in found], dtype=object),
        },
        geometry=np.array([place for _, _, place in found], dtype=object),
        geometry_type="Point",
    )


_Question = tuple[str, str, Any]  # id, sentence, place


def control_places(placement: PlanPlacement) -> ObjectArray:
    """Control points in the working plane."""
    xy_m = placement.points.map_xy * placement.metres_per_map_unit
    return np.asarray(shapely.points(xy_m), dtype=object)


def left_out_m(placement: PlanPlacement) -> FloatArray:
    """How far each control point is off the fit to the others, in metres."""
    left_out = placement.fit.left_out_residual
    return np.asarray(np.hypot(*left_out.T) * placement.metres_per_map_unit, dtype=np.float64)


def _of_points(placement: PlanPlacement) -> Iterator[_Question]:
    off_m = left_out_m(placement)
    blunder = placement.fit.blunder  # it pulls the fit away from the others, which may be right
    asked = np.flatnonzero(off_m > MOST_RMS_M) if blunder is None else [blunder]
    places = control_places(placement)
    for number in asked:
        name = str(placement.points.point[number])
        yield (
            name,
            f"Control point “{name}” lies {length_text(float(off_m[number]), '.2f')} from where "
            "the others put it. Is it measured right, on the plan and on the map?",
            places[number],
        )


def _of_ground(tables: Mapping[str, ResultTable]) -> Iterator[_Question]:
    heads, turf = plan_heads(tables), tables.get("turf")
    if heads is None or turf is None or turf.geometry is None:
        return
    lawns = turf.geometry
    ground = shapely.union_all(lawns)
    shapely.prepare(ground)
    off_m = np.asarray(shapely.distance(heads.point, ground), dtype=np.float64)
    is_beside = off_m <= BESIDE_TURF_M
    for number in np.flatnonzero(~is_beside):
        name = str(heads.head_id[number])
        yield (
            name,
            f"Head “{name}” stands {length_text(float(off_m[number]), '.2f')} from the next turf. "
            "Is a lawn missing, or is the head somewhere else?",
            heads.point[number],
        )
    yield from _of_arcs(heads, is_beside, ground)
    beside = shapely.STRtree(heads.point).query(lawns, predicate="dwithin", distance=BESIDE_TURF_M)[
        0
    ]
    for lawn in sorted(set(range(len(lawns))) - set(beside.tolist())):
        name = str(turf.columns["turf_id"][lawn])
        yield (
            name,
            f"No head stands on turf “{name}” or beside it. Is its irrigation on another layer?",
            shapely.point_on_surface(lawns[lawn]),
        )


def _of_arcs(heads: PlanHeads, is_beside: NDArray[np.bool_], ground: Any) -> Iterator[_Question]:
    is_held = is_beside & heads.is_part_circle
    off = _off_turf_fraction(heads, is_held, ground)
    numbers = np.flatnonzero(off > MOST_OFF_FRACTION)
    n_held = int(np.count_nonzero(is_held))
    if len(numbers) >= max(_ALIKE_AT_LEAST, _ALIKE_FRACTION * n_held):
        yield (
            "",
            f"{len(numbers)} of {n_held} part circles point off the turf. Are all turned by one "
            "mistake? Look at rotation and zero_bearing_deg in the roles file.",
            shapely.centroid(shapely.multipoints(heads.point[numbers])),
        )
        return
    for number in numbers:
        name = str(heads.head_id[number])
        yield (
            name,
            f"Within {ahead_text()} of head “{name}”, {100.0 * off[number]:.0f} % of its arc lies "
            "off the turf. Is its block turned as it should be?",
            heads.point[number],
        )


def _off_turf_fraction(heads: PlanHeads, is_held: NDArray[np.bool_], ground: Any) -> FloatArray:
    """Share of each sector near its head that lies off the turf; 0 where it is not held against it.

    A head beside the turf is held as if it stood at the edge.
    """
    off = np.zeros(len(heads.head_id))
    numbers = np.flatnonzero(is_held)
    edge = shapely.get_point(shapely.shortest_line(heads.point[numbers], ground), 1)
    at_edge = replace(
        heads,
        head_id=heads.head_id[numbers],
        point=np.asarray(edge, dtype=object),
        arc_deg=heads.arc_deg[numbers],
        start_bearing_deg=heads.start_bearing_deg[numbers],
        radius_m=np.full(len(numbers), AHEAD_M),
    )
    near = sectors(at_edge)
    off[numbers] = 1.0 - shapely.area(shapely.intersection(near, ground)) / shapely.area(near)
    return off


def nothing_asked_text(tables: Mapping[str, ResultTable]) -> str:
    """What was asked, where nothing of it raised a question."""
    points = f"No control point is off by more than {MOST_RMS_M:.2f} m (4 in) by the others"
    if plan_heads(tables) is None or "turf" not in tables:
        return f"{points}. Without heads and turf nothing else is asked."
    return (
        f"{points}, no head stands more than {beside_text()} off all turf, no arc lies off the "
        f"turf by more than {100.0 * MOST_OFF_FRACTION:.0f} % within {ahead_text()} of its head, "
        "and every turf polygon has a head on it or beside it. Nothing else was asked."
    )


def beside_text() -> str:
    """How far off the turf a head may stand."""
    return length_text(BESIDE_TURF_M)


def ahead_text() -> str:
    """How far from its head an arc is held against the turf."""
    return length_text(AHEAD_M)
