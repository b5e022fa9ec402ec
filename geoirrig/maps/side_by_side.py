"""Layouts side by side: a small map of each at one scale, numbers below it, and one legend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from geoirrig import symbology
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.maps.map_furniture import (
    LegendEntry,
    draw_legend,
    draw_north_arrow,
    draw_scale_bar,
)
from geoirrig.maps.map_layers import (
    HARDSCAPE_STYLE,
    TURF_STYLE,
    draw_added_heads,
    draw_areas,
    draw_heads,
    draw_raster,
)
from geoirrig.maps.map_sheet import (
    FRAME_FACE,
    FRAME_LINE,
    MAP_BOTTOM_PX,
    MAP_HEIGHT_PX,
    MAP_LEFT_PX,
    MAP_WIDTH_PX,
    PANEL_LEFT_PX,
    PANEL_TOP_PX,
    PANEL_WIDTH_PX,
)
from geoirrig.maps.page import (
    INK,
    PAGE_HEIGHT_PX,
    PAGE_WIDTH_PX,
    QUIET_INK,
    Page,
    line_height_px,
    shown_id,
    write_text,
)
from geoirrig.records import ResultRaster, SiteInputs, SprinklerLayout
from geoirrig.symbology import SCALES
from geoirrig.units import PERCENT, UnitSystem

_RATE = "precipitation_rate_mm_h"
_GAP_PX, _NAME_PX, _SIZE_PT = 18.0, 30.0, 7.5
_EDGE_PX = 8.0  # free around the site in its frame


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberLine:
    """A line below a map: what is counted, and a text for each column of numbers."""

    label: str
    numbers: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutPanel:
    """One layout as it is drawn.

    Attributes
    ----------
    name : str
        Stands above the map.
    grid : RasterGrid
        Of the map.
    rate_mm_h : ndarray, shape (n_rows, n_cols)
        Rate of each cell's main zone. [mm/h]
    layout : SprinklerLayout
        Its heads.
    changed, added : ndarray of bool, shape (n_heads,)
        Heads that are not what stands today, and heads that are not there today.
    lines : sequence of NumberLine
        What is written below the map.
    """

    name: str
    grid: RasterGrid
    rate_mm_h: NDArray[np.float32]
    layout: SprinklerLayout
    changed: NDArray[np.bool_]
    added: NDArray[np.bool_]
    lines: Sequence[NumberLine]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """Where a panel lies on the page, in pixels from the lower left."""

    left: float
    top: float
    width: float
    height: float


def draw_side_by_side(
    page: Page,
    inputs: SiteInputs,
    panels: Sequence[LayoutPanel],
    *,
    columns_at: Sequence[float],
    changed_label: str,
    units: UnitSystem,
) -> None:
    """Draw the panels of one page, with scale bar, north arrow and legend.

    Parameters
    ----------
    page : Page
        Where to draw.
    inputs : SiteInputs
        Turf and hardscape.
    panels : sequence of LayoutPanel
        In reading order; the grid of the first one sets the scale of all.
    columns_at : sequence of float
        Right ends of the columns of numbers, as shares of the panel's width.
    changed_label : str
        What the legend says of changed heads.
    units : {"si", "us"}
        Unit system of legend and scale bar.
    """
    strip_px = max(len(panel.lines) for panel in panels) * line_height_px(_SIZE_PT) + 8.0
    frames = _frames(len(panels), panels[0].grid, strip_px)
    metres_per_pixel = _metres_per_pixel(frames[0], panels[0].grid)
    for panel, frame in zip(panels, frames, strict=True):
        write_text(
            page,
            frame.left,
            frame.top + _NAME_PX - 2.0,
            shown_id(panel.name, longest=max(12, int(frame.width / 14.0))),
            size_pt=10.0,
            weight="bold",
        )
        axes = _panel_axes(page, frame, panel.grid, metres_per_pixel)
        _draw_map(axes, inputs, panel, metres_per_pixel, units)
        _write_numbers(page, frame, panel.lines, columns_at)
    draw_scale_bar(
        page,
        left_px=PANEL_LEFT_PX + 8.0,
        bottom_px=MAP_BOTTOM_PX + 14.0,
        metres_per_pixel=metres_per_pixel,
        longest_px=min(260.0, frames[0].width),
        units=units,
    )
    draw_north_arrow(page, centre_px=PAGE_WIDTH_PX - 84.0, top_px=PAGE_HEIGHT_PX - 34.0)
    draw_legend(
        page,
        SCALES[_RATE],
        _legend_entries(inputs, panels, changed_label),
        left_px=PANEL_LEFT_PX,
        top_px=PANEL_TOP_PX,
        width_px=PANEL_WIDTH_PX,
        units=units,
    )


def _frames(count: int, grid: RasterGrid, strip_px: float) -> list[_Frame]:
    """Places of the maps, in as many columns as make them largest."""
    left_m, bottom_m, right_m, top_m = grid.bounds_m

    def placed(cols: int) -> list[_Frame]:
        n_rows = math.ceil(count / cols)
        width = (MAP_WIDTH_PX - _GAP_PX * (cols - 1)) / cols
        slot = (MAP_HEIGHT_PX - _GAP_PX * (n_rows - 1)) / n_rows
        height = slot - _NAME_PX - strip_px
        # no taller than the site at that width, so that the numbers stand right below it
        height = min(height, (width - 2 * _EDGE_PX) * (top_m - bottom_m) / (right_m - left_m) + 16)
        return [
            _Frame(
                left=MAP_LEFT_PX + (number % cols) * (width + _GAP_PX),
                top=MAP_BOTTOM_PX
                + MAP_HEIGHT_PX
                - _NAME_PX
                - (number // cols) * (height + _NAME_PX + strip_px + _GAP_PX),
                width=width,
                height=height,
            )
            for number in range(count)
        ]

    choices = [placed(cols) for cols in range(1, count + 1)]
    usable = [c for c in choices if c[0].height > 60.0 and c[0].width > 220.0] or choices
    return min(usable, key=lambda frames: _metres_per_pixel(frames[0], grid))


def _metres_per_pixel(frame: _Frame, grid: RasterGrid) -> float:
    left_m, bottom_m, right_m, top_m = grid.bounds_m
    return max(
        (right_m - left_m) / max(frame.width - 2.0 * _EDGE_PX, 1.0),
        (top_m - bottom_m) / max(frame.height - 2.0 * _EDGE_PX, 1.0),
    )


def _panel_axes(page: Page, frame: _Frame, grid: RasterGrid, metres_per_pixel: float) -> Axes:
    axes = page.figure.add_axes(
        (
            frame.left / PAGE_WIDTH_PX,
            (frame.top - frame.height) / PAGE_HEIGHT_PX,
            frame.width / PAGE_WIDTH_PX,
            frame.height / PAGE_HEIGHT_PX,
        ),
        facecolor=FRAME_FACE,
    )
    left_m, bottom_m, right_m, top_m = grid.bounds_m
    for middle, pixels, set_limits in (
        (0.5 * (left_m + right_m), frame.width, axes.set_xlim),
        (0.5 * (bottom_m + top_m), frame.height, axes.set_ylim),
    ):
        half_m = 0.5 * pixels * metres_per_pixel
        set_limits(middle - half_m, middle + half_m)
    axes.set_autoscale_on(False)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(color=FRAME_LINE, linewidth=0.8)
    return axes


def _draw_map(
    axes: Axes,
    inputs: SiteInputs,
    panel: LayoutPanel,
    metres_per_pixel: float,
    units: UnitSystem,
) -> None:
    limits = (*axes.get_xlim(), *axes.get_ylim())
    if inputs.hardscape is not None:
        draw_areas(axes, inputs.hardscape.geometry, zorder=1, **HARDSCAPE_STYLE)
    raster = ResultRaster(
        name=_RATE,
        description="",
        unit="mm/h",
        # dry ground off the turf stays clear; dry turf is outlined
        values=np.where(panel.rate_mm_h > 0.0, panel.rate_mm_h, np.float32(np.nan)),
        nodata=math.nan,
    )
    draw_areas(axes, inputs.turf.geometry, zorder=1.5, facecolor=symbology.DRY, edgecolor="none")
    draw_raster(axes, raster, panel.grid, SCALES[_RATE], units)
    draw_areas(axes, inputs.turf.geometry, zorder=4, **{**TURF_STYLE, "linewidth": 0.6})
    draw_heads(axes, panel.layout, metres_per_pixel=metres_per_pixel, marked=panel.changed)
    draw_added_heads(axes, panel.layout, metres_per_pixel=metres_per_pixel, added=panel.added)
    axes.set_xlim(limits[0], limits[1])
    axes.set_ylim(limits[2], limits[3])


def _legend_entries(
    inputs: SiteInputs, panels: Sequence[LayoutPanel], changed_label: str
) -> list[LegendEntry]:
    entries = [LegendEntry(label="turf", patch=TURF_STYLE)]
    if inputs.hardscape is not None and len(inputs.hardscape.geometry):
        entries.append(LegendEntry(label="hardscape", patch=HARDSCAPE_STYLE))
    entries.append(LegendEntry(label="head", marker="o", colour=symbology.HEAD_COLOUR))
    if any((panel.changed & ~panel.added).any() for panel in panels):
        colour = symbology.HEAD_FINDING_COLOUR
        entries.append(LegendEntry(label=changed_label, marker="o", colour=colour))
    if any(panel.added.any() for panel in panels):
        colour = symbology.HEAD_ADDED_COLOUR
        entries.append(LegendEntry(label="head to add", marker="P", colour=colour))
    return entries


# --- numbers -------------------------------------------------------------------------------------


def _write_numbers(
    page: Page, frame: _Frame, lines: Sequence[NumberLine], columns_at: Sequence[float]
) -> None:
    top = frame.top - frame.height - 6.0
    for line in lines:
        write_text(page, frame.left, top, line.label, size_pt=_SIZE_PT, color=QUIET_INK)
        for share, text in zip(columns_at, line.numbers, strict=True):
            if text:
                write_text(
                    page,
                    frame.left + share * frame.width,
                    top,
                    text,
                    size_pt=_SIZE_PT,
                    color=INK,
                    horizontalalignment="right",
                )
        top -= line_height_px(_SIZE_PT)


def share_of_before(before: float, change: float) -> str:
    """A difference in per cent of what is there, with its sign."""
    if not math.isfinite(change) or before == 0.0:
        return "–"
    return signed(PERCENT * change / before, " %")


def signed(value: float, unit: str, *, decimals: int = 1) -> str:
    """A number with its sign; one that rounds to nothing has none."""
    if not math.isfinite(value):
        return "–"
    if round(abs(value), decimals) == 0.0:
        return f"{0.0:.{decimals}f}{unit}"
    return f"{value:+.{decimals}f}{unit}".replace("-", "−")
