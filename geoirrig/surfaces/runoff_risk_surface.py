"""Whether each turf cell takes its water in: minutes to runoff, runoff depth, probability.

Every cell is walked through the event pulse by pulse, the pulses of all zones that wet it in their
running order, with the soaks between them. Water does not move from cell to cell.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.compilation import run_in_threads
from geoirrig.physics import soil_spread
from geoirrig.physics.green_ampt import suction_deficit_mm
from geoirrig.physics.soil_properties import (
    GREEN_AMPT_SOILS,
    SLOPE_CLASS_BOUNDS_PCT,
    allowable_surface_accumulation_mm,
    basic_intake_rate_mm_h,
    depression_storage_mm,
    slope_class,
)
from geoirrig.records import (
    AdvisedCycles,
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
from geoirrig.units import MINUTES_PER_HOUR, FloatArray

MOST_ADVISED_CYCLES = 30
SENSITIVE_FRACTION = 0.05  # share of a zone's turf that the advice may leave running off

_SMALLEST_PIECE = 2048  # turf cells worth a thread of their own
_SMALLEST_DEFICIT_MM = 1e-6  # saturated soil takes in its conductivity and no more
_CYCLE_TOLERANCE = 1e-6  # of a float32 time: a run of whole cycles gains none by rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class _TurfSoil:
    """Turf cells with their soil; soils are the pairs of texture and compaction that occur."""

    cell: NDArray[np.int64]  # flat cell numbers, rising
    soil: NDArray[np.int32]  # (n_cells,)
    storage_mm: FloatArray  # (n_cells,)
    textures: tuple[str, ...]  # (n_soils,)
    compaction_factor: FloatArray  # (n_soils,)


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
    ground = _turf_soil(terrain, turf_cells, turf, settings)
    n_cells = len(ground.cell)
    water = _cell_water(precipitation, ground.cell)
    pulses = kernels.Pulses(
        start=event.start_minute / MINUTES_PER_HOUR,
        cycles=event.cycles.astype(np.int64),
        cycle=event.cycle_minutes / MINUTES_PER_HOUR,
        soak=event.soak_minutes / MINUTES_PER_HOUR,
    )
    storage_cv = soil_spread.STORAGE_CV if settings.storage_cv is None else settings.storage_cv
    table = kernels.StorageTable(
        *soil_spread.storage_exceedance_table(storage_log_sd=soil_spread.log_sd_of_cv(storage_cv))
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
            soils=green_ampt_cell_kernels.GreenAmptSoils(*_green_ampt_soils(ground, settings)),
            table=table,
            result=result,
        )
    else:
        walk = functools.partial(
            surface_storage_kernels.walk_cells,
            water=water,
            pulses=pulses,
            cells=cells,
            soils=_intake_soils(ground, settings),
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


def advised_cycles(
    precipitation: PrecipitationSurface,
    terrain: TerrainSurface,
    turf_cells: TurfCells,
    turf: TurfAreas,
    event: EventPlan,
    runoff: RunoffRiskSurface,
    *,
    settings: AnalysisSettings,
) -> AdvisedCycles:
    """Fewest equal cycles, and the soak between them, that keep a zone's turf from running off.

    Parameters
    ----------
    precipitation, terrain, turf_cells, turf, event
        As in `runoff_risk_surface`; only the run minutes of the event are used.
    runoff : RunoffRiskSurface
        Its minutes to runoff.
    settings : AnalysisSettings
        As in `runoff_risk_surface`.

    Returns
    -------
    AdvisedCycles
        Cycles 0 and minutes NaN for a zone that serves no turf, does not run, or would need more
        than 30 cycles.

    Notes
    -----
    Advice is for the turf cells whose main zone it is. At most 5 % of them may run off: with
    n cells, ⌊0.05·n⌋ may fail. The cycles are the fewest in which the others do not run off if the
    surface clears in each soak; the soak is the shortest in which the surface of all but ⌊0.05·n⌋
    cells clears. Water that the cells get from other zones is not counted.
    """
    ground = _turf_soil(terrain, turf_cells, turf, settings)
    main_zone = precipitation.main_zone.ravel()[ground.cell]
    minutes = runoff.minutes_to_runoff.ravel()[ground.cell]
    rate = precipitation.precipitation_rate_mm_h.ravel()[ground.cell].astype(np.float64)
    known = np.flatnonzero((main_zone >= 0) & ~np.isnan(minutes))
    order = known[np.argsort(main_zone[known], kind="stable")]
    n_zones = len(event.cycles)
    bounds = np.searchsorted(main_zone[order], np.arange(n_zones + 1))
    cycles = np.zeros(n_zones, dtype=np.int64)
    cycle_minutes, soak_minutes = np.full(n_zones, np.nan), np.full(n_zones, np.nan)
    advice = _soak_advice(ground, rate, minutes, settings)
    for zone, run_minutes in enumerate(event.run_minutes):
        served = order[bounds[zone] : bounds[zone + 1]]
        if not len(served) or not run_minutes > 0.0:
            continue
        found = advice.fewest_cycles(served, float(run_minutes))
        if found is not None:
            cycles[zone], soak_minutes[zone] = found
            cycle_minutes[zone] = run_minutes / cycles[zone]
    return AdvisedCycles(cycles=cycles, cycle_minutes=cycle_minutes, soak_minutes=soak_minutes)


@dataclass(frozen=True, slots=True, kw_only=True)
class _SurfaceStorageAdvice:
    """Cycles and soaks at steady intake rates; arrays of shape (n_cells,)."""

    rate_mm_h: FloatArray
    intake_mm_h: FloatArray
    minutes_to_runoff: FloatArray  # infinite where the soil keeps up

    def fewest_cycles(self, served: NDArray[np.int64], run: float) -> tuple[int, float] | None:
        """Cycles and soak minutes for the cells of one zone, or None."""
        minutes = self.minutes_to_runoff[served]
        longest = _sensitive_value(minutes)
        if longest <= 0.0:
            return None
        cycles = max(1, math.ceil(run / longest - _CYCLE_TOLERANCE))
        if cycles > MOST_ADVISED_CYCLES:
            return None
        if cycles == 1:
            return 1, 0.0
        rate, intake, cycle = self.rate_mm_h[served], self.intake_mm_h[served], run / cycles
        soak = np.maximum(rate - intake, 0.0) * cycle / intake
        holds = minutes >= cycle * (1.0 - _CYCLE_TOLERANCE)
        return cycles, -_sensitive_value(-np.where(holds, soak, np.inf))


@dataclass(frozen=True, slots=True, kw_only=True)
class _GreenAmptAdvice:
    """Cycles and soaks where the soil takes in less with every pulse; arrays (n_cells,)."""

    rate_mm_h: FloatArray
    conductivity_mm_h: FloatArray
    deficit_mm: FloatArray
    storage_mm: FloatArray

    def fewest_cycles(self, served: NDArray[np.int64], run: float) -> tuple[int, float] | None:
        """Cycles and soak minutes for the cells of one zone, or None.

        More and shorter cycles never store more at their worst, so the fewest are found by
        halving.
        """
        enough = MOST_ADVISED_CYCLES
        soak = self._soak_minutes(served, run, enough)
        if not math.isfinite(soak):
            return None
        too_few = 0
        while enough - too_few > 1:
            middle = (enough + too_few) // 2
            trial = self._soak_minutes(served, run, middle)
            if math.isfinite(trial):
                enough, soak = middle, trial
            else:
                too_few = middle
        return enough, soak

    def _soak_minutes(self, served: NDArray[np.int64], run: float, cycles: int) -> float:
        from geoirrig.surfaces import green_ampt_cell_kernels

        soak_hours = np.empty(len(served))

        def work(start: int, stop: int) -> None:
            part = served[start:stop]
            green_ampt_cell_kernels.clearing_soaks(
                self.rate_mm_h[part],
                run / MINUTES_PER_HOUR,
                cycles,
                self.conductivity_mm_h[part],
                self.deficit_mm[part],
                self.storage_mm[part],
                soak_hours[start:stop],
            )

        run_in_threads(work, len(served), smallest=_SMALLEST_PIECE)
        return -_sensitive_value(-soak_hours) * MINUTES_PER_HOUR


def _soak_advice(
    ground: _TurfSoil,
    rate_mm_h: FloatArray,
    minutes_to_runoff: NDArray[np.float32],
    settings: AnalysisSettings,
) -> _SurfaceStorageAdvice | _GreenAmptAdvice:
    if settings.runoff_model == "green_ampt":
        conductivity, deficit, _, _ = _green_ampt_soils(ground, settings)
        return _GreenAmptAdvice(
            rate_mm_h=rate_mm_h,
            conductivity_mm_h=conductivity[ground.soil],
            deficit_mm=deficit[ground.soil],
            storage_mm=ground.storage_mm,
        )
    intake = _intake_rates(ground)[ground.soil]
    return _SurfaceStorageAdvice(
        rate_mm_h=rate_mm_h,
        intake_mm_h=intake,
        # the surface caps them at a day, which a long run on thirsty soil must not meet
        minutes_to_runoff=np.where(rate_mm_h > intake, minutes_to_runoff, np.inf),
    )


def _sensitive_value(values: FloatArray) -> float:
    """Lowest value when the ⌊0.05·n⌋ lowest are left out."""
    left_out = int(SENSITIVE_FRACTION * len(values) + 1e-9)
    return float(np.partition(values, left_out)[left_out])


def _turf_soil(
    terrain: TerrainSurface, turf_cells: TurfCells, turf: TurfAreas, settings: AnalysisSettings
) -> _TurfSoil:
    """Turf cells with the soil and the storage of each."""
    turf_index = turf_cells.turf_index.ravel()
    cell = np.flatnonzero(turf_index >= 0)
    polygon = turf_index[cell]
    factor_of = settings.compaction_factor
    pairs = [
        (str(texture), float(factor_of[compaction]))
        for texture, compaction in zip(turf.soil_texture, turf.compaction, strict=True)
    ]
    soils = sorted(set(pairs))
    soil_of_polygon = np.array([soils.index(pair) for pair in pairs], dtype=np.int32)
    textures = tuple(texture for texture, _ in soils)
    by_class = _storage_by_class(textures, settings)
    soil = soil_of_polygon[polygon]
    rank = slope_class(terrain.slope_pct.ravel()[cell])
    storage = np.where(rank < 0, np.nan, by_class[soil, rank])
    return _TurfSoil(
        cell=cell,
        soil=soil,
        storage_mm=storage,
        textures=textures,
        compaction_factor=np.array([factor for _, factor in soils]),
    )


def _storage_by_class(textures: tuple[str, ...], settings: AnalysisSettings) -> FloatArray:
    """Storage of every soil in every slope class, (n_soils, 4), in mm."""
    slopes = np.array((0.0, *SLOPE_CLASS_BOUNDS_PCT))
    column = np.array(textures, dtype=object)[:, np.newaxis]
    if settings.runoff_model == "green_ampt":
        return depression_storage_mm(column, slopes, flat_storage_mm=settings.flat_storage_mm)
    return allowable_surface_accumulation_mm(column, slopes)


def _intake_log_sd(settings: AnalysisSettings) -> float:
    return soil_spread.INTAKE_LOG_SD if settings.intake_log_sd is None else settings.intake_log_sd


def _intake_rates(ground: _TurfSoil) -> FloatArray:
    return basic_intake_rate_mm_h(
        np.array(ground.textures, dtype=object), compaction_factor=ground.compaction_factor
    )


def _intake_soils(
    ground: _TurfSoil, settings: AnalysisSettings
) -> surface_storage_kernels.IntakeSoils:
    central = _intake_rates(ground)
    factors = soil_spread.intake_factors(log_sd=_intake_log_sd(settings))
    return surface_storage_kernels.IntakeSoils(
        central=central, nodes=central[:, np.newaxis] * factors
    )


def _green_ampt_soils(
    ground: _TurfSoil, settings: AnalysisSettings
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Conductivity and suction deficit of the soils: tabulated, and of the realisations."""
    saturation = settings.initial_saturation_fraction
    tabulated = [GREEN_AMPT_SOILS[texture] for texture in ground.textures]
    conductivity = ground.compaction_factor * [soil.conductivity_mm_h for soil in tabulated]
    deficit = suction_deficit_mm(
        [soil.suction_mm for soil in tabulated],
        [soil.effective_porosity for soil in tabulated],
        initial_saturation_fraction=saturation,
    )
    deficit = np.maximum(deficit, _SMALLEST_DEFICIT_MM)
    n_nodes = soil_spread.GREEN_AMPT_NODE_COUNT
    conductivity_nodes = np.empty((len(tabulated), n_nodes))
    deficit_nodes = np.empty((len(tabulated), n_nodes))
    for number, texture in enumerate(ground.textures):
        factor, deficit_nodes[number] = soil_spread.green_ampt_nodes(
            texture,
            initial_saturation_fraction=saturation,
            conductivity_log_sd=_intake_log_sd(settings),
        )
        conductivity_nodes[number] = conductivity[number] * factor
    return (
        conductivity,
        deficit,
        conductivity_nodes,
        np.maximum(deficit_nodes, _SMALLEST_DEFICIT_MM),
    )


