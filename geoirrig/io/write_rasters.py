"""Result rasters as cloud-optimised GeoTIFFs, each with its style beside it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import rasterio.errors
from numpy.typing import NDArray
from rasterio._err import CPLE_BaseError  # what a failed close raises; no public name has it
from rasterio.crs import CRS
from rasterio.transform import Affine

from geoirrig.errors import OutputError
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.io.qml_style import raster_style_qml
from geoirrig.processors import processor_count, threads_beside
from geoirrig.records import ResultRaster, WorkingPlane


def write_rasters(
    folder: Path, rasters: Sequence[ResultRaster], grid: RasterGrid, plane: WorkingPlane
) -> None:
    """Write every raster as ``NAME.tif``, with ``NAME.qml`` beside it where a scale is known.

    Parameters
    ----------
    folder : Path
        Folder to write into.
    rasters : sequence of ResultRaster
        Values in SI, all on ``grid``; NaN is written as the raster's nodata value.
    grid : RasterGrid
        The grid, in the working plane.
    plane : WorkingPlane
        The working CRS and its unit; the transform goes back to map units.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """

    def write(raster: ResultRaster) -> None:
        _write_raster(folder / f"{raster.name}.tif", raster, grid, plane)

    try:
        with threads_beside(processor_count()) as pool:
            for _ in pool.map(write, rasters):
                pass
    except (rasterio.errors.RasterioError, CPLE_BaseError) as error:
        raise OutputError(
            f"A raster could not be written: {error}. "
            "Check the space and the permissions of the output folder."
        ) from error
    for raster in rasters:
        style = raster_style_qml(raster.name)
        if style is not None:
            (folder / f"{raster.name}.qml").write_text(style, encoding="utf-8", newline="\n")


def _write_raster(path: Path, raster: ResultRaster, grid: RasterGrid, plane: WorkingPlane) -> None:
    values = _with_nodata(raster)
    is_count = values.dtype.kind in "iu"
    cell = grid.cell_size_m / plane.metres_per_unit
    with rasterio.open(
        path,
        "w",
        driver="COG",
        height=grid.n_rows,
        width=grid.n_cols,
        count=1,
        dtype=values.dtype.name,
        crs=CRS.from_wkt(plane.crs_wkt),
        transform=Affine(
            cell,
            0.0,
            grid.left_m / plane.metres_per_unit,
            0.0,
            -cell,
            grid.top_m / plane.metres_per_unit,
        ),
        nodata=raster.nodata,
        compress="DEFLATE",
        level=6,
        predictor="YES",
        blocksize=512,
        # A mean of counts is no count: an overview cell shows the count that most cells have.
        overview_resampling="MODE" if is_count else "AVERAGE",
    ) as target:
        target.write(values, 1)
        target.set_band_description(1, raster.description)
        target.set_band_unit(1, raster.unit)


def _with_nodata(raster: ResultRaster) -> NDArray[Any]:
    values = np.asarray(raster.values)
    if values.dtype.kind == "f":
        values = values.astype(np.float32, copy=False)
        if not np.isnan(raster.nodata):
            values = np.where(np.isnan(values), np.float32(raster.nodata), values)
    return values
