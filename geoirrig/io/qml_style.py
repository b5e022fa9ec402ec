"""Styles as QML, the documents that open desktop viewers read from files and GeoPackages."""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.etree import ElementTree as ET

from geoirrig import symbology
from geoirrig.io.result_columns import column_title, written_name
from geoirrig.io.style_designs import Design, Rule, Symbol, label_with_unit
from geoirrig.symbology import SCALES
from geoirrig.units import UnitSystem

QML_VERSION = "3.22.0"
_WITHOUT_LIMIT = 1e12  # stands for infinity, which a QML range cannot state


def raster_style_qml(raster: str) -> str | None:
    """Style of a result raster, whose values are SI; None where the raster has no scale."""
    scale = SCALES.get(raster)
    if scale is None:
        return None
    classes = scale.classes("si")
    root = ET.Element("qgis", version=QML_VERSION, styleCategories="Symbology")
    renderer = ET.SubElement(
        ET.SubElement(root, "pipe"),
        "rasterrenderer",
        {"type": "singlebandpseudocolor", "band": "1", "opacity": "1", "alphaBand": "-1"},
        classificationMin=f"{scale.limits_si[0]:g}",
        classificationMax=f"{scale.limits_si[-1]:g}",
    )
    ET.SubElement(renderer, "rasterTransparency")
    shader = ET.SubElement(
        ET.SubElement(renderer, "rastershader"),
        "colorrampshader",
        {"colorRampType": "DISCRETE", "classificationMode": "1", "clip": "0"},
        minimumValue=f"{scale.limits_si[0]:g}",
        maximumValue=f"{scale.limits_si[-1]:g}",
    )
    unit = scale.printed_unit("si")
    for step in classes:
        ET.SubElement(
            shader,
            "item",
            value=f"{step.upper:g}",
            label=label_with_unit(step.label, unit),
            color=step.colour,
            alpha="255",
        )
    return _document_text(root)


def layer_qml(design: Design, columns: Sequence[str], geometry_type: str, units: UnitSystem) -> str:
    """Style of a vector layer; ``columns`` (SI names) get their titles as aliases."""
    categories = "Symbology|Labeling|Fields" if design.label_column else "Symbology|Fields"
    root = ET.Element("qgis", version=QML_VERSION, styleCategories=categories)
    by_rules = any(rule.test != "range" for rule in design.rules)
    renderer = _rule_renderer(design, units) if by_rules else _graduated_renderer(design, units)
    root.append(renderer)
    symbols = ET.SubElement(renderer, "symbols")
    for number, rule in enumerate(design.rules):
        symbols.append(_qml_symbol(rule.symbol, number))
    if design.label_column:
        root.append(_qml_labels(written_name(design.label_column, units)))
        root.set("labelsEnabled", "1")
    root.append(_aliases(columns, units))
    layer_type = ET.SubElement(root, "layerGeometryType")
    layer_type.text = "0" if geometry_type == "Point" else "2"
    return _document_text(root)


def table_qml(columns: Sequence[str], units: UnitSystem) -> str:
    """Titles of the columns (SI names) of an attribute table."""
    root = ET.Element("qgis", version=QML_VERSION, styleCategories="Fields")
    root.append(_aliases(columns, units))
    return _document_text(root)


def _aliases(columns: Sequence[str], units: UnitSystem) -> ET.Element:
    aliases = ET.Element("aliases")
    for column in columns:
        ET.SubElement(
            aliases, "alias", field=written_name(column, units), name=column_title(column, units)
        )
    return aliases


def _quoted(columns: Sequence[str], units: UnitSystem) -> str:
    return " / ".join(f'"{written_name(column, units)}"' for column in columns)


