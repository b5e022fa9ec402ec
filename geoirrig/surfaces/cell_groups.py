"""Cells of a grid by the area that they belong to, for measures of each area."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from geoirrig.units import FloatArray

SENSITIVE_SHARE = 0.05  # the percentile of minutes to runoff that speaks for an area


class CellGroups:
    """Cells of a grid sorted by the area that they belong to."""

    def __init__(self, index: NDArray[np.int32], count: int) -> None:
        """Sort the cells of areas 0 to ``count − 1``; −1 belongs to none."""
        self._index = index
        self._count = count
        inside = np.flatnonzero(index >= 0)
        owner = index.ravel()[inside]
        self._cells = inside[np.argsort(owner, kind="stable")]
        self._edges = np.append(0, np.cumsum(np.bincount(owner, minlength=count)))

    def of(self, values: NDArray[np.generic]) -> list[FloatArray]:
        """Values of the cells of each area, in double precision."""
        sorted_values = values.ravel()[self._cells].astype(np.float64)
        return np.split(sorted_values, self._edges[1:-1]) if self._count else []

    def windows(self) -> list[tuple[Any, Any]]:
        """Bounding window of each area, and which of its cells are the area's."""
        found = ndimage.find_objects(self._index + 1, max_label=self._count)
        return [
            (window, None if window is None else self._index[window] == number)
            for number, window in enumerate(found)
        ]


def group_sums(groups: list[FloatArray]) -> FloatArray:
    """Sum of the values of each area; 0 for one without cells."""
    return np.array([np.sum(group) for group in groups])


def group_means(groups: list[FloatArray]) -> FloatArray:
    """Mean of the values of each area; NaN for one without cells."""
    return np.array([np.mean(group) if len(group) else np.nan for group in groups])


def sensitive_minutes(minutes_to_runoff: list[FloatArray]) -> FloatArray:
    """Minutes to runoff of the most sensitive 5 % of each area; NaN for one without cells."""
    return np.array(
        [
            np.quantile(minutes, SENSITIVE_SHARE) if len(minutes) else np.nan
            for minutes in minutes_to_runoff
        ]
    )
