"""What a nozzle set makes of millions of heads, in one compiled pass."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.units import FloatArray


class Change(NamedTuple):
    """What the set makes of each kind of head, (n_kinds,)."""

    nozzle: NDArray[np.int32]
    pressure: FloatArray  # NaN: stays as it is


class ChangedHeads(NamedTuple):
    """What it makes of each head, (n_heads,)."""

    nozzle: NDArray[np.int32]
    pressure: FloatArray
    is_replaced: NDArray[np.bool_]  # another nozzle or pressure
    is_regulated: NDArray[np.bool_]  # … and the set states the pressure


@compiled
def change_heads(
    kind: NDArray[np.int32],
    change: Change,
    nozzle: NDArray[np.int32],
    pressure: FloatArray,
    changed: ChangedHeads,
) -> None:
    """Write what becomes of each head; one of kind −1 stays as it is."""
    for h in range(len(kind)):
        changed.nozzle[h], changed.pressure[h] = nozzle[h], pressure[h]
        stated = math.nan
        if kind[h] >= 0:
            changed.nozzle[h], stated = change.nozzle[kind[h]], change.pressure[kind[h]]
        if not math.isnan(stated):
            changed.pressure[h] = stated
        stays = changed.pressure[h] == pressure[h] or (
            math.isnan(changed.pressure[h]) and math.isnan(pressure[h])
        )
        changed.is_replaced[h] = changed.nozzle[h] != nozzle[h] or not stays
        changed.is_regulated[h] = changed.is_replaced[h] and math.isfinite(stated)
