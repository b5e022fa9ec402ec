"""The map's own element on a page, with its switches and legends."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal
from xml.etree.ElementTree import Element

from geoirrig.report.elements import element
from geoirrig.report.map_data import surface_names
from geoirrig.report.report_page import PlaceLayer, ReportMap
from geoirrig.symbology import NO_VALUE_COLOUR, SCALES, ClassScale
from geoirrig.units import UnitSystem

_NO_SURFACE = -1  # number of none
_HAIRLINE = "#8b9194"  # round the colours of a legend, some of which are as pale as the page


def map_panel(site_map: ReportMap, units: UnitSystem) -> Element:
    """The map's own element, what is read off it, and the switches beside it."""
    surfaces, layers = surface_names(site_map), site_map.layers
    legends = {
        name: _legend(SCALES[name], surfaces, layers, units)
        for name in dict.fromkeys((*surfaces, *(m.classes for m in layers if m.classes)))
    }
    of_colours = {*surfaces, *(m.classes for m in layers if _is_colour(m, surfaces))}
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
            _fieldset(
                site_map.variants_are,
                (
                    _switch("variant", name, value=number, is_shown=number == 0)
                    for number, name in enumerate(site_map.variants)
                ),
            )
            if site_map.variants
            else None,
            _colour_switches(surfaces, layers) if surfaces else None,
            *(legends[name] for name in legends if name in of_colours),
            _layer_switches(surfaces, layers),
            *(legends[name] for name in legends if name not in of_colours),
            element("p", site_map.note, class_="note") if site_map.note else None,
            class_="switches",
        ),
        class_="map-and-switches",
    )


def _is_colour(layer: PlaceLayer, surfaces: Sequence[str]) -> bool:
    """Whether it would cover the surfaces in colours of something else: one of them at a time."""
    return bool(surfaces and layer.classes) and layer.classes not in surfaces


def _colour_switches(surfaces: Sequence[str], layers: Sequence[PlaceLayer]) -> Element:
    """The surfaces, and layers that take the place of one."""
    of_surfaces = (
        _switch("raster", SCALES[name].title, value=number, is_shown=number == 0)
        for number, name in enumerate(surfaces)
    )
    of_layers = (
        _switch("raster", layer.label, value=_NO_SURFACE, layer=number)
        for number, layer in enumerate(layers)
        if _is_colour(layer, surfaces)
    )
    no_colour = _switch("raster", "no colour", value=_NO_SURFACE)
    return _fieldset("Colour", (*of_surfaces, *of_layers, no_colour))


def _layer_switches(surfaces: Sequence[str], layers: Sequence[PlaceLayer]) -> Element:
    """Layers that are shown on their own, whatever the colour."""
    return _fieldset(
        "Shown upon it" if surfaces else "Shown",
        (
            _switch(
                "layer",
                layer.label,
                value=number,
                is_shown=layer.is_shown,
                layer=number,
                swatch=_layer_swatch(layer),
            )
            for number, layer in enumerate(layers)
            if not _is_colour(layer, surfaces)
        ),
    )


def _fieldset(heading: str, choices: Iterable[Element]) -> Element:
    return element("fieldset", element("legend", heading), *choices)


def _switch(
    kind: Literal["variant", "raster", "layer"],
    label: str,
    *,
    value: int,
    is_shown: bool = False,
    layer: int | None = None,
    swatch: Element | None = None,
) -> Element:
    return element(
        "label",
        element(
            "input",
            type="checkbox" if kind == "layer" else "radio",
            name=f"map-{kind}",
            value=str(value),
            checked=is_shown,
            data_layer=None if layer is None else str(layer),
        ),
        swatch,
        element("span", label),
    )


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
        hidden=0 not in of_surface
        and not any(layers[n].is_shown and not _is_colour(layers[n], surfaces) for n in of_layers),
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
