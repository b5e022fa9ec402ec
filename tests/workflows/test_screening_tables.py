"""Outlines as the tables of a screening have them."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoirrig.city_records import PackedBytes, packed_bytes
from geoirrig.workflows.screening_tables import _kinds, _on_map

SQUARE = shapely.box(3.0, 6.0, 9.0, 12.0)
SQUARES = shapely.MultiPolygon([SQUARE, shapely.box(20.0, 0.0, 21.0, 1.0)])
LITTLE, BIG = 1, 0


def packed(*shapes: shapely.Geometry | None, byte_order: int = LITTLE) -> PackedBytes:
    rows = np.empty(len(shapes), dtype=object)
    rows[:] = shapely.to_wkb(np.array(shapes, dtype=object), byte_order=byte_order)
    return packed_bytes(rows)


@pytest.mark.parametrize("byte_order", [LITTLE, BIG])
@pytest.mark.parametrize(
    ("shapes", "expected"),
    [
        ((), []),
        ((None,), []),
        ((SQUARE, None, SQUARE), ["Polygon"]),
        ((None, SQUARES), ["MultiPolygon"]),
        ((SQUARES, SQUARE), ["Polygon", "MultiPolygon"]),
        ((shapely.force_3d(SQUARE, 1.0),), ["Polygon"]),
    ],
)
def test_kinds_are_those_that_occur(
    shapes: tuple[shapely.Geometry | None, ...], expected: list[str], byte_order: int
) -> None:
    assert _kinds(packed(*shapes, byte_order=byte_order)) == expected


def test_on_map_metres_stay_as_they_are() -> None:
    outlines = packed(SQUARE, None)
    assert _on_map(outlines, 1.0) is outlines


def test_on_map_other_units_go_back_and_a_gap_stays() -> None:
    found = shapely.from_wkb(_on_map(packed(SQUARE, None, SQUARES), 3.0).of_all())
    assert shapely.bounds(found[0]).tolist() == [1.0, 2.0, 3.0, 4.0]
    assert found[1] is None
    assert shapely.area(found[2]) == pytest.approx(37.0 / 9.0)
