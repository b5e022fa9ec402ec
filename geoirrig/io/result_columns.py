"""Titles and meanings of the layers and columns that the results hold.

They go into the GeoPackage itself, so that a viewer shows words instead of column names. Columns
that are not listed here were carried through from the input: they are never converted or renamed.
"""

from __future__ import annotations

from geoirrig.parcel_quantities import QUANTITIES
from geoirrig.units import UNITS, Unit, UnitSystem, in_unit_system, unit_of_column

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
    "layout_findings": (
        "What is wrong with the layout",
        "One point per finding, the severest first: gaps, corners, strips, arcs, zones.",
    ),
    "rule_findings": (
        "Rules held against the site",
        "One row per rule and zone or turf polygon: measured, limit, source. Local code and "
        "licensed practice decide.",
    ),
    "ranked_slopes": (
        "Slopes, worst first",
        "One row per slope, ranked by the water that it sheds in one event, with 90 % intervals.",
    ),
    "schedule": (
        "Schedule by zone and month",
        "One row per zone and month of a mean year: how the clock is set, and what that rests on.",
    ),
    "zone_schedule": (
        "Zones: water of a year and clock of the peak month",
        "One row per zone, over the turf that it serves.",
    ),
    "water_allowance": (
        "Estimated water use by turf",
        "One row per turf polygon: what it adds to the estimated use of California's rule.",
    ),
    "comparison": (
        "Turf under each nozzle set",
        "One row per nozzle set and turf polygon, the layout as it stands first: show one set at a "
        "time by a filter on nozzle_set.",
    ),
    "zone_comparison": (
        "Zones under each nozzle set",
        "One row per nozzle set and zone, with the saving by its causes: show one set at a time by "
        "a filter on nozzle_set.",
    ),
    "heads": ("Heads", "One row per head, ready for an analysis."),
    "turf": ("Turf", "One row per turf polygon, ready for an analysis."),
    "hardscape": ("Hardscape", "Paved ground, ready for an analysis."),
    "changes": (
        "What to change at which head",
        "One row per head to refit or to add: what is there, what is to be there, and how to set "
        "it.",
    ),
    "optimized_zones": (
        "Zones as they stand and as proposed",
        "One row per zone: evenness before and after, and what no choice of those tried can beat.",
    ),
    "edge_runoff": (
        "Water over the edge of the turf",
        "About a metre of a polygon's edge, and the water that crosses it in one event (run-on).",
    ),
    "parcels": (
        "Parcels held against a rebate programme",
        "One row per parcel: eligible or why not, what the change saves and costs, rank, funding.",
    ),
    "failures": ("Parcels that could not be worked", "One row per parcel and reason."),
    "left_out": ("Left out", "Heads and turf that belong to no parcel, and why."),
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
    # findings about the layout
    "finding_id": ("Number", "Number of the finding; 1 is the severest."),
    "kind": ("Kind", "What kind of finding it is."),
    "severity": ("Severity", "high, medium or low."),
    "other_head_id": ("Other head", "Id of the head at the other end of the gap."),
    "turn_deg": ("Turn by [°]", "Turn advised for the arc, clockwise; 0 where none pays."),
    "advised_start_bearing_deg": (
        "Advised start bearing [°]",
        "Start bearing after turning and narrowing the arc.",
    ),
    "advised_arc_deg": ("Advised arc [°]", "Arc after narrowing; as it is where none pays."),
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
    # rules
    "rule_set": ("Rule set", "Document that the rule stands in."),
    "rule": ("Rule", "Id of the rule in its set."),
    "applies_to": ("Held against", "What the rule is about: a zone or a turf polygon."),
    "outcome": ("Outcome", "met, not met, flagged or not evaluated."),
    "is_met": ("Met", "Whether the limit is kept; empty where it was not evaluated."),
    "is_flag_only": ("Flag only", "Whether going beyond the limit is a flag and no violation."),
    "measured": ("Measured", "Measured value with its unit."),
    "measured_value": ("Measured value", "The same as a number in SI; see the value's unit."),
    "limit": ("Limit", "Limit with its unit."),
    "limit_value": ("Limit value", "The same as a number in SI; see the value's unit."),
    "value_unit": ("Unit of the values", "Unit of the measured value and of the limit."),
    "concerned_area_m2": ("Area concerned", "Ground that the measured value describes."),
    "rule_text": ("Rule text", "What the rule asks, with the exceptions that are not evaluated."),
    "citation": ("Citation", "Where the rule stands."),
    "from_memory": ("From memory", "Whether the rule was stated from memory, not read."),
    # run-on
    "edge_runoff_id": ("Place", "Number of the place; 1 sheds the most."),
    "reaches": ("Reaches", "What the water reaches: hardscape, turf or off site."),
    "reaches_name": ("Which", "Surface of the hardscape, or id of the other turf polygon."),
    "run_on_l": ("Run-on volume", "Water that comes from other turf polygons in one event."),
    "leaving_l": ("Leaving volume", "Water that crosses the polygon's edge in one event."),
    "to_hardscape_l": ("Onto hardscape", "Of the leaving volume, what reaches hardscape."),
    "to_turf_l": ("Onto other turf", "Of the leaving volume, what reaches other turf polygons."),
    "off_site_l": ("Off site", "Of the leaving volume, what reaches neither."),
    "ponded_l": ("Ponded volume", "Water that stands in hollows when the last pulse ends."),
    # run times
    "run_minutes": ("Run time [min]", "Minutes of the whole event, all cycles."),
    "planned_cycles": ("Planned cycles", "Cycles of the plan as it stands."),
    "advised_cycles": ("Advised cycles", "Cycles that avoid runoff."),
    "advised_cycle_minutes": ("Advised cycle [min]", "Minutes of one advised cycle."),
    "advised_soak_minutes": ("Advised soak [min]", "Minutes between two advised cycles."),
    # schedule
    "month": ("Month", "1 is January."),
    "events": ("Irrigations", "Number of irrigations in the month."),
    "interval_days": ("Interval [d]", "Days from one irrigation to the next."),
    "net_depth_mm": ("Net depth", "Depth that one irrigation replaces in the root zone."),
    "gross_depth_mm": ("Gross depth", "Mean depth that one irrigation applies to the served area."),
    "cycles": ("Cycles", "Equal parts in which one irrigation is run; empty: none avoids runoff."),
    "cycle_minutes": ("Cycle [min]", "Minutes of one cycle."),
    "soak_minutes": ("Soak [min]", "Minutes between two cycles."),
    "water_m3": ("Water of the month", "Water that the zone takes in the month."),
    "water_m3_year": ("Water of a year", "Water that the zone takes in a mean year."),
    "weekly_minutes": ("Minutes a week", "Minutes that the valve is open in a week."),
    "month_days": ("Days", "Days of the month, mean over the years of the climate file."),
    "eto_mm": ("ETo", "Reference evapotranspiration of the month."),
    "plant_coefficient": ("Plant coefficient", "Use of the plants over ETo, mean over the area."),
    "etc_mm": ("ETc", "Water that the plants use in the month."),
    "rain_mm": ("Rain", "Rain of the month."),
    "effective_rain_mm": ("Effective rain", "Part of the month's rain that the plants can use."),
    "net_need_mm": ("Net need", "ETc less effective rain, not below 0."),
    "readily_available_mm": ("Readily available water", "What the root zone may lend."),
    "root_zone_depth_mm": ("Root depth", "Depth of the root zone, mean over the area."),
    "run_time_multiplier": ("Run-time multiplier", "Gross depth over net depth."),
    "peak_month": ("Peak month", "Month in which the site takes most water; 1 is January."),
    "scheduled_runoff_fraction": (
        "Runs off as scheduled",
        "Share of the served turf that runs off in the peak month's or the longest event, 0 to 1.",
    ),
    "schedule_failure": ("Not scheduled", "Why there is no schedule; empty where there is one."),
    "plant_factor": ("Plant factor", "Use of the plants over ETo in a year, as printed."),
    "irrigation_efficiency": ("Irrigation efficiency", "That of the rule, 0 to 1."),
    "adjustment_factor": ("Adjustment factor", "Plant factor over irrigation efficiency."),
    "estimated_use_m3_year": ("Estimated use", "Share in the estimated total water use, ETWU."),
    # comparison of nozzle sets: _change is the set's value less that of the layout as it stands
    "nozzle_set": ("Nozzle set", "Name of the set; existing is the layout as it stands."),
    "changed_head_count": ("Heads changed", "Heads with another nozzle or pressure."),
    "served_fraction": (
        "On the turf served",
        "Share of the zone's water that falls on the turf that it serves, 0 to 1.",
    ),
    "water_l": ("Water of an event", "Water that an event of the net depth takes."),
    "runoff_m3_year": ("Runoff of a year", "Of the water of a year, what runs off."),
    "overspray_m3_year": ("Overspray of a year", "Of the water of a year, what misses all turf."),
    "du_lq_change": ("DU, low quarter, change", "Difference to the layout as it stands."),
    "du_lh_change": ("DU, low half, change", "Difference to the layout as it stands."),
    "cu_change": ("Christiansen CU, change", "Difference to the layout as it stands."),
    "mean_rate_change_mm_h": ("Mean rate, change", "Difference to the layout as it stands."),
    "flow_change_lpm": ("Flow, change", "Difference to the layout as it stands."),
    "runoff_change_l": ("Runoff volume, change", "Difference to the layout as it stands."),
    "overspray_change_l": ("Overspray volume, change", "Difference to the layout as it stands."),
    "run_minutes_change": ("Run time [min], change", "Difference to the layout as it stands."),
    "water_change_l": ("Water of an event, change", "Difference to the layout as it stands."),
    "water_change_m3_year": ("Water of a year, change", "Difference to the layout as it stands."),
    "runoff_change_m3_year": ("Runoff of a year, change", "Difference to the layout as it stands."),
    "overspray_change_m3_year": (
        "Overspray of a year, change",
        "Difference to the layout as it stands.",
    ),
    "saving_l": ("Saving, event", "Water of the layout as it stands less that of the set."),
    "saving_by_pressure_l": (
        "Saving by pressure, event",
        "What the new pressure saves with the nozzles that are there.",
    ),
    "saving_by_evenness_l": ("Saving by evenness, event", "What more even watering saves."),
    "saving_by_overspray_l": (
        "Saving by overspray, event",
        "What landing on the turf served saves.",
    ),
    "saving_by_runoff_l": ("Saving by runoff, event", "What less runoff saves."),
    "saving_by_need_l": ("Saving by need, event", "What comes of another area served."),
    "saving_if_clock_unchanged_l": (
        "If the clock stays, event",
        "What less flow would save with the minutes left as they are; never add it to the saving.",
    ),
    "saving_m3_year": ("Saving, year", "Water of the layout as it stands less that of the set."),
    "saving_by_pressure_m3_year": (
        "Saving by pressure, year",
        "What the new pressure saves with the nozzles that are there.",
    ),
    "saving_by_evenness_m3_year": ("Saving by evenness, year", "What more even watering saves."),
    "saving_by_overspray_m3_year": (
        "Saving by overspray, year",
        "What landing on the turf served saves.",
    ),
    "saving_by_runoff_m3_year": ("Saving by runoff, year", "What less runoff saves."),
    "saving_by_need_m3_year": ("Saving by need, year", "What comes of another area served."),
    "saving_if_clock_unchanged_m3_year": (
        "If the clock stays, year",
        "What less flow would save with the minutes left as they are; never add it to the saving.",
    ),
    "need_met_if_clock_unchanged": (
        "Need met if the clock stays",
        "Share of its need that the drier half gets with the minutes left as they are.",
    ),
    # ranking of slopes
    "rank": ("Rank", "1 is first; equal ones may share a rank."),
    "slope_unit": ("Slope", "Turf polygon, or a part of it of one slope class."),
    "rank_low": ("Rank, worst case", "In 95 of 100 draws of the soils the rank is this or higher."),
    "rank_high": ("Rank, best case", "In 95 of 100 draws of the soils the rank is this or lower."),
    "runoff_depth_mm": ("Runoff depth", "Mean runoff of one event over the slope."),
    "runoff_low_l": ("Runoff, low end", "Runoff of one event is above this in 95 of 100 draws."),
    "runoff_high_l": ("Runoff, high end", "Runoff of one event is below this in 95 of 100 draws."),
    "runoff_share": ("Share of all runoff", "Share of the runoff of all slopes, 0 to 1."),
    "cumulative_share": ("Share so far", "Share of this slope and all before it, 0 to 1."),
    "annual_runoff_l": ("Runoff a year", "Runoff of a mean year, with the schedule's cycles."),
    "annual_runoff_one_cycle_l": (
        "Runoff a year in one cycle",
        "Runoff of a mean year, the same minutes run without soaks.",
    ),
}

