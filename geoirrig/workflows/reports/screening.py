"""The report of a screening: parcels by what the programme makes of them, and the first by rank."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig import symbology
from geoirrig.grid.point_location import polygon_of_cells
from geoirrig.grid.polygon_rings import polygon_rings
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.io.result_columns import column_unit
from geoirrig.maps.map_sheet import amount_text
from geoirrig.records import IntArray, ObjectArray, ResultRaster, ResultTable
from geoirrig.report.elements import json_for_page
from geoirrig.report.report_page import KeyFigure, MapSurface, ReportMap, ReportPage
from geoirrig.units import LITRES_PER_M3, UnitSystem
from geoirrig.workflows.reports.frame import command_page, framed_bounds, pictures_of
from geoirrig.workflows.reports.parts import (
    MOST_ROWS,
    Headings,
    in_order,
    records_table,
    report_table,
)
from geoirrig.workflows.reports.places import LayerLook, place_layer
from geoirrig.workflows.run_record import RunRecord

MOST_PARCELS_DRAWN = 10_000  # with their outlines; more are drawn as a picture below these
MOST_BYTES_DRAWN = 2_500_000  # of outlines, ids and reasons; so the page stays below 5 MB
_MOST_ROWS = 200  # of the table of parcels
_LONGEST_TEXT = 400  # letters of an id or a reason
_TEXT_COLUMNS = ("parcel_id", "reasons")
_BYTES_OF_FIGURES, _BYTES_OF_CORNER = 110, 10  # of a parcel beside its texts; measured
_MOST_CORNERS = 2000  # of an outline
_STEP_M = 0.1  # outlines are rounded to it, and simplified by it at most
_MOST_CELLS = 1_000_000  # of the picture
_PARCELS = "parcels"
_STATUS = "status_code"
_FAILED, _REFUSED, _ELIGIBLE, _FUNDED = range(len(symbology.STATUS_LABELS))
_TABLE_COLUMNS = (
    "parcel_id", "rank", "funded", "eligible", "head_count", "water_saved_m3_year",
    "runoff_avoided_m3_year", "cost", "rebate", "levelised_cost_per_m3",
    "levelised_cost_per_acre_foot", "benefit_cost_ratio", "payback_years", "reasons",
)  # fmt: skip
# Told on pointing first, as many as `_HOVERED`.
_PLACE_COLUMNS = (
    "parcel_id", _STATUS, "reasons", "rank", "water_saved_m3_year", "cost", "rebate",
    "levelised_cost_per_m3", "levelised_cost_per_acre_foot", "runoff_avoided_m3_year",
    "benefit_cost_ratio", "payback_years", "head_count",
)  # fmt: skip
_HOVERED = 6


def screening_report(
    told: Mapping[str, Any],
    parcels: ResultTable,
    record: RunRecord,
    folder: Path,
    *,
    metres_per_unit: float,
) -> ReportPage:
    """The page about a screening, below 5 MB whatever the size of the city.

    Parameters
    ----------
    told : mapping
        The summary of the run.
    parcels : ResultTable
        All parcels, with their outlines; None where a parcel has none.
    record : RunRecord
        What was run.
    folder : Path
        Folder with the pictures that were drawn.
    metres_per_unit : float
        Of the CRS of the run. [m]
    """
    units: UnitSystem = told["options"]["units"]
    order = _order(parcels)
    first = _with_short_texts(in_order(parcels, order[:MOST_PARCELS_DRAWN]))
    n_parcels = len(order)
    n_rows = min(n_parcels, _MOST_ROWS)
    headings = _headings(str(told["currency"])[:_LONGEST_TEXT], units)
    refused = [
        {"condition": condition, "count": count} for condition, count in told["refused_by"].items()
    ]
    page = command_page(
        record,
        units,
        title=f"Parcels under {told['programme']}",
        lead=told["finding"],
        site_map=_map(parcels, _drawn(first), units, headings, metres_per_unit),
        content=(
            told["funding_rule"],
            report_table(_with_all_reasons(in_order(first, np.arange(n_rows))), _TABLE_COLUMNS,
                         units=units, places=_PARCELS, headings=headings,
                         caption=_caption(n_rows, n_parcels)),
            records_table(refused, {"condition": "Condition", "count": "Parcels that it refuses"},
                          caption="Why parcels are not eligible")
            if refused
            else None,
            records_table(_short_records(told["failures"]),
                          {"parcel_id": "Parcel", "reason": "Reason"},
                          caption="Parcels that could not be worked", places=_PARCELS,
                          place_rows=_rows_of(told["failures"], parcels, order))
            if told["failures"]
            else None,
            records_table(_short_records(told["left_out"]),
                          {"item_id": "Id", "layer": "Layer", "reason": "Reason"},
                          caption="Heads and turf that belong to no parcel")
            if told["left_out"]
            else None,
        ),
        pictures=pictures_of(folder, ("screening.png",)),
        method=(
            "Each parcel is measured as if it were alone, in still air, on the soil that is stated "
            "for it, as it stands and after the change. Conditions are those of the programme's "
            "file; the terms of the local programme, its inspection and its approval decide.",
        ),
    )  # fmt: skip
    return replace(page, figures=_figures(told, parcels, units))


def _caption(n_rows: int, n_parcels: int) -> str:
    if n_rows < n_parcels:
        return f"The first {n_rows:,} of {n_parcels:,} parcels by rank"
    return f"All {n_parcels:,} parcels, by rank" if n_parcels > 1 else "The parcel"


def _headings(currency: str, units: UnitSystem) -> Headings:
    """Short headings with their units, and what they mean for a parcel."""
    per = "m³" if units == "si" else "acre-foot"
    volume = column_unit("water_saved_m3_year", units)
    levelised = (
        f"Levelised cost [{currency} per {per}]",
        "The cost, spread with interest over the life of the measure: a year's part of it over the "
        "water saved in a year.",
    )
    return {
        "rank": ("Rank", "1 is the parcel that the programme ranks first; only eligible ones have "
                 "a rank."),
        "water_saved_m3_year": (f"Water saved [{volume}]", "At equal need of the plants."),
        "runoff_avoided_m3_year": (f"Runoff avoided [{volume}]", "At equal need of the plants."),
        "cost": (f"Cost [{currency}]", "Of the whole change, labour included, to everybody."),
        "rebate": (f"Rebate [{currency}]", "What the programme pays if the parcel is funded."),
        "levelised_cost_per_m3": levelised,
        "levelised_cost_per_acre_foot": levelised,
        "benefit_cost_ratio": ("Benefit over cost", "Value of the water saved over the life of the "
                               "measure, with interest, over the cost."),
        "payback_years": ("Payback [years]", "Cost over the value of the water saved in a year, "
                          "without interest; – where it never comes, or nothing is changed."),
        "reasons": ("Reasons", "Why it is not eligible, with value and limit, or why not funded."),
    }  # fmt: skip


def _with_all_reasons(parcels: ResultTable) -> ResultTable:
    """Reasons of those too that are eligible and not funded."""
    is_beyond = np.asarray(parcels.columns[_STATUS], dtype=np.int64) == _ELIGIBLE
    reasons = np.where(is_beyond, "beyond the budget", parcels.columns["reasons"])
    return replace(parcels, columns={**parcels.columns, "reasons": reasons.astype(object)})


def _order(parcels: ResultTable) -> IntArray:
    """Rows as the page tells of them: by rank, then those that could not be worked, then others."""
    ranks = np.asarray(parcels.columns["rank"], dtype=np.float64)
    status = np.asarray(parcels.columns[_STATUS], dtype=np.int64)
    return np.lexsort((status, np.where(np.isnan(ranks), np.inf, ranks))).astype(np.int64)


def _with_short_texts(parcels: ResultTable) -> ResultTable:
    """Ids and reasons on a page are for reading."""
    short = {
        name: np.array([_short(str(text)) for text in parcels.columns[name]], dtype=object)
        for name in _TEXT_COLUMNS
    }
    return replace(parcels, columns={**parcels.columns, **short})


def _drawn(first: ResultTable) -> ResultTable:
    """As many of the first parcels as the map may hold, with simple outlines."""
    sizes = np.full(len(first.columns["parcel_id"]), _BYTES_OF_FIGURES)
    for name in _TEXT_COLUMNS:
        sizes = sizes + [
            len(json_for_page(text).encode("utf-8", "replace")) for text in first.columns[name]
        ]
    geometry = np.full(len(sizes), None, dtype=object)
    if first.geometry is not None:
        geometry = _simple_outlines(first.geometry)
    sizes = sizes + _BYTES_OF_CORNER * shapely.get_num_coordinates(geometry)
    n_drawn = int(np.searchsorted(np.cumsum(sizes), MOST_BYTES_DRAWN, side="right"))
    return in_order(replace(first, geometry=geometry), np.arange(n_drawn))


def _simple_outlines(geometry: ObjectArray) -> ObjectArray:
    """Outlines without what no one sees on a page; very long ones as their hull."""
    simple = np.asarray(shapely.simplify(geometry, _STEP_M), dtype=object)
    is_long = shapely.get_num_coordinates(simple) > _MOST_CORNERS
    simple[is_long] = shapely.simplify(shapely.convex_hull(simple[is_long]), _STEP_M)
    return simple


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]}…"


def _short_records(records: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Rows with short texts; those that a table leaves out stay as they are."""
    shown = [{key: _short(str(value)) for key, value in row.items()} for row in records[:MOST_ROWS]]
    return [*shown, *records[MOST_ROWS:]]


