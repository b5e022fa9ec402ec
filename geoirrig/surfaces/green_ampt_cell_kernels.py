"""Green-Ampt model over the turf cells, compiled."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from geoirrig.compilation import compiled
from geoirrig.physics.green_ampt_kernels import after_interval, minutes_to_runoff, reduced_hours_mm
from geoirrig.surfaces.runoff_kernels import (
    CellRunoff,
    CellSoil,
    CellWater,
    Pulses,
    StorageTable,
    exceedance,
)
from geoirrig.units import FloatArray


class GreenAmptSoils(NamedTuple):
    """Conductivity [mm/h] and suction deficit [mm] of the soils that occur."""

    conductivity_mm_h: FloatArray  # (n_soils,)
    deficit_mm: FloatArray  # (n_soils,)
    conductivity_nodes_mm_h: FloatArray  # (n_soils, n_nodes), rising along a row
    deficit_nodes_mm: FloatArray  # (n_soils, n_nodes)


@compiled
def walk_event(
    cell: int,
    water: CellWater,
    pulses: Pulses,
    soil: tuple[float, float],
    storage: float,
    enough: float,
) -> tuple[float, float]:
    """Runoff of the event and the greatest stored depth on one soil (conductivity, deficit).

    The walk ends as soon as ``enough`` is stored: for a probability the rest changes nothing.
    """
    conductivity, deficit = soil
    infiltrated, stored, runoff, peak, clock = 0.0, 0.0, 0.0, 0.0, 0.0
    for entry in range(water.first[cell], water.first[cell + 1]):
        zone, rate = water.zone[entry], np.float64(water.rate_mm_h[entry])
        soak = pulses.start_hour[zone] - clock
        clock = max(clock, pulses.start_hour[zone])
        for pulse in range(pulses.cycles[zone]):
            if pulse > 0:
                soak = pulses.soak_hours[zone]
                clock += soak
            if stored > 0.0 and soak > 0.0:
                infiltrated, stored = after_interval(
                    infiltrated, stored, 0.0, soak, conductivity, deficit
                )
            infiltrated, stored = after_interval(
                infiltrated, stored, rate, pulses.cycle_hours[zone], conductivity, deficit
            )
            runoff += max(0.0, stored - storage)
            stored = min(stored, storage)
            peak = max(peak, stored)
            if peak >= enough:
                return runoff, peak
            clock += pulses.cycle_hours[zone]
    return runoff, peak


@compiled
def walk_cells(
    span: tuple[int, int],
    water: CellWater,
    pulses: Pulses,
    cells: CellSoil,
    soils: GreenAmptSoils,
    table: StorageTable,
    result: CellRunoff,
) -> None:
    """Fill the results of the turf cells from span[0] to span[1]."""
    n_nodes = soils.conductivity_nodes_mm_h.shape[1]
    certain = (table.exceedance.shape[0] - 1) / table.steps_per_unit
    for cell in range(span[0], span[1]):
        soil, storage = cells.soil[cell], cells.storage_mm[cell]
        if np.isnan(storage):
            result.minutes_to_runoff[cell] = np.nan
            result.depth_mm[cell] = np.nan
            result.probability[cell] = np.nan
            continue
        central = (soils.conductivity_mm_h[soil], soils.deficit_mm[soil])
        result.minutes_to_runoff[cell] = minutes_to_runoff(
            np.float64(water.main_rate_mm_h[cell]), central[0], central[1], storage, 1440.0
        )
        result.depth_mm[cell] = walk_event(cell, water, pulses, central, storage, np.inf)[0]
        highest = 0.0
        for entry in range(water.first[cell], water.first[cell + 1]):
            highest = max(highest, np.float64(water.rate_mm_h[entry]))
        enough = max(certain * storage, 1e-12)  # with no storage, any water that stands
        total = 0.0
        for node in range(n_nodes):
            conductivity = soils.conductivity_nodes_mm_h[soil, node]
            if conductivity >= highest:  # this soil and all after it take everything in
                break
            one = (conductivity, soils.deficit_nodes_mm[soil, node])
            peak = walk_event(cell, water, pulses, one, np.inf, enough)[1]
            total += exceedance(peak, storage, table)
        result.probability[cell] = total / n_nodes


@compiled
def clearing_soak(
    rate: float, run_hours: float, cycles: int, soil: tuple[float, float], storage: float
) -> float:
    """Soak hours that clear the surface between equal pulses; infinite if a pulse runs off.

    With a clear surface at its start, the last pulse meets the wettest soil: it stores most. The
    soak before it is the longest.
    """
    conductivity, deficit = soil
    pulse = run_hours / cycles
    already = rate * pulse * (cycles - 1)
    stored = after_interval(already, 0.0, rate, pulse, conductivity, deficit)[1]
    if stored > storage * (1.0 + 1e-9):
        return np.inf
    if cycles == 1:
        return 0.0
    already = rate * pulse * (cycles - 2)
    infiltrated, stored = after_interval(already, 0.0, rate, pulse, conductivity, deficit)
    return reduced_hours_mm(infiltrated, stored, deficit) / conductivity


@compiled
def clearing_soaks(
    rate: FloatArray,
    run_hours: float,
    cycles: int,
    conductivity: FloatArray,
    deficit: FloatArray,
    storage: FloatArray,
    soak_hours: FloatArray,
) -> None:
    """`clearing_soak` of many cells, into ``soak_hours``."""
    for cell in range(rate.shape[0]):
        soak_hours[cell] = clearing_soak(
            rate[cell], run_hours, cycles, (conductivity[cell], deficit[cell]), storage[cell]
        )
