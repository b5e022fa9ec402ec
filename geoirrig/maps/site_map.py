"""Pictures of a site that a designer can hand to a client."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.axes import Axes
from numpy.typing import NDArray

from geoirrig import symbology
from geoirrig.maps.map_furniture import LegendEntry, draw_legend
from geoirrig.maps.map_layers import (
    DEVICE_MARKERS,
    HARDSCAPE_STYLE,
    TURF_STYLE,
    draw_areas,
    draw_heads,
    draw_names,
    draw_raster,
)
from geoirrig.maps.map_sheet import (
    PANEL_LEFT_PX,
    PANEL_TOP_PX,
    PANEL_WIDTH_PX,
    SheetText,
    about_map,
    amount_text,
    draw_scale_and_north,
    map_axes,
    write_sheet_text,
)
from geoirrig.maps.page import PLOT_SETTINGS, blank_page, save_page, shown_id
from geoirrig.records import ResultTable, SiteAnalysis, SiteInputs
from geoirrig.symbology import SCALES
from geoirrig.units import UnitSystem

_AREA_STYLES: dict[str, dict[str, Any]] = {
    "hardscape": HARDSCAPE_STYLE,
    "turf": TURF_STYLE,
    "dry_spots": {
        "facecolor": "none",
        "edgecolor": symbology.DRY_SPOT_COLOUR,
        "linewidth": 1.2,
        "hatch": "////",
    },
    "overspray": {
        "facecolor": "none",
        "edgecolor": symbology.OVERSPRAY_COLOUR,
        "linewidth": 1.1,
        "hatch": r"\\\\",
    },
    # Drawn twice: a dark casing makes the line show on pale ground as well as on dark.
    "hotspot_casing": {"facecolor": "none", "edgecolor": symbology.HEAD_COLOUR, "linewidth": 2.6},
    "runoff_hotspots": {
        "facecolor": "none",
        "edgecolor": symbology.HOTSPOT_COLOUR,
        "linewidth": 1.4,
    },
}

# Destination of water over an edge: colour of its dot, and what the legend says.
_EDGE_COLOURS = {
    "hardscape": (symbology.HEAD_FINDING_COLOUR, "leaves onto hardscape"),
    "off site": (symbology.HOTSPOT_COLOUR, "leaves off the site"),
    "turf": (symbology.ZONE_LINE_COLOUR, "leaves onto other turf"),
}
_LARGEST_DOT_PT2, _SMALLEST_DOT_PT2 = 60.0, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _MapDesign:
    """What one of the pictures shows."""

    file_name: str
    title: str
    caption: str
    raster: str
    outlined: tuple[tuple[str, str], ...]  # result layer and its legend label
    shows_heads: bool = True
    marks_findings: bool = False
    shows_edge_runoff: bool = False
    findings: Callable[[SiteInputs, SiteAnalysis, UnitSystem], str]


def draw_maps(
    folder: Path, inputs: SiteInputs, analysis: SiteAnalysis, *, units: UnitSystem
) -> None:
    """Draw the maps of an analysis: precipitation, coverage, runoff risk, and run-on if followed.

    Parameters
    ----------
    folder : Path
        Folder to write into.
    inputs : SiteInputs
        Turf, hardscape and heads, in the working plane.
    analysis : SiteAnalysis
        Rasters, found places and cautions.
    units : {"si", "us"}
        Unit system of legends, scale bar and text.
    """
    with mpl.rc_context(PLOT_SETTINGS):
        drawn = {raster.name for raster in analysis.rasters}
        for design in (design for design in _MAPS if design.raster in drawn):
            page = blank_page()
            axes, metres_per_pixel = map_axes(page, analysis.grid)
            _draw_map(axes, design, inputs, analysis, units, metres_per_pixel)
            write_sheet_text(
                page,
                SheetText(
                    title=design.title,
                    caption=design.caption,
                    finding=design.findings(inputs, analysis, units),
                    cautions=analysis.cautions,
                    about=about_map(inputs, analysis.grid, units),
                ),
            )
            draw_scale_and_north(page, metres_per_pixel=metres_per_pixel, units=units)
            draw_legend(
                page,
                SCALES[design.raster],
                _legend_entries(design, inputs, analysis),
                left_px=PANEL_LEFT_PX,
                top_px=PANEL_TOP_PX,
                width_px=PANEL_WIDTH_PX,
                units=units,
            )
            save_page(page, folder / design.file_name, title=design.title)


# --- the map itself ------------------------------------------------------------------------------


def _draw_map(
    axes: Axes,
    design: _MapDesign,
    inputs: SiteInputs,
    analysis: SiteAnalysis,
    units: UnitSystem,
    metres_per_pixel: float,
) -> None:
    limits = (*axes.get_xlim(), *axes.get_ylim())
    if inputs.hardscape is not None:
        draw_areas(axes, inputs.hardscape.geometry, zorder=1, **_AREA_STYLES["hardscape"])
    raster = analysis.raster(design.raster)
    draw_raster(axes, raster, analysis.grid, SCALES[design.raster], units)
    draw_areas(axes, inputs.turf.geometry, zorder=4, **_AREA_STYLES["turf"])
    for layer, _ in design.outlined:
        places = analysis.table(layer).geometry
        if layer == "runoff_hotspots" and places is not None:
            draw_areas(axes, places, zorder=4.8, **_AREA_STYLES["hotspot_casing"])
        if places is not None:
            draw_areas(axes, places, zorder=5, **_AREA_STYLES[layer])
    if design.shows_heads:
        marked = _heads_with_finding(inputs, analysis)
        draw_heads(
            axes,
            inputs.layout,
            metres_per_pixel=metres_per_pixel,
            marked=marked if design.marks_findings else np.zeros_like(marked),
        )
        draw_names(axes, inputs.layout, inputs.zone_plan.zone, metres_per_pixel=metres_per_pixel)
    if design.shows_edge_runoff:
        _draw_edge_runoff(axes, analysis.table("edge_runoff"))
    axes.set_xlim(limits[0], limits[1])
    axes.set_ylim(limits[2], limits[3])


def _draw_edge_runoff(axes: Axes, edges: ResultTable) -> None:
    """A dot for each stretch of edge, its area as the litres, the largest undermost."""
    litres = np.asarray(edges.columns["leaving_l"], dtype=np.float64)
    places = shapely.get_coordinates(np.asarray(edges.geometry))
    reached = edges.columns["reaches"]
    area = _LARGEST_DOT_PT2 * litres / max(float(np.max(litres, initial=0.0)), 1e-9)
    for order, (destination, (colour, _)) in enumerate(_EDGE_COLOURS.items()):
        own = (reached == destination) & (area >= _SMALLEST_DOT_PT2)
        axes.scatter(
            places[own, 0],
            places[own, 1],
            s=area[own],
            c=colour,
            edgecolors="white",
            linewidths=0.5,
            zorder=6 + 0.1 * order,
        )


def _heads_with_finding(inputs: SiteInputs, analysis: SiteAnalysis) -> NDArray[np.bool_]:
    columns = analysis.table("head_results").columns
    found = {
        head_id
        for head_id, finding in zip(columns["head_id"], columns["finding"], strict=True)
        if finding
    }
    return np.array([head_id in found for head_id in inputs.layout.head_id], dtype=bool)


# --- beside the map ------------------------------------------------------------------------------


def _legend_entries(
    design: _MapDesign, inputs: SiteInputs, analysis: SiteAnalysis
) -> list[LegendEntry]:
    """Entries for what is on this map, and for nothing else."""
    entries = [
        LegendEntry(label=label, patch=_AREA_STYLES[layer])
        for layer, label in design.outlined
        if _row_count(analysis.table(layer))
    ]
    entries.append(LegendEntry(label="turf", patch=_AREA_STYLES["turf"]))
    if inputs.hardscape is not None and len(inputs.hardscape.geometry):
        entries.append(LegendEntry(label="hardscape", patch=_AREA_STYLES["hardscape"]))
    if design.shows_edge_runoff:
        reached = set(analysis.table("edge_runoff").columns["reaches"])
        entries += [
            LegendEntry(label=label, marker="o", colour=colour)
            for destination, (colour, label) in _EDGE_COLOURS.items()
            if destination in reached
        ]
    devices = set(inputs.layout.device) if design.shows_heads else set()
    entries += [
        LegendEntry(
            label=symbology.DEVICE_LABELS[device], marker=marker, colour=symbology.HEAD_COLOUR
        )
        for device, marker in DEVICE_MARKERS.items()
        if device in devices
    ]
    if design.marks_findings and _heads_with_finding(inputs, analysis).any():
        colour = symbology.HEAD_FINDING_COLOUR
        entries.append(LegendEntry(label="head with a finding", marker="o", colour=colour))
    return entries


# --- findings in a sentence ----------------------------------------------------------------------


def _row_count(table: ResultTable) -> int:
    return len(next(iter(table.columns.values()), ()))


def _counted(count: int, one: str, many: str) -> str:
    return f"{count:,} {one if count == 1 else many}" if count else f"no {many}"


def _total(table: ResultTable, column: str, units: UnitSystem) -> str:
    return amount_text(column, float(np.nansum(table.columns[column])), units)


def _precipitation_findings(inputs: SiteInputs, analysis: SiteAnalysis, units: UnitSystem) -> str:
    heads = _counted(len(inputs.layout.head_id), "head", "heads")
    zones = _counted(len(inputs.zone_plan.zone), "zone", "zones")
    rates = np.asarray(analysis.table("zone_results").columns["mean_rate_mm_h"], dtype=np.float64)
    rates = rates[np.isfinite(rates)]
    text = f"{heads} in {zones}."
    if len(rates):
        low, high = (amount_text("rate_mm_h", value, units) for value in (rates.min(), rates.max()))
        text += f" Mean rate of a zone: {low} to {high}." if low != high else f" Mean rate: {low}."
    return text


def _coverage_findings(inputs: SiteInputs, analysis: SiteAnalysis, units: UnitSystem) -> str:
    dry, spray = analysis.table("dry_spots"), analysis.table("overspray")
    dry_text = _counted(_row_count(dry), "dry spot", "dry spots")
    if _row_count(dry):
        dry_text += f" ({_total(dry, 'area_m2', units)} in all)"
    spray_text = _counted(_row_count(spray), "oversprayed place", "oversprayed places")
    if _row_count(spray):
        spray_text += f" ({_total(spray, 'overspray_l', units)} per event)"
    heads = int(_heads_with_finding(inputs, analysis).sum())
    head_text = _counted(heads, "head with a finding", "heads with a finding")
    return _sentence(f"{dry_text}; {spray_text}; {head_text}.")


def _runoff_findings(inputs: SiteInputs, analysis: SiteAnalysis, units: UnitSystem) -> str:
    hot, turf = analysis.table("runoff_hotspots"), analysis.table("turf_results")
    text = _counted(_row_count(hot), "runoff hotspot", "runoff hotspots")
    if _row_count(hot):
        area, volume = _total(hot, "area_m2", units), _total(hot, "runoff_l", units)
        text += f" ({area} in all, {volume} per event)"
    runoff_l = np.asarray(turf.columns["runoff_l"], dtype=np.float64)
    if np.any(runoff_l > 0.0):
        worst = int(np.nanargmax(runoff_l))
        name = shown_id(turf.columns["turf_id"][worst])
        volume = amount_text("runoff_l", float(runoff_l[worst]), units)
        text += f". Most runs off turf “{name}”: {volume} per event"
    return _sentence(f"{text}.")


def _run_on_findings(inputs: SiteInputs, analysis: SiteAnalysis, units: UnitSystem) -> str:
    edges, turf = analysis.table("edge_runoff"), analysis.table("turf_results").columns
    if not _row_count(edges):
        return "No water leaves the turf in the event as planned."
    leaving, paved, off_site = (
        amount_text(name, float(np.sum(turf[name])), units)
        for name in ("leaving_l", "to_hardscape_l", "off_site_l")
    )
    worst = int(np.argmax(turf["leaving_l"]))
    most = amount_text("leaving_l", float(turf["leaving_l"][worst]), units)
    return (
        f"{leaving} an event leave the turf: {paved} onto hardscape, {off_site} off the site. Most "
        f"leaves turf “{shown_id(turf['turf_id'][worst])}”: {most}."
    )


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:]


_MAPS = (
    _MapDesign(
        file_name="map_precipitation.png",
        title="How fast the heads put water down",
        caption="Colour: highest rate that any one zone gives the spot. Zones never run together, "
        "so rates of different zones are not added.",
        raster="precipitation_rate_mm_h",
        outlined=(),
        findings=_precipitation_findings,
    ),
    _MapDesign(
        file_name="map_coverage.png",
        title="How many heads reach each spot, and where water goes astray",
        caption="Colour: heads whose throw covers the spot, of the zone that gives it most water. "
        "A dry spot gets less than half of the mean depth of its zone.",
        raster="heads_reaching",
        outlined=(("dry_spots", "dry spot"), ("overspray", "overspray")),
        marks_findings=True,
        findings=_coverage_findings,
    ),
    _MapDesign(
        file_name="map_runoff_risk.png",
        title="Where turf is likely to shed water instead of taking it in",
        caption="Colour: in how many of 100 equally likely soils of the mapped texture some of the "
        "planned event runs off. Outlined: runs off in the event as planned.",
        raster="runoff_probability",
        outlined=(("runoff_hotspots", "runoff hotspot"),),
        findings=_runoff_findings,
    ),
    _MapDesign(
        file_name="map_run_on.png",
        title="Where the excess water runs, and where it leaves the turf",
        caption="Colour: water that reaches the spot from above in one event. Dots: water over the "
        "edge, the larger the more.",
        raster="run_on_depth_mm",
        outlined=(),
        shows_heads=False,
        shows_edge_runoff=True,
        findings=_run_on_findings,
    ),
)
