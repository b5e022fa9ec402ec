"""Which cells are turf."""

from __future__ import annotations

import exactextract
import geopandas as gpd
import numpy as np
import pytest
import rasterio
import rasterio.transform
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.surfaces.turf_cells import area_index, whole_grid


def areas(*polygons: shapely.Polygon) -> np.ndarray:
    return np.array(polygons, dtype=object)


def test_area_index_takes_the_cells_whose_centres_are_inside() -> None:
    # Centres at 0.5, 1.5, 2.5: a box from 0.6 to 2.6 holds 1.5 and 2.5 each way.
    grid = RasterGrid.covering(0, 0, 4, 4, cell_size_m=1.0)
    index = area_index(areas(shapely.box(0.6, 0.6, 2.6, 2.6)), grid)
    assert np.argwhere(index == 0).tolist() == [[1, 1], [1, 2], [2, 1], [2, 2]]


def test_area_index_leaves_a_hole_out() -> None:
    grid = RasterGrid.covering(0, 0, 4, 4, cell_size_m=1.0)
    ring = shapely.box(0, 0, 4, 4).difference(shapely.box(1, 1, 3, 3))
    assert np.count_nonzero(area_index(areas(ring), grid) == 0) == 12  # 16 less 2 × 2


def test_area_index_overlap_goes_to_the_first() -> None:
    grid = RasterGrid.covering(0, 0, 3, 1, cell_size_m=1.0)
    index = area_index(areas(shapely.box(0, 0, 2, 1), shapely.box(1, 0, 3, 1)), grid)
    assert index.tolist() == [[0, 0, 1]]


def test_area_index_without_polygons_is_empty() -> None:
    grid = RasterGrid.covering(0, 0, 2, 1, cell_size_m=1.0)
    assert area_index(areas(), grid).tolist() == [[-1, -1]]


@given(
    x=st.floats(1.0, 5.0),
    y=st.floats(1.0, 5.0),
    radius=st.floats(0.5, 4.0),
    sides=st.integers(3, 9),
)
def test_area_index_agrees_with_point_in_polygon(
    x: float, y: float, radius: float, sides: int
) -> None:
    turn = 2.0 * np.pi * (np.arange(sides) + 0.123) / sides
    polygon = shapely.Polygon(
        np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])
    )
    grid = RasterGrid.covering(-4, -4, 10, 10, cell_size_m=0.5)
    centre_x, centre_y = np.meshgrid(grid.cell_centre_x_m(), grid.cell_centre_y_m())
    inside = shapely.contains_xy(polygon, centre_x, centre_y)
    edge = shapely.distance(polygon.exterior, shapely.points(centre_x, centre_y)) < 1e-6
    differs = (area_index(areas(polygon), grid) == 0) != inside
    assert not np.any(differs & ~edge)


def test_mean_over_cells_agrees_with_exactextract(tmp_path) -> None:
    # exactextract weighs cells by the share that the polygon covers; counting centres comes close
    # for a polygon of many cells. A plane of values: 1 per metre eastward.
    grid = RasterGrid.covering(0, 0, 40, 40, cell_size_m=0.25)
    polygon = shapely.Polygon([(3.1, 4.2), (33.7, 8.9), (28.3, 35.6), (7.7, 30.1)])
    values = np.broadcast_to(grid.cell_centre_x_m(), grid.shape).astype(np.float32)
    with rasterio.open(
        tmp_path / "plane.tif",
        "w",
        driver="GTiff",
        height=grid.n_rows,
        width=grid.n_cols,
        count=1,
        dtype="float32",
        crs="EPSG:32611",
        transform=rasterio.transform.from_origin(0.0, 40.0, 0.25, 0.25),
    ) as raster:
        raster.write(values, 1)
    frame = gpd.GeoDataFrame(geometry=[polygon], crs=32611)
    answer = exactextract.exact_extract(tmp_path / "plane.tif", frame, ["mean", "count"])
    expected = answer[0]["properties"]
    inside = area_index(areas(polygon), grid) == 0
    assert values[inside].mean() == pytest.approx(expected["mean"], rel=1e-3)
    assert np.count_nonzero(inside) == pytest.approx(expected["count"], rel=2e-3)


def test_whole_grid_holds_all_and_keeps_the_edges() -> None:
    grids = [
        RasterGrid.covering(500_000.1, 4_000_000.3, 500_010.2, 4_000_007.7, cell_size_m=0.3),
        RasterGrid.covering(499_995.0, 4_000_001.0, 500_004.0, 4_000_020.0, cell_size_m=0.3),
    ]
    whole = whole_grid(grids)
    west, south, east, north = whole.bounds_m
    for grid in grids:
        left, bottom, right, top = grid.bounds_m
        assert west <= left + 1e-6
        assert south <= bottom + 1e-6
        assert east >= right - 1e-6
        assert north >= top - 1e-6
        assert (left - west) / 0.3 == pytest.approx(round((left - west) / 0.3), abs=1e-5)
    assert whole_grid(grids[::-1]) == whole
    assert whole_grid(grids[:1]) == grids[0]
