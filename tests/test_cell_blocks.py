"""Operations on turf cells, each against the same few cells worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from geoirrig.block_instructions import BLOCK
from geoirrig.cell_blocks import (
    alike_lanes,
    excess_sums,
    first_lane,
    keep_highest,
    lanes_before,
    pack,
    run_over_surfaces,
    shared_lanes,
)
from tests.block_calls import called


def test_keep_highest_notes_who_is_highest_and_who_wets() -> None:
    copy = np.full(BLOCK + 3, 9.0, dtype=np.float32)
    line = np.array([9.0, 2.0, 5.0, 5.0, 0.0, 7.0, 8.0, 1.0, 3.0])
    best = np.array([9, 3, 5, 1, 0, 0, 2, 2, 2], dtype=np.float32)
    main = np.array([8, 4, 4, 4, -1, -1, 6, 6, 6], dtype=np.int32)
    count = np.array([1, 1, 1, 255, 0, 0, 3, 3, 3], dtype=np.uint8)
    # The block begins at the second of each, and five cells are left of the run.
    found = called(keep_highest, copy, 2, line, 1, (best, main, count), (1, 5, 7))
    assert found == bits(0, 1, 2, 4)
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
