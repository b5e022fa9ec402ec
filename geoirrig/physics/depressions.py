"""Pits and level ground: what drains after a shallow filling, and where water stays."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.physics.depression_kernels import find_sinks, find_ways_out, flood, spread_sinks
from geoirrig.units import FloatArray

# Fall from pixel to pixel across filled pits and level ground. Far above the rounding of any
# elevation on earth (1e-12 m), and only 0.01 mm over ten thousand pixels.
SMALLEST_FALL_M = 1e-9


def drained_elevation_m(elevation_m: ArrayLike, *, deepest_m: float) -> FloatArray:
    """Elevations on which water finds its way out of shallow pits and off level ground.

    Parameters
    ----------
    elevation_m : array_like, shape (n_rows, n_cols)
        Elevations; NaN where there are none. [m]
    deepest_m : float
        Depth of water up to which a pit is filled, ≥ 0. Deeper ones stay as they are. [m]

    Returns
    -------
    ndarray of float64, shape (n_rows, n_cols)
        Elevations, raised in filled pits and on level ground that has an outlet; every other pixel
        keeps its own. Pixels without a lower neighbour are left at the bottom of deeper pits, and
        on level ground without any way down. [m]

    Notes
    -----
    Water leaves at the border of what is known, be it the edge or a gap, where the ground carried
    on through a pixel from a known one falls: z(opposite) > z(pixel).

    A pit is as deep as the water in it when it spills to lower ground. Pits are compared by
    flooding from below: where two basins meet at a saddle, the one with the higher bottom spills
    into the other. If that depth is more than ``deepest_m`` the pit holds its water, also where it
    lies within a larger one; pits within it that are shallower drain to its bottom.

    Then a priority flood [1]_ runs upward from where water leaves or stays, and lifts what it meets
    to at least 1e-9 m above the pixel it comes from. It visits every pixel once, so it ends.

    References
    ----------
    .. [1] Barnes, R., Lehman, C. and Mulla, D., 2014. Priority-flood: an optimal depression-filling
       and watershed-labeling algorithm for digital elevation models. Computers & Geosciences 62,
       117-127. Algorithm 3.

    Examples
    --------
    >>> trench = [[3.0, 2.0, 1.99, 2.0, 1.0, 0.0]]
    >>> drained_elevation_m(trench, deepest_m=0.02).round(6).tolist()
    [[3.0, 2.0, 2.0, 2.0, 1.0, 0.0]]
    >>> drained_elevation_m(trench, deepest_m=0.005).tolist()
    [[3.0, 2.0, 1.99, 2.0, 1.0, 0.0]]
    """
    elevation = np.array(elevation_m, dtype=np.float64, order="C")
    is_outlet = np.zeros(elevation.size, dtype=np.bool_)
    if find_ways_out(elevation, is_outlet) == 0:
        return elevation
    heights = elevation.ravel()
    known = np.flatnonzero(~np.isnan(heights))
    rising = known[np.argsort(heights[known])]
    is_sink = np.zeros(elevation.size, dtype=np.bool_)
    find_sinks(elevation, rising, deepest_m + SMALLEST_FALL_M, is_outlet, is_sink)
    spread_sinks(elevation, rising, is_sink)  # the order has served; its room is the queue
    drained = heights.copy()
    flood(elevation, len(known), SMALLEST_FALL_M, is_outlet | is_sink, drained)
    return drained.reshape(elevation.shape)
