"""Cells traced as polygons, by hand."""

import numpy as np
import shapely

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.surfaces.patches import Patches, as_multipolygons

GRID = RasterGrid(left_m=10.0, top_m=4.0, cell_size_m=2.0, n_rows=2, n_cols=3)
CLASSES = np.array([[0, -1, 0], [0, 2, 2]], dtype=np.int32)


def test_patches_sums_and_means_by_hand():
    patches = Patches(CLASSES, GRID)
    values = np.array([[1.0, 9.0, 5.0], [3.0, 2.0, 4.0]])
    order = np.argsort(patches.sums(values))
    # cells of 4 m²: the pair 1 and 3, the lone 5, the pair 2 and 4
    assert patches.sums(values)[order].tolist() == [16.0, 20.0, 24.0]
    assert patches.means(values)[order].tolist() == [2.0, 5.0, 3.0]
    assert sorted(patches.class_index.tolist()) == [0, 0, 2]


def test_patches_smaller_than_the_least_area_are_left_out():
    assert sorted(Patches(CLASSES, GRID, min_area_m2=5.0).area_m2.tolist()) == [8.0, 8.0]


def test_areas_of_classes_gather_the_pieces_and_are_empty_where_there_is_none():
    areas = Patches(CLASSES, GRID).areas_of_classes(4)
    assert areas[0].equals(
        shapely.MultiPolygon([shapely.box(10, 0, 12, 4), shapely.box(14, 2, 16, 4)])
    )
    assert [area.is_empty for area in areas] == [False, True, False, True]
    assert {area.geom_type for area in areas} == {"MultiPolygon"}


def test_as_multipolygons_keeps_the_area():
    shapes = np.empty(2, dtype=object)
    shapes[:] = [shapely.box(0, 0, 1, 1), shapely.MultiPolygon([shapely.box(0, 0, 2, 1)])]
    whole = as_multipolygons(shapes)
    assert [area.geom_type for area in whole] == ["MultiPolygon"] * 2
    assert shapely.area(whole).tolist() == [1.0, 2.0]
