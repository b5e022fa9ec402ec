"""Uniformity, coverage and runoff summed up per turf polygon and per zone."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.physics.application_uniformity import (
    christiansen_uniformity,
    low_half_uniformity,
    low_quarter_uniformity,
    scheduling_coefficient,
)
from geoirrig.physics.precipitation_rate import gross_precipitation_rate
from geoirrig.records import (
    AdvisedCycles,
    EventPlan,
    IntArray,
    ObjectArray,
    PrecipitationSurface,
    ResultTable,
    RunoffRiskSurface,
    SprinklerLayout,
    TerrainSurface,
    TurfAreas,
    TurfCells,
    ZonePlan,
)
from geoirrig.surfaces.cell_groups import (
    CellGroups,
    group_means,
    group_sums,
    sensitive_minutes,
)
from geoirrig.surfaces.finding_areas import served_areas
from geoirrig.surfaces.head_findings import HeadEvidence, matched_rate_spread_pct
from geoirrig.surfaces.patches import as_multipolygons
from geoirrig.surfaces.zone_turf import served_zone
from geoirrig.units import FloatArray


def head_results(
    layout: SprinklerLayout, precipitation: PrecipitationSurface, evidence: HeadEvidence
) -> ResultTable:
    """Every head with what was used and what was found."""
    return ResultTable(
        name="head_results",
        columns={
            **layout.attributes,
            "flow_lpm": layout.flow_lpm,
            "radius_m": layout.radius_m,
            "rate_mm_h": evidence.rate_mm_h,
            "on_target_fraction": precipitation.head_on_target_fraction,
            "nearest_head_m": evidence.nearest_head_m,
            "head_to_head": evidence.head_to_head,
            "finding": evidence.finding,
        },
        geometry=np.asarray(shapely.points(layout.x_m, layout.y_m)),
        geometry_type="Point",
    )


def turf_results(
    turf: TurfAreas,
    cells: TurfCells,
    precipitation: PrecipitationSurface,
    depth_mm: NDArray[np.float32],
    *,
    dry: NDArray[np.bool_],
    terrain: TerrainSurface,
    runoff: RunoffRiskSurface,
) -> ResultTable:
    """Every turf polygon with its measures; NaN where they have no meaning.

    The uniformity measures are over the event depth. Each cell counts alike, so every share of the
    area is a share of the cells.
    """
    groups = CellGroups(cells.turf_index, len(turf.turf_id))
    cell_area_m2 = cells.grid.cell_area_m2
    depth = groups.of(depth_mm)
    slope = groups.of(terrain.slope_pct)
    runoff_l = cell_area_m2 * group_sums(groups.of(runoff.runoff_depth_mm))
    applied_l = cell_area_m2 * group_sums(depth)
    rank = np.array([1 + np.count_nonzero(runoff_l > own) for own in runoff_l])
    return ResultTable(
        name="turf_results",
        columns={
            **turf.attributes,
            "area_m2": shapely.area(turf.geometry),
            "mean_rate_mm_h": group_means(groups.of(precipitation.precipitation_rate_mm_h)),
            "mean_depth_mm": group_means(depth),
            **uniformity_measures(depth),
            "scheduling_coefficient": np.array(
                [_scheduling_coefficient(depth_mm, *part) for part in groups.windows()]
            ),
            "dry_fraction": group_means(groups.of(dry)),
            "mean_slope_pct": group_means(slope),
            "max_slope_pct": np.array([np.max(s) if len(s) else np.nan for s in slope]),
            "minutes_to_runoff": sensitive_minutes(groups.of(runoff.minutes_to_runoff)),
            "runoff_l": runoff_l,
            "runoff_fraction": np.divide(
                runoff_l, applied_l, out=np.zeros_like(runoff_l), where=applied_l > 0.0
            ),
            "runoff_probability": group_means(groups.of(runoff.runoff_probability)),
            "runoff_rank": rank,
        },
        geometry=as_multipolygons(turf.geometry),
        geometry_type="MultiPolygon",
    )


def zone_results(  # noqa: PLR0913 - each argument is one record of the run
    plan: ZonePlan,
    event: EventPlan,
    layout: SprinklerLayout,
    cells: TurfCells,
    precipitation: PrecipitationSurface,
    *,
    evidence: HeadEvidence,
    runoff: RunoffRiskSurface,
    advised: AdvisedCycles,
) -> ResultTable:
    """Every zone with its measures over the turf cells that it serves."""
    n_zones = len(plan.zone)
    groups = CellGroups(served_zone(precipitation, cells), n_zones)
    rate_mm_h = precipitation.precipitation_rate_mm_h
    rates = groups.of(rate_mm_h)
    area = np.array([len(r) for r in rates]) * cells.grid.cell_area_m2
    flow = np.bincount(layout.zone_index, weights=layout.flow_lpm, minlength=n_zones)
    hit = layout.flow_lpm * precipitation.head_on_target_fraction
    on_target = np.bincount(layout.zone_index, weights=hit, minlength=n_zones) / flow
    return ResultTable(
        name="zone_results",
        columns={
            "zone": np.array(plan.zone, dtype=object),
            "head_count": np.bincount(layout.zone_index, minlength=n_zones),
            "flow_lpm": flow,
            "served_area_m2": area,
            "gross_rate_mm_h": gross_precipitation_rate(flow, np.where(area > 0.0, area, np.nan)),
            "mean_rate_mm_h": group_means(rates),
            **uniformity_measures(rates),
            "scheduling_coefficient": np.array(
                [_scheduling_coefficient(rate_mm_h, *part) for part in groups.windows()]
            ),
            "on_target_fraction": on_target,
            "overspray_fraction": 1.0 - on_target,
            "matched_rate_spread_pct": np.array(
                [matched_rate_spread_pct(layout, evidence.rate_mm_h, z) for z in range(n_zones)]
            ),
            "run_minutes": event.run_minutes,
            "planned_cycles": event.cycles,
            "advised_cycles": cycles_or_null(advised.cycles),
            "advised_cycle_minutes": advised.cycle_minutes,
            "advised_soak_minutes": advised.soak_minutes,
            "runoff_l": cells.grid.cell_area_m2 * group_sums(groups.of(runoff.runoff_depth_mm)),
        },
        geometry=served_areas(precipitation, cells, n_zones),
        geometry_type="MultiPolygon",
    )


def _scheduling_coefficient(
    values: NDArray[np.float32],
    window: tuple[slice, ...] | None,
    inside: NDArray[np.bool_] | None,
) -> float:
    if window is None or inside is None:
        return np.nan
    own = np.where(inside, values[window].astype(np.float64), np.nan)
    coefficient = scheduling_coefficient(own) if np.nansum(own) > 0.0 else np.nan
    return coefficient if np.isfinite(coefficient) else np.nan


def uniformity_measures(groups: list[FloatArray]) -> dict[str, FloatArray]:
    """DUlq, DUlh and CU of each group of cells; NaN for one that no water reaches."""
    wet = [g if len(g) and np.any(g > 0.0) else np.empty(0) for g in groups]
    return {
        "du_lq": np.array([low_quarter_uniformity(g) if len(g) else np.nan for g in wet]),
        "du_lh": np.array([low_half_uniformity(g) if len(g) else np.nan for g in wet]),
        "cu": np.array([christiansen_uniformity(g) if len(g) else np.nan for g in wet]),
    }


def cycles_or_null(cycles: IntArray) -> ObjectArray:
    """Numbers of cycles for a result table: no plan, 0 cycles, is null there."""
    nulled: ObjectArray = cycles.astype(object)
    nulled[cycles == 0] = None
    return nulled
