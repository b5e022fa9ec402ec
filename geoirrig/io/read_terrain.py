"""Slope or elevation raster, in the working plane.

Only the part around the turf is read.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyproj
import rasterio
import rasterio.warp
import rasterio.windows

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.io.column_values import BoolArray
from geoirrig.io.file_formats import raster_format
from geoirrig.io.terrain_units import METRES, TerrainSource, stated_unit
from geoirrig.io.working_plane import (
    PlaneOfWork,
    horizontal_crs,
    is_same_plane,
    transformer_between,
    transformer_into_plane,
)
from geoirrig.records import TerrainRaster
from geoirrig.units import FloatArray

Bounds = tuple[float, float, float, float]

SLOPE_AT_MOST_PCT = 1000.0  # 84°: beyond it a value is no ground; judgement
# Land lies from 430 m below the sea to 8849 m above it (both from memory); beyond is no ground.
LEAST_ELEVATION_M, MOST_ELEVATION_M = -500.0, 9000.0
MARGIN_PIXELS = 3  # read around the turf, for slopes from neighbours and for interpolation
PIXELS_AT_MOST = 60_000_000  # 0.5 GB as float64


@dataclass(frozen=True, slots=True, kw_only=True)
class _Window:
    """Values cut out of a raster, north first, with the map position of their corner."""

    values: FloatArray
    left: float
    top: float
    pixel_width: float
    pixel_height: float


def read_terrain(
    source: TerrainSource,
    plane: PlaneOfWork | None,
    turf_bounds_m: Bounds | None,
    *,
    margin_m: float,
    problems: ProblemList,
) -> TerrainRaster | None:
    """The part of a terrain raster around the turf; None where it is at fault.

    Parameters
    ----------
    source : TerrainSource
        File, quantity and unit.
    plane : PlaneOfWork or None
        The working plane; without it only what needs no place is checked.
    turf_bounds_m : tuple of float or None
        West, south, east and north end of the turf in the working plane. [m]
    margin_m : float
        How far around the turf values are wanted, beside `MARGIN_PIXELS`. [m]
    problems : ProblemList
        Takes problems and warnings.

    Returns
    -------
    TerrainRaster or None
        float64, NaN where there is no data, at the raster's own resolution. A raster in another
        CRS is resampled bilinearly.
    """
    place = f"Raster {source.path.name!r}"
    try:
        file_format = raster_format(source.path)
        with warnings.catch_warnings():
            # A missing georeference is a problem below; the other is rasterio's own affair.
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            warnings.simplefilter("ignore", PendingDeprecationWarning)
            with rasterio.open(source.path, driver=file_format.driver) as dataset:
                return _terrain(dataset, source, place, plane, turf_bounds_m, margin_m, problems)
    except (rasterio.errors.RasterioError, OSError, ValueError, MemoryError) as error:
        reason = " ".join(str(error).split()).rstrip(".")
        problems.add(f"{place} cannot be read: {reason}. Copy or export it again.")
    except GeoirrigError as error:
        problems.add(str(error))
    return None


def _terrain(
    dataset: Any,
    source: TerrainSource,
    place: str,
    plane: PlaneOfWork | None,
    turf_bounds_m: Bounds | None,
    margin_m: float,
    problems: ProblemList,
) -> TerrainRaster | None:
    faults = ProblemList()
    _require_plain_band(dataset, place, faults)
    unit = None
    if dataset.count:
        unit = stated_unit(dataset, source.quantity, source.unit, place, faults)
        if dataset.count > 1:
            problems.warn(f"{place} has {dataset.count} bands; the first is taken.")
    crs = _raster_crs(dataset, place, faults)
    for fault in faults.problems:
        problems.add(fault)
    if faults.problems or plane is None or turf_bounds_m is None or crs is None or unit is None:
        return None
    window = _window_around(dataset, crs, plane, turf_bounds_m, margin_m, place)
    values = _in_si(window.values, unit, source, place)
    window = _Window(
        values=values,
        left=window.left,
        top=window.top,
        pixel_width=window.pixel_width,
        pixel_height=window.pixel_height,
    )
    if not is_same_plane(crs, plane, _corners(window)):
        if transformer_into_plane(crs, plane, place=place, problems=problems) is None:
            return None
        window = _warped(window, crs, plane, turf_bounds_m, margin_m)
    scale = plane.record.metres_per_unit
    return TerrainRaster(
        quantity=source.quantity,
        values=window.values,
        left_m=window.left * scale,
        top_m=window.top * scale,
        pixel_width_m=window.pixel_width * scale,
        pixel_height_m=window.pixel_height * scale,
    )


def _require_plain_band(dataset: Any, place: str, faults: ProblemList) -> None:
    if dataset.count == 0:
        faults.add(f"{place} holds no band. Give a file with one raster.")
        return
    if np.dtype(dataset.dtypes[0]).kind == "c":
        faults.add(f"{place} holds complex numbers. Give slope or elevation.")
    transform = dataset.transform
    if transform.is_identity:
        faults.add(f"{place} has no position on the map. Georeference it.")
    elif transform.b != 0.0 or transform.d != 0.0 or transform.a <= 0.0 or transform.e == 0.0:
        faults.add(f"{place} is rotated against its map. Resample it north up.")


def _raster_crs(dataset: Any, place: str, faults: ProblemList) -> pyproj.CRS | None:
    if dataset.crs is None:
        faults.add(f"{place} has no CRS. Assign the one it was made in.")
        return None
    crs = horizontal_crs(pyproj.CRS.from_wkt(dataset.crs.to_wkt()))
    if not (crs.is_projected or crs.is_geographic):
        faults.add(
            f"{place} has a CRS without a place on the earth ({crs.name}). Assign the right one."
        )
        return None
    return crs


def _window_around(
    dataset: Any,
    crs: pyproj.CRS,
    plane: PlaneOfWork,
    turf_bounds_m: Bounds,
    margin_m: float,
    place: str,
) -> _Window:
    """Values around the turf as they are stored, scaled and with NaN for no data.

    Raises
    ------
    GeoirrigError
        If the raster and the turf do not meet, or the window is too large to hold.
    """
    transform = dataset.transform
    west, south, east, north = _bounds_in(crs, plane, turf_bounds_m, margin_m)
    height = abs(transform.e)
    raster_top = transform.f if transform.e < 0 else transform.f + transform.e * dataset.height
    first_col = math.floor((west - transform.c) / transform.a) - MARGIN_PIXELS
    last_col = math.ceil((east - transform.c) / transform.a) + MARGIN_PIXELS
    first_row = math.floor((raster_top - north) / height) - MARGIN_PIXELS
    last_row = math.ceil((raster_top - south) / height) + MARGIN_PIXELS
    first_col, last_col = max(0, first_col), min(dataset.width, last_col)
    first_row, last_row = max(0, first_row), min(dataset.height, last_row)
    if first_col >= last_col or first_row >= last_row:
        bounds = dataset.bounds
        raise GeoirrigError(
            f"{place} does not meet the turf: it covers x {bounds.left:.9g} to {bounds.right:.9g}, "
            f"y {min(bounds.bottom, bounds.top):.9g} to {max(bounds.bottom, bounds.top):.9g}, the "
            f"turf x {west:.9g} to {east:.9g}, y {south:.9g} to {north:.9g} in {crs.name}. Give a "
            "raster of this site, or assign the right CRS."
        )
    n_rows, n_cols = last_row - first_row, last_col - first_col
    if n_rows * n_cols > PIXELS_AT_MOST:
        raise GeoirrigError(
            f"{place} has {n_rows * n_cols:,} pixels around the turf, more than "
            f"{PIXELS_AT_MOST:,}. Resample it to pixels not smaller than the cells."
        )
    is_south_up = transform.e > 0
    stored_row = dataset.height - last_row if is_south_up else first_row
    window = rasterio.windows.Window(first_col, stored_row, n_cols, n_rows)
    masked = dataset.read(1, window=window, masked=True)
    values = np.ma.filled(masked.astype(np.float64), np.nan)
    values = values * dataset.scales[0] + dataset.offsets[0]
    return _Window(
        values=values[::-1].copy() if is_south_up else values,
        left=transform.c + first_col * transform.a,
        top=raster_top - first_row * height,
        pixel_width=transform.a,
        pixel_height=height,
    )


def _bounds_in(crs: pyproj.CRS, plane: PlaneOfWork, bounds_m: Bounds, margin_m: float) -> Bounds:
    """Turf bounds with their margin in the raster's CRS."""
    scale = plane.record.metres_per_unit
    west, south, east, north = bounds_m
    wide = (
        (west - margin_m) / scale,
        (south - margin_m) / scale,
        (east + margin_m) / scale,
        (north + margin_m) / scale,
    )
    if crs.equals(plane.crs, ignore_axis_order=True):
        return wide
    transformer = transformer_between(plane.crs, crs, plane.area)
    found = transformer.transform_bounds(*wide, densify_pts=21)
    if not np.isfinite(found).all():
        raise GeoirrigError(
            f"The turf cannot be brought into the raster's CRS ({crs.name}). Reproject the raster."
        )
    return (float(found[0]), float(found[1]), float(found[2]), float(found[3]))


