"""Bytes of many rows in one piece."""

from __future__ import annotations

import numpy as np

from geoirrig.city_records import packed_bytes


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
