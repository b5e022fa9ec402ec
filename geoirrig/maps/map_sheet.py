"""The sheet that maps and charts share: a frame, text above and below it, scale and north."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from geoirrig import __version__
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.maps.map_furniture import draw_north_arrow, draw_scale_bar
from geoirrig.maps.page import (
    PAGE_HEIGHT_PX,
    PAGE_WIDTH_PX,
    QUIET_INK,
    Page,
    shown_id,
    write_paragraph,
    write_text,
)
from geoirrig.records import SiteInputs
from geoirrig.units import UNITS, UnitSystem, in_unit_system, unit_of_column

MARGIN_PX = 40.0
MAP_LEFT_PX, MAP_BOTTOM_PX = 40.0, 196.0
MAP_WIDTH_PX, MAP_HEIGHT_PX = 1150.0, 808.0
PANEL_LEFT_PX = 1222.0
PANEL_TOP_PX = MAP_BOTTOM_PX + MAP_HEIGHT_PX - 34.0
PANEL_WIDTH_PX = PAGE_WIDTH_PX - PANEL_LEFT_PX - 24.0
FRAME_FACE, FRAME_LINE = "#fbfaf7", "#9aa1a3"
_SCALE_STRIP_PX = 58.0  # kept free at the foot of the map for the scale bar
_FREE_EDGE_PX = 18.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetText:
    """What is written above and below the frame."""

    title: str
    caption: str
    finding: str
    cautions: Sequence[str]
    about: Sequence[str]  # what the picture is of, in the last line


def map_axes(page: Page, grid: RasterGrid) -> tuple[Axes, float]:
    """Axes that show the whole grid at one scale, and that scale in metres per pixel."""
    axes = page.figure.add_axes(
        (
            MAP_LEFT_PX / PAGE_WIDTH_PX,
            MAP_BOTTOM_PX / PAGE_HEIGHT_PX,
            MAP_WIDTH_PX / PAGE_WIDTH_PX,
            MAP_HEIGHT_PX / PAGE_HEIGHT_PX,
        ),
        facecolor=FRAME_FACE,
    )
    left_m, bottom_m, right_m, top_m = grid.bounds_m
    metres_per_pixel = max(
        (right_m - left_m) / (MAP_WIDTH_PX - 2.0 * _FREE_EDGE_PX),
        (top_m - bottom_m) / (MAP_HEIGHT_PX - 2.0 * _FREE_EDGE_PX - _SCALE_STRIP_PX),
    )
    width_m, height_m = MAP_WIDTH_PX * metres_per_pixel, MAP_HEIGHT_PX * metres_per_pixel
    middle_x_m = 0.5 * (left_m + right_m)
    middle_y_m = 0.5 * (bottom_m + top_m) - 0.5 * _SCALE_STRIP_PX * metres_per_pixel
    axes.set_xlim(middle_x_m - 0.5 * width_m, middle_x_m + 0.5 * width_m)
    axes.set_ylim(middle_y_m - 0.5 * height_m, middle_y_m + 0.5 * height_m)
    axes.set_autoscale_on(False)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(color=FRAME_LINE, linewidth=0.8)
    return axes, metres_per_pixel


def write_sheet_text(page: Page, text: SheetText) -> None:
    """Write title and caption above the frame; finding, cautions and origin below it."""
    top = PAGE_HEIGHT_PX - 26.0
    write_text(page, MARGIN_PX, top, text.title, size_pt=16, weight="bold")
    write_paragraph(
        page,
        MARGIN_PX,
        top - 48.0,
        text.caption,
        width_px=PAGE_WIDTH_PX - 200.0,
        size_pt=8.0,
        color=QUIET_INK,
        at_most=2,
    )
    width = PAGE_WIDTH_PX - 2.0 * MARGIN_PX
    below = write_paragraph(
        page,
        MARGIN_PX,
        MAP_BOTTOM_PX - 14.0,
        text.finding,
        width_px=width,
        size_pt=9.5,
        weight="bold",
        at_most=2,
    )
    cautions = "Cautions: " + " ".join(text.cautions) if text.cautions else ""
    write_paragraph(page, MARGIN_PX, below - 6.0, cautions, width_px=width, size_pt=7.0, at_most=4)
    write_text(page, MARGIN_PX, 26.0, "  ·  ".join(text.about), size_pt=7.0, color=QUIET_INK)


def draw_scale_and_north(page: Page, *, metres_per_pixel: float, units: UnitSystem) -> None:
    """Draw the scale bar at the foot of the map and the north arrow in the corner of the page."""
    draw_scale_bar(
        page,
        left_px=MAP_LEFT_PX + 28.0,
        bottom_px=MAP_BOTTOM_PX + 14.0,
        metres_per_pixel=metres_per_pixel,
        longest_px=300.0,
        units=units,
    )
    draw_north_arrow(page, centre_px=PAGE_WIDTH_PX - 84.0, top_px=PAGE_HEIGHT_PX - MARGIN_PX + 6.0)


def about_chart(inputs: SiteInputs) -> list[str]:
    """Site file, where there is one, program and CRS: the last line of a chart."""
    site = [shown_id(file.name, longest=60) for file in inputs.files if file.role == "site"]
    return [*site[:1], f"geoirrig {__version__}", shown_id(inputs.plane.crs_name, longest=60)]


def about_map(inputs: SiteInputs, grid: RasterGrid, units: UnitSystem) -> list[str]:
    """The same and the size of the cells: the last line of a map."""
    *names, crs = about_chart(inputs)
    return [*names, f"cell {amount_text('cell_m', grid.cell_size_m, units)}", crs]


def amount_text(column: str, value: float, units: UnitSystem) -> str:
    """A quantity with its unit, to three figures."""
    name, converted = in_unit_system(column, [value], units)
    number = float(np.asarray(converted)[0])
    _, unit = unit_of_column(name)
    shown = f"{number:,.0f}" if abs(number) >= 100.0 else f"{number:.3g}"
    return f"{shown} {UNITS[unit.suffix].printed}" if unit else shown