_PROPOSAL_COLUMNS = {
    "du_lq_bound": (
        "DU, low quarter, at most",
        "Proven: no choice of the fittings tried that keeps the limits is more even.",
    ),
    "gap": ("Gap", "The bound over the evenness proposed, less 1."),
    "seconds": ("Time [s]", "Time that the choice and the proof took."),
    "change": ("Change", "What is to be done: refit, or add a head."),
    "instruction": ("Instruction", "How to set the head, in words with both units."),
}
_BEFORE_AND_AFTER = {
    "flow_{}_lpm": ("Flow, {}", "Flow of all heads of the zone {}."),
    "runoff_{}_l": ("Runoff volume, {}", "Water that runs off in one event {}."),
}
_OLD_AND_NEW = {
    "{}_nozzle": ("{} nozzle", "Name of the nozzle that {}."),
    "{}_arc_deg": ("{} arc [°]", "Arc that {}."),
    "{}_start_bearing_deg": ("{} start bearing [°]", "Start bearing that {}."),
    "{}_radius_m": ("{} radius", "Radius of throw that {}."),
    "{}_flow_lpm": ("{} flow", "Flow of the head that {}."),
}
for _name, (_title, _meaning) in _BEFORE_AND_AFTER.items():
    for _when, _said in (("before", "as it stands"), ("after", "as proposed")):
        RESULT_COLUMNS[_name.format(_when)] = (_title.format(_when), _meaning.format(_said))
