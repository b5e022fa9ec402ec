"""How evenly water lands: lower-quarter and lower-half measures, Christiansen, driest window.

All measures are fractions of 1 and do not change when every value is multiplied by a constant.
Values that are NaN make the result NaN: leave out what is not on the area before.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import FloatArray

# Run time from the low quarter: 1/(0.4 + 0.6·DU). From memory (landscape irrigation practice);
# the two numbers are a fit that stands for the low half.
RUN_TIME_INTERCEPT, RUN_TIME_SLOPE = 0.4, 0.6
# A window whose mean is below this share of the whole mean is dry: what is left is rounding.
DRY_WINDOW_SHARE = 1e-9


def low_quarter_uniformity(values: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Distribution uniformity of the low quarter, DUlq: mean of the driest quarter over the mean.

    Parameters
    ----------
    values : array_like, shape (n,)
        Depths or rates, ≥ 0. [any unit]
    weights : array_like, shape (n,), optional
        Area that each value stands for, ≥ 0; equal where not given. [any unit]

    Returns
    -------
    float
        In [0, 1]; NaN without values or where the mean is 0. [1]

    Notes
    -----
    Exactly a quarter of the area counts: of the last value, the part of its weight that fills the
    quarter. Published rules for counts that do not divide by four differ (rounded down, half up,
    up); all of them tend to this one as the count grows.

    References
    ----------
    .. [1] US Environmental Protection Agency, WaterSense, labelled new homes specification,
       version 1.1, section 4.2.5 (the measure and its use on turf).

    Examples
    --------
    >>> round(low_quarter_uniformity([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), 4)  # (1 + 2/2)/1.5 over 3.5
    0.381
    """
    return _low_uniformity(values, weights, 0.25)


