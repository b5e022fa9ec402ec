"""Gaps against head-to-head spacing, on layouts small enough to see."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from geoirrig.records import SprinklerLayout
from geoirrig.surfaces.layout_finding import LayoutFinding
from geoirrig.surfaces.layout_gaps import gap_findings
from geoirrig.surfaces.turf_neighbourhood import neighbourhoods
from tests.surfaces.small_lawn import heads, square

L_SHAPE = shapely.Polygon([(0, 0), (12, 0), (12, 6), (6, 6), (6, 12), (0, 12)])
L_CORNERS = ([0, 6, 12, 12, 6, 6, 0, 0], [0, 0, 0, 6, 6, 12, 12, 6])


def gaps(layout: SprinklerLayout, *turf: shapely.Geometry) -> list[LayoutFinding]:
    return [
        finding
        for lawn in neighbourhoods(np.array(turf, dtype=object), layout)
        for finding in gap_findings(layout, lawn)
    ]


def lattice(n: int, side_m: float, *, without: tuple[int, ...] = ()) -> SprinklerLayout:
    x, y = np.meshgrid(np.arange(n) * side_m, np.arange(n) * side_m)
    kept = [k for k in range(n * n) if k not in without]
    return heads(x.ravel()[kept], y.ravel()[kept])


def test_gap_findings_square_at_the_throw_has_none() -> None:
    assert gaps(*square(6.0)) == []


def test_gap_findings_square_with_a_head_missing_tells_the_edge_without_it() -> None:
    layout, lawn = square()
    three = heads(layout.x_m[[0, 1, 3]], layout.y_m[[0, 1, 3]])
    (found,) = gaps(three, lawn)
    # From (0, 6) to (6, 0): √72 m straight, 12 m along the two sides; 1.41 throws is severe.
    assert found.kind == "edge_gap"
    assert found.severity == "high"
    assert found.measured_value == pytest.approx(math.sqrt(72.0))
    assert found.limit_value == 6.0
    assert (found.x_m, found.y_m) == (3.0, 3.0)
    assert found.sentence == (
        "Heads H1 and H2 stand 8.5 m (27.8 ft) apart along the edge, farther than their mean throw "
        "of 6.0 m (19.7 ft); the edge between them is 12.0 m (39.4 ft) long."
    )


@pytest.mark.parametrize(
    ("side_m", "word"), [(6.05, None), (6.5, "low"), (6.9, "medium"), (7.3, "high")]
)
def test_gap_findings_stretched_square_by_how_much(side_m: float, word: str | None) -> None:
    # 6 m of throw: 1 % more is no gap, 10 % more low, 20 % more medium. Each of four sides.
    found = gaps(*square(side_m))
    assert [(f.kind, f.severity) for f in found] == [("edge_gap", word)] * (4 if word else 0)


def test_gap_findings_staggered_heads_on_both_sides_of_a_strip_have_none() -> None:
    # 3 m of throw; 4 m apart along either side, 2.5 m from the head across the strip of 1.5 m.
    x, y = [0.0, 2.0, 4.0, 6.0, 8.0], [0.0, 1.5, 0.0, 1.5, 0.0]
    assert gaps(heads(x, y, radius_m=3.0), shapely.box(0, 0, 8, 1.5)) == []


def test_gap_findings_l_shape_with_a_head_in_each_corner_has_none() -> None:
    assert gaps(heads(*L_CORNERS), L_SHAPE) == []


def test_gap_findings_l_shape_without_the_head_in_its_inner_corner_tells_it() -> None:
    # The heads beside the inner corner, (12, 6) and (6, 12), then follow one another: √72 m.
    x, y = (np.delete(np.array(v, dtype=float), 4) for v in L_CORNERS)
    (found,) = [f for f in gaps(heads(x, y), L_SHAPE) if f.kind == "edge_gap"]
    assert found.measured_value == pytest.approx(math.sqrt(72.0))


def test_gap_findings_stretched_lattice_tells_pairs_inside_but_no_diagonals() -> None:
    layout = lattice(3, 6.5)
    found = gaps(layout, shapely.box(0, 0, 13, 13))
    # 3 × 3 heads have 8 sides along the edge and 4 to the one in the middle.
    assert sorted(f.kind for f in found) == ["edge_gap"] * 8 + ["spacing_gap"] * 4
    assert {f.head for f in found if f.kind == "spacing_gap"} <= {1, 3, 4}
    assert all(f.measured_value == pytest.approx(6.5) for f in found)


def test_gap_findings_neighbours_of_two_zones_are_no_pair_inside() -> None:
    layout = dataclasses.replace(lattice(3, 6.5), zone_index=np.array([0, 0, 0, 0, 1, 0, 0, 0, 0]))
    found = gaps(layout, shapely.box(0, 0, 13, 13))
    assert sorted(f.kind for f in found) == ["edge_gap"] * 8


def test_gap_findings_missing_head_inside_is_open_ground() -> None:
    found = gaps(lattice(3, 6.0, without=(4,)), shapely.box(0, 0, 12, 12))
    # From the middle, (6, 6), the nearest heads are 6 m off: as in a square of side 6·√2.
    assert [f.kind for f in found] == ["open_ground"]
    assert (found[0].x_m, found[0].y_m) == pytest.approx((6.0, 6.0))
    assert found[0].measured_value == pytest.approx(6.0 * math.sqrt(2.0))
    assert found[0].severity == "high"


def test_gap_findings_open_ground_off_the_turf_is_none() -> None:
    ring = shapely.box(0, 0, 12, 12).difference(shapely.box(3, 3, 9, 9))
    assert gaps(lattice(3, 6.0, without=(4,)), ring) == []


def test_gap_findings_heads_in_a_line_and_lone_heads() -> None:
    # In the middle of a strip 4 m wide, 2 m from its edges and farther than 0.15 throws.
    strip = shapely.box(0, 0, 14, 4)
    found = gaps(heads([0.5, 7.0, 13.5], [2.0, 2.0, 2.0]), strip)
    assert [(f.kind, f.head, f.other_head) for f in found if f.kind == "spacing_gap"] == [
        ("spacing_gap", 0, 1),
        ("spacing_gap", 1, 2),
    ]
    assert [f for f in found if f.kind == "edge_gap"] == []  # between the first and last is one
    assert gaps(heads([7.0], [1.0]), strip) == []
    assert gaps(heads([7.0, 7.0, 7.0], [1.0, 1.0, 1.0]), strip) == []


def test_gap_findings_polygons_side_by_side_are_one_lawn() -> None:
    halves = (shapely.box(0, 0, 6, 6), shapely.box(6, 0, 12, 6))
    x, y = [0.0, 6.0, 12.0, 0.0, 6.0, 12.0], [0.0, 0.0, 0.0, 6.0, 6.0, 6.0]
    assert gaps(heads(x, y), *halves) == []
    # Without the two heads on the seam, both long edges have a gap of 12 m.
    found = gaps(heads([0.0, 12.0, 0.0, 12.0], [0.0, 0.0, 6.0, 6.0]), *halves)
    assert [(f.kind, f.measured_value) for f in found] == [("edge_gap", 12.0)] * 2


@given(angle=st.floats(0.0, 360.0), east=st.floats(-1e3, 1e3), scale=st.floats(0.5, 3.0))
@settings(max_examples=25, deadline=None)
def test_gap_findings_turn_move_and_grow_with_the_site(
    angle: float, east: float, scale: float
) -> None:
    layout = lattice(4, 6.6, without=(5,))
    lawn = shapely.box(0, 0, 19.8, 19.8)

    def moved(shape: shapely.Geometry) -> shapely.Geometry:
        turned = affinity.rotate(shape, -angle, origin=(0, 0))
        return affinity.translate(affinity.scale(turned, scale, scale, origin=(0, 0)), east)

    places = shapely.get_coordinates(
        moved(shapely.MultiPoint(np.column_stack([layout.x_m, layout.y_m])))
    )
    other = heads(places[:, 0], places[:, 1], radius_m=6.0 * scale)
    before, after = gaps(layout, lawn), gaps(other, moved(lawn))
    assert len(before) > 5
    names = [sorted((f.kind, f.head, f.other_head) for f in side if f.head is not None)
             for side in (before, after)]  # fmt: skip
    assert names[0] == names[1]
    assert sorted(f.measured_value for f in after) == pytest.approx(
        sorted(scale * f.measured_value for f in before)
    )
