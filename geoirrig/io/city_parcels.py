"""Parcels of a city, and which parcel things belong to by their place."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.city_records import CityParcels
from geoirrig.errors import ProblemList
from geoirrig.grid.outline_kernels import find_convex, share_little
from geoirrig.grid.point_location import (
    PolygonIndex,
    containing_polygons,
    overlapping_boxes,
    polygon_index,
)
from geoirrig.grid.polygon_rings import sole_ring_areas
from geoirrig.io.arrow_layer import ArrowLayer
from geoirrig.io.column_values import BoolArray, check_required_columns, texts
from geoirrig.io.drawn_outlines import DrawnOutlines, drawn_outlines, outlines_of
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


@dataclass(frozen=True, kw_only=True)
class PlacedParcels:
    """Parcels with what finds them by place."""

    records: CityParcels
    index: PolygonIndex

    @cached_property
    def geometry(self) -> ObjectArray:
        """The outlines as shapely geometries, for what takes a closer look; None where at fault."""
        return np.asarray(shapely.from_wkb(self.records.wkb.of_all()), dtype=object)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedPolygons:
    """Polygons in the working plane; arrays of shape (n_rows,)."""

    outlines: DrawnOutlines  # without a ring where at fault
    is_bad: BoolArray

    def area_m2(self) -> FloatArray:
        """Area of each; NaN where at fault."""
        area = sole_ring_areas(self.outlines.rings)
        others = np.flatnonzero(np.isnan(area))
        area[others] = shapely.area(self.outlines.geometry(others))
        return area


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
    placed = placed_polygons(layer, drawn_outlines(layer), plane, problems)
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
    index = polygon_index(placed.outlines.rings)
    box = index.edges.box
    records = CityParcels(
        parcel_id=ids,
        wkb=placed.outlines.wkb,
        area_m2=placed.area_m2(),
        centre_m=np.asarray((box[:, :2] + box[:, 2:]) / 2.0),
        attributes={
            name: layer.table.columns[name] for name in layer.table.columns if name != "parcel_id"
        },
    )
    return PlacedParcels(records=records, index=index)


def placed_polygons(
    layer: ArrowLayer, drawn: DrawnOutlines, plane: PlaneOfWork, problems: ProblemList
) -> PlacedPolygons:
    """Polygons in the working plane, repaired where that changes nothing; flagged if bad.

    ``drawn`` are those of the layer. Most need no closer look: they are convex, and there already.
    """
    is_convex, is_bad = np.empty(layer.n_rows, dtype=bool), np.zeros(layer.n_rows, dtype=bool)
    find_convex(drawn.rings, is_convex)
    rows = np.flatnonzero(~is_convex)
    is_bad[rows] = _are_bad(drawn.geometry(rows))
    at_fault = np.flatnonzero(is_bad)
    crs, place = layer.table.crs, layer.table.place
    is_there = crs is None or (
        horizontal_crs(crs).equals(plane.crs, ignore_axis_order=True)
        and plane.record.metres_per_unit == 1.0
    )
    if len(at_fault) or not is_there:
        geometry = drawn.geometry(np.arange(layer.n_rows))
        if len(at_fault):
            mended = polygons(layer.rows(at_fault), ProblemList())
            geometry[at_fault] = None if mended is None else mended
            is_bad[at_fault] = shapely.is_missing(geometry[at_fault])
        if crs is not None and not is_there:
            geometry = brought_into_plane(geometry, crs, plane, place=place, problems=problems)
        drawn = outlines_of(geometry)
    return PlacedPolygons(outlines=drawn, is_bad=is_bad)


def _are_bad(geometry: ObjectArray) -> BoolArray:
    """Which are no polygons that can be used as they are."""
    return np.asarray(
        shapely.is_missing(geometry)
        | shapely.is_empty(geometry)
        | ~shapely.is_valid(geometry)
        | ~np.isfinite(shapely.bounds(geometry)).all(axis=1)
    )


def parcel_of_points(parcels: PlacedParcels, x_m: FloatArray, y_m: FloatArray) -> NDArray[np.int32]:
    """Parcel that holds each point, or lies within `BESIDE_PARCEL_M` of it; −1 for none."""
    holding = containing_polygons(parcels.index, x_m, y_m)
    outside = np.flatnonzero((holding < 0) & np.isfinite(x_m))
    if len(outside):
        tree = shapely.STRtree(parcels.geometry)
        points = shapely.points(x_m[outside], y_m[outside])
        near = tree.query_nearest(points, max_distance=BESIDE_PARCEL_M, all_matches=False)
        holding[outside[near[0]]] = near[1]
    return holding


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
    ids, area = parcels.records.parcel_id, parcels.records.area_m2
    first, second = overlapping_boxes(parcels.index, OVERLAP_SHARE * area)
    smaller = np.minimum(area[first], area[second])
    edges, little = parcels.index.edges, np.empty(len(first), dtype=bool)
    # By half: neighbours are told so surely that what shapely would have found makes no difference.
    share_little(edges, (first, second), OVERLAP_SHARE / 2.0 * smaller, little)
    first, second, smaller = first[~little], second[~little], smaller[~little]
    wkb = parcels.records.wkb
    one, other = shapely.from_wkb(wkb.of_rows(first)), shapely.from_wkb(wkb.of_rows(second))
    apart = shapely.touches(one, other)  # told at half the cost
    first, second, smaller = first[~apart], second[~apart], smaller[~apart]
    shared = shapely.area(shapely.intersection(one[~apart], other[~apart]))
    for k in np.flatnonzero(shared > OVERLAP_SHARE * smaller):
        share = PERCENT * shared[k] / smaller[k]
        for own, beside in ((first[k], second[k]), (second[k], first[k])):
            faults.add(
                own,
                f"The parcel overlaps parcel {str(ids[beside])!r} by {shared[k]:,.1f} m² "
                f"({share:.0f} % of the smaller one). Correct the parcels layer.",
            )
