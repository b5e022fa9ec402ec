"""What is proved about outlines: by hand, and never against what shapely finds."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.grid.outline_kernels import find_convex, share_little
from geoirrig.grid.point_location import polygon_index
from geoirrig.grid.polygon_rings import polygon_rings

FAR_M = (420_000.0, 4_610_000.0)
L_SHAPE = shapely.Polygon([(0, 0), (4, 0), (4, 1), (1, 1), (1, 4), (0, 4)])
HOLE_AT_CORNER = [(0, 0), (3, 1), (1, 3)]
NOWHERE = shapely.set_coordinates(
    shapely.box(0, 0, 1, 1), [(0, 0), (1, math.nan), (1, 1), (0, 1), (0, 0)]
)


def surely_convex(*outlines: shapely.Geometry | None) -> list[bool]:
    found = np.zeros(len(outlines), dtype=bool)
    find_convex(polygon_rings(np.array(outlines, dtype=object)), found)
    return [bool(answer) for answer in found]


def shares_little(a: shapely.Geometry, b: shapely.Geometry, most_m2: float) -> bool:
    """The answer, which must not depend on who is named first."""
    edges = polygon_index(polygon_rings(np.array([a, b], dtype=object))).edges
    found = np.zeros(2, dtype=bool)
    pairs = (np.array([0, 1]), np.array([1, 0]))
    share_little(edges, pairs, np.full(2, most_m2), found)
    assert found[0] == found[1]
    return bool(found[0])


# --- convex outlines -----------------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", [0.0, 1.7, 90.0, 200.0])
@pytest.mark.parametrize("place_m", [(0.0, 0.0), FAR_M])
def test_find_convex_triangle_square_and_circle(
    turn_deg: float, place_m: tuple[float, float]
) -> None:
    shapes = [
        shapely.Polygon([(0, 0), (3, 0), (1, 2)]),
        shapely.box(0, 0, 20, 38),
        shapely.Point(0, 0).buffer(5.0),
    ]
    for shape in shapes:
        placed = shapely.affinity.translate(shapely.affinity.rotate(shape, turn_deg), *place_m)
        assert surely_convex(placed, placed.reverse()) == [True, True]


@pytest.mark.parametrize(
    "outline",
    [
        L_SHAPE,
        shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)]),  # a bow tie
        shapely.Polygon([(0, 0), (1, 0), (2, 0), (2, 2), (0, 2)]),  # a corner that turns nowhere
        shapely.Polygon([(0, 0), (0, 0), (2, 0), (2, 2), (0, 2)]),  # a corner twice
        shapely.Polygon([(0, 0), (2, 0), (4, 0)]),
        NOWHERE,
        shapely.Polygon([(math.cos(k * 2.513274), math.sin(k * 2.513274)) for k in range(5)]),
        shapely.Polygon([(0, 0), (9, 0), (9, 9), (0, 9)], [[(3, 3), (5, 3), (5, 5)]]),
        shapely.Polygon([(0, 0), (9, 0), (9, 9), (0, 9)], [HOLE_AT_CORNER]),
        shapely.Polygon([(0, 0), (9, 0), (9, 9), (0, 9)], [HOLE_AT_CORNER[::-1]]),
        shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(1, 1, 2, 2)]),
        shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(0, 0, 1, 1)]),
    ],
)
def test_find_convex_others_are_left_open(outline: shapely.Geometry) -> None:
    """Among them a star with five points, which turns to one side throughout, but around twice."""
    assert surely_convex(outline, shapely.box(0, 0, 1, 1), outline) == [False, True, False]


def test_find_convex_without_corners_is_not_told() -> None:
    assert surely_convex(None, shapely.Polygon(), shapely.box(0, 0, 1, 1)) == [False, False, True]
    assert surely_convex() == []


corners = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=3, max_size=7)
noise_m = st.sampled_from([0.0, 1e-9, 1e-7, 0.3])


@settings(max_examples=300, deadline=None)
@given(corners, noise_m, st.sampled_from([(0.0, 0.0), FAR_M]), st.integers(0, 2**32 - 1))
def test_find_convex_what_is_told_to_be_is_valid_and_its_own_hull(
    ring: list[tuple[int, int]], noise: float, place_m: tuple[float, float], seed: int
) -> None:
    corner = np.array(ring) + noise * np.random.default_rng(seed).normal(size=(len(ring), 2))
    outline = shapely.Polygon(corner + place_m)
    if surely_convex(outline)[0]:
        assert outline.is_valid
        assert outline.normalize().equals_exact(outline.convex_hull.normalize(), 0.0)


# --- what two outlines share ---------------------------------------------------------------------


def test_share_little_neighbours_with_a_leaning_lot_line() -> None:
    """Their boxes share 2 m by 38 m, they share nothing."""
    left = shapely.Polygon([(0, 0), (20, 0), (22, 38), (0, 38)])
    right = shapely.Polygon([(20, 0), (40, 0), (40, 38), (22, 38)])
    assert shares_little(left, right, 0.01)
    for depth_m, is_little in ((0.1, True), (0.3, False)):  # of the lot line: 0.1 m by 38 m or more
        moved = shapely.affinity.translate(right, -depth_m, 0.0)
        assert shares_little(left, moved, 5.0) == is_little
        assert (left.intersection(moved).area < 5.0) == is_little


def test_share_little_parallel_strip_by_hand() -> None:
    """Squares turned by 45° overlap by w: they share a strip w wide, in boxes with a diagonal."""
    square = shapely.Polygon([(0, 0), (10, 10), (0, 20), (-10, 10)])
    step = (10.0 * math.sqrt(2.0) - 0.2) / math.sqrt(2.0)
    other = shapely.affinity.translate(square, step, step)
    west, south, east, north = (
        shapely.box(*square.bounds).intersection(shapely.box(*other.bounds)).bounds
    )
    bound_m2 = 0.2 * math.hypot(east - west, north - south)
    assert square.intersection(other).area < bound_m2
    assert shares_little(square, other, bound_m2 * 1.001)
    assert not shares_little(square, other, bound_m2 * 0.999)


def test_share_little_interlocked_outlines_are_left_open() -> None:
    inside_the_l = shapely.Polygon([(1, 1), (3, 1), (3, 2.5), (1, 3)])
    assert shapely.area(L_SHAPE.intersection(inside_the_l)) == 0.0
    assert not shares_little(L_SHAPE, shapely.box(0.5, 0.5, 3, 3), 0.1)
    in_the_hole = shapely.box(4, 4, 5, 5)
    ring = shapely.box(0, 0, 9, 9).difference(shapely.box(3, 3, 6, 6))
    assert not shares_little(ring, in_the_hole, 0.1)


def test_share_little_outlines_of_many_edges_are_left_open() -> None:
    fine = shapely.Point(0, 0).buffer(5.0, quad_segs=20)
    assert not shares_little(fine, shapely.affinity.translate(fine, 9.0, 4.5), 0.01)
    # but a straight side of the other settles it
    assert shares_little(fine, shapely.Polygon([(0, 8), (8, 0), (8, 8)]), 0.01)


@st.composite
def outlines(draw: st.DrawFn) -> shapely.Geometry:
    """Polygons and multipolygons with holes, concave as they come, on a lattice of 1 m."""
    parts = [shapely.Polygon(draw(corners)).buffer(0.0) for _ in range(draw(st.integers(1, 2)))]
    whole = shapely.union_all(parts)
    if draw(st.booleans()):
        whole = whole.difference(shapely.Polygon(draw(corners)).buffer(0.0))
    return whole if whole.geom_type.endswith("Polygon") else shapely.Polygon()


@settings(max_examples=500, deadline=None)
@given(
    outlines(),
    outlines(),
    st.tuples(st.integers(-6, 6), st.integers(-6, 6)),
    st.floats(0.0, 360.0),
    noise_m,
    st.sampled_from([(0.0, 0.0), FAR_M]),
    st.sampled_from([1e-4, 0.01, 0.3, 2.0]),
)
def test_share_little_is_never_said_where_shapely_finds_more(
    a: shapely.Geometry,
    b: shapely.Geometry,
    step_m: tuple[int, int],
    turn_deg: float,
    noise: float,
    place_m: tuple[float, float],
    most_m2: float,
) -> None:
    b = shapely.affinity.translate(b, *(np.array(step_m) + noise))
    a, b = (
        shapely.affinity.translate(shapely.affinity.rotate(g, turn_deg, origin=(0, 0)), *place_m)
        for g in (a, b)
    )
    is_asked = a.is_valid and b.is_valid and not (a.is_empty or b.is_empty)
    if is_asked and shares_little(a, b, most_m2):
        assert shapely.area(shapely.intersection(a, b)) <= most_m2


@settings(max_examples=300, deadline=None)
@given(st.lists(st.floats(-0.4, 0.4), min_size=8, max_size=8), noise_m, st.floats(0.0, 360.0))
def test_share_little_lots_of_four_corners_on_both_sides_of_a_line_always_settled(
    lean: list[float], noise: float, turn_deg: float
) -> None:
    """What most of a city is made of; the noise is of the corners that both have."""
    left = shapely.Polygon([(lean[0], 0), (10 + lean[1], 0), (10 + lean[2], 20), (lean[3], 20)])
    right = shapely.Polygon(
        [(10 + lean[1] + noise / 30, 0), (20, lean[4]), (20, 20 + lean[5]), (10 + lean[2], 20)]
    )
    a, b = (
        shapely.affinity.translate(shapely.affinity.rotate(g, turn_deg, origin=(0, 0)), *FAR_M)
        for g in (left, right)
    )
    assert shares_little(a, b, 1.0)
