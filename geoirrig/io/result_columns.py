"""Titles and meanings of the layers and columns that the results hold.

They go into the GeoPackage itself, so that a viewer shows words instead of column names. Columns
that are not listed here were carried through from the input: they are never converted or renamed.
"""

from __future__ import annotations

from geoirrig.units import UNITS, UnitSystem, in_unit_system, unit_of_column

LAYER_TITLES: dict[str, tuple[str, str]] = {
    "turf_results": (
        "Turf: evenness and runoff",
        "One row per turf polygon: uniformity over one event, slope, runoff and its rank.",
    ),
    "zone_results": (
        "Zones: flow, evenness and run times",
        "One row per zone (what one valve runs), over the turf that it serves.",
    ),
    "head_results": (
        "Heads and what is wrong with them",
        "One row per head, with its own rate and a finding in words.",
    ),
    "dry_spots": (
        "Dry spots",
        "Turf that gets less than half of the mean depth of its zone, 0.5 m² and more.",
    ),
    "overspray": ("Overspray", "Ground off the turf that gets water, with litres per event."),
    "runoff_hotspots": (
        "Runoff hotspots",
        "Turf that runs off in the event as planned, 1 m² and more.",
    ),
    "run_info": (
        "About this run",
        "Version, options, input files with SHA-256, CRS, cell size and warnings.",
    ),
}

# SI name: title without unit, meaning. Names and meanings as in docs/nomenclature.md.
RESULT_COLUMNS: dict[str, tuple[str, str]] = {
    # ids and texts
    "turf_id": ("Turf", "Id of the turf polygon."),
    "zone": ("Zone", "What one valve runs."),
    "head_id": ("Head", "Id of the head."),
    "parcel_id": ("Parcel", "Id of the parcel."),
    "dry_spot_id": ("Dry spot", "Id of the dry spot."),
    "overspray_id": ("Overspray", "Id of the oversprayed area."),
    "hotspot_id": ("Hotspot", "Id of the runoff hotspot."),
    "surface": ("Surface", "What lies there, by the hardscape layer."),
    "nozzle": ("Nozzle", "Name of the nozzle in the nozzle table."),
    "device": ("Device", "Kind of device: fixed spray, rotary nozzle or rotor."),
    "soil_texture": ("Soil texture", "USDA texture class."),
    "compaction": ("Compaction", "How compacted the soil is: none, typical or trafficked."),
    "plant_type": ("Plants", "What grows there."),
    "finding": ("Finding", "What is wrong, in words; empty where nothing is."),
    "key": ("Key", "What is stated."),
    "value": ("Value", "The statement."),
    # geometry of heads and areas
    "area_m2": ("Area", "Area of the polygon."),
    "served_area_m2": ("Served area", "Turf to which this zone gives more than any other zone."),
    "radius_m": ("Radius of throw", "Distance from the head to the edge of its wetted sector."),
    "riser_m": ("Riser", "Height of the nozzle above the ground."),
    "nearest_head_m": ("Nearest head", "Distance to the nearest other head, of any zone."),
    "arc_deg": ("Arc [°]", "Angle of the wetted sector."),
    "start_bearing_deg": (
        "Start bearing [°]",
        "Compass bearing from grid north of the edge from which the arc sweeps clockwise.",
    ),
    "trajectory_deg": ("Trajectory [°]", "Angle at which the jet leaves the nozzle."),
    "head_to_head": ("Head to head", "Whether another head stands in its wetted sector."),
    "head_count": ("Heads", "Number of heads."),
    # water
    "pressure_kpa": ("Pressure", "Pressure at the head while it runs."),
    "flow_lpm": ("Flow", "Flow of the head, or of all heads of the zone."),
    "rate_mm_h": ("Own rate", "Flow of the head over the area of its own wetted sector."),
    "gross_rate_mm_h": ("Gross rate", "Flow of the zone over the area that it serves."),
    "mean_rate_mm_h": ("Mean rate", "Mean precipitation rate over the area."),
    "mean_depth_mm": ("Mean depth", "Mean depth of one event over the area."),
    "zone_mean_depth_mm": ("Mean depth of the zone", "Mean depth of one event in the zone."),
    "overspray_l": ("Overspray volume", "Water that falls here in one event."),
    "on_target_fraction": ("On target", "Share of the water that falls on turf, 0 to 1."),
    "overspray_fraction": ("Off target", "Share of the water that falls off the turf, 0 to 1."),
    "matched_rate_spread_pct": (
        "Spread of head rates [%]",
        "Highest less lowest own rate of the zone's heads, over their mean.",
    ),
    # evenness
    "du_lq": ("DU, low quarter", "Mean of the driest quarter of the area over the mean."),
    "du_lh": ("DU, low half", "Mean of the drier half of the area over the mean."),
    "cu": ("Christiansen CU", "One less the mean deviation over the mean, 0 to 1."),
    "scheduling_coefficient": (
        "Scheduling coefficient",
        "Mean depth over the lowest mean in a square window of 5 % of the area.",
    ),
    "dry_fraction": ("Dry share", "Share of the area below half of the zone's mean depth."),
    # slope and runoff
    "slope_pct": ("Slope [%]", "Slope stated for the polygon."),
    "mean_slope_pct": ("Mean slope [%]", "Mean slope over the area."),
    "max_slope_pct": ("Steepest slope [%]", "Steepest cell of the area."),
    "minutes_to_runoff": (
        "Minutes to runoff",
        "Unbroken running time until the most sensitive 5 % of the area runs off.",
    ),
    "runoff_l": ("Runoff volume", "Water that runs off in one event."),
    "mean_runoff_depth_mm": ("Mean runoff depth", "Mean runoff of one event over the area."),
    "runoff_fraction": ("Runoff share", "Share of the water applied that runs off, 0 to 1."),
    "runoff_probability": (
        "Runoff probability",
        "Share of soil realisations with runoff in the event, mean over the area.",
    ),
    "runoff_rank": ("Runoff rank", "1 is the polygon with the most runoff."),
    # run times
    "run_minutes": ("Run time [min]", "Minutes of the whole event, all cycles."),
    "planned_cycles": ("Planned cycles", "Cycles of the plan as it stands."),
    "advised_cycles": ("Advised cycles", "Cycles that avoid runoff."),
    "advised_cycle_minutes": ("Advised cycle [min]", "Minutes of one advised cycle."),
    "advised_soak_minutes": ("Advised soak [min]", "Minutes between two advised cycles."),
}


def written_name(column: str, units: UnitSystem) -> str:
    """Name of a result column in the chosen unit system; a carried column keeps its own."""
    return in_unit_system(column, [], units)[0] if column in RESULT_COLUMNS else column


def column_title(column: str, units: UnitSystem) -> str:
    """Title with its unit, for a column of `RESULT_COLUMNS` under its SI name.

    Examples
    --------
    >>> column_title("mean_rate_mm_h", "us")
    'Mean rate [in/h]'
    """
    title, _ = RESULT_COLUMNS[column]
    unit = column_unit(column, units)
    return f"{title} [{unit}]" if unit else title


def column_description(column: str, units: UnitSystem) -> str:
    """Meaning, with its unit in brackets where the name states one."""
    _, meaning = RESULT_COLUMNS[column]
    unit = column_unit(column, units)
    return f"{meaning} [{unit}]" if unit else meaning


def column_unit(column: str, units: UnitSystem) -> str:
    """Printed unit of a result column in the chosen system; empty where it states none."""
    _, unit = unit_of_column(written_name(column, units))
    return unit.printed if unit and unit.suffix in UNITS else ""