def _graduated_renderer(design: Design, units: UnitSystem) -> ET.Element:
    renderer = ET.Element(
        "renderer-v2",
        {"type": "graduatedSymbol", "graduatedMethod": "GraduatedColor"},
        attr=_quoted(design.columns, units) if len(design.columns) > 1
        else written_name(design.columns[0], units),
    )  # fmt: skip
    ranges = ET.SubElement(renderer, "ranges")
    for number, rule in enumerate(design.rules):
        ET.SubElement(
            ranges,
            "range",
            lower=f"{max(rule.lower, -_WITHOUT_LIMIT):.10g}",
            upper=f"{min(rule.upper, _WITHOUT_LIMIT):.10g}",
            symbol=str(number),
            label=rule.label,
            render="true",
        )
    return renderer


def _rule_renderer(design: Design, units: UnitSystem) -> ET.Element:
    renderer = ET.Element("renderer-v2", {"type": "RuleRenderer"})
    rules = ET.SubElement(renderer, "rules", key="root")
    if design.heading:
        rules = ET.SubElement(rules, "rule", key="heading", label=design.heading)
    for number, rule in enumerate(design.rules):
        attributes = {"key": f"rule{number}", "symbol": str(number), "label": rule.label}
        condition = _qml_condition(rule, _quoted(design.columns, units))
        if condition:
            attributes["filter"] = condition
        ET.SubElement(rules, "rule", attributes)
    return renderer


def _qml_condition(rule: Rule, expression: str) -> str:
    if rule.test == "else":
        return "ELSE"
    if rule.test == "all":
        return ""
    if rule.test == "has_text":
        return f"{expression} <> ''"
    if rule.test == "is_text":
        return f"{expression} = '{rule.text}'"
    conditions = []
    if math.isfinite(rule.lower):
        conditions.append(f"{expression} > {rule.lower:.10g}")
    if math.isfinite(rule.upper):
        conditions.append(f"{expression} <= {rule.upper:.10g}")
    return " AND ".join(conditions)


def _qml_symbol(symbol: Symbol, number: int) -> ET.Element:
    is_marker = symbol.marker_mm is not None
    element = ET.Element(
        "symbol",
        {"type": "marker" if is_marker else "fill", "name": str(number)},
        alpha=f"{symbol.opacity:g}",
        clip_to_extent="1",
        force_rhr="0",
    )
    layer = ET.SubElement(
        element,
        "layer",
        {"class": "SimpleMarker" if is_marker else "SimpleFill"},
        enabled="1",
        locked="0",
    )
    layer.set("pass", "0")
    options = {
        "color": _rgba(symbol.fill or "#ffffff"),
        "outline_color": _rgba(symbol.line),
        "outline_style": "solid",
        "outline_width": f"{symbol.line_mm:g}",
        "outline_width_unit": "MM",
        "style": "solid" if symbol.fill else "no",
    }
    if symbol.marker_mm is not None:
        options |= {"name": "circle", "size": f"{symbol.marker_mm:g}", "size_unit": "MM"}
    mapping = ET.SubElement(layer, "Option", type="Map")
    for name, value in options.items():
        ET.SubElement(mapping, "Option", type="QString", name=name, value=value)
    return element


def _qml_labels(column: str) -> ET.Element:
    labeling = ET.Element("labeling", type="simple")
    settings = ET.SubElement(labeling, "settings", calloutType="simple")
    text = ET.SubElement(
        settings,
        "text-style",
        fieldName=column,
        isExpression="0",
        fontSize="9",
        fontSizeUnit="Point",
        textColor=_rgba(symbology.ZONE_LINE_COLOUR),
    )
    ET.SubElement(
        text,
        "text-buffer",
        bufferDraw="1",
        bufferSize="0.8",
        bufferSizeUnits="MM",
        bufferColor="255,255,255,255",
    )
    ET.SubElement(settings, "placement", placement="1")  # over the area's inner point
    ET.SubElement(settings, "rendering", drawLabels="1")
    return labeling


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[start : start + 2], 16)) for start in (1, 3, 5)) + ",255"


def _document_text(root: ET.Element) -> str:
    ET.indent(root)
    return f"<!DOCTYPE qgis>\n{ET.tostring(root, encoding='unicode')}\n"
