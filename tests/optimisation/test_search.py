"""The compiled search against plain enumeration and definitions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geoirrig.optimisation.search import (
    columns_of,
    near_layouts,
    searched_layout,
    uniformity_of,
)
from tests.optimisation.made_up_choices import NO_LIMITS, enumerated, random_choices

LIMITS = replace(NO_LIMITS, flow_lpm=13.0, overspray_fraction=0.2, matched_rate_spread_pct=25.0)


@pytest.mark.parametrize("seed", range(4))
def test_uniformity_of_agrees_with_its_definition_and_the_limits(seed: int) -> None:
    choices = random_choices(seed, [3, 2, 3], optional=1)
    allowed = enumerated(choices, LIMITS)
    columns = columns_of(choices, LIMITS)
    for layout in enumerated(choices, NO_LIMITS):
        expected = allowed.get(layout, -1.0)
        assert uniformity_of(np.array(layout), columns) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_searched_layout_finds_the_best_of_a_small_case(seed: int) -> None:
    choices = random_choices(seed, [3, 3, 3])
    allowed = enumerated(choices, NO_LIMITS)
    layout, value = searched_layout(columns_of(choices, NO_LIMITS), choices.first[:-1])
    assert value == pytest.approx(max(allowed.values()), abs=1e-9)
    assert allowed[tuple(layout.tolist())] == pytest.approx(value, abs=1e-9)


def test_searched_layout_stops_in_time_and_is_not_below_its_start() -> None:
    choices = random_choices(11, [4, 4, 4])
    columns = columns_of(choices, NO_LIMITS)
    start = choices.first[:-1]
    _, value = searched_layout(columns, start, until=-np.inf)
    assert value >= uniformity_of(start, columns)


def test_searched_layout_leaves_no_more_cells_dry_than_allowed() -> None:
    choices = random_choices(2, [4, 4], side=8)
    limits = replace(NO_LIMITS, dry_cells=20)
    layout, value = searched_layout(columns_of(choices, limits), choices.first[:-1])
    expected = max(enumerated(choices, limits).values(), default=-1.0)
    assert value == pytest.approx(expected, abs=1e-9)
    if value >= 0.0:
        assert np.count_nonzero(choices.rates(layout) <= 0.0) <= 20


def test_near_layouts_are_the_best_single_exchanges() -> None:
    choices = random_choices(7, [3, 3])
    allowed = enumerated(choices, NO_LIMITS)
    at = np.array([0, 3])
    near = sorted(
        (value for layout, value in allowed.items() if np.sum(np.array(layout) != at) == 1),
        reverse=True,
    )
    found = near_layouts(at, columns_of(choices, NO_LIMITS), at_most=3)
    values = [allowed[tuple(layout.tolist())] for layout in found]
    assert values == pytest.approx(near[:3], abs=1e-9)
