"""Loose lines joined, loops nested: by hand and by property."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.io.plan_loops import joined_lines, nested_polygons, open_ends
from geoirrig.units import FloatArray


def square(left: float, size: float) -> FloatArray:
    right = left + size
    return np.array([(left, left), (right, left), (right, right), (left, right), (left, left)])


def test_loose_lines_join_over_small_gaps_only() -> None:
    lines = [
        np.array([(0.0, 0.0), (10.0, 0.0)]),
        np.array([(10.0, 8.0), (10.01, 0.0)]),  # drawn the other way, 1 cm off
        np.array([(10.0, 8.0), (0.0, 8.0), (0.0, 0.02)]),
    ]
    closed, open_ = joined_lines(lines, max_gap=0.05)
    assert open_ == []
    assert shapely.Polygon(closed[0]).area == pytest.approx(80.0, abs=0.2)
    closed, open_ = joined_lines(lines, max_gap=0.015)
    assert closed == []
    assert open_ends(open_[0]).gap == pytest.approx(0.02)


def test_three_lines_at_one_point_are_not_joined() -> None:
    fork = [np.array([(0.0, 0.0), (math.cos(a), math.sin(a))]) for a in (0.0, 2.0, 4.0)]
    closed, open_ = joined_lines(fork, max_gap=0.01)
    assert closed == []
    assert len(open_) == 3


def test_lines_given_are_left_as_they_were() -> None:
    line = np.array([(0.0, 0.0), (5.0, 0.0), (5.0, 5.0), (0.0, 0.01)])
    before = line.copy()
    joined_lines([line], max_gap=0.1)
    assert np.array_equal(line, before)


@pytest.mark.parametrize(("style", "expected"), [(0, [84.0, 3.0]), (1, [84.0]), (2, [100.0])])
def test_nested_loops_by_style(style: int, expected: list[float]) -> None:
    # 10, 4 and 2 wide, and in it 1 wide; style 0: 100 - 16, and 4 - 1
    loops = [square(4.5, 1.0), square(0.0, 10.0), square(4.0, 2.0), square(3.0, 4.0)]
    areas = sorted((p.area for p in nested_polygons(loops, style=style)), reverse=True)
    assert areas == pytest.approx(expected)


@given(st.lists(st.integers(0, 40), min_size=1, max_size=6, unique=True))
def test_nested_squares_keep_the_area_of_odd_levels(sizes: list[int]) -> None:
    loops = [square(50.0 - s - 1, 2.0 * s + 2) for s in sizes]
    widths = sorted((2.0 * s + 2 for s in sizes), reverse=True)
    expected = sum((-1) ** level * width**2 for level, width in enumerate(widths))
    assert sum(p.area for p in nested_polygons(loops)) == pytest.approx(expected)


def test_loops_side_by_side_are_separate() -> None:
    found = nested_polygons([square(0.0, 2.0), square(5.0, 3.0)])
    assert [p.area for p in found] == pytest.approx([4.0, 9.0])
