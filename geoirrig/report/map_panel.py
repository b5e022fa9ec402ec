"""The map's own element on a page, with its switches and legends."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal
from xml.etree.ElementTree import Element

from geoirrig.report.elements import element
from geoirrig.report.map_data import surface_names
from geoirrig.report.report_page import PlaceLayer, ReportMap
from geoirrig.symbology import NO_VALUE_COLOUR, SCALES, ClassScale
from geoirrig.units import UnitSystem

_HAIRLINE = "#8b9194"  # round the colours of a legend, some of which are as pale as the page


def map_panel(site_map: ReportMap, units: UnitSystem) -> Element:
    """The map's own element, what is read off it, and the switches beside it."""
    surfaces, layers = surface_names(site_map), site_map.layers
    legends = {
        name: _legend(SCALES[name], surfaces, layers, units)
        for name in dict.fromkeys((*surfaces, *(m.classes for m in layers if m.classes)))
    }
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
                "The tables below hold what it shows; where they are cut, the GeoPackage does.",
            ),
            element("p", "Point at the map to read it off.", id="read-off"),
            element("noscript", "The map needs scripts; tables and pictures below tell of it."),
            class_="map-side",
        ),
        element(
            "div",
            _switches(site_map.variants_are, "variant", site_map.variants, shown=[0])
            if site_map.variants
            else None,
            _switches(
                "Colour",
                "raster",
                [*(SCALES[name].title for name in surfaces), "no colour"],
                shown=[0],
            )
            if surfaces
            else None,
            *(legends[name] for name in surfaces),
            _switches(
                "Shown upon it" if surfaces else "Shown",
                "layer",
                [layer.label for layer in layers],
                shown=[n for n, layer in enumerate(layers) if layer.is_shown],
                layers=layers,
            ),
            *(legend for name, legend in legends.items() if name not in surfaces),
            element("p", site_map.note, class_="note") if site_map.note else None,
            class_="switches",
        ),
        class_="map-and-switches",
    )


def _switches(
    heading: str,
    kind: Literal["variant", "raster", "layer"],
    labels: Sequence[str],
    *,
    shown: Sequence[int],
    layers: tuple[PlaceLayer, ...] = (),
) -> Element:
    choices = [
        element(
            "label",
            element(
                "input",
                type="checkbox" if kind == "layer" else "radio",
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


def _legend(
    scale: ClassScale, surfaces: Sequence[str], layers: Sequence[PlaceLayer], units: UnitSystem
) -> Element:
    """Classes of a quantity; it is there while a surface or a layer in them is shown."""
    of_surface = [n for n, name in enumerate(surfaces) if name == scale.column]
    of_layers = [n for n, layer in enumerate(layers) if layer.classes == scale.column]
    told = [(step.colour, step.label) for step in reversed(scale.classes(units))]
    drawn = {place.colour for number in of_layers for place in layers[number].places}
    if NO_VALUE_COLOUR in drawn - set(scale.colours):
        told.append((NO_VALUE_COLOUR, "not known"))
    steps = [
        element("li", _swatch(fill=colour, stroke=_HAIRLINE, width="0.7"), element("span", label))
        for colour, label in told
    ]
    return element(
        "div",
        element("p", scale.heading(units)),
        element("ul", *steps),
        class_="legend",
        data_rasters=" ".join(map(str, of_surface)),
        data_layers=" ".join(map(str, of_layers)),
        hidden=0 not in of_surface and not any(layers[n].is_shown for n in of_layers),
    )


def _layer_swatch(layer: PlaceLayer) -> Element:
    if layer.classes:
        return _class_swatch(SCALES[layer.classes], layer.colour)
    if layer.drawn_as in ("dot", "ring"):
        is_dot, white = layer.drawn_as == "dot", "#ffffff"
        dot = element(
            "circle", cx="9", cy="6.5", r="4.5", stroke_width="2",
            fill=layer.colour if is_dot else white, stroke=white if is_dot else layer.colour,
        )  # fmt: skip
        return element("svg", dot, viewBox="0 0 18 13", class_="swatch", aria_hidden="true")
    dashes = "3 2" if layer.drawn_as == "dashed_outline" else None
    fill = "#fbfaf7"
    if layer.drawn_as == "area":
        fill = layer.places[0].colour or layer.colour
    return _swatch(fill=fill, stroke=layer.colour, dashes=dashes)


def _class_swatch(scale: ClassScale, line: str) -> Element:
    """The colours of the outermost classes side by side."""
    halves = (
        element("rect", x=x, y="1", width="8", height="11", fill=colour)
        for x, colour in (("1", scale.colours[0]), ("9", scale.colours[-1]))
    )
    frame = element(
        "rect", x="1", y="1", width="16", height="11", stroke_width="1", fill="none", stroke=line
    )
    return element("svg", *halves, frame, viewBox="0 0 18 13", class_="swatch", aria_hidden="true")


def _swatch(*, fill: str, stroke: str, width: str = "2", dashes: str | None = None) -> Element:
    area = element(
        "rect", x="1", y="1", width="16", height="11",
        fill=fill, stroke=stroke, stroke_width=width, stroke_dasharray=dashes,
    )  # fmt: skip
    return element("svg", area, viewBox="0 0 18 13", class_="swatch", aria_hidden="true")
