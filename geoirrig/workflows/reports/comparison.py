"""The report of a comparison: the site under each nozzle set, one set at a time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geoirrig import symbology
from geoirrig.grid.point_location import polygon_of_cells
from geoirrig.grid.polygon_rings import polygon_rings
from geoirrig.records import ResultRaster, ResultTable
from geoirrig.report.cell_values import MOST_CELLS
from geoirrig.report.report_page import (
    Content,
    DrawnAs,
    MapSurface,
    PlaceLayer,
    ReportMap,
    ReportPage,
)
from geoirrig.units import UnitSystem
from geoirrig.workflows.compare_nozzles import CAUSES, ComparedSet, Comparison
from geoirrig.workflows.comparison_tables import set_totals
from geoirrig.workflows.reports.frame import command_page, hardscape_layer, pictures_of
from geoirrig.workflows.reports.parts import Told, in_order, report_table
from geoirrig.workflows.reports.places import LayerLook, left_off_note, place_layer
from geoirrig.workflows.run_record import RunRecord

_TURF, _ZONES, _HEADS = "turf", "served area of a zone", "heads"
_SET = "nozzle_set"  # column that says under which set a row is
_CHANGED = "heads with another nozzle or pressure"
_HOVERED = 6  # facts told on pointing
_MOST_CELLS_IN_ALL = 1_600_000  # of all sets
_MOST_PICTURES = 4
_NO_PART = 0.005  # of the saving: a smaller part in every set is left off the page
_WITH_CHANGES: tuple[Told, ...] = (
    ("du_lq", "du_lq_change"),
    ("mean_rate_mm_h", "mean_rate_change_mm_h"),
    ("runoff_l", "runoff_change_l"),
    ("overspray_l", "overspray_change_l"),
    ("run_minutes", "run_minutes_change"),
)
_WATER: Told = ("water_l", "water_change_l")
_WATER_YEAR: Told = ("water_m3_year", "water_change_m3_year")
_TURF_COLUMNS: tuple[Told, ...] = (
    "turf_id", _SET, *_WITH_CHANGES, _WATER_YEAR, ("cu", "cu_change"), "area_m2",
    "mean_slope_pct",
)  # fmt: skip
_ZONE_COLUMNS: tuple[Told, ...] = (
    "zone", _SET, *_WITH_CHANGES, _WATER, "saving_l", _WATER_YEAR, "saving_m3_year",
    ("flow_lpm", "flow_change_lpm"), "changed_head_count", "served_area_m2",
)  # fmt: skip
_TOTAL_COLUMNS: tuple[Told, ...] = (
    _SET, "changed_head_count", *_WITH_CHANGES, _WATER, "saving_l", _WATER_YEAR,
    "saving_m3_year",
)  # fmt: skip
_HEAD_COLUMNS = ("head_id", _SET, "zone", "nozzle", "flow_lpm", "radius_m", "pressure_kpa")
_CHANGE_COLUMNS = (
    "head_id", _SET, "zone", "old_nozzle", "new_nozzle", "old_flow_lpm", "new_flow_lpm",
    "old_radius_m", "new_radius_m",
)  # fmt: skip


def comparison_report(
    found: Comparison,
    told: Mapping[str, Any],
    tables: Sequence[ResultTable],
    record: RunRecord,
    folder: Path,
) -> ReportPage:
    """The page about a comparison of nozzle sets.

    Parameters
    ----------
    found : Comparison
        What was computed.
    told : mapping
        The summary of the run.
    tables : sequence of ResultTable
        Turf polygons, then zones, under every set.
    record : RunRecord
        What was run.
    folder : Path
        Folder with the pictures that were drawn.
    """
    units: UnitSystem = told["options"]["units"]
    turf, zones = tables
    heads = _heads(found)
    changed = in_order(heads, np.flatnonzero(heads.columns["is_changed"]))
    has_changes = len(changed.columns["head_id"]) > 0
    return command_page(
        record,
        units,
        title="Nozzle sets side by side",
        lead=told["finding"],
        site_map=_map(found, (turf, zones, heads, changed), units),
        content=(
            report_table(_totals(found), _TOTAL_COLUMNS, units=units,
                         caption="The whole site under each set; existing is the layout as it "
                         "stands"),
            *_parts_of_saving(found, units),
            *told["unchanged"],
            report_table(zones, _ZONE_COLUMNS, units=units, places=_ZONES,
                         caption="Zones under each set; a name leads to the map under that set"),
            report_table(turf, _TURF_COLUMNS, units=units, places=_TURF,
                         caption="Turf polygons under each set"),
            report_table(changed, _CHANGE_COLUMNS, units=units, places=_CHANGED,
                         caption="Heads that a set changes")
            if has_changes
            else None,
        ),
        pictures=_pictures(folder),
        method=(
            "Every set is held against the layout as it stands at equal need: the drier part of "
            "each zone gets the same net depth, and the clock is set anew. What a clock left "
            "unchanged saves is another figure and is never added to the saving.",
            "Colours show the highest rate that any one zone gives the spot. Runoff and overspray "
            "are those of one event of the same depth; time and water are at equal net depth.",
        ),
    )  # fmt: skip


def _pictures(folder: Path) -> tuple[Content, ...]:
    """The first pages of the picture, with a word on those that are left to the folder."""
    names = sorted(
        (path.name for path in folder.glob("comparison*.png")), key=lambda name: (len(name), name)
    )
    left = len(names) - _MOST_PICTURES
    shown = pictures_of(folder, names[:_MOST_PICTURES])
    return shown if left <= 0 else (*shown, f"Further pages are files of their own: {left}.")


def _totals(found: Comparison) -> ResultTable:
    each = [set_totals(found, one) for one in found.sets]
    return ResultTable(
        name="sets",
        columns={
            _SET: np.array([one.name for one in found.sets], dtype=object),
            **{name: np.array([totals[name] for totals in each]) for name in each[0]},
        },
        geometry=None,
    )


def _parts_of_saving(found: Comparison, units: UnitSystem) -> tuple[Content, ...]:
    """What makes the saving of each set, in volumes, with a sentence that explains them."""
    unit, period = ("m3_year", "a year") if found.has_year else ("l", "an event")
    table = in_order(_totals(found), np.arange(1, len(found.sets)))
    whole = np.abs(np.asarray(table.columns[f"saving_{unit}"], dtype=np.float64))
    parts = [
        name
        for name in (f"saving_by_{cause}_{unit}" for cause in CAUSES)
        if np.any(np.abs(table.columns[name]) > _NO_PART * np.maximum(whole, 1e-9))
    ]
    if not parts:
        return ()
    return (
        report_table(table, (_SET, f"saving_{unit}", *parts), units=units,
                     caption="What makes the saving of each set"),
        f"The parts are volumes of {period} at equal net depth, and add up to the saving; below 0, "
        "the set takes more water by that cause. They are not the differences of runoff and "
        "overspray above, which are those of one event of equal depth on the mean of the turf.",
    )  # fmt: skip


def _heads(found: Comparison) -> ResultTable:
    """Heads under every set, with what stands there today."""
    before = found.sets[0].layout
    zones = np.array(found.site.inputs.zone_plan.zone, dtype=object)
    place = np.asarray(shapely.points(before.x_m, before.y_m), dtype=object)

    def stacked(name: str) -> Any:
        return np.concatenate([getattr(one.layout, name) for one in found.sets])

    n_sets = len(found.sets)
    columns: dict[str, Any] = {
        _SET: np.repeat(
            np.array([one.name for one in found.sets], dtype=object), len(before.head_id)
        ),
        "head_id": stacked("head_id"),
        "zone": np.tile(zones[before.zone_index], n_sets),
        "is_changed": np.concatenate([one.is_changed for one in found.sets]),
    }
    for name in ("nozzle", "flow_lpm", "radius_m", "pressure_kpa"):
        columns[name] = columns[f"new_{name}"] = stacked(name)
        columns[f"old_{name}"] = np.tile(getattr(before, name), n_sets)
    return ResultTable(
        name=_HEADS,
        columns=columns,
        geometry=np.tile(place, n_sets),
        geometry_type="Point",
    )


# --- the map -------------------------------------------------------------------------------------


def _map(found: Comparison, tables: Sequence[ResultTable], units: UnitSystem) -> ReportMap:
    turf, zones, heads, changed = tables
    line, dashes = symbology.TURF_LINE_COLOUR, symbology.ZONE_LINE_COLOUR
    wanted: tuple[tuple[ResultTable, tuple[Told, ...], LayerLook], ...] = (
        (turf, _TURF_COLUMNS, _look(_TURF, "Turf {}", line)),
        (zones, _ZONE_COLUMNS, _look(_ZONES, "Zone {}", dashes)),
        (turf, _TURF_COLUMNS, _look("turf by its evenness", "Turf {}", line, "du_lq")),
        (zones, _ZONE_COLUMNS, _look("zones by their evenness", "Zone {}", line, "du_lq")),
        (heads, _HEAD_COLUMNS, _look(_HEADS, "Head {}", symbology.HEAD_COLOUR)),
        (changed, _CHANGE_COLUMNS, _look(_CHANGED, "Head {}", symbology.HEAD_FINDING_COLOUR)),
    )
    layers: list[PlaceLayer | None] = [
        hardscape_layer(found.site.inputs),
        *(
            place_layer(table, [told for told in columns if told != _SET], look, units=units)
            for table, columns, look in wanted
        ),
    ]
    return ReportMap(
        bounds_m=found.site.grid.bounds_m,
        metres_per_unit=found.site.inputs.plane.metres_per_unit,
        surfaces=tuple(_surface(found, one) for one in found.sets),
        layers=tuple(layer for layer in layers if layer is not None),
        variants=tuple(one.name for one in found.sets),
        variants_are="Nozzle set",
        note=" ".join((
            "All that is shown is of the nozzle set chosen. Point at turf, a zone or a head for "
            "what it is under that set; in brackets, the difference to the layout as it stands.",
            left_off_note({look.label: len(table.columns[_SET])
                           for table, _, look in wanted}),
        )).strip(),
    )  # fmt: skip


def _look(label: str, named: str, colour: str, classes: str = "") -> LayerLook:
    shapes: dict[str, DrawnAs] = {
        _TURF: "outline", _ZONES: "dashed_outline", _HEADS: "dot", _CHANGED: "ring",
    }  # fmt: skip
    return LayerLook(
        label=label,
        named=named,
        colour=colour,
        drawn_as=shapes.get(label, "area"),
        classes=classes,
        is_shown=label in (_TURF, _HEADS, _CHANGED),
        hovered=_HOVERED,
        variant_column=_SET,
    )


def _surface(found: Comparison, one: ComparedSet) -> MapSurface:
    """Rate under a set; turf that gets no water shows as dry, other dry ground stays clear."""
    grid, rate = one.measures.grid, one.measures.rate_mm_h
    turf = polygon_of_cells(polygon_rings(found.site.inputs.turf.geometry), grid)
    is_seen = (rate > 0.0) | (turf >= 0)
    return MapSurface(
        raster=ResultRaster(
            name="precipitation_rate_mm_h",
            description="",
            unit="mm/h",
            values=np.where(is_seen, rate, np.float32(np.nan)),
            nodata=math.nan,
        ),
        grid=grid,
        variant=one.name,
        most_cells=min(MOST_CELLS, _MOST_CELLS_IN_ALL // len(found.sets)),
    )
