"""Compiled low-quarter uniformity, for the millions of layouts that a search looks at."""

from __future__ import annotations

import math

from geoirrig.compilation import compiled
from geoirrig.physics.low_quarter import LOW_FRACTION
from geoirrig.units import FloatArray

DRY_SHARE = 1e-9  # of the mean: what is left of a cell whose water was added and taken away again


@compiled
def uniformity_and_dry_cells(depth: FloatArray, room: FloatArray) -> tuple[float, int]:
    """Low-quarter uniformity of cells of equal area, and how many of them are dry.

    Parameters
    ----------
    depth : ndarray, shape (n_cells,)
        Depths, ≥ 0 but for rounding. [any unit]
    room : ndarray, shape (n_cells,)
        Scratch; is overwritten.

    Returns
    -------
    tuple of float and int
        As `geoirrig.physics.application_uniformity.low_quarter_uniformity`, but 0 where all is dry.
    """
    n, total = len(depth), 0.0
    for i in range(n):
        room[i] = depth[i]
        total += depth[i]
    if total <= 0.0:
        return 0.0, n
    dry_below, n_dry = DRY_SHARE * total / n, 0
    for i in range(n):
        n_dry += depth[i] <= dry_below
    quarter = LOW_FRACTION * n
    whole = math.floor(quarter)
    _partition(room, whole)
    low = (quarter - whole) * room[whole]
    for i in range(whole):
        low += room[i]
    return low / quarter * n / total, n_dry


@compiled
def _partition(values: FloatArray, place: int) -> None:
    """Bring the value that belongs at a place there, and no greater one before it (Hoare)."""
    low, high = 0, len(values) - 1
    while low < high:
        pivot, i, j = values[(low + high) >> 1], low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i, j = i + 1, j - 1
        if place <= j:
            high = j
        elif place >= i:
            low = i
        else:
            break
