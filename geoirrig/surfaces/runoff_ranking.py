"""What each slope sheds: as tabulated, on many drawn soils, and in other events of the year."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.physics.soil_properties import GREEN_AMPT_SOILS
from geoirrig.physics.soil_realisations import SoilRealisations, soil_realisations
from geoirrig.physics.soil_spread import dry_suction_deficit_mm
from geoirrig.processors import run_in_threads
from geoirrig.records import (
    AnalysisSettings,
    EventPlan,
    IntArray,
    PrecipitationSurface,
    RunoffRiskSurface,
    TerrainSurface,
    TurfAreas,
    TurfCells,
)
from geoirrig.surfaces import runoff_ranking_kernels as kernels
from geoirrig.surfaces.cell_groups import (
    CellGroups,
    group_means,
    group_sums,
    sensitive_minutes,
)
from geoirrig.surfaces.runoff_kernels import CellWater
from geoirrig.surfaces.slope_units import SlopeUnits
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
from geoirrig.units import FloatArray

CELLS_IN_A_BLOCK = 2048


@dataclass(frozen=True, slots=True, kw_only=True)
class RankingGround:
    """Turf cells in blocks by slope, with their soil and their water."""

    soil: TurfSoil
    soil_of_lawn: IntArray  # (n_turf,), into the soils
    water: CellWater
    blocks: kernels.CellBlocks
    unit_of_block: IntArray  # (n_blocks,), rising
    turf_number: IntArray  # (n_units,), the lawn of each slope
    cell_area_m2: float
    settings: AnalysisSettings


def ranking_ground(
    precipitation: PrecipitationSurface,
    terrain: TerrainSurface,
    turf_cells: TurfCells,
    turf: TurfAreas,
    units: SlopeUnits,
    *,
    settings: AnalysisSettings,
) -> RankingGround:
    """Prepare the walks; the same ground serves any number of events.

    Parameters
    ----------
    precipitation, terrain, turf_cells, turf, settings
        As in `runoff_risk_surface`.
    units : SlopeUnits
        The slopes; each lies in one turf polygon.

    Returns
    -------
    RankingGround
    """
    soil = turf_soil(terrain, turf_cells, turf, settings)
    blocks, unit_of_block = _blocks(units.unit_index.ravel()[soil.cell], units.turf_number)
    soil_of_lawn = np.zeros(len(turf.turf_id), dtype=np.int64)  # without cells: any will do
    soil_of_lawn[turf_cells.turf_index.ravel()[soil.cell]] = soil.soil
    return RankingGround(
        soil=soil,
        soil_of_lawn=soil_of_lawn,
        water=cell_water(precipitation, soil.cell),
        blocks=blocks,
        unit_of_block=unit_of_block,
        turf_number=units.turf_number,
        cell_area_m2=turf_cells.grid.cell_area_m2,
        settings=settings,
    )


def lawn_realisations(
    turf: TurfAreas, n_realisations: int, *, seed: int, settings: AnalysisSettings
) -> SoilRealisations:
    """Soils drawn for every turf polygon, whatever the order of the rows.

    Parameters
    ----------
    turf : TurfAreas
        Its ids; draws are dealt out in their alphabetical order.
    n_realisations : int
        Draws for each polygon, ≥ 1.
    seed : int
        Same seed, same draws.
    settings : AnalysisSettings
        The spreads.

    Returns
    -------
    SoilRealisations
        Rows in the order of the turf areas.
    """
    drawn = soil_realisations(
        len(turf.turf_id),
        n_realisations,
        intake_log_sd=intake_log_sd(settings),
        storage_log_sd=storage_log_sd(settings),
        seed=seed,
    )
    place = np.argsort(np.argsort([str(name) for name in turf.turf_id], kind="stable"))
    return SoilRealisations(
        intake_factor=drawn.intake_factor[place],
        storage_factor=drawn.storage_factor[place],
        deficit_rank=drawn.deficit_rank[place],
    )


def realised_runoff_l(
    ground: RankingGround, event: EventPlan, drawn: SoilRealisations
) -> FloatArray:
    """Runoff of one event from every slope, on every drawn soil.

    Parameters
    ----------
    ground : RankingGround
        The slopes.
    event : EventPlan
        When each zone runs.
    drawn : SoilRealisations
        Soils of every turf polygon; its parts share them.

    Returns
    -------
    ndarray of float64, shape (n_units, n_realisations)
        The same bytes whatever the number of processors. [L]
    """
    rate, deficit = _tabulated_soil(ground)
    if deficit is not None:
        deficit = _drawn_deficit_mm(ground, drawn)
    return _shed_l(ground, event, rate * drawn.intake_factor, drawn.storage_factor, deficit)


def central_runoff_l(ground: RankingGround, event: EventPlan) -> FloatArray:
    """Runoff of one event from every slope on the tabulated soil.

    Parameters
    ----------
    ground, event
        As in `realised_runoff_l`.

    Returns
    -------
    ndarray of float64, shape (n_units,)
        [L]
    """
    rate, deficit = _tabulated_soil(ground)
    return _shed_l(ground, event, rate, np.ones_like(rate), deficit)[:, 0]


def slope_unit_measures(
    units: SlopeUnits, terrain: TerrainSurface, runoff: RunoffRiskSurface
) -> dict[str, NDArray[np.float64]]:
    """Measures of the planned event over each slope, as in the turf results.

    Parameters
    ----------
    units : SlopeUnits
        The slopes.
    terrain : TerrainSurface
        Slope of the cells.
    runoff : RunoffRiskSurface
        The event on the tabulated soil.

    Returns
    -------
    dict of ndarray, shape (n_units,)
        By column name: ``mean_slope_pct``, ``runoff_l``, ``runoff_depth_mm`` (mean over the
        cells), ``minutes_to_runoff`` (5th percentile of the cells) and ``runoff_probability``
        (mean). A slope without cells has no runoff, and NaN for the others.
    """
    groups = CellGroups(units.unit_index, len(units.slope_unit))
    depth_mm = groups.of(runoff.runoff_depth_mm)
    return {
        "mean_slope_pct": group_means(groups.of(terrain.slope_pct)),
        "runoff_l": runoff.grid.cell_area_m2 * group_sums(depth_mm),
        "runoff_depth_mm": group_means(depth_mm),
        "minutes_to_runoff": sensitive_minutes(groups.of(runoff.minutes_to_runoff)),
        "runoff_probability": group_means(groups.of(runoff.runoff_probability)),
    }


# --- walks ---------------------------------------------------------------------------------------


def _blocks(unit: NDArray[np.int32], turf_number: IntArray) -> tuple[kernels.CellBlocks, IntArray]:
    """Cells sorted by slope, in blocks of one slope each, and the slope of each block."""
    n_units = len(turf_number)
    count = np.bincount(unit, minlength=n_units)
    n_blocks = -(-count // CELLS_IN_A_BLOCK)
    unit_of_block = np.repeat(np.arange(n_units), n_blocks)
    place = np.arange(len(unit_of_block)) - np.repeat(np.cumsum(n_blocks) - n_blocks, n_blocks)
    first = (np.cumsum(count) - count)[unit_of_block] + CELLS_IN_A_BLOCK * place
    blocks = kernels.CellBlocks(
        cell=np.argsort(unit, kind="stable"),
        first=np.append(first, len(unit)),
        lawn=turf_number[unit_of_block],
    )
    return blocks, unit_of_block


def _tabulated_soil(ground: RankingGround) -> tuple[FloatArray, FloatArray | None]:
    """Intake rate or conductivity, and the suction deficit if there is one, (n_lawns, 1) each."""
    if ground.settings.runoff_model == "green_ampt":
        conductivity, deficit = green_ampt_soils(ground.soil, ground.settings)
        lawn = ground.soil_of_lawn[:, np.newaxis]
        return conductivity[lawn], deficit[lawn]
    return intake_rates_mm_h(ground.soil)[ground.soil_of_lawn[:, np.newaxis]], None


def _drawn_deficit_mm(ground: RankingGround, drawn: SoilRealisations) -> FloatArray:
    """Suction deficit of every lawn and realisation, by its rank among soils of the texture."""
    deficit = np.empty(drawn.deficit_rank.shape)
    for lawn, soil in enumerate(ground.soil_of_lawn):
        texture = GREEN_AMPT_SOILS[ground.soil.textures[soil]]
        deficit[lawn] = dry_suction_deficit_mm(texture, drawn.deficit_rank[lawn])
    dryness = 1.0 - ground.settings.initial_saturation_fraction
    return np.maximum(dryness * deficit, SMALLEST_DEFICIT_MM)


def _shed_l(
    ground: RankingGround,
    event: EventPlan,
    rate_mm_h: FloatArray,
    storage_factor: FloatArray,
    deficit_mm: FloatArray | None,
) -> FloatArray:
    """Runoff of every slope on every soil of its lawn, (n_units, n_realisations), in litres."""
    order = np.argsort(rate_mm_h, axis=1, kind="stable")  # soils of low intake first

    def sorted_soils(values: FloatArray) -> FloatArray:
        return np.take_along_axis(values, order, axis=1)

    factor, least = sorted_soils(storage_factor), np.min(storage_factor, axis=1)
    shed_mm = np.empty((len(ground.unit_of_block), rate_mm_h.shape[1]))
    pulses, storage = event_pulses(event), ground.soil.storage_mm
    if deficit_mm is None:
        intake = kernels.DrawnIntake(sorted_soils(rate_mm_h), factor, least)

        def walk(start: int, stop: int) -> None:
            kernels.shed_by_blocks(
                (start, stop), ground.blocks, ground.water, pulses, storage, intake, shed_mm
            )
    else:
        # Imported where it is used, so that a run of the other model neither compiles nor loads it.
        from geoirrig.surfaces import runoff_ranking_green_ampt_kernels as green_ampt

        conductivity = green_ampt.DrawnConductivity(
            sorted_soils(rate_mm_h), sorted_soils(deficit_mm), factor, least
        )

        def walk(start: int, stop: int) -> None:
            green_ampt.shed_by_blocks(
                (start, stop), ground.blocks, ground.water, pulses, storage, conductivity, shed_mm
            )

    run_in_threads(walk, len(shed_mm))
    shed = np.zeros((len(ground.turf_number), rate_mm_h.shape[1]))
    np.add.at(shed, ground.unit_of_block, shed_mm)  # block by block, in order
    in_draw_order = np.empty_like(shed)
    np.put_along_axis(in_draw_order, order[ground.turf_number], shed, axis=1)
    return in_draw_order * ground.cell_area_m2
