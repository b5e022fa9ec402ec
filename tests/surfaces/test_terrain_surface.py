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
from geoirrig.physics.flow_direction import flow_bearing_deg
from geoirrig.records import TerrainRaster, TurfAreas, TurfCells
from geoirrig.surfaces.terrain_surface import (
    ground_elevation_m,
    sampled_at,
    terrain_notes,
    terrain_surface,
    turf_without_slope,
)
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
        plant_type=np.full(count, "cool_season_turf", dtype=object),
        root_depth_mm=np.full(count, 150.0),
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


@pytest.mark.parametrize("cell", [0.25, 1.0, 2.0, 3.0, 4.0])
def test_sampled_at_means_over_cells_of_a_ramp_are_the_ramp(cell: float) -> None:
    # Even and odd numbers of pixels in a cell; a straight ramp has its own value as the mean.
    x, y = np.arange(20) + 0.5, 19.5 - np.arange(20)[:, None]
    raster = raster_of(2.0 * x + 3.0 * y)
    east, north = np.array([10.0, 10.3, 7.5]), np.array([10.0, 9.1, 12.5])
    found = sampled_at(raster, raster.values, east, north, cell)
    assert found == pytest.approx(2.0 * east + 3.0 * north)


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
        plant_type=np.full(len(turf.turf_id), "cool_season_turf", dtype=object),
        root_depth_mm=np.full(len(turf.turf_id), 150.0),
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


def test_terrain_surface_method_is_passed_on() -> None:
    # Around the middle pixel (1 m): west 0, east 1, corners 0. Horn: 2·1/8 = 25 %; Zevenbergen and
    # Thorne: 1/2 = 50 %.
    values = np.zeros((3, 3))
    values[1, 2] = 1.0
    raster = raster_of(values, quantity="elevation_m")
    turf = turf_of(shapely.box(1, 1, 2, 2))
    cells = cells_of(turf, size=1.0)
    assert terrain_surface(raster, turf, cells).slope_pct.tolist() == [[25.0]]
    method = "zevenbergen_thorne_1987"
    assert terrain_surface(raster, turf, cells, method=method).slope_pct.tolist() == [[50.0]]


def inclined(n_rows: int, n_cols: int, *, pixel: float = 1.0) -> TerrainRaster:
    """Rising 0.03 m per metre eastward and 0.04 northward from 100 m at the origin."""
    x = pixel * (np.arange(n_cols) + 0.5)
    y = pixel * (n_rows - np.arange(n_rows)[:, None] - 0.5)
    return raster_of(100.0 + 0.03 * x + 0.04 * y, quantity="elevation_m", pixel=pixel)


def plane_at_cells(cells: TurfCells) -> np.ndarray:
    y = cells.grid.cell_centre_y_m()[:, None]
    return 100.0 + 0.03 * cells.grid.cell_centre_x_m() + 0.04 * y


def cells_in(turf: TurfAreas, west: float, south: float, east: float, north: float, size: float):
    return turf_cells(turf, RasterGrid.covering(west, south, east, north, cell_size_m=size))


@pytest.mark.parametrize("pixel", [0.1, 0.25, 0.5, 1.0, 2.0])
def test_ground_elevation_m_plane_is_exact_on_turf_and_ring_beyond_the_raster(pixel: float) -> None:
    # The raster ends where the turf does; the ring of two cells is carried on.
    side = 4.0
    raster = inclined(round(side / pixel), round(side / pixel), pixel=pixel)
    turf = turf_of(shapely.box(0, 0, side, side))
    cells = cells_in(turf, -1.0, -1.0, side + 1.0, side + 1.0, 0.25)
    elevation = ground_elevation_m(raster, cells)
    assert elevation.shape == (24, 24)
    ring = np.zeros((24, 24), dtype=bool)
    ring[2:-2, 2:-2] = True  # of 4 cells around the turf, two are wanted
    assert np.array_equal(np.isfinite(elevation), ring)
    assert elevation[ring] == pytest.approx(plane_at_cells(cells)[ring], abs=2e-9)
    bearing = flow_bearing_deg(elevation, pixel_width_m=0.25, pixel_height_m=0.25)
    downhill = 180.0 + np.degrees(np.arctan2(0.03, 0.04))
    assert bearing[ring] == pytest.approx(downhill, abs=1e-3)


