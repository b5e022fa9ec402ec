"""Rings of polygons: by hand, and from their bytes the same as from geometry objects."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.grid.polygon_rings import polygon_rings

LAWN = shapely.Polygon(
    [(0, 0), (8, 0), (8, 6), (0, 6)], [[(1, 1), (1, 2), (2, 2)], [(4, 4), (5, 4), (5, 5), (4, 5)]]
)
STRIP = shapely.Polygon([(10, 0), (12, 0), (11, 3)])
TWO_PARTS = shapely.MultiPolygon([LAWN, STRIP])


def objects(*polygons: shapely.Geometry) -> np.ndarray:
    return np.array(polygons, dtype=object)


def in_bytes(polygons: np.ndarray, **options: object) -> np.ndarray:
    return np.asarray(shapely.to_wkb(polygons, **options), dtype=object)


def assert_same(polygons: np.ndarray, wkb: np.ndarray) -> None:
    for found, expected in zip(polygon_rings(wkb), polygon_rings(polygons), strict=True):
        assert found.dtype == expected.dtype
        np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("as_given", [objects(STRIP, LAWN), in_bytes(objects(STRIP, LAWN))])
def test_polygon_rings_hand_worked(as_given: np.ndarray) -> None:
    rings = polygon_rings(as_given)
    assert rings.ring_point.tolist() == [0, 4, 9, 13, 18]  # each ends where it begins
    assert rings.polygon_ring.tolist() == [0, 1, 4]
    assert rings.x[:4].tolist() == [10.0, 12.0, 11.0, 10.0]
    assert rings.y[9:13].tolist() == [1.0, 2.0, 2.0, 1.0]


def test_polygon_rings_multipolygon_has_those_of_its_parts() -> None:
    rings = polygon_rings(objects(STRIP, TWO_PARTS, STRIP))
    assert rings.polygon_ring.tolist() == [0, 1, 5, 6]
    assert rings.ring_point.tolist() == [0, 4, 9, 13, 18, 22, 26]


@pytest.mark.parametrize(
    "polygons",
    [
        objects(LAWN, shapely.Polygon(), STRIP),
        objects(shapely.Polygon()),
        objects(STRIP, TWO_PARTS),
        shapely.force_3d(objects(LAWN, STRIP), 7.0),
    ],
    ids=["empty among others", "empty", "two parts", "heights"],
)
def test_polygon_rings_of_bytes_other_than_flat_polygons(polygons: np.ndarray) -> None:
    assert_same(polygons, in_bytes(polygons))


def test_polygon_rings_of_bytes_highest_byte_first() -> None:
    polygons = objects(LAWN, STRIP)
    assert_same(polygons, in_bytes(polygons, byte_order=0))
    mixed = in_bytes(polygons)
    mixed[1] = in_bytes(polygons, byte_order=0)[1]
    assert_same(polygons, mixed)


def test_polygon_rings_none() -> None:
    x, y, ring_point, polygon_ring = polygon_rings(objects())
    assert len(x) == len(y) == 0
    assert ring_point.tolist() == polygon_ring.tolist() == [0]


@given(
    counts=st.lists(st.lists(st.integers(3, 9), min_size=1, max_size=4), min_size=1, max_size=12),
    seed=st.integers(0, 1000),
)
def test_polygon_rings_of_bytes_any_polygons(counts: list[list[int]], seed: int) -> None:
    rng = np.random.default_rng(seed)
    rings = [[rng.normal(5e5, 1e3, (count, 2)) for count in polygon] for polygon in counts]
    polygons = objects(*(shapely.Polygon(outer, inner) for outer, *inner in rings))
    assert_same(polygons, in_bytes(polygons))
