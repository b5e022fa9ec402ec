"""Corners without a head, and strips narrower than the throw."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoirrig.records import SprinklerLayout
from geoirrig.surfaces.layout_corners import corner_findings, strip_findings
from geoirrig.surfaces.layout_finding import LayoutFinding
from geoirrig.surfaces.turf_neighbourhood import neighbourhoods
from tests.surfaces.small_lawn import heads, square

L_SHAPE = shapely.Polygon([(0, 0), (12, 0), (12, 6), (6, 6), (6, 12), (0, 12)])


def corners(layout: SprinklerLayout, *turf: shapely.Geometry) -> list[LayoutFinding]:
    lawns = neighbourhoods(np.array(turf, dtype=object), layout)
    return [finding for lawn in lawns for finding in corner_findings(layout, lawn)]


def strips(layout: SprinklerLayout, *turf: shapely.Geometry) -> list[LayoutFinding]:
    lawns = neighbourhoods(np.array(turf, dtype=object), layout)
    return [finding for lawn in lawns for finding in strip_findings(layout, lawn)]


def test_corner_findings_square_with_a_head_missing() -> None:
    layout, lawn = square()
    assert corners(layout, lawn) == []
    three = heads(layout.x_m[[0, 1, 3]], layout.y_m[[0, 1, 3]], arc_deg=90.0,
                  start_bearing_deg=layout.start_bearing_deg[[0, 1, 3]])  # fmt: skip
    (found,) = corners(three, lawn)
    # The heads at (0, 6) and (6, 0) throw 6 m along the sides, just as far as the corner (6, 6).
    assert (found.x_m, found.y_m) == (6.0, 6.0)
    assert (found.measured_value, found.limit_value) == (6.0, 1.5)
    assert found.severity == "low"
    assert found.sentence == (
        "No head stands in this corner of 90°: the nearest, H1, is 6.0 m (19.7 ft) away; 2 heads "
        "reach the corner."
    )


def test_corner_findings_severity_goes_by_the_heads_that_reach_it() -> None:
    lawn = shapely.box(0, 0, 6, 6)
    # Full circles at the middle of the west side reach its ends, 3 m off, but not the east ends,
    # √45 = 6.7 m off.
    found = corners(heads([0.0], [3.0]), lawn)
    by_place = {(f.x_m, f.y_m): f.severity for f in found}
    assert by_place == {
        (0.0, 0.0): "medium", (0.0, 6.0): "medium", (6.0, 0.0): "high", (6.0, 6.0): "high",
    }  # fmt: skip


def test_corner_findings_inner_corner_is_none() -> None:
    found = corners(heads([0, 6, 12, 12, 6, 0], [0, 0, 0, 6, 12, 12]), L_SHAPE)
    assert found == []  # of the six corners, (6, 6) points inwards


def test_corner_findings_corner_of_a_hole_that_points_into_it_is_none() -> None:
    around = shapely.box(0, 0, 12, 12).difference(shapely.box(3, 3, 9, 9))
    at_corners = heads([0.0, 0.0, 12.0, 12.0], [0.0, 12.0, 12.0, 0.0])
    assert corners(at_corners, around) == []


def test_corner_findings_blunt_bends_curves_and_short_steps_are_none() -> None:
    disc = shapely.Point(0.0, 0.0).buffer(8.0)
    assert corners(heads([0.0], [0.0]), disc) == []
    hexagon = shapely.Polygon([(10 * np.sin(a), 10 * np.cos(a)) for a in np.pi / 3 * np.arange(6)])
    assert len(corners(heads([0.0], [0.0]), hexagon)) == 6  # each turns by 60°
    octagon = shapely.Point(0.0, 0.0).buffer(8.0, quad_segs=2)
    assert corners(heads([0.0], [0.0]), octagon) == []  # 45°
    stepped = shapely.Polygon([(0, 0), (6, 0), (6, 3), (5, 3), (5, 4), (6, 4), (6, 6), (0, 6)])
    layout, _ = square()
    assert corners(layout, stepped) == []  # a notch of 1 m


def test_strip_findings_dead_end_narrower_than_the_throw() -> None:
    # A lawn of 10 × 10 m with an arm of 8 × 2 m; one head of 5 m in the lawn, one in the arm.
    lawn = shapely.union_all([shapely.box(0, 0, 10, 10), shapely.box(10, 0, 18, 2)])
    layout = heads([5.0, 16.0], [5.0, 0.0], radius_m=[5.0, 3.6])
    (found,) = strips(layout, lawn)
    assert found.measured_value == pytest.approx(2.0, abs=0.1)
    assert found.limit_value == 3.6
    assert found.severity == "medium"  # the throw is 1.8 times the width
    assert 10.0 < found.x_m < 18.0
    assert 0.0 < found.y_m < 2.0
    assert found.sentence.endswith(
        "long: head H1 on it throws 3.6 m (11.8 ft), farther than it is wide."
    )


def test_strip_findings_heads_that_throw_no_farther_than_the_strip_is_wide() -> None:
    lawn = shapely.union_all([shapely.box(0, 0, 10, 10), shapely.box(10, 0, 18, 2)])
    assert strips(heads([5.0, 16.0], [5.0, 0.0], radius_m=[5.0, 2.0]), lawn) == []


def test_strip_findings_one_nozzle_too_large_on_a_strip() -> None:
    layout = heads([0, 3, 6, 9, 12], [0, 3, 0, 3, 0], radius_m=[3.0, 3.0, 3.0, 4.5, 3.0])
    (found,) = strips(layout, shapely.box(0, 0, 12, 3))
    assert (found.head, found.limit_value) == (3, 4.5)
    assert found.measured_value == pytest.approx(3.0, abs=0.05)
    assert found.sentence.startswith("A strip 3.0 m (9.8 ft) wide and 12.0 m (39.4 ft) long: head")


def test_strip_findings_lawn_just_as_wide_as_the_throw_is_none() -> None:
    layout = heads([0, 6, 12, 12, 6, 6, 0, 0], [0, 0, 0, 6, 6, 12, 12, 6])
    assert strips(layout, L_SHAPE) == []
