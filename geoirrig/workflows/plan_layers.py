"""Heads and areas of a plan as input layers on the map."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pyproj
import shapely

from geoirrig.errors import ProblemList
from geoirrig.io.columns import LAYERS
from geoirrig.io.open_layer import LayerTable
from geoirrig.io.plan_areas import PlanArea
from geoirrig.io.plan_columns import plan_columns
from geoirrig.io.plan_roles import PlanLayer
from geoirrig.io.read_heads import read_heads
from geoirrig.io.read_plan import PlanHead, SurveyedPlan, start_bearings
from geoirrig.io.read_turf import read_hardscape, read_parcels, read_turf
from geoirrig.io.working_plane import PlaneOfWork, plane_of_work
from geoirrig.physics.plan_transform import PlanTransform
from geoirrig.records import ObjectArray, ResultTable
from geoirrig.units import FloatArray
from geoirrig.workflows.place_plan import PlanPlacement

_FULL_CIRCLE_DEG = 360.0


def site_layers(
    surveyed: SurveyedPlan,
    placement: PlanPlacement,
    crs: pyproj.CRS,
    place: str,
    problems: ProblemList,
) -> tuple[PlaneOfWork | None, tuple[ResultTable, ...]]:
    """Layers in the working plane, checked as the readers of a site check them.

    Parameters
    ----------
    surveyed : SurveyedPlan
        What the roles took from the plan.
    placement : PlanPlacement
        Where the plan lies.
    crs : pyproj.CRS
        CRS of the map.
    place : str
        "Plan 'court.dxf'", for messages.
    problems : ProblemList
        Takes problems and warnings.
    """
    transform = placement.transform
    heads = _head_table(surveyed.heads, transform, crs, place, problems)
    areas = {
        layer: _area_table(layer, items, transform, crs, place, problems)
        for layer, items in surveyed.areas.items()
    }
    geometry: dict[str, ObjectArray | None] = {}
    plane = None
    if "turf" in areas and areas["turf"].n_rows:
        turf = read_turf(areas["turf"], problems)
        plane = turf.plane
        geometry["turf"] = None if turf.areas is None else turf.areas.geometry
    else:
        drawn = [t.geometry for t in (heads, *areas.values()) if t is not None]
        everything = np.concatenate([g for g in drawn if g is not None] or [np.array([], object)])
        if len(everything):
            plane = plane_of_work(crs, everything, place=place, problems=problems)
    for layer, read in (("hardscape", read_hardscape), ("parcels", read_parcels)):
        if layer in areas:
            found = read(areas[layer], plane, problems)
            geometry[layer] = None if found is None else found.geometry
    tables: list[ResultTable] = []
    if heads is not None and heads.n_rows:
        stated = read_heads(heads, plane, problems)
        tables.append(
            ResultTable(
                name="heads",
                columns=heads.columns,
                geometry=np.asarray(shapely.points(stated.x_m, stated.y_m), dtype=object),
                geometry_type="Point",
            )
        )
    for layer, table in areas.items():
        if geometry.get(layer) is not None:
            tables.append(
                ResultTable(
                    name=layer,
                    columns=table.columns,
                    geometry=geometry[layer],
                    geometry_type="MultiPolygon",
                )
            )
    return plane, tuple(tables)


def _head_table(
    heads: Sequence[PlanHead],
    transform: PlanTransform,
    crs: pyproj.CRS,
    place: str,
    problems: ProblemList,
) -> LayerTable | None:
    if not heads:
        return None
    columns = plan_columns(
        [(head.thing, head.role) for head in heads], "heads", place=place, problems=problems
    )
    _add_start_bearings(columns, heads, transform)
    xy = transform.to_map(np.array([head.xy for head in heads]))
    return _layer_table("heads", columns, np.asarray(shapely.points(xy)), crs, place)


def _add_start_bearings(
    columns: dict[str, ObjectArray], heads: Sequence[PlanHead], transform: PlanTransform
) -> None:
    """Start bearings on the map: from the block's rotation, or from a bearing on the plan."""
    is_marked = np.array([head.role.rotation is not None for head in heads])
    stated = columns.get("start_bearing_deg")
    if stated is None and not is_marked.any():
        return
    arc = _numbers(columns.get("arc_deg"), len(heads))
    mark = transform.map_bearing_deg(np.array([head.mark_bearing_deg for head in heads]))
    bearings = start_bearings(heads, arc, mark)
    filled: ObjectArray = np.full(len(heads), None, dtype=object)
    if stated is not None:
        turned = transform.map_bearing_deg(_numbers(stated, len(heads)))
        filled[:] = [
            value if isinstance(value, str) or value is None else float(bearing)
            for value, bearing in zip(stated, turned, strict=True)
        ]
    has_start = is_marked & (arc < _FULL_CIRCLE_DEG)  # a full circle begins nowhere
    filled[has_start] = bearings[has_start].tolist()
    columns["start_bearing_deg"] = filled


def _area_table(
    layer: PlanLayer,
    areas: Sequence[PlanArea],
    transform: PlanTransform,
    crs: pyproj.CRS,
    place: str,
    problems: ProblemList,
) -> LayerTable:
    columns = plan_columns(
        [(area.thing, area.role) for area in areas], layer, place=place, problems=problems
    )
    polygons = np.array([area.polygon for area in areas], dtype=object)
    placed = shapely.transform(polygons, transform.to_map)
    return _layer_table(layer, columns, np.asarray(placed, dtype=object), crs, place)


def _layer_table(
    layer: str, columns: Mapping[str, ObjectArray], geometry: Any, crs: pyproj.CRS, place: str
) -> LayerTable:
    return LayerTable(
        schema=LAYERS[layer],
        place=f"{layer} of {place[:1].lower()}{place[1:]}",
        feature=np.arange(1, len(geometry) + 1, dtype=np.int64),
        columns=dict(columns),
        geometry=np.asarray(geometry, dtype=object),
        crs=crs,
    )


def _numbers(values: ObjectArray | None, count: int) -> FloatArray:
    """Numbers of a column; NaN where it is absent, empty or text."""
    if values is None:
        return np.full(count, np.nan)
    return np.array([v if isinstance(v, float) else np.nan for v in values], dtype=np.float64)
