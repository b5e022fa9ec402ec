"""The map of a page: the data that its script draws, and the switches beside it."""

from __future__ import annotations

from typing import Any
from xml.etree.ElementTree import Element

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.records import ResultRaster
from geoirrig.report.cell_values import class_picture, packed_values, thinned, thinning
from geoirrig.report.elements import element
from geoirrig.report.report_page import PlaceLayer, ReportMap
from geoirrig.symbology import SCALES, ClassScale
from geoirrig.units import PERCENT, UnitSystem

_COORDINATE_STEP_M = 0.01


def map_data(site_map: ReportMap, units: UnitSystem) -> dict[str, Any]:
    """All that the script needs, in metres from the lower left corner of the grid."""
    grid = site_map.grid
    left_m, bottom_m, right_m, top_m = grid.bounds_m
    step = thinning(grid.n_rows, grid.n_cols)
    return {
        "units": units,
        "origin_m": [left_m, bottom_m],
        "size_m": [right_m - left_m, top_m - bottom_m],
        "metres_per_unit": site_map.metres_per_unit,
        "cell_m": step * grid.cell_size_m,
        "rasters": [_raster_data(raster, step, units) for raster in site_map.rasters],
        "layers": [_layer_data(layer, left_m, bottom_m) for layer in site_map.layers],
    }


def _raster_data(raster: ResultRaster, step: int, units: UnitSystem) -> dict[str, Any]:
    scale = SCALES[raster.name]
    values = thinned(raster, step)
    factor = _shown_factor(scale)
    return {
        "title": scale.title,
        "unit": scale.printed_unit(units),
        "rows": values.shape[0],
        "cols": values.shape[1],
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


def _layer_data(layer: PlaceLayer, left_m: float, bottom_m: float) -> dict[str, Any]:
    local: NDArray[Any] = shapely.transform(
        layer.geometry, lambda xy: np.round((xy - [left_m, bottom_m]) / _COORDINATE_STEP_M)
    )
    return {
        "label": layer.label,
        "colour": layer.colour,
        "drawn_as": layer.drawn_as,
        "step_m": _COORDINATE_STEP_M,
        "places": [
            {
                "name": place.name,
                "facts": [list(fact) for fact in place.facts],
                "colour": place.colour,
                "at": _coordinates(shape),
            }
            for place, shape in zip(layer.places, local, strict=True)
        ],
    }


def _coordinates(shape: Any) -> list[Any]:
    """A point as x and y; areas as polygons of rings of points, in whole steps."""
    if isinstance(shape, shapely.Point):
        return [int(shape.x), int(shape.y)]
    return [
        [shapely.get_coordinates(ring).astype(int).tolist() for ring in _rings(polygon)]
        for polygon in shapely.get_parts(shape)
        if isinstance(polygon, shapely.Polygon)
    ]


def _rings(polygon: shapely.Polygon) -> list[Any]:
    return [polygon.exterior, *polygon.interiors] if not polygon.is_empty else []


# --- the switches and legends --------------------------------------------------------------------


def map_panel(site_map: ReportMap, units: UnitSystem) -> Element:
    """The map's own element, what is read off it, and the switches beside it."""
    classes = [layer.classes for layer in site_map.layers if layer.classes]
    names = [SCALES[raster.name].title for raster in site_map.rasters]
    return element(
        "div",
        element(
            "div",
            element(
                "div",
                id="map",
                role="application",
                tabindex="0",
                aria_label="Map of the site. Arrow keys move it, plus and minus change its scale. "
                "All that it shows stands in the tables below.",
            ),
            element("p", "Point at the map to read it off.", id="read-off"),
            element("noscript", "The map needs scripts; the pictures below show the same."),
            class_="map-side",
        ),
        element(
            "div",
            _switches("Colour", "raster", [*names, "no colour"], shown=[0]) if names else None,
            *(_legend(SCALES[r.name], number, units) for number, r in enumerate(site_map.rasters)),
            _switches(
                "Shown upon it",
                "layer",
                [layer.label for layer in site_map.layers],
                shown=[n for n, layer in enumerate(site_map.layers) if layer.is_shown],
                layers=site_map.layers,
            ),
            *(_legend(SCALES[name], None, units) for name in classes),
            element("p", site_map.note, class_="note") if site_map.note else None,
            class_="switches",
        ),
        class_="map-and-switches",
    )


def _switches(
    heading: str,
    kind: str,
    labels: list[str],
    *,
    shown: list[int],
    layers: tuple[PlaceLayer, ...] = (),
) -> Element:
    choices = [
        element(
            "label",
            element(
                "input",
                type="radio" if kind == "raster" else "checkbox",
                name=f"map-{kind}",
                value=str(number),
                checked=number in shown,
            ),
            _layer_swatch(layers[number]) if layers else None,
            element("span", label),
        )
        for number, label in enumerate(labels)
    ]
    return element("fieldset", element("legend", heading), *choices)


def _legend(scale: ClassScale, number: int | None, units: UnitSystem) -> Element:
    """Classes of the surface of that number, shown with it; of places, always."""
    steps = [
        element("li", _swatch(fill=step.colour, stroke="none"), element("span", step.label))
        for step in reversed(scale.classes(units))
    ]
    return element(
        "div",
        element("p", scale.heading(units)),
        element("ul", *steps),
        class_="legend",
        data_raster=None if number is None else str(number),
        hidden=number is not None and number > 0,
    )


def _layer_swatch(layer: PlaceLayer) -> Element:
    if layer.drawn_as in ("dot", "ring"):
        is_dot, white = layer.drawn_as == "dot", "#ffffff"
        dot = element(
            "circle", cx="9", cy="6.5", r="4.5", stroke_width="2",
            fill=layer.colour if is_dot else white, stroke=white if is_dot else layer.colour,
        )  # fmt: skip
        return element("svg", dot, viewBox="0 0 18 13", class_="swatch", aria_hidden="true")
    dashes = "3 2" if layer.drawn_as == "dashed_outline" else None
    fill = layer.colour if layer.drawn_as == "area" else "#fbfaf7"
    return _swatch(fill=fill, stroke=layer.colour, stroke_dasharray=dashes)


def _swatch(**style: str | None) -> Element:
    area = element("rect", x="1", y="1", width="16", height="11", stroke_width="2", **style)
    return element("svg", area, viewBox="0 0 18 13", class_="swatch", aria_hidden="true")
