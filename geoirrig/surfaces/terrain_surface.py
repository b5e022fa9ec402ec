"""Slope of every turf cell, from a slope raster, an elevation raster or the turf's own column."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from geoirrig.physics.terrain_slope import elevation_gradient
from geoirrig.records import TerrainRaster, TerrainSurface, TurfAreas, TurfCells
from geoirrig.units import FloatArray

PERCENT = 100.0


def terrain_surface(
    terrain: TerrainRaster | None, turf: TurfAreas, cells: TurfCells
) -> TerrainSurface:
    """Slope on the grid; NaN off the turf and where nothing states it.

    Parameters
    ----------
    terrain : TerrainRaster or None
        Slope or elevation at its own resolution. From elevation the gradient is taken first, by
        Horn's (1981) 3 × 3 weights, and then brought onto the grid.
    turf : TurfAreas
        A polygon that states its slope keeps it, whatever the raster says.
    cells : TurfCells
        Which polygon each cell belongs to.

    Returns
    -------
    TerrainSurface
        With the way uphill where elevation was given.

    Notes
    -----
    Between pixel centres the raster is interpolated bilinearly among the pixels that have data. A
    cell whose centre lies in a pixel without data, or beyond the raster, has no slope. A raster
    finer than the grid is averaged over the cell.
    """
    on_turf = cells.turf_index >= 0
    slope = np.full(cells.grid.shape, np.nan, dtype=np.float32)
    uphill = None
    rows, cols = np.nonzero(on_turf)
    if terrain is not None:
        x = cells.grid.cell_centre_x_m()[cols]
        y = cells.grid.cell_centre_y_m()[rows]
        if terrain.quantity == "slope_pct":
            slope[on_turf] = sampled_at(terrain, terrain.values, x, y, cells.grid.cell_size_m)
        else:
            east, north = elevation_gradient(
                terrain.values,
                pixel_width_m=terrain.pixel_width_m,
                pixel_height_m=terrain.pixel_height_m,
            )
            size = cells.grid.cell_size_m
            steep = PERCENT * np.hypot(east, north)
            slope[on_turf] = sampled_at(terrain, steep, x, y, size)
            rise_east = sampled_at(terrain, east, x, y, size)
            rise_north = sampled_at(terrain, north, x, y, size)
            uphill = np.full(cells.grid.shape, np.nan, dtype=np.float32)
            uphill[on_turf] = np.degrees(np.arctan2(rise_east, rise_north)) % 360.0
    stated = np.isfinite(turf.slope_pct)
    if np.any(stated):
        own = np.append(turf.slope_pct, np.nan)[cells.turf_index]
        slope = np.where(np.isfinite(own), own, slope).astype(np.float32)
    return TerrainSurface(grid=cells.grid, slope_pct=slope, uphill_bearing_deg=uphill)


def sampled_at(
    raster: TerrainRaster, values: FloatArray, x_m: FloatArray, y_m: FloatArray, cell_size_m: float
) -> FloatArray:
    """Values of a raster at points: bilinear among the pixels with data, NaN where there is none.

    Parameters
    ----------
    raster : TerrainRaster
        Gives the place of the pixels.
    values : ndarray, shape of the raster's values
        What is sampled; NaN is no data.
    x_m, y_m : ndarray, shape (n,)
        Points in the working plane. [m]
    cell_size_m : float
        Values of pixels smaller than this are averaged over it first. [m]

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    col = (x_m - raster.left_m) / raster.pixel_width_m - 0.5
    row = (raster.top_m - y_m) / raster.pixel_height_m - 0.5
    data = np.isfinite(values)
    weight, weighted = data.astype(np.float64), np.where(data, values, 0.0)
    window = (
        max(1, round(cell_size_m / raster.pixel_height_m)),
        max(1, round(cell_size_m / raster.pixel_width_m)),
    )
    if max(window) > 1:
        weight, weighted = _averaged(weight, window), _averaged(weighted, window)
    places = np.array([row, col])
    total = ndimage.map_coordinates(weighted, places, order=1, mode="nearest")
    share = ndimage.map_coordinates(weight, places, order=1, mode="nearest")
    own_row, own_col = np.rint(row).astype(np.int64), np.rint(col).astype(np.int64)
    inside = (row >= -0.5) & (row <= data.shape[0] - 0.5)
    inside &= (col >= -0.5) & (col <= data.shape[1] - 0.5)
    own_row, own_col = (
        np.clip(own_row, 0, data.shape[0] - 1),
        np.clip(own_col, 0, data.shape[1] - 1),
    )
    known = inside & data[own_row, own_col]
    return np.where(known, total / np.where(share > 0.0, share, 1.0), np.nan)


def _averaged(values: FloatArray, window: tuple[int, int]) -> FloatArray:
    return np.asarray(ndimage.uniform_filter(values, size=window, mode="nearest"))


def turf_without_slope(
    terrain: TerrainSurface, cells: TurfCells, n_turf: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cells without a slope and cells in all, of each turf polygon."""
    on_turf = cells.turf_index >= 0
    index = cells.turf_index[on_turf]
    missing = np.isnan(terrain.slope_pct[on_turf])
    return (
        np.bincount(index[missing], minlength=n_turf),
        np.bincount(index, minlength=n_turf),
    )
