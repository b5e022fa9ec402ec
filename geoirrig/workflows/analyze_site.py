"""The main job: where this layout's water lands, how evenly, and whether the ground takes it in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from geoirrig.io.columns import listed
from geoirrig.records import (
    EventPlan,
    PrecipitationSurface,
    ResultRaster,
    ResultTable,
    RunoffRiskSurface,
    SiteAnalysis,
    SiteInputs,
    TurfCells,
)
from geoirrig.rules import RuleSet
from geoirrig.surfaces.coverage_tables import head_results, turf_results, zone_results
from geoirrig.surfaces.cycle_advice import cycle_advice
from geoirrig.surfaces.edge_runoff import (
    edge_crossings,
    edge_runoff,
    ponding_warnings,
    run_on_columns,
)
from geoirrig.surfaces.finding_areas import dry_cells, dry_spots, overspray, runoff_hotspots
from geoirrig.surfaces.head_findings import head_evidence
from geoirrig.surfaces.layout_findings import layout_findings
from geoirrig.surfaces.rule_findings import rule_findings, rules_summary
from geoirrig.surfaces.run_on_surface import run_on_surface, turf_flow
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from geoirrig.surfaces.zone_turf import served_zone
from geoirrig.units import MINUTES_PER_HOUR, FloatArray
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.run_record import CAUTIONS, Progress
from geoirrig.workflows.site_water import SiteWater, lay_out_water

NO_DATA = -9999.0
_NAMED = 5  # ids in a warning
RUN_ON_TOTALS = ("leaving_l", "to_hardscape_l", "to_turf_l", "off_site_l", "ponded_l")


def analyze_site(
    site: LoadedSite,
    *,
    rule_sets: tuple[RuleSet, ...] = (),
    progress: Progress = lambda _: None,
) -> SiteAnalysis:
    """Precipitation, coverage, uniformity, findings and runoff risk of one site.

    Parameters
    ----------
    site : LoadedSite
        The checked inputs on their grid.
    rule_sets : tuple of RuleSet
        Published limits to hold the layout against.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    SiteAnalysis
        Tables, rasters and totals of one irrigation event.
    """
    inputs, settings = site.inputs, site.settings
    layout, plan, turf = inputs.layout, inputs.zone_plan, inputs.turf
    cells, grid, terrain = site.cells, site.grid, site.terrain

    progress("Laying out the water of each zone")
    water = lay_out_water(site)
    precipitation, event, depth = water.precipitation, water.event, water.depth_mm

    progress("Following the event into the ground")
    runoff = runoff_risk_surface(precipitation, terrain, cells, turf, event, settings=settings)
    advice = cycle_advice(precipitation, terrain, cells, turf, settings=settings)
    advised = advice.for_run_minutes(event.run_minutes)

    run_on = _RunOn() if site.elevation_m is None else _followed_downhill(site, water)

    progress("Summing up turf, zones and heads")
    zone_depth = _zone_mean_depth(precipitation, depth, cells, len(plan.zone))
    dry = dry_cells(cells, precipitation, depth, zone_depth, ratio=settings.dry_spot_ratio)
    evidence = head_evidence(layout, plan, precipitation, settings)
    whole_turf = turf_results(
        turf, cells, precipitation, depth, dry=dry, terrain=terrain, runoff=runoff
    )
    tables = (
        replace(whole_turf, columns={**whole_turf.columns, **run_on.turf_columns}),
        zone_results(
            plan,
            event,
            layout,
            cells,
            precipitation,
            evidence=evidence,
            runoff=runoff,
            advised=advised,
        ),
        head_results(layout, precipitation, evidence),
        dry_spots(
            dry,
            turf,
            cells,
            precipitation,
            depth,
            zone_means=dict(zip(plan.zone, zone_depth, strict=True)),
            min_area_m2=settings.dry_spot_min_area_m2,
        ),
        overspray(cells, depth, inputs.hardscape),
        runoff_hotspots(turf, cells, runoff, terrain, min_area_m2=settings.hotspot_min_area_m2),
        layout_findings(
            inputs,
            cells,
            precipitation,
            event,
            depth,
            zone_mean_depth_mm=zone_depth,
            settings=settings,
        ),
        *run_on.tables,
    )
    rules: tuple[dict[str, Any], ...] = ()
    if rule_sets:
        found = rule_findings(rule_sets, inputs, cells, precipitation, terrain, tables=tables)
        tables = (*tables, found)
        rules = tuple(rules_summary(rule_sets, found))
    return SiteAnalysis(
        plane=inputs.plane,
        grid=grid,
        tables=tables,
        rasters=(*_rasters(precipitation, depth, terrain.slope_pct, runoff), *run_on.rasters),
        totals=_totals(inputs, event, precipitation, tables),
        warnings=(
            *inputs.warnings,
            *_result_warnings(tables[0], inputs, event),
            *run_on.warnings,
        ),
        cautions=CAUTIONS,
        rules=rules,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _RunOn:
    """What run-on adds to the answer; nothing where it was not asked for."""

    turf_columns: Mapping[str, FloatArray] = field(default_factory=dict)
    tables: tuple[ResultTable, ...] = ()
    rasters: tuple[ResultRaster, ...] = ()
    warnings: tuple[str, ...] = ()


def _followed_downhill(site: LoadedSite, water: SiteWater) -> _RunOn:
    """The event with its excess water flowing from cell to cell."""
    inputs, cells, settings = site.inputs, site.cells, site.settings
    flow = turf_flow(np.asarray(site.elevation_m), cells, settings=settings)
    run_on = run_on_surface(
        water.precipitation, site.terrain, cells, inputs.turf, water.event, flow, settings=settings
    )
    crossings = edge_crossings(run_on, cells.turf_index, hardscape=inputs.hardscape)
    columns = run_on_columns(run_on, crossings, cells.turf_index, len(inputs.turf.turf_id))
    return _RunOn(
        turf_columns=columns,
        warnings=ponding_warnings(columns["ponded_l"], inputs.turf),
        tables=(edge_runoff(crossings, inputs.turf),),
        rasters=(
            ResultRaster(
                name="run_on_depth_mm",
                description="Water that reaches the cell from the cells above it in one event",
                unit="mm",
                values=run_on.run_on_depth_mm,
                nodata=NO_DATA,
            ),
        ),
    )


def _zone_mean_depth(
    precipitation: PrecipitationSurface,
    depth: np.ndarray,
    cells: TurfCells,
    n_zones: int,
) -> FloatArray:
    """Mean event depth on the turf that each zone serves, in mm; NaN where it serves none."""
    zone = served_zone(precipitation, cells)
    served = zone >= 0
    count = np.bincount(zone[served], minlength=n_zones)
    total = np.bincount(zone[served], weights=depth[served], minlength=n_zones)
    mean: FloatArray = np.divide(total, count, out=np.full(n_zones, np.nan), where=count > 0)
    return mean


def _rasters(
    precipitation: PrecipitationSurface,
    depth: np.ndarray,
    slope_pct: np.ndarray,
    runoff: RunoffRiskSurface,
) -> tuple[ResultRaster, ...]:
    on_turf = np.isfinite(runoff.runoff_depth_mm)
    wanted = on_turf | (precipitation.main_zone >= 0)

    def raster(name: str, description: str, unit: str, values: np.ndarray) -> ResultRaster:
        return ResultRaster(
            name=name, description=description, unit=unit, values=values, nodata=NO_DATA
        )

    return (
        raster(
            "precipitation_rate_mm_h",
            "Highest rate that any one zone gives the cell",
            "mm/h",
            np.where(wanted, precipitation.precipitation_rate_mm_h, np.float32(np.nan)),
        ),
        raster(
            "applied_depth_mm",
            "Depth of one irrigation event, all zones",
            "mm",
            np.where(wanted, depth, np.float32(np.nan)),
        ),
        ResultRaster(
            name="heads_reaching",
            description="Heads of the cell's main zone whose wetted sector covers it",
            unit="1",
            values=np.where(wanted, np.minimum(precipitation.heads_reaching, 254), 255).astype(
                np.uint8
            ),
            nodata=255,
        ),
        raster("slope_pct", "Slope used", "percent", slope_pct),
        raster(
            "minutes_to_runoff",
            "Running time of the main zone until water leaves the cell, at most 1440",
            "minute",
            runoff.minutes_to_runoff,
        ),
        raster(
            "runoff_depth_mm",
            "Runoff of one event with the planned cycles",
            "mm",
            runoff.runoff_depth_mm,
        ),
        raster(
            "runoff_probability",
            "Share of soil realisations with runoff in the event",
            "1",
            runoff.runoff_probability,
        ),
    )


def _totals(
    inputs: SiteInputs,
    event: EventPlan,
    precipitation: PrecipitationSurface,
    tables: tuple[ResultTable, ...],
) -> dict[str, float]:
    """Water of one event, accounted for: applied = on target + overspray."""
    layout = inputs.layout
    litres = layout.flow_lpm * event.run_minutes[layout.zone_index]
    on_target = float(np.sum(litres * precipitation.head_on_target_fraction))
    applied = float(np.sum(litres))
    turf = tables[0].columns
    return {
        "head_count": len(layout.head_id),
        "zone_count": len(inputs.zone_plan.zone),
        "turf_count": len(inputs.turf.turf_id),
        "turf_area_m2": float(np.sum(turf["area_m2"])),
        "flow_lpm": float(np.sum(layout.flow_lpm)),
        "applied_l": applied,
        "on_target_l": on_target,
        "overspray_l": applied - on_target,
        "on_target_fraction": on_target / applied if applied > 0.0 else np.nan,
        "overspray_fraction": 1.0 - on_target / applied if applied > 0.0 else np.nan,
        **{
            name: float(np.sum(turf[name])) for name in ("runoff_l", *RUN_ON_TOTALS) if name in turf
        },
        "event_hours": event.end_minute / MINUTES_PER_HOUR,
    }


def _result_warnings(turf: ResultTable, inputs: SiteInputs, event: EventPlan) -> tuple[str, ...]:
    warnings = []
    dry = [
        str(name)
        for name, depth in zip(turf.columns["turf_id"], turf.columns["mean_depth_mm"], strict=True)
        if depth == 0.0
    ]
    if dry:
        warnings.append(f"turf: no water reaches turf_id {listed(dry, at_most=_NAMED)}.")
    idle = [
        zone
        for zone, minutes in zip(inputs.zone_plan.zone, event.run_minutes, strict=True)
        if minutes == 0.0
    ]
    if idle:
        warnings.append(
            f"zones: zone {listed(idle, at_most=_NAMED)} serves no turf and has no run_minutes, so "
            "it does not run in the event."
        )
    return tuple(warnings)
