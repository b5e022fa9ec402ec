"""Slopes set off by hand, and that nothing of a polygon gets lost."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import TerrainSurface, TurfAreas, TurfCells
from geoirrig.surfaces.slope_units import class_slope_units, turf_slope_units
from geoirrig.surfaces.turf_cells import turf_cells

CELL_M = 1.0


def ground(slope_pct, shapes=None, ids=None):
    """Turf, cells and slope of a small grid, given row by row; by default one polygon over all."""
    slope = np.asarray(slope_pct, dtype=np.float32)
    n_rows, n_cols = slope.shape
    grid = RasterGrid(
        left_m=0.0, top_m=n_rows * CELL_M, cell_size_m=CELL_M, n_rows=n_rows, n_cols=n_cols
    )
    shapes = [shapely.box(0.0, 0.0, n_cols, n_rows)] if shapes is None else shapes
    geometry = np.empty(len(shapes), dtype=object)
    geometry[:] = shapes
    ids = [f"T{number}" for number in range(len(shapes))] if ids is None else ids
    turf = TurfAreas(
        turf_id=np.array(ids, dtype=object),
        geometry=geometry,
        soil_texture=np.array(["loam"] * len(shapes), dtype=object),
        compaction=np.array(["none"] * len(shapes), dtype=object),
        slope_pct=np.full(len(shapes), np.nan),
        plant_type=np.full(len(shapes), "cool_season_turf", dtype=object),
        root_depth_mm=np.full(len(shapes), 150.0),
        attributes={},
    )
    cells = turf_cells(turf, grid)
    masked = np.where(cells.turf_index >= 0, slope, np.nan).astype(np.float32)
    return turf, cells, TerrainSurface(grid=grid, slope_pct=masked)


def by_class(*site, least=0.0):
    return class_slope_units(*site, least_area_m2=least)


# --- polygons ------------------------------------------------------------------------------------


def test_turf_slope_units_are_the_polygons_themselves():
    turf, cells, _ = ground(np.ones((4, 6)), [shapely.box(0, 0, 2, 4), shapely.box(3, 0, 6, 4)])
    units = turf_slope_units(turf, cells)
    assert units.slope_unit.tolist() == ["T0", "T1"]
    assert units.area_m2.tolist() == [8.0, 12.0]
    assert np.array_equal(units.unit_index, cells.turf_index)
    assert [area.geom_type for area in units.geometry] == ["MultiPolygon"] * 2


# --- parts by hand -------------------------------------------------------------------------------


def test_class_slope_units_two_classes_are_two_parts_the_larger_first():
    units = by_class(*ground([[2, 2, 9, 9, 9], [2, 2, 9, 9, 9]]))
    assert units.slope_unit.tolist() == ["T0/1", "T0/2"]
    assert units.area_m2.tolist() == [6.0, 4.0]
    assert units.unit_index.tolist() == [[1, 1, 0, 0, 0]] * 2
    assert units.geometry[0].equals(shapely.box(2, 0, 5, 2))


def test_class_slope_units_parts_that_touch_at_a_corner_are_apart():
    units = by_class(*ground([[2, 9], [9, 2]]))
    assert len(units.slope_unit) == 4
    assert units.unit_index.tolist() == [[0, 1], [2, 3]]  # alike: in reading order


def test_class_slope_units_small_part_goes_where_its_border_is_longest():
    # the two cells of 30 % touch the 9 % ground along four sides and the 2 % ground along one
    slope = [[2, 2, 9, 9, 9], [2, 2, 30, 30, 9], [2, 2, 9, 9, 9]]
    units = by_class(*ground(slope), least=3.0)
    assert units.unit_index.tolist() == [[1, 1, 0, 0, 0]] * 3
    assert units.area_m2.tolist() == [9.0, 6.0]


def test_class_slope_units_part_of_exactly_the_least_area_stays():
    slope = [[2, 2, 9, 9, 9], [2, 2, 9, 9, 9]]
    assert len(by_class(*ground(slope), least=4.0).slope_unit) == 2
    assert len(by_class(*ground(slope), least=4.1).slope_unit) == 1


def test_class_slope_units_lone_island_goes_to_the_largest_part():
    # a polygon of two pieces: the small one has no neighbour
    pieces = shapely.MultiPolygon([shapely.box(0, 0, 4, 2), shapely.box(6, 0, 7, 1)])
    units = by_class(*ground([[2, 9, 9, 9, 0, 0, 0], [2, 9, 9, 9, 0, 0, 2]], [pieces]), least=2.0)
    assert units.unit_index.tolist() == [[1, 0, 0, 0, -1, -1, -1], [1, 0, 0, 0, -1, -1, 0]]


def test_class_slope_units_chain_of_small_parts_becomes_one():
    units = by_class(*ground([[2, 5, 9, 30, 2, 5, 9]]), least=7.0)
    assert units.unit_index.tolist() == [[0] * 7]
    assert units.slope_unit.tolist() == ["T0/1"]


def test_class_slope_units_whole_polygon_keeps_its_outline():
    triangle = shapely.Polygon([(0, 0), (6, 0), (0, 6)])
    units = by_class(*ground(np.full((6, 6), 2.0), [triangle]))
    assert units.geometry[0].equals(triangle)
    assert units.area_m2.tolist() == [18.0]


def test_class_slope_units_never_join_two_polygons():
    shapes = [shapely.box(0, 0, 2, 2), shapely.box(2, 0, 4, 2)]
    units = by_class(*ground([[2, 2, 2, 9], [2, 2, 2, 9]], shapes), least=100.0)
    assert units.turf_number.tolist() == [0, 1]
    assert units.slope_unit.tolist() == ["T0/1", "T1/1"]


def test_class_slope_units_polygon_without_a_cell_is_a_slope_without_cells():
    shapes = [shapely.box(0, 0, 2, 2), shapely.box(2.6, 0.6, 2.9, 0.9)]
    units = by_class(*ground(np.full((2, 4), 2.0), shapes))
    assert units.slope_unit.tolist() == ["T0/1", "T1/1"]
    assert units.area_m2[1] == pytest.approx(0.09)
    assert not np.any(units.unit_index == 1)


def test_class_slope_units_ids_stay_apart_when_an_id_holds_a_slash():
    shapes = [shapely.box(0, 0, 2, 1), shapely.box(2, 0, 4, 1)]
    units = by_class(*ground([[2, 9, 2, 9]], shapes, ids=["A", "A/1"]))
    assert units.slope_unit.tolist() == ["A/1", "A/2", "A/1/1", "A/1/2"]


def test_class_slope_units_unknown_slope_is_a_part_of_its_own():
    turf, cells, terrain = ground([[2, 2, 2]])
    slope = np.array([[2.0, 2.0, np.nan]], dtype=np.float32)
    units = by_class(turf, cells, TerrainSurface(grid=terrain.grid, slope_pct=slope))
    assert units.unit_index.tolist() == [[0, 0, 1]]


# --- invariants ----------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    n_rows=st.integers(1, 12),
    n_cols=st.integers(2, 12),
    least=st.floats(0.0, 20.0),
)
def test_class_slope_units_cover_each_polygon_once(seed, n_rows, n_cols, least):
    random = np.random.default_rng(seed)
    middle = n_cols // 2
    shapes = [shapely.box(0, 0, middle, n_rows), shapely.box(middle, 0, n_cols, n_rows)]
    turf, cells, terrain = ground(random.choice([2.0, 5.0, 9.0, 30.0], (n_rows, n_cols)), shapes)
    units = by_class(turf, cells, terrain, least=least)
    for number, shape in enumerate(shapes):
        own = units.turf_number == number
        assert np.sum(units.area_m2[own]) == pytest.approx(shape.area, rel=1e-12)
        assert shapely.union_all(units.geometry[own]).equals(shape)
        sizes = units.area_m2[own]
        assert np.all(np.diff(sizes) <= 0.0)
        assert np.all(sizes >= least * (1 - 1e-9)) or len(sizes) == 1
    for unit in range(len(units.slope_unit)):  # in one piece, since the polygons are
        assert ndimage.label(units.unit_index == unit)[1] == 1
    assert len(set(units.slope_unit)) == len(units.slope_unit)


def test_class_slope_units_give_the_same_whatever_the_order_of_polygons():
    shapes = [shapely.box(0, 0, 5, 8), shapely.box(5, 0, 10, 8)]
    slope = np.random.default_rng(2).choice([2.0, 5.0, 30.0], (8, 10))
    first = by_class(*ground(slope, shapes, ["a", "b"]), least=3.0)
    turned = by_class(*ground(slope, shapes[::-1], ["b", "a"]), least=3.0)
    assert dict(zip(first.slope_unit, first.area_m2, strict=True)) == dict(
        zip(turned.slope_unit, turned.area_m2, strict=True)
    )


def test_turf_cells_record_is_left_as_it_was():
    turf, cells, terrain = ground([[2, 9, 9]])
    before = TurfCells(grid=cells.grid, turf_index=cells.turf_index.copy())
    by_class(turf, cells, terrain)
    assert np.array_equal(before.turf_index, cells.turf_index)
