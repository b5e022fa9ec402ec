"""Ranks with ties, how sure they are, and shares of a total."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoirrig.units import FloatArray

IntArray = NDArray[np.int64]

TIE_TOLERANCE = 1e-6  # relative; sums of a million float32 cells differ by less


def competition_rank(
    values: ArrayLike, *, relative_tolerance: float = TIE_TOLERANCE, negligible: float = 0.0
) -> IntArray:
    """Rank 1 for the largest value; equal values share the better rank.

    Parameters
    ----------
    values : array_like, shape (n_items, ...)
        What is ranked along the first axis, ≥ 0, without NaN.
    relative_tolerance : float
        Of two neighbours in order, values that differ by less than this share are equal. [1]
    negligible : float
        Values below this count as zero. [the unit of the values]

    Returns
    -------
    ndarray of int64, shape of the values
        One more than the number of items with more: 1, 2, 2, 4.

    Examples
    --------
    >>> competition_rank([5.0, 9.0, 5.0, 0.0, 0.0]).tolist()
    [2, 1, 2, 4, 4]
    """
    amounts = np.asarray(values, dtype=np.float64)
    amounts = np.where(amounts < negligible, 0.0, amounts)
    order = np.argsort(-amounts, axis=0, kind="stable")
    falling = np.take_along_axis(amounts, order, axis=0)
    place = np.arange(1, len(amounts) + 1).reshape(-1, *(1,) * (amounts.ndim - 1))
    is_less = np.ones(amounts.shape, dtype=bool)
    is_less[1:] = falling[1:] < falling[:-1] * (1.0 - relative_tolerance)
    best = np.maximum.accumulate(np.where(is_less, place, 0), axis=0)
    rank = np.empty(amounts.shape, dtype=np.int64)
    np.put_along_axis(rank, order, best, axis=0)
    return rank


def central_interval(
    values: ArrayLike, *, probability: float = 0.90
) -> tuple[NDArray[np.generic], NDArray[np.generic]]:
    """The values between which the middle of the realisations lies.

    Parameters
    ----------
    values : array_like, shape (..., n_realisations)
        Realised values along the last axis.
    probability : float
        Share of the realisations between the two, in (0, 1). [1]

    Returns
    -------
    tuple of two ndarray, shape (...)
        Values that occur among the realisations: of 200, the 10th and the 190th in order. Whole
        numbers stay whole.

    Examples
    --------
    >>> [int(end) for end in central_interval(range(1, 201))]
    [10, 190]
    """
    tail = 0.5 * (1.0 - probability)
    realised = np.asarray(values)
    low, high = np.quantile(
        # 0.05·200 must not come out just above 10
        realised,
        np.round((tail, 1.0 - tail), 12),
        axis=-1,
        method="inverted_cdf",
    )
    return np.asarray(low, dtype=realised.dtype), np.asarray(high, dtype=realised.dtype)


def share_of_total(values: ArrayLike) -> FloatArray:
    """Share of the sum that each value has; NaN where the sum is zero.

    Parameters
    ----------
    values : array_like, shape (n_items,)
        Amounts, ≥ 0.

    Returns
    -------
    ndarray of float64, shape (n_items,)
        [1]

    Examples
    --------
    >>> share_of_total([6.0, 3.0, 1.0]).tolist()
    [0.6, 0.3, 0.1]
    """
    amounts = np.asarray(values, dtype=np.float64)
    total = np.sum(amounts)
    return amounts / total if total > 0.0 else np.full(amounts.shape, np.nan)
