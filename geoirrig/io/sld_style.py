"""Styles as SLD 1.0 (OGC 02-070), for software that does not read QML."""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.etree import ElementTree as ET

from geoirrig.io.result_columns import written_name
from geoirrig.io.style_designs import Design, Rule, Symbol
from geoirrig.units import UnitSystem

_NAMESPACES = {
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:ogc": "http://www.opengis.net/ogc",
    "version": "1.0.0",
}
_MM_PER_PIXEL = 0.28  # OGC 02-070 takes a pixel of 0.28 mm


def layer_sld(design: Design, layer: str, units: UnitSystem) -> str:
    """Style of a vector layer."""
    root = ET.Element("StyledLayerDescriptor", _NAMESPACES)
    named = ET.SubElement(root, "NamedLayer")
    ET.SubElement(named, "Name").text = layer
    style = ET.SubElement(named, "UserStyle")
    ET.SubElement(style, "Name").text = design.name
    rules = ET.SubElement(style, "FeatureTypeStyle")
    for rule in design.rules:
        element = ET.SubElement(rules, "Rule")
        ET.SubElement(element, "Name").text = rule.label
        if rule.test == "else":
            ET.SubElement(element, "ElseFilter")
        elif rule.test != "all":
            _add_sld_filter(element, rule, [written_name(name, units) for name in design.columns])
        _add_sld_symbol(element, rule.symbol)
        if design.label_column:
            text = ET.SubElement(element, "TextSymbolizer")
            label = ET.SubElement(text, "Label")
            ET.SubElement(label, "ogc:PropertyName").text = written_name(design.label_column, units)
    ET.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ET.tostring(root, encoding="unicode")}\n'


def _add_sld_filter(parent: ET.Element, rule: Rule, columns: Sequence[str]) -> None:
    filter_ = ET.SubElement(parent, "ogc:Filter")
    if rule.test == "has_text":
        _add_comparison(filter_, "ogc:PropertyIsNotEqualTo", columns, "")
        return
    if rule.test == "is_text":
        _add_comparison(filter_, "ogc:PropertyIsEqualTo", columns, rule.text)
        return
    limits = [
        (name, limit)
        for name, limit in (
            ("ogc:PropertyIsGreaterThan", rule.lower),
            ("ogc:PropertyIsLessThanOrEqualTo", rule.upper),
        )
        if math.isfinite(limit)
    ]
    inside = ET.SubElement(filter_, "ogc:And") if len(limits) > 1 else filter_
    for name, limit in limits:
        _add_comparison(inside, name, columns, f"{limit:.10g}")


def _add_comparison(parent: ET.Element, name: str, columns: Sequence[str], literal: str) -> None:
    comparison = ET.SubElement(parent, name)
    operand = comparison if len(columns) == 1 else ET.SubElement(comparison, "ogc:Div")
    for column in columns:
        ET.SubElement(operand, "ogc:PropertyName").text = column
    ET.SubElement(comparison, "ogc:Literal").text = literal


def _add_sld_symbol(parent: ET.Element, symbol: Symbol) -> None:
    target = ET.SubElement(
        parent, "PolygonSymbolizer" if symbol.marker_mm is None else "PointSymbolizer"
    )
    graphic = target
    if symbol.marker_mm is not None:
        graphic = ET.SubElement(target, "Graphic")
        target = ET.SubElement(graphic, "Mark")
        ET.SubElement(target, "WellKnownName").text = "circle"
    if symbol.fill is not None:
        fill = ET.SubElement(target, "Fill")
        ET.SubElement(fill, "CssParameter", name="fill").text = symbol.fill
        ET.SubElement(fill, "CssParameter", name="fill-opacity").text = f"{symbol.opacity:g}"
    stroke = ET.SubElement(target, "Stroke")
    ET.SubElement(stroke, "CssParameter", name="stroke").text = symbol.line
    width = f"{symbol.line_mm / _MM_PER_PIXEL:.2g}"
    ET.SubElement(stroke, "CssParameter", name="stroke-width").text = width
    if symbol.marker_mm is not None:
        size = f"{symbol.marker_mm / _MM_PER_PIXEL:.3g}"
        ET.SubElement(graphic, "Size").text = size
