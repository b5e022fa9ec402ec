"""Measures per turf polygon and zone."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import trapezoid_profile
from geoirrig.records import (
    AdvisedCycles,
    AnalysisSettings,
    EventPlan,
    RunoffRiskSurface,
    TerrainSurface,
    ZonePlan,
)
from geoirrig.surfaces.coverage_tables import head_results, turf_results, zone_results
from geoirrig.surfaces.head_findings import head_evidence
from geoirrig.surfaces.precipitation_surface import precipitation_surface
from geoirrig.surfaces.turf_cells import turf_cells
from tests.surfaces.lattice import layout_of
from tests.surfaces.test_terrain_surface import turf_of

# Two lawns of 2 m × 2 m; 1 m cells: four cells each.
GRID = RasterGrid(left_m=0.0, top_m=2.0, cell_size_m=1.0, n_rows=2, n_cols=5)
TURF = turf_of(shapely.box(0, 0, 2, 2), shapely.box(3, 0, 5, 2))
CELLS = turf_cells(TURF, GRID)


def table_of(depth_rows, runoff_rows):
    depth = np.array(depth_rows, dtype=np.float32)
    off = CELLS.turf_index < 0
    runoff = np.where(off, np.nan, np.array(runoff_rows)).astype(np.float32)
    minutes = np.where(off, np.nan, np.arange(10).reshape(2, 5) * 10.0).astype(np.float32)
    risk = RunoffRiskSurface(
        grid=GRID,
        minutes_to_runoff=minutes,
        runoff_depth_mm=runoff,
        runoff_probability=np.where(off, np.nan, 0.25).astype(np.float32),
    )
    slope = np.where(off, np.nan, np.arange(10).reshape(2, 5)).astype(np.float32)
    layout = layout_of([1.0], [1.0], 1.0, profile=trapezoid_profile(0.6), radius_m=3.0)
    water = precipitation_surface(layout, 1, GRID, on_turf=~off)
    water = dataclasses.replace(water, precipitation_rate_mm_h=2.0 * depth)
    return turf_results(
        TURF,
        CELLS,
        water,
        depth,
        dry=(CELLS.turf_index >= 0) & (depth < 5.0),
        terrain=TerrainSurface(grid=GRID, slope_pct=slope),
        runoff=risk,
    ).columns


def test_turf_results_measures_of_four_cells() -> None:
    found = table_of(
        [[4.0, 8.0, 0.0, 0.0, 0.0], [12.0, 16.0, 0.0, 0.0, 0.0]],
        [[1.0, 0.0, 0.0, 0.0, 0.0], [2.0, 3.0, 0.0, 0.0, 0.0]],
    )
    # Depths 4 8 12 16: mean 10; low quarter 4/10; low half 6/10; CU 1 − (6+2+2+6)/40 = 0.6.
    assert found["mean_depth_mm"].tolist() == [10.0, 0.0]
    assert found["mean_rate_mm_h"].tolist() == [20.0, 0.0]
    assert found["du_lq"][0] == pytest.approx(0.4)
    assert found["du_lh"][0] == pytest.approx(0.6)
    assert found["cu"][0] == pytest.approx(0.6)
    # 5 % of four cells is a window of one cell: 10/4.
    assert found["scheduling_coefficient"][0] == pytest.approx(2.5)
    assert found["dry_fraction"].tolist() == [0.25, 1.0]
    # Runoff 1 + 2 + 3 mm on 1 m² each: 6 L of 40 L.
    assert found["runoff_l"].tolist() == [6.0, 0.0]
    assert found["runoff_fraction"].tolist() == pytest.approx([0.15, 0.0])
    assert found["runoff_rank"].tolist() == [1, 2]
    assert found["area_m2"].tolist() == [4.0, 4.0]
    # Slopes 0 1 5 6; minutes 0 10 50 60: 5th percentile 0 + 0.15·10.
    assert found["mean_slope_pct"][0] == 3.0
    assert found["max_slope_pct"][0] == 6.0
    assert found["minutes_to_runoff"][0] == pytest.approx(1.5)
    assert found["runoff_probability"].tolist() == [0.25, 0.25]


def test_turf_results_of_turf_without_water_are_null_not_zero() -> None:
    found = table_of(np.zeros((2, 5)), np.zeros((2, 5)))
    for measure in ("du_lq", "du_lh", "cu", "scheduling_coefficient"):
        assert np.isnan(found[measure]).all()
    assert found["runoff_rank"].tolist() == [1, 1]  # nothing to tell them apart


def test_zone_results_shares_add_up_and_zone_without_turf_is_null() -> None:
    # Zone A in the middle of the first lawn; zone B far outside of all turf.
    layout = layout_of([1.0, 40.0], [1.0, 40.0], 6.0, profile=trapezoid_profile(0.6), radius_m=3.0)
    layout = dataclasses.replace(layout, zone_index=np.array([0, 1]))
    plan = ZonePlan(
        zone=("A", "B"),
        run_minutes=np.full(2, np.nan),
        cycles=np.array([1, 1]),
        soak_minutes=np.zeros(2),
    )
    water = precipitation_surface(layout, 2, GRID, on_turf=CELLS.turf_index >= 0)
    evidence = head_evidence(layout, plan, water, AnalysisSettings())
    nothing = np.where(CELLS.turf_index < 0, np.nan, 0.0).astype(np.float32)
    found = zone_results(
        plan,
        EventPlan(
            start_minute=np.zeros(2),
            cycles=np.array([1, 1]),
            cycle_minutes=np.array([10.0, 0.0]),
            soak_minutes=np.zeros(2),
        ),
        layout,
        CELLS,
        water,
        evidence=evidence,
        runoff=RunoffRiskSurface(
            grid=GRID,
            minutes_to_runoff=nothing,
            runoff_depth_mm=nothing,
            runoff_probability=nothing,
        ),
        advised=AdvisedCycles(
            cycles=np.array([1, 0]),
            cycle_minutes=np.array([10.0, np.nan]),
            soak_minutes=np.array([0.0, np.nan]),
        ),
    ).columns
    assert (found["on_target_fraction"] + found["overspray_fraction"]).tolist() == [1.0, 1.0]
    assert found["head_count"].tolist() == [1, 1]
    assert found["on_target_fraction"][1] == 0.0
    assert found["served_area_m2"][1] == 0.0
    # 60·6 L/h over the served area.
    assert found["gross_rate_mm_h"][0] == pytest.approx(360.0 / found["served_area_m2"][0])
    assert np.isnan(found["gross_rate_mm_h"][1])
    assert np.isnan(found["du_lq"][1])
    assert found["advised_cycles"].tolist() == [1, None]


def test_head_results_keep_the_input_columns_and_the_resolved_figures() -> None:
    layout = layout_of([1.0], [1.0], 6.0, profile=trapezoid_profile(0.6), radius_m=3.0)
    layout = dataclasses.replace(
        layout, attributes={"head_id": layout.head_id, "note": np.array(["old"], dtype=object)}
    )
    plan = ZonePlan(
        zone=("A",),
        run_minutes=np.array([np.nan]),
        cycles=np.array([1]),
        soak_minutes=np.zeros(1),
    )
    water = precipitation_surface(layout, 1, GRID, on_turf=CELLS.turf_index >= 0)
    evidence = head_evidence(layout, plan, water, AnalysisSettings())
    table = head_results(layout, water, evidence)
    assert table.columns["note"].tolist() == ["old"]
    assert table.columns["flow_lpm"].tolist() == [6.0]
    assert shapely.get_coordinates(table.geometry).tolist() == [[1.0, 1.0]]
