"""What to ask of a plan that lies on the map: places where it is unlikely to be as it was meant."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.records import ObjectArray, ResultTable
from geoirrig.surfaces.sector_superposition import bearing_vector
from geoirrig.units import METRES_PER_FOOT, FloatArray, to_si, unit_of_column
from geoirrig.workflows.place_plan import MOST_RMS_M, PlanPlacement

QUESTIONS = "questions"
# Judgements, no source.
BESIDE_TURF_M = 1.0  # a head farther off stands beside no turf
_AHEAD_M = 1.0  # where a head throws first, in the middle of its arc
_OFF_TURF_M = 0.25  # by so much that place must miss the turf
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


def _of_points(placement: PlanPlacement) -> Iterator[_Question]:
    off_m = np.hypot(*placement.fit.left_out_residual.T) * placement.metres_per_map_unit
    is_asked = off_m > MOST_RMS_M
    if placement.fit.blunder is not None:
        is_asked[placement.fit.blunder] = True
    places = control_places(placement)
    for number in np.flatnonzero(is_asked):
        name = str(placement.points.point[number])
        yield (
            name,
            f"Control point “{name}” lies {_length(float(off_m[number]))} from where the "
            "others put it. Is it measured right, on the plan and on the map?",
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
            f"Head “{name}” stands {_length(float(off_m[number]))} from the next turf. Is a "
            "lawn missing, or is the head somewhere else?",
            heads.point[number],
        )
    for number in np.flatnonzero(is_beside & _throws_away(heads, ground)):
        name = str(heads.head_id[number])
        yield (
            name,
            f"The middle of the arc of head “{name}” points off the turf. Is its block turned as "
            "the roles file says?",
            heads.point[number],
        )
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


def _throws_away(heads: PlanHeads, ground: Any) -> NDArray[np.bool_]:
    """Whether a part circle misses the turf right in front of the head."""
    middle = heads.start_bearing_deg + heads.arc_deg / 2.0
    east, north = bearing_vector(np.nan_to_num(middle))
    ahead = shapely.points(
        shapely.get_x(heads.point) + _AHEAD_M * east, shapely.get_y(heads.point) + _AHEAD_M * north
    )
    return heads.is_part_circle & (shapely.distance(ahead, ground) > _OFF_TURF_M)


def _length(length_m: float) -> str:
    return f"{length_m:.2f} m ({length_m / METRES_PER_FOOT:.2f} ft)"
