"""What is too narrow, and what is only a corner."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geoirrig.surfaces.narrow_areas import connected_areas, narrow_part, narrowest_width_m

LAWN = shapely.box(0, 0, 10, 10)


def dumbbell(neck_m: float, length_m: float) -> shapely.Geometry:
    """Two lawns of 10 m joined by a neck."""
    neck = shapely.box(10, 5 - neck_m / 2, 10 + length_m, 5 + neck_m / 2)
    other = shapely.affinity.translate(LAWN, 10 + length_m)
    return shapely.union_all([LAWN, neck, other])


def mouth_m2(neck_m: float, width_m: float) -> float:
    """Circular segment by which a disc of the width dips into a neck."""
    radius = width_m / 2.0
    half = math.asin(neck_m / width_m)
    return radius**2 * (half - math.sin(half) * math.cos(half))


def test_narrow_part_of_a_square_has_no_corners() -> None:
    assert narrow_part(LAWN, 3.0).is_empty
    assert narrow_part(LAWN, 9.99).is_empty
    assert narrow_part(LAWN, 10.01).area == pytest.approx(100.0)


def test_narrow_part_of_a_strip_is_all_of_it() -> None:
    assert narrow_part(shapely.box(0, 0, 40, 2), 3.05).area == pytest.approx(80.0)


@given(
    long_m=st.floats(1.0, 60.0),
    short_m=st.floats(0.5, 20.0),
    turn_deg=st.floats(0.0, 360.0),
    width_m=st.floats(0.5, 8.0),
)
@settings(max_examples=60, deadline=None)
def test_narrow_part_of_a_turned_rectangle_is_all_or_nothing(
    long_m: float, short_m: float, turn_deg: float, width_m: float
) -> None:
    side = min(long_m, short_m)
    assume(abs(side / width_m - 1.0) > 1e-3)  # on the limit, rounding of the turn decides
    area = shapely.affinity.rotate(shapely.box(0, 0, long_m, short_m), turn_deg)
    expected = long_m * short_m if side < width_m else 0.0
    assert narrow_part(area, width_m).area == pytest.approx(expected, abs=1e-6)


@given(radius_m=st.floats(0.5, 10.0), width_m=st.floats(0.5, 8.0))
@settings(max_examples=40, deadline=None)
def test_narrow_part_of_a_disc_is_all_or_nothing(radius_m: float, width_m: float) -> None:
    assume(abs(2.0 * radius_m / width_m - 1.0) > 0.01)  # a polygon of 128 sides is no disc
    disc = shapely.Point(3.0, 4.0).buffer(radius_m, quad_segs=32)
    expected = disc.area if 2.0 * radius_m < width_m else 0.0
    assert narrow_part(disc, width_m).area == pytest.approx(expected, abs=1e-6)


@given(neck_m=st.floats(0.3, 2.8), length_m=st.floats(3.0, 20.0))
@settings(max_examples=40, deadline=None)
def test_narrow_part_of_two_lawns_is_the_neck_between_them(neck_m: float, length_m: float) -> None:
    # The discs of 3 m that fit into the lawns dip into both mouths of the neck.
    expected = neck_m * length_m - 2.0 * mouth_m2(neck_m, 3.0)
    found = narrow_part(dumbbell(neck_m, length_m), 3.0).area
    assert found == pytest.approx(expected, abs=0.02)


@given(first_m=st.floats(0.5, 6.0), second_m=st.floats(0.5, 6.0))
@settings(max_examples=30, deadline=None)
def test_narrow_part_grows_with_the_width(first_m: float, second_m: float) -> None:
    area = dumbbell(1.5, 8.0)
    low, high = sorted((first_m, second_m))
    assert narrow_part(area, low).area <= narrow_part(area, high).area + 1e-6


def test_narrow_part_dead_end_counts_and_a_slanting_corner_does_not() -> None:
    dead_end = shapely.union_all([LAWN, shapely.box(10, 4, 16, 6)])
    assert narrow_part(dead_end, 3.0).area == pytest.approx(12.0 - mouth_m2(2.0, 3.0), abs=0.01)
    equilateral = shapely.Polygon([(0, 0), (20, 0), (10, 10 * math.sqrt(3))])
    assert narrow_part(equilateral, 3.0).is_empty


def test_narrow_part_wedge_of_fourteen_degrees_counts() -> None:
    # Where a disc of 3 m no longer fits into the tip of atan(1/4).
    wedge = shapely.Polygon([(0, 0), (20, 0), (20, 5)])
    half = math.atan(0.25) / 2.0
    tip = 1.5**2 * (1.0 / math.tan(half) - (math.pi / 2.0 - half))
    assert narrow_part(wedge, 3.0).area == pytest.approx(tip, abs=0.02)


def test_narrow_part_round_and_clipped_corners_do_not_count() -> None:
    rounded = shapely.box(1, 1, 9, 9).buffer(1.0)
    clipped = shapely.Polygon([(1, 0), (9, 0), (10, 1), (10, 9), (9, 10), (1, 10), (0, 9), (0, 1)])
    assert narrow_part(rounded, 3.0).is_empty
    assert narrow_part(clipped, 3.0).is_empty


def test_narrow_part_ring_around_a_bed() -> None:
    ring = LAWN.difference(shapely.box(2, 2, 8, 8))
    assert narrow_part(ring, 3.0).area == pytest.approx(ring.area)
    assert narrow_part(ring, 1.9).is_empty


@pytest.mark.parametrize("neck_m", [0.7, 1.5, 2.4])
def test_narrowest_width_is_that_of_the_neck(neck_m: float) -> None:
    area = dumbbell(neck_m, 8.0)
    found = narrowest_width_m(area, area, at_most_m=3.0, least_area_m2=1.0)
    assert found == pytest.approx(neck_m, abs=0.02)


def test_connected_areas_neighbours_are_one_and_others_are_not() -> None:
    halves = np.array(
        [shapely.box(0, 0, 2, 20), shapely.box(2.005, 0, 4, 20), shapely.box(9, 0, 11, 20)],
        dtype=object,
    )
    found = sorted(connected_areas(halves), key=lambda area: area.area)
    assert [round(area.area, 1) for area in found] == [40.0, 80.0]
    assert narrow_part(found[1], 3.0).is_empty
