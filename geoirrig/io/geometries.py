"""Points and polygons of a layer, checked and, where that changes nothing, repaired."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.errors import ProblemList
from geoirrig.io.column_values import named_ids, named_values
from geoirrig.io.open_layer import LayerTable
from geoirrig.records import ObjectArray
from geoirrig.units import FloatArray

# A repair that changes the area by more is a redrawing, which is the user's to do. Judgement.
REPAIR_AREA_CHANGE_AT_MOST = 0.01


def point_coordinates(table: LayerTable, problems: ProblemList) -> FloatArray | None:
    """Map coordinates of a point layer.

    Z and M are dropped; a multipoint counts as a point where it has one member.

    Returns
    -------
    ndarray, shape (n_rows, 2), or None
        NaN where the point is missing or at fault; None where the layer has no geometry.
    """
    geometry = _plausible_geometry(table, problems)
    if geometry is None:
        return None
    coordinates = np.full((table.n_rows, 2), np.nan)
    n_points = np.where(
        np.isin(shapely.get_type_id(geometry), (0, 4)), shapely.get_num_coordinates(geometry), 0
    )
    is_many = n_points > 1
    if is_many.any():
        problems.add(
            f"{table.start}: a multipoint must have one member; "
            f"{named_values(table, n_points, is_many)}. Split it into points."
        )
    is_one = n_points == 1
    coordinates[is_one] = shapely.get_coordinates(geometry[is_one])
    return coordinates


def polygons(table: LayerTable, problems: ProblemList) -> ObjectArray | None:
    """Polygons of a layer, in map coordinates, valid.

    A self-touching or otherwise invalid polygon is repaired where that changes its area by at most
    `REPAIR_AREA_CHANGE_AT_MOST`, with a warning; else it is a problem.

    Returns
    -------
    ndarray of shapely geometries, shape (n_rows,), or None
        None entries are missing or at fault; None where the layer has no geometry.
    """
    geometry = _plausible_geometry(table, problems)
    if geometry is None:
        return None
    is_drawn = ~shapely.is_missing(geometry)
    is_invalid = is_drawn & ~shapely.is_valid(geometry)
    if is_invalid.any():
        geometry = _repaired(table, geometry, is_invalid, problems)
    return geometry


def _plausible_geometry(table: LayerTable, problems: ProblemList) -> ObjectArray | None:
    """Geometry of the accepted types with finite coordinates; None where it is not."""
    wanted = " or ".join(table.schema.geometry)
    geometry = table.geometry
    if geometry is None:
        problems.add(f"{table.start} has no geometry. It must hold {wanted} features.")
        return None
    is_missing = shapely.is_missing(geometry) | shapely.is_empty(geometry)
    if is_missing.any():
        problems.add(
            f"{table.start}: the geometry is empty, or cannot be read, for "
            f"{named_ids(table, is_missing)}. Draw it or remove the row."
        )
    types = np.array(["" if g is None else g.geom_type for g in geometry], dtype=object)
    is_other = ~is_missing & ~np.isin(types.astype(str), table.schema.geometry)
    if is_other.any():
        problems.add(
            f"{table.start}: the geometry must be {wanted}; "
            f"{named_values(table, types, is_other)}. Convert it."
        )
    is_wild = ~is_missing & ~_has_finite_coordinates(geometry)
    if is_wild.any():
        problems.add(
            f"{table.start}: a coordinate is not a finite number for "
            f"{named_ids(table, is_wild)}. Redraw it."
        )
    return _without(geometry, is_missing | is_other | is_wild)


def _without(geometry: ObjectArray, is_dropped: NDArray[np.bool_]) -> ObjectArray:
    kept = geometry.copy()
    kept[is_dropped] = None
    return kept


def _has_finite_coordinates(geometry: ObjectArray) -> NDArray[np.bool_]:
    coordinates, row = shapely.get_coordinates(geometry, return_index=True)
    is_finite = np.ones(len(geometry), dtype=bool)
    is_finite[row[~np.isfinite(coordinates).all(axis=1)]] = False
    return is_finite


def _repaired(
    table: LayerTable, geometry: ObjectArray, is_invalid: NDArray[np.bool_], problems: ProblemList
) -> ObjectArray:
    before = shapely.area(geometry[is_invalid])
    reasons = np.full(len(geometry), "", dtype=object)
    reasons[is_invalid] = [
        reason.split("[")[0].strip().lower()
        for reason in shapely.is_valid_reason(geometry[is_invalid])
    ]
    repaired = [_polygon_part(g) for g in shapely.make_valid(geometry[is_invalid])]
    after = np.array([0.0 if g is None else g.area for g in repaired])
    change = np.full(len(geometry), np.nan)
    change[is_invalid] = np.abs(after - before) / np.maximum(np.maximum(after, before), 1e-300)
    is_flat = is_invalid.copy()
    is_flat[is_invalid] = after == 0.0
    if is_flat.any():
        problems.add(
            f"{table.start}: the polygon has no area for {named_ids(table, is_flat)}. Redraw it."
        )
    is_hopeless = is_invalid & ~is_flat & ~(change <= REPAIR_AREA_CHANGE_AT_MOST)
    if is_hopeless.any():
        problems.add(
            f"{table.start}: the polygon crosses itself, and a repair would change its area by "
            f"more than {REPAIR_AREA_CHANGE_AT_MOST:.0%}; "
            f"{named_values(table, reasons, is_hopeless)}. Redraw it."
        )
    is_mended = is_invalid & ~is_flat & ~is_hopeless
    if is_mended.any():
        largest = float(np.max(change[is_mended]))
        problems.warn(
            f"{table.start}: the polygon touches or crosses itself and was repaired; "
            f"{named_values(table, reasons, is_mended)}. The area changed by at most "
            f"{largest:.2%}."
        )
    result = geometry.copy()
    for row, polygon in zip(np.flatnonzero(is_invalid), repaired, strict=True):
        result[row] = polygon
    return _without(result, is_flat | is_hopeless)


def _polygon_part(geometry: Any) -> Any:
    """The polygons of a repaired geometry without stray lines and points; None if there are none.

    Parts of a collection are joined, so that the result is one polygon or multipolygon.
    """
    parts = [p for p in shapely.get_parts(geometry) if p.geom_type in ("Polygon", "MultiPolygon")]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.union_all(parts)
