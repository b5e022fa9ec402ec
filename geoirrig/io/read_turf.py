"""Turf, hardscape and parcels: polygons in the working plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geoirrig.errors import ProblemList
from geoirrig.io.column_values import (
    check_required_columns,
    named_values,
    number_column,
    require_stated,
    row_ids,
    text_column,
)
from geoirrig.io.columns import nearest_hint
from geoirrig.io.geometries import polygons
from geoirrig.io.open_layer import LayerTable
from geoirrig.io.working_plane import PlaneOfWork, brought_into_plane, plane_of_work
from geoirrig.physics.plant_water_use import (
    DEFAULT_PLANT_TYPE,
    DEFAULT_ROOT_DEPTH_MM,
    PLANT_TYPES,
    known_plant_type,
)
from geoirrig.records import HardscapeAreas, ObjectArray, ParcelAreas, TurfAreas
from geoirrig.units import FloatArray

OVERLAP_AREA_M2 = 0.01  # smaller overlaps come from drawing and change nothing
NO_COMPACTION = "none"  # where turf does not say: the soil tables as they stand


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedTurf:
    """Turf in the plane that it defines; None where its CRS or geometry is at fault."""

    plane: PlaneOfWork | None
    areas: TurfAreas | None


def read_turf(table: LayerTable, problems: ProblemList) -> PlacedTurf:
    """Turf polygons, and the working plane of the run.

    Parameters
    ----------
    table : LayerTable
        The turf layer.
    problems : ProblemList
        Takes problems and warnings.
    """
    check_required_columns(table, problems)
    if table.n_rows == 0:
        problems.add(f"{table.start} holds no polygons. Draw the turf first.")
    turf_id = row_ids(table, problems)
    texture = text_column(table, "soil_texture", problems)
    require_stated(table, "soil_texture", texture == "", problems)
    compaction = text_column(table, "compaction", problems)
    slope_pct = number_column(table, "slope_pct", problems)
    plant_type = _plant_types(table, problems)
    root_depth_mm = number_column(table, "root_depth_mm", problems)
    drawn = polygons(table, problems)
    plane, placed = None, None
    if drawn is not None and table.crs is not None and table.n_rows:
        # Even polygons at fault tell where the site is, so that the other layers can be checked.
        where = drawn if table.geometry is None else table.geometry
        plane = plane_of_work(table.crs, where, place=table.place, problems=problems)
        if plane is not None:
            placed = brought_into_plane(
                drawn, table.crs, plane, place=table.place, problems=problems
            )
            _warn_of_overlaps(table, turf_id, placed, problems)
    if placed is None:
        return PlacedTurf(plane=plane, areas=None)
    areas = TurfAreas(
        turf_id=turf_id,
        geometry=placed,
        soil_texture=texture,
        compaction=np.where(compaction == "", NO_COMPACTION, compaction),
        slope_pct=slope_pct,
        plant_type=plant_type,
        root_depth_mm=np.where(np.isnan(root_depth_mm), DEFAULT_ROOT_DEPTH_MM, root_depth_mm),
        attributes=table.columns,
    )
    return PlacedTurf(plane=plane, areas=areas)


def read_hardscape(
    table: LayerTable, plane: PlaneOfWork | None, problems: ProblemList
) -> HardscapeAreas | None:
    """Paved and built ground; None where its geometry is at fault or the plane unknown."""
    surface = text_column(table, "surface", problems)
    placed = _placed_polygons(table, plane, problems)
    if placed is None:
        return None
    return HardscapeAreas(surface=np.where(surface == "", "hardscape", surface), geometry=placed)


def read_parcels(
    table: LayerTable, plane: PlaneOfWork | None, problems: ProblemList
) -> ParcelAreas | None:
    """Parcels; None where their geometry is at fault or the plane unknown."""
    check_required_columns(table, problems)
    parcel_id = row_ids(table, problems)
    placed = _placed_polygons(table, plane, problems)
    if placed is None:
        return None
    return ParcelAreas(parcel_id=parcel_id, geometry=placed, attributes=table.columns)


def turf_bounds_m(turf: TurfAreas) -> tuple[float, float, float, float]:
    """West, south, east and north end of all turf, in metres."""
    west, south, east, north = shapely.total_bounds(turf.geometry)
    return float(west), float(south), float(east), float(north)


def _plant_types(table: LayerTable, problems: ProblemList) -> ObjectArray:
    """Plant type of every row, a key of `PLANT_TYPES`.

    An unknown word is a warning and counts as the default: the column was free text before
    anything was computed from it, and cool-season turf errs on the side of more water.
    """
    words = text_column(table, "plant_type", problems)
    types = [known_plant_type(str(word)) for word in words]
    is_unknown = np.array([name is None for name in types], dtype=bool)
    if is_unknown.any():
        first = str(words[is_unknown][0])
        problems.warn(
            f"{table.start}: plant_type is best one of {', '.join(PLANT_TYPES)}; "
            f"{named_values(table, words, is_unknown)}. Taken for {DEFAULT_PLANT_TYPE}."
            f"{nearest_hint(first, PLANT_TYPES)}"
        )
    return np.array([DEFAULT_PLANT_TYPE if t is None else t for t in types], dtype=object)


def _placed_polygons(
    table: LayerTable, plane: PlaneOfWork | None, problems: ProblemList
) -> ObjectArray | None:
    drawn = polygons(table, problems)
    if drawn is None or plane is None or table.crs is None:
        return None
    return brought_into_plane(drawn, table.crs, plane, place=table.place, problems=problems)


def _warn_of_overlaps(
    table: LayerTable, turf_id: ObjectArray, geometry: ObjectArray, problems: ProblemList
) -> None:
    first, second = shapely.STRtree(geometry).query(geometry, predicate="intersects")
    later = first < second
    first, second = first[later], second[later]
    area_m2 = _overlap_area(geometry[first], geometry[second])
    found = np.flatnonzero(area_m2 > OVERLAP_AREA_M2)
    if len(found) == 0:
        return
    named = ", ".join(
        f"{str(turf_id[first[k]])!r} and {str(turf_id[second[k]])!r} ({area_m2[k]:.2f} m²)"
        for k in found[:3]
    )
    more = f" and {len(found) - 3} more pairs" if len(found) > 3 else ""
    problems.warn(
        f"{table.start}: turf polygons overlap: turf_id {named}{more}. A cell in both counts for "
        "the one that comes first in the layer."
    )


def _overlap_area(first: ObjectArray, second: ObjectArray) -> FloatArray:
    return np.asarray(shapely.area(shapely.intersection(first, second)), dtype=np.float64)
