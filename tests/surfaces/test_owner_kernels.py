"""What belongs to the same owner."""

from __future__ import annotations

import numpy as np

from geoirrig.surfaces.owner_kernels import lowest_by_owner


def test_lowest_by_owner_hand_worked() -> None:
    values = np.array([[3.0, np.nan, -1.0, 2.0], [np.nan, 5.0, 7.0, np.inf]])
    lowest = lowest_by_owner(values, np.array([2, 0, 2, 0]), 4)
    inf = np.inf
    assert lowest.tolist() == [[2.0, inf, -1.0, inf], [5.0, inf, 7.0, inf]]


def test_lowest_by_owner_without_values() -> None:
    nothing = np.zeros(0, dtype=np.int64)
    assert lowest_by_owner(np.zeros((2, 0)), nothing, 3).tolist() == [[np.inf] * 3] * 2
    assert lowest_by_owner(np.zeros((2, 0)), nothing, 0).shape == (2, 0)
