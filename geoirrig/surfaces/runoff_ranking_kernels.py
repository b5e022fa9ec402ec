"""Runoff of blocks of turf cells on many soils at once, surface-storage model, compiled.

A block holds cells of one slope. Blocks do not depend on the number of threads, and each is summed
by one thread in a fixed order: sums come out the same on any number of processors.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import compiled
from geoirrig.surfaces.runoff_kernels import CellWater, Pulses
from geoirrig.units import FloatArray


class CellBlocks(NamedTuple):
    """Turf cells in blocks: block b holds cell[first[b]] to cell[first[b + 1]]."""

    cell: NDArray[np.int64]  # (n_cells,), into the turf cells
    first: NDArray[np.int64]  # (n_blocks + 1,)
    lawn: NDArray[np.int64]  # (n_blocks,), into the rows of the lawns' soils


class DrawnIntake(NamedTuple):
    """Drawn soils of every lawn, (n_lawns, n_realisations), in order of rising intake."""

    intake_mm_h: FloatArray
    storage_factor: FloatArray
    least_storage_factor: FloatArray  # (n_lawns,)


@compiled
def surplus_mm(cell: int, water: CellWater, pulses: Pulses, intake: float) -> float:
    """Most that could stand on the surface if nothing drained between the pulses."""
    surplus = 0.0
    for entry in range(water.first[cell], water.first[cell + 1]):
        zone, rate = water.zone[entry], np.float64(water.rate_mm_h[entry])
        if rate > intake:
            surplus += (rate - intake) * pulses.cycle_hours[zone] * pulses.cycles[zone]
    return surplus


@compiled
def shedding_count(
    cell: int, water: CellWater, pulses: Pulses, intake: FloatArray, least_storage: float
) -> int:
    """How many of the soils, by rising intake, can shed any water; the others are left out."""
    low, high = 0, intake.shape[0]
    while low < high:
        middle = (low + high) // 2
        if surplus_mm(cell, water, pulses, intake[middle]) > least_storage:
            low = middle + 1
        else:
            high = middle
    return low


@compiled
def _wet(
    soils: tuple[FloatArray, FloatArray],
    storage: float,
    hours: tuple[float, float],
    rate: float,
    stored: FloatArray,
    total: FloatArray,
    live: int,
) -> None:
    """One soak and the pulse after it on the first ``live`` soils; what does not fit is summed."""
    intake, factor = soils
    soak, cycle = hours
    for soil in range(live):
        held = max(0.0, stored[soil] - intake[soil] * soak)
        held = max(0.0, held + (rate - intake[soil]) * cycle)
        excess = max(0.0, held - storage * factor[soil])
        total[soil] += excess
        stored[soil] = held - excess


@compiled
def shed_by_blocks(
    span: tuple[int, int],
    blocks: CellBlocks,
    water: CellWater,
    pulses: Pulses,
    storage_mm: FloatArray,
    soils: DrawnIntake,
    shed_mm: FloatArray,
) -> None:
    """Sum the runoff of the cells of blocks span[0] to span[1], for every realisation.

    ``shed_mm``, (n_blocks, n_realisations), is in the lawns' order of rising intake.
    """
    stored = np.empty(soils.intake_mm_h.shape[1])
    for block in range(span[0], span[1]):
        lawn, total = blocks.lawn[block], shed_mm[block]
        drawn = (soils.intake_mm_h[lawn], soils.storage_factor[lawn])
        total[:] = 0.0
        for place in range(blocks.first[block], blocks.first[block + 1]):
            cell = blocks.cell[place]
            storage = storage_mm[cell]
            if np.isnan(storage) or water.first[cell] == water.first[cell + 1]:
                continue
            least = storage * soils.least_storage_factor[lawn]
            live = shedding_count(cell, water, pulses, drawn[0], least)
            if live == 0:
                continue
            stored[:live] = 0.0
            clock = 0.0
            for entry in range(water.first[cell], water.first[cell + 1]):
                zone, rate = water.zone[entry], np.float64(water.rate_mm_h[entry])
                soak = max(0.0, pulses.start_hour[zone] - clock)
                cycle = pulses.cycle_hours[zone]
                for _ in range(pulses.cycles[zone]):
                    _wet(drawn, storage, (soak, cycle), rate, stored, total, live)
                    soak = pulses.soak_hours[zone]
                pauses = max(0, pulses.cycles[zone] - 1)
                open_hours = pulses.cycles[zone] * cycle
                clock = (
                    max(clock, pulses.start_hour[zone])
                    + open_hours
                    + pauses * pulses.soak_hours[zone]
                )
