"""The smallest unit of work, to have the compiled kernels loaded before there is any."""

from __future__ import annotations

import numpy as np
import shapely

from geoirrig.city_records import CityNozzles, HeadState
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.radial_distribution import trapezoid_profile
from geoirrig.records import AnalysisSettings
from geoirrig.workflows.unit_measures import worked_unit
from geoirrig.workflows.work_units import EXISTING, UnitTask, Worked


def smallest_task() -> UnitTask:
    """One square metre of loam with a head in its corner."""
    one, first = np.ones(1), np.zeros(1, dtype=np.int32)
    lawn = np.array([shapely.box(0.0, 0.0, 1.0, 1.0)], dtype=object)
    return UnitTask(
        number=0,
        grid=RasterGrid.covering(0.0, 0.0, 1.0, 1.0, cell_size_m=0.25),
        settings=AnalysisSettings(),
        ground=None,
        turf_wkb=np.asarray(shapely.to_wkb(lawn), dtype=object),
        turf_parcel=first,
        soil_texture=np.array(["loam"], dtype=object),
        compaction=np.array(["none"], dtype=object),
        slope_pct=one,
        net_need_mm_year=one,
        zone_parcel=first,
        cycles=np.ones(1, dtype=np.int32),
        soak_minutes=np.zeros(1),
        head_zone=first,
        x_m=np.zeros(1),
        y_m=np.zeros(1),
        arc_deg=90.0 * one,
        start_bearing_deg=np.zeros(1),
        nozzles=CityNozzles(
            name=("",),
            device=("",),
            pressure_min_kpa=one,
            pressure_max_kpa=one,
            unit_cost=one,
            tests=(None,),
            profile=first,
        ),
        profiles=(trapezoid_profile(0.6),),
        states={
            EXISTING: HeadState(nozzle=first, pressure_kpa=one, flow_lpm=one, radius_m=one),
        },
    )


def work_smallest_unit() -> Worked:
    """Work it."""
    return worked_unit(smallest_task())
