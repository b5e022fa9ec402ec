"""The data of a page's map, as its script takes them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.report.cell_values import (
    MOST_CELLS_IN_ALL,
    class_picture,
    packed_values,
    thinned,
    thinning,
)
from geoirrig.report.report_page import MapSurface, Place, PlaceLayer, ReportMap
from geoirrig.symbology import SCALES, ClassScale
from geoirrig.units import PERCENT, UnitSystem

_WITH_EVERY_VARIANT = -1


def surface_names(site_map: ReportMap) -> tuple[str, ...]:
    """Quantities of the surfaces, each once: the choices of a reader."""
    return tuple(dict.fromkeys(surface.raster.name for surface in site_map.surfaces))


def place_numbers(site_map: ReportMap) -> dict[str, tuple[tuple[int, int] | None, ...]]:
    """Number of layer and place for every place, by label of the layer; None: not on the map."""
    return {
        layer.label: tuple(
            None if is_nowhere else (number, place)
            for place, is_nowhere in enumerate(
                shapely.is_missing(layer.geometry) | shapely.is_empty(layer.geometry)
            )
        )
        for number, layer in enumerate(site_map.layers)
    }


def map_data(site_map: ReportMap, units: UnitSystem) -> dict[str, Any]:
    """All that the script needs, in metres from the lower left corner of the map."""
    left_m, bottom_m, right_m, top_m = site_map.bounds_m
    variants = {name: number for number, name in enumerate(site_map.variants)}
    names = surface_names(site_map)
    share = MOST_CELLS_IN_ALL // max(1, len(site_map.surfaces))
    return {
        "units": "both" if site_map.has_both_scales else units,
        "origin_m": [left_m, bottom_m],
        "size_m": [right_m - left_m, top_m - bottom_m],
        "metres_per_unit": site_map.metres_per_unit,
        "axes": list(site_map.axes),
        "rasters": [
            {
                "choice": names.index(surface.raster.name),
                "variant": variants.get(surface.variant, _WITH_EVERY_VARIANT),
                "left_m": surface.grid.left_m - left_m,
                "top_m": surface.grid.top_m - bottom_m,
                **_surface_data(surface, share, units),
            }
            for surface in site_map.surfaces
        ],
        "layers": [_layer_data(layer, left_m, bottom_m, variants) for layer in site_map.layers],
    }


def _surface_data(surface: MapSurface, share: int, units: UnitSystem) -> dict[str, Any]:
    raster, grid = surface.raster, surface.grid
    scale = SCALES[raster.name]
    step = thinning(grid.n_rows, grid.n_cols, at_most=min(surface.most_cells, share))
    values = thinned(raster, step)
    factor = _shown_factor(scale)
    return {
        "title": scale.title,
        "unit": scale.printed_unit(units),
        "rows": values.shape[0],
        "cols": values.shape[1],
        "cell_m": step * grid.cell_size_m,
        "picture": class_picture(values, scale, units),
        # Classes that have words for a label are read off in words.
        "words": [
            {"over": factor * max(step.lower, -1e9), "upto": factor * min(step.upper, 1e9),
             "label": step.label}
            for step in scale.classes(units)
            if not any(letter.isdigit() for letter in step.label)
        ],
        **packed_values(factor * values, raster.name, units),
    }  # fmt: skip


def _shown_factor(scale: ClassScale) -> float:
    """Fractions whose legend is in percent are read off in percent."""
    return PERCENT if scale.unit == "%" and not scale.column.endswith("_pct") else 1.0


# --- places --------------------------------------------------------------------------------------


def _layer_data(
    layer: PlaceLayer, left_m: float, bottom_m: float, variants: dict[str, int]
) -> dict[str, Any]:
    """Column by column, since most columns hold few different texts."""
    local: NDArray[Any] = shapely.transform(
        layer.geometry, lambda xy: np.round((xy - [left_m, bottom_m]) / layer.step_m)
    )
    places = layer.places
    variant = [variants.get(place.variant, _WITH_EVERY_VARIANT) for place in places]
    return {
        "label": layer.label,
        "colour": layer.colour,
        "drawn_as": layer.drawn_as,
        "step_m": layer.step_m,
        "hovered": layer.hovered,
        "names": [place.name for place in places],
        "facts": [[title, _column(texts)] for title, texts in _facts(places).items()],
        "colours": _column([place.colour for place in places]),
        "variants": variant if any(number >= 0 for number in variant) else None,
        "at": [_coordinates(shape) for shape in local],
    }


def _facts(places: Sequence[Place]) -> dict[str, list[str]]:
    """Text of every place for each fact, in the order in which they are told; empty for none."""
    order: list[str] = []
    columns: dict[str, list[str]] = {}
    for number, place in enumerate(places):
        after = 0  # a fact that others lack stands where this place tells it
        for title, text in place.facts:
            if title not in columns:
                columns[title] = [""] * len(places)
                order.insert(after, title)
            columns[title][number] = text
            after = order.index(title) + 1
    return {title: columns[title] for title in order}


def _column(texts: Sequence[str]) -> dict[str, Any]:
    """Texts as they are, or each once with its number in every row where that is shorter."""
    once = list(dict.fromkeys(texts))
    if 2 * len(once) > len(texts):
        return {"texts": list(texts)}
    numbers = {text: number for number, text in enumerate(once)}
    return {"texts": once, "rows": [numbers[text] for text in texts]}


def _coordinates(shape: Any) -> list[Any]:
    """A point as x and y; areas as polygons of rings, in whole steps."""
    if shape is None or shape.is_empty:
        return []
    if isinstance(shape, shapely.Point):
        return [int(shape.x), int(shape.y)]
    return [
        [_ring(shapely.get_coordinates(ring)) for ring in _rings(polygon)]
        for polygon in shapely.get_parts(shape)
        if isinstance(polygon, shapely.Polygon)
    ]


def _rings(polygon: shapely.Polygon) -> list[Any]:
    return [polygon.exterior, *polygon.interiors] if not polygon.is_empty else []


def _ring(corners: NDArray[np.float64]) -> list[int]:
    """First corner, then the step from each corner to the next one that is elsewhere.

    The last, which closes the ring, is left out.
    """
    steps = np.diff(corners[:-1], axis=0, prepend=0.0).astype(np.int64)
    is_elsewhere: NDArray[np.bool_] = np.any(steps != 0, axis=1)
    is_elsewhere[:1] = True
    return [int(step) for step in steps[is_elsewhere].ravel()]
