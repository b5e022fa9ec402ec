"""Slopes of a unit of a city from the raster under it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoirrig.errors import ProblemList
from geoirrig.io.read_terrain import read_terrain
from geoirrig.records import TerrainSurface, TurfAreas
from geoirrig.surfaces.terrain_surface import terrain_surface, turf_without_slope
from geoirrig.surfaces.turf_cells import turf_cells
from geoirrig.units import FloatArray
from geoirrig.workflows.work_units import Ground, UnitTask

MOST_PARCEL_CELLS = 40_000_000  # as `load_site.MOST_CELLS`: more does not fit into memory


def unit_terrain(
    task: UnitTask, ground: Ground, turf: TurfAreas, turf_is_in: NDArray[np.bool_]
) -> tuple[TerrainSurface, FloatArray, dict[int, str]]:
    """Slope of the cells, `SLOPES` of each polygon, and parcels without.

    Parameters
    ----------
    task : UnitTask
        The unit.
    ground : Ground
        The raster, of slope or elevation, and the plane in which the city is worked.
    turf : TurfAreas
        Polygons of the unit that are worked, as geometries.
    turf_is_in : ndarray of bool, shape (n_turf,)
        Which these are of all polygons of the unit.

    Returns
    -------
    TerrainSurface, ndarray of float64 (2, n) and dict of int to str
        The reason for each parcel of which a part of the turf has no slope.

    Raises
    ------
    InputError
        If the raster cannot be read there.
    ValueError
        If the unit is one parcel that is too large.
    """
    grid = task.grid
    if grid.n_rows * grid.n_cols > MOST_PARCEL_CELLS:
        raise ValueError(f"its turf spans {grid.n_rows} × {grid.n_cols} cells; choose larger ones")
    problems = ProblemList()
    raster = read_terrain(
        ground.source,
        ground.plane,
        grid.bounds_m,
        margin_m=3.0 * grid.cell_size_m,
        problems=problems,
    )
    problems.raise_if_any()
    cells = turf_cells(turf, grid)
    surface = terrain_surface(raster, turf, cells, method=task.settings.slope_method)
    index, slope = cells.turf_index.ravel(), surface.slope_pct.ravel().astype(np.float64)
    n_turf = len(turf.turf_id)
    known = (index >= 0) & np.isfinite(slope)
    count = np.bincount(index[known], minlength=n_turf)
    total = np.bincount(index[known], weights=slope[known], minlength=n_turf)
    steepest = np.full(n_turf, -np.inf)
    np.maximum.at(steepest, index[known], slope[known])
    missing, _ = turf_without_slope(surface, cells, n_turf)
    parcel = task.turf_parcel[turf_is_in]
    reason = "The slope or elevation raster has no value under a part of its turf."
    failed = dict.fromkeys(np.unique(parcel[missing > 0]).tolist(), reason)
    some = count > 0
    mean = np.where(some, total / np.where(some, count, 1), np.nan)
    return surface, np.array([mean, np.where(some, steepest, np.nan)]), failed
