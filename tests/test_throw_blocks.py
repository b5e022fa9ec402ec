"""Block operations, each against the same few cells worked by hand or in plain NumPy."""

from __future__ import annotations

import numpy as np
import pytest

from geoirrig.block_instructions import BLOCK, LONG_BLOCK
from geoirrig.throw_blocks import (
    add_scaled,
    count_first,
    count_positive,
    put_hinged_rates,
    put_line,
    put_squared_distances,
    sum_where,
)
from tests.block_calls import called

STEPS = np.arange(BLOCK)


def test_put_squared_distances_cells_beyond_the_run_are_infinitely_far() -> None:
    cells = np.zeros(BLOCK + 2, dtype=np.float32)
    called(put_squared_distances, cells, 1, np.float32(-1.5), np.float32(4.0), 5)
    # East −1.5, −0.5, 0.5, 1.5, 2.5; north² 4.
    assert cells.tolist() == [0.0, 6.25, 4.25, 4.25, 6.25, 10.25, *[np.inf] * 3, 0.0]


def test_put_hinged_rates_wedge_of_radius_four_is_worked_by_hand() -> None:
    cells = np.full(BLOCK + 2, 9.0, dtype=np.float32)
    # 3·max(0, 1 − x) and a hinge of nothing: at x = 0, ¼, ½, ¾, 1, 5/4.
    shape = tuple(np.float32(part) for part in (0.25, 0.0, 1.0, 3.0, 0.0, 0.0))
    called(put_hinged_rates, cells, 1, np.float32(0.0), np.float32(0.0), 6, shape)
    assert cells.tolist() == [9.0, 3.0, 2.25, 1.5, 0.75, 0.0, 0.0, 0.0, 0.0, 9.0]


def test_put_hinged_rates_base_ends_with_the_run() -> None:
    cells = np.zeros(BLOCK, dtype=np.float32)
    shape = tuple(np.float32(part) for part in (0.1, 1.0, 0.5, 2.0, 0.3, -1.0))
    called(put_hinged_rates, cells, 0, np.float32(0.0), np.float32(0.0), 4, shape)
    # 1 + 2·(0.5 − x) − (0.3 − x) at x = 0, 0.1, 0.2, 0.3
    np.testing.assert_allclose(cells, [1.7, 1.6, 1.5, 1.4, 0, 0, 0, 0], rtol=1e-6)


def test_put_line_writes_even_steps() -> None:
    cells = np.zeros(BLOCK, dtype=np.float32)
    called(put_line, cells, 0, np.float32(2.0), np.float32(-0.5))
    np.testing.assert_array_equal(cells, 2.0 - 0.5 * STEPS)


def test_add_scaled_adds_in_double_precision() -> None:
    total = np.ones(BLOCK + 2)
    called(add_scaled, total, 2, STEPS.astype(np.float32), 0, 1e-12)
    np.testing.assert_allclose(total[2:] - 1.0, 1e-12 * STEPS, atol=2e-16)
    assert total[:2].tolist() == [1.0, 1.0]


@pytest.mark.parametrize("left", [1, 31, 32, 33, 300])
def test_count_first_counts_no_more_than_a_block_and_stays_at_255(left: int) -> None:
    count = np.full(LONG_BLOCK + 4, 254, dtype=np.uint8)
    count[3] = 255
    called(count_first, count, 2, left)
    expected = np.full(LONG_BLOCK + 4, 254)
    expected[2 : 2 + min(left, LONG_BLOCK)] = 255
    expected[3] = 255
    assert count.tolist() == expected.tolist()


def test_count_positive_counts_where_water_falls() -> None:
    count = np.array([0, 7, 255, 0, 0, 0, 0, 0], dtype=np.uint8)
    values = np.array([1, 1, 1, 0, -1, np.nan, 1e-30, 0], dtype=np.float32)
    called(count_positive, count, 0, values, 0)
    assert count.tolist() == [1, 8, 255, 0, 0, 0, 1, 0]


def test_sum_where_sums_the_flagged_cells() -> None:
    flags = np.array([9, 1, 0, 1, 0, 0, 0, 0, 1], dtype=np.uint8)
    values = np.array([1, 2, 4, 8, 16, 32, 64, 128], dtype=np.float32)
    assert called(sum_where, flags, 1, values, 0) == 1 + 4 + 128
