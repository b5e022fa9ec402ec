"""Runoff of blocks of turf cells on many soils at once, Green-Ampt model, compiled."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from geoirrig.compilation import compiled
from geoirrig.surfaces.green_ampt_cell_kernels import walk_event
from geoirrig.surfaces.runoff_kernels import CellWater, Pulses
from geoirrig.surfaces.runoff_ranking_kernels import CellBlocks, shedding_count, surplus_mm
from geoirrig.units import FloatArray


class DrawnConductivity(NamedTuple):
    """Drawn soils of every lawn, (n_lawns, n_realisations), in order of rising conductivity."""

    conductivity_mm_h: FloatArray
    deficit_mm: FloatArray
    storage_factor: FloatArray
    least_storage_factor: FloatArray  # (n_lawns,)


@compiled
def shed_by_blocks(
    span: tuple[int, int],
    blocks: CellBlocks,
    water: CellWater,
    pulses: Pulses,
    storage_mm: FloatArray,
    soils: DrawnConductivity,
    shed_mm: FloatArray,
) -> None:
    """As `runoff_ranking_kernels.shed_by_blocks`; soil never takes in less than it conducts."""
    for block in range(span[0], span[1]):
        lawn, total = blocks.lawn[block], shed_mm[block]
        conductivity, factor = soils.conductivity_mm_h[lawn], soils.storage_factor[lawn]
        total[:] = 0.0
        for place in range(blocks.first[block], blocks.first[block + 1]):
            cell = blocks.cell[place]
            storage = storage_mm[cell]
            if np.isnan(storage) or water.first[cell] == water.first[cell + 1]:
                continue
            least = storage * soils.least_storage_factor[lawn]
            for soil in range(shedding_count(cell, water, pulses, conductivity, least)):
                held = storage * factor[soil]
                if surplus_mm(cell, water, pulses, conductivity[soil]) > held:
                    drawn = (conductivity[soil], soils.deficit_mm[lawn, soil])
                    total[soil] += walk_event(cell, water, pulses, drawn, held, np.inf)[0]
