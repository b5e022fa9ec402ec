"""Surface-storage model over the turf cells, compiled."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from geoirrig.compilation import compiled
from geoirrig.surfaces.runoff_kernels import (
    CellRunoff,
    CellSoil,
    CellWater,
    Pulses,
    StorageTable,
    exceedance,
)
from geoirrig.units import FloatArray


class IntakeSoils(NamedTuple):
    """Basic intake rates of the soils that occur, in mm/h."""

    central_mm_h: FloatArray  # (n_soils,)
    nodes_mm_h: FloatArray  # (n_soils, n_nodes), rising along a row


@compiled
def _let_drain(stored: FloatArray, live: int, intake: FloatArray, hours: float) -> None:
    """Drain every soil of the set; the first ``live`` of them hold water at all."""
    if hours > 0.0:
        for node in range(live):
            stored[node] = max(0.0, stored[node] - intake[node] * hours)


@compiled
def _let_fall(
    stored: FloatArray, peak: FloatArray, live: int, intake: FloatArray, rate: float, hours: float
) -> None:
    """Wet every soil of the set, storage unlimited, and keep the peaks."""
    for node in range(live):
        stored[node] = max(0.0, stored[node] + (rate - intake[node]) * hours)
        peak[node] = max(peak[node], stored[node])


@compiled
def _peaks(
    cell: int, water: CellWater, pulses: Pulses, intake: FloatArray, work: FloatArray
) -> int:
    """Greatest demand on the storage for every soil of the set; how many have any."""
    highest = 0.0
    for entry in range(water.first[cell], water.first[cell + 1]):
        highest = max(highest, np.float64(water.rate_mm_h[entry]))
    live = 0
    while live < intake.shape[0] and intake[live] < highest:
        live += 1
    stored, peak = work[0], work[1]
    stored[:live] = 0.0
    peak[:live] = 0.0
    clock = 0.0
    for entry in range(water.first[cell], water.first[cell + 1]):
        zone, rate = water.zone[entry], np.float64(water.rate_mm_h[entry])
        _let_drain(stored, live, intake, pulses.start_hour[zone] - clock)
        for pulse in range(pulses.cycles[zone]):
            if pulse > 0:
                _let_drain(stored, live, intake, pulses.soak_hours[zone])
            _let_fall(stored, peak, live, intake, rate, pulses.cycle_hours[zone])
        pauses = max(0, pulses.cycles[zone] - 1)
        clock = (
            pulses.start_hour[zone]
            + pulses.cycles[zone] * pulses.cycle_hours[zone]
            + pauses * pulses.soak_hours[zone]
        )
    return live


@compiled
def _runoff_depth(
    cell: int, water: CellWater, pulses: Pulses, intake: float, storage: float
) -> float:
    """Runoff of the event on the tabulated soil."""
    stored, runoff, clock = 0.0, 0.0, 0.0
    for entry in range(water.first[cell], water.first[cell + 1]):
        zone, rate = water.zone[entry], np.float64(water.rate_mm_h[entry])
        soak = pulses.start_hour[zone] - clock
        clock = max(clock, pulses.start_hour[zone])
        for pulse in range(pulses.cycles[zone]):
            if pulse > 0:
                soak = pulses.soak_hours[zone]
                clock += soak
            stored = max(0.0, stored - intake * max(0.0, soak))
            stored = max(0.0, stored + (rate - intake) * pulses.cycle_hours[zone])
            runoff += max(0.0, stored - storage)
            stored = min(stored, storage)
            clock += pulses.cycle_hours[zone]
    return runoff


@compiled
def walk_cells(
    span: tuple[int, int],
    water: CellWater,
    pulses: Pulses,
    cells: CellSoil,
    soils: IntakeSoils,
    table: StorageTable,
    result: CellRunoff,
) -> None:
    """Fill the results of the turf cells from span[0] to span[1]."""
    n_nodes = soils.nodes_mm_h.shape[1]
    work = np.empty((2, n_nodes))
    for cell in range(span[0], span[1]):
        soil, storage = cells.soil[cell], cells.storage_mm[cell]
        if np.isnan(storage):
            result.minutes_to_runoff[cell] = np.nan
            result.depth_mm[cell] = np.nan
            result.probability[cell] = np.nan
            continue
        excess = np.float64(water.main_rate_mm_h[cell]) - soils.central_mm_h[soil]
        result.minutes_to_runoff[cell] = (
            min(1440.0, 60.0 * storage / excess) if excess > 0.0 else 1440.0
        )
        result.depth_mm[cell] = _runoff_depth(
            cell, water, pulses, soils.central_mm_h[soil], storage
        )
        live = _peaks(cell, water, pulses, soils.nodes_mm_h[soil], work)
        total = 0.0
        for node in range(live):
            total += exceedance(work[1, node], storage, table)
        result.probability[cell] = total / n_nodes
