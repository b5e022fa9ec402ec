"""What one nozzle set makes of a site: evenness, losses and water of its zones and turf."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.application_uniformity import (
    depth_multiplier_low_quarter,
    run_time_multiplier_low_half,
)
from geoirrig.physics.retrofit_saving import (
    WateringState,
    annual_runoff_l,
    annual_water_l,
    event_run_minutes,
    share_on_served_area,
)
from geoirrig.records import ClimateRecord, ObjectArray
from geoirrig.surfaces.cell_groups import CellGroups, group_means, group_sums
from geoirrig.surfaces.coverage_tables import uniformity_measures
from geoirrig.surfaces.finding_areas import served_areas
from geoirrig.surfaces.runoff_risk_surface import runoff_risk_surface
from geoirrig.surfaces.zone_turf import served_turf_areas_m2, served_zone
from geoirrig.units import LITRES_PER_M3, FloatArray
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.schedule_options import RunTimeMethod, ScheduleOptions
from geoirrig.workflows.schedule_zones import zone_water_need
from geoirrig.workflows.site_water import SiteWater, lay_out_water

_MOST_DRAWN_CELLS = 1_000_000  # of one small map: more than it has pixels


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareOptions:
    """What a comparison holds equal.

    Attributes
    ----------
    net_depth_mm : float, optional
        What one event is to give the drier part of the turf of every zone; the event depth of the
        settings where None. [mm]
    schedule : ScheduleOptions
        How the need of a year follows from the climate, and what makes the gross from the net
        depth. The allowance is not used.
    """

    net_depth_mm: float | None = None
    schedule: ScheduleOptions = field(default_factory=ScheduleOptions)

    def net_depth(self, site: LoadedSite) -> float:
        """Net depth of one event, in mm."""
        return site.settings.event_depth_mm if self.net_depth_mm is None else self.net_depth_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class SetMeasures:
    """One set, measured; zones are in running order, turf in the order of its layer.

    Attributes
    ----------
    zones, turf : mapping of str to ndarray
        Result columns, of shape (n_zones,) and (n_turf,); NaN where they have no meaning.
    event, year : WateringState
        What the zones need and lose: of one event of the net depth, whose litres are of the event;
        and of a year, NaN without a climate.
    zone_areas : ndarray of shapely multipolygons, shape (n_zones,)
        Turf that each zone serves.
    rate_mm_h, grid : ndarray, RasterGrid
        Rate of the main zone for a small map; every n-th cell of a large site. [mm/h]
    """

    zones: Mapping[str, FloatArray]
    turf: Mapping[str, FloatArray]
    event: WateringState
    year: WateringState
    zone_areas: ObjectArray
    rate_mm_h: NDArray[np.float32]
    grid: RasterGrid


def measure_nozzle_set(
    site: LoadedSite, *, options: CompareOptions, climate: ClimateRecord | None = None
) -> SetMeasures:
    """Run the engine on a site and sum up its zones and turf.

    Parameters
    ----------
    site : LoadedSite
        With the nozzles of the set.
    options : CompareOptions
        What is held equal.
    climate : ClimateRecord, optional
        Of the year; without it there is no water of a year.

    Returns
    -------
    SetMeasures

    Notes
    -----
    Evenness, runoff and overspray are those of an event that gives the turf of every zone the event
    depth of the settings on the mean, in the cycles of the plan: run minutes of the plan were set
    for the nozzles that are there, and would give others more or less water. Run minutes and the
    water of a year count, beside that, what the unevenness and the runoff ask for more.
    """
    plan = site.inputs.zone_plan
    level = replace(plan, run_minutes=np.full(len(plan.zone), np.nan))
    site = replace(site, inputs=replace(site.inputs, zone_plan=level))
    water = lay_out_water(site)
    zones, runoff_mm = _zone_event(site, water)
    multiplier = _run_time_multiplier(zones, options.schedule.run_time_method)
    serves = zones["served_area_m2"] > 0.0

    def state(need_mm: FloatArray) -> WateringState:
        # A zone that serves nothing needs nothing; what it would lose does not matter.
        return WateringState(
            net_need_mm_year=np.where(serves, need_mm, 0.0),
            served_area_m2=zones["served_area_m2"],
            run_time_multiplier=np.where(serves, multiplier, 1.0),
            on_target_fraction=np.where(serves, zones["served_fraction"], 1.0),
            runoff_fraction=np.where(serves, zones["runoff_fraction"], 0.0),
        )

    net_depth = options.net_depth(site)
    event = state(np.full(len(plan.zone), net_depth))
    need = np.full(len(plan.zone), np.nan)
    if climate is not None:
        found, _ = zone_water_need(site, water, climate, options.schedule)
        need = np.sum(found.net_need_mm, axis=1)
    year = state(need) if climate is not None else replace(event, net_need_mm_year=need)
    minutes = event_run_minutes(
        net_depth, zones["mean_rate_mm_h"], multiplier, zones["runoff_fraction"]
    )
    zones |= {
        "run_time_multiplier": np.where(serves, multiplier, np.nan),
        "run_minutes": minutes,
        "water_l": annual_water_l(event),
        "net_need_mm": np.where(serves, need, np.nan),
        "water_m3_year": annual_water_l(year) / LITRES_PER_M3,
        "overspray_m3_year": annual_water_l(year)
        * (1.0 - zones["on_target_fraction"])
        / LITRES_PER_M3,
        "runoff_m3_year": annual_runoff_l(year) / LITRES_PER_M3,
    }
    rate, grid = _thinned(water.precipitation.precipitation_rate_mm_h, site.grid)
    return SetMeasures(
        zones=zones,
        turf=_turf_measures(site, water, zones, runoff_mm),
        event=event,
        year=year,
        zone_areas=served_areas(water.precipitation, site.cells, len(plan.zone)),
        rate_mm_h=rate,
        grid=grid,
    )


def _zone_event(
    site: LoadedSite, water: SiteWater
) -> tuple[dict[str, FloatArray], NDArray[np.float32]]:
    """Measures of one event on the turf that each zone serves, and the runoff of every cell."""
    layout, cells, precipitation = site.inputs.layout, site.cells, water.precipitation
    n_zones = len(site.inputs.zone_plan.zone)
    runoff = runoff_risk_surface(
        precipitation, site.terrain, cells, site.inputs.turf, water.event, settings=site.settings
    )
    groups = CellGroups(served_zone(precipitation, cells), n_zones)
    rates = list(water.served_rates_mm_h)
    area = np.array([len(r) for r in rates]) * site.grid.cell_area_m2
    applied = group_sums(groups.of(water.depth_mm))
    ran_off = group_sums(groups.of(runoff.runoff_depth_mm))
    flow = _of_zones(layout.flow_lpm, layout.zone_index, n_zones)
    hit = layout.flow_lpm * precipitation.head_on_target_fraction
    on_target = _of_zones(hit, layout.zone_index, n_zones) / flow
    mean_rate = group_means(rates)
    zones = {
        "flow_lpm": flow,
        "served_area_m2": area,
        "mean_rate_mm_h": mean_rate,
        **uniformity_measures(rates),
        "on_target_fraction": on_target,
        "served_fraction": share_on_served_area(np.nan_to_num(mean_rate), area, flow),
        "runoff_fraction": np.divide(
            ran_off, applied, out=np.zeros_like(applied), where=applied > 0.0
        ),
        "runoff_l": site.grid.cell_area_m2 * ran_off,
        "overspray_l": flow * water.event.run_minutes * (1.0 - on_target),
    }
    return zones, runoff.runoff_depth_mm


def _of_zones(values: FloatArray, zone_index: NDArray[np.int64], n_zones: int) -> FloatArray:
    return np.bincount(zone_index, weights=values, minlength=n_zones).astype(np.float64)


def _run_time_multiplier(zones: Mapping[str, FloatArray], method: RunTimeMethod) -> FloatArray:
    if method == "low_half":
        return run_time_multiplier_low_half(zones["du_lh"])
    return depth_multiplier_low_quarter(zones["du_lq"])


def _turf_measures(
    site: LoadedSite,
    water: SiteWater,
    zones: Mapping[str, FloatArray],
    runoff_mm: NDArray[np.float32],
) -> dict[str, FloatArray]:
    """Measures of the turf polygons; what a zone uses or loses is shared by the area it serves."""
    turf, cells = site.inputs.turf, site.cells
    groups = CellGroups(cells.turf_index, len(turf.turf_id))
    served = served_turf_areas_m2(water.precipitation, cells, len(turf.turf_id))
    of_zone = zones["served_area_m2"][:, np.newaxis]
    share = np.divide(served, of_zone, out=np.zeros_like(served), where=of_zone > 0.0)
    reached = np.sum(served, axis=0)

    def total(weight: FloatArray, name: str) -> FloatArray:
        values = zones[name]
        if np.isnan(values).all():  # of a year, without a climate
            return np.full(len(reached), np.nan)
        parts = np.where(weight > 0.0, weight * values[:, np.newaxis], 0.0)
        return np.asarray(np.sum(parts, axis=0))

    return {
        "area_m2": shapely.area(turf.geometry),
        "mean_slope_pct": group_means(groups.of(site.terrain.slope_pct)),
        "mean_rate_mm_h": group_means(groups.of(water.precipitation.precipitation_rate_mm_h)),
        **uniformity_measures(groups.of(water.depth_mm)),
        "runoff_l": site.grid.cell_area_m2 * group_sums(groups.of(runoff_mm)),
        "overspray_l": total(share, "overspray_l"),
        "run_minutes": np.divide(
            total(served, "run_minutes"),
            reached,
            out=np.full(len(reached), np.nan),
            where=reached > 0.0,
        ),
        "water_m3_year": total(share, "water_m3_year"),
        "overspray_m3_year": total(share, "overspray_m3_year"),
        "runoff_m3_year": total(share, "runoff_m3_year"),
    }


def _thinned(
    values: NDArray[np.float32], grid: RasterGrid
) -> tuple[NDArray[np.float32], RasterGrid]:
    """Every n-th cell, where there are more than a small map can show."""
    step = max(1, math.ceil(math.sqrt(values.size / _MOST_DRAWN_CELLS)))
    kept = values[step // 2 :: step, step // 2 :: step]
    n_rows, n_cols = kept.shape
    return kept.copy(), RasterGrid(
        left_m=grid.left_m,
        top_m=grid.top_m,
        cell_size_m=grid.cell_size_m * step,
        n_rows=n_rows,
        n_cols=n_cols,
    )