def _cell_water(precipitation: PrecipitationSurface, cell: NDArray[np.int64]) -> kernels.CellWater:
    """Zones and rates of each turf cell, in running order."""
    n_rows, n_cols = precipitation.grid.shape
    turf_number = np.full(n_rows * n_cols, -1, dtype=np.int32)
    turf_number[cell] = np.arange(len(cell), dtype=np.int32)
    first = np.zeros(len(cell) + 1, dtype=np.int64)
    for zone_rate in precipitation.zone_rates:
        kernels.count_entries(zone_rate.cell, zone_rate.rate_mm_h, turf_number, first)
    np.cumsum(first, out=first)
    water = kernels.CellWater(
        first=first,
        zone=np.empty(first[-1], dtype=np.int32),
        rate_mm_h=np.empty(first[-1], dtype=np.float32),
        main_rate_mm_h=precipitation.precipitation_rate_mm_h.ravel()[cell],
    )
    free = first.copy()
    for number, zone_rate in enumerate(precipitation.zone_rates):
        kernels.fill_entries(zone_rate.cell, zone_rate.rate_mm_h, turf_number, free, number, water)
    return water


def _on_grid(
    values: NDArray[np.float32], cell: NDArray[np.int64], shape: tuple[int, int]
) -> NDArray[np.float32]:
    surface = np.full(shape[0] * shape[1], np.nan, dtype=np.float32)
    surface[cell] = values
    return surface.reshape(shape)