@pytest.mark.parametrize("pixel", [0.125, 0.5, 1.0])
def test_ground_elevation_m_plane_is_exact_beside_a_gap(pixel: float) -> None:
    n = round(8.0 / pixel)
    raster = inclined(n, n, pixel=pixel)
    col = np.arange(n)
    is_middle = np.abs(pixel * (col + 0.5) - 4.0) < 1.0
    raster.values[np.ix_(is_middle, is_middle)] = np.nan
    turf = turf_of(shapely.box(1, 1, 3, 7), shapely.box(5, 1, 7, 7))  # on either side of it
    cells = cells_in(turf, 0.0, 0.0, 8.0, 8.0, 0.25)
    elevation = ground_elevation_m(raster, cells)
    wanted = np.zeros(cells.grid.shape, dtype=bool)
    wanted[2:-2, 2:-2] = True
    wanted[:, 14:-14] = False  # two cells beyond x = 3 end at 3.5, column 14
    assert np.array_equal(np.isfinite(elevation), wanted)
    assert elevation[wanted] == pytest.approx(plane_at_cells(cells)[wanted], abs=2e-9)


@pytest.mark.parametrize("pixel", [0.1, 0.7, 3.0])
def test_ground_elevation_m_level_ground_is_exactly_level(pixel: float) -> None:
    raster = raster_of(np.full((40, 40), 287.31), quantity="elevation_m", pixel=pixel)
    turf = turf_of(shapely.box(0.5, 0.5, 3.5, 3.5))
    cells = cells_in(turf, 0.0, 0.0, 4.0, 4.0, 0.25)
    elevation = ground_elevation_m(raster, cells)
    assert set(elevation[np.isfinite(elevation)].tolist()) == {287.31}


def test_ground_elevation_m_far_from_the_raster_is_unknown() -> None:
    raster = inclined(8, 4)  # x up to 4
    turf = turf_of(shapely.box(0, 0, 8, 8))
    cells = cells_in(turf, 0.0, 0.0, 8.0, 8.0, 1.0)
    known = np.isfinite(ground_elevation_m(raster, cells))
    assert known[:, :6].all()  # four columns and two carried on
    assert not known[:, 6:].any()
    nothing = raster_of(np.full((8, 8), np.nan), quantity="elevation_m")
    assert np.isnan(ground_elevation_m(nothing, cells)).all()


def test_ground_elevation_m_of_a_slope_raster_raises() -> None:
    cells = cells_of(turf_of(shapely.box(0, 0, 2, 2)))
    with pytest.raises(ValueError, match="must hold elevations; got slope_pct"):
        ground_elevation_m(raster_of(np.ones((2, 2))), cells)


def test_terrain_notes_coarse_pixels_are_told() -> None:
    cells = cells_of(turf_of(shapely.box(4, 4, 6, 6)), size=0.25)
    assert terrain_notes(inclined(10, 10), cells) == (
        "Elevation pixels of 1 m (3.28 ft) are coarser than the cells of 0.25 m (0.82 ft): a slope "
        "is that over 2 m (6.56 ft), the middles of 3 pixels, and a bank narrower than this comes "
        "out flatter than it is.",
    )


def test_terrain_notes_fine_pixels_are_told() -> None:
    cells = cells_of(turf_of(shapely.box(4, 4, 6, 6)), size=0.5)
    assert terrain_notes(inclined(100, 100, pixel=0.1), cells) == (
        "Elevation pixels of 0.1 m (0.328 ft) are finer than the cells of 0.5 m (1.64 ft): slopes "
        "over 0.2 m (0.656 ft), the middles of 3 pixels, are averaged over each cell, and noise of "
        "the elevations makes them steeper than the ground.",
    )


def test_terrain_notes_pixels_like_the_cells_and_slopes_need_no_word() -> None:
    cells = cells_of(turf_of(shapely.box(4, 4, 6, 6)), size=1.0)
    assert terrain_notes(inclined(10, 10), cells) == ()
    assert terrain_notes(inclined(20, 20, pixel=0.55), cells) == ()
    assert terrain_notes(None, cells) == ()
    assert terrain_notes(raster_of(np.ones((3, 3)), pixel=9.0), cells) == ()


def test_terrain_notes_turf_beside_a_gap_is_told() -> None:
    # 10 × 10 cells, one of them without elevation: its 8 neighbours of the 99 others lean on
    # extrapolated pixels, 8 %.
    raster = inclined(14, 14)
    raster.values[7, 7] = np.nan
    cells = cells_of(turf_of(shapely.box(2, 2, 12, 12)), size=1.0)
    assert terrain_notes(raster, cells) == (
        "8% of the turf lies beside a gap or the edge of the elevation raster: there, missing "
        "neighbours are extrapolated, and slopes are less certain.",
    )
    # The turf reaches the edge of the raster: 36 of 100 cells.
    cells = cells_of(turf_of(shapely.box(0, 0, 10, 10)), size=1.0)
    assert "36% of the turf" in terrain_notes(inclined(10, 10), cells)[0]
