"""Uniformity, coverage and runoff summed up per turf polygon and per zone."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

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
    PrecipitationSurface,
    ResultTable,
    RunoffRiskSurface,
    SprinklerLayout,
    TerrainSurface,
    TurfAreas,
    TurfCells,
    ZonePlan,
)
from geoirrig.surfaces.finding_areas import served_areas
from geoirrig.surfaces.head_findings import HeadEvidence, matched_rate_spread_pct
from geoirrig.surfaces.patches import as_multipolygons
from geoirrig.units import FloatArray

SENSITIVE_SHARE = 0.05  # the percentile of minutes to runoff that speaks for an area


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
    groups = _Groups(cells.turf_index, len(turf.turf_id))
    litres = cells.grid.cell_area_m2
    depth = groups.of(depth_mm)
    slope, minutes = groups.of(terrain.slope_pct), groups.of(runoff.minutes_to_runoff)
    runoff_l = np.array([np.sum(d) * litres for d in groups.of(runoff.runoff_depth_mm)])
    applied_l = np.array([np.sum(d) * litres for d in depth])
    rank = np.array([1 + np.count_nonzero(runoff_l > own) for own in runoff_l])
    return ResultTable(
        name="turf_results",
        columns={
            **turf.attributes,
            "area_m2": shapely.area(turf.geometry),
            "mean_rate_mm_h": _means(groups.of(precipitation.precipitation_rate_mm_h)),
            "mean_depth_mm": _means(depth),
            **_uniformity(depth),
            "scheduling_coefficient": np.array(
                [_scheduling_coefficient(depth_mm, *part) for part in groups.windows()]
            ),
            "dry_fraction": _means(groups.of(dry)),
            "mean_slope_pct": _means(slope),
            "max_slope_pct": np.array([np.max(s) if len(s) else np.nan for s in slope]),
            "minutes_to_runoff": np.array(
                [np.quantile(m, SENSITIVE_SHARE) if len(m) else np.nan for m in minutes]
            ),
            "runoff_l": runoff_l,
            "runoff_fraction": np.divide(
                runoff_l, applied_l, out=np.zeros_like(runoff_l), where=applied_l > 0.0
            ),
            "runoff_probability": _means(groups.of(runoff.runoff_probability)),
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
    served = np.where(cells.turf_index >= 0, precipitation.main_zone, -1)
    groups = _Groups(served, n_zones)
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
            "mean_rate_mm_h": _means(rates),
            **_uniformity(rates),
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
            "advised_cycles": _null_where(advised.cycles == 0, advised.cycles),
            "advised_cycle_minutes": advised.cycle_minutes,
            "advised_soak_minutes": advised.soak_minutes,
            "runoff_l": np.array(
                [np.sum(d) * cells.grid.cell_area_m2 for d in groups.of(runoff.runoff_depth_mm)]
            ),
        },
        geometry=served_areas(precipitation, cells, n_zones),
        geometry_type="MultiPolygon",
    )


class _Groups:
    """Cells of a grid sorted by the area that they belong to."""

    def __init__(self, index: NDArray[np.int32], count: int) -> None:
        """Sort the cells of areas 0 to ``count − 1``; −1 belongs to none."""
        self._index = index
        self._count = count
        inside = np.flatnonzero(index >= 0)
        owner = index.ravel()[inside]
        self._cells = inside[np.argsort(owner, kind="stable")]
        self._edges = np.append(0, np.cumsum(np.bincount(owner, minlength=count)))

    def of(self, values: NDArray[np.generic]) -> list[FloatArray]:
        """Values of the cells of each area, in double precision."""
        sorted_values = values.ravel()[self._cells].astype(np.float64)
        return np.split(sorted_values, self._edges[1:-1]) if self._count else []

    def windows(self) -> list[tuple[Any, Any]]:
        """Bounding window of each area, and which of its cells are the area's."""
        found = ndimage.find_objects(self._index + 1, max_label=self._count)
        return [
            (window, None if window is None else self._index[window] == number)
            for number, window in enumerate(found)
        ]


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


def _uniformity(groups: list[FloatArray]) -> dict[str, FloatArray]:
    """Measures of each group; NaN for one that no water reaches."""
    wet = [g if len(g) and np.any(g > 0.0) else np.empty(0) for g in groups]
    return {
        "du_lq": np.array([low_quarter_uniformity(g) if len(g) else np.nan for g in wet]),
        "du_lh": np.array([low_half_uniformity(g) if len(g) else np.nan for g in wet]),
        "cu": np.array([christiansen_uniformity(g) if len(g) else np.nan for g in wet]),
    }


def _means(groups: list[FloatArray]) -> FloatArray:
    return np.array([np.mean(g) if len(g) else np.nan for g in groups])


def _null_where(absent: NDArray[np.bool_], values: NDArray[np.int64]) -> NDArray[np.object_]:
    nulled = values.astype(object)
    nulled[absent] = None
    return nulled
