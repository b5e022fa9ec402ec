"""Map sheets of a site: a page for each zone, at a true scale, as one PDF."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.patches import Rectangle, Wedge

from geoirrig import __version__, symbology
from geoirrig.maps.map_furniture import LegendEntry, draw_legend, draw_north_arrow, draw_scale_bar
from geoirrig.maps.map_layers import (
    DEVICE_MARKERS,
    HARDSCAPE_STYLE,
    TURF_STYLE,
    draw_areas,
    draw_heads,
    draw_raster,
)
from geoirrig.maps.map_scale import PAGE_INCHES, PAGE_NAMES, MapScale, fitting_scale
from geoirrig.maps.map_sheet import FRAME_FACE, FRAME_LINE, amount_text
from geoirrig.maps.page import (
    INK,
    PIXELS_PER_INCH,
    PLOT_SETTINGS,
    QUIET_INK,
    Page,
    blank_page,
    boxes_for_missing_letters,
    line_height_px,
    shown_id,
    write_paragraph,
    write_text,
)
from geoirrig.records import SiteAnalysis, SiteInputs
from geoirrig.symbology import SCALES
from geoirrig.units import FloatArray, UnitSystem

_MARGIN_PX, _PANEL_PX, _TITLE_PX = 56.0, 400.0, 74.0
_FREE_EDGE_PX, _SCALE_STRIP_PX = 24.0, 62.0
_RASTER = "precipitation_rate_mm_h"
_MARK_SIZE_PT = 7.0
_FINDING_LINES, _FINDING_GAP_PX = 3, 5.0  # lines of a finding where there are many; gap below it


def draw_zone_sheets(
    path: Path, inputs: SiteInputs, analysis: SiteAnalysis, *, units: UnitSystem
) -> None:
    """Draw one page for each zone that has heads, in running order.

    Parameters
    ----------
    path : Path
        PDF to write.
    inputs : SiteInputs
        Turf, hardscape and heads, in the working plane.
    analysis : SiteAnalysis
        Precipitation rate, zones and findings.
    units : {"si", "us"}
        ``"us"`` gives Letter pages and scales of feet to an inch, ``"si"`` A4 and round ratios.
    """
    zones = [
        number
        for number in range(len(inputs.zone_plan.zone))
        if np.any(inputs.layout.zone_index == number)
    ]
    settings = {**PLOT_SETTINGS, "pdf.fonttype": 42}  # text as text, that can be searched
    # Without a date, so that the same inputs give the same file.
    about = {"Title": "Map sheets", "Creator": f"geoirrig {__version__}", "CreationDate": None}
    with (
        mpl.rc_context(settings),
        boxes_for_missing_letters(),
        PdfPages(path, metadata=about) as document,
    ):
        for number, zone in enumerate(zones, start=1):
            sheet = _Sheet(
                zone=zone, name=inputs.zone_plan.zone[zone], number=f"{number} of {len(zones)}"
            )
            page = _zone_page(sheet, inputs, analysis, units)
            document.savefig(page.figure, facecolor="white")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """Which zone a page is of."""

    zone: int
    name: str
    number: str


def _zone_page(
    sheet: _Sheet, inputs: SiteInputs, analysis: SiteAnalysis, units: UnitSystem
) -> Page:
    width_px, height_px = (inches * PIXELS_PER_INCH for inches in PAGE_INCHES[units])
    page = blank_page(width_px, height_px)
    frame = (
        _MARGIN_PX,
        _MARGIN_PX,
        width_px - 2.0 * _MARGIN_PX - _PANEL_PX,
        height_px - 2.0 * _MARGIN_PX - _TITLE_PX,
    )
    bounds = _zone_bounds(sheet, inputs, analysis)
    scale = fitting_scale(
        bounds[2] - bounds[0],
        bounds[3] - bounds[1],
        frame_px=(frame[2] - 2 * _FREE_EDGE_PX, frame[3] - 2 * _FREE_EDGE_PX - _SCALE_STRIP_PX),
        units=units,
    )
    axes = _framed_axes(page, frame, (width_px, height_px), bounds, scale)
    _draw_ground(axes, sheet, inputs, analysis, units=units, scale=scale)
    _mark_findings(axes, sheet, analysis)
    draw_scale_bar(
        page, left_px=frame[0] + 30.0, bottom_px=frame[1] + 16.0, units=units,
        metres_per_pixel=scale.metres_per_pixel, longest_px=320.0,
    )  # fmt: skip
    top_px = height_px - _MARGIN_PX
    draw_north_arrow(page, centre_px=width_px - _MARGIN_PX - 40.0, top_px=top_px + 10.0)
    write_text(page, _MARGIN_PX, top_px, f"Zone {shown_id(sheet.name, longest=40)}",
               size_pt=17, weight="bold")  # fmt: skip
    write_text(page, _MARGIN_PX, top_px - 40.0, _zone_facts(sheet, analysis, units), size_pt=9)
    panel_left = frame[0] + frame[2] + 26.0
    top = draw_legend(
        page, SCALES[_RASTER], _legend_entries(sheet, inputs, analysis),
        left_px=panel_left, top_px=frame[1] + frame[3] - 30.0, width_px=_PANEL_PX - 26.0,
        units=units,
    )  # fmt: skip
    title_top = _draw_title_block(page, sheet, inputs, scale, left_px=panel_left, units=units)
    _list_findings(page, sheet, analysis, left_px=panel_left, top_px=top - 12.0,
                   bottom_px=title_top + 14.0)  # fmt: skip
    return page


# --- the map -------------------------------------------------------------------------------------


def _zone_bounds(
    sheet: _Sheet, inputs: SiteInputs, analysis: SiteAnalysis
) -> tuple[float, float, float, float]:
    """West, south, east and north of the zone: its heads, their throw, and the turf it serves."""
    layout = inputs.layout
    own = layout.zone_index == sheet.zone
    # half a throw on: all of it would be mostly other zones' ground where heads throw inwards
    reach = 0.5 * layout.radius_m[own]
    west, east = float(np.min(layout.x_m[own] - reach)), float(np.max(layout.x_m[own] + reach))
    south, north = float(np.min(layout.y_m[own] - reach)), float(np.max(layout.y_m[own] + reach))
    served = analysis.table("zone_results").geometry
    if served is not None and not shapely.is_empty(served[sheet.zone]):
        box = shapely.bounds(served[sheet.zone])
        west, south = min(west, float(box[0])), min(south, float(box[1]))
        east, north = max(east, float(box[2])), max(north, float(box[3]))
    return west, south, east, north


def _framed_axes(
    page: Page,
    frame: tuple[float, float, float, float],
    size_px: tuple[float, float],
    bounds: tuple[float, float, float, float],
    scale: MapScale,
) -> Axes:
    left, bottom, width, height = frame
    axes = page.figure.add_axes(
        (left / size_px[0], bottom / size_px[1], width / size_px[0], height / size_px[1]),
        facecolor=FRAME_FACE,
    )
    metres = scale.metres_per_pixel
    middle_x_m = 0.5 * (bounds[0] + bounds[2])
    middle_y_m = 0.5 * (bounds[1] + bounds[3]) - 0.5 * _SCALE_STRIP_PX * metres
    axes.set_xlim(middle_x_m - 0.5 * width * metres, middle_x_m + 0.5 * width * metres)
    axes.set_ylim(middle_y_m - 0.5 * height * metres, middle_y_m + 0.5 * height * metres)
    axes.set_autoscale_on(False)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(color=FRAME_LINE, linewidth=0.8)
    return axes


def _draw_ground(
    axes: Axes,
    sheet: _Sheet,
    inputs: SiteInputs,
    analysis: SiteAnalysis,
    *,
    units: UnitSystem,
    scale: MapScale,
) -> None:
    limits = (*axes.get_xlim(), *axes.get_ylim())
    layout = inputs.layout
    if inputs.hardscape is not None:
        draw_areas(axes, inputs.hardscape.geometry, zorder=1, **HARDSCAPE_STYLE)
    draw_raster(axes, analysis.raster(_RASTER), analysis.grid, SCALES[_RASTER], units)
    draw_areas(axes, inputs.turf.geometry, zorder=4, **TURF_STYLE)
    own = layout.zone_index == sheet.zone
    for head in np.flatnonzero(own):
        axes.add_patch(_wetted_sector(inputs, int(head)))
    draw_heads(axes, layout, metres_per_pixel=scale.metres_per_pixel, marked=own)
    for head in np.flatnonzero(own):
        axes.annotate(
            shown_id(layout.head_id[head], longest=12),
            (layout.x_m[head], layout.y_m[head]),
            xytext=(4.0, 4.0),
            textcoords="offset points",
            fontsize=6.5,
            color=INK,
            parse_math=False,
            clip_on=True,
            annotation_clip=True,
            zorder=8,
            bbox={"pad": 0.6, "facecolor": "white", "edgecolor": "none", "alpha": 0.7},
        )
    axes.set_xlim(limits[0], limits[1])
    axes.set_ylim(limits[2], limits[3])


def _wetted_sector(inputs: SiteInputs, head: int) -> Wedge:
    """Outline of what a head wets; compass bearings turn into angles from east."""
    layout = inputs.layout
    start, arc = float(layout.start_bearing_deg[head]), float(layout.arc_deg[head])
    return Wedge(
        (float(layout.x_m[head]), float(layout.y_m[head])),
        float(layout.radius_m[head]),
        90.0 - start - arc,
        90.0 - start,
        fill=False,
        edgecolor=symbology.HEAD_FINDING_COLOUR,
        linewidth=0.7,
        zorder=5,
    )


def _own_findings(sheet: _Sheet, analysis: SiteAnalysis) -> list[int]:
    """Rows of the findings about the zone, the severest first."""
    zones = analysis.table("layout_findings").columns["zone"]
    return [row for row, zone in enumerate(zones) if zone == sheet.name]


def _mark_findings(axes: Axes, sheet: _Sheet, analysis: SiteAnalysis) -> None:
    table = analysis.table("layout_findings")
    places: FloatArray = shapely.get_coordinates(np.asarray(table.geometry))
    for row in _own_findings(sheet, analysis):
        axes.annotate(
            str(table.columns["finding_id"][row]),
            (places[row, 0], places[row, 1]),
            xytext=(0.0, -11.0),
            textcoords="offset points",
            fontsize=_MARK_SIZE_PT,
            weight="bold",
            color="white",
            horizontalalignment="center",
            verticalalignment="center",
            annotation_clip=True,
            zorder=9,
            bbox={
                "boxstyle": "circle,pad=0.25",
                "facecolor": symbology.SEVERITY_MARKS[0][1],
                "edgecolor": "white",
                "linewidth": 0.6,
            },
        )


# --- beside the map ------------------------------------------------------------------------------


def _zone_facts(sheet: _Sheet, analysis: SiteAnalysis, units: UnitSystem) -> str:
    columns = analysis.table("zone_results").columns
    told = [f"{int(columns['head_count'][sheet.zone])} heads"]
    for name, words in (
        ("flow_lpm", "{}"),
        ("served_area_m2", "serves {}"),
        ("mean_rate_mm_h", "mean rate {}"),
        ("du_lq", "uniformity (low quarter) {}"),
        ("run_minutes", "runs {} min an event"),
    ):
        value = float(columns[name][sheet.zone]) if name in columns else math.nan
        if math.isfinite(value):
            told.append(words.format(amount_text(name, value, units)))
    return "  ·  ".join(told)


def _legend_entries(sheet: _Sheet, inputs: SiteInputs, analysis: SiteAnalysis) -> list[LegendEntry]:
    entries = [LegendEntry(label="turf", patch=TURF_STYLE)]
    if inputs.hardscape is not None and len(inputs.hardscape.geometry):
        entries.append(LegendEntry(label="hardscape", patch=HARDSCAPE_STYLE))
    own = inputs.layout.zone_index == sheet.zone
    entries += [
        LegendEntry(
            label=f"{symbology.DEVICE_LABELS[device]} of this zone, with its throw",
            marker=marker,
            colour=symbology.HEAD_FINDING_COLOUR,
        )
        for device, marker in DEVICE_MARKERS.items()
        if device in set(inputs.layout.device[own])
    ]
    if not own.all():
        entries.append(
            LegendEntry(label="head of another zone", marker="o", colour=symbology.HEAD_COLOUR)
        )
    return entries


def _list_findings(
    page: Page,
    sheet: _Sheet,
    analysis: SiteAnalysis,
    *,
    left_px: float,
    top_px: float,
    bottom_px: float,
) -> None:
    """Write the findings as far as there is room, and how many are left."""
    columns = analysis.table("layout_findings").columns
    rows = _own_findings(sheet, analysis)
    width = _PANEL_PX - 26.0
    heading = "Findings" if rows else "No finding about this zone"
    write_text(page, left_px, top_px, heading, size_pt=9.5, weight="bold")
    top = top_px - 1.5 * line_height_px(8.0)
    each_px = (top - bottom_px) / max(1, len(rows)) - _FINDING_GAP_PX
    lines_each = max(_FINDING_LINES, int(each_px / line_height_px(7.5)))
    for count, row in enumerate(rows):
        text = f"{columns['finding_id'][row]}  ({columns['severity'][row]})  "
        text += str(columns["finding"][row])
        if top - (_FINDING_LINES + 1) * line_height_px(7.5) < bottom_px:
            write_text(page, left_px, top, f"{len(rows) - count} more in the table of findings.",
                       size_pt=7.5, color=QUIET_INK)  # fmt: skip
            return
        top = write_paragraph(
            page, left_px, top, text, width_px=width, size_pt=7.5, at_most=lines_each
        )
        top -= _FINDING_GAP_PX


def _draw_title_block(
    page: Page,
    sheet: _Sheet,
    inputs: SiteInputs,
    scale: MapScale,
    *,
    left_px: float,
    units: UnitSystem,
) -> float:
    """Draw the block in the lower right corner; return its top."""
    width, row_px = _PANEL_PX - 26.0, 27.0
    names = {file.role: file.name for file in inputs.files}
    site = next((file.sha256[:12] for file in inputs.files if file.role == "site"), "")
    rows = (
        ("Site", shown_id(names.get("site") or names.get("heads", ""), longest=38)),
        ("Sheet", f"{sheet.number}, zone {shown_id(sheet.name, longest=24)}"),
        ("Scale", scale.label),
        ("Print", f"{PAGE_NAMES[units]}, at actual size"),
        ("CRS", shown_id(inputs.plane.crs_name, longest=38)),
        ("Made by", f"geoirrig {__version__}" + (f", input {site}" if site else "")),
        ("Status", "computed; no licensed design"),
    )
    top_px = _MARGIN_PX + row_px * len(rows)
    for number, (name, value) in enumerate(rows):
        row_top = top_px - row_px * number
        page.sheet.add_patch(
            Rectangle((left_px, row_top - row_px), width, row_px, fill=False, edgecolor=FRAME_LINE,
                      linewidth=0.7)
        )  # fmt: skip
        write_text(page, left_px + 8.0, row_top - 6.0, name, size_pt=7.0, color=QUIET_INK)
        write_text(page, left_px + 74.0, row_top - 5.0, value, size_pt=7.5)
    return top_px