def low_half_uniformity(values: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Distribution uniformity of the low half, DUlh: mean of the drier half over the mean.

    Parameters
    ----------
    values, weights
        As for `low_quarter_uniformity`.

    Returns
    -------
    float
        In [0, 1], never below the low quarter's; NaN without values or where the mean is 0. [1]

    Notes
    -----
    Exactly half of the area counts, as in `low_quarter_uniformity`. The formula is from memory;
    its use for run times is in [1]_.

    References
    ----------
    .. [1] von Bernuth, R. D. and Mecham, B. Defining the run time multiplier. 12 pp.

    Examples
    --------
    >>> low_half_uniformity([1.0, 2.0, 3.0, 4.0])
    0.6
    """
    return _low_uniformity(values, weights, 0.5)


def christiansen_uniformity(values: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Coefficient of uniformity of Christiansen, CU: one less the mean deviation over the mean.

    Parameters
    ----------
    values, weights
        As for `low_quarter_uniformity`.

    Returns
    -------
    float
        At most 1, negative for very uneven fields; NaN without values or where the mean is 0. [1]

    Notes
    -----
    CU = 1 − Σw·|x − m| / (m·Σw), with m the weighted mean. Never above `low_half_uniformity`.

    References
    ----------
    .. [1] Christiansen, J. E., 1942. Irrigation by sprinkling (title from memory); formula as
       printed in California State University Fresno, Irrigation Notes, January 1988 and November
       1994.

    Examples
    --------
    >>> christiansen_uniformity([1.0, 3.0])
    0.5
    """
    x, w = _values_and_weights(values, weights)
    total = float(np.sum(w))
    if total == 0.0:
        return math.nan
    mean = float(np.sum(w * x)) / total
    if mean == 0.0:
        return math.nan
    return 1.0 - float(np.sum(w * np.abs(x - mean))) / (mean * total)


def heermann_hein_uniformity(depth: ArrayLike, distance: ArrayLike) -> float:
    """Coefficient of uniformity of Heermann and Hein, for a line of collectors under a pivot.

    Parameters
    ----------
    depth : array_like, shape (n,)
        Depth in each collector, ≥ 0. [any unit]
    distance : array_like, shape (n,)
        Distance of each collector from the pivot point, > 0. [any unit]

    Returns
    -------
    float
        At most 1; NaN without values or where the mean is 0. [1]

    Notes
    -----
    CU = 1 − Σs·|x − m| / Σs·x with m = Σs·x/Σs: Christiansen's coefficient with every collector
    weighted by its distance s, since it stands for a ring of that circumference.

    References
    ----------
    .. [1] ANSI/ASAE S436.1, test procedure for the uniformity of water distribution of center
       pivot and lateral move machines, as named in University of Georgia Extension circular C911.

    Examples
    --------
    >>> heermann_hein_uniformity([2.0, 2.0, 2.0], [10.0, 20.0, 30.0])
    1.0
    """
    return christiansen_uniformity(depth, distance)


def scheduling_coefficient(depth: ArrayLike, *, window_fraction: float = 0.05) -> float:
    """Mean depth over the lowest mean in a square window that slides over the area.

    Parameters
    ----------
    depth : array_like, shape (n_rows, n_cols)
        Depth or rate of square cells, ≥ 0; NaN off the area. [any unit]
    window_fraction : float
        Window over the whole area, > 0 and below 1. [1]

    Returns
    -------
    float
        At least 1 for all but oddly shaped areas; infinite where a window is dry; NaN where
        there are no cells, where the mean is 0, or where the area is so thin that every window
        is skipped. [1]

    Notes
    -----
    The window is n × n cells, n = √(window_fraction × number of cells) rounded to a whole number,
    at least 1. It may stick out of the array; cells off the area do not count, and a window with
    less than half of its n² cells on the area is skipped. The work goes with the size of the
    array, whatever the window. Windows of 1, 2 and 5 % are in use; 1.3 and less is aimed at.

    Examples
    --------
    >>> scheduling_coefficient([[2.0, 4.0], [4.0, 6.0]])  # one cell is the window here
    2.0
    """
    field = np.asarray(depth, dtype=np.float64)
    is_on = ~np.isnan(field)
    count = int(np.count_nonzero(is_on))
    if count == 0:
        return math.nan
    filled = np.where(is_on, field, 0.0)
    mean = float(np.sum(filled)) / count
    side = max(1, round(math.sqrt(window_fraction * count)))
    cells = np.rint(_window_sums(is_on.astype(np.float64), side))
    counts = 2.0 * cells >= side**2
    if mean == 0.0 or not np.any(counts):
        return math.nan
    lowest = float(np.min(_window_sums(filled, side)[counts] / cells[counts]))
    return mean / lowest if lowest > DRY_WINDOW_SHARE * mean else math.inf


def run_time_multiplier_low_half(du_lh: ArrayLike) -> FloatArray:
    """Factor on the run time that gives the drier half, on average, the depth wanted: 1/DUlh.

    Parameters
    ----------
    du_lh : array_like
        Low-half distribution uniformity, in (0, 1]. [1]

    Returns
    -------
    ndarray of float64
        At least 1. [1]

    References
    ----------
    .. [1] von Bernuth, R. D. and Mecham, B. Defining the run time multiplier. 12 pp.

    Examples
    --------
    >>> float(run_time_multiplier_low_half(0.8))
    1.25
    """
    return np.asarray(1.0 / np.asarray(du_lh, dtype=np.float64))


def run_time_multiplier_low_quarter(du_lq: ArrayLike) -> FloatArray:
    """Factor on the run time from the low quarter: 1/(0.4 + 0.6·DUlq).

    Parameters
    ----------
    du_lq : array_like
        Low-quarter distribution uniformity, in [0, 1]. [1]

    Returns
    -------
    ndarray of float64
        From 1 to 2.5. [1]

    Notes
    -----
    From memory. 0.4 + 0.6·DUlq estimates the low half and can miss it by 5 points, so take
    `run_time_multiplier_low_half` where the low half itself is known.

    Examples
    --------
    >>> float(run_time_multiplier_low_quarter(0.5).round(4))
    1.4286
    """
    estimate = RUN_TIME_INTERCEPT + RUN_TIME_SLOPE * np.asarray(du_lq, dtype=np.float64)
    return np.asarray(1.0 / estimate)


def depth_multiplier_low_quarter(du_lq: ArrayLike) -> FloatArray:
    """Factor on the depth that gives the driest quarter, on average, the depth wanted: 1/DUlq.

    Parameters
    ----------
    du_lq : array_like
        Low-quarter distribution uniformity, in (0, 1]. [1]

    Returns
    -------
    ndarray of float64
        At least 1. [1]

    Notes
    -----
    The form of agricultural practice. On landscapes it asks for more water than
    `run_time_multiplier_low_half` does, and than turf was found to need [1]_.

    References
    ----------
    .. [1] Mecham, B., 2010. Paper read before the American Society of Agricultural and Biological
       Engineers (abstract read only).

    Examples
    --------
    >>> float(depth_multiplier_low_quarter(0.5))
    2.0
    """
    return np.asarray(1.0 / np.asarray(du_lq, dtype=np.float64))


def _values_and_weights(
    values: ArrayLike, weights: ArrayLike | None
) -> tuple[FloatArray, FloatArray]:
    x = np.asarray(values, dtype=np.float64).ravel()
    w = np.ones_like(x) if weights is None else np.asarray(weights, dtype=np.float64).ravel()
    return x, w


def _low_uniformity(values: ArrayLike, weights: ArrayLike | None, fraction: float) -> float:
    x = np.asarray(values, dtype=np.float64).ravel()
    if weights is None:
        low, mean = _low_and_whole_mean(x, fraction)
    else:
        low, mean = _weighted_low_and_whole_mean(*_values_and_weights(x, weights), fraction)
    return low / mean if mean != 0.0 else math.nan


def _low_and_whole_mean(x: FloatArray, fraction: float) -> tuple[float, float]:
    """Mean of the lowest ``fraction`` of equal values, and of all; takes no full sort."""
    if x.size == 0:
        return math.nan, math.nan
    share = fraction * x.size
    whole = math.floor(share)
    split = np.partition(x, whole)
    low = float(np.sum(split[:whole])) + (share - whole) * float(split[whole])
    return low / share, float(np.mean(x))


def _weighted_low_and_whole_mean(
    x: FloatArray, w: FloatArray, fraction: float
) -> tuple[float, float]:
    order = np.argsort(x, kind="stable")
    x, w = x[order], w[order]
    reached = np.cumsum(w)
    if x.size == 0 or reached[-1] == 0.0:
        return math.nan, math.nan
    target = fraction * reached[-1]
    taken = np.clip(target - (reached - w), 0.0, w)
    return float(np.sum(taken * x)) / float(np.sum(taken)), float(np.sum(w * x) / reached[-1])


def _window_sums(field: FloatArray, side: int) -> FloatArray:
    """Sums over every square window that can have half of its cells on the array.

    A window that sticks out by more than half of its side cannot, so that about as many windows as
    cells remain.
    """
    for axis in (0, 1):
        length = field.shape[axis]
        first = np.arange(-(side // 2), length - side + side // 2 + 1)
        zero = np.zeros_like(np.take(field, [0], axis=axis))
        running = np.concatenate([zero, np.cumsum(field, axis=axis)], axis=axis)
        start, stop = np.clip(first, 0, length), np.clip(first + side, 0, length)
        field = np.take(running, stop, axis=axis) - np.take(running, start, axis=axis)
    return field
