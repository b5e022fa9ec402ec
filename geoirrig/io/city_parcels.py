"""Parcels of a city, and which parcel things belong to by their place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.city_records import CityParcels, PackedBytes, packed_bytes
from geoirrig.errors import ProblemList
from geoirrig.grid.outline_kernels import are_convex, share_little
from geoirrig.grid.point_location import (
    PolygonIndex,
    containing_polygons,
    index_of_polygons,
)
from geoirrig.io.arrow_layer import ArrowLayer, flat_polygons_wkb
from geoirrig.io.column_values import BoolArray, check_required_columns, texts
from geoirrig.io.geometries import polygons
from geoirrig.io.parcel_faults import ParcelFaults, note_rows_at_fault
from geoirrig.io.working_plane import PlaneOfWork, brought_into_plane, horizontal_crs
from geoirrig.records import ObjectArray
from geoirrig.units import PERCENT, FloatArray

# Parcels that share more than this part of the smaller one overlap; less comes from drawing and
# is divided by chance. Judgement, no source: a lot line that is half a metre off shares 2 %.
OVERLAP_SHARE = 0.01
# A head this near to a parcel and in no other is the parcel's: it stands on the walk's edge.
# Judgement: what a plan or a hand-held receiver is off by.
BESIDE_PARCEL_M = 0.5
POLYGONS_AT_ONCE = 10_000  # so that their corners fit into the cache
_POLYGON_TYPES = (3, 6)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedParcels:
    """Parcels with what finds them by place."""

    records: CityParcels
    geometry: ObjectArray  # shapely, in the working plane
    index: PolygonIndex


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedPolygons:
    """Polygons in the working plane; arrays of shape (n_rows,)."""

    geometry: ObjectArray  # None where at fault
    is_bad: BoolArray
    wkb: PackedBytes  # the same as well-known binary


def read_city_parcels(
    layer: ArrowLayer,
    plane: PlaneOfWork,
    problems: ProblemList,
    faults: ParcelFaults,
    *,
    is_repeated: BoolArray,
) -> PlacedParcels:
    """Parcels; those with faults of their own are noted, and keep their row.

    Parameters
    ----------
    layer : ArrowLayer
        The parcels layer, with all its columns.
    plane : PlaneOfWork
        The working plane.
    problems : ProblemList
        Takes a missing column and the like.
    faults : ParcelFaults
        Takes parcels without an id or with that of another, and broken outlines; for overlaps see
        `note_overlaps`.
    is_repeated : ndarray of bool, shape (n_parcels,)
        Rows without an id of their own.
    """
    check_required_columns(layer.table, problems)
    placed = placed_polygons(layer, layer.geometry(), plane, problems)
    geometry = placed.geometry
    rows = np.arange(layer.n_rows, dtype=np.int32)
    note_rows_at_fault(layer, rows, placed.is_bad, polygons, faults)
    ids = _parcel_ids(layer)
    for row in np.flatnonzero(is_repeated).tolist():
        faults.add(
            row,
            f"{layer.table.start}: parcel_id must be unique; {str(ids[row])!r} stands there more "
            "than once. Give every parcel its own."
            if not str(ids[row]).startswith("(feature ")
            else f"{layer.table.start}: parcel_id is empty for {ids[row]}. Every parcel needs one.",
        )
    box = shapely.bounds(geometry)
    records = CityParcels(
        parcel_id=ids,
        wkb=placed.wkb,
        area_m2=np.asarray(shapely.area(geometry), dtype=np.float64),
        centre_m=np.asarray((box[:, :2] + box[:, 2:]) / 2.0),
        attributes={
            name: layer.table.columns[name] for name in layer.table.columns if name != "parcel_id"
        },
    )
    return PlacedParcels(records=records, geometry=geometry, index=index_of_polygons(geometry))


def placed_polygons(
    layer: ArrowLayer, geometry: ObjectArray, plane: PlaneOfWork, problems: ProblemList
) -> PlacedPolygons:
    """Polygons in the working plane, repaired where that changes nothing; None, flagged, if bad.

    ``geometry`` is that of the layer; it is not used afterwards.
    """
    is_bad = np.zeros(len(geometry), dtype=bool)
    rows = np.flatnonzero(~_are_plainly_valid(geometry))
    is_bad[rows] = _are_bad(geometry[rows])
    rows = np.flatnonzero(is_bad)
    if len(rows):
        mended = polygons(layer.rows(rows), ProblemList())
        geometry[rows] = None if mended is None else mended
        is_bad[rows] = shapely.is_missing(geometry[rows])
    crs, wkb = layer.table.crs, None if len(rows) else flat_polygons_wkb(layer)
    if crs is not None:
        is_there = horizontal_crs(crs).equals(plane.crs, ignore_axis_order=True)
        if not (is_there and plane.record.metres_per_unit == 1.0):
            place, wkb = layer.table.place, None
            geometry = brought_into_plane(geometry, crs, plane, place=place, problems=problems)
    if wkb is None:  # not as they were read
        wkb = packed_bytes(np.asarray(shapely.to_wkb(geometry), dtype=object))
    return PlacedPolygons(geometry=geometry, is_bad=is_bad, wkb=wkb)


def _are_bad(geometry: ObjectArray) -> BoolArray:
    """Which are no polygons that can be used as they are."""
    return np.asarray(
        shapely.is_missing(geometry)
        | shapely.is_empty(geometry)
        | ~np.isin(shapely.get_type_id(geometry), _POLYGON_TYPES)
        | ~shapely.is_valid(geometry)
        | ~np.isfinite(shapely.bounds(geometry)).all(axis=1)
    )


def _are_plainly_valid(geometry: ObjectArray) -> BoolArray:
    """Polygons that need no closer look, as most do not: convex ones cross themselves nowhere."""
    is_convex = np.zeros(len(geometry), dtype=bool)
    for start in range(0, len(geometry), POLYGONS_AT_ONCE):
        some = slice(start, start + POLYGONS_AT_ONCE)
        corner, row = shapely.get_coordinates(geometry[some], return_index=True)
        are_convex(corner, row, is_convex[some])
    return is_convex & np.isin(shapely.get_type_id(geometry), _POLYGON_TYPES)


def parcel_of_points(parcels: PlacedParcels, x_m: FloatArray, y_m: FloatArray) -> NDArray[np.int32]:
    """Parcel that holds each point, or lies within `BESIDE_PARCEL_M` of it; −1 for none."""
    first, _ = containing_polygons(parcels.index, x_m, y_m)
    outside = np.flatnonzero((first < 0) & np.isfinite(x_m))
    if len(outside):
        tree = shapely.STRtree(parcels.geometry)
        points = shapely.points(x_m[outside], y_m[outside])
        near = tree.query_nearest(points, max_distance=BESIDE_PARCEL_M, all_matches=False)
        first[outside[near[0]]] = near[1]
    return first


def _parcel_ids(layer: ArrowLayer) -> ObjectArray:
    """Ids as text without blanks around them; ``(feature 7)`` where there is none."""
    if "parcel_id" not in layer.table.columns:
        return np.array([f"(feature {n})" for n in layer.table.feature], dtype=object)
    found = texts(layer.table.columns["parcel_id"]).tolist()
    return np.array(
        [
            text.strip() or f"(feature {number})"
            for text, number in zip(found, layer.table.feature, strict=True)
        ],
        dtype=object,
    )


def note_overlaps(parcels: PlacedParcels, faults: ParcelFaults) -> None:
    """Note parcels that share ground with another; see `OVERLAP_SHARE`."""
    ids, geometry = parcels.records.parcel_id, parcels.geometry
    first, second = shapely.STRtree(geometry).query(geometry)
    later = first < second
    first, second = first[later], second[later]
    box, area = shapely.bounds(geometry), shapely.area(geometry)
    smaller = np.minimum(area[first], area[second])
    width = np.minimum(box[first, 2], box[second, 2]) - np.maximum(box[first, 0], box[second, 0])
    height = np.minimum(box[first, 3], box[second, 3]) - np.maximum(box[first, 1], box[second, 1])
    may = width * height > OVERLAP_SHARE * smaller
    first, second, smaller = first[may], second[may], smaller[may]
    edges, little = parcels.index.edges, np.empty(len(first), dtype=bool)
    # By half: neighbours are told so surely that what shapely would have found makes no difference.
    share_little(edges, (first, second), OVERLAP_SHARE / 2.0 * smaller, little)
    first, second, smaller = first[~little], second[~little], smaller[~little]
    apart = shapely.touches(geometry[first], geometry[second])  # told at half the cost
    first, second, smaller = first[~apart], second[~apart], smaller[~apart]
    shared = shapely.area(shapely.intersection(geometry[first], geometry[second]))
    for k in np.flatnonzero(shared > OVERLAP_SHARE * smaller):
        share = PERCENT * shared[k] / smaller[k]
        for own, other in ((first[k], second[k]), (second[k], first[k])):
            faults.add(
                own,
                f"The parcel overlaps parcel {str(ids[other])!r} by {shared[k]:,.1f} m² "
                f"({share:.0f} % of the smaller one). Correct the parcels layer.",
            )
