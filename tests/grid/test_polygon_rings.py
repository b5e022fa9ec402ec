"""Rings of polygons: by hand, and from their bytes the same as from geometry objects."""

from __future__ import annotations

import struct

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.grid.polygon_rings import (
    packed_rings,
    polygon_boxes,
    polygon_rings,
    sole_ring_areas,
)

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
        objects(STRIP, shapely.MultiPolygon(), LAWN),
        objects(STRIP, None, LAWN),
        objects(None),
        shapely.force_3d(objects(LAWN, STRIP), 7.0),
    ],
    ids=["empty among others", "empty", "two parts", "no part", "none", "all none", "heights"],
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


def packed(rows: list[bytes]) -> tuple[np.ndarray, np.ndarray]:
    return np.frombuffer(b"".join(rows), np.uint8), np.cumsum([0, *map(len, rows)])


def test_packed_rings_rows_without_bytes_and_bytes_around_them() -> None:
    strip, two_parts = in_bytes(objects(STRIP, TWO_PARTS)).tolist()
    data, start = packed([b"before", b"", strip, b"", two_parts, b"after"])
    rings = packed_rings(data, start[1:-1])
    assert rings is not None
    assert rings.polygon_ring.tolist() == [0, 0, 1, 1, 5]
    assert rings.x[:4].tolist() == [10.0, 12.0, 11.0, 10.0]


@pytest.mark.parametrize(
    "row",
    [
        shapely.to_wkb(shapely.Point(1, 2)),
        shapely.to_wkb(shapely.GeometryCollection([STRIP])),
        shapely.to_wkb(shapely.force_3d(STRIP, 1.0)),
        shapely.to_wkb(shapely.set_srid(STRIP, 4326), include_srid=True),
        shapely.to_wkb(STRIP)[:-1],
        shapely.to_wkb(STRIP) + b"0",
        struct.pack("<BIII4d", 1, 3, 1, 2, 0.0, 0.0, 0.0, 0.0),  # a ring of one corner
        struct.pack("<BIII8d", 1, 3, 1, 4, *map(float, range(8))),  # one that is not closed
        b"\x01",
        b"\x01\x03\x00\x00\x00\xff\xff\xff\xff",  # rings without end
        b"\x01\x06\x00\x00\x00\xff\xff\xff\xff",  # parts without end
        b"\x01\x03\x00\x00\x00\x01\x00\x00\x00\xff\xff\xff\xff",  # points without end
    ],
)
def test_packed_rings_something_else_is_not_read(row: bytes) -> None:
    assert packed_rings(*packed([shapely.to_wkb(LAWN), row])) is None


@given(st.data())
def test_packed_rings_bytes_at_fault_are_read_as_shapely_does_or_not_at_all(
    data: st.DataObject,
) -> None:
    row = bytearray(shapely.to_wkb(data.draw(st.sampled_from([STRIP, LAWN, TWO_PARTS]))))
    for _ in range(data.draw(st.integers(1, 3))):
        row[data.draw(st.integers(0, len(row) - 1))] = data.draw(st.integers(0, 255))
    row = row[: data.draw(st.integers(0, len(row)))] if data.draw(st.booleans()) else row
    found = packed_rings(*packed([bytes(row)]))
    if found is None or not row:
        return
    read = shapely.from_wkb(bytes(row), on_invalid="ignore")
    if read is not None:  # it minds rings that are not closed
        for one, other in zip(found, polygon_rings(objects(read)), strict=True):
            np.testing.assert_array_equal(one, other)


def test_polygon_boxes_and_areas_hand_worked() -> None:
    broken = shapely.set_coordinates(
        shapely.box(0, 0, 1, 1), [(0, 0), (1, np.nan), (1, 1), (0, 1), (0, 0)]
    )
    rings = polygon_rings(objects(STRIP, LAWN, TWO_PARTS, None, shapely.Polygon(), broken))
    assert polygon_boxes(rings)[:3].tolist() == [[10, 0, 12, 3], [0, 0, 8, 6], [0, 0, 12, 6]]
    assert np.isnan(polygon_boxes(rings)[3:]).all()
    assert sole_ring_areas(rings)[0] == 3.0
    assert np.isnan(sole_ring_areas(rings)[1:]).all()


@given(
    st.lists(st.tuples(st.integers(-9, 9), st.integers(-9, 9)), min_size=3, max_size=9),
    st.sampled_from([(0.0, 0.0), (420_000.25, 4_610_000.75)]),
)
def test_sole_ring_areas_as_shapely_finds_them(
    ring: list[tuple[int, int]], place_m: tuple[float, float]
) -> None:
    polygons = objects(shapely.Polygon(np.array(ring) + place_m))
    found = sole_ring_areas(polygon_rings(polygons))
    assert found[0] == pytest.approx(shapely.area(polygons)[0], rel=1e-12, abs=1e-9)
    assert (polygon_boxes(polygon_rings(polygons)) == shapely.bounds(polygons)).all()
