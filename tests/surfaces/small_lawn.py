"""Made-up lawns with heads, for the tests of what is said about a layout."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geoirrig.physics.radial_distribution import trapezoid_profile
from geoirrig.records import (
    AnalysisSettings,
    EventPlan,
    PrecipitationSurface,
    ResultTable,
    SiteInputs,
    SprinklerLayout,
    TurfAreas,
    TurfCells,
    WorkingPlane,
    ZonePlan,
)
from geoirrig.surfaces.layout_findings import layout_findings
from geoirrig.surfaces.precipitation_surface import (
    applied_depth_mm,
    event_plan,
    precipitation_surface,
    served_rates,
)
from geoirrig.surfaces.turf_cells import site_grid, turf_cells
from tests.surfaces.lattice import layout_of

SPRAY = trapezoid_profile(0.6)


def heads(x: Any, y: Any, *, rate_mm_h: float = 30.0, **columns: Any) -> SprinklerLayout:
    """Heads whose own rates match; ``columns`` replace those of the layout."""
    n = len(x)
    radius = np.broadcast_to(np.asarray(columns.pop("radius_m", 6.0), dtype=float), n).copy()
    arc = np.broadcast_to(np.asarray(columns.pop("arc_deg", 360.0), dtype=float), n).copy()
    start = columns.pop("start_bearing_deg", 0.0)
    flow = rate_mm_h / 60.0 * np.pi * radius**2 * arc / 360.0
    layout = layout_of(x, y, flow, profile=SPRAY, arc_deg=arc, start_bearing_deg=start)
    return dataclasses.replace(layout, radius_m=radius, **columns)


def site_of(layout: SprinklerLayout, *turf: BaseGeometry, **columns: Any) -> SiteInputs:
    """A site of these lawns, T0, T1 …; ``columns`` replace those of the turf."""
    n_turf, n_zones = len(turf), int(np.max(layout.zone_index, initial=0)) + 1
    geometry = np.empty(n_turf, dtype=object)
    geometry[:] = turf
    areas = TurfAreas(
        turf_id=np.array([f"T{n}" for n in range(n_turf)], dtype=object),
        geometry=geometry,
        soil_texture=np.full(n_turf, "loam", dtype=object),
        compaction=np.full(n_turf, "none", dtype=object),
        slope_pct=np.zeros(n_turf),
        plant_type=np.full(n_turf, "cool_season_turf", dtype=object),
        root_depth_mm=np.full(n_turf, 150.0),
        attributes={},
    )
    return SiteInputs(
        plane=WorkingPlane(crs_wkt="", crs_name="", metres_per_unit=1.0),
        layout=layout,
        zone_plan=ZonePlan(
            zone=tuple("ABCDEFGH"[:n_zones]),
            run_minutes=np.full(n_zones, np.nan),
            cycles=np.ones(n_zones, dtype=np.int64),
            soak_minutes=np.zeros(n_zones),
        ),
        turf=dataclasses.replace(areas, **columns),
        hardscape=None,
        parcels=None,
        catch_cans=None,
        terrain=None,
        files=(),
        warnings=(),
    )


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Watered:
    """A site with its water on the grid."""

    inputs: SiteInputs
    cells: TurfCells
    precipitation: PrecipitationSurface
    event: EventPlan
    depth_mm: np.ndarray
    zone_mean_depth_mm: np.ndarray


def watered(inputs: SiteInputs, *, cell_size_m: float = 0.25) -> Watered:
    """One event of 12.7 mm on the turf of each zone."""
    grid = site_grid(inputs.turf, inputs.layout, cell_size_m=cell_size_m)
    cells = turf_cells(inputs.turf, grid)
    on_turf = cells.turf_index >= 0
    n_zones = len(inputs.zone_plan.zone)
    precipitation = precipitation_surface(inputs.layout, n_zones, grid, on_turf=on_turf)
    event = event_plan(inputs.zone_plan, served_rates(precipitation, on_turf), event_depth_mm=12.7)
    depth = applied_depth_mm(precipitation, event)
    mean = [
        np.mean(depth[on_turf & (precipitation.main_zone == zone)])
        if np.any(on_turf & (precipitation.main_zone == zone))
        else np.nan
        for zone in range(n_zones)
    ]
    return Watered(
        inputs=inputs,
        cells=cells,
        precipitation=precipitation,
        event=event,
        depth_mm=depth,
        zone_mean_depth_mm=np.array(mean),
    )


def findings_of(inputs: SiteInputs, **settings: Any) -> ResultTable:
    """The layer of findings about a layout."""
    site = watered(inputs)
    return layout_findings(
        inputs,
        site.cells,
        site.precipitation,
        site.event,
        site.depth_mm,
        zone_mean_depth_mm=site.zone_mean_depth_mm,
        settings=AnalysisSettings(**settings),
    )


def rows_of(table: ResultTable, kind: str) -> list[dict[str, Any]]:
    """Rows of one kind, with their place."""
    assert table.geometry is not None
    return [
        {name: values[n] for name, values in table.columns.items()}
        | {"x_m": shapely.get_x(table.geometry[n]), "y_m": shapely.get_y(table.geometry[n])}
        for n in np.flatnonzero(table.columns["kind"] == kind)
    ]


def square(side_m: float = 6.0, **columns: Any) -> tuple[SprinklerLayout, BaseGeometry]:
    """Four quarter heads on the corners of a square lawn: H0 south-west, then clockwise."""
    layout = heads(
        [0.0, 0.0, side_m, side_m],
        [0.0, side_m, side_m, 0.0],
        **{"arc_deg": 90.0, "start_bearing_deg": [0.0, 90.0, 180.0, 270.0], **columns},
    )
    return layout, shapely.box(0.0, 0.0, side_m, side_m)
