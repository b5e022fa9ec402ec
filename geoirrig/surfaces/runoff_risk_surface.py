"""Whether each turf cell takes its water in: minutes to runoff, runoff depth, probability.

Every cell is walked through the event pulse by pulse, the pulses of all zones that wet it in their
running order, with the soaks between them. Water does not move from cell to cell.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from geoirrig.physics import soil_spread
from geoirrig.processors import run_in_threads
from geoirrig.records import (
    AnalysisSettings,
    EventPlan,
    PrecipitationSurface,
    RunoffRiskSurface,
    TerrainSurface,
    TurfAreas,
    TurfCells,
)
from geoirrig.surfaces import runoff_kernels as kernels
from geoirrig.surfaces import surface_storage_kernels
from geoirrig.surfaces.turf_soil import (
    SMALLEST_DEFICIT_MM,
    TurfSoil,
    cell_water,
    event_pulses,
    green_ampt_soils,
    intake_log_sd,
    intake_rates_mm_h,
    storage_log_sd,
    turf_soil,
)

if TYPE_CHECKING:
    from geoirrig.surfaces import green_ampt_cell_kernels

_SMALLEST_PIECE = 2048  # turf cells worth a thread of their own


def runoff_risk_surface(
    precipitation: PrecipitationSurface,
    terrain: TerrainSurface,
    turf_cells: TurfCells,
    turf: TurfAreas,
    event: EventPlan,
    *,
    settings: AnalysisSettings,
) -> RunoffRiskSurface:
    """Minutes to runoff, runoff depth and probability of runoff of every turf cell.

    Parameters
    ----------
    precipitation : PrecipitationSurface
        Rates of every zone.
    terrain : TerrainSurface
        Slope of the turf cells.
    turf_cells : TurfCells
        Which cells are turf, and of which polygon.
    turf : TurfAreas
        Soil texture and compaction of the polygons.
    event : EventPlan
        When each zone runs.
    settings : AnalysisSettings
        Runoff model, compaction factors and spreads.

    Returns
    -------
    RunoffRiskSurface
        NaN off the turf and where the slope is not known. A turf cell without water has 1440
        minutes, no runoff and probability 0.

    Notes
    -----
    Minutes to runoff are those of the cell's main zone running without a break on an empty
    surface, at most 1440. Depth and probability are those of the planned event.
    """
    ground = turf_soil(terrain, turf_cells, turf, settings)
    n_cells = len(ground.cell)
    water, pulses = cell_water(precipitation, ground.cell), event_pulses(event)
    table = kernels.StorageTable(
        *soil_spread.storage_exceedance_table(storage_log_sd=storage_log_sd(settings))
    )
    result = kernels.CellRunoff(*(np.empty(n_cells, dtype=np.float32) for _ in range(3)))
    cells = kernels.CellSoil(soil=ground.soil, storage_mm=ground.storage_mm)
    if settings.runoff_model == "green_ampt":
        # Imported where it is used, so that a run of the other model neither compiles nor loads it.
        from geoirrig.surfaces import green_ampt_cell_kernels

        walk = functools.partial(
            green_ampt_cell_kernels.walk_cells,
            water=water,
            pulses=pulses,
            cells=cells,
            soils=_green_ampt_realisations(ground, settings),
            table=table,
            result=result,
        )
    else:
        walk = functools.partial(
            surface_storage_kernels.walk_cells,
            water=water,
            pulses=pulses,
            cells=cells,
            soils=_intake_realisations(ground, settings),
            table=table,
            result=result,
        )
    run_in_threads(lambda start, stop: walk((start, stop)), n_cells, smallest=_SMALLEST_PIECE)
    grid = precipitation.grid
    return RunoffRiskSurface(
        grid=grid,
        minutes_to_runoff=_on_grid(result.minutes_to_runoff, ground.cell, grid.shape),
        runoff_depth_mm=_on_grid(result.depth_mm, ground.cell, grid.shape),
        runoff_probability=_on_grid(result.probability, ground.cell, grid.shape),
    )


def _intake_realisations(
    ground: TurfSoil, settings: AnalysisSettings
) -> surface_storage_kernels.IntakeSoils:
    central = intake_rates_mm_h(ground)
    factors = soil_spread.intake_factors(log_sd=intake_log_sd(settings))
    return surface_storage_kernels.IntakeSoils(
        central_mm_h=central, nodes_mm_h=central[:, np.newaxis] * factors
    )


def _green_ampt_realisations(
    ground: TurfSoil, settings: AnalysisSettings
) -> green_ampt_cell_kernels.GreenAmptSoils:
    from geoirrig.surfaces import green_ampt_cell_kernels

    conductivity, deficit = green_ampt_soils(ground, settings)
    n_nodes = soil_spread.GREEN_AMPT_NODE_COUNT
    conductivity_nodes = np.empty((len(conductivity), n_nodes))
    deficit_nodes = np.empty((len(conductivity), n_nodes))
    for number, texture in enumerate(ground.textures):
        factor, deficit_nodes[number] = soil_spread.green_ampt_nodes(
            texture,
            initial_saturation_fraction=settings.initial_saturation_fraction,
            conductivity_log_sd=intake_log_sd(settings),
        )
        conductivity_nodes[number] = conductivity[number] * factor
    return green_ampt_cell_kernels.GreenAmptSoils(
        conductivity_mm_h=conductivity,
        deficit_mm=deficit,
        conductivity_nodes_mm_h=conductivity_nodes,
        deficit_nodes_mm=np.maximum(deficit_nodes, SMALLEST_DEFICIT_MM),
    )


def _on_grid(
    values: NDArray[np.float32], cell: NDArray[np.int64], shape: tuple[int, int]
) -> NDArray[np.float32]:
    surface = np.full(shape[0] * shape[1], np.nan, dtype=np.float32)
    surface[cell] = values
    return surface.reshape(shape)
