"""Points against polygons, with shapely as the judge."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.grid.point_location import (
    PolygonIndex,
    containing_polygons,
    overlapping_boxes,
    polygon_index,
    sole_polygons,
)
from geoirrig.grid.polygon_rings import polygon_rings
from geoirrig.grid.ring_kernels import Rings


def index_of(polygons: list[shapely.Geometry]) -> PolygonIndex:
    return polygon_index(polygon_rings(np.array(polygons, dtype=object)))


def test_containing_polygons_points_on_a_common_border_belong_to_exactly_one() -> None:
    cells = [shapely.box(i, j, i + 1, j + 1) for j in range(5) for i in range(4)]
    index = index_of(cells)
    x, y = (v.ravel() for v in np.meshgrid(np.arange(0.0, 4.0, 0.25), np.arange(0.0, 5.0, 0.25)))
    found = containing_polygons(index, x, y)
    assert (found == np.floor(y) * 4 + np.floor(x)).all()


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 133.0])
def test_containing_polygons_turned_lattice_border_points_found_once(angle: float) -> None:
    cells = [
        shapely.affinity.rotate(shapely.box(i, j, i + 1, j + 1), angle, origin=(0, 0))
        for j in range(5)
        for i in range(4)
    ]
    middle = cells[5].exterior.interpolate(np.linspace(0.01, 3.99, 40), normalized=False)
    x, y = shapely.get_x(middle), shapely.get_y(middle)
    found = containing_polygons(index_of(cells), x, y)
    assert (found >= 0).all()
    backwards = len(cells) - 1 - containing_polygons(index_of(cells[::-1]), x, y)
    assert (found == backwards).all()  # no other holds it


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
    found = containing_polygons(index_of(polygons), points_x, points_y)
    inside = np.array([shapely.contains_xy(p, points_x, points_y) for p in polygons])
    count = inside.sum(axis=0)
    assert ((found >= 0) == (count > 0)).all()
    assert (found[count > 0] == inside.argmax(axis=0)[count > 0]).all()


def test_containing_polygons_nan_and_no_polygons_give_none() -> None:
    first = containing_polygons(
        index_of([shapely.box(0, 0, 1, 1)]), np.array([np.nan, 0.5]), np.array([0.5, 0.5])
    )
    assert first.tolist() == [-1, 0]
    first = containing_polygons(index_of([shapely.Polygon()]), np.zeros(2), np.zeros(2))
    assert first.tolist() == [-1, -1]


def test_polygon_index_edges_are_those_of_all_rings_that_are_not_level() -> None:
    hole = shapely.box(0, 0, 9, 9).difference(shapely.box(3, 3, 6, 6))
    parts = shapely.MultiPolygon([shapely.box(20, 0, 21, 1), shapely.box(22, 0, 23, 1)])
    twice = shapely.Polygon([(40, 0), (40, 0), (41, 0), (41, 1)])  # begins with a corner twice
    found = index_of([hole, None, twice, parts, shapely.Polygon(), shapely.box(30, 0, 31, 1), hole])
    assert np.diff(found.edges.first).tolist() == [4, 0, 2, 4, 0, 2, 4]
    assert found.edges.box[3].tolist() == [20, 0, 23, 1]
    assert np.isnan(found.edges.box[[1, 4]]).all()
    edges = zip(*(ends.tolist() for ends in found.edges[1:5]), strict=True)
    assert sorted(set(edges))[:4] == [(0, 0, 0, 9), (3, 3, 3, 6), (6, 3, 6, 6), (9, 0, 9, 9)]


def test_polygon_index_polygon_with_a_corner_that_is_nan_holds_nothing() -> None:
    broken = shapely.box(0, 0, 4, 4)
    corners = shapely.get_coordinates(broken)
    corners[2] = np.nan
    broken = shapely.set_coordinates(broken, corners)
    first = containing_polygons(index_of([broken, shapely.box(1, 1, 2, 2)]), *np.full((2, 1), 1.5))
    assert first.tolist() == [1]


def rings_through(points: list[list[tuple[float, float]]]) -> Rings:
    """A ring through each list of points, as they are; none where there is no point."""
    x, y = np.array([point for own in points for point in own], dtype=float).reshape(-1, 2).T
    count = np.array([len(own) for own in points], dtype=np.int64)
    has_ring = count > 0
    return Rings(
        x.copy(),
        y.copy(),
        np.concatenate([[0], np.cumsum(count[has_ring])]),
        np.concatenate([[0], np.cumsum(has_ring, dtype=np.int64)]),
    )


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
    found = sole_polygons(index, rings_through(groups))
    assert found.tolist() == [0, -1, -1, 1, -1, -1, -1, -1, -1, 2, -1]


def test_sole_polygons_no_polygons_and_no_points_give_none() -> None:
    point = rings_through([[(0.0, 0.0)]])
    assert sole_polygons(index_of([shapely.Polygon()]), point).tolist() == [-1]
    assert sole_polygons(index_of([]), point).tolist() == [-1]
    nothing = rings_through([[], []])
    assert sole_polygons(index_of([shapely.box(0, 0, 1, 1)]), nothing).tolist() == [-1, -1]
    assert sole_polygons(index_of([]), rings_through([])).tolist() == []


def test_sole_polygons_corners_drawn_in() -> None:
    """Turf that reaches 3 cm over the lot line; 5 cm to the middle of a box of 3 by 4 m."""
    lots = index_of([shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10)])
    over = polygon_rings(np.array([shapely.box(7.03, 2, 10.03, 6), shapely.box(4, 4, 4.06, 4.06)]))
    assert sole_polygons(lots, over).tolist() == [-1, 0]
    assert sole_polygons(lots, over, drawn_in_m=0.049).tolist() == [-1, 0]  # 0.6 of it eastwards
    assert sole_polygons(lots, over, drawn_in_m=0.051).tolist() == [0, 0]


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
    holds = np.array([shapely.contains_xy(polygon, x, y) for polygon in polygons])
    n_held = holds.reshape(30, 40, 5).sum(axis=2)  # of each group by each polygon
    is_sole = (n_held.max(axis=0) == 5) & (n_held.sum(axis=0) == 5)
    points = np.stack([x, y], axis=1).reshape(40, 5, 2)
    found = sole_polygons(index, rings_through([[tuple(p) for p in own] for own in points]))
    assert found.tolist() == np.where(is_sole, n_held.argmax(axis=0), -1).tolist()


def test_polygon_index_a_lot_far_off_leaves_the_buckets_as_small_as_they_were() -> None:
    lots = [shapely.box(i, j, i + 1, j + 1) for j in range(40) for i in range(40)]
    far = [shapely.box(5e6, -3e6, 5e6 + 1, -3e6 + 1), shapely.box(-9e5, 20, -9e5 + 1, 21)]
    index = index_of([*lots, *far])
    assert np.max(np.diff(index.buckets.first)) < 40
    x, y = (
        np.array([0.5, 39.5, 5e6 + 0.5, -9e5 + 0.5, -9e5, 6e6]),
        np.array([0.5, 39.5, -3e6 + 0.5, 20.5, 19.0, -3e6]),
    )
    assert containing_polygons(index, x, y).tolist() == [0, 1599, 1600, 1601, -1, -1]
    assert [len(rows) for rows in overlapping_boxes(index, np.full(1602, 0.1))] == [0, 0]


# --- pairs of boxes ------------------------------------------------------------------------------


def test_overlapping_boxes_by_hand() -> None:
    """A row of squares of 10 m, each 1 m over the next; one far off; one without a corner."""
    squares = [shapely.box(9.0 * k, 0, 9.0 * k + 10, 10) for k in range(4)]
    index = index_of([*squares, shapely.box(900, 900, 990, 990), shapely.Polygon()])
    for least_m2, pairs in ((9.9, [(0, 1), (1, 2), (2, 3)]), (10.1, [])):
        least = np.full(6, least_m2)
        assert list(zip(*overlapping_boxes(index, least), strict=True)) == pairs
    some = np.array([20.0, 20.0, 9.0, 20.0, 0.0, 0.0])  # the lesser of both holds
    assert list(zip(*overlapping_boxes(index, some), strict=True)) == [(1, 2), (2, 3)]
    assert [len(rows) for rows in overlapping_boxes(index_of([]), np.zeros(0))] == [0, 0]


def test_overlapping_boxes_more_pairs_than_most_cities_have() -> None:
    index = index_of([shapely.box(0, 0, 1, 1)] * 20)
    low, high = overlapping_boxes(index, np.zeros(20))
    assert list(zip(low, high, strict=True)) == list(itertools.combinations(range(20), 2))


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.2, 60.0), st.floats(0.0, 30.0))
def test_overlapping_boxes_as_pair_by_pair(seed: int, size_m: float, least_m2: float) -> None:
    rng = np.random.default_rng(seed)
    corner, size = rng.uniform(0.0, 100.0, (40, 2)), rng.uniform(0.0, size_m, (40, 2))
    box = np.hstack([corner, corner + size])
    box[20:30] = np.round(box[20:30], -1)  # some with sides in common, some without an area
    polygons = [shapely.box(*b) for b in box]
    least = rng.uniform(0.0, least_m2, 40)
    expected = [
        (a, b)
        for a, b in itertools.combinations(range(40), 2)
        if shapely.intersection(polygons[a], polygons[b]).area > min(least[a], least[b]) + 1e-9
    ]
    found = list(zip(*overlapping_boxes(index_of(polygons), least), strict=True))
    assert set(expected) <= set(found)
    assert found == sorted(set(found))
    for a, b in set(found) - set(expected):  # to rounding
        shared = shapely.intersection(polygons[a], polygons[b]).area
        assert shared > min(least[a], least[b]) - 1e-9
