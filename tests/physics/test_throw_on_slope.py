"""Throw on a slope: the vacuum law, hand-worked numbers, ballistic integration, closed flow."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoirrig.physics.radial_distribution import (
    RadialProfile,
    closed_nodes,
    relative_rate,
    trapezoid_profile,
)
from geoirrig.physics.throw_on_slope import rate_ratio, throw_ratio

# Flights of the drop that lands farthest, vertical riser, ground rising or falling straight ahead.
# `up`, `down`: throw over level throw by integrating the flight of a rigid sphere with drag, from
# a program of its own; `up_law`, `down_law`: the closed law with p = tan(trajectory)/tan(landing
# angle). Both computed for this project by separate code, not published.
# (trajectory, p, slope, up, up_law, down, down_law)
BALLISTIC_FLIGHTS = [
    (25.0, 0.265, 0.10, 0.934, 0.938, 1.049, 1.053),  # 300 kPa, 9.0 m, lands at 60.4°
    (25.0, 0.265, 0.20, 0.843, 0.862, 1.087, 1.099),
    (25.0, 0.265, 0.25, 0.784, 0.816, 1.102, 1.120),
    (25.0, 0.188, 0.10, 0.952, 0.956, 1.034, 1.037),  # 207 kPa, 4.6 m, lands at 68.1°
    (25.0, 0.188, 0.20, 0.883, 0.900, 1.059, 1.069),
    (15.0, 0.247, 0.10, 0.883, 0.891, 1.075, 1.081),  # 207 kPa, 4.6 m, lands at 47.4°
    (15.0, 0.247, 0.20, 0.682, 0.713, 1.127, 1.147),
]


@pytest.mark.parametrize(
    ("trajectory", "p", "slope", "up", "up_law", "down", "down_law"), BALLISTIC_FLIGHTS
)
def test_throw_ratio_ballistic_flights_agree(
    trajectory: float,
    p: float,
    slope: float,
    up: float,
    up_law: float,
    down: float,
    down_law: float,
) -> None:
    ratios = throw_ratio(slope, [0.0, 180.0], trajectory, exponent=p)
    assert ratios == pytest.approx([up_law, down_law], abs=1e-3)
    # The law is a model of the flight: 0.035 is the largest difference admitted, never too short.
    assert ratios == pytest.approx([up, down], abs=0.035)
    assert ratios[0] >= up - 0.0005


def test_throw_ratio_ballistic_flights_are_all_there() -> None:
    assert len(BALLISTIC_FLIGHTS) == 7


@pytest.mark.parametrize(("trajectory", "landing", "p"), [(25, 60.4, 0.265), (25, 68.1, 0.188)])
def test_throw_exponent_is_ratio_of_tangents(trajectory: float, landing: float, p: float) -> None:
    ratio = math.tan(math.radians(trajectory)) / math.tan(math.radians(landing))
    assert ratio == pytest.approx(p, abs=6e-4)


def test_throw_ratio_twenty_percent_slope_without_drag() -> None:
    # tan 25° = 0.466308; 1 ∓ 0.2/0.466308 = 0.571099 and 1.428901.
    assert throw_ratio(0.2, [0.0, 180.0], 25.0, exponent=1.0) == pytest.approx(
        [0.571099, 1.428901], abs=1e-6
    )


@given(
    speed=st.floats(5.0, 40.0),
    trajectory=st.floats(10.0, 60.0),
    share=st.floats(-3.0, 0.95),
)
def test_throw_ratio_exponent_one_is_flight_in_a_vacuum(
    speed: float, trajectory: float, share: float
) -> None:
    # x = v·cosα·t; z = v·sinα·t − g·t²/2 meets z = s·x at t = 2v(sinα − s·cosα)/g.
    alpha, gravity = math.radians(trajectory), 9.80665
    slope = share * math.tan(alpha)

    def range_on(rise: float) -> float:
        time = 2.0 * speed * (math.sin(alpha) - rise * math.cos(alpha)) / gravity
        return speed * math.cos(alpha) * time

    bearing, steepness = (0.0, slope) if slope >= 0.0 else (180.0, -slope)
    ratio = float(throw_ratio(steepness, bearing, trajectory, exponent=1.0))
    assert ratio == pytest.approx(range_on(slope) / range_on(0.0), rel=1e-9)


def test_throw_ratio_default_exponent_is_a_quarter() -> None:
    # tan 45° = 1: 1 − 0.3439 = 0.6561 = 0.9⁴.
    assert float(throw_ratio(0.3439, 0.0, 45.0)) == pytest.approx(0.9, rel=1e-12)


def test_throw_ratio_across_the_slope_is_level() -> None:
    assert throw_ratio(0.3, [90.0, 270.0], 25.0) == pytest.approx([1.0, 1.0], rel=1e-12)


def test_throw_ratio_jet_into_the_bank_is_nan() -> None:
    # tan 15° = 0.267949: a bank of 27 % stops the jet, one of 26 % does not; downhill is free.
    assert np.isnan(throw_ratio(0.27, 0.0, 15.0))
    assert np.isnan(throw_ratio(1.0, 0.0, 45.0 - 1e-9))
    assert float(throw_ratio(0.26, 0.0, 15.0)) > 0.0
    assert float(throw_ratio(0.27, 180.0, 15.0)) > 1.0
    assert np.isnan(rate_ratio(0.27, 0.0, 15.0))


def test_throw_ratio_nan_passes_through() -> None:
    assert np.isnan(throw_ratio([np.nan, 0.1], 0.0, [25.0, np.nan])).all()


@given(
    slope=st.floats(0.0, 0.25),
    bearing=st.floats(-360.0, 360.0),
    steeper=st.floats(0.0, 0.15),
)
def test_throw_ratio_steeper_ground_shortens_uphill_and_lengthens_downhill(
    slope: float, bearing: float, steeper: float
) -> None:
    before = float(throw_ratio(slope, bearing, 25.0))
    after = float(throw_ratio(slope + steeper, bearing, 25.0))
    uphill = math.cos(math.radians(bearing))
    assert after <= before + 1e-12 if uphill >= 0.0 else after >= before - 1e-12
    assert float(throw_ratio(slope, -bearing, 25.0)) == pytest.approx(before, rel=1e-12)


@pytest.mark.parametrize("exponent", [0.25, 0.265, 1.0])
@pytest.mark.parametrize(
    "profile",
    [
        trapezoid_profile(0.0),
        trapezoid_profile(0.6),
        RadialProfile(
            name="ring", distance_fraction=(0.0, 0.5, 0.9, 1.0), relative_rate=(0.2, 1.0, 1.4, 0.0)
        ),
    ],
    ids=["wedge", "trapezoid", "ring"],
)
def test_rate_ratio_azimuth_integral_of_the_flow_is_the_flow(
    profile: RadialProfile, exponent: float
) -> None:
    # ∫∫ rate·r dr dφ with rate = mean·f(r/R(φ))·(R₀/R(φ))², mean = q/(πR₀²), must be q. Along r the
    # integrand is piecewise quadratic, exact with Simpson's rule piece by piece in metres; around
    # the circle the midpoint rule converges geometrically.
    flow, level_radius, slope, trajectory = 7.5, 9.0, 0.2, 25.0
    bearing = (np.arange(720) + 0.5) * 0.5
    radius = level_radius * throw_ratio(slope, bearing, trajectory, exponent=exponent)
    gain = rate_ratio(slope, bearing, trajectory, exponent=exponent)
    mean = flow / (math.pi * level_radius**2)
    nodes, _ = closed_nodes(profile)
    through = np.zeros_like(bearing)
    for near, far in pairwise(nodes):
        r = np.array([near, 0.5 * (near + far), far])[:, None] * radius
        rate = mean * relative_rate(profile, r / radius * (1.0 - 1e-15)) * gain
        through += (r[2] - r[0]) / 6.0 * (rate[0] * r[0] + 4.0 * rate[1] * r[1] + rate[2] * r[2])
    total = float(np.sum(through)) * math.radians(0.5)
    assert total == pytest.approx(flow, rel=1e-9)
