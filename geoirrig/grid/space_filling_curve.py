"""An order of places in the plane that keeps neighbours together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoirrig.units import FloatArray

ORDER = 16  # the plane is divided into 2¹⁶ columns and rows


def hilbert_distance(x_m: FloatArray, y_m: FloatArray) -> NDArray[np.int64]:
    """How far along a Hilbert curve through their common box each of some points lies.

    Parameters
    ----------
    x_m, y_m : ndarray, shape (n,)
        Finite. [m]

    Returns
    -------
    ndarray of int64, shape (n,)
        From 0 to 4¹⁶ − 1; points of one cell of the division have the same.

    References
    ----------
    .. [1] Hilbert, D., 1891. Ueber die stetige Abbildung einer Linie auf ein Flächenstück.
       Mathematische Annalen 38, 459–460.

    Examples
    --------
    >>> quarter = 2**30
    >>> ends = hilbert_distance(np.array([0.0, 0.0, 1.0, 1.0]), np.array([0.0, 1.0, 1.0, 0.0]))
    >>> (ends // quarter).tolist()  # up, across and down: the quarters in their order
    [0, 1, 2, 3]
    """
    n_steps = 1 << ORDER
    if not len(x_m):
        return np.empty(0, dtype=np.int64)
    left, bottom = float(np.min(x_m)), float(np.min(y_m))
    side = max(float(np.max(x_m)) - left, float(np.max(y_m)) - bottom, 1e-9)
    col = np.minimum((x_m - left) / side * n_steps, n_steps - 1).astype(np.int64)
    row = np.minimum((y_m - bottom) / side * n_steps, n_steps - 1).astype(np.int64)
    distance = np.zeros(len(x_m), dtype=np.int64)
    half = n_steps >> 1
    while half > 0:
        east, north = (col & half) > 0, (row & half) > 0
        distance += half * half * ((3 * east) ^ north)
        # turn the quarter so that its part of the curve begins and ends where the next one does
        mirrored = ~north & east
        col = np.where(mirrored, n_steps - 1 - col, col)
        row = np.where(mirrored, n_steps - 1 - row, row)
        col, row = np.where(~north, row, col), np.where(~north, col, row)
        half >>= 1
    return distance
