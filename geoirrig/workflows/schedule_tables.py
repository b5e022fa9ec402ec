"""Tables, totals and summary of a schedule."""

from __future__ import annotations

import calendar
from itertools import pairwise
from typing import Any

import numpy as np

from geoirrig.io.write_tables import table_records, totals_record
from geoirrig.physics.plant_water_use import MONTHS
from geoirrig.records import PrecipitationSurface, ResultTable, ZoneSchedule
from geoirrig.surfaces.coverage_tables import cycles_or_null
from geoirrig.surfaces.finding_areas import served_areas
from geoirrig.units import (
    DAYS_PER_WEEK,
    LITRES_PER_M3,
    LITRES_PER_US_GALLON,
    SQUARE_METRES_PER_SQUARE_FOOT,
    FloatArray,
    UnitSystem,
)
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.run_record import RunRecord
from geoirrig.workflows.schedule_warnings import event_lengths_minutes
from geoirrig.workflows.schedule_zones import SiteSchedule
from geoirrig.workflows.water_allowance_report import WaterAllowance

_M3_PER_GAL = LITRES_PER_US_GALLON / LITRES_PER_M3


def weekly_minutes(schedule: ZoneSchedule, days: FloatArray) -> FloatArray:
    """Minutes a week that each zone runs in each month, (n_zones, 12); 0 where it does not."""
    return np.nan_to_num(schedule.events * schedule.run_minutes) * DAYS_PER_WEEK / days


def schedule_table(found: SiteSchedule) -> ResultTable:
    """One row per zone and month, zones in running order."""
    schedule, need, year = found.schedule, found.need, found.year
    n_zones = len(schedule.zone)

    def of_zone(values: FloatArray) -> FloatArray:
        return np.repeat(values, MONTHS)

    def of_month(values: FloatArray) -> FloatArray:
        return np.tile(values, n_zones)

    return ResultTable(
        name="schedule",
        columns={
            "zone": np.repeat(np.array(schedule.zone, dtype=object), MONTHS),
            "month": np.tile(np.arange(1, MONTHS + 1), n_zones),
            "events": schedule.events.ravel().astype(np.int64),
            "interval_days": schedule.interval_days.ravel(),
            "net_depth_mm": schedule.net_depth_mm.ravel(),
            "gross_depth_mm": schedule.gross_depth_mm.ravel(),
            "run_minutes": schedule.run_minutes.ravel(),
            "cycles": cycles_or_null(schedule.cycles.ravel()),
            "cycle_minutes": schedule.cycle_minutes.ravel(),
            "soak_minutes": schedule.soak_minutes.ravel(),
            "water_m3": schedule.water_m3.ravel(),
            "weekly_minutes": weekly_minutes(schedule, year.days).ravel(),
            "month_days": of_month(year.days),
            "eto_mm": of_month(year.eto_mm),
            "plant_coefficient": need.root_zones.plant_coefficient.ravel(),
            "etc_mm": need.etc_mm.ravel(),
            "rain_mm": of_month(year.rain_mm),
            "effective_rain_mm": need.effective_rain_mm.ravel(),
            "net_need_mm": need.net_need_mm.ravel(),
            "readily_available_mm": of_zone(need.root_zones.readily_available_mm),
            "run_time_multiplier": of_zone(need.run_time_multiplier),
            "mean_rate_mm_h": of_zone(need.mean_rate_mm_h),
            "flow_lpm": of_zone(need.flow_lpm),
        },
        geometry=None,
    )


def zone_schedule_table(
    found: SiteSchedule, site: LoadedSite, precipitation: PrecipitationSurface
) -> ResultTable:
    """One row per zone: the turf it serves, its water of a year, its clock in the peak month."""
    schedule, need = found.schedule, found.need
    n_zones, month = len(schedule.zone), max(found.peak_month - 1, 0)
    weekly = weekly_minutes(schedule, found.year.days)[:, month]
    reasons: dict[str, str] = {f["zone"]: f["reason"] for f in found.failures}
    return ResultTable(
        name="zone_schedule",
        columns={
            "zone": np.array(schedule.zone, dtype=object),
            "water_m3_year": np.sum(schedule.water_m3, axis=1),
            "peak_month": np.full(n_zones, found.peak_month),
            "events": schedule.events[:, month].astype(np.int64),
            "interval_days": schedule.interval_days[:, month],
            "net_depth_mm": schedule.net_depth_mm[:, month],
            "gross_depth_mm": schedule.gross_depth_mm[:, month],
            "run_minutes": schedule.run_minutes[:, month],
            "cycles": cycles_or_null(schedule.cycles[:, month]),
            "cycle_minutes": schedule.cycle_minutes[:, month],
            "soak_minutes": schedule.soak_minutes[:, month],
            "weekly_minutes": weekly,
            "scheduled_runoff_fraction": found.runoff_fraction,
            "served_area_m2": need.served_area_m2,
            "flow_lpm": need.flow_lpm,
            "mean_rate_mm_h": need.mean_rate_mm_h,
            "du_lh": need.du_lh,
            "du_lq": need.du_lq,
            "run_time_multiplier": need.run_time_multiplier,
            "root_zone_depth_mm": need.root_zones.root_depth_mm,
            "readily_available_mm": need.root_zones.readily_available_mm,
            "schedule_failure": np.array([reasons.get(z, "") for z in schedule.zone], dtype=object),
        },
        geometry=served_areas(precipitation, site.cells, n_zones),
        geometry_type="MultiPolygon",
    )


