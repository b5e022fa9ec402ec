"""Bounds of the programmes against all layouts enumerated, and which limits bind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.optimisation.integer_programme import block_groups, layout_above, relaxed_layout
from geoirrig.optimisation.limits import LayoutLimits, binding_limits, can_be_kept, kept_among
from geoirrig.physics.application_uniformity import low_quarter_uniformity
from tests.optimisation.made_up_choices import (
    NO_LIMITS,
    choices_of,
    enumerated,
    keeps,
    random_choices,
)

TIGHT = replace(
    NO_LIMITS, flow_lpm=14.0, overspray_fraction=0.16, matched_rate_spread_pct=25.0, added_heads=1
)


@given(st.integers(0, 10**6), st.sampled_from([1, 9, 36]), st.booleans())
@settings(max_examples=25, deadline=None)
def test_relaxed_bound_is_not_below_any_layout(seed: int, n_groups: int, is_tight: bool) -> None:
    choices = random_choices(seed, [3, 3, 3, 3], optional=1)
    limits = TIGHT if is_tight else NO_LIMITS
    layouts = enumerated(choices, limits)
    found = relaxed_layout(choices, limits, block_groups(choices, at_most=n_groups))
    if layouts:
        assert found.bound is not None
        assert found.bound >= max(layouts.values())
        assert found.mixture is not None
        sums = np.add.reduceat(found.mixture, choices.first[:-1])
        assert sums == pytest.approx(np.ones(4), abs=1e-6)
    if found.bound is None:
        assert not layouts


def test_relaxed_bound_is_the_uniformity_where_there_is_no_choice() -> None:
    choices = random_choices(3, [1, 1, 1])
    found = relaxed_layout(choices, NO_LIMITS, np.arange(36))
    only = low_quarter_uniformity(choices.rates(np.arange(3)))
    assert found.bound == pytest.approx(only, abs=3e-6)


def test_relaxed_bound_finer_groups_bound_more_tightly() -> None:
    choices = random_choices(8, [4, 4, 4])
    bounds = [
        relaxed_layout(choices, NO_LIMITS, block_groups(choices, at_most=n)).bound
        for n in (36, 9, 1)
    ]
    assert bounds[0] <= bounds[1] + 1e-6 <= bounds[2] + 2e-6
    assert bounds[2] == 1.0  # one group: nothing is known of the driest quarter


@given(st.integers(0, 10**6), st.booleans())
@settings(max_examples=15, deadline=None)
def test_layout_above_finds_the_best_or_proves_that_there_is_none(
    seed: int, is_tight: bool
) -> None:
    choices = random_choices(seed, [3, 3, 4])
    limits = TIGHT if is_tight else NO_LIMITS
    layouts = enumerated(choices, limits)
    best = max(layouts.values(), default=0.0)
    single = np.arange(36)

    below = layout_above(choices, limits, single, target=0.98 * best, priced=[], seconds=10.0)
    assert (below.layout is not None) == bool(layouts)
    if below.layout is not None:
        assert keeps(below.layout, choices, replace(limits, flow_lpm=limits.flow_lpm + 1e-6))
        assert layouts[tuple(below.layout.tolist())] >= 0.98 * best - 1e-6
        assert below.bound is not None
        assert below.bound >= best - 1e-6

    above = layout_above(
        choices, limits, single, target=1.01 * best + 1e-3, priced=[], seconds=10.0
    )
    assert above.layout is None
    assert above.bound == pytest.approx(1.01 * best + 1e-3, abs=1e-5)


def test_layout_above_prices_make_up_for_coarse_groups() -> None:
    choices = random_choices(5, [3, 3, 3])
    layouts = enumerated(choices, NO_LIMITS)
    best = max(layouts.values())
    coarse = np.zeros(36, dtype=np.int64)
    every = [np.array(one) for one in layouts]

    fooled = layout_above(choices, NO_LIMITS, coarse, target=best + 0.01, priced=[], seconds=10.0)
    told = layout_above(choices, NO_LIMITS, coarse, target=best + 0.01, priced=every, seconds=10.0)

    assert fooled.layout is not None
    assert told.layout is None


def test_spread_where_heads_may_be_left_out_counts_the_heads_there_are() -> None:
    # Own rates 30 and 33 mm/h: 3 over 31.5 is a spread of 9.5 %; a head that is not there has none.
    choices = replace(
        choices_of(np.ones((4, 3)), [1, 2], side=2, optional=1),
        own_rate_mm_h=np.array([30.0, 33.0, 0.0]),
    )
    for spread_pct, most_flow in ((9.0, 1), (10.0, 2)):
        limits = replace(NO_LIMITS, matched_rate_spread_pct=spread_pct)
        allowed = list(enumerated(choices, limits))
        assert len(allowed) == most_flow
        found = relaxed_layout(choices, limits, np.arange(4))
        assert found.bound == pytest.approx(1.0)


def test_can_be_kept_leaves_out_what_breaks_a_limit_with_the_least_of_all_others() -> None:
    choices = replace(
        choices_of(np.ones((4, 4)), [2, 2], side=2), flow_lpm=np.array([1.0, 5.0, 2.0, 3.0])
    )
    # With 6 L/min: 5 + 2 is too much; 1 + 2, 1 + 3 are not.
    limits = replace(NO_LIMITS, flow_lpm=6.0)
    assert can_be_kept(choices, limits).tolist() == [True, False, True, True]
    # Among those without the choice of 2 L/min, 1 + 3 is the least.
    among, flow = np.array([True, True, False, True]), choices.flow_lpm[np.newaxis]
    assert kept_among(among, choices, flow, np.array([6.0])).tolist() == [True, False, False, True]
    assert not kept_among(among, choices, flow, np.array([3.5])).any()


def test_binding_limits_name_what_has_to_give_way() -> None:
    choices = replace(
        choices_of(np.ones((4, 4)), [2, 2], side=2),
        flow_lpm=np.array([4.0, 5.0, 4.0, 5.0]),
        overspray_lpm=np.zeros(4),
        own_rate_mm_h=np.array([20.0, 20.0, 40.0, 40.0]),
    )

    def limits(flow_lpm: float, spread_pct: float) -> LayoutLimits:
        return replace(NO_LIMITS, flow_lpm=flow_lpm, matched_rate_spread_pct=spread_pct)

    assert list(binding_limits(choices, limits(7.0, 100.0))) == ["flow of the zone"]
    assert list(binding_limits(choices, limits(9.0, 10.0))) == ["spread of the heads' own rates"]
    assert len(binding_limits(choices, limits(7.0, 10.0))) == 2
    assert binding_limits(choices, limits(9.0, 70.0)) == {}
