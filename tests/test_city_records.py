"""Bytes of many rows in one piece."""

from __future__ import annotations

import numpy as np
import shapely

from geoirrig.city_records import outline_rings, packed_bytes


def test_packed_bytes_of_rows_in_any_order() -> None:
    rows = np.array([b"ab", None, b"c", b"def"], dtype=object)
    packed = packed_bytes(rows)
    assert packed.data.tobytes() == b"abcdef"
    assert packed.start.tolist() == [0, 2, 2, 3, 6]
    assert packed.of_all().tolist() == rows.tolist()
    assert packed.of_rows(np.array([3, 0, 1])).tolist() == [b"def", b"ab", None]


def test_packed_bytes_of_nothing() -> None:
    packed = packed_bytes(np.empty(0, dtype=object))
    assert packed.of_all().tolist() == []


def test_outline_rings_of_bytes_plain_and_not() -> None:
    square = shapely.box(0, 0, 1, 2)
    rows = [square, None, shapely.box(5, 5, 6, 6)]
    for drawn in (rows, shapely.force_3d(np.array(rows, dtype=object), 7.0)):
        rings = outline_rings(packed_bytes(np.asarray(shapely.to_wkb(drawn), dtype=object)))
        assert rings.polygon_ring.tolist() == [0, 1, 1, 2]
        assert rings.x.tolist() == [1, 1, 0, 0, 1, 6, 6, 5, 5, 6]
