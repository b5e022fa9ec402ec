"""Block operations, each against the same few cells worked by hand or in plain NumPy."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
import numpy as np
import pytest

from geoirrig.vector_blocks import (
    BLOCK,
    LONG_BLOCK,
    add_scaled,
    alike_lanes,
    count_first,
    count_positive,
    excess_sums,
    first_lane,
    keep_highest,
    lanes_before,
    pack,
    put_hinged_rates,
    put_line,
    put_squared_distances,
    run_over_surfaces,
    shared_lanes,
    sum_where,
)

STEPS = np.arange(BLOCK)


def called(operation: Callable[..., Any], *arguments: Any) -> Any:
    """Result of an operation, called as kernels call it: from compiled code."""
    names = ", ".join(f"a{number}" for number in range(len(arguments)))
    scope = {"operation": operation}
    exec(f"def call({names}): return operation({names})", scope)
    return numba.njit(scope["call"])(*arguments)


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


def test_keep_highest_notes_who_is_highest_and_who_wets() -> None:
    copy = np.full(BLOCK + 3, 9.0, dtype=np.float32)
    line = np.array([9.0, 2.0, 5.0, 5.0, 0.0, 7.0, 8.0, 1.0, 3.0])
    best = np.array([9, 3, 5, 1, 0, 0, 2, 2, 2], dtype=np.float32)
    main = np.array([8, 4, 4, 4, -1, -1, 6, 6, 6], dtype=np.int32)
    count = np.array([1, 1, 1, 255, 0, 0, 3, 3, 3], dtype=np.uint8)
    # The block begins at the second of each, and five cells are left of the run.
    called(keep_highest, copy, 2, line, 1, (best, main, count), (1, 5, 7))
    assert copy.tolist() == [9.0, 9.0, 2.0, 5.0, 5.0, 0.0, 7.0, 0.0, 0.0, 0.0, 9.0]
    assert best.tolist() == [9.0, 3.0, 5.0, 5.0, 0.0, 7.0, 2.0, 2.0, 2.0]
    assert main.tolist() == [8, 4, 4, 7, -1, 7, 6, 6, 6]
    assert count.tolist() == [1, 2, 2, 255, 0, 1, 3, 3, 3]


@pytest.mark.parametrize("n_cells", [0, 5, BLOCK, 20])
def test_excess_sums_of_cells_that_one_zone_wets(n_cells: int) -> None:
    wettings = np.tile(np.array([1, 1, 2, 1, 0, 1, 1], dtype=np.uint8), 6)
    rates = np.tile(np.array([4, 8, 100, 16, 0, 32, 5], dtype=np.float32), 6)
    depth = np.tile([2.0, 4.0, 0.0, 8.0, 0.0, 16.0, 2.5], 6)[3 : 3 + n_cells]
    above = np.tile([0.0, 1.0, 0.0, 5.0, 0.0, 13.0, 0.0], 6)[3 : 3 + n_cells]
    found = called(excess_sums, wettings, rates, 3, 3 + n_cells, 0.5, (0.0, 3.0))
    assert found == (depth.sum(), above.sum())


# --- lanes ---------------------------------------------------------------------------------------


def bits(*lanes: int) -> int:
    return sum(1 << lane for lane in lanes)


def test_shared_lanes_are_wet_and_wetted_by_several() -> None:
    wettings = np.array([0, 2, 1, 2, 3, 9, 2, 2, 2], dtype=np.uint8)
    rates = np.array([0, 0, 4, 4, 0, 4, 4, 4, 4, 4], dtype=np.float32)
    assert called(shared_lanes, wettings, 1, rates, 2, 6) == bits(0, 3, 4, 5)
    assert called(shared_lanes, wettings, 1, rates, 2, 100) == bits(0, 3, 4, 5, 6, 7)


def test_alike_lanes_first_lane_and_lanes_before() -> None:
    numbers = np.array([7, 3, 3, -1, 3, 0, 0, 0, 3], dtype=np.int32)
    assert called(alike_lanes, numbers, 1, 3) == bits(0, 1, 3, 7)
    assert called(alike_lanes, numbers, 0, -1) == bits(3)
    assert called(first_lane, bits(3, 7)) == 3
    assert [called(lanes_before, left) for left in (-2, 0, 3, BLOCK, 999)] == [0, 0, 7, 255, 255]


def test_pack_appends_what_is_wanted() -> None:
    packed = np.full(BLOCK + 4, 9.0, dtype=np.float32)
    values = np.arange(BLOCK + 1, dtype=np.float32)
    assert called(pack, packed, 2, values, 1, bits(0, 3, 7)) == 5
    assert packed[:5].tolist() == [9.0, 9.0, 1.0, 4.0, 8.0]
    assert called(pack, packed, 4, values, 0, 0) == 4
    assert packed[:4].tolist() == [9.0, 9.0, 1.0, 4.0]


def test_run_over_surfaces_leaves_other_cells_as_they_are() -> None:
    rates = np.full(BLOCK + 1, 12.0, dtype=np.float32)
    clock = np.full(BLOCK + 2, 1.0)
    stored = [np.full(BLOCK + 2, lies) for lies in (0.0, 3.0)]
    # From hour 2 to 3.5: two cycles of half an hour with half an hour between.
    found = called(
        run_over_surfaces, rates, 1, (clock, *stored), (2, bits(1, 4)),
        (2.0, 3.5, 0.5, 1.0, 0.5), (2.0, 4.0, 6.0, 1.0),
    )  # fmt: skip
    # Intake 2, storage 6: 5, then 4 + 5 is 3 too much. Intake 4, storage 1: in the pause of an hour
    # the 3 mm go, then 4 is 3 too much, then 0 + 4 again.
    assert found == (24.0, 6.0, 12.0)
    others = [0, 1, 2, 4, 5, 7, 8, 9]
    assert clock[[3, 6]].tolist() == [3.5, 3.5]
    assert [one[[3, 6]].tolist() for one in stored] == [[6.0, 6.0], [1.0, 1.0]]
    assert np.all(clock[others] == 1.0)
    assert [np.unique(one[others]).tolist() for one in stored] == [[0.0], [3.0]]
