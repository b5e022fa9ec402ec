"""Water followed downhill: what runs on from cell to cell, soaks in below, or leaves the turf.

Excess of a cell goes to the cells below it at once, whatever the distance, and soaks in there if
there is room. Where the turf ends, it leaves.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.depressions import drained_elevation_m
from geoirrig.physics.flow_direction import flow_bearing_deg
from geoirrig.physics.flow_routing import NOWHERE, FlowGraph, arriving_depth, flow_graph
from geoirrig.records import (
    AnalysisSettings,
    EventPlan,
    PrecipitationSurface,
    RunOnSurface,
    TerrainSurface,
    TurfAreas,
    TurfCells,
)
from geoirrig.surfaces import run_on_kernels as kernels
from geoirrig.surfaces.turf_soil import green_ampt_soils, intake_rates_mm_h, turf_soil
from geoirrig.units import MINUTES_PER_HOUR, MM_PER_M, FloatArray

_WHOLE_STEP_TOLERANCE = 1e-9  # a pulse of whole steps gains none by rounding


def turf_flow(
    elevation_m: FloatArray, cells: TurfCells, *, settings: AnalysisSettings
) -> FlowGraph:
    """Ways of the water over the turf.

    Parameters
    ----------
    elevation_m : ndarray of float64, shape (n_rows, n_cols)
        Ground of the turf cells and those around them, as from `ground_elevation_m`. [m]
    cells : TurfCells
        Which cells are turf.
    settings : AnalysisSettings
        Flow direction method, and the depth up to which hollows are filled.

    Returns
    -------
    FlowGraph
        Turf cells in an order that goes downhill.

    Notes
    -----
    Hollows up to ``pit_fill_depth_mm`` deep are taken as errors of the elevations and filled, so
    that they drain. Deeper ones, and level ground, keep what reaches them.
    """
    size = cells.grid.cell_size_m
    drained = drained_elevation_m(elevation_m, deepest_m=settings.pit_fill_depth_mm / MM_PER_M)
    bearing = flow_bearing_deg(
        drained, pixel_width_m=size, pixel_height_m=size, method=settings.flow_direction
    )
    return flow_graph(bearing, drained, cells.turf_index >= 0)


def run_on_surface(
    precipitation: PrecipitationSurface,
    terrain: TerrainSurface,
    cells: TurfCells,
    turf: TurfAreas,
    event: EventPlan,
    flow: FlowGraph,
    *,
    settings: AnalysisSettings,
) -> RunOnSurface:
    """Follow one event over the turf with its excess flowing downhill.

    Parameters
    ----------
    precipitation : PrecipitationSurface
        Rates of every zone.
    terrain : TerrainSurface
        Slope of the turf cells. A cell whose slope is not known stores nothing.
    cells : TurfCells
        Which cells are turf, and of which polygon.
    turf : TurfAreas
        Soil texture and compaction of the polygons.
    event : EventPlan
        When each zone runs.
    flow : FlowGraph
        Ways of the water over the same turf cells, as from `turf_flow`.
    settings : AnalysisSettings
        Runoff model and its soils, longest step of time.

    Returns
    -------
    RunOnSurface

    Notes
    -----
    Each pulse is cut into equal steps of at most ``run_on_step_minutes``. Within a step, what
    arrives from above is a steady rain on the whole cell; it then is what the runoff model takes
    it for. Nothing is said about how long water is on its way.

    Between pulses nothing overflows, so that a cell only drains, and is followed when it next gets
    water. Time and memory go with the number of turf cells.
    """
    ground = _ground(terrain, cells, turf, flow, settings)
    return followed_downhill(
        precipitation, event, flow, ground, longest_step_minutes=settings.run_on_step_minutes
    )


def followed_downhill(
    precipitation: PrecipitationSurface,
    event: EventPlan,
    flow: FlowGraph,
    ground: kernels.Ground,
    *,
    longest_step_minutes: float,
) -> RunOnSurface:
    """`run_on_surface` on ground of any intake and storage.

    Parameters
    ----------
    precipitation, event, flow
        As in `run_on_surface`.
    ground : Ground
        Soil and storage of the cells, in the order of ``flow``.
    longest_step_minutes : float
        > 0. [min]

    Returns
    -------
    RunOnSurface
    """
    grid, n_cells = precipitation.grid, len(flow.cell)
    place = _place_in_flow(flow, grid.n_rows * grid.n_cols)
    water = _slope_water(n_cells)
    ways = kernels.Ways(to=flow.to, first_share=flow.first_share)
    applied = np.zeros(n_cells)
    for zone, zone_rate in enumerate(precipitation.zone_rates):
        hours = float(event.cycle_minutes[zone]) / MINUTES_PER_HOUR
        wetted = place[zone_rate.cell]
        on_turf = np.flatnonzero((wetted >= 0) & (zone_rate.rate_mm_h > 0.0))
        if not hours > 0.0 or not len(on_turf):
            continue
        wetted, rate = wetted[on_turf], zone_rate.rate_mm_h[on_turf]
        applied[wetted] += rate.astype(np.float64) * (hours * event.cycles[zone])
        n_steps = _step_count(float(event.cycle_minutes[zone]), longest_step_minutes)
        kernels.begin_zone(wetted, rate, water)
        for start in _pulse_starts(event, zone):
            pulse = (float(start), n_steps, hours / n_steps)
            kernels.walk_pulse(pulse, int(np.min(wetted)), ways, ground, water)
        kernels.end_zone(wetted, water)
    kernels.drain_all(event.end_minute / MINUTES_PER_HOUR, ground, water)
    return _run_on(grid, flow, ground, applied, water)


def _run_on(
    grid: RasterGrid,
    flow: FlowGraph,
    ground: kernels.Ground,
    applied_mm: FloatArray,
    water: kernels.SlopeWater,
) -> RunOnSurface:
    stored, left = water.state[:, kernels.STORED], water.state[:, kernels.LEFT].copy()
    stays = flow.to[:, 0] == NOWHERE
    ponded = np.where(stays, np.maximum(0.0, stored - ground.storage_mm), 0.0)
    run_on = np.full(grid.n_rows * grid.n_cols, np.nan, dtype=np.float32)
    run_on[flow.cell] = arriving_depth(flow, left)
    return RunOnSurface(
        grid=grid,
        flow=flow,
        run_on_depth_mm=run_on.reshape(grid.shape),
        applied_mm=applied_mm,
        infiltrated_mm=water.state[:, kernels.INFILTRATED].copy(),
        stored_mm=stored - ponded,
        ponded_mm=ponded,
        left_mm=left,
    )


def _place_in_flow(flow: FlowGraph, n_grid_cells: int) -> NDArray[np.int32]:
    """Place of each cell of the grid in the order of the flow; −1 for the others."""
    place = np.full(n_grid_cells, -1, dtype=np.int32)
    place[flow.cell] = np.arange(len(flow.cell), dtype=np.int32)
    return place


def _step_count(cycle_minutes: float, longest_minutes: float) -> int:
    return max(1, math.ceil(cycle_minutes / longest_minutes - _WHOLE_STEP_TOLERANCE))


def _pulse_starts(event: EventPlan, zone: int) -> FloatArray:
    """Hours from the start of the event at which the pulses of a zone begin."""
    between = event.cycle_minutes[zone] + event.soak_minutes[zone]
    minutes = event.start_minute[zone] + np.arange(event.cycles[zone]) * between
    return np.asarray(minutes / MINUTES_PER_HOUR)


def _slope_water(n_cells: int) -> kernels.SlopeWater:
    n_words = -(-n_cells // kernels.CELLS_TOGETHER)
    due_word = np.zeros(n_words, dtype=np.uint64)
    return kernels.SlopeWater(
        state=np.zeros((n_cells, kernels.STATE_SIZE)),
        rate_mm_h=np.zeros(n_cells, dtype=np.float32),
        due=due_word.view(np.uint8),
        due_word=due_word,
    )


def _ground(
    terrain: TerrainSurface,
    cells: TurfCells,
    turf: TurfAreas,
    flow: FlowGraph,
    settings: AnalysisSettings,
) -> kernels.Ground:
    """Soil of the turf cells in the order of the flow."""
    ground = turf_soil(terrain, cells, turf, settings)
    to = _place_in_flow(flow, cells.turf_index.size)[ground.cell]
    soil, storage = np.empty_like(ground.soil), np.empty_like(ground.storage_mm)
    soil[to], storage[to] = ground.soil, np.nan_to_num(ground.storage_mm, nan=0.0)
    if settings.runoff_model == "green_ampt":
        intake, deficit = green_ampt_soils(ground, settings)
    else:
        intake = intake_rates_mm_h(ground)
        deficit = np.zeros_like(intake)
    return kernels.Ground(
        soil=soil,
        intake_mm_h=np.ascontiguousarray(intake, dtype=np.float64),
        deficit_mm=np.ascontiguousarray(deficit, dtype=np.float64),
        storage_mm=storage,
        is_steady=settings.runoff_model == "surface_storage",
    )
