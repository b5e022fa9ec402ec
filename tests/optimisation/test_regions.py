"""Regions and their tables, by hand and against plain sums."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geoirrig.optimisation.region_kernels import merge_classes, shortfall_table, values_with
from geoirrig.optimisation.regions import joined_regions, nearest_heads_regions, region_tables
from tests.optimisation.made_up_choices import choices_of, random_choices


def test_shortfall_table_two_heads_of_two_choices_by_hand() -> None:
    # Two cells with 1 mm/h in any case. Head A gives (0, 0) or (4, 0), head B (0, 1) or (0, 5).
    # Depths: A0 B0 (1, 2), A0 B1 (1, 6), A1 B0 (5, 2), A1 B1 (5, 6). Below 3, what lacks to 4:
    columns = np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 1.0], [0.0, 5.0]])
    value = np.empty(4)
    shortfall_table(columns, np.ones(2), np.array([2, 2]), 3.0, 4.0, value)
    assert value.tolist() == [-5.0, -3.0, -2.0, 0.0]


def test_merge_classes_takes_the_cheapest_pair_and_the_highest_rate() -> None:
    # Choices of one head on two cells: the first two differ by 0.1 on a cell, the third is far off.
    columns = np.array([[1.0, 2.0], [1.1, 2.0], [5.0, 0.0]])
    class_of = np.empty(3, dtype=np.int64)
    merge_classes(columns, np.ones(2), np.array([0, 3]), 2.0, class_of)
    assert class_of.tolist() == [0, 0, 2]
    assert columns[[0, 2]].tolist() == [[1.1, 2.0], [5.0, 0.0]]


def test_merge_classes_alike_choices_are_one_whatever_the_size() -> None:
    columns = np.array([[1.0], [2.0], [1.0]])
    class_of = np.empty(3, dtype=np.int64)
    merge_classes(columns, np.ones(1), np.array([0, 3]), 100.0, class_of)
    assert class_of.tolist() == [0, 1, 0]


def test_nearest_heads_regions_are_the_cells_with_the_same_four_nearest_heads() -> None:
    # Five heads in a row at 0, 1, 2, 3 and 4 m; what they give falls with the distance.
    cell_m, head_m = np.array([0.0, 1.0, 3.0, 4.0]), np.arange(5.0)
    rate = 10.0 - np.abs(cell_m[:, np.newaxis] - head_m)
    region = nearest_heads_regions(choices_of(rate, [1, 1, 1, 1, 1], side=2))
    assert region.tolist() == [0, 0, 1, 1]


def test_joined_regions_join_those_whose_heads_have_few_choices() -> None:
    # Heads A and B reach cells 0 and 1, B and C cells 2 and 3: 2·2 entries each, 8 together.
    rate = np.zeros((4, 6))
    rate[:2, :4], rate[2:, 2:] = 1.0, 1.0
    choices = choices_of(rate, [2, 2, 2], side=2)
    region, all_possible = np.array([0, 0, 1, 1]), np.ones(6, dtype=bool)
    for most, joined in ((7.0, [0, 1]), (9.0, [0, 0])):
        assert joined_regions(choices, region, all_possible, most_entries=most).tolist() == joined


@given(st.integers(0, 10**6), st.sampled_from([1.0, 6.0, 1e6]))
@settings(max_examples=20, deadline=None)
def test_region_tables_without_prices_bound_the_shortfall_of_every_layout(
    seed: int, most_entries: float
) -> None:
    choices = random_choices(seed, [3, 2, 3])
    first, n = choices.first.astype(np.int64), len(choices.flow_lpm)
    region = nearest_heads_regions(choices)
    below, upto = 0.4, 0.5
    tables = region_tables(
        choices,
        region,
        np.ones(n, dtype=bool),
        np.ones(len(region)),
        thresholds=(below, upto),
        most_entries=most_entries,
    )
    with_choice, price = np.empty(n), np.zeros((int(region.max()) + 1, n))
    bound = values_with(tables, first, np.zeros(n), price, with_choice)
    exact = {}
    for layout in product(*(range(a, b) for a, b in pairwise(first))):
        depth = choices.rates(np.array(layout))
        exact[layout] = -4.0 / len(depth) * np.sum((upto - depth)[depth < below])
    assert bound >= max(exact.values()) - 1e-12
    for j in range(n):
        assert with_choice[j] >= max(v for layout, v in exact.items() if j in layout) - 1e-12
    if most_entries > 1e3:  # nothing merged: each region has its own best
        best = 0.0
        for r in np.unique(region):
            cells = region == r
            depths = [choices.rates(np.array(layout))[cells] for layout in exact]
            best += max(-4.0 / len(region) * np.sum((upto - d)[d < below]) for d in depths)
        assert bound == pytest.approx(best, abs=1e-12)
