"""Radial profiles: closed forms, a hand-worked bench leg, and the hinges of the kernel."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from geoirrig.physics.radial_distribution import (
    TRAPEZOID_CORE_FRACTION,
    RadialProfile,
    closed_nodes,
    hinges,
    mean_relative_rate,
    peak_to_mean_ratio,
    relative_rate,
    trapezoid_profile,
)

UNIFORM = RadialProfile(name="uniform", distance_fraction=(0.0, 1.0), relative_rate=(1.0, 1.0))
SMOOTH_NODES = np.linspace(0.0, 1.0, 401)


def sampled(name: str, rate: np.ndarray) -> RadialProfile:
    return RadialProfile(
        name=name, distance_fraction=tuple(SMOOTH_NODES), relative_rate=tuple(rate)
    )


PARABOLOID = sampled("paraboloid", 1.0 - SMOOTH_NODES**2)
HALF_ELLIPSOID = sampled("half ellipsoid", np.sqrt(1.0 - SMOOTH_NODES**2))
RING = sampled("ring", SMOOTH_NODES * (1.0 - SMOOTH_NODES))

profiles = (
    st.lists(
        st.tuples(st.floats(0.0, 1.0).map(lambda x: round(x, 3)), st.floats(0.0, 10.0)),
        min_size=1,
        max_size=12,
        unique_by=lambda node: node[0],
    )
    .map(sorted)
    .filter(lambda nodes: max(rate for _, rate in nodes) > 1e-3 and nodes[-1][0] > 0.0)
    .map(
        lambda nodes: RadialProfile(
            name="drawn",
            distance_fraction=tuple(x for x, _ in nodes),
            relative_rate=tuple(rate for _, rate in nodes),
        )
    )
)


def volume_share_within(profile: RadialProfile, x: float) -> float:
    """Share of the flow that lands within x radii: 2∫x·f(x) dx, on a grid of its own."""
    edges = np.linspace(0.0, x, 20_001)
    middle = 0.5 * (edges[1:] + edges[:-1])
    return float(np.sum(2.0 * middle * relative_rate(profile, middle)) * x / 20_000)


# Peak over mean and the radius that half of the water lands within, closed forms: uniform 1, √½;
# wedge f = 3(1 − x): 3x² − 2x³ = ½ at ½; paraboloid 2(1 − x²): √(1 − √½); half ellipsoid
# 1.5√(1 − x²): 1 − (1 − x²)^1.5 = ½ at √(1 − 2^(−2/3)); trapezoid 3/(1 + a + a²); ring 6x(1 − x):
# peak 6/4, 4x³ − 3x⁴ = ½ at 0.614. The trapezoids' radii are computed, not published.
CLOSED_FORMS = [
    pytest.param(UNIFORM, 1.0, 0.7071, id="uniform"),
    pytest.param(trapezoid_profile(0.0), 3.0, 0.5, id="wedge"),
    pytest.param(PARABOLOID, 2.0, 0.5412, id="paraboloid"),
    pytest.param(HALF_ELLIPSOID, 1.5, 0.6083, id="half ellipsoid"),
    pytest.param(trapezoid_profile(0.4), 1.9231, 0.521, id="trapezoid 0.4"),
    pytest.param(trapezoid_profile(0.6), 1.5306, 0.572, id="trapezoid 0.6"),
    pytest.param(trapezoid_profile(0.8), 1.2295, 0.638, id="trapezoid 0.8"),
    pytest.param(RING, 1.5, 0.614, id="ring"),
]


@pytest.mark.parametrize(("profile", "peak", "median"), CLOSED_FORMS)
def test_peak_to_mean_ratio_closed_forms_agree(
    profile: RadialProfile, peak: float, median: float
) -> None:
    # 400 straight pieces stand in for the smooth shapes: their mean is short by less than 1e-4.
    assert peak_to_mean_ratio(profile) == pytest.approx(peak, rel=3e-4)
    assert volume_share_within(profile, median) == pytest.approx(0.5, abs=1.5e-3)


def test_closed_forms_are_all_there() -> None:
    assert len(CLOSED_FORMS) == 8


@pytest.mark.parametrize("a", [0.2, 0.4, 0.6, 0.8])
@pytest.mark.parametrize("x", [0.1, 0.5, 0.7, 0.95, 1.0])
def test_relative_rate_trapezoid_volume_has_its_closed_form(a: float, x: float) -> None:
    # p₀x² in the core; beyond, p₀{a² + [x² − a² − ⅔(x³ − a³)]/(1 − a)}, p₀ = 3/(1 + a + a²).
    p0 = 3.0 / (1.0 + a + a * a)
    beyond = a * a + (x * x - a * a - (x**3 - a**3) * 2.0 / 3.0) / (1.0 - a)
    expected = p0 * (x * x if x <= a else beyond)
    assert volume_share_within(trapezoid_profile(a), x) == pytest.approx(expected, abs=1e-6)


def test_mean_relative_rate_bench_leg_hand_worked_volume() -> None:
    # A leg of 12, 10, 9, 7, 4, 0 mm/h at 0 … 5 m. Flow of the straight pieces, in L/h:
    # 2π Σ Δr[p₁(2r₁ + r₂) + p₂(r₁ + 2r₂)]/6 with Δr = 1:
    # (12·1 + 10·2) + (10·4 + 9·5) + (9·7 + 7·8) + (7·10 + 4·11) + (4·13 + 0·14) = 32 + 85 + 119 +
    # 114 + 52 = 402; 402 × π/3 = 420.973 L/h. Over π·25 m²: 402/75 = 5.36 mm/h.
    leg = RadialProfile(
        name="leg",
        distance_fraction=(0.0, 0.2, 0.4, 0.6, 0.8, 1.0),
        relative_rate=(12.0, 10.0, 9.0, 7.0, 4.0, 0.0),
    )
    assert mean_relative_rate(leg) == pytest.approx(5.36, rel=1e-12)
    assert mean_relative_rate(leg) * math.pi * 25.0 == pytest.approx(420.973, abs=5e-4)


def test_trapezoid_profile_default_cores_are_those_stated() -> None:
    assert TRAPEZOID_CORE_FRACTION["fixed_spray"] == 0.6
    assert TRAPEZOID_CORE_FRACTION["rotor"] == TRAPEZOID_CORE_FRACTION["rotary_nozzle"] == 0.4
    assert peak_to_mean_ratio(trapezoid_profile(0.6)) == pytest.approx(3.0 / 1.96, rel=1e-12)


def test_closed_nodes_short_leg_is_carried_inward_and_down_to_the_radius() -> None:
    leg = RadialProfile(name="leg", distance_fraction=(0.25, 0.5), relative_rate=(2.0, 3.0))
    distance, rate = closed_nodes(leg)
    assert distance.tolist() == [0.0, 0.25, 0.5, 1.0]
    assert rate.tolist() == [2.0, 2.0, 3.0, 0.0]
    # Between nodes straight, nothing beyond: at 0.75 half of 3, over the mean.
    mean = mean_relative_rate(leg)
    assert relative_rate(leg, [0.0, 0.75, 1.0, 1.01]) * mean == pytest.approx([2.0, 1.5, 0.0, 0.0])


def test_relative_rate_nan_passes_through() -> None:
    assert np.isnan(relative_rate(UNIFORM, [np.nan])).all()
    assert relative_rate(UNIFORM, 1.0) == 1.0  # the radius itself is wet


@given(profiles)
def test_relative_rate_any_profile_has_mean_one(profile: RadialProfile) -> None:
    # Piecewise quadratic integrand 2x·f(x): integrated piece by piece by adaptive quadrature.
    nodes, _ = closed_nodes(profile)
    total = sum(
        quad(lambda x: 2.0 * x * float(relative_rate(profile, x)), low, high)[0]
        for low, high in pairwise(nodes)
        if high > low
    )
    assert total == pytest.approx(1.0, rel=1e-9)


@given(profiles, st.floats(0.1, 50.0))
def test_relative_rate_unit_of_the_rates_does_not_matter(
    profile: RadialProfile, factor: float
) -> None:
    scaled = RadialProfile(
        name="scaled",
        distance_fraction=profile.distance_fraction,
        relative_rate=tuple(factor * rate for rate in profile.relative_rate),
    )
    at = np.linspace(0.0, 1.2, 25)
    assert relative_rate(scaled, at) == pytest.approx(
        relative_rate(profile, at), rel=1e-9, abs=1e-9
    )


@given(profiles)
def test_hinges_any_profile_are_the_same_distribution(profile: RadialProfile) -> None:
    base, knots, slopes = hinges(profile)
    assert len(knots) % 2 == 0
    at = np.linspace(0.0, 1.0, 101)
    by_hinges = base + np.sum(slopes * np.maximum(0.0, knots - at[:, None]), axis=1)
    # Nodes may lie 0.001 apart, where slopes reach 1e4 over the mean and cancel: 1e-9 of that.
    largest = 1.0 + float(np.max(np.abs(slopes), initial=0.0))
    assert by_hinges == pytest.approx(relative_rate(profile, at), abs=1e-9 * largest)


def test_hinges_uniform_profile_is_its_base_alone() -> None:
    base, knots, _ = hinges(UNIFORM)
    assert base == pytest.approx(1.0)
    assert len(knots) == 0


def test_median_radius_wedge_is_half() -> None:
    median = brentq(lambda x: volume_share_within(trapezoid_profile(0.0), x) - 0.5, 0.1, 0.9)
    assert median == pytest.approx(0.5, abs=1e-6)
