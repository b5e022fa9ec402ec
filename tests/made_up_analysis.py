"""An analysis made up for the tests of writers and maps: invented, no equation behind it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyproj
import shapely

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import trapezoid_profile
from geoirrig.records import (
    HardscapeAreas,
    ResultRaster,
    ResultTable,
    SiteAnalysis,
    SiteInputs,
    SprinklerLayout,
    TurfAreas,
    WorkingPlane,
    ZonePlan,
)
from geoirrig.units import METRES_PER_US_SURVEY_FOOT

LEFT_M, BOTTOM_M = 500_000.0, 4_100_000.0
HOSTILE_ID = "=1+1'); DROP TABLE turf;--<b>$x_1$</b>"


def utm_plane() -> WorkingPlane:
    crs = pyproj.CRS(32610)
    return WorkingPlane(crs_wkt=crs.to_wkt(), crs_name=crs.name, metres_per_unit=1.0)


def survey_foot_plane() -> WorkingPlane:
    crs = pyproj.CRS(2227)
    return WorkingPlane(
        crs_wkt=crs.to_wkt(), crs_name=crs.name, metres_per_unit=METRES_PER_US_SURVEY_FOOT
    )


@dataclass(frozen=True)
class MadeUp:
    inputs: SiteInputs
    analysis: SiteAnalysis


def made_up(
    *,
    width_m: float = 60.0,
    height_m: float = 40.0,
    cell_size_m: float = 0.5,
    heads_across: int = 9,
    heads_down: int = 6,
    plane: WorkingPlane | None = None,
    turf_id: str = "lawn A",
    with_findings: bool = True,
) -> MadeUp:
    plane = plane or utm_plane()
    grid = RasterGrid.covering(
        LEFT_M, BOTTOM_M, LEFT_M + width_m, BOTTOM_M + height_m, cell_size_m=cell_size_m
    )
    turf = _turf(width_m, height_m, turf_id)
    layout, zones = _layout(width_m, height_m, heads_across, heads_down)
    inputs = SiteInputs(
        plane=plane,
        layout=layout,
        zone_plan=ZonePlan(
            zone=zones,
            run_minutes=np.full(len(zones), np.nan),
            cycles=np.ones(len(zones), dtype=np.int64),
            soak_minutes=np.zeros(len(zones)),
        ),
        turf=turf,
        hardscape=HardscapeAreas(
            surface=np.array(["concrete walk"], dtype=object),
            geometry=np.array([_box(0.0, 0.46 * height_m, width_m, 0.54 * height_m)], dtype=object),
        ),
        parcels=None,
        catch_cans=None,
        terrain=None,
        files=(),
        warnings=(),
    )
    analysis = SiteAnalysis(
        plane=plane,
        grid=grid,
        tables=_tables(inputs, width_m, height_m, with_findings=with_findings),
        rasters=_rasters(grid, turf),
        totals={"turf_area_m2": 1000.0, "applied_l": 12700.0, "runoff_l": 431.0},
        warnings=(),
        cautions=(
            "Runoff onto walks can pond and freeze: treat marked places as slip hazards.",
            "The map says nothing about slope stability.",
            "Check pressure at the valve and local codes; this is no licensed design.",
        ),
    )
    return MadeUp(inputs=inputs, analysis=analysis)


def _box(left: float, bottom: float, right: float, top: float) -> shapely.Polygon:
    return shapely.box(LEFT_M + left, BOTTOM_M + bottom, LEFT_M + right, BOTTOM_M + top)


def _turf(width_m: float, height_m: float, turf_id: str) -> TurfAreas:
    upper = _box(0.05 * width_m, 0.54 * height_m, 0.95 * width_m, 0.95 * height_m)
    hole = _box(0.4 * width_m, 0.65 * height_m, 0.5 * width_m, 0.8 * height_m)
    lower = _box(0.05 * width_m, 0.05 * height_m, 0.7 * width_m, 0.46 * height_m)
    strip = _box(0.75 * width_m, 0.05 * height_m, 0.95 * width_m, 0.2 * height_m)
    ids = np.array([turf_id, "bank", "strip"], dtype=object)
    texture = np.array(["loam", "clay_loam", "sandy_loam"], dtype=object)
    return TurfAreas(
        turf_id=ids,
        geometry=np.array([upper.difference(hole), lower, strip], dtype=object),
        soil_texture=texture,
        compaction=np.array(["typical"] * 3, dtype=object),
        slope_pct=np.array([4.0, 14.0, np.nan]),
        plant_type=np.full(3, "cool_season_turf", dtype=object),
        root_depth_mm=np.full(3, 150.0),
        attributes={"turf_id": ids, "soil_texture": texture},
    )


def _layout(
    width_m: float, height_m: float, across: int, down: int
) -> tuple[SprinklerLayout, tuple[str, ...]]:
    x, y = np.meshgrid(
        LEFT_M + width_m * np.linspace(0.05, 0.95, across),
        BOTTOM_M + height_m * np.linspace(0.05, 0.95, down),
    )
    count = x.size
    row = np.arange(count) // across
    zones = tuple(f"Z{number + 1}" for number in range(down))
    devices = np.array(["fixed_spray", "rotary_nozzle", "rotor", ""], dtype=object)
    nan = np.full(count, np.nan)
    ids = np.array([f"H{number:04d}" for number in range(count)], dtype=object)
    layout = SprinklerLayout(
        head_id=ids,
        zone_index=row.astype(np.int64),
        x_m=x.ravel(),
        y_m=y.ravel(),
        flow_lpm=np.full(count, 3.0),
        radius_m=np.full(count, 4.5),
        arc_deg=np.full(count, 360.0),
        start_bearing_deg=np.zeros(count),
        trajectory_deg=nan,
        profile_index=np.zeros(count, dtype=np.int64),
        profiles=(trapezoid_profile(0.6),),
        nozzle=np.full(count, "", dtype=object),
        device=devices[row % 4],
        pressure_kpa=nan,
        pressure_min_kpa=nan,
        pressure_max_kpa=nan,
        rotation_s=nan,
        attributes={"head_id": ids},
    )
    return layout, zones


def _tables(
    inputs: SiteInputs, width_m: float, height_m: float, *, with_findings: bool
) -> tuple[ResultTable, ...]:
    layout, turf = inputs.layout, inputs.turf
    count = len(layout.head_id)
    zone_names = np.array(inputs.zone_plan.zone, dtype=object)
    finding = np.where(np.arange(count) % 7 == 3, "Throws past the turf edge.", "").astype(object)
    head_columns = {
        "head_id": layout.head_id,
        "zone": zone_names[layout.zone_index],
        "flow_lpm": layout.flow_lpm,
        "radius_m": layout.radius_m,
        "rate_mm_h": np.full(count, 25.4),
        "nearest_head_m": np.full(count, 6.0),
        "head_to_head": np.array([True, False] * count, dtype=object)[:count],
        "finding": finding,
    }
    turf_columns = {
        **turf.attributes,
        "area_m2": shapely.area(turf.geometry),
        "mean_rate_mm_h": np.array([25.4, 12.7, np.nan]),
        "mean_depth_mm": np.array([12.7, 6.35, 0.0]),
        "du_lq": np.array([0.72, 0.55, np.nan]),
        "mean_slope_pct": np.array([4.0, 14.0, 2.0]),
        "runoff_l": np.array([12.0, 419.0, 0.0]),
        "runoff_probability": np.array([0.1, 0.97, np.nan]),
        "runoff_rank": np.array([2, 1, 3]),
    }
    zones = len(zone_names)
    zone_columns = {
        "zone": zone_names,
        "head_count": np.bincount(layout.zone_index, minlength=zones),
        "flow_lpm": np.bincount(layout.zone_index, weights=layout.flow_lpm, minlength=zones),
        "mean_rate_mm_h": np.linspace(8.0, 44.0, zones),
        "du_lq": np.append(np.full(zones - 1, 0.65), np.nan),
    }
    zone_area = [
        _box(0.05 * width_m, y * height_m, 0.95 * width_m, (y + 0.9 / zones) * height_m)
        for y in np.linspace(0.05, 0.95, zones, endpoint=False)
    ]
    keep = slice(None) if with_findings else slice(0)
    spots = [_box(0.3 * width_m, 0.6 * height_m, 0.36 * width_m, 0.7 * height_m)]
    spray = [_box(0.1 * width_m, 0.46 * height_m, 0.6 * width_m, 0.48 * height_m)]
    hot = [_box(0.1 * width_m, 0.1 * height_m, 0.3 * width_m, 0.3 * height_m)]
    return (
        _table("turf_results", turf_columns, turf.geometry, "MultiPolygon"),
        _table("zone_results", zone_columns, zone_area, "MultiPolygon"),
        _table("head_results", head_columns, shapely.points(layout.x_m, layout.y_m), "Point"),
        _table(
            "dry_spots",
            {
                "dry_spot_id": np.array([1])[keep],
                "turf_id": turf.turf_id[:1][keep],
                "zone": zone_names[:1][keep],
                "area_m2": shapely.area(spots)[keep],
                "mean_depth_mm": np.array([2.54])[keep],
                "zone_mean_depth_mm": np.array([12.7])[keep],
                "finding": np.array(["Gets a fifth of its zone."], dtype=object)[keep],
            },
            spots[keep],
            "MultiPolygon",
        ),
        _table(
            "overspray",
            {
                "overspray_id": np.array([1])[keep],
                "surface": np.array(["concrete walk"], dtype=object)[keep],
                "area_m2": shapely.area(spray)[keep],
                "mean_depth_mm": np.array([5.08])[keep],
                "overspray_l": np.array([121.9])[keep],
                "finding": np.array(["Water on the walk."], dtype=object)[keep],
            },
            spray[keep],
            "MultiPolygon",
        ),
        _table(
            "runoff_hotspots",
            {
                "hotspot_id": np.array([1])[keep],
                "turf_id": turf.turf_id[1:2][keep],
                "area_m2": shapely.area(hot)[keep],
                "runoff_l": np.array([419.0])[keep],
                "mean_runoff_depth_mm": np.array([4.4])[keep],
                "mean_slope_pct": np.array([14.0])[keep],
                "finding": np.array(["Runs off."], dtype=object)[keep],
            },
            hot[keep],
            "MultiPolygon",
        ),
    )


def _table(name: str, columns: dict, geometry: object, geometry_type: str) -> ResultTable:
    return ResultTable(
        name=name,
        columns=columns,
        geometry=np.array(geometry, dtype=object),
        geometry_type=geometry_type,
    )


def _rasters(grid: RasterGrid, turf: TurfAreas) -> tuple[ResultRaster, ...]:
    x, y = np.meshgrid(grid.cell_centre_x_m() - LEFT_M, grid.cell_centre_y_m() - BOTTOM_M)
    on_turf = shapely.contains_xy(shapely.union_all(turf.geometry), x + LEFT_M, y + BOTTOM_M)
    across = np.clip(x / (grid.n_cols * grid.cell_size_m), 0.0, 1.0)
    wave = 0.5 + 0.5 * np.sin(x / 2.0) * np.cos(y / 2.0)
    rate = np.where(wave < 0.1, 0.0, 70.0 * across * wave)
    turf_only = np.where(on_turf, across, np.nan)
    heads = np.where(on_turf, np.round(6 * wave), 255).astype(np.uint8)

    def surface(name: str, unit: str, values: np.ndarray) -> ResultRaster:
        return ResultRaster(
            name=name,
            description=f"Made up: {name}",
            unit=unit,
            values=values.astype(np.float32),
            nodata=-9999.0,
        )

    return (
        surface("precipitation_rate_mm_h", "mm/h", np.where(on_turf, rate, np.nan)),
        surface("applied_depth_mm", "mm", np.where(on_turf, rate / 2.0, np.nan)),
        ResultRaster(
            name="heads_reaching", description="Heads", unit="1", values=heads, nodata=255
        ),
        surface("slope_pct", "percent", 30.0 * turf_only),
        surface("minutes_to_runoff", "minute", 1440.0 * turf_only**4),
        surface("runoff_depth_mm", "mm", np.maximum(0.0, 8.0 * turf_only - 2.0)),
        surface("runoff_probability", "1", turf_only * wave),
    )
