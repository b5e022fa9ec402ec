"""The low-quarter mean as a concave function of the depths: what bounds on uniformity rest on.

The mean of the driest quarter of an area is a conditional value at risk [1]_: the least weighted
mean of the depths over all weights that spread over at least a quarter of the area,

    LQ(d) = min { Σ λᵢ·dᵢ : Σ λᵢ = 1, 0 ≤ λᵢ ≤ 4/n }  (n cells of equal area),

and, by duality, LQ(d) = max over t of t − (4/n)·Σ max(0, t − dᵢ). A minimum of linear functions is
concave, and two bounds from above follow:

- any such λ bounds LQ of every depth, and is exact at the depth that it was made for (`prices`);
- **means of groups of cells have no lower low-quarter mean than the cells**. Proof: any λ on the
  groups, spread evenly over the cells of each group, is a λ on the cells with the same weighted
  mean; so the minimum over the cells is over more weights, and not above that over the groups.

The uniformity is a ratio, LQ over the mean. It reaches θ exactly where LQ(d) − θ·mean(d) ≥ 0, which
is concave in the depths for a fixed θ.

References
----------
.. [1] Rockafellar, R. T. and Uryasev, S., 2000. Optimization of conditional value-at-risk. Journal
   of Risk 2(3), 21-41 (title and pages from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from geoirrig.units import FloatArray

LOW_FRACTION = 0.25


def low_quarter_prices(depth: ArrayLike) -> FloatArray:
    """Weights λ with which the weighted mean of the depths is their low-quarter mean.

    Parameters
    ----------
    depth : array_like, shape (n_cells,)
        Depths or rates of cells of equal area, at least one cell. [any unit]

    Returns
    -------
    ndarray of float64, shape (n_cells,)
        In [0, 4/n], adding up to 1: the same for all of the driest quarter, the part that fills
        the quarter for its last cell, 0 elsewhere. For any other depths of the same cells the
        weighted mean is not below their low-quarter mean. [1]

    Examples
    --------
    >>> low_quarter_prices([3.0, 1.0, 2.0, 4.0, 6.0, 5.0]).round(3).tolist()  # 1 and half of 2
    [0.0, 0.667, 0.333, 0.0, 0.0, 0.0]
    """
    values = np.asarray(depth, dtype=np.float64)
    quarter = LOW_FRACTION * values.size
    whole = math.floor(quarter)
    order = np.argpartition(values, whole)
    prices = np.zeros(values.size)
    prices[order[:whole]] = 1.0 / quarter
    prices[order[whole]] += (quarter - whole) / quarter
    return prices
