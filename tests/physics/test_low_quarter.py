"""The low-quarter mean as a conditional value at risk: definition, prices, groups of cells."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geoirrig.physics.application_uniformity import low_quarter_uniformity
from geoirrig.physics.low_quarter import low_quarter_prices
from geoirrig.physics.low_quarter_kernels import uniformity_and_dry_cells

DEPTHS = arrays(np.float64, st.integers(1, 60), elements=st.floats(0.0, 50.0, width=32))


def low_quarter_mean(depth: np.ndarray) -> float:
    """Mean of the driest quarter, from a sorted sample."""
    ordered, quarter = np.sort(depth), len(depth) / 4.0
    taken = np.clip(quarter - np.arange(len(depth)), 0.0, 1.0)
    return float(taken @ ordered / quarter)


def test_low_quarter_mean_is_the_value_at_risk_of_the_sorted_sample() -> None:
    # Rockafellar and Uryasev's formula: max over t of t − 4/n·Σ max(0, t − d); the best t is a
    # sample value. 1 … 8: the driest quarter is 1 and 2, mean 1.5, reached with t = 2.
    depth = np.arange(1.0, 9.0)
    values = [t - 4.0 / 8.0 * np.sum(np.maximum(0.0, t - depth)) for t in depth]
    assert max(values) == 1.5 == values[1]
    assert low_quarter_prices(depth) @ depth == 1.5


@given(DEPTHS)
def test_prices_give_the_mean_of_the_driest_quarter(depth: np.ndarray) -> None:
    prices = low_quarter_prices(depth)
    assert prices.sum() == pytest.approx(1.0)
    assert prices.min() >= 0.0
    assert prices.max() <= 4.0 / len(depth) * (1.0 + 1e-12)
    assert prices @ depth == pytest.approx(low_quarter_mean(depth), abs=1e-9)


@given(DEPTHS, st.integers(0, 10**6))
def test_prices_of_one_depth_bound_every_other(depth: np.ndarray, seed: int) -> None:
    other = np.random.default_rng(seed).uniform(0.0, 50.0, len(depth))
    assert low_quarter_prices(depth) @ other >= low_quarter_mean(other) - 1e-9


@given(st.integers(2, 12), st.integers(1, 5), st.integers(0, 10**6))
def test_means_of_groups_have_no_lower_low_quarter(n_groups: int, size: int, seed: int) -> None:
    depth = np.random.default_rng(seed).gamma(1.0, 5.0, (n_groups, size))
    assert low_quarter_mean(depth.mean(axis=1)) >= low_quarter_mean(depth.ravel()) - 1e-9


@given(DEPTHS)
def test_compiled_uniformity_agrees_with_the_plain_one(depth: np.ndarray) -> None:
    found, n_dry = uniformity_and_dry_cells(depth, np.empty(len(depth)))
    if depth.sum() > 0.0:
        assert found == pytest.approx(low_quarter_uniformity(depth), abs=1e-9)
        assert n_dry == np.count_nonzero(depth <= 1e-9 * depth.mean())
    else:
        assert (found, n_dry) == (0.0, len(depth))
