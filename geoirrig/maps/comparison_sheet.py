"""Nozzle sets side by side: a small map of each with one legend, and the numbers below it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
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
    SheetText,
    about_chart,
    amount_text,
    write_sheet_text,
)
from geoirrig.maps.page import (
    INK,
    PAGE_HEIGHT_PX,
    PAGE_WIDTH_PX,
    PLOT_SETTINGS,
    QUIET_INK,
    Page,
    blank_page,
    line_height_px,
    save_page,
    shown_id,
    write_text,
)
from geoirrig.records import ResultRaster, SiteInputs, SprinklerLayout
from geoirrig.symbology import SCALES
from geoirrig.units import LITRES_PER_M3, MINUTES_PER_HOUR, PERCENT, UnitSystem

SHEET_NAME = "comparison.png"
MOST_ON_A_PAGE = 4
_TITLE = "What other nozzles would do"
_CAPTION = (
    "Colour: highest rate that any one zone gives the spot. Below each map: means over the turf "
    "that zones serve, sums over all zones, and the difference to the nozzles that are there. "
    "Runoff and overspray of one event of the same depth; time and water at equal net depth."
)
_GAP_PX, _NAME_PX, _SIZE_PT = 18.0, 30.0, 7.5
_EDGE_PX = 8.0  # free around the site in its frame
_VALUE_AT, _CHANGE_AT = 0.74, 1.0  # right ends of the columns of numbers, of the panel's width


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonPanel:
    """One nozzle set as it is drawn.

    Attributes
    ----------
    name : str
        Of the set.
    grid : RasterGrid
        Of the small map.
    rate_mm_h : ndarray, shape (n_rows, n_cols)
        Rate of each cell's main zone. [mm/h]
    layout : SprinklerLayout
        Heads with the nozzles of the set.
    changed : ndarray of bool, shape (n_heads,)
        Heads with another nozzle, pressure, flow or radius.
    totals : mapping of str to float
        Columns of the whole site, as in the summary.
    """

    name: str
    grid: RasterGrid
    rate_mm_h: NDArray[np.float32]
    layout: SprinklerLayout
    changed: NDArray[np.bool_]
    totals: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """Where a panel lies on the page, in pixels from the lower left."""

    left: float
    top: float
    width: float
    height: float


def draw_comparison(
    folder: Path,
    inputs: SiteInputs,
    panels: Sequence[ComparisonPanel],
    *,
    finding: str,
    cautions: Sequence[str],
    units: UnitSystem,
) -> None:
    """Draw ``comparison.png``, and ``comparison_2.png`` and so on for more than four panels.

    Parameters
    ----------
    folder : Path
        Folder to write into.
    inputs : SiteInputs
        Turf, hardscape, site name and CRS.
    panels : sequence of ComparisonPanel
        The layout as it stands first; it comes first on every page.
    finding : str
        The answer in a sentence.
    cautions : sequence of str
        What the reader ought to know.
    units : {"si", "us"}
        Unit system of legend, scale bar and numbers.
    """
    text = SheetText(
        title=_TITLE,
        caption=_CAPTION,
        finding=finding,
        cautions=cautions,
        about=about_chart(inputs),
    )
    most = MOST_ON_A_PAGE - 1
    pages = [panels[1 + n : 1 + n + most] for n in range(0, max(1, len(panels) - 1), most)]
    with mpl.rc_context(PLOT_SETTINGS):
        for number, others in enumerate(pages, start=1):
            page = blank_page()
            _draw_page(page, inputs, (panels[0], *others), units)
            write_sheet_text(page, text)
            name = SHEET_NAME if number == 1 else SHEET_NAME.replace(".", f"_{number}.")
            save_page(page, folder / name, title=_TITLE)


def _draw_page(
    page: Page, inputs: SiteInputs, panels: Sequence[ComparisonPanel], units: UnitSystem
) -> None:
    rows = _rows(panels)
    strip_px = len(rows) * line_height_px(_SIZE_PT) + 8.0
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
        _write_numbers(page, frame, rows, panel, units, existing=panels[0])
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
        SCALES["precipitation_rate_mm_h"],
        _legend_entries(inputs, panels),
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
    panel: ComparisonPanel,
    metres_per_pixel: float,
    units: UnitSystem,
) -> None:
    limits = (*axes.get_xlim(), *axes.get_ylim())
    if inputs.hardscape is not None:
        draw_areas(axes, inputs.hardscape.geometry, zorder=1, **HARDSCAPE_STYLE)
    name = "precipitation_rate_mm_h"
    raster = ResultRaster(
        name=name,
        description="",
        unit="mm/h",
        # dry ground off the turf stays clear; dry turf is outlined
        values=np.where(panel.rate_mm_h > 0.0, panel.rate_mm_h, np.float32(np.nan)),
        nodata=math.nan,
    )
    draw_areas(axes, inputs.turf.geometry, zorder=1.5, facecolor=symbology.DRY, edgecolor="none")
    draw_raster(axes, raster, panel.grid, SCALES[name], units)
    draw_areas(axes, inputs.turf.geometry, zorder=4, **{**TURF_STYLE, "linewidth": 0.6})
    draw_heads(axes, panel.layout, metres_per_pixel=metres_per_pixel, marked=panel.changed)
    axes.set_xlim(limits[0], limits[1])
    axes.set_ylim(limits[2], limits[3])


def _legend_entries(inputs: SiteInputs, panels: Sequence[ComparisonPanel]) -> list[LegendEntry]:
    entries = [LegendEntry(label="turf", patch=TURF_STYLE)]
    if inputs.hardscape is not None and len(inputs.hardscape.geometry):
        entries.append(LegendEntry(label="hardscape", patch=HARDSCAPE_STYLE))
    entries.append(LegendEntry(label="head", marker="o", colour=symbology.HEAD_COLOUR))
    if any(panel.changed.any() for panel in panels):
        colour = symbology.HEAD_FINDING_COLOUR
        entries.append(
            LegendEntry(label="head with another nozzle or pressure", marker="o", colour=colour)
        )
    return entries


# --- numbers -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """A line of numbers: a total and its difference to the layout as it stands.

    A part of the saving has no total of its own, but a ``whole`` of which it is a share.
    """

    label: str
    change: str
    column: str = ""
    whole: str = ""
    is_share: bool = True  # the difference is printed in per cent of what is there


_ROWS = (
    _Row(label="DU, low quarter", column="du_lq", change="du_lq_change", is_share=False),
    _Row(label="Mean rate", column="mean_rate_mm_h", change="mean_rate_change_mm_h"),
    _Row(label="Runoff an event", column="runoff_l", change="runoff_change_l"),
    _Row(label="Overspray an event", column="overspray_l", change="overspray_change_l"),
    _Row(label="Time of all zones", column="run_minutes", change="run_minutes_change"),
)
_WATER = (
    _Row(label="Water a year", column="water_m3_year", change="water_change_m3_year"),
    _Row(label="Water an event", column="water_l", change="water_change_l"),
)


_CAUSES = {
    "pressure": "by pressure alone",
    "evenness": "by evenness",
    "overspray": "by landing on its turf",
    "runoff": "by less runoff",
    "need": "by another area served",
}
_WORTH_SHOWING = 0.0005  # of the water that is taken: what is not printed as 0.0 %


def _rows(panels: Sequence[ComparisonPanel]) -> tuple[_Row, ...]:
    """Lines of numbers; of the causes of the saving, those that matter in any panel."""
    existing = panels[0].totals
    has_year = math.isfinite(existing["water_m3_year"])
    water = _WATER[0] if has_year else _WATER[1]
    unit = "m3_year" if has_year else "l"
    least = _WORTH_SHOWING * existing[water.column]
    causes = [
        _Row(label=f"   {words}", change=column, whole=water.column)
        for column, words in ((f"saving_by_{cause}_{unit}", w) for cause, w in _CAUSES.items())
        if any(abs(panel.totals[column]) > least for panel in panels)
    ]
    return (*_ROWS, water, *causes)


def _write_numbers(
    page: Page,
    frame: _Frame,
    rows: Sequence[_Row],
    panel: ComparisonPanel,
    units: UnitSystem,
    *,
    existing: ComparisonPanel,
) -> None:
    top = frame.top - frame.height - 6.0
    for row in rows:
        if panel is existing and row.whole:
            continue
        texts = [(0.0, row.label, "left", QUIET_INK)]
        change = panel.totals[row.change]
        if row.whole:  # a part of the saving: less water, so the sign turns
            whole = existing.totals[row.whole]
            texts.append((_CHANGE_AT, _signed(-PERCENT * change / whole, " %"), "right", INK))
        else:
            value = panel.totals[row.column]
            texts.append((_VALUE_AT, _value_text(row, value, units), "right", INK))
            if panel is not existing:
                texts.append((_CHANGE_AT, _change_text(row, value, change), "right", INK))
        for share, text, side, colour in texts:
            write_text(
                page,
                frame.left + share * frame.width,
                top,
                text,
                size_pt=_SIZE_PT,
                color=colour,
                horizontalalignment=side,
            )
        top -= line_height_px(_SIZE_PT)


def _value_text(row: _Row, value: float, units: UnitSystem) -> str:
    if not math.isfinite(value):
        return "–"
    if row.column == "run_minutes":
        return f"{value / MINUTES_PER_HOUR:,.1f} h"
    if not row.is_share:
        return f"{value:.3f}"
    if row.column == "water_m3_year" and units == "us":  # not in thousands: the label says a year
        return amount_text("water_l", value * LITRES_PER_M3, units)
    return amount_text(row.column, value, units).removesuffix("/year")


def _change_text(row: _Row, value: float, change: float) -> str:
    """The difference with its sign: in per cent of what is there, or as it is."""
    before = value - change
    if not math.isfinite(change) or (row.is_share and before == 0.0):
        return "–"
    if row.is_share:
        return _signed(PERCENT * change / before, " %")
    return _signed(change, "", decimals=3)


def _signed(value: float, unit: str, *, decimals: int = 1) -> str:
    """A number with its sign; one that rounds to nothing has none."""
    if round(abs(value), decimals) == 0.0:
        return f"{0.0:.{decimals}f}{unit}"
    return f"{value:+.{decimals}f}{unit}".replace("-", "−")
