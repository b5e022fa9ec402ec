"""The bound by regions against every layout enumerated; the proof's parts, each by itself."""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.optimisation.bound import layout_bound
from geoirrig.optimisation.limits import LayoutLimits
from geoirrig.optimisation.nozzle_choices import NozzleChoices
from geoirrig.optimisation.prices import (
    Prices,
    first_prices,
    improved_prices,
    joined_prices,
    mean_rate_range,
    priced_zone,
)
from geoirrig.optimisation.regions import nearest_heads_regions
from geoirrig.physics.low_quarter import low_quarter_prices
from tests.optimisation.made_up_choices import NO_LIMITS, enumerated, random_choices

TIGHT = replace(NO_LIMITS, flow_lpm=14.0, overspray_fraction=0.16, added_heads=1)


def bound_of(choices: NozzleChoices, limits: LayoutLimits, goal: float, seconds: float) -> float:
    until = time.monotonic() + seconds
    return layout_bound(choices, limits, goal=goal, bound=1.0, until=until)


@given(st.integers(0, 10**6), st.sampled_from([0.5, 0.97, 1.0, 1.2]), st.booleans())
@settings(max_examples=12, deadline=None)
def test_layout_bound_is_not_below_any_layout(seed: int, share: float, is_tight: bool) -> None:
    choices = random_choices(seed, [3, 3, 3, 3], optional=1)
    limits = TIGHT if is_tight else NO_LIMITS
    best = max(enumerated(choices, limits).values(), default=0.0)
    goal = max(share * best, 0.05)
    found = bound_of(choices, limits, goal, 0.15)
    assert found >= best - 1e-9
    assert goal <= found <= max(1.0, goal)


@pytest.mark.parametrize("seed", range(4))
def test_layout_bound_is_the_best_layout_where_all_can_be_looked_at(seed: int) -> None:
    # One table holds all 5⁴ layouts: choices are ruled out until one layout is left and measured.
    choices = random_choices(seed, [5, 5, 5, 5], side=7)
    best = max(enumerated(choices, NO_LIMITS).values())
    assert best > 0.05
    found = bound_of(choices, NO_LIMITS, 0.9 * best, 20.0)
    assert best <= found <= best * 1.001


@pytest.mark.parametrize(("seed", "limits"), [(0, NO_LIMITS), (1, NO_LIMITS), (2, TIGHT)])
def test_layout_bound_comes_to_the_best_layout_by_dividing_the_choices_of_heads(
    seed: int, limits: LayoutLimits, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Tables of 6 entries lump most choices together, and no range of rates is halved.
    monkeypatch.setattr("geoirrig.optimisation.bound._FIRST_ENTRIES", 6.0)
    monkeypatch.setattr("geoirrig.optimisation.bound._MOST_ENTRIES", 6.0)
    monkeypatch.setattr("geoirrig.optimisation.bound._NARROW", np.inf)
    choices = random_choices(seed, [4, 4, 4, 4], side=7)
    best = max(enumerated(choices, limits).values())
    assert best > 0.05
    found = bound_of(choices, limits, 0.9 * best, 20.0)
    assert best - 1e-9 <= found <= best * 1.001


def test_layout_bound_does_not_rise_with_tighter_limits() -> None:
    choices = random_choices(11, [5, 5, 5, 5], side=7)
    bounds = [
        bound_of(choices, replace(NO_LIMITS, flow_lpm=flow), 0.05, 20.0)
        for flow in (np.inf, 17.0, 14.0, 12.0)
    ]
    assert all(after <= before + 1e-3 for before, after in pairwise(bounds))
    assert bounds[-1] < bounds[0]


def test_layout_bound_out_of_time_or_below_the_goal_is_the_one_known() -> None:
    choices = random_choices(2, [3, 3, 3])
    assert layout_bound(choices, NO_LIMITS, goal=0.1, bound=0.9, until=-np.inf) == 0.9
    assert layout_bound(choices, NO_LIMITS, goal=0.9, bound=0.8, until=np.inf) == 0.8


def test_layout_bound_where_every_head_may_be_left_out_is_the_one_known() -> None:
    # Mixtures of next to no water are as even as any: no lowest rate to begin the ranges at.
    choices = random_choices(2, [3, 3, 3], optional=3)
    assert bound_of(choices, NO_LIMITS, 0.1, 5.0) == 1.0


@given(st.integers(0, 10**6), st.sampled_from([1.0, 10.0, 1000.0]), st.booleans())
@settings(max_examples=25, deadline=None)
def test_prices_hold_for_every_layout_whatever_they_are(
    seed: int, most_entries: float, is_joined: bool
) -> None:
    choices = random_choices(seed, [3, 3, 4])
    zone = priced_zone(choices, NO_LIMITS)
    rng = np.random.default_rng(seed)
    region = nearest_heads_regions(choices)
    prices = Prices(
        region=region,
        cell_weight=rng.uniform(0.1, 2.0, len(region)),
        of_choice=rng.normal(0.0, 0.1, (int(region.max()) + 1, len(choices.flow_lpm))),
        of_limit=rng.uniform(0.0, 0.1, len(zone.limit_most)),
    )
    if is_joined:
        prices = joined_prices(zone, prices, zone.possible, most_entries=most_entries)
    layouts = [np.array(one) for one in enumerated(choices, NO_LIMITS)]
    rates = [choices.rates(one) for one in layouts]
    quartile = np.array([np.sort(rate)[len(rate) // 4] for rate in rates])
    aim, low = 0.3, float(np.median(quartile))
    surplus = np.array([low_quarter_prices(rate) @ rate - aim * rate.mean() for rate in rates])
    inside = np.flatnonzero((quartile >= low) & (quartile <= 1.1 * low))

    found = improved_prices(
        zone,
        prices,
        zone.possible,
        quartile_mm_h=(low, 1.1 * low),
        aim=aim,
        most_entries=most_entries,
        until=np.inf,
    )

    reaching = [layouts[one] for one in inside if surplus[one] >= 0.0]
    assert not reaching or found.surplus_mm_h >= np.max(surplus[inside]) - 1e-9
    for layout in reaching:
        assert np.all(found.possible[layout])


def test_first_prices_are_no_worse_than_the_linear_programme_and_pass_on_improving() -> None:
    choices = random_choices(6, [4, 4, 4, 4], side=8)
    zone = priced_zone(choices, NO_LIMITS)
    region = nearest_heads_regions(choices)
    prices = first_prices(zone, region, threshold=0.5, aim=0.4)
    surplus = [
        improved_prices(
            zone,
            prices,
            zone.possible,
            quartile_mm_h=(0.5, 0.51),
            aim=0.4,
            most_entries=1e6,
            until=until,
        ).surplus_mm_h
        for until in (-np.inf, np.inf)
    ]
    assert surplus[1] <= surplus[0] + 1e-9


@given(st.integers(0, 10**6))
@settings(max_examples=15, deadline=None)
def test_mean_rate_range_holds_every_layout_that_reaches_the_goal(seed: int) -> None:
    choices = random_choices(seed, [3, 3, 3])
    layouts = enumerated(choices, NO_LIMITS)
    goal = 0.9 * max(layouts.values())
    means = mean_rate_range(priced_zone(choices, NO_LIMITS), max(goal, 0.01))
    for layout, uniformity in layouts.items():
        if uniformity >= max(goal, 0.01):
            assert means is not None
            assert means[0] <= choices.rates(np.array(layout)).mean() <= means[1]
