"""Points against polygons, with shapely as the judge."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.grid.point_location import (
    PolygonIndex,
    containing_polygons,
    index_of_polygons,
    polygon_index,
    sole_polygons,
)


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


def test_index_of_polygons_rings_and_parts_are_those_of_shapely() -> None:
    hole = shapely.box(0, 0, 9, 9).difference(shapely.box(3, 3, 6, 6))
    parts = shapely.MultiPolygon([shapely.box(20, 0, 21, 1), shapely.box(22, 0, 23, 1)])
    twice = shapely.Polygon([(40, 0), (40, 0), (41, 0), (41, 1)])  # begins with a corner twice
    polygons = [hole, None, twice, parts, shapely.Polygon(), shapely.box(30, 0, 31, 1), hole]
    found = index_of_polygons(np.array(polygons, dtype=object))
    expected = index_of(polygons)
    for one, other in zip(
        (*found.edges, *found.buckets), (*expected.edges, *expected.buckets), strict=True
    ):
        assert np.array_equal(one, other)
    assert np.diff(found.edges.first).tolist() == [4, 0, 2, 4, 0, 2, 4]  # those that are not level
    assert found.edges.box[3].tolist() == [20, 0, 23, 1]


def test_polygon_index_polygon_with_a_corner_that_is_nan_holds_nothing() -> None:
    broken = shapely.box(0, 0, 4, 4)
    corners = shapely.get_coordinates(broken)
    corners[2] = np.nan
    broken = shapely.set_coordinates(broken, corners)
    first, _ = containing_polygons(
        index_of([broken, shapely.box(1, 1, 2, 2)]), *np.full((2, 1), 1.5)
    )
    assert first.tolist() == [1]


def grouped_points(
    points: list[list[tuple[float, float]]],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x, y = np.array([point for own in points for point in own], dtype=float).reshape(-1, 2).T
    return x, y, np.repeat(np.arange(len(points)), [len(own) for own in points])


def test_sole_polygons_by_hand() -> None:
    """Two lots with a line in common, and a third that lies over the second."""
    index = index_of(
        [shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10), shapely.box(18, 0, 30, 10)]
    )
    groups = [
        [(1.0, 1.0), (9.0, 9.0)],  # in the first
        [],
        [(9.0, 5.0), (11.0, 5.0)],  # across the line
        [(11.0, 5.0), (10.0, 5.0)],  # on the line: one of both, here the second
        [(11.0, 5.0), (19.0, 5.0)],  # all in the second, one in the third too
        [(29.0, 5.0), (31.0, 5.0)],  # one outside
        [(-5.0, 5.0), (99.0, 99.0)],
        [(25.0, 5.0), (np.nan, 5.0)],
        [(np.nan, np.nan)],
        [(25.0, 5.0)],
        [(1e300, 5.0), (-1e300, 5.0), (np.inf, -np.inf)],
    ]
    found = sole_polygons(index, *grouped_points(groups), len(groups))
    assert found.tolist() == [0, -1, -1, 1, -1, -1, -1, -1, -1, 2, -1]


def test_sole_polygons_no_polygons_and_no_points_give_none() -> None:
    x, y, group = grouped_points([[(0.0, 0.0)]])
    assert sole_polygons(index_of([shapely.Polygon()]), x, y, group, 1).tolist() == [-1]
    assert sole_polygons(index_of([]), x, y, group, 1).tolist() == [-1]
    nothing = grouped_points([])
    assert sole_polygons(index_of([shapely.box(0, 0, 1, 1)]), *nothing, 2).tolist() == [-1, -1]


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.2, 30.0), st.floats(0.1, 40.0))
def test_sole_polygons_as_point_by_point(seed: int, size_m: float, spread_m: float) -> None:
    rng = np.random.default_rng(seed)
    middle = rng.uniform(0.0, 100.0, (30, 2))
    polygons = [shapely.Point(m).buffer(rng.uniform(0.1, size_m), quad_segs=2) for m in middle]
    polygons[3] = polygons[3].union(polygons[4])
    polygons[5] = polygons[5].difference(shapely.Point(middle[5]).buffer(0.1, quad_segs=1))
    index = index_of(polygons)
    around = np.repeat(rng.uniform(-10.0, 110.0, (40, 2)), 5, axis=0)
    around[:100] = np.repeat(middle[:20], 5, axis=0)
    x, y = (around + rng.normal(0.0, spread_m / 5.0, around.shape)).T
    first, second = (found.reshape(40, 5) for found in containing_polygons(index, x, y))
    is_sole = (first == first[:, :1]).all(axis=1) & (second < 0).all(axis=1)
    found = sole_polygons(index, x, y, np.repeat(np.arange(40), 5), 40)
    assert found.tolist() == np.where(is_sole, first[:, 0], -1).tolist()
