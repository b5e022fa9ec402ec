"""Slope and elevation of the turf cells, from a raster or the turf's own column."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from geoirrig.physics.terrain_slope import SlopeMethod, elevation_gradient
from geoirrig.records import TerrainRaster, TerrainSurface, TurfAreas, TurfCells
from geoirrig.units import PERCENT, FloatArray, length_text

RING_CELLS = 2  # around the turf, where its directions of flow need elevations
ELEVATION_DECIMALS = 9  # a nanometre: level ground stays level through averages and products
COARSER, FINER = 1.1, 0.5  # pixel over cell from which, and down to which, a reader is told
MOST_EXTRAPOLATED = 0.01  # share of turf cells that is let pass without a word

_STEPS = [(r, c) for r in (-1, 0, 1) for c in (-1, 0, 1) if (r, c) != (0, 0)]


def terrain_surface(
    terrain: TerrainRaster | None,
    turf: TurfAreas,
    cells: TurfCells,
    *,
    method: SlopeMethod = "horn_1981",
) -> TerrainSurface:
    """Slope on the grid; NaN off the turf and where nothing states it.

    Parameters
    ----------
    terrain : TerrainRaster or None
        Slope or elevation at its own resolution. From elevation the gradient is taken first, and
        then brought onto the grid.
    turf : TurfAreas
        A polygon that states its slope keeps it, whatever the raster says.
    cells : TurfCells
        Which polygon each cell belongs to.
    method : {"horn_1981", "zevenbergen_thorne_1987"}
        How the gradient is taken, see `elevation_gradient`.

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
                method=method,
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
    row, col = _place_of(raster, x_m, y_m)
    data = np.isfinite(values)
    weight, weighted = data.astype(np.float64), np.where(data, values, 0.0)
    window = _averaged_pixels(raster, cell_size_m)
    if max(window) > 1:
        weight, weighted = _averaged(weight, window), _averaged(weighted, window)
    # The mean of an even number of pixels belongs half a pixel before the one it is filed under.
    ahead = [0.5 if n_pixels % 2 == 0 else 0.0 for n_pixels in window]
    places = np.array([row + ahead[0], col + ahead[1]])
    total = ndimage.map_coordinates(weighted, places, order=1, mode="nearest")
    share = ndimage.map_coordinates(weight, places, order=1, mode="nearest")
    known = _own_pixel(data, row, col)
    return np.where(known, total / np.where(share > 0.0, share, 1.0), np.nan)