for _name, (_title, _meaning) in _OLD_AND_NEW.items():
    for _which, _said in (("old", "is there"), ("new", "is to be there")):
        RESULT_COLUMNS[_name.format(_which)] = (
            _title.format(_which.capitalize()),
            _meaning.format(_said),
        )
RESULT_COLUMNS |= _PROPOSAL_COLUMNS

_SCREENING_COLUMNS = {
    "eligible": ("Eligible", "Whether the parcel meets every condition of the programme."),
    "reasons": ("Reasons", "Why it is not eligible, with value and limit; empty where it is."),
    "funded": ("Funded", "Whether the budget pays its rebate."),
    "status_code": (
        "Status",
        "0 could not be worked, 1 not eligible, 2 eligible but not funded, 3 funded.",
    ),
    "new_nozzle_count": ("New nozzles", "Heads that get another nozzle."),
    "unpriced_nozzle_count": ("Nozzles without a price", "New nozzles without a unit cost."),
    "need_change_m3_year": (
        "Change of need",
        "What serving more or less turf than now adds to the water of a year; not in the saving.",
    ),
    "levelised_cost_per_acre_foot": (
        "Levelised cost",
        "Cost of an acre-foot saved over the measure's life.",
    ),
    "reason": ("Reason", "Why, in words."),
    "layer": ("Layer", "Layer that it was read from."),
    "item_id": ("Id", "Id of the head or the turf polygon."),
}
for _name, _words in _SCREENING_COLUMNS.items():
    RESULT_COLUMNS.setdefault(_name, _words)
for _quantity in QUANTITIES.values():
    _said = _quantity.meaning[0].upper() + _quantity.meaning[1:]
    RESULT_COLUMNS.setdefault(_quantity.name, (_said, f"{_said}."))


def written_name(column: str, units: UnitSystem) -> str:
    """Name of a result column in the chosen unit system; a carried column keeps its own."""
    return in_unit_system(column, [], units)[0] if column in RESULT_COLUMNS else column


def si_name(written: str) -> tuple[str, Unit | None]:
    """SI name of a result column that was written in US units, and its unit as written.

    A column in SI, or one that was carried through, keeps its name, and no unit is given.

    Examples
    --------
    >>> name, unit = si_name("mean_rate_in_h")
    >>> name, unit.suffix
    ('mean_rate_mm_h', 'in_h')
    >>> si_name("mean_rate_mm_h")
    ('mean_rate_mm_h', None)
    """
    quantity, unit = unit_of_column(written)
    if unit is None or unit.suffix == unit.si_suffix:
        return written, None
    name = f"{quantity}_{unit.si_suffix}"
    return (name, unit) if name in RESULT_COLUMNS else (written, None)


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
