"""Frozen records that the floors hand to one another.

All lengths, areas and positions are in the working plane: the working CRS scaled to metres. All
quantities are SI. Row identity is the id column, never the row order.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.physics.flow_direction import FlowDirectionMethod
from geoirrig.physics.flow_routing import FlowGraph
from geoirrig.physics.radial_distribution import RadialProfile
from geoirrig.physics.terrain_slope import SlopeMethod
from geoirrig.units import FloatArray

ObjectArray = NDArray[np.object_]
IntArray = NDArray[np.int64]
Attributes = Mapping[str, NDArray[Any]]
TerrainQuantity = Literal["slope_pct", "elevation_m"]
RunoffModel = Literal["surface_storage", "green_ampt"]
ClimateStep = Literal["daily", "monthly"]


# --- what was read -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingPlane:
    """The projected CRS that everything was brought into, and its linear unit."""

    crs_wkt: str
    crs_name: str
    metres_per_unit: float  # 1 for metre CRSs, 0.3048… for foot CRSs


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """One file that a run read, by role."""

    role: str  # "site", "heads", "slope", "settings" …
    name: str  # file name without its folder
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SprinklerLayout:
    """Heads with everything that decides where their water lands; arrays of shape (n_heads,)."""

    head_id: ObjectArray
    zone_index: IntArray  # into the zones of the `ZonePlan`
    x_m: FloatArray
    y_m: FloatArray
    flow_lpm: FloatArray  # the head's own flow at its own arc and pressure
    radius_m: FloatArray
    arc_deg: FloatArray  # (0, 360]
    start_bearing_deg: FloatArray  # [0, 360), the arc sweeps clockwise from it
    trajectory_deg: FloatArray  # NaN where not given
    profile_index: IntArray  # into `profiles`
    profiles: tuple[RadialProfile, ...]
    nozzle: ObjectArray  # "" where the head names none
    device: ObjectArray  # "fixed_spray", "rotary_nozzle", "rotor"; "" where not known
    pressure_kpa: FloatArray  # NaN where neither head nor nozzle states one
    pressure_min_kpa: FloatArray  # NaN where not stated
    pressure_max_kpa: FloatArray  # NaN where not stated
    rotation_s: FloatArray  # NaN where not stated
    attributes: Attributes  # the input columns, as they were read


@dataclass(frozen=True, slots=True, kw_only=True)
class ZonePlan:
    """Zones in the order in which they run, with the plan as it stands; shape (n_zones,)."""

    zone: tuple[str, ...]
    run_minutes: FloatArray  # whole event, all cycles; NaN: derived from the event depth
    cycles: IntArray
    soak_minutes: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class TurfAreas:
    """Turf polygons; arrays of shape (n_turf,)."""

    turf_id: ObjectArray
    geometry: ObjectArray  # shapely polygons and multipolygons
    soil_texture: ObjectArray
    compaction: ObjectArray  # "none", "typical", "trafficked"
    slope_pct: FloatArray  # NaN: taken from the raster
    plant_type: ObjectArray  # "cool_season_turf", "low_water_use" …
    root_depth_mm: FloatArray
    attributes: Attributes


@dataclass(frozen=True, slots=True, kw_only=True)
class HardscapeAreas:
    """Paved and built ground that should stay dry; arrays of shape (n_areas,)."""

    surface: ObjectArray  # "concrete walk"; "hardscape" where the layer does not say
    geometry: ObjectArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ParcelAreas:
    """Parcels; arrays of shape (n_parcels,)."""

    parcel_id: ObjectArray
    geometry: ObjectArray
    attributes: Attributes


@dataclass(frozen=True, slots=True, kw_only=True)
class CatchCans:
    """Catch-can readings; arrays of shape (n_cans,)."""

    can_id: ObjectArray
    x_m: FloatArray
    y_m: FloatArray
    depth_mm: FloatArray
    attributes: Attributes


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainRaster:
    """A slope or elevation raster brought into the working plane, at its own resolution."""

    quantity: TerrainQuantity
    values: FloatArray  # (n_rows, n_cols), north first; NaN where there is no data
    left_m: float
    top_m: float
    pixel_width_m: float
    pixel_height_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NozzleSet:
    """Nozzles that are to replace those of a layout; arrays of shape (n_rows,).

    A row speaks of one head, or of every head with a nozzle, in one zone or in all.
    """

    name: str
    head_id: ObjectArray  # "" where the row speaks of a nozzle
    from_nozzle: ObjectArray  # "" where the row speaks of a head
    zone: ObjectArray  # "": every zone
    to_nozzle: ObjectArray  # "": the head keeps its nozzle and takes the pressure
    pressure_kpa: FloatArray  # NaN: the head keeps its own


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteInputs:
    """Everything that was read for one site, checked and in the working plane."""

    plane: WorkingPlane
    layout: SprinklerLayout
    zone_plan: ZonePlan
    turf: TurfAreas
    hardscape: HardscapeAreas | None
    parcels: ParcelAreas | None
    catch_cans: CatchCans | None
    terrain: TerrainRaster | None  # None: every turf polygon states its slope
    files: tuple[InputFile, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisSettings:
    """Choices of a run; the settings file and the command line override the defaults.

    Sources of the defaults stand where each is used: `geoirrig.physics`.
    """

    cell_size_m: float = 0.25
    event_depth_mm: float = 12.7
    runoff_model: RunoffModel = "surface_storage"
    throw_follows_slope: bool = True  # where elevation and trajectory are both known
    compaction_factor: Mapping[str, float] = field(
        default_factory=lambda: {"none": 1.0, "typical": 0.5, "trafficked": 0.2}
    )
    initial_saturation_fraction: float = 0.5  # green_ampt: effective saturation before the event
    flat_storage_mm: float = 2.5  # green_ampt: surface storage on flat ground
    intake_log_sd: float | None = None  # None: the published spread
    storage_cv: float | None = None  # None: the default of the model
    dry_spot_ratio: float = 0.5  # of the zone's mean depth
    dry_spot_min_area_m2: float = 0.5
    hotspot_min_area_m2: float = 1.0
    matched_rate_tolerance_pct: float = 10.0
    supply_lpm: float | None = None  # flow that the source gives one zone; None: not stated
    slope_method: SlopeMethod = "horn_1981"  # from elevation
    run_on: bool = False  # whether excess water is followed downhill
    flow_direction: FlowDirectionMethod = "tarboton_1997"  # of run-on
    pit_fill_depth_mm: float = 20.0  # run-on: shallower pits drain; judgement, no source
    run_on_step_minutes: float = 1.0  # longest step in which run-on is taken as uniform


# --- climate -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherSeries:
    """What reference evapotranspiration is computed from; arrays of shape (n_steps,).

    Monthly values are means over the days of the month. None where a station does not measure it.
    """

    temperature_min_c: FloatArray
    temperature_max_c: FloatArray
    vapour_pressure_kpa: FloatArray | None = None
    dew_point_c: FloatArray | None = None
    relative_humidity_min_pct: FloatArray | None = None
    relative_humidity_max_pct: FloatArray | None = None
    relative_humidity_mean_pct: FloatArray | None = None
    wind_speed_m_s: FloatArray | None = None  # at `wind_height_m`
    wind_height_m: float = 2.0
    solar_radiation_mj_m2: FloatArray | None = None  # per day
    sunshine_hours: FloatArray | None = None  # per day

    @property
    def missing_for_penman_monteith(self) -> tuple[str, ...]:
        """What FAO-56 Penman-Monteith needs and the station does not measure, in words."""
        pair = (self.relative_humidity_min_pct, self.relative_humidity_max_pct)
        humidities = (self.vapour_pressure_kpa, self.dew_point_c, self.relative_humidity_mean_pct)
        is_known = {
            "humidity": all(values is not None for values in pair)
            or any(values is not None for values in humidities),
            "wind speed": self.wind_speed_m_s is not None,
            "solar radiation or sunshine": self.solar_radiation_mj_m2 is not None
            or self.sunshine_hours is not None,
        }
        return tuple(name for name, known in is_known.items() if not known)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClimateRecord:
    """Climate of one station: whole calendar months in order, without gaps; shape (n_steps,).

    Every month of the year occurs at least once. Either `eto_mm` is given or `weather`, with the
    latitude of the station.
    """

    step: ClimateStep
    date: NDArray[np.datetime64]  # datetime64[D]; the first of the month where monthly
    rain_mm: FloatArray  # total of the day or month
    eto_mm: FloatArray | None = None  # total of the day or month
    weather: WeatherSeries | None = None
    latitude_deg: float = math.nan  # north positive
    altitude_m: float = 0.0

    @property
    def days(self) -> FloatArray:
        """Days that each step lasts."""
        if self.step == "daily":
            return np.ones(len(self.date))
        month = self.date.astype("datetime64[M]")
        length = (month + 1).astype("datetime64[D]") - month.astype("datetime64[D]")
        return np.asarray(length.astype(np.int64), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanYear:
    """Mean of each calendar month over the years of a climate record; arrays of shape (12,)."""

    days: FloatArray  # 28.25 and the like for a February of several years
    eto_mm: FloatArray  # total of the month
    rain_mm: FloatArray
    effective_rain_mm: FloatArray  # of each month of each year, then averaged
    years: IntArray  # how many Januaries, Februaries …
    effective_rain_method: str
    evapotranspiration_method: str  # "as_given" where the file states it


# --- what was computed ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class TurfCells:
    """Which turf polygon each cell belongs to."""

    grid: RasterGrid
    turf_index: NDArray[np.int32]  # (n_rows, n_cols); -1 is not turf


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneRate:
    """Precipitation rate of one zone running alone, on the cells that it wets."""

    cell: NDArray[np.int64]  # flat cell numbers of the grid, rising
    rate_mm_h: NDArray[np.float32]
    heads_reaching: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class PrecipitationSurface:
    """Where the water of every zone lands.

    The main zone of a cell is the one that gives it the highest rate; of equal rates the zone that
    runs first.
    """

    grid: RasterGrid
    zone_rates: tuple[ZoneRate, ...]  # one per zone, in running order
    precipitation_rate_mm_h: NDArray[np.float32]  # (n_rows, n_cols), of the main zone; 0 is dry
    main_zone: NDArray[np.int32]  # (n_rows, n_cols); -1 where no water falls
    heads_reaching: NDArray[np.uint8]  # (n_rows, n_cols), heads of the main zone
    head_on_target_fraction: FloatArray  # (n_heads,)


@dataclass(frozen=True, slots=True, kw_only=True)
class EventPlan:
    """One irrigation event: when each zone runs; arrays of shape (n_zones,).

    Zones run one after another. Zone z applies ``cycles[z]`` pulses of ``cycle_minutes[z]``, the
    first at ``start_minute[z]``, with ``soak_minutes[z]`` between two of them.
    """

    start_minute: FloatArray
    cycles: IntArray
    cycle_minutes: FloatArray
    soak_minutes: FloatArray

    @property
    def run_minutes(self) -> FloatArray:
        """Minutes that each zone's valve is open in the event."""
        return self.cycles * self.cycle_minutes

    @property
    def end_minute(self) -> float:
        """When the last pulse of the event ends."""
        soaks = np.maximum(0, self.cycles - 1) * self.soak_minutes
        ends = np.where(self.run_minutes > 0.0, self.start_minute + self.run_minutes + soaks, 0.0)
        return float(np.max(ends, initial=0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainSurface:
    """Slope of every turf cell, and the way uphill where elevation is known."""

    grid: RasterGrid
    slope_pct: NDArray[np.float32]  # (n_rows, n_cols); NaN off the turf
    uphill_bearing_deg: NDArray[np.float32] | None = None  # None: only slope was given


@dataclass(frozen=True, slots=True, kw_only=True)
class RunoffRiskSurface:
    """Whether the turf takes the water in; arrays of shape (n_rows, n_cols), NaN off the turf."""

    grid: RasterGrid
    minutes_to_runoff: NDArray[np.float32]  # main zone, unbroken; capped at 1440
    runoff_depth_mm: NDArray[np.float32]
    runoff_probability: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOnSurface:
    """One event with its excess flowing downhill; depths of each turf cell, float64, (n_cells,).

    The cells stand in the order of ``flow``. Of each: applied + run-on = infiltrated + stored +
    ponded + left.
    """

    grid: RasterGrid
    flow: FlowGraph
    run_on_depth_mm: NDArray[np.float32]  # (n_rows, n_cols), from the cells above; NaN off the turf
    applied_mm: FloatArray
    infiltrated_mm: FloatArray
    stored_mm: FloatArray  # still on the surface when the last pulse ends
    ponded_mm: FloatArray  # beyond the storage, in hollows and on level ground
    left_mm: FloatArray  # sent on over the surface


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvisedCycles:
    """Cycle and soak that keep all but the most sensitive 5 % of a zone's turf from running off.

    NaN (and 0 cycles) where the zone serves no turf or no plan of at most 30 cycles does it.
    """

    cycles: IntArray
    cycle_minutes: FloatArray
    soak_minutes: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSchedule:
    """How the clock is set in every month of a mean year; arrays of shape (n_zones, 12).

    A zone that has no schedule, or needs no water in a month, has 0 events and NaN minutes.
    """

    zone: tuple[str, ...]
    events: FloatArray  # in the month; whole numbers
    interval_days: FloatArray
    net_depth_mm: FloatArray  # of one event, wanted in the root zone
    gross_depth_mm: FloatArray  # of one event, mean over the served area
    run_minutes: FloatArray  # of one event, all cycles
    cycles: IntArray  # 0: none of at most 30 cycles avoids runoff, or the zone does not run
    cycle_minutes: FloatArray
    soak_minutes: FloatArray
    water_m3: FloatArray  # in the month


# --- what is written -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultTable:
    """A layer or an attribute table of the results, with SI column names."""

    name: str
    columns: Attributes
    geometry: ObjectArray | None  # shapely, in the working plane [m]; None: attribute table
    geometry_type: str | None = None  # "Point", "Polygon" or "MultiPolygon"


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultRaster:
    """A raster of the results; its name is the file's name without ``.tif``."""

    name: str
    description: str
    unit: str  # printed unit: "mm/h", "mm", "percent", "minute", "1"
    values: NDArray[Any]  # (n_rows, n_cols), float32 or uint8
    nodata: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteAnalysis:
    """The answer of the main job, ready to be written and drawn."""

    plane: WorkingPlane
    grid: RasterGrid
    tables: tuple[ResultTable, ...]
    rasters: tuple[ResultRaster, ...]
    totals: Mapping[str, float]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    rules: tuple[Mapping[str, Any], ...] = ()  # for each rule set, how the site fares

    def table(self, name: str) -> ResultTable:
        """The table of that name."""
        return next(table for table in self.tables if table.name == name)

    def raster(self, name: str) -> ResultRaster:
        """The raster of that name."""
        return next(raster for raster in self.rasters if raster.name == name)
