"""Compiled walks over the turf cells, pulse by pulse, for the runoff risk surface."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.units import FloatArray


class CellWater(NamedTuple):
    """Zones that wet each turf cell, in running order: entries first[c] to first[c + 1]."""

    first: NDArray[np.int64]  # (n_cells + 1,)
    zone: NDArray[np.int32]  # (n_entries,)
    rate_mm_h: NDArray[np.float32]  # (n_entries,)
    main_rate_mm_h: NDArray[np.float32]  # (n_cells,)


class Pulses(NamedTuple):
    """When each zone runs, (n_zones,); hours from the start of the event."""

    start_hour: FloatArray
    cycles: NDArray[np.int64]
    cycle_hours: FloatArray
    soak_hours: FloatArray


class CellSoil(NamedTuple):
    """Soil of each turf cell."""

    soil: NDArray[np.int32]  # (n_cells,), into the soils of the model
    storage_mm: FloatArray  # (n_cells,), median storage


class StorageTable(NamedTuple):
    """Chance that the storage is smaller than a demand, by demand over median."""

    steps_per_unit: float
    exceedance: FloatArray


class CellRunoff(NamedTuple):
    """Results, (n_cells,)."""

    minutes_to_runoff: NDArray[np.float32]
    depth_mm: NDArray[np.float32]
    probability: NDArray[np.float32]


@compiled
def count_entries(
    cell: NDArray[np.int64],
    rate: NDArray[np.float32],
    turf_number: NDArray[np.int32],
    first: NDArray[np.int64],
) -> None:
    """Add one to ``first[c + 1]`` for every turf cell c that a zone wets."""
    for entry in range(cell.shape[0]):
        number = turf_number[cell[entry]]
        if number >= 0 and rate[entry] > 0.0:
            first[number + 1] += 1


@compiled
def fill_entries(
    cell: NDArray[np.int64],
    rate: NDArray[np.float32],
    turf_number: NDArray[np.int32],
    free: NDArray[np.int64],
    zone: int,
    water: CellWater,
) -> None:
    """Write a zone's entries at ``free[c]`` and move that on."""
    for entry in range(cell.shape[0]):
        number = turf_number[cell[entry]]
        if number >= 0 and rate[entry] > 0.0:
            place = free[number]
            water.zone[place] = zone
            water.rate_mm_h[place] = rate[entry]
            free[number] = place + 1


@compiled
def exceedance(demand_mm: float, median_mm: float, table: StorageTable) -> float:
    """Chance that a storage of this median is smaller than the demand."""
    if demand_mm <= 0.0:
        return 0.0
    last = table.exceedance.shape[0] - 1
    if median_mm <= 0.0:
        return 1.0
    place = demand_mm / median_mm * table.steps_per_unit
    if place >= last:
        return 1.0
    step = int(place)
    part = place - step
    return float(table.exceedance[step] * (1.0 - part) + table.exceedance[step + 1] * part)
