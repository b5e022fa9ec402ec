"""What lies on a map: the raster in classes, areas, heads and their names."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch
from matplotlib.path import Path as DrawnPath
from numpy.typing import NDArray

from geoirrig import symbology
from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.maps.page import INK, shown_id
from geoirrig.records import ResultRaster, SprinklerLayout
from geoirrig.symbology import ClassScale
from geoirrig.units import FloatArray, UnitSystem

MOST_DRAWN_CELLS = 4_000_000
MOST_NAMED_HEADS = 60
DEVICE_MARKERS = {"fixed_spray": "o", "rotary_nozzle": "^", "rotor": "s", "": "D"}
HARDSCAPE_STYLE: dict[str, Any] = {"facecolor": symbology.HARDSCAPE_COLOUR, "edgecolor": "none"}
TURF_STYLE: dict[str, Any] = {
    "facecolor": "none",
    "edgecolor": symbology.TURF_LINE_COLOUR,
    "linewidth": 0.9,
}


def draw_raster(
    axes: Axes, raster: ResultRaster, grid: RasterGrid, scale: ClassScale, units: UnitSystem
) -> None:
    """Draw a raster in the colours of its classes; cells without a value stay clear."""
    step = max(1, math.ceil(math.sqrt(grid.n_rows * grid.n_cols / MOST_DRAWN_CELLS)))
    # The middle cell of every block stands for it.
    values = raster.values[step // 2 :: step, step // 2 :: step]
    colours = _class_colours(raster, values, scale, units)
    rows, cols = values.shape
    size = step * grid.cell_size_m
    axes.imshow(
        colours,
        extent=(
            grid.left_m,
            grid.left_m + cols * size,
            grid.top_m - rows * size,
            grid.top_m,
        ),
        interpolation="nearest",
        aspect="auto",  # the axes are laid out at one scale already
        zorder=2,
    )


def _class_colours(
    raster: ResultRaster, values: NDArray[Any], scale: ClassScale, units: UnitSystem
) -> NDArray[np.uint8]:
    """Red, green, blue and opacity of every cell."""
    index = scale.class_index(values, units)
    if not math.isnan(raster.nodata):
        index[values == raster.nodata] = len(scale.colours)
    table = np.zeros((len(scale.colours) + 1, 4), dtype=np.uint8)
    for number, colour in enumerate(scale.colours):
        table[number] = [*bytes.fromhex(colour[1:]), 255]
    return table[index]


def draw_areas(axes: Axes, geometry: Iterable[Any], **style: Any) -> None:
    """Draw polygons with their holes as one shape."""
    path = drawn_path(geometry)
    if np.size(path.vertices):
        axes.add_patch(PathPatch(path, **style))


def drawn_path(geometry: Iterable[Any]) -> DrawnPath:
    """One path of all rings, holes running against their outer ring."""
    parts = shapely.get_parts(shapely.get_parts(np.array(list(geometry), dtype=object)))
    polygons = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
    rings = shapely.get_rings(shapely.orient_polygons(polygons))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    codes = np.full(len(points), DrawnPath.LINETO, dtype=DrawnPath.code_type)
    starts = np.flatnonzero(np.diff(ring, prepend=-1))
    codes[starts] = DrawnPath.MOVETO
    codes[np.append(starts[1:], len(points))[: len(starts)] - 1] = DrawnPath.CLOSEPOLY
    return DrawnPath(points, codes)


def draw_heads(
    axes: Axes, layout: SprinklerLayout, *, metres_per_pixel: float, marked: NDArray[np.bool_]
) -> None:
    """Draw a small symbol per head, by device; ``marked`` heads in another colour, on top."""
    size_pt = marker_size_pt(layout, metres_per_pixel)
    for is_marked, colour in (
        (False, symbology.HEAD_COLOUR),
        (True, symbology.HEAD_FINDING_COLOUR),
    ):
        for device, marker in DEVICE_MARKERS.items():
            chosen = (layout.device == device) & (marked == is_marked)
            if not chosen.any():
                continue
            axes.plot(
                layout.x_m[chosen],
                layout.y_m[chosen],
                linestyle="none",
                marker=marker,
                markersize=size_pt,
                markerfacecolor=colour,
                markeredgecolor="white",
                markeredgewidth=min(0.7, 0.14 * size_pt),
                zorder=6 + is_marked,
                scalex=False,
                scaley=False,
            )


def draw_added_heads(
    axes: Axes, layout: SprinklerLayout, *, metres_per_pixel: float, added: NDArray[np.bool_]
) -> None:
    """Draw a cross on every head that is not there yet."""
    if added.any():
        axes.plot(
            layout.x_m[added],
            layout.y_m[added],
            linestyle="none",
            marker="P",
            markersize=1.8 * marker_size_pt(layout, metres_per_pixel),
            markerfacecolor=symbology.HEAD_ADDED_COLOUR,
            markeredgecolor="white",
            markeredgewidth=0.7,
            zorder=8,
            scalex=False,
            scaley=False,
        )


def marker_size_pt(layout: SprinklerLayout, metres_per_pixel: float) -> float:
    """Symbols shrink where heads stand close on the page."""
    spacing_px = typical_spacing_m(layout) / metres_per_pixel
    return float(np.clip(0.11 * spacing_px, 2.2, 6.0))


def typical_spacing_m(layout: SprinklerLayout) -> float:
    """Side, in metres, of the square that a head would have to itself, were they spread evenly."""
    if len(layout.x_m) < 2:
        return math.inf
    width, height = np.ptp(layout.x_m), np.ptp(layout.y_m)
    return math.sqrt(max(width * height, (width + height) ** 2 / 100.0) / len(layout.x_m))


def draw_names(
    axes: Axes, layout: SprinklerLayout, zones: tuple[str, ...], *, metres_per_pixel: float
) -> None:
    """Name the zones, and the heads too where there are few; names never lie on one another."""
    taken: list[tuple[float, float]] = []
    for number, zone in enumerate(zones):
        heads = np.flatnonzero(layout.zone_index == number)
        if not len(heads):
            continue
        place = _free_place(layout.x_m[heads], layout.y_m[heads], taken, 34.0 * metres_per_pixel)
        if place is None:
            continue
        taken.append(place)
        axes.text(
            place[0],
            place[1] - 20.0 * metres_per_pixel,  # below the symbol; heads' names stand above
            shown_id(zone, longest=16),
            fontsize=8.0,
            weight="bold",
            color=INK,
            horizontalalignment="center",
            verticalalignment="center",
            parse_math=False,
            clip_on=True,
            zorder=9,
            bbox={
                "boxstyle": "round,pad=0.2",
                "facecolor": "white",
                "edgecolor": INK,
                "linewidth": 0.5,
                "alpha": 0.85,
            },
        )
    if len(layout.head_id) <= MOST_NAMED_HEADS:
        _name_heads(axes, layout, metres_per_pixel)


def _free_place(
    x_m: FloatArray, y_m: FloatArray, taken: list[tuple[float, float]], apart_m: float
) -> tuple[float, float] | None:
    """The middle of a zone's heads, else the place of the head next to it that is still free."""
    middle = (float(x_m.mean()), float(y_m.mean()))
    order = np.argsort(np.hypot(x_m - middle[0], y_m - middle[1]), kind="stable")[:40]
    for place in (middle, *((float(x_m[head]), float(y_m[head])) for head in order)):
        if all(math.dist(place, other) >= apart_m for other in taken):
            return place
    return None


def _name_heads(axes: Axes, layout: SprinklerLayout, metres_per_pixel: float) -> None:
    for head_id, x_m, y_m in zip(layout.head_id, layout.x_m, layout.y_m, strict=True):
        axes.text(
            x_m + 9.0 * metres_per_pixel,
            y_m + 7.0 * metres_per_pixel,
            shown_id(head_id, longest=12),
            fontsize=6.0,
            color=INK,
            parse_math=False,
            clip_on=True,
            zorder=8,
            bbox={"pad": 0.5, "facecolor": "white", "edgecolor": "none", "alpha": 0.6},
        )