def _in_si(values: FloatArray, unit: str, source: TerrainSource, place: str) -> FloatArray:
    """Values in percent or metres.

    Raises
    ------
    GeoirrigError
        If a slope is impossible in its unit, or an elevation anywhere on land.
    """
    values = np.where(np.isinf(values), np.nan, values)
    if source.quantity == "elevation_m":
        elevation_m = values * METRES[unit]
        is_impossible = (elevation_m < LEAST_ELEVATION_M) | (elevation_m > MOST_ELEVATION_M)
        wanted = f"an elevation must be from {LEAST_ELEVATION_M:g} to {MOST_ELEVATION_M:g} m"
        _refuse(is_impossible, values, f"{place}: {wanted}", unit)
        return elevation_m
    if unit == "degrees":
        is_impossible = (values < 0.0) | (values >= 90.0)
        wanted = "a slope must be at least 0 and below 90 degrees"
        percent = 100.0 * np.tan(np.radians(np.where(is_impossible, np.nan, values)))
    else:
        factor = 100.0 if unit == "ratio" else 1.0
        percent = values * factor
        is_impossible = (percent < 0.0) | (percent > SLOPE_AT_MOST_PCT)
        wanted = f"a slope must be from 0 to {SLOPE_AT_MOST_PCT / factor:g} ({unit})"
    _refuse(is_impossible, values, f"{place}: {wanted}")
    return percent


