"""The report of results drawn back on a plan: what was drawn, and where on the plan it lies."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from geoirrig.io.result_columns import LAYER_TITLES
from geoirrig.records import InputFile, ResultTable
from geoirrig.report.report_page import (
    KeyFigure,
    PlaceLayer,
    ReportMap,
    ReportPage,
    ReportTable,
)
from geoirrig.units import METRES_PER_FOOT, UnitSystem
from geoirrig.wording import counted
from geoirrig.workflows.reports.analysis import RESULT_PLACES, told_in_order
from geoirrig.workflows.reports.commands import CHANGE_COLUMNS, CHANGE_LOOK
from geoirrig.workflows.reports.frame import HEAD_LOOK, filled_sections, framed_bounds
from geoirrig.workflows.reports.parts import number_column, origin, records_table, report_table
from geoirrig.workflows.reports.places import LayerLook, left_off_note, place_layer
from geoirrig.workflows.run_record import CAUTIONS

PLAN_CAUTION = (
    "A drawing is as good as the fit of the plan: look at its residuals before measuring."
)
_POSITION_STEP_M = 0.01  # positions on the plan are told to about that
# Result layer, what is told of a place, and how it is drawn; the lowest first.
_PLACES: tuple[tuple[str, Sequence[str], LayerLook], ...] = (
    *RESULT_PLACES,
    ("heads", ("head_id", "zone", "nozzle", "arc_deg", "start_bearing_deg"), HEAD_LOOK),
    ("changes", CHANGE_COLUMNS, CHANGE_LOOK),
)
REPORTED_LAYERS = tuple(name for name, _, _ in _PLACES)
_LISTED = ("changes", "layout_findings", "dry_spots", "overspray", "runoff_hotspots")
_METHOD = (
    "Results are laid on the plan by the inverse of the transform that laid the plan on the map. "
    "Bearings are turned with it. Coordinates in the tables and below the map are those of the "
    "plan, in its own unit; of an area, those of a place inside it.",
    "Areas are drawn as closed lines with their id, heads and findings as blocks with the columns "
    "as attributes, each layer of the results on a layer of its own. Turf is shown on this page "
    "alone: the plan has its own.",
)


def drawing_report(
    tables: Sequence[ResultTable],
    files: Sequence[InputFile],
    told: Mapping[str, Any],
    *,
    units: UnitSystem,
    crs_name: str,
) -> ReportPage:
    """The page about results that were drawn on a plan.

    Parameters
    ----------
    tables : sequence of ResultTable
        Layers of `REPORTED_LAYERS`, in SI, with geometry on the plan in metres.
    files : sequence of InputFile
        The results.
    told : mapping
        The summary of the run.
    units : {"si", "us"}
        Unit system of the page.
    crs_name : str
        CRS of the map that the plan was laid on.
    """
    metres = told["metres_per_plan_unit"]
    by_name = {table.name: told_in_order(table) for table in tables}
    names = {layer["layer"]: layer["count"] for layer in told["layers"]}
    n_results = sum(names.values())
    return ReportPage(
        title="Results on the plan: " + ", ".join(file.name for file in files),
        lead=f"{counted(n_results, 'result')} on {counted(len(names), 'layer')} of "
        "plan_results.dxf, "
        f"in the coordinates of the plan: one unit is {metres:.6g} m "
        f"({metres / METRES_PER_FOOT:.6g} ft).",
        units=units,
        figures=tuple(
            KeyFigure(label=look.label.capitalize(), value=f"{_count(by_name[name]):,}")
            for name, _, look in _listed()
            if name in by_name
        ),
        map=_map(by_name, units, metres),
        sections=filled_sections(
            (
                "What was found, and where on the plan",
                tuple(
                    _table(by_name[name], columns, look, units, metres)
                    for name, columns, look in _listed()
                    if name in by_name and _count(by_name[name])
                )
                or ("The results hold no finding and no change.",),
            ),
            (
                "Layers of the drawing",
                (
                    records_table(told["layers"],
                                  {"layer": "Layer of the plan", "count": "Results"},
                                  caption="Layers of plan_results.dxf"),
                ),
            ),
        ),
        method=_METHOD,
        provenance=replace(
            origin(files, told["options"], crs_name=crs_name),
            crs_is="CRS of the map that the plan was laid on",
        ),
        warnings=tuple(told["warnings"]),
        cautions=(PLAN_CAUTION, *CAUTIONS),
    )  # fmt: skip


def _count(table: ResultTable) -> int:
    return 0 if table.geometry is None else len(table.geometry)


def _listed() -> list[tuple[str, Sequence[str], LayerLook]]:
    """Layers that have a table, in the order of the page."""
    return sorted(
        (place for place in _PLACES if place[0] in _LISTED),
        key=lambda place: _LISTED.index(place[0]),
    )


def _table(
    table: ResultTable,
    columns: Sequence[str],
    look: LayerLook,
    units: UnitSystem,
    metres_per_plan_unit: float,
) -> ReportTable:
    """The first rows, with their place in the coordinates of the plan."""
    title, _ = LAYER_TITLES[table.name]
    told = report_table(table, columns, caption=title, units=units, places=look.label)
    n_rows = len(told.columns[0].texts)
    inside = shapely.point_on_surface(np.asarray(table.geometry)[:n_rows])
    decimals = max(0, math.ceil(math.log10(metres_per_plan_unit / _POSITION_STEP_M)))
    positions = (
        number_column(
            f"{axis} on the plan",
            coordinate(inside) / metres_per_plan_unit,
            decimals=decimals,
        )
        for axis, coordinate in (("x", shapely.get_x), ("y", shapely.get_y))
    )
    return replace(told, columns=(*told.columns, *positions))


def _map(
    tables: Mapping[str, ResultTable], units: UnitSystem, metres_per_plan_unit: float
) -> ReportMap:
    layers: list[PlaceLayer | None] = [
        place_layer(tables[name], columns, look, units=units)
        for name, columns, look in _PLACES
        if name in tables
    ]
    drawn = tuple(layer for layer in layers if layer is not None)
    return ReportMap(
        bounds_m=framed_bounds(layer.geometry for layer in drawn),
        metres_per_unit=metres_per_plan_unit,
        layers=drawn,
        axes=("x", "y"),
        has_both_scales=True,
        note=" ".join((
            "The map is turned as the plan is: up is the y axis of the plan, not north.",
            left_off_note({look.label: _count(tables[name])
                           for name, _, look in _PLACES if name in tables}),
        )).strip(),
    )  # fmt: skip