def water_allowance_table(allowance: WaterAllowance) -> ResultTable:
    """One row per turf polygon: what it adds to the estimated use of a year."""
    factor = allowance.plant_factor / allowance.irrigation_efficiency
    return ResultTable(
        name="water_allowance",
        columns={
            "turf_id": np.array(allowance.turf_id, dtype=object),
            "plant_type": np.array(allowance.plant_type, dtype=object),
            "plant_factor": allowance.plant_factor,
            "irrigation_efficiency": allowance.irrigation_efficiency,
            "adjustment_factor": factor,
            "area_m2": allowance.area_ft2 * SQUARE_METRES_PER_SQUARE_FOOT,
            "estimated_use_m3_year": allowance.estimated_use_gal * _M3_PER_GAL,
        },
        geometry=None,
    )


def schedule_summary(
    found: SiteSchedule, tables: tuple[ResultTable, ...], record: RunRecord, *, units: UnitSystem
) -> dict[str, Any]:
    """Everything that a program or a report needs from a schedule, in the chosen units."""
    by_name = {table.name: table for table in tables}
    in_turn, interleaved = event_lengths_minutes(found.schedule)
    return {
        **record.summary_head(),
        "methods": dict(found.methods),
        "totals": totals_record(_totals(found), units),
        "peak_month": found.peak_month or None,
        "event_minutes": {"in_turn": in_turn, "with_others_in_soaks_at_least": interleaved},
        "zones": table_records(by_name["zone_schedule"], units),
        "schedule": table_records(by_name["schedule"], units),
        "water_allowance": None if found.allowance is None else _allowance_summary(found),
        "failures": [dict(failure) for failure in found.failures],
        **record.summary_tail(),
    }


def month_names(months: list[int]) -> str:
    """Months in words: ``June to August``, ``May, July``; all twelve are ``all year``."""
    if len(months) == MONTHS:
        return "all year"
    names = [calendar.month_name[month] for month in months]
    follow = all(later - earlier == 1 for earlier, later in pairwise(months))
    return f"{names[0]} to {names[-1]}" if len(names) > 2 and follow else ", ".join(names)


def _totals(found: SiteSchedule) -> dict[str, float]:
    year, schedule = found.year, found.schedule
    failed = {failure["zone"] for failure in found.failures}
    return {
        "zone_count": len(schedule.zone),
        "failed_zone_count": len(failed),
        "served_area_m2": float(np.sum(found.need.served_area_m2)),
        "eto_mm": float(np.sum(year.eto_mm)),
        "rain_mm": float(np.sum(year.rain_mm)),
        "effective_rain_mm": float(np.sum(year.effective_rain_mm)),
        "water_m3_year": float(np.sum(schedule.water_m3)),
    }


def _allowance_summary(found: SiteSchedule) -> dict[str, Any]:
    """In the rule's own units, whatever those of the other results."""
    allowance = found.allowance
    if allowance is None:
        return {}
    estimated = float(np.sum(allowance.estimated_use_gal))
    return {
        "rule": allowance.rule,
        "adjustment_factor": allowance.adjustment_factor,
        "eto_in": allowance.eto_in,
        "landscape_area_ft2": float(np.sum(allowance.area_ft2)),
        "special_area_ft2": 0.0,
        "allowance_gal_year": allowance.allowance_gal,
        "estimated_use_gal_year": estimated,
        "average_adjustment_factor": allowance.average_adjustment_factor,
        "is_within_allowance": estimated <= allowance.allowance_gal,
        "scheduled_use_gal_year": float(np.sum(found.schedule.water_m3)) / _M3_PER_GAL,
        "source": "California Code of Regulations, title 23, division 2, chapter 2.7, sections "
        "492.4 and 493; an estimate, the local agency decides",
    }
