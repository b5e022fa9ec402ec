"""Slope brought onto the grid."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
import rasterio
import rasterio.transform
import shapely
from matplotlib.cbook import get_sample_data

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import TerrainRaster, TurfAreas, TurfCells
from geoirrig.surfaces.terrain_surface import sampled_at, terrain_surface, turf_without_slope
from geoirrig.surfaces.turf_cells import turf_cells
from tests.external import require_program


def turf_of(*areas: shapely.Polygon, slope_pct: float = np.nan) -> TurfAreas:
    geometry = np.array(areas, dtype=object)
    count = len(areas)
    return TurfAreas(
        turf_id=np.array([f"T{n}" for n in range(count)], dtype=object),
        geometry=geometry,
        soil_texture=np.array(["loam"] * count, dtype=object),
        compaction=np.array(["none"] * count, dtype=object),
        slope_pct=np.full(count, slope_pct),
        attributes={},
    )


def raster_of(values: np.ndarray, *, quantity: str = "slope_pct", pixel: float = 1.0):
    return TerrainRaster(
        quantity=quantity,
        values=np.asarray(values, dtype=np.float64),
        left_m=0.0,
        top_m=pixel * len(values),
        pixel_width_m=pixel,
        pixel_height_m=pixel,
    )


def cells_of(turf: TurfAreas, *, size: float = 0.5) -> TurfCells:
    grid = RasterGrid.covering(*shapely.total_bounds(turf.geometry), cell_size_m=size)
    return turf_cells(turf, grid)


def test_sampled_at_between_pixel_centres_is_bilinear() -> None:
    # Pixel centres at x 0.5 and 1.5, y 1.5 (top) and 0.5. Middle of all four: their mean, 2.5.
    raster = raster_of(np.array([[1.0, 2.0], [3.0, 4.0]]))
    x, y = np.array([0.5, 1.0, 1.0, 0.75]), np.array([1.5, 1.5, 1.0, 1.5])
    assert sampled_at(raster, raster.values, x, y, 0.25).tolist() == [1.0, 1.5, 2.5, 1.25]


def test_sampled_at_beside_a_gap_takes_the_pixels_that_have_data() -> None:
    raster = raster_of(np.array([[1.0, np.nan], [3.0, 4.0]]))
    x, y = np.array([0.9, 1.1]), np.array([1.5, 1.5])
    found = sampled_at(raster, raster.values, x, y, 0.25)
    assert found[0] == 1.0  # own pixel has data; its neighbour to the east has none
    assert np.isnan(found[1])  # centre lies in the pixel without data


def test_sampled_at_beyond_the_raster_is_unknown() -> None:
    raster = raster_of(np.array([[5.0, 5.0], [5.0, 5.0]]))
    x, y = np.array([-0.01, 0.01, 1.99, 2.01]), np.full(4, 1.0)
    assert np.isnan(sampled_at(raster, raster.values, x, y, 0.25)).tolist() == [
        True,
        False,
        False,
        True,
    ]


def test_terrain_surface_own_slope_of_a_polygon_prevails() -> None:
    turf = turf_of(shapely.box(0, 0, 2, 2), shapely.box(2, 0, 4, 2))
    turf = TurfAreas(
        turf_id=turf.turf_id,
        geometry=turf.geometry,
        soil_texture=turf.soil_texture,
        compaction=turf.compaction,
        slope_pct=np.array([np.nan, 17.0]),
        attributes={},
    )
    surface = terrain_surface(raster_of(np.full((2, 4), 6.0)), turf, cells_of(turf))
    assert np.unique(surface.slope_pct[:, :4]).tolist() == [6.0]
    assert np.unique(surface.slope_pct[:, 4:]).tolist() == [17.0]


def test_terrain_surface_elevation_plane_gives_slope_and_way_uphill() -> None:
    # z rises 0.3 m per metre eastward and 0.4 northward: slope 50 %, bearing atan(0.3/0.4).
    x, y = np.meshgrid(np.arange(20) + 0.5, 19.5 - np.arange(20))
    elevation = raster_of(0.3 * x + 0.4 * y, quantity="elevation_m")
    turf = turf_of(shapely.box(0, 0, 20, 20))
    surface = terrain_surface(elevation, turf, cells_of(turf))
    assert surface.slope_pct == pytest.approx(50.0, abs=1e-4)
    assert surface.uphill_bearing_deg == pytest.approx(np.degrees(np.arctan2(0.3, 0.4)), abs=1e-3)


def test_turf_without_slope_counts_the_cells_of_each_polygon() -> None:
    turf = turf_of(shapely.box(0, 0, 2, 2), shapely.box(2, 0, 4, 2))
    values = np.full((2, 4), 3.0)
    values[0, 3] = np.nan  # one pixel of the second polygon: 2 × 2 cells
    cells = cells_of(turf)
    missing, total = turf_without_slope(terrain_surface(raster_of(values), turf, cells), cells, 2)
    assert missing.tolist() == [0, 4]
    assert total.tolist() == [16, 16]


def test_terrain_surface_real_elevations_agree_with_gdaldem(tmp_path: Path) -> None:
    # Cell centres on pixel centres, so that nothing is interpolated. Horn's slope, in percent.
    gdaldem = require_program("gdaldem")
    with get_sample_data("jacksboro_fault_dem.npz") as sample:
        elevation = sample["elevation"][:120, :120].astype(np.float64)
    pixel = 90.0
    with rasterio.open(
        tmp_path / "dem.tif",
        "w",
        driver="GTiff",
        height=120,
        width=120,
        count=1,
        dtype="float64",
        crs="EPSG:26916",
        transform=rasterio.transform.from_origin(0.0, 120 * pixel, pixel, pixel),
    ) as dem:
        dem.write(elevation, 1)
    subprocess.run(
        [gdaldem, "slope", "-p", "-alg", "Horn", "-q", tmp_path / "dem.tif", tmp_path / "s.tif"],
        check=True,
    )
    with rasterio.open(tmp_path / "s.tif") as slope:
        reference = slope.read(1)
    turf = turf_of(shapely.box(pixel, pixel, 119 * pixel, 119 * pixel))
    cells = cells_of(turf, size=pixel)
    raster = raster_of(elevation, quantity="elevation_m", pixel=pixel)
    ours = terrain_surface(raster, turf, cells).slope_pct
    assert ours.shape == (118, 118)
    assert np.max(np.abs(ours - reference[1:-1, 1:-1])) < 1e-3
