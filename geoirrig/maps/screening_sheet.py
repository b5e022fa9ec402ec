"""Where the money goes: parcels by what the programme makes of them, and the cost of the water."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba_array
from numpy.typing import NDArray

from geoirrig import __version__
from geoirrig.city_records import PackedBytes, outline_rings
from geoirrig.grid.point_location import polygon_of_cells
from geoirrig.grid.polygon_rings import polygon_boxes
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.grid.ring_kernels import Rings
from geoirrig.maps.map_furniture import LegendEntry, draw_symbols
from geoirrig.maps.map_layers import draw_areas
from geoirrig.maps.map_sheet import (
    FRAME_FACE,
    FRAME_LINE,
    MAP_BOTTOM_PX,
    PANEL_LEFT_PX,
    PANEL_TOP_PX,
    PANEL_WIDTH_PX,
    SheetText,
    draw_scale_and_north,
    map_axes,
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
    save_page,
    shown_id,
    write_paragraph,
    write_text,
)
from geoirrig.symbology import STATUS_COLOURS, STATUS_LABELS, TURF_LINE_COLOUR
from geoirrig.units import CUBIC_METRES_PER_ACRE_FOOT, FloatArray, UnitSystem, in_unit_system

SHEET_NAME = "screening.png"
_TITLE = "Which parcels the programme funds"
_CAPTION = (
    "Map: parcels by what the programme makes of them. Curve: eligible parcels by the cost of a "
    "unit of water saved, cheapest first; its length is the water they save together."
)
_MOST_DRAWN = 3000  # more parcels are finer than the page: they are drawn as a raster
_MAP_PIXELS = 1600.0
_CURVE_HEIGHT_PX = 330.0
_CURVE_BELOW_PX = 76.0  # room for the heading and the note on steps that are cut
_FUNDED = 3
_DEAREST_SHOWN = 0.98  # share of the saving up to which the curve is shown: the rest is endless


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningText:
    """What the sheet says.

    Attributes
    ----------
    finding : str
        The answer in a sentence.
    cautions, about : sequence of str
        What the reader ought to know; what the picture is of.
    currency : str
        Of the costs.
    """

    finding: str
    cautions: Sequence[str]
    about: Sequence[str]
    currency: str


def draw_screening_sheet(
    folder: Path,
    outlines: PackedBytes,
    columns: Mapping[str, NDArray[Any]],
    text: ScreeningText,
    *,
    units: UnitSystem,
) -> None:
    """Draw ``screening.png``.

    Parameters
    ----------
    folder : Path
        Folder to write into.
    outlines : PackedBytes
        Outlines of the parcels in the working plane, as well-known binary; none is not drawn.
    columns : mapping of str to ndarray
        ``status_code``, ``levelised_cost_per_m3`` and ``water_saved_m3_year`` of every parcel.
    text : ScreeningText
        What the sheet says.
    units : {"si", "us"}
        Unit system of scale bar and curve.
    """
    status = np.asarray(columns["status_code"], dtype=np.int64)
    with mpl.rc_context(PLOT_SETTINGS):
        page = blank_page()
        metres_per_pixel = _draw_map(page, outlines, status)
        below = _draw_legend(page, status)
        _draw_cost_curve(page, below, columns, text.currency, units)
        write_sheet_text(
            page,
            SheetText(
                title=_TITLE,
                caption=_CAPTION,
                finding=text.finding,
                cautions=text.cautions,
                about=[*(shown_id(a, longest=60) for a in text.about), f"geoirrig {__version__}"],
            ),
        )
        draw_scale_and_north(page, metres_per_pixel=metres_per_pixel, units=units)
        save_page(page, folder / SHEET_NAME, title=_TITLE)


def _draw_map(page: Page, outlines: PackedBytes, status: NDArray[np.int64]) -> float:
    rings = outline_rings(outlines)
    box = polygon_boxes(rings)
    drawn = ~np.isnan(box[:, 0])
    west, south, east, north = 0.0, 0.0, 1.0, 1.0
    if drawn.any():
        west, south = np.min(box[drawn, :2], axis=0).tolist()
        east, north = np.max(box[drawn, 2:], axis=0).tolist()
    cell = max(east - west, north - south, 1.0) / _MAP_PIXELS
    grid = RasterGrid.covering(west, south, east, north, cell_size_m=cell)
    axes, metres_per_pixel = map_axes(page, grid)
    if np.count_nonzero(drawn) > _MOST_DRAWN:
        _draw_as_raster(axes, rings, status, grid)
        return metres_per_pixel
    geometry = np.asarray(shapely.from_wkb(outlines.of_all()), dtype=object)
    for code, colour in enumerate(STATUS_COLOURS):
        draw_areas(
            axes,
            geometry[drawn & (status == code)],
            facecolor=colour,
            edgecolor=TURF_LINE_COLOUR,
            linewidth=0.4,
            zorder=2,
        )
    return metres_per_pixel


def _draw_as_raster(axes: Axes, rings: Rings, status: NDArray[np.int64], grid: RasterGrid) -> None:
    # As bytes with opacity, as they are shown: in other kinds they are many times as large.
    colours = (255.0 * to_rgba_array([*STATUS_COLOURS, FRAME_FACE])).astype(np.uint8)
    of_parcel = colours[np.append(status, len(STATUS_COLOURS))]
    left, bottom, right, top = grid.bounds_m
    axes.imshow(
        of_parcel[polygon_of_cells(rings, grid)],
        extent=(left, right, bottom, top),
        interpolation="antialiased",
        aspect="auto",
        zorder=2,
    )


def _draw_legend(page: Page, status: NDArray[np.int64]) -> float:
    top = write_paragraph(
        page, PANEL_LEFT_PX, PANEL_TOP_PX, "Parcels", width_px=PANEL_WIDTH_PX, size_pt=9.5,
        weight="bold",
    )  # fmt: skip
    entries = [
        LegendEntry(
            label=f"{label}: {np.count_nonzero(status == code):,}",
            patch={"facecolor": STATUS_COLOURS[code], "edgecolor": TURF_LINE_COLOUR},
        )
        for code, label in reversed(tuple(enumerate(STATUS_LABELS)))
    ]
    return draw_symbols(
        page, entries, left_px=PANEL_LEFT_PX, top_px=top - 8.0, width_px=PANEL_WIDTH_PX
    )


def _draw_cost_curve(
    page: Page,
    top_px: float,
    columns: Mapping[str, NDArray[Any]],
    currency: str,
    units: UnitSystem,
) -> None:
    status = np.asarray(columns["status_code"], dtype=np.int64)
    cost = np.asarray(columns["levelised_cost_per_m3"], dtype=np.float64)
    saved = np.asarray(columns["water_saved_m3_year"], dtype=np.float64)
    rows = np.flatnonzero((status >= _FUNDED - 1) & np.isfinite(cost) & (saved > 0.0))
    if not len(rows):
        return
    rows = rows[np.argsort(cost[rows], kind="stable")]
    cost, saved, is_funded = cost[rows], saved[rows], status[rows] == _FUNDED
    if units == "us":
        cost = cost * CUBIC_METRES_PER_ACRE_FOOT
    _, converted = in_unit_system("water_saved_m3_year", saved, units)
    total = np.cumsum(np.asarray(converted, dtype=np.float64))
    write_text(
        page, PANEL_LEFT_PX, top_px - 26.0, "Cost of the water saved", size_pt=9.5, weight="bold"
    )
    bottom_px = max(MAP_BOTTOM_PX + 52.0, top_px - _CURVE_BELOW_PX - _CURVE_HEIGHT_PX)
    axes = page.figure.add_axes(
        (
            (PANEL_LEFT_PX + 50.0) / PAGE_WIDTH_PX,
            bottom_px / PAGE_HEIGHT_PX,
            (PANEL_WIDTH_PX - 56.0) / PAGE_WIDTH_PX,
            (top_px - _CURVE_BELOW_PX - bottom_px) / PAGE_HEIGHT_PX,
        ),
        facecolor=FRAME_FACE,
    )
    _draw_steps(axes, total, cost, is_funded)
    unit = "1000 US gal a year" if units == "us" else "m³ a year"
    per = "acre-foot" if units == "us" else "m³"
    axes.set_xlabel(f"Water saved [{unit}]", color=QUIET_INK, fontsize=8.0)
    axes.set_ylabel(f"Levelised cost [{shown_id(currency)} per {per}]", color=QUIET_INK, fontsize=8)


def _mark_cut_steps(axes: Axes, total: FloatArray, cost: FloatArray, highest: float) -> None:
    """Say which steps go on above the frame, and how far."""
    first = int(np.searchsorted(cost, highest, side="right"))
    count = len(cost) - first
    if not count:
        return
    left = 0.0 if first == 0 else total[first - 1]
    axes.plot(
        (left + total[-1]) / 2.0, highest, marker="^", markersize=5.0, color=INK, clip_on=False
    )
    dearest = f"{cost[-1]:,.2f}"
    axes.text(
        total[-1],
        1.025 * highest,
        f"1 parcel goes up to {dearest}" if count == 1 else f"{count:,} parcels go up to {dearest}",
        ha="right",
        va="bottom",
        color=QUIET_INK,
        fontsize=7.5,
    )


def _draw_steps(
    axes: Axes, total: FloatArray, cost: FloatArray, is_funded: NDArray[np.bool_]
) -> None:
    start = np.append(0.0, total[:-1])
    x = np.column_stack([start, total]).ravel()
    y = np.repeat(cost, 2)
    axes.fill_between(x, y, color=STATUS_COLOURS[2], linewidth=0.0)
    axes.fill_between(
        x, y, where=np.repeat(is_funded, 2), color=STATUS_COLOURS[_FUNDED], linewidth=0.0
    )
    axes.plot(x, y, color=INK, linewidth=0.8)
    last = int(np.searchsorted(total, _DEAREST_SHOWN * total[-1]))
    axes.set_xlim(0.0, total[-1])
    highest = 1.15 * float(cost[min(last, len(cost) - 1)])
    axes.set_ylim(0.0, highest)
    _mark_cut_steps(axes, total, cost, highest)
    axes.locator_params(axis="x", nbins=3)
    axes.xaxis.set_major_formatter("{x:,.10g}")
    axes.yaxis.set_major_formatter("{x:,.10g}")
    axes.tick_params(colors=QUIET_INK, labelsize=7.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set(color=FRAME_LINE, linewidth=0.8)
