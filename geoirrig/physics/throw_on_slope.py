"""How a slope stretches and shortens the throw of a head that stands upright on it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import FloatArray

# p = tan(trajectory)/tan(landing angle). Ballistic computations with drag for 15° and 25°
# trajectories and throws of 4.6 to 9 m give 0.19 to 0.27; engineering choice, no published table.
THROW_EXPONENT = 0.25

# What a grid allows for downhill, over the level throw: reached on a slope of 50 % at 25°.
LONGEST_THROW_RATIO = 1.2


def throw_ratio(
    slope_ratio: ArrayLike,
    bearing_from_uphill_deg: ArrayLike,
    trajectory_deg: ArrayLike,
    *,
    exponent: float = THROW_EXPONENT,
) -> FloatArray:
    """Horizontal throw on a slope over the throw on level ground.

    Parameters
    ----------
    slope_ratio : array_like
        Rise over run along the steepest way, ≥ 0. [1]
    bearing_from_uphill_deg : array_like, broadcastable with the above
        Direction of throw, measured from straight uphill. [degree]
    trajectory_deg : array_like, broadcastable with the above
        Angle at which the water leaves the nozzle, above the horizontal, in (0, 90). [degree]
    exponent : float
        tan(trajectory)/tan(landing angle), > 0; 1 is flight without air drag. [1]

    Returns
    -------
    ndarray of float64
        Below 1 uphill, above 1 downhill; NaN where the ground rises at least as steeply as the
        water leaves the nozzle, so that the jet meets the bank. [1]

    Notes
    -----
    A flight that leaves at angle α and lands on level ground at angle θ, at distance R₀, is drawn
    as z = x·tanα·[1 − (x/R₀)^m] with m = tanθ/tanα: both angles are right. It meets the ground
    z = s·x·cosφ at

        R/R₀ = (1 − s·cosφ/tanα)^p,  p = tanα/tanθ.

    θ = α (no drag) gives the exact law of the vacuum, p = 1. Derived for this program; against
    ballistic integration with sphere drag it is up to 0.03 high uphill at slopes of 20 to 25 %.

    Examples
    --------
    >>> throw_ratio(0.2, [0.0, 90.0, 180.0], 25.0).round(3).tolist()
    [0.869, 1.0, 1.093]
    """
    slope = np.asarray(slope_ratio, dtype=np.float64)
    bearing = np.radians(np.asarray(bearing_from_uphill_deg, dtype=np.float64))
    launch = np.tan(np.radians(np.asarray(trajectory_deg, dtype=np.float64)))
    clearance = 1.0 - slope * np.cos(bearing) / launch
    return np.asarray(np.where(clearance > 0.0, clearance, np.nan) ** exponent)


def rate_ratio(
    slope_ratio: ArrayLike,
    bearing_from_uphill_deg: ArrayLike,
    trajectory_deg: ArrayLike,
    *,
    exponent: float = THROW_EXPONENT,
) -> FloatArray:
    """Rate on a slope over the rate on level ground, at the same fraction of the throw.

    Parameters
    ----------
    slope_ratio, bearing_from_uphill_deg, trajectory_deg, exponent
        As for `throw_ratio`.

    Returns
    -------
    ndarray of float64
        1/`throw_ratio`²; NaN where the jet meets the bank. [1]

    Notes
    -----
    A head that turns at an even pace sends equal flow into equal angles. Where the throw is
    shorter, the same flow falls on an area smaller by the square of the ratio, so that the sector
    still receives exactly the head's flow.

    Examples
    --------
    >>> float(rate_ratio(0.2, 0.0, 45.0, exponent=1.0).round(9))  # throw 0.8
    1.5625
    """
    ratio = throw_ratio(slope_ratio, bearing_from_uphill_deg, trajectory_deg, exponent=exponent)
    return np.asarray(1.0 / ratio**2)