def _rows_of(failures: list[Mapping[str, Any]], parcels: ResultTable, order: IntArray) -> list[int]:
    """Place of the parcel of each failure in the order of the page."""
    places: dict[Any, int] = {}
    for place, parcel_id in enumerate(parcels.columns["parcel_id"][order].tolist()):
        places.setdefault(parcel_id, place)
    return [places.get(failure["parcel_id"], -1) for failure in failures]


def _figures(
    told: Mapping[str, Any], parcels: ResultTable, units: UnitSystem
) -> tuple[KeyFigure, ...]:
    status = np.asarray(parcels.columns[_STATUS], dtype=np.int64)
    is_funded = status == _FUNDED

    def funded(column: str) -> float:
        return float(np.nansum(np.asarray(parcels.columns[column], dtype=np.float64)[is_funded]))

    counts = (
        KeyFigure(
            label=symbology.STATUS_LABELS[code].capitalize(),
            value=f"{np.count_nonzero(status == code):,}",
        )
        for code in (_FAILED, _REFUSED, _ELIGIBLE, _FUNDED)
    )
    saved_m3 = funded("water_saved_m3_year")
    amounts = (
        amount_text("water_m3", saved_m3, "si"),
        amount_text("water_l", saved_m3 * LITRES_PER_M3, "us"),
    )
    own, other = amounts if units == "si" else amounts[::-1]
    return (
        *counts,
        KeyFigure(label="Water that they save a year", value=own, also=other),
        KeyFigure(
            label=f"Rebates for them [{told['currency'][:_LONGEST_TEXT]}]",
            value=f"{funded('rebate'):,.0f}",
        ),
    )


