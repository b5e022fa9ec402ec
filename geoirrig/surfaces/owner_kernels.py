"""What belongs to the same owner, compiled: owners have few values each, too few for a step."""

from __future__ import annotations

import numpy as np

from geoirrig.compilation import compiled
from geoirrig.records import IntArray
from geoirrig.units import FloatArray


@compiled
def lowest_by_owner(values: FloatArray, owner: IntArray, n_owners: int) -> FloatArray:
    """Lowest of the values of each owner; infinite without any. NaN is passed over.

    Values are (n_kinds, n_values), the lowest (n_kinds, n_owners).
    """
    lowest = np.full((len(values), n_owners), np.inf)
    for kind in range(len(values)):
        for i in range(len(owner)):
            lowest[kind, owner[i]] = min(lowest[kind, owner[i]], values[kind, i])
    return lowest
