"""A viewer's project beside the results: all layers in order, styled, by relative paths.

It is the plain XML of open desktop viewers (``.qgs``). The renderers stand in it, since a viewer
looks for the default style of a layer only where the layer is added by hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree as ET

import pyproj

from geoirrig.io.describe_layers import WrittenLayer, metadata_document
from geoirrig.io.layer_styles import layer_styles
from geoirrig.io.qml_style import QML_VERSION, raster_style_qml
from geoirrig.io.result_columns import LAYER_TITLES
from geoirrig.records import ResultRaster, WorkingPlane
from geoirrig.symbology import SCALES

# Layers from the top down; what is not named follows in the order of the file.
_FROM_THE_TOP = (
    "changes", "layout_findings", "head_results", "heads", "edge_runoff", "runoff_hotspots",
    "dry_spots", "overspray", "rule_findings", "zone_results", "zone_schedule", "ranked_slopes",
    "zone_comparison", "comparison", "parcels", "turf_results", "turf", "hardscape",
)  # fmt: skip
# Layers that would hide others below them: there, but not switched on.
_SWITCHED_OFF = ("runoff_hotspots", "rule_findings", "zone_comparison", "turf_results")
_MARGIN = 0.05  # free ground around the layers, as a share of their extent


def write_project(
    path: Path,
    package: str,
    layers: Sequence[WrittenLayer],
    rasters: Sequence[ResultRaster],
    plane: WorkingPlane,
    extent: Sequence[float | None],
) -> None:
    """Write a project that opens the layers of a GeoPackage and the rasters beside it.

    Of several rasters the first is switched on. Nothing of a user's text is in the file but what
    XML escapes; the same results give the same bytes.

    Parameters
    ----------
    path : Path
        File to write, in the folder of the results.
    package : str
        Name of the GeoPackage in that folder.
    layers : sequence of WrittenLayer
        Its layers and tables.
    rasters : sequence of ResultRaster
        Rasters that lie there as ``NAME.tif``.
    plane : WorkingPlane
        The working CRS.
    extent : sequence of float or None
        West, south, east and north of what the layers hold, in map units; None if that is nothing.
    """
    root = ET.Element("qgis", version=QML_VERSION, projectname=path.stem)
    ET.SubElement(root, "title").text = path.stem
    ET.SubElement(root, "projectCrs").append(_reference_system(plane))
    tree = ET.SubElement(root, "layer-tree-group")
    _add_canvas(root, extent, plane)
    shown = ET.SubElement(root, "projectlayers")
    ordered = sorted((layer for layer in layers if layer.table.geometry_type), key=_place_from_top)
    for layer in ordered:
        is_on = layer.table.name not in _SWITCHED_OFF
        _add_layer(tree, shown, _vector_layer(layer, package, plane), is_on=is_on)
    for number, raster in enumerate(rasters):
        _add_layer(tree, shown, _raster_layer(raster, plane), is_on=number == 0)
    for layer in layers:
        if layer.table.geometry_type is None:
            _add_layer(tree, shown, _vector_layer(layer, package, plane), is_on=False)
    properties = ET.SubElement(root, "properties")
    for group, name, kind, value in (
        ("Paths", "Absolute", "bool", "false"),
        ("SpatialRefSys", "ProjectionsEnabled", "int", "1"),  # else the CRS is not read
    ):
        ET.SubElement(ET.SubElement(properties, group), name, type=kind).text = value
    ET.indent(root)
    text = ET.tostring(root, encoding="unicode")
    path.write_text(f"<!DOCTYPE qgis>\n{text}\n", encoding="utf-8", newline="\n")


def _place_from_top(layer: WrittenLayer) -> int:
    name = layer.table.name
    return _FROM_THE_TOP.index(name) if name in _FROM_THE_TOP else len(_FROM_THE_TOP)


def _add_layer(tree: ET.Element, layers: ET.Element, layer: ET.Element, *, is_on: bool) -> None:
    ET.SubElement(
        tree,
        "layer-tree-layer",
        id=layer.findtext("id", ""),
        name=layer.findtext("layername", ""),
        checked="Qt::Checked" if is_on else "Qt::Unchecked",
        expanded="1" if is_on else "0",
    )
    layers.append(layer)


def _vector_layer(layer: WrittenLayer, package: str, plane: WorkingPlane) -> ET.Element:
    table = layer.table
    title, abstract = LAYER_TITLES.get(table.name, (table.name, ""))
    kind = {None: "No geometry", "Point": "Point"}.get(table.geometry_type, "Polygon")
    element = ET.Element("maplayer", type="vector", geometry=kind)
    _name_layer(element, table.name, f"./{package}|layername={table.name}", title, provider="ogr")
    if table.geometry_type is not None:
        ET.SubElement(element, "srs").append(_reference_system(plane))
    element.append(_metadata(title, abstract))
    styles = layer_styles(table.name, list(table.columns), table.geometry_type, units=layer.units)
    if styles:
        _take_style(element, styles[0].qml)
    return element


def _raster_layer(raster: ResultRaster, plane: WorkingPlane) -> ET.Element:
    element = ET.Element("maplayer", type="raster")
    scale = SCALES.get(raster.name)
    title = raster.description if scale is None else scale.heading("si")
    _name_layer(element, raster.name, f"./{raster.name}.tif", title, provider="gdal")
    ET.SubElement(element, "srs").append(_reference_system(plane))
    element.append(_metadata(title, raster.description))
    style = raster_style_qml(raster.name)
    if style is not None:
        _take_style(element, style)
    return element


def _name_layer(element: ET.Element, name: str, source: str, title: str, *, provider: str) -> None:
    for tag, text in (
        ("id", f"geoirrig_{name}"),  # a viewer passes over ids of less than ten letters
        ("datasource", source), ("layername", title), ("provider", provider),
    ):  # fmt: skip
        ET.SubElement(element, tag).text = text


def _metadata(title: str, abstract: str) -> ET.Element:
    metadata = metadata_document(title, abstract)
    metadata.tag = "resourceMetadata"
    return metadata


def _take_style(layer: ET.Element, qml: str) -> None:
    """Move what a style document says into a layer of the project."""
    style = ET.fromstring(qml)
    if "labelsEnabled" in style.attrib:
        layer.set("labelsEnabled", style.attrib["labelsEnabled"])
    layer.extend(part for part in style if part.tag != "layerGeometryType")


def _reference_system(plane: WorkingPlane) -> ET.Element:
    """The working CRS, as text and, where it has one, by its code."""
    system = ET.Element("spatialrefsys", nativeFormat="Wkt")
    ET.SubElement(system, "wkt").text = plane.crs_wkt
    authority = pyproj.CRS.from_wkt(plane.crs_wkt).to_authority(min_confidence=100)
    if authority is not None:
        ET.SubElement(system, "authid").text = ":".join(authority)
    ET.SubElement(system, "geographicflag").text = "false"
    return system


def _add_canvas(root: ET.Element, extent: Sequence[float | None], plane: WorkingPlane) -> None:
    """The piece of ground that is shown first."""
    left, bottom, right, top = extent
    if left is None or bottom is None or right is None or top is None:
        return
    margin = _MARGIN * max(right - left, top - bottom)
    canvas = ET.SubElement(root, "mapcanvas", name="theMapCanvas")
    shown = ET.SubElement(canvas, "extent")
    for tag, value in (
        ("xmin", left - margin), ("ymin", bottom - margin),
        ("xmax", right + margin), ("ymax", top + margin),
    ):  # fmt: skip
        ET.SubElement(shown, tag).text = f"{value:.3f}"
    ET.SubElement(canvas, "destinationsrs").append(_reference_system(plane))
