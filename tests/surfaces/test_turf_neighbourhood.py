"""Connected lawns and the heads that belong to them."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoirrig.surfaces.turf_neighbourhood import Neighbourhood, neighbourhoods
from tests.surfaces.small_lawn import heads


def lawns(x: list[float], y: list[float], *turf: shapely.Geometry) -> tuple[Neighbourhood, ...]:
    return neighbourhoods(np.array(turf, dtype=object), heads(x, y))


def test_neighbourhoods_polygons_that_touch_are_one_lawn() -> None:
    (lawn,) = lawns([3.0], [3.0], shapely.box(0, 0, 6, 6), shapely.box(6, 0, 9, 6))
    assert lawn.area.area == pytest.approx(54.0)


def test_neighbourhoods_a_walk_between_keeps_them_apart_with_the_heads_of_each() -> None:
    found = lawns(
        [0.0, 6.0, 7.5, 14.0], [0.0] * 4, shapely.box(0, 0, 6, 6), shapely.box(7.5, 0, 14, 6)
    )
    assert [lawn.heads.tolist() for lawn in found] == [[0, 1], [2, 3]]
    assert [lawn.area.area for lawn in found] == [36.0, 39.0]


def test_neighbourhoods_head_a_metre_beside_counts_and_one_farther_off_does_not() -> None:
    (lawn,) = lawns([-0.9, -1.1], [3.0, 3.0], shapely.box(0, 0, 6, 6))
    assert lawn.heads.tolist() == [0]


def test_neighbourhoods_lawn_without_heads_and_parts_of_a_multipolygon() -> None:
    two = shapely.MultiPolygon([shapely.box(0, 0, 6, 6), shapely.box(20, 0, 26, 6)])
    (lawn,) = lawns([23.0], [3.0], two)
    assert lawn.area.bounds == (20.0, 0.0, 26.0, 6.0)
    assert lawns([], [], two) == ()