def _refuse(is_impossible: BoolArray, values: FloatArray, expected: str, unit: str = "") -> None:
    n_impossible = int(is_impossible.sum())
    if n_impossible:
        first = f"{float(values[is_impossible][0]):g} {unit}".rstrip()
        raise GeoirrigError(
            f"{expected}; got {first} in {n_impossible} pixels. Is the unit right, and is the "
            "value for 'no data' set in the file?"
        )


def _corners(window: _Window) -> FloatArray:
    n_rows, n_cols = window.values.shape
    right = window.left + n_cols * window.pixel_width
    bottom = window.top - n_rows * window.pixel_height
    return np.array(
        [
            [window.left, window.top],
            [right, window.top],
            [window.left, bottom],
            [right, bottom],
        ]
    )


def _warped(
    window: _Window,
    crs: pyproj.CRS,
    plane: PlaneOfWork,
    turf_bounds_m: Bounds,
    margin_m: float,
) -> _Window:
    """The window resampled into the working CRS, at its native resolution there."""
    width, height = _pixel_size_in_plane(window, crs, plane)
    scale = plane.record.metres_per_unit
    west, south, east, north = (bound / scale for bound in turf_bounds_m)
    margin = margin_m / scale
    n_around = MARGIN_PIXELS - 1  # the outermost pixels read serve to interpolate these
    left = west - margin - n_around * width
    top = north + margin + n_around * height
    n_cols = math.ceil((east + margin + n_around * width - left) / width)
    n_rows = math.ceil((top - (south - margin - n_around * height)) / height)
    values, _ = rasterio.warp.reproject(
        window.values,
        destination=np.full((n_rows, n_cols), np.nan),
        src_transform=rasterio.Affine(
            window.pixel_width, 0.0, window.left, 0.0, -window.pixel_height, window.top
        ),
        src_crs=rasterio.crs.CRS.from_wkt(crs.to_wkt()),
        src_nodata=np.nan,
        dst_transform=rasterio.Affine(width, 0.0, left, 0.0, -height, top),
        dst_crs=rasterio.crs.CRS.from_wkt(plane.crs.to_wkt()),
        dst_nodata=np.nan,
        resampling=rasterio.warp.Resampling.bilinear,
    )
    return _Window(values=values, left=left, top=top, pixel_width=width, pixel_height=height)


def _pixel_size_in_plane(
    window: _Window, crs: pyproj.CRS, plane: PlaneOfWork
) -> tuple[float, float]:
    """Width and height of the window's middle pixel in the working CRS's units."""
    n_rows, n_cols = window.values.shape
    x = window.left + n_cols / 2.0 * window.pixel_width
    y = window.top - n_rows / 2.0 * window.pixel_height
    transformer = transformer_between(crs, plane.crs, plane.area)
    eastings, northings = transformer.transform(
        [x, x + window.pixel_width, x], [y, y, y - window.pixel_height]
    )
    width = math.hypot(eastings[1] - eastings[0], northings[1] - northings[0])
    height = math.hypot(eastings[2] - eastings[0], northings[2] - northings[0])
    return width, height
