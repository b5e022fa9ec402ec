"""Findings that have a place: dry spots, overspray and runoff hotspots, as polygons."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.records import (
    HardscapeAreas,
    ObjectArray,
    PrecipitationSurface,
    ResultTable,
    RunoffRiskSurface,
    TerrainSurface,
    TurfAreas,
    TurfCells,
)
from geoirrig.surfaces.patches import Patches
from geoirrig.surfaces.turf_cells import area_index
from geoirrig.surfaces.zone_turf import served_zone
from geoirrig.units import LITRES_PER_US_GALLON, MM_PER_INCH, FloatArray

OTHER_GROUND = "other ground"
SLIVER_M2 = 0.25  # judgement: smaller overspray is told together, once for each surface


def litres_text(litres: float) -> str:
    """A volume in both unit systems, with a decimal where it is small."""
    gallons = litres / LITRES_PER_US_GALLON
    decimals = 1 if gallons < 10.0 else 0
    return f"{litres:.{decimals}f} L ({gallons:.{decimals}f} US gal)"


def depth_text(depth_mm: float) -> str:
    """A depth in both unit systems."""
    return f"{depth_mm:.1f} mm ({depth_mm / MM_PER_INCH:.2f} in)"


def _text_array(texts: list[str]) -> ObjectArray:
    return np.array(texts, dtype=object)


def dry_cells(
    cells: TurfCells,
    precipitation: PrecipitationSurface,
    depth_mm: NDArray[np.float32],
    zone_mean_depth_mm: FloatArray,
    *,
    ratio: float,
) -> NDArray[np.bool_]:
    """Turf cells that get less than a share of what their zone's area gets, or nothing at all."""
    usual = np.append(zone_mean_depth_mm, np.inf)[precipitation.main_zone]
    return (cells.turf_index >= 0) & (depth_mm < ratio * usual)


def dry_spots(
    dry: NDArray[np.bool_],
    turf: TurfAreas,
    cells: TurfCells,
    precipitation: PrecipitationSurface,
    depth_mm: NDArray[np.float32],
    *,
    zone_means: Mapping[str, float],
    min_area_m2: float,
) -> ResultTable:
    """Patches of dry cells of one turf polygon and one zone, of a least area.

    ``zone_means`` holds the mean event depth on the turf that each zone serves, in running order.
    A patch that no water reaches belongs to no zone.
    """
    n_classes = len(zone_means) + 1
    classes = np.where(dry, cells.turf_index * n_classes + precipitation.main_zone + 1, -1)
    patches = Patches(classes.astype(np.int32), cells.grid, min_area_m2=min_area_m2)
    turf_number, zone = np.divmod(patches.class_index, n_classes)
    mean = patches.means(depth_mm)
    usual = np.array([np.nan, *zone_means.values()])[zone]
    names = np.array([None, *zone_means], dtype=object)[zone]
    return ResultTable(
        name="dry_spots",
        columns={
            "dry_spot_id": np.arange(1, len(mean) + 1),
            "turf_id": turf.turf_id[turf_number],
            "zone": names,
            "area_m2": patches.area_m2,
            "mean_depth_mm": mean,
            "zone_mean_depth_mm": usual,
            "finding": _text_array(
                [
                    "No head reaches this turf."
                    if name is None
                    else f"Gets {depth_text(depth)} in an event; zone {name} gives its area "
                    f"{depth_text(zone_depth)} on average."
                    for name, depth, zone_depth in zip(names, mean, usual, strict=True)
                ]
            ),
        },
        geometry=patches.geometry,
        geometry_type="Polygon",
    )


def overspray(
    cells: TurfCells, depth_mm: NDArray[np.float32], hardscape: HardscapeAreas | None
) -> ResultTable:
    """All water that lands off the turf, by connected patch and by what it lands on.

    Slivers along slanting edges, smaller than `SLIVER_M2`, are one row for each surface, so that
    the litres of all rows add up to all the water off the turf.
    """
    surface = np.array([OTHER_GROUND], dtype=object)
    ground = np.zeros(cells.grid.shape, dtype=np.int32)
    if hardscape is not None and len(hardscape.geometry):
        names, kind = np.unique(hardscape.surface.astype(str), return_inverse=True)
        surface = np.append(surface, names.astype(object))
        ground = np.append(kind + 1, 0)[area_index(hardscape.geometry, cells.grid)]
    off_turf = (cells.turf_index < 0) & (depth_mm > 0.0)
    patches = Patches(np.where(off_turf, ground, -1).astype(np.int32), cells.grid)
    whole = np.flatnonzero(patches.area_m2 >= SLIVER_M2)
    slivers = np.flatnonzero(patches.area_m2 < SLIVER_M2)
    by_surface = [slivers[patches.class_index[slivers] == kind] for kind in range(len(surface))]
    groups = [whole[n : n + 1] for n in range(len(whole))] + [g for g in by_surface if len(g)]
    patch_litres = patches.sums(depth_mm)
    litres = np.array([np.sum(patch_litres[group]) for group in groups])
    area = np.array([np.sum(patches.area_m2[group]) for group in groups])
    names = surface[np.array([patches.class_index[group[0]] for group in groups], dtype=np.int64)]
    geometry: ObjectArray = np.empty(len(groups), dtype=object)
    geometry[:] = [shapely.multipolygons(patches.geometry[group]) for group in groups]
    return ResultTable(
        name="overspray",
        columns={
            "overspray_id": np.arange(1, len(groups) + 1),
            "surface": names,
            "area_m2": area,
            "mean_depth_mm": litres / area,
            "overspray_l": litres,
            "finding": _text_array(
                [
                    f"{litres_text(volume)} an event land on {name}"
                    + (f", in {len(group)} slivers along the edges." if len(group) > 1 else ".")
                    for volume, name, group in zip(litres, names, groups, strict=True)
                ]
            ),
        },
        geometry=geometry,
        geometry_type="MultiPolygon",
    )


def runoff_hotspots(
    turf: TurfAreas,
    cells: TurfCells,
    runoff: RunoffRiskSurface,
    terrain: TerrainSurface,
    *,
    min_area_m2: float,
) -> ResultTable:
    """Patches of one turf polygon whose cells all run off in the planned event."""
    classes = np.where(runoff.runoff_depth_mm > 0.0, cells.turf_index, -1)
    patches = Patches(classes.astype(np.int32), cells.grid, min_area_m2=min_area_m2)
    litres, slope = patches.sums(runoff.runoff_depth_mm), patches.means(terrain.slope_pct)
    depth = patches.means(runoff.runoff_depth_mm)
    return ResultTable(
        name="runoff_hotspots",
        columns={
            "hotspot_id": np.arange(1, len(litres) + 1),
            "turf_id": turf.turf_id[patches.class_index],
            "area_m2": patches.area_m2,
            "runoff_l": litres,
            "mean_runoff_depth_mm": depth,
            "mean_slope_pct": slope,
            "finding": _text_array(
                [
                    f"{litres_text(volume)} an event leave these cells; mean slope {steep:.0f} %."
                    for volume, steep in zip(litres, slope, strict=True)
                ]
            ),
        },
        geometry=patches.geometry,
        geometry_type="Polygon",
    )


def served_areas(
    precipitation: PrecipitationSurface, cells: TurfCells, n_zones: int
) -> ObjectArray:
    """Outline of the turf cells that each zone serves, as multipolygons; empty where none."""
    return Patches(served_zone(precipitation, cells), cells.grid).areas_of_classes(n_zones)