# --- the map -------------------------------------------------------------------------------------


def _map(
    parcels: ResultTable,
    drawn: ResultTable,
    units: UnitSystem,
    headings: Headings,
    metres_per_unit: float,
) -> ReportMap | None:
    geometry = parcels.geometry
    if geometry is None or shapely.is_missing(geometry).all():
        return None
    bounds = framed_bounds([geometry])
    look = LayerLook(
        label=_PARCELS, named="Parcel {}", colour=symbology.TURF_LINE_COLOUR, drawn_as="area",
        classes=_STATUS, hovered=_HOVERED, step_m=_STEP_M, most_places=MOST_PARCELS_DRAWN,
    )  # fmt: skip
    layer = place_layer(drawn, _PLACE_COLUMNS, look, units=units, headings=headings)
    n_parcels, n_drawn = len(geometry), len(drawn.columns["parcel_id"])
    note = "Point at a parcel for what the programme makes of it; press it for more."
    surfaces: tuple[MapSurface, ...] = ()
    if n_parcels > n_drawn:
        surfaces = (_picture(geometry, np.asarray(parcels.columns[_STATUS]), bounds),)
        note = (
            f"Of {n_parcels:,} parcels the first {n_drawn:,} are drawn with their outline and tell "
            "more when pointed at: those with a rank first, then those that could not be worked, "
            "then others. The rest is a picture of their status alone; all are in the GeoPackage."
        )
    return ReportMap(
        bounds_m=bounds,
        metres_per_unit=metres_per_unit,
        surfaces=surfaces,
        layers=() if layer is None else (layer,),
        note=note,
    )


def _picture(
    geometry: ObjectArray, status: NDArray[Any], bounds: tuple[float, float, float, float]
) -> MapSurface:
    """The status of all parcels, cell by cell."""
    west, south, east, north = bounds
    # whole multiples of the cell at the edges may add a row and a column
    cell_m = math.sqrt((east - west) * (north - south) / (0.99 * _MOST_CELLS))
    grid = RasterGrid.covering(west, south, east, north, cell_size_m=cell_m)
    codes = np.append(status.astype(np.float32), np.float32(np.nan))
    return MapSurface(
        raster=ResultRaster(
            name=_STATUS,
            description="",
            unit="1",
            values=codes[polygon_of_cells(polygon_rings(geometry), grid)],
            nodata=math.nan,
        ),
        grid=grid,
        most_cells=grid.n_rows * grid.n_cols,
    )
