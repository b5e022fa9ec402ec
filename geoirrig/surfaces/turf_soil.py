"""Soil and water of the turf cells, as the walks through an event need them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    AnalysisSettings,
    EventPlan,
    PrecipitationSurface,
    TerrainSurface,
    TurfAreas,
    TurfCells,
)
from geoirrig.surfaces import runoff_kernels as kernels
from geoirrig.units import MINUTES_PER_HOUR, FloatArray

SMALLEST_DEFICIT_MM = 1e-6  # saturated soil takes in its conductivity and no more


@dataclass(frozen=True, slots=True, kw_only=True)
class TurfSoil:
    """Turf cells with their soil; soils are the pairs of texture and compaction that occur."""

    cell: NDArray[np.int64]  # flat cell numbers, rising
    soil: NDArray[np.int32]  # (n_cells,)
    storage_mm: FloatArray  # (n_cells,)
    textures: tuple[str, ...]  # (n_soils,)
    compaction_factor: FloatArray  # (n_soils,)


def turf_soil(
    terrain: TerrainSurface,
    turf_cells: TurfCells,
    turf: TurfAreas,
    settings: AnalysisSettings,
    *,
    cell: NDArray[np.int64] | None = None,
) -> TurfSoil:
    """Turf cells with the soil and the storage of each; NaN storage where the slope is unknown.

    All turf cells, or those of ``cell``; the numbers of the soils are the same for any of them.
    """
    turf_index = turf_cells.turf_index.ravel()
    if cell is None:
        cell = np.flatnonzero(turf_index >= 0)
    soil_of_polygon, textures, compaction_factor = soils_of_turf(turf, settings)
    by_class = storage_by_class_mm(textures, settings)
    soil = soil_of_polygon[turf_index[cell]]
    rank = slope_class(terrain.slope_pct.ravel()[cell])
    storage = np.where(rank < 0, np.nan, by_class[soil, rank])
    return TurfSoil(
        cell=cell,
        soil=soil,
        storage_mm=storage,
        textures=textures,
        compaction_factor=compaction_factor,
    )


def soils_of_turf(
    turf: TurfAreas, settings: AnalysisSettings
) -> tuple[NDArray[np.int32], tuple[str, ...], FloatArray]:
    """Soil of every polygon; the soils are the pairs of texture and compaction that occur.

    Returns
    -------
    tuple
        Number of the soil, (n_turf,); texture of each soil; compaction factor of each, (n_soils,).
    """
    factor_of = settings.compaction_factor
    seen: dict[tuple[str, str], int] = {}
    pairs = zip(turf.soil_texture.tolist(), turf.compaction.tolist(), strict=True)
    kind = [seen.setdefault(pair, len(seen)) for pair in pairs]
    soil_of_kind = [(str(texture), float(factor_of[compaction])) for texture, compaction in seen]
    soils = sorted(set(soil_of_kind))
    return (
        np.array([soils.index(soil) for soil in soil_of_kind], dtype=np.int32)[kind],
        tuple(texture for texture, _ in soils),
        np.array([factor for _, factor in soils]),
    )


def storage_by_class_mm(textures: tuple[str, ...], settings: AnalysisSettings) -> FloatArray:
    """Storage of every soil in every slope class, (n_soils, 4), in mm."""
    slopes = np.array((0.0, *SLOPE_CLASS_BOUNDS_PCT))
    column = np.array(textures, dtype=object)[:, np.newaxis]
    if settings.runoff_model == "green_ampt":
        return depression_storage_mm(column, slopes, flat_storage_mm=settings.flat_storage_mm)
    return allowable_surface_accumulation_mm(column, slopes)


def intake_rates_mm_h(ground: TurfSoil) -> FloatArray:
    """Basic intake rate of every soil, compaction included, in mm/h."""
    return basic_intake_rate_mm_h(
        np.array(ground.textures, dtype=object), compaction_factor=ground.compaction_factor
    )


def green_ampt_soils(ground: TurfSoil, settings: AnalysisSettings) -> tuple[FloatArray, FloatArray]:
    """Tabulated conductivity, compaction included, and suction deficit of every soil.

    Returns
    -------
    tuple of two ndarray, shape (n_soils,)
        K [mm/h] and S = ψ·(1 − Se)·θe [mm].
    """
    tabulated = [GREEN_AMPT_SOILS[texture] for texture in ground.textures]
    conductivity = ground.compaction_factor * [soil.conductivity_mm_h for soil in tabulated]
    deficit = suction_deficit_mm(
        [soil.suction_mm for soil in tabulated],
        [soil.effective_porosity for soil in tabulated],
        initial_saturation_fraction=settings.initial_saturation_fraction,
    )
    return np.asarray(conductivity), np.maximum(deficit, SMALLEST_DEFICIT_MM)


def intake_log_sd(settings: AnalysisSettings) -> float:
    """Spread of the intake rate (or conductivity) between lawns: the published one, or as set."""
    return soil_spread.INTAKE_LOG_SD if settings.intake_log_sd is None else settings.intake_log_sd


def storage_log_sd(settings: AnalysisSettings) -> float:
    """Spread of the storage between lawns, as the standard deviation of its logarithm."""
    cv = soil_spread.STORAGE_CV if settings.storage_cv is None else settings.storage_cv
    return soil_spread.log_sd_of_cv(cv)


def event_pulses(event: EventPlan) -> kernels.Pulses:
    """When each zone runs, in hours."""
    return kernels.Pulses(
        start_hour=event.start_minute / MINUTES_PER_HOUR,
        cycles=event.cycles.astype(np.int64),
        cycle_hours=event.cycle_minutes / MINUTES_PER_HOUR,
        soak_hours=event.soak_minutes / MINUTES_PER_HOUR,
    )


def cell_water(precipitation: PrecipitationSurface, cell: NDArray[np.int64]) -> kernels.CellWater:
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
