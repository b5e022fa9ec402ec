"""Points against polygons, with shapely as the judge."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapely.affinity

from geoirrig.grid.point_location import PolygonIndex, containing_polygons, polygon_index


def index_of(polygons: list[shapely.Geometry]) -> PolygonIndex:
    parts, owner = shapely.get_parts(np.array(polygons, dtype=object), return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    coordinates, ring = shapely.get_coordinates(rings, return_index=True)
    return polygon_index(coordinates, ring, owner[part], len(polygons))


def test_containing_polygons_points_on_a_common_border_belong_to_exactly_one() -> None:
    cells = [shapely.box(i, j, i + 1, j + 1) for j in range(5) for i in range(4)]
    index = index_of(cells)
    x, y = (v.ravel() for v in np.meshgrid(np.arange(0.0, 4.0, 0.25), np.arange(0.0, 5.0, 0.25)))
    first, second = containing_polygons(index, x, y)
    assert (first == np.floor(y) * 4 + np.floor(x)).all()
    assert (second == -1).all()


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 133.0])
def test_containing_polygons_turned_lattice_border_points_found_once(angle: float) -> None:
    cells = [
        shapely.affinity.rotate(shapely.box(i, j, i + 1, j + 1), angle, origin=(0, 0))
        for j in range(5)
        for i in range(4)
    ]
    middle = cells[5].exterior.interpolate(np.linspace(0.01, 3.99, 40), normalized=False)
    x, y = shapely.get_x(middle), shapely.get_y(middle)
    first, second = containing_polygons(index_of(cells), x, y)
    assert (first >= 0).all()
    assert (second == -1).all()


def test_containing_polygons_holes_parts_and_overlaps_agree_with_shapely() -> None:
    rng = np.random.default_rng(3)
    polygons: list[shapely.Geometry] = []
    for _ in range(60):
        x, y = rng.uniform(0.0, 100.0, 2)
        blob = shapely.Point(x, y).buffer(rng.uniform(2.0, 9.0))
        polygons.append(blob.difference(blob.centroid.buffer(1.5)))
    polygons[7] = shapely.union_all([polygons[7], shapely.box(200, 200, 210, 203)])
    polygons[8] = shapely.Polygon()
    points_x, points_y = rng.uniform(-5.0, 215.0, (2, 20_000))
    first, second = containing_polygons(index_of(polygons), points_x, points_y)
    inside = np.array([shapely.contains_xy(p, points_x, points_y) for p in polygons])
    count = inside.sum(axis=0)
    assert ((first >= 0) == (count > 0)).all()
    assert ((second >= 0) == (count > 1)).all()
    assert (first[count > 0] == inside.argmax(axis=0)[count > 0]).all()


def test_containing_polygons_nan_and_no_polygons_give_none() -> None:
    first, _ = containing_polygons(
        index_of([shapely.box(0, 0, 1, 1)]), np.array([np.nan, 0.5]), np.array([0.5, 0.5])
    )
    assert first.tolist() == [-1, 0]
    first, _ = containing_polygons(index_of([shapely.Polygon()]), np.zeros(2), np.zeros(2))
    assert first.tolist() == [-1, -1]
