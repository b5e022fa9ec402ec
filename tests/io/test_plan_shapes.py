"""Arcs as chords, and curves as points: by hand and by property."""

from __future__ import annotations

import math

import ezdxf.math
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.io.plan_shapes import bulge_points, spline_points


def test_bulge_quarter_circle_hand_worked() -> None:
    # From (1, 0) counter-clockwise to (0, 1) about the origin: the bulge is tan(90°/4).
    points = np.array(list(bulge_points([(1, 0, math.tan(math.pi / 8)), (0, 1, 0)], False, 1e-3)))
    assert np.hypot(*points.T) == pytest.approx(np.ones(len(points)), abs=1e-12)
    assert (points[0].tolist(), points[-1].tolist()) == ([1.0, 0.0], [0.0, 1.0])
    assert (points >= -1e-12).all()
    # chords of height h span 2·acos(1 - h): 1e-3 makes 5.13°, so 18 of them
    assert len(points) == 19


@given(
    bulge=st.floats(-5.0, 5.0).filter(lambda b: abs(b) > 1e-3),
    tolerance=st.sampled_from([0.1, 0.01, 0.001]),
)
def test_bulge_points_lie_on_the_arc_and_chords_within_tolerance(
    bulge: float, tolerance: float
) -> None:
    points = np.array(list(bulge_points([(0, 0, bulge), (10, 0, 0)], False, tolerance)))
    # sagitta of the whole arc: bulge times half the chord (definition of the bulge)
    sagitta = abs(bulge) * 5.0
    radius = (25.0 + sagitta**2) / (2.0 * sagitta)
    middle = points[:-1] + np.diff(points, axis=0) / 2.0
    centre_y = (radius - sagitta) * (1.0 if bulge > 0 else -1.0)
    off = radius - np.hypot(middle[:, 0] - 5.0, middle[:, 1] - centre_y)
    assert np.hypot(points[:, 0] - 5.0, points[:, 1] - centre_y) == pytest.approx(
        np.full(len(points), radius), rel=1e-9
    )
    assert off.max() <= tolerance * (1 + 1e-6) + 1e-12 * radius or len(points) == 3


def test_periodic_spline_hand_worked() -> None:
    """A closed uniform cubic B-spline, where the DXF library runs past the ends of the curve.

    It starts at (P0 + 4 P1 + P2)/6. Its area by Green's theorem is a quadratic form of the control
    points: the sum of (245 Pi×Pi+1 + 56 Pi×Pi+2 + Pi×Pi+3)/720, from the derivative of the
    septic cardinal B-spline at 1, 2 and 3 (derived; 245 + 2·56 + 3·1 = 360 makes a slowly turning
    polygon's area its own).
    """
    control = np.array([(50.0, 0.0), (60.0, 1.0), (62.0, 8.0), (55.0, 12.0), (48.0, 7.0)])
    spline = ezdxf.math.BSpline(
        [(x, y, 0.0) for x, y in (*control, *control[:3])], order=4, knots=[*range(12)]
    )
    area = 0.0
    for step, weight in ((1, 245), (2, 56), (3, 1)):
        x, y = control.T
        ahead_x, ahead_y = np.roll(control, -step, axis=0).T
        area += weight / 720 * float(np.sum(x * ahead_y - y * ahead_x))

    points = spline_points(spline, 1e-4)

    assert points[0] == pytest.approx((352 / 6, 12 / 6))
    assert points[-1] == pytest.approx(points[0])
    assert shapely.Polygon(points).area == pytest.approx(area, rel=1e-4)


def test_rational_spline_draws_a_circle() -> None:
    """A quarter circle as a quadratic with weights 1, √½, 1: exact (textbook)."""
    spline = ezdxf.math.BSpline(
        [(3, 0, 0), (3, 3, 0), (0, 3, 0)], order=3, weights=[1, math.sqrt(0.5), 1]
    )
    points = np.array(spline_points(spline, 1e-3))
    assert np.hypot(*points.T) == pytest.approx(np.full(len(points), 3.0), abs=1e-12)
