"""Tables, totals and summary of a comparison of nozzle sets."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from geoirrig.io.write_tables import table_records, totals_record
from geoirrig.physics.retrofit_saving import SavingByCause
from geoirrig.records import ObjectArray, ResultTable
from geoirrig.surfaces.patches import as_multipolygons
from geoirrig.units import LITRES_PER_M3, FloatArray, UnitSystem
from geoirrig.wording import led_by
from geoirrig.workflows.compare_nozzles import (
    CAUSES,
    ComparedSet,
    Comparison,
    total_savings,
)
from geoirrig.workflows.run_record import RunRecord

# Columns that have a difference to the layout as it stands: name and name of the difference.
_TURF_CHANGES = {
    "du_lq": "du_lq_change",
    "du_lh": "du_lh_change",
    "cu": "cu_change",
    "mean_rate_mm_h": "mean_rate_change_mm_h",
    "runoff_l": "runoff_change_l",
    "overspray_l": "overspray_change_l",
    "run_minutes": "run_minutes_change",
    "water_m3_year": "water_change_m3_year",
    "runoff_m3_year": "runoff_change_m3_year",
    "overspray_m3_year": "overspray_change_m3_year",
}
_ZONE_CHANGES = {"flow_lpm": "flow_change_lpm", "water_l": "water_change_l", **_TURF_CHANGES}
# Contract order, then what stands beside.
_TURF_COLUMNS = (
    "du_lq", "cu", "mean_rate_mm_h", "runoff_l", "overspray_l", "run_minutes", "water_m3_year",
    "runoff_m3_year", "overspray_m3_year", "du_lh", "area_m2", "mean_slope_pct",
)  # fmt: skip
_ZONE_COLUMNS = (
    "du_lq", "cu", "mean_rate_mm_h", "runoff_l", "overspray_l", "run_minutes", "water_m3_year",
    "runoff_m3_year", "overspray_m3_year", "water_l", "du_lh", "run_time_multiplier", "flow_lpm",
    "served_area_m2", "on_target_fraction", "served_fraction", "runoff_fraction", "net_need_mm",
)  # fmt: skip
_ADDED_UP = ("runoff_l", "overspray_l", "water_l", "water_m3_year", "runoff_m3_year",
             "overspray_m3_year")  # fmt: skip


def comparison_tables(found: Comparison) -> tuple[ResultTable, ResultTable]:
    """Turf polygons and zones under every set, the layout as it stands first."""
    return _turf_table(found), _zone_table(found)


def comparison_summary(
    found: Comparison, tables: Sequence[ResultTable], record: RunRecord, *, units: UnitSystem
) -> dict[str, Any]:
    """Everything that a program or a report needs from a comparison, in the chosen units."""
    turf, zones = (table_records(table, units) for table in tables)
    return {
        **record.summary_head(),
        "finding": led_by(units, found.finding),
        "unchanged": [led_by(units, text) for text in found.unchanged],
        **totals_record({"net_depth_mm": found.options.net_depth(found.site)}, units),
        "sets": [
            {"nozzle_set": one.name, **totals_record(set_totals(found, one), units)}
            for one in found.sets
        ],
        "turf": turf,
        "zones": zones,
        **record.summary_tail(),
    }


def set_totals(found: Comparison, one: ComparedSet) -> dict[str, float]:
    """What a set makes of the whole site, with the differences to the layout as it stands.

    Evenness and rate are means over the served turf; all else adds up.
    """
    own, existing = (_sums(measures.measures.zones) for measures in (one, found.sets[0]))
    changes = {
        _ZONE_CHANGES[name]: own[name] - existing[name] for name in own if name in _ZONE_CHANGES
    }
    return {
        "changed_head_count": int(np.count_nonzero(one.is_changed)),
        **own,
        **changes,
        **_saving_totals(one, has_year=found.has_year),
    }


def _sums(zones: Mapping[str, FloatArray]) -> dict[str, float]:
    area = zones["served_area_m2"]
    serves = area > 0.0
    means = {
        name: float(np.average(zones[name][serves], weights=area[serves]))
        if serves.any()
        else np.nan
        for name in ("du_lq", "du_lh", "cu", "mean_rate_mm_h")
    }
    return {
        "served_area_m2": float(np.sum(area)),
        **means,
        "run_minutes": float(np.nansum(zones["run_minutes"])),
        **{name: float(np.sum(zones[name])) for name in _ADDED_UP},
    }


def _saving_totals(one: ComparedSet, *, has_year: bool) -> dict[str, float]:
    """Whole and parts; of one event in litres, and of a year in m³."""
    clock, of_year = one.savings.clock_unchanged_l, one.savings.clock_unchanged_l_year
    totals = {
        _saving_column(cause, "l"): litres
        for cause, litres in total_savings(one.savings.event).items()
    }
    totals["saving_if_clock_unchanged_l"] = float(np.sum(clock))
    if has_year:
        totals |= {
            _saving_column(cause, "m3_year"): litres / LITRES_PER_M3
            for cause, litres in total_savings(one.savings.year).items()
        }
        totals["saving_if_clock_unchanged_m3_year"] = float(np.sum(of_year)) / LITRES_PER_M3
    return totals


def _saving_column(cause: str, unit: str) -> str:
    return f"saving_{unit}" if cause == "saving" else f"saving_by_{cause}_{unit}"


def _turf_table(found: Comparison) -> ResultTable:
    turf = found.site.inputs.turf
    columns: dict[str, Any] = {
        "nozzle_set": _set_names(found, len(turf.turf_id)),
        "turf_id": np.tile(turf.turf_id, len(found.sets)),
    }
    columns |= _stacked(found, _TURF_COLUMNS, lambda one: one.measures.turf)
    columns |= _changes(found, _TURF_CHANGES, lambda one: one.measures.turf)
    for name, values in turf.attributes.items():
        columns.setdefault(name, np.tile(values, len(found.sets)))
    return ResultTable(
        name="comparison",
        columns=columns,
        geometry=np.tile(as_multipolygons(turf.geometry), len(found.sets)),
        geometry_type="MultiPolygon",
    )


def _zone_table(found: Comparison) -> ResultTable:
    zones, n_sets = found.site.inputs.zone_plan.zone, len(found.sets)
    heads = np.bincount(found.site.inputs.layout.zone_index, minlength=len(zones))
    columns: dict[str, Any] = {
        "nozzle_set": _set_names(found, len(zones)),
        "zone": np.tile(np.array(zones, dtype=object), n_sets),
        "head_count": np.tile(heads, n_sets),
        "changed_head_count": np.concatenate([one.changed_heads for one in found.sets]),
    }
    columns |= _stacked(found, _ZONE_COLUMNS, lambda one: one.measures.zones)
    columns |= _changes(found, _ZONE_CHANGES, lambda one: one.measures.zones)
    columns |= _savings(found)
    return ResultTable(
        name="zone_comparison",
        columns=columns,
        geometry=np.concatenate([one.measures.zone_areas for one in found.sets]),
        geometry_type="MultiPolygon",
    )


def _savings(found: Comparison) -> dict[str, FloatArray]:
    """Saving of each zone, whole and by cause, of an event and of a year."""
    each = [_zone_savings(one) for one in found.sets]
    return {name: np.concatenate([columns[name] for columns in each]) for name in each[0]}


def _zone_savings(one: ComparedSet) -> dict[str, FloatArray]:
    savings = one.savings
    return {
        **_by_cause(savings.event, "l", 1.0),
        "saving_if_clock_unchanged_l": savings.clock_unchanged_l,
        **_by_cause(savings.year, "m3_year", LITRES_PER_M3),
        "saving_if_clock_unchanged_m3_year": savings.clock_unchanged_l_year / LITRES_PER_M3,
        "need_met_if_clock_unchanged": savings.need_met_fraction,
    }


def _by_cause(saving: SavingByCause, unit: str, litres: float) -> dict[str, FloatArray]:
    parts = {
        f"saving_by_{cause}_{unit}": getattr(saving, f"{cause}_l") / litres for cause in CAUSES
    }
    return {f"saving_{unit}": saving.total_l / litres, **parts}


def _set_names(found: Comparison, n_rows: int) -> ObjectArray:
    return np.repeat(np.array([one.name for one in found.sets], dtype=object), n_rows)


def _stacked(
    found: Comparison,
    names: Sequence[str],
    of: Callable[[ComparedSet], Mapping[str, FloatArray]],
) -> dict[str, FloatArray]:
    return {name: np.concatenate([of(one)[name] for one in found.sets]) for name in names}


def _changes(
    found: Comparison,
    names: Mapping[str, str],
    of: Callable[[ComparedSet], Mapping[str, FloatArray]],
) -> dict[str, FloatArray]:
    existing = of(found.sets[0])
    return {
        change: np.concatenate([of(one)[name] - existing[name] for one in found.sets])
        for name, change in names.items()
    }
