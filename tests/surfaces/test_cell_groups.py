"""Cells by the area that they belong to."""

from __future__ import annotations

import numpy as np

from geoirrig.surfaces.cell_groups import CellGroups, group_means, group_sums, sensitive_minutes

INDEX = np.array([[0, 0, -1], [2, 0, 2]], dtype=np.int32)  # area 1 has no cell
VALUES = np.array([[1.0, 3.0, 100.0], [7.0, 5.0, 9.0]], dtype=np.float32)


def test_cell_groups_values_come_in_reading_order_without_the_cells_of_no_area() -> None:
    groups = CellGroups(INDEX, 3).of(VALUES)
    assert [group.tolist() for group in groups] == [[1.0, 3.0, 5.0], [], [7.0, 9.0]]
    assert {group.dtype for group in groups} == {np.dtype(np.float64)}
    assert group_sums(groups).tolist() == [9.0, 0.0, 16.0]
    np.testing.assert_array_equal(group_means(groups), [3.0, np.nan, 8.0])


def test_cell_groups_windows_bound_each_area() -> None:
    (window, inside), none, (_, other) = CellGroups(INDEX, 3).windows()
    assert window == (slice(0, 2), slice(0, 2))
    assert inside.tolist() == [[True, True], [False, True]]
    assert none == (None, None)
    assert other.tolist() == [[True, False, True]]


def test_cell_groups_no_areas() -> None:
    groups = CellGroups(np.full((2, 2), -1, dtype=np.int32), 0)
    assert groups.of(np.zeros((2, 2))) == []
    assert groups.windows() == []


def test_sensitive_minutes_is_the_5th_percentile_of_the_cells() -> None:
    # 21 cells, 0 to 20 minutes: a twentieth of the way along is 1 minute
    np.testing.assert_allclose(
        sensitive_minutes([np.arange(21.0), np.empty(0), np.array([4.0])]), [1.0, np.nan, 4.0]
    )
