"""Which cells of the grid are turf, and which other areas they lie on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import rasterio.features
import rasterio.transform
import shapely
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.throw_on_slope import LONGEST_THROW_RATIO
from geoirrig.records import ObjectArray, SprinklerLayout, TurfAreas, TurfCells


def site_grid(turf: TurfAreas, layout: SprinklerLayout, *, cell_size_m: float) -> RasterGrid:
    """Smallest grid that holds all turf and everything that the heads can wet, downhill too."""
    west, south, east, north = shapely.total_bounds(turf.geometry)
    reach = LONGEST_THROW_RATIO * layout.radius_m
    return RasterGrid.covering(
        min(west, np.min(layout.x_m - reach, initial=west)),
        min(south, np.min(layout.y_m - reach, initial=south)),
        max(east, np.max(layout.x_m + reach, initial=east)),
        max(north, np.max(layout.y_m + reach, initial=north)),
        cell_size_m=cell_size_m,
    )


def whole_grid(grids: Sequence[RasterGrid]) -> RasterGrid:
    """Smallest grid that holds all of these; edges lie on multiples of the one cell size."""
    size = grids[0].cell_size_m
    left = [round(grid.left_m / size) for grid in grids]
    top = [round(grid.top_m / size) for grid in grids]
    right = [col + grid.n_cols for col, grid in zip(left, grids, strict=True)]
    bottom = [row - grid.n_rows for row, grid in zip(top, grids, strict=True)]
    return RasterGrid(
        left_m=min(left) * size,
        top_m=max(top) * size,
        cell_size_m=size,
        n_rows=max(top) - min(bottom),
        n_cols=max(right) - min(left),
    )


def turf_cells(turf: TurfAreas, grid: RasterGrid) -> TurfCells:
    """Turf polygon of every cell: the one that holds the cell's centre.

    Where polygons overlap, the first of the table has the cell.
    """
    return TurfCells(grid=grid, turf_index=area_index(turf.geometry, grid))


def area_index(geometry: ObjectArray, grid: RasterGrid) -> NDArray[np.int32]:
    """Number of the first polygon that holds the centre of each cell; −1 where none does.

    Parameters
    ----------
    geometry : ndarray of shapely polygons, shape (n_areas,)
        In the working plane.
    grid : RasterGrid
        The cells.

    Returns
    -------
    ndarray of int32, shape (n_rows, n_cols)
    """
    shapes = [(area, number) for number, area in enumerate(geometry)][::-1]
    if not shapes:
        return np.full(grid.shape, -1, dtype=np.int32)
    return np.asarray(
        rasterio.features.rasterize(
            shapes,
            out_shape=grid.shape,
            transform=rasterio.transform.from_origin(
                grid.left_m, grid.top_m, grid.cell_size_m, grid.cell_size_m
            ),
            fill=-1,
            dtype="int32",
        )
    )
