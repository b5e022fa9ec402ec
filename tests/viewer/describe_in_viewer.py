"""Run by the viewer's own Python: opens results and prints as JSON what the viewer makes of them.

Arguments: the folder of results of an analysis; or projects, of which only the layers are told.
"""

import json
import sys
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
    QgsRasterLayer,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

LAYERS = (
    "head_results", "runoff_hotspots", "dry_spots", "overspray", "zone_results", "turf_results",
)  # fmt: skip


def vector_facts(layer: QgsVectorLayer) -> dict:
    renderer = layer.renderer()
    return {
        "valid": layer.isValid(),
        "renderer": renderer.type(),
        "labels": [item.label() for item in renderer.legendSymbolItems()],
        "aliases": {field.name(): field.alias() for field in layer.fields()},
        "features": layer.featureCount(),
        "title": layer.metadata().title(),
        "abstract": layer.metadata().abstract(),
        "widgets": {
            field.name(): layer.editorWidgetSetup(index).type()
            for index, field in enumerate(layer.fields())
        },
        "labelled": layer.labelsEnabled(),
    }


def raster_facts(layer: QgsRasterLayer) -> dict:
    return {
        "valid": layer.isValid(),
        "renderer": layer.renderer().type(),
        "labels": [label for label, _ in layer.renderer().legendSymbologyItems()],
        "colours": [colour.name() for _, colour in layer.renderer().legendSymbologyItems()],
    }


def cell_colours(layer: QgsRasterLayer) -> list:
    """Colour of every cell in a picture of one pixel to a cell, rows from the north."""
    settings = QgsMapSettings()
    settings.setLayers([layer])
    settings.setDestinationCrs(layer.crs())
    settings.setExtent(layer.extent())
    settings.setOutputSize(QSize(layer.width(), layer.height()))
    settings.setBackgroundColor(QColor("white"))
    settings.setFlag(QgsMapSettings.Antialiasing, False)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage()
    return [
        [image.pixelColor(col, row).name() for col in range(image.width())]
        for row in range(image.height())
    ]


def project_facts(path: Path) -> dict:
    project = QgsProject.instance()
    facts = {"read": project.read(str(path)), "crs": project.crs().authid(), "layers": []}
    for node in project.layerTreeRoot().findLayers():
        layer = node.layer()
        described = {"valid": False}
        if isinstance(layer, QgsRasterLayer):
            described = raster_facts(layer)
        elif layer is not None and layer.isSpatial():
            described = vector_facts(layer)
        elif layer is not None:
            described = {"valid": layer.isValid()}
        facts["layers"].append(
            {
                **described,
                "id": node.layerId(),
                "name": node.name(),
                "shown": node.isVisible(),
                "crs": layer.crs().authid() if layer is not None else "",
            }
        )
    project.clear()
    return facts


def results_facts(folder: Path) -> dict:
    package = folder / "results.gpkg"
    vectors = {name: QgsVectorLayer(f"{package}|layername={name}", name, "ogr") for name in LAYERS}
    rasters = {path.stem: QgsRasterLayer(str(path)) for path in sorted(folder.glob("*.tif"))}
    run_info = QgsVectorLayer(f"{package}|layername=run_info", "run_info", "ogr")
    return {
        "vectors": {name: vector_facts(layer) for name, layer in vectors.items()},
        "rasters": {name: raster_facts(layer) for name, layer in rasters.items()},
        "run_info": {field.name(): field.alias() for field in run_info.fields()},
        "crs": vectors["turf_results"].crs().authid(),
        "cells": cell_colours(rasters["precipitation_rate_mm_h"]),
        "project": project_facts(folder / "results.qgs"),
    }


def main() -> None:
    QgsApplication.setPrefixPath("/usr", True)
    application = QgsApplication([], False)
    application.initQgis()
    paths = [Path(argument) for argument in sys.argv[1:]]
    if paths[0].is_dir():
        facts = results_facts(paths[0])
    else:
        facts = {str(path): project_facts(path) for path in paths}
    sys.stdout.write(json.dumps(facts))
    application.exitQgis()


main()
