"""Dry spots, overspray and hotspots as polygons."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import (
    HardscapeAreas,
    PrecipitationSurface,
    RunoffRiskSurface,
    TerrainSurface,
    TurfCells,
)
from geoirrig.surfaces.finding_areas import dry_cells, dry_spots, overspray, runoff_hotspots
from tests.surfaces.test_terrain_surface import turf_of

GRID = RasterGrid(left_m=0.0, top_m=4.0, cell_size_m=1.0, n_rows=4, n_cols=6)
TURF = turf_of(shapely.box(0, 0, 4, 4))
CELLS = TurfCells(
    grid=GRID, turf_index=np.where(np.arange(6) < 4, 0, -1).repeat(4).reshape(6, 4).T.astype("i4")
)


def surface(depth: np.ndarray) -> PrecipitationSurface:
    """One zone wherever water falls."""
    return PrecipitationSurface(
        grid=GRID,
        zone_rates=(),
        precipitation_rate_mm_h=depth,
        main_zone=np.where(depth > 0.0, 0, -1).astype(np.int32),
        heads_reaching=(depth > 0.0).astype(np.uint8),
        head_on_target_fraction=np.ones(1),
    )


def test_dry_spots_below_half_of_the_mean_are_traced_by_zone() -> None:
    depth = np.zeros(GRID.shape, dtype=np.float32)
    depth[:, :4] = 10.0
    depth[0, :2] = 4.0  # two cells below half of 10: a patch of 2 m²
    depth[3, 3] = 0.0  # one cell that nothing reaches
    water = surface(depth)
    dry = dry_cells(CELLS, water, depth, np.array([10.0]), ratio=0.5)
    table = dry_spots(dry, TURF, CELLS, water, depth, zone_means={"A": 10.0}, min_area_m2=0.5)
    assert sorted(table.columns["area_m2"].tolist()) == [1.0, 2.0]
    by_area = dict(zip(table.columns["area_m2"].tolist(), range(2), strict=True))
    assert table.columns["zone"][by_area[2.0]] == "A"
    assert table.columns["mean_depth_mm"][by_area[2.0]] == 4.0
    assert table.columns["zone"][by_area[1.0]] is None
    assert table.columns["finding"][by_area[1.0]] == "No head reaches this turf."
    assert all(area.is_valid for area in table.geometry)


def test_dry_spots_smaller_than_the_least_area_are_left_out() -> None:
    depth = np.full(GRID.shape, 10.0, dtype=np.float32)
    depth[0, 0] = 1.0
    water = surface(depth)
    dry = dry_cells(CELLS, water, depth, np.array([10.0]), ratio=0.5)
    options = {"zone_means": {"A": 10.0}}
    none = dry_spots(dry, TURF, CELLS, water, depth, min_area_m2=1.5, **options)
    assert len(none.geometry) == 0
    one = dry_spots(dry, TURF, CELLS, water, depth, min_area_m2=1.0, **options)
    assert len(one.geometry) == 1


def test_overspray_names_what_it_lands_on_and_adds_up() -> None:
    # Columns 4 and 5 are off the turf; column 5 is paved. 2 mm on 4 cells each of 1 m²: 8 L each.
    depth = np.full(GRID.shape, 2.0, dtype=np.float32)
    paving = HardscapeAreas(
        surface=np.array(["concrete walk"], dtype=object),
        geometry=np.array([shapely.box(5, 0, 6, 4)], dtype=object),
    )
    table = overspray(CELLS, depth, paving)
    found = dict(zip(table.columns["surface"], table.columns["overspray_l"], strict=True))
    assert found == pytest.approx({"concrete walk": 8.0, "other ground": 8.0})
    assert "8.0 L (2.1 US gal) an event land on concrete walk." in table.columns["finding"]


def test_overspray_slivers_are_one_row_and_lose_no_litre() -> None:
    grid = RasterGrid(left_m=0.0, top_m=1.0, cell_size_m=0.25, n_rows=4, n_cols=4)
    turf_index = np.zeros(grid.shape, dtype=np.int32)
    turf_index[0, 0] = turf_index[2, 2] = -1  # two single cells of 0.0625 m², not neighbours
    depth = np.full(grid.shape, 8.0, dtype=np.float32)
    table = overspray(TurfCells(grid=grid, turf_index=turf_index), depth, None)
    assert table.columns["overspray_l"].tolist() == pytest.approx([1.0])  # 2 × 8 mm × 0.0625 m²
    assert table.columns["area_m2"].tolist() == [0.125]
    assert "in 2 slivers along the edges" in table.columns["finding"][0]


def test_overspray_without_any_is_an_empty_table() -> None:
    assert len(overspray(CELLS, np.zeros(GRID.shape, dtype=np.float32), None).geometry) == 0


def test_runoff_hotspots_of_a_square_metre_and_more() -> None:
    runoff_mm = np.full(GRID.shape, np.nan, dtype=np.float32)
    runoff_mm[:, :4] = 0.0
    runoff_mm[1, 1:3] = [3.0, 5.0]  # 2 m²: 8 L
    slope = np.where(CELLS.turf_index >= 0, np.float32(12.0), np.float32(np.nan))
    risk = RunoffRiskSurface(
        grid=GRID,
        minutes_to_runoff=runoff_mm,
        runoff_depth_mm=runoff_mm,
        runoff_probability=runoff_mm,
    )
    terrain = TerrainSurface(grid=GRID, slope_pct=slope)
    table = runoff_hotspots(TURF, CELLS, risk, terrain, min_area_m2=1.0)
    assert table.columns["area_m2"].tolist() == [2.0]
    assert table.columns["runoff_l"].tolist() == [8.0]
    assert table.columns["mean_runoff_depth_mm"].tolist() == [4.0]
    assert table.columns["mean_slope_pct"].tolist() == [12.0]
    assert table.columns["turf_id"].tolist() == ["T0"]
    assert len(runoff_hotspots(TURF, CELLS, risk, terrain, min_area_m2=2.5).geometry) == 0
