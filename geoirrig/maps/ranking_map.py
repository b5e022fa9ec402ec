"""Where the worst slopes lie: each slope in the colour of what it sheds, with its rank."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.axes import Axes

from geoirrig import symbology
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.maps.map_furniture import LegendEntry, draw_legend
from geoirrig.maps.map_layers import HARDSCAPE_STYLE, TURF_STYLE, draw_areas
from geoirrig.maps.map_sheet import (
    PANEL_LEFT_PX,
    PANEL_TOP_PX,
    PANEL_WIDTH_PX,
    SheetText,
    about_map,
    draw_scale_and_north,
    map_axes,
    write_sheet_text,
)
from geoirrig.maps.page import INK, PLOT_SETTINGS, blank_page, save_page
from geoirrig.records import ResultTable, SiteInputs
from geoirrig.symbology import SCALES
from geoirrig.units import UnitSystem

MAP_NAME = "map_ranked_slopes.png"
_TITLE = "Which slopes to mend first"
_CAPTION = (
    "Colour: water that runs off the slope in one event as planned. Number: rank by that water, 1 "
    "is the worst; slopes that shed nothing have no number, small ones may have none for want of "
    "room. Heads, plan and soils as in the inputs."
)
_LABEL_APART_PX = 30.0


def draw_ranking_map(
    folder: Path,
    inputs: SiteInputs,
    grid: RasterGrid,
    ranked: ResultTable,
    *,
    finding: str,
    cautions: Sequence[str],
    units: UnitSystem,
) -> None:
    """Draw ``map_ranked_slopes.png``.

    Parameters
    ----------
    folder : Path
        Folder to write into.
    inputs : SiteInputs
        Hardscape, site name and CRS.
    grid : RasterGrid
        The extent of the map.
    ranked : ResultTable
        Slopes, worst first, with ``rank`` and ``runoff_l``.
    finding : str
        The ranking in a sentence.
    cautions : sequence of str
        What the reader ought to know.
    units : {"si", "us"}
        Unit system of legend and scale bar.
    """
    with mpl.rc_context(PLOT_SETTINGS):
        page = blank_page()
        axes, metres_per_pixel = map_axes(page, grid)
        entries = [LegendEntry(label="slope", patch=TURF_STYLE)]
        if inputs.hardscape is not None and len(inputs.hardscape.geometry):
            draw_areas(axes, inputs.hardscape.geometry, zorder=1, **HARDSCAPE_STYLE)
            entries.append(LegendEntry(label="hardscape", patch=HARDSCAPE_STYLE))
        _draw_slopes(axes, ranked, units)
        _draw_ranks(axes, ranked, metres_per_pixel)
        write_sheet_text(
            page,
            SheetText(
                title=_TITLE,
                caption=_CAPTION,
                finding=finding,
                cautions=cautions,
                about=about_map(inputs, grid, units),
            ),
        )
        draw_scale_and_north(page, metres_per_pixel=metres_per_pixel, units=units)
        draw_legend(
            page,
            SCALES["runoff_l"],
            entries,
            left_px=PANEL_LEFT_PX,
            top_px=PANEL_TOP_PX,
            width_px=PANEL_WIDTH_PX,
            units=units,
        )
        save_page(page, folder / MAP_NAME, title=_TITLE)


def _draw_slopes(axes: Axes, ranked: ResultTable, units: UnitSystem) -> None:
    scale, geometry = SCALES["runoff_l"], _geometry(ranked)
    runoff_l = np.asarray(ranked.columns["runoff_l"], dtype=np.float64)
    classes = scale.class_index(runoff_l, units)
    for number, colour in enumerate((*scale.colours, symbology.NO_VALUE_COLOUR)):
        own = geometry[classes == number]
        if len(own):
            draw_areas(axes, own, zorder=2, **{**TURF_STYLE, "facecolor": colour})


def _draw_ranks(axes: Axes, ranked: ResultTable, metres_per_pixel: float) -> None:
    """Number the slopes, the worst first, where a number has room."""
    apart_m = _LABEL_APART_PX * metres_per_pixel
    taken: list[tuple[float, float]] = []
    places = shapely.point_on_surface(_geometry(ranked))
    for rank, runoff_l, place in zip(
        ranked.columns["rank"], ranked.columns["runoff_l"], places, strict=True
    ):
        x_m, y_m = (math.nan, math.nan) if place.is_empty else (place.x, place.y)
        is_free = all(math.dist((x_m, y_m), other) >= apart_m for other in taken)
        if not runoff_l > 0.0 or math.isnan(x_m) or not is_free:
            continue
        taken.append((x_m, y_m))
        axes.text(
            x_m,
            y_m,
            str(rank),
            fontsize=8.5,
            weight="bold",
            color=INK,
            horizontalalignment="center",
            verticalalignment="center",
            clip_on=True,
            zorder=9,
            bbox={
                "boxstyle": "round,pad=0.25",
                "facecolor": "white",
                "edgecolor": INK,
                "linewidth": 0.5,
            },
        )


def _geometry(ranked: ResultTable) -> Any:
    return np.array([] if ranked.geometry is None else ranked.geometry, dtype=object)