def _place_of(
    raster: TerrainRaster, x_m: FloatArray, y_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Row and column of points, 0 at the centre of the first pixel."""
    col = (x_m - raster.left_m) / raster.pixel_width_m - 0.5
    row = (raster.top_m - y_m) / raster.pixel_height_m - 0.5
    return row, col


def _own_pixel(flags: NDArray[np.bool_], row: FloatArray, col: FloatArray) -> NDArray[np.bool_]:
    """Flag of the pixel that each point lies in; False beyond the raster."""
    inside = (row >= -0.5) & (row <= flags.shape[0] - 0.5)
    inside &= (col >= -0.5) & (col <= flags.shape[1] - 0.5)
    own_row = np.clip(np.rint(row).astype(np.int64), 0, flags.shape[0] - 1)
    own_col = np.clip(np.rint(col).astype(np.int64), 0, flags.shape[1] - 1)
    return np.asarray(inside & flags[own_row, own_col])


def _averaged_pixels(raster: TerrainRaster, cell_size_m: float) -> tuple[int, int]:
    """Rows and columns of pixels that a cell's value is the mean of."""
    return (
        max(1, round(cell_size_m / raster.pixel_height_m)),
        max(1, round(cell_size_m / raster.pixel_width_m)),
    )


def _averaged(values: FloatArray, window: tuple[int, int]) -> FloatArray:
    return np.asarray(ndimage.uniform_filter(values, size=window, mode="nearest"))


def ground_elevation_m(terrain: TerrainRaster, cells: TurfCells) -> FloatArray:
    """Elevation of the turf cells and of a ring of two cells around them.

    Parameters
    ----------
    terrain : TerrainRaster
        Elevations at their own resolution.
    cells : TurfCells
        The grid, and which of its cells are turf.

    Returns
    -------
    ndarray of float64, shape (n_rows, n_cols)
        Elevation, to a nanometre; NaN away from the turf, and more than two cells away from what
        the raster covers. [m]

    Raises
    ------
    ValueError
        If the raster holds slopes.

    Notes
    -----
    Brought onto the grid as slopes are, see `terrain_surface`, except beside gaps and the raster's
    edge: there the ground is carried on in a straight line (2·nearest − next, the mean over the
    directions that have both), so that an inclined plane stays one. So are cells of the ring that
    the raster does not cover.
    """
    if terrain.quantity != "elevation_m":
        raise ValueError(f"the raster must hold elevations; got {terrain.quantity}")
    wanted = ndimage.binary_dilation(
        cells.turf_index >= 0, structure=np.ones((3, 3), np.bool_), iterations=RING_CELLS
    )
    elevation = np.full(cells.grid.shape, np.nan)
    known = np.isfinite(terrain.values)
    if not known.any():
        return elevation
    rows, cols = np.nonzero(wanted)
    x, y = cells.grid.cell_centre_x_m()[cols], cells.grid.cell_centre_y_m()[rows]
    size = cells.grid.cell_size_m
    lowest = float(np.nanmin(terrain.values))  # less to round where heights are summed up
    margin = 1 + max(_averaged_pixels(terrain, size)) // 2
    wide = dataclasses.replace(
        terrain,
        values=np.pad(terrain.values - lowest, margin, constant_values=np.nan),
        left_m=terrain.left_m - margin * terrain.pixel_width_m,
        top_m=terrain.top_m + margin * terrain.pixel_height_m,
    )
    found = sampled_at(wide, _carried_on(wide.values, margin), x, y, size)
    found[~_own_pixel(known, *_place_of(terrain, x, y))] = np.nan
    elevation[wanted] = found
    if np.isnan(found).any():
        elevation = np.where(wanted, _carried_on(elevation, RING_CELLS), np.nan)
    return np.asarray(np.round(elevation + lowest, ELEVATION_DECIMALS))


def _carried_on(values: FloatArray, n_layers: int) -> FloatArray:
    """Values with the unknown ones next to known ones extrapolated linearly, layer by layer."""
    padded = np.pad(values, 2, constant_values=np.nan)
    n_cols = padded.shape[1]
    flat = padded.ravel()
    inner = np.zeros(padded.shape, dtype=np.bool_)
    inner[2:-2, 2:-2] = True
    for _ in range(n_layers):
        known = ~np.isnan(padded)
        layer = ndimage.binary_dilation(known, structure=np.ones((3, 3), np.bool_))
        at = np.flatnonzero(layer & ~known & inner)
        total, count = np.zeros(len(at)), np.zeros(len(at))
        near_total, near_count = np.zeros(len(at)), np.zeros(len(at))
        for row_step, col_step in _STEPS:
            step = row_step * n_cols + col_step
            near, next_one = flat[at + step], flat[at + 2 * step]
            line = 2.0 * near - next_one
            total += np.where(np.isnan(line), 0.0, line)
            count += ~np.isnan(line)
            near_total += np.where(np.isnan(near), 0.0, near)
            near_count += ~np.isnan(near)
        straight, level = total / np.maximum(count, 1.0), near_total / np.maximum(near_count, 1.0)
        flat[at] = np.where(count > 0.0, straight, level)
    return padded[2:-2, 2:-2]


def terrain_notes(terrain: TerrainRaster | None, cells: TurfCells) -> tuple[str, ...]:
    """What a reader of the slopes ought to know about how they came from elevations.

    Parameters
    ----------
    terrain : TerrainRaster or None
        The raster that was read; of slopes that were given there is nothing to say.
    cells : TurfCells
        The grid, and which of its cells are turf.

    Returns
    -------
    tuple of str
        Sentences: pixels coarser than the cells or less than half as large, and turf whose slope
        rests on neighbours that are missing in the raster.
    """
    if terrain is None or terrain.quantity != "elevation_m":
        return ()
    size = cells.grid.cell_size_m
    pixel = max(terrain.pixel_width_m, terrain.pixel_height_m)
    notes = []
    of_pixels, of_cells, over = (length_text(x, ".3g") for x in (pixel, size, 2.0 * pixel))
    if pixel > COARSER * size:
        notes.append(
            f"Elevation pixels of {of_pixels} are coarser than the cells of {of_cells}: a slope is "
            f"that over {over}, the middles of 3 pixels, and a bank narrower than this comes out "
            "flatter than it is."
        )
    elif pixel <= FINER * size:
        notes.append(
            f"Elevation pixels of {of_pixels} are finer than the cells of {of_cells}: slopes over "
            f"{over}, the middles of 3 pixels, are averaged over each cell, and noise of the "
            "elevations makes them steeper than the ground."
        )
    share = _extrapolated_share(terrain, cells)
    if share > MOST_EXTRAPOLATED:
        notes.append(
            f"{share:.0%} of the turf lies beside a gap or the edge of the elevation raster: "
            "there, missing neighbours are extrapolated, and slopes are less certain."
        )
    return tuple(notes)


def _extrapolated_share(terrain: TerrainRaster, cells: TurfCells) -> float:
    """Share of the turf cells with elevation whose pixel misses one of its eight neighbours."""
    known = np.isfinite(terrain.values)
    whole = ndimage.binary_erosion(known, structure=np.ones((3, 3), np.bool_))
    rows, cols = np.nonzero(cells.turf_index >= 0)
    x, y = cells.grid.cell_centre_x_m()[cols], cells.grid.cell_centre_y_m()[rows]
    place = _place_of(terrain, x, y)
    n_known = np.count_nonzero(_own_pixel(known, *place))
    n_whole = np.count_nonzero(_own_pixel(whole, *place))
    return 1.0 - n_whole / n_known if n_known else 0.0


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
