"""Ranks with ties against an independent ranking, intervals and shares by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import rankdata

from geoirrig.physics.rank_interval import central_interval, competition_rank, share_of_total

# whole litres: either equal or further apart than the tie tolerance
litres = st.lists(st.integers(0, 10_000).map(float), min_size=1, max_size=60)


@given(litres)
def test_competition_rank_is_the_least_rank_of_scipy_counted_from_the_largest(values):
    expected = rankdata(-np.array(values), method="min").astype(int)
    assert competition_rank(values).tolist() == expected.tolist()


@given(litres, st.randoms(use_true_random=False))
def test_competition_rank_goes_with_its_item_when_rows_are_shuffled(values, random):
    order = list(range(len(values)))
    random.shuffle(order)
    shuffled = competition_rank([values[place] for place in order])
    assert shuffled.tolist() == competition_rank(values)[order].tolist()


def test_competition_rank_by_hand_zeros_tie_at_the_end():
    assert competition_rank([0.0, 7.0, 0.0, 7.0, 9.0]).tolist() == [4, 2, 4, 2, 1]


def test_competition_rank_of_nothing_but_zeros_is_one():
    assert competition_rank([0.0, 0.0, 0.0]).tolist() == [1, 1, 1]


def test_competition_rank_within_rounding_is_a_tie_and_beyond_it_none():
    assert competition_rank([100.0, 100.0 * (1.0 - 5e-7)]).tolist() == [1, 1]
    assert competition_rank([100.0, 100.0 * (1.0 - 2e-6)]).tolist() == [1, 2]


def test_competition_rank_below_the_negligible_counts_as_zero():
    assert competition_rank([1e-9, 3.0, 0.0], negligible=1e-6).tolist() == [2, 1, 2]


def test_competition_rank_ranks_every_column_by_itself():
    values = np.array([[1.0, 5.0], [2.0, 5.0], [3.0, 6.0]])
    assert competition_rank(values).tolist() == [[3, 2], [2, 2], [1, 1]]


def test_competition_rank_of_no_items_is_empty():
    assert competition_rank(np.empty((0, 4))).shape == (0, 4)


def test_central_interval_of_200_is_the_10th_and_the_190th():
    low, high = central_interval(np.random.default_rng(3).permutation(200) + 1)
    assert (int(low), int(high)) == (10, 190)


def test_central_interval_of_ranks_stays_whole_and_holds_nine_tenths():
    ranks = np.random.default_rng(5).integers(1, 40, (7, 200))
    low, high = central_interval(ranks)
    assert low.dtype == high.dtype == ranks.dtype
    inside = (ranks >= low[:, np.newaxis]) & (ranks <= high[:, np.newaxis])
    assert np.all(inside.mean(axis=1) >= 0.90)


def test_central_interval_of_one_realisation_is_that_one():
    assert [float(end) for end in central_interval([4.0])] == [4.0, 4.0]


@given(st.lists(st.floats(0.0, 1e9), min_size=1, max_size=40))
def test_share_of_total_sums_to_one_or_is_nothing(values):
    share = share_of_total(values)
    if np.sum(values) > 0.0:
        assert np.sum(share) == pytest.approx(1.0, rel=1e-12)
    else:
        assert np.all(np.isnan(share))
